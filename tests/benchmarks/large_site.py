"""Make an invented burial ground of 20 ha as a site folder, for measuring speed and memory.

    python tests/benchmarks/large_site.py FOLDER [--side-m 450] [--seed 1] [--ortho]

25,000 elements on about 1,200 runs (20 km of fence), 100,000 stones, a 5 cm
ground model of 9000 by 9000 cells; `--side-m` makes a smaller site of the same
density. The same seed gives the same files. Works without the program it is
meant for, so that the two can't agree by mistake.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import time
from collections.abc import Iterable, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from large_site_ground import Ground, write_ground, write_ortho
from large_site_layout import CRS, FULL_SIDE_M, Layout, chance, lay_out
from large_site_rows import (
    COLUMNS,
    CURB_RISE_M,
    check_rows,
    control_rows,
    element_rows,
    reading_rows,
    tree_rows,
    weather_rows,
)

__all__ = ["make_site"]

_CLOCK = "2026-04-14T00:00:00.000Z"
_OPERATIONS = (("1", "2026-05-18", "brushing"), ("1", "2026-05-19", "converter brushed"),
               ("1", "2026-05-20", "priming"), ("2", "2026-06-08", "digging"))  # fmt: skip


def make_site(
    folder: Path, *, side_m: float = FULL_SIDE_M, seed: int = 1, ortho: bool = False
) -> dict[str, int]:
    """Write a whole site folder; returns how many things of each kind it holds.

    Parameters
    ----------
    folder
        Made if need be; files in it are replaced.
    side_m
        Side of the square site: 450 m is 20.25 ha. Counts follow the area.
    seed
        Seed of all chance.
    ortho
        Whether to paint an orthophoto at 2 cm as well (a minute or two more).
    """
    layout = lay_out(side_m, seed)
    ground = Ground(layout, seed)
    survey = folder / "survey"
    survey.mkdir(parents=True, exist_ok=True)
    elements = element_rows(layout, ground, seed)
    readings = reading_rows(layout, ground, seed)
    _write_csv(survey / "elements_rtk.csv", elements["rtk"], COLUMNS["elements"])
    _write_csv(
        survey / "elements_total_station.csv",
        elements["total_station"],
        COLUMNS["elements"],
        comma=True,
    )
    _write_phone(survey / "elements_phone.geojson", elements["phone"])
    _write_csv(survey / "levels.csv", readings.levels, COLUMNS["levels"])
    _write_csv(survey / "gaps.csv", readings.gaps, COLUMNS["gaps"])
    _write_csv(survey / "control.csv", control_rows(layout, ground, seed), COLUMNS["control"])
    _write_csv(survey / "checkpoints.csv", check_rows(layout, ground, seed), COLUMNS["checkpoints"])
    _write_csv(survey / "trees.csv", tree_rows(layout, seed), COLUMNS["trees"])
    _write_csv(survey / "weather.csv", weather_rows(seed), COLUMNS["weather"])
    _write_csv(survey / "lead_tests.csv", _lead_tests(layout, seed), COLUMNS["lead_tests"])
    _write_areas(layout, survey)
    _write_stones(layout, survey / "stones.gpkg", seed)
    _write_curbs(layout, ground, survey / "curbs.gpkg", seed)
    counts = {
        "elements": sum(len(rows) for rows in elements.values()), "levels": len(readings.levels),
        "gaps": len(readings.gaps), "stones": len(layout.stone_corners), "curbs": len(layout.curbs),
        "lots": len(layout.lots), "runs": len(layout.runs), "trees": len(layout.trees),
        "fence_m": round(sum(float(np.hypot(*np.diff(run.line, axis=0).T).sum()) for run in layout.runs)),
        "ground_cells": ground.cells**2,
    }  # fmt: skip
    write_ground(ground, folder / "ground", seed)
    if ortho:
        write_ortho(layout, folder / "ortho", seed)
    (folder / "site.toml").write_bytes(_site_toml(layout, seed, ortho=ortho).encode())
    return counts


def _write_csv(
    path: Path, rows: Iterable[Mapping[str, Any]], columns: Sequence[str], *, comma: bool = False
) -> None:
    """Write rows; with `comma` as some instruments do: decimal comma, semicolons between."""
    with path.open("w", encoding="utf-8", newline="") as file:
        sheet = csv.writer(file, delimiter=";" if comma else ",", lineterminator="\n")
        sheet.writerow(columns)
        for row in rows:
            cells = [str(row.get(column, "")) for column in columns]
            sheet.writerow([_with_comma(cell) for cell in cells] if comma else cells)


def _with_comma(cell: str) -> str:
    return (
        cell.replace(".", ",")
        if cell.count(".") == 1 and cell.replace(".", "").lstrip("-").isdigit()
        else cell
    )


def _lonlat(places: np.ndarray) -> np.ndarray:
    from pyproj import Transformer

    change = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    return np.round(np.stack(change.transform(places[..., 0], places[..., 1]), axis=-1), 9)


def _write_geojson(path: Path, features: Iterable[tuple[str, Any, Mapping[str, Any]]]) -> None:
    lines = [
        json.dumps(
            {
                "type": "Feature",
                "geometry": {"type": kind, "coordinates": at},
                "properties": dict(properties),
            }
        )
        for kind, at, properties in features
    ]
    text = '{"type": "FeatureCollection", "features": [\n' + ",\n".join(lines) + "\n]}\n"
    path.write_bytes(text.encode())


def _write_phone(path: Path, rows: Sequence[Mapping[str, Any]]) -> None:
    places = _lonlat(
        np.array([(float(row["easting"]), float(row["northing"])) for row in rows]).reshape(-1, 2)
    )
    numbers = ("order", "condition", "urgency", "sigma_h_m", "rusted_area_pct", "pitting_mm")
    features = []
    for row, place in zip(rows, places, strict=True):
        kept = {k: v for k, v in row.items() if v != "" and k not in ("easting", "northing")}
        kept |= {name: float(kept[name]) for name in numbers if name in kept}
        features.append(("Point", place.tolist(), kept))
    _write_geojson(path, features)


def _write_areas(layout: Layout, survey: Path) -> None:
    ring = _lonlat(np.vstack([layout.boundary, layout.boundary[:1]]))
    _write_geojson(
        survey / "boundary.geojson", [("Polygon", [ring.tolist()], {"name": "boundary"})]
    )
    lots = []
    for name, corners in layout.lots.items():
        outline = _lonlat(np.vstack([corners, corners[:1]]))
        half = "lower" if corners[0, 1] - layout.boundary[0, 1] < layout.side_m / 2 else "upper"
        lots.append(("Polygon", [outline.tolist()], {"lot_id": name, "section": half}))
    _write_geojson(survey / "lots.geojson", lots)
    paths = [("LineString", _lonlat(path).tolist(), {"width_m": 2.8}) for path in layout.paths]
    _write_geojson(survey / "paths.geojson", paths)


def _lead_tests(layout: Layout, seed: int) -> list[dict[str, Any]]:
    rng = chance(seed, 60)
    tested = [name for name in layout.lots if rng.random() < 0.3]
    words = rng.choice(["positive", "negative"], len(tested))
    return [
        {
            "lot_id": name,
            "date": "2026-04-09",
            "method": "swab",
            "location": "underside of bottom rail",
            "result": word,
        }
        for name, word in zip(tested, words, strict=True)
    ]


def _worn(rng: np.random.Generator, count: int) -> dict[str, Any]:
    worn = rng.beta(1.3, 3.0, count)
    return {
        "condition": np.searchsorted([0.15, 0.4, 0.65], worn).astype(np.int32),
        "urgency": np.searchsorted([0.3, 0.55, 0.8], worn).astype(np.int32),
    }


def _write_stones(layout: Layout, path: Path, seed: int) -> None:
    rng, n = chance(seed, 61), len(layout.stone_corners)
    stability = rng.choice(["stable", "leaning", "loose", "fallen"], n, p=[0.85, 0.1, 0.03, 0.02])
    lean = np.where(stability == "leaning", rng.uniform(3, 18, n), 0.0).round(0)
    columns = {
        "element_id": [f"S{number:06d}" for number in range(1, n + 1)],
        "kind": layout.stone_kind.astype(object),
        "lots": layout.stone_lot,
        "stone_type": rng.choice(["marble", "limestone", "sandstone", "slate", "granite", "concrete"], n, p=[0.3, 0.2, 0.2, 0.1, 0.15, 0.05]).astype(object),
        "length_m": layout.stone_size[:, 0].round(2), "width_m": layout.stone_size[:, 1].round(2),
        "height_m": rng.uniform(0.1, 1.3, n).round(2),
        "azimuth_deg": np.rad2deg(np.pi - layout.stone_turn).round(0) % 360,
        "stability": stability.astype(object), "lean_deg": lean,
        "lean_azimuth_deg": np.where(lean > 0, rng.uniform(0, 360, n).round(0), np.nan),
        "iron_stain": rng.random(n) < 0.04, **_worn(rng, n),
        "make_safe": (stability == "leaning") & (lean > 14),
        "method": np.full(n, "traced", dtype=object), "fix_quality": np.full(n, "", dtype=object),
        "sigma_h_m": np.full(n, 0.025), "accuracy_is": np.full(n, "axis sd", dtype=object),
        "presence": np.full(n, "in place", dtype=object), "seen": np.full(n, "inspected", dtype=object),
        "remarks": np.where(rng.random(n) < 0.1, "headstone on base", "").astype(object),
    }  # fmt: skip
    _write_gpkg(path, "stones", columns, layout.stone_corners)


def _write_curbs(layout: Layout, ground: Ground, path: Path, seed: int) -> None:
    rng, n = chance(seed, 62), len(layout.curbs)
    corners = np.array([curb.corners for curb in layout.curbs]).reshape(-1, 4, 2)
    numbers: dict[str, int] = {}
    names = []
    for curb in layout.curbs:
        numbers[curb.run_id] = numbers.get(curb.run_id, 0) + 1
        names.append(f"{curb.run_id}-K{numbers[curb.run_id]:02d}")
    length = np.hypot(*(corners[:, 1] - corners[:, 0]).T)
    rise = rng.normal(CURB_RISE_M, 0.012, n).clip(0.0)
    columns = {
        "element_id": names, "kind": np.full(n, "curb", dtype=object),
        "lots": [curb.lot for curb in layout.curbs], "run_id": [curb.run_id for curb in layout.curbs],
        "stone_type": rng.choice(["limestone", "sandstone", "granite"], n).astype(object),
        "length_m": length.round(2), "width_m": np.full(n, 0.24), "height_m": rise.round(3),
        "top_m": (ground.at(corners.mean(axis=1)) + rise + rng.normal(0, 0.008, n)).round(3),
        "base_m": np.where(rng.random(n) < 0.1, ground.at(corners.mean(axis=1)) - 0.3, np.nan).round(2),
        "iron_stain": rng.random(n) < 0.2, **_worn(rng, n),
        "method": np.full(n, "total station", dtype=object), "target": np.full(n, "curb top", dtype=object),
        "sigma_h_m": np.full(n, 0.01), "sigma_v_m": np.full(n, 0.008),
        "accuracy_is": np.full(n, "axis sd", dtype=object), "presence": np.full(n, "in place", dtype=object),
        "seen": np.full(n, "inspected", dtype=object),
    }  # fmt: skip
    _write_gpkg(path, "curbs", columns, corners)


def _write_gpkg(path: Path, name: str, columns: Mapping[str, Any], corners: np.ndarray) -> None:
    """Write outlines to the millimetre as GeoPackage 1.3 with a fixed clock."""
    import geopandas
    import pyogrio
    import shapely

    path.unlink(missing_ok=True)
    frame = geopandas.GeoDataFrame(
        dict(columns), geometry=shapely.polygons(corners.round(3)), crs=CRS
    )
    with _clock():
        pyogrio.write_dataframe(frame, path, layer=name, driver="GPKG", VERSION="1.3",
                                geometry_type="Polygon", GEOMETRY_NAME="geom")  # fmt: skip


@contextmanager
def _clock() -> Any:
    """Hold GDAL's clock still, in the environment and in the copy that the library reads."""
    import pyogrio

    before = os.environ.get("OGR_CURRENT_DATE")
    os.environ["OGR_CURRENT_DATE"] = _CLOCK
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": _CLOCK})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
        os.environ.pop("OGR_CURRENT_DATE", None)
        if before is not None:
            os.environ["OGR_CURRENT_DATE"] = before


def _site_toml(layout: Layout, seed: int, *, ortho: bool) -> str:
    rng = chance(seed, 63)
    work = []
    for phase, day, operation in _OPERATIONS:
        chosen = [run.run_id for run in layout.runs if rng.random() < 0.12] or [
            layout.runs[0].run_id
        ]
        product = {
            "converter brushed": 'product = "tannin converter"\n',
            "priming": 'product = "oil primer"\n',
        }.get(operation, "")
        work.append(
            f'[[work]]\nphase = "{phase}"\ndate = {day}\noperation = "{operation}"\nruns = {json.dumps(chosen)}\n{product}crew = "crew 1"\n'
        )
    photo = 'ortho = "ortho/*.tif"\n' if ortho else ""
    return _SITE.format(ortho=photo, crs=CRS) + "\n" + "\n".join(work) + _PRODUCTS


_SITE = """# An invented large burial ground, made by tests/benchmarks/large_site.py.
[site]
name = "Wide Invented Ground"
uid = "0b6f6f0e-5d0c-4b3e-8f3a-6f7a30c5a901"
crs = "{crs}"
heights = "site"
time_zone = "UTC"
boundary = "survey/boundary.geojson"

[[survey]]
id = "2026-spring"
from = 2026-04-13
to = 2026-05-08
elements = ["survey/elements_rtk.csv", "survey/elements_total_station.csv", "survey/elements_phone.geojson"]
levels = "survey/levels.csv"
gaps = "survey/gaps.csv"
stones = "survey/stones.gpkg"
curbs = "survey/curbs.gpkg"
trees = "survey/trees.csv"
lots = "survey/lots.geojson"
paths = "survey/paths.geojson"
lead_tests = "survey/lead_tests.csv"
control = "survey/control.csv"
checkpoints = "survey/checkpoints.csv"
weather = "survey/weather.csv"
ground = "ground/*.tif"
{ortho}
[survey.accuracy]
sigma_h_m = 0.02
sigma_v_m = 0.03
accuracy_is = "axis sd"
ground_sigma_v_m = 0.03
"""
_PRODUCTS = """
[[product]]
name = "tannin converter"
min_c = 8
max_c = 30

[[product]]
name = "oil primer"
solids_pct = 48
dft_um = 40
"""


def main() -> None:
    """Make a site from the command line and say what it holds."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument(
        "--side-m", type=float, default=FULL_SIDE_M, help="side of the square site (default 450)"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--ortho", action="store_true", help="paint an orthophoto too")
    asked = parser.parse_args()
    began = time.perf_counter()
    counts = make_site(asked.folder, side_m=asked.side_m, seed=asked.seed, ortho=asked.ortho)
    (asked.folder / "counts.json").write_text(json.dumps(counts) + "\n", encoding="utf-8")
    print(f"{asked.folder}: made in {time.perf_counter() - began:.1f} s")
    for name, count in counts.items():
        print(f"  {name:<14} {count:>12,}")


if __name__ == "__main__":
    main()
