"""Why a stone is listed, in words, for very many rows at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fencemap.kernels.wording import written

if TYPE_CHECKING:
    from fencemap.find.exposure import Rules

__all__ = ["sentences"]

Texts = NDArray[np.object_]
Floats = NDArray[np.float64]


def sentences(
    listed: Any,
    *,
    beside_m: Floats,
    recorded: NDArray[np.bool_],
    drop_m: Floats,
    rules: Rules,
) -> pd.Series:
    """Write one sentence a row: where the stone lies, and which rule lists it.

    Parameters
    ----------
    listed
        Frame with `distance_m`, `sigma_m`, `reach_m`, `in_reach_probability`,
        `way` and `run_id`.
    beside_m
        Shape (n,): reach beside the iron, without the way of water.
    recorded
        Shape (n,): the survey names the stone as carrying the run.
    drop_m
        Shape (n,): ground at the iron less ground at the stone; NaN not seen.
    rules
        The numbers by which stone is listed.
    """
    away_m = listed["distance_m"].to_numpy()
    distance = written(away_m, "{:.2f} m from the iron", digits=2)
    why = _by_reach(listed, distance, beside_m, rules)
    downhill = listed["way"].to_numpy(object) == "downhill"
    water = _by_water(distance, away_m, listed["reach_m"].to_numpy(), drop_m, rules)
    why[downhill] = water[downhill]
    why[away_m <= rules.under_m] = "Directly under the iron, or touching it"
    apart = written(away_m, ", though its coordinates lie {:.2f} m away", digits=2)
    apart = np.where(away_m > rules.under_m, apart, "")
    carrying = "Recorded as carrying run " + listed["run_id"].to_numpy(object) + apart
    why[recorded] = carrying[recorded]
    return pd.Series(why, dtype="str")


def _by_reach(listed: Any, distance: Texts, beside_m: Floats, rules: Rules) -> Texts:
    """Word stone that lies within reach, within touch, or may do so."""
    away_m = listed["distance_m"].to_numpy()
    reach = written(beside_m, "{:.2f} m", digits=2)
    sigma = written(listed["sigma_m"].to_numpy(), "{:.2f} m", digits=2)
    # Rounded up: what is listed at one per cent should not read as none.
    share = np.ceil(listed["in_reach_probability"].to_numpy() * 100)
    chance = written(share, "{:.0f} %", digits=0)
    within = distance + ", within reach (" + reach + ")"
    doubtful = (
        distance + ", beyond reach (" + reach + "), but known to " + sigma + " only: " + chance
    )
    why = np.where(away_m <= beside_m, within, doubtful + " likely within it")
    always = f", stone within {rules.touching_m:.2f} m of iron is always listed"
    found: Texts = np.where(away_m <= rules.touching_m, distance + always, why)
    return found


def _by_water(
    distance: Texts,
    away_m: Floats,
    reach_m: Floats,
    drop_m: Floats,
    rules: Rules,
) -> Texts:
    """Word stone that water may run to."""
    slope = 100 * drop_m / np.maximum(away_m, 1e-9)
    fall = written(slope, " and {:.0f} % downhill of it", digits=0)
    flat = written(slope, ", ground too flat to tell which way water runs ({:+.1f} %)", digits=1)
    unseen = ", its height not seen: water may run to it"
    where = np.where(np.isnan(slope), unseen, np.where(slope >= rules.flat_slope_pct, fall, flat))
    found: Texts = distance + where + written(reach_m, "; counted up to {:.2f} m", digits=2)
    return found
