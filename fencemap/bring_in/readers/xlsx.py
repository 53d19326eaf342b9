"""Read one sheet of an XLSX workbook: a header row, then one row for each thing.

Cells keep their type; dates come out as ISO 8601 text, formulas as the value that was saved with
them. A formula without one, an error and a merged cell have no value to believe: their rows are
refused by place. Method: ECMA-376 part 1, SpreadsheetML.

The format's own XML is read here because the libraries at hand hide what matters: one gives a
blank for a formula that was never calculated and for an error, and asks for terabytes if a stray
cell stands in the last corner; another hides merged cells unless the whole workbook is loaded.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path, PurePosixPath
from typing import Any, Final

import numpy as np

from fencemap.bring_in.raw import RawTable
from fencemap.bring_in.readers._gather import Gathered, check_size, listed_rows, number, show
from fencemap.bring_in.readers._unzip import Archive, unzipped
from fencemap.bring_in.readers._xml import walk
from fencemap.errors import RefusedFileError, SurveyError
from fencemap.guard import expect_kind, real_file

__all__ = ["read_xlsx", "sheet_names"]

_MOST_FILE_MIB = 64
_MOST_PART_MIB = 192
_LONGEST_FORMAT = 255
_MOST_CELLS = 4_000_000
_MOST_STRINGS = 2_000_000
_LAST_COLUMN = 16_384
_PLACE = re.compile(r"([A-Z]{1,3})([1-9][0-9]{0,6})")
_ESCAPE = re.compile(r"_x([0-9A-Fa-f]{4})_")
# Built-in number formats that are dates or times (ECMA-376 18.8.30; 27-58 in East Asian editions).
_BUILT_IN: Final = frozenset(
    {14, 15, 16, 17, 18, 19, 20, 21, 22, 45, 47, *range(27, 37), *range(50, 59)}
)
_ELAPSED_BUILT_IN = 46
_LEAP_BUG = 60  # 1900-02-29, which never was
_MILLISECOND = 1000


@dataclass(frozen=True, slots=True)
class _Sheet:
    name: str
    part: str
    hidden: bool


@dataclass(frozen=True, slots=True)
class _Book:
    """What the whole workbook says: sheets, base of dates, texts, how styles show numbers."""

    sheets: tuple[_Sheet, ...]
    from_1904: bool
    strings: tuple[str, ...]
    styles: tuple[str, ...]  # "date", "elapsed" or "" for each cell style


@dataclass(slots=True)
class _Row:
    number: int
    cells: dict[int, Any] = field(default_factory=dict)
    faults: list[tuple[int, str, str]] = field(default_factory=list)  # column, code, reason
    hidden: bool = False


def read_xlsx(path: Path, *, name: str, sheet: str = "") -> RawTable:
    """Read one sheet of a workbook.

    Parameters
    ----------
    path
        An `.xlsx` or `.xlsm` (macros are not looked at).
    name
        How messages and `source_file` name the file.
    sheet
        Name of the sheet, whatever its case; empty = the first that is not hidden.

    Returns
    -------
    table
        Cells as numbers, text, booleans, or ISO 8601 text for dates and times; None where blank.
        `rows` are the sheet's row numbers. Column names stand in the first row that is not blank.

    Raises
    ------
    SurveyError
        No such sheet, an empty one, column names that are missing, there twice or merged.
    RefusedFileError
        No workbook, damaged, a document type in one of its parts, or too large.
    """
    real = real_file(path)
    expect_kind(real, "xlsx")
    check_size(real, name=name, most_mib=_MOST_FILE_MIB, instead="Save the sheet as CSV.")
    found = Gathered(name)
    with unzipped(real, name=name) as archive:
        book = _book(archive, name)
        chosen = _chosen(book, sheet, found)
        rows, merged = _rows(archive, chosen, book, name)
    header = _header(rows, merged, name)
    for title in header.values():
        found.column(title)
    inside = _merged_rows(rows, merged, header)
    for row, text in zip(rows[1:], inside[1:], strict=True):
        _take(row, header, text, found)
    hidden = [row.number for row in rows[1:] if row.hidden]
    if hidden:
        found.note(f"hidden in the sheet, yet read: {listed_rows(hidden)}")
    return found.table()


def sheet_names(path: Path, *, name: str) -> tuple[str, ...]:
    """List a workbook's sheets in their order, hidden ones too.

    Raises
    ------
    RefusedFileError
        As `read_xlsx`.
    """
    real = real_file(path)
    expect_kind(real, "xlsx")
    with unzipped(real, name=name) as archive:
        return tuple(sheet.name for sheet in _sheets(archive, name)[0])


def _chosen(book: _Book, wanted: str, found: Gathered) -> _Sheet:
    names = ", ".join(sheet.name for sheet in book.sheets)
    if wanted:
        matching = [sheet for sheet in book.sheets if sheet.name.lower() == wanted.lower()]
    else:
        matching = [sheet for sheet in book.sheets if not sheet.hidden] or list(book.sheets)
    if not matching:
        raise SurveyError.at(
            found.name, f"has no sheet '{show(wanted)}'" if wanted else "has no sheet",
            code="no-sheet", remedy=f"It has: {names or '(none)'}.",
        )  # fmt: skip
    chosen = matching[0]
    others = [
        sheet.name + (" (hidden)" if sheet.hidden else "")
        for sheet in book.sheets
        if sheet is not chosen
    ]
    if others:
        found.note(f"sheet '{chosen.name}' is read; not read: {', '.join(others)}")
    if chosen.hidden:
        found.note(f"the sheet '{chosen.name}' is hidden")
    return chosen


# The workbook's own parts


def _book(archive: Archive, name: str) -> _Book:
    sheets, from_1904 = _sheets(archive, name)
    strings = _strings(archive, name) if "xl/sharedStrings.xml" in archive.names else ()
    styles = _styles(archive, name) if "xl/styles.xml" in archive.names else ()
    return _Book(sheets, from_1904, strings, styles)


def _sheets(archive: Archive, name: str) -> tuple[tuple[_Sheet, ...], bool]:
    """List the worksheets, and tell whether days count from 1904."""
    targets: dict[str, str] = {}
    for _, attributes in _elements(archive, "xl/_rels/workbook.xml.rels", {"Relationship"}, name):
        if attributes.get("TargetMode") != "External":
            targets[attributes.get("Id", "")] = _part_name(attributes.get("Target", ""))
    sheets, from_1904 = [], False
    for tag, attributes in _elements(archive, "xl/workbook.xml", {"sheet", "workbookPr"}, name):
        if tag == "workbookPr":
            from_1904 = attributes.get("date1904", "") in ("1", "true")
        part = targets.get(attributes.get("id", ""), "")
        if tag == "sheet" and "/worksheets/" in part:
            hidden = attributes.get("state", "visible") != "visible"
            sheets.append(_Sheet(attributes.get("name", ""), part, hidden))
    return tuple(sheets), from_1904


def _elements(
    archive: Archive, part: str, tags: set[str], name: str
) -> Iterator[tuple[str, dict[str, str]]]:
    """Walk the elements of these names in one part; yields name and attributes."""
    with archive.member(part, most_mib=_MOST_PART_MIB) as stream:
        for event, node in walk(stream, keep=frozenset(), name=f"{name} ({part})"):
            if event == "start" and node.tag in tags:
                yield node.tag, node.attributes


def _part_name(target: str) -> str:
    """Turn a relationship's target into the name of a part."""
    if target.startswith("/"):
        return target[1:]
    parts: list[str] = []
    for piece in PurePosixPath("xl", target).parts:
        if piece == ".." and parts:
            parts.pop()
        else:
            parts.append(piece)
    return "/".join(parts)


def _strings(archive: Archive, name: str) -> tuple[str, ...]:
    texts: list[str] = []
    part = "xl/sharedStrings.xml"
    with archive.member(part, most_mib=_MOST_PART_MIB) as stream:
        for event, node in walk(stream, keep=frozenset({"si"}), name=f"{name} ({part})"):
            if event == "end" and node.tag == "si":
                texts.append(_rich(node))
                if len(texts) > _MOST_STRINGS:
                    raise _too_large(name, "2,000,000 different texts")
    return tuple(texts)


def _rich(node: Any) -> str:
    """Join the runs of a text; how it is pronounced (``rPh``) is no part of it."""
    runs = [child for child in node.children if child.tag in ("t", "r")]
    texts = [run.text if run.tag == "t" else "".join(t.text for t in run.all("t")) for run in runs]
    return _unescaped("".join(texts)).strip()


def _styles(archive: Archive, name: str) -> tuple[str, ...]:
    formats: dict[str, str] = {}
    shown: list[str] = []
    inside = ""
    part = "xl/styles.xml"
    with archive.member(part, most_mib=64) as stream:
        for event, node in walk(stream, keep=frozenset(), name=f"{name} ({part})"):
            if node.tag == "cellXfs":
                inside = node.tag if event == "start" else ""
            elif event == "start" and node.tag == "numFmt":
                formats[node.attributes.get("numFmtId", "")] = node.attributes.get("formatCode", "")
            elif event == "start" and node.tag == "xf" and inside:
                shown.append(node.attributes.get("numFmtId", "0"))
    return tuple(_shown_as(identity, formats.get(identity)) for identity in shown)


def _shown_as(identity: str, code: str | None) -> str:
    """Tell from a number format whether it shows a date or time, or elapsed hours."""
    if code is None:
        value = int(identity) if re.fullmatch(r"[0-9]{1,6}", identity, re.ASCII) else 0
        return "elapsed" if value == _ELAPSED_BUILT_IN else "date" if value in _BUILT_IN else ""
    bare = re.sub(r'"[^"]*"|\\.|_.|\*.', "", code[:_LONGEST_FORMAT]).split(";")[0]
    if re.search(r"\[[hms]+\]", bare, re.IGNORECASE):
        return "elapsed"
    bare = re.sub(r"\[[^\]]*\]", "", bare)  # colours, locales, conditions
    return "date" if re.search(r"[ymdhs]", bare, re.IGNORECASE) and "General" not in bare else ""


# The sheet


def _rows(
    archive: Archive, sheet: _Sheet, book: _Book, name: str
) -> tuple[list[_Row], list[tuple[int, int, int, int, str]]]:
    """Read the rows that hold anything, and the merged ranges (first and last row and column)."""
    rows: list[_Row] = []
    merged: list[tuple[int, int, int, int, str]] = []
    current = _Row(0)
    count = 0
    keep = frozenset({"c"})
    with archive.member(sheet.part, most_mib=_MOST_PART_MIB) as stream:
        for event, node in walk(stream, keep=keep, name=f"{name} (sheet '{sheet.name}')"):
            if node.tag == "row" and event == "start":
                current = _next_row(node.attributes, current.number, name)
            elif node.tag == "c" and event == "end":
                count += 1
                if count > _MOST_CELLS:
                    raise _too_large(name, "4,000,000 cells")
                _cell(node, current, book)
            elif node.tag == "row":
                if current.cells or current.faults:
                    rows.append(current)
            elif node.tag == "mergeCell" and event == "start":
                merged.append(_range(node.attributes.get("ref", ""), name))
    if not rows:
        raise SurveyError.at(
            name, f"the sheet '{sheet.name}' is empty", code="empty-file",
            remedy="Put the column names in its first row, or name another sheet.",
        )  # fmt: skip
    if any(later.number <= before.number for before, later in pairwise(rows)):
        raise _damaged(name, "its rows are out of order")
    return rows, merged


def _next_row(attributes: dict[str, str], before: int, name: str) -> _Row:
    text = attributes.get("r", "")
    if text and not re.fullmatch(r"[1-9][0-9]{0,6}", text, re.ASCII):
        raise _damaged(name, f"a row has the number {show(text)}")
    hidden = attributes.get("hidden", "") in ("1", "true")
    return _Row(int(text) if text else before + 1, hidden=hidden)


def _cell(node: Any, row: _Row, book: _Book) -> None:
    """Put one cell into its row, or the reason why it has no value."""
    match = _PLACE.fullmatch(node.attributes.get("r", ""))
    column = _column_number(match[1]) if match else max([*row.cells, 0]) + 1
    if column > _LAST_COLUMN:
        row.faults.append((_LAST_COLUMN, "bad-cell", "stands beyond the last column"))
        return
    text = node.text_of("v")
    inline = node.child("is")
    if not text and inline is None:
        if node.child("f") is not None and node.attributes.get("t") != "str":
            reason = "is a formula that was saved without its value"
            row.faults.append((column, "no-value", reason))
        return
    kind = node.attributes.get("t", "n")
    if kind == "e":
        row.faults.append((column, "error-value", f"holds the error {show(text)}"))
        return
    value, reason = _value(text, kind, inline, node.attributes.get("s", ""), book)
    if reason:
        row.faults.append((column, "bad-cell", reason))
    elif value not in (None, ""):
        row.cells[column] = value


def _value(text: str, kind: str, inline: Any, style: str, book: _Book) -> tuple[Any, str]:
    """Turn what is stored into a value; the second says why that can't be."""
    if inline is not None and not text:
        return _rich(inline), ""
    if kind == "s":
        place = int(text) if re.fullmatch(r"[0-9]{1,9}", text, re.ASCII) else -1
        known = 0 <= place < len(book.strings)
        return (book.strings[place], "") if known else (None, "refers to a text that is not there")
    if kind in ("str", "d", "inlineStr"):
        return _unescaped(text).strip(), ""
    if kind == "b":
        return {"1": True, "true": True, "0": False, "false": False}.get(text), ""
    return _number(text, style, book)


def _number(text: str, style: str, book: _Book) -> tuple[Any, str]:
    """Turn a stored number into a number, or into the date that its style shows."""
    value = number(text)
    if value is None:
        return None, f"holds {show(text)!r}, which is no number"
    place = int(style) if re.fullmatch(r"[0-9]{1,6}", style, re.ASCII) else 0
    if place < len(book.styles) and book.styles[place] == "date":
        return _moment(value, from_1904=book.from_1904)
    return (int(value) if value.is_integer() and abs(value) < 2**53 else value), ""


def _unescaped(text: str) -> str:
    """Undo the format's way of writing characters that XML has none for."""
    return _ESCAPE.sub(lambda match: chr(int(match[1], 16)), text)


def _moment(serial: float, *, from_1904: bool) -> tuple[str | None, str]:
    """Turn a serial number of days into ISO 8601 text: a date, a time of day, or both."""
    if not 0 <= serial < 2_958_466:  # 9999-12-31
        return None, f"is shown as a date, and {serial:g} is none"
    if not from_1904 and _LEAP_BUG <= serial < _LEAP_BUG + 1:
        return None, "is 1900-02-29, a day that never was"
    base = datetime(1904, 1, 1) if from_1904 else datetime(1899, 12, 30)  # noqa: DTZ001
    # Day 1 is 1900-01-01 although the bug above puts every later day one further on.
    days = serial + 1 if not from_1904 and serial < _LEAP_BUG else serial
    micro = round(days * 86_400 * _MILLISECOND) * _MILLISECOND
    moment = base + timedelta(microseconds=micro)
    if serial < 1 and not from_1904:
        return moment.time().isoformat(_fraction(moment)), ""
    if moment.time() == datetime.min.time():
        return moment.date().isoformat(), ""
    return moment.isoformat(timespec=_fraction(moment)), ""


def _fraction(moment: datetime) -> str:
    return "milliseconds" if moment.microsecond else "seconds"


def _range(text: str, name: str) -> tuple[int, int, int, int, str]:
    corners = [_PLACE.fullmatch(corner) for corner in text.split(":")]
    first, last = corners[0], corners[-1]
    if len(corners) > 2 or first is None or last is None:
        raise _damaged(name, f"a merged range is {show(text)!r}")
    return int(first[2]), int(last[2]), _column_number(first[1]), _column_number(last[1]), text


def _column_number(letters: str) -> int:
    value = 0
    for letter in letters:
        value = value * 26 + ord(letter) - 64
    return value


def _letters(column: int) -> str:
    text = ""
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(65 + rest) + text
    return text


# Header and rows


def _header(
    rows: list[_Row], merged: list[tuple[int, int, int, int, str]], name: str
) -> dict[int, str]:
    """Take the column names from the first row that is not blank."""
    row = rows[0]
    for first, last, *_, text in merged:
        if first <= row.number <= last:
            raise SurveyError.at(
                name, f"the cells {text} are merged", row=row.number, code="merged",
                remedy="Unmerge them; column names stand in one row, each in its own cell.",
            )  # fmt: skip
    if row.faults:
        column, _, reason = row.faults[0]
        raise SurveyError.at(
            name, f"the column name in {_letters(column)}{row.number} {reason}", row=row.number,
            code="header", remedy="Type the name.",
        )  # fmt: skip
    header = {column: str(value) for column, value in sorted(row.cells.items())}
    places: dict[str, list[str]] = {}
    for column, title in header.items():
        places.setdefault(title, []).append(_letters(column))
    twice = {title: at for title, at in places.items() if len(at) > 1}
    if twice:
        title, at = next(iter(twice.items()))
        raise SurveyError.at(
            name, f"the column {show(title)!r} is there {len(at)} times, in {' and '.join(at)}",
            row=row.number, code="header", remedy="Give each column its own name.",
        )  # fmt: skip
    return header


def _merged_rows(
    rows: list[_Row], merged: list[tuple[int, int, int, int, str]], header: dict[int, str]
) -> list[str]:
    """Give for each row the merged range that reaches into its named columns; empty if none does."""
    numbers = np.array([row.number for row in rows])
    columns = np.array(sorted(header))
    inside = np.full(len(rows), -1, dtype=np.int32)
    for place, (first, last, left, right, _) in enumerate(merged):
        if np.searchsorted(columns, left) < np.searchsorted(columns, right, "right"):
            begin, end = np.searchsorted(numbers, first), np.searchsorted(numbers, last, "right")
            inside[begin:end] = place
    return ["" if place < 0 else merged[place][4] for place in inside.tolist()]


def _take(row: _Row, header: dict[int, str], merged: str, found: Gathered) -> None:
    """Keep one row, or refuse it by the first cell that has no value to believe."""
    if merged:
        found.refuse(
            row.number, "merged", f"the cells {merged} are merged, so it can't be told which rows "
            "their value is for", "Unmerge them and fill in each cell.", raw=_raw(row),
        )  # fmt: skip
        return
    for column, code, reason in row.faults:
        found.refuse(
            row.number, code, f"the cell {_letters(column)}{row.number} {reason}",
            "Open and save the workbook in its program, or type the value.", raw=_raw(row),
            column=header.get(column, _letters(column)),
        )  # fmt: skip
        return
    stray = sorted(set(row.cells) - set(header))
    if stray:
        found.refuse(
            row.number, "cell-count", f"the cell {_letters(stray[0])}{row.number} stands in a "
            "column without a name", "Name the column or clear the cell.", raw=_raw(row),
            column=_letters(stray[0]), value=row.cells[stray[0]],
        )  # fmt: skip
        return
    cells = {header[column]: value for column, value in row.cells.items()}
    found.keep(row.number, cells)


def _raw(row: _Row) -> dict[str, Any]:
    return {_letters(column): value for column, value in sorted(row.cells.items())}


def _too_large(name: str, what: str) -> RefusedFileError:
    return RefusedFileError.at(
        name, f"holds more than {what}", remedy="Save the sheet as CSV.", code="too-large"
    )


def _damaged(name: str, reason: str) -> RefusedFileError:
    return RefusedFileError.at(name, reason, remedy="Save it again in its program.", code="damaged")
