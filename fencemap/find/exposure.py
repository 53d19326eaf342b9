"""Stone that an operation can reach: how likely, how bad, and why it is listed.

A stone is listed for an operation when it nominally lies within reach, when
the probability of that is at least `exposure.listed_from`, when it lies within
`exposure.touching_m` of iron, or when the survey records it as carrying the
fence. Doubt only ever adds: an unknown position has a wide standard deviation,
unknown stone counts as the most sensitive, and ground that was not seen may
lie downhill.

Water is judged here from two heights only, the ground at the iron and at the
stone. Stone counts as uphill, and so as free of runoff, only when it rises by
more than `exposure.flat_slope_pct`; no path is traced.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fencemap.find.pairs import Pairs, check_search, gone, pairs_of_stone
from fencemap.operations import Job, Operation, Plan, Practice, sensitivities

__all__ = ["Rules", "exposed_stone"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Rules:
    """The numbers by which stone is listed; see `practice.toml`."""

    touching_m: float
    under_m: float
    listed_from: float
    flat_slope_pct: float
    unknown_sigma_m: float

    @classmethod
    def of(cls, practice: Practice) -> Rules:
        """Read them from practice, with the site's values."""
        return cls(
            touching_m=float(practice("exposure.touching_m").value),
            under_m=float(practice("exposure.under_m").value),
            listed_from=float(practice("exposure.listed_from").value),
            flat_slope_pct=float(practice("exposure.flat_slope_pct").value),
            unknown_sigma_m=float(practice("accuracy.unknown.sigma_h_m").value),
        )


def exposed_stone(
    stone: Any, stone_reach: Any, runs: Any, *, plan: Plan, practice: Practice
) -> pd.DataFrame:
    """List every stone that some operation can reach, worst first within each phase.

    One row a stone, phase and operation, for the run from which it is most
    likely reached (then the nearest, then the first by name). Rank within a
    phase: what cannot be undone first (irreversibility 1, such as rust
    converter), then severity times probability, then distance, then names.

    Parameters
    ----------
    stone
        Frame of `fencemap.operations.all_stone`; polygons in the site's CRS.
    stone_reach, runs
        The layers of those names.
    plan
        Operations and the runs they are planned on.
    practice
        Looks up a default, with the site's value where it has one.

    Returns
    -------
    Columns of the layer `exposure` but its origin, and `geometry`; `stone_uid`
    is the identity of the stone.

    Raises
    ------
    PipelineError
        `stone_reach` was not searched as far as the reaches ask.
    LayerError
        `stone_reach` names stones or runs that are not there.
    """
    rules = Rules.of(practice)
    runs = runs.sort_values("run_id", ignore_index=True)
    pairs = pairs_of_stone(stone, stone_reach, runs, unknown_sigma_m=rules.unknown_sigma_m)
    groups = [(phase, what, _reaches(jobs, runs)) for phase, what, jobs in plan.groups()]
    check_search(
        pairs, stone, runs,
        reach_m=_widest(groups, len(runs), rules),
        listed_from=rules.listed_from, unknown_sigma_m=rules.unknown_sigma_m,
    )  # fmt: skip
    there = ~gone(stone)[pairs.stone]
    sensitivity = _sensitivity(stone, practice)
    parts = [
        _one_operation(
            pairs, stone, runs, phase=phase, what=what, reach_m=reach_m[pairs.run],
            there=there, sensitivity=sensitivity, rules=rules,
        )
        for phase, what, reach_m in groups
    ]  # fmt: skip
    return _ranked(pd.concat(parts, ignore_index=True)) if parts else pd.DataFrame()


def _reaches(jobs: list[Job], runs: Any) -> Floats:
    """Reach on each run; NaN for runs that are not worked on."""
    reach_m = np.full(len(runs), np.nan)
    reach_m[pd.Index(runs["run_id"]).get_indexer([job.run_id for job in jobs])] = [
        job.reach_m for job in jobs
    ]
    return reach_m


def _widest(groups: list[tuple[str, Operation, Floats]], count: int, rules: Rules) -> Floats:
    """Widest reach of anything planned on each run."""
    widest = np.full(count, rules.touching_m)
    for _, what, reach_m in groups:
        worked = np.where(np.isnan(reach_m), 0.0, np.fmax(reach_m, what.downhill_reach_m))
        widest = np.fmax(widest, worked)
    return widest


def _sensitivity(stone: Any, practice: Practice) -> Floats:
    weights = sensitivities(practice)
    kinds = stone["stone_type"].fillna("unknown")
    return np.asarray(kinds.map(weights), dtype=np.float64)


def _one_operation(  # noqa: PLR0913  the table of pairs and what one operation asks of it
    pairs: Pairs,
    stone: Any,
    runs: Any,
    *,
    phase: str,
    what: Operation,
    reach_m: Floats,
    there: Flags,
    sensitivity: Floats,
    rules: Rules,
) -> pd.DataFrame:
    """List the stone that one operation of one phase reaches, one row a stone."""
    from fencemap.find.because import sentences
    from fencemap.kernels.reach import most_likely, probability_in_reach

    worked = there & ~np.isnan(reach_m)
    beside_m = np.fmax(np.nan_to_num(reach_m), rules.touching_m)
    wet = _may_be_downhill(pairs, what, rules)
    used_m = np.where(wet, np.fmax(beside_m, what.downhill_reach_m), beside_m)
    chance = probability_in_reach(pairs.distance_m, pairs.sigma_m, used_m)
    chance = np.where(pairs.recorded, 1.0, np.minimum(chance, 1.0))
    listed = worked & ((chance >= rules.listed_from) | (pairs.distance_m <= used_m))
    rows = np.flatnonzero(listed)
    # What the survey records outweighs even stone that coordinates put under another run.
    away_m = np.where(pairs.recorded, -1.0, pairs.distance_m)[rows]
    best = most_likely(pairs.stone[rows], chance[rows], away_m, len(stone))
    rows = rows[best[best >= 0]]
    of, run = pairs.stone[rows], pairs.run[rows]
    way = _way(pairs, rows, what, beside_m=beside_m, wet=wet, rules=rules)
    told = stone.iloc[of][["stone_id", "stone_layer", "stone_type", "geometry"]]
    frame: pd.DataFrame = told.reset_index(drop=True).assign(
        stone_uid=stone["uid"].array[of],
        phase=_repeated(phase, len(rows)),
        operation=_repeated(what.name, len(rows)),
        run_id=runs["run_id"].array[run],
        station_m=pairs.station_m[rows],
        side=pd.Series(pairs.side[rows], dtype="str"),
        distance_m=pairs.distance_m[rows],
        sigma_m=pairs.sigma_m[rows],
        reach_m=used_m[rows],
        in_reach_probability=chance[rows],
        way=pd.Series(way, dtype="str"),
        severity=what.irreversibility * sensitivity[of],
        harm=_repeated(what.harm, len(rows)),
        beyond_remedy=what.irreversibility >= 1.0,
    )
    frame["because"] = sentences(
        frame,
        beside_m=beside_m[rows],
        recorded=pairs.recorded[rows],
        drop_m=pairs.drop_m[rows],
        rules=rules,
    )
    return frame


def _may_be_downhill(pairs: Pairs, what: Operation, rules: Rules) -> Flags:
    """Whether water could run from iron to stone: all but stone that clearly lies higher."""
    if what.downhill_reach_m <= 0.0:
        return np.zeros(len(pairs.stone), bool)
    limit = -rules.flat_slope_pct / 100.0 * pairs.distance_m
    return ~(pairs.drop_m < limit)  # a height that was not seen is no proof


def _way(
    pairs: Pairs,
    rows: NDArray[np.intp],
    what: Operation,
    *,
    beside_m: Floats,
    wet: Flags,
    rules: Rules,
) -> NDArray[Any]:
    """Name how the harm gets to each listed stone."""
    away_m = pairs.distance_m[rows]
    under = (away_m <= rules.under_m) | pairs.recorded[rows]
    beside = "under" if what.way == "beside" else what.way
    far = wet[rows] & (away_m > beside_m[rows])
    return np.select([under, far], [beside, "downhill"], default=what.way)


def _repeated(word: str, count: int) -> Any:
    return pd.Series(pd.array([word], dtype="str").take(np.zeros(count, dtype=np.intp)))


def _ranked(frame: pd.DataFrame) -> pd.DataFrame:
    """Sort by phase and gravity, and number each phase from 1."""
    score = frame["severity"] * frame["in_reach_probability"]
    order = frame.assign(worst=~frame["beyond_remedy"], score=-score).sort_values(
        [
            "phase",
            "worst",
            "score",
            "distance_m",
            "stone_id",
            "stone_layer",
            "operation",
            "stone_uid",
        ],
        kind="stable",
    )
    ranked = order.drop(columns=["worst", "score", "beyond_remedy"]).reset_index(drop=True)
    return ranked.assign(rank=ranked.groupby("phase", sort=False).cumcount() + 1)
