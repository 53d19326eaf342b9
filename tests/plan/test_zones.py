"""Protection zones: area, widening, strips to stone outside, wind, cautions."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from small_ground import (
    EAST,
    NORTH,
    SURVEY,
    FakeRun,
    line,
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
from fencemap.plan.shapes import grown
from fencemap.plan.steps import protect_zones

CLEAN = make_lots(lot_1="negative")
GIVEN = {"site": make_site(), "survey": SURVEY}


def zones(stones, runs, work, *, lots=CLEAN, curbs=None, drop_m=None, practice=None):
    """List exposure and draw its zones."""
    curbs = layer("curbs").empty("EPSG:32631") if curbs is None else curbs
    run = FakeRun(practice)
    reach = make_reach(stones, curbs, runs, drop_m=drop_m)
    exposure = exposure_of_stone(stones, curbs, reach, runs, work, lots, **GIVEN, run=run)[
        "exposure"
    ]
    made = protect_zones(exposure, runs, work, lots, **GIVEN, run=run)["protection_zones"]
    layer("protection_zones").check(made, crs="EPSG:32631")
    return exposure, made


@pytest.mark.parametrize("radius_m", [0.3, 0.6, 1.0, 3.05, 15.0])
def test_area_about_a_point_and_a_line(radius_m):
    """A buffer has the area of its formula, pi r2 and 2 r L + pi r2, to 0.5 %, and never less."""
    point, straight = grown(
        np.array([shapely.Point(5, 5), line((0, 0), (10, 0))], object), by_m=radius_m
    )
    circle, capsule = math.pi * radius_m**2, 20 * radius_m + math.pi * radius_m**2
    assert circle < point.area < circle * 1.009
    assert capsule < straight.area < capsule * 1.005
    if radius_m >= 1:  # the millimetre that is added weighs less
        assert point.area < circle * 1.005


@given(
    radius_m=st.floats(0.1, 20.0),
    angle=st.floats(0.0, 2 * math.pi),
    corner=st.tuples(st.floats(-8, 8), st.floats(-8, 8)),
)
def test_grown_never_cuts_inside(radius_m, angle, corner):
    """The outline keeps the distance from a bent line; every place at the very distance lies inside."""
    bent = line((0, 0), (3, 0), corner)
    area = grown(np.array([bent], object), by_m=radius_m)[0]
    assert shapely.distance(area.boundary, bent) >= radius_m
    for vertex in bent.coords:
        east = vertex[0] + radius_m * math.cos(angle)
        assert area.contains(shapely.Point(east, vertex[1] + radius_m * math.sin(angle)))


# A nearly folded line that plain buffering draws 2.6 cm too narrow (found by random search).
FOLDED = ((0, 0), (3, 0), (5.17085073, 0.31486886))


def test_smoothing_of_bent_lines_is_undone():
    """The library's own buffer cuts inside here, ours does not, and it grows by no more than a hundredth."""
    bent, radius_m = line(*FOLDED), 19.254611334164267
    assert shapely.distance(shapely.buffer(bent, radius_m, quad_segs=64).boundary, bent) < radius_m
    area = grown(np.array([bent], object), by_m=radius_m)[0]
    assert shapely.distance(area.boundary, bent) >= radius_m
    assert shapely.hausdorff_distance(area.boundary, bent) < radius_m * 1.01 + 0.01


def test_one_zone_a_run_operation_and_phase():
    """Two runs, two operations in one phase and one in another, and standing: eight zones, none merged."""
    runs = make_runs(("R1", [(0, 0), (10, 0)], {}), ("R2", [(0, 0.5), (10, 0.5)], {}))
    work = make_work(("1", "washing", "*"), ("1", "painting", "*"), ("2", "painting", "*"))
    _, made = zones(make_stones(), runs, work)
    assert len(made) == 8
    assert not made.duplicated(["phase", "operation", "run_id"]).any()


def test_reach_is_widened_by_the_runs_own_accuracy():
    """A run known to 0.1 m widens 0.6 m by 2.326 x 0.1 m (99 % point of the normal table)."""
    runs = make_runs(("R1", [(0, 0), (10, 0)], {"sigma_h_m": 0.1}))
    _, made = zones(make_stones(), runs, make_work(("1", "painting", "*")))
    zone = made.query("operation == 'painting'").iloc[0]
    assert zone["widened_m"] == pytest.approx(0.2326, abs=5e-5)
    assert zone["reach_m"] == pytest.approx(0.8326, abs=5e-5)
    assert zone["area_m2"] == pytest.approx(20 * 0.8326 + math.pi * 0.8326**2, rel=0.005)
    assert zone.geometry.bounds == pytest.approx(
        (EAST - 0.833, NORTH - 0.833, EAST + 10.833, NORTH + 0.833), abs=0.003
    )


def test_zone_holds_stone_that_lies_outside_its_reach():
    """Stone placed by phone, stone downhill and a recorded curb: each is in the zone of its run."""
    runs = make_runs(("R1", [(0, 0), (10, 0)], {}))
    stones = make_stones(
        ("phone", (4, 6, 4.4, 6.2), {"sigma_h_m": 5.0}), ("below", (7, -4, 7.4, -3.8), {}),
        ("above", (1, 4, 1.4, 4.2), {}),
    )  # fmt: skip
    curbs = make_curbs(("C1", (2, -3, 3, -2.8), {"run_id": "R1"}))
    work = make_work(("1", "washing", "*"))
    exposure, made = zones(
        stones,
        runs,
        work,
        curbs=curbs,
        drop_m={"below": 0.5, "above": -0.5, "phone": -0.5, "C1": -0.5},
    )
    zone = made.query("operation == 'washing'").iloc[0]
    listed = exposure.query("operation == 'washing'")
    assert set(listed["stone_id"]) == {"phone", "below", "C1"}
    assert shapely.intersects(zone.geometry, np.asarray(listed.geometry)).all()
    assert zone["stones"] == 3
    above = stones.query("element_id == 'above'").geometry.iloc[0]
    assert not zone.geometry.intersects(above)


def test_wind_that_a_zone_holds_to():
    """Flakes falling 1 m/s from 1.5 m: 3.3 m at 2.2 m/s, 7.5 m at 5, 13.5 m at 9 (worked by hand: w h / v)."""
    runs = make_runs(("R1", [(0, 0), (10, 0)], {"height_mm": 1500.0}))
    work = make_work(
        ("1", "brushing", "*"), ("1", "converter sprayed", "*"), ("1", "painting", "*")
    )
    for reach_m, wind in ((3.3, 2.2), (7.5, 5.0), (13.5, 9.0)):
        _, made = zones(make_stones(), runs, work, practice={"operation.brushing.reach_m": reach_m})
        held = made.set_index("operation")["holds_to_m_s"]
        assert held["brushing"] == pytest.approx(wind)
        assert np.isnan(held["converter sprayed"])
        assert np.isnan(held["painting"])


def test_wind_stop_is_the_lower_one_where_lead_is_suspect():
    """Brushing stops at 9 m/s, and at 5 where lead is not excluded; rain on standing iron has none."""
    runs = make_runs(("R1", [(0, 0), (10, 0)], {}), ("R2", [(0, 9), (10, 9)], {"lots": "2"}))
    _, made = zones(make_stones(), runs, make_work(("1", "brushing", "*")))
    stop = made.set_index(["operation", "run_id"])["wind_stop_m_s"]
    assert (stop["brushing", "R1"], stop["brushing", "R2"]) == (9.0, 5.0)
    assert np.isnan(stop["standing", "R1"])


def test_zones_name_source_and_cautions():
    """A zone says where its reach comes from and which cautions apply."""
    runs = make_runs(("R1", [(0, 0), (10, 0)], {"lots": "2"}))
    work = make_work(("1", "brushing", "*"), ("1", "converter sprayed", "*"))
    _, made = zones(
        make_stones(), runs, work, practice={"operation.converter sprayed.reach_m": 4.0}
    )
    by = made.set_index("operation")
    assert "40 CFR 745.85" in by["reach_source"]["brushing"]
    assert "set by the site" in by["reach_source"]["converter sprayed"]
    assert {"spraying", "converter-on-stone", "never-mix"} <= set(
        by["cautions"]["converter sprayed"].split(";")
    )
    assert {"lead-paint", "lead-waste"} <= set(by["cautions"]["brushing"].split(";"))
