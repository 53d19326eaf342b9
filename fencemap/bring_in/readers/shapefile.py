"""Read Shapefiles: shapes by the vector library, attributes and bookkeeping by ourselves.

A Shapefile is at least three files. One that lacks its index, its projection or part of its
bytes is still opened by most programs, with shapes missing or in the wrong place; here each
record is looked at, and what is lost is named.
"""

from __future__ import annotations

import warnings
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fencemap.bring_in.raw import RawTable, Refusal
from fencemap.bring_in.readers._dbf import AttributeTable, read_dbf
from fencemap.bring_in.readers._gather import MOST_ROWS, listed_rows, show
from fencemap.crs import parse_crs, same_crs
from fencemap.errors import CRSError, Problem, RefusedFileError, SurveyError
from fencemap.guard import expect_kind, real_file

__all__ = ["read_shapefile"]

_MOST_BYTES = 256 * 2**20
_HEADER = 100
_RECORD = 8  # bytes before a record's content
_NULL = 0
_COMPANIONS = (".shx", ".dbf", ".prj", ".cpg")


def read_shapefile(path: Path, *, name: str, crs: str = "") -> RawTable:
    """Read a Shapefile.

    Parameters
    ----------
    path
        The `.shp`; `.shx` must lie beside it, `.dbf`, `.prj` and `.cpg` should.
    name
        How messages and `source_file` name the file.
    crs
        What the coordinates are in, if somebody said so; goes before the `.prj`.

    Returns
    -------
    table
        Shapes with Z where the file has it; None for a null shape. `rows` are the feature ids
        that programs show, from 0. Attribute cells are text as written.

    Raises
    ------
    SurveyError
        No CRS, a companion is missing, broken or cut off, or the counts contradict each other.
    RefusedFileError
        No Shapefile, or larger than 256 MB.
    """
    real = real_file(path)
    expect_kind(real, "shapefile")
    if real.suffix.lower() == ".shx":
        raise SurveyError.at(
            name, "is the index of a Shapefile", remedy="Name the .shp.", code="wrong-kind"
        )
    beside = _companions(real)
    size = sum(part.stat().st_size for part in (real, *beside.values()))
    if size > _MOST_BYTES:
        raise RefusedFileError.at(
            name, "is larger than 256 MB", remedy="Save it as a GeoPackage.", code="too-large"
        )
    if ".shx" in beside and beside[".shx"].stat().st_size > _HEADER + 8 * MOST_ROWS:
        raise RefusedFileError.at(
            name, f"holds more than {MOST_ROWS:,} rows", remedy="Cut it to the site.",
            code="too-large",
        )  # fmt: skip
    if ".shx" not in beside:
        raise SurveyError.at(
            name, "its index (.shx) is missing", code="no-index",
            remedy="Copy all files of the Shapefile together.",
        )  # fmt: skip
    kinds, cut = _records(real, beside[".shx"], name)
    table = _attributes(beside, name, len(kinds))
    meta, fids, wkb, warned = _read(real, name)
    system, notes = _crs(meta["crs"], crs, ".prj" in beside, name)
    notes += [*warned, *table.notes, *_notes(name, table, kinds)]
    fids = fids.astype(np.int64)
    if len(fids) and int(fids.max()) >= len(kinds):
        raise SurveyError.at(
            name, "its index and its shapes contradict each other", code="broken-header",
            remedy="Copy or export it again.",
        )  # fmt: skip
    shapes = shapely.from_wkb(wkb, on_invalid="ignore")
    reasons = _reasons(shapes, wkb, kinds[fids], cut[fids])
    good = np.array([not reason for reason in reasons], dtype=bool)
    columns = {title: cells[fids] for title, cells in table.columns.items()}
    refused = tuple(
        Refusal(
            Problem("bad-geometry", reason, "Draw it again.", name, int(fid)),
            _as_text(columns, index),
        )
        for index, (fid, reason) in enumerate(zip(fids, reasons, strict=True))
        if reason
    )
    return RawTable(
        name, {title: cells[good] for title, cells in columns.items()}, fids[good],
        geometry=np.asarray(shapes, dtype=object)[good], crs=system, refused=refused,
        notes=tuple(notes),
    )  # fmt: skip


def _companions(real: Path) -> dict[str, Path]:
    """Find the files of the same stem, whatever the case of their endings."""
    found: dict[str, Path] = {}
    for other in sorted(real.parent.iterdir()):
        suffix = other.suffix.lower()
        if other.stem == real.stem and suffix in _COMPANIONS and other.is_file():
            found.setdefault(suffix, other)
    return found


def _records(real: Path, index: Path, name: str) -> tuple[NDArray[np.int32], NDArray[np.bool_]]:
    """Read each record's kind through the index, and whether it reaches past the file's end."""
    entries = np.fromfile(index, dtype=">i4", offset=min(_HEADER, index.stat().st_size))
    if index.stat().st_size < _HEADER or len(entries) % 2:
        raise SurveyError.at(
            name, "its index (.shx) is cut off", code="cut-off",
            remedy="Copy all files of the Shapefile again.",
        )  # fmt: skip
    begins, lengths = entries.astype(np.int64).reshape(-1, 2).T * 2
    size = real.stat().st_size
    cut = (begins < _HEADER) | (lengths < 4) | (begins + _RECORD + lengths > size)
    kinds = np.full(len(begins), -1, dtype=np.int32)
    content = np.memmap(real, dtype=np.uint8, mode="r")
    starts = begins[~cut] + _RECORD
    if len(starts):
        kinds[~cut] = np.ascontiguousarray(content[starts[:, None] + np.arange(4)]).view("<i4")[
            :, 0
        ]
    return kinds, cut


def _attributes(beside: dict[str, Path], name: str, count: int) -> AttributeTable:
    if ".dbf" not in beside:
        note = f"{name}: its attribute table (.dbf) is missing, so there are shapes only"
        return AttributeTable({}, np.zeros(count, dtype=bool), (note,))
    encoding = ""
    if ".cpg" in beside:
        encoding = beside[".cpg"].read_bytes()[:64].decode("ascii", errors="replace")
    table = read_dbf(real_file(beside[".dbf"]), name=name, encoding=encoding)
    if len(table.deleted) != count:
        raise SurveyError.at(
            name, f"has {count} shapes and {len(table.deleted)} rows of attributes",
            code="count-mismatch", remedy="Copy all files of the Shapefile from one export.",
        )  # fmt: skip
    return table


def _read(real: Path, name: str) -> tuple[dict[str, Any], NDArray[Any], NDArray[Any], list[str]]:
    """Read the shapes; what the library warns of becomes notes."""
    import pyogrio

    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            meta, fids, wkb, _ = pyogrio.raw.read(real, columns=[], return_fids=True)
        except (pyogrio.errors.CRSError, UnboundLocalError) as error:
            # The second is how this library fails on a .prj that makes no WKT at all.
            raise SurveyError.at(
                name, f"its .prj can't be understood ({show(error)})", code="no-crs",
                remedy="Copy the .prj again; or take it away and say which CRS it is.",
            ) from None  # fmt: skip
        except (RuntimeError, ValueError) as error:
            raise SurveyError.at(
                name, f"can't be read ({show(error)})", code="broken-header",
                remedy="Copy all files of the Shapefile again, or export it as GeoPackage.",
            ) from None  # fmt: skip
    said = sorted({show(str(item.message).partition(". ")[0]) for item in caught})
    own = {"Measured (M)": "measures (M) are left out; positions and heights are kept"}
    notes = []
    for text in said:
        if not text.startswith("Non closed ring"):  # those shapes are refused one by one
            ours = next((words for start, words in own.items() if text.startswith(start)), text)
            notes.append(f"{name}: {ours}")
    return meta, fids, wkb, notes


def _crs(found: str | None, given: str, has_prj: bool, name: str) -> tuple[str, list[str]]:
    """Settle on the CRS: what was said, else the `.prj`; never a guess."""
    if given:
        notes = [f"{name}: coordinates read in {given}, as was said"]
        try:
            if found and not same_crs(parse_crs(found), parse_crs(given)):
                notes.append(f"{name}: its .prj says {show(parse_crs(found).name)} instead")
        except CRSError as error:
            raise SurveyError.at(
                name, error.message, code="no-crs", remedy=error.remedy, value=given
            ) from None
        return given, notes
    if found:
        return found, []
    reason = "its .prj can't be understood" if has_prj else "has no .prj, so no CRS"
    raise SurveyError.at(
        name, f"{reason}, and it is never guessed", code="no-crs",
        remedy="Copy the .prj too, or say which CRS the coordinates are in.",
    )  # fmt: skip


def _reasons(
    shapes: Any, wkb: NDArray[Any], kinds: NDArray[np.int32], cut: NDArray[np.bool_]
) -> list[str]:
    """Say for each shape why it can't be used; empty if it can, or if the record has none."""
    reasons = []
    absent, empty = shapely.is_missing(shapes), shapely.is_empty(shapes)
    finite = _finite(np.asarray(shapes, dtype=object))
    for index in range(len(kinds)):
        if cut[index]:
            reasons.append("its record is cut off")
        elif kinds[index] == _NULL:
            reasons.append("")
        elif absent[index] and wkb[index] is not None:
            reasons.append(_why_invalid(wkb[index]))
        elif absent[index]:
            reasons.append("its record holds no shape that can be read")
        elif empty[index] or not finite[index]:
            reasons.append("a coordinate is not a finite number")
        else:
            reasons.append("")
    return reasons


def _finite(shapes: NDArray[Any]) -> NDArray[np.bool_]:
    coordinates, owner = shapely.get_coordinates(shapes, return_index=True)
    fine = np.ones(len(shapes), dtype=bool)
    fine[owner[~np.isfinite(coordinates).all(axis=1)]] = False
    return fine


def _why_invalid(wkb: bytes) -> str:
    try:
        shapely.from_wkb(wkb)
    except shapely.GEOSException as error:
        text = str(error)
        if "closed" in text:
            return "a ring is open: its last position is not its first"
        return f"can't be read ({show(text.rpartition('Exception: ')[2])})"
    return "can't be read"


def _notes(name: str, table: AttributeTable, kinds: NDArray[np.int32]) -> list[str]:
    notes = []
    gone = np.flatnonzero(table.deleted).tolist()
    if gone:
        notes.append(f"{name}: deleted in the attribute table, so left out: {listed_rows(gone)}")
    null = np.flatnonzero(kinds == _NULL).tolist()
    if null:
        notes.append(f"{name}: without a shape: {listed_rows(null)}")
    if len(Counter(kinds[(kinds > _NULL)].tolist())) > 1:
        notes.append(f"{name}: holds several kinds of shapes, which the format does not allow")
    long = [title for title in table.columns if len(title) == 10]
    if long:
        notes.append(f"{name}: names cut to ten letters, perhaps: {', '.join(long)}")
    return notes


def _as_text(columns: dict[str, NDArray[Any]], index: int) -> str:
    from fencemap.bring_in.raw import row_as_json

    return row_as_json(columns, index)[:2_000]
