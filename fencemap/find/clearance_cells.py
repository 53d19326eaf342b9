"""The steps along all rails at which the gap is worked out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

__all__ = ["NO_RAIL", "Cells", "Flags", "Floats", "Integers", "cells_of"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]

NO_RAIL = ("missing", "in store", "loose on site", "absent by design")


@dataclass(frozen=True, slots=True)
class Cells:
    """Steps along all bays, run by run; row i of every array is one step.

    `run` and `bay` are rows of the sorted layers `runs` and `bays`; those of
    run k are ``first[k]:first[k + 1]``, those of bay b `bay_first` likewise.
    Bays are divided into equal steps, so a run walked the other way has the
    same ones. `share` is the place of the middle in its bay, 0 to 1.
    """

    run: Integers
    bay: Integers
    from_m: Floats
    to_m: Floats
    share: Floats
    xy: Floats  # (n, 2) middles
    ends: Floats  # (n, 2, 2)
    left: Floats  # (n, 2) unit vector to the left
    rail: Flags
    first: Integers
    bay_first: Integers

    @property
    def station_m(self) -> Floats:
        """Station of the middle of each step."""
        return 0.5 * (self.from_m + self.to_m)

    @property
    def length_m(self) -> Floats:
        """Length of each step."""
        return self.to_m - self.from_m

    def at(self, bay: Integers, share: Floats) -> Integers:
        """Step at a place of a bay."""
        count = np.diff(self.bay_first)[bay]
        within = np.clip(np.floor(share * count), 0, count - 1).astype(np.int64)
        return np.asarray(self.bay_first[bay] + within)


def cells_of(runs: Any, bays: Any, panels: Any, *, step_m: float, gates: set[str]) -> Cells:
    """Divide bays into steps.

    Parameters
    ----------
    runs, bays, panels
        The layers; runs sorted by name, bays by run and station.
    step_m
        Longest step.
    gates
        Bays whose gate has rail heights of its own; other gates have no rail
        that anything is known of.
    """
    from fencemap.kernels.profile import step_counts

    ends = shapely.get_coordinates(np.asarray(bays.geometry, object)).reshape(-1, 2, 2)
    length = bays["length_m"].to_numpy(float)
    counts = step_counts(length, step_m) if len(bays) else np.zeros(0, np.int64)
    bay = np.repeat(np.arange(len(bays)), counts)
    bay_first = np.concatenate([[0], np.cumsum(counts)])
    low = (np.arange(len(bay)) - bay_first[bay]) / counts[bay]
    high = (np.arange(len(bay)) + 1 - bay_first[bay]) / counts[bay]
    way = ends[:, 1] - ends[:, 0]
    unit = way / np.hypot(*way.T)[:, None]
    run = pd.Index(runs["run_id"]).get_indexer(bays["run_id"])
    start = bays["from_m"].to_numpy(float)[bay]
    both = np.stack([low, high], axis=1)
    share = 0.5 * (low + high)
    return Cells(
        run=run[bay],
        bay=bay,
        from_m=start + low * length[bay],
        to_m=start + high * length[bay],
        share=share,
        xy=ends[bay, 0] + share[:, None] * way[bay],
        ends=ends[bay, :1] + both[:, :, None] * way[bay, None],
        left=np.column_stack([-unit[:, 1], unit[:, 0]])[bay],
        rail=_has_rail(bays, panels, bay, share, gates),
        first=np.searchsorted(run[bay], np.arange(len(runs) + 1)),
        bay_first=bay_first,
    )


def _has_rail(bays: Any, panels: Any, bay: Integers, share: Floats, gates: set[str]) -> Flags:
    """Where a rail hangs: bays that hold a panel, or of which nobody said what holds them."""
    filled = bays["filled_by"].to_numpy(object)
    measured = bays["bay_id"].isin(gates).to_numpy(bool)
    holds = (filled == "panel") | pd.isna(filled) | ((filled == "gate") & measured)
    rail = holds[bay]
    # Of a bay that several panels share, only part may be empty.
    shared = panels[panels.duplicated("bay_id", keep=False)]
    index = pd.Index(bays["bay_id"])
    for name, parts in shared.groupby("bay_id", sort=True):
        at = index.get_loc(name)
        here = np.flatnonzero(bay == at)
        place = bays["from_m"].iloc[at] + share[here] * bays["length_m"].iloc[at]
        there = np.zeros(len(here), bool)
        for one in parts[~parts["presence"].isin(list(NO_RAIL))].itertuples():
            there |= (place >= one.from_m) & (place <= one.to_m)
        rail[here] &= there
    return np.asarray(rail)
