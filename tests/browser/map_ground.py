"""An invented burial ground with every layer the map shows, built by hand for its tests.

Lots stand in a lattice; each has four runs of two bays. Verdicts and grades
follow a fixed pattern, so that a test can count them in the frames themselves.
"""

from __future__ import annotations

from itertools import cycle
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
import shapely
from affine import Affine
from small_ground import CRS, EAST, NORTH, SURVEY, FakeRun, frame, make_site

from fencemap.cautions import triggered
from fencemap.export.web_map import write_web_map
from fencemap.layers import CATALOGUE

GRADES = (0, 1, 0, 2, 1, 3, 0, None)
VERDICTS = (
    "in contact",
    "clear",
    "undecided",
    "clear",
    "over stone",
    "clear",
    "not seen",
    "no rail",
)
WORKS = (
    ("standing", "standing", 0.3),
    ("phase 1", "brushing", 0.9),
    ("phase 1", "converter brushed", 1.6),
    ("phase 2", "priming", 1.2),
)
_WIDE, _DEEP = 8.0, 7.0


def ground(*, columns: int = 3, rows: int = 2) -> dict[str, Any]:
    """Make all layers; `columns` x `rows` lots, eight bays and two stones in each."""
    lots = [
        (f"{chr(65 + y)}{x + 1}", EAST + 5 + 12 * x, NORTH + 5 + 11 * y)
        for y in range(rows)
        for x in range(columns)
    ]
    runs, bays = _fences(lots)
    stones, curbs = _masonry(lots)
    layers = {
        "lots": frame("lots", [{"lot_id": lot} for lot, _, _ in lots], [_box(w, s, w + _WIDE, s + _DEEP) for _, w, s in lots]),
        "surroundings": frame("surroundings", [{"element_id": "W1", "kind": "path"}], [_box(EAST, NORTH, EAST + 12 * columns + 4, NORTH + 2)]),
        "trees": frame("trees", [{"element_id": "T1", "species": "yew", "stem_diameter_mm": 480.0}], [shapely.Point(EAST + 3, NORTH + 8)]),
        "elements": _iron(bays),
        "stones": stones, "curbs": curbs, "runs": runs,
    }  # fmt: skip
    layers |= _graded(bays, lots) | _contacts(bays) | _plan(runs, stones, curbs) | _doubts()
    return layers


def _box(west: float, south: float, east: float, north: float) -> Any:
    return shapely.box(west, south, east, north)


def _fences(lots: list[Any]) -> tuple[Any, list[dict[str, Any]]]:
    """Four runs round each lot, two bays in each."""
    runs, shapes, bays = [], [], []
    for lot, west, south in lots:
        corners = np.array(
            [
                (west, south),
                (west + _WIDE, south),
                (west + _WIDE, south + _DEEP),
                (west, south + _DEEP),
            ]
        )
        for side in range(4):
            run = f"{lot}-R{side + 1}"
            start, end = corners[side], corners[(side + 1) % 4]
            middle = (start + end) / 2
            length = float(np.hypot(*(end - start)))
            runs.append(
                {"run_id": run, "lots": lot, "closed": False, "length_m": length, "post_count": 3}
            )
            shapes.append(
                shapely.from_wkt(
                    f"LINESTRING ZM ({start[0]} {start[1]} 50 0, {end[0]} {end[1]} 50 {length})"
                )
            )
            bays += [
                {"bay": f"{run}-B1", "run": run, "lot": lot, "from": start, "to": middle, "length": length / 2, "at": 0.0},
                {"bay": f"{run}-B2", "run": run, "lot": lot, "from": middle, "to": end, "length": length / 2, "at": length / 2},
            ]  # fmt: skip
    return frame("runs", runs, shapes), bays


def _iron(bays: list[dict[str, Any]]) -> Any:
    """A post at the start of each bay, a panel in its middle; one bracket that nobody placed."""
    grades, rows, shapes = cycle(GRADES), [], []
    for bay in bays:
        for kind, place in (("post", bay["from"]), ("panel", (bay["from"] + bay["to"]) / 2)):
            grade = next(grades)
            rows.append({
                "element_id": f"{bay['bay']}-{'P' if kind == 'post' else 'F'}", "kind": kind, "lots": bay["lot"], "run_id": bay["run"],
                "condition": grade, "presence": "in place", "seen": "partly" if grade is None else "inspected",
                "material": "cast iron" if kind == "post" else "wrought iron", "method": "gnss", "fix_quality": "fixed" if len(rows) % 5 else "float",
                "sigma_h_m": 0.015 if len(rows) % 5 else 0.6, "rusted_area_pct": 12.5, "remarks": "Collar cracked" if grade == 3 else None,
            })  # fmt: skip
            shapes.append(shapely.Point(*place, 50.0))
    rows.append({"element_id": "LOOSE-1", "kind": "bracket", "presence": "loose on site"})
    shapes.append(None)
    return frame("elements", rows, shapes)


def _masonry(lots: list[Any]) -> tuple[Any, Any]:
    stones, shapes, curbs, edges = [], [], [], []
    for lot, west, south in lots:
        for number, (east, north) in enumerate(((0.5, 0.4), (4.0, 3.5)), 1):
            stones.append(
                {
                    "element_id": f"M-{lot}-{number}",
                    "kind": "marker",
                    "stone_type": "marble",
                    "stability": "leaning" if number == 2 else "stable",
                }
            )
            shapes.append(_box(west + east, south + north, west + east + 0.8, south + north + 0.6))
        curbs.append({"element_id": f"C-{lot}"})
        edges.append(_box(west, south - 0.1, west + _WIDE, south + 0.1))
    return frame("stones", stones, shapes), frame("curbs", curbs, edges)


def _line(bay: dict[str, Any]) -> Any:
    return shapely.LineString([bay["from"], bay["to"]])


def _graded(bays: list[dict[str, Any]], lots: list[Any]) -> dict[str, Any]:
    grades = cycle(GRADES)
    rows = [
        {
            "bay_id": bay["bay"],
            "run_id": bay["run"],
            "lots": bay["lot"],
            "worst_condition": next(grades),
            "length_m": bay["length"],
            "inspected_m": bay["length"],
            "source_file": "find/grade",
            "source_row": None,
        }
        for bay in bays
    ]
    return {
        "condition_bays": frame("condition_bays", rows, [_line(bay) for bay in bays]),
        "condition_lots": frame(
            "condition_lots",
            [{"lot_id": lot, "worst_condition": 3, "length_m": 30.0} for lot, _, _ in lots],
            [_box(w, s, w + _WIDE, s + _DEEP) for _, w, s in lots],
        ),
    }


def _contacts(bays: list[dict[str, Any]]) -> dict[str, Any]:
    verdicts = cycle(VERDICTS)
    rows = [
        {
            "run_id": bay["run"],
            "bay_id": bay["bay"],
            "contact": next(verdicts),
            "surface": "soil",
            "length_m": bay["length"],
            "from_m": bay["at"],
            "to_m": bay["at"] + bay["length"],
            "gap_mm": 31.2,
            "sigma_mm": 11.0,
            "source_file": "find/soil_contact",
            "source_row": None,
        }
        for bay in bays
    ]
    unsure = [bay for bay, row in zip(bays, rows, strict=True) if row["contact"] == "undecided"]
    tape = [
        {
            "run_id": bay["run"],
            "bay_id": bay["bay"],
            "station_m": bay["at"],
            "rank": rank,
            "decides_m": 2.0,
        }
        for rank, bay in enumerate(unsure, 1)
    ]
    return {
        "soil_contact": frame("soil_contact", rows, [_line(bay) for bay in bays]),
        "tape_plan": frame(
            "tape_plan", tape, [_line(bay).interpolate(0.5, normalized=True) for bay in unsure]
        ),
    }


def _plan(runs: Any, stones: Any, curbs: Any) -> dict[str, Any]:
    """Zones by buffer, and a ledger that follows from plain distances."""
    iron = shapely.force_2d(runs.geometry.array)
    zones, shapes, ledger, covers, sheets = [], [], [], [], []
    for phase, operation, reach in WORKS:
        for run, shape in zip(runs["run_id"], iron, strict=True):
            zones.append(
                {
                    "phase": phase,
                    "operation": operation,
                    "run_id": run,
                    "reach_m": reach,
                    "reach_source": "practice default, not a standard",
                    "area_m2": shape.buffer(reach).area,
                }
            )
            shapes.append(shape.buffer(reach))
        rank = 0
        for name, things in (("stones", stones), ("curbs", curbs)):
            for stone, shape in zip(things["element_id"], things.geometry, strict=True):
                away = float(shapely.distance(shape, iron).min())
                near = away <= reach
                rank += near
                ledger.append(
                    {
                        "stone_id": stone,
                        "stone_layer": name,
                        "phase": phase,
                        "operation": operation,
                        "verdict": "covered" if near else "free",
                        "because": f"{away:.2f} m from the iron, reach {reach} m",
                        "distance_m": away,
                        "rank": rank if near else None,
                    }
                )
                if near:
                    covers.append(
                        {
                            "phase": phase,
                            "operation": operation,
                            "stone_id": stone,
                            "cover": "breathable sheet",
                            "sheet_m2": 2.0,
                        }
                    )
                    sheets.append(shape.buffer(0.2, join_style="mitre"))
    return {
        "protection_zones": frame("protection_zones", zones, shapes),
        "stone_ledger": frame("stone_ledger", ledger),
        "covers": frame("covers", covers, sheets),
    }


def _doubts() -> dict[str, Any]:
    return {
        "rejected": frame("rejected", [
            {"input": "elements", "element_id": "A1-P9", "column": "easting", "value": "NaN", "code": "not-a-number", "reason": "easting is not a number", "remedy": "Give metres in the site's CRS."},
            {"input": "elements", "column": "kind", "value": "pst", "code": "not-a-word", "reason": "kind is not a word of the list", "remedy": "Did you mean post?"},
        ]),
        "suspect": frame("suspect", [{"element_id": "A1-R1-B1-P", "column": "height", "code": "rod-height-step", "reason": "all heights from 10:42 on are 0.15 m low", "remedy": "Check the rod height that was set at 10:42."}], [shapely.Point(EAST + 5, NORTH + 5)]),
    }  # fmt: skip


def empty_layers() -> dict[str, Any]:
    """Every layer of the catalogue, without rows."""
    return {
        name: schema.empty(CRS if schema.spatial else None) for name, schema in CATALOGUE.items()
    }


def write_photo(
    path: Path, *, pixel_m: float = 0.05, spot: tuple[float, float] | None = None
) -> Path:
    """Write a picture of the ground: green, the western 2 m not seen, a red metre at `spot`."""
    west, north, wide, high = EAST - 4, NORTH + 34, 48, 38
    shape = (round(high / pixel_m), round(wide / pixel_m))
    picture = np.zeros((4, *shape), dtype=np.uint8)
    picture[:3] = np.array([96, 120, 70], dtype=np.uint8)[:, None, None]
    picture[3] = 255
    picture[:, :, : round(2 / pixel_m)] = 0
    if spot is not None:
        row, column = round((north - spot[1]) / pixel_m), round((spot[0] - west) / pixel_m)
        half = round(0.5 / pixel_m)
        picture[:3, row - half : row + half, column - half : column + half] = np.array(
            [220, 20, 20]
        )[:, None, None]
    transform = Affine(pixel_m, 0, west, 0, -pixel_m, north)
    with rasterio.open(path, "w", driver="GTiff", height=shape[0], width=shape[1], count=4, dtype="uint8", crs=CRS, transform=transform, photometric="RGB", alpha="YES", compress="deflate") as file:  # fmt: skip
        file.write(picture)
    return path


def write_map(
    path: Path, layers: dict[str, Any], *, ortho: Any = None, name: str = "Hollin Bank", **more: Any
) -> Path:
    """Write the map of some layers with the cautions they call for."""
    from dataclasses import replace

    site = replace(make_site(), name=name)
    return write_web_map(
        path,
        layers,
        site=site,
        survey=SURVEY,
        ortho=ortho,
        run=FakeRun(),
        cautions=triggered(layers),
        **more,
    )[0]
