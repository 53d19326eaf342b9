"""Stones and curbs as the survey drew them."""

from __future__ import annotations

from typing import Any

import numpy as np

from generator.chance import stream
from generator.ground import soil_height
from generator.things import Site

__all__ = ["curb_table", "stone_table"]

Table = tuple[dict[str, list[Any]], list[np.ndarray]]


def _drawn(rng: np.random.Generator, corners: np.ndarray, shift: float, edge: float) -> np.ndarray:
    return np.round(corners + rng.normal(0.0, shift, 2) + rng.normal(0.0, edge, corners.shape), 3)


def _columns(rows: list[dict[str, Any]]) -> dict[str, list[Any]]:
    return {name: [row[name] for row in rows] for name in rows[0]}


def stone_table(site: Site) -> Table:
    """Stones: four in five traced on the orthophoto, the rest shot at their corners."""
    rows, shapes = [], []
    for stone in site.stones:
        rng = stream(site.seed, site.year, "stone survey", stone.stone_id)
        traced = rng.random() < 0.8
        shapes.append(
            _drawn(rng, stone.corners, 0.018 if traced else 0.010, 0.010 if traced else 0.006)
        )
        sides = np.hypot(*(stone.corners[[1, 2]] - stone.corners[[0, 1]]).T)
        bad = stone.stability in ("loose", "fallen") or stone.lean_deg > 10.0
        rows.append({
            "element_id": stone.stone_id, "kind": stone.kind, "lots": ";".join(stone.lots),
            "stone_type": stone.stone_type, "length_m": round(float(sides.max()), 2),
            "width_m": round(float(sides.min()), 2), "height_m": round(stone.height_m + rng.normal(0, 0.01), 2),
            "azimuth_deg": round((stone.azimuth_deg + rng.normal(0, 3)) % 360.0, 0),
            "stability": stone.stability, "lean_deg": round(stone.lean_deg, 0),
            "lean_azimuth_deg": round(stone.lean_azimuth_deg, 0) if stone.lean_deg >= 2 else None,
            "iron_stain": stone.iron_stain, "condition": 2 if bad else int(rng.choice([0, 1], p=[0.6, 0.4])),
            "urgency": 3 if bad and stone.height_m > 0.6 else int(bad), "make_safe": bool(bad and stone.height_m > 0.6),
            "method": "traced" if traced else "gnss", "fix_quality": "" if traced else "fixed",
            "sigma_h_m": 0.025 if traced else 0.012, "accuracy_is": "axis sd", "presence": "in place",
            "seen": "inspected", "remarks": stone.form,
        })  # fmt: skip
    return _columns(rows), shapes


def curb_table(site: Site) -> Table:
    """Curb stones with the height of the top and how far it stands out of the soil."""
    rows, shapes = [], []
    for curb in site.curbs:
        rng = stream(site.seed, site.year, "curb survey", curb.curb_id)
        shapes.append(_drawn(rng, curb.corners, 0.012, 0.006))
        top = (curb.top_from + curb.top_to) / 2.0
        beside = curb.corners[[0, 1]].mean(axis=0) + (curb.corners[0] - curb.corners[3]) * 0.15
        soil = float(soil_height(beside[None], site.runs, site.graves)[0])
        known = rng.random() < 0.25
        rows.append({
            "element_id": curb.curb_id, "kind": "curb", "lots": ";".join(curb.lots), "run_id": curb.run_id,
            "stone_type": curb.stone_type, "length_m": round(curb.to_m - curb.from_m, 2),
            "width_m": round(float(np.hypot(*(curb.corners[0] - curb.corners[3]))), 2),
            "height_m": round(max(0.0, top - soil + rng.normal(0, 0.006)), 3),
            "top_m": round(top + rng.normal(0, 0.008), 3) if rng.random() < 0.9 else None,
            "base_m": round(top - rng.uniform(0.25, 0.4), 2) if known else None,
            "iron_stain": bool(rng.random() < 0.4), "condition": int(rng.choice([0, 1, 2], p=[0.5, 0.35, 0.15])),
            "urgency": int(rng.choice([0, 1], p=[0.7, 0.3])), "method": "total station", "target": "curb top",
            "sigma_h_m": 0.010, "sigma_v_m": 0.008, "accuracy_is": "axis sd", "presence": "in place",
            "seen": "inspected", "remarks": "sunk into the turf" if top < soil + 0.01 else "",
        })  # fmt: skip
    return _columns(rows), shapes
