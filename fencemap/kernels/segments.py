"""Nearest pairs of shapes and lines, found through a uniform grid.

Shapes are polygons (rings, holes included) or single points; lines are runs of
straight segments with stations. All plan geometry, metres.

Rules, so that every answer is the only one:

- A shape that a line crosses or touches, or that holds the line, is at
  distance 0 and lies `ON` it; see `fencemap.kernels.crossings` for its station.
- Where a whole stretch of one segment is equally near, its middle is taken;
  of several equally near segments the first.
- A shape nearest to a corner lies on the outer side of the turn; past the end
  of an open line the side is that of the last segment drawn on.
"""

from __future__ import annotations

import numpy as np

from fencemap.kernels._compile import compiled
from fencemap.kernels.crossings import crossing_stretch
from fencemap.kernels.plane import (
    TIE_M,
    Floats,
    Integers,
    Lines,
    Pairs,
    Shapes,
    in_order,
    inside,
    share_of,
)

__all__ = ["LEFT", "ON", "RIGHT", "pairs_within"]

LEFT, ON, RIGHT = 1, 0, -1
_MOST_CELLS = 4_000_000.0
_COLUMNS = 7  # shape, line, distance, segment, share along it, place on the shape


@compiled
def _cells_of(lines: Lines, s: int, cell: float) -> tuple[int, int, int, int]:
    """First and last column and row of the cells that a segment's bounds touch."""
    return (
        int(min(lines.ax[s], lines.bx[s]) / cell),
        int(max(lines.ax[s], lines.bx[s]) / cell),
        int(min(lines.ay[s], lines.by[s]) / cell),
        int(max(lines.ay[s], lines.by[s]) / cell),
    )


@compiled
def _binned(lines: Lines, cell: float, cols: int, rows: int) -> tuple[Integers, Integers]:
    """List the segments of each cell, as (start of each cell's, segments)."""
    start = np.zeros(cols * rows + 1, np.int64)
    for s in range(len(lines.ax)):
        c0, c1, r0, r1 = _cells_of(lines, s, cell)
        for r in range(r0, r1 + 1):
            for c in range(c0, c1 + 1):
                start[r * cols + c + 1] += 1
    start = np.cumsum(start)
    held = np.empty(start[-1], np.int64)
    at = start[:-1].copy()
    for s in range(len(lines.ax)):
        c0, c1, r0, r1 = _cells_of(lines, s, cell)
        for r in range(r0, r1 + 1):
            for c in range(c0, c1 + 1):
                held[at[r * cols + c]] = s
                at[r * cols + c] += 1
    return start, held


@compiled
def _meets(ax: float, ay: float, bx: float, by: float, shapes: Shapes, i: int, j: int) -> bool:
    """Whether a-b and the edge i-j cross inside both; touching is found by distance."""
    cx, cy, dx, dy = shapes.x[i], shapes.y[i], shapes.x[j], shapes.y[j]
    abc = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
    abd = (bx - ax) * (dy - ay) - (by - ay) * (dx - ax)
    cda = (dx - cx) * (ay - cy) - (dy - cy) * (ax - cx)
    cdb = (dx - cx) * (by - cy) - (dy - cy) * (bx - cx)
    return bool(abc * abd < 0.0 and cda * cdb < 0.0)


@compiled
def _nearest_on(px: float, py: float, shapes: Shapes, p: int) -> tuple[float, float, float]:
    """Distance from a point to the outline of shape p, and the nearest place on it."""
    best, qx, qy = np.inf, px, py
    for k in range(shapes.shape[p], shapes.shape[p + 1]):
        j = shapes.ring[k + 1] - 1
        for i in range(shapes.ring[k], shapes.ring[k + 1]):
            u = share_of(px, py, shapes.x[i], shapes.y[i], shapes.x[j], shapes.y[j])
            sx = shapes.x[i] + u * (shapes.x[j] - shapes.x[i])
            sy = shapes.y[i] + u * (shapes.y[j] - shapes.y[i])
            d = np.hypot(sx - px, sy - py)
            if d < best:
                best, qx, qy = d, sx, sy
            j = i
    return best, qx, qy


@compiled
def _to_shape(lines: Lines, s: int, shapes: Shapes, p: int) -> tuple[float, float, float, float]:
    """Distance from segment to shape, share along the segment, nearest place on the shape."""
    ax, ay, bx, by = lines.ax[s], lines.ay[s], lines.bx[s], lines.by[s]
    if inside(ax, ay, shapes, p):
        return 0.0, 0.0, ax, ay
    # Two shapes that don't cross are nearest at a corner of one of them.
    best, qx, qy = _nearest_on(ax, ay, shapes, p)
    low, high = 0.0, 0.0
    d, sx, sy = _nearest_on(bx, by, shapes, p)
    if d < best - TIE_M:
        best, low, high, qx, qy = d, 1.0, 1.0, sx, sy
    elif d <= best + TIE_M:
        high = 1.0
    for k in range(shapes.shape[p], shapes.shape[p + 1]):
        j = shapes.ring[k + 1] - 1
        for i in range(shapes.ring[k], shapes.ring[k + 1]):
            if _meets(ax, ay, bx, by, shapes, i, j):
                return 0.0, 0.0, ax, ay
            j = i
            t = share_of(shapes.x[i], shapes.y[i], ax, ay, bx, by)
            d = np.hypot(shapes.x[i] - ax - t * (bx - ax), shapes.y[i] - ay - t * (by - ay))
            if d < best - TIE_M:
                best, low, high, qx, qy = d, t, t, shapes.x[i], shapes.y[i]
            elif d <= best + TIE_M:
                low, high = min(low, t), max(high, t)
    if best <= TIE_M:
        return 0.0, 0.0, ax, ay
    if high > low:  # beside a parallel edge: opposite the middle of the stretch
        middle = 0.5 * (low + high)
        d, sx, sy = _nearest_on(ax + middle * (bx - ax), ay + middle * (by - ay), shapes, p)
        if d <= best + 2.0 * TIE_M:
            return best, middle, sx, sy
        _, qx, qy = _nearest_on(ax + low * (bx - ax), ay + low * (by - ay), shapes, p)
    return best, low, qx, qy


@compiled
def _bounds(shapes: Shapes, p: int, rim: float) -> tuple[float, float, float, float]:
    """West, south, east, north of a shape with a rim around it."""
    west, south, east, north = np.inf, np.inf, -np.inf, -np.inf
    for v in range(shapes.ring[shapes.shape[p]], shapes.ring[shapes.shape[p + 1]]):
        west, east = min(west, shapes.x[v]), max(east, shapes.x[v])
        south, north = min(south, shapes.y[v]), max(north, shapes.y[v])
    return west - rim, south - rim, east + rim, north + rim


@compiled
def _may_meet(lines: Lines, s: int, x0: float, y0: float, x1: float, y1: float) -> bool:
    """Whether the bounds of a segment reach into a box."""
    beside = max(lines.ax[s], lines.bx[s]) < x0 or min(lines.ax[s], lines.bx[s]) > x1
    return not (beside or max(lines.ay[s], lines.by[s]) < y0 or min(lines.ay[s], lines.by[s]) > y1)


@compiled
def _beyond(lines: Lines, s: int, x: float, y: float, far: float) -> bool:
    """Whether a segment is farther from a place than `far`."""
    u = share_of(x, y, lines.ax[s], lines.ay[s], lines.bx[s], lines.by[s])
    dx = lines.ax[s] + u * (lines.bx[s] - lines.ax[s]) - x
    dy = lines.ay[s] + u * (lines.by[s] - lines.ay[s]) - y
    return bool(dx * dx + dy * dy > far * far)


@compiled
def _longer(rows: Floats, count: int) -> Floats:
    """Copy rows into an array that holds twice as many, and at least `count`."""
    grown = np.empty((max(2 * len(rows), count), _COLUMNS))
    for i in range(len(rows)):
        for c in range(_COLUMNS):
            grown[i, c] = rows[i, c]
    return grown


@compiled
def _search(
    shapes: Shapes,
    lines: Lines,
    reach_m: Floats,
    cell: float,
    size: tuple[int, int],
    start: Integers,
    held: Integers,
) -> Floats:
    """Walk over all shapes; one row of `_COLUMNS` numbers for each near line."""
    cols, rows = size
    lines_count = len(lines.first) - 1
    stamp = np.full(len(lines.ax), -1, np.int64)
    best = np.full(lines_count, np.inf)
    kept = np.zeros((lines_count, 4))  # segment, share along it, place on the shape
    touched = np.empty(lines_count, np.int64)
    out: Floats = np.empty((1024, _COLUMNS))
    count = 0
    for p in range(len(shapes.shape) - 1):
        x0, y0, x1, y1 = _bounds(shapes, p, reach_m[p])
        # A segment farther from the disc around the shape than what is known can't be nearer.
        mx, my = 0.5 * (x0 + x1), 0.5 * (y0 + y1)
        radius = np.hypot(mx - x0 - reach_m[p], my - y0 - reach_m[p]) + 2.0 * TIE_M
        near = 0
        for r in range(max(int(y0 / cell), 0), min(int(y1 / cell), rows - 1) + 1):
            for c in range(max(int(x0 / cell), 0), min(int(x1 / cell), cols - 1) + 1):
                for k in range(start[r * cols + c], start[r * cols + c + 1]):
                    s = held[k]
                    if stamp[s] == p:
                        continue
                    stamp[s] = p
                    line = lines.of[s]
                    far = radius + min(reach_m[p], best[line])
                    if not _may_meet(lines, s, x0, y0, x1, y1) or _beyond(lines, s, mx, my, far):
                        continue
                    d, t, qx, qy = _to_shape(lines, s, shapes, p)
                    if d > reach_m[p]:
                        continue
                    if best[line] == np.inf:
                        touched[near] = line
                        near += 1
                    nearer = d < best[line] - TIE_M
                    if nearer or (d <= best[line] + TIE_M and s < kept[line, 0]):
                        best[line] = d if nearer else min(d, best[line])
                        kept[line, 0], kept[line, 1] = s, t
                        kept[line, 2], kept[line, 3] = qx, qy
        if count + near > len(out):
            out = _longer(out, count + near)
        in_order(touched, near)
        for k in range(near):
            line = touched[k]
            out[count, 0], out[count, 1], out[count, 2] = p, line, best[line]
            for c in range(4):
                out[count, 3 + c] = kept[line, c]
            best[line] = np.inf
            count += 1
    return out[:count]


@compiled
def _side(lines: Lines, s: int, t: float, dx: float, dy: float) -> int:
    """Side on which a place off the line lies; (dx, dy) leads from the line to it."""
    line = lines.of[s]
    s0, s1 = lines.first[line], lines.first[line + 1]
    ux, uy = lines.bx[s] - lines.ax[s], lines.by[s] - lines.ay[s]
    other = -1
    if t <= 0.0 and (s > s0 or lines.closed[line]):
        other = s - 1 if s > s0 else s1 - 1
    elif t >= 1.0 and (s < s1 - 1 or lines.closed[line]):
        other = s + 1 if s < s1 - 1 else s0
    if other >= 0:
        wx, wy = lines.bx[other] - lines.ax[other], lines.by[other] - lines.ay[other]
        turn = wx * uy - wy * ux if t <= 0.0 else ux * wy - uy * wx
        if abs(turn) > TIE_M * np.hypot(ux, uy) * np.hypot(wx, wy):
            return RIGHT if turn > 0.0 else LEFT
    cross = ux * dy - uy * dx
    if abs(cross) <= TIE_M * np.hypot(ux, uy):
        return ON
    return LEFT if cross > 0.0 else RIGHT


@compiled
def _settle(shapes: Shapes, lines: Lines, rows: Floats) -> Floats:
    """Turn the search's rows into station, side, both places, and the stretch inside."""
    found = np.zeros((len(rows), 8))
    for i in range(len(rows)):
        s, t = int(rows[i, 3]), rows[i, 4]
        if rows[i, 2] > 0.0:
            x = lines.ax[s] + t * (lines.bx[s] - lines.ax[s])
            y = lines.ay[s] + t * (lines.by[s] - lines.ay[s])
            station = lines.station_m[s] + t * lines.length_m[s]
            found[i, 1] = _side(lines, s, t, rows[i, 5] - x, rows[i, 6] - y)
            found[i, 4], found[i, 5] = rows[i, 5], rows[i, 6]
            found[i, 6], found[i, 7] = station, station
        else:
            begin, end, station, x, y = crossing_stretch(shapes, int(rows[i, 0]), lines, s)
            found[i, 1] = ON
            found[i, 4], found[i, 5] = x, y
            found[i, 6], found[i, 7] = begin, end
        found[i, 0], found[i, 2], found[i, 3] = station, x, y
    return found


def pairs_within(shapes: Shapes, lines: Lines, *, reach_m: Floats | float) -> Pairs:
    """Find every line within reach of every shape, with the nearest places.

    Parameters
    ----------
    shapes, lines
        What to compare; coordinates in metres, of any size.
    reach_m
        Longest distance that is listed, one number or one a shape.

    Returns
    -------
    Pairs, sorted by shape and line, by the rules at the top of this module.

    Examples
    --------
    >>> import numpy as np
    >>> from fencemap.kernels.plane import Shapes, lines_of
    >>> from fencemap.kernels.segments import pairs_within
    >>> stone = Shapes(np.array([2.0]), np.array([1.0]), np.array([0, 1]), np.array([0, 1]))
    >>> fence = lines_of(np.array([0.0, 5.0]), np.array([0.0, 0.0]), np.array([0, 2]))
    >>> found = pairs_within(stone, fence, reach_m=3.0)
    >>> float(found.distance_m[0]), float(found.station_m[0]), int(found.side[0])
    (1.0, 2.0, 1)
    """
    if not len(lines.ax) or not len(shapes.x):
        nothing, none = np.empty(0), np.empty(0, np.int64)
        return Pairs(none, none, nothing, nothing, none, *[nothing] * 6)
    reach = np.broadcast_to(np.asarray(reach_m, float), len(shapes.shape) - 1).copy()
    # Small numbers near the place itself keep the digits that a long northing eats.
    west, south = float(min(lines.ax.min(), lines.bx.min())), float(min(lines.ay.min(), lines.by.min()))  # fmt: skip
    lines = lines._replace(ax=lines.ax - west, bx=lines.bx - west, ay=lines.ay - south, by=lines.by - south)  # fmt: skip
    shapes = shapes._replace(x=shapes.x - west, y=shapes.y - south)
    width = float(max(lines.ax.max(), lines.bx.max()))
    height = float(max(lines.ay.max(), lines.by.max()))
    cell = max(float(np.median(reach)) / 3.0, 1.0, ((width + 1.0) * (height + 1.0) / _MOST_CELLS) ** 0.5)  # fmt: skip
    size = int(width / cell) + 1, int(height / cell) + 1
    start, held = _binned(lines, cell, *size)
    rows = _search(shapes, lines, reach, cell, size, start, held)
    found = _settle(shapes, lines, rows)
    shift = np.array([0.0, 0.0, west, south, west, south, 0.0, 0.0])
    station, side, *places = (found + shift).T
    whole = rows[:, :2].astype(np.int64).T
    return Pairs(whole[0], whole[1], rows[:, 2], station, side.astype(np.int64), *places)
