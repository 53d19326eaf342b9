"""Read CSV and TSV as surveyors deliver them, row by row and with line numbers.

The separator, the decimal mark and the encoding are found from the file and
noted; a row with too many or too few cells is refused by its line, never
shifted. An unbalanced quotation mark, which makes other readers return
nothing, is refused by name.
"""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path
from typing import Any

import numpy as np

from fencemap.bring_in.raw import RawTable, Refusal
from fencemap.errors import Problem, SurveyError
from fencemap.guard import expect_kind, real_file

__all__ = ["read_delimited"]

_NUMBER_WITH_COMMA = re.compile(r"\s*[-+]?[0-9]+,[0-9]+\s*")
_NUMBER_WITH_POINT = re.compile(r"\s*[-+]?[0-9]+\.[0-9]+\s*")
_SEPARATORS = (",", ";", "\t")


def read_delimited(path: Path, *, name: str) -> RawTable:
    """Read one delimited text file with a header line.

    Parameters
    ----------
    path
        CSV or TSV: separators comma, semicolon or tab; UTF-8 (with or without
        byte order mark), UTF-16 with byte order mark, or Windows-1252.
    name
        How messages and `source_file` name the file.

    Returns
    -------
    table
        All cells as text, stripped. `rows` are line numbers of the file, 1
        being the header.

    Raises
    ------
    SurveyError
        Empty file, no separator, repeated column names, unbalanced quotes.
    RefusedFileError
        Not text.
    """
    source = real_file(path)
    expect_kind(source, "text", "csv")
    text, notes = _decoded(source.read_bytes(), name)
    header_line = text.split("\n", 1)[0]
    separator = max(_SEPARATORS, key=header_line.count)
    if not header_line.strip():
        raise SurveyError.at(
            name,
            "the file is empty or begins with an empty line",
            row=1,
            code="empty-file",
            remedy="Put the column names in line 1.",
        )
    lines, records, refused = [], [], []
    header: list[str] = []
    for number, cells in _records(text, separator, name):
        if not header:
            header = _checked_header(cells, name)
        elif not any(cells):
            continue
        elif len(cells) > len(header) and not any(cells[len(header) :]):
            lines.append(number)
            records.append(cells[: len(header)])
        elif len(cells) != len(header):
            refused.append(_cell_count(name, number, cells, len(header), separator))
        else:
            lines.append(number)
            records.append(cells)
    table = np.array(records, dtype=object).reshape(len(records), len(header))
    columns = {column: table[:, place] for place, column in enumerate(header)}
    decimal = _decimal_mark(table, separator)
    if decimal == ",":
        notes.append(f"{name}: numbers are written with a decimal comma")
    return RawTable(
        name, columns, np.array(lines, dtype=np.int64), decimal=decimal,
        refused=tuple(refused), notes=tuple(notes),
    )  # fmt: skip


def _decoded(data: bytes, name: str) -> tuple[str, list[str]]:
    """Decode a text file and say so when it was not UTF-8."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16").replace("\r\n", "\n").replace("\r", "\n"), [
            f"{name}: read as UTF-16"
        ]
    try:
        text, notes = data.decode("utf-8-sig"), []
    except UnicodeDecodeError:
        text, notes = (
            data.decode("cp1252", errors="replace"),
            [f"{name}: not UTF-8; read as Windows-1252"],
        )
    if "\x00" in text:
        raise SurveyError.at(
            name,
            "the file holds zero bytes, so it is not text",
            code="not-text",
            remedy="Export it again as CSV in UTF-8.",
        )
    return text.replace("\r\n", "\n").replace("\r", "\n"), notes


def _records(text: str, separator: str, name: str) -> list[tuple[int, list[str]]]:
    """Cut the text into records, each with the line it begins on."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    found, begins = [], 1
    try:
        for cells in reader:
            found.append((begins, [cell.strip() for cell in cells]))
            begins = reader.line_num + 1
    except csv.Error as error:
        raise SurveyError.at(
            name, f"quotation marks do not balance ({error})", row=begins, code="unbalanced-quote",
            remedy='Mend the quotation marks of that line; a " inside a quoted cell is written "".',
        ) from None  # fmt: skip
    return found


def _checked_header(cells: list[str], name: str) -> list[str]:
    header = [cell.strip() for cell in cells]
    while header and not header[-1]:
        header.pop()
    repeated = sorted({cell for cell in header if header.count(cell) > 1})
    if repeated or not all(header):
        what = f"the column {repeated[0]!r} is there twice" if repeated else "a column has no name"
        raise SurveyError.at(
            name, what, row=1, code="header", remedy="Give each column its own name."
        )
    return header


def _cell_count(name: str, number: int, cells: list[str], wanted: int, separator: str) -> Refusal:
    problem = Problem(
        "cell-count", f"has {len(cells)} cells, the header has {wanted}",
        f"Put texts that hold {separator!r} in quotation marks, or add the missing cells.", name, number,
    )  # fmt: skip
    return Refusal(problem, separator.join(cells))


def _decimal_mark(table: Any, separator: str) -> str:
    """Find the decimal mark; a comma only where commas do not separate and no point is used."""
    if separator == ",":
        return "."
    cells = [cell for cell in table.ravel() if cell]
    commas = any(_NUMBER_WITH_COMMA.fullmatch(cell) for cell in cells)
    points = any(_NUMBER_WITH_POINT.fullmatch(cell) for cell in cells)
    return "," if commas and not points else "."
