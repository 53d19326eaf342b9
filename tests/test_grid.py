"""Pixels and ground are one place told in two ways; tiles cover each pixel once."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
from affine import Affine
from hypothesis import assume, given
from hypothesis import strategies as st
from pyproj import CRS

from fencemap.errors import RasterError
from fencemap.grid import Grid, HeightSource, Window

UTM18 = CRS("EPSG:26918")

sizes = st.sampled_from([0.02, 0.03, 0.05, 0.1, 0.25, 0.5, 1.0])
grids = st.builds(
    lambda size, east, north, rows, columns: Grid(
        Affine(size, 0, east, 0, -size, north), (rows, columns), UTM18
    ),
    sizes,
    st.integers(100_000, 900_000),
    st.integers(0, 9_000_000),
    st.integers(1, 4000),
    st.integers(1, 4000),
)


@pytest.fixture
def grid():
    """Give 4 rows and 6 columns of half metres, upper left corner at E 1000, N 2000."""
    return Grid(Affine(0.5, 0, 1000, 0, -0.5, 2000), (4, 6), UTM18)


def test_corners_and_centres_by_hand(grid):
    """The first pixel's corner is the grid's corner, its centre a quarter metre inside."""
    assert grid.bounds == (1000.0, 1998.0, 1003.0, 2000.0)
    assert grid.pixel_size == (0.5, 0.5)
    assert grid.to_ground(0, 0) == (1000.0, 2000.0)
    assert grid.to_ground(0.5, 0.5) == (1000.25, 1999.75)
    assert grid.to_pixel(1002.75, 1998.25) == (3.5, 5.5)
    eastings, northings = grid.centres(Window(1, 2, 2, 3))
    assert eastings.tolist() == [1001.25, 1001.75, 1002.25]
    assert northings.tolist() == [1999.25, 1998.75]


@given(grid=grids, row=st.floats(-10, 5000), column=st.floats(-10, 5000))
def test_pixel_to_ground_and_back(grid, row, column):
    """Positions come back to a millionth of a pixel."""
    easting, northing = grid.to_ground(row, column)
    back = grid.to_pixel(easting, northing)

    assert back[0] == pytest.approx(row, abs=1e-6)
    assert back[1] == pytest.approx(column, abs=1e-6)


@given(grid=grids)
def test_windows_and_bounds_and_back(grid):
    """The window of a window's bounds, drawn in by a hair, is the window."""
    rows, columns = grid.shape
    window = Window(rows // 3, columns // 3, max(1, rows // 2), max(1, columns // 2))
    window = window.intersection(grid.window)
    hair = grid.pixel_size[0] / 100
    west, south, east, north = grid.bounds_of(window)

    assert grid.window_of((west + hair, south + hair, east - hair, north - hair)) == window
    assert grid.of_window(window).bounds == pytest.approx(grid.bounds_of(window), abs=1e-6)


@given(grid=grids, size=st.integers(1, 900), overlap=st.integers(0, 40))
def test_tiles_cover_each_pixel_once(grid, size, overlap):
    """Cores part the grid without gap or overlap; outers hold their cores with the rim."""
    assume(grid.shape[0] * grid.shape[1] / size**2 < 5000)
    covered = np.zeros(grid.shape, dtype=np.uint8)
    for tile in grid.tiles(size, overlap=overlap):
        covered[tile.core.slices] += 1
        inner = np.zeros(tile.outer.shape, dtype=bool)
        inner[tile.core_in_outer] = True
        assert inner.sum() == tile.core.rows * tile.core.columns
        assert tile.outer == tile.core.grown(overlap).intersection(grid.window)

    assert covered.min() == covered.max() == 1


def test_tiles_by_hand(grid):
    """Tiles of 4 with a rim of 1 over 4 by 6 pixels."""
    first, second = grid.tiles(4, overlap=1)

    assert (first.core, first.outer) == (Window(0, 0, 4, 4), Window(0, 0, 4, 5))
    assert (second.core, second.outer) == (Window(0, 4, 4, 2), Window(0, 3, 4, 3))
    assert second.core_in_outer == (slice(0, 4), slice(1, 3))


@given(
    west=st.floats(0, 1e6), south=st.floats(0, 1e7), wide=st.floats(0.1, 300),
    high=st.floats(0.1, 300), pixel_m=sizes,
)  # fmt: skip
def test_covering_grid_holds_the_bounds_tightly(west, south, wide, high, pixel_m):
    """Whole multiples of the pixel size, nothing cut by more than a hundredth of a pixel."""
    bounds = (west, south, west + wide, south + high)
    grid = Grid.covering(bounds, pixel_m=pixel_m, crs=UTM18)
    hair = pixel_m * 0.02

    for side, (asked, given_side) in enumerate(zip(bounds, grid.bounds, strict=True)):
        outward = asked - given_side if side < 2 else given_side - asked
        assert -hair <= outward <= pixel_m + hair
    assert (grid.bounds[0] / pixel_m) == pytest.approx(round(grid.bounds[0] / pixel_m), abs=1e-4)


def test_bounds_at_the_edge_and_outside(grid):
    """A point has one pixel; what lies outside has none; a margin reaches in."""
    assert grid.window_of((1000.6, 1999.6, 1000.6, 1999.6)) == Window(0, 1, 1, 1)
    assert grid.window_of((900, 1900, 950, 1950)).is_empty
    assert grid.window_of((999, 1997, 1010, 2010)) == grid.window
    assert grid.window_of((999.6, 1999, 999.6, 1999), margin_m=0.5) == Window(1, 0, 2, 1)


def test_alignment_by_hand(grid):
    """Shifted by whole pixels is aligned, by a tenth not; another size or CRS not."""
    moved = Grid(Affine(0.5, 0, 1002, 0, -0.5, 1999), (2, 2), UTM18)

    assert grid.offset_of(moved) == (2, 4)
    assert grid.offset_of(Grid(Affine(0.5, 0, 1000.004, 0, -0.5, 2000), (2, 2), UTM18)) == (0, 0)
    for other in (
        Grid(Affine(0.5, 0, 1000.05, 0, -0.5, 2000), (2, 2), UTM18),
        Grid(Affine(0.25, 0, 1000, 0, -0.25, 2000), (2, 2), UTM18),
        Grid(Affine(0.5, 0, 1000, 0, -0.5, 2000), (2, 2), CRS("EPSG:32618")),
    ):
        assert not grid.is_aligned(other)
        with pytest.raises(RasterError, match="don't fall on each other"):
            grid.offset_of(other)


@pytest.mark.parametrize(
    ("transform", "shape", "reason"),
    [
        (Affine(1, 0.1, 0, 0.1, -1, 0), (1, 1), "rotated"), (Affine(1, 0, 0, 0, 1, 0), (1, 1), "north-up"),
        (Affine(-1, 0, 0, 0, -1, 0), (1, 1), "north-up"), (Affine(0, 0, 0, 0, -1, 0), (1, 1), "north-up"),
        (Affine(np.nan, 0, 0, 0, -1, 0), (1, 1), "no number"), (Affine(1, 0, 0, 0, -1, 0), (0, 5), "0 rows"),
    ],
)  # fmt: skip
def test_what_is_no_grid_is_refused(transform, shape, reason):
    """Only plain north-up grids with pixels exist."""
    with pytest.raises(RasterError, match=reason):
        Grid(transform, shape, UTM18)


def test_sizes_that_cover_nothing_are_refused(grid):
    """No endless loop and no empty tile."""
    with pytest.raises(RasterError, match="cover nothing"):
        list(grid.tiles(0))
    with pytest.raises(RasterError, match="cover nothing"):
        list(grid.tiles(4, overlap=-1))
    with pytest.raises(RasterError, match="no size"):
        Grid.covering((0, 0, 1, 1), pixel_m=0.0, crs=UTM18)
    with pytest.raises(RasterError, match="no size"):
        Grid.covering((0, 0, np.nan, 1), pixel_m=1.0, crs=UTM18)


def test_grid_is_a_value(grid):
    """It can't be changed, equals its copy, and travels to other processes."""
    twin = pickle.loads(pickle.dumps(grid))

    assert twin == grid
    assert hash(twin) == hash(grid)
    with pytest.raises(AttributeError):
        grid.shape = (1, 1)


def test_height_source_is_a_shape_not_a_class(grid):
    """Anything with grid, origin and read is a source of heights."""

    class Flat:
        origin = "a plane"

        def __init__(self):
            self.grid = grid

        def read(self, window):
            return np.zeros(window.shape, dtype=np.float32)

    assert isinstance(Flat(), HeightSource)
    assert not isinstance(object(), HeightSource)
