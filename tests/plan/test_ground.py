"""Root protection and no-dig areas, against their formulas."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from small_ground import (
    EAST,
    NORTH,
    SURVEY,
    FakeRun,
    frame,
    line,
    make_curbs,
    make_site,
    make_stones,
)

from fencemap.layers import layer
from fencemap.plan.steps import forbid_digging, protect_roots

GIVEN = {"site": make_site(), "survey": SURVEY}
NO_CURBS = layer("curbs").empty("EPSG:32631")
NONE_AROUND = layer("surroundings").empty("EPSG:32631")
WIDTHS = 2.3263  # 99 % point of the normal table


def make_trees(**stems_mm):
    """Trees by name with their stem diameter."""
    rows = [{"element_id": name, "stem_diameter_mm": stem} for name, stem in stems_mm.items()]
    at = shapely.Point(EAST + 5, NORTH + 5)
    return frame("trees", rows, [at] * len(rows))


def roots(practice=None, **stems_mm):
    """Root protection areas by tree."""
    made = protect_roots(make_trees(**stems_mm), **GIVEN, run=FakeRun(practice))["root_protection"]
    return layer("root_protection").check(made, crs="EPSG:32631").set_index("element_id")


# BS 5837:2012, 4.6: radius 12 stem diameters, area capped at 707 m2 (radius 15 m).
STEMS = [
    ("T", 100.0, 1.2),
    ("T", 500.0, 6.0),
    ("T", 1250.0, 15.0),
    ("T", 2000.0, 15.0),
    ("T", None, 15.0),
]


@pytest.mark.parametrize(("name", "stem_mm", "radius_m"), STEMS, ids=str)
def test_root_protection_radius_and_area(name, stem_mm, radius_m):
    """Radius to 1 cm, area that of the circle to 0.5 % and never less; an unmeasured stem has the cap."""
    tree = roots(**{name: stem_mm}).loc[name]
    assert tree["radius_m"] == pytest.approx(radius_m, abs=0.01)
    circle = math.pi * tree["radius_m"] ** 2
    assert circle <= tree["area_m2"] <= circle * 1.005
    assert tree["area_m2"] <= 707 * 1.005


def test_factor_and_cap_are_the_sites_to_set():
    """A factor of 18 gives 9 m for a stem of 0.5 m; a cap of 200 m2 cuts it to sqrt(200 / pi)."""
    assert roots({"roots.stem_factor": 18}, T=500.0).loc["T", "radius_m"] == pytest.approx(9.0)
    capped = roots({"roots.stem_factor": 18, "roots.area_cap_m2": 200}, T=500.0).loc[
        "T", "radius_m"
    ]
    assert capped == pytest.approx(math.sqrt(200 / math.pi))


def no_dig(stones, curbs=NO_CURBS, surroundings=NONE_AROUND, practice=None, **stems_mm):
    """No-dig areas, by what they protect."""
    run = FakeRun(practice)
    trees = protect_roots(make_trees(**stems_mm), **GIVEN, run=run)["root_protection"]
    made = forbid_digging(stones, curbs, surroundings, trees, **GIVEN, run=run)["no_dig"]
    return layer("no_dig").check(made, crs="EPSG:32631").set_index("of")


def test_cut_of_the_greatest_depth_stays_clear_of_a_curb():
    """2 x 0.2 m curb, 0.3 m at 45 degrees: 0.4 + 4.4 x 0.3 + pi x 0.09 = 2.003 m2 (by hand)."""
    made = no_dig(make_stones(), make_curbs(("C1", (0, 0, 2, 0.2), {})))
    assert made.loc["C1", "area_m2"] == pytest.approx(0.4 + 4.4 * 0.3 + math.pi * 0.09, rel=0.006)
    assert "0.30 m" in made.loc["C1", "reason"]


def test_flatter_soil_keeps_the_cut_farther_away():
    """At 30 degrees the same cut keeps 0.3 / tan 30 = 0.52 m away."""
    made = no_dig(
        make_stones(),
        make_curbs(("C1", (0, 0, 2, 0.2), {})),
        practice={"dig.influence_angle_deg": 30},
    )
    assert made.loc["C1"].geometry.bounds[0] == pytest.approx(EAST - 0.5196, abs=0.003)


def test_upright_markers_are_kept_clear_by_half_their_height():
    """A marker 1.4 m high keeps 0.7 m, a step of that height only the depth of the cut."""
    stones = make_stones(
        ("M", (0, 0, 1, 0.2), {"height_m": 1.4}), ("T", (0, 0, 1, 0.2), {"height_m": 1.4, "kind": "step"}),
        ("low", (0, 0, 1, 0.2), {"height_m": 0.4}),
    )  # fmt: skip
    west = {name: row.geometry.bounds[0] - EAST for name, row in no_dig(stones).iterrows()}
    assert west == pytest.approx({"M": -0.7, "T": -0.3, "low": -0.3}, abs=0.003)


def test_uncertain_stone_keeps_more_ground():
    """A position known to 0.1 m adds 2.326 x 0.1 m."""
    made = no_dig(make_stones(), make_curbs(("C1", (0, 0, 2, 0.2), {"sigma_h_m": 0.1})))
    assert made.loc["C1"].geometry.bounds[0] == pytest.approx(EAST - 0.3 - 0.1 * WIDTHS, abs=0.003)


def test_services_graves_and_roots_are_no_dig():
    """A pipe 0.2 m wide keeps 0.6 + 0.1 m each side; a grave itself; a tree its circle; a path nothing."""
    rows = [
        {"element_id": "pipe", "kind": "service", "width_m": 0.2, "sigma_h_m": 0.0},
        {"element_id": "grave", "kind": "grave", "sigma_h_m": 0.0},
        {"element_id": "path", "kind": "path", "width_m": 1.2, "sigma_h_m": 0.0},
    ]
    shapes = [
        line((0, 0), (10, 0)),
        shapely.box(EAST, NORTH, EAST + 2, NORTH + 1),
        line((0, 3), (9, 3)),
    ]
    made = no_dig(make_stones(), surroundings=frame("surroundings", rows, shapes), T1=500.0)
    assert set(made.index) == {"pipe", "grave", "T1"}
    assert made.loc["pipe", "area_m2"] == pytest.approx(20 * 0.7 + math.pi * 0.49, rel=0.005)
    assert made.loc["grave", "area_m2"] == pytest.approx(2.0, rel=0.005)
    assert made.loc["T1", "area_m2"] == pytest.approx(math.pi * 36, rel=0.005)


def test_nothing_there():
    """No stone, no tree, nothing around: an empty layer."""
    assert len(no_dig(make_stones())) == 0
    assert np.size(roots().index) == 0
