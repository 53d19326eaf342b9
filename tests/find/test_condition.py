"""Condition summed up by bay, run and lot, and what was looked at."""

from __future__ import annotations

import pytest
import shapely
from rails import SITE
from small_ground import EAST, NORTH, SURVEY, frame

from fencemap.find.steps import condition_of_fences
from fencemap.layers import layer
from fencemap.relate.steps import order_posts


def post(k, **more):
    """Post k, 2 m after the one before."""
    return {
        "element_id": f"P{k}",
        "kind": "post",
        "run_id": "R",
        "order": k,
        "lots": "1",
        "height_mm": 1000,
        "seen": "inspected",
    } | more


def panel(k, **more):
    """The panel after post k."""
    base = {
        "element_id": f"N{k}",
        "kind": "panel",
        "run_id": "R",
        "order": k,
        "lots": "1",
        "presence": "in place",
        "seen": "inspected",
    }
    return base | more


def part(name, parent, **more):
    """A part that hangs on something."""
    return {"element_id": name, "kind": "bracket", "parent_id": parent, "lots": "1"} | more


def summed(rows, contact=(), lots=("1",)):
    """Run the step; rows lie 2 m apart by their number, parts anywhere."""
    places = [
        shapely.Point(
            EAST + 2.0 * (row.get("order") or 0),
            NORTH + (5.0 if row.get("run_id") == "S" else 0.0),
            float("nan"),
        )
        for row in rows
    ]
    elements = frame("elements", [{"sigma_h_m": 0.01} | row for row in rows], places)
    related = order_posts(elements, layer("levels").empty(), site=SITE, survey=SURVEY)
    shapes = [
        shapely.box(EAST, NORTH - 1 + 10 * k, EAST + 9, NORTH + 8 + 10 * k)
        for k in range(len(lots))
    ]
    found = frame("lots", [{"lot_id": lot} for lot in lots], shapes)
    rails = [
        {
            "run_id": bay[0],
            "bay_id": bay,
            "contact": verdict,
            "surface": surface,
            "length_m": length,
            "expected_contact_m": expected,
        }
        for bay, verdict, surface, length, expected in contact
    ]
    line = shapely.LineString([(EAST, NORTH), (EAST + 1, NORTH)])
    soil = frame("soil_contact", rails, [line] * len(rails))
    made = condition_of_fences(
        elements,
        related["runs"],
        related["bays"],
        related["panels"],
        found,
        soil,
        site=SITE,
        survey=SURVEY,
    )
    for name, one in made.items():
        layer(name).check(one, crs=SITE.crs)
    return made


def bay(made, name):
    """One bay's row."""
    return made["condition_bays"].set_index("bay_id").loc[name]


def run(made, name="R"):
    """One run's row."""
    return made["condition_runs"].set_index("run_id").loc[name]


def test_the_worst_is_never_averaged_away():
    """One bad picket bracket among sound panels is the run's condition, with its name."""
    rows = [post(k, condition=0) for k in range(1, 5)] + [
        panel(k, condition=1, urgency=0) for k in range(1, 4)
    ]
    made = summed([*rows, part("X", "N2", condition=3, urgency=2, make_safe=True)])
    assert run(made)[
        ["worst_condition", "worst_element", "worst_urgency", "make_safe"]
    ].tolist() == [3, "X", 2, True]
    assert bay(made, "R-B02")["worst_element"] == "X"
    assert bay(made, "R-B01")["worst_condition"] == 1


def test_a_post_counts_for_both_its_bays_and_once_for_its_run():
    """Two fasteners missing at the post between two bays are missing in both, and two in the run."""
    rows = [post(1), post(2, fasteners_missing=2), post(3), panel(1, fasteners_missing=1), panel(2)]
    made = summed(rows)
    assert bay(made, "R-B01")["fasteners_missing"] == 3
    assert bay(made, "R-B02")["fasteners_missing"] == 2
    assert run(made)["fasteners_missing"] == 3


def test_parts_of_parts_are_followed():
    """A bolt on a bracket on a panel belongs to the panel's bay."""
    rows = [
        post(1),
        post(2),
        panel(1),
        part("bracket", "N1"),
        part("bolt", "bracket", kind="bolt", condition=2),
    ]
    assert bay(summed(rows), "R-B01")["worst_element"] == "bolt"


def test_a_post_named_as_the_same_post_elsewhere_is_no_part_of_it():
    """A post whose parent is the same post of the next run does not hang in that run's bays."""
    rows = [post(1, condition=0), post(2, condition=0)]
    rows += [
        {
            "element_id": f"Q{k}",
            "kind": "post",
            "run_id": "S",
            "order": k,
            "lots": "2",
            "condition": 3,
        }
        for k in (1, 2)
    ]
    rows[2]["parent_id"] = "P1"
    assert bay(summed(rows), "R-B01")["worst_condition"] == 0


def test_rust_is_weighted_by_length_and_graded_by_the_worst():
    """10 % on a panel of 2 m and 40 % on a post of 1 m are 20 %; the grades are those of 40 %."""
    made = summed([post(1, rusted_area_pct=40.0), post(2), panel(1, rusted_area_pct=10.0)])
    found = bay(made, "R-B01")
    assert found["rusted_area_pct"] == pytest.approx((10 * 2 + 40 * 1) / 3, abs=1e-9)
    assert found[["worst_rusted_area_pct", "astm_d610_grade", "iso_4628_3_grade"]].tolist() == [
        40.0,
        1,
        "Ri5",
    ]


def test_what_nobody_judged_has_no_grade():
    """Without any judgement condition and grades are empty, not the best ones."""
    found = bay(summed([post(1), post(2), panel(1)]), "R-B01")
    assert (
        found[
            [
                "worst_condition",
                "worst_element",
                "rusted_area_pct",
                "astm_d610_grade",
                "iso_4628_3_grade",
                "make_safe",
            ]
        ]
        .isna()
        .all()
    )


def test_missing_parts_are_counted():
    """Elements recorded as missing are counted in their bay, run and lot."""
    made = summed(
        [post(1), post(2), panel(1, presence="missing"), part("X", "P1", presence="missing")]
    )
    assert bay(made, "R-B01")["parts_missing"] == 2
    assert run(made)["parts_missing"] == 2
    assert made["condition_lots"]["parts_missing"].tolist() == [2]


def test_contact_is_soil_only_and_undecided_metres_are_added_up():
    """Expected contact leaves stone out; what was not seen at all stays empty."""
    rows = [post(k) for k in (1, 2, 3, 4)] + [panel(k) for k in (1, 2, 3)]
    made = summed(
        rows,
        [
            ("R-B01", "in contact", "soil", 1.0, 0.97), ("R-B01", "undecided", "soil", 0.6, 0.3),
            ("R-B01", "over stone", "stone", 0.4, 0.39), ("R-B02", "not seen", "not seen", 2.0, None),
        ],
    )  # fmt: skip
    assert bay(made, "R-B01")[["contact_m", "undecided_m"]].tolist() == pytest.approx(
        [1.27, 0.6], abs=1e-9
    )
    assert bay(made, "R-B02")[["contact_m"]].isna().all()
    assert bay(made, "R-B03")[["contact_m", "undecided_m"]].isna().all()
    assert run(made)["contact_m"] == pytest.approx(1.27, abs=1e-9)


def test_a_party_fence_counts_for_both_lots():
    """A run of lots 1 and 2 is in both, with its whole length; a lot without iron is left out."""
    rows = [post(1, lots="1;2", condition=2), post(2, lots="1;2"), panel(1, lots="1;2")]
    made = summed(rows, lots=("1", "2", "3"))["condition_lots"].set_index("lot_id")
    assert made.index.tolist() == ["1", "2"]
    assert made["worst_condition"].tolist() == [2, 2]
    assert made["length_m"].tolist() == [2.0, 2.0]


def test_loose_pieces_count_for_the_lot_they_name():
    """A fragment without run or parent is in its lot's condition and in no bay's."""
    rows = [
        post(1),
        post(2),
        panel(1),
        {"element_id": "F", "kind": "fragment", "lots": "1", "condition": 3},
    ]
    made = summed(rows)
    assert made["condition_lots"]["worst_element"].tolist() == ["F"]
    assert made["condition_bays"]["worst_condition"].isna().all()


def test_coverage_by_hand():
    """Inspected, partly seen, judged without a word, and not at all: metres by word, neighbours joined."""
    rows = [post(k) for k in range(1, 7)]
    rows += [
        panel(1),
        panel(2),
        panel(3, seen="partly"),
        panel(4, seen=None, condition=1),
        panel(5, seen=None),
    ]
    made = summed(rows)
    found = made["coverage"]
    assert found[["seen", "length_m", "inspected_m"]].to_numpy().tolist() == [
        ["inspected", 4.0, 4.0], ["partly", 2.0, 0.0], ["inspected", 2.0, 2.0], ["not visited", 2.0, 0.0],
    ]  # fmt: skip
    assert [line.length for line in found.geometry] == pytest.approx([4.0, 2.0, 2.0, 2.0], abs=1e-6)
    assert run(made)[["length_m", "inspected_m"]].tolist() == [10.0, 6.0]


def test_an_open_bay_was_looked_at_when_both_posts_were():
    """A bay without a panel takes the word of the less looked at of its posts."""
    made = summed([post(1), post(2), post(3, seen="not accessible"), panel(9, run_id="elsewhere")])
    assert made["coverage"]["seen"].tolist() == ["inspected", "not accessible"]


def test_nothing_surveyed():
    """Without elements all four layers are there, and empty."""
    made = summed([])
    assert {name: len(found) for name, found in made.items()} == dict.fromkeys(made, 0)
