"""The orthophoto: 3 cm, late on a clear spring morning."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter
from shapely import contains_xy

from generator.chance import stream
from generator.drawing import (
    Sheet,
    draw_crowns,
    draw_curbs,
    draw_iron,
    draw_low_shadows,
    draw_marks,
    draw_shadows,
    draw_stones,
)
from generator.frame import CRS
from generator.models import Cells, Extent, extent
from generator.papers import SHIFT, ortho_marks
from generator.planting import clumps
from generator.things import Site
from generator.turf import Textures, floor
from generator.writers import write_cog

__all__ = ["ORTHO_M", "write_ortho"]

ORTHO_M = 0.03
_RIM = 16
_SHADE = np.array([0.43, 0.48, 0.57])  # what is left of the light in full shadow


def _over(colour: np.ndarray, paint: np.ndarray, light: np.ndarray) -> None:
    """Lay painted things, (4, n), over the bands in place; `light` gives them texture."""
    index = np.flatnonzero(paint[3])
    alpha = paint[3, index] / 255.0
    for band, value in zip(colour, paint[:3], strict=True):
        band[index] += (value[index] * light[index] - band[index]) * alpha


def _darken(colour: np.ndarray, grid: Cells, tone: np.ndarray, soft: float) -> None:
    share = gaussian_filter(tone.reshape(grid.shape), soft).ravel()
    for band, left in zip(colour, _SHADE, strict=True):
        np.multiply(band, 1.0 - share * np.float32(1.0 - left), out=band)


def _picture(
    site: Site, grid: Cells, textures: Textures, leaves: dict[str, np.ndarray], name: str
) -> np.ndarray:
    colour, blades = floor(site, grid, textures)
    flat = Sheet(grid, "RGBA")
    draw_curbs(flat, site)
    draw_marks(flat, ortho_marks(site))
    _over(colour, flat.done(), 1.0 + 0.045 * blades)
    tone = Sheet(grid, "L")
    draw_low_shadows(tone, site)
    draw_shadows(tone, site)
    _darken(colour, grid, tone.done(), 0.55)
    things = Sheet(grid, "RGBA")
    draw_stones(things, site)
    draw_iron(things, site)
    _over(colour, things.done(), 1.0 + 0.045 * blades)
    shade, crowns = Sheet(grid, "L"), Sheet(grid, "RGBA")
    draw_crowns(shade, crowns, site, leaves, stream(site.seed, "leaves", name))
    _darken(colour, grid, shade.done() * np.float32(0.9), 2.2)
    _over(colour, crowns.done(), 1.0 + 0.16 * blades)
    return colour


def _finish(colour: np.ndarray, grid: Cells, rng: np.random.Generator) -> np.ndarray:
    """Add the lens and the sensor: a little soft, a little noise, (3, rows, columns) bytes."""
    bands = np.empty((3, grid.shape[0] - 2 * _RIM, grid.shape[1] - 2 * _RIM), dtype="uint8")
    for band, out in zip(colour, bands, strict=True):
        soft = gaussian_filter(band.reshape(grid.shape), 0.45)[_RIM:-_RIM, _RIM:-_RIM]
        soft = soft + rng.standard_normal(soft.shape, dtype=np.float32) * np.float32(1.3)
        light = np.clip(soft / 255.0, 0.0, 1.0)
        out[:] = np.round(255.0 * (1.0 - (1.0 - light) ** 1.34))  # brighter, whites kept
    return bands


def _grid(west: float, north: float) -> Cells:
    """Give what lies under a tile's pixels once the picture's own shift is undone."""
    tile = Cells.tile(west, north, ORTHO_M, _RIM)
    return Cells(tile.west - SHIFT[0], tile.north - SHIFT[1], tile.shape, tile.cell_m)


def write_ortho(site: Site, folder: Path) -> None:
    """Write the picture as tiles with a mask where the flight saw nothing."""
    frame: Extent = extent()
    textures, leaves = Textures(site, frame, ORTHO_M, _RIM), clumps(site)
    for name, west, north in frame.tiles():
        grid = _grid(west, north)
        colour = _picture(site, grid, textures, leaves, name)
        bands = _finish(colour, grid, stream(site.seed, "sensor", name))
        seen = contains_xy(frame.covered, grid.en[:, 0], grid.en[:, 1]).reshape(grid.shape)
        mask = np.where(seen[_RIM:-_RIM, _RIM:-_RIM], 255, 0).astype("uint8")
        bands = np.where(mask > 0, bands, 0).astype("uint8")
        write_cog(folder / "ortho" / f"ortho_{name}.tif", bands, (west, north), ORTHO_M, CRS, mask=mask,
                  compress="JPEG", quality=78, blocksize=512, overviews="AUTO",
                  overview_quality=70)  # fmt: skip
