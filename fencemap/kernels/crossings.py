"""Where a line runs inside a shape: one stretch, one station, by a fixed rule.

The station of a crossing is the middle of the longest stretch inside or along
the shape; of equally long ones the first. On a closed line a stretch may go
through the seam. Where line and shape only touch it is the point of touch.
"""

from __future__ import annotations

import numpy as np

from fencemap.kernels._compile import compiled
from fencemap.kernels.plane import TIE_M, Lines, Shapes, in_order, inside, share_of

__all__ = ["crossing_stretch"]


@compiled
def _on_outline(px: float, py: float, shapes: Shapes, p: int) -> bool:
    for k in range(shapes.shape[p], shapes.shape[p + 1]):
        j = shapes.ring[k + 1] - 1
        for i in range(shapes.ring[k], shapes.ring[k + 1]):
            xi, yi, xj, yj = shapes.x[i], shapes.y[i], shapes.x[j], shapes.y[j]
            u = share_of(px, py, xi, yi, xj, yj)
            if np.hypot(xi + u * (xj - xi) - px, yi + u * (yj - yi) - py) <= TIE_M:
                return True
            j = i
    return False


@compiled
def _cuts(shapes: Shapes, p: int, lines: Lines, s: int) -> list[float]:
    """Shares of a segment at which the outline of a shape meets it, ends included."""
    ax, ay = lines.ax[s], lines.ay[s]
    dx, dy = lines.bx[s] - ax, lines.by[s] - ay
    cuts = [0.0, 1.0]
    for k in range(shapes.shape[p], shapes.shape[p + 1]):
        j = shapes.ring[k + 1] - 1
        for i in range(shapes.ring[k], shapes.ring[k + 1]):
            xi, yi = shapes.x[i], shapes.y[i]
            ex, ey = shapes.x[j] - xi, shapes.y[j] - yi
            cross = dx * ey - dy * ex
            if cross != 0.0:
                t = ((xi - ax) * ey - (yi - ay) * ex) / cross
                u = ((xi - ax) * dy - (yi - ay) * dx) / cross
                if 0.0 < t < 1.0 and 0.0 <= u <= 1.0:
                    cuts.append(t)
            t = share_of(xi, yi, ax, ay, ax + dx, ay + dy)
            if np.hypot(xi - ax - t * dx, yi - ay - t * dy) <= TIE_M:
                cuts.append(t)
            j = i
    in_order(cuts, len(cuts))
    return cuts


@compiled
def _stretches(shapes: Shapes, p: int, lines: Lines, line: int) -> list[tuple[float, float]]:
    """Stretches of a line inside or along a shape, as stations, joined where they meet."""
    found = [(0.0, 0.0)]
    found.pop()
    s0, s1 = lines.first[line], lines.first[line + 1]
    for s in range(s0, s1):
        cuts = _cuts(shapes, p, lines, s)
        for c in range(len(cuts) - 1):
            t = 0.5 * (cuts[c] + cuts[c + 1])
            x = lines.ax[s] + t * (lines.bx[s] - lines.ax[s])
            y = lines.ay[s] + t * (lines.by[s] - lines.ay[s])
            if not inside(x, y, shapes, p) and not _on_outline(x, y, shapes, p):
                continue
            begin = lines.station_m[s] + cuts[c] * lines.length_m[s]
            end = lines.station_m[s] + cuts[c + 1] * lines.length_m[s]
            if len(found) > 0 and begin - found[-1][1] <= TIE_M:
                found[-1] = (found[-1][0], end)
            else:
                found.append((begin, end))
    total = lines.station_m[s1 - 1] + lines.length_m[s1 - 1]
    through = len(found) > 1 and found[0][0] <= TIE_M and found[-1][1] >= total - TIE_M
    if lines.closed[line] and through:
        found[-1] = (found[-1][0], total + found[0][1])
        found.pop(0)
    return found


@compiled
def _touch(shapes: Shapes, p: int, lines: Lines, s: int) -> float:
    """Share along a segment of the place nearest to the outline of a shape."""
    ax, ay, bx, by = lines.ax[s], lines.ay[s], lines.bx[s], lines.by[s]
    best, found = np.inf, 0.0
    for k in range(shapes.shape[p], shapes.shape[p + 1]):
        j = shapes.ring[k + 1] - 1
        for i in range(shapes.ring[k], shapes.ring[k + 1]):
            xi, yi, xj, yj = shapes.x[i], shapes.y[i], shapes.x[j], shapes.y[j]
            t = share_of(xi, yi, ax, ay, bx, by)
            d = np.hypot(xi - ax - t * (bx - ax), yi - ay - t * (by - ay))
            if d < best:
                best, found = d, t
            for end in range(2):
                ex, ey = (ax, ay) if end == 0 else (bx, by)
                u = share_of(ex, ey, xi, yi, xj, yj)
                d = np.hypot(xi + u * (xj - xi) - ex, yi + u * (yj - yi) - ey)
                if d < best:
                    best, found = d, float(end)
            j = i
    return found


@compiled
def crossing_stretch(
    shapes: Shapes, p: int, lines: Lines, touched: int
) -> tuple[float, float, float, float, float]:
    """Find the stretch by which a line crosses a shape that it is known to meet.

    Parameters
    ----------
    shapes, p
        The shape.
    lines, touched
        A segment of the line that meets it.

    Returns
    -------
    from_m, to_m, station_m, x, y
        The stretch, its middle, and where that is. `to_m` may go past the
        length of a closed line; the station never does.
    """
    line = lines.of[touched]
    s0, s1 = lines.first[line], lines.first[line + 1]
    total = lines.station_m[s1 - 1] + lines.length_m[s1 - 1]
    found = _stretches(shapes, p, lines, line)
    if len(found) == 0:
        at = lines.station_m[touched] + _touch(shapes, p, lines, touched) * lines.length_m[touched]
        found.append((at, at))
    best = 0
    for k in range(1, len(found)):
        longer = (found[k][1] - found[k][0]) - (found[best][1] - found[best][0])
        if longer > TIE_M:
            best = k
    begin, end = found[best]
    station = 0.5 * (begin + end)
    if station > total:
        station -= total
    s = s0
    while s + 1 < s1 and lines.station_m[s + 1] <= station:
        s += 1
    length = lines.length_m[s]
    t = min((station - lines.station_m[s]) / length, 1.0) if length > 0.0 else 0.0
    x = lines.ax[s] + t * (lines.bx[s] - lines.ax[s])
    y = lines.ay[s] + t * (lines.by[s] - lines.ay[s])
    return begin, end, station, x, y
