"""How likely stone is within reach of iron when both positions are uncertain."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fencemap.kernels._compile import compiled

__all__ = ["most_likely", "probability_in_reach"]

Floats = NDArray[np.floating[Any]]
Integers = NDArray[np.integer[Any]]


@compiled
def probability_in_reach(distance_m: Floats, sigma_m: Floats, reach_m: Floats) -> Floats:
    """Probability that the true distance is at most the reach: Phi((reach - distance) / sigma).

    The distance is taken along its own line with a normal error. A signed
    distance below 0 is stone lying under the iron, which is in reach, so that
    part of the normal counts as in reach and is not cut off. For convex
    shapes the true distance is never less than the signed one along that
    line, whatever the error across it; the figure is therefore never too low.

    Parameters
    ----------
    distance_m, sigma_m, reach_m
        Shape (n,): nominal distance in plan, its standard deviation (0 is
        certain), and the reach.

    Examples
    --------
    >>> one = np.array([1.0])
    >>> round(float(probability_in_reach(one, np.array([0.1]), np.array([0.9]))[0]), 4)
    0.1587
    """
    found = np.empty(distance_m.shape[0])
    for i in range(distance_m.shape[0]):
        short = distance_m[i] - reach_m[i]
        if sigma_m[i] > 0.0:
            found[i] = 0.5 * math.erfc(short / (sigma_m[i] * math.sqrt(2.0)))
        else:
            found[i] = 1.0 if short <= 0.0 else 0.0
    return found


@compiled
def most_likely(thing: Integers, probability: Floats, distance_m: Floats, count: int) -> Integers:
    """Find each thing's pair with the highest probability, then the shortest distance.

    Parameters
    ----------
    thing, probability, distance_m
        Shape (n,), one a pair; `thing` is 0 to count - 1. Of pairs that are
        alike the first one stands.
    count
        Number of things.

    Returns
    -------
    (count,) place of the pair, or -1 for a thing that has none.
    """
    best = np.full(count, -1)
    for pair in range(thing.shape[0]):
        held = best[thing[pair]]
        if (
            held < 0
            or probability[pair] > probability[held]
            or (probability[pair] == probability[held] and distance_m[pair] < distance_m[held])
        ):
            best[thing[pair]] = pair
    return best
