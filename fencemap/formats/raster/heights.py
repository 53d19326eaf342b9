"""Heights of ground or surface: metres as float32, NaN where nothing was seen."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray

from fencemap.crs import METRE, Unit, height_unit, site_heights, unit_named
from fencemap.errors import CRSError, InputError, NodataWarning, RasterError
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

__all__ = ["Mosaic", "open_heights"]

# No land lies lower or higher; what does is a number for "nothing" that the file forgot to name.
_LOWEST_M, _HIGHEST_M = -500.0, 9_000.0

_STRIP_PIXELS = 2**21

_BARE_FEET = {"ft", "foot", "feet"}

_SET_NODATA = (
    'Set its nodata value in the program that made it, or say nodata = "none" if every cell '
    "was measured"
)


class Mosaic:
    """Heights of one file or many tiles, read window by window; a `HeightSource`.

    Made by `open_heights`. Files stay open between reads, a few per thread. Pickled, it is
    only the names and places of its files: a worker process opens them itself, and refuses
    one that has changed meanwhile.
    """

    def __init__(self, tiles: TileSet, nodata: float | None, units: tuple[Unit, ...]) -> None:
        """Keep the files' places; `units` are those of the tiles, in their order."""
        self._tiles = tiles
        self._nodata = nodata
        self._units = units
        self._metres = {
            tile.checked.path: unit.metres for tile, unit in zip(tiles.tiles, units, strict=True)
        }
        self._handles = Handles()
        self._warned: set[Path] = set()

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
        """Where the heights come from, in words for a record."""
        vertical = self._tiles.tiles[0].layout.vertical
        return f"{self._tiles.names}, {vertical.name if vertical else 'heights as delivered'}"

    def read(self, window: Window) -> NDArray[np.float32]:
        """Read heights of a window, metres, NaN where nothing was seen.

        Parameters
        ----------
        window
            Rows and columns of `grid`; may reach outside, where nothing was seen.

        Returns
        -------
        heights
            float32, ``window.shape``. Where tiles overlap the first by name that saw the
            ground counts.

        Raises
        ------
        RasterError
            A block can't be decoded, or the file was changed since it was opened.

        Warns
        -----
        NodataWarning
            Numbers that can't be heights (below -500 or above 9000 m) were taken as not seen; once
            per file.
        """
        heights = np.full(window.shape, np.nan, dtype=np.float32)
        for tile, shared in self._tiles.meeting(window):
            for strip in _strips(tile, shared):
                there = heights[strip.moved(-window.row, -window.column).slices]
                read = self._read_tile(tile, strip.moved(-tile.place.row, -tile.place.column))
                np.copyto(there, read, where=np.isnan(there))
        return heights

    def close(self) -> None:
        """Close the files; reading again opens them anew."""
        self._handles.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __getstate__(self) -> tuple[TileSet, float | None, tuple[Unit, ...]]:
        return self._tiles, self._nodata, self._units

    def __setstate__(self, state: tuple[TileSet, float | None, tuple[Unit, ...]]) -> None:
        self.__init__(*state)  # type: ignore[misc]  # makes handles of its own

    def __repr__(self) -> str:
        return f"Mosaic({self._tiles.names}, {self.grid.shape[0]} x {self.grid.shape[1]})"

    def _read_tile(self, tile: RasterTile, window: Window) -> NDArray[np.float32]:
        """Read a strip of one tile."""
        path, layout = tile.checked.path, tile.layout
        dataset = self._handles.get(tile.checked)
        stored = pixels(dataset, path, 1, window)
        hidden = _is_nodata(stored, layout.nodata) | _is_nodata(stored, self._nodata)
        if layout.masked:
            hidden |= _hidden_by_mask(dataset, path, window)
        heights = _as_heights(stored, layout, self._metres[path])
        unlikely = ~((heights >= _LOWEST_M) & (heights <= _HIGHEST_M))  # NaN is in it
        odd = unlikely & ~hidden & ~np.isnan(heights) if unlikely.any() else unlikely
        if odd.any():
            self._warn(path, float(heights[odd][0]), int(odd.sum()))
        heights[hidden | unlikely] = np.nan
        return heights

    def _warn(self, path: Path, example: float, count: int) -> None:
        """Say once per file that it holds numbers that are no heights."""
        if path not in self._warned:
            self._warned.add(path)
            warnings.warn(
                f"{path}: {count} cells (the first {example:g} m) can't be heights and are "
                "taken as not seen. Set the file's nodata value",
                NodataWarning,
                stacklevel=4,
            )


def open_heights(
    paths: Paths,
    *,
    site_crs: str | CRS | None,
    heights: str | None = None,
    nodata: float | Literal["none"] | None = None,
    unit: str | None = None,
    inside: Sequence[Path] = (),
) -> Mosaic:
    """Open a ground or surface model.

    Parameters
    ----------
    paths
        A GeoTIFF or ASCII grid, a list of tiles, or a pattern such as ``"dtm/*.tif"``.
    site_crs
        The CRS that it must be in; None = its own, for `warp_heights`.
    heights
        What the site's heights refer to, as in its `site.toml`; None = not compared.
    nodata
        For files without a nodata value: the number that stands for "not seen", or
        ``"none"`` if every cell was measured. Without either such a file is refused.
    unit
        For files that don't say: ``"metre"``, ``"international foot"`` or
        ``"US survey foot"``. Heights come back in metres in any case.
    inside
        Folders that must hold the files.

    Raises
    ------
    RasterError
        As `fencemap.guard.check_raster`; also another CRS, tiles that don't fit together,
        several bands, no nodata value, a unit that may be two, heights that refer to
        something else than the site's. Each names file, reason and remedy.

    Examples
    --------
    ::

        with open_heights("ground/*.tif", site_crs="EPSG:26918") as ground:
            corner = ground.read(Window(0, 0, 100, 100))
    """
    tiles = open_tiles(paths, site_crs=site_crs, inside=inside)
    reference = None if heights is None else site_heights(heights)
    units = []
    for tile in tiles.tiles:
        path, layout = tile.checked.path, tile.layout
        _check_bands(path, layout)
        _check_nodata(path, layout, nodata)
        if heights is not None:
            _check_reference(path, layout, reference)
        units.append(_unit_of(path, layout, unit))
    return Mosaic(tiles, None if nodata in (None, "none") else float(nodata), tuple(units))


def _strips(tile: RasterTile, window: Window) -> Iterator[Window]:
    """Cut a window along the file's own blocks, so that work on a strip stays small."""
    blocks = tile.layout.block_rows
    rows = max(1, _STRIP_PIXELS // window.columns // blocks) * blocks
    first = window.row - (window.row - tile.place.row) % blocks
    for row in range(first, window.row + window.rows, rows):
        yield Window(row, window.column, rows, window.columns).intersection(window)


def _check_bands(path: Path, layout: Layout) -> None:
    """Require one band of heights, with or without an alpha band."""
    bands = [colour for colour in layout.colours if colour != "alpha"]
    if len(bands) != 1 or layout.palette:
        what = "a palette of colours" if layout.palette else f"{len(bands)} bands"
        raise _refused(path, f"has {what}, heights have one", "Export the heights alone", "bands")


def _check_nodata(path: Path, layout: Layout, nodata: float | str | None) -> None:
    """Require that "not seen" is told apart from a height."""
    if layout.nodata is None and not layout.masked and nodata is None:
        raise _refused(
            path, "has no nodata value, so a gap would read as a height", _SET_NODATA, "no-nodata"
        )


def _check_reference(path: Path, layout: Layout, reference: CRS | None) -> None:
    """Refuse heights that the file says refer to something else than the site's."""
    vertical = layout.vertical
    if vertical is None:
        return
    if reference is None:
        ours = "the site's own bench mark"
    elif vertical.datum == reference.datum:
        return
    else:
        ours = reference.name
    raise _refused(
        path,
        f"has heights that refer to {vertical.name}, the site's refer to {ours}",
        "Convert its heights, or name their reference as the site's",
        "other-heights",
    )


def _unit_of(path: Path, layout: Layout, declared: str | None) -> Unit:
    """Find the unit of heights: the vertical CRS, the band's unit, or what the user declares."""
    from_crs = None if layout.vertical is None else height_unit(layout.vertical)
    found = [] if from_crs is None else [from_crs]
    try:
        if declared:
            found.append(unit_named(declared))
        # "foot" alone is one of two; it is believed only where something else says which.
        if layout.unit and not (found and layout.unit.lower() in _BARE_FEET):
            found.append(unit_named(layout.unit))
    except CRSError as error:
        raise _refused(
            path,
            f"gives heights in a unit that is not clear: {error.message}",
            error.remedy,
            "unit",
        ) from error
    if len({round(unit.metres, 9) for unit in found}) > 1:
        names = " and ".join(sorted({unit.name for unit in found}))
        raise _refused(path, f"has heights in {names} at once", "Export it again", "unit")
    return found[0] if found else METRE


def _is_nodata(stored: NDArray[Any], nodata: float | None) -> NDArray[np.bool_]:
    """Mark the cells that hold the nodata value, rounded as the file's own type rounds it."""
    if nodata is None or np.isnan(nodata):
        return np.zeros(stored.shape, dtype=bool)  # NaN is found with the heights
    with np.errstate(over="ignore"):
        return np.asarray(stored == nodata)  # a plain float takes on the array's type


def _hidden_by_mask(dataset: Any, path: Path, window: Window) -> NDArray[np.bool_]:
    """Read where a mask or alpha band hides the pixels."""
    from rasterio.windows import Window as Block

    from fencemap.guard import reader_errors

    with reader_errors(path):
        block = Block(window.column, window.row, window.columns, window.rows)
        return np.asarray(dataset.dataset_mask(window=block) == 0)


def _as_heights(stored: NDArray[Any], layout: Layout, unit_m: float) -> NDArray[np.float32]:
    """Turn stored numbers into metres."""
    factor, offset = layout.scale * unit_m, layout.offset * unit_m
    with np.errstate(over="ignore", invalid="ignore"):
        if factor == 1.0 and offset == 0.0:
            return stored.astype(np.float32, copy=True)
        return (stored.astype(np.float64) * factor + offset).astype(np.float32)


def _refused(path: Path, reason: str, remedy: str, code: str) -> InputError:
    return RasterError.at(path, reason, remedy=remedy, code=code)
