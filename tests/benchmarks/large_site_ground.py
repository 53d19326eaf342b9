"""The large site's ground: the truth, the model a drone would give of it, and an orthophoto.

Arrays are (rows, columns), row 0 in the north, float32 metres at 5 cm. The
truth rises across the site, has hollows of several sizes and banks of soil
against some fences; the model adds errors that hang together over metres,
grass left standing under rails, rounded curbs and holes.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
from large_site_layout import CRS, ORIGIN, Layout, chance

__all__ = ["CELL_M", "NODATA", "Ground", "write_ground", "write_ortho"]

CELL_M = 0.05
NODATA = -9999.0
_ORTHO_M = 0.02
_TILE_CELLS = 3000


class Ground:
    """True heights, and the model of them.

    `truth` is the array of true heights until `model` turns it into the
    model; `at_posts` holds each run's ground from before soil crept up.
    """

    def __init__(self, layout: Layout, seed: int) -> None:
        self.layout = layout
        self.cells = round(layout.side_m / CELL_M)
        self.north = ORIGIN[1] + self.cells * CELL_M
        self.truth = self._terrain(seed)
        # Rails were hung before soil crept up.
        self.at_posts = {run.run_id: self.at(run.posts) for run in layout.runs}
        self._banks(seed)

    def _terrain(self, seed: int) -> np.ndarray:
        centre = (np.arange(self.cells) + 0.5) * CELL_M
        east, north = centre[None, :], centre[::-1, None]
        large = (
            48.0 + 0.028 * north + 0.011 * east + 0.9 * np.sin(east / 61.0) * np.cos(north / 83.0)
        )
        made = large.astype(np.float32)
        made += _noise(chance(seed, 20), self.cells, 6.0, 0.05)
        made += _noise(chance(seed, 21), self.cells, 0.8, 0.010)
        return made

    def _banks(self, seed: int) -> None:
        """Soil that has crept against one side of about half of the fences."""
        rng = chance(seed, 22)
        for a, b in _sides(self.layout):
            height, shift = float(rng.gamma(2.0, 0.022)), float(rng.choice([-1, 1])) * 0.12
            wave, phase = float(rng.uniform(1.5, 6.0)), float(rng.uniform(0, 6.3))
            if rng.random() < 0.5:
                window, along, across = self._strip(a, b, 1.2)
                ridge = np.exp(-(((across - shift) / 0.32) ** 2)) * (
                    0.6 + 0.4 * np.sin(along / wave + phase)
                )
                self.truth[window] += (height * ridge * _inside(a, b, along)).astype(np.float32)

    def _strip(
        self, a: np.ndarray, b: np.ndarray, width: float
    ) -> tuple[tuple[slice, slice], np.ndarray, np.ndarray]:
        """Window of cells around a side; metres along and across of each cell."""
        low, high = np.minimum(a, b) - width, np.maximum(a, b) + width
        c0, c1 = (
            self._clip((low[0] - ORIGIN[0]) / CELL_M),
            self._clip((high[0] - ORIGIN[0]) / CELL_M + 1),
        )
        r0, r1 = (
            self._clip((self.north - high[1]) / CELL_M),
            self._clip((self.north - low[1]) / CELL_M + 1),
        )
        east = ORIGIN[0] + (np.arange(c0, c1) + 0.5) * CELL_M
        north = self.north - (np.arange(r0, r1) + 0.5) * CELL_M
        way = (b - a) / np.hypot(*(b - a))
        de, dn = east[None, :] - a[0], north[:, None] - a[1]
        return (slice(r0, r1), slice(c0, c1)), de * way[0] + dn * way[1], dn * way[0] - de * way[1]

    def _clip(self, cells: float) -> int:
        return int(min(max(cells, 0), self.cells))

    def at(self, places: np.ndarray) -> np.ndarray:
        """Give the true height at (n, 2) places, bilinear between cell centres."""
        col = np.clip((places[:, 0] - ORIGIN[0]) / CELL_M - 0.5, 0, self.cells - 1.001)
        row = np.clip((self.north - places[:, 1]) / CELL_M - 0.5, 0, self.cells - 1.001)
        c, r = col.astype(int), row.astype(int)
        fc, fr = col - c, row - r
        top = self.truth[r, c] * (1 - fc) + self.truth[r, c + 1] * fc
        low = self.truth[r + 1, c] * (1 - fc) + self.truth[r + 1, c + 1] * fc
        return np.asarray(top * (1 - fr) + low * fr, dtype=float)

    def model(self, seed: int) -> np.ndarray:
        """Turn the truth into what the survey's model shows, in place; NODATA where nothing was seen."""
        made = self.truth
        made += np.float32(0.012)  # the flight's own bias
        made += _noise(chance(seed, 30), self.cells, 20.0, 0.008)
        made += _noise(chance(seed, 31), self.cells, 2.0, 0.008)
        made += _noise(chance(seed, 32), self.cells, 0.3, 0.006)
        speckle = chance(seed, 33)
        for row in range(0, self.cells, 500):
            part = made[row : row + 500]
            part += speckle.standard_normal(part.shape, dtype=np.float32) * np.float32(0.006)
        rng = chance(seed, 34)
        for a, b in _sides(self.layout):
            window, along, across = self._strip(a, b, 0.5)
            grass = max(0.0, float(rng.normal(0.025, 0.02)))
            made[window] += (grass * np.exp(-((across / 0.18) ** 2)) * _inside(a, b, along)).astype(
                np.float32
            )
        for curb in self.layout.curbs:
            a, b = curb.corners[[0, 3]].mean(axis=0), curb.corners[[1, 2]].mean(axis=0)
            window, along, across = self._strip(a, b, 0.4)
            made[window] += (0.05 * np.exp(-((across / 0.15) ** 4)) * _inside(a, b, along)).astype(
                np.float32
            )
        self._holes(made, rng)
        return np.round(made, 3, out=made)

    def _holes(self, made: np.ndarray, rng: np.random.Generator) -> None:
        for place in self.layout.trees[:, :2]:
            size = int(rng.integers(8, 50))
            c, r = int((place[0] - ORIGIN[0]) / CELL_M), int((self.north - place[1]) / CELL_M)
            made[max(r - size // 2, 0) : r + size // 2, max(c - size // 2, 0) : c + size // 2] = (
                NODATA
            )


def _sides(layout: Layout) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Straight stretches of fence, corner to corner."""
    for run in layout.runs:
        line = run.line
        turns = [
            i
            for i, role in enumerate([*run.roles, "corner"][: len(line)])
            if role in ("corner", "end")
        ]
        for i, j in pairwise(turns):
            yield line[i], line[j]


def _inside(a: np.ndarray, b: np.ndarray, along: np.ndarray) -> np.ndarray:
    length = float(np.hypot(*(b - a)))
    return np.asarray(np.clip(np.minimum(along, length - along) / 0.3 + 1.0, 0.0, 1.0))


def _noise(rng: np.random.Generator, cells: int, knot_m: float, size_m: float) -> np.ndarray:
    """Draw normal noise at knots, linear between them."""
    knots = int(np.ceil(cells * CELL_M / knot_m)) + 2
    coarse = (rng.standard_normal((knots, knots)) * size_m * 1.5).astype(np.float32)
    at = np.arange(cells) * (CELL_M / knot_m)
    left = at.astype(int)
    share = (at - left).astype(np.float32)
    wide = coarse[:, left] * (1 - share) + coarse[:, left + 1] * share
    made = np.empty((cells, cells), np.float32)
    for row in range(cells):
        np.multiply(wide[left[row]], 1 - share[row], out=made[row])
        made[row] += wide[left[row] + 1] * share[row]
    return made


def write_ground(ground: Ground, folder: Path, seed: int) -> list[Path]:
    """Write the model as square COG tiles of 3000 cells, deflate with the float predictor."""
    made, paths = ground.model(seed), []
    for row in range(0, ground.cells, _TILE_CELLS):
        for col in range(0, ground.cells, _TILE_CELLS):
            path = folder / f"ground_r{row // _TILE_CELLS}c{col // _TILE_CELLS}.tif"
            corner = (ORIGIN[0] + col * CELL_M, ground.north - row * CELL_M)
            tile = made[None, row : row + _TILE_CELLS, col : col + _TILE_CELLS]
            _write_cog(
                path,
                tile,
                corner,
                CELL_M,
                nodata=NODATA,
                COMPRESS="DEFLATE",
                PREDICTOR="YES",
                LEVEL="6",
            )
            paths.append(path)
    return paths


def write_ortho(layout: Layout, folder: Path, seed: int) -> list[Path]:
    """Write a plain orthophoto (turf, stones with a shadow, fences) as JPEG COG tiles at 2 cm."""
    tile_m, paths = 90.0, []
    shapes = _Shapes(layout)
    for row, top in enumerate(np.arange(layout.side_m, 0.0, -tile_m)):
        for col, left in enumerate(np.arange(0.0, layout.side_m, tile_m)):
            width, height = (
                round(min(tile_m, size) / _ORTHO_M) for size in (layout.side_m - left, top)
            )
            corner = (ORIGIN[0] + float(left), ORIGIN[1] + float(top))
            path = folder / f"ortho_r{row}c{col}.tif"
            bands = shapes.paint(corner, width, height, chance(seed, 40, row, col))
            _write_cog(path, bands, corner, _ORTHO_M, COMPRESS="JPEG", QUALITY="85")
            paths.append(path)
    return paths


class _Shapes:
    """The site's shapes, found by place and burnt into a tile of the orthophoto."""

    def __init__(self, layout: Layout) -> None:
        import shapely

        stones = shapely.polygons(layout.stone_corners)
        shadows = shapely.transform(stones, lambda xy: xy + np.array([0.14, 0.10]))
        curbs = shapely.polygons(
            np.array([curb.corners for curb in layout.curbs]).reshape(-1, 4, 2)
        )
        fences = np.array(
            [shapely.LineString(run.line).buffer(0.03) for run in layout.runs], dtype=object
        )
        paths = np.array(
            [shapely.LineString(path).buffer(1.4) for path in layout.paths], dtype=object
        )
        self.sets = [
            (set_, shapely.STRtree(set_)) for set_ in (paths, shadows, stones, curbs, fences)
        ]

    def paint(
        self, corner: tuple[float, float], width: int, height: int, rng: np.random.Generator
    ) -> np.ndarray:
        from affine import Affine
        from rasterio.features import rasterize
        from shapely import box

        grain = rng.integers(-18, 19, (height, width), dtype=np.int16)
        bands = np.stack([grain + tone for tone in (104, 122, 74)])
        view = box(
            corner[0], corner[1] - height * _ORTHO_M, corner[0] + width * _ORTHO_M, corner[1]
        )
        for (shapes, tree), tones in zip(
            self.sets,
            ((168, 160, 148), (48, 58, 42), (186, 184, 178), (158, 156, 150), (40, 38, 36)),
            strict=True,
        ):
            near = np.sort(tree.query(view))
            if len(near):
                mask = rasterize(((shapes[i], 1) for i in near), (height, width),
                                 transform=Affine(_ORTHO_M, 0.0, corner[0], 0.0, -_ORTHO_M, corner[1]), dtype="uint8") > 0  # fmt: skip
                for band, tone in zip(bands, tones, strict=True):
                    band[mask] = grain[mask] // 2 + tone
        return bands.clip(0, 255).astype(np.uint8)


def _write_cog(path: Path, bands: np.ndarray, corner: tuple[float, float], cell_m: float, *,
               nodata: float | None = None, **options: str) -> None:  # fmt: skip
    """Write a cloud-optimised GeoTIFF; `corner` is its north-west."""
    import rasterio
    from affine import Affine
    from rasterio.io import MemoryFile
    from rasterio.shutil import copy

    path.parent.mkdir(parents=True, exist_ok=True)
    count, height, width = bands.shape
    profile = {
        "driver": "GTiff", "count": count, "height": height, "width": width, "dtype": bands.dtype,
        "crs": CRS, "transform": Affine(cell_m, 0.0, corner[0], 0.0, -cell_m, corner[1]), "nodata": nodata,
    }  # fmt: skip
    with rasterio.Env(GDAL_NUM_THREADS="2"), MemoryFile() as memory:
        with memory.open(**profile) as made:
            made.write(bands)
        with memory.open() as made:
            copy(made, path, driver="COG", NUM_THREADS="2", BLOCKSIZE="512", **options)
