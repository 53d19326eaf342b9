"""Stone beside iron: distances, doubt, sides, heights, and the reach of the search."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from affine import Affine
from fences import SITE, elements, ordered, post
from pyproj import CRS
from small_ground import EAST, NORTH, SURVEY, FakeRun, frame, make_curbs, make_stones

from fencemap.grid import Grid
from fencemap.layers import layer
from fencemap.relate.steps import identify, nearest_iron

NO_CURBS = layer("curbs").empty(SITE.crs)


class Slope:
    """Ground of 0.25 m cells that rises by 10 cm a metre to the north, not seen west of 2 m."""

    origin = "made by hand"
    grid = Grid(Affine(0.25, 0, EAST - 50, 0, -0.25, NORTH + 50), (400, 400), CRS(SITE.crs))

    def read(self, window):
        """Heights at cell centres."""
        eastings, northings = self.grid.centres(window)
        heights = np.broadcast_to(10.0 + 0.1 * (northings[:, None] - NORTH), window.shape)
        return np.where(eastings < EAST + 2.0, np.nan, heights).astype(np.float32)


def fence(*corners, run="R", **more):
    """Posts of one run through corners."""
    return [post(f"{run}{k}", at, k, run=run, **more) for k, at in enumerate(corners, start=1)]


def near(stones, rows, *, curbs=NO_CURBS, ground=None, practice=None, **more):
    """Relate stones to the fences that rows make."""
    made = ordered(elements(*rows), longest_bay_m=30.0)
    found = nearest_iron(
        stones, curbs, made["runs"], made["bays"], site=SITE, survey=SURVEY, ground=ground,
        run=FakeRun(practice), **more,
    )["stone_reach"]  # fmt: skip
    return layer("stone_reach").check(found, crs=SITE.crs)


EAST_WEST = fence((0, 0), (4, 0), (10, 0))


def test_distance_station_bay_and_side_by_hand():
    """A stone 1 m north of a fence that runs east, between 5 and 6 m, lies left of station 5.5."""
    found = near(make_stones(("S", (5, 1, 6, 2), {})), EAST_WEST).iloc[0]
    assert (found["distance_m"], found["station_m"]) == pytest.approx((1.0, 5.5), abs=1e-9)
    assert (found["side"], found["bay_id"], found["nearest"]) == ("left", "R-B02", True)
    assert found.geometry.equals_exact(
        shapely.LineString([(EAST + 5.5, NORTH), (EAST + 5.5, NORTH + 1)]), 1e-8
    )


def test_sigma_is_both_positions():
    """Errors of 3 and 4 cm per axis make 5 cm along the line between them."""
    rows = fence((0, 0), (4, 0), sigma_h_m=0.03)
    found = near(make_stones(("S", (1, 1, 2, 2), {"sigma_h_m": 0.04})), rows)
    assert found["sigma_m"].tolist() == pytest.approx([0.05], abs=1e-12)


def test_an_unknown_position_has_the_wide_default():
    """A stone that says nothing of its accuracy gets the practice's value for that, the site's first."""
    stones = make_stones(("S", (1, 1, 2, 2), {"sigma_h_m": None}))
    rows = fence((0, 0), (4, 0), sigma_h_m=0.0)
    wide = near(stones, rows, practice={"accuracy.unknown.sigma_h_m": 2.5})
    assert wide["sigma_m"].tolist() == [2.5]


def test_the_search_goes_farther_for_doubtful_positions():
    """A stone 10 m off is listed when its place is known to a metre (8 + 3 m), not when to a millimetre."""
    rows = fence((0, 0), (4, 0), sigma_h_m=0.0)
    assert len(near(make_stones(("S", (1, 10, 2, 11), {"sigma_h_m": 1.0})), rows)) == 1
    assert len(near(make_stones(("S", (1, 10, 2, 11), {"sigma_h_m": 0.001})), rows)) == 0
    assert len(near(make_stones(("S", (1, 10, 2, 11), {})), rows, max_distance_m=10.0)) == 1


def test_every_run_in_reach_and_one_of_them_nearest():
    """A stone between two fences is listed for both; the nearer one is marked."""
    rows = [*fence((0, 0), (4, 0), run="A"), *fence((0, 5), (4, 5), run="B")]
    found = near(make_stones(("S", (1, 1, 2, 2), {})), rows)
    assert found[["run_id", "nearest"]].to_numpy().tolist() == [["A", True], ["B", False]]


def test_stone_that_the_fence_crosses():
    """A curb under the fence is at 0 m, on it, at the middle of the crossing, drawn as the iron inside."""
    found = near(make_stones(), EAST_WEST, curbs=make_curbs(("K", (3, -0.1, 5, 0.1), {}))).iloc[0]
    assert (found["distance_m"], found["station_m"]) == pytest.approx((0.0, 4.0), abs=1e-9)
    assert (found["side"], found["stone_layer"]) == ("on", "curbs")
    assert found.geometry.length == pytest.approx(2.0, abs=1e-9)


def test_a_crossing_through_the_seam_is_drawn_through_it():
    """On a closed run the iron inside a corner stone is drawn around the corner."""
    rows = fence((0, 0), (6, 0), (6, 6), (0, 6))
    found = near(make_stones(), rows, curbs=make_curbs(("K", (-1, -1, 1, 1), {}))).iloc[0]
    assert found.geometry.length == pytest.approx(2.0, abs=1e-9)
    inside = shapely.box(EAST - 1, NORTH - 1, EAST + 1, NORTH + 1)
    assert inside.buffer(1e-6).contains(found.geometry)


def test_stone_that_only_touches_has_a_valid_line():
    """A stone whose corner touches the fence is at 0 m and its line passes the schema."""
    stone = make_stones(("S", (5, 0, 6, 1), {}))
    assert near(stone, EAST_WEST)["distance_m"].tolist() == [0.0]


def test_height_difference_is_iron_less_stone():
    """South of a fence on ground that rises to the north a stone 2 m off lies 20 cm lower."""
    found = near(make_stones(("S", (5, -3, 6, -2), {})), EAST_WEST, ground=Slope())
    assert found["height_difference_m"].tolist() == pytest.approx([0.2], abs=1e-4)


def test_height_difference_is_empty_where_ground_was_not_seen():
    """Without ground under either end there is no difference, and without a model none at all."""
    stone = make_stones(("S", (0, -3, 1, -2), {}))
    assert near(stone, EAST_WEST, ground=Slope())["height_difference_m"].isna().all()
    assert near(stone, EAST_WEST)["height_difference_m"].isna().all()


def test_lone_posts_count_as_iron():
    """A post without a run beside it still endangers stone: it is measured, to the post itself."""
    rows = [post("X", (0, 0), 1, run="solo")]
    found = near(make_stones(("S", (2, -0.5, 3, 0.5), {})), rows).iloc[0]
    assert found["distance_m"] == pytest.approx(2.0, abs=0.011)


def test_nothing_near():
    """Without stones the layer is empty; row order of stones changes nothing."""
    assert len(near(make_stones(), EAST_WEST)) == 0
    stones = make_stones(*[(f"S{k}", (k, 1, k + 0.5, 2), {}) for k in range(6)])
    one, other = near(stones, EAST_WEST), near(stones.iloc[::-1], EAST_WEST)
    assert one.drop(columns="geometry").equals(other.drop(columns="geometry"))


def test_identity_keeps_every_thing_under_its_uid():
    """Elements, stones, curbs and lots are listed once each, with what their presence tells of their life."""
    rows = elements(
        post("A", (0, 0), 1, presence="in place"), post("B", (1, 0), 2, presence="missing"),
        post("C", (2, 0), 3, presence="in store"), post("D", (3, 0), 4),
    )  # fmt: skip
    lots = frame("lots", [{"lot_id": "7"}], [shapely.box(EAST, NORTH, EAST + 5, NORTH + 5)])
    stones = make_stones(("S", (5, 1, 6, 2), {}))
    found = identify(rows, stones, NO_CURBS, lots, survey=SURVEY)["identity"]
    layer("identity").check(found)
    told = dict(zip(found["element_id"], found["event"], strict=True))
    assert told == {
        "A": "found",
        "B": "lost",
        "C": "stored",
        "D": "found",
        "7": "found",
        "S": "found",
    }
    assert set(found["uid"]) == {*rows["uid"], *stones["uid"], *lots["uid"]}
