"""Columns of a layer as small JSON: rounded for reading, repeated words written once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

    from fencemap.schema import Field

__all__ = ["column", "decimals"]

# Decimals that a reader can use; the GeoPackage holds the numbers in full.
_DECIMALS = {"m": 3, "mm": 1, "m2": 2, "m3": 3, "%": 1, "deg": 1, "m/s": 1, "kg": 1, "degC": 1}


def decimals(unit: str) -> int:
    """Say to how many decimals numbers of a unit are rounded; 3 for shares and plain numbers."""
    return _DECIMALS.get(unit, 3)


def column(values: pd.Series, field: Field) -> dict[str, list[Any]] | None:
    """Write one column; None when no row has a value.

    Returns
    -------
    ``{"v": [...]}`` with null for empty cells, or ``{"w": [words], "i": [...]}``
    with the place of each row's word (-1 for empty) where words repeat.
    Infinite and missing numbers are null: nodata is never a number.
    """
    if field.dtype in ("real", "integer"):
        return _numbers(values, whole=field.dtype == "integer", digits=decimals(field.unit))
    if field.dtype == "boolean":
        plain = [None if missing else bool(value) for value, missing in _cells(values)]
        return {"v": plain} if any(value is not None for value in plain) else None
    return _texts([None if missing else str(value) for value, missing in _cells(values)])


def _cells(values: pd.Series) -> zip[tuple[Any, bool]]:
    """Pair each cell with whether it is empty."""
    return zip(values.tolist(), values.isna().tolist(), strict=True)


def _numbers(values: pd.Series, *, whole: bool, digits: int) -> dict[str, list[Any]] | None:
    import numpy as np

    numbers = values.to_numpy(dtype="float64", na_value=np.nan)
    finite = np.isfinite(numbers)
    if not finite.any():
        return None
    rounded = np.where(finite, np.round(numbers, 0 if whole else digits), 0.0)
    plain = rounded.astype("int64").tolist() if whole else (rounded + 0.0).tolist()
    tidy = [
        (int(number) if number == int(number) else number) if seen else None
        for number, seen in zip(plain, finite.tolist(), strict=True)
    ]
    return {"v": tidy}


def _texts(texts: list[str | None]) -> dict[str, list[Any]] | None:
    places: dict[str, int] = {}
    for text in texts:
        if text is not None:
            places.setdefault(text, len(places))
    if not places:
        return None
    if 2 * len(places) > len(texts):
        return {"v": texts}
    return {"w": list(places), "i": [-1 if text is None else places[text] for text in texts]}
