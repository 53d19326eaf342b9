"""Stations along lines, and what a raster shows there and beside them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fencemap.kernels._compile import compiled

__all__ = ["bilinear", "cross_sections", "densify", "running_median", "step_counts"]

Floats = NDArray[np.floating[Any]]
Integers = NDArray[np.integer[Any]]


@compiled
def step_counts(length_m: Floats, step_m: float) -> Integers:
    """Count the equal steps, none longer than `step_m`, that fill each length.

    Parameters
    ----------
    length_m
        Lengths, (n,) in metres.
    step_m
        Longest step.

    Returns
    -------
    (n,) whole numbers, at least 1. A length that is a whole number of steps
    but for a millionth of one is not given one more.
    """
    counts = np.empty(len(length_m), np.int64)
    for i in range(len(length_m)):
        counts[i] = max(1, int(np.ceil(length_m[i] / step_m - 1e-6)))
    return counts


@compiled
def densify(
    x: Floats, y: Floats, offset: Integers, step_m: float
) -> tuple[Integers, Floats, Floats, Floats]:
    """Place stations along polylines at equal steps, both ends included.

    Each polyline is divided into equal steps no longer than `step_m`, so a
    line walked the other way has the same stations. Corners get no station of
    their own.

    Parameters
    ----------
    x, y
        Vertices of all lines one after the other, (v,) in metres.
    offset
        (n + 1,) where each line begins in them.
    step_m
        Longest step.

    Returns
    -------
    line, station_m, x, y
        Index of the line, distance along it, and place, one a station.
    """
    lines = len(offset) - 1
    length = np.zeros(lines)
    for i in range(lines):
        for v in range(offset[i] + 1, offset[i + 1]):
            length[i] += np.hypot(x[v] - x[v - 1], y[v] - y[v - 1])
    counts = step_counts(length, step_m)
    total = 0
    for i in range(lines):
        total += counts[i] + 1
    line = np.empty(total, np.int64)
    station, px, py = np.empty(total), np.empty(total), np.empty(total)
    at = 0
    for i in range(lines):
        v, walked = offset[i], 0.0
        piece = np.hypot(x[v + 1] - x[v], y[v + 1] - y[v])
        for k in range(counts[i] + 1):
            s = length[i] * k / counts[i]
            while walked + piece < s and v + 2 < offset[i + 1]:
                walked += piece
                v += 1
                piece = np.hypot(x[v + 1] - x[v], y[v + 1] - y[v])
            share = min(max((s - walked) / piece, 0.0), 1.0) if piece > 0.0 else 0.0
            line[at], station[at] = i, s
            px[at] = x[v] + share * (x[v + 1] - x[v])
            py[at] = y[v] + share * (y[v + 1] - y[v])
            at += 1
    return line, station, px, py


@compiled
def _bilinear_at(values: Floats, col: float, row: float) -> float:
    """Value between cell centres; NaN off the raster or beside a cell that was not seen."""
    rows, cols = values.shape
    if not (col >= 0.0 and row >= 0.0 and col <= cols - 1 and row <= rows - 1):
        return np.nan
    c, r = min(int(col), max(cols - 2, 0)), min(int(row), max(rows - 2, 0))
    right, down = col - c, row - r
    total = 0.0
    for j in range(2):
        for i in range(2):
            weight = (right if i else 1.0 - right) * (down if j else 1.0 - down)
            if weight > 0.0:
                total += weight * values[r + j, c + i]
    return total


@compiled
def bilinear(values: Floats, col: Floats, row: Floats) -> Floats:
    """Read a raster between its cell centres.

    Parameters
    ----------
    values
        (rows, columns); NaN is "not seen".
    col, row
        (n,) places in cells; (0, 0) is the centre of the first cell.

    Returns
    -------
    (n,) float64. NaN where the place is off the raster, or where any cell
    that would take part was not seen: a hole is never bridged.
    """
    found = np.empty(len(col))
    for i in range(len(col)):
        found[i] = _bilinear_at(values, col[i], row[i])
    return found


@compiled
def _median(values: Floats, count: int) -> float:
    """Median of the first `count` values, which are put in order in place."""
    for i in range(1, count):
        v = values[i]
        j = i - 1
        while j >= 0 and values[j] > v:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = v
    half = count // 2
    return float(values[half] if count % 2 else 0.5 * (values[half - 1] + values[half]))


@compiled
def cross_sections(
    values: Floats,
    col: Floats,
    row: Floats,
    left_col: Floats,
    left_row: Floats,
    offset_m: Floats,
    strip: Integers,
    strips: int,
) -> Floats:
    """Read strips across a line, on both sides and in the line itself.

    Parameters
    ----------
    values
        (rows, columns) heights; NaN is "not seen".
    col, row
        (n,) places of the stations in cells, as in `bilinear`.
    left_col, left_row
        (n,) cells gone by one metre to the left of the line.
    offset_m, strip
        (k,) distances from the line that are read on each side, and the
        strip (0 to strips - 1) that each belongs to.
    strips
        How many strips a side has.

    Returns
    -------
    (n, 2 * strips + 1): median of each strip left, then right, then the value
    in the line. A strip is NaN when fewer than half of its readings were seen.
    """
    n, k = len(col), len(offset_m)
    found = np.full((n, 2 * strips + 1), np.nan)
    seen = np.empty(k)
    wanted = np.zeros(strips, np.int64)
    for o in range(k):
        wanted[strip[o]] += 1
    for i in range(n):
        for side in range(2):
            way = 1.0 if side == 0 else -1.0
            for s in range(strips):
                count = 0
                for o in range(k):
                    if strip[o] == s:
                        d = way * offset_m[o]
                        v = _bilinear_at(values, col[i] + d * left_col[i], row[i] + d * left_row[i])
                        if not np.isnan(v):
                            seen[count] = v
                            count += 1
                if count > 0 and 2 * count >= wanted[s]:
                    found[i, side * strips + s] = _median(seen, count)
        found[i, 2 * strips] = _bilinear_at(values, col[i], row[i])
    return found


@compiled
def running_median(values: Floats, group: Integers, half: int) -> Floats:
    """Median over each row and its neighbours of the same group.

    Parameters
    ----------
    values
        (n, k); every column by itself. NaN is left out.
    group
        (n,) rows of one group stand together; windows stop at its ends.
    half
        Rows on either side; the window shrinks evenly towards an end, so a
        slope is not bent there.

    Returns
    -------
    (n, k); NaN where fewer than half of a window's values were seen.
    """
    n, k = values.shape
    found = np.full((n, k), np.nan)
    window = np.empty(2 * half + 1)
    first = 0
    while first < n:
        last = first
        while last + 1 < n and group[last + 1] == group[first]:
            last += 1
        for i in range(first, last + 1):
            reach = min(half, i - first, last - i)
            for c in range(k):
                count = 0
                for j in range(i - reach, i + reach + 1):
                    if not np.isnan(values[j, c]):
                        window[count] = values[j, c]
                        count += 1
                if 2 * count >= 2 * reach + 1:
                    found[i, c] = _median(window, count)
        first = last + 1
    return found
