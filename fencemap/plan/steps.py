"""Steps of the stage plan."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from fencemap.layers import layer, uids
from fencemap.operations import all_stone, planned
from fencemap.plan.covers import covers_of_stone, ground_sheets
from fencemap.plan.ground import no_dig_areas, root_protection_areas
from fencemap.plan.ledger import ledger_of_stone
from fencemap.plan.zones import zones_of_work
from fencemap.site import Site, Survey
from fencemap.steps import Run, step

Made = dict[str, Any]


@step(makes=("protection_zones",))
def protect_zones(
    exposure: Any, runs: Any, work: Any, lots: Any, *, site: Site, survey: Survey, run: Run
) -> Made:
    """Draw the ground within reach: one zone a run, operation and phase."""
    plan = planned(work, runs, lots, practice=run.practice)
    zones = zones_of_work(exposure, runs, plan=plan, practice=run.practice)
    keys = zones["phase"] + "/" + zones["operation"] + "/" + zones["run_id"]
    return {
        "protection_zones": _layer("protection_zones", "protect_zones", zones, keys, site, survey)
    }


@step(makes=("stone_ledger",))
def account_for_stones(  # noqa: PLR0913  the layers it looks at
    stones: Any,
    curbs: Any,
    exposure: Any,
    stone_reach: Any,
    runs: Any,
    work: Any,
    lots: Any,
    *,
    site: Site,
    survey: Survey,
    run: Run,
) -> Made:
    """Account for every stone and operation: covered because, or free because."""
    plan = planned(work, runs, lots, practice=run.practice)
    lines = ledger_of_stone(
        all_stone(stones, curbs), exposure, stone_reach, runs, plan=plan, practice=run.practice
    )
    keys: Any = []
    if len(lines):
        keys = lines["phase"] + "/" + lines["operation"] + "/" + lines["stone_uid"]
    return {"stone_ledger": _layer("stone_ledger", "account_for_stones", lines, keys, site, survey)}


@step(makes=("covers",))
def cover_stones(  # noqa: PLR0913  the layers it looks at
    exposure: Any,
    stones: Any,
    curbs: Any,
    runs: Any,
    work: Any,
    lots: Any,
    *,
    site: Site,
    survey: Survey,
    run: Run,
) -> Made:
    """Choose covers for the stone that is listed, and ground sheets, with the sheet to buy."""
    plan = planned(work, runs, lots, practice=run.practice)
    over = covers_of_stone(exposure, all_stone(stones, curbs), plan=plan, practice=run.practice)
    under = ground_sheets(runs, plan=plan, practice=run.practice)
    covers = pd.concat([part for part in (over, under) if len(part)] or [over], ignore_index=True)
    what = covers["stone_layer"].fillna("") + "/" + covers["stone_id"].fillna("")
    keys = covers["phase"] + "/" + covers["operation"] + "/" + what + "/" + covers["run_id"]
    return {"covers": _layer("covers", "cover_stones", covers, keys, site, survey)}


@step(makes=("root_protection",))
def protect_roots(trees: Any, *, site: Site, survey: Survey, run: Run) -> Made:
    """Draw root protection areas: 12 stem diameters, the area capped."""
    areas = root_protection_areas(trees, practice=run.practice)
    return {
        "root_protection": _layer(
            "root_protection", "protect_roots", areas, areas["tree_uid"], site, survey
        )
    }


@step(makes=("no_dig",))
def forbid_digging(
    stones: Any,
    curbs: Any,
    surroundings: Any,
    root_protection: Any,
    *,
    site: Site,
    survey: Survey,
    run: Run,
) -> Made:
    """Draw where nothing is dug: about stone, services, graves and roots that are recorded."""
    areas = no_dig_areas(stones, curbs, surroundings, root_protection, practice=run.practice)
    return {"no_dig": _layer("no_dig", "forbid_digging", areas, areas["key"], site, survey)}


def _layer(name: str, step_name: str, made: Any, keys: Any, site: Site, survey: Survey) -> Any:
    """Give rows their identity and the catalogue's columns."""
    schema = layer(name)
    crs = site.crs if schema.spatial else None
    if not len(made):
        return schema.empty(crs)
    columns = {column: made[column] for column in schema.columns if column in made}
    columns |= {
        "uid": uids(site.uid, survey.id, name, np.asarray(keys, dtype=object)),
        "survey_id": [survey.id] * len(made),
        "source_file": [f"plan/{step_name}"] * len(made),
    }
    geometry = made["geometry"] if schema.spatial else None
    return schema.conform(columns, geometry=geometry, crs=crs)
