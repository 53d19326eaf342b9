"""The underside of the bottom rail along every run, from levels of all kinds.

The rail of a bay is a straight line between its two ends less a sag. Ends stay
near ground plus one offset for the whole run, give or take `spread`; levels at
posts, in mid-bay and at stations pull them to what was measured, each with its
own weight. So a bad level is outvoted, and a post without one is not lost. The
two rail ends at a post are one height unless both were measured. All bays are
solved at once as a chain (`fencemap.kernels.chain`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from fencemap.find.clearance_cells import Cells, Flags, Floats, Integers

__all__ = ["Rail", "RailLevels", "measured_gates", "rail_heights", "rail_levels"]

_SAME_LEVEL_M = 0.003  # one level told for a post: the rail runs through
_OTHER_SIDE_M = 0.010  # a level told for one bay, the neighbour's end at the same post
_SAG_M, _SAG_SD_M = 0.004, 0.006
_SPREAD_M = (0.012, 0.05, 0.30)  # least, assumed, most
_ENOUGH = 10
_ROUNDS, _TAIL = 6, 3.0  # of reweighting; a level off by so many sigmas has a quarter of its weight
_UNBOUND_SPREAD_M = 0.30
_FREE, _BEND_M = 2.0, 0.03


@dataclass(frozen=True, slots=True)
class RailLevels:
    """Levels of the rail: bay, place in it (0 to 1), height and its standard deviation.

    `told` says that the level names its bay; `row` is the row of the layer.
    """

    bay: Integers
    share: Floats
    height_m: Floats
    sigma_m: Floats
    told: Flags
    row: Integers


@dataclass(frozen=True, slots=True)
class Rail:
    """Height of the rail at each step, NaN where none was measured on the run."""

    height_m: Floats
    sigma_m: Floats
    doubtful: Integers  # rows of the levels that contradict the others


def _bay_named(names: Any, bays: Any, panels: Any) -> Integers:
    """Row of the bay that a panel or bay name means; -1 for none. Panels come first."""
    of_bay = pd.Series(np.arange(len(bays)), index=bays["bay_id"].to_numpy(object))
    of_panel = pd.Series(
        of_bay.reindex(panels["bay_id"].to_numpy(object)).to_numpy(),
        index=panels["panel_id"].to_numpy(object),
    )
    asked = pd.Series(names.to_numpy(object))
    found = asked.map(of_panel.dropna()).fillna(asked.map(of_bay))
    return np.asarray(found.fillna(-1).to_numpy(float), dtype=np.int64)


def measured_gates(levels: Any, bays: Any, panels: Any) -> set[str]:
    """Names of the bays whose gate has rail levels that name it."""
    rail = levels[levels["target"].isin(["rail underside", "rail top"])]
    named = np.concatenate([
        _bay_named(rail["bay_id"], bays, panels),
        _bay_named(rail["element_id"], bays, panels),
    ])  # fmt: skip
    rows = np.unique(named[named >= 0])
    return set(bays["bay_id"].iloc[rows][bays["filled_by"].iloc[rows] == "gate"])


def rail_levels(
    levels: Any, bays: Any, panels: Any, *, unknown_sigma_m: float, rail_depth_mm: float
) -> RailLevels:
    """Find the bay and the place of every level of a bottom rail.

    Parameters
    ----------
    levels, bays, panels
        The layers; bays sorted by run and station.
    unknown_sigma_m
        Standard deviation of a level that has none.
    rail_depth_mm
        Depth of the bottom rail, taken off heights of its top; with 0 those
        are not used.
    """
    wanted = ["rail underside"] + (["rail top"] if rail_depth_mm > 0 else [])
    rail = levels[levels["target"].isin(wanted)]
    row = np.flatnonzero(levels["target"].isin(wanted).to_numpy(bool))
    height = rail["height_m"].to_numpy(float)
    height = height - np.where(rail["target"] == "rail top", rail_depth_mm / 1000.0, 0.0)
    sigma = rail["sigma_v_m"].fillna(unknown_sigma_m).clip(lower=0.001).to_numpy(float)
    bay, share = _places(rail, bays, panels)
    told = _bay_named(rail["bay_id"], bays, panels) >= 0
    kept = (bay >= 0) & ~np.isnan(height)
    return RailLevels(bay[kept], share[kept], height[kept], sigma[kept], told[kept], row[kept])


def _places(rail: Any, bays: Any, panels: Any) -> tuple[Integers, Floats]:
    """Bay and share of each level: at a post, on a panel, or at a station of a run."""
    start, length = bays["from_m"].to_numpy(float), bays["length_m"].to_numpy(float)
    station = rail["station_m"].to_numpy(float)
    named = _bay_named(rail["bay_id"], bays, panels)
    panel = _bay_named(rail["element_id"], bays, panels)
    # A level told for a post alone is of the rails that run through, not of a gate that hangs there.
    through = (bays["filled_by"] != "gate").to_numpy(bool)
    begins = _first_row(bays["from_post"].where(through), rail["element_id"])
    ends = _first_row(bays["to_post"].where(through), rail["element_id"])
    at_end = (named >= 0) & (bays["to_post"].to_numpy(object)[named] == rail["element_id"].to_numpy(object))  # fmt: skip
    at_start = (named >= 0) & (bays["from_post"].to_numpy(object)[named] == rail["element_id"].to_numpy(object))  # fmt: skip
    on_run = _bay_at(rail["run_id"], station, bays, named)
    given = ~np.isnan(station)
    first = panels.drop_duplicates("panel_id").set_index("panel_id")
    low = first["from_m"].reindex(rail["element_id"]).to_numpy(float)
    high = first["to_m"].reindex(rail["element_id"]).to_numpy(float)
    on_panel = np.where(given, low + station, 0.5 * (low + high))
    bay = np.select(
        [at_start | at_end, begins >= 0, ends >= 0, panel >= 0, given & (on_run >= 0)],
        [named, begins, ends, panel, on_run],
        -1,
    )
    safe = np.maximum(bay, 0)
    share = np.select(
        [at_end & ~at_start, at_start, begins >= 0, ends >= 0, panel >= 0],
        [1.0, 0.0, 0.0, 1.0, (on_panel - start[safe]) / length[safe]],
        (station - start[safe]) / length[safe],
    )
    return bay.astype(np.int64), np.clip(share, 0.0, 1.0)


def _first_row(names: Any, asked: Any) -> Integers:
    """Row of the first bay of that name in a column; -1 for none."""
    index = pd.Series(np.arange(len(names)), index=names.to_numpy(object))
    index = index[index.index.notna() & ~index.index.duplicated()]
    found = pd.Series(asked.to_numpy(object)).map(index)
    return np.asarray(found.fillna(-1).to_numpy(float), dtype=np.int64)


def _bay_at(run_id: Any, station: Floats, bays: Any, named: Integers) -> Integers:
    """Bay of a run in which a station lies; the one named, where its station is near enough."""
    runs = pd.Index(bays["run_id"].unique())
    of_bay, asked = runs.get_indexer(bays["run_id"]), runs.get_indexer(run_id.fillna(""))
    start, stop = bays["from_m"].to_numpy(float), bays["to_m"].to_numpy(float)
    wide = float(stop.max(initial=0.0)) + 1.0
    at = np.searchsorted(of_bay * wide + start, asked * wide + np.nan_to_num(station) + 1e-9) - 1
    at = np.clip(at, 0, max(len(bays) - 1, 0))
    good = (asked >= 0) & (of_bay[at] == asked) & (station <= stop[at] + 0.5) if len(bays) else asked >= 0  # fmt: skip
    found = np.where(good, at, -1)
    return np.asarray(np.where(named >= 0, named, found), dtype=np.int64)


def rail_heights(levels: RailLevels, bays: Any, cells: Cells, *, ground: Floats) -> Rail:
    """Work out the rail at every step.

    Parameters
    ----------
    levels
        What was measured.
    bays, cells
        The bays, sorted, and their steps.
    ground
        (n,) smooth ground along the fence, from `trend`; NaN where nothing
        of the run was seen.
    """
    run = np.zeros(len(bays), np.int64)
    run[cells.bay] = cells.run
    at_ends = np.column_stack([ground[cells.bay_first[:-1]], ground[cells.bay_first[1:] - 1]])
    unseen = np.asarray(np.isnan(at_ends).any(axis=1))
    at_ends = np.where(unseen[:, None], 0.0, at_ends)
    gate = (bays["filled_by"] == "gate").to_numpy(bool)  # a leaf hangs where it was hung
    spread = np.where(unseen | gate, _UNBOUND_SPREAD_M, _spread(levels, run, at_ends))
    linked = _links(levels, bays, run)
    weight = np.ones(len(levels.bay))
    for _ in range(_ROUNDS):
        solution = _solve(levels, weight, at_ends, spread, linked, run)
        z = _standardised(levels, weight, solution, spread)
        weight = 1.0 / (1.0 + (z / _TAIL) ** 2) ** 2
    mean, covariance, known = solution
    arm = _arm(cells.share)
    height = np.einsum("ij,ij->i", arm, mean[cells.bay])
    variance = np.einsum("ij,ijk,ik->i", arm, covariance[cells.bay], arm)
    there = known[cells.bay] & cells.rail
    return Rail(
        np.where(there, height, np.nan),
        np.where(there, np.sqrt(np.maximum(variance, 0.0)), np.nan),
        levels.row[np.abs(z) > 5.0],
    )


def _arm(share: Floats) -> Floats:
    """How the rail at a place depends on its two ends and its sag."""
    return np.column_stack([1.0 - share, share, -4.0 * share * (1.0 - share)])


def _spread(levels: RailLevels, run: Integers, at_ends: Floats) -> float:
    """How far rail ends stray from ground plus the run's offset, learned on the site."""
    low, assumed, high = _SPREAD_M
    if len(levels.bay) < _ENOUGH:
        return assumed
    plain = at_ends[levels.bay, 0] + levels.share * (
        at_ends[levels.bay, 1] - at_ends[levels.bay, 0]
    )
    off = pd.Series(levels.height_m - plain)
    off = off - off.groupby(run[levels.bay]).transform("median")
    robust = 1.4826 * float(off.abs().median())
    return float(np.clip(robust, low, high))


def _links(levels: RailLevels, bays: Any, run: Integers) -> Floats:
    """How tightly the end of each bay is tied to the beginning of the next; 0 is not at all."""
    count = len(bays)
    end_told, start_told = np.zeros(count, bool), np.zeros(count, bool)
    end_told[levels.bay[levels.told & (levels.share == 1.0)]] = True
    start_told[levels.bay[levels.told & (levels.share == 0.0)]] = True
    gate = (bays["filled_by"] == "gate").to_numpy(bool)
    information = np.zeros(count)
    next_start = np.roll(start_told, -1)
    sd = np.where(end_told | next_start, _OTHER_SIDE_M, _SAME_LEVEL_M)
    tied = (run == np.roll(run, -1)) & ~(end_told & next_start) & ~gate & ~np.roll(gate, -1)
    tied &= bays["to_post"].to_numpy(object) == np.roll(bays["from_post"].to_numpy(object), -1)
    tied[-1:] = False
    information[tied] = 1.0 / sd[tied] ** 2
    return information


def _solve(
    levels: RailLevels,
    weight: Floats,
    at_ends: Floats,
    spread: Floats,
    linked: Floats,
    run: Integers,
) -> tuple[Floats, Floats, Flags]:
    """Give ends and sag of each bay, their covariance, and whether the run was measured at all."""
    from fencemap.kernels.chain import solve_chain

    count = len(at_ends)
    prior = np.zeros((count, 3))
    prior[:, 0] = 1.0 / spread**2
    prior[:, 1] = np.where(linked > 0.0, 0.0, 1.0 / spread**2)  # the tied end has it already
    prior[:, 2] = 1.0 / _SAG_SD_M**2
    diagonal = prior[:, :, None] * np.eye(3)
    target = np.column_stack([at_ends, np.full(count, _SAG_M)])
    right = np.stack([prior * target, prior * (1.0, 1.0, 0.0)], axis=2)
    arm = _arm(levels.share)
    information = weight / levels.sigma_m**2
    np.add.at(diagonal, levels.bay, information[:, None, None] * arm[:, :, None] * arm[:, None])
    np.add.at(right[:, :, 0], levels.bay, (information * levels.height_m)[:, None] * arm)
    coupling = np.zeros((count, 3, 3))
    coupling[:, 1, 0] = -linked
    diagonal[:, 1, 1] += linked
    diagonal[1:, 0, 0] += linked[:-1]
    solution, covariance = solve_chain(diagonal, coupling, right)
    base, lift = solution[:, :, 0], solution[:, :, 1]
    # The offset of each run: what the ends ask for, given that they follow it.
    ends = prior[:, :2]
    asked = np.bincount(run, (ends * (base[:, :2] - at_ends)).sum(axis=1))
    firm = np.bincount(run, (ends * (1.0 - lift[:, :2])).sum(axis=1))
    measured = firm > 1e-6
    offset = np.where(measured, asked / np.where(measured, firm, 1.0), 0.0)
    doubt = np.where(measured, 1.0 / np.where(measured, firm, 1.0), 0.0)
    mean = base + offset[run, None] * lift
    return (
        mean,
        covariance + doubt[run, None, None] * lift[:, :, None] * lift[:, None, :],
        measured[run],
    )


def _standardised(
    levels: RailLevels, weight: Floats, solution: tuple[Floats, Floats, Flags], spread: Floats
) -> Floats:
    """Error of predicting each level from all others, over its standard deviation.

    Besides they are given room, so that real steps and bends aren't taken for
    errors: `_FREE` spreads at rail ends, `_BEND_M` between them.
    """
    mean, covariance, _ = solution
    arm = _arm(levels.share)
    off = levels.height_m - np.einsum("ij,ij->i", arm, mean[levels.bay])
    known = np.einsum("ij,ijk,ik->i", arm, covariance[levels.bay], arm)
    own = levels.sigma_m**2
    used = own / weight
    left = np.maximum(used - known, 1e-3 * used)
    at_end = (levels.share == 0.0) | (levels.share == 1.0)
    free = np.where(at_end, _FREE * spread[levels.bay], _BEND_M)
    return np.asarray(off * used / left / np.sqrt(own + used * known / left + free**2))
