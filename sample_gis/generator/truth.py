"""The truth behind the survey, for tests only."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from shapely import LineString, Point, Polygon

from generator.ground import soil_height
from generator.readings import stone_height
from generator.things import Run, Site
from generator.writers import write_csv, write_gzip_csv, write_json

__all__ = ["CONTACT_MM", "station_table", "write_truth"]

CONTACT_MM = 20.0
_STATION = ["run_id", "station_m", "easting", "northing", "bay", "filled_by", "rail", "soil", "stone", "gap_soil_mm", "gap_stone_mm", "surface", "contact_soil", "contact_stone"]  # fmt: skip


def station_table(site: Site, run: Run) -> dict[str, np.ndarray]:
    """Give true heights and gaps at every 5 cm of one run; NaN where there is no rail or no stone."""
    station = run.stations
    points = run.points(station)
    rail = run.rail(station)
    soil = soil_height(points, site.runs, site.graves)
    stone = stone_height(run, site.curbs, station)
    gap_soil, gap_stone = (rail - soil) * 1000.0, (rail - stone) * 1000.0
    over = np.nan_to_num(stone, nan=-np.inf) > soil
    return {
        "station": station, "points": points, "bay": run.bay_at(station) + 1, "rail": rail, "soil": soil,
        "stone": stone, "gap_soil": gap_soil, "gap_stone": gap_stone, "over": over,
        "contact_soil": (gap_soil <= CONTACT_MM) & ~over, "contact_stone": (gap_stone <= CONTACT_MM) & over,
    }  # fmt: skip


def _filled(run: Run, bay: int) -> str:
    one = run.bays[bay - 1]
    return one.kind if one.presence == "in place" else "nothing"


def _number(value: float, digits: int) -> str:
    return f"{value:.{digits}f}" if np.isfinite(value) else ""


def _station_rows(site: Site, runs: Sequence[Run]) -> Iterator[list[Any]]:
    for run in runs:
        table = station_table(site, run)
        for i, station in enumerate(table["station"]):
            yield [
                run.run_id, f"{station:.2f}", f"{table['points'][i, 0]:.3f}", f"{table['points'][i, 1]:.3f}",
                table["bay"][i], _filled(run, int(table["bay"][i])), _number(table["rail"][i], 4),
                _number(table["soil"][i], 4), _number(table["stone"][i], 4), _number(table["gap_soil"][i], 1),
                _number(table["gap_stone"][i], 1), "stone" if table["over"][i] else "soil",
                int(table["contact_soil"][i]), int(table["contact_stone"][i]),
            ]  # fmt: skip


def _post_rows(site: Site) -> Iterator[dict[str, Any]]:
    for run in site.runs:
        ground = soil_height(run.posts, site.runs, site.graves)
        for index, (point, role) in enumerate(zip(run.posts, run.roles, strict=True)):
            yield {
                "element_id": f"{run.run_id}-P{index + 1:02d}", "run_id": run.run_id, "order": index + 1,
                "role": role, "easting": f"{point[0]:.4f}", "northing": f"{point[1]:.4f}",
                "soil": f"{ground[index]:.4f}", "same_as": run.same_as.get(index + 1, ""),
            }  # fmt: skip


def _iron_lines(site: Site) -> dict[str, LineString]:
    return {run.run_id: LineString(run.line) for run in site.runs}


def _stone_rows(site: Site) -> Iterator[dict[str, Any]]:
    """Nearest run of every stone: from the stone's foot to the middle line of the rails."""
    lines = _iron_lines(site)
    for stone in site.stones:
        shape = Polygon(stone.corners)
        name, line = min(lines.items(), key=lambda item: (item[1].distance(shape), item[0]))
        near = line.interpolate(line.project(Point(_nearest(shape, line))))
        yield {
            "stone_id": stone.stone_id, "run_id": name, "distance_m": f"{line.distance(shape):.4f}",
            "station_m": f"{line.project(near):.3f}", "crosses": int(line.intersects(shape)),
            "corners": " ".join(f"{e:.4f},{n:.4f}" for e, n in stone.corners),
        }  # fmt: skip


def _nearest(shape: Polygon, line: LineString) -> tuple[float, float]:
    from shapely import shortest_line

    point = shortest_line(line, shape).coords[0]
    return float(point[0]), float(point[1])


def _pair_rows(site: Site) -> Iterator[dict[str, Any]]:
    """Every pair of stone and run within 5 m."""
    lines = _iron_lines(site)
    for stone in site.stones:
        shape = Polygon(stone.corners)
        for name, line in lines.items():
            distance = line.distance(shape)
            if distance <= 5.0:
                yield {"stone_id": stone.stone_id, "run_id": name, "distance_m": f"{distance:.4f}"}


def summary(site: Site) -> dict[str, Any]:
    """Give counts and metres of the whole ground."""
    metres = {"rail": 0.0, "contact_soil": 0.0, "contact_stone": 0.0, "below_ground": 0.0}
    for run in site.runs:
        table = station_table(site, run)
        panel = np.array([_filled(run, int(bay)) == "panel" for bay in table["bay"]])
        metres["rail"] += 0.05 * int(panel.sum())
        for name in ("contact_soil", "contact_stone"):
            metres[name] += 0.05 * int((table[name] & panel).sum())
        metres["below_ground"] += 0.05 * int(((table["gap_soil"] <= 0) & panel).sum())
    fenced = {lot for run in site.runs for lot in run.lots}
    return {
        "seed": site.seed, "year": site.year, "lots": len(site.lots), "fenced_lots": len(fenced),
        "runs": len(site.runs), "run_metres": round(sum(run.length_m for run in site.runs), 2),
        "bays": sum(len(run.bays) for run in site.runs), "posts": sum(len(run.posts) for run in site.runs),
        "gates": sum(bay.kind == "gate" for run in site.runs for bay in run.bays),
        "panels_missing": sum(b.kind == "panel" and b.presence != "in place" for r in site.runs for b in r.bays),
        "curb_units": len(site.curbs), "stones": len(site.stones), "trees": len(site.trees),
        "parts": len(site.parts), "contact_mm": CONTACT_MM,
        "panel_metres": {name: round(value, 2) for name, value in metres.items()},
        "contact_soil_share": round(metres["contact_soil"] / metres["rail"], 4),
        "runs_by_style": {s: sum(run.style == s for run in site.runs) for s in sorted({r.style for r in site.runs})},
        "closed_runs": [run.run_id for run in site.runs if run.closed],
        "curbed_runs": [run.run_id for run in site.runs if run.curbed],
        "party_runs": [run.run_id for run in site.runs if len(run.lots) > 1],
    }  # fmt: skip


def write_truth(site: Site, folder: Path, blunders: list[dict[str, Any]]) -> None:
    """Write all of it into one folder."""
    write_gzip_csv(folder / "stations.csv.gz", _station_rows(site, site.runs), _STATION)
    posts = list(_post_rows(site))
    write_csv(folder / "posts.csv", posts, list(posts[0]))
    stones = list(_stone_rows(site))
    write_csv(folder / "stones.csv", stones, list(stones[0]))
    write_csv(folder / "stone_iron.csv", _pair_rows(site), ["stone_id", "run_id", "distance_m"])
    write_json(folder / "blunders.json", blunders)
    write_json(folder / "summary.json", summary(site))
