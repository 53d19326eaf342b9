"""Slope, aspect, flow directions, accumulation and filling against published grids."""

from __future__ import annotations

import numpy as np
import pytest

from fencemap.kernels.surface import accumulation, aspect_deg, d8, fill, slope_deg

_SLOPE_EXAMPLE = "ESRI, How Slope works: worked example of the 3 x 3 window"
_ASPECT_EXAMPLE = "ESRI, How Aspect works: worked example of the 3 x 3 window"
_UNLV = "University of Nevada, lecture example of Horn's formula, kept in a public test"
_TARBOTON = "Tarboton, GIS in Water Resources, slides: slope 21.8, aspect 145.2"
_FLOW = "Jenson and Domingue teaching grid, as in the tests of the R package terra"
_UZH = "University of Zurich, GEO372, lecture grid, kept in a public test"


def _grid(text: str) -> np.ndarray:
    return np.array([[float(cell) for cell in row.split()] for row in text.split("/")])


E6 = _grid(
    "78 72 69 71 58 49/74 67 56 49 46 50/69 53 44 37 38 48/"
    "64 58 55 22 31 24/68 61 47 21 16 19/74 53 34 12 11 12"
)


@pytest.mark.parametrize(
    ("grid", "cell_m", "slope", "tolerance", "source"),
    [
        ("50 45 50/30 30 30/8 10 10", 5.0, 75.25762, 1e-4, _SLOPE_EXAMPLE),
        ("42 45 47/40 44 49/44 48 52", 10.0, 22.79182488, 1e-5, _UNLV),
        ("3 3 3/2 2 2/1 1 1", 10.0, 5.710593, 1e-5, "exact: atan 0.1"),
        ("80 74 63/69 67 56/60 52 48", 30.0, 21.8, 0.06, _TARBOTON),
    ],
)
def test_slope(grid, cell_m, slope, tolerance, source):
    """The slope of a published window comes out as published."""
    assert slope_deg(_grid(grid), cell_m)[1, 1] == pytest.approx(slope, abs=tolerance), source


@pytest.mark.parametrize(
    ("grid", "cell_m", "aspect", "tolerance", "source"),
    [
        ("101 92 85/101 92 85/101 91 84", 1.0, 92.64, 0.005, _ASPECT_EXAMPLE),
        ("42 45 47/40 44 49/44 48 52", 10.0, 292.750976, 1e-5, _UNLV),
        ("3 3 3/2 2 2/1 1 1", 10.0, 180.0, 1e-9, "exact: falls to the south"),
        ("80 74 63/69 67 56/60 52 48", 30.0, 145.2, 0.06, _TARBOTON),
    ],
)
def test_aspect(grid, cell_m, aspect, tolerance, source):
    """The aspect of a published window comes out as published."""
    assert aspect_deg(_grid(grid), cell_m)[1, 1] == pytest.approx(aspect, abs=tolerance), source


def test_flow_directions_of_the_teaching_grid():
    """All 36 directions of the published grid are found; the outlet drains nowhere."""
    published = _grid(
        "2 2 2 4 4 8/2 2 2 4 4 8/1 1 2 4 8 4/128 128 1 2 4 8/2 2 1 4 4 4/1 1 1 1 0 16"
    )
    assert (d8(E6) == published).all(), _FLOW


def test_flow_accumulation_of_the_teaching_grid():
    """The published accumulation, each cell counting itself, is found."""
    published = _grid("1 1 1 1 1 1/1 2 2 3 3 1/1 4 8 6 5 1/1 1 1 21 1 2/1 1 1 2 25 1/1 3 5 8 36 2")
    assert (accumulation(d8(E6)) == published).all(), _FLOW


def test_flow_directions_inside_the_lecture_grid():
    """The inner sixteen directions of a second published grid are found."""
    grid = _grid(
        "1 4 6 12 20 44/3 4 8 11 13 24/5 8 15 20 25 39/"
        "9 14 22 32 37 47/12 18 31 39 44 52/14 26 36 43 48 58"
    )
    published = _grid("32 16 32 16/64 32 64 64/32 32 32 32/32 16 32 32")
    assert (d8(grid)[1:-1, 1:-1] == published).all(), _UZH


BOWL = _grid("9 9 9 9 9/9 5 4 5 9/9 4 1 4 7/9 5 4 5 9/9 9 9 9 9")


def test_a_bowl_fills_to_its_spill():
    """A bowl that spills at 7 fills to 7 everywhere inside: 26 cell heights, counted by hand."""
    filled = fill(BOWL)
    assert (filled[1:-1, 1:-1] == 7).all()
    assert (filled - BOWL).sum() == pytest.approx(26, abs=1e-12)


def test_filling_again_changes_nothing():
    """A filled surface has no hollow left (Barnes et al. 2014)."""
    assert (fill(fill(BOWL)) == fill(BOWL)).all()


def test_water_leaves_where_ground_was_not_seen():
    """A hole in the model is an outlet, and stays a hole."""
    bowl = BOWL.copy()
    bowl[2, 2] = np.nan
    filled = fill(bowl)
    assert np.isnan(filled[2, 2])
    assert (filled[1, 1:4] == bowl[1, 1:4]).all()


def test_nothing_flows_into_cells_not_seen():
    """A cell that was not seen gets no water, though it stands where the deepest would."""
    grid = _grid("9 9 9/9 8 7/9 9 0")
    grid[2, 2] = np.nan
    assert d8(grid)[1, 1] == 1  # east, not south-east
    assert d8(grid)[2, 2] == 0


def test_slope_and_aspect_are_not_told_beside_a_hole():
    """Nine cells make a slope; where one was not seen there is none."""
    grid = _grid("3 3 3/2 2 2/1 1 1")
    grid[0, 0] = np.nan
    assert np.isnan(slope_deg(grid, 10.0)[1, 1])
    assert np.isnan(aspect_deg(grid, 10.0)[1, 1])
    assert np.isnan(aspect_deg(np.zeros((3, 3)), 10.0)[1, 1])
