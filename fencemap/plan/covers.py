"""What is laid over each listed stone, and on the ground, before an operation."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from fencemap.operations import Job, Plan, Practice
from fencemap.plan.shapes import grown

__all__ = ["covers_of_stone", "ground_sheets"]

Floats = NDArray[np.float64]
_UNSTABLE = ("leaning", "loose")
_SHEETS = ("breathable sheet", "splash sheet", "ground sheet")
_CORDON_OFF_BY = "stays until the stone is made safe; no work within reach before that"


def covers_of_stone(exposure: Any, stone: Any, *, plan: Plan, practice: Practice) -> pd.DataFrame:
    """Choose a cover for every listed stone and measure the sheet for it.

    The sheet for a stone is its top and all its faces, and laps:
    ``(area + perimeter x height) x (1 + laps)``. A height that was not
    recorded counts as the default. A splash sheet needs as much breathable
    sheet beneath it. On stone that leans or moves nothing is laid: it is
    cordoned off. Curbs are covered over their whole length.

    Parameters
    ----------
    exposure
        The layer of that name.
    stone
        Frame of `fencemap.operations.all_stone`.
    plan
        Operations and the runs they are planned on.
    practice
        Looks up a default, with the site's value where it has one.

    Returns
    -------
    Columns of the layer `covers` but its origin, and `geometry`; operations
    that lay nothing on stone have no rows.
    """
    kinds = {job.operation.name: job.operation.cover for job in plan.jobs}
    dates = {(job.phase, job.operation.name, job.run_id): job.date for job in plan.jobs}
    rows = exposure[exposure["operation"].map(kinds).fillna("") != ""].reset_index(drop=True)
    known = stone.drop_duplicates(["stone_layer", "stone_id"])[
        ["stone_layer", "stone_id", "height_m", "stability"]
    ]
    rows = rows.merge(known, on=["stone_layer", "stone_id"], how="left")
    unstable = rows["stability"].isin(_UNSTABLE).to_numpy(bool)
    cover = np.where(unstable, "cordon", rows["operation"].map(kinds).to_numpy(object))
    shapes = np.asarray(rows["geometry"], dtype=object)
    keys = zip(rows["phase"], rows["operation"], rows["run_id"], strict=True)
    until = _off_by([dates.get(key, "") for key in keys], practice)
    made: pd.DataFrame = rows[["phase", "operation", "stone_id", "run_id", "rank"]].assign(
        stone_layer=rows["stone_layer"],
        cover=pd.Series(cover, dtype="str"),
        area_m2=shapely.area(shapes),
        sheet_m2=_sheet(rows, shapes, cover, practice),
        off_by=pd.Series(np.where(unstable, _CORDON_OFF_BY, until), dtype="str"),
        geometry=shapes,
    )
    return made


def _off_by(dates: list[str], practice: Practice) -> NDArray[np.object_]:
    """Say until when: the day, where it is known, and the site's word for its end."""
    end = str(practice("cover.off_by").value)
    table = {date: f"{date}, {end}" if date else end for date in set(dates)}
    made = np.empty(len(dates), dtype=object)
    made[:] = [table[date] for date in dates]
    return made


def _sheet(
    rows: Any, shapes: NDArray[Any], cover: NDArray[np.object_], practice: Practice
) -> Floats:
    """Sheet to buy for each stone; empty where no sheet is laid."""
    unknown = {
        "stones": float(practice("cover.unknown_stone_height_m").value),
        "curbs": float(practice("cover.unknown_curb_height_m").value),
    }
    default = rows["stone_layer"].map(unknown).to_numpy(np.float64)
    recorded = rows["height_m"].to_numpy(np.float64)
    height_m = np.where(np.isnan(recorded), default, recorded)
    whole = shapely.area(shapes) + shapely.length(shapes) * height_m
    return np.where(np.isin(cover, _SHEETS), whole * _with_laps(practice), np.nan)


def _with_laps(practice: Practice) -> float:
    return 1.0 + float(practice("cover.laps_pct").value) / 100.0


def ground_sheets(runs: Any, *, plan: Plan, practice: Practice) -> pd.DataFrame:
    """Lay impermeable sheet on the ground where an operation asks for it.

    Each run's sheet goes as far as the reach, measured from the iron itself
    on site, and leaves out what the sheets of runs before it (by name) in the
    same phase and operation already cover: the areas add up to the ground
    covered when all lies at once.

    Returns
    -------
    Columns as those of `covers_of_stone` but rank; stone is empty.
    """
    wanted = [job for job in plan.jobs if _wants_sheet(job)]
    if not wanted:
        return pd.DataFrame()
    lines = dict(zip(runs["run_id"], np.asarray(runs.geometry, dtype=object), strict=True))
    shapes = grown(
        np.array([lines[job.run_id] for job in wanted], dtype=object),
        by_m=[job.reach_m for job in wanted],
    )
    frame = pd.DataFrame(
        {
            "phase": [job.phase for job in wanted],
            "operation": [job.operation.name for job in wanted],
            "run_id": [job.run_id for job in wanted],
        },
        dtype="str",
    )
    left = shapes.copy()
    for rows in frame.groupby(["phase", "operation"], sort=False).indices.values():
        left[rows] = _without_earlier(shapes[rows])
    area = shapely.area(left)
    frame = frame.assign(
        stone_id=pd.Series(None, index=frame.index, dtype="str"),
        stone_layer=pd.Series(None, index=frame.index, dtype="str"),
        cover=pd.Series("ground sheet", index=frame.index, dtype="str"),
        area_m2=area,
        sheet_m2=area * _with_laps(practice),
        off_by=pd.Series(_off_by([job.date for job in wanted], practice), dtype="str"),
        geometry=left,
    )
    return frame[area > 0].reset_index(drop=True)


def _wants_sheet(job: Job) -> bool:
    asked = job.operation.ground_sheet
    return asked == "always" or (asked == "lead" and job.lead_suspect)


def _without_earlier(shapes: NDArray[Any]) -> NDArray[Any]:
    """Take from each shape what those before it cover."""
    later, earlier = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    order = np.lexsort((earlier, later))
    later, earlier = later[order], earlier[order]
    later, earlier = later[earlier < later], earlier[earlier < later]
    left = shapes.copy()
    if not len(later):
        return left
    starts, firsts = np.unique(later, return_index=True)
    for place, before in zip(starts, np.split(earlier, firsts[1:]), strict=True):
        left[place] = shapely.difference(shapes[place], shapely.union_all(shapes[before]))
    return left
