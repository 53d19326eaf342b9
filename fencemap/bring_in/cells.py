"""Turn cells into values of a field's type and say which ones would not go.

All functions work on whole columns. A blank cell is a null; anything else
either becomes a value or is named in the mask of bad cells. Nothing is
guessed: a number with a stray letter is bad, not cut short.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fencemap.schema import Field

__all__ = ["Typed", "blank", "numbers", "typed"]

Typed = tuple[Any, NDArray[np.bool_], str, str]

_YES = {"yes", "y", "true", "1", "1.0"}
_NO = {"no", "n", "false", "0", "0.0"}
_NUMBER = re.compile(r"[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+]?[0-9]+)?")


def blank(values: NDArray[Any]) -> NDArray[np.bool_]:
    """Mark cells that hold nothing.

    Examples
    --------
    >>> blank(np.array(["", " ", None, "0"], dtype=object)).tolist()
    [True, True, True, False]
    """
    if values.dtype.kind in "fiub":
        return np.asarray(pd.isna(values), dtype=bool)
    series = pd.Series(values, dtype=object)
    return np.asarray(
        series.isna() | series.map(lambda cell: isinstance(cell, str) and not cell.strip()),
        dtype=bool,
    )


def numbers(
    values: NDArray[Any], *, decimal: str = "."
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Read numbers; returns them (NaN where blank or bad) and the mask of bad cells.

    Infinity and the word "nan" are bad: a coordinate or size is a number or
    it is not there.

    Examples
    --------
    >>> got, bad = numbers(np.array(["1,5", "", "x", "nan"], dtype=object), decimal=",")
    >>> got.tolist()[0], bad.tolist()
    (1.5, [False, False, True, True])
    """
    if values.dtype.kind in "fiu":
        given = values.astype(np.float64)
        bad = np.isinf(given)
        return np.where(bad, np.nan, given), bad
    empty = blank(values)
    text = pd.Series(values, dtype=object).where(~empty, "").map(str).str.strip()
    if decimal == ",":
        has_point = text.str.contains(".", regex=False)
        text = text.where(has_point, text.str.replace(",", ".", regex=False))
        looks_right = text.str.fullmatch(_NUMBER.pattern) & ~has_point
    else:
        looks_right = text.str.fullmatch(_NUMBER.pattern)
    bad = np.asarray(~looks_right.astype(bool), dtype=bool) & ~empty
    got = np.full(len(text), np.nan)
    fine = ~bad & ~empty
    got[fine] = text[fine].astype(np.float64)
    bad |= np.isinf(got)
    return np.where(bad, np.nan, got), bad


def typed(values: NDArray[Any], field: Field, *, decimal: str, time_zone: str) -> Typed:
    """Type one column: values, mask of bad cells, reason and remedy for those.

    Parameters
    ----------
    values
        Cells, shape (n,), text or numbers.
    field
        The catalogue's field; its bounds and vocabulary are applied too.
    decimal, time_zone
        Decimal mark of text cells; zone of times that name none.
    """
    if field.dtype in ("real", "integer"):
        return _typed_numbers(values, field, decimal)
    empty = blank(values)
    text = pd.Series(values, dtype=object).where(~empty, None)
    text = text.map(_as_text, na_action="ignore")
    if field.dtype == "boolean":
        return _typed_booleans(text, empty)
    if field.dtype in ("date", "time"):
        return _typed_times(text, empty, field.dtype, time_zone)
    if field.vocabulary:
        return _typed_words(text, empty, field.vocabulary)
    return text.astype("str"), np.zeros(len(text), bool), "", ""


def _as_text(cell: Any) -> str:
    """Write a cell as text; a whole number from a typed file has no point."""
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell).strip()


def _typed_numbers(values: NDArray[Any], field: Field, decimal: str) -> Typed:
    got, bad = numbers(values, decimal=decimal)
    unit = f" {field.unit}" if field.unit else ""
    if field.dtype == "integer":
        broken = ~np.isnan(got) & (got != np.round(got))
        bad |= broken
    low = -np.inf if field.minimum is None else field.minimum
    high = np.inf if field.maximum is None else field.maximum
    outside = ~bad & ((got < low) | (got > high))
    reason, remedy = "not a number", f"Write a number{unit} with digits only, or leave it empty."
    if outside.any() and not bad.any():
        reason = f"outside {low:g} to {high:g}{unit}"
        remedy = "Mend the value or its unit."
    bad |= outside
    got = np.where(bad, np.nan, got)
    series = pd.Series(got)
    return (series.astype("Int64") if field.dtype == "integer" else series), bad, reason, remedy


def _typed_booleans(text: Any, empty: NDArray[np.bool_]) -> Typed:
    low = text.str.lower()
    got = pd.Series(pd.array([None] * len(low), dtype="boolean"))
    got[low.isin(_YES)] = True
    got[low.isin(_NO)] = False
    bad = np.asarray(got.isna(), dtype=bool) & ~empty
    return got, bad, "neither yes nor no", "Write yes or no."


def _typed_words(text: Any, empty: NDArray[np.bool_], vocabulary: str) -> Typed:
    from fencemap.vocabularies import words

    known = {word.lower(): word for word in words(vocabulary)}
    got = text.map(lambda cell: known.get(cell.lower()), na_action="ignore")
    bad = np.asarray(got.isna(), dtype=bool) & ~empty
    remedy = f"Words of '{vocabulary}': {', '.join(sorted(known.values()))}."
    return got.astype("str"), bad, f"not a word of '{vocabulary}'", remedy


def _typed_times(text: Any, empty: NDArray[np.bool_], dtype: str, time_zone: str) -> Typed:
    zone = ZoneInfo(time_zone)
    read = {cell: _time(cell, dtype, zone) for cell in text.dropna().unique()}
    got = text.map(read.get, na_action="ignore")
    bad = np.asarray(got.isna(), dtype=bool) & ~empty
    example = "2026-04-14" if dtype == "date" else "2026-04-14T09:31:00"
    return got.astype("str"), bad, f"not an ISO 8601 {dtype}", f"Write it as {example}."


def _time(cell: str, dtype: str, zone: ZoneInfo) -> str | None:
    """Read one date or time; times without a zone are the site's local time."""
    try:
        if dtype == "date":
            return date.fromisoformat(cell[:10]).isoformat() if len(cell) >= 10 else None
        moment = datetime.fromisoformat(cell)
    except ValueError:
        return None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S") + "Z"
