"""The true ground: old surface, graves, and the soil that has gathered along the fences."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from generator.frame import ORIGIN, TURN_RAD
from generator.things import STEP_M, Run

__all__ = ["REACH_M", "Near", "downhill", "locate", "old_ground", "own_axes", "soil_height"]

Near = Callable[
    [np.ndarray, np.ndarray], np.ndarray
]  # corners of a box -> indices of the points in it

REACH_M = 1.6  # soil gathered along a fence fades out within this distance
_WAVES = (  # amplitude m, waves per m along and up, phase
    (0.16, 0.021, 0.008, 0.3),
    (0.11, -0.009, 0.024, 1.9),
    (0.035, 0.055, 0.031, 4.0),
    (0.030, -0.043, 0.062, 2.2),
    (0.012, 0.11, -0.09, 0.8),
    (0.010, 0.07, 0.14, 5.1),
)


def own_axes(en: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distance along the rows and up the slope, m."""
    east, north = en[..., 0] - ORIGIN[0], en[..., 1] - ORIGIN[1]
    cos, sin = np.cos(TURN_RAD), np.sin(TURN_RAD)
    return east * cos + north * sin, north * cos - east * sin


def old_ground(en: np.ndarray) -> np.ndarray:
    """Height of the ground as it lay when the fences were set, m above the bench mark's zero."""
    along, up = own_axes(en)
    height = 46.8 + 0.061 * up + 0.013 * along
    for amplitude, fu, fv, phase in _WAVES:
        height += amplitude * np.sin(2.0 * np.pi * (fu * along + fv * up) + phase)
    drive = np.clip((np.abs(up - 47.0 - 0.6 * np.sin(along / 19.0)) - 1.3) / 0.5, 0.0, 1.0)
    return height - 0.05 * (1.0 - drive * drive * (3.0 - 2.0 * drive))


def downhill(en: np.ndarray) -> np.ndarray:
    """Give unit vectors down the old slope."""
    east, north = np.array([0.5, 0.0]), np.array([0.0, 0.5])
    dx = old_ground(en + east) - old_ground(en - east)
    dy = old_ground(en + north) - old_ground(en - north)
    fall = -np.stack([dx, dy], axis=-1)
    return fall / np.linalg.norm(fall, axis=-1, keepdims=True)


def locate(run: Run, en: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Station, signed distance (left positive) and bay index of points beside a run."""
    best = np.full(len(en), np.inf)
    station, signed = np.zeros(len(en)), np.zeros(len(en))
    bay = np.zeros(len(en), dtype=int)
    line, ends = run.line, run.post_stations
    for index in range(len(run.bays)):
        way = line[index + 1] - line[index]
        length = float(np.hypot(*way))
        off = en - line[index]
        share = np.clip(off @ way / length**2, 0.0, 1.0)
        distance = np.hypot(*(off - share[:, None] * way).T)
        closer = distance < best
        best = np.where(closer, distance, best)
        left = (way[0] * off[:, 1] - way[1] * off[:, 0]) >= 0.0
        signed = np.where(closer, np.where(left, distance, -distance), signed)
        station = np.where(closer, ends[index] + share * length, station)
        bay = np.where(closer, index, bay)
    return station, signed, bay


def _gathered(run: Run, en: np.ndarray) -> np.ndarray:
    """Height of the soil gathered along one run: a shelf uphill, steep downhill."""
    station, signed, bay = locate(run, en)
    height = np.interp(station, np.arange(len(run.soil_m)) * STEP_M, run.soil_m)
    above = signed * run.uphill[bay]
    shelf = np.where(above >= 0.0, np.exp(-((above / 0.85) ** 4)), np.exp(-((above / 0.17) ** 2)))
    return height * shelf


def soil_height(
    en: np.ndarray, runs: Sequence[Run], graves: np.ndarray, *, near: Near | None = None
) -> np.ndarray:
    """Give the true height of the soil at points, m; `en` is (n, 2).

    `near` finds the points of a box; a raster knows a quicker way than looking at all.
    """
    pick = near or (lambda low, high: np.flatnonzero(np.all((en >= low) & (en <= high), axis=1)))
    height = old_ground(en)
    for east, north, turn, half, rise in graves:
        centre = np.array([east, north])
        index = pick(centre - 2.6, centre + 2.6)
        off = en[index] - centre
        sin, cos = np.sin(np.deg2rad(turn)), np.cos(np.deg2rad(turn))
        along, across = off @ (sin, cos), off @ (cos, -sin)
        height[index] += rise * np.exp(-((along / half) ** 4) - (across / 0.42) ** 4)
    extra = np.zeros(len(en))
    for run in runs:
        index = pick(run.posts.min(axis=0) - REACH_M, run.posts.max(axis=0) + REACH_M)
        if len(index):
            extra[index] = np.maximum(extra[index], _gathered(run, en[index]))
    return height + extra
