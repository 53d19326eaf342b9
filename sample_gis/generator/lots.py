"""Where the lots lie and how each is enclosed."""

from __future__ import annotations

import numpy as np

from generator.chance import stream
from generator.frame import to_world
from generator.styles import STYLES
from generator.things import Lot

__all__ = ["HALF_ROWS", "lay_out"]

_WEST, _EAST = (6.5, 58.0), (67.0, 118.5)
_ROWS = ((7.0, 5.0), (16.2, 5.4), (26.0, 5.6), (36.2, 5.6), (52.2, 5.6), (62.4, 5.4), (72.4, 5.2),
         (82.6, 4.8))  # fmt: skip
_PLANS = (
    ("ring", "sides", "three"), ("ring", "cradle", "ring"),
    ("party", "ring"), ("sides", "ring", "stubs"),
    ("ring", "mixed", "ring"), ("ring", "front", "ring", "cradle"),
    ("curve", "ring", "party"), ("ring", "ring", "mixed"),
    ("ring", "party"), ("curve", "sides", "ring"),
    ("ring", "ring", "three"), ("mixed", "ring", "ring"),
    ("ring", "sides", "cradle"), ("ring", "party"),
    ("ring", "ring", "front"), ("stubs", "ring", "ring", "cradle"),
)  # fmt: skip
HALF_ROWS = tuple(
    (start, stop, low, depth, row)
    for row, (low, depth) in enumerate(_ROWS)
    for start, stop in (_WEST, _EAST)
)


def _width(rng: np.random.Generator, plan: str) -> float:
    if plan == "cradle":
        return float(rng.uniform(1.15, 1.5))
    if plan == "party":
        return float(rng.uniform(8.0, 10.4))
    return float(rng.uniform(3.9, 6.4))


def _corners(rng: np.random.Generator, box: tuple[float, float, float, float], back: bool,
             twist: float) -> np.ndarray:  # fmt: skip
    left, right, low, high = box
    corners = np.array([(left, low), (right, low), (right, high), (left, high)])
    if back:  # the front faces up the slope
        corners = np.roll(corners, 2, axis=0)
    centre = corners.mean(axis=0)
    cos, sin = np.cos(twist), np.sin(twist)
    turned = (corners - centre) @ np.array([[cos, sin], [-sin, cos]]) + centre
    return turned + rng.normal(0.0, 0.02, (4, 2))


def _style(rng: np.random.Generator, plan: str) -> str:
    if plan == "cradle":
        return "wrought"
    names = list(STYLES)
    weights = np.array([STYLES[name].weight for name in names])
    return str(rng.choice(names, p=weights / weights.sum()))


def lay_out(seed: int) -> tuple[tuple[Lot, ...], np.ndarray]:
    """Lay out the lots; also give the open strips between them as (n, 5) u0 u1 v0 depth row."""
    lots: list[Lot] = []
    strips: list[tuple[float, ...]] = []
    for half, (start, stop, low, depth, row) in enumerate(HALF_ROWS):
        rng = stream(seed, "lots", half)
        plans = [_PLANS[half][i] for i in rng.permutation(len(_PLANS[half]))]
        widths = [_width(rng, plan) for plan in plans]
        spare = rng.dirichlet(np.full(len(plans) + 1, 6.0)) * (stop - start - sum(widths))
        place = start
        for plan, width, gap in zip(plans, widths, spare[:-1], strict=True):
            strips.append((place, place + gap, low, depth, row))
            place += gap
            lots += _make(rng, plan, (place, place + width, low, low + depth), row, len(lots))
            place += width
        strips.append((place, stop, low, depth, row))
    return tuple(lots), np.array(strips)


def _make(rng: np.random.Generator, plan: str, box: tuple[float, float, float, float], row: int,
          made: int) -> list[Lot]:  # fmt: skip
    left, right, low, high = box
    if plan == "cradle":
        low += float(rng.uniform(0.8, 1.6))
        high = low + float(rng.uniform(2.2, 2.5))
    section = ("lower " if row < 4 else "upper ") + ("west" if left < 62 else "east")
    twist, style, back = float(rng.normal(0.0, 0.02)), _style(rng, plan), row % 2 == 1
    if plan != "party":
        high -= float(rng.uniform(0.0, 0.7)) if plan != "cradle" else 0.0
        corners = to_world(_corners(rng, (left, right, low, high), back, twist))
        return [Lot(made + 1, corners, style, plan, section)]
    whole = _corners(rng, (left, right, low, high), back, twist)
    share = float(rng.uniform(0.45, 0.55))
    front = whole[0] + (whole[1] - whole[0]) * share
    rear = whole[3] + (whole[2] - whole[3]) * share
    first = np.array([whole[0], front, rear, whole[3]])
    second = np.array([front, whole[1], whole[2], rear])
    return [
        Lot(made + 1, to_world(first), style, "party left", section),
        Lot(made + 2, to_world(second), _style(rng, plan), "party right", section),
    ]
