"""Slope, aspect, flow directions, flow accumulation and filling of a height grid.

Grids are (rows, columns) with row 0 in the north and column 0 in the west;
NaN is "not seen" and never takes part in an answer.
"""

from __future__ import annotations

import heapq
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fencemap.kernels._compile import compiled

__all__ = [
    "D8_CODE",
    "D8_COLUMN",
    "D8_ROW",
    "accumulation",
    "aspect_deg",
    "d8",
    "fill",
    "slope_deg",
]

Floats = NDArray[np.floating[Any]]
Integers = NDArray[np.integer[Any]]

# Neighbours clockwise from east, and the direction code of each (1 E, 2 SE, 4 S ... 128 NE).
D8_ROW = np.array([0, 1, 1, 1, 0, -1, -1, -1])
D8_COLUMN = np.array([1, 1, 0, -1, -1, -1, 0, 1])
D8_CODE = np.array([1, 2, 4, 8, 16, 32, 64, 128], dtype=np.uint8)


@compiled
def _gradient(values: Floats, cell_m: float) -> tuple[Floats, Floats]:
    """Rise per metre towards the east and towards the south (Horn 1981); NaN at the edge."""
    rows, cols = values.shape
    east, south = np.full((rows, cols), np.nan), np.full((rows, cols), np.nan)
    for r in range(1, rows - 1):
        for c in range(1, cols - 1):
            if np.isnan(values[r, c]):
                continue
            nw, n, ne = values[r - 1, c - 1], values[r - 1, c], values[r - 1, c + 1]
            w, e = values[r, c - 1], values[r, c + 1]
            sw, s, se = values[r + 1, c - 1], values[r + 1, c], values[r + 1, c + 1]
            east[r, c] = ((ne + 2 * e + se) - (nw + 2 * w + sw)) / (8 * cell_m)
            south[r, c] = ((sw + 2 * s + se) - (nw + 2 * n + ne)) / (8 * cell_m)
    return east, south


@compiled
def slope_deg(values: Floats, cell_m: float) -> Floats:
    """Slope in degrees by the third-order finite difference of Horn (1981).

    Parameters
    ----------
    values
        (rows, columns) heights in metres.
    cell_m
        Cell size.

    Returns
    -------
    (rows, columns); NaN in the outer ring and where one of the nine is NaN.
    """
    east, south = _gradient(values, cell_m)
    return np.degrees(np.arctan(np.hypot(east, south)))


@compiled
def aspect_deg(values: Floats, cell_m: float) -> Floats:
    """Direction that the slope faces (downhill), degrees clockwise from north; flat is NaN.

    Parameters and shape are those of `slope_deg`.
    """
    east, south = _gradient(values, cell_m)
    found = np.full(values.shape, np.nan)
    rows, cols = values.shape
    for r in range(rows):
        for c in range(cols):
            if np.isnan(east[r, c]) or (east[r, c] == 0.0 and south[r, c] == 0.0):
                continue
            found[r, c] = np.degrees(np.arctan2(-east[r, c], south[r, c])) % 360.0
    return found


@compiled
def d8(values: Floats) -> NDArray[np.uint8]:
    """Direction of steepest descent to one of eight neighbours (O'Callaghan and Mark 1984).

    Parameters
    ----------
    values
        (rows, columns) heights; square cells.

    Returns
    -------
    (rows, columns): 1 E, 2 SE, 4 S, 8 SW, 16 W, 32 NW, 64 N, 128 NE; 0 where
    no neighbour is lower and where the cell was not seen. Water never leaves
    the grid by the edge or into a cell that was not seen. Of equal descents
    the first, clockwise from east, is taken.
    """
    rows, cols = values.shape
    found = np.zeros((rows, cols), np.uint8)
    for r in range(rows):
        for c in range(cols):
            best = 0.0
            for k in range(8):
                i, j = r + D8_ROW[k], c + D8_COLUMN[k]
                if 0 <= i < rows and 0 <= j < cols:
                    fall = values[r, c] - values[i, j]
                    if k % 2:
                        fall /= np.sqrt(2.0)
                    if fall > best:  # false for NaN
                        best = fall
                        found[r, c] = D8_CODE[k]
    return found


@compiled
def _downstream(direction: NDArray[np.uint8]) -> Integers:
    """Flat index of the cell each cell drains to; -1 for none."""
    rows, cols = direction.shape
    found = np.full(rows * cols, -1, np.int64)
    for r in range(rows):
        for c in range(cols):
            for k in range(8):
                if direction[r, c] == D8_CODE[k]:
                    i, j = r + D8_ROW[k], c + D8_COLUMN[k]
                    if 0 <= i < rows and 0 <= j < cols:
                        found[r * cols + c] = i * cols + j
    return found


@compiled
def accumulation(direction: NDArray[np.uint8]) -> Integers:
    """Count the cells that drain through each cell, itself included.

    Parameters
    ----------
    direction
        (rows, columns) codes as `d8` gives them.

    Returns
    -------
    (rows, columns) whole numbers. Directions that run in a circle (which `d8`
    never makes) keep what reached them.
    """
    rows, cols = direction.shape
    down = _downstream(direction)
    waiting = np.zeros(rows * cols, np.int64)
    for i in range(rows * cols):
        if down[i] >= 0:
            waiting[down[i]] += 1
    total = np.ones(rows * cols, np.int64)
    for start in range(rows * cols):
        i = start
        while waiting[i] == 0:
            waiting[i] = -1  # done
            if down[i] < 0:
                break
            total[down[i]] += total[i]
            waiting[down[i]] -= 1
            i = down[i]
    return total.reshape((rows, cols))


@compiled
def fill(values: Floats) -> Floats:
    """Raise every hollow to its lowest spill (priority flood, Barnes et al. 2014).

    Parameters
    ----------
    values
        (rows, columns) heights. Water leaves at the edge of the grid and
        beside cells that were not seen.

    Returns
    -------
    (rows, columns): the lowest surface, nowhere below `values`, from which
    water can leave without rising; NaN stays NaN.
    """
    rows, cols = values.shape
    filled = values.copy()
    done = np.isnan(values)
    queue = [(0.0, -1)]
    queue.pop()
    for r in range(rows):
        for c in range(cols):
            if done[r, c]:
                continue
            edge = r == 0 or c == 0 or r == rows - 1 or c == cols - 1
            if not edge:
                for k in range(8):
                    edge = edge or np.isnan(values[r + D8_ROW[k], c + D8_COLUMN[k]])
            if edge:
                queue.append((float(values[r, c]), r * cols + c))
    for _, cell in queue:
        done[cell // cols, cell % cols] = True
    heapq.heapify(queue)
    while len(queue) > 0:
        level, cell = heapq.heappop(queue)
        r, c = cell // cols, cell % cols
        for k in range(8):
            i, j = r + D8_ROW[k], c + D8_COLUMN[k]
            if 0 <= i < rows and 0 <= j < cols and not done[i, j]:
                done[i, j] = True
                filled[i, j] = max(values[i, j], level)
                heapq.heappush(queue, (float(filled[i, j]), i * cols + j))
    return filled
