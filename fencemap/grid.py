"""A raster's place on the ground as a value: no file, no library handle, plain arithmetic.

Rows count down from the northern edge, columns right from the western one. Fractional pixel
positions have (0, 0) at the upper left *corner* of the first pixel, so its centre is
(0.5, 0.5). Only plain north-up grids exist here; `fencemap.guard` refuses the others.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol, runtime_checkable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fencemap.errors import RasterError

if TYPE_CHECKING:
    from affine import Affine
    from pyproj import CRS

__all__ = ["Bounds", "Grid", "HeightSource", "Tile", "Window"]

Bounds = tuple[float, float, float, float]
"""West, south, east, north in metres."""

_ALIGNED_PX = 0.01  # of a pixel: writers round positions to fractions of a millimetre
_SAME_SIZE = 1e-6  # relative; over 10,000 pixels a hundredth of one


class Window(NamedTuple):
    """A rectangle of whole pixels: its first row and column, how many of each.

    Examples
    --------
    >>> Window(0, 0, 4, 6).intersection(Window(2, 3, 10, 10))
    Window(row=2, column=3, rows=2, columns=3)
    """

    row: int
    column: int
    rows: int
    columns: int

    @property
    def slices(self) -> tuple[slice, slice]:
        """Rows and columns as slices of an array of the whole grid."""
        return (
            slice(self.row, self.row + self.rows),
            slice(self.column, self.column + self.columns),
        )

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of an array that holds the window."""
        return self.rows, self.columns

    @property
    def is_empty(self) -> bool:
        """Whether no pixel is in it."""
        return self.rows <= 0 or self.columns <= 0

    def intersection(self, other: Window) -> Window:
        """Give the pixels in both windows; an empty window if there are none."""
        row, column = max(self.row, other.row), max(self.column, other.column)
        rows = min(self.row + self.rows, other.row + other.rows) - row
        columns = min(self.column + self.columns, other.column + other.columns) - column
        return Window(row, column, max(rows, 0), max(columns, 0))

    def grown(self, pixels: int) -> Window:
        """Give the window with a rim of `pixels` on all sides; it may leave the grid."""
        return Window(
            self.row - pixels,
            self.column - pixels,
            self.rows + 2 * pixels,
            self.columns + 2 * pixels,
        )

    def moved(self, rows: int, columns: int) -> Window:
        """Give the window shifted down and right."""
        return Window(self.row + rows, self.column + columns, self.rows, self.columns)


class Tile(NamedTuple):
    """One piece of a grid for work piece by piece.

    Each pixel of the grid is in the `core` of exactly one tile. `outer` is the core with an
    overlap, clipped to the grid, so that work which looks around itself sees enough.
    """

    core: Window
    outer: Window

    @property
    def core_in_outer(self) -> tuple[slice, slice]:
        """Slices that cut the core out of an array of the outer window."""
        return self.core.moved(-self.outer.row, -self.outer.column).slices


@dataclass(frozen=True, slots=True)
class Grid:
    """Where a raster's pixels lie.

    Parameters
    ----------
    transform
        Pixel to ground, north up: only scale and offset.
    shape
        Rows and columns.
    crs
        The projected CRS in metres that the ground coordinates are in.

    Raises
    ------
    RasterError
        Rotated, south-up, not finite, or without pixels.

    Examples
    --------
    >>> from affine import Affine
    >>> from pyproj import CRS
    >>> grid = Grid(Affine(0.5, 0, 1000, 0, -0.5, 2000), (4, 6), CRS("EPSG:26918"))
    >>> grid.bounds
    (1000.0, 1998.0, 1003.0, 2000.0)
    """

    transform: Affine
    shape: tuple[int, int]
    crs: CRS

    def __post_init__(self) -> None:
        """Refuse what is no plain north-up grid."""
        numbers = tuple(self.transform)[:6]
        if not all(math.isfinite(number) for number in numbers):
            reason = "has a position that is no number"
        elif self.transform.b or self.transform.d:
            reason = "is rotated or sheared"
        elif self.transform.a <= 0 or self.transform.e >= 0:
            reason = "is not north-up"
        elif min(self.shape) < 1:
            reason = f"has {self.shape[0]} rows and {self.shape[1]} columns"
        else:
            return
        raise RasterError(f"the grid {reason}", remedy="Warp it to a north-up grid")

    @classmethod
    def covering(cls, bounds: Bounds, *, pixel_m: float, crs: CRS) -> Grid:
        """Make the smallest grid of whole multiples of the pixel size that holds `bounds`.

        Raises
        ------
        RasterError
            Bounds or pixel size that make no grid.
        """
        from affine import Affine

        if not (pixel_m > 0 and all(math.isfinite(side) for side in (*bounds, pixel_m))):
            raise RasterError("the grid has no size", remedy="Give bounds and a pixel size > 0")
        west = math.floor(bounds[0] / pixel_m + _ALIGNED_PX)
        south = math.floor(bounds[1] / pixel_m + _ALIGNED_PX)
        east = math.ceil(bounds[2] / pixel_m - _ALIGNED_PX)
        north = math.ceil(bounds[3] / pixel_m - _ALIGNED_PX)
        transform = Affine(pixel_m, 0.0, west * pixel_m, 0.0, -pixel_m, north * pixel_m)
        return cls(transform, (north - south, east - west), crs)

    @property
    def pixel_size(self) -> tuple[float, float]:
        """Width and height of a pixel, metres, both positive."""
        return float(self.transform.a), float(-self.transform.e)

    @property
    def bounds(self) -> Bounds:
        """West, south, east, north of the outer edge, metres."""
        return self.bounds_of(self.window)

    @property
    def window(self) -> Window:
        """The window that holds every pixel."""
        return Window(0, 0, *self.shape)

    def to_pixel(
        self, easting: ArrayLike, northing: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Turn ground coordinates into fractional row and column (pixel corners are whole)."""
        column = (np.asarray(easting, dtype=np.float64) - self.transform.c) / self.transform.a
        row = (np.asarray(northing, dtype=np.float64) - self.transform.f) / self.transform.e
        return np.asarray(row), np.asarray(column)

    def to_ground(
        self, row: ArrayLike, column: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Turn fractional row and column into easting and northing; centres end in .5."""
        easting = self.transform.c + self.transform.a * np.asarray(column, dtype=np.float64)
        northing = self.transform.f + self.transform.e * np.asarray(row, dtype=np.float64)
        return np.asarray(easting), np.asarray(northing)

    def centres(self, window: Window) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Give eastings of the window's columns and northings of its rows, at pixel centres."""
        rows = window.row + 0.5 + np.arange(window.rows)
        columns = window.column + 0.5 + np.arange(window.columns)
        return self.to_ground(0, columns)[0], self.to_ground(rows, 0)[1]

    def bounds_of(self, window: Window) -> Bounds:
        """West, south, east, north of a window's outer edge, metres."""
        (west, east), (north, south) = self.to_ground(
            [window.row, window.row + window.rows], [window.column, window.column + window.columns]
        )
        return float(west), float(south), float(east), float(north)

    def window_of(self, bounds: Bounds, *, margin_m: float = 0.0) -> Window:
        """Give the pixels that `bounds` touches, clipped to the grid; empty if outside."""
        west, south, east, north = bounds
        (top, bottom), (left, right) = self.to_pixel(
            [west - margin_m, east + margin_m], [north + margin_m, south - margin_m]
        )
        row, column = math.floor(top), math.floor(left)
        touched = Window(
            row,
            column,
            max(math.ceil(bottom), row + 1) - row,
            max(math.ceil(right), column + 1) - column,
        )
        return touched.intersection(self.window)

    def of_window(self, window: Window) -> Grid:
        """Give the grid of a window alone.

        Raises
        ------
        RasterError
            The window is empty.
        """
        from affine import Affine

        west, _, _, north = self.bounds_of(window)
        transform = Affine(self.transform.a, 0.0, west, 0.0, self.transform.e, north)
        return Grid(transform, window.shape, self.crs)

    def tiles(self, size: int, *, overlap: int = 0) -> Iterator[Tile]:
        """Cut the grid into square tiles, row by row.

        Parameters
        ----------
        size
            Rows and columns of a core, pixels; those at the edge may be smaller.
        overlap
            Rim that `outer` adds on all sides, pixels; at least as far as the work looks.

        Raises
        ------
        RasterError
            A size below 1 or a negative overlap.
        """
        if size < 1 or overlap < 0:
            raise RasterError(
                f"tiles of {size} pixels with {overlap} of overlap cover nothing",
                remedy="Give a size of at least 1 and an overlap of at least 0",
            )
        for row in range(0, self.shape[0], size):
            for column in range(0, self.shape[1], size):
                core = Window(row, column, size, size).intersection(self.window)
                yield Tile(core, core.grown(overlap).intersection(self.window))

    def same_pixels(self, other: Grid) -> bool:
        """Tell whether the pixels of both have the same size."""
        return all(
            abs(one - two) <= _SAME_SIZE * one
            for one, two in zip(self.pixel_size, other.pixel_size, strict=True)
        )

    def is_aligned(self, other: Grid) -> bool:
        """Tell whether the pixels of both fall on each other (CRS, size and offset)."""
        from fencemap.crs import same_crs

        if not self.same_pixels(other) or not same_crs(self.crs, other.crs):
            return False
        row, column = self.to_pixel(other.transform.c, other.transform.f)
        return all(abs(float(at) - round(float(at))) <= _ALIGNED_PX for at in (row, column))

    def offset_of(self, other: Grid) -> tuple[int, int]:
        """Give the row and column here of the first pixel of an aligned grid.

        Raises
        ------
        RasterError
            The grids are not aligned.
        """
        if not self.is_aligned(other):
            raise RasterError(
                "two grids don't fall on each other", remedy="Warp one onto the other's pixels"
            )
        row, column = self.to_pixel(other.transform.c, other.transform.f)
        return round(float(row)), round(float(column))


@runtime_checkable
class HeightSource(Protocol):
    """Heights on a grid, read piece by piece; what a step asks for instead of a file."""

    @property
    def grid(self) -> Grid:
        """Where the pixels lie."""

    @property
    def origin(self) -> str:
        """Where the heights come from, in words for a record."""

    def read(self, window: Window) -> NDArray[np.float32]:
        """Read heights of a window in metres, float32; NaN where the ground was not seen.

        A window may reach outside the grid: nothing was seen there.
        """
