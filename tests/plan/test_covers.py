"""Covers: kind, sheet worked by hand, cordons, ground sheets that add up."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from small_ground import (
    SURVEY,
    FakeRun,
    make_curbs,
    make_lots,
    make_reach,
    make_runs,
    make_site,
    make_stones,
    make_work,
)

from fencemap.find.exposure_steps import exposure_of_stone
from fencemap.layers import layer
from fencemap.plan.steps import cover_stones

ONE_RUN = make_runs(("R1", [(0, 0), (10, 0)], {}))
CLEAN = make_lots(lot_1="negative")


def covers(stones, work, *, curbs=None, runs=ONE_RUN, lots=CLEAN, practice=None):
    """List exposure and choose covers for it."""
    curbs = layer("curbs").empty("EPSG:32631") if curbs is None else curbs
    given = {"site": make_site(), "survey": SURVEY, "run": FakeRun(practice)}
    reach = make_reach(stones, curbs, runs)
    exposure = exposure_of_stone(stones, curbs, reach, runs, work, lots, **given)["exposure"]
    made = cover_stones(exposure, stones, curbs, runs, work, lots, **given)["covers"]
    return layer("covers").check(made, crs="EPSG:32631")


def test_sheet_is_top_and_faces_with_laps():
    """1.0 x 0.2 m, 0.8 m high: 0.2 + 2 (1.0 + 0.2) 0.8 = 2.12 m2, with 15 % laps 2.438 m2 (by hand)."""
    made = covers(
        make_stones(("S1", (4, 0.3, 5, 0.5), {"height_m": 0.8})), make_work(("1", "painting", "*"))
    )
    assert made["area_m2"].tolist() == pytest.approx([0.2])
    assert made["sheet_m2"].tolist() == pytest.approx([2.438])


def test_unknown_heights_are_taken_high():
    """A stone of unknown height counts as 1.5 m, a curb as 0.3 m: (0.2 + 2.4 h) x 1.15."""
    stones = make_stones(("S1", (4, 0.3, 5, 0.5), {"height_m": None}))
    curbs = make_curbs(("C1", (6, 0.3, 7, 0.5), {"height_m": None}))
    made = covers(stones, make_work(("1", "painting", "*")), curbs=curbs).set_index("stone_id")
    assert made["sheet_m2"]["S1"] == pytest.approx((0.2 + 2.4 * 1.5) * 1.15)
    assert made["sheet_m2"]["C1"] == pytest.approx((0.2 + 2.4 * 0.3) * 1.15)


@pytest.mark.parametrize(
    ("operation", "kind"),
    [("brushing", "breathable sheet"), ("washing", "splash sheet"), ("converter brushed", "splash sheet"),
     ("digging", "boards"), ("grinding", "boards")],
)  # fmt: skip
def test_kind_of_cover(operation, kind):
    """Each operation lays its own kind; sheet is reckoned for sheets only."""
    made = covers(make_stones(("S1", (4, 0.3, 5, 0.5), {})), make_work(("1", operation, "*")))
    assert made["cover"].tolist() == [kind]
    assert np.isnan(made["sheet_m2"].iloc[0]) == (kind == "boards")


def test_nothing_is_laid_for_standing_iron():
    """Rain falls all year: stone under standing iron is listed, not wrapped up."""
    assert len(covers(make_stones(("S1", (4, 0.1, 5, 0.2), {})), make_work())) == 0


@pytest.mark.parametrize("stability", ["leaning", "loose"])
def test_unstable_stone_is_cordoned(stability):
    """Nothing is laid on stone that leans or moves, and the work waits."""
    stones = make_stones(("S1", (4, 0.3, 5, 0.5), {"stability": stability}))
    made = covers(stones, make_work(("1", "painting", "*", "2026-05-04"))).iloc[0]
    assert made["cover"] == "cordon"
    assert np.isnan(made["sheet_m2"])
    assert "made safe" in made["off_by"]


def test_covers_come_off_on_the_day():
    """The day of the work stands in `off_by`; without a day the evening does."""
    stones = make_stones(("S1", (4, 0.3, 5, 0.5), {}))
    dated = covers(stones, make_work(("1", "painting", "*", "2026-05-04"), ("1", "priming", "*")))
    by = dated.set_index("operation")["off_by"]
    assert by["painting"] == "2026-05-04, end of the working day"
    assert by["priming"] == "end of the working day"


def ring(lot):
    """Four runs about a lot of 12 x 6 m."""
    corners = [(0, 0), (12, 0), (12, 6), (0, 6), (0, 0)]
    return make_runs(*[(f"R{i}", corners[i : i + 2], {"lots": lot}) for i in range(4)])


def test_ground_sheets_of_a_lot_add_up_to_the_ground_they_cover():
    """12 x 6 m lot, sheet 3.05 m both ways: inside is covered whole (6 < 2 x 3.05), outside 36 r + pi r2.

    By hand: 72 + 36 x 3.05 + pi x 3.05^2 = 211.02 m2; with 15 % laps 242.68 m2.
    """
    made = covers(make_stones(), make_work(("1", "brushing", "*")), runs=ring("7"))
    assert set(made["cover"]) == {"ground sheet"}
    whole = 72 + 36 * 3.05 + math.pi * 3.05**2
    assert made["area_m2"].sum() == pytest.approx(whole, rel=0.005)
    assert made["sheet_m2"].sum() == pytest.approx(whole * 1.15, rel=0.005)
    shapes = np.asarray(made.geometry)
    for i in range(len(shapes)):
        for j in range(i):
            assert shapely.area(shapely.intersection(shapes[i], shapes[j])) < 1e-6


def test_no_ground_sheet_where_lead_is_excluded():
    """A negative test takes the ground sheet away; 'always' in practice brings it back at 1 m."""
    lots, work = make_lots(lot_7="negative"), make_work(("1", "brushing", "R0"))
    assert len(covers(make_stones(), work, runs=ring("7"), lots=lots)) == 0
    always = covers(
        make_stones(),
        work,
        runs=ring("7"),
        lots=lots,
        practice={"operation.brushing.ground_sheet": "always"},
    )
    assert always["area_m2"].sum() == pytest.approx(24 + math.pi, rel=0.005)


def test_every_listed_stone_has_its_cover():
    """Each exposure row of an operation that covers has one cover row with its rank, and no other."""
    stones = make_stones(*[(f"S{i}", (i, 0.1 * i, i + 0.4, 0.1 * i + 0.2), {}) for i in range(9)])
    made = covers(stones, make_work(("1", "painting", "*"), ("1", "washing", "*")))
    assert not made.duplicated(["operation", "stone_id"]).any()
    assert sorted(made["rank"]) == list(range(1, len(made) + 1))
