"""What must hold of exposure, zones, covers and ledger on any ground.

Grounds are made at random: straight and bent runs, stone of any place, size,
kind and accuracy, work of any operation. Distances are shapely's.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from small_ground import (
    EAST,
    NORTH,
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
from fencemap.plan.steps import account_for_stones, cover_stones, protect_zones
from fencemap.vocabularies import words

KINDS = [*sorted(words("stone_type")), None]
OPERATIONS = sorted(words("operation") - {"standing"})
place = st.integers(-80, 80).map(lambda tenth: tenth / 10)
sigma = st.sampled_from([0.0, 0.02, 0.1, 0.5, None])


@st.composite
def stones(draw, prefix, *, carried=False):
    """Up to six stones (or curbs) anywhere about the runs."""
    rows = []
    for number in range(draw(st.integers(0, 6))):
        west, south = draw(place), draw(place)
        size = draw(st.sampled_from([(0.4, 0.2), (1.0, 0.3), (2.0, 0.2)]))
        more = {
            "stone_type": draw(st.sampled_from(KINDS)),
            "sigma_h_m": draw(sigma),
            "presence": draw(st.sampled_from(["in place", "missing", None])),
        }
        if carried:
            more["run_id"] = draw(st.sampled_from([None, "R1", "R2", "elsewhere"]))
        rows.append((f"{prefix}{number}", (west, south, west + size[0], south + size[1]), more))
    return rows


@st.composite
def grounds(draw):
    """Runs, stone, work and heights."""
    runs = []
    for number in range(1, draw(st.integers(1, 3)) + 1):
        start, bend, end = ((draw(place), draw(place)) for _ in range(3))
        corners = list(dict.fromkeys([start, bend, end]))
        if len(corners) < 2:
            corners = [start, (start[0] + 1.0, start[1])]
        height = draw(st.sampled_from([None, 900.0, 2400.0]))
        runs.append(
            (
                f"R{number}",
                corners,
                {
                    "sigma_h_m": draw(sigma),
                    "lots": draw(st.sampled_from(["1", "2", "1;2"])),
                    "height_mm": height,
                },
            )
        )
    named = ["*", *(name for name, _, _ in runs), "R1; R9"]
    work = draw(
        st.lists(
            st.tuples(st.sampled_from("12"), st.sampled_from(OPERATIONS), st.sampled_from(named)),
            max_size=4,
        )
    )
    drops = draw(st.lists(st.sampled_from([None, -0.5, -0.01, 0.0, 0.4]), min_size=12, max_size=12))
    return runs, draw(stones("S")), draw(stones("C", carried=True)), work, drops


def build(ground):
    """Turn a ground into layers."""
    runs, stones, curbs, work, drops = ground
    names = [row[0] for row in (*stones, *curbs)]
    runs, stones, curbs = make_runs(*runs), make_stones(*stones), make_curbs(*curbs)
    drop_m = {name: drop for name, drop in zip(names, drops, strict=False) if drop is not None}
    reach = make_reach(stones, curbs, runs, search_m=80.0, drop_m=drop_m)
    return {
        "stones": stones,
        "curbs": curbs,
        "stone_reach": reach,
        "runs": runs,
        "work": make_work(*work),
        "lots": make_lots(lot_1="negative"),
    }


def expose(layers, practice=None):
    """List exposure."""
    given_ = {"site": make_site(), "survey": SURVEY, "run": FakeRun(practice)}
    return exposure_of_stone(**{"stones": None} | layers, **given_)["exposure"]


def pairs_of(exposure):
    """What is listed for what."""
    return set(
        zip(
            exposure["phase"],
            exposure["operation"],
            exposure["stone_layer"],
            exposure["stone_id"],
            strict=True,
        )
    )


@given(ground=grounds())
@settings(max_examples=25)
def test_everything_that_must_be_listed_is_and_each_once(ground):
    """Listed are all stone within reach of worked runs or within 0.3 m; every row once, ranks 1 to n a phase."""
    layers = build(ground)
    exposure = layer("exposure").check(expose(layers), crs="EPSG:32631")
    listed = pairs_of(exposure)
    assert len(listed) == len(exposure)
    for _, ranked in exposure.groupby("phase"):
        assert sorted(ranked["rank"]) == list(range(1, len(ranked) + 1))
    reach = {
        "painting": 0.6,
        "priming": 0.6,
        "converter brushed": 0.6,
        "grinding": 3.0,
        "converter sprayed": 6.0,
        "drilling": 1.0,
    }
    lines = dict(
        zip(
            layers["runs"]["run_id"],
            shapely.force_2d(np.asarray(layers["runs"].geometry)),
            strict=True,
        )
    )
    for row in layers["work"].itertuples():
        worked = (
            lines
            if row.runs == "*"
            else {name: lines[name] for name in row.runs.split("; ") if name in lines}
        )
        for name in ("stones", "curbs"):
            for thing in layers[name].itertuples():
                if thing.presence == "missing":
                    continue
                away = min(
                    (shapely.distance(thing.geometry, line) for line in worked.values()),
                    default=np.inf,
                )
                if away <= max(reach.get(row.operation, 0.0), 0.3):
                    assert (row.phase, row.operation, name, thing.element_id) in listed


@given(
    ground=grounds(), operation=st.sampled_from([*OPERATIONS, "standing"]), more=st.floats(0.0, 5.0)
)
@settings(max_examples=25)
def test_a_larger_reach_never_drops_a_stone(ground, operation, more):
    """Whatever reach grows, beside or downhill, all that was listed stays listed."""
    layers = build(ground)
    base = FakeRun().practice(f"operation.{operation}.reach_m").value
    wider = {
        f"operation.{operation}.reach_m": base + more,
        "operation.standing.downhill_reach_m": 2.0 + more,
    }
    assert pairs_of(expose(layers)) <= pairs_of(expose(layers, wider))


@given(ground=grounds(), times=st.floats(1.0, 4.0))
@settings(max_examples=25)
def test_a_larger_sigma_never_drops_a_stone(ground, times):
    """Positions known less well list more, never less."""
    layers = build(ground)
    doubtful = layers["stone_reach"].assign(sigma_m=layers["stone_reach"]["sigma_m"] * times)
    assert pairs_of(expose(layers)) <= pairs_of(expose(layers | {"stone_reach": doubtful}))


@given(ground=grounds(), seed=st.integers(0, 99))
@settings(max_examples=20)
def test_order_of_rows_changes_nothing(ground, seed):
    """Work, stone, runs and pairs in any order: the same exposure, row by row."""
    layers = build(ground)
    mixed = {
        name: frame.sample(frac=1, random_state=seed).reset_index(drop=True)
        for name, frame in layers.items()
    }
    first, second = expose(layers), expose(mixed)
    assert first.drop(columns="geometry").equals(second.drop(columns="geometry"))


@given(ground=grounds(), east=st.integers(-3000, 3000), north=st.integers(-3000, 3000))
@settings(max_examples=15)
def test_moving_the_whole_ground_changes_nothing(ground, east, north):
    """A ground moved by whole metres lists the same stone in the same order."""
    layers = build(ground)

    def moved(frame):
        if "geometry" not in frame:
            return frame
        return frame.set_geometry(frame.geometry.translate(east, north))

    there = expose({name: moved(frame) for name, frame in layers.items()})
    here = expose(layers)
    assert here["stone_id"].tolist() == there["stone_id"].tolist()
    assert here["because"].tolist() == there["because"].tolist()


@given(ground=grounds())
@settings(max_examples=20)
def test_ledger_and_zones_agree_with_exposure(ground):
    """Covered and free are all stone for each job; covered is what is listed; each zone holds its stone."""
    layers = build(ground)
    given_ = {"site": make_site(), "survey": SURVEY, "run": FakeRun()}
    exposure = expose(layers)
    parts = {
        name: layers[name] for name in ("stones", "curbs", "stone_reach", "runs", "work", "lots")
    }
    ledger = layer("stone_ledger").check(
        account_for_stones(exposure=exposure, **parts, **given_)["stone_ledger"]
    )
    count = len(layers["stones"]) + len(layers["curbs"])
    for _, lines in ledger.groupby(["phase", "operation"]):
        assert len(lines) == count
        assert not lines.duplicated(["stone_layer", "stone_id"]).any()
    covered = ledger[ledger["verdict"] == "covered"]
    assert pairs_of(covered) == pairs_of(exposure)
    del parts["stones"], parts["curbs"], parts["stone_reach"]
    zones = layer("protection_zones").check(
        protect_zones(exposure=exposure, **parts, **given_)["protection_zones"]
    )
    joined = exposure.merge(
        zones, on=["phase", "operation", "run_id"], how="left", suffixes=("", "_zone")
    )
    assert joined["geometry_zone"].notna().all()
    assert shapely.intersects(
        np.asarray(joined["geometry"]), np.asarray(joined["geometry_zone"])
    ).all()


@given(ground=grounds())
@settings(max_examples=15)
def test_every_listed_stone_of_planned_work_has_a_cover(ground):
    """One cover for each exposure row of an operation that covers, none for standing iron."""
    layers = build(ground)
    given_ = {"site": make_site(), "survey": SURVEY, "run": FakeRun()}
    exposure = expose(layers)
    parts = {name: layers[name] for name in ("stones", "curbs", "runs", "work", "lots")}
    covers = layer("covers").check(
        cover_stones(exposure=exposure, **parts, **given_)["covers"], crs="EPSG:32631"
    )
    over_stone = covers[covers["stone_id"].notna()]
    planned = exposure[exposure["operation"] != "standing"]
    key = ["phase", "operation", "stone_id"]
    assert sorted(over_stone[key].itertuples(index=False)) == sorted(
        planned[key].itertuples(index=False)
    )


@given(
    distance=st.floats(0.0, 50.0),
    sigma_m=st.floats(0.0, 10.0),
    reach=st.floats(0.0, 20.0),
    nearer=st.floats(0.0, 5.0),
)
def test_probability_grows_with_reach_and_falls_with_distance(distance, sigma_m, reach, nearer):
    """The kernel stays within 0 and 1 and is monotonic; without doubt it is yes or no."""
    from fencemap.kernels.reach import probability_in_reach

    def chance(d, s, r):
        return float(probability_in_reach(np.array([d]), np.array([s]), np.array([r]))[0])

    here = chance(distance, sigma_m, reach)
    assert 0.0 <= here <= 1.0
    assert chance(distance, sigma_m, reach + nearer) >= here
    assert chance(distance + nearer, sigma_m, reach) <= here
    assert chance(distance, 0.0, reach) == float(distance <= reach)


@given(
    angle=st.floats(0, 6.28),
    sigma_m=st.floats(0.05, 0.5),
    reach=st.floats(0.1, 1.0),
    away=st.floats(0.0, 1.0),
)
@settings(max_examples=15)
def test_probability_is_never_below_what_chance_shows(angle, sigma_m, reach, away):
    """Stones thrown about at random lie in reach no more often than the figure says (4 sigma of counting)."""
    from fencemap.kernels.reach import probability_in_reach

    rng = np.random.default_rng(7)
    count = 4000
    line = shapely.LineString([(0, 0), (2 * np.cos(angle), 2 * np.sin(angle))])
    stone = shapely.box(EAST * 0 + 3.0, NORTH * 0, 3.4, 0.2)
    apart = shapely.distance(line, stone)
    if apart == 0.0:
        return
    errors = rng.normal(0.0, sigma_m, (count, 2))
    thrown = shapely.box(3.0 + errors[:, 0], errors[:, 1], 3.4 + errors[:, 0], 0.2 + errors[:, 1])
    reach_m = apart + away - reach / 2
    inside = float((shapely.distance(thrown, line) <= reach_m).mean())
    said = float(
        probability_in_reach(np.array([apart]), np.array([sigma_m]), np.array([max(reach_m, 0.0)]))[
            0
        ]
    )
    assert inside <= said + 4 * np.sqrt(max(said * (1 - said), 1e-3) / count)


def test_kernel_is_the_same_uncompiled():
    """The plain Python of the kernels gives what the compiled code gives."""
    from fencemap.kernels import reach

    rng = np.random.default_rng(3)
    d, s, r = rng.uniform(0, 3, 500), rng.choice([0.0, 0.1, 1.0], 500), rng.uniform(0, 3, 500)
    thing = rng.integers(0, 60, 500)
    compiled = reach.probability_in_reach(d, s, r)
    plain = getattr(reach.probability_in_reach, "py_func", reach.probability_in_reach)(d, s, r)
    assert compiled == pytest.approx(plain, abs=1e-15)
    best = reach.most_likely(thing, compiled, d, 70)
    slow = getattr(reach.most_likely, "py_func", reach.most_likely)(thing, compiled, d, 70)
    assert best.tolist() == slow.tolist()
    for one in range(70):  # against a sort by hand
        rows = np.flatnonzero(thing == one)
        expected = min(rows, key=lambda row: (-compiled[row], d[row], row), default=-1)
        assert best[one] == expected
