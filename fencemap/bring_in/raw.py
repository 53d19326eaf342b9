"""A file's rows as they stand, before anything is believed: the raw table.

Every reader gives one. Cells are text, or numbers where the file format is
typed; each row keeps the number under which its own editor shows it, so that
a message can point at it. Rows that can't even be cut into cells are carried
along as `refused`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fencemap.errors import Problem

__all__ = ["RawTable", "Refusal", "row_as_json"]


@dataclass(frozen=True, slots=True)
class Refusal:
    """One row that a reader could not cut into cells, with its text."""

    problem: Problem
    raw: str


@dataclass(frozen=True, slots=True)
class RawTable:
    """Rows of one file.

    Attributes
    ----------
    file
        Path relative to the site folder, with forward slashes.
    columns
        Column name to array of cells (object or number), all of one length.
    rows
        Row or feature number of each row, as an editor shows it.
    geometry, crs
        Shapes in `crs` (authority text or WKT), when the file has any.
    decimal
        Decimal mark of the numbers in text cells.
    refused
        Rows that are not in `columns`.
    read
        All rows the file holds: kept here and refused.
    notes
        What the reader noticed and assumed, in sentences for the run's log.
    """

    file: str
    columns: Mapping[str, NDArray[Any]]
    rows: NDArray[np.int64]
    geometry: NDArray[Any] | None = None
    crs: str | None = None
    decimal: str = "."
    refused: tuple[Refusal, ...] = ()
    notes: tuple[str, ...] = field(default=())

    @property
    def read(self) -> int:
        """Number of rows the file holds."""
        return len(self.rows) + len(self.refused)


def row_as_json(columns: Mapping[str, NDArray[Any]], index: int) -> str:
    """Write one row as a JSON object, leaving out empty cells.

    Examples
    --------
    >>> row_as_json({"a": np.array(["1", ""]), "b": np.array([2.5, np.nan])}, 0)
    '{"a": "1", "b": 2.5}'
    """
    cells = {name: _plain(values[index]) for name, values in columns.items()}
    return json.dumps({k: v for k, v in cells.items() if v not in (None, "")}, ensure_ascii=False)


def _plain(value: Any) -> Any:
    """Turn a cell into something JSON can hold; not-a-number becomes its name."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not np.isfinite(value):
        return None if np.isnan(value) else str(value)
    return value if isinstance(value, str | int | float | bool | None) else str(value)
