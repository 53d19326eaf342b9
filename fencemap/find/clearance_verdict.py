"""From errors to answers: gap, probability of contact, and the verdict of each step."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fencemap.find.clearance_cells import Flags, Floats

__all__ = ["Gap", "lower_of", "single", "verdicts"]

_NODES = 9  # Gauss-Hermite nodes over the rail's own error


@dataclass(frozen=True, slots=True)
class Gap:
    """Gap in metres, its standard deviation, and the probability of contact."""

    mean_m: Floats
    sigma_m: Floats
    contact: Floats


def single(mean_m: Floats, sigma_m: Floats, *, contact_m: float) -> Gap:
    """Give the gap over one surface."""
    from scipy.special import ndtr

    return Gap(mean_m, sigma_m, ndtr((contact_m - mean_m) / sigma_m))


def lower_of(soil: Gap, stone: Gap, *, rail_sigma_m: Floats, contact_m: float) -> Gap:
    """Give the gap over soil or stone, whichever stands higher.

    Both gaps share the rail's error, so they aren't independent. Mean and
    variance of the lower are those of Clark (1961); the probability is taken
    over the rail's error first, by Gauss-Hermite quadrature, within which the
    two are independent.

    Parameters
    ----------
    soil, stone
        Gaps over each.
    rail_sigma_m
        Standard deviation that the two have in common.
    contact_m
        Largest gap that counts as contact.
    """
    from scipy.special import ndtr

    shared = np.minimum(rail_sigma_m, 0.95 * np.minimum(soil.sigma_m, stone.sigma_m))
    a, b = soil, stone
    theta = np.sqrt(np.maximum(a.sigma_m**2 + b.sigma_m**2 - 2.0 * shared**2, 1e-12))
    alpha = (b.mean_m - a.mean_m) / theta
    density = np.exp(-0.5 * alpha**2) / np.sqrt(2.0 * np.pi)
    first = a.mean_m * ndtr(alpha) + b.mean_m * ndtr(-alpha) - theta * density
    second = (
        (a.mean_m**2 + a.sigma_m**2) * ndtr(alpha)
        + (b.mean_m**2 + b.sigma_m**2) * ndtr(-alpha)
        - (a.mean_m + b.mean_m) * theta * density
    )
    node, weight = np.polynomial.hermite_e.hermegauss(_NODES)
    weight = weight / weight.sum()
    clear = np.zeros(len(a.mean_m))
    own_a, own_b = (np.sqrt(np.maximum(g.sigma_m**2 - shared**2, 1e-12)) for g in (a, b))
    for z, w in zip(node, weight, strict=True):
        limit = contact_m - z * shared
        clear += w * ndtr((a.mean_m - limit) / own_a) * ndtr((b.mean_m - limit) / own_b)
    return Gap(first, np.sqrt(np.maximum(second - first**2, 1e-12)), 1.0 - clear)


def verdicts(
    contact: Floats,
    length_m: Floats,
    *,
    rail: Flags,
    seen: Flags,
    stone: Flags,
    certain: float,
    budget_pct: float,
) -> NDArray[np.object_]:
    """Call each step in contact, over stone, clear, undecided, not seen or no rail.

    Steps are called clear in order of their probability until the metres
    expected to touch among them reach the budget; steps of equal probability
    go together, and none is called clear at more than ``1 - certain``.

    Parameters
    ----------
    contact, length_m
        (n,) probability of contact and length of each step.
    rail, seen
        Where a rail hangs, and where both it and what is under it were seen.
    stone
        Where stone is what lies under it.
    certain
        Probability from which a rail is in contact.
    budget_pct
        Share of all metres seen that may be called clear though they touch.
    """
    known = rail & seen
    found = np.full(len(contact), "undecided", object)
    found[known & (contact <= _clear_limit(contact[known], length_m[known], certain, budget_pct))] = "clear"  # fmt: skip
    touching = known & (contact >= certain)
    found[touching] = np.where(stone[touching], "over stone", "in contact")
    found[rail & ~seen] = "not seen"
    found[~rail] = "no rail"
    return found


def _clear_limit(contact: Floats, length_m: Floats, certain: float, budget_pct: float) -> float:
    """Highest probability that may still be called clear; below 0 if none may."""
    if not len(contact):
        return -1.0
    order = np.argsort(contact, kind="stable")
    spent = np.cumsum((contact * length_m)[order])
    limits = contact[order]
    last_of_equal = np.append(limits[1:] != limits[:-1], True)
    budget = budget_pct / 100.0 * float(length_m.sum())
    good = last_of_equal & (spent <= budget * (1.0 + 1e-12)) & (limits <= 1.0 - certain)
    return float(limits[good].max()) if good.any() else -1.0
