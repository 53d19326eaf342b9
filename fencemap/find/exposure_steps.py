"""Step of the stage find that lists the stone each operation can reach."""

from __future__ import annotations

from typing import Any

import numpy as np

from fencemap.find.exposure import exposed_stone
from fencemap.layers import layer, uids
from fencemap.operations import all_stone, planned
from fencemap.site import Site, Survey
from fencemap.steps import Run, step

__all__ = ["exposure_of_stone"]

_STEP = "find/exposure_of_stone"


@step(makes=("exposure", "suspect"))
def exposure_of_stone(  # noqa: PLR0913  the layers it looks at
    stones: Any,
    curbs: Any,
    stone_reach: Any,
    runs: Any,
    work: Any,
    lots: Any,
    *,
    site: Site,
    survey: Survey,
    run: Run,
) -> dict[str, Any]:
    """List each stone that rain or planned work can reach, with how likely and how bad.

    ``standing`` (rain over rusting iron) is asked of every run; each row of
    `work` of the runs it names. A run name in `work` that is no run's becomes
    a row of `suspect`; the row's other runs stand.

    Raises
    ------
    PipelineError
        `stone_reach` was not searched as far as the reaches ask.
    LayerError
        `stone_reach` names stones or runs that are not there.
    """
    plan = planned(work, runs, lots, practice=run.practice)
    found = exposed_stone(
        all_stone(stones, curbs), stone_reach, runs, plan=plan, practice=run.practice
    )
    return {
        "exposure": _as_layer(found, site, survey),
        "suspect": _unknown_runs(work, runs, plan.unknown, site, survey),
    }


def _as_layer(found: Any, site: Site, survey: Survey) -> Any:
    """Give the rows their identity and the catalogue's columns."""
    schema = layer("exposure")
    if not len(found):
        return schema.empty(site.crs)
    keys = found["phase"] + "/" + found["operation"] + "/" + found["stone_uid"]
    named = {column: found[column] for column in schema.columns if column in found}
    named |= {
        "uid": uids(site.uid, survey.id, "exposure", np.asarray(keys, dtype=object)),
        "survey_id": [survey.id] * len(found),
        "source_file": [_STEP] * len(found),
    }
    return schema.conform(named, geometry=found["geometry"], crs=site.crs)


def _unknown_runs(
    work: Any, runs: Any, unknown: tuple[tuple[int, str], ...], site: Site, survey: Survey
) -> Any:
    """Name each run of `work` that there is not, with names that are close."""
    import difflib

    known, rows = list(runs["run_id"]), []
    for place, name in sorted(set(unknown)):
        close = difflib.get_close_matches(name, known, n=3, cutoff=0.5)
        hint = f"Did you mean {' or '.join(close)}?" if close else "The layer `runs` lists them."
        rows.append(
            {
                "source_file": work["source_file"].iloc[place],
                "source_row": work["source_row"].iloc[place],
                "input": "work",
                "column": "runs",
                "value": name,
                "code": "unknown-run",
                "reason": f"no run is called '{name}', so no stone is listed for it",
                "remedy": hint,
            }
        )
    schema = layer("suspect")
    if not rows:
        return schema.empty(site.crs)
    columns: dict[str, Any] = {key: [row[key] for row in rows] for key in rows[0]}
    keys = [f"work/{work['uid'].iloc[place]}/{name}" for place, name in sorted(set(unknown))]
    columns["uid"] = uids(site.uid, survey.id, "suspect", keys)
    columns["survey_id"] = [survey.id] * len(rows)
    return schema.conform(columns, geometry=[None] * len(rows), crs=site.crs)
