"""Ground and surface model as a drone would have given them: good over lawn, poor at fences."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates, spline_filter
from shapely import Polygon, contains_xy

from generator.chance import smooth_line, stream
from generator.frame import BOUNDARY, CRS, to_world
from generator.ground import locate, soil_height
from generator.planting import HEDGE_M, hedge_line
from generator.styles import STYLES
from generator.things import STEP_M, Run, Site
from generator.writers import write_cog

__all__ = ["Cells", "Extent", "Noise", "extent", "write_models"]

NODATA = -9999.0
GROUND_M, SURFACE_M = 0.05, 0.10
TILE_M = (36.0, 39.0)  # east, north
RIM = 12  # cells added round a tile while it is made, so that smoothing meets no edge
EDGE_M = 3.0  # the flight reaches so far over the boundary
STEP_HEIGHT_M = 1.0 / 512.0  # heights are kept to 2 mm, which also keeps the files small


@dataclass(frozen=True)
class Extent:
    """Four by three tiles; `west`, `north` is the outer corner."""

    west: float
    north: float
    columns: int = 4
    rows: int = 3

    def tiles(self) -> Iterator[tuple[str, float, float]]:
        """Name and north-west corner of every tile."""
        for row in range(self.rows):
            for column in range(self.columns):
                yield (
                    f"r{row}c{column}",
                    self.west + column * TILE_M[0],
                    self.north - row * TILE_M[1],
                )

    @cached_property
    def covered(self) -> Polygon:
        """What the flight saw: the ground and a strip around it."""
        return Polygon(to_world(BOUNDARY)).buffer(EDGE_M, quad_segs=4)


def extent() -> Extent:
    """Lay the tiles that hold the ground."""
    low, high = to_world(BOUNDARY).min(axis=0) - EDGE_M, to_world(BOUNDARY).max(axis=0) + EDGE_M
    wide, tall = 4 * TILE_M[0], 3 * TILE_M[1]
    spare = (wide - (high[0] - low[0]), tall - (high[1] - low[1]))
    if min(spare) < 0:
        raise ValueError(f"the tiles are too small for the ground by {-min(spare):.1f} m")
    return Extent(float(np.floor(low[0] - spare[0] / 2)), float(np.ceil(high[1] + spare[1] / 2)))


@dataclass(frozen=True)
class Cells:
    """A raster's cells, row by row from the north-west."""

    west: float
    north: float
    shape: tuple[int, int]
    cell_m: float

    @classmethod
    def tile(cls, west: float, north: float, cell_m: float, rim: int) -> Cells:
        """Give the cells of one tile with a rim to be cut off later."""
        shape = (round(TILE_M[1] / cell_m) + 2 * rim, round(TILE_M[0] / cell_m) + 2 * rim)
        return cls(west - rim * cell_m, north + rim * cell_m, shape, cell_m)

    @cached_property
    def en(self) -> np.ndarray:
        """Centres as (n, 2)."""
        east = self.west + (np.arange(self.shape[1]) + 0.5) * self.cell_m
        up = self.north - (np.arange(self.shape[0]) + 0.5) * self.cell_m
        return np.column_stack([np.tile(east, self.shape[0]), np.repeat(up, self.shape[1])])

    def near(self, low: np.ndarray, high: np.ndarray) -> np.ndarray:
        """Find the cells whose centre lies in a box."""
        left, right = np.ceil((np.array([low[0], high[0]]) - self.west) / self.cell_m - 0.5).astype(
            int
        )
        top, foot = np.ceil((self.north - np.array([high[1], low[1]])) / self.cell_m - 0.5).astype(
            int
        )
        rows = np.arange(max(top, 0), min(foot, self.shape[0]))
        columns = np.arange(max(left, 0), min(right, self.shape[1]))
        return (rows[:, None] * self.shape[1] + columns).ravel()

    def inside(self, corners: np.ndarray) -> np.ndarray:
        """Find the cells whose centre lies in a convex polygon."""
        index = self.near(corners.min(axis=0), corners.max(axis=0))
        if not len(index):
            return index
        return index[contains_xy(Polygon(corners), self.en[index, 0], self.en[index, 1])]

    def blur(self, values: np.ndarray, sigma_m: float) -> np.ndarray:
        """Smooth a raster given as a flat array."""
        return gaussian_filter(values.reshape(self.shape), sigma_m / self.cell_m).ravel()

    def cut(self, values: np.ndarray, rim: int) -> np.ndarray:
        """Give the raster without its rim."""
        return values.reshape(self.shape)[rim:-rim, rim:-rim].astype("float32")


class Noise:
    """A smooth random surface, sd 1, that every tile sees alike."""

    def __init__(self, rng: np.random.Generator, frame: Extent, length_m: float) -> None:
        self.cell = max(length_m / 4.0, 0.05)
        size = (int(3 * TILE_M[1] / self.cell) + 12, int(4 * TILE_M[0] / self.cell) + 12)
        field = gaussian_filter(rng.normal(0.0, 1.0, size), length_m / self.cell, mode="wrap")
        self.field, self.frame = spline_filter(field / field.std()), frame

    def at(self, en: np.ndarray, *, order: int = 3) -> np.ndarray:
        """Values at points; order 1 is quick and good enough for looks."""
        column = (en[:, 0] - self.frame.west) / self.cell + 5.0
        row = (self.frame.north - en[:, 1]) / self.cell + 5.0
        return map_coordinates(
            self.field, [row, column], order=order, mode="nearest", prefilter=False
        )


@dataclass(frozen=True)
class _Errors:
    """What is wrong with the model, drawn once for the whole flight."""

    broad: Noise
    mown: Noise
    fine: Noise
    specks: tuple[np.ndarray, np.ndarray]  # two even chances for every 5 cm cell of the flight
    holes: np.ndarray  # (n, 3): easting, northing, radius

    def chances(self, frame: Extent, en: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Give the two chances of the cells that hold these points, the same for every tile."""
        column = ((en[:, 0] - frame.west) / GROUND_M + RIM).astype(int)
        row = ((frame.north - en[:, 1]) / GROUND_M + RIM).astype(int)
        return self.specks[0][row, column], self.specks[1][row, column]

    @classmethod
    def draw(cls, site: Site, frame: Extent) -> _Errors:
        rng = stream(site.seed, site.year, "flight")
        fields = [Noise(rng, frame, length) for length in (3.5, 6.0, 0.12)]
        bare = next(
            run for run in site.runs if not run.curbed and run.style == "wrought" and run.closed
        )
        spots = [
            *(tree.place for tree in site.trees[::3]),
            bare.line[3:5].mean(axis=0),  # one hole under a fence
            *(to_world(np.array(place)) for place in ((30.0, 60.6), (95.0, 14.6))),
        ]
        radii = [
            *np.resize([0.35, 0.25, 0.5, 0.3, 0.42, 0.28, 0.6], len(spots) - 3),
            0.55,
            0.4,
            0.3,
        ]
        size = (
            round(3 * TILE_M[1] / GROUND_M) + 2 * RIM,
            round(4 * TILE_M[0] / GROUND_M) + 2 * RIM,
        )
        specks = (rng.random(size, dtype=np.float32), rng.random(size, dtype=np.float32))
        return cls(*fields, specks, np.column_stack([np.array(spots), radii]))


def _grass(site: Site, run: Run, station: np.ndarray) -> np.ndarray:
    """Height of the grass nobody mows under a run, m."""
    rng = stream(site.seed, site.year, "grass", run.run_id)
    count = len(run.soil_m)
    wave = smooth_line(rng, count, step_m=STEP_M, length_m=1.5, closed=run.closed)
    mean = float(rng.uniform(0.015, 0.045))
    return np.interp(
        station, np.arange(count) * STEP_M, np.clip(mean * (1.0 + 0.5 * wave), 0.0, 0.09)
    )


def _fences(site: Site, frame: Extent, errors: _Errors, grid: Cells, *, tall: bool) -> np.ndarray:
    """Raise what a fence adds: grass nobody mows, and specks (low ones passed the ground filter)."""
    extra = np.zeros(len(grid.en))
    for run in site.runs:
        index = grid.near(run.posts.min(axis=0) - 0.8, run.posts.max(axis=0) + 0.8)
        if not len(index):
            continue
        station, signed, bay = locate(run, grid.en[index])
        add = _grass(site, run, station) * np.exp(-((signed / 0.24) ** 2))
        rail = np.array([b.presence == "in place" for b in run.bays])[bay]
        seen, size = errors.chances(frame, grid.en[index])
        if tall:
            top = STYLES[run.style].height_mm / 1000.0
            specks = (np.abs(signed) < 0.09) * (seen < 0.42) * (0.15 + 0.85 * size) * top
        else:
            specks = (np.abs(signed) < 0.13) * (seen < 0.055) * -0.055 * np.log(size + 1e-3)
        extra[index] = np.maximum(extra[index], add + specks * rail)
    return extra


def _curbs(site: Site, grid: Cells, soil: np.ndarray) -> np.ndarray:
    """Height of curbs over the soil, 0 elsewhere."""
    rise = np.zeros(len(soil))
    for curb in site.curbs:
        index = grid.inside(curb.corners)
        rise[index] = np.maximum((curb.top_from + curb.top_to) / 2.0 - soil[index], 0.0)
    return rise


def _stones(site: Site, grid: Cells, rng: np.random.Generator | None) -> np.ndarray:
    """Height of stones over the soil; with `rng`, the low bump that a ground filter leaves."""
    rise = np.zeros(len(grid.en))
    for stone in site.stones:
        left = rng.normal(0.012, 0.018) if rng is not None else stone.height_m
        rise[grid.inside(stone.corners)] = left
    return rise


def _hidden(frame: Extent, errors: _Errors, grid: Cells) -> np.ndarray:
    """Cells that were not seen: beyond the flight, under thick crowns, and a few more."""
    out = ~contains_xy(frame.covered, grid.en[:, 0], grid.en[:, 1])
    for east, north, radius in errors.holes:
        centre = np.array([east, north])
        near = grid.near(centre - 2 * radius, centre + 2 * radius)
        wobble = 1.0 + 0.16 * errors.fine.at(grid.en[near])
        out[near] |= np.hypot(*(grid.en[near] - centre).T) < radius * wobble
    return out


def _ground_tile(site: Site, frame: Extent, errors: _Errors, grid: Cells) -> np.ndarray:
    """One ground tile: what a ground filter makes of the flight."""
    soil = soil_height(grid.en, site.runs, site.graves, near=grid.near)
    height = grid.blur(soil, 0.055) + grid.blur(_curbs(site, grid, soil), 0.06) * 0.88
    height += grid.blur(_stones(site, grid, stream(site.seed, site.year, "stumps")), 0.09)
    height += (
        0.011 + 0.016 * errors.broad.at(grid.en) + 0.010 * np.maximum(errors.mown.at(grid.en), 0.0)
    )
    height += (
        0.0022 * errors.fine.at(grid.en)
        + grid.blur(_fences(site, frame, errors, grid, tall=False), 0.05) * 1.15
    )
    height = np.round(height / STEP_HEIGHT_M) * STEP_HEIGHT_M
    height[_hidden(frame, errors, grid)] = NODATA
    return height


def _crowns(site: Site, grid: Cells, rough: np.ndarray) -> np.ndarray:
    """Height of tree crowns and of the hedge over the ground."""
    top = np.zeros(len(grid.en))
    for tree in site.trees:
        index = grid.near(tree.place - 1.3 * tree.crown_m, tree.place + 1.3 * tree.crown_m)
        off = np.hypot(*(grid.en[index] - tree.place).T) / tree.crown_m
        dome = tree.height_m * (0.45 + 0.55 * np.sqrt(np.clip(1.0 - off**2, 0.0, 1.0)))
        inside = off < 1.0 + 0.08 * rough[index]
        tall = np.maximum(top[index], dome + 0.35 * rough[index])
        top[index] = np.where(inside, tall, top[index])
    for point in hedge_line():
        index = grid.near(point - 0.6, point + 0.6)
        off = np.hypot(*(grid.en[index] - point).T) / 0.6
        tall = HEDGE_M * np.sqrt(np.clip(1.0 - off**2, 0.0, 1.0)) + 0.08 * rough[index] * (
            off < 1.0
        )
        top[index] = np.maximum(top[index], tall)
    return top


def _surface_tile(site: Site, frame: Extent, errors: _Errors, grid: Cells) -> np.ndarray:
    """One tile of the first surface: stones, crowns, and specks where fences stand."""
    soil = soil_height(grid.en, site.runs, site.graves, near=grid.near)
    height = soil + grid.blur(_curbs(site, grid, soil), 0.05)
    fences = _fences(site, frame, errors, grid, tall=True)
    height += grid.blur(np.maximum(_stones(site, grid, None), fences), 0.05)
    rough = errors.fine.at(grid.en)
    height += 0.02 + 0.016 * errors.broad.at(grid.en) + 0.006 * rough
    height += _crowns(site, grid, grid.blur(rough, 0.15) * 3.0)
    height = np.round(height / STEP_HEIGHT_M / 2) * STEP_HEIGHT_M * 2
    height[~contains_xy(frame.covered, grid.en[:, 0], grid.en[:, 1])] = NODATA
    return height


def write_models(site: Site, folder: Path) -> None:
    """Write both models as tiles."""
    frame = extent()
    errors = _Errors.draw(site, frame)
    options = {"compress": "DEFLATE", "predictor": "FLOATING_POINT", "level": 9, "blocksize": 256,
               "overviews": "NONE"}  # fmt: skip
    for kind, cell, make in (
        ("ground", GROUND_M, _ground_tile),
        ("surface", SURFACE_M, _surface_tile),
    ):
        for name, west, north in frame.tiles():
            grid = Cells.tile(west, north, cell, RIM)
            tile = grid.cut(make(site, frame, errors, grid), RIM)
            write_cog(folder / kind / f"{kind}_{name}.tif", tile[None], (west, north), cell, CRS,
                      nodata=NODATA, **options)  # fmt: skip
