"""Stone listed for each operation: probabilities, reaches, water, rank, doubt that only adds."""

from __future__ import annotations

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

from fencemap.errors import LayerError, PipelineError
from fencemap.find.exposure_steps import exposure_of_stone
from fencemap.layers import layer

CLEAN = make_lots(lot_1="negative")
ONE_RUN = make_runs(("R1", [(0, 0), (10, 0)], {}))


def expose(
    stones,
    *,
    curbs=None,
    runs=ONE_RUN,
    work=None,
    lots=CLEAN,
    drop_m=None,
    search_m=60.0,
    practice=None,
):
    """Run the step on a small ground and prove its layers against the catalogue."""
    curbs = layer("curbs").empty("EPSG:32631") if curbs is None else curbs
    work = make_work() if work is None else work
    reach = make_reach(stones, curbs, runs, search_m=search_m, drop_m=drop_m)
    made = exposure_of_stone(
        stones, curbs, reach, runs, work, lots, site=make_site(), survey=SURVEY, run=FakeRun(practice)
    )  # fmt: skip
    for name, frame in made.items():
        layer(name).check(frame, crs="EPSG:32631")
    return made


def listed(made, operation):
    """Names of the stone listed for an operation."""
    rows = made["exposure"]
    return set(rows.loc[rows["operation"] == operation, "stone_id"])


def beside(name, away_m, **more):
    """A stone 0.4 x 0.2 m whose nearest face is `away_m` from run R1."""
    return (name, (4.0, away_m, 4.4, away_m + 0.2), more)


# Values of the standard normal distribution, printed in any statistics book: Phi(z).
NORMAL_TABLE = [(0.0, 0.5), (-1.0, 0.1587), (-1.2, 0.1151), (-2.0, 0.0228), (0.5, 0.6915)]


@pytest.mark.parametrize(("z", "expected"), NORMAL_TABLE)
def test_probability_is_that_of_the_normal_table(z, expected):
    """A stone z sigmas inside the reach (0.6 m) has the probability that the table prints."""
    stones = make_stones(beside("S1", 0.6 - 0.1 * z, sigma_h_m=0.1))
    made = expose(stones, work=make_work(("1", "priming", "R1")))
    row = made["exposure"].query("operation == 'priming'").iloc[0]
    assert row["in_reach_probability"] == pytest.approx(expected, abs=5e-5)


def test_listing_ends_at_one_per_cent():
    """Phi(-2.32) = 0.0102 is listed, Phi(-2.34) = 0.0096 is not (normal table)."""
    stones = make_stones(
        beside("near", 0.6 + 0.232, sigma_h_m=0.1), beside("far", 0.6 + 0.234, sigma_h_m=0.1)
    )
    assert listed(expose(stones, work=make_work(("1", "priming", "R1"))), "priming") == {"near"}


def test_both_positions_count():
    """0.06 m of the stone and 0.08 m of the run make 0.10 m: their squares add (3-4-5 triangle)."""
    runs = make_runs(("R1", [(0, 0), (10, 0)], {"sigma_h_m": 0.08}))
    stones = make_stones(beside("S1", 0.7, sigma_h_m=0.06))
    row = expose(stones, runs=runs, work=make_work(("1", "priming", "R1")))["exposure"].iloc[0]
    assert row["sigma_m"] == pytest.approx(0.1)
    assert row["in_reach_probability"] == pytest.approx(0.1587, abs=5e-5)


def test_touching_stone_is_listed_for_every_operation():
    """Stone at 0.29 m is listed even where a site sets the reach to 0.1 m."""
    work = make_work(("1", "priming", "R1"), ("1", "access", "R1"))
    practice = {"operation.priming.reach_m": 0.1, "operation.access.reach_m": 0.1}
    made = expose(make_stones(beside("S1", 0.29), beside("S2", 0.31)), work=work, practice=practice)
    assert listed(made, "priming") == listed(made, "access") == {"S1"}


@pytest.mark.parametrize(
    ("lots", "expected"),
    [
        (make_lots(lot_1="negative"), {"at 1 m"}),
        (make_lots(lot_1="positive"), {"at 1 m", "at 3 m"}),
        (make_lots(lot_1="not tested"), {"at 1 m", "at 3 m"}),
        (make_lots(lot_1=None), {"at 1 m", "at 3 m"}),
        (make_lots(), {"at 1 m", "at 3 m"}),
    ],
    ids=["negative", "positive", "not tested", "empty", "no lot"],
)
def test_lead_that_is_not_excluded_widens_brushing(lots, expected):
    """Brushing reaches 1 m, and 3.05 m (10 ft, US EPA) unless the lot's test found no lead."""
    stones = make_stones(beside("at 1 m", 0.99), beside("at 3 m", 3.04), beside("beyond", 3.06))
    made = expose(stones, lots=lots, work=make_work(("1", "brushing", "R1")))
    assert listed(made, "brushing") == expected


def test_party_fence_needs_both_lots_tested():
    """A run of two lots counts as free of lead only when both tests were negative."""
    runs = make_runs(("R1", [(0, 0), (10, 0)], {"lots": "1; 2"}))
    stones, work = make_stones(beside("S1", 2.0)), make_work(("1", "brushing", "*"))
    both, one = make_lots(lot_1="negative", lot_2="negative"), make_lots(lot_1="negative")
    assert listed(expose(stones, runs=runs, lots=both, work=work), "brushing") == set()
    assert listed(expose(stones, runs=runs, lots=one, work=work), "brushing") == {"S1"}


def test_what_is_lifted_can_fall_as_far_as_it_is_high():
    """A fence of 2.0 m reaches 2.5 m when reset (0.5 m added), one of unknown height 1.5 m."""
    stones = make_stones(beside("S1", 2.4), beside("S2", 2.6), beside("S3", 1.4))
    work = make_work(("1", "resetting", "*"))
    tall = make_runs(("R1", [(0, 0), (10, 0)], {"height_mm": 2000.0}))
    assert listed(expose(stones, runs=tall, work=work), "resetting") == {"S1", "S3"}
    assert listed(expose(stones, work=work), "resetting") == {"S3"}


def test_unknown_stone_counts_as_the_most_sensitive():
    """Stone of unknown kind has marble's severity, polished granite less."""
    stones = make_stones(
        beside("marble", 0.4), beside("unknown", 0.4, stone_type=None),
        beside("polished", 0.4, stone_type="polished granite"),
    )  # fmt: skip
    made = expose(stones, work=make_work(("1", "painting", "*")))["exposure"]
    severity = made.query("operation == 'painting'").set_index("stone_id")["severity"]
    assert severity["unknown"] == severity["marble"] == pytest.approx(0.7)
    assert severity["polished"] == pytest.approx(0.7 * 0.4)


@pytest.mark.parametrize(
    ("drop", "expected"),
    [(0.3, True), (0.02, True), (0.0, True), (-0.02, True), (None, True), (-0.08, False)],
    ids=["down", "1 % down", "level", "1 % up", "not seen", "4 % up"],
)
def test_water_reaches_all_but_what_clearly_lies_higher(drop, expected):
    """At 2 m, washing (beside 1.5 m, downhill 5 m) lists all stone but that 2 % or more uphill."""
    drops = {} if drop is None else {"S1": drop}
    made = expose(
        make_stones(beside("S1", 2.0)), work=make_work(("1", "washing", "*")), drop_m=drops
    )
    assert (listed(made, "washing") == {"S1"}) is expected
    if expected:
        assert made["exposure"].query("operation == 'washing'")["way"].tolist() == ["downhill"]


def test_water_does_not_carry_paint():
    """Operations without a downhill reach list nothing beyond their own."""
    made = expose(
        make_stones(beside("S1", 1.0)), work=make_work(("1", "painting", "*")), drop_m={"S1": 0.5}
    )
    assert listed(made, "painting") == set()


@pytest.mark.parametrize(
    ("operation", "away_m", "way"),
    [("painting", 0.4, "beside"), ("painting", -0.1, "under"), ("digging", 0.4, "undermined"),
     ("digging", -0.1, "undermined"), ("resetting", 1.0, "below")],
)  # fmt: skip
def test_way_of_the_harm(operation, away_m, way):
    """Under the rail, beside it, undermined by a cut, or below what is lifted."""
    made = expose(make_stones(beside("S1", away_m)), work=make_work(("1", operation, "*")))
    assert made["exposure"].query("operation == @operation")["way"].tolist() == [way]


def test_converter_comes_before_every_other_harm():
    """What cannot be undone ranks first, however unlikely and however hard the stone."""
    stones = make_stones(
        beside("granite", 0.6 + 0.22, sigma_h_m=0.1, stone_type="polished granite"),
        beside("marble", 0.31),
    )
    work = make_work(
        ("1", "converter brushed", "*"), ("1", "lead work", "*"), ("1", "painting", "*")
    )
    ranked = expose(stones, work=work)["exposure"].query("phase == '1'")
    operations = ranked.sort_values("rank")["operation"].tolist()
    assert operations[:2] == ["converter brushed"] * 2
    assert set(operations[2:]) == {"lead work", "painting"}


def test_rank_is_severity_times_probability_then_distance():
    """Within an operation: marble before slate, near before far; ranks are 1 to n in each phase."""
    stones = make_stones(
        beside("far", 0.5), beside("near", 0.35), beside("slate", 0.31, stone_type="slate"),
        beside("doubtful", 0.65, sigma_h_m=0.1),
    )  # fmt: skip
    made = expose(stones, work=make_work(("1", "painting", "*"), ("2", "painting", "*")))[
        "exposure"
    ]
    for phase in ("1", "2"):
        ranked = made[made["phase"] == phase].sort_values("rank")
        assert ranked["rank"].tolist() == [1, 2, 3, 4]
        # 0.7 x 1, 0.7 x 1, 0.7 x 0.7 = 0.49, 0.7 x Phi(-0.5) = 0.7 x 0.3085 = 0.216
        assert ranked["stone_id"].tolist() == ["near", "far", "slate", "doubtful"]


def test_standing_iron_is_asked_of_every_run_without_any_work():
    """With no work planned, stone by every run is listed for rain alone."""
    runs = make_runs(("R1", [(0, 0), (10, 0)], {}), ("R2", [(0, 9), (10, 9)], {}))
    stones = make_stones(beside("S1", 0.2), ("S2", (4, 9.1, 4.4, 9.3), {}))
    made = expose(stones, runs=runs)["exposure"]
    assert set(zip(made["stone_id"], made["run_id"], made["phase"], strict=True)) == {
        ("S1", "R1", "standing"), ("S2", "R2", "standing"),
    }  # fmt: skip


def test_only_the_runs_that_are_worked_on_count():
    """Stone by another run is not listed for work on the first."""
    runs = make_runs(("R1", [(0, 0), (10, 0)], {}), ("R2", [(0, 9), (10, 9)], {}))
    stones = make_stones(beside("S1", 0.4), ("S2", (4, 9.1, 4.4, 9.3), {}))
    made = expose(stones, runs=runs, work=make_work(("1", "painting", "R1")))
    assert listed(made, "painting") == {"S1"}


def test_unknown_run_is_named_and_the_others_stand():
    """A run of `work` that is no run's becomes a row of suspect with a close name; nothing is lost."""
    made = expose(make_stones(beside("S1", 0.4)), work=make_work(("1", "painting", "R1; RI; R1")))
    assert listed(made, "painting") == {"S1"}
    doubt = made["suspect"].iloc[0]
    assert (doubt["code"], doubt["value"], doubt["source_row"]) == ("unknown-run", "RI", 2)
    assert "R1" in doubt["remedy"]


@pytest.mark.parametrize(
    ("presence", "there"),
    [
        ("missing", False),
        ("in store", False),
        ("absent by design", False),
        ("loose on site", True),
        ("unknown", True),
        (None, True),
    ],
)
def test_stone_that_is_gone_is_not_listed(presence, there):
    """Missing and stored stone is not listed; stone of unknown whereabouts is."""
    made = expose(make_stones(beside("S1", 0.2, presence=presence)))
    assert (listed(made, "standing") == {"S1"}) is there


def test_recorded_curb_outweighs_coordinates():
    """A curb recorded as carrying a run is listed for it though its coordinates lie 4 m away."""
    curbs = make_curbs(beside("C1", 4.0, run_id="R1"), beside("C2", 4.0))
    made = expose(make_stones(), curbs=curbs, work=make_work(("1", "painting", "*")), search_m=3.0)[
        "exposure"
    ]
    row = made.query("operation == 'painting'").iloc[0]
    assert (row["stone_id"], row["way"], row["in_reach_probability"]) == ("C1", "under", 1.0)
    assert row["distance_m"] == pytest.approx(4.0)
    assert "4.00 m" in row["because"]
    assert len(made.query("operation == 'painting'")) == 1


def test_unknown_position_counts_as_a_phones():
    """Stone without a standard deviation at 11 m: Phi((0.6 - 11) / 5) = Phi(-2.08) = 0.0188."""
    made = expose(
        make_stones(beside("S1", 11.0, sigma_h_m=None)), work=make_work(("1", "painting", "*"))
    )
    row = made["exposure"].query("operation == 'painting'").iloc[0]
    assert row["in_reach_probability"] == pytest.approx(0.0188, abs=5e-5)


def test_search_that_was_too_short_is_refused():
    """Stone within reach that was never looked for stops the run and says how far to search."""
    stones = make_stones(beside("S1", 1.2), beside("S2", 0.2))
    work = make_work(("1", "washing", "*"))
    with pytest.raises(PipelineError, match=r"stone S1 and run R1.*up to 5\.00 m.*at least 5\.0 m"):
        expose(stones, work=work, search_m=1.0)
    expose(stones, work=work, search_m=1.3)


def test_search_counts_the_width_of_uncertain_positions():
    """Stone at 1.5 m with sigma 0.5 m must be looked for up to 0.6 + 2.326 x 0.5 = 1.76 m."""
    stones = make_stones(beside("S1", 1.5, sigma_h_m=0.5))
    # Standing iron reaches 2 m downhill; without it painting (0.6 m) is the widest.
    dry = {"operation.standing.downhill_reach_m": 0.3}
    with pytest.raises(PipelineError, match=r"up to 1\.76 m"):
        expose(stones, work=make_work(("1", "painting", "*")), search_m=1.0, practice=dry)


def test_strange_names_in_stone_reach_are_refused():
    """Pairs of stone or runs that are not there are a broken layer, not a free stone."""
    stones, curbs = make_stones(beside("S1", 0.4)), layer("curbs").empty("EPSG:32631")
    reach = make_reach(stones, curbs, ONE_RUN)
    for column in ("stone_id", "run_id"):
        broken = reach.assign(**{column: reach[column].replace({"S1": "X", "R1": "X"})})
        with pytest.raises(LayerError, match="X"):
            exposure_of_stone(
                stones, curbs, broken, ONE_RUN, make_work(), CLEAN,
                site=make_site(), survey=SURVEY, run=FakeRun(),
            )  # fmt: skip


def test_empty_grounds():
    """No stone, or no run: an empty layer, not an error."""
    nothing = layer("runs").empty("EPSG:32631")
    assert len(expose(make_stones(), work=make_work(("1", "painting", "*")))["exposure"]) == 0
    assert len(expose(make_stones(beside("S1", 0.4)), runs=nothing)["exposure"]) == 0


def test_every_row_says_why():
    """Each sentence names the distance and the rule; nothing else could tell a crew why."""
    stones = make_stones(beside("S1", 0.5), beside("S2", 0.7, sigma_h_m=0.1), beside("S3", 0.2))
    made = expose(
        stones, work=make_work(("1", "painting", "*")), drop_m={"S1": -1, "S2": -1, "S3": -1}
    )
    why = made["exposure"].query("operation == 'painting'").set_index("stone_id")["because"]
    assert why["S1"] == "0.50 m from the iron, within reach (0.60 m)"
    assert why["S2"].startswith(
        "0.70 m from the iron, beyond reach (0.60 m), but known to 0.10 m only: 16 %"
    )
    assert why["S3"] == "0.20 m from the iron, stone within 0.30 m of iron is always listed"


def test_stored_stone_need_not_be_searched_for():
    """Stone in store that has no pairs stops nothing; the same stone in place would."""
    work = make_work(("1", "washing", "*"))
    expose(make_stones(beside("S1", 1.2, presence="in store")), work=work, search_m=1.0)
    with pytest.raises(PipelineError):
        expose(make_stones(beside("S1", 1.2, presence="in place")), work=work, search_m=1.0)


def test_recorded_run_is_named_before_one_that_coordinates_favour():
    """A curb that lies across R1 but is recorded as carrying R2 is listed for R2."""
    runs = make_runs(("R1", [(0, 0), (10, 0)], {}), ("R2", [(0, 0.3), (10, 0.3)], {}))
    curbs = make_curbs(("C1", (2, -0.1, 4, 0.1), {"run_id": "R2"}))
    row = expose(make_stones(), curbs=curbs, runs=runs)["exposure"].iloc[0]
    assert (row["run_id"], row["because"]) == (
        "R2",
        "Recorded as carrying run R2, though its coordinates lie 0.20 m away",
    )
