"""The shortest way through posts whose order nobody wrote down."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["shortest_way"]


def shortest_way(xy: NDArray[np.float64], names: Sequence[str]) -> NDArray[np.int64]:
    """Find a short open way that visits every place once.

    From each place the nearest unvisited one is taken in turn, the best of
    these ways is kept, and crossings are undone (2-opt) until none is left.
    Posts of a fence lie along a line, where this finds the order they stand
    in; it is a guess all the same, and callers must say that it is one.

    Parameters
    ----------
    xy
        (n, 2) easting and northing, metres.
    names
        Their names: of the two directions the one that begins at the lower
        name is taken, so that the order of the rows changes nothing.

    Returns
    -------
    (n,) indices into `xy`.

    References
    ----------
    G. A. Croes, A method for solving traveling-salesman problems, Operations
    Research 6 (1958), 791-812: the 2-opt exchange.

    Examples
    --------
    >>> shortest_way(np.array([[0.0, 0], [4, 0], [2, 0]]), ["a", "b", "c"]).tolist()
    [0, 2, 1]
    """
    place = np.array(sorted(range(len(xy)), key=lambda index: names[index]), dtype=np.int64)
    distance = np.hypot(*(xy[place][:, None] - xy[place][None]).transpose(2, 0, 1))
    ways = [_untangled(_greedy(distance, start), distance) for start in range(len(place))]
    best = min(ways, key=lambda way: round(_length(way, distance), 9))
    if best[0] > best[-1]:
        best = best[::-1]
    return place[best]


def _greedy(distance: NDArray[np.float64], start: int) -> NDArray[np.int64]:
    left = np.ones(len(distance), bool)
    way = [start]
    left[start] = False
    while left.any():
        near = int(np.argmin(np.where(left, distance[way[-1]], np.inf)))
        way.append(near)
        left[near] = False
    return np.array(way, dtype=np.int64)


def _length(way: NDArray[np.int64], distance: NDArray[np.float64]) -> float:
    return float(distance[way[:-1], way[1:]].sum())


def _untangled(way: NDArray[np.int64], distance: NDArray[np.float64]) -> NDArray[np.int64]:
    """Turn stretches round as long as that shortens the way."""
    better = True
    while better:
        better = False
        for first in range(len(way) - 1):
            for last in range(first + 1, len(way)):
                turned = np.concatenate([way[:first], way[first : last + 1][::-1], way[last + 1 :]])
                if _length(turned, distance) < _length(way, distance) - 1e-9:
                    way, better = turned, True
    return way
