"""Orthophotos: red, green, blue, and whether a pixel was seen."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, Self, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from fencemap.errors import InputError, RasterError
from fencemap.formats.raster.files import (
    Handles,
    Layout,
    Paths,
    RasterTile,
    TileSet,
    open_tiles,
    pixels,
)
from fencemap.grid import Grid, Window

if TYPE_CHECKING:
    from pyproj import CRS

__all__ = ["ImageMosaic", "ImageSource", "open_image", "reduced"]

Pixels = NDArray[np.uint8]

_MAX_PIXELS_AT_ONCE = 2**24  # 64 MiB of red, green, blue, alpha
_OPAQUE = 255


@runtime_checkable
class ImageSource(Protocol):
    """Colours on a grid, read piece by piece; what a step asks for instead of a file."""

    @property
    def grid(self) -> Grid:
        """Where the pixels lie."""

    @property
    def origin(self) -> str:
        """Where the picture comes from, in words for a record."""

    def read(self, window: Window, *, out_shape: tuple[int, int] | None = None) -> Pixels:
        """Read a window as (rows, columns, 4): red, green, blue, alpha; alpha 0 = not seen."""


class ImageMosaic:
    """Colours of one file or many tiles, read window by window; an `ImageSource`.

    Made by `open_image`. Files stay open between reads, a few per thread. Pickled, it is
    only the names and places of its files.
    """

    def __init__(self, tiles: TileSet) -> None:
        """Keep the files' places."""
        self._tiles = tiles
        self._handles = Handles()

    @property
    def grid(self) -> Grid:
        """Where the pixels lie; covers all tiles."""
        return self._tiles.grid

    @property
    def paths(self) -> tuple[Path, ...]:
        """The files, sorted."""
        return self._tiles.paths

    @property
    def origin(self) -> str:
        """Where the picture comes from, in words for a record."""
        return self._tiles.names

    def read(self, window: Window, *, out_shape: tuple[int, int] | None = None) -> Pixels:
        """Read a window, full size or reduced.

        Parameters
        ----------
        window
            Rows and columns of `grid`; may reach outside, where nothing was seen.
        out_shape
            Rows and columns wanted; None = one for one. Reduced by the mean of the pixels
            that were seen, from the files' own overviews where they have fitting ones.

        Returns
        -------
        pixels
            uint8, ``(rows, columns, 4)``: red, green, blue, alpha. Alpha 0 = not seen, and
            the colours are 0 then. Where tiles overlap the first by name that saw the pixel
            counts.

        Raises
        ------
        RasterError
            A block can't be decoded, the file was changed, or the window or shape is empty.
        """
        if window.is_empty or (out_shape is not None and min(out_shape) < 1):
            raise RasterError("an empty part of the picture is asked for", remedy="Give pixels")
        if out_shape is None or out_shape == window.shape:
            return self._level(window, 1)
        scale = min(window.rows / out_shape[0], window.columns / out_shape[1])
        factor = self._factor(window, scale)
        return reduced(lambda part: self._level(part, factor), window, out_shape, factor)

    def close(self) -> None:
        """Close the files; reading again opens them anew."""
        self._handles.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __getstate__(self) -> TileSet:
        return self._tiles

    def __setstate__(self, state: TileSet) -> None:
        self.__init__(state)  # type: ignore[misc]  # makes handles of its own

    def __repr__(self) -> str:
        return f"ImageMosaic({self._tiles.names}, {self.grid.shape[0]} x {self.grid.shape[1]})"

    def _factor(self, window: Window, scale: float) -> int:
        """Find the coarsest overview that is fine enough and falls on the pixels of all tiles."""
        common: set[int] | None = None
        for tile, _ in self._tiles.meeting(window):
            fitting = {
                factor
                for factor in tile.layout.reduced
                if factor <= scale and not (tile.place.row % factor or tile.place.column % factor)
            }
            common = fitting if common is None else common & fitting
        return max(common, default=1) if common else 1

    def _level(self, window: Window, factor: int) -> Pixels:
        """Read a window whose rows and columns count pixels of an overview."""
        picture = np.zeros((*window.shape, 4), dtype=np.uint8)
        whole = Window(
            window.row * factor,
            window.column * factor,
            window.rows * factor,
            window.columns * factor,
        )
        for tile, _ in self._tiles.meeting(whole):
            row, column = tile.place.row // factor, tile.place.column // factor
            rows, columns = -(-tile.place.rows // factor), -(-tile.place.columns // factor)
            shared = Window(row, column, rows, columns).intersection(window)
            if shared.is_empty:
                continue
            there = picture[shared.moved(-window.row, -window.column).slices]
            read = self._read_tile(tile, shared.moved(-row, -column), factor)
            unseen = there[..., 3] == 0
            if unseen.all():
                there[...] = read
            else:
                there[unseen] = read[unseen]
        return picture

    def _read_tile(self, tile: RasterTile, window: Window, factor: int) -> Pixels:
        """Read one tile's part of a window, at one of its overviews."""
        layout, path = tile.layout, tile.checked.path
        overview = None if factor == 1 else layout.reduced.index(factor)
        dataset = self._handles.get(tile.checked, overview=overview)
        bands = _colour_bands(layout)
        stored = pixels(dataset, path, bands, window)
        picture = np.empty((*window.shape, 4), dtype=np.uint8)
        if layout.palette:
            picture[..., :3] = np.array(layout.palette, dtype=np.uint8)[stored[0]]
        else:
            picture[..., :3] = np.moveaxis(stored, 0, -1)  # one grey band fills all three
        picture[..., 3] = self._seen(layout, dataset, path, stored, window)
        picture[picture[..., 3] == 0] = 0
        return picture

    @staticmethod
    def _seen(
        layout: Layout, dataset: Any, path: Path, stored: Pixels, window: Window
    ) -> NDArray[np.uint8]:
        """Unite what says that a pixel was seen: alpha band, mask, nodata number."""
        seen = np.full(window.shape, _OPAQUE, dtype=np.uint8)
        if "alpha" in layout.colours:
            seen = pixels(dataset, path, layout.colours.index("alpha") + 1, window)
        elif layout.masked:
            from rasterio.windows import Window as Block

            from fencemap.guard import reader_errors

            with reader_errors(path):
                block = Block(window.column, window.row, window.columns, window.rows)
                seen = dataset.dataset_mask(window=block)
        if layout.nodata is not None:
            seen = np.where((stored == layout.nodata).all(axis=0), 0, seen)
        return seen.astype(np.uint8)


def open_image(
    paths: Paths, *, site_crs: str | CRS | None, inside: Sequence[Path] = ()
) -> ImageMosaic:
    """Open an orthophoto.

    Parameters
    ----------
    paths
        A GeoTIFF, a list of tiles, or a pattern such as ``"ortho/*.tif"``. Eight bits per
        band: grey, a palette, or red, green, blue, with or without alpha, mask or nodata;
        further bands such as near infrared are passed over.
    site_crs
        The CRS that it must be in; None = its own, for `warp_image`.
    inside
        Folders that must hold the files.

    Raises
    ------
    RasterError
        As `fencemap.guard.check_raster`; also another CRS, tiles that don't fit together, or
        more than eight bits per band. Each names file, reason and remedy.
    """
    tiles = open_tiles(paths, site_crs=site_crs, inside=inside)
    for tile in tiles.tiles:
        kinds = set(tile.layout.kinds)
        if kinds != {"uint8"}:
            raise _refused(
                tile.checked.path,
                f"has pixels of {' and '.join(sorted(kinds))}, an orthophoto has 8 bits per colour",
                "Export it with 8 bits per band",
                "pixel-type",
            )
        if not _colour_bands(tile.layout):
            raise _refused(
                tile.checked.path, "has an alpha band only", "Export its colours too", "bands"
            )
    return ImageMosaic(tiles)


def reduced(level: Any, window: Window, out_shape: tuple[int, int], factor: int) -> Pixels:
    """Reduce or enlarge a window to `out_shape`, strip by strip, in bounded memory.

    Parameters
    ----------
    level
        Function from a window in pixels of a level to its (rows, columns, 4) pixels.
    window
        Rows and columns of the full picture.
    out_shape
        Rows and columns wanted.
    factor
        How many pixels of the full picture one of the level stands for.
    """
    from PIL import Image

    rows, columns = out_shape
    step_row, step_column = window.rows / rows / factor, window.columns / columns / factor
    top, left = window.row / factor, window.column / factor
    across = step_column * columns
    strip = max(1, int(_MAX_PIXELS_AT_ONCE / max(1.0, across * step_row)))
    kind = Image.Resampling.BOX if min(step_row, step_column) >= 1 else Image.Resampling.BILINEAR
    result = np.empty((rows, columns, 4), dtype=np.uint8)
    for start in range(0, rows, strip):
        stop = min(rows, start + strip)
        box = (left, top + start * step_row, left + across, top + stop * step_row)
        first_row, first_column = int(np.floor(box[1])), int(np.floor(box[0]))
        part = Window(
            first_row,
            first_column,
            int(np.ceil(box[3] - 1e-9)) - first_row,
            int(np.ceil(box[2] - 1e-9)) - first_column,
        )
        within = (
            box[0] - first_column,
            box[1] - first_row,
            min(box[2] - first_column, part.columns),
            min(box[3] - first_row, part.rows),
        )
        # Pillow weighs colours by alpha, so what was not seen doesn't darken its neighbours.
        picture = Image.fromarray(level(part), mode=None)
        small = picture.resize((columns, stop - start), resample=kind, box=within)
        result[start:stop] = np.asarray(small)
    return result


def _colour_bands(layout: Layout) -> list[int]:
    """Choose the bands for red, green and blue by their meaning, else the first ones."""
    named = [layout.colours.index(name) + 1 for name in _RGB if name in layout.colours]
    if len(named) == len(_RGB):
        return named
    plain = [number for number, name in enumerate(layout.colours, 1) if name != "alpha"]
    return plain[:3] if len(plain) >= len(_RGB) else plain[:1]


_RGB = ("red", "green", "blue")


def _refused(path: Path, reason: str, remedy: str, code: str) -> InputError:
    return RasterError.at(path, reason, remedy=remedy, code=code)
