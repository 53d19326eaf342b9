"""Exposure of the sample burial ground against what is truly there."""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path

import pytest
from small_ground import FakeRun

from fencemap.bring_in import steps as bring_in
from fencemap.bring_in.rasters import open_raster_input
from fencemap.bring_in.site_file import read_site
from fencemap.find.exposure_steps import exposure_of_stone
from fencemap.operations import planned
from fencemap.relate import steps as relate

ROOT = Path(__file__).resolve().parents[2]
TOUCHING_M = 0.3


@cache
def result():
    """Site, layers and exposure, from the survey's files."""
    site = read_site(ROOT / "sample_gis")
    survey, run = site.survey(), FakeRun(site.practice)
    given = {"site": site, "survey": survey}
    layers = {}
    layers |= bring_in.survey_elements(**given)
    layers |= bring_in.survey_levels(layers["elements"], **given)
    for read in (
        bring_in.survey_stones,
        bring_in.survey_curbs,
        bring_in.survey_lots,
        bring_in.planned_operations,
    ):
        layers |= read(**given)
    layers |= relate.order_posts(layers["elements"], layers["levels"], **given)
    with open_raster_input("ground", site, survey, elements=layers["elements"]) as ground:
        layers |= relate.nearest_iron(
            *(layers[name] for name in ("stones", "curbs", "runs", "bays")),
            **given,
            ground=ground,
            run=run,
        )
    taken = (layers[name] for name in ("stones", "curbs", "stone_reach", "runs", "work", "lots"))
    made = exposure_of_stone(*taken, **given, run=run)
    return layers, made["exposure"], run


@cache
def truth():
    """True distances of stone and run: built with the ground, never seen by the survey."""
    with (ROOT / "tests" / "truth" / "stone_iron.csv").open(encoding="utf-8", newline="") as file:
        return [
            (row["stone_id"], row["run_id"], float(row["distance_m"]))
            for row in csv.DictReader(file)
        ]


def gone():
    """Stones that the survey says are not there."""
    stones = result()[0]["stones"]
    return set(
        stones.loc[
            stones["presence"].isin(["missing", "in store", "absent by design"]), "element_id"
        ]
    )


def test_stone_that_truly_touches_iron_is_always_listed():
    """Recall 1.000 of stone within 0.3 m of true iron, for every operation of every run."""
    layers, exposure, run = result()
    plan = planned(layers["work"], layers["runs"], layers["lots"], practice=run.practice)
    listed = set(zip(exposure["phase"], exposure["operation"], exposure["stone_id"], strict=True))
    wanted = {
        (job.phase, job.operation.name, stone)
        for stone, run_id, away_m in truth()
        for job in plan.jobs
        if job.run_id == run_id and away_m <= TOUCHING_M and stone not in gone()
    }
    assert len(wanted) > 100
    assert wanted <= listed, sorted(wanted - listed)[:5]


@pytest.mark.parametrize(
    "operation",
    ["brushing", "converter brushed", "priming", "painting", "digging", "washing", "standing"],
)
def test_stone_truly_within_reach_is_listed(operation):
    """Recall at least 0.99 of stone within the operation's reach of true iron; precision is not nothing."""
    layers, exposure, run = result()
    plan = planned(layers["work"], layers["runs"], layers["lots"], practice=run.practice)
    reach = {
        (job.phase, job.run_id): job.reach_m for job in plan.jobs if job.operation.name == operation
    }
    wanted = {
        (phase, stone)
        for stone, run_id, away_m in truth()
        for (phase, of), reach_m in reach.items()
        if of == run_id and away_m <= max(reach_m, TOUCHING_M) and stone not in gone()
    }
    rows = exposure[(exposure["operation"] == operation) & (exposure["stone_layer"] == "stones")]
    listed = set(zip(rows["phase"], rows["stone_id"], strict=True))
    assert wanted
    assert len(wanted & listed) / len(wanted) >= 0.99
    if operation not in ("washing", "standing"):  # these list what water may reach as well
        assert len(wanted & listed) / len(listed) >= 0.8
