"""Say how good each position is: one standard deviation per axis, and its origin.

Receivers and apps print different figures; each is turned into the standard
deviation per axis of a circular normal error:

================  =====================  =============================
written as        divided by             because
================  =====================  =============================
axis sd           1                      it is that figure
radial 68 %       1.5096                 sqrt(-2 ln 0.32)
DRMS              1.4142                 sqrt(2)
radial 95 %       2.4477                 sqrt(-2 ln 0.05)
CEP 50            1.1774                 sqrt(-2 ln 0.50)
================  =====================  =============================

A figure whose meaning is not said is taken as it stands, the largest of these
readings, and its origin says so. Heights quoted at 95 % are divided by 1.9600.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fencemap.bring_in.intake import Kept
from fencemap.practice import look_up
from fencemap.site import Site, Survey

__all__ = ["AXIS_DIVISOR", "HEIGHT_DIVISOR", "grade_positions"]

AXIS_DIVISOR = {
    "axis sd": 1.0,
    "radial 68 %": math.sqrt(-2 * math.log(0.32)),
    "DRMS": math.sqrt(2.0),
    "radial 95 %": math.sqrt(-2 * math.log(0.05)),
    "CEP 50": math.sqrt(-2 * math.log(0.50)),
}
# Only the 95 % figure changes a height: the others are quoted as one standard deviation.
HEIGHT_DIVISOR = {"radial 95 %": 1.959963984540054}


def grade_positions(kept: Kept, *, site: Site, survey: Survey) -> None:
    """Fill `sigma_h_m`, `sigma_v_m` and `sigma_origin` of one file's rows.

    First what the row says, then its fix quality, then the survey's default,
    then the largest default for a position of unknown making.
    """
    count = len(kept.table.rows)
    meaning = (
        _column(kept, "accuracy_is", count).fillna(survey.accuracy.accuracy_is or "").astype(object)
    )
    meaning = meaning.where(meaning.isin(list(AXIS_DIVISOR)), "")
    quality = _column(kept, "fix_quality", count)
    origin = np.full(count, None, dtype=object)
    horizontal = _given(kept, "sigma_h_m", meaning, AXIS_DIVISOR, origin)
    vertical = _given(
        kept, "sigma_v_m", meaning, HEIGHT_DIVISOR, np.full(count, None, dtype=object)
    )
    _from_fix(horizontal, vertical, quality, site, origin)
    _from_survey(horizontal, vertical, survey, origin)
    unknown_h, unknown_v = (
        float(look_up(f"accuracy.unknown.{axis}", site.practice).value)
        for axis in ("sigma_h_m", "sigma_v_m")
    )
    origin[np.isnan(horizontal)] = "unknown: the largest default"
    kept.columns["sigma_h_m"] = pd.Series(np.where(np.isnan(horizontal), unknown_h, horizontal))
    kept.columns["sigma_v_m"] = pd.Series(np.where(np.isnan(vertical), unknown_v, vertical))
    kept.columns["sigma_origin"] = pd.Series(origin, dtype="str")


def _column(kept: Kept, name: str, count: int) -> Any:
    held = kept.columns.get(name)
    if held is None:
        return pd.Series([None] * count, dtype="str")
    return pd.Series(held).reset_index(drop=True).astype("str")


def _given(
    kept: Kept, name: str, meaning: Any, divisors: dict[str, float], origin: NDArray[Any]
) -> NDArray[np.float64]:
    """Turn the row's own figure into a standard deviation per axis."""
    held = kept.columns.get(name)
    if held is None:
        return np.full(len(meaning), np.nan)
    value = np.asarray(held, dtype=np.float64)
    given = ~np.isnan(value)
    divisor = meaning.map(lambda word: divisors.get(word, 1.0)).to_numpy(dtype=np.float64)
    said = meaning.map(
        lambda word: (
            f"column {name}, {word}"
            if word
            else f"column {name}, meaning not said: taken as axis sd"
        )
    )
    origin[given] = said.to_numpy(dtype=object)[given]
    return np.asarray(value / divisor, dtype=np.float64)


def _from_fix(
    horizontal: NDArray[np.float64],
    vertical: NDArray[np.float64],
    quality: Any,
    site: Site,
    origin: NDArray[Any],
) -> None:
    for word in quality.dropna().unique():
        mask = (quality == word).to_numpy(dtype=bool)
        for axis, values in (("sigma_h_m", horizontal), ("sigma_v_m", vertical)):
            default = look_up(f"accuracy.{word}.{axis}", site.practice)
            open_rows = mask & np.isnan(values)
            values[open_rows] = float(default.value)
            if axis == "sigma_h_m":
                origin[open_rows] = f"fix quality '{word}'"


def _from_survey(
    horizontal: NDArray[np.float64],
    vertical: NDArray[np.float64],
    survey: Survey,
    origin: NDArray[Any],
) -> None:
    accuracy = survey.accuracy
    if accuracy.sigma_h_m is not None:
        open_rows = np.isnan(horizontal)
        horizontal[open_rows] = accuracy.sigma_h_m / AXIS_DIVISOR.get(accuracy.accuracy_is, 1.0)
        said = accuracy.accuracy_is or "meaning not said: taken as axis sd"
        origin[open_rows] = f"survey default, {said}"
    if accuracy.sigma_v_m is not None:
        vertical[np.isnan(vertical)] = accuracy.sigma_v_m / HEIGHT_DIVISOR.get(
            accuracy.accuracy_is, 1.0
        )
