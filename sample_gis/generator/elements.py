"""The three element files: satellite rover, total station and telephone."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any

import numpy as np

from generator.chance import stream
from generator.frame import to_lonlat
from generator.rows import Crew, Row, crews, in_order, panel_row, part_row, post_row
from generator.things import Run, Site

__all__ = ["by_station", "phone_features", "survey_elements", "traced_lot"]

_PHONE_KINDS = ("fragment", "ornament", "stub")


def by_station(lots: tuple[str, ...]) -> bool:
    """Whether the total station crew did these lots."""
    return int(lots[0]) % 4 == 0


def traced_lot(site: Site) -> str:
    """Name the one lot that nobody could enter: traced on the orthophoto only."""
    return next(lot.name for lot in reversed(site.lots) if lot.plan == "cradle")


def _run_rows(site: Site, run: Run, crew: Crew) -> Iterator[Row]:
    """Walk the posts first, then come back along the middles of the bays."""
    for index in range(len(run.posts)):
        yield post_row(site, run, index, crew)
    for bay in run.bays:
        if bay.kind == "panel":
            yield panel_row(site, run, bay, crew)
    for part in site.parts:
        if part.run_id == run.run_id and part.kind not in _PHONE_KINDS:
            yield part_row(site, part, crew)


def _traced(site: Site, run: Run) -> Iterator[Row]:
    rng = stream(site.seed, site.year, "traced", run.run_id)
    place = {
        "method": "traced",
        "sigma_h_m": "0.050",
        "accuracy_is": "axis sd",
        "seen": "not visited",
    }
    base = {
        "lots": ";".join(run.lots),
        "run_id": run.run_id,
        "remarks": "under a thicket of brambles",
    }
    for index, (point, role) in enumerate(zip(run.posts, run.roles, strict=True), start=1):
        east, north = point + rng.normal(0.0, 0.05, 2)
        yield base | place | {
            "element_id": f"{run.run_id}-P{index:02d}", "kind": "post", "order": str(index), "role": role,
            "easting": f"{east:.3f}", "northing": f"{north:.3f}", "presence": "in place",
        }  # fmt: skip
    for bay in run.bays:
        middle = run.line[bay.order - 1 : bay.order + 1].mean(axis=0) + rng.normal(0.0, 0.05, 2)
        yield base | place | {
            "element_id": f"{run.run_id}-B{bay.order:02d}", "kind": "panel", "order": str(bay.order),
            "easting": f"{middle[0]:.3f}", "northing": f"{middle[1]:.3f}", "presence": "unknown",
        }  # fmt: skip


def survey_elements(site: Site, day: datetime) -> dict[str, list[Row]]:
    """Rows of the rover file and of the total station file, each in order of time."""
    crew = crews(site.seed, day)
    out: dict[str, list[Row]] = {"rtk": [], "station": []}
    for run in site.runs:
        name = "station" if by_station(run.lots) else "rtk"
        if run.lots[0] == traced_lot(site):
            out["rtk"] += in_order(_traced(site, run))
            continue
        out[name] += in_order(_run_rows(site, run, crew[name]))
    stubs = [part for part in site.parts if part.kind == "stub"]
    lots = {lot.name for lot in site.lots if lot.plan == "stubs"}
    rows = (part_row(site, part, crew["station"]) for part in stubs if part.lots[0] in lots)
    out["station"] += in_order(rows)
    return out


def _gate(run: Run, order: int, presence: str, rng: np.random.Generator) -> Row:
    worn = float(rng.beta(1.5, 2.0))
    return {
        "element_id": f"{run.run_id}-G{order:02d}", "kind": "gate", "lots": ";".join(run.lots),
        "run_id": run.run_id, "order": order, "presence": presence, "seen": "inspected",
        "material": "cast iron" if run.style == "cast" else "wrought iron",
        "connection": str(rng.choice(["sound", "loose", "detached", "fused by rust"])),
        "rusted_area_pct": round(5 + 60 * worn, 0), "condition": int(np.searchsorted([0.2, 0.45, 0.7], worn)),
        "urgency": int(np.searchsorted([0.3, 0.6, 0.85], worn)),
        "remarks": str(rng.choice(["hinge seized", "leaf hangs on the latch side", ""])),
    }  # fmt: skip


def phone_features(site: Site, day: datetime) -> list[dict[str, Any]]:
    """Gates and loose pieces as a telephone gave them: metres off, and said so."""
    rng = stream(site.seed, site.year, "phone")
    found: list[tuple[np.ndarray, Row]] = []
    for run in site.runs:
        for bay in run.bays:
            if bay.kind == "gate":
                place = run.line[bay.order - 1 : bay.order + 1].mean(axis=0)
                found.append((place, _gate(run, bay.order, bay.presence, rng)))
    for part in site.parts:
        if part.kind in ("fragment", "ornament"):
            row: Row = {
                "element_id": part.part_id, "kind": part.kind, "parent_id": part.parent_id,
                "lots": ";".join(part.lots), "run_id": part.run_id, "presence": part.presence,
                "seen": "inspected" if part.presence != "missing" else "partly",
                "material": part.material, "remarks": part.remarks,
            }  # fmt: skip
            found.append((part.place, row))
    features = []
    for count, (place, row) in enumerate(found):
        radius = float(np.round(rng.uniform(2.8, 6.5), 1))
        spot = place + rng.normal(0.0, radius / 1.51, 2) * 0.9
        lon, lat = to_lonlat(spot[None])[0]
        row |= {"method": "gnss", "fix_quality": "autonomous", "sigma_h_m": radius,
                "accuracy_is": "radial 68 %",
                "time": f"{day:%Y-%m-%d}T{12 + count // 40:02d}:{(count * 3) % 60:02d}:00Z"}  # fmt: skip
        features.append({
            "type": "Feature", "id": row["element_id"],
            "geometry": {"type": "Point", "coordinates": [float(lon), float(lat)]},
            "properties": {key: value for key, value in row.items() if value != ""},
        })  # fmt: skip
    return features
