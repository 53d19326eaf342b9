"""The stone ledger: every stone has one line for every operation of every phase."""

from __future__ import annotations

import numpy as np
import pytest
from small_ground import (
    SURVEY,
    FakeRun,
    make_curbs,
    make_lots,
    make_reach,
    make_runs,
    make_site,
    make_stones,
    make_work,
)

from fencemap.find.exposure_steps import exposure_of_stone
from fencemap.layers import layer
from fencemap.plan.steps import account_for_stones

GIVEN = {"site": make_site(), "survey": SURVEY, "run": FakeRun()}
RUNS = make_runs(("R1", [(0, 0), (10, 0)], {}), ("R2", [(0, 20), (10, 20)], {}))
STONES = make_stones(
    ("S1", (4, 0.4, 4.4, 0.6), {}),
    ("S2", (4, 2.0, 4.4, 2.2), {}),
    ("S3", (4, -2.2, 4.4, -2.0), {}),
    ("S4", (4, 50.0, 4.4, 50.2), {}),
    ("S5", (4, 0.1, 4.4, 0.3), {"presence": "in store"}),
)
CURBS = make_curbs(("C1", (0, -0.1, 3, 0.1), {}), ("S1", (6, 0.4, 7, 0.6), {}))
WORK = make_work(("1", "washing", "R1"), ("1", "painting", "R2"), ("2", "painting", "R1"))
DROP = {"S2": -0.5, "S3": 0.5}


def ledger(stones=STONES, curbs=CURBS, runs=RUNS, work=WORK, search_m=12.0):
    """Make exposure and ledger of the small ground."""
    lots = make_lots(lot_1="negative")
    reach = make_reach(stones, curbs, runs, search_m=search_m, drop_m=DROP)
    exposure = exposure_of_stone(stones, curbs, reach, runs, work, lots, **GIVEN)["exposure"]
    made = account_for_stones(stones, curbs, exposure, reach, runs, work, lots, **GIVEN)[
        "stone_ledger"
    ]
    return exposure, layer("stone_ledger").check(made)


def line_of(made, phase, operation, stone_id, stone_layer="stones"):
    """The one line of a stone."""
    rows = made[
        (made["phase"] == phase) & (made["operation"] == operation)
        & (made["stone_id"] == stone_id) & (made["stone_layer"] == stone_layer)
    ]  # fmt: skip
    assert len(rows) == 1
    return rows.iloc[0]


def test_covered_and_free_are_all_stone():
    """Four jobs (three of work, one standing) times seven stones and curbs: 28 lines, none twice."""
    exposure, made = ledger()
    assert len(made) == 28
    assert not made.duplicated(["phase", "operation", "stone_id", "stone_layer"]).any()
    counts = made.groupby(["phase", "operation"])["verdict"].value_counts().unstack(fill_value=0)
    assert (counts.sum(axis=1) == 7).all()
    listed = exposure.groupby(["phase", "operation"]).size()
    assert counts["covered"].to_dict() == listed.reindex(counts.index, fill_value=0).to_dict()


def test_covered_lines_say_what_exposure_says():
    """Reason, rank, distance and probability of a covered line are those of its exposure row."""
    exposure, made = ledger()
    keys = ["phase", "operation", "stone_layer", "stone_id"]
    both = exposure.merge(made[made["verdict"] == "covered"], on=keys, suffixes=("", "_ledger"))
    assert len(both) == len(exposure)
    for column in ("because", "rank", "distance_m", "in_reach_probability"):
        assert (both[column] == both[f"{column}_ledger"]).all(), column


def test_free_lines_give_the_distance_to_iron_worked_on():
    """S1 is 0.4 m from R1, but for painting R2 in phase 1 its nearest iron is 19.4 m away, beyond the search."""
    _, made = ledger(search_m=25.0)
    free = line_of(made, "1", "painting", "S1")
    assert free["verdict"] == "free"
    assert free["distance_m"] == pytest.approx(19.4)
    assert free["because"] == "19.40 m from the nearest iron worked on, beyond reach (0.60 m)"
    assert free["in_reach_probability"] == 0.0
    assert np.isnan(line_of(ledger(search_m=12.0)[1], "1", "painting", "S1")["distance_m"])


def test_free_lines_tell_uphill_from_too_far():
    """S2 stands 2 m off and uphill, S3 2 m off and downhill of what is washed (beside 1.5 m, downhill 5 m)."""
    _, made = ledger()
    assert line_of(made, "1", "washing", "S2")["because"].endswith(
        "and uphill, out of the way of water"
    )
    assert line_of(made, "1", "washing", "S3")["verdict"] == "covered"


def test_far_and_stored_stone_is_accounted_for():
    """Stone beyond the search and stone in store have lines too, with their reasons."""
    _, made = ledger()
    far = line_of(made, "2", "painting", "S4")
    assert (far["verdict"], far["because"]) == (
        "free",
        "No iron worked on near enough to be looked at",
    )
    stored = line_of(made, "standing", "standing", "S5")
    assert stored["verdict"] == "free"
    assert stored["because"].startswith("Recorded as 'in store'")
    assert np.isnan(stored["in_reach_probability"])


def test_stone_and_curb_of_one_name_are_two():
    """A curb called S1 like a stone has its own line."""
    _, made = ledger()
    stone, curb = (line_of(made, "2", "painting", "S1", name) for name in ("stones", "curbs"))
    assert stone["uid"] != curb["uid"]
    assert stone["rank"] != curb["rank"]


def test_no_stone_and_no_run():
    """Without stone the ledger is empty; without runs there is nothing to account for."""
    assert len(ledger(stones=make_stones(), curbs=make_curbs())[1]) == 0
    assert len(ledger(runs=layer("runs").empty("EPSG:32631"), work=make_work())[1]) == 0


def test_of_several_runs_the_nearest_gives_the_distance():
    """With both runs painted, S2 (2 m from R1, 17.8 m from R2) is free by 2 m, whatever the order of pairs."""
    _, made = ledger(work=make_work(("3", "painting", "*")), search_m=25.0)
    assert line_of(made, "3", "painting", "S2")["distance_m"] == pytest.approx(2.0)
