"""What happens to the ground from one spring to the next."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from generator.chance import stream
from generator.things import Bay, Run, Site, Stone

__all__ = ["age"]

_SOIL_M = 0.0035  # a year's thatch and wash
_LOST, _LOOSENED = 0.006, 0.01


def _bay(rng: np.random.Generator, bay: Bay) -> Bay:
    draw = rng.random()
    if bay.presence == "in place" and draw < _LOST + _LOOSENED:
        return replace(bay, presence="missing" if draw < _LOST else "loose on site")
    if rng.random() < 0.02:  # hit by a mower or a branch
        return replace(bay, bend_mm=bay.bend_mm + float(rng.integers(8, 40)))
    return bay


def _run(seed: int, year: int, run: Run) -> Run:
    rng = stream(seed, "life", year, run.run_id)
    bays = tuple(_bay(rng, bay) for bay in run.bays)
    soil = np.round(run.soil_m + _SOIL_M * rng.uniform(0.3, 1.7), 4)
    if rng.random() < 0.05:  # somebody cleared the soil
        soil = np.round(np.minimum(soil, rng.uniform(0.01, 0.025)), 4)
    lean = run.lean.copy()
    worse = rng.random(len(lean)) < 0.03
    lean[:, 0] = np.round(lean[:, 0] + worse * rng.gamma(2.0, 0.8, len(lean)), 1)
    return replace(run, bays=bays, soil_m=soil, lean=lean)


def _stone(seed: int, year: int, stone: Stone) -> Stone:
    rng = stream(seed, "life", year, stone.stone_id)
    if stone.stability == "leaning" and rng.random() < 0.08:
        return replace(stone, lean_deg=round(stone.lean_deg + float(rng.uniform(0.5, 3.0)), 1))
    return stone


def age(site: Site, year: int) -> Site:
    """Give the ground one year later; nothing of the older state is changed."""
    runs = tuple(_run(site.seed, year, run) for run in site.runs)
    stones = tuple(_stone(site.seed, year, stone) for stone in site.stones)
    return replace(site, year=year, runs=runs, stones=stones)
