"""Content digests: the same answer for the same content, however it lies in a file.

A checksum of bytes says whether a file was touched; a content digest says
whether what it holds is the same. It does not depend on the order of rows or
columns, on compression, tiling, page layout or on when a file was written.
Every digest is SHA-256 in hexadecimal digits.

Method: each row is written as bytes that no other row has (for every column,
sorted by name: a mark for null, then eight bytes of number or length; then the
text and shapes themselves), hashed with BLAKE2b (RFC 7693); the hashes are
sorted, so that equal rows still count each time, and hashed with SHA-256
(FIPS 180-4) together with the names and types of the columns and the CRS.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fencemap.errors import InputError
from fencemap.formats._arrow import GEOMETRY, crs_of, to_arrow

if TYPE_CHECKING:
    import numpy as np
    import pyarrow as pa

__all__ = ["file_digest", "frame_digest", "layer_digests", "table_digest"]

_ROWS_AT_ONCE = 131_072
_ROW_BYTES = 32
_BLOCK = 2**20
_PIXEL_ROWS = 256
_SQLITE = b"SQLite format 3\0"
_PARQUET = b"PAR1"
# TIFF and BigTIFF, little and big endian.
_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


def frame_digest(frame: Any) -> str:
    """Digest of a layer's frame: columns, types, CRS and rows in any order.

    Real numbers and coordinates count to the last bit; a minus before zero
    and the kind of NaN do not (a real number that is NaN is a null).

    Parameters
    ----------
    frame
        Frame of catalogue types, with or without `geometry`.

    Returns
    -------
    str
        64 hexadecimal digits.

    Raises
    ------
    LayerError
        A column has a type that the catalogue does not have.

    Examples
    --------
    >>> import pandas as pd
    >>> frame = pd.DataFrame({"gap_mm": [12.0, 30.5]})
    >>> frame_digest(frame) == frame_digest(frame.iloc[::-1])
    True
    """
    crs = crs_of(frame)
    return table_digest(to_arrow(frame), crs=crs.to_string() if crs is not None else None)


def table_digest(table: pa.Table, *, crs: str | None = None) -> str:
    """Digest of an Arrow table; `crs` is the CRS of its shapes in text."""
    table = table.select(sorted(table.column_names))
    kinds = [_kind(field.name, field.type) for field in table.schema]
    whole = hashlib.sha256(b"fencemap rows 1\n")
    whole.update(_sized((crs or "").encode()))
    for name, kind in zip(table.column_names, kinds, strict=True):
        whole.update(_sized(f"{name}:{kind}".encode()))
    whole.update(_sorted_hashes(table, kinds))
    return whole.hexdigest()


def layer_digests(path: Path) -> dict[str, str]:
    """Digest of each layer and table of a GeoPackage, by name; styles and `fid` left out.

    Raises
    ------
    InputError
        Not a GeoPackage, or a layer's counts disagree.
    """
    from fencemap.formats import geopackage

    made = {}
    for name in geopackage.list_layers(path):
        table, crs = geopackage.read_table(path, name)
        made[name] = table_digest(table, crs=crs)
    return made


def file_digest(path: Path) -> str:
    """Digest of what a file holds, told by its first bytes.

    GeoPackage
        All layers by name (`layer_digests`); not descriptions, metadata, styles.
    Layer of the store (Parquet)
        `frame_digest`.
    GeoTIFF
        Size, type, georeference, nodata and pixels; not compression or tiling.
    CSV and TSV
        The header and the rows in any order, cells as they are written.
    Anything else
        The bytes.

    Returns
    -------
    str
        64 hexadecimal digits.

    Raises
    ------
    InputError
        The file is not there, is damaged, or its counts disagree.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            head = file.read(16)
    except OSError as error:
        raise InputError.at(
            path, f"can't be read ({error.strerror})", remedy="Check the name.", code="unreadable"
        ) from error
    if head == _SQLITE and path.suffix.lower() == ".gpkg":
        parts = (
            f"{name}:{digest}".encode() for name, digest in sorted(layer_digests(path).items())
        )
        return _digest_of("geopackage", parts)
    if head[:4] == _PARQUET:
        from fencemap.formats import store

        return frame_digest(store.load(path))
    if head[:4] in _TIFF:
        return _digest_of("raster", _raster_parts(path))
    if path.suffix.lower() in (".csv", ".tsv"):
        return _digest_of("rows", _csv_parts(path.read_bytes()))
    return _bytes_digest(path)


def _sized(part: bytes) -> bytes:
    """Put a part's length before it, so that parts can't run into each other."""
    return len(part).to_bytes(8, "little") + part


def _digest_of(kind: str, parts: Iterator[bytes]) -> str:
    whole = hashlib.sha256(f"fencemap {kind} 1\n".encode())
    for part in parts:
        whole.update(_sized(part))
    return whole.hexdigest()


def _bytes_digest(path: Path) -> str:
    whole = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            whole.update(block)
    return whole.hexdigest()


# --- rows ---------------------------------------------------------------------------------


def _kind(name: str, kind: pa.DataType) -> str:
    """Name a column's type in words that files and frames share."""
    import pyarrow.types as kinds

    tests = (
        (kinds.is_boolean, "boolean"),
        (kinds.is_integer, "integer"),
        (kinds.is_floating, "real"),
        (kinds.is_date, "date"),
        (kinds.is_timestamp, "time"),
        (kinds.is_string, "text"),
        (kinds.is_large_string, "text"),
        (kinds.is_binary, "bytes"),
        (kinds.is_large_binary, "bytes"),
    )
    for test, word in tests:
        if test(kind):
            return "shape" if name == GEOMETRY and word == "bytes" else word
    raise InputError.at(
        name, f"has the type {kind}, which has no digest", code="unknown-type",
        remedy="Write the column as text or numbers.",
    )  # fmt: skip


def _sorted_hashes(table: pa.Table, kinds: list[str]) -> bytes:
    """Hash every row and put the hashes in order."""
    import numpy as np

    hashes = bytearray()
    for start in range(0, table.num_rows, _ROWS_AT_ONCE):
        _hash_rows(table.slice(start, _ROWS_AT_ONCE), kinds, hashes)
    in_order = np.sort(np.frombuffer(hashes, dtype=f"S{_ROW_BYTES}"))
    return in_order.tobytes()


def _hash_rows(table: pa.Table, kinds: list[str], hashes: bytearray) -> None:
    """Append the hash of each row: fixed part first, then what has a length of its own."""
    import numpy as np
    import pyarrow as pa
    import pyarrow.compute as pc

    fixed, loose = [], []
    for column, kind in zip(table.columns, kinds, strict=True):
        if kind in ("text", "bytes", "shape"):
            value = column.combine_chunks().cast(pa.large_binary())
            fixed.append(_eight_bytes(pc.binary_length(value), column))
            loose.append(pc.fill_null(value, b""))
        else:
            fixed.append(_eight_bytes(_as_number(column, kind), column))
    nothing = pa.scalar(b"", pa.large_binary())
    rows = pc.binary_join_element_wise(_joined(fixed, table.num_rows), *loose, nothing)
    if isinstance(rows, pa.ChunkedArray):
        rows = rows.combine_chunks()
    ends = np.frombuffer(rows.buffers()[1], np.int64, len(rows) + 1, rows.offset * 8).tolist()
    written = memoryview(rows.buffers()[2] or b"")
    hash_row = hashlib.blake2b
    for begin, end in pairwise(ends):
        hashes += hash_row(written[begin:end], digest_size=_ROW_BYTES).digest()


def _as_number(column: pa.ChunkedArray, kind: str) -> pa.ChunkedArray:
    """Bring a column to int64 or float64."""
    import pyarrow as pa

    if kind == "real":
        return column.cast(pa.float64())
    if kind == "date":
        column = column.cast(pa.date32()).cast(pa.int32())
    if kind == "time":
        column = column.cast(pa.timestamp("ms", column.type.tz), safe=False)
    return column.cast(pa.int64())


def _eight_bytes(numbers: Any, column: pa.ChunkedArray) -> np.ndarray:
    """Write numbers as nine bytes each: a mark for null, then the value, zero where null."""
    import numpy as np
    import pyarrow as pa
    import pyarrow.compute as pc

    real = pa.types.is_float64(numbers.type)
    absent = column.is_null().to_numpy(zero_copy_only=False) if len(column) else np.zeros(0, bool)
    filled = pc.fill_null(numbers, 0.0 if real else 0).to_numpy(zero_copy_only=False)
    if real:
        absent = absent | np.isnan(filled)
        filled = np.where(absent, 0.0, filled) + 0.0  # the sum turns -0.0 into 0.0
    made = np.zeros((len(column), 9), np.uint8)
    made[:, 0] = absent
    width = "<f8" if real else "<i8"
    made[:, 1:] = np.ascontiguousarray(filled, dtype=width).view(np.uint8).reshape(-1, 8)
    return made


def _joined(fixed: list[np.ndarray], rows: int) -> pa.Array:
    """Join the fixed parts of each row into one binary value."""
    import numpy as np
    import pyarrow as pa

    side_by_side = np.ascontiguousarray(np.hstack(fixed) if fixed else np.zeros((rows, 1), "u1"))
    width = side_by_side.shape[1]
    kind = pa.binary(width)
    made = pa.Array.from_buffers(kind, rows, [None, pa.py_buffer(side_by_side)])
    return made.cast(pa.large_binary())


# --- files --------------------------------------------------------------------------------


def _raster_parts(path: Path) -> Iterator[bytes]:
    """Give a raster's georeference, then its pixels band by band in strips of rows."""
    from rasterio.enums import MaskFlags
    from rasterio.windows import Window

    from fencemap.guard import open_raster

    with open_raster(path) as raster:
        crs = raster.crs.to_wkt() if raster.crs else ""
        shape = (raster.count, raster.height, raster.width)
        yield f"{crs}\n{shape} {raster.dtypes} {raster.nodatavals}".encode()
        yield struct.pack("<6d", *tuple(raster.transform)[:6])
        rows = range(0, raster.height, _PIXEL_ROWS)
        strips = [
            Window(0, row, raster.width, min(_PIXEL_ROWS, raster.height - row)) for row in rows
        ]
        for band in range(1, raster.count + 1):
            for strip in strips:
                yield _little_endian(raster.read(band, window=strip)).tobytes()
        if MaskFlags.per_dataset in raster.mask_flag_enums[0]:
            for strip in strips:
                yield raster.dataset_mask(window=strip).tobytes()


def _little_endian(pixels: np.ndarray) -> np.ndarray:
    return pixels.astype(pixels.dtype.newbyteorder("<"), copy=False)


def _csv_parts(content: bytes) -> Iterator[bytes]:
    """Give a table's header, then its rows sorted."""
    header, *rows = list(_csv_records(content)) or [b""]
    yield header
    yield from sorted(rows)


def _csv_records(content: bytes) -> Iterator[bytes]:
    """Cut a table into rows: at line ends that are not inside quotes (RFC 4180)."""
    held = b""
    for line in content.split(b"\n"):
        held += line
        if held.count(b'"') % 2:
            held += b"\n"
            continue
        yield held.removesuffix(b"\r")
        held = b""
    if held:
        yield held
