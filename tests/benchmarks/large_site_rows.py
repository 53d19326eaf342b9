"""What the crews of the large site wrote down: rows of every survey table.

Positions and heights carry noise of the instrument and an error that each run
shares. Everything else is drawn so that all words and columns of a real
survey occur.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from large_site_ground import Ground
from large_site_layout import ORIGIN, Layout, Run, chance

__all__ = [
    "COLUMNS",
    "CURB_RISE_M",
    "ELEMENTS_AT_FULL",
    "Readings",
    "check_rows",
    "control_rows",
    "element_rows",
    "rail_heights",
    "reading_rows",
    "tree_rows",
    "weather_rows",
]  # fmt: skip

Row = dict[str, Any]
ELEMENTS_AT_FULL = 25_000
START = datetime(2026, 4, 13, 7, 0, tzinfo=UTC)


def _names(text: str) -> list[str]:
    return text.split()


COLUMNS = {
    "elements": _names(
        "element_id kind parent_id lots run_id order role easting northing height target method fix_quality "
        "rod_height_m time sigma_h_m sigma_v_m accuracy_is presence seen material material_evidence "
        "material_confidence section length_mm height_mm connection fastener_kind fastener_size "
        "fasteners_missing pickets_count pickets_missing bend_mm lean_deg lean_azimuth_deg rusted_area_pct "
        "pitting_mm paint_colour paint_location foundation condition urgency make_safe remarks photos"
    ),
    "levels": _names("element_id run_id station_m bay_id target height_m sigma_v_m method time"),
    "gaps": _names("panel_id run_id station_m gap_mm surface side sigma_mm method time"),
    "control": _names(
        "element_id kind mark easting northing height easting_known northing_known height_known method "
        "fix_quality rod_height_m time sigma_h_m sigma_v_m accuracy_is of"
    ),
    "checkpoints": _names(
        "element_id kind easting northing height cover of method sigma_h_m sigma_v_m accuracy_is "
        "easting_known northing_known"
    ),
    "trees": _names(
        "element_id kind species easting northing stem_diameter_mm height_m crown_radius_m method "
        "fix_quality sigma_h_m accuracy_is remarks"
    ),
    "weather": _names(
        "time air_temp_c relative_humidity_pct surface_temp_c wind_speed_m_s wind_from_deg rain_mm"
    ),
    "lead_tests": ["lot_id", "date", "method", "location", "result", "lead_mg_cm2"],
}  # fmt: skip
CURB_RISE_M = 0.06  # usual height of a curb's top over the soil
_GAP_MM = {"wrought iron": 92, "cast iron": 80, "mild steel": 82, "pipe": 400}
_SECTION = {"wrought iron": "38x10 flat rails, 14 square pickets", "cast iron": "cast panel, 45x25 bottom rail",
            "mild steel": "40x10 flat rails, 12 round pickets", "pipe": "two 42 pipe rails"}  # fmt: skip
_EVIDENCE = {"wrought iron": "rivets; fibrous grain", "cast iron": "mould lines; bolted sections",
             "mild steel": "sharp rolled section; arc welds", "pipe": "threaded joints"}  # fmt: skip
_PAINT = ("", "", "black", "black", "dark green", "red lead primer")


def _m(value: float) -> str:
    return f"{value:.3f}"


@dataclass
class _Instrument:
    """One instrument: what it writes of itself, its noise, and its clock."""

    rng: np.random.Generator
    satellite: bool
    clock: datetime = START

    def tick(self) -> str:
        """Time of the next shot; work stops at five and goes on at seven."""
        self.clock += timedelta(seconds=int(self.rng.integers(20, 50)))
        if self.clock.hour >= 17:
            self.clock += timedelta(hours=14)
        return self.clock.strftime("%Y-%m-%dT%H:%M:%SZ")

    def run_error(self) -> np.ndarray:
        return self.rng.normal(0.0, 1.0, 3) * (
            (0.008, 0.008, 0.012) if self.satellite else (0.003, 0.003, 0.004)
        )

    def shot(self, place: np.ndarray, height: float | None, target: str, shared: np.ndarray) -> Row:
        afloat = self.satellite and self.rng.random() < 0.02
        size = (0.14, 0.25) if afloat else (0.015, 0.020) if self.satellite else (0.004, 0.004)
        error = shared + self.rng.normal(0.0, 1.0, 3) * (size[0], size[0], size[1])
        wide = (2.4477, 1.96) if self.satellite else (1.0, 1.0)
        row: Row = {
            "easting": _m(place[0] + error[0]), "northing": _m(place[1] + error[1]),
            "method": "gnss" if self.satellite else "total station", "time": self.tick(),
            "sigma_h_m": _m(size[0] * wide[0]), "sigma_v_m": _m(size[1] * wide[1]),
            "accuracy_is": "radial 95 %" if self.satellite else "axis sd",
        }  # fmt: skip
        if self.satellite:
            row |= {"fix_quality": "float" if afloat else "fixed", "rod_height_m": "2.000"}
        if height is not None:
            row |= {"height": _m(height + error[2]), "target": target}
        return row


def _iron(rng: np.random.Generator, run: Run) -> Row:
    worn = float(rng.beta(1.3, 3.0))
    colour = str(rng.choice(_PAINT))
    return {
        "presence": "in place", "seen": "inspected" if rng.random() < 0.95 else "partly",
        "material": run.material, "material_evidence": _EVIDENCE[run.material],
        "material_confidence": "sure" if rng.random() < 0.7 else "probable",
        "rusted_area_pct": f"{100 * worn:.0f}", "pitting_mm": f"{2.5 * worn * rng.random():.1f}",
        "paint_colour": colour, "paint_location": "underside of rails" if colour else "",
        "condition": int(np.searchsorted([0.15, 0.4, 0.65], worn)),
        "urgency": int(np.searchsorted([0.3, 0.55, 0.8], worn)), "make_safe": "yes" if worn > 0.85 else "no",
    }  # fmt: skip


def _post(rng: np.random.Generator, run: Run, number: int) -> Row:
    lean = float(rng.gamma(1.2, 1.2))
    foundation = (
        "curb with lead" if run.curb else str(rng.choice(["soil", "stone block", "driven iron"]))
    )
    near = (
        {run.lots[i % len(run.lots)] for i in (number - 2, number - 1)} if run.closed else {run.lot}
    )
    return _iron(rng, run) | {
        "element_id": f"{run.run_id}-P{number:02d}", "kind": "post", "parent_id": run.shared.get(number, ""),
        "lots": ";".join(sorted({lot for lots in near for lot in lots.split(";")})), "run_id": run.run_id,
        "order": number, "role": run.roles[number - 1], "section": "32 square", "height_mm": f"{rng.normal(940, 15):.0f}",
        "lean_deg": f"{lean:.1f}", "lean_azimuth_deg": f"{rng.uniform(0, 360):.0f}" if lean > 1 else "",
        "foundation": foundation,
    }  # fmt: skip


def _panel(rng: np.random.Generator, run: Run, number: int, length: float) -> Row:
    pickets = int(length / 0.13)
    return _iron(rng, run) | {
        "element_id": f"{run.run_id}-B{number:02d}", "kind": "panel", "lots": run.lots[number - 1],
        "run_id": run.run_id, "order": number, "section": _SECTION[run.material],
        "length_mm": f"{1000 * length:.0f}", "height_mm": "900",
        "connection": str(rng.choice(["sound", "loose", "bolt missing", "bracket broken", "fused by rust"], p=[0.7, 0.1, 0.08, 0.06, 0.06])),
        "fastener_kind": "rivet" if run.material == "wrought iron" else "bolt", "fastener_size": "3/8 in",
        "fasteners_missing": int(rng.poisson(0.15)), "pickets_count": pickets,
        "pickets_missing": int(rng.binomial(pickets, 0.02)), "bend_mm": f"{rng.gamma(1.5, 6):.0f}",
    }  # fmt: skip


def rail_heights(run: Run, ground: Ground, seed: int) -> np.ndarray:
    """Give the true underside of the bottom rail at each post of the run's line."""
    rng = chance(seed, 50, int(run.run_id[1:5]), ord(run.run_id[-1]))
    gap = _GAP_MM[run.material] / 1000 + (CURB_RISE_M if run.curb else 0.0)
    at = ground.at_posts[run.run_id] + gap + rng.normal(0.0, 0.012, len(run.posts))
    return np.append(at, at[0]) if run.closed else at


def _by_station(run: Run) -> bool:
    """Whether the crew with the total station did this lot: one in four."""
    return int(run.lot) % 4 == 0


def element_rows(layout: Layout, ground: Ground, seed: int) -> dict[str, list[Row]]:
    """Rows of the rover's file, of the total station's and of the phone.

    25,000 on the full site, and 25 more that no reader may keep.
    """
    rng = chance(seed, 51)
    crews = {
        "rtk": _Instrument(chance(seed, 52), satellite=True),
        "total_station": _Instrument(chance(seed, 53), satellite=False),
    }
    rows: dict[str, list[Row]] = {"rtk": [], "total_station": [], "phone": []}
    for run in layout.runs:
        name = "total_station" if _by_station(run) else "rtk"
        rows[name] += _run_rows(rng, run, ground, crews[name], rail_heights(run, ground, seed))
        rows["phone"] += _gate_rows(rng, run)
    wanted = round(ELEMENTS_AT_FULL * len(layout.stone_corners) / 100_000)
    parts = _part_rows(rng, layout, ground, crews)
    missing = wanted - sum(len(held) for held in rows.values())
    for _ in range(max(missing, 0)):
        name, row = next(parts)
        rows[name].append(row)
    for _ in range(max(1, wanted // 1000)):  # rows that must be refused, beside the count
        _, row = next(parts)
        rows["rtk"].append(row | {"easting": "n/a"})
    return rows


def _run_rows(
    rng: np.random.Generator, run: Run, ground: Ground, crew: _Instrument, rail: np.ndarray
) -> Iterator[Row]:
    """Measure posts on the way out, middles of the panels on the way back."""
    shared, heights, line = crew.run_error(), ground.at(run.posts), run.line
    for number in range(1, len(run.posts) + 1):
        shot = crew.shot(run.posts[number - 1], float(heights[number - 1]), "ground", shared)
        yield _post(rng, run, number) | shot
    for number, kind in enumerate(run.bays, 1):
        if kind == "panel":
            a, b = line[number - 1], line[number]
            height = (
                float(rail[number - 1 : number + 1].mean()) - 0.003 if rng.random() < 0.6 else None
            )
            shot = crew.shot((a + b) / 2, height, "rail underside", shared)
            yield _panel(rng, run, number, float(np.hypot(*(b - a)))) | shot


def _gate_rows(rng: np.random.Generator, run: Run) -> Iterator[Row]:
    line = run.line
    for number, kind in enumerate(run.bays, 1):
        if kind == "gate":
            row = _iron(rng, run) | {
                "element_id": f"{run.run_id}-G{number:02d}", "kind": "gate", "lots": run.lots[number - 1],
                "run_id": run.run_id, "order": number,
                "presence": str(rng.choice(["in place", "in store", "missing"], p=[0.8, 0.1, 0.1])),
                "connection": str(rng.choice(["sound", "loose", "detached", "fused by rust"])),
            }  # fmt: skip
            yield _phone(rng, row, line[number - 1 : number + 1].mean(axis=0))


def _phone(rng: np.random.Generator, row: Row, place: np.ndarray) -> Row:
    radius = float(rng.uniform(2.8, 6.0))
    spot = place + rng.normal(0.0, radius / 1.51, 2)
    return row | {
        "easting": _m(spot[0]), "northing": _m(spot[1]), "method": "gnss", "fix_quality": "autonomous",
        "sigma_h_m": f"{radius:.1f}", "accuracy_is": "radial 68 %", "time": "2026-04-14T12:00:00Z",
    }  # fmt: skip


def _part_rows(
    rng: np.random.Generator, layout: Layout, ground: Ground, crews: dict[str, _Instrument]
) -> Iterator[tuple[str, Row]]:
    """Stays, footings, brackets, ornaments, stubs and fragments, without end."""
    kinds = ("stay", "footing", "bracket", "ornament", "stub", "fragment")
    count = 0
    while True:
        run = layout.runs[int(rng.integers(0, len(layout.runs)))]
        kind, number = (
            str(rng.choice(kinds, p=[0.45, 0.15, 0.15, 0.1, 0.05, 0.1])),
            int(rng.integers(1, len(run.posts) + 1)),
        )
        count += 1
        place = run.posts[number - 1] + rng.normal(
            0.0, 0.3 if kind in ("stay", "fragment", "stub") else 0.05, 2
        )
        row = _iron(rng, run) | {
            "element_id": f"{run.run_id}-X{count:05d}", "kind": kind, "parent_id": f"{run.run_id}-P{number:02d}",
            "lots": run.lot, "run_id": run.run_id,
        }  # fmt: skip
        if kind in ("ornament", "fragment"):
            row |= {"presence": "loose on site", "parent_id": ""}
            yield "phone", _phone(rng, row, place)
            continue
        name = "total_station" if _by_station(run) else "rtk"
        crew = crews[name]
        if kind in ("stay", "footing"):
            row["foundation"] = "soil"
        yield (
            name,
            row | crew.shot(place, float(ground.at(place[None])[0]), "ground", crew.run_error()),
        )


@dataclass
class Readings:
    """Levels and gaps of the site."""

    levels: list[Row]
    gaps: list[Row]


def reading_rows(layout: Layout, ground: Ground, seed: int) -> Readings:
    """Rail heights at the posts of six runs in ten, and a tape in one bay of four."""
    rng, found = chance(seed, 54), Readings([], [])
    for run in layout.runs:
        rail, line = rail_heights(run, ground, seed), run.line
        noise, method = (0.004, "total station") if _by_station(run) else (0.020, "gnss")
        levelled = rng.random() < 0.6
        for number, kind in enumerate(run.bays, 1):
            if levelled:
                posts = (number, number + 1) if kind == "panel" else ()
                found.levels += [
                    _level(rng, run, number, post, float(rail[post - 1]), noise, method)
                    for post in posts
                ]
            if kind == "panel" and rng.random() < 0.25:
                a, b = line[number - 1], line[number]
                share = float(rng.choice([0.04, 0.5, 0.96]))
                soil = float(ground.at((a + (b - a) * share)[None])[0]) + (
                    CURB_RISE_M if run.curb else 0.0
                )
                under = float(rail[number - 1] * (1 - share) + rail[number] * share)
                found.gaps.append(
                    _gap(rng, run, number, 1000 * (under - soil), share * float(np.hypot(*(b - a))))
                )
    return found


def _level(
    rng: np.random.Generator,
    run: Run,
    bay: int,
    post: int,
    height: float,
    noise: float,
    method: str,
) -> Row:
    number = (post - 1) % len(run.posts) + 1
    return {
        "element_id": f"{run.run_id}-P{number:02d}", "run_id": run.run_id, "bay_id": f"{run.run_id}-B{bay:02d}",
        "target": "rail underside", "height_m": _m(height + rng.normal(0.0, noise)), "sigma_v_m": _m(noise),
        "method": method, "time": "2026-04-15T08:00:00Z",
    }  # fmt: skip


def _gap(rng: np.random.Generator, run: Run, bay: int, gap: float, station: float) -> Row:
    read, sigma = f"{gap + rng.normal(0.0, 4.0):.0f}", "5"
    if gap <= 0:
        read, sigma = "buried", ""
    elif rng.random() < 0.08:
        word = (
            "touching"
            if gap < 5
            else "one finger"
            if 10 <= gap <= 25
            else "one hand"
            if 75 <= gap <= 120
            else ""
        )
        read, sigma = (word, "") if word else (read, sigma)
    return {
        "panel_id": f"{run.run_id}-B{bay:02d}", "run_id": "", "station_m": f"{station:.2f}", "gap_mm": read,
        "surface": "stone" if run.curb else "soil", "side": str(rng.choice(["left", "right", "on"])),
        "sigma_mm": sigma, "method": "tape", "time": "2026-04-15T09:00:00Z",
    }  # fmt: skip


def control_rows(layout: Layout, ground: Ground, seed: int) -> list[Row]:
    """Shots of eight marks, taken again every half day."""
    rng = chance(seed, 55)
    crew = _Instrument(chance(seed, 56), satellite=True)
    places = rng.uniform(2, layout.side_m - 2, (8, 2)) + np.array(ORIGIN)
    heights, rows = ground.at(places), []
    for shot in range(24):
        mark = shot % 8
        known = dict(
            zip(
                ("easting_known", "northing_known", "height_known"),
                map(_m, (*places[mark], heights[mark])),
                strict=True,
            )
        )
        seen = crew.shot(places[mark], float(heights[mark]), "ground", crew.run_error())
        rows.append(
            known
            | seen
            | {
                "element_id": f"C{mark + 1}-{shot + 1:02d}",
                "kind": "control",
                "mark": f"C{mark + 1}",
                "of": "survey",
            }
        )
    return rows


def check_rows(layout: Layout, ground: Ground, seed: int) -> list[Row]:
    """Points of the ground measured by total station, to judge the model."""
    rng = chance(seed, 57)
    places = rng.uniform(2, layout.side_m - 2, (60, 2)) + np.array(ORIGIN)
    heights = ground.at(places) + rng.normal(0.0, 0.004, 60)
    return [
        {
            "element_id": f"G{number:02d}", "kind": "check", "easting": _m(e), "northing": _m(n), "height": _m(h),
            "cover": "short grass", "of": "ground", "method": "total station", "sigma_h_m": "0.004",
            "sigma_v_m": "0.004", "accuracy_is": "axis sd",
        }
        for number, ((e, n), h) in enumerate(zip(places, heights, strict=True), 1)
    ]  # fmt: skip


def tree_rows(layout: Layout, seed: int) -> list[Row]:
    """One row a tree."""
    rng = chance(seed, 58)
    return [
        {
            "element_id": f"T{number:03d}", "kind": "tree", "species": str(rng.choice(["yew", "oak", "lime", "hawthorn"])),
            "easting": _m(e), "northing": _m(n), "stem_diameter_mm": f"{stem:.0f}", "height_m": f"{4 + stem / 60:.1f}",
            "crown_radius_m": f"{1 + stem / 200:.1f}", "method": "gnss", "fix_quality": "dgps", "sigma_h_m": "0.30",
            "accuracy_is": "DRMS",
        }
        for number, (e, n, stem) in enumerate(layout.trees, 1)
    ]  # fmt: skip


def weather_rows(seed: int) -> list[Row]:
    """Thirty days of hours."""
    rng, begin = chance(seed, 59), datetime(2026, 5, 18, tzinfo=UTC)
    rows = []
    for hour in range(720):
        air = 10 - 5 * np.cos(2 * np.pi * (hour % 24 - 3) / 24) + rng.normal(0, 1)
        rows.append({
            "time": f"{begin + timedelta(hours=hour):%Y-%m-%dT%H:%M:%SZ}", "air_temp_c": f"{air:.1f}",
            "relative_humidity_pct": f"{np.clip(95 - 3 * (air - 5) + rng.normal(0, 4), 20, 100):.0f}",
            "surface_temp_c": f"{air + rng.normal(0.5, 1):.1f}", "wind_speed_m_s": f"{rng.gamma(2, 1.4):.1f}",
            "wind_from_deg": f"{rng.integers(0, 360)}", "rain_mm": f"{max(0.0, rng.normal(-1.5, 1.2)):.1f}",
        })  # fmt: skip
    return rows
