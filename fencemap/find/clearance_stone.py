"""Curbs under the fence: where they lie and how high their tops are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely

from fencemap.find.clearance_cells import NO_RAIL, Cells, Flags, Floats, Integers
from fencemap.find.clearance_ground import Section

__all__ = ["Stone", "stone_under_rails"]

_NEAR_M, _NAMED_NEAR_M = 0.03, 0.12  # how far a curb may lie off the rail and still be under it
_GUESSED_SD_M = 0.04


@dataclass(frozen=True, slots=True)
class Stone:
    """Top of the stone under each step, NaN where there is none, and its standard deviation."""

    top_m: Floats
    sigma_m: Floats

    @property
    def there(self) -> Flags:
        """Where stone lies under the rail."""
        return ~np.isnan(self.top_m)


def stone_under_rails(
    curbs: Any,
    levels: Any,
    runs: Any,
    bays: Any,
    cells: Cells,
    *,
    section: Section,
    slope_of: Floats,
    unknown_sigma_m: float,
) -> Stone:
    """Find the curb under each step.

    Parameters
    ----------
    curbs, levels, runs, bays
        The layers. A curb's top is its own, a level on it, or ground beside it
        plus its height; with none of these the model's reading on it, doubtful.
    cells, section
        The steps and the ground there.
    slope_of
        (n,) smooth ground along the fence: tops follow it within a stone,
        since curbs are laid with the ground.
    unknown_sigma_m
        Standard deviation of a height that has none.

    Returns
    -------
    Stone. A curb counts as under the rail when the rail's line crosses it, or
    passes by `_NAMED_NEAR_M` at most a curb that the survey says carries the
    run, or by `_NEAR_M` any other. Of several the highest counts.
    """
    count = len(cells.run)
    top, sigma = np.full(count, np.nan), np.full(count, np.nan)
    curbs = curbs[~curbs["presence"].isin(list(NO_RAIL))].reset_index(drop=True)
    if not len(curbs) or not count:
        return Stone(top, sigma)
    shapes = np.asarray(curbs.geometry, object)
    curb, cell = _near(shapes, bays, cells)
    own = curbs["run_id"].to_numpy(object)[curb] == runs["run_id"].to_numpy(object)[cells.run[cell]]
    away = shapely.distance(shapes[curb], shapely.points(cells.xy[cell]))
    kept = own | (away <= _NEAR_M)
    pairs = pd.DataFrame({"curb": curb[kept], "cell": cell[kept]})
    pairs = pairs.sort_values(["curb", "cell"], ignore_index=True)
    height, spread = _tops(curbs, levels, pairs, section, unknown_sigma_m)
    rise = pd.Series(np.nan_to_num(slope_of)[pairs["cell"]])
    tilt = rise - rise.groupby([pairs["curb"], cells.run[pairs["cell"]]]).transform("mean")
    pairs["top"] = height + tilt.to_numpy()
    pairs["sigma"] = spread
    best = pairs.sort_values(["cell", "top", "curb"], kind="stable").drop_duplicates(
        "cell", keep="last"
    )
    top[best["cell"]], sigma[best["cell"]] = best["top"], best["sigma"]
    return Stone(top, sigma)


def _near(shapes: Any, bays: Any, cells: Cells) -> tuple[Integers, Integers]:
    """Pairs of curb and step that lie near enough to be looked at."""
    lines = shapely.force_2d(np.asarray(bays.geometry, object))
    _, bay = shapely.STRtree(lines).query(shapes, predicate="dwithin", distance=_NAMED_NEAR_M)
    wanted = np.zeros(len(lines), bool)
    wanted[bay] = True
    asked = np.flatnonzero(wanted[cells.bay])
    tree = shapely.STRtree(np.asarray(shapely.points(cells.xy[asked]), dtype=object))
    curb, at = tree.query(shapes, predicate="dwithin", distance=_NAMED_NEAR_M)
    return curb, asked[at]


def _tops(
    curbs: Any, levels: Any, pairs: pd.DataFrame, section: Section, unknown_sigma_m: float
) -> tuple[Floats, Floats]:
    """Height of the curb's top for each pair of curb and step, and its standard deviation."""
    read = levels[(levels["target"] == "curb top") & levels["element_id"].notna()]
    read = read.assign(sigma=read["sigma_v_m"].fillna(unknown_sigma_m)).groupby("element_id")
    name = curbs["element_id"].to_numpy(object)
    level = read["height_m"].mean().reindex(name).to_numpy(float)
    level_sd = read["sigma"].mean().reindex(name).to_numpy(float)
    own = curbs["top_m"].to_numpy(float)
    own_sd = curbs["sigma_v_m"].fillna(unknown_sigma_m).to_numpy(float)
    at, cell = pairs["curb"].to_numpy(int), pairs["cell"].to_numpy(int)
    beside = section.base[cell] + curbs["height_m"].to_numpy(float)[at]
    line = np.fmax(section.line[cell], section.base[cell])
    choices = [level[at], own[at], beside, line]
    doubts = [
        level_sd[at],
        own_sd[at],
        np.full(len(at), _GUESSED_SD_M),
        np.full(len(at), _GUESSED_SD_M),
    ]
    first = np.argmax([~np.isnan(choice) for choice in choices], axis=0)
    rows = np.arange(len(at))
    return np.array(choices)[first, rows], np.array(doubts)[first, rows]
