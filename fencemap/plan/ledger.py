"""The stone ledger: one line a stone, operation and phase, covered or free and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fencemap.kernels.reach import probability_in_reach
from fencemap.kernels.wording import written
from fencemap.operations import GONE, Job, Operation, Plan, Practice

__all__ = ["ledger_of_stone"]

Floats = NDArray[np.float64]
Places = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class _Stone:
    """The stone as arrays: a code for each name, and the pairs with runs by that code."""

    frame: Any
    code: Places
    names: Any
    pair_code: Places
    pair_run: Places
    distance_m: Floats
    sigma_m: Floats


def ledger_of_stone(
    stone: Any, exposure: Any, stone_reach: Any, runs: Any, *, plan: Plan, practice: Practice
) -> pd.DataFrame:
    """Account for every stone, for every operation of every phase.

    Covered lines say what `exposure` says. Free lines say how far the nearest
    iron that is worked on lies, and why that is out of reach. Covered and
    free together are all stone, whatever was planned.

    Parameters
    ----------
    stone
        Frame of `fencemap.operations.all_stone`.
    exposure, stone_reach, runs
        The layers of those names.
    plan
        Operations and the runs they are planned on.
    practice
        Looks up a default, with the site's value where it has one.

    Returns
    -------
    Columns of the layer `stone_ledger` but its origin, with `stone_uid`;
    sorted by phase, operation, layer and name.
    """
    stone = stone.sort_values(["stone_layer", "stone_id", "uid"], ignore_index=True)
    held = _arranged(stone, stone_reach, runs)
    listed = exposure.groupby(["phase", "operation"], sort=False).indices
    touching_m = float(practice("exposure.touching_m").value)
    parts = []
    for phase, what, jobs in plan.groups():
        rows = listed.get((phase, what.name), np.array([], dtype=np.intp))
        covered = _covered(held, exposure.iloc[rows])
        free = _free(held, what, _reach_by_run(jobs, runs), touching_m)
        lines = covered.where(covered["verdict"].notna(), free)
        lines["rank"] = covered["rank"]
        parts.append(lines.assign(phase=phase, operation=what.name))
    if not parts:
        return pd.DataFrame()
    made = pd.concat(parts, ignore_index=True)
    for column in ("stone_id", "stone_layer", "uid"):
        values = stone[column].array
        made["stone_uid" if column == "uid" else column] = values.take(
            np.tile(np.arange(len(stone)), len(parts))
        )
    return made


def _arranged(stone: Any, stone_reach: Any, runs: Any) -> _Stone:
    """Give names codes and sort pairs by distance, then run."""
    code, names = pd.factorize(stone["stone_layer"] + "/" + stone["stone_id"])
    pair_code = names.get_indexer(stone_reach["stone_layer"] + "/" + stone_reach["stone_id"])
    pair_run = pd.Index(runs["run_id"]).get_indexer(stone_reach["run_id"])
    distance_m = stone_reach["distance_m"].to_numpy(np.float64)
    order = np.lexsort((stone_reach["run_id"].to_numpy(object).astype(str), distance_m))
    return _Stone(
        frame=stone, code=code, names=names, pair_code=pair_code[order], pair_run=pair_run[order],
        distance_m=distance_m[order], sigma_m=stone_reach["sigma_m"].to_numpy(np.float64)[order],
    )  # fmt: skip


def _reach_by_run(jobs: list[Job], runs: Any) -> Floats:
    reach_m = np.full(len(runs), np.nan)
    reach_m[pd.Index(runs["run_id"]).get_indexer([job.run_id for job in jobs])] = [
        job.reach_m for job in jobs
    ]
    return reach_m


def _covered(held: _Stone, listed: Any) -> pd.DataFrame:
    """Put what exposure says beside each stone; rows of stone that is not listed are empty."""
    place = np.full(len(held.names), -1, dtype=np.intp)
    codes = held.names.get_indexer(listed["stone_layer"] + "/" + listed["stone_id"])
    place[codes[::-1]] = np.arange(len(listed))[::-1]
    taken = place[held.code]
    found = listed[["because", "distance_m", "in_reach_probability", "rank"]].reset_index(drop=True)
    beside = found.reindex(np.where(taken < 0, len(found), taken)).reset_index(drop=True)
    verdict = pd.Series("covered", index=beside.index, dtype="str").where(taken >= 0)
    made: pd.DataFrame = beside.assign(verdict=verdict)
    return made


def _free(held: _Stone, what: Operation, reach_m: Floats, touching_m: float) -> pd.DataFrame:
    """Say of every stone why it would be free, by the nearest iron that is worked on."""
    worked = np.flatnonzero(~np.isnan(reach_m[held.pair_run]))
    nearest = np.full(len(held.names), -1, dtype=np.intp)
    nearest[held.pair_code[worked][::-1]] = worked[::-1]
    pair = nearest[held.code]
    near = pair >= 0
    away_m = np.where(near, held.distance_m[pair], np.nan) if len(worked) else _nothing(pair)
    sigma_m = np.where(near, held.sigma_m[pair], np.nan) if len(worked) else _nothing(pair)
    reach = np.fmax(reach_m[held.pair_run[pair]], touching_m) if len(worked) else _nothing(pair)
    chance = np.round(probability_in_reach(away_m, sigma_m, reach), 6)
    absent = np.asarray(held.frame["presence"].isin(list(GONE)), dtype=bool)
    return pd.DataFrame(
        {
            "because": _why_free(held, what, away_m, reach, absent),
            "distance_m": away_m,
            "in_reach_probability": np.where(near & ~absent, chance, np.nan),
            "verdict": pd.Series("free", index=range(len(pair)), dtype="str"),
        }
    )


def _nothing(pair: Places) -> Floats:
    return np.full(len(pair), np.nan)


def _why_free(
    held: _Stone, what: Operation, away_m: Floats, reach_m: Floats, absent: NDArray[np.bool_]
) -> pd.Series:
    """Word the reason: nothing there, too far, not downhill, or nothing near at all."""
    far = written(away_m, "{:.2f} m from the nearest iron worked on, beyond reach", digits=2)
    far = far + written(reach_m, " ({:.2f} m)", digits=2)
    dry = (away_m <= what.downhill_reach_m) & (what.downhill_reach_m > 0)
    why = np.where(np.isnan(away_m), "No iron worked on near enough to be looked at", far)
    why[dry] = far[dry] + " and uphill, out of the way of water"
    states = held.frame["presence"].to_numpy(object)[absent]
    why[absent] = "Recorded as '" + states + "': nothing stands there to be harmed"
    return pd.Series(why, dtype="str")
