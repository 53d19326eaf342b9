"""Heights and pictures in another CRS, computed when they are read.

No virtual dataset is made: each window is cut from the source, sent through the one exact
operation of `fencemap.crs` and resampled. How a grid is cut into windows changes nothing
but the last digit of a float32.
"""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from fencemap.crs import (
    Area,
    Operation,
    coordinate_operation,
    degrees_of_box,
    operation_of,
    strict_transformer,
)
from fencemap.errors import RasterError
from fencemap.grid import Bounds, Grid, HeightSource, Window

if TYPE_CHECKING:
    from pyproj import CRS, Transformer

    from fencemap.formats.raster.images import ImageSource

__all__ = ["WarpedHeights", "WarpedImage", "warp_heights", "warp_image"]

_EDGE_POINTS = 33  # along each side of a window, so that a curved edge is not cut
_MARGIN_PX = 3  # that resampling looks beyond the last pixel


_transformers = threading.local()


@dataclass(frozen=True, slots=True)
class _Way:
    """How to get from the source's ground to the target's and back; travels to workers."""

    source: CRS
    target: CRS
    area: Area
    max_accuracy_m: float

    @property
    def operation(self) -> Operation:
        return operation_of(
            self.source, self.target, area=self.area, max_accuracy_m=self.max_accuracy_m
        )

    @property
    def pipeline(self) -> str:
        return coordinate_operation(
            self.source, self.target, area=self.area, max_accuracy_m=self.max_accuracy_m
        )

    def forth_and_pipeline(self) -> tuple[Transformer, str]:
        """Give this thread's transformer (one must not be shared) and the warper's pipeline."""
        known: dict[_Way, tuple[Transformer, str]] | None
        known = getattr(_transformers, "known", None)
        if known is None:
            known = _transformers.known = {}
        if self not in known:
            forth = strict_transformer(
                self.source, self.target, area=self.area, max_accuracy_m=self.max_accuracy_m
            )
            known[self] = (forth, self.pipeline)
        return known[self]


@dataclass(frozen=True, slots=True)
class WarpedHeights:
    """Heights of a source on another grid; a `HeightSource`. Made by `warp_heights`."""

    source: HeightSource
    grid: Grid
    way: _Way

    @property
    def operation(self) -> Operation:
        """What was done, for the record of a run."""
        return self.way.operation

    @property
    def origin(self) -> str:
        """Where the heights come from, in words for a record."""
        return f"{self.source.origin}, warped ({self.operation})"

    def read(self, window: Window) -> NDArray[np.float32]:
        """Read heights at the window's pixel centres, bilinear, metres, NaN = not seen.

        Raises
        ------
        RasterError
            As the source's `read`.
        """
        heights = np.full(window.shape, np.nan, dtype=np.float32)
        part = _source_window(self.way, self.source.grid, self.grid, window)
        if part.is_empty:
            return heights
        _warp(
            self.source.read(part),
            heights,
            self.source.grid.of_window(part),
            self.grid.of_window(window),
            self.way,
            src_nodata=np.nan,
            dst_nodata=np.nan,
        )
        return heights


@dataclass(frozen=True, slots=True)
class WarpedImage:
    """A picture on another grid; an `ImageSource`. Made by `warp_image`."""

    source: ImageSource
    grid: Grid
    way: _Way

    @property
    def operation(self) -> Operation:
        """What was done, for the record of a run."""
        return self.way.operation

    @property
    def origin(self) -> str:
        """Where the picture comes from, in words for a record."""
        return f"{self.source.origin}, warped ({self.operation})"

    def read(
        self, window: Window, *, out_shape: tuple[int, int] | None = None
    ) -> NDArray[np.uint8]:
        """Read a window as (rows, columns, 4), full size or reduced; alpha 0 = not seen.

        Raises
        ------
        RasterError
            As the source's `read`.
        """
        shape = out_shape or window.shape
        picture = np.zeros((4, *shape), dtype=np.uint8)
        part = _source_window(self.way, self.source.grid, self.grid, window)
        if not part.is_empty:
            target = _scaled(self.grid.of_window(window), shape)
            wanted = _reduction(self.source.grid, part, target, self.way)
            source = self.source.read(part, out_shape=wanted)
            _warp(
                np.moveaxis(source, -1, 0),
                picture,
                _scaled(self.source.grid.of_window(part), wanted),
                target,
                self.way,
                src_alpha=4,
                dst_alpha=4,
            )
        picture[:, picture[3] == 0] = 0
        return np.moveaxis(picture, 0, -1)


def warp_heights(
    source: HeightSource,
    *,
    site_crs: CRS,
    max_accuracy_m: float,
    pixel_m: float | None = None,
    bounds: Bounds | None = None,
) -> WarpedHeights:
    """Bring heights onto a grid in the site's CRS.

    Only the place changes: what heights refer to stays, so it must already be the site's.

    Parameters
    ----------
    source
        Heights in another plane CRS, as ``open_heights(..., site_crs=None)`` gives them.
    site_crs
        As `fencemap.crs.site_crs` gives it.
    max_accuracy_m
        Largest error of the operation that is still used, metres.
    pixel_m
        Pixel size, metres; None = that of the source on the ground, three digits.
    bounds
        The site's box in its CRS; None = all of the source.

    Raises
    ------
    CRSError
        No exact operation.
    RasterError
        The source has no place in the site's CRS.
    """
    grid, way = _plan(source.grid, site_crs, max_accuracy_m, pixel_m, bounds)
    return WarpedHeights(source, grid, way)


def warp_image(
    source: ImageSource,
    *,
    site_crs: CRS,
    max_accuracy_m: float,
    pixel_m: float | None = None,
    bounds: Bounds | None = None,
) -> WarpedImage:
    """Bring a picture onto a grid in the site's CRS; parameters as `warp_heights`.

    Raises
    ------
    CRSError
        No exact operation.
    RasterError
        The source has no place in the site's CRS.
    """
    grid, way = _plan(source.grid, site_crs, max_accuracy_m, pixel_m, bounds)
    return WarpedImage(source, grid, way)


def _plan(
    source: Grid,
    site_crs: CRS,
    max_accuracy_m: float,
    pixel_m: float | None,
    bounds: Bounds | None,
) -> tuple[Grid, _Way]:
    """Choose the operation and the target grid."""
    way = _Way(source.crs, site_crs, degrees_of_box(source.crs, source.bounds), max_accuracy_m)
    forth, _ = way.forth_and_pipeline()
    easting, northing = forth.transform(*_edge(source.bounds))
    if not (np.isfinite(easting).all() and np.isfinite(northing).all()):
        raise RasterError(
            f"the raster has no place in {site_crs.name}",
            remedy="Check the CRS of the raster and of the site",
        )
    if pixel_m is None:
        middle = (source.shape[0] // 2, source.shape[1] // 2)
        corners = source.to_ground([middle[0], middle[0] + 1], [middle[1], middle[1] + 1])
        right, up = forth.transform(*corners)
        side = math.sqrt(abs((right[1] - right[0]) * (up[1] - up[0])))
        pixel_m = float(f"{side:.3g}")
    box = bounds or (
        float(easting.min()),
        float(northing.min()),
        float(easting.max()),
        float(northing.max()),
    )
    return Grid.covering(box, pixel_m=pixel_m, crs=site_crs), way


def _edge(bounds: Bounds) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give points along the edge of a box."""
    west, south, east, north = bounds
    across, along = np.linspace(west, east, _EDGE_POINTS), np.linspace(south, north, _EDGE_POINTS)
    easting = np.concatenate(
        [across, across, np.full(_EDGE_POINTS, west), np.full(_EDGE_POINTS, east)]
    )
    northing = np.concatenate(
        [np.full(_EDGE_POINTS, south), np.full(_EDGE_POINTS, north), along, along]
    )
    return easting, northing


def _source_window(way: _Way, source: Grid, target: Grid, window: Window) -> Window:
    """Find the source's pixels that a window of the target is made from."""
    forth, _ = way.forth_and_pipeline()
    first, second = forth.transform(*_edge(target.bounds_of(window)), direction="INVERSE")
    finite = np.isfinite(first) & np.isfinite(second)
    if not finite.any():
        return Window(0, 0, 0, 0)
    row, column = source.to_pixel(first[finite], second[finite])
    reach = _MARGIN_PX + math.ceil(max(1.0, row.max() - row.min()) / window.rows)
    top, left = math.floor(row.min()), math.floor(column.min())
    touched = Window(top, left, math.ceil(row.max()) - top + 1, math.ceil(column.max()) - left + 1)
    return touched.grown(reach).intersection(source.window)


def _scaled(grid: Grid, shape: tuple[int, int]) -> Grid:
    """Give the grid of the same box with other pixels."""
    from affine import Affine

    old = grid.transform
    wide, high = old.a * grid.shape[1] / shape[1], old.e * grid.shape[0] / shape[0]
    return Grid(Affine(wide, 0.0, old.c, 0.0, high, old.f), shape, grid.crs)


def _reduction(source: Grid, part: Window, target: Grid, way: _Way) -> tuple[int, int]:
    """Choose how far the source may be reduced so that no pixel of the target misses it."""
    forth, _ = way.forth_and_pipeline()
    west, south, east, north = target.bounds
    first, second = forth.transform(
        np.array([west, east, west]), np.array([south, south, north]), direction="INVERSE"
    )
    row, column = source.to_pixel(first, second)
    across = math.hypot(row[1] - row[0], column[1] - column[0]) / target.shape[1]
    along = math.hypot(row[2] - row[0], column[2] - column[0]) / target.shape[0]
    factor = max(1, math.floor(min(across, along))) if math.isfinite(across + along) else 1
    return max(1, math.ceil(part.rows / factor)), max(1, math.ceil(part.columns / factor))


def _warp(
    source: NDArray[Any],
    target: NDArray[Any],
    source_grid: Grid,
    target_grid: Grid,
    way: _Way,
    **nodata: float,
) -> None:
    """Resample an array onto another, point for point.

    No approximated grid (tolerance), and no kernel that widens with a ratio estimated from
    the window (scale): both would make a pixel depend on how the work was cut, by centimetres.
    """
    from rasterio.crs import CRS as RasterCRS  # noqa: N811  rasterio's own class
    from rasterio.warp import Resampling, reproject

    reproject(
        source,
        target,
        src_transform=source_grid.transform,
        src_crs=RasterCRS.from_wkt(source_grid.crs.to_wkt()),
        dst_transform=target_grid.transform,
        dst_crs=RasterCRS.from_wkt(target_grid.crs.to_wkt()),
        resampling=Resampling.bilinear,
        tolerance=0.0,
        XSCALE=1.0,
        YSCALE=1.0,
        COORDINATE_OPERATION=way.forth_and_pipeline()[1],
        **nodata,
    )
