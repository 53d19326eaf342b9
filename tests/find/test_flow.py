"""The way that water takes from the iron."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from rails import SITE, Ground, fence, survey
from small_ground import NORTH, SURVEY, FakeRun

from fencemap.find.steps import water_from_iron
from fencemap.layers import layer


def paths(height, *, corners=((0.0, 0.0), (4.0, 0.0)), practice=None, **more):
    """Follow the water from one run over ground given by a formula."""
    runs = survey(fence(list(corners), [50.1] * len(corners)))["runs"]
    ground = Ground(height) if height is not None else None
    found = water_from_iron(
        runs, site=SITE, survey=SURVEY, ground=ground, run=FakeRun(practice), **more
    )
    return layer("flow_paths").check(found["flow_paths"], crs=SITE.crs)


def test_water_runs_straight_down_a_plane():
    """On ground that falls 10 % to the south every path runs south, 5 m or nearly, at 10 %."""
    found = paths(lambda east, north: 50.0 + 0.1 * north + 0.0 * east)
    assert found["station_m"].tolist() == pytest.approx([0, 1, 2, 3, 4], abs=1e-9)
    assert found["slope_pct"].to_numpy() == pytest.approx(10.0, abs=0.3)
    assert not found["uncertain"].any()
    for line in found.geometry:
        (e0, n0), (e1, n1) = line.coords[0], line.coords[-1]
        assert abs(e1 - e0) < 0.26
        assert 4.5 < n0 - n1 <= 5.0


def test_diagonal_slopes():
    """On ground that falls to the south-east paths run south-east."""
    found = paths(lambda east, north: 50.0 + 0.05 * north - 0.05 * east)
    for line in found.geometry:
        (e0, n0), (e1, n1) = line.coords[1], line.coords[-1]
        assert (e1 - e0, n0 - n1) == pytest.approx((e1 - e0, e1 - e0), abs=1e-6)


def test_flat_ground_is_uncertain():
    """Ground that falls 1 % is below the site's 2 %: the direction is drawn, and called uncertain."""
    found = paths(lambda east, north: 50.0 + 0.01 * north + 0.0 * east)
    assert len(found) == 5
    assert found["uncertain"].all()
    steep = paths(
        lambda east, north: 50.0 + 0.01 * north + 0.0 * east,
        practice={"exposure.flat_slope_pct": 0.5},
    )
    assert not steep["uncertain"].any()


def test_water_stops_where_ground_was_not_seen():
    """Beyond an edge 2 m down the slope nothing was seen, so no path is drawn there."""
    found = paths(
        lambda east, north: np.where(north < -2.0, np.nan, 50.0 + 0.1 * north + 0.0 * east)
    )
    lowest = min(line.coords[-1][1] for line in found.geometry) - NORTH
    assert -2.0 <= lowest < -1.6


def test_water_ends_in_a_hollow_that_holds_it():
    """A trench across the slope, closed at both ends, ends the paths in it."""

    def trench(east, north):
        deep = (np.abs(north + 2.5) < 0.5) & (np.abs(east - 2.0) < 4.0)
        return 50.0 + 0.02 * north + 0.0 * east - 0.5 * deep

    found = paths(trench)
    ends = np.array([line.coords[-1][1] for line in found.geometry]) - NORTH
    assert (ends > -3.2).all()


def test_no_ground_no_paths():
    """Without a model, without runs or on level ground there is nothing to draw."""
    assert len(paths(None)) == 0
    assert len(paths(lambda east, _: 50.0 + 0.0 * east)) == 0


def test_tiles_change_nothing():
    """A run far from the corner of a tile and one across it give the same shapes."""
    bumpy = lambda east, north: 50.0 + 0.1 * north + 0.02 * np.sin(2 * east)  # noqa: E731
    whole = paths(bumpy, corners=[(-10.0, 3.0), (30.0, 3.0)])
    part = paths(bumpy, corners=[(-10.0, 3.0), (5.0, 3.0)])
    for one, other in zip(part.geometry[:10], whole.geometry[:10], strict=True):
        assert shapely.hausdorff_distance(one, other) < 1e-6
