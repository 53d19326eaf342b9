"""Cautions: the right ones show for each operation and content, and no others."""

from __future__ import annotations

import pytest
from small_ground import frame, make_lots, make_runs, make_stones, make_work

from fencemap.cautions import all_cautions, facts, triggered
from fencemap.layers import CATALOGUE, layer
from fencemap.vocabularies import words

# Which words of a trigger may stand after which word before the sign.
VALUES = {
    "operation": words("operation"), "stability": words("stability"), "lead": words("lead_test"),
    "contact": words("contact"), "material": words("material"), "presence": words("presence"),
    "connection": words("connection"), "fastener": words("fastener_kind"), "foundation": words("foundation"),
    "repair": words("repair"), "by": words("by_whom"), "condition": frozenset({"3"}), "layer": frozenset(CATALOGUE),
}  # fmt: skip
ALWAYS = {"local-rules-first", "not-for-graves"}
# What each operation calls for, whatever the rest of the survey holds (worked out from the trade).
BY_OPERATION = {
    "standing": set(),
    "brushing": {"lead-paint", "grinding", "gentle-cleaning"},
    "washing": {"never-mix", "wash-water"},
    "converter brushed": {"converter-on-stone", "never-mix", "gentle-cleaning"},
    "converter sprayed": {"converter-on-stone", "spraying", "never-mix", "gentle-cleaning"},
    "priming": {"never-mix", "rags"},
    "painting": {"never-mix", "rags"},
    "drilling": {"grinding", "lead-paint"},
    "grinding": {"grinding", "hot-work", "metal-fumes", "lead-paint"},
    "lead work": {"molten-lead", "metal-fumes", "hot-work", "lead-waste"},
    "digging": {"digging-services", "bones", "roots"},
    "resetting": {"lifting", "leaning-stones", "bones", "leave-to-trades"},
    "access": {"leaning-stones"},
}


def shown(layers, **more):
    """Ids of the cautions that show."""
    return {caution.id for caution in triggered(layers, **more)}


def elements(**columns):
    """One post with these columns."""
    from shapely import Point

    row = {"element_id": "P1", "kind": "post"} | columns
    return frame("elements", [row], [Point(500000, 6040000, 50)])


@pytest.mark.parametrize("operation", sorted(words("operation")))
def test_each_operation_calls_for_its_own(operation):
    """Planned work shows just the cautions of its operation, those of fieldwork and those that always hold."""
    assert (
        shown({"work": make_work(("1", operation, "*"))})
        == ALWAYS | {"fieldwork"} | BY_OPERATION[operation]
    )


@pytest.mark.parametrize("name", ["exposure", "protection_zones"])
def test_an_operation_shows_wherever_it_stands(name):
    """An export without `work` still shows what its zones and exposure call for."""
    import pandas as pd

    part = pd.DataFrame({"operation": ["lead work"]})
    assert "molten-lead" in shown({name: part})


def test_without_content_only_those_that_always_hold_show():
    """Every layer of the catalogue, all empty: two cautions."""
    empty = {name: layer(name).empty("EPSG:32631") for name in CATALOGUE}
    assert shown(empty) == shown({}) == ALWAYS


@pytest.mark.parametrize(
    ("layers", "caution", "expected"),
    [
        (
            {"stones": make_stones(("S1", (0, 0, 1, 1), {"stability": "leaning"}))},
            "leaning-stones",
            True,
        ),
        (
            {"stones": make_stones(("S1", (0, 0, 1, 1), {"stability": None}))},
            "leaning-stones",
            True,
        ),
        (
            {"stones": make_stones(("S1", (0, 0, 1, 1), {"stability": "stable"}))},
            "leaning-stones",
            False,
        ),
        ({"lots": make_lots(lot_1="negative")}, "lead-paint", False),
        ({"lots": make_lots(lot_1="negative", lot_2=None)}, "lead-paint", True),
        ({"lots": make_lots(lot_1="positive")}, "lead-waste", True),
        ({"elements": elements()}, "lead-paint", True),
        ({"elements": elements(), "lots": make_lots(lot_1="negative")}, "lead-paint", False),
        ({"elements": elements(condition=3)}, "call-conservator", True),
        ({"elements": elements(condition=2)}, "call-conservator", False),
        (
            {"stones": make_stones(("S1", (0, 0, 1, 1), {"condition": 3}))},
            "call-conservator",
            False,
        ),
        ({"elements": elements(presence="loose on site")}, "lifting", True),
        ({"elements": elements(connection="bracket broken")}, "leave-to-trades", True),
        ({"elements": elements(material="zinc-coated")}, "metal-fumes", True),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_content_calls_for_its_caution(layers, caution, expected):
    """Leaning or unseen stone, untested paint, the worst grade, loose iron: each shows its caution."""
    assert (caution in shown(layers)) is expected


def test_soil_contact_warns_of_digging_and_of_what_was_not_seen():
    """Contact asks for digging and so for its cautions; unseen rail is never clear."""
    import pandas as pd

    def stretch(verdict):
        return {"soil_contact": pd.DataFrame({"contact": [verdict]})}

    assert {"digging-services", "bones"} <= shown(stretch("in contact"))
    assert "not-seen" in shown(stretch("not seen"))
    assert "free-is-no-permission" in shown(stretch("clear"))
    assert "bones" not in shown(stretch("clear"))


def test_an_orthophoto_warns_of_drones():
    """Only an export that shows the photo carries the caution."""
    assert "drones" in shown({}, more=frozenset({"orthophoto"}))
    assert "drones" not in shown({})


@pytest.mark.parametrize("caution", all_cautions(), ids=lambda caution: caution.id)
def test_each_caution_can_show_and_is_plain(caution):
    """Triggers are words that facts can be; title, text and source are there."""
    assert caution.triggers
    for trigger in caution.triggers - {"always", "orthophoto"}:
        kind, _, value = trigger.partition("=")
        assert value in VALUES[kind], trigger
    assert len(caution.title) < 80
    assert 60 < len(caution.text) < 600
    assert caution.source


def test_every_mandatory_subject_is_covered():
    """The catalogue speaks of each hazard of the work (list of the trade's own)."""
    text = " ".join(f"{caution.title} {caution.text}".lower() for caution in all_cautions())
    for subject in (
        "lead paint", "waste", "never mix", "chlorine", "heat up in a heap", "grass", "zinc", "damp", "goggles", "silica",
        "ear protection", "never lean", "tie anything", "cordon", "two people", "crush", "services", "no plan of services",
        "bones", "call", "root", "ticks", "wasps", "needles", "never alone", "permission", "nobody beneath", "consents",
        "label", "conservator", "who may do what", "anyone is buried", "cannot be undone", "hammered",
    ):  # fmt: skip
        assert subject in text, subject


def test_facts_speak_the_words_of_triggers():
    """Each row value becomes a fact, an empty cell the unknown word, and a layer with rows its name."""
    runs = make_runs(("R1", [(0, 0), (1, 0)], {}))
    held = facts(
        {"runs": runs, "lots": make_lots(lot_1=None), "work": make_work(("1", "digging", "*"))}
    )
    assert held == {
        "always",
        "layer=runs",
        "layer=lots",
        "layer=work",
        "lead=not tested",
        "operation=digging",
    }
