"""Cloud-optimised GeoTIFFs, published whole and read back block by block."""

from __future__ import annotations

import os
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from fencemap.errors import ExportError
from fencemap.formats.raster.files import THREADS, pixels
from fencemap.grid import Grid, HeightSource, Window
from fencemap.guard import check_raster, new_raster, open_raster, publish, raster_handle

if TYPE_CHECKING:
    from pyproj import CRS
    from rasterio.io import DatasetReader

    from fencemap.formats.raster.images import ImageSource

__all__ = ["write_cog", "write_heights"]

_BLOCK = 512
_STRIP = 2048  # rows and columns written at a time, a multiple of the block
_QUALITY = 85
_BIG = 2**30  # from here on a file may pass 4 GiB while it is written


@dataclass(frozen=True, slots=True)
class _ArrayHeights:
    """An array as a `HeightSource`."""

    values: NDArray[np.float32]
    grid: Grid
    origin: str = "computed"

    def read(self, window: Window) -> NDArray[np.float32]:
        return self.values[window.slices]


def write_heights(
    path: str | os.PathLike[str],
    heights: HeightSource | NDArray[np.floating[Any]],
    *,
    grid: Grid | None = None,
    vertical: CRS | None = None,
) -> Path:
    """Write heights as a cloud-optimised GeoTIFF: float32 metres, NaN = not seen, lossless.

    Parameters
    ----------
    path
        The file, ending in ``.tif``; published whole, as `fencemap.guard.publish` does.
    heights
        A source of heights, or an array of the grid's shape.
    grid
        Where the array lies; not for a source, which knows.
    vertical
        What the heights refer to, kept in the file's CRS; None = not said.

    Raises
    ------
    ExportError
        Could not be written, or reads back differently; what stood there still stands.
    ValueError
        An array without a grid or of another shape.

    Notes
    -----
    Same heights, same bytes. Overviews hold the mean of the heights that were seen.
    """
    source = _as_source(heights, grid)
    profile = {
        "count": 1,
        "dtype": "float32",
        "nodata": float("nan"),
        "crs": _crs_of(source.grid, vertical),
    }
    sums: dict[Window, int] = {}

    def fill(raw: Any) -> None:
        from rasterio.windows import Window as Block

        for window in _pieces(source.grid):
            values = np.ascontiguousarray(source.read(window), dtype=np.float32)
            sums[window] = zlib.crc32(values.tobytes())
            block = Block(window.column, window.row, window.columns, window.rows)
            raw.write(values, 1, window=block)
        raw.set_band_unit(1, "metre")

    def compare(dataset: DatasetReader, window: Window) -> bool:
        values = pixels(dataset, Path(dataset.name), 1, window)
        return zlib.crc32(np.ascontiguousarray(values).tobytes()) == sums[window]

    options = {"compress": "DEFLATE", "predictor": "FLOATING_POINT", "level": 9}
    return _published(Path(path), source.grid, profile, fill, options, compare)


def write_cog(path: str | os.PathLike[str], image: ImageSource, *, quality: int = _QUALITY) -> Path:
    """Write a picture as a cloud-optimised GeoTIFF: JPEG, with a mask where not all was seen.

    Parameters
    ----------
    path
        The file, ending in ``.tif``; published whole, as `fencemap.guard.publish` does.
    image
        A source of colours, such as `open_image` gives.
    quality
        Of the JPEG compression, 1 to 100.

    Raises
    ------
    ExportError
        Could not be written, or its mask reads back differently; what stood there still stands.
    """
    profile = {
        "count": 3,
        "dtype": "uint8",
        "crs": image.grid.crs,
        "photometric": "RGB",
        "interleave": "pixel",
    }
    seen: dict[Window, int] = {}

    def fill(raw: Any) -> None:
        from rasterio.windows import Window as Block

        for window in _pieces(image.grid):
            picture = image.read(window)
            mask = np.where(picture[..., 3] > 0, np.uint8(255), np.uint8(0))
            seen[window] = zlib.crc32(mask.tobytes())
            block = Block(window.column, window.row, window.columns, window.rows)
            raw.write(np.moveaxis(picture[..., :3], -1, 0), window=block)
            raw.write_mask(mask, window=block)

    def compare(dataset: DatasetReader, window: Window) -> bool:
        from rasterio.windows import Window as Block

        pixels(dataset, Path(dataset.name), [1, 2, 3], window)
        block = Block(window.column, window.row, window.columns, window.rows)
        return zlib.crc32(dataset.dataset_mask(window=block).tobytes()) == seen[window]

    options = {"compress": "JPEG", "quality": quality}
    return _published(Path(path), image.grid, profile, fill, options, compare)


def _published(
    path: Path,
    grid: Grid,
    profile: dict[str, Any],
    fill: Callable[[Any], None],
    options: dict[str, Any],
    compare: Callable[[DatasetReader, Window], bool],
) -> Path:
    """Write a plain copy, turn it into the final form, read every block back, put in place."""
    raw_bytes = grid.shape[0] * grid.shape[1] * profile["count"] * _item(profile)
    large = "YES" if raw_bytes > _BIG else "NO"

    def build(temporary: Path) -> None:
        import rasterio
        from rasterio import shutil as raster_files

        plain = temporary.with_name(f"{temporary.name}.plain.tif")
        settings = profile | {"crs": profile["crs"].to_wkt(), "transform": grid.transform}
        settings |= {"height": grid.shape[0], "width": grid.shape[1], "bigtiff": large}
        settings |= {"tiled": True, "blockxsize": _BLOCK, "blockysize": _BLOCK}
        with new_raster(plain, driver="GTiff", **settings) as raw:
            fill(raw)
        with rasterio.Env(GDAL_PAM_ENABLED="NO"), raster_handle(check_raster(plain)) as dataset:
            raster_files.copy(
                dataset,
                temporary,
                driver="COG",
                blocksize=_BLOCK,
                resampling="AVERAGE",
                bigtiff=large,
                num_threads=THREADS,
                **options,
            )
        plain.unlink()

    def verify(temporary: Path) -> None:
        with open_raster(temporary) as dataset:
            if not Grid(dataset.transform, dataset.shape, grid.crs).is_aligned(grid):
                raise ExportError("its position reads back differently")
            for window in _pieces(grid):
                if not compare(dataset, window):
                    raise ExportError(f"rows from {window.row} on read back differently")

    return publish(path, build, verify=verify, expected_bytes=raw_bytes)


def _pieces(grid: Grid) -> Iterator[Window]:
    """Give the windows that are written, and read back, one at a time."""
    return (tile.core for tile in grid.tiles(_STRIP))


def _item(profile: dict[str, Any]) -> int:
    return int(np.dtype(profile["dtype"]).itemsize)


def _as_source(
    heights: HeightSource | NDArray[np.floating[Any]], grid: Grid | None
) -> HeightSource:
    """Let an array be read like a source."""
    if not isinstance(heights, np.ndarray):
        return heights
    if grid is None or heights.shape != grid.shape:
        raise ValueError("an array of heights needs the grid that it lies on, of its own shape")
    return _ArrayHeights(heights.astype(np.float32, copy=False), grid)


def _crs_of(grid: Grid, vertical: CRS | None) -> CRS:
    """Join the plane CRS and what the heights refer to."""
    if vertical is None:
        return grid.crs
    from pyproj.crs import CompoundCRS

    return CompoundCRS(f"{grid.crs.name} + {vertical.name}", [grid.crs, vertical])
