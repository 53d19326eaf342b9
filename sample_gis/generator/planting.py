"""Leaves: tree crowns and the hedge, as clumps that raster and picture share."""

from __future__ import annotations

import numpy as np

from generator.chance import stream
from generator.frame import BOUNDARY, to_world
from generator.things import Site, Tree

__all__ = ["HEDGE_M", "SUN", "clumps", "hedge_line"]

HEDGE_M = 1.5
_AZIMUTH_DEG = 152.0  # where the sun stands in the orthophoto
SUN = np.array([np.sin(np.deg2rad(_AZIMUTH_DEG)), np.cos(np.deg2rad(_AZIMUTH_DEG))])
_GATEWAY = (44.2, 49.8)  # the hedge leaves the drive open here


def hedge_line() -> np.ndarray:
    """Points every 15 cm along the hedge, easting and northing."""
    corners = np.vstack([BOUNDARY[6:], BOUNDARY[:1]])
    steps = np.hypot(*np.diff(corners, axis=0).T)
    ends = np.concatenate([[0.0], np.cumsum(steps)])
    at = np.arange(0.0, ends[-1], 0.15)
    line = np.column_stack([np.interp(at, ends, corners[:, axis]) for axis in (0, 1)])
    shut = (line[:, 0] > 3.0) | (line[:, 1] < _GATEWAY[0]) | (line[:, 1] > _GATEWAY[1])
    return to_world(line[shut])


def _crown(seed: int, tree: Tree) -> np.ndarray:
    """Grow a crown as boughs, each a ball of small clumps lit from the sun's side."""
    rng = stream(seed, "crown", tree.tree_id)
    boughs = int(7 + 4.5 * tree.crown_m)
    turn = rng.uniform(0.0, 2.0 * np.pi, boughs)
    off = np.sqrt(rng.random(boughs)) * tree.crown_m * 0.78
    middle = tree.place + np.column_stack([np.cos(turn), np.sin(turn)]) * off[:, None]
    wide = tree.crown_m * rng.uniform(0.24, 0.40, boughs)
    top = tree.height_m * (1.0 - 0.45 * (off / tree.crown_m) ** 2) * rng.uniform(0.9, 1.0, boughs)
    count = int(560 * tree.crown_m**1.5) + 250
    bough = rng.integers(0, boughs, count)
    away, angle = np.sqrt(rng.random(count)), rng.uniform(0.0, 2.0 * np.pi, count)
    spread = (
        np.column_stack([np.cos(angle), np.sin(angle)])
        * (away * rng.uniform(0.9, 1.05, count))[:, None]
    )
    place = middle[bough] + spread * wide[bough][:, None]
    fall = np.clip((spread**2).sum(axis=1), 0.0, 1.6)
    height = top[bough] - wide[bough] * 0.7 * fall * rng.uniform(0.7, 1.3, count)
    lit = 1.25 * (spread @ SUN) + rng.normal(0.0, 0.3, count) - 0.35 * fall
    grain = rng.uniform(0.045, 0.125, count) * (0.78 + 0.11 * tree.crown_m)
    leaves = np.column_stack([place, height, grain, np.maximum(lit, -1.0)])
    inner = np.column_stack([middle, top - 0.75 * wide, wide * 0.66, np.full(boughs, -1.2)])
    return np.vstack([inner, leaves])


def clumps(site: Site) -> dict[str, np.ndarray]:
    """Clumps of leaves by species: (n, 5) easting, northing, height, radius, light; lowest first."""
    kinds: dict[str, list[np.ndarray]] = {}
    for tree in site.trees:
        kinds.setdefault(tree.species, []).append(_crown(site.seed, tree))
    line, rng = hedge_line(), stream(site.seed, "hedge")
    places = np.repeat(line, 22, axis=0)
    off = rng.normal(0.0, 0.27, (len(places), 2))
    height = (
        HEDGE_M
        - 1.1 * np.clip(np.hypot(*off.T) / 0.8, 0.0, 1.0) ** 2
        + rng.normal(0, 0.08, len(off))
    )
    lit = off @ SUN * 1.6 + rng.normal(0.0, 0.4, len(off))
    size = rng.uniform(0.03, 0.085, len(off))
    kinds["hedge"] = [np.column_stack([places + off, height, size, lit])]
    out = {}
    for name, parts in sorted(kinds.items()):
        rows = np.vstack(parts)
        out[name] = rows[np.argsort(rows[:, 2], kind="stable")]
    return out
