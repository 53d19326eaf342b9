"""Positions of the page: degrees, ragged shapes, and the fit of the site's grid."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
import shapely.affinity
from pyproj import Transformer
from shapely.geometry import MultiPolygon, Point, Polygon

from fencemap.export.web_map.placing import STEP_DEG, box_in_degrees, grid_fit, place, to_lonlat

CRS = "EPSG:32631"
BOUNDS = (500_000.0, 6_040_000.0, 500_450.0, 6_040_430.0)


def degrees(points):
    """The page's own way to degrees."""
    return to_lonlat(points, crs=CRS)


def test_central_meridian():
    """Easting 500 km of zone 31 is 3 degrees east by definition; northing 0 is the equator."""
    lon, lat = to_lonlat(np.array([[500_000.0, 0.0]]), crs=CRS)[0]
    assert (lon, lat) == pytest.approx((3.0, 0.0), abs=1e-12)


def test_degrees_agree_with_geographiclib():
    """1,000 m of northing on the meridian is the arc GeographicLib gives, scale 0.9996 taken out."""
    from pyproj import Geod

    two = to_lonlat(np.array([[500_000.0, 6_040_000.0], [500_000.0, 6_041_000.0]]), crs=CRS)
    arc = Geod(ellps="WGS84").inv(*two[0], *two[1])[2]
    assert arc == pytest.approx(1000 / 0.9996, abs=0.0005)


def test_points_off_the_globe_have_no_place():
    """A northing of a thousand million metres gives NaN for itself and leaves others alone."""
    found = to_lonlat(np.array([[500_000.0, 6_040_000.0], [1e9, 1e9]]), crs=CRS)
    assert np.isfinite(found[0]).all()
    assert np.isnan(found[1]).all()


def test_shapes_keep_holes_and_parts():
    """A polygon with a hole has two rings, a multipolygon all of its own, each in its row."""
    ring = Polygon([(0, 0), (10, 0), (10, 10), (0, 10)], [[(3, 3), (6, 3), (6, 6), (3, 6)]])
    shapes = [ring, MultiPolygon([shapely.box(20, 0, 22, 2), shapely.box(30, 0, 31, 4)])]
    moved = [shapely.affinity.translate(shape, 500_000, 6_040_000) for shape in shapes]
    rows = place(moved, degrees=degrees).compact((3.0, 54.5))
    assert [len(row) for row in rows] == [2, 2]
    assert [len(part) // 2 for part in rows[0]] == [5, 5]
    back = Transformer.from_crs("EPSG:4326", CRS, always_xy=True)
    xs, ys = rows[0][1][::2], rows[0][1][1::2]
    east, north = back.transform(3.0 + np.array(xs) * STEP_DEG, 54.5 + np.array(ys) * STEP_DEG)
    hole = np.column_stack([east, north]) - [500_000, 6_040_000]
    wanted = {(3, 3), (6, 3), (6, 6), (3, 6)}
    assert {(round(float(e), 2), round(float(n), 2)) for e, n in hole} == wanted


def test_rows_without_a_usable_shape():
    """Missing, empty, not finite and off the globe: listed with -1 and drawn as nothing."""
    shapes = [None, Point(), Point(math.nan, 5), Point(1e9, 1e9), Point(500_010, 6_040_010)]
    placed = place(shapes, degrees=degrees)
    assert placed.dimension.tolist() == [-1, -1, -1, -1, 0]
    rows = placed.compact((3.0, 54.5))
    assert rows[:4] == [None] * 4
    assert len(rows[4]) == 1


def test_no_rows_at_all():
    """An empty layer packs to an empty list."""
    assert place([], degrees=degrees).compact((0.0, 0.0)) == []


def test_outlines_lose_at_most_millimetres():
    """A buffer of 130 vertices is thinned, and no more than 4 mm of its edge moves."""
    buffer = Point(500_010, 6_040_010).buffer(1.5, quad_segs=32)
    (row,) = place([buffer], degrees=degrees).compact((3.0, 54.5))
    assert len(row[0]) // 2 < len(buffer.exterior.coords) * 0.7
    back = Transformer.from_crs("EPSG:4326", CRS, always_xy=True)
    east, north = back.transform(3.0 + np.array(row[0][::2]) * STEP_DEG, 54.5 + np.array(row[0][1::2]) * STEP_DEG)  # fmt: skip
    assert shapely.hausdorff_distance(Polygon(zip(east, north, strict=True)), buffer) < 0.006


def test_grid_fit_is_true_to_a_tenth_of_a_millimetre():
    """The cubics, evaluated here by their written definition, agree with PROJ all over the site."""
    fit = grid_fit(BOUNDS, degrees=degrees)
    rng = np.random.default_rng(5)
    points = rng.uniform([BOUNDS[0] - 100, BOUNDS[1] - 100], [BOUNDS[2] + 100, BOUNDS[3] + 100], (200, 2))  # fmt: skip
    lon, lat = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(*points.T)
    u = (lon - fit["middle_deg"][0]) / fit["reach_deg"][0]
    v = (lat - fit["middle_deg"][1]) / fit["reach_deg"][1]
    powers = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))
    for axis in (0, 1):
        found = sum(factor * u**a * v**b for factor, (a, b) in zip(fit["to_grid"][axis], powers, strict=True))  # fmt: skip
        assert np.abs(fit["middle_m"][axis] + found - points[:, axis]).max() < 1e-4


def test_no_fit_where_it_would_lie():
    """A stray point that makes the site a continent gets no fit rather than a wrong one."""
    assert grid_fit((0.0, 0.0, 3_000_000.0, 6_000_000.0), degrees=degrees) is None
    assert box_in_degrees((0.0, 0.0, 3_000_000.0, 6_000_000.0), crs=CRS) is None
