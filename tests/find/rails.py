"""Small fences over ground that is a formula, for the tests of clearance."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import shapely
from affine import Affine
from pyproj import CRS
from small_ground import EAST, NORTH, SURVEY, FakeRun, frame, make_site

from fencemap.find import steps
from fencemap.grid import Grid
from fencemap.layers import layer
from fencemap.relate.steps import order_posts

SITE = make_site()


class Ground:
    """A ground model whose heights are `height(east, north)`, metres from the corner of the site."""

    origin = "a formula"

    def __init__(
        self, height: Callable[[Any, Any], Any], *, cell_m: float = 0.05, size_m: float = 60.0
    ) -> None:
        cells = round(size_m / cell_m)
        top = NORTH + size_m / 2
        self.grid = Grid(
            Affine(cell_m, 0, EAST - size_m / 4, 0, -cell_m, top), (cells, cells), CRS(SITE.crs)
        )
        self.height = height
        self.cells_read = 0

    def read(self, window: Any) -> np.ndarray:
        """Heights at cell centres; not seen outside."""
        self.cells_read += window.rows * window.columns
        eastings, northings = self.grid.centres(window)
        east, north = np.meshgrid(eastings - EAST, northings - NORTH)
        heights = np.broadcast_to(self.height(east, north), window.shape).astype(float)
        west, south, top_e, top_n = self.grid.bounds
        outside = (
            (east + EAST < west)
            | (east + EAST > top_e)
            | (north + NORTH < south)
            | (north + NORTH > top_n)
        )
        return np.where(outside, np.nan, heights).astype(np.float32)


def flat(east: Any, north: Any) -> Any:
    """Level ground at 50 m."""
    return 50.0 + 0.0 * east


def fence(
    posts: list[tuple[float, float]],
    rail: list[float | None],
    *,
    run: str = "R",
    sigma_v_m: float = 0.002,
    sigma_h_m: float = 0.0,
    panels: dict[int, dict[str, Any]] | None = None,
    closed: bool = False,
) -> tuple[list[dict[str, Any]], list[Any], list[dict[str, Any]]]:
    """Rows and places of posts and panels of one run, and the levels of its rail at the posts."""
    rows, places, levels = [], [], []
    for k, ((e, n), height) in enumerate(zip(posts, rail, strict=True), start=1):
        rows.append(
            {
                "element_id": f"{run}-P{k}",
                "kind": "post",
                "run_id": run,
                "order": k,
                "sigma_h_m": sigma_h_m,
            }
        )
        places.append(shapely.Point(EAST + e, NORTH + n, np.nan))
        if height is not None:
            levels.append({
                "element_id": f"{run}-P{k}", "target": "rail underside", "height_m": height,
                "sigma_v_m": sigma_v_m, "method": "level",
            })  # fmt: skip
    for k in range(1, len(posts) + (1 if closed else 0)):
        more = (panels or {}).get(k, {})
        rows.append({
            "element_id": f"{run}-N{k}", "kind": "panel", "run_id": run, "order": k, "presence": "in place",
            "sigma_h_m": sigma_h_m,
        } | more)  # fmt: skip
        places.append(shapely.Point(EAST, NORTH, np.nan))
    return rows, places, levels


def survey(*fences: Any, levels: list[dict[str, Any]] | None = None, gaps: list[dict[str, Any]] | None = None,
           curbs: Any = None, checks: list[tuple[float, float, float]] | None = None) -> dict[str, Any]:  # fmt: skip
    """All layers that clearance takes."""
    rows = [row for one in fences for row in one[0]]
    places = [place for one in fences for place in one[1]]
    told = [level for one in fences for level in one[2]] + (levels or [])
    made = {
        "elements": frame("elements", rows, places),
        "levels": frame("levels", told),
        "gap_readings": frame("gap_readings", [reading(**gap) for gap in gaps or []]),
        "curbs": layer("curbs").empty(SITE.crs) if curbs is None else curbs,
        "check_points": frame(
            "check_points",
            [{"element_id": f"G{k}", "of": "ground", "easting": EAST + e, "northing": NORTH + n, "height": h}
             for k, (e, n, h) in enumerate(checks or [])],
            [shapely.Point(EAST + e, NORTH + n) for e, n, _ in checks or []],
        ),
    }  # fmt: skip
    related = order_posts(made["elements"], made["levels"], site=SITE, survey=SURVEY)
    return made | {name: related[name] for name in ("runs", "bays", "panels")}


def reading(
    *, gap: float | None = None, low: float | None = None, high: float | None = None, **more: Any
) -> dict[str, Any]:
    """One gap reading in millimetres: a number, or limits."""
    numbers = {
        "gap_mm": gap,
        "gap_min_mm": low if gap is None else gap,
        "gap_max_mm": high if gap is None else gap,
    }
    return {"run_id": "R", "reading": "as read", "surface": "soil"} | numbers | more


def clearance(
    layers: dict[str, Any], ground: Any, *, practice: dict[str, Any] | None = None, **more: Any
) -> dict[str, Any]:
    """Run the step and prove its layers against the catalogue."""
    names = (
        "runs",
        "bays",
        "panels",
        "levels",
        "elements",
        "gap_readings",
        "curbs",
        "check_points",
    )
    made = steps.clearance_along_rails(
        *(layers[name] for name in names), site=SITE, survey=SURVEY, ground=ground, run=FakeRun(practice), **more,
    )  # fmt: skip
    for name, found in made.items():
        layer(name).check(found, crs=SITE.crs)
    return made


def along(found: Any, run: str = "R") -> Any:
    """Steps of one run with their middle station."""
    part = found["rail_clearance"]
    part = part[part["run_id"] == run]
    return part.assign(station=(part["from_m"] + part["to_m"]) / 2).reset_index(drop=True)
