"""Small fences as layers, for the tests of this folder."""

from __future__ import annotations

from typing import Any

import shapely
from small_ground import EAST, NORTH, SURVEY, frame, make_site

from fencemap.layers import layer
from fencemap.relate import steps

SITE = make_site()
NO_LEVELS = layer("levels").empty()


def elements(*rows: dict[str, Any]) -> Any:
    """Elements; `at` is the place in metres from the ground's corner, with or without height."""
    shapes = []
    for row in rows:
        e, n, *z = row.get("at", (0.0, 0.0))
        shapes.append(shapely.Point(EAST + e, NORTH + n, z[0] if z else float("nan")))
    plain = [{"sigma_h_m": 0.015} | {k: v for k, v in row.items() if k != "at"} for row in rows]
    return frame("elements", plain, shapes)


def post(
    name: str, at: tuple[float, ...], order: int | None = None, run: str | None = "R", **more: Any
) -> dict[str, Any]:
    """One post."""
    return {"element_id": name, "kind": "post", "at": at, "order": order, "run_id": run} | more


def panel(name: str, order: int | None, run: str | None = "R", **more: Any) -> dict[str, Any]:
    """One panel or gate."""
    return {
        "element_id": name,
        "kind": "panel",
        "order": order,
        "run_id": run,
        "presence": "in place",
    } | more


def straight(count: int, step: float = 2.0) -> list[dict[str, Any]]:
    """Posts P1, P2 ... in a line to the east."""
    return [post(f"P{k}", ((k - 1) * step, 0.0), k) for k in range(1, count + 1)]


def ordered(rows: Any, levels: Any = NO_LEVELS, **more: Any) -> dict[str, Any]:
    """Run the step and prove its layers against the catalogue."""
    made = steps.order_posts(rows, levels, site=SITE, survey=SURVEY, **more)
    for name, found in made.items():
        layer(name).check(found, crs=SITE.crs)
    return made


def doubts(made: dict[str, Any]) -> dict[str, list[str]]:
    """Element ids by code of the doubt."""
    found = made["suspect"]
    return {code: sorted(part) for code, part in found.groupby("code")["element_id"]}
