"""How far check points lie from what they judge: mean, scatter, RMSE, and what may be claimed.

Mean and scatter (n - 1) tell a bias from noise; the RMSE (n) holds both. The
95 % figures are those of FGDC-STD-007.3-1998 (NSSDA): 1.7308 RMSE_r where
both axes are alike, 2.4477 times half their sum where the smaller is at least
0.6 of the larger, none beyond; 1.9600 RMSE_z for heights.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fencemap.grid import HeightSource, Window
from fencemap.kernels.profile import bilinear

__all__ = ["Check", "Scatter", "checks_of", "ground_at", "horizontal_95_m", "scatter"]

Floats = NDArray[np.float64]
_LEAST_RATIO = 0.6


@dataclass(frozen=True, slots=True)
class Scatter:
    """Differences along one axis, in metres; `s` is NaN for one point."""

    n: int
    mean: float
    s: float
    rmse: float


@dataclass(frozen=True, slots=True)
class Check:
    """What check points say of one thing: survey, ground or ortho."""

    of: str
    easting: Scatter | None
    northing: Scatter | None
    height: Scatter | None
    not_seen: int

    @property
    def axes(self) -> Sequence[tuple[str, Scatter]]:
        """Axes that were checked, with their scatter."""
        named = (("easting", self.easting), ("northing", self.northing), ("height", self.height))
        return [(name, held) for name, held in named if held is not None]

    @property
    def horizontal_95_m(self) -> float | None:
        """NSSDA figure in plan, or None where it may not be given."""
        if self.easting is None or self.northing is None:
            return None
        return horizontal_95_m(self.easting.rmse, self.northing.rmse)

    @property
    def vertical_95_m(self) -> float | None:
        """NSSDA figure of heights."""
        return None if self.height is None else 1.9600 * self.height.rmse


def scatter(differences_m: Floats) -> Scatter | None:
    """Sum up differences (tested less known); None where there are none.

    Examples
    --------
    >>> held = scatter(np.array([0.01, 0.03]))
    >>> held.n, round(held.mean, 4), round(held.s, 4), round(held.rmse, 4)
    (2, 0.02, 0.0141, 0.0224)
    """
    held = differences_m[~np.isnan(differences_m)]
    if not len(held):
        return None
    s = float(held.std(ddof=1)) if len(held) > 1 else math.nan
    return Scatter(len(held), float(held.mean()), s, float(np.sqrt(np.mean(held**2))))


def horizontal_95_m(rmse_easting_m: float, rmse_northing_m: float) -> float | None:
    """Accuracy in plan at 95 %; None where the axes differ too much for the rule.

    Examples
    --------
    >>> round(horizontal_95_m(0.0908, 0.0809), 4)
    0.2101
    """
    small, large = sorted((rmse_easting_m, rmse_northing_m))
    if math.isclose(small, large):
        return 1.7308 * math.hypot(small, large)
    if small < _LEAST_RATIO * large:
        return None
    return 2.4477 * 0.5 * (small + large)


def checks_of(check_points: Any, ground: HeightSource | None = None) -> list[Check]:
    """Sum up check points for each thing they judge.

    Points of the survey and the orthophoto hold what was measured and what is
    known. Those of the ground model hold the known height; the model's own is
    read from `ground`, and points where it saw nothing are counted apart.

    Parameters
    ----------
    check_points
        The layer of that name.
    ground
        Ground model, or None: then ground points say nothing.
    """
    found = []
    for of in ("survey", "ground", "ortho"):
        points = check_points[(check_points["of"].fillna("survey") == of).to_numpy(bool)]
        if not len(points) or (of == "ground" and ground is None):
            continue
        east, north, up = (
            points[axis].to_numpy(np.float64) - points[f"{axis}_known"].to_numpy(np.float64)
            for axis in ("easting", "northing", "height")
        )
        not_seen = 0
        if of == "ground" and ground is not None:
            known = points["height_known"].fillna(points["height"]).to_numpy(np.float64)
            east, north = np.full(len(points), np.nan), np.full(len(points), np.nan)
            places = (points[axis].to_numpy(np.float64) for axis in ("easting", "northing"))
            up = ground_at(ground, *places) - known
            not_seen = int(np.isnan(up).sum())
        check = Check(of, scatter(east), scatter(north), scatter(up), not_seen)
        if check.axes or not_seen:
            found.append(check)
    return found


def ground_at(ground: HeightSource, easting: Floats, northing: Floats) -> Floats:
    """Read the ground model at a few points, between its cells; NaN where nothing was seen.

    Parameters
    ----------
    ground
        Heights in the site's CRS.
    easting, northing
        Shape (n,), metres.
    """
    rows, columns = ground.grid.to_pixel(easting, northing)
    found = np.full(len(rows), np.nan)
    for place, (row, column) in enumerate(zip(rows, columns, strict=True)):
        if math.isnan(row) or math.isnan(column):
            continue
        first = Window(math.floor(row - 0.5), math.floor(column - 0.5), 2, 2)
        heights = ground.read(first).astype(np.float64)
        at_column = np.array([column - 0.5 - first.column])
        at_row = np.array([row - 0.5 - first.row])
        found[place] = bilinear(heights, at_column, at_row)[0]
    return found
