"""Shapes and lines in the plane as plain arrays, and the smallest questions about them."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fencemap.kernels._compile import compiled

__all__ = ["TIE_M", "Floats", "Integers", "Lines", "Pairs", "Shapes", "in_order",
    "inside", "lines_of", "share_of"]  # fmt: skip

Floats = NDArray[np.floating[Any]]
Integers = NDArray[np.integer[Any]]

TIE_M = 1e-9  # distances that differ by less are equal


class Shapes(NamedTuple):
    """Polygons or points: vertices, rings (``ring[i]:ring[i + 1]`` of them), shapes (of rings).

    The first vertex of a ring isn't repeated; a ring of one vertex is a point.
    """

    x: Floats
    y: Floats
    ring: Integers
    shape: Integers


class Lines(NamedTuple):
    """Segments from a to b, sorted by line and station; made by `lines_of`.

    Those of line i are ``first[i]:first[i + 1]``; `of` is the line of each
    segment, `station_m` that of its a; `closed` says that a line's last
    segment ends where its first begins.
    """

    ax: Floats
    ay: Floats
    bx: Floats
    by: Floats
    length_m: Floats
    station_m: Floats
    of: Integers
    first: Integers
    closed: NDArray[np.bool_]


class Pairs(NamedTuple):
    """One row for each shape and line within reach.

    `line_x, line_y` is the nearest place on the line, `shape_x, shape_y` that
    on the shape. Of crossings `from_m, to_m` is the stretch inside (`to_m` may
    go past the length of a closed line); of others both are the station.
    """

    shape: Integers
    line: Integers
    distance_m: Floats
    station_m: Floats
    side: Integers
    line_x: Floats
    line_y: Floats
    shape_x: Floats
    shape_y: Floats
    from_m: Floats
    to_m: Floats


def lines_of(x: Floats, y: Floats, offset: Integers) -> Lines:
    """Cut polylines into segments.

    Parameters
    ----------
    x, y
        Vertices of all lines one after the other, metres.
    offset
        (n + 1,) where each line begins in them. A line of one vertex becomes
        one segment of no length.

    Examples
    --------
    >>> made = lines_of(np.array([0.0, 3.0, 3.0]), np.array([0.0, 0.0, 4.0]), np.array([0, 3]))
    >>> made.station_m.tolist(), made.length_m.tolist()
    ([0.0, 3.0], [3.0, 4.0])
    """
    counts = np.diff(offset)
    kept = np.ones(len(x), bool)
    kept[offset[1:][counts > 1] - 1] = False  # a line's last vertex begins no segment
    a = np.flatnonzero(kept)
    of = np.repeat(np.arange(len(counts)), counts)[a]
    b = np.where(counts[of] > 1, a + 1, a)
    length = np.hypot(x[b] - x[a], y[b] - y[a])
    first = np.concatenate([[0], np.cumsum(np.maximum(counts - 1, 1))])
    walked = np.concatenate([[0.0], np.cumsum(length)])
    station = walked[:-1] - walked[first[:-1]][of]
    start, stop = offset[:-1], offset[1:] - 1
    closed = (counts > 3) & (x[start] == x[stop]) & (y[start] == y[stop])
    return Lines(x[a], y[a], x[b], y[b], length, station, of, first, closed)


@compiled
def in_order(values: Any, count: int) -> None:
    """Put the first `count` of a few values in order, in place."""
    for i in range(1, count):
        v = values[i]
        j = i - 1
        while j >= 0 and values[j] > v:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = v


@compiled
def share_of(px: float, py: float, ax: float, ay: float, bx: float, by: float) -> float:
    """Share of the way from a to b of the place nearest to p."""
    dx, dy = bx - ax, by - ay
    length2 = dx * dx + dy * dy
    if length2 == 0.0:
        return 0.0
    return min(max(((px - ax) * dx + (py - ay) * dy) / length2, 0.0), 1.0)


@compiled
def inside(px: float, py: float, shapes: Shapes, p: int) -> bool:
    """Whether a point lies inside shape p (holes are outside), by counting crossings."""
    odd = False
    for k in range(shapes.shape[p], shapes.shape[p + 1]):
        j = shapes.ring[k + 1] - 1
        for i in range(shapes.ring[k], shapes.ring[k + 1]):
            yi, yj = shapes.y[i], shapes.y[j]
            if (yi > py) != (yj > py):
                at = shapes.x[i] + (py - yi) * (shapes.x[j] - shapes.x[i]) / (yj - yi)
                if px < at:
                    odd = not odd
            j = i
    return odd
