"""Heights of rails, and gaps by tape or in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

import numpy as np

from generator.chance import stream
from generator.elements import by_station, traced_lot
from generator.ground import soil_height
from generator.rows import TARGET_RAIL, Crew, Row, crews, metres
from generator.things import Bay, Curb, Run, Site

__all__ = ["gap_rows", "level_rows", "stone_height"]


def stone_height(run: Run, curbs: Sequence[Curb], station: np.ndarray) -> np.ndarray:
    """Height of the curb's top under the rail; NaN where there is none."""
    top = np.full(len(station), np.nan)
    for curb in curbs:
        if curb.run_id == run.run_id:
            on = (station >= curb.from_m - 1e-9) & (station <= curb.to_m + 1e-9)
            top[on] = curb.top(station[on])
    return top


def _reading(crew: Crew, run: Run, height: float) -> Row:
    rng = crew.rng
    error = crew.bias(run.run_id)[2] + rng.normal(0.0, crew.noise_v)
    return {
        "target": TARGET_RAIL, "height_m": metres(height + error), "sigma_v_m": metres(crew.noise_v),
        "method": crew.method, "time": crew.tick(12.0, 30.0),
    }  # fmt: skip


def _levels_of(run: Run, crew: Crew) -> Iterator[Row]:
    """Both sides of a post where the rail steps there, one side where it runs through."""
    count = len(run.bays)
    for index in range(len(run.posts)):
        sides: list[tuple[Bay, float]] = []
        if index < count:
            sides.append((run.bays[index], run.bays[index].rail_from))
        if index > 0 or run.closed:
            before = run.bays[index - 1]
            sides.append((before, before.rail_to))
        sides = [
            (bay, height)
            for bay, height in sides
            if bay.kind == "panel" and bay.presence == "in place"
        ]
        if len(sides) == 2 and abs(sides[0][1] - sides[1][1]) < 0.015:
            sides = sides[:1]
        for bay, height in sides:
            yield {"element_id": f"{run.run_id}-P{index + 1:02d}", "run_id": run.run_id,
                   "bay_id": f"{run.run_id}-B{bay.order:02d}"} | _reading(crew, run, height)  # fmt: skip
    for bay in run.bays:
        if bay.kind == "gate" or bay.presence != "in place" or crew.rng.random() < 0.68:
            continue
        ends = run.post_stations[bay.order - 1 : bay.order + 1]
        at = float(ends[0] + (ends[1] - ends[0]) * crew.rng.uniform(0.35, 0.65))
        told = at + crew.rng.normal(0.0, 0.012)
        height = float(run.rail(np.array([at]))[0])
        yield {"run_id": run.run_id, "station_m": f"{told:.2f}",
               "bay_id": f"{run.run_id}-B{bay.order:02d}"} | _reading(crew, run, height)  # fmt: skip


def level_rows(site: Site, day: datetime) -> list[Row]:
    """Rail heights, taken the day after the element survey."""
    crew = crews(site.seed, day + timedelta(days=1))
    rows: list[Row] = []
    for run in site.runs:
        if run.lots[0] != traced_lot(site):
            rows += _levels_of(run, crew["station" if by_station(run.lots) else "rtk"])
    return rows


def _words(rng: np.random.Generator, gap: float, over_stone: bool) -> str:
    """How a crew writes a gap of so many millimetres."""
    if over_stone and rng.random() < 0.12:
        return "over stone"
    if gap <= 0.0:
        return "buried"
    if gap < 5.0:
        return "touching"
    if 10.0 <= gap <= 25.0 and rng.random() < 0.25:
        return "one finger"
    if 75.0 <= gap <= 120.0 and rng.random() < 0.25:
        return "one hand"
    told = gap + rng.normal(0.0, 4.0)
    return str(int(max(1.0, round(told / 5.0) * 5.0 if rng.random() < 0.4 else round(told))))


def _gap(site: Site, run: Run, station: float, side: str, rng: np.random.Generator) -> Row | None:
    at = np.array([station])
    rail = run.rail(at)[0]
    if not np.isfinite(rail):
        return None
    bay = int(run.bay_at(at)[0])
    way = run.line[bay + 1] - run.line[bay]
    left = np.array([-way[1], way[0]]) / np.hypot(*way)
    shift = {"on": 0.0, "left": 0.05, "right": -0.05}[side]
    soil = float(soil_height(run.points(at) + shift * left, site.runs, site.graves)[0])
    stone = float(stone_height(run, site.curbs, at)[0])
    over = bool(np.isfinite(stone) and stone > soil)
    gap = float(rail - (stone if over else soil)) * 1000.0
    if gap > 300.0:
        return None
    word = _words(rng, gap, over)
    number = word.lstrip("-").isdigit()
    return {"gap_mm": word, "surface": "stone" if over else "soil", "side": side,
            "sigma_mm": "5" if number else "", "method": "tape"}  # fmt: skip


def gap_rows(site: Site, day: datetime) -> list[Row]:
    """Gaps: at every other post, and at the middle of about every third bay."""
    rows: list[Row] = []
    clock = day.replace(hour=9, minute=5) + timedelta(days=1)
    for run in site.runs:
        rng = stream(site.seed, site.year, "tape", run.run_id)
        if run.lots[0] == traced_lot(site) or run.style == "pipe":
            continue
        for bay in run.bays:
            ends = run.post_stations[bay.order - 1 : bay.order + 1]
            spots = [0.06] if rng.random() < 0.5 else []
            spots += (
                [float((ends[1] - ends[0]) * rng.uniform(0.4, 0.6))] if rng.random() < 0.36 else []
            )
            for off in (round(spot, 2) for spot in spots):
                side = str(rng.choice(["on", "on", "on", "left", "right"]))
                made = _gap(site, run, float(ends[0]) + off, side, rng)
                if made is None:
                    continue
                clock += timedelta(seconds=int(rng.integers(20, 70)))
                by_run = rng.random() < 0.2
                where = ({"run_id": run.run_id, "station_m": f"{ends[0] + off:.2f}"} if by_run else
                         {"panel_id": f"{run.run_id}-B{bay.order:02d}", "station_m": f"{off:.2f}"})  # fmt: skip
                if bay.kind == "panel":
                    rows.append(where | made | {"time": clock.strftime("%Y-%m-%dT%H:%M:%S")})
    return rows
