"""Practice defaults: complete, bounded, sourced, and overridden only by what can be meant."""

from __future__ import annotations

import re

import pytest

from fencemap import operations, practice
from fencemap.errors import SiteError
from fencemap.vocabularies import words

DEFAULTS = practice.all_defaults()
NUMBERS = [one for one in DEFAULTS.values() if not isinstance(one.value, str)]
OPERATIONS = sorted(words("operation"))


@pytest.mark.parametrize("one", DEFAULTS.values(), ids=lambda one: one.key)
def test_every_default_says_what_it_is_and_where_it_comes_from(one):
    """Meaning and source are sentences; a source is published or says that it is no standard."""
    assert len(one.meaning) > 10
    assert len(one.source) > 10
    assert one.key == one.key.strip()


@pytest.mark.parametrize("one", NUMBERS, ids=lambda one: one.key)
def test_numbers_lie_within_their_own_bounds(one):
    """Each number has bounds, and lies within them."""
    assert one.least is not None
    assert one.most is not None
    assert one.least <= one.value <= one.most
    assert one.least < one.most


@pytest.mark.parametrize("name", OPERATIONS)
def test_each_operation_is_complete(name):
    """Every operation of the vocabulary has reach, way, harm, irreversibility and cover."""
    what = operations.operation(name, practice=practice.default)
    assert what.reach.value > 0
    assert what.way in words("way")
    assert what.harm
    assert 0 <= what.irreversibility <= 1
    assert what.cover in words("cover") | {""}


def test_no_operation_is_unknown_to_the_vocabulary():
    """Practice names no operation that a site could not plan."""
    assert set(operations.names()) == set(OPERATIONS)


def test_only_converter_is_beyond_remedy():
    """Converter on stone cannot be undone; it alone has irreversibility 1 (common practice)."""
    beyond = {
        name for name in OPERATIONS if DEFAULTS[f"operation.{name}.irreversibility"].value == 1
    }
    assert beyond == {"converter brushed", "converter sprayed"}


def test_spraying_reaches_farther_and_stops_sooner_than_the_brush():
    """Brush, not spray, near stone: spraying has the widest reach and the lowest wind of all."""
    reach = {name: DEFAULTS[f"operation.{name}.reach_m"].value for name in OPERATIONS}
    assert max(reach, key=reach.__getitem__) == "converter sprayed"
    stops = {key: one.value for key, one in DEFAULTS.items() if key.endswith("wind_stop_m_s")}
    assert min(stops, key=stops.__getitem__) == "operation.converter sprayed.wind_stop_m_s"


def test_unknown_stone_is_the_most_sensitive_whatever_a_site_sets():
    """A site that makes brick the most sensitive makes unknown stone as sensitive as brick."""
    overrides = {f"stone.{kind}.sensitivity": 0.2 for kind in words("stone_type") - {"unknown"}}
    overrides["stone.brick.sensitivity"] = 0.9
    weights = operations.sensitivities(lambda key: practice.look_up(key, overrides))
    assert weights["unknown"] == weights["brick"] == 0.9


def test_a_sites_value_is_marked_as_such():
    """What the site sets keeps unit and meaning, and its source says who set it."""
    held = practice.look_up("contact.gap_mm", {"contact.gap_mm": 15})
    assert (held.value, held.unit, held.source) == (15, "mm", "set by the site")
    assert practice.look_up("contact.gap_mm", {}).source == practice.NOT_A_STANDARD


@pytest.mark.parametrize(
    ("key", "value", "code"),
    [
        ("contact.gap", 15, "unknown-practice"),
        ("contact.gap_mm", "15", "wrong-type"),
        ("contact.gap_mm", True, "wrong-type"),
        ("contact.gap_mm", -1, "out-of-bounds"),
        ("contact.gap_mm", float("nan"), "out-of-bounds"),
        ("contact.gap_mm", float("inf"), "out-of-bounds"),
        ("cover.off_by", 18, "wrong-type"),
        ("operation.washing.cover", "tarpaulin", "unknown-word"),
        ("operation.washing.way", "above", "unknown-word"),
        ("operation.brushing.ground_sheet", "sometimes", "unknown-word"),
    ],
)
def test_overrides_that_cannot_be_meant_are_refused(key, value, code):
    """Each wrong value is refused with file, key, reason and a remedy."""
    with pytest.raises(SiteError) as caught:
        practice.check_overrides({key: value}, file="site.toml")
    (problem,) = caught.value.problems
    assert (problem.code, problem.file, problem.column) == (code, "site.toml", f"practice.{key}")
    assert problem.remedy


def test_all_wrong_overrides_are_named_at_once():
    """Three faults, one error; good keys beside them are no fault."""
    wrong = {"a.b": 1, "contact.gap_mm": "x", "contact.certain": 7, "cover.laps_pct": 20}
    with pytest.raises(SiteError) as caught:
        practice.check_overrides(wrong, file="site.toml")
    assert len(caught.value.problems) == 3


def test_good_overrides_pass():
    """Numbers within bounds and words of the vocabulary pass, an empty cover too."""
    practice.check_overrides(
        {"contact.gap_mm": 15.5, "operation.access.cover": "", "cover.off_by": "17:00"},
        file="site.toml",
    )


def test_keys_that_the_code_asks_for_exist(root):
    """Each key written out in the code is in practice; parts in braces stand for any word."""
    asked = re.compile(r"""(?:look_up|practice|default)\(\s*(f?)"([a-z][^"]*\.[^"]*)\"""")
    found = 0
    for path in sorted((root / "fencemap").rglob("*.py")):
        for _, key in asked.findall(path.read_text(encoding="utf-8")):
            pattern = re.sub(r"\\\{[^}]*\\\}", "[^.]+", re.escape(key))
            assert any(re.fullmatch(pattern, known) for known in DEFAULTS), f"{path.name}: {key}"
            found += 1
    assert found > 20


def test_plan_is_sorted_and_names_each_job_once():
    """Rows that name a run twice give one job with the earlier day."""
    from small_ground import make_lots, make_runs, make_work

    runs = make_runs(("R2", [(0, 0), (1, 0)], {}), ("R1", [(0, 0), (1, 0)], {}))
    work = make_work(("1", "painting", "R1;R2", "2026-05-09"), ("1", "painting", "*", "2026-05-02"))
    plan = operations.planned(work, runs, make_lots(), practice=practice.default)
    named = [(job.phase, job.operation.name, job.run_id, job.date) for job in plan.jobs]
    assert named == [
        ("1", "painting", "R1", "2026-05-02"), ("1", "painting", "R2", "2026-05-02"),
        ("standing", "standing", "R1", ""), ("standing", "standing", "R2", ""),
    ]  # fmt: skip
