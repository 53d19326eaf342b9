"""How far each stone lies from the iron of each run near it, and how sure that is."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from fencemap.grid import Window
from fencemap.kernels.profile import bilinear
from fencemap.kernels.plane import Lines, Pairs, Shapes, lines_of
from fencemap.kernels.segments import LEFT, ON, RIGHT, pairs_within
from fencemap.layers import layer, uids
from fencemap.practice import Default
from fencemap.site import Site, Survey

__all__ = ["relate_stone"]

_SOURCE = "relate/nearest_iron"
_BLOCK_PX = 512
_SIDES = {LEFT: "left", RIGHT: "right", ON: "on"}


def relate_stone(  # noqa: PLR0913  four layers, the ground and where the answer goes
    stones: Any, curbs: Any, runs: Any, bays: Any, *, ground: Any, site: Site, survey: Survey,
    max_distance_m: float, practice: Callable[[str], Default],
) -> Any:  # fmt: skip
    """Make layer `stone_reach`: one row for each stone and run within the search.

    The standard deviation of a distance is that of both positions along the
    line between them, sqrt(stone² + run²); a position of unknown accuracy has
    the largest default.
    """
    schema = layer("stone_reach")
    stone = _all_stone(stones, curbs, float(practice("accuracy.unknown.sigma_h_m").value))
    if not len(stone) or not len(runs):
        return schema.empty(site.crs)
    found = pairs_within(_shapes(stone["geometry"].to_numpy()), _lines(runs), reach_m=max_distance_m)
    if not len(found.shape):
        return schema.empty(site.crs)
    rows, lines = stone.iloc[found.shape], runs.iloc[found.line]
    sigma = np.hypot(rows["sigma_h_m"].to_numpy(), lines["sigma_h_m"].to_numpy())
    keys = (rows["stone_layer"].to_numpy() + ":" + rows["stone_id"].to_numpy() + ":" + lines["run_id"].to_numpy()).tolist()
    frame = schema.conform(
        {
            "uid": uids(site.uid, survey.id, "stone_reach", keys),
            "survey_id": [survey.id] * len(keys),
            "source_file": [_SOURCE] * len(keys),
            "stone_id": rows["stone_id"].to_numpy(),
            "stone_layer": rows["stone_layer"].to_numpy(),
            "run_id": lines["run_id"].to_numpy(),
            "bay_id": _bay_at(bays, lines["run_id"].to_numpy(), found.station_m),
            "distance_m": found.distance_m,
            "sigma_m": sigma,
            "station_m": found.station_m,
            "side": [_SIDES[int(side)] for side in found.side],
            "height_difference_m": _fall(ground, found),
            "nearest": _nearest(found),
        },
        geometry=_shortest_lines(found),
        crs=site.crs,
    )
    return frame.sort_values(["stone_layer", "stone_id", "run_id"], kind="stable", ignore_index=True)


def _all_stone(stones: Any, curbs: Any, unknown_sigma_m: float) -> Any:
    """Stones and curbs in one frame, in a fixed order."""
    parts = []
    for name, frame in (("stones", stones), ("curbs", curbs)):
        part = pd.DataFrame(
            {
                "stone_id": frame["element_id"].astype("str").to_numpy(),
                "sigma_h_m": frame["sigma_h_m"].fillna(unknown_sigma_m).to_numpy(),
                "geometry": frame.geometry.to_numpy(),
            }
        )
        part.insert(0, "stone_layer", name)
        parts.append(part)
    joined = pd.concat([part for part in parts if len(part)] or parts, ignore_index=True)
    return joined.sort_values(["stone_layer", "stone_id"], kind="stable", ignore_index=True)


def _shapes(polygons: NDArray[Any]) -> Shapes:
    """Rings of polygons without their closing vertex."""
    rings, ring_of = shapely.get_rings(polygons, return_index=True)
    coordinates, vertex_of = shapely.get_coordinates(rings, return_index=True)
    last = np.append(vertex_of[1:] != vertex_of[:-1], True)
    coordinates, vertex_of = coordinates[~last], vertex_of[~last]
    ring = np.searchsorted(vertex_of, np.arange(len(rings) + 1))
    shape = np.searchsorted(ring_of, np.arange(len(polygons) + 1))
    return Shapes(np.ascontiguousarray(coordinates[:, 0]), np.ascontiguousarray(coordinates[:, 1]), ring, shape)


def _lines(runs: Any) -> Lines:
    xy, line_of = shapely.get_coordinates(runs.geometry.values, return_index=True)
    offset = np.searchsorted(line_of, np.arange(len(runs) + 1))
    return lines_of(np.ascontiguousarray(xy[:, 0]), np.ascontiguousarray(xy[:, 1]), offset)


def _bay_at(bays: Any, run_ids: NDArray[Any], station_m: NDArray[np.float64]) -> list[str | None]:
    """Name the bay at a station of a run; at a post the bay that begins there."""
    held = {
        run_id: (part["from_m"].to_numpy(), part["bay_id"].tolist())
        for run_id, part in bays.sort_values(["run_id", "from_m"], kind="stable").groupby("run_id")
    }
    out: list[str | None] = []
    for run_id, station in zip(run_ids, station_m, strict=True):
        begins, names = held.get(run_id, (np.empty(0), []))
        place = int(np.searchsorted(begins, station, side="right")) - 1
        out.append(names[max(place, 0)] if names else None)
    return out


def _nearest(found: Pairs) -> NDArray[np.bool_]:
    """Mark each stone's nearest run; of equally near ones the first by name."""
    order = np.lexsort((found.line, np.round(found.distance_m, 9), found.shape))
    first = np.concatenate([[True], found.shape[order][1:] != found.shape[order][:-1]])
    out = np.zeros(len(order), bool)
    out[order[first]] = True
    return out


def _shortest_lines(found: Pairs) -> NDArray[Any]:
    """From the iron to the stone; where they meet, a line of no length at that place."""
    ends = np.stack(
        [np.column_stack([found.line_x, found.line_y]), np.column_stack([found.shape_x, found.shape_y])], axis=1
    )
    ends[found.distance_m == 0.0, 1] = ends[found.distance_m == 0.0, 0]
    return np.asarray(shapely.linestrings(ends))


def _fall(ground: Any, found: Pairs) -> NDArray[np.float64]:
    """Ground at the iron less ground at the stone, NaN where either was not seen."""
    if ground is None:
        return np.full(len(found.shape), np.nan)
    iron = _ground_at(ground, found.line_x, found.line_y)
    return iron - _ground_at(ground, found.shape_x, found.shape_y)


def _ground_at(ground: Any, easting: NDArray[np.float64], northing: NDArray[np.float64]) -> NDArray[np.float64]:
    """Ground height at scattered places; only the blocks that hold any are read."""
    row, column = ground.grid.to_pixel(easting, northing)
    block = np.column_stack([row // _BLOCK_PX, column // _BLOCK_PX]).astype(np.int64)
    out = np.full(len(row), np.nan)
    names, where = np.unique(block, axis=0, return_inverse=True)
    for number, (block_row, block_column) in enumerate(names.tolist()):
        core = Window(block_row * _BLOCK_PX, block_column * _BLOCK_PX, _BLOCK_PX, _BLOCK_PX)
        window = core.grown(1).intersection(ground.grid.window)
        if window.is_empty:
            continue
        mine = np.flatnonzero(where.ravel() == number)
        values = ground.read(window).astype(np.float64)
        # Kernels count from cell centres, grids from the corner.
        out[mine] = bilinear(values, column[mine] - window.column - 0.5, row[mine] - window.row - 0.5)
    return out
