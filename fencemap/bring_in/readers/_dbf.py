"""The attribute table of a Shapefile: cells as they are written, row by row.

The vector library turns an unknown yes/no into no, reads texts in an encoding that depends on
the machine's locale, and loses the whole table over one missing byte. The format is thirty lines
of arithmetic, so it is read here: blank stays blank, deleted rows are named.
"""

from __future__ import annotations

import codecs
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from fencemap.errors import RefusedFileError, SurveyError

__all__ = ["AttributeTable", "read_dbf"]

_HEADER = 32
_DESCRIPTOR = 32
_END_OF_FIELDS = 0x0D
_MOST_FIELDS = 255 * 4
_MOST_CELLS = 8_000_000
_DELETED = ord("*")
# Language driver at byte 29 -> encoding, the ones that occur.
_DRIVERS: Final = {
    0x01: "cp437", 0x02: "cp850", 0x03: "cp1252", 0x08: "cp865", 0x09: "cp437", 0x0A: "cp850",
    0x0B: "cp437", 0x0D: "cp437", 0x0E: "cp850", 0x0F: "cp437", 0x10: "cp850", 0x11: "cp437",
    0x12: "cp850", 0x13: "cp932", 0x14: "cp850", 0x26: "cp866", 0x37: "cp850", 0x4D: "cp936",
    0x4E: "cp949", 0x4F: "cp950", 0x57: "cp1252", 0x58: "cp1252", 0x59: "cp1252", 0x64: "cp852",
    0x65: "cp866", 0x66: "cp865", 0x67: "cp861", 0x6A: "cp737", 0x6B: "cp857", 0x78: "cp950",
    0x79: "cp949", 0x7A: "cp936", 0x7B: "cp932", 0x7C: "cp874", 0x7D: "cp1255", 0x7E: "cp1256",
    0xC8: "cp1250", 0xC9: "cp1251", 0xCA: "cp1254", 0xCB: "cp1253", 0xCC: "cp1257",
}  # fmt: skip
_READ = "CNFDL"


@dataclass(frozen=True, slots=True)
class AttributeTable:
    """Columns of text (yes/no cells are booleans), which rows are deleted, what was noticed."""

    columns: dict[str, NDArray[Any]]
    deleted: NDArray[np.bool_]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Field:
    name: bytes
    kind: str
    start: int
    width: int


def read_dbf(real: Path, *, name: str, encoding: str = "") -> AttributeTable:
    """Read a dBASE table.

    Parameters
    ----------
    real
        A real file.
    name
        How messages name it.
    encoding
        As the `.cpg` beside it says; empty = the table's language driver, else UTF-8 where that
        fits, else Windows-1252.

    Raises
    ------
    SurveyError
        A broken header, or rows missing at the end.
    RefusedFileError
        More cells than fit into memory.
    """
    data = real.read_bytes()
    count, width, begins = (
        int.from_bytes(data[4:8], "little"),
        int.from_bytes(data[10:12], "little"),
        int.from_bytes(data[8:10], "little"),
    )
    fields = _fields(data, begins, width)
    if len(data) < _HEADER or not fields:
        raise _broken(name, "its attribute table has a broken header", "broken-header")
    if begins + count * width > len(data):
        held = max(0, (len(data) - begins) // width)
        raise _broken(
            name, f"its attribute table is cut off after {held} of {count} rows", "cut-off"
        )
    if count * len(fields) > _MOST_CELLS:
        raise RefusedFileError.at(
            name, f"its attribute table has more than {_MOST_CELLS:,} cells", code="too-large",
            remedy="Save it as a GeoPackage.",
        )  # fmt: skip
    cells = np.frombuffer(data, np.uint8, count * width, begins).reshape(count, width)
    codec, notes = _codec(cells, fields, encoding, data[29], name)
    columns: dict[str, NDArray[Any]] = {}
    for field in fields:
        title = _decoded(field.name, codec)
        title = title if title not in columns else f"{title}_{len(columns) + 1}"
        if field.kind not in _READ:
            notes.append(f"{name}: the field {title} (type {field.kind}) can't be read; left out")
            continue
        raw = cells[:, field.start : field.start + field.width]
        columns[title] = _column(raw, field.kind, codec)
    return AttributeTable(columns, cells[:, 0] == _DELETED, tuple(notes))


def _fields(data: bytes, begins: int, width: int) -> list[_Field]:
    """Read the field descriptors; none if they contradict the header."""
    fields: list[_Field] = []
    at, start = _HEADER, 1
    while at + 1 < begins <= len(data) and data[at] != _END_OF_FIELDS:
        part = data[at : at + _DESCRIPTOR]
        if len(part) < _DESCRIPTOR or len(fields) >= _MOST_FIELDS:
            return []
        title = part[:11].split(b"\0")[0].strip()
        kind = chr(part[11])
        # Texts longer than 255 keep the upper byte where numbers have their decimals.
        size = part[16] + (part[17] << 8 if kind == "C" else 0)
        fields.append(_Field(title, kind, start, size))
        start += size
        at += _DESCRIPTOR
    return fields if fields and start <= width else []


def _codec(
    cells: NDArray[np.uint8], fields: list[_Field], encoding: str, driver: int, name: str
) -> tuple[str, list[str]]:
    """Find the encoding that the texts really fit."""
    named = _known(encoding) or _DRIVERS.get(driver, "")
    texts = b"\n".join(
        [field.name for field in fields]
        + [
            np.ascontiguousarray(cells[:, field.start : field.start + field.width]).tobytes()
            for field in fields
            if field.kind == "C"
        ]
    )
    if named and _fits(texts, named):
        return named, []
    if _fits(texts, "utf-8"):
        return "utf-8", []
    said = f"not {named} as it says" if named else "which says no encoding and is not UTF-8"
    return "cp1252", [f"{name}: attribute table read as Windows-1252, {said}"]


def _known(encoding: str) -> str:
    """Turn what stands in a `.cpg` into a codec's name; empty if there is none of that name."""
    text = encoding.strip().lower().removeprefix("ansi").strip(" -_")
    tries = [text, f"cp{text}", text.replace(" ", "-"), text.replace("88591", "8859-1")]
    if text == "65001":
        return "utf-8"
    for candidate in tries:
        try:
            found = codecs.lookup(candidate)
        except (LookupError, ValueError):
            continue
        return found.name if found._is_text_encoding else ""  # noqa: SLF001  no other way to ask
    return ""


def _fits(texts: bytes, codec: str) -> bool:
    try:
        texts.decode(codec)
    except (UnicodeError, ValueError):
        return False
    return True


def _decoded(text: bytes, codec: str) -> str:
    return text.decode(codec, errors="replace")


def _column(raw: NDArray[np.uint8], kind: str, codec: str) -> NDArray[Any]:
    """Turn the bytes of one field into cells. (n, width) to (n,)."""
    out = np.empty(len(raw), dtype=object)
    width = raw.shape[1]
    joined = np.ascontiguousarray(raw).tobytes()
    for row in range(len(raw)):
        text = _decoded(joined[row * width : (row + 1) * width], codec).split("\0")[0].strip()
        if kind == "L":
            out[row] = {"t": True, "y": True, "f": False, "n": False}.get(text[:1].lower())
        elif kind == "D":
            out[row] = _date(text)
        elif kind in "NF" and not text.strip("*"):
            out[row] = ""  # asterisks are how the format writes that there is no number
        else:
            out[row] = text
    return out


def _date(text: str) -> str:
    """Write YYYYMMDD as a date; zeros are blank, and what is no date stays as it is."""
    if not text.strip("0"):
        return ""
    return f"{text[:4]}-{text[4:6]}-{text[6:]}" if len(text) == 8 and text.isdigit() else text


def _broken(name: str, reason: str, code: str) -> SurveyError:
    return SurveyError.at(
        name,
        reason,
        code=code,
        remedy="Copy all files of the Shapefile again, or export it as GeoPackage.",
    )
