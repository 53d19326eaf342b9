"""Turn cells into values of a field's type and say which ones would not go.

All functions work on whole columns. A blank cell is a null; anything else
either becomes a value or is named in the mask of bad cells. Nothing is
guessed: a number with a stray letter is bad, not cut short.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fencemap.schema import Field

__all__ = ["Fault", "blank", "numbers", "texts", "typed"]

_YES = ("yes", "y", "true", "1", "1.0")
_NO = ("no", "n", "false", "0", "0.0")
_NUMBER = r"[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+]?[0-9]+)?"
# Control characters and lone surrogates: no text, and no file format can hold them.
_ODD = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff]")


class Fault(NamedTuple):
    """Cells of one column that share one fault; `fixed` says that a usable value was kept."""

    mask: NDArray[np.bool_]
    code: str
    reason: str
    remedy: str
    fixed: bool = False


def texts(values: NDArray[Any]) -> Any:
    """Write cells as stripped text, blank ones as null: a series of type ``str``.

    Examples
    --------
    >>> texts(np.array([" P1 ", "", None, 7.0], dtype=object)).fillna("-").tolist()
    ['P1', '-', '-', '7']
    """
    if values.dtype.kind in "fiub" or pd.api.types.infer_dtype(values, skipna=True) not in ("string", "empty"):
        values = np.array([_as_text(cell) for cell in values], dtype=object)
    try:
        series = pd.Series(values, dtype="str").str.strip()
    except UnicodeEncodeError:
        clean = [cell if cell is None else _ODD.sub("\ufffd", cell) for cell in values]
        series = pd.Series(clean, dtype="str").str.strip()
    return series.where(series != "")


def _as_text(cell: Any) -> str | None:
    """Write a cell as text; a whole number from a typed file has no point."""
    if cell is None or (isinstance(cell, float) and np.isnan(cell)):
        return None
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell)


def blank(values: NDArray[Any]) -> NDArray[np.bool_]:
    """Mark cells that hold nothing.

    Examples
    --------
    >>> blank(np.array(["", " ", None, "0"], dtype=object)).tolist()
    [True, True, True, False]
    """
    if values.dtype.kind in "fiub":
        return np.asarray(pd.isna(values), dtype=bool)
    return np.asarray(texts(values).isna(), dtype=bool)


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
    text = texts(values)
    empty = text.isna().to_numpy(dtype=bool)
    looks_right = np.ones(len(text), dtype=bool)
    if decimal == ",":
        looks_right = ~text.str.contains(".", regex=False).fillna(value=False).to_numpy(dtype=bool)
        text = text.str.replace(",", ".", regex=False)
    looks_right &= text.str.fullmatch(_NUMBER).fillna(value=False).to_numpy(dtype=bool)
    got = np.full(len(text), np.nan)
    got[looks_right] = text[looks_right].astype(np.float64)
    bad = (~looks_right & ~empty) | np.isinf(got)
    return np.where(bad, np.nan, got), bad


def typed(
    values: NDArray[Any], field: Field, *, decimal: str, time_zone: str
) -> tuple[Any, list[Fault]]:
    """Type one column; returns its values and every fault with the cells that have it.

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
    text = texts(values)
    given = text.notna().to_numpy(dtype=bool)
    if field.dtype == "boolean":
        return _typed_booleans(text, given)
    if field.dtype in ("date", "time"):
        return _typed_times(text, given, field.dtype, time_zone)
    if field.vocabulary:
        return _typed_words(text, given, field.vocabulary)
    return _plain(text)


def _plain(text: Any) -> tuple[Any, list[Fault]]:
    """Take free text, with characters that are no text replaced and said."""
    odd = text.str.contains("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffd]", regex=True).fillna(value=False)
    mask = odd.to_numpy(dtype=bool)
    if not mask.any():
        return text, []
    fault = Fault(
        mask, "odd-characters", "holds characters that are no text; each stands as \ufffd",
        "Type the text anew.", fixed=True,
    )  # fmt: skip
    return text.str.replace("[\x00-\x08\x0b\x0c\x0e-\x1f]", "\ufffd", regex=True), [fault]


def _typed_numbers(values: NDArray[Any], field: Field, decimal: str) -> tuple[Any, list[Fault]]:
    got, bad = numbers(values, decimal=decimal)
    unit = f" {field.unit}" if field.unit else ""
    faults = [
        Fault(bad, f"bad-{field.dtype}", "not a number", f"Write a number{unit} with digits only, or leave it empty.")
    ]
    if field.dtype == "integer":
        halves = ~np.isnan(got) & (got != np.round(got))
        faults.append(Fault(halves, "bad-integer", "not a whole number", "Write a whole number."))
    low = -np.inf if field.minimum is None else field.minimum
    high = np.inf if field.maximum is None else field.maximum
    outside = (got < low) | (got > high)
    faults.append(
        Fault(outside, "out-of-bounds", f"outside {low:g} to {high:g}{unit}", "Mend the value or its unit.")
    )
    got = np.where(np.logical_or.reduce([fault.mask for fault in faults]), np.nan, got)
    series = pd.Series(got)
    found = [fault for fault in faults if fault.mask.any()]
    return (series.astype("Int64") if field.dtype == "integer" else series), found


def _typed_booleans(text: Any, given: NDArray[np.bool_]) -> tuple[Any, list[Fault]]:
    low = text.str.lower()
    got = pd.Series(pd.array([None] * len(low), dtype="boolean"))
    got[low.isin(_YES)] = True
    got[low.isin(_NO)] = False
    bad = got.isna().to_numpy(dtype=bool) & given
    return got, _fault(bad, "boolean", "neither yes nor no", "Write yes or no.")


def _typed_words(text: Any, given: NDArray[np.bool_], vocabulary: str) -> tuple[Any, list[Fault]]:
    from fencemap.vocabularies import words

    known = {word.lower(): word for word in words(vocabulary)}
    found = {word: known.get(word.lower()) for word in text.dropna().unique()}
    got = text.map(found, na_action="ignore").astype("str")
    bad = got.isna().to_numpy(dtype=bool) & given
    remedy = f"Words of '{vocabulary}': {', '.join(sorted(known.values()))}."
    return got, _fault(bad, "text", f"not a word of '{vocabulary}'", remedy)


def _typed_times(
    text: Any, given: NDArray[np.bool_], dtype: str, time_zone: str
) -> tuple[Any, list[Fault]]:
    zone = ZoneInfo(time_zone)
    read = {cell: _time(cell, dtype, zone) for cell in text.dropna().unique()}
    got = text.map(read, na_action="ignore").astype("str")
    bad = got.isna().to_numpy(dtype=bool) & given
    example = "2026-04-14" if dtype == "date" else "2026-04-14T09:31:00"
    return got, _fault(bad, dtype, f"not an ISO 8601 {dtype}", f"Write it as {example}.")


def _fault(bad: NDArray[np.bool_], dtype: str, reason: str, remedy: str) -> list[Fault]:
    return [Fault(bad, f"bad-{dtype}", reason, remedy)] if bad.any() else []


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
