"""From names to checked tiles on one grid, and the handles that read them."""

from __future__ import annotations

import glob
import math
import os
import threading
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pyproj import CRS

from fencemap.crs import horizontal_of, parse_crs, same_crs, vertical_of
from fencemap.errors import CRSError, InputError, RasterError
from fencemap.grid import Grid, Window
from fencemap.guard import CheckedRaster, check_raster, open_raster, raster_handle, reader_errors

if TYPE_CHECKING:
    from rasterio.io import DatasetReader

__all__ = ["THREADS", "Handles", "Layout", "Paths", "RasterTile", "TileSet", "open_tiles", "pixels"]

Paths = str | os.PathLike[str] | Sequence[str | os.PathLike[str]]

_HANDLES = 16  # per thread; a window seldom meets more tiles
THREADS = min(4, os.cpu_count() or 1)
"""Threads that pack or unpack one request; the bytes don't depend on how many."""
_LARGEST_M = 50_000.0


@dataclass(frozen=True, slots=True)
class Layout:
    """How a file's bands are to be read, asked once when it is first opened.

    Attributes
    ----------
    colours, kinds
        Meaning and data type of each band.
    nodata
        The number that stands for "not seen", None if there is none.
    masked
        Whether a mask or alpha band hides pixels.
    scale, offset, unit
        What turns stored numbers into heights.
    vertical
        What heights refer to; None if the file doesn't say.
    reduced
        Factors of the overviews, finest first.
    palette
        Colours of a palette image, by number.
    block_rows
        Rows of a block, the least that is decoded at a time.
    """

    colours: tuple[str, ...]
    kinds: tuple[str, ...]
    nodata: float | None
    masked: bool
    scale: float
    offset: float
    unit: str
    vertical: CRS | None
    reduced: tuple[int, ...]
    palette: tuple[tuple[int, int, int], ...]
    block_rows: int


@dataclass(frozen=True, slots=True)
class RasterTile:
    """One file: how it is read, and its window in the grid of all."""

    checked: CheckedRaster
    layout: Layout
    place: Window


@dataclass(frozen=True, slots=True)
class TileSet:
    """Files on one grid, in the order of their names; the first to see a pixel counts."""

    grid: Grid
    tiles: tuple[RasterTile, ...]

    @property
    def paths(self) -> tuple[Path, ...]:
        """The files."""
        return tuple(tile.checked.path for tile in self.tiles)

    @property
    def names(self) -> str:
        """The files in words."""
        first = self.tiles[0].checked.path.name
        return first if len(self.tiles) == 1 else f"{first} and {len(self.tiles) - 1} more"

    def meeting(self, window: Window) -> Iterator[tuple[RasterTile, Window]]:
        """Give each tile that shares pixels with a window, and the shared pixels."""
        for tile in self.tiles:
            shared = tile.place.intersection(window)
            if not shared.is_empty:
                yield tile, shared


class Handles:
    """Open files, a few per thread, closed when others are needed or all at once."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._local = threading.local()
        self._stores: list[OrderedDict[tuple[Path, int | None], DatasetReader]] = []

    def get(self, checked: CheckedRaster, *, overview: int | None = None) -> DatasetReader:
        """Give this thread's handle of a file or of one of its overviews.

        Raises
        ------
        RasterError
            The file is gone or was changed.
        """
        store: OrderedDict[tuple[Path, int | None], DatasetReader] | None
        store = getattr(self._local, "store", None)
        if store is None:
            store = self._local.store = OrderedDict()
            with self._lock:
                self._stores.append(store)
        key = (checked.path, overview)
        if key not in store:
            while len(store) >= _HANDLES:
                store.popitem(last=False)[1].close()
            store[key] = raster_handle(checked, threads=THREADS, overview=overview)
        store.move_to_end(key)
        return store[key]

    def close(self) -> None:
        """Close the handles of all threads; reading again opens new ones."""
        with self._lock:
            stores, self._stores = self._stores, []
            self._local = threading.local()
        for store in stores:
            while store:
                store.popitem()[1].close()


def open_tiles(paths: Paths, *, site_crs: str | CRS | None, inside: Sequence[Path]) -> TileSet:
    """Check files and put them on one grid.

    Parameters
    ----------
    paths
        A file, a list of files, or a pattern such as ``"ortho/*.tif"``.
    site_crs
        The CRS that they must be in; None = their own, which must be one.
    inside
        Folders that must hold them, as in `fencemap.guard.real_file`.

    Raises
    ------
    RasterError
        As `fencemap.guard.check_raster`; also no CRS, another CRS, pixels of another size or
        that don't fall on each other. Names the file.
    """
    wanted = None if site_crs is None else parse_crs(site_crs, what="the site's CRS")
    found = []
    for path in _listed(paths):
        checked = check_raster(path, inside=inside)
        with open_raster(checked) as dataset:
            crs = _crs_of(checked.path, dataset)
            grid = _grid_of(checked.path, dataset, crs, wanted)
            found.append((checked, grid, _layout_of(dataset, crs)))
    return _joined(found)


def pixels(dataset: DatasetReader, path: Path, indexes: int | list[int], window: Window) -> Any:
    """Read stored numbers of a window that lies within the file.

    Raises
    ------
    RasterError
        A block can't be decoded.
    """
    from rasterio.windows import Window as Block

    with reader_errors(path):
        block = Block(window.column, window.row, window.columns, window.rows)
        return dataset.read(indexes, window=block)


def _listed(paths: Paths) -> list[str]:
    """Resolve patterns; sorted, each file once."""
    given = [paths] if isinstance(paths, str | os.PathLike) else list(paths)
    names: set[str] = set()
    for path in (os.fspath(one) for one in given):
        pattern = not os.path.exists(path) and any(sign in path for sign in "*?[")  # noqa: PTH110
        # A pattern that matches nothing is refused as the file that it isn't.
        names.update((glob.glob(path) if pattern else []) or [path])  # noqa: PTH207
    if not names:
        raise RasterError("no raster is given", remedy="Name at least one file")
    return sorted(names)


def _crs_of(path: Path, dataset: DatasetReader) -> CRS:
    """Take the CRS that the file says, or refuse."""
    text = dataset.crs.to_wkt() if dataset.crs else ""
    try:
        crs = parse_crs(text, what="its CRS")
    except CRSError as error:
        raise _refused(
            path,
            "has no CRS that is understood, and it is never guessed",
            "Export it with its CRS inside (an ASCII grid needs its .prj file beside it)",
            "no-crs",
        ) from error
    if not (horizontal_of(crs).is_projected or horizontal_of(crs).is_geographic):
        raise _refused(
            path, f"is in a {crs.type_name} ({crs.name})", "Export it in the site's CRS", "no-crs"
        )
    return crs


def _grid_of(path: Path, dataset: DatasetReader, crs: CRS, wanted: CRS | None) -> Grid:
    """Make the grid, in the site's CRS if one is wanted."""
    plane = horizontal_of(crs)
    if wanted is not None:
        if not same_crs(plane, wanted):
            raise _refused(
                path,
                f"is in {plane.name}, the site in {wanted.name}",
                "Warp it to the site's CRS first, by fencemap or the program that made it",
                "other-crs",
            )
        plane = wanted
    return Grid(dataset.transform, (dataset.height, dataset.width), plane)


def _layout_of(dataset: DatasetReader, crs: CRS) -> Layout:
    """Ask a file once how its bands are to be read."""
    from rasterio.enums import ColorInterp, MaskFlags

    flags = {flag for band in dataset.mask_flag_enums for flag in band}
    colours = tuple(colour.name for colour in dataset.colorinterp)
    palette: tuple[tuple[int, int, int], ...] = ()
    if ColorInterp.palette in dataset.colorinterp:
        table = dataset.colormap(1)
        palette = tuple(table.get(number, (0, 0, 0, 0))[:3] for number in range(256))
    return Layout(
        colours=colours,
        kinds=tuple(dataset.dtypes),
        nodata=dataset.nodata,
        masked=bool(flags & {MaskFlags.per_dataset, MaskFlags.alpha}) or "alpha" in colours,
        scale=float(dataset.scales[0]),
        offset=float(dataset.offsets[0]),
        unit=dataset.units[0] or "",
        vertical=vertical_of(crs),
        reduced=tuple(dataset.overviews(1)),
        palette=palette,
        block_rows=int(dataset.block_shapes[0][0]),
    )


def _joined(found: list[tuple[CheckedRaster, Grid, Layout]]) -> TileSet:
    """Put all tiles on the grid that covers them."""
    first = found[0][1]
    offsets = []
    for checked, grid, layout in found:
        if grid.crs != first.crs and not same_crs(grid.crs, first.crs):
            reason = f"is in {grid.crs.name}, the others in {first.crs.name}"
        elif layout.kinds != found[0][2].kinds:
            reason = f"holds {_bands(layout)}, the others {_bands(found[0][2])}"
        elif not first.same_pixels(grid):
            reason = f"has pixels of {_size(grid)}, the others of {_size(first)}"
        elif not first.is_aligned(grid):
            reason = "has pixels that don't fall on those of the others"
        else:
            offsets.append(first.offset_of(grid))
            continue
        raise _refused(
            checked.path, reason, "Export all tiles in one go with one pixel grid", "tiles-differ"
        )
    top = min(row for row, _ in offsets)
    left = min(column for _, column in offsets)
    places = [
        Window(row - top, column - left, *grid.shape)
        for (row, column), (_, grid, _) in zip(offsets, found, strict=True)
    ]
    whole = Window(
        top,
        left,
        max(place.row + place.rows for place in places),
        max(place.column + place.columns for place in places),
    )
    _check_extent(first, whole, found)
    tiles = (
        RasterTile(checked, layout, place)
        for (checked, _, layout), place in zip(found, places, strict=True)
    )
    return TileSet(first.of_window(whole), tuple(tiles))


def _check_extent(
    first: Grid, whole: Window, found: list[tuple[CheckedRaster, Grid, Layout]]
) -> None:
    """Refuse tiles that lie kilometres apart, as one of them belongs elsewhere."""
    if not first.crs.is_projected:
        return
    width, height = first.pixel_size
    across = math.hypot(whole.columns * width, whole.rows * height)
    if len(found) > 1 and across > _LARGEST_M:
        raise _refused(
            found[-1][0].path,
            f"and the others lie {across / 1000:,.0f} km apart",
            "Leave out the tiles of other places",
            "tiles-apart",
        )


def _bands(layout: Layout) -> str:
    return f"{len(layout.kinds)} band{'s' * (len(layout.kinds) > 1)} of {layout.kinds[0]}"


def _size(grid: Grid) -> str:
    width, height = grid.pixel_size
    return f"{width:.6g} by {height:.6g}"


def _refused(path: Path, reason: str, remedy: str, code: str) -> InputError:
    return RasterError.at(path, reason, remedy=remedy, code=code)
