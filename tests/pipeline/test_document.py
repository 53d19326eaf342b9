"""A pipeline document is checked word by word before anything runs."""

import pytest

from fencemap.errors import FencemapError, MissingLayerError, SiteError
from fencemap.pipeline.document import as_toml, known_documents, load_document

GOOD = """\
[pipeline]
name = "short"
title = "Short"

[bring_in.elements]
use = "survey_elements"

[bring_in.levels]
use = "survey_levels"
"""


def load(tmp_path, text):
    path = tmp_path / "document.toml"
    path.write_text(text, encoding="utf-8")
    return load_document(str(path))


def test_a_good_document_keeps_the_order_of_its_steps(tmp_path):
    """Steps come out as they stand, each with every parameter filled in."""
    document = load(tmp_path, GOOD)
    assert [planned.name for planned in document.steps] == ["bring_in.elements", "bring_in.levels"]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[bring_in.elements]", "[bringin.elements]", "did you mean 'bring_in'"),
        ("survey_elements", "survey_element", "did you mean survey_elements"),
        ("[bring_in.elements]", "[bring_in.element]", "makes 'elements'"),
        ('use = "survey_levels"', 'use = "survey_levels"\nspeed = 3', "no such parameter"),
        ('use = "survey_levels"', "", "does not say which step"),
        ("[bring_in.levels]", "[bring_in.elements]", "not toml"),
        ('name = "short"', "name = short", "not toml"),
    ],
)
def test_a_slip_is_named_with_its_place_and_remedy(tmp_path, old, new, words):
    """Each slip gives one error that names the file, the table and the way out."""
    assert old in GOOD
    with pytest.raises(SiteError) as error:
        load(tmp_path, GOOD.replace(old, new))
    assert words in str(error.value).lower()
    assert "document.toml" in str(error.value)


def test_all_slips_are_told_at_once(tmp_path):
    """Two wrong tables are two problems of one error."""
    text = GOOD.replace("survey_elements", "nothing_a").replace("survey_levels", "nothing_b")
    with pytest.raises(SiteError) as error:
        load(tmp_path, text)
    assert len(error.value.problems) == 2


def test_stages_must_stand_in_their_order(tmp_path):
    """A bring_in table after a relate table is refused by name."""
    text = '[relate.runs]\nuse = "order_posts"\n' + GOOD.split("\n\n", 1)[1]
    with pytest.raises(FencemapError, match="after a later stage"):
        load(tmp_path, text)


def test_a_layer_that_nobody_makes_is_missed_before_the_run(tmp_path):
    """Levels need elements; without them the error says which step lacks what."""
    text = GOOD.replace('[bring_in.elements]\nuse = "survey_elements"\n', "")
    with pytest.raises(MissingLayerError, match="needs elements"):
        load(tmp_path, text)


@pytest.mark.parametrize("value", ["-1", '"wide"', "true", "nan"])
def test_parameters_keep_their_bounds(tmp_path, value):
    """A distance below 0, a word, a yes or a not-a-number is refused where it stands."""
    text = (
        GOOD
        + '\n[relate.runs]\nuse = "order_posts"\n\n[relate.stone_reach]\nuse = "nearest_iron"\nmax_distance_m = '
        + value
    )
    text = text.replace(
        "[relate.runs]",
        '[bring_in.stones]\nuse = "survey_stones"\n\n[bring_in.curbs]\nuse = "survey_curbs"\n\n[bring_in.lots]\nuse = "survey_lots"\n\n[relate.runs]',
    )
    with pytest.raises(SiteError, match=r"relate\.stone_reach\.max_distance_m"):
        load(tmp_path, text)


@pytest.mark.parametrize("name", sorted(known_documents()))
def test_every_document_that_comes_along_is_good(name):
    """The documents in pipelines/ load, and carry their file's name."""
    document = load_document(name)
    assert document.name == name
    assert document.title


@pytest.mark.parametrize("name", sorted(known_documents()))
def test_the_used_document_is_a_document_again(tmp_path, name):
    """used_pipeline.toml loads to the same steps and parameters."""
    document = load_document(name)
    again = load(tmp_path, as_toml(document))
    assert [(p.name, dict(p.parameters)) for p in again.steps] == [
        (p.name, dict(p.parameters)) for p in document.steps
    ]
