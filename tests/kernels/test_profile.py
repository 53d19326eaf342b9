"""Stations along lines and rasters read there."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.ndimage import map_coordinates, median_filter

from fencemap.kernels.profile import bilinear, cross_sections, densify, running_median, step_counts


def test_step_counts_by_hand():
    """A metre has 20 steps of 5 cm, a hair more has 21, and the shortest line has one."""
    found = step_counts(np.array([1.0, 1.001, 0.01, 0.15]), 0.05)
    assert found.tolist() == [20, 21, 1, 3]


def test_stations_are_those_of_the_library():
    """Places and stations equal shapely's line_interpolate_point on bent lines, both ends in."""
    rng = np.random.default_rng(4)
    lines = [shapely.LineString(np.cumsum(rng.normal(0, 2, (k, 2)), axis=0)) for k in (2, 5, 9)]
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    offset = np.searchsorted(owner, np.arange(4))
    line, station, x, y = densify(xy[:, 0].copy(), xy[:, 1].copy(), offset, 0.3)
    points = shapely.line_interpolate_point(np.array(lines)[line], station)
    assert np.abs(shapely.get_x(points) - x).max() < 1e-12
    assert np.abs(shapely.get_y(points) - y).max() < 1e-12
    for i, one in enumerate(lines):
        mine = station[line == i]
        assert mine[0] == 0.0
        assert mine[-1] == pytest.approx(one.length, abs=1e-12)
        steps = np.diff(mine)
        assert np.ptp(steps) < 1e-12
        assert steps[0] <= 0.3


def test_bilinear_equals_the_library():
    """Between cell centres the answer is that of scipy's map_coordinates of order 1."""
    rng = np.random.default_rng(5)
    values = rng.normal(50, 2, (30, 40)).astype(np.float32)
    col, row = rng.uniform(0, 39, 500), rng.uniform(0, 29, 500)
    known = map_coordinates(values.astype(float), [row, col], order=1)
    assert np.abs(bilinear(values, col, row) - known).max() < 1e-9


def test_holes_are_never_bridged():
    """A place with an unseen cell among its four is not seen; on a seen cell's centre it is."""
    values = np.ones((3, 3))
    values[1, 1] = np.nan
    at = np.array([0.5, 0.0, 1.0, 1.0])
    found = bilinear(values, at, np.array([0.5, 0.5, 0.0, 0.9]))
    assert np.isnan(found).tolist() == [True, False, False, True]


def test_off_the_raster_is_not_seen():
    """Beyond the outermost centres nothing was seen; at them it was."""
    values = np.arange(6.0).reshape(2, 3)
    found = bilinear(values, np.array([-0.01, 0.0, 2.0, 2.01]), np.array([0.0, 0.0, 1.0, 0.0]))
    assert np.isnan(found).tolist() == [True, False, False, True]
    assert found[1:3].tolist() == [0.0, 5.0]


def test_cross_section_of_a_tilted_plane():
    """On a plane each strip's median is the height at its middle distance, and sides are told apart."""
    rows, cols = np.mgrid[0:60, 0:60]
    plane = 10.0 - 0.02 * rows + 0.03 * cols  # a cell is 0.1 m: falls south, rises east
    offset, strip = np.array([0.2, 0.3, 0.4, 0.8, 1.0]), np.array([0, 0, 0, 1, 1])
    # A line that runs north: left is west, columns get smaller.
    here = np.array([30.0])
    found = cross_sections(plane, here, here, np.array([-10.0]), np.array([0.0]), offset, strip, 2)[
        0
    ]
    middle = plane[30, 30]
    expected = [
        middle - 0.3 * 0.3,
        middle - 0.3 * 0.9,
        middle + 0.3 * 0.3,
        middle + 0.3 * 0.9,
        middle,
    ]
    assert found == pytest.approx(expected, abs=1e-12)


def test_a_strip_half_unseen_is_not_seen():
    """Of four readings two are enough for a median and one is not."""
    values = np.zeros((5, 40))
    offset, strip = np.array([0.2, 0.4, 0.6, 0.8]), np.zeros(4, int)
    at, right = np.array([20.0]), np.array([10.0])
    values[:, 25:] = np.nan  # left readings at columns 22, 24, 26, 28: two are seen
    seen = cross_sections(values, at, np.array([2.0]), right, np.zeros(1), offset, strip, 1)
    values[:, 23:] = np.nan
    blind = cross_sections(values, at, np.array([2.0]), right, np.zeros(1), offset, strip, 1)
    assert seen[0, 0] == 0.0
    assert np.isnan(blind[0, 0])


def test_running_median_equals_the_library():
    """Where the window is whole the answer is scipy's median filter; groups don't mix."""
    rng = np.random.default_rng(6)
    values = rng.normal(size=(40, 2))
    group = np.repeat([0, 1], 20)
    found = running_median(values, group, 3)
    for one in (0, 1):
        part = values[group == one]
        known = median_filter(part, size=(7, 1))
        assert (found[group == one][3:-3] == known[3:-3]).all()
    assert (found[[0, 19, 20, 39]] == values[[0, 19, 20, 39]]).all()


def test_running_median_leaves_slopes_alone():
    """On a straight slope with a hole the median is the slope itself, up to its ends."""
    values = np.linspace(0, 3, 31)[:, None].copy()
    found = running_median(values, np.zeros(31, int), 4)
    assert np.abs(found - values).max() < 1e-12
    values[10:20] = np.nan
    assert np.isnan(running_median(values, np.zeros(31, int), 4)[14, 0])
