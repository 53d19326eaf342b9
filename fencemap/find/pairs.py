"""Every stone with every run near it, as plain arrays, and proof that none is lacking."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from fencemap.errors import LayerError, PipelineError
from fencemap.operations import GONE

__all__ = ["Pairs", "check_search", "gone", "pairs_of_stone"]

Floats = NDArray[np.float64]
Integers = NDArray[np.intp]
_KEYS = ["stone_layer", "stone_id"]
_SHOWN = 3


@dataclass(frozen=True, slots=True)
class Pairs:
    """One entry a pair, sorted by stone and run; `stone` and `run` are rows of their frames.

    `recorded` marks curbs that the survey names as carrying the run: what was
    seen on site outweighs coordinates.
    """

    stone: Integers
    run: Integers
    distance_m: Floats
    sigma_m: Floats
    station_m: Floats
    side: NDArray[np.object_]
    drop_m: Floats
    recorded: NDArray[np.bool_]


def gone(stone: Any) -> NDArray[np.bool_]:
    """Say of which stone nothing stands there any more; stone never looked at stands."""
    return np.asarray(stone["presence"].isin(list(GONE)), dtype=bool)


def pairs_of_stone(stone: Any, stone_reach: Any, runs: Any, *, unknown_sigma_m: float) -> Pairs:
    """Join the layer `stone_reach` to the rows of stone and runs.

    A pair whose stone or run has no known accuracy gets at least that of an
    unknown position. A curb recorded as carrying a run is paired with it even
    where the coordinates set them apart.

    Parameters
    ----------
    stone
        Frame of `fencemap.operations.all_stone`.
    stone_reach, runs
        The layers of those names.
    unknown_sigma_m
        Standard deviation per axis of a position that says nothing of itself.

    Raises
    ------
    LayerError
        `stone_reach` names a stone or a run that its layers do not have.
    """
    left = stone_reach.reset_index(drop=True)
    left["place"] = np.arange(len(left))
    keyed = stone[_KEYS].assign(stone=np.arange(len(stone)))
    joined = left.merge(keyed, on=_KEYS, how="left")
    joined["run"] = pd.Index(runs["run_id"]).get_indexer(joined["run_id"])
    _check_names(joined)
    sigma = _pair_sigma(stone, runs, joined["stone"], joined["run"], unknown_sigma_m)
    unknown = np.isnan(_sigmas(stone)[joined["stone"].to_numpy(np.intp)])
    unknown |= np.isnan(_sigmas(runs)[joined["run"].to_numpy(np.intp)])
    measured = joined["sigma_m"].to_numpy(np.float64)
    found = Pairs(
        stone=joined["stone"].to_numpy(np.intp),
        run=joined["run"].to_numpy(np.intp),
        distance_m=joined["distance_m"].to_numpy(np.float64),
        sigma_m=np.where(unknown, np.fmax(measured, sigma), measured),
        station_m=joined["station_m"].to_numpy(np.float64),
        side=joined["side"].to_numpy(object),
        drop_m=joined["height_difference_m"].to_numpy(np.float64),
        recorded=np.zeros(len(joined), bool),
    )
    return _with_recorded(found, stone, runs, unknown_sigma_m)


def _check_names(joined: Any) -> None:
    problems = []
    if (lost := joined["stone"].isna()).any():
        names = ", ".join(joined.loc[lost, "stone_id"].iloc[:_SHOWN])
        problems.append(f"stones that are in neither stones nor curbs: {names}")
    if (lost := joined["run"] < 0).any():
        names = ", ".join(joined.loc[lost, "run_id"].iloc[:_SHOWN])
        problems.append(f"runs that are not in runs: {names}")
    if problems:
        raise LayerError("stone_reach", problems)


def _sigmas(frame: Any) -> Floats:
    return np.asarray(frame["sigma_h_m"], dtype=np.float64)


def _pair_sigma(stone: Any, runs: Any, of_stone: Any, of_run: Any, unknown_m: float) -> Floats:
    """Combine both positions' standard deviations; unknown ones count as `unknown_m`."""
    first, second = (
        _sigmas(stone)[np.asarray(of_stone, np.intp)],
        _sigmas(runs)[np.asarray(of_run, np.intp)],
    )
    first, second = (np.where(np.isnan(part), unknown_m, part) for part in (first, second))
    return np.hypot(first, second)


def _with_recorded(pairs: Pairs, stone: Any, runs: Any, unknown_sigma_m: float) -> Pairs:
    """Mark pairs that the survey records, add those that lack, and sort."""
    carries = pd.Index(runs["run_id"]).get_indexer(stone["on_run"].fillna(""))
    on = np.flatnonzero(carries >= 0)
    known = pairs.stone * len(runs) + pairs.run
    wanted = on * len(runs) + carries[on]
    new = on[~np.isin(wanted, known)]
    lines = shapely.force_2d(np.asarray(runs.geometry, object)[carries[new]])
    shapes = np.asarray(stone["geometry"], object)[new]
    joint = np.isin(known, wanted)
    added = {
        "stone": new,
        "run": carries[new],
        "distance_m": shapely.distance(shapes, lines),
        "sigma_m": _pair_sigma(stone, runs, new, carries[new], unknown_sigma_m),
        "station_m": shapely.line_locate_point(lines, shapely.centroid(shapes)),
        "side": np.full(len(new), "unknown", object),
        "drop_m": np.full(len(new), np.nan),
        "recorded": np.ones(len(new), bool),
    }
    whole = {name: np.concatenate([getattr(pairs, name), added[name]]) for name in added}
    whole["recorded"][: len(joint)] = joint
    order = np.lexsort((whole["run"], whole["stone"]))
    return Pairs(**{name: values[order] for name, values in whole.items()})


def check_search(
    pairs: Pairs,
    stone: Any,
    runs: Any,
    *,
    reach_m: Floats,
    listed_from: float,
    unknown_sigma_m: float,
) -> None:
    """Prove that `stone_reach` was searched far enough to list everything that must be.

    Looks up anew, in the geometry itself, every stone and run within the
    run's widest reach plus the width that their accuracy adds, and fails when
    one of these pairs is lacking: a stone that was never looked for would
    otherwise pass for free.

    Parameters
    ----------
    reach_m
        Shape (runs,): the widest reach of any operation on each run.
    listed_from
        Probability of being in reach from which a stone is listed.

    Raises
    ------
    PipelineError
        Pairs are lacking; the message says how far to search.
    """
    from statistics import NormalDist

    if not len(stone) or not len(runs):
        return
    widths = NormalDist().inv_cdf(1 - listed_from)
    shapes = np.asarray(stone["geometry"], object)
    lines = shapely.force_2d(np.asarray(runs.geometry, object))
    sigma = np.nan_to_num(_sigmas(stone), nan=unknown_sigma_m)
    worst = np.nan_to_num(_sigmas(runs), nan=unknown_sigma_m).max()
    far_m = np.nanmax(reach_m) + widths * np.hypot(sigma, worst)
    one, other = shapely.STRtree(lines).query(shapes, predicate="dwithin", distance=far_m)
    lacking = ~np.isin(one * len(runs) + other, pairs.stone * len(runs) + pairs.run)
    lacking &= ~gone(stone)[one]
    one, other = one[lacking], other[lacking]
    needed = reach_m[other] + widths * _pair_sigma(stone, runs, one, other, unknown_sigma_m)
    short = shapely.distance(shapes[one], lines[other]) < needed - 1e-6
    if not short.any():
        return
    worst_pair = int(np.argmax(np.where(short, needed, -1.0)))
    stone_id, run_id = (
        stone["stone_id"].iloc[one[worst_pair]],
        runs["run_id"].iloc[other[worst_pair]],
    )
    raise PipelineError(
        f"layer 'stone_reach' was not searched far enough: {int(short.sum())} pairs of stone and run"
        f" are lacking, such as stone {stone_id} and run {run_id},"
        f" which must be looked for up to {needed[worst_pair]:.2f} m",
        stage="find",
        step="exposure_of_stone",
        remedy=f"Search at least {np.ceil(needed[short].max() * 10) / 10:.1f} m where"
        " stone_reach is made.",
    )
