"""Small iron: stays, brackets, footings, stubs, loose ornaments and fragments."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from generator.chance import stream
from generator.styles import STYLES
from generator.things import Curb, Lot, Part, Run

__all__ = ["build_parts"]


def _inward(run: Run, index: int) -> np.ndarray:
    """Give the unit vector to the left of the line at a post."""
    line = run.line
    way = line[min(index + 1, len(line) - 1)] - line[max(index - 1, 0)]
    way = way / np.hypot(*way)
    return np.array([-way[1], way[0]])


def _stays(run: Run) -> Iterator[Part]:
    """Back stays at every third line post, each on a small footing now and then."""
    posts = [i for i, role in enumerate(run.roles) if role == "line"]
    material = STYLES[run.style].post_material
    for count, index in enumerate(posts[1::3], start=1):
        parent = f"{run.run_id}-P{index + 1:02d}"
        foot = np.round(run.posts[index] + 0.42 * _inward(run, index), 4)
        yield Part(
            f"{run.run_id}-Y{count}",
            "stay",
            parent,
            run.lots,
            run.run_id,
            foot,
            "in place",
            material,
        )
        if (count + len(run.bays)) % 3 == 1:
            yield Part(f"{run.run_id}-F{count}", "footing", parent, run.lots, run.run_id,
                       np.round(foot + 0.01, 4), "in place", "unknown", "foot of the stay")  # fmt: skip


def _brackets(rng: np.random.Generator, run: Run) -> Iterator[Part]:
    for bay in run.bays:
        if bay.kind == "panel" and rng.random() < 0.07:
            place = np.round(run.posts[bay.order - 1], 4)
            gone = str(rng.choice(["in place", "in place", "missing"]))
            yield Part(f"{run.run_id}-R{bay.order}", "bracket", f"{run.run_id}-B{bay.order:02d}", run.lots,
                       run.run_id, place, gone, STYLES[run.style].corner_material)  # fmt: skip


def _loose(rng: np.random.Generator, runs: tuple[Run, ...]) -> Iterator[Part]:
    """Finials and fragments that lie about, near the run they may have come from."""
    picks = rng.choice(len(runs), 26, replace=False)
    for count, index in enumerate(picks, start=1):
        run = runs[int(index)]
        place = np.round(run.posts[0] + rng.normal(0.0, 1.2, 2), 3)
        if count <= 16:
            where = str(rng.choice(["loose on site", "loose on site", "in store"]))
            yield Part(f"X{count:02d}", "fragment", "", run.lots, "", place, where,
                       STYLES[run.style].panel_material, "may belong to the nearest fence")  # fmt: skip
        else:
            where = str(rng.choice(["loose on site", "missing", "in store"]))
            yield Part(f"N{count - 16:02d}", "ornament", f"{run.run_id}-P01", run.lots, run.run_id,
                       place, where, "cast iron", "finial")  # fmt: skip


def _stubs(curbs: tuple[Curb, ...], lot: Lot) -> Iterator[Part]:
    units = [curb for curb in curbs if not curb.run_id and curb.lots == (lot.name,)]
    for count, curb in enumerate(units[::2], start=1):
        place = np.round(curb.corners.mean(axis=0), 4)
        yield Part(f"L{lot.name}-U{count}", "stub", curb.curb_id, (lot.name,), "", place, "in place",
                   "wrought iron", "cut off 20 mm above the stone, lead sound")  # fmt: skip


def build_parts(
    seed: int, lots: tuple[Lot, ...], runs: tuple[Run, ...], curbs: tuple[Curb, ...]
) -> tuple[Part, ...]:
    """All small iron of the ground."""
    parts: list[Part] = []
    for run in runs:
        if run.style != "pipe":
            parts += _stays(run)
        parts += _brackets(stream(seed, "brackets", run.run_id), run)
    parts += _loose(stream(seed, "loose"), runs)
    for lot in lots:
        if lot.plan == "stubs":
            parts += _stubs(curbs, lot)
    return tuple(parts)
