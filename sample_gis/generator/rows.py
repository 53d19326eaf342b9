"""Rows of the element survey: what a crew writes down, with the noise of its instrument."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from generator.chance import stream
from generator.ground import soil_height
from generator.styles import STYLES
from generator.things import Bay, Part, Run, Site

__all__ = [
    "COLUMNS",
    "TARGET_RAIL",
    "Crew",
    "Row",
    "crews",
    "metres",
    "panel_row",
    "part_row",
    "post_row",
]

Row = dict[str, Any]
TARGET_RAIL = "rail underside"
COLUMNS = [
    "element_id",
    "kind",
    "parent_id",
    "lots",
    "run_id",
    "order",
    "role",
    "easting",
    "northing",
    "height",
    "target",
    "method",
    "fix_quality",
    "rod_height_m",
    "time",
    "sigma_h_m",
    "sigma_v_m",
    "accuracy_is",
    "presence",
    "seen",
    "material",
    "material_evidence",
    "material_confidence",
    "section",
    "length_mm",
    "height_mm",
    "connection",
    "fastener_kind",
    "fastener_size",
    "fasteners_missing",
    "pickets_count",
    "pickets_missing",
    "bend_mm",
    "lean_deg",
    "lean_azimuth_deg",
    "rusted_area_pct",
    "pitting_mm",
    "paint_colour",
    "paint_location",
    "foundation",
    "condition",
    "urgency",
    "make_safe",
    "remarks",
    "photos",
]
_EVIDENCE = {
    "wrought iron": "rivets; fibrous grain; hand-forged ends",
    "cast iron": "mould lines; repeated ornament; bolted sections",
    "mild steel": "sharp rolled section; arc welds",
    "wire": "woven wire",
    "pipe": "threaded joints",
}


def metres(value: float) -> str:
    """Write metres to the millimetre."""
    return f"{value:.3f}"


@dataclass
class Crew:
    """One instrument on its way through the site: its errors and its clock."""

    name: str
    rng: np.random.Generator
    method: str
    noise_h: float
    noise_v: float
    run_bias_h: float
    run_bias_v: float
    common: np.ndarray
    clock: datetime
    accuracy_is: str
    sink_m: float = 0.0
    biases: dict[str, np.ndarray] = field(default_factory=dict)

    def bias(self, run_id: str) -> np.ndarray:
        """Error that all shots of one run share."""
        if run_id not in self.biases:
            size = (self.run_bias_h, self.run_bias_h, self.run_bias_v)
            self.biases[run_id] = self.common + self.rng.normal(0.0, 1.0, 3) * size
        return self.biases[run_id]

    def tick(self, low: float = 24.0, high: float = 52.0) -> str:
        """Move the clock on to the next shot."""
        self.clock += timedelta(seconds=float(np.round(self.rng.uniform(low, high))))
        return self.clock.strftime("%Y-%m-%dT%H:%M:%SZ")

    def shot(self, run_id: str, place: np.ndarray, height: float | None, target: str) -> Row:
        """Measure one point; two in a hundred satellite shots are float and say so."""
        gnss = self.method == "gnss"
        afloat = gnss and self.rng.random() < 0.022
        sigma = np.array(
            [0.14, 0.14, 0.25] if afloat else [self.noise_h, self.noise_h, self.noise_v]
        )
        error = self.bias(run_id) + self.rng.normal(0.0, 1.0, 3) * sigma
        wide_h, wide_v = (2.4477, 1.96) if self.accuracy_is == "radial 95 %" else (1.0, 1.0)
        row: Row = {
            "easting": metres(place[0] + error[0]),
            "northing": metres(place[1] + error[1]),
            "method": self.method,
            "time": self.tick(),
            "sigma_h_m": metres(sigma[0] * wide_h),
            "sigma_v_m": metres(sigma[2] * wide_v),
            "accuracy_is": self.accuracy_is,
        }
        if gnss:
            row |= {"fix_quality": "float" if afloat else "fixed", "rod_height_m": "2.000"}
        if height is not None and np.isfinite(height):
            sunk = -abs(self.rng.normal(0.0, self.sink_m)) if target == "ground" else 0.0
            row |= {"height": metres(height + error[2] + sunk), "target": target}
        return row


def crews(seed: int, day: datetime) -> dict[str, Crew]:
    """Send out the satellite crew (its app writes 95 % figures) and the total station crew."""
    base = np.array([0.007, -0.005, 0.009])
    nine = day.replace(hour=7, minute=12, tzinfo=UTC)
    return {
        "rtk": Crew("rtk", stream(seed, day, "rtk"), "gnss", 0.015, 0.020, 0.008, 0.012, base, nine,
                    "radial 95 %", 0.006),
        "station": Crew("station", stream(seed, day, "station"), "total station", 0.004, 0.004, 0.003,
                        0.004, np.zeros(3), nine, "axis sd", 0.002),
    }  # fmt: skip


def _iron(rng: np.random.Generator, material: str, worn: float) -> Row:
    """Tell what is seen of a piece of iron; `worn` in 0..1 pulls all of it together."""
    rust = float(np.clip(rng.lognormal(np.log(4.0 + 40.0 * worn), 0.6), 0.1, 95.0))
    grade = min(3, int(np.searchsorted([6.0, 20.0, 45.0], rust)))
    paint = str(
        rng.choice(["black", "dark green", "red lead primer", ""], p=[0.4, 0.2, 0.15, 0.25])
    )
    return {
        "material": material,
        "material_evidence": _EVIDENCE.get(material, ""),
        "material_confidence": str(rng.choice(["sure", "probable", "guess"], p=[0.7, 0.24, 0.06])),
        "rusted_area_pct": f"{rust:.1f}" if rust < 10 else f"{rust:.0f}",
        "pitting_mm": f"{rng.gamma(1.2, 0.4 + worn):.1f}",
        "paint_colour": paint,
        "paint_location": str(rng.choice(["underside of rails", "joints", "behind brackets"]))
        if paint
        else "",
        "condition": str(grade),
        "urgency": str(max(0, grade - int(rng.random() < 0.5))),
    }


def worn_of(seed: int, run_id: str) -> float:
    """How worn a whole run is, 0 to 1."""
    return float(stream(seed, "worn", run_id).beta(1.4, 2.4))


def _seen(rng: np.random.Generator) -> str:
    return str(rng.choice(["inspected", "partly", "not accessible"], p=[0.93, 0.055, 0.015]))


def post_row(site: Site, run: Run, index: int, crew: Crew) -> Row:
    """One post: its place, and the ground beside it."""
    rng = stream(site.seed, site.year, "post", run.run_id, index)
    style, role = STYLES[run.style], run.roles[index]
    beside = run.posts[index] + 0.11 * np.array([np.sin(a := rng.uniform(0, 6.28)), np.cos(a)])
    height = float(soil_height(beside[None], site.runs, site.graves)[0])
    material = style.corner_material if role in ("corner", "end", "gate") else style.post_material
    where = "curb with lead" if run.curbed else str(
        rng.choice(["soil", "stone block", "driven iron", "concrete", "unknown"], p=[0.3, 0.35, 0.1, 0.1, 0.15])
    )  # fmt: skip
    lean, way = run.lean[index]
    row: Row = {
        "element_id": f"{run.run_id}-P{index + 1:02d}", "kind": "post",
        "parent_id": run.same_as.get(index + 1, ""), "lots": ";".join(run.lots),
        "run_id": run.run_id, "order": str(index + 1), "role": role, "presence": "in place",
        "seen": _seen(rng), "section": style.post_section if role == "line" else "100 hollow square",
        "height_mm": str(style.height_mm + int(rng.normal(60, 15))),
        "lean_deg": f"{lean:.1f}", "lean_azimuth_deg": f"{way:.0f}" if lean >= 1.0 else "",
        "foundation": where, "make_safe": "yes" if lean > 7.0 else "no",
        "remarks": "same post as " + run.same_as[index + 1] if index + 1 in run.same_as else "",
    }  # fmt: skip
    row |= _iron(rng, material, worn_of(site.seed, run.run_id))
    return row | crew.shot(run.run_id, run.posts[index], height, "ground")


def panel_row(site: Site, run: Run, bay: Bay, crew: Crew) -> Row:
    """One panel, shot at the middle of its bay."""
    rng = stream(site.seed, site.year, "panel", run.run_id, bay.order)
    style = STYLES[run.style]
    ends = run.post_stations[bay.order - 1 : bay.order + 1]
    length, middle = float(ends[1] - ends[0]), np.array([ends.mean()])
    here = bay.presence == "in place"
    row: Row = {
        "element_id": f"{run.run_id}-B{bay.order:02d}", "kind": "panel", "lots": ";".join(run.lots),
        "run_id": run.run_id, "order": str(bay.order), "presence": bay.presence,
        "seen": _seen(rng) if here else "inspected", "section": style.panel_section,
        "length_mm": f"{round(length * 100) * 10}", "height_mm": str(style.height_mm), "make_safe": "no",
    }  # fmt: skip
    if bay.presence != "missing":
        row |= _iron(rng, style.panel_material, worn_of(site.seed, run.run_id))
        row |= _joints(rng, style.fastener, style.fastener_size, worn_of(site.seed, run.run_id))
        row["bend_mm"] = f"{bay.bend_mm:.0f}"
        if style.picket_step_m:
            count = max(2, round(length / style.picket_step_m) - 1)
            lost = int(rng.binomial(count, 0.10)) if rng.random() < 0.25 else 0
            row |= {"pickets_count": str(count), "pickets_missing": str(lost)}
    rail = float(run.rail(middle)[0]) if here and rng.random() < 0.72 else None
    return row | crew.shot(run.run_id, run.points(middle)[0], rail, TARGET_RAIL)


def _joints(rng: np.random.Generator, kind: str, size: str, worn: float) -> Row:
    state = str(rng.choice(
        ["sound", "loose", "bolt missing", "bracket broken", "fused by rust", "detached", "replaced"],
        p=[0.62 - 0.3 * worn, 0.12, 0.08 + 0.1 * worn, 0.04, 0.08 + 0.2 * worn, 0.02, 0.04],
    ))  # fmt: skip
    lost = int(rng.integers(1, 3)) if state in ("bolt missing", "detached") else 0
    return {
        "connection": state,
        "fastener_kind": kind,
        "fastener_size": size,
        "fasteners_missing": str(lost),
    }


def part_row(site: Site, part: Part, crew: Crew) -> Row:
    """Write a stay, bracket, footing or stub."""
    rng = stream(site.seed, site.year, "part", part.part_id)
    row: Row = {
        "element_id": part.part_id, "kind": part.kind, "parent_id": part.parent_id,
        "lots": ";".join(part.lots), "run_id": part.run_id, "presence": part.presence,
        "seen": "inspected", "material": part.material, "make_safe": "no", "remarks": part.remarks,
    }  # fmt: skip
    if part.presence == "in place" and part.material != "unknown":
        row |= _iron(rng, part.material, worn_of(site.seed, part.run_id))
    if part.kind == "stay":
        row["foundation"] = str(rng.choice(["soil", "stone block", "driven iron"]))
    height = float(soil_height(part.place[None], site.runs, site.graves)[0])
    ground = part.kind in ("stay", "footing")
    return row | crew.shot(
        part.run_id or part.part_id, part.place, height if ground else None, "ground"
    )


def in_order(rows: Iterator[Row]) -> list[Row]:
    """Rows as a list, every column there."""
    return [{column: row.get(column, "") for column in COLUMNS} for row in rows]
