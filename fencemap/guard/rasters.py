"""The only place that opens a raster.

A reader told nothing recognises rasters by content, follows virtual datasets to other files,
takes overviews from wherever a tag points, reads unwritten blocks as zeros, and believes a
header that claims a million gigabytes. So a raster is looked at from outside first, then opened
by a driver named by us, and refused when its position is not a plain north-up grid.
"""

from __future__ import annotations

import logging
import math
import os
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fencemap.errors import FencemapError, InputError, RasterError
from fencemap.guard.opening import Kind, expect_kind, real_file

if TYPE_CHECKING:
    from rasterio.io import DatasetReader, DatasetWriter
    from tifffile import TiffFile, TiffPage

__all__ = [
    "CheckedRaster",
    "RasterLimits",
    "check_raster",
    "new_raster",
    "open_raster",
    "raster_handle",
    "reader_errors",
]

_MAX_DIRECTORIES = 128
_RATIO_FROM_BYTES = 256 * 2**20  # a small raster may be as empty as it likes
_UNCOMPRESSED = 1
_ALPHA = {1, 2}  # ExtraSamples: associated, unassociated alpha
_TAG_METADATA = 42112
_TAG_NODATA = 42113
_REDUCED, _MASK = 1, 4  # bits of NewSubfileType
_BLOCKS_NAMED = 3
_CHUNK_BYTES = 4 * 2**20

# Nothing beside the file is read or written: no .ovr, .msk, .aux.xml, world file.
_READING = {"GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR", "GDAL_PAM_ENABLED": "NO"}
_WRITING = {"GDAL_PAM_ENABLED": "NO", "GDAL_TIFF_INTERNAL_MASK": "YES"}

_AS_GEOTIFF = "Export it as GeoTIFF, north up, with its CRS and position inside the file"
_COPY_AGAIN = "Copy or export it again"


@dataclass(frozen=True, slots=True)
class RasterLimits:
    """Sizes above which a raster is refused before anything is read.

    `total_bytes` counts all pixels unpacked, `block_bytes` one tile or strip, and `ratio` how
    far the written blocks may grow beyond the file (looked at from 256 MiB on).
    """

    total_bytes: int = 64 * 2**30
    block_bytes: int = 64 * 2**20
    ratio: int = 200
    bands: int = 64


@dataclass(frozen=True, slots=True)
class CheckedRaster:
    """A raster that passed `check_raster`; small, and it travels to worker processes.

    `sparse_blocks` counts blocks that the file leaves out on purpose and that read as nodata.
    """

    path: Path
    driver: str
    rows: int
    columns: int
    bands: int
    sparse_blocks: int
    size_bytes: int
    changed_ns: int


def check_raster(
    path: str | os.PathLike[str],
    *,
    inside: Sequence[Path] = (),
    limits: RasterLimits | None = None,
) -> CheckedRaster:
    """Look at a raster from outside, before a raster library opens it.

    Parameters
    ----------
    path
        A GeoTIFF (BigTIFF and COG too) or an ESRI ASCII grid.
    inside
        Folders one of which must hold it, as in `fencemap.guard.real_file`.
    limits
        Sizes to refuse; the defaults hold a 20 ha orthophoto of 1 cm pixels many times.

    Raises
    ------
    RefusedFileError
        The content is something else, or points a reader to another file.
    RasterError
        Cut off, blocks never written (named), too large, or broken directories.
    InputError
        No such file.
    """
    real = real_file(path, inside=inside)
    kind = expect_kind(real, Kind.GEOTIFF, Kind.ASCII_GRID)
    status = real.stat()
    bounds = limits or RasterLimits()
    if kind is Kind.GEOTIFF:
        rows, columns, bands, sparse = _check_tiff(real, status.st_size, bounds)
        driver = "GTiff"
    else:
        rows, columns = _check_ascii_grid(real, status.st_size, bounds)
        driver, bands, sparse = "AAIGrid", 1, 0
    return CheckedRaster(
        real, driver, rows, columns, bands, sparse, status.st_size, status.st_mtime_ns
    )


@contextmanager
def open_raster(
    path: str | os.PathLike[str] | CheckedRaster,
    *,
    inside: Sequence[Path] = (),
    limits: RasterLimits | None = None,
) -> Iterator[DatasetReader]:
    """Open a checked raster for reading, by a named driver and with nothing beside it.

    Parameters
    ----------
    path
        As `check_raster`, or its result: then only a change of the file is looked for.
    inside, limits
        As `check_raster`.

    Yields
    ------
    DatasetReader
        Use it in this thread and block only.

    Raises
    ------
    RasterError
        As `check_raster`; also rotated, south-up, without position, an unknown codec, changed
        since it was checked, or a block that can't be decoded while the block runs.

    Examples
    --------
    ::

        with open_raster("ground.tif") as ground:
            heights = ground.read(1)
    """
    checked = (
        path
        if isinstance(path, CheckedRaster)
        else check_raster(path, inside=inside, limits=limits)
    )
    with reader_errors(checked.path):
        dataset = raster_handle(checked, limits=limits)
        try:
            yield dataset
        finally:
            dataset.close()


def raster_handle(
    checked: CheckedRaster,
    *,
    limits: RasterLimits | None = None,
    threads: int = 1,
    overview: int | None = None,
) -> DatasetReader:
    """Open a checked raster for keeping; the caller closes it, and reads in `reader_errors`.

    Parameters
    ----------
    checked
        What `check_raster` gave; the file must be the same still.
    limits
        As `check_raster`.
    threads
        Threads that decode one request.
    overview
        Open this reduced level of the file (0 is the finest) instead of the full one.

    Raises
    ------
    RasterError
        As `open_raster`.
    """
    import rasterio

    _check_unchanged(checked)
    options: dict[str, Any] = {} if checked.driver != "GTiff" else {"num_threads": threads}
    if overview is not None:
        options["overview_level"] = overview
    with reader_errors(checked.path):
        dataset = rasterio.open(checked.path, driver=checked.driver, **options)
        try:
            _check_dataset(checked, dataset, limits or RasterLimits(), overview)
        except BaseException:
            dataset.close()
            raise
    return dataset


@contextmanager
def new_raster(path: Path, **profile: Any) -> Iterator[DatasetWriter]:
    """Open a raster for writing, masks inside and nothing beside it; for use within `publish`.

    Parameters
    ----------
    path
        The temporary file that `publish` names.
    profile
        rasterio's creation options: driver, width, height, count, dtype, crs, transform ...
    """
    import rasterio

    with rasterio.Env(**_WRITING), rasterio.open(path, "w", **profile) as dataset:
        yield dataset


@contextmanager
def reader_errors(path: Path) -> Iterator[None]:
    """Turn a raster library's error in the block into a `RasterError` that names the file."""
    import warnings

    import rasterio
    from rasterio.errors import NotGeoreferencedWarning, RasterioError

    try:
        with rasterio.Env(**_READING), warnings.catch_warnings():
            # The position is checked by us, and refused rather than warned about.
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            yield
    except FencemapError:
        raise
    except Exception as error:
        if not isinstance(error, RasterioError | MemoryError) and not _is_gdal(error):
            raise
        cause = error.__cause__ or error
        raise RasterError.at(
            path,
            f"can't be read ({cause})",
            remedy="Export it again as GeoTIFF with DEFLATE, LZW or JPEG compression",
            code="unreadable-raster",
        ) from error


def _is_gdal(error: BaseException) -> bool:
    return type(error).__module__ == "rasterio._err"


def _check_tiff(real: Path, size: int, limits: RasterLimits) -> tuple[int, int, int, int]:
    """Check a TIFF's directories and blocks; returns rows, columns, bands, sparse blocks."""
    import tifffile

    with _quiet("tifffile"):
        try:
            with tifffile.TiffFile(real) as tiff:
                pages = _directories(real, tiff)
                _check_metadata(real, pages[0])
                _check_size(real, pages[0], size, limits)
                sparse = sum(_check_blocks(real, page, pages[0], size) for page in pages)
                main = pages[0]
                return main.imagelength, main.imagewidth, main.samplesperpixel, sparse
        except FencemapError:
            raise
        except Exception as error:  # a parser's surprise at a broken file has no common class
            raise _refused(
                real, f"is cut off or broken ({error})", _COPY_AGAIN, "broken-raster"
            ) from error


def _directories(real: Path, tiff: TiffFile) -> list[TiffPage]:
    """List the image, its overviews and masks; the image comes first."""
    import tifffile

    pages: list[TiffPage] = []
    for page in tiff.pages:
        if len(pages) == _MAX_DIRECTORIES:
            raise _refused(real, "has directories without end", _COPY_AGAIN, "broken-raster")
        pages.append(page if isinstance(page, tifffile.TiffPage) else page.aspage())
    if not pages:
        raise _refused(real, "has no image directory", _COPY_AGAIN, "broken-raster")
    return [pages[0]] + [page for page in pages[1:] if page.subfiletype & (_REDUCED | _MASK)]


def _check_metadata(real: Path, page: TiffPage) -> None:
    """Refuse a tag that sends a reader to another file for the overviews."""
    tag = page.tags.get(_TAG_METADATA)
    if tag is not None and "OVERVIEW_FILE" in str(tag.value).upper():
        raise _refused(
            real, "sends a reader to another file for its overviews", _AS_GEOTIFF, "points-outside"
        )


def _check_size(real: Path, page: TiffPage, size: int, limits: RasterLimits) -> None:
    """Refuse claims that no machine should try to hold."""
    if page.dtype is None:
        raise _refused(real, "has pixels of an unknown type", _AS_GEOTIFF, "pixel-type")
    bands, item = page.samplesperpixel, page.dtype.itemsize
    total = page.imagewidth * page.imagelength * bands * item
    block = math.prod(page.chunks) * item
    written = sum(1 for count in page.databytecounts if count) * block
    if bands > limits.bands:
        reason = f"has {bands} bands, at most {limits.bands} are read"
    elif total > limits.total_bytes:
        reason = (
            f"claims {total / 2**30:,.0f} GiB of pixels ({page.imagewidth} x {page.imagelength})"
        )
    elif block > limits.block_bytes and page.compression != _UNCOMPRESSED:
        reason = f"has blocks of {block / 2**20:,.0f} MiB"
    elif written > max(_RATIO_FROM_BYTES, limits.ratio * size):
        reason = f"claims {written / size:,.0f} times as many bytes as the file holds"
    else:
        return
    raise _refused(real, reason, "Export the site's part as a tiled GeoTIFF", "too-large")


def _check_blocks(real: Path, page: TiffPage, main: TiffPage, size: int) -> int:
    """Make sure that every block of a directory is in the file; returns those left out rightly."""
    offsets, counts = page.dataoffsets, page.databytecounts
    expected = math.prod(page.chunked)
    if len(offsets) != expected or len(counts) != expected:
        raise _refused(
            real, f"lists {len(offsets)} of its {expected} blocks", _COPY_AGAIN, "broken-raster"
        )
    cut = [n for n in range(expected) if counts[n] and offsets[n] + counts[n] > size]
    if cut:
        raise _refused(
            real, f"is cut off: {_blocks(page, cut)} lie beyond its end", _COPY_AGAIN, "cut-off"
        )
    missing = [n for n in range(expected) if not (offsets[n] and counts[n])]
    if not missing or page.subfiletype & _MASK:
        return len(missing)  # a mask that was not written hides, it never invents
    if len(missing) == expected or not _says_nodata(main):
        raise _refused(
            real,
            f"was never finished: {_blocks(page, missing)} were not written and would read as 0",
            "Export it again and let the program end",
            "missing-blocks",
        )
    return len(missing)


def _says_nodata(page: TiffPage) -> bool:
    """Tell whether a block left out reads as nodata or as transparent."""
    transparent = page.planarconfig == 1 and bool(_ALPHA & {int(v) for v in page.extrasamples})
    return _TAG_NODATA in page.tags or transparent


def _blocks(page: TiffPage, numbers: list[int]) -> str:
    """Name blocks by row and column for a message."""
    banded = page.planarconfig == 1 and page.samplesperpixel > 1  # then bands come last
    down, across = page.chunked[-3:-1] if banded else page.chunked[-2:]
    named = [f"row {n // across % down} column {n % across}" for n in numbers[:_BLOCKS_NAMED]]
    if len(numbers) > _BLOCKS_NAMED:
        named.append(f"and {len(numbers) - _BLOCKS_NAMED} more")
    return f"{len(numbers)} of {math.prod(page.chunked)} blocks ({', '.join(named)})"


def _check_ascii_grid(real: Path, size: int, limits: RasterLimits) -> tuple[int, int]:
    """Check an ASCII grid's header against its number of values; returns rows and columns."""
    with real.open("rb") as stream:
        head = stream.read(4096).decode("latin-1")
    fields: dict[str, str] = {}
    position = 0
    for match in re.finditer(r"\s*([A-Za-z_]+)[ \t]+(\S+)[ \t]*\r?\n", head):
        if match.start() != position:
            break
        fields[match[1].lower()] = match[2]
        position = match.end()
    try:
        columns, rows = int(fields["ncols"]), int(fields["nrows"])
    except (KeyError, ValueError) as error:
        raise _refused(
            real, "says no ncols and nrows in its header", _AS_GEOTIFF, "broken-raster"
        ) from error
    if columns < 1 or rows < 1 or columns * rows * 4 > limits.total_bytes:
        raise _refused(real, f"claims {columns} x {rows} values", _AS_GEOTIFF, "too-large")
    impossible = columns * rows * 2 - 1 > size - position  # a digit and a space for each
    values = -1 if impossible else _count_values(real, position)
    if values != columns * rows:
        found = "fewer" if values < 0 else str(values)
        raise _refused(
            real,
            f"is cut off or broken: {columns * rows} values promised, {found} there",
            _COPY_AGAIN,
            "cut-off",
        )
    return rows, columns


def _count_values(real: Path, position: int) -> int:
    """Count runs of printable characters from a position to the end."""
    import numpy as np

    values, after_space = 0, True
    with real.open("rb") as stream:
        stream.seek(position)
        while chunk := stream.read(_CHUNK_BYTES):
            printable = np.frombuffer(chunk, dtype=np.uint8) > ord(" ")
            values += int(np.count_nonzero(printable[1:] & ~printable[:-1]))
            values += int(printable[0]) if after_space else 0
            after_space = not printable[-1]
    return values


def _check_unchanged(checked: CheckedRaster) -> None:
    """Refuse a file that is not the one that was checked."""
    try:
        status = checked.path.stat()
    except OSError as error:
        raise InputError.at(
            checked.path, "is gone since it was checked", remedy="Run again", code="changed"
        ) from error
    if (status.st_size, status.st_mtime_ns) != (checked.size_bytes, checked.changed_ns):
        raise _refused(checked.path, "was changed during the run", "Run again", "changed")


def _check_dataset(
    checked: CheckedRaster, dataset: DatasetReader, limits: RasterLimits, overview: int | None
) -> None:
    """Refuse what the opened raster says about blocks, pixels and position."""
    size = (dataset.height, dataset.width, dataset.count)
    if overview is None and size != (checked.rows, checked.columns, checked.bands):
        raise _refused(
            checked.path,
            "reads differently from what its header says",
            _COPY_AGAIN,
            "broken-raster",
        )
    if any("complex" in kind for kind in dataset.dtypes):
        raise _refused(checked.path, "has complex pixels", _AS_GEOTIFF, "pixel-type")
    block = max(math.prod(shape) for shape in dataset.block_shapes) * 8
    if block > limits.block_bytes:
        raise _refused(
            checked.path, f"has blocks of {block / 2**20:,.0f} MiB", _AS_GEOTIFF, "too-large"
        )
    _check_position(checked.path, dataset)
    dataset.overviews(1)  # looked up here, while nothing beside the file may be read


def _check_position(path: Path, dataset: DatasetReader) -> None:
    """Accept a plain north-up grid only."""
    grid = dataset.transform
    if dataset.gcps[0] or dataset.rpcs is not None:
        reason, remedy = "is placed by control points only", "Rectify it onto the site's CRS first"
    elif grid.is_identity:
        reason, remedy = "has no position", _AS_GEOTIFF
    elif not all(math.isfinite(value) for value in grid) or not grid.a * grid.e:
        reason, remedy = "has a position that is no number", _AS_GEOTIFF
    elif grid.b or grid.d:
        reason, remedy = "is rotated or sheared", "Warp it to a north-up grid first"
    elif grid.e > 0 or grid.a < 0:
        reason, remedy = "is stored south-up or mirrored", "Save it north-up"
    else:
        return
    raise _refused(path, reason, remedy, "position")


@contextmanager
def _quiet(logger_name: str) -> Iterator[None]:
    """Keep a library's remarks on a broken file off the screen; ours says it all."""

    def nothing(_: logging.LogRecord) -> bool:
        return False

    logger = logging.getLogger(logger_name)
    logger.addFilter(nothing)
    try:
        yield
    finally:
        logger.removeFilter(nothing)


def _refused(path: Path, reason: str, remedy: str, code: str) -> InputError:
    return RasterError.at(path, reason, remedy=remedy, code=code)
