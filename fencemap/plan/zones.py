"""Protection zones: the ground within reach, one zone a run, operation and phase.

A zone is the run's line grown by the reach and by what the run's own accuracy
adds. Stone that is listed though it lies outside (its own position is
uncertain, water runs to it, or the survey records it as carrying the fence)
is joined to it by a strip, so that a zone holds every stone listed for it.
"""

from __future__ import annotations

from statistics import NormalDist
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from fencemap.cautions import all_cautions
from fencemap.operations import Job, Plan, Practice
from fencemap.plan.shapes import grown

__all__ = ["zones_of_work"]

Floats = NDArray[np.float64]
_FOR = ["phase", "operation", "run_id"]


def zones_of_work(exposure: Any, runs: Any, *, plan: Plan, practice: Practice) -> pd.DataFrame:
    """Draw the zone of every job.

    Parameters
    ----------
    exposure, runs
        The layers of those names.
    plan
        Operations and the runs they are planned on.
    practice
        Looks up a default, with the site's value where it has one.

    Returns
    -------
    Columns of the layer `protection_zones` but its origin, and `geometry`,
    sorted by phase, operation and run.
    """
    jobs = plan.jobs
    frame = pd.DataFrame(
        {
            "phase": [job.phase for job in jobs],
            "operation": [job.operation.name for job in jobs],
            "run_id": [job.run_id for job in jobs],
            "reach_source": [job.reach_source for job in jobs],
            "harm": [job.operation.harm for job in jobs],
            "cautions": [_cautions(job) for job in jobs],
        },
        dtype="str",
    )
    of = pd.Index(runs["run_id"]).get_indexer(frame["run_id"])
    lines = shapely.force_2d(np.asarray(runs.geometry, dtype=object))[of]
    plain_m = np.array([job.reach_m for job in jobs], dtype=np.float64)
    widened_m = _widened(runs, practice)[of]
    areas = _with_strips(
        _grown_once(lines, of, plain_m + widened_m),
        lines,
        frame,
        plain_m + widened_m,
        exposure,
        practice,
    )
    stops = [job.operation.wind_stop_of(lead_suspect=job.lead_suspect) for job in jobs]
    return frame.assign(
        reach_m=plain_m + widened_m,
        widened_m=widened_m,
        wind_stop_m_s=np.array(stops, dtype=np.float64),
        holds_to_m_s=_holds_to(jobs, runs, of, plain_m, practice),
        area_m2=shapely.area(areas),
        stones=_stones_inside(areas, frame, exposure),
        geometry=areas,
    )


def _widened(runs: Any, practice: Practice) -> Floats:
    """Work out what each run's own accuracy adds, at the probability from which stone is listed."""
    widths = NormalDist().inv_cdf(1 - float(practice("exposure.listed_from").value))
    unknown = float(practice("accuracy.unknown.sigma_h_m").value)
    sigma = np.nan_to_num(runs["sigma_h_m"].to_numpy(np.float64), nan=unknown)
    return np.asarray(widths * sigma, dtype=np.float64)


def _cautions(job: Job) -> str:
    """Ids of the cautions that one job calls for; those that always hold are left out."""
    true = {f"operation={job.operation.name}"}
    if job.lead_suspect and job.operation.lead_reach:
        true.add("lead=not tested")
    return ";".join(caution.id for caution in all_cautions() if caution.triggers & true)


def _holds_to(
    jobs: tuple[Job, ...], runs: Any, of: NDArray[np.intp], reach_m: Floats, practice: Practice
) -> Floats:
    """Wind that carries what falls from the fence's height just to the reach.

    What settles at v from height h is carried w h / v by a steady wind w, so
    the reach holds up to w = reach v / h. An order of magnitude: dust settles
    slower, and gusts carry farther.
    """
    unknown = float(practice("drift.unknown_height_m").value)
    height_m = np.nan_to_num(runs["height_mm"].to_numpy(np.float64) / 1000, nan=unknown)[of]
    settling = np.array([job.operation.settling_m_s or np.nan for job in jobs], dtype=np.float64)
    return np.asarray(reach_m * settling / np.maximum(height_m, 0.1), dtype=np.float64)


def _grown_once(lines: NDArray[Any], of: NDArray[np.intp], reach_m: Floats) -> NDArray[Any]:
    """Grow each line by its reach; operations that reach as far share the work."""
    different, first, place = np.unique(
        np.stack([of, reach_m]), axis=1, return_index=True, return_inverse=True
    )
    shared: NDArray[Any] = grown(lines[first], by_m=different[1])[place.reshape(-1)]
    return shared


def _with_strips(
    areas: NDArray[Any],
    lines: NDArray[Any],
    frame: pd.DataFrame,
    reach_m: Floats,
    exposure: Any,
    practice: Practice,
) -> NDArray[Any]:
    """Join listed stone that lies outside its zone to it by a strip."""
    place = pd.MultiIndex.from_frame(frame[_FOR]).get_indexer(
        pd.MultiIndex.from_frame(exposure[_FOR])
    )
    away_m = exposure["distance_m"].to_numpy(np.float64)
    outside = np.flatnonzero((place >= 0) & (away_m > reach_m[place]))
    if not len(outside):
        return areas
    half_m = float(practice("exposure.touching_m").value) / 2
    stones = np.asarray(exposure.geometry, dtype=object)[outside]
    ways = shapely.shortest_line(lines[place[outside]], stones)
    strips = shapely.buffer(ways, half_m, quad_segs=1, cap_style="square")
    joined = areas.copy()
    order = np.argsort(place[outside], kind="stable")
    starts, firsts = np.unique(place[outside][order], return_index=True)
    for zone, group in zip(starts, np.split(strips[order], firsts[1:]), strict=True):
        joined[zone] = shapely.union_all([areas[zone], *group])
    return joined


def _stones_inside(areas: NDArray[Any], frame: pd.DataFrame, exposure: Any) -> NDArray[np.int64]:
    """Count, for each zone, the stone listed for its phase and operation that it meets."""
    counts = np.zeros(len(frame), dtype=np.int64)
    listed = exposure.groupby(["phase", "operation"], sort=False).indices
    shapes = np.asarray(exposure.geometry, dtype=object)
    for key, zones in frame.groupby(["phase", "operation"], sort=False).indices.items():
        stones = listed.get(key)
        if stones is None:
            continue
        tree = shapely.STRtree(shapes[stones])
        met, _ = tree.query(areas[zones], predicate="intersects")
        counts[zones] = np.bincount(met, minlength=len(zones))
    return counts
