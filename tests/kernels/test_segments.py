"""Nearest pairs of shapes and lines against shapely, and the rules for ties, corners and crossings."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from fencemap.kernels.plane import Shapes, lines_of
from fencemap.kernels.segments import LEFT, ON, RIGHT, pairs_within


def shapes_of(polygons):
    """Pack polygons without their closing vertices."""
    rings, shape = shapely.get_rings(polygons, return_index=True)
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    last = np.append(ring[1:] != ring[:-1], True)
    xy, ring = xy[~last], ring[~last]
    return Shapes(
        xy[:, 0].copy(), xy[:, 1].copy(),
        np.searchsorted(ring, np.arange(len(rings) + 1)),
        np.searchsorted(shape, np.arange(len(polygons) + 1)),
    )  # fmt: skip


def packed(lines):
    """Pack line strings."""
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    return lines_of(
        xy[:, 0].copy(), xy[:, 1].copy(), np.searchsorted(owner, np.arange(len(lines) + 1))
    )


def one(polygon, line, reach=20.0):
    """The single pair of one shape and one line."""
    found = pairs_within(shapes_of([polygon]), packed([line]), reach_m=reach)
    assert len(found.shape) == 1
    return found


def scene(seed, lines=60, stones=500):
    """Open and closed runs and turned boxes, some with holes, far from the origin."""
    rng = np.random.default_rng(seed)
    far, side = np.array([500_400.0, 6_040_300.0]), 14.0 * lines**0.5
    made = []
    for _ in range(lines):
        centre, count = far + rng.uniform(0, side, 2), int(rng.integers(2, 10))
        if rng.random() < 0.5:
            angle = np.sort(rng.uniform(0, 2 * np.pi, max(count, 3)))
            spoke = np.column_stack([np.cos(angle), np.sin(angle)])
            ring = centre + spoke * rng.uniform(2, 5, (len(angle), 1))
            made.append(shapely.LineString(np.vstack([ring, ring[:1]])))
        else:
            made.append(
                shapely.LineString(centre + np.cumsum(rng.normal(0, 1.6, (count, 2)), axis=0))
            )
    boxes = []
    for k in range(stones):
        half = rng.uniform(0.1, 0.7, 2) * (6.0 if k % 20 == 0 else 1.0)
        box = shapely.box(*-half, *half)
        if k % 20 == 0:
            box = box.difference(shapely.box(*(-0.6 * half), *(0.6 * half)))
        box = shapely.affinity.rotate(box, rng.uniform(0, 90), origin=(0, 0))
        boxes.append(shapely.affinity.translate(box, *(far + rng.uniform(0, side, 2))))
    return np.array(boxes, object), np.array(made, object)


@pytest.fixture(scope="module", params=[3, 8])
def compared(request):
    """Boxes and lines of one scene with the pairs found within 6 m."""
    boxes, lines = scene(request.param)
    return boxes, lines, pairs_within(shapes_of(boxes), packed(lines), reach_m=6.0)


def test_the_same_pairs_as_the_library(compared):
    """The pairs within reach are exactly those of shapely's dwithin, in order of shape and line."""
    boxes, lines, found = compared
    known = shapely.STRtree(lines).query(boxes, predicate="dwithin", distance=6.0)
    known = known[:, np.lexsort((known[1], known[0]))]
    assert len(known[0]) > 500
    assert (known == np.array([found.shape, found.line])).all()


def test_the_same_distances_as_the_library(compared):
    """Distances equal shapely's, and the two places lie on their things, that far apart."""
    boxes, lines, found = compared
    known = shapely.distance(boxes[found.shape], lines[found.line])
    assert np.abs(known - found.distance_m).max() < 1e-9
    on_line = shapely.points(found.line_x, found.line_y)
    on_shape = shapely.points(found.shape_x, found.shape_y)
    assert shapely.distance(on_line, lines[found.line]).max() < 1e-8
    assert shapely.distance(on_shape, boxes[found.shape]).max() < 1e-8
    assert np.abs(shapely.distance(on_line, on_shape) - found.distance_m).max() < 1e-8


def test_stations_lead_to_the_place(compared):
    """Walking the station along the line leads to the nearest place, for all pairs."""
    _, lines, found = compared
    walked = shapely.line_interpolate_point(lines[found.line], found.station_m)
    assert shapely.distance(walked, shapely.points(found.line_x, found.line_y)).max() < 1e-8


def test_crossings_have_the_length_inside(compared):
    """Where a line crosses a box in one piece, the stretch is as long as shapely's intersection."""
    boxes, lines, found = compared
    at = np.flatnonzero(found.distance_m == 0.0)
    inside = shapely.intersection(boxes[found.shape[at]], lines[found.line[at]])
    single = shapely.get_type_id(inside) == shapely.GeometryType.LINESTRING
    assert single.sum() > 10
    length = (found.to_m - found.from_m)[at]
    assert np.abs(length - shapely.length(inside))[single].max() < 1e-8
    assert (found.side[at] == ON).all()


def test_sides_of_closed_lines(compared):
    """Beside a closed run, left is inside when it is walked counter-clockwise, corners included."""
    _, lines, found = compared
    checked = 0
    for i in range(len(found.shape)):
        ring = lines[found.line[i]]
        if not (ring.is_ring and found.distance_m[i] > 1e-3):
            continue
        inside = shapely.Polygon(ring).contains(shapely.Point(found.shape_x[i], found.shape_y[i]))
        left = inside == shapely.LinearRing(ring.coords).is_ccw
        assert found.side[i] == (LEFT if left else RIGHT)
        checked += 1
    assert checked > 100


def test_reach_of_each_shape_is_its_own():
    """With one reach a shape, each lists just the lines within its own."""
    points = shapes_of([shapely.box(1, 2, 2, 3), shapely.box(3, 2, 4, 3)])
    found = pairs_within(
        points, packed([shapely.LineString([(0, 0), (9, 0)])]), reach_m=np.array([1.9, 2.1])
    )
    assert found.shape.tolist() == [1]


def test_beside_a_parallel_edge_the_middle_counts():
    """A box whose edge runs along the fence is opposite the middle of that edge (by hand: 3.0)."""
    found = one(shapely.box(2, 1, 4, 2), shapely.LineString([(0, 0), (10, 0)]))
    assert found.station_m[0] == pytest.approx(3.0, abs=1e-12)
    assert found.distance_m[0] == pytest.approx(1.0, abs=1e-12)
    assert (found.shape_x[0], found.shape_y[0]) == pytest.approx((3.0, 1.0), abs=1e-12)


def test_two_equally_near_corners_with_nothing_between():
    """Of two equally near corners with a notch between them, the one first along the line is taken."""
    notch = shapely.Polygon([(2, 1), (3, 2), (4, 1), (4, 3), (2, 3)])
    found = one(notch, shapely.LineString([(0, 0), (10, 0)]))
    assert found.station_m[0] == pytest.approx(2.0, abs=1e-12)
    assert (found.shape_x[0], found.shape_y[0]) == (2.0, 1.0)


@pytest.mark.parametrize(("north", "side"), [(1.0, LEFT), (-1.0, RIGHT)])
def test_sides_of_an_open_line(north, side):
    """North of a line that runs east is left; beyond its end the side is that of the last leg."""
    line = shapely.LineString([(0, 0), (5, 0)])
    assert one(shapely.Point(2, north).buffer(0.1), line).side[0] == side
    assert one(shapely.Point(8, north).buffer(0.1), line).side[0] == side


def test_past_the_end_in_line_is_on():
    """Straight ahead of the last post there is neither left nor right."""
    assert one(shapely.Point(8, 0).buffer(0.1), shapely.LineString([(0, 0), (5, 0)])).side[0] == ON


def test_outside_of_a_sharp_corner():
    """A stone off the point of a hairpin lies on the outer side, whichever leg is asked."""
    line = shapely.LineString([(0, 0), (5, 0), (0, 0.5)])  # turns left
    for place in ((6, 0.3), (6, -0.3), (5.5, 0.8)):
        assert one(shapely.Point(place).buffer(0.05), line).side[0] == RIGHT


def test_a_crossing_has_its_middle_as_station():
    """A line that runs through a box from 2 to 4 has station 3 there."""
    found = one(shapely.box(2, -1, 4, 1), shapely.LineString([(0, 0), (10, 0)]))
    assert found.distance_m[0] == 0.0
    assert (found.from_m[0], found.to_m[0], found.station_m[0]) == pytest.approx(
        (2, 4, 3), abs=1e-12
    )


def test_the_longest_of_several_crossings_counts():
    """Of two stretches through a U the longer one is the crossing."""
    shape = shapely.Polygon([(0, -1), (1, -1), (1, 1), (2, 1), (2, -1), (4, -1), (4, 2), (0, 2)])
    found = one(shape, shapely.LineString([(-1, 0), (9, 0)]))
    assert (found.from_m[0], found.to_m[0]) == pytest.approx((3, 5), abs=1e-12)


def test_a_crossing_through_the_seam_of_a_closed_line():
    """A box over the first post of a closed run is crossed through the seam, and the station stays on the run."""
    ring = shapely.LineString([(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)])
    found = one(shapely.box(-1, -1, 1, 2), ring)
    assert (found.from_m[0], found.to_m[0]) == pytest.approx((38.0, 41.0), abs=1e-12)
    assert found.station_m[0] == pytest.approx(39.5, abs=1e-12)
    assert (found.line_x[0], found.line_y[0]) == pytest.approx((0, 0.5), abs=1e-12)


def test_a_line_that_only_touches():
    """A corner that touches the line in a point is a crossing of no length at that point."""
    found = one(shapely.Polygon([(3, 0), (4, 1), (2, 1)]), shapely.LineString([(0, 0), (10, 0)]))
    assert found.distance_m[0] == 0.0
    assert (found.from_m[0], found.to_m[0], found.station_m[0]) == pytest.approx(
        (3, 3, 3), abs=1e-9
    )


def test_a_line_along_an_edge():
    """A fence on the very edge of a curb crosses it from end to end."""
    found = one(shapely.box(2, 0, 5, 0.3), shapely.LineString([(0, 0), (10, 0)]))
    assert (found.from_m[0], found.to_m[0]) == pytest.approx((2, 5), abs=1e-9)


def test_a_line_in_a_hole_is_outside():
    """A fence in the open middle of a ring of stone is at its distance, not inside."""
    frame = shapely.box(0, 0, 10, 10).difference(shapely.box(2, 2, 8, 8))
    found = one(frame, shapely.LineString([(4, 5), (6, 5)]))
    assert found.distance_m[0] == pytest.approx(2.0, abs=1e-12)


def test_nothing_to_compare():
    """Without lines, without shapes or out of reach there are no pairs."""
    far = packed([shapely.LineString([(100, 0), (101, 0)])])
    assert len(pairs_within(shapes_of([shapely.box(0, 0, 1, 1)]), far, reach_m=5.0).shape) == 0
    empty = Shapes(np.empty(0), np.empty(0), np.zeros(1, int), np.zeros(1, int))
    assert len(pairs_within(empty, far, reach_m=5.0).shape) == 0


def test_a_post_alone_is_a_line_without_length():
    """A line of one vertex can be measured to."""
    lonely = lines_of(np.array([5.0]), np.array([0.0]), np.array([0, 1]))
    found = pairs_within(shapes_of([shapely.box(0, -1, 2, 1)]), lonely, reach_m=5.0)
    assert (found.distance_m[0], found.station_m[0]) == (3.0, 0.0)
