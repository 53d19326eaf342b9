"""What was read at the fence itself: tape, words, and ground shots at posts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from fencemap.find.clearance_cells import Cells, Flags, Floats, Integers

__all__ = ["GapReadings", "gaps_read", "ground_shots"]

_BESIDE_POST_M = 0.02  # a ground shot stands beside the post, not under the rail
_RUN_BIAS_M = 0.015  # what all satellite shots of a run have in common


@dataclass(frozen=True, slots=True)
class GapReadings:
    """Readings of the gap in metres, each at a step; sorted by step.

    A reading with a number has ``low == high``; "buried" has no lower limit. `noise_m` is
    the standard deviation of reading it, `stone` says that stone was read, `shot` that
    it is a ground shot and not a gap read at the rail; `row` is its row of the levels, then,
    else of the gap readings.
    """

    cell: Integers
    low: Floats
    high: Floats
    noise_m: Floats
    stone: Flags
    shot: Flags
    row: Integers

    def only(self, kept: Flags | Integers) -> GapReadings:
        """Give some of them."""
        return GapReadings(*(getattr(self, name)[kept] for name in self.__slots__))

    def joined(self, other: GapReadings) -> GapReadings:
        """Put two lots of readings together."""
        parts = {
            name: np.concatenate([getattr(self, name), getattr(other, name)])
            for name in self.__slots__
        }
        order = np.argsort(parts["cell"], kind="stable")
        return GapReadings(**{name: values[order] for name, values in parts.items()})


def gaps_read(
    readings: Any, bays: Any, panels: Any, cells: Cells, *, over_stone: Flags, tape_sigma_mm: float
) -> GapReadings:
    """Place tape readings and words.

    Parameters
    ----------
    readings, bays, panels
        The layers; bays sorted by run and station.
    cells
        The steps.
    over_stone
        (n,) where a curb lies under the rail: a reading that doesn't say what
        it was taken to was taken to that.
    tape_sigma_mm
        Standard deviation of a reading that has none.

    Returns
    -------
    GapReadings. Readings without limits ("over stone"), on no known panel or
    run, or where no rail hangs, say nothing of a gap and are left out. A tape
    can't read below 0: 0 counts as touching or buried.
    """
    station, run = readings["station_m"].to_numpy(float), pd.Index(bays["run_id"].unique())
    first = panels.drop_duplicates("panel_id").set_index("panel_id")
    bay_index = pd.Index(bays["bay_id"])
    known = bays["from_m"].to_numpy(float), bays["length_m"].to_numpy(float)
    of_panel = bay_index.get_indexer(first["bay_id"].reindex(readings["panel_id"]).fillna(""))
    at_panel = first["from_m"].reindex(readings["panel_id"]).to_numpy(float) + station
    asked = run.get_indexer(readings["run_id"].fillna(""))
    wide = float(bays["to_m"].max()) + 1.0 if len(bays) else 1.0
    key = run.get_indexer(bays["run_id"]) * wide + known[0]
    on_run = np.searchsorted(key, asked * wide + np.nan_to_num(station) + 1e-9) - 1
    bay = np.where(of_panel >= 0, of_panel, np.where(asked >= 0, on_run, -1))
    place = np.where(of_panel >= 0, at_panel, station)
    low, high = readings["gap_min_mm"].to_numpy(float), readings["gap_max_mm"].to_numpy(float)
    number = readings["gap_mm"].to_numpy(float)
    low, high = np.where(np.isnan(number), low, number), np.where(np.isnan(number), high, number)
    blunt = (number <= 0.0) | (np.isnan(low) & ~np.isnan(high))
    low = np.where(blunt, -np.inf, low)
    high = np.where(np.isnan(high) & ~np.isnan(low), np.inf, high)
    kept = (bay >= 0) & ~np.isnan(place) & ~np.isnan(low) & ~np.isnan(high)
    bay, place = bay[kept], place[kept]
    share = np.clip((place - known[0][bay]) / known[1][bay], 0.0, 1.0)
    surface = readings["surface"].to_numpy(object)[kept]
    cell = cells.at(bay, share)
    noise = readings["sigma_mm"].fillna(tape_sigma_mm).to_numpy(float)[kept]
    told = np.isin(surface, ("stone", "soil", "debris", "vegetation"))
    made = GapReadings(
        cell, low[kept] / 1000.0, high[kept] / 1000.0, np.maximum(noise, 0.5) / 1000.0,
        np.where(told, surface == "stone", over_stone[cell]), np.zeros(len(cell), bool),
        np.flatnonzero(kept),
    )  # fmt: skip
    made = made.only(cells.rail[cell])
    return made.only(np.argsort(made.cell, kind="stable"))


def ground_shots(
    levels: Any,
    bays: Any,
    cells: Cells,
    *,
    rail_m: Floats,
    rail_sigma_m: Floats,
    unknown_sigma_m: float,
) -> GapReadings:
    """Turn heights shot on the ground at posts into readings of the gap there.

    The gap is the rail less the shot, so the rail's own doubt counts as noise,
    and so does what all satellite shots of a run share: each is weighted as if
    the shots of its run were one as to that.
    """
    wanted = (levels["target"] == "ground") & levels["element_id"].notna()
    wanted &= levels["height_m"].notna()
    at = np.flatnonzero(wanted.to_numpy(bool))
    shots = levels.iloc[at].reset_index(drop=True)
    parts: list[GapReadings] = []
    for column, share in (("from_post", 0.0), ("to_post", 1.0)):
        begins = pd.Series(np.arange(len(bays)), index=bays[column].to_numpy(object))
        begins = begins[~begins.index.duplicated(keep="first" if share == 0.0 else "last")]
        found = shots["element_id"].map(begins)
        if share == 1.0:
            found = found[~shots["element_id"].isin(bays["from_post"])]
        rows, row = shots.loc[found.dropna().index], at[found.dropna().index]
        bay = found.dropna().to_numpy(float).astype(np.int64)
        cell = cells.at(bay, np.full(len(bay), share))
        gap = rail_m[cell] - rows["height_m"].to_numpy(float)
        per_run = pd.Series(cells.run[cell])
        alike = per_run.groupby(per_run).transform("size").to_numpy(float)
        sigma = rows["sigma_v_m"].fillna(unknown_sigma_m).to_numpy(float)
        shared = np.where(rows["method"] == "gnss", _RUN_BIAS_M**2 * alike, 0.0)
        noise = np.sqrt(sigma**2 + _BESIDE_POST_M**2 + rail_sigma_m[cell] ** 2 + shared)
        there = cells.rail[cell] & ~np.isnan(gap)
        no, yes = np.zeros(len(gap), bool), np.ones(len(gap), bool)
        parts.append(GapReadings(cell, gap, gap, noise, no, yes, row).only(there))
    return parts[0].joined(parts[1])
