"""The invented burial ground in a given year: a function of seed and year."""

from __future__ import annotations

import numpy as np
from shapely import LineString, Point, Polygon

from generator.chance import stream
from generator.frame import BOUNDARY, to_world
from generator.iron import build_runs
from generator.life import age
from generator.lots import lay_out
from generator.masonry import build_curbs, build_graves, build_stones
from generator.parts import build_parts
from generator.things import Run, Site, Stone, Tree

__all__ = ["FIRST_YEAR", "make_site"]

FIRST_YEAR = 2026
_SPECIES = (
    ("oak", 620, 14.0, 5.2), ("lime", 520, 15.0, 4.4), ("yew", 480, 8.0, 3.3),
    ("birch", 260, 11.0, 2.5), ("holly", 180, 6.0, 1.7), ("hawthorn", 160, 5.0, 1.9),
)  # fmt: skip


def _trees(seed: int, stones: tuple[Stone, ...], runs: tuple[Run, ...]) -> tuple[Tree, ...]:
    """Trees near the edge and a few among the lots, never on a stone or a rail."""
    solid = [Polygon(stone.corners) for stone in stones] + [LineString(run.line) for run in runs]
    rng, edge = stream(seed, "trees"), Polygon(BOUNDARY)
    trees: list[Tree] = []
    while len(trees) < 27:
        place = rng.uniform((-1.0, 0.0), (127.0, 96.0))
        inside = edge.contains(Point(place)) and edge.exterior.distance(Point(place)) > 1.4
        outer = edge.exterior.distance(Point(place)) < 7.0
        if not inside or not (outer or rng.random() < 0.16) or abs(place[1] - 47.0) < 3.2:
            continue
        name, stem, height, crown = _SPECIES[int(rng.integers(len(_SPECIES)))]
        size = float(rng.uniform(0.6, 1.2))
        point = to_world(place)
        if min(shape.distance(Point(point)) for shape in solid) < 0.9:
            continue
        if any(
            np.hypot(*(tree.place - point)) < 0.75 * (tree.crown_m + crown * size) for tree in trees
        ):
            continue
        trees.append(Tree(f"T{len(trees) + 1:02d}", name, np.round(point, 3), round(stem * size, 0),
                          round(height * size, 1), round(crown * size, 2)))  # fmt: skip
    return tuple(trees)


def make_site(seed: int, year: int) -> Site:
    """Make the ground as it stands in spring of `year`.

    Parameters
    ----------
    seed
        Everything random hangs on it.
    year
        `FIRST_YEAR` or later; what happens in the years between is drawn by
        `generator.life` from the same seed, so a later year continues an earlier one.

    Raises
    ------
    ValueError
        The year lies before the first one.
    """
    if year < FIRST_YEAR:
        raise ValueError(f"the ground is known from {FIRST_YEAR} on, not in {year}")
    lots, strips = lay_out(seed)
    runs = build_runs(seed, lots)
    curbs = build_curbs(seed, runs, lots)
    stones = build_stones(seed, lots, runs, strips)
    graves = build_graves(seed, stones, runs)
    parts = build_parts(seed, lots, runs, curbs)
    site = Site(
        seed, FIRST_YEAR, lots, runs, curbs, stones, _trees(seed, stones, runs), parts, graves
    )
    for later in range(FIRST_YEAR + 1, year + 1):
        site = age(site, later)
    return site


def under_crowns(site: Site, en: np.ndarray) -> np.ndarray:
    """Which points lie under a tree's crown."""
    hidden = np.zeros(len(en), dtype=bool)
    for tree in site.trees:
        hidden |= np.hypot(*(en - tree.place).T) < tree.crown_m
    return hidden
