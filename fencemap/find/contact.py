"""Stretches of bottom rail of one verdict, and how likely any of each touches."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from fencemap.layers import layer, uids
from fencemap.site import Site, Survey

__all__ = ["any_contact", "stretch_layer"]

_STEP = "find/contact_stretches"
_NODES = 31
Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


def any_contact(
    probability: Floats, station_m: Floats, first: Integers, *, correlation_m: float, shared: float
) -> Floats:
    """Probability that at least one step of each stretch touches, errors taken together.

    Errors along a rail are not independent: the product of all chances of
    being clear is far too small. A share of the variance is taken as common to
    the stretch (bias of survey, run and model), and the rest as the same
    within `correlation_m` and independent beyond. Given the common part, a
    piece of that length touches with the probability of its worst step and
    pieces are independent; the common part is integrated out by Gauss-Hermite
    quadrature. The answer is never below the largest single probability and
    never above what independent steps would give.

    Parameters
    ----------
    probability
        (n,) of each step; stretches one after the other.
    station_m
        (n,) middles of the steps.
    first
        (k,) where each stretch begins.
    correlation_m, shared
        Length within which errors are the same, and share of the variance
        common to a stretch, 0 to 1.
    """
    from scipy.special import ndtr, ndtri

    if not len(first):
        return np.empty(0)
    counts = np.diff(np.append(first, len(probability)))
    along = station_m - np.repeat(station_m[first], counts)
    piece = np.floor(along / correlation_m + 1e-9)
    begins = np.ones(len(piece), bool)
    begins[1:] = piece[1:] != piece[:-1]
    begins[first] = True
    pieces = np.flatnonzero(begins)
    worst = ndtri(np.clip(np.maximum.reduceat(probability, pieces), 1e-300, 1.0 - 1e-16))
    first_piece = np.searchsorted(pieces, first)
    node, weight = np.polynomial.hermite_e.hermegauss(_NODES)
    clear = np.zeros(len(first))
    for z, w in zip(node, weight / weight.sum(), strict=True):
        touching = ndtr((worst + np.sqrt(shared) * z) / np.sqrt(max(1.0 - shared, 1e-12)))
        missed = np.log1p(-np.minimum(touching, 1.0 - 1e-16))
        clear += w * np.exp(np.add.reduceat(missed, first_piece))
    return np.clip(np.maximum(1.0 - clear, np.maximum.reduceat(probability, first)), 0.0, 1.0)


def stretch_layer(
    rail_clearance: Any, *, site: Site, survey: Survey, correlation_m: float, shared: float
) -> Any:
    """Make the layer `soil_contact`: steps of one bay, verdict and surface that follow each other.

    Bays without a rail have no stretch. Where nothing was seen the length
    stands alone, without numbers. `expected_contact_m` is the sum of
    probability times length, whatever the verdict: adding it up over a run
    gives the length to be expected there, which the stretches called "in
    contact" alone always understate.
    """
    steps = rail_clearance[rail_clearance["contact"] != "no rail"]
    steps = steps.sort_values(["run_id", "from_m"], ignore_index=True)
    if not len(steps):
        return layer("soil_contact").empty(site.crs)
    keys = ["run_id", "bay_id", "contact", "surface"]
    code = np.column_stack([pd.factorize(steps[key])[0] for key in keys])
    new = np.ones(len(steps), bool)
    new[1:] = (code[1:] != code[:-1]).any(axis=1)
    # A stretch of a bay without a rail between two with one parts them, too.
    start, stop = steps["from_m"].to_numpy(float), steps["to_m"].to_numpy(float)
    new[1:] |= np.abs(start[1:] - stop[:-1]) > 1e-6
    first = np.flatnonzero(new)
    last = np.append(first[1:], len(steps)) - 1
    length = stop - start
    chance = steps["contact_probability"].to_numpy(float)
    gap, sigma = steps["gap_mm"].to_numpy(float), steps["sigma_mm"].to_numpy(float)
    total = np.add.reduceat(length, first)
    ends = shapely.get_coordinates(np.asarray(steps.geometry, object)).reshape(-1, 2, 2)
    seen = ~np.isnan(chance[first])
    both = any_contact(
        np.nan_to_num(chance),
        0.5 * (start + stop),
        first,
        correlation_m=correlation_m,
        shared=shared,
    )
    at = steps.iloc[first].reset_index(drop=True)
    names = [f"{run}/{begin:.4f}" for run, begin in zip(at["run_id"], start[first], strict=True)]
    return layer("soil_contact").conform(
        {
            "uid": uids(site.uid, survey.id, "soil_contact", names),
            "survey_id": [survey.id] * len(at),
            "source_file": [_STEP] * len(at),
            **{name: at[name] for name in ("run_id", "bay_id", "contact", "surface")},
            "from_m": start[first],
            "to_m": stop[last],
            "length_m": total,
            "expected_contact_m": np.add.reduceat(chance * length, first),
            "any_contact_probability": np.where(seen, both, np.nan),
            "gap_mm": np.add.reduceat(gap * length, first) / total,
            "least_gap_mm": np.minimum.reduceat(gap, first),
            "sigma_mm": np.add.reduceat(sigma * length, first) / total,
        },
        geometry=shapely.linestrings(np.stack([ends[first, 0], ends[last, 1]], axis=1)),
        crs=site.crs,
    )
