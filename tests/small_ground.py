"""Small burial grounds for tests: a few runs, stones and jobs, built by hand as layers.

Distances, stations and sides are worked out with shapely, so that what relate
computes is not used to prove what stands on it.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from fencemap import practice
from fencemap.layers import layer, uids
from fencemap.site import Site, Survey

CRS = "EPSG:32631"
EAST, NORTH = 500_000.0, 6_040_000.0
SURVEY = Survey("2026-spring", date(2026, 4, 14), date(2026, 4, 15), files={})


def make_site(**settings: Any) -> Site:
    """Make a site; `settings` are practice values under their dotted keys."""
    return Site(
        folder=Path(), name="Test ground", uid=uuid.UUID(int=7), crs=CRS, heights="site",
        time_zone="UTC", surveys=(SURVEY,), practice=settings.get("practice", {}),
    )  # fmt: skip


class FakeRun:
    """What a step may ask of its run, without a runner."""

    generated = "2026-04-14"

    def __init__(self, overrides: Mapping[str, Any] | None = None) -> None:
        self.overrides = overrides or {}

    def practice(self, key: str) -> practice.Default:
        """Look a default up, with the test's own values."""
        return practice.look_up(key, self.overrides)

    def progress(self, share: float, text: str = "") -> None:
        """Take no notice."""

    def spread(self, function: Any, jobs: Iterable[Any]) -> list[Any]:
        """Do the jobs here."""
        return [function(job) for job in jobs]


def frame(
    name: str,
    rows: list[Mapping[str, Any]],
    geometry: list[Any] | None = None,
    keys: list[str] | None = None,
) -> Any:
    """Build and check one layer from rows; `uid`, survey and source are filled in."""
    schema = layer(name)
    if not rows:
        return schema.empty(CRS if schema.spatial else None)
    columns: dict[str, Any] = {
        key: [row.get(key) for row in rows] for key in dict.fromkeys(k for row in rows for k in row)
    }
    keys = keys or [f"{place}" for place in range(len(rows))]
    columns.setdefault("uid", uids(make_site().uid, SURVEY.id, name, keys))
    columns.setdefault("survey_id", [SURVEY.id] * len(rows))
    columns.setdefault("source_file", [f"{name}.csv"] * len(rows))
    columns.setdefault("source_row", list(range(2, len(rows) + 2)))
    made = schema.conform(columns, geometry=geometry, crs=CRS if schema.spatial else None)
    return schema.check(made, crs=CRS if schema.spatial else None)


def make_runs(*rows: tuple[str, list[tuple[float, float]], dict[str, Any]]) -> Any:
    """Runs from (name, corners in metres from the ground's corner, more columns)."""
    shapes, columns = [], []
    for name, corners, more in rows:
        stations = np.concatenate(
            [[0.0], np.cumsum(np.hypot(*np.diff(np.array(corners), axis=0).T))]
        )
        points = [
            (EAST + e, NORTH + n, 50.0, m) for (e, n), m in zip(corners, stations, strict=True)
        ]
        shapes.append(
            shapely.from_wkt(
                f"LINESTRING ZM ({', '.join(' '.join(repr(float(c)) for c in p) for p in points)})"
            )
        )
        base = {
            "run_id": name,
            "lots": "1",
            "closed": corners[0] == corners[-1],
            "length_m": float(stations[-1]),
            "sigma_h_m": 0.0,
        }
        columns.append(base | more)
    return frame("runs", columns, shapes, keys=[row[0] for row in rows])


def make_stones(
    *rows: tuple[str, tuple[float, float, float, float], dict[str, Any]], name: str = "stones"
) -> Any:
    """Stones (or curbs) from (name, west south east north in metres, more columns)."""
    shapes = [shapely.box(EAST + w, NORTH + s, EAST + e, NORTH + n) for _, (w, s, e, n), _ in rows]
    base: dict[str, Any] = {"stone_type": "marble", "sigma_h_m": 0.0, "height_m": 1.0}
    if name == "stones":
        base |= {"kind": "marker", "stability": "stable"}
    columns = [base | {"element_id": one} | more for one, _, more in rows]
    return frame(name, columns, shapes, keys=[row[0] for row in rows])


def make_curbs(*rows: tuple[str, tuple[float, float, float, float], dict[str, Any]]) -> Any:
    """Curbs, as `make_stones`."""
    return make_stones(*rows, name="curbs")


def make_work(*rows: tuple[str, str, str] | tuple[str, str, str, str]) -> Any:
    """Work from (phase, operation, runs, date)."""
    keys = ("phase", "operation", "runs", "date")
    return frame("work", [dict(zip(keys, row, strict=False)) for row in rows])


def make_lots(**outcomes: str | None) -> Any:
    """Lots by name (a letter goes before the number: `lot_1`) with the outcome of their lead test."""
    rows = [
        {"lot_id": name.removeprefix("lot_"), "lead_test": outcome}
        for name, outcome in outcomes.items()
    ]
    square = Polygon([(EAST, NORTH), (EAST + 9, NORTH), (EAST + 9, NORTH + 9)])
    return frame("lots", rows, [square] * len(rows))


def make_reach(
    stones: Any,
    curbs: Any,
    runs: Any,
    *,
    search_m: float = 60.0,
    drop_m: Mapping[str, float] | None = None,
) -> Any:
    """Pairs of stone and run within `search_m`; `drop_m` gives height differences by stone (else unseen)."""
    rows, shapes = [], []
    for name, things in (("stones", stones), ("curbs", curbs)):
        for thing in things.itertuples():
            for run in runs.itertuples():
                line = shapely.force_2d(run.geometry)
                away = shapely.distance(thing.geometry, line)
                if away > search_m:
                    continue
                shortest = shapely.shortest_line(thing.geometry, line)
                e, n = shortest.coords[0]  # a line without length is not valid: 1 mm stands for it
                shapes.append(shortest if shortest.length else LineString([(e, n), (e, n + 0.001)]))
                sigma = float(np.hypot(*np.nan_to_num([thing.sigma_h_m, run.sigma_h_m])))
                rows.append({
                    "stone_id": thing.element_id, "stone_layer": name, "run_id": run.run_id,
                    "distance_m": away, "sigma_m": sigma,
                    "station_m": line.project(shapely.centroid(thing.geometry)),
                    "side": "on" if away == 0 else "left", "nearest": False,
                    "height_difference_m": (drop_m or {}).get(thing.element_id),
                })  # fmt: skip
    keys = [f"{row['stone_layer']}/{row['stone_id']}/{row['run_id']}" for row in rows]
    return frame("stone_reach", rows, shapes, keys=keys)


def line(*corners: tuple[float, float]) -> LineString:
    """A line in the ground's own metres."""
    return LineString([(EAST + e, NORTH + n) for e, n in corners])
