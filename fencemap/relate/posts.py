"""The order of posts along a run.

Recorded numbers are believed. Posts that share a number are set so that the
way through them is shortest. Posts without numbers are put where they lengthen
the way least; when none has one, the shortest tour through all of them is
walked and opened at its longest leg, or between the two posts recorded as
ends. Legs as wide as a gate are kept like any other.

A run is closed when

1. its first post was recorded again as its last, or
2. a panel or gate is numbered like its last post, or else
3. no post is an end, no panel leaves just that bay out, and the last post
   lies within the longest bay of the first;

and of 2 and 3 only when the posts enclose a surface (more than a twentieth of
that of a circle of the same length), for a straight run leads nowhere back.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise, permutations

import numpy as np
from numpy.typing import NDArray

__all__ = ["Order", "encloses", "order_of", "shortest_tour", "swapped"]

Floats = NDArray[np.float64]
_MOST_TRIED = 5  # posts of one number that are tried in every order
_AGAIN_M = 0.05  # the first post, recorded again at the end of a round
_ENCLOSES = 0.05  # share of the surface of a circle with the same length


@dataclass(frozen=True, slots=True)
class Order:
    """Posts of one run as walked: places in the arrays that were handed in."""

    walk: list[int]
    recorded: bool
    repeated: list[int]
    placed: list[int]
    closed: bool


def _length_of(xy: Floats, walk: list[int], *, closed: bool = False) -> float:
    """Length of a walk over points, metres."""
    along = xy[walk + walk[:1]] if closed else xy[walk]
    return float(np.hypot(*np.diff(along, axis=0).T).sum())


def encloses(xy: Floats) -> bool:
    """Whether a ring of points encloses a surface, rather than doubling back on itself."""
    if len(xy) < 3:
        return False
    ahead = np.roll(xy, -1, axis=0)
    off, next_off = xy - xy[0], ahead - xy[0]
    area = abs(float(np.sum(off[:, 0] * next_off[:, 1] - off[:, 1] * next_off[:, 0]))) / 2.0
    length = float(np.hypot(*(ahead - xy).T).sum())
    return 4.0 * np.pi * area > _ENCLOSES * length**2


def _nearest_walk(distance: Floats, start: int) -> list[int]:
    """Go on to the nearest post not yet met."""
    left = np.ones(len(distance), bool)
    walk = [start]
    left[start] = False
    while left.any():
        away = np.where(left, distance[walk[-1]], np.inf)
        walk.append(int(np.argmin(away)))
        left[walk[-1]] = False
    return walk


def shortest_tour(xy: Floats) -> list[int]:
    """Find the shortest round through points: nearest neighbour from each, then 2-opt.

    Parameters
    ----------
    xy
        (n, 2) places in metres.

    Returns
    -------
    Places in the array, as a ring. A heuristic: exact for the few posts along
    convex enclosures that it is meant for, near the shortest elsewhere.

    Examples
    --------
    >>> corners = np.array([[0.0, 0.0], [4.0, 4.0], [4.0, 0.0], [0.0, 4.0]])
    >>> shortest_tour(corners)
    [0, 2, 1, 3]
    """
    n = len(xy)
    if n < 4:
        return list(range(n))
    distance = np.hypot(xy[:, None, 0] - xy[:, 0], xy[:, None, 1] - xy[:, 1])
    starts = range(0, n, max(1, n // 8))
    tours = [_untangled(_nearest_walk(distance, start), distance) for start in starts]
    best = min(tours, key=lambda tour: round(_length_of(xy, tour, closed=True), 6))
    at = best.index(0)
    turned = best[at:] + best[:at]
    return turned if turned[1] <= turned[-1] else turned[:1] + turned[:0:-1]


def _untangled(tour: list[int], distance: Floats) -> list[int]:
    """Turn parts of a ring round as long as that makes it shorter (2-opt)."""
    ring = np.array(tour)
    n = len(ring)
    while True:
        ahead = np.roll(ring, -1)
        now = distance[ring, ahead]
        gain = now[:, None] + now - distance[ring[:, None], ring] - distance[ahead[:, None], ahead]
        gain[np.tril_indices(n)] = 0.0
        i, j = np.unravel_index(int(np.argmax(gain)), gain.shape)
        if gain[i, j] <= 1e-9:
            return [int(place) for place in ring]
        ring[i + 1 : j + 1] = ring[i + 1 : j + 1][::-1]


def _inferred(xy: Floats, names: list[str], ends: list[int], longest_m: float) -> tuple[list[int], bool]:  # fmt: skip
    """Walk posts that carry no number; also whether they close."""
    ring = shortest_tour(xy)
    legs = [_length_of(xy, [a, b]) for a, b in zip(ring, ring[1:] + ring[:1], strict=True)]
    closed = not ends and len(ring) > 2 and max(legs) <= longest_m and encloses(xy[ring])
    if closed:
        at = min(range(len(ring)), key=lambda place: names[ring[place]])
        walk = ring[at:] + ring[:at]
        return (walk if names[walk[1]] <= names[walk[-1]] else walk[:1] + walk[:0:-1]), True
    candidates = range(len(ring))
    beside = [k for k in candidates if {ring[k], ring[(k + 1) % len(ring)]} <= set(ends)]
    cut = max(beside or candidates, key=lambda place: (round(legs[place], 6), -place))
    walk = ring[cut + 1 :] + ring[: cut + 1]
    return (walk if names[walk[0]] <= names[walk[-1]] else walk[::-1]), False


def _settle_repeated(xy: Floats, walk: list[int], order: Floats) -> list[int]:
    """Put posts that share a number in the order that makes the way shortest."""
    settled = list(walk)
    start = 0
    while start < len(settled):
        stop = start + 1
        while stop < len(settled) and order[settled[stop]] == order[settled[start]]:
            stop += 1
        same = settled[start:stop]
        if 1 < len(same) <= _MOST_TRIED:
            before, after = settled[max(start - 1, 0) : start], settled[stop : stop + 1]
            tried = [list(one) for one in permutations(same)]
            best = min(tried, key=lambda one: round(_length_of(xy, [*before, *one, *after]), 6))
            settled[start:stop] = best
        start = stop
    return settled


def _inserted(xy: Floats, walk: list[int], more: list[int]) -> list[int]:
    """Put posts without a number where they lengthen the way least, each in turn."""
    made = list(walk)
    for post in more:
        ways = [[*made[:at], post, *made[at:]] for at in range(len(made) + 1)]
        made = min(ways, key=lambda way: round(_length_of(xy, way), 6))
    return made


def order_of(
    xy: Floats,
    order: Floats,
    *,
    names: list[str],
    ends: list[int],
    panels: set[int],
    longest_m: float,
) -> Order:
    """Put the posts of one run in order.

    Parameters
    ----------
    xy
        (n, 2) places in metres.
    order
        (n,) recorded numbers; NaN where there is none.
    names
        Element ids, for the direction of a run that has no numbers.
    ends
        Places of posts recorded as ends.
    panels
        Numbers that the run's panels and gates carry.
    longest_m
        Longest leg by which a run may close.
    """
    numbered = np.flatnonzero(~np.isnan(order))
    if not len(numbered):
        if len(xy) < 2:
            return Order(list(range(len(xy))), recorded=False, repeated=[], placed=[], closed=False)
        walk, closed = _inferred(xy, names, ends, longest_m)
        return Order(walk, recorded=False, repeated=[], placed=[], closed=closed)
    by_number = sorted((int(place) for place in numbered), key=lambda place: (order[place], names[place]))  # fmt: skip
    walk = _settle_repeated(xy, by_number, order)
    repeated = [b for a, b in pairwise(by_number) if order[a] == order[b]]
    placed = sorted(
        (int(place) for place in np.flatnonzero(np.isnan(order))), key=names.__getitem__
    )
    walk = _inserted(xy, walk, placed)
    last, first = int(np.nanmax(order)), int(np.nanmin(order))
    if len(walk) > 3 and _length_of(xy, [walk[-1], walk[0]]) <= _AGAIN_M:
        return Order(walk[:-1], recorded=not placed, repeated=repeated, placed=placed, closed=True)
    out = bool(ends) or bool(panels and set(range(first, last)) <= panels)
    short = _length_of(xy, [walk[-1], walk[0]]) <= longest_m
    closed = encloses(xy[walk]) and (last in panels or (short and not out))
    return Order(walk, recorded=not placed, repeated=repeated, placed=placed, closed=closed)


def swapped(xy: Floats, *, least_m: float) -> list[tuple[int, float]]:
    """Find neighbours whose numbers seem to have changed places.

    Parameters
    ----------
    xy
        (n, 2) posts as walked.
    least_m
        Metres by which the way must get shorter when they change places.

    Returns
    -------
    Place of the first of the two, and the metres saved.
    """
    if len(xy) < 4:
        return []
    a, b, c, d = xy[:-3], xy[1:-2], xy[2:-1], xy[3:]
    now = np.hypot(*(b - a).T) + np.hypot(*(d - c).T)
    other = np.hypot(*(c - a).T) + np.hypot(*(d - b).T)
    saved = now - other
    return [(int(at) + 1, float(saved[at])) for at in np.flatnonzero(saved > least_m)]
