"""The way that water takes from the iron, over the ground model.

Heights are averaged to cells wide enough to lose the speckle of a fine model,
hollows are filled to their spill, and water goes down the steepest of eight
ways. A path ends after a set length, where the ground was not seen, or in a
hollow that holds it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fencemap.grid import HeightSource, Tile, Window
from fencemap.layers import layer, uids
from fencemap.site import Site, Survey

__all__ = ["flow_layer"]

_STEP = "find/water_from_iron"
_TILE_M = 100.0
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Paths:
    """Paths of one tile: start (row of the starts), places and heights, NaN after the end."""

    start: NDArray[np.int64]
    xy: Floats  # (n, steps + 1, 2)
    height_m: Floats  # (n, steps + 1)


def flow_layer(
    runs: Any,
    *,
    site: Site,
    survey: Survey,
    ground: HeightSource | None,
    every_m: float,
    length_m: float,
    cell_m: float,
    flat_slope_pct: float,
) -> Any:
    """Make the layer `flow_paths`, sorted by run and station.

    Parameters
    ----------
    runs
        The layer; a path starts every `every_m` along each, ends included.
    ground
        The ground model; without one there is no path.
    length_m
        How far water is followed.
    cell_m
        Width that heights are averaged to, at least.
    flat_slope_pct
        Mean slope below which the direction is uncertain.
    """
    runs = runs.sort_values("run_id", ignore_index=True)
    if ground is None or not len(runs):
        return layer("flow_paths").empty(site.crs)
    run, station, place = _starts(runs, every_m)
    grid = ground.grid
    factor = max(1, round(cell_m / min(grid.pixel_size)))
    steps = int(np.ceil(length_m / (factor * min(grid.pixel_size)))) + 1
    rim = factor * (steps + 4)
    size = factor * max(1, int(_TILE_M / min(grid.pixel_size) / factor))
    row, column = grid.to_pixel(place[:, 0], place[:, 1])
    found = []
    for tile in grid.tiles(size, overlap=rim):
        core = tile.core
        here = (row >= core.row) & (row < core.row + core.rows)
        here &= (column >= core.column) & (column < core.column + core.columns)
        if here.any():
            found.append(_in_tile(ground, tile, np.flatnonzero(here), place, factor, steps))
    return _layer(found, runs, run, station, length_m, flat_slope_pct, site, survey)


def _starts(runs: Any, every_m: float) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Run, station and place of every start."""
    from fencemap.kernels.profile import densify

    xy, owner = shapely.get_coordinates(np.asarray(runs.geometry, object), return_index=True)
    offset = np.searchsorted(owner, np.arange(len(runs) + 1))
    x, y = np.ascontiguousarray(xy.T)
    run, station, px, py = densify(x, y, offset, every_m)
    return np.asarray(run, np.int64), np.asarray(station), np.column_stack([px, py])


def _in_tile(
    ground: HeightSource,
    tile: Tile,
    start: NDArray[np.int64],
    place: Floats,
    factor: int,
    steps: int,
) -> _Paths:
    """Follow the water from the starts of one tile."""
    from fencemap.kernels.surface import D8_CODE, D8_COLUMN, D8_ROW, d8, fill

    window, heights = _averaged(ground, tile, factor)
    filled = fill(heights)
    code = d8(filled)
    way = np.full(256, -1)
    way[D8_CODE] = np.arange(8)
    row, column = ground.grid.to_pixel(place[start, 0], place[start, 1])
    r = ((row - window.row) // factor).astype(np.int64)
    c = ((column - window.column) // factor).astype(np.int64)
    xy = np.full((len(start), steps + 1, 2), np.nan)
    height = np.full((len(start), steps + 1), np.nan)
    xy[:, 0], height[:, 0] = place[start], filled[r, c]
    going = ~np.isnan(height[:, 0])
    for step in range(1, steps + 1):
        k = way[code[r, c]]
        going &= k >= 0
        r = r + np.where(going, D8_ROW[k], 0)
        c = c + np.where(going, D8_COLUMN[k], 0)
        middle = (0.5 + c) * factor + window.column, (0.5 + r) * factor + window.row
        e, n = ground.grid.to_ground(middle[1], middle[0])
        xy[going, step] = np.column_stack([e, n])[going]
        height[going, step] = filled[r, c][going]
    return _Paths(start, xy, height)


def _averaged(ground: HeightSource, tile: Tile, factor: int) -> tuple[Window, Floats]:
    """Read a tile with its rim, averaged over blocks; a block half unseen is not seen.

    Blocks are counted from the grid's corner, so that all tiles have the same.
    """
    outer = tile.outer
    top, left = outer.row // factor, outer.column // factor
    rows = (outer.row + outer.rows) // factor - top
    columns = (outer.column + outer.columns) // factor - left
    window = Window(
        top * factor, left * factor, max(rows, 1) * factor, max(columns, 1) * factor
    )  # fmt: skip
    values = ground.read(window).astype(np.float64)
    blocks = values.reshape(window.rows // factor, factor, window.columns // factor, factor)
    seen = ~np.isnan(blocks)
    count = seen.sum(axis=(1, 3))
    total = np.where(seen, blocks, 0.0).sum(axis=(1, 3))
    return window, np.where(2 * count >= factor * factor, total / np.maximum(count, 1), np.nan)


def _layer(
    found: list[_Paths],
    runs: Any,
    run: NDArray[np.int64],
    station: Floats,
    length_m: float,
    flat_slope_pct: float,
    site: Site,
    survey: Survey,
) -> Any:
    """Cut the paths to length and describe them."""
    rows = []
    for part in found:
        leg = np.hypot(*np.moveaxis(np.diff(part.xy, axis=1), 2, 0))
        along = np.concatenate([np.zeros((len(leg), 1)), np.cumsum(leg, axis=1)], axis=1)
        inside = (along <= length_m + 1e-9) & ~np.isnan(part.height_m)
        last = inside.cumprod(axis=1).sum(axis=1) - 1
        for at in np.flatnonzero(last >= 1):
            end = int(last[at])
            drop = part.height_m[at, 0] - part.height_m[at, end]
            whole = float(along[at, end])
            rows.append((int(part.start[at]), part.xy[at, : end + 1], whole, 100.0 * drop / whole))
    rows.sort(key=lambda row: row[0])
    start = np.array([row[0] for row in rows], dtype=np.int64)
    slope = np.array([row[3] for row in rows], dtype=float)
    names = runs["run_id"].to_numpy(object)[run[start]]
    keys = [f"{name}/{at:.4f}" for name, at in zip(names, station[start], strict=True)]
    return layer("flow_paths").conform(
        {
            "uid": uids(site.uid, survey.id, "flow_paths", keys),
            "survey_id": [survey.id] * len(rows),
            "source_file": [_STEP] * len(rows),
            "run_id": names,
            "station_m": station[start],
            "length_m": [row[2] for row in rows],
            "slope_pct": np.maximum(slope, 0.0),
            "uncertain": slope < flat_slope_pct,
        },
        geometry=np.array([shapely.linestrings(row[1]) for row in rows], dtype=object),
        crs=site.crs,
    )
