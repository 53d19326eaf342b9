"""Everything of the survey that is not iron: marks, trees, lots, paths, weather, tests, site.toml."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from generator.chance import stream
from generator.frame import BOUNDARY, CRS, to_lonlat, to_world
from generator.ground import soil_height
from generator.rows import Row, metres
from generator.things import Site

__all__ = [
    "SHIFT", "boundary_features", "check_rows", "control_rows", "lead_rows", "lot_features", "ortho_marks", "path_features",
    "tree_rows", "weather_rows",
]  # fmt: skip

SHIFT = np.array([0.010, -0.012])  # the orthophoto lies so far off
MARKS = {"C1": (3.5, 49.8), "C2": (122.0, 50.2), "C3": (62.5, 92.0), "C4": (60.8, 3.0)}
# Centre lines of the ways, in the site's own metres, with width and surface.
PATHS = (
    ("drive", 3.2, "gravel", [(x, 47.0 + 0.6 * np.sin(x / 19.0)) for x in np.arange(-1.0, 123.0, 4.0)]),
    ("cross walk", 2.2, "gravel", [(62.4 + 0.5 * np.sin(y / 11.0), y) for y in np.arange(4.0, 93.0, 4.0)]),
    ("lower walk", 1.2, "worn grass", [(x, 23.9 + 0.3 * np.sin(x / 7.0)) for x in np.arange(4.0, 122.0, 4.0)]),
    ("upper walk", 1.2, "worn grass", [(x, 70.2 + 0.3 * np.sin(x / 9.0)) for x in np.arange(4.0, 121.0, 4.0)]),
)  # fmt: skip


def _polygon(corners: np.ndarray) -> dict[str, Any]:
    ring = to_lonlat(np.vstack([corners, corners[:1]])).tolist()
    return {"type": "Polygon", "coordinates": [ring]}


def boundary_features() -> list[dict[str, Any]]:
    """Give the boundary as one polygon."""
    shape = _polygon(np.round(to_world(BOUNDARY), 3))
    return [{"type": "Feature", "geometry": shape, "properties": {"name": "boundary"}}]


def lot_features(site: Site) -> list[dict[str, Any]]:
    """Lots as drawn from the lot book, a hand's breadth off at the corners."""
    rng = stream(site.seed, site.year, "lot book")
    features = []
    for lot in site.lots:
        corners = np.round(lot.corners + rng.normal(0.0, 0.04, (4, 2)), 3)
        note = "fence lost, stubs in the curb" if lot.plan == "stubs" else ""
        features.append({
            "type": "Feature", "geometry": _polygon(corners),
            "properties": {"lot_id": lot.name, "section": lot.section, "remarks": note},
        })  # fmt: skip
    return features


def path_features() -> list[dict[str, Any]]:
    """Centre lines of drive and walks."""
    return [
        {"type": "Feature",
         "geometry": {"type": "LineString", "coordinates": to_lonlat(to_world(np.array(line))).tolist()},
         "properties": {"name": name, "width_m": width, "surface": surface}}
        for name, width, surface, line in PATHS
    ]  # fmt: skip


def tree_rows(site: Site) -> list[Row]:
    """Trees by tape and rover, half a hand off."""
    rng = stream(site.seed, site.year, "tree survey")
    rows = []
    for tree in site.trees:
        east, north = tree.place + rng.normal(0.0, 0.12, 2)
        rows.append({
            "element_id": tree.tree_id, "kind": "tree", "species": tree.species,
            "easting": metres(east), "northing": metres(north),
            "stem_diameter_mm": f"{tree.stem_diameter_mm + rng.normal(0, 6):.0f}",
            "height_m": f"{tree.height_m + rng.normal(0, 0.5):.1f}", "crown_radius_m": f"{tree.crown_m:.1f}",
            "method": "gnss", "fix_quality": "dgps", "sigma_h_m": "0.30", "accuracy_is": "DRMS",
            "remarks": "leaning over the lots" if rng.random() < 0.1 else "",
        })  # fmt: skip
    return rows


def control_rows(site: Site, day: datetime) -> list[Row]:
    """Check the rover on known marks: at the start, every two hours, at the end."""
    rng = stream(site.seed, site.year, "control")
    known = {name: to_world(np.array(place)) for name, place in MARKS.items()}
    base = np.array([0.007, -0.005, 0.009])
    rows = []
    for visit in range(10):
        name = list(MARKS)[visit % 4]
        east, north = np.round(known[name], 3)
        height = round(float(soil_height(known[name][None], (), np.zeros((0, 5)))[0]), 3)
        seen = (
            np.array([east, north, height]) + base + rng.normal(0.0, 1.0, 3) * (0.012, 0.012, 0.017)
        )
        when = day + timedelta(days=visit // 5, hours=7 + (visit % 5) * 2, minutes=4)
        rows.append({
            "element_id": f"{name}-{visit + 1:02d}", "mark": name, "kind": "control",
            "easting": metres(seen[0]), "northing": metres(seen[1]), "height": metres(seen[2]),
            "easting_known": metres(east), "northing_known": metres(north), "height_known": metres(height),
            "method": "gnss", "fix_quality": "fixed", "rod_height_m": "2.000",
            "time": when.strftime("%Y-%m-%dT%H:%M:%SZ"), "sigma_h_m": "0.037", "sigma_v_m": "0.039",
            "accuracy_is": "radial 95 %", "of": "survey",
        })  # fmt: skip
    return rows


def ortho_marks(site: Site) -> np.ndarray:
    """Where crosses were painted on the turf, easting and northing, clear of stone and iron."""
    rng = stream(site.seed, site.year, "painted marks")
    solid = np.vstack([s.corners for s in site.stones] + [run.posts for run in site.runs]
                      + [tree.place[None] + rng.normal(0, 2.5, (40, 2)) for tree in site.trees])  # fmt: skip
    marks: list[np.ndarray] = []
    while len(marks) < 8:
        place = np.round(to_world(rng.uniform((8, 8), (118, 88))), 3)
        if np.hypot(*(solid - place).T).min() > 1.4:
            marks.append(place)
    return np.array(marks)


def check_rows(site: Site) -> list[Row]:
    """Points levelled and intersected by total station, kept out of the models' making."""
    rng = stream(site.seed, site.year, "checks")
    rows: list[Row] = []
    while len(rows) < 24:
        place = to_world(rng.uniform((6, 6), (118, 88)))
        if min(np.hypot(*(stone.corners.mean(axis=0) - place)) for stone in site.stones) < 1.0:
            continue
        if min(float(np.hypot(*(run.posts - place).T).min()) for run in site.runs) < 1.2:
            continue
        height = float(soil_height(place[None], site.runs, site.graves)[0])
        seen = np.append(place, height) + rng.normal(0.0, 0.004, 3)
        rows.append({"element_id": f"G{len(rows) + 1:02d}", "easting": metres(seen[0]), "northing": metres(seen[1]),
                     "height": metres(seen[2]), "cover": "short grass", "of": "ground"})  # fmt: skip
    for count, place in enumerate(ortho_marks(site)):
        seen = place + SHIFT + rng.normal(0.0, 0.018, 2)
        rows.append({"element_id": f"O{count + 1:02d}", "easting": metres(seen[0]), "northing": metres(seen[1]),
                     "easting_known": metres(place[0]), "northing_known": metres(place[1]),
                     "cover": "painted mark", "of": "ortho"})  # fmt: skip
    return [row | {"kind": "check", "method": "total station", "sigma_h_m": "0.004", "sigma_v_m": "0.004",
                   "accuracy_is": "axis sd"} for row in rows]  # fmt: skip


def lead_rows(site: Site) -> list[Row]:
    """Lead tests of about half of the lots."""
    rng = stream(site.seed, site.year, "lead")
    rows = []
    for lot in site.lots:
        if lot.plan == "stubs" or rng.random() < 0.45:
            continue
        level = float(rng.lognormal(0.1, 1.1))
        method = str(rng.choice(["xrf", "swab"], p=[0.7, 0.3]))
        rows.append({
            "lot_id": lot.name, "date": "2026-04-09", "method": method, "location": "underside of bottom rail",
            "result": "positive" if level >= 1.0 else "negative",
            "lead_mg_cm2": f"{level:.2f}" if method == "xrf" else "",
        })  # fmt: skip
    return rows


def weather_rows(seed: int) -> list[Row]:
    """Ten days of hours in May: a fine spell, a front with rain, and mist after it."""
    rng = stream(seed, "weather")
    start = datetime(2026, 5, 18, tzinfo=UTC)
    rows = []
    wind, drift = 2.5, 0.0
    for hour in range(240):
        day, clock = hour / 24.0, hour % 24
        front = float(
            np.exp(-(((day - 4.6) / 0.55) ** 2)) + 0.7 * np.exp(-(((day - 7.9) / 0.3) ** 2))
        )
        drift = 0.9 * drift + float(rng.normal(0.0, 0.35))
        sun = max(0.0, float(np.sin(np.pi * (clock - 5.0) / 15.0))) if 5 <= clock <= 20 else 0.0
        air = (
            9.0
            + 8.5 * float(np.sin(np.pi * (clock - 8.5) / 12.0)) * (1 - 0.6 * front)
            + drift
            - 2.0 * front
        )
        humid = float(
            np.clip(88.0 - 3.1 * (air - 8.0) + 22.0 * front + rng.normal(0, 2.5), 32.0, 100.0)
        )
        wind = float(
            np.clip(
                0.85 * wind + 0.15 * (2.2 + 3.0 * sun + 7.0 * front) + rng.normal(0, 0.45),
                0.2,
                15.0,
            )
        )
        rain = float(rng.gamma(1.1, 1.3)) if front > 0.35 and rng.random() < front else 0.0
        iron = air + 9.0 * sun * (1 - front) - (1.8 if clock < 6 or clock > 21 else 0.0)
        rows.append({
            "time": (start + timedelta(hours=hour)).strftime("%Y-%m-%dT%H:%M:%SZ"), "air_temp_c": f"{air:.1f}",
            "relative_humidity_pct": f"{humid:.0f}", "surface_temp_c": f"{iron:.1f}",
            "wind_speed_m_s": f"{wind:.1f}", "wind_from_deg": f"{(230 + 40 * np.sin(day) + rng.normal(0, 12)) % 360:.0f}",
            "rain_mm": f"{rain:.1f}",
        })  # fmt: skip
    return rows


SITE_TOML = """# An invented burial ground. Its coordinates fall in open sea on purpose; its heights
# are above a local bench mark. Remade by build.py.
[site]
name = "Tollanmere Burial Ground"
uid = "6f0d3c1e-7a52-4b8e-9c41-2d5a8e90b716"
crs = "{crs}"
heights = "site"
time_zone = "Europe/London"
boundary = "survey/boundary.geojson"

[[survey]]
id = "2026-spring"
from = 2026-04-14
to = 2026-04-15
date = 2026-04-14
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
surface = "surface/*.tif"
ortho = "ortho/*.tif"

[survey.accuracy]
sigma_h_m = 0.02
sigma_v_m = 0.03
accuracy_is = "axis sd"
ground_sigma_v_m = 0.03
"""


def site_toml(site: Site) -> str:
    """Write the site's file with works, products and consents."""
    by_style: dict[str, list[str]] = {}
    for run in site.runs:
        by_style.setdefault(run.style, []).append(run.run_id)
    first = by_style["wrought"][:6] + by_style["cast"][:4]
    second = by_style["steel"][:3] + by_style["wrought"][6:10]
    low = [
        run.run_id for run in site.runs if not run.curbed and np.percentile(run.soil_m, 90) > 0.07
    ][:8]
    text = SITE_TOML.format(crs=CRS)
    for phase, day, operation, runs, product in (
        ("1", "2026-05-18", "digging", low, ""),
        ("1", "2026-05-19", "brushing", first, ""),
        ("1", "2026-05-20", "washing", first, "mild wash"),
        ("1", "2026-05-21", "converter brushed", first, "tannin converter"),
        ("1", "2026-05-22", "priming", first, "oil primer"),
        ("1", "2026-05-26", "painting", first, "oil paint"),
        ("2", "2026-06-08", "brushing", second, ""),
        ("2", "2026-06-09", "washing", second, "mild wash"),
        ("2", "2026-06-10", "converter brushed", second, "tannin converter"),
        ("2", "2026-06-11", "priming", second, "oil primer"),
        ("2", "2026-06-15", "painting", second, "oil paint"),
    ):
        listed = ", ".join(f'"{name}"' for name in sorted(runs))
        text += f'\n[[work]]\nphase = "{phase}"\ndate = {day}\noperation = "{operation}"\nruns = [{listed}]\n'
        text += (f'product = "{product}"\n' if product else "") + f'crew = "crew {phase}"\n'
    return text + _products() + _consents(site, low)


def _products() -> str:
    return """
# Values as printed on invented labels; a real label overrides every default.
[[product]]
name = "tannin converter"
min_c = 8
max_c = 30
max_rh_pct = 85
recoat_h = 24
coverage_m2_l = 12

[[product]]
name = "oil primer"
solids_pct = 48
dft_um = 40
coats = 1
min_c = 5
max_c = 30
max_rh_pct = 85
recoat_h = 16

[[product]]
name = "oil paint"
solids_pct = 52
dft_um = 35
coats = 2
min_c = 5
max_c = 30
max_rh_pct = 85
recoat_h = 16

[[product]]
name = "mild wash"
min_c = 5
"""


def _consents(site: Site, dug: list[str]) -> str:
    """Consents for most of the lots that are to be dug; the rest must stay 'not consented'."""
    lots = sorted({lot for run in site.runs if run.run_id in dug for lot in run.lots})
    allowed = ", ".join(f'"{lot}"' for lot in lots[: max(1, len(lots) - 2)])
    return f"""
[[consent]]
what = "soil lowered under rails"
authority = "keeper of the ground"
number = "TM-2026-03"
valid_from = 2026-05-01
valid_to = 2026-06-30
lots = [{allowed}]
depth_limit_mm = 120

[[consent]]
what = "repainting"
authority = "keeper of the ground"
number = "TM-2026-04"
valid_from = 2026-05-01
valid_to = 2026-09-30
lots = ["*"]
"""
