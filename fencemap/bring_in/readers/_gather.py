"""What all readers share: rows gathered column by column, numbers read strictly, limits."""

from __future__ import annotations

import re
from array import array
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fencemap.bring_in.raw import RawTable, Refusal
from fencemap.errors import Problem, RefusedFileError, SurveyError, shorten

__all__ = [
    "DOUBT",
    "MOST_ROWS",
    "WGS84",
    "Gathered",
    "check_size",
    "listed_rows",
    "number",
    "out_of_range",
    "show",
]

DOUBT = "doubt"
"""Column of what a reader kept but does not trust, as ``code: sentence``, joined by `` | ``."""

WGS84 = "OGC:CRS84"  # longitude before latitude

_NUMBER = re.compile(r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]{1,3})?", re.ASCII)
_MOST_RAW = 2_000  # characters of a refused row that are kept
# Beyond these no reader stays within a gigabyte; a large site has 25,000 elements.
MOST_ROWS = 1_250_000
_MOST_REFUSED = 200_000
_LONGEST_NUMBER = 100  # characters, blanks included
_MIB = 2**20


def number(text: str | None, *, decimal: str = ".") -> float | None:
    """Read one number strictly; None where the text is none (words, ``nan``, ``inf``, blank).

    Examples
    --------
    >>> from fencemap.bring_in.readers._gather import number
    >>> number(" 4823615,412", decimal=","), number("12m"), number("inf")
    (4823615.412, None, None)
    """
    if text is None or len(text) > _LONGEST_NUMBER:
        return None
    given = text.strip()
    if decimal == ",":
        if "." in given:
            return None
        given = given.replace(",", ".")
    if not _NUMBER.fullmatch(given):
        return None
    value = float(given)
    return value if np.isfinite(value) else None


def out_of_range(longitude: float, latitude: float) -> str:
    """Say why a longitude and latitude can't be true; empty if they can."""
    if not -90 <= latitude <= 90:
        return f"latitude {latitude:g} is beyond the poles"
    if not -180 <= longitude <= 180:
        return f"longitude {longitude:g} is beyond 180 degrees"
    return ""


def check_size(real: Path, *, name: str, most_mib: int, instead: str) -> None:
    """Refuse a file larger than a reader can hold within its memory.

    Raises
    ------
    RefusedFileError
        Names both sizes and what to do.
    """
    size = real.stat().st_size
    if size > most_mib * _MIB:
        raise RefusedFileError.at(
            name,
            f"holds {size / _MIB:,.0f} MB; at most {most_mib} MB of this kind are read",
            remedy=instead,
            code="too-large",
        )


def show(value: Any) -> str:
    """Write a value for a message, short and on one line."""
    return shorten(" ".join(str(value).split()))


def listed_rows(rows: Sequence[int], *, most: int = 10) -> str:
    """List row numbers for a note, the first few in full.

    Examples
    --------
    >>> from fencemap.bring_in.readers._gather import listed_rows
    >>> listed_rows([3, 5, 8], most=2)
    'rows 3, 5 and 1 more'
    """
    shown = ", ".join(str(row) for row in rows[:most])
    more = f" and {len(rows) - most} more" if len(rows) > most else ""
    return f"{'rows' if len(rows) > 1 else 'row'} {shown}{more}"


class Gathered:
    """Rows of one file as a reader finds them, kept by column.

    Parameters
    ----------
    name
        How messages and `source_file` name the file.
    first
        Columns that the table has even if no row fills them, in this order.
    """

    def __init__(self, name: str, *, first: Iterable[str] = ()) -> None:
        self.name = name
        self.notes: list[str] = []
        self._rows = array("q")
        self._columns: dict[str, list[Any]] = {column: [] for column in first}
        self._refused: list[Refusal] = []
        self._doubts: dict[int, list[str]] = {}

    def __len__(self) -> int:
        """Count the rows that were kept."""
        return len(self._rows)

    def keep(self, row: int, cells: Mapping[str, Any]) -> int:
        """Keep one row; blank cells may be left out. Returns its index in the table.

        Raises
        ------
        RefusedFileError
            More rows than fit into memory.
        """
        index = len(self._rows)
        if index >= MOST_ROWS:
            raise RefusedFileError.at(
                self.name, f"holds more than {MOST_ROWS:,} rows", remedy="Cut it to the site.",
                code="too-large", row=row,
            )  # fmt: skip
        for column, value in cells.items():
            held = self._columns.setdefault(column, [])
            held.extend([None] * (index - len(held)))
            held.append(value)
        self._rows.append(row)
        return index

    def refuse(
        self, row: int, code: str, reason: str, remedy: str, *, raw: object = "",
        column: str = "", value: object = "", file: str = "",
    ) -> None:  # fmt: skip
        """Refuse one row, with the reason and its text.

        Raises
        ------
        SurveyError
            So many rows are refused that the file has one fault, not many.
        """
        if len(self._refused) >= _MOST_REFUSED:
            raise SurveyError(
                f"{self.name}: more than {_MOST_REFUSED:,} rows would be refused",
                problems=[refusal.problem for refusal in self._refused[:20]],
                remedy="Mend the cause of the first ones.",
            )
        problem = Problem(code, reason, remedy, file or self.name, row, column, show(value))
        self._refused.append(Refusal(problem, str(raw)[:_MOST_RAW]))

    def doubt(self, index: int, code: str, sentence: str) -> None:
        """Keep a row but say what is doubtful about it."""
        self._doubts.setdefault(index, []).append(f"{code}: {sentence}")

    def note(self, sentence: str) -> None:
        """Note something about the whole file."""
        self.notes.append(f"{self.name}: {sentence}")

    def rows_of(self, indices: Iterable[int]) -> list[int]:
        """Give the row numbers of kept rows."""
        return [self._rows[index] for index in indices]

    def holds(self, name: str) -> bool:
        """Tell whether any kept row has something in a column."""
        return any(value not in (None, "") for value in self._columns.get(name, ()))

    def column(self, name: str) -> list[Any]:
        """Give a column as far as it is filled, padded to all kept rows."""
        held = self._columns.setdefault(name, [])
        held.extend([None] * (len(self._rows) - len(held)))
        return held

    def table(
        self, *, geometry: NDArray[Any] | None = None, crs: str | None = None, decimal: str = "."
    ) -> RawTable:
        """Make the raw table; doubts become the column `DOUBT` and one note for each kind."""
        self._write_doubts()
        columns = {}
        for name in list(self._columns):
            cells = np.empty(len(self._rows), dtype=object)
            cells[:] = self.column(name)
            columns[name] = cells
        return RawTable(
            self.name,
            columns,
            np.array(self._rows, dtype=np.int64),
            geometry=geometry,
            crs=crs if geometry is not None else None,
            decimal=decimal,
            refused=tuple(self._refused),
            notes=tuple(self.notes),
        )

    def _write_doubts(self) -> None:
        if not self._doubts:
            return
        held = self.column(DOUBT)
        kinds: dict[str, list[int]] = {}
        for index in sorted(self._doubts):
            held[index] = " | ".join(self._doubts[index])
            for text in self._doubts[index]:
                kinds.setdefault(text.partition(":")[0], []).append(self._rows[index])
        for code, rows in sorted(kinds.items()):
            self.note(f"doubtful ({code}), see column '{DOUBT}': {listed_rows(rows)}")
