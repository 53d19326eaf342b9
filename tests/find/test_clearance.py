"""The gap under rails over ground that is known exactly."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from rails import Ground, along, clearance, fence, flat, survey
from small_ground import EAST, NORTH, make_curbs

POSTS = [(2.0 * k, 0.0) for k in range(11)]  # 20 m to the east


def ramp(east, north):
    """Ground that rises by 1 cm a metre to the east."""
    return 50.0 + 0.01 * east + 0.0 * north


def level_rail(**more):
    """A level rail at 50.10 m over 20 m."""
    return fence(POSTS, [50.10] * 11, **more)


def test_a_level_rail_over_a_ramp():
    """The gap falls from 100 mm by 10 mm a metre, so contact (20 mm) begins at 8 m: probability one half there."""
    found = along(clearance(survey(level_rail()), Ground(ramp)))
    at_posts = found[np.isclose(found["station"] % 2.0, 0.025, atol=0.03)]
    known = 100.0 - 10.0 * at_posts["station"]
    assert np.abs(at_posts["gap_mm"] - known).max() < 1.5
    crossing = np.interp(0.5, found["contact_probability"], found["station"])
    assert crossing == pytest.approx(8.0, abs=0.25)
    assert (np.diff(found["contact_probability"]) > -0.02).all()


def taped(every_m=1.0, **more):
    """Tape readings along the ramp, true to the millimetre."""
    stations = np.arange(0.5, 20.0, every_m)
    return [
        {"station_m": float(s), "gap": 100.0 - 10.0 * float(s), "sigma_mm": 1.0} | more
        for s in stations
    ]


def test_verdicts_over_a_ramp_with_tape():
    """With a reading a metre: clear up to about 5 m, in contact from about 10 m, and nothing called wrongly."""
    found = along(clearance(survey(level_rail(), gaps=taped()), Ground(ramp)))
    contact = found[found["contact"] == "in contact"]["station"]
    clear = found[found["contact"] == "clear"]["station"]
    assert 8.0 < contact.min() < 11.0
    assert clear.max() < 8.0
    assert len(contact) > 9 * 20
    assert len(clear) > 4 * 20
    # Where a tape can read (it can't below 0) no reading lies far from the truth, nor may the mean.
    off = (found["gap_mm"] - (100.0 - 10.0 * found["station"]))[found["station"] < 10.0]
    assert off.abs().max() < 4.0


def test_steps_divide_bays_evenly_and_carry_height_and_station():
    """2 m bays give 40 steps of 5 cm; each is a line at the rail's height with the station as measure."""
    found = along(clearance(survey(level_rail()), Ground(ramp)))
    assert len(found) == 400
    assert np.allclose(found["to_m"] - found["from_m"], 0.05)
    ends = shapely.get_coordinates(found.geometry.iloc[7], include_z=True, include_m=True)
    assert ends[:, 0] - EAST == pytest.approx([0.35, 0.40], abs=1e-6)
    assert ends[:, 3] == pytest.approx([0.35, 0.40], abs=1e-9)
    assert ends[:, 2] == pytest.approx([found["rail_m"].iloc[7]] * 2, abs=1e-9)
    assert len(along(clearance(survey(level_rail()), Ground(ramp), step_m=0.5))) == 40


def hole(low, high):
    """The ramp, not seen between two eastings."""
    return lambda east, north: np.where((east > low) & (east < high), np.nan, ramp(east, north))


def test_ground_not_seen_is_never_clear():
    """Over 3 m without ground the verdict is "not seen" without numbers, and the place is drawn with its length."""
    made = clearance(survey(level_rail(), gaps=taped()), Ground(hole(4.0, 7.0)))
    found = along(made)
    blind = found["contact"] == "not seen"
    # Medians reach 20 cm into the hole where half of their readings were seen.
    assert found[blind]["station"].min() == pytest.approx(4.05, abs=0.11)
    assert found[blind]["station"].max() == pytest.approx(6.95, abs=0.11)
    assert (
        found[blind][["gap_mm", "sigma_mm", "contact_probability", "ground_m"]]
        .isna()
        .all(axis=None)
    )
    assert set(found[blind]["surface"]) == {"not seen"}
    strip = made["not_seen"].iloc[0]
    assert strip["length_m"] == pytest.approx(2.9, abs=0.2)
    assert strip["why"] == "ground beside the fence"
    assert strip.geometry.contains(shapely.Point(EAST + 5.5, NORTH))


def test_no_ground_model_at_all():
    """Without a ground model every step with a rail is not seen."""
    found = along(clearance(survey(level_rail(), gaps=taped()), None))
    assert set(found["contact"]) == {"not seen"}


def test_no_rail_height_on_a_run():
    """A run whose rail nobody levelled is not seen, and the reason says so."""
    made = clearance(survey(fence(POSTS, [None] * 11)), Ground(ramp))
    assert set(along(made)["contact"]) == {"not seen"}
    assert made["not_seen"]["why"].tolist() == ["height of the bottom rail"]


def test_gates_and_gone_panels_have_no_rail():
    """A gate and a missing panel are "no rail"; a panel of unknown presence counts as there."""
    more = {
        2: {"kind": "gate"},
        4: {"presence": "missing"},
        6: {"presence": None},
        8: {"presence": "loose on site"},
    }
    found = along(clearance(survey(level_rail(panels=more)), Ground(ramp)))
    none = found[found["contact"] == "no rail"]
    assert set(none["bay_id"]) == {"R-B02", "R-B04", "R-B08"}
    assert none[["gap_mm", "rail_m"]].isna().all(axis=None)


def test_a_gate_with_levels_of_its_own_is_worked_out():
    """A gate leaf whose ends were levelled is a rail like any other."""
    own = [
        {
            "element_id": f"R-P{k}",
            "bay_id": "R-N2",
            "target": "rail underside",
            "height_m": 50.05,
            "sigma_v_m": 0.002,
        }
        for k in (2, 3)
    ]
    found = along(
        clearance(survey(level_rail(panels={2: {"kind": "gate"}}), levels=own), Ground(flat))
    )
    leaf = found[found["bay_id"] == "R-B02"]
    assert set(leaf["contact"]) != {"no rail"}
    assert leaf["rail_m"].iloc[[0, -1]].to_numpy() == pytest.approx([50.05, 50.05], abs=0.003)


def test_the_model_is_set_right_by_check_points():
    """A model that reads 5 cm too high is lowered by what 20 check points show, on which the gap then stands."""
    rng = np.random.default_rng(1)
    checks = [
        (e, n, 50.0 + 0.01 * e)
        for e, n in zip(rng.uniform(0, 20, 20), rng.uniform(-8, 8, 20), strict=True)
    ]
    high = Ground(lambda east, north: ramp(east, north) + 0.05)
    right = along(clearance(survey(level_rail(), checks=checks), high))
    wrong = along(clearance(survey(level_rail()), high))
    first, naive = right.iloc[0]["gap_mm"], wrong.iloc[0]["gap_mm"]
    assert first == pytest.approx(100.0, abs=1.5)
    assert naive == pytest.approx(50.0, abs=1.5)


def test_both_sides_are_reported():
    """A bank of 12 cm on the left shows in the ground left of the run, not in that to the right."""
    bank = Ground(lambda east, north: 50.0 + np.where(north > 0.1, 0.12, 0.0) + 0.0 * east)
    found = along(clearance(survey(level_rail()), bank))
    assert found["ground_left_m"].to_numpy() == pytest.approx(50.12, abs=1e-3)
    assert found["ground_right_m"].to_numpy() == pytest.approx(50.0, abs=1e-3)


def test_a_curb_under_the_rail_is_what_it_meets():
    """Over a curb whose top is at 50.04 m a rail at 50.10 m has 60 mm of stone below; beside it 100 mm of soil."""
    curb = make_curbs(
        ("K", (4.0, -0.12, 8.0, 0.12), {"top_m": 50.04, "sigma_v_m": 0.002, "run_id": "R"})
    )
    gaps = [{"station_m": s, "gap": 100.0, "sigma_mm": 2.0} for s in (1.0, 3.0, 9.0, 13.0, 17.0)]
    gaps += [{"station_m": s, "gap": 60.0, "sigma_mm": 2.0, "surface": "stone"} for s in (5.0, 7.0)]
    found = along(clearance(survey(level_rail(), curbs=curb, gaps=gaps), Ground(flat)))
    over = found[found["surface"] == "stone"]
    assert over["station"].min() == pytest.approx(4.0, abs=0.15)
    assert over["station"].max() == pytest.approx(8.0, abs=0.15)
    assert over["gap_mm"].iloc[len(over) // 4] == pytest.approx(60.0, abs=3.0)
    assert found[found["surface"] == "soil"]["gap_mm"].iloc[20] == pytest.approx(100.0, abs=3.0)


def test_a_rail_that_rests_on_stone_is_over_stone():
    """A rail that tape shows resting on its curb is called "over stone", never in contact with soil."""
    curb = make_curbs(
        ("K", (0.0, -0.12, 20.0, 0.12), {"top_m": 50.095, "sigma_v_m": 0.002, "run_id": "R"})
    )
    gaps = [{"station_m": 0.5 + k, "low": 0.0, "high": 5.0, "surface": "stone"} for k in range(20)]
    found = along(clearance(survey(level_rail(), curbs=curb, gaps=gaps), Ground(flat)))
    assert set(found["surface"]) == {"stone"}
    assert (found["contact"] == "over stone").mean() > 0.9
    assert "in contact" not in set(found["contact"])


def test_a_curb_sunk_below_the_soil_is_soil():
    """Where soil covers the curb the rail meets soil."""
    curb = make_curbs(
        ("K", (0.0, -0.12, 20.0, 0.12), {"top_m": 49.80, "sigma_v_m": 0.002, "run_id": "R"})
    )
    found = along(clearance(survey(level_rail(), curbs=curb), Ground(flat)))
    assert set(found["surface"]) == {"soil"}


def test_a_reading_moves_its_surroundings_and_narrows_them():
    """One reading of 40 mm where 100 mm was expected pulls the gap there, less a metre on, and less doubt remains."""
    gaps = [{"station_m": 10.0, "gap": 40.0, "sigma_mm": 2.0}]
    before = along(clearance(survey(level_rail()), Ground(flat)))
    after = along(clearance(survey(level_rail(), gaps=gaps), Ground(flat)))
    at, beside, far = (int(np.argmin(np.abs(after["station"] - s))) for s in (10.0, 11.0, 18.0))
    pulled = (before["gap_mm"] - after["gap_mm"]).to_numpy()
    assert pulled[at] > pulled[beside] > pulled[far] > 0.0
    assert (after["sigma_mm"] <= before["sigma_mm"] + 1e-9).all()
    assert after["sigma_mm"].iloc[at] < 0.6 * before["sigma_mm"].iloc[at]


def test_buried_is_contact():
    """Where a crew wrote "buried" the rail is in contact, though the model shows 30 mm of air."""
    gaps = [{"station_m": 10.0 + 0.2 * k, "low": None, "high": 0.0} for k in (-1, 0, 1)]
    layers = survey(fence(POSTS, [50.03] * 11), gaps=gaps)
    found = along(clearance(layers, Ground(flat)))
    at = found.iloc[int(np.argmin(np.abs(found["station"] - 10.0)))]
    assert at["contact"] == "in contact"
    assert at["gap_mm"] < 5.0


def test_the_contact_gap_is_the_sites():
    """A site that counts 60 mm as contact finds it at 4 m of the ramp."""
    found = along(clearance(survey(level_rail()), Ground(ramp), practice={"contact.gap_mm": 60}))
    assert np.interp(0.5, found["contact_probability"], found["station"]) == pytest.approx(
        4.0, abs=0.25
    )


def test_only_ground_along_the_fence_is_read():
    """Of a model of 60 m by 60 m no more than the strip along the fence is read."""
    ground = Ground(ramp)
    clearance(survey(level_rail()), ground)
    assert ground.cells_read < 0.06 * ground.grid.shape[0] * ground.grid.shape[1]


def test_a_fence_beyond_the_model():
    """Where the fence leaves the model it is not seen, and the rest is."""
    away = [(100.0 + 2 * k, 0.0) for k in range(3)]
    made = clearance(survey(level_rail(), fence(away, [50.1] * 3, run="far")), Ground(ramp))
    assert set(along(made, "far")["contact"]) == {"not seen"}
    assert "not seen" not in set(along(made)["contact"])


def test_no_fence_at_all():
    """Without runs the layers are there, and empty."""
    lonely = survey(fence([(0.0, 0.0)], [50.1]))
    made = clearance(lonely, Ground(flat))
    assert {name: len(found) for name, found in made.items()} == {
        "rail_clearance": 0,
        "not_seen": 0,
        "suspect": 0,
    }


def test_a_slip_of_the_pen_is_named_and_left_out():
    """A tape reading of 400 mm among forty of 100 mm is named with its row, and the gap there stays 100 mm."""
    gaps = [{"station_m": 0.25 + 0.5 * k, "gap": 100.0, "sigma_mm": 3.0} for k in range(40)]
    gaps[17]["gap"] = 400.0
    made = clearance(survey(level_rail(), gaps=gaps), Ground(flat))
    named = made["suspect"]
    assert named[["input", "code", "source_row"]].to_numpy().tolist() == [
        ["gaps", "contradicted", 17 + 2]
    ]
    found = along(made)
    at = found.iloc[int(np.argmin(np.abs(found["station"] - 8.75)))]
    assert at["gap_mm"] == pytest.approx(100.0, abs=4.0)


def test_a_level_with_a_wrong_rod_is_named():
    """A mid-bay level 20 cm too low is named with its row; the rail there stays where its ends are."""
    low = [{"element_id": "R-N5", "target": "rail underside", "height_m": 49.9, "sigma_v_m": 0.01}]
    made = clearance(survey(level_rail(), levels=low), Ground(flat))
    assert made["suspect"][["input", "element_id"]].to_numpy().tolist() == [["levels", "R-N5"]]
    found = along(made)
    assert found["rail_m"].iloc[int(np.argmin(np.abs(found["station"] - 9.0)))] == pytest.approx(
        50.095, abs=0.01
    )
