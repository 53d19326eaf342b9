"""How near every stone and curb is to every run of iron around it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from fencemap.grid import HeightSource
from fencemap.kernels.plane import Lines, Pairs, Shapes, lines_of
from fencemap.layers import layer, uids
from fencemap.site import Site, Survey

__all__ = ["DOUBT_WIDTHS", "reach_layer"]

DOUBT_WIDTHS = 3.0  # standard deviations that the search goes beyond its distance
_STUB_M = 0.0005
_TILE_PX = 1024


def reach_layer(  # noqa: PLR0913  what is measured, against what, and by which numbers
    stones: Any,
    curbs: Any,
    runs: Any,
    bays: Any,
    *,
    site: Site,
    survey: Survey,
    ground: HeightSource | None,
    distance_m: float,
    unknown_sigma_m: float,
) -> Any:
    """Measure every stone and curb against every run near it.

    Parameters
    ----------
    stones, curbs, runs, bays
        The layers of those names.
    ground
        Ground model for the difference in height, or None.
    distance_m
        How far is searched. A stone or run whose place is uncertain is
        searched for farther, by `DOUBT_WIDTHS` standard deviations of the pair.
    unknown_sigma_m
        Standard deviation per axis of a position that says nothing of itself.

    Returns
    -------
    The layer `stone_reach`, sorted by stone and run. `sigma_m` is that of the
    distance: errors in plan are alike in all directions, so along the line
    between the two it is the root of the sum of both variances per axis. Lines
    lead from the iron to the stone; of stone that iron crosses they are the
    iron inside it.
    """
    from fencemap.kernels.segments import pairs_within

    stone = pd.concat(
        [_plain(stones, "stones"), _plain(curbs, "curbs")], ignore_index=True
    ).sort_values(["stone_layer", "stone_id", "uid"], ignore_index=True)
    runs = runs.sort_values("run_id", ignore_index=True)
    of_stone = stone["sigma_h_m"].fillna(unknown_sigma_m).to_numpy(float)
    of_run = runs["sigma_h_m"].fillna(unknown_sigma_m).to_numpy(float)
    shapes, lines = _shapes(stone["geometry"]), _lines(runs)
    widest = DOUBT_WIDTHS * np.hypot(of_stone, of_run.max(initial=0.0))
    found = pairs_within(shapes, lines, reach_m=distance_m + widest)
    sigma = np.hypot(of_stone[found.shape], of_run[found.line])
    found, sigma = _only(found, sigma, found.distance_m <= distance_m + DOUBT_WIDTHS * sigma)
    at = stone.iloc[found.shape].reset_index(drop=True)
    run_id = runs["run_id"].array.take(found.line)
    keys = at["stone_layer"].astype(str) + "/" + at["uid"].astype(str) + "/" + pd.Series(run_id)
    return layer("stone_reach").conform(
        {
            "uid": uids(site.uid, survey.id, "stone_reach", keys),
            "survey_id": pd.Series([survey.id] * len(at), dtype="str"),
            "source_file": pd.Series(["relate/nearest_iron"] * len(at), dtype="str"),
            "stone_id": at["stone_id"],
            "stone_layer": at["stone_layer"],
            "run_id": pd.Series(run_id),
            "bay_id": _bay_at(bays, runs, found),
            "distance_m": pd.Series(found.distance_m),
            "sigma_m": pd.Series(sigma),
            "station_m": pd.Series(found.station_m),
            "side": pd.Series(np.array(["right", "on", "left"])[found.side + 1], dtype="str"),
            "height_difference_m": pd.Series(_drop(ground, found)),
            "nearest": pd.Series(_nearest(found), dtype="boolean"),
        },
        geometry=_drawn(found, lines),
        crs=site.crs,
    )


def _plain(frame: Any, name: str) -> pd.DataFrame:
    return pd.DataFrame({
        "stone_id": frame["element_id"].array,
        "stone_layer": pd.Series([name] * len(frame), dtype="str"),
        "uid": frame["uid"].array,
        "sigma_h_m": frame["sigma_h_m"].array,
        "geometry": np.asarray(frame.geometry, dtype=object),
    })  # fmt: skip


def _shapes(geometry: Any) -> Shapes:
    """Rings of polygons without the vertex that closes them."""
    polygons = np.asarray(geometry, dtype=object)
    if not len(polygons):
        none = np.zeros(1, np.int64)
        return Shapes(np.empty(0), np.empty(0), none, none)
    rings, shape = shapely.get_rings(polygons, return_index=True)
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    last = np.append(ring[1:] != ring[:-1], True)
    xy, ring = xy[~last], ring[~last]
    ring_first = np.searchsorted(ring, np.arange(len(rings) + 1))
    shape_first = np.searchsorted(shape, np.arange(len(polygons) + 1))
    x, y = np.ascontiguousarray(xy.T)
    return Shapes(x, y, ring_first, shape_first)


def _lines(runs: Any) -> Lines:
    xy, line = shapely.get_coordinates(np.asarray(runs.geometry, object), return_index=True)
    x, y = np.ascontiguousarray(xy.T)
    return lines_of(x, y, np.searchsorted(line, np.arange(len(runs) + 1)))


def _only(found: Pairs, sigma: NDArray[Any], kept: NDArray[np.bool_]) -> tuple[Pairs, NDArray[Any]]:
    columns: Any = [column[kept] for column in found]
    return Pairs(*columns), sigma[kept]


def _nearest(found: Pairs) -> NDArray[np.bool_]:
    """Mark the nearest run of each stone; of equally near ones the first by name."""
    order = np.lexsort((found.line, found.distance_m, found.shape))
    first = np.ones(len(order), bool)
    first[1:] = found.shape[order][1:] != found.shape[order][:-1]
    marked = np.zeros(len(order), bool)
    marked[order[first]] = True
    return marked


def _bay_at(bays: Any, runs: Any, found: Pairs) -> pd.Series:
    """Bay in which each station lies; at a post the bay that begins there."""
    run = pd.Index(runs["run_id"]).get_indexer(bays["run_id"])
    order = np.lexsort((bays["from_m"].to_numpy(float), run))
    run, start = run[order], bays["from_m"].to_numpy(float)[order]
    wide = float(max(start.max(initial=0.0), found.station_m.max(initial=0.0))) + 1.0
    at = (
        np.searchsorted(run * wide + start, found.line * wide + found.station_m + 1e-9, "right") - 1
    )
    names = bays["bay_id"].iloc[order]
    hit = (
        (at >= 0) & (run[np.maximum(at, 0)] == found.line) if len(run) else np.zeros(len(at), bool)
    )
    return names.iloc[np.where(hit, at, 0)].reset_index(drop=True).where(hit) if len(run) else pd.Series([None] * len(at), dtype="str")  # fmt: skip


def _drop(ground: HeightSource | None, found: Pairs) -> NDArray[np.float64]:
    """Ground at the iron less ground at the stone; NaN where either was not seen."""
    if ground is None or not len(found.shape):
        return np.full(len(found.shape), np.nan)
    from fencemap.kernels.profile import bilinear

    column = np.empty((2, len(found.shape)))
    row = np.empty_like(column)
    row[0], column[0] = ground.grid.to_pixel(found.line_x, found.line_y)
    row[1], column[1] = ground.grid.to_pixel(found.shape_x, found.shape_y)
    height = np.full(column.shape, np.nan)
    middle_row, middle_column = row.mean(axis=0), column.mean(axis=0)
    reach = int(np.ceil(max(np.abs(row - middle_row).max(), np.abs(column - middle_column).max()))) + 2  # fmt: skip
    for tile in ground.grid.tiles(_TILE_PX):
        core = tile.core
        here = (np.floor(middle_row).astype(int) - core.row >= 0) & (middle_row < core.row + core.rows)  # fmt: skip
        here &= (middle_column >= core.column) & (middle_column < core.column + core.columns)
        if not here.any():
            continue
        window = core.grown(reach)
        values = ground.read(window)
        for end in range(2):
            height[end, here] = bilinear(
                values, column[end, here] - 0.5 - window.column, row[end, here] - 0.5 - window.row
            )
    return np.asarray(height[0] - height[1])


def _drawn(found: Pairs, lines: Lines) -> Any:
    """Shortest lines; of crossings the iron inside, of mere touches a millimetre of it."""
    ends = np.stack(
        [
            np.column_stack([found.line_x, found.line_y]),
            np.column_stack([found.shape_x, found.shape_y]),
        ],
        axis=1,
    )
    crossing = np.flatnonzero(found.distance_m == 0.0)
    drawn = np.asarray(shapely.linestrings(ends), dtype=object)
    for at in crossing:
        half = max(0.5 * float(found.to_m[at] - found.from_m[at]), _STUB_M)
        drawn[at] = _piece(lines, int(found.line[at]), float(found.station_m[at]), half)
    return drawn


def _piece(lines: Lines, line: int, station: float, half: float) -> Any:
    """Cut out the piece of a line around a station; through the seam of a closed one."""
    s0, s1 = lines.first[line], lines.first[line + 1]
    total = float(lines.station_m[s1 - 1] + lines.length_m[s1 - 1])
    along = np.append(lines.station_m[s0:s1], total)
    x = np.append(lines.ax[s0:s1], lines.bx[s1 - 1])
    y = np.append(lines.ay[s0:s1], lines.by[s1 - 1])
    if lines.closed[line]:
        along = np.concatenate([along[:-1] - total, along, along[1:] + total])
        x, y = np.concatenate([x[:-1], x, x[1:]]), np.concatenate([y[:-1], y, y[1:]])
    low, high = max(station - half, along[0]), min(station + half, along[-1])
    at = np.concatenate([[low], along[(along > low + 1e-9) & (along < high - 1e-9)], [high]])
    return shapely.linestrings(np.column_stack([np.interp(at, along, x), np.interp(at, along, y)]))
