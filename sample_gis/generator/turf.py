"""The floor of the orthophoto: turf, gravel, worn grass, bare soil, litter."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter

from generator.chance import stream
from generator.ground import locate, own_axes, soil_height
from generator.models import TILE_M, Cells, Extent, Noise
from generator.things import STEP_M, Site

__all__ = ["Textures", "floor"]

_LENGTHS = (5.0, 1.3, 0.42, 0.16)


class Textures:
    """Random surfaces of several grains that all tiles see alike."""

    def __init__(self, site: Site, frame: Extent, cell_m: float, rim: int) -> None:
        rng = stream(site.seed, site.year, "turf")
        self.fields = [Noise(rng, frame, length) for length in _LENGTHS]
        self.tint = Noise(rng, frame, 2.6)
        self.frame, self.cell_m, self.rim = frame, cell_m, rim
        size = [round(count * tile / cell_m) + 2 * rim
                for count, tile in ((frame.rows, TILE_M[1]), (frame.columns, TILE_M[0]))]  # fmt: skip
        white = rng.standard_normal(size, dtype=np.float32)
        self.pixels = {sigma: _unit(gaussian_filter(white, sigma)) for sigma in (0.7, 1.9)}
        self.dots = rng.random(size, dtype=np.float32)

    def cut(self, array: np.ndarray, grid: Cells) -> np.ndarray:
        """Cut the part of a picture-wide array that one tile covers, flat."""
        column = round((grid.west - self.frame.west) / self.cell_m) + self.rim
        row = round((self.frame.north - grid.north) / self.cell_m) + self.rim
        return array[row : row + grid.shape[0], column : column + grid.shape[1]].ravel()

    def at(self, en: np.ndarray) -> list[np.ndarray]:
        """Every grain at the points, coarse to fine."""
        return [field.at(en, order=1).astype("float32") for field in self.fields]


def _unit(field: np.ndarray) -> np.ndarray:
    return (field / field.std()).astype("float16")


def _blend(base: np.ndarray, colour: tuple[float, float, float], share: np.ndarray, *,
           light: np.ndarray | float = 1.0, index: np.ndarray | slice = slice(None)) -> None:  # fmt: skip
    """Lay a colour over the bands of `base`, (3, n), where `index` says, in place."""
    part = np.clip(share, 0.0, 1.0)
    for band, value in zip(base, colour, strict=True):
        band[index] += (value * light - band[index]) * part


def _grass(
    grains: list[np.ndarray], tint: np.ndarray, blades: np.ndarray, up: np.ndarray
) -> np.ndarray:
    """Mown turf in spring: moss, thin straw, darker clover, faint bands of the mower."""
    patch, middle, small, fine = grains
    light = 1.0 + 0.055 * patch + 0.06 * middle + 0.065 * small + 0.085 * fine + 0.13 * blades
    light += 0.035 * np.tanh(3.0 * np.sin(2.0 * np.pi * (up + 0.12 * middle) / 1.5))
    colour = np.repeat(np.array([[95.0], [107.0], [62.0]], dtype="float32"), len(up), axis=1)
    _blend(colour, (128.0, 122.0, 74.0), 0.34 + 0.36 * tint + 0.16 * small)  # straw
    _blend(colour, (82.0, 101.0, 54.0), 0.5 * (middle - 0.6 * tint - 0.3))  # clover
    _blend(colour, (116.0, 122.0, 58.0), 0.3 * (patch * small - 0.6))  # moss
    colour *= np.clip(light, 0.35, 1.8)
    return colour


def _off_walk(along: np.ndarray, up: np.ndarray, base: float, wave: float) -> np.ndarray:
    return np.abs(up - base - 0.3 * np.sin(along / wave))


def _ways(colour: np.ndarray, along: np.ndarray, up: np.ndarray, grains: list[np.ndarray],
          blades: np.ndarray) -> None:  # fmt: skip
    """Gravel drive and cross walk with ragged edges; two walks worn in the grass."""
    for base, wave in ((23.9, 7.0), (70.2, 9.0)):
        inside = (_off_walk(along, up, base, wave) < 1.6) & (along > 3.5) & (along < 121.5)
        index = np.flatnonzero(inside & (np.abs(along - 62.4) > 1.5))
        patch, middle, small, _ = (grain[index] for grain in grains)
        off = _off_walk(along[index], up[index], base, wave) / (0.42 + 0.12 * middle)
        worn = np.exp(-(np.clip(off, 0, 9) ** 2)) * (0.62 + 0.25 * small + 0.1 * patch)
        _blend(colour, (142.0, 126.0, 92.0), worn, light=1 + 0.1 * blades[index], index=index)
    centre = np.abs(up - 47.0 - 0.6 * np.sin(along / 19.0))
    drive = np.where(along > 121.5, np.maximum(centre - 1.6, along - 121.5), centre - 1.6)
    cross = np.abs(along - 62.4 - 0.5 * np.sin(up / 11.0)) - 1.1
    cross = np.maximum(cross, np.maximum(3.8 - up, up - 92.5))
    ring = np.hypot(along - 62.4, up - 47.0) - 3.4
    edge = np.minimum(np.minimum(drive, cross), ring)
    index = np.flatnonzero(edge < 1.0)
    patch, middle, small, fine = (grain[index] for grain in grains)
    edge = edge[index] + 0.09 * middle + 0.07 * small + 0.03 * fine
    track = np.exp(-(((centre[index] - 0.72) / 0.2) ** 2))
    light = 1 + 0.04 * patch + 0.03 * (middle + small + fine) + 0.085 * blades[index] + 0.05 * track
    weeds = np.clip(0.75 * small + 0.35 * middle - 1.05 - 0.5 * track, 0.0, 0.7) * (edge < 0)
    _blend(
        colour,
        (170.0, 158.0, 138.0),
        np.clip(0.5 - edge / 0.10, 0.0, 1.0) - weeds,
        light=light,
        index=index,
    )
    _blend(colour, (74.0, 72.0, 46.0), np.exp(-((edge / 0.12) ** 2)) * 0.28, index=index)


def _beside_iron(
    colour: np.ndarray, site: Site, grid: Cells, blades: np.ndarray, middle: np.ndarray
) -> None:
    """Long grass under the rails, and soil laid bare where it has banked up."""
    for run in site.runs:
        index = grid.near(run.posts.min(axis=0) - 0.8, run.posts.max(axis=0) + 0.8)
        if not len(index):
            continue
        station, signed, bay = locate(run, grid.en[index])
        rough = np.exp(-((signed / (0.17 + 0.04 * middle[index])) ** 2)) * 0.62
        _blend(colour, (84.0, 102.0, 44.0), rough, light=1 + 0.26 * blades[index], index=index)
        bank = np.interp(station, np.arange(len(run.soil_m)) * STEP_M, run.soil_m)
        above = signed * run.uphill[bay]
        bare = np.exp(-(((above - 0.12) / 0.16) ** 2)) * np.clip((bank - 0.05) / 0.09, 0, 1)
        share = bare * (0.5 + 0.35 * middle[index])
        _blend(colour, (112.0, 92.0, 66.0), share, light=1 + 0.12 * blades[index], index=index)


def _graves(
    colour: np.ndarray, site: Site, grid: Cells, small: np.ndarray, blades: np.ndarray
) -> None:
    """Graves: greener in hollows, thin and bare on fresh mounds."""
    for east, north, turn, half, rise in site.graves:
        centre = np.array([east, north])
        index = grid.near(centre - 1.6, centre + 1.6)
        off = grid.en[index] - centre
        sin, cos = np.sin(np.deg2rad(turn)), np.cos(np.deg2rad(turn))
        along, across = off @ (sin, cos), off @ (cos, -sin)
        inside = np.exp(-((along / half) ** 4) - (across / 0.42) ** 4)
        bare = (120.0, 102.0, 74.0) if rise > 0.09 else (80.0, 104.0, 48.0)
        share = inside * (0.34 + 0.22 * small[index])
        _blend(colour, bare, share, light=1 + 0.12 * blades[index], index=index)


def _relief(site: Site, grid: Cells) -> np.ndarray:
    """Light on the true ground from the south-south-east, about 1."""
    height = soil_height(grid.en, site.runs, site.graves, near=grid.near).reshape(grid.shape)
    north, east = np.gradient(gaussian_filter(height, 1.2).astype("float32"), grid.cell_m)
    return np.clip(1.0 + 0.85 * (-0.5 * east - 0.87 * -north), 0.72, 1.3).ravel()


def _litter(
    colour: np.ndarray, site: Site, grid: Cells, small: np.ndarray, blades: np.ndarray
) -> None:
    """Old leaves and thin grass below crowns."""
    for tree in site.trees:
        reach = tree.crown_m * 1.5
        index = grid.near(tree.place - reach, tree.place + reach)
        off = np.hypot(*(grid.en[index] - tree.place).T) / tree.crown_m
        share = np.clip(1.25 - off, 0.0, 0.75) * (0.75 + 0.4 * small[index])
        _blend(colour, (98.0, 84.0, 58.0), share, light=1 + 0.2 * blades[index], index=index)


def _daisies(
    colour: np.ndarray, dots: np.ndarray, shape: tuple[int, int], patch: np.ndarray
) -> None:
    seeds = dots < 0.0011 * np.clip(patch + 0.2, 0.0, 1.5)
    spots = gaussian_filter(seeds.reshape(shape).astype("float32"), 0.45).ravel() * 1.6
    _blend(colour, (226.0, 226.0, 214.0), np.minimum(spots, 0.8))


def floor(site: Site, grid: Cells, textures: Textures) -> tuple[np.ndarray, np.ndarray]:
    """Colour of the floor, (3, n) in 0..255, and the fine grain for other things to use."""
    grains = textures.at(grid.en)
    sharp, soft = (
        textures.cut(field, grid).astype("float32") for field in textures.pixels.values()
    )
    blades = 0.75 * sharp + 0.5 * soft
    along, up = (axis.astype("float32") for axis in own_axes(grid.en))
    tint = textures.tint.at(grid.en, order=1).astype("float32")
    colour = _grass(grains, tint, blades, up)
    _daisies(colour, textures.cut(textures.dots, grid), grid.shape, grains[0])
    _graves(colour, site, grid, grains[2], blades)
    _litter(colour, site, grid, grains[2], blades)
    _beside_iron(colour, site, grid, blades, grains[1])
    _ways(colour, along, up, grains, sharp)
    colour *= _relief(site, grid)
    return colour, blades
