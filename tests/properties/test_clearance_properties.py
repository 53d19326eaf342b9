"""What must not change clearance, and what it may never do."""

from __future__ import annotations

import os

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st
from rails import Ground, along, clearance, fence, survey

from fencemap.find.clearance_verdict import verdicts

# Each example fits a whole survey; tests/long.sh has the time for more.
_FEW = settings(max_examples=int(os.environ.get("FENCEMAP_EXAMPLES", "4")))


def bumps(seed):
    """Smooth ground with banks, drawn from a seed."""
    rng = np.random.default_rng(seed)
    wave = rng.uniform(0.2, 1.5, (4, 2)) * rng.choice([-1, 1], (4, 2))
    phase, size = rng.uniform(0, 6.28, 4), rng.uniform(0.005, 0.04, 4)

    def height(east, north):
        made = 50.0 + 0.02 * east - 0.03 * north
        for (a, b), start, much in zip(wave, phase, size, strict=True):
            made = made + much * np.sin(a * east + b * north + start)
        return made

    return height


def case(seed, *, count=7, gaps=True):
    """A bent fence with levels and a few readings, drawn from a seed."""
    rng = np.random.default_rng(seed)
    turn = np.cumsum(rng.normal(0, 0.25, count - 1))
    way = 2.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    posts = np.vstack([[0, 0], np.cumsum(way, axis=0)])
    ground = bumps(seed)
    rail = [float(ground(e, n)) + 0.06 + float(rng.normal(0, 0.01)) for e, n in posts]
    bays = rng.choice(count - 1, 4, replace=False)
    read = [(int(k), float(rng.uniform(0.3, 1.7)), float(rng.uniform(20, 90))) for k in bays]
    return (
        posts,
        rail,
        [
            {"panel_id": f"R-N{k + 1}", "run_id": None, "station_m": s, "gap": g, "sigma_mm": 5.0}
            for k, s, g in read
        ]
        if gaps
        else [],
    )


def found(posts, rail, gaps, ground, **more):
    """Clearance along one fence."""
    layers = survey(
        fence([(float(e), float(n)) for e, n in posts], rail, sigma_v_m=0.01), gaps=gaps
    )
    return along(clearance(layers, ground, **more))


def alike(one, other, *, gap_mm=0.05, chance=2e-3):
    """Whether two answers are the same but for rounding."""
    assert len(one) == len(other)
    assert np.abs(one["gap_mm"].to_numpy() - other["gap_mm"].to_numpy()).max() < gap_mm
    assert np.abs(one["sigma_mm"].to_numpy() - other["sigma_mm"].to_numpy()).max() < gap_mm
    differ = one["contact_probability"].to_numpy() - other["contact_probability"].to_numpy()
    assert np.abs(differ).max() < chance


class Turned:
    """A ground model turned by a quarter about the site's corner, cell by cell."""

    def __init__(self, height):
        self.inner = Ground(lambda east, north: height(north, -east))
        self.grid, self.origin = self.inner.grid, "turned"

    def read(self, window):
        """Heights of the turned ground."""
        return self.inner.read(window)


@_FEW
@given(seed=st.integers(0, 10_000))
def test_a_quarter_turn_changes_nothing(seed):
    """The same ground and fence, turned by 90 degrees, have the same gaps."""
    posts, rail, gaps = case(seed)
    turned = np.column_stack([-posts[:, 1], posts[:, 0]])
    alike(
        found(posts, rail, gaps, Ground(bumps(seed))),
        found(turned, rail, gaps, Turned(bumps(seed))),
    )


@_FEW
@given(seed=st.integers(0, 10_000), east=st.integers(-60, 60), north=st.integers(-60, 60))
def test_a_shift_changes_nothing(seed, east, north):
    """Moved by whole cells, ground and fence have the same gaps."""
    posts, rail, gaps = case(seed)
    e, n = 0.05 * east, 0.05 * north
    height = bumps(seed)
    moved = Ground(lambda x, y: height(x - e, y - n))
    alike(
        found(posts, rail, gaps, Ground(height)), found(posts + np.array([e, n]), rail, gaps, moved)
    )


@_FEW
@given(seed=st.integers(0, 10_000), metres=st.floats(-30, 30))
def test_another_bench_mark_changes_nothing(seed, metres):
    """Rail and ground raised alike have the same gaps."""
    posts, rail, gaps = case(seed)
    height = bumps(seed)
    raised = Ground(lambda x, y: height(x, y) + metres)
    alike(
        found(posts, rail, gaps, Ground(height)),
        found(posts, [z + metres for z in rail], gaps, raised),
        gap_mm=0.2,
        chance=5e-3,
    )


@_FEW
@given(seed=st.integers(0, 10_000))
def test_walking_the_other_way_changes_nothing(seed):
    """A run numbered from its other end has the same gaps at the same places, sides changed."""
    posts, rail, gaps = case(seed)
    count = len(posts)
    legs = np.hypot(*np.diff(posts, axis=0).T)
    back = []
    for gap in gaps:
        k = int(gap["panel_id"].removeprefix("R-N"))
        back.append(
            gap
            | {"panel_id": f"R-N{count - k}", "station_m": float(legs[k - 1]) - gap["station_m"]}
        )
    ahead = found(posts, rail, gaps, Ground(bumps(seed)))
    there = found(posts[::-1], rail[::-1], back, Ground(bumps(seed)))
    turned = there.iloc[::-1].reset_index(drop=True)
    alike(ahead, turned, gap_mm=0.3, chance=1e-2)
    assert np.allclose(ahead["ground_left_m"], turned["ground_right_m"], atol=1e-6)


@_FEW
@given(seed=st.integers(0, 10_000), order=st.randoms(use_true_random=False))
def test_row_order_changes_nothing(seed, order):
    """Shuffled rows of every layer give the same rows out, to the last digit but the fit's."""
    posts, rail, gaps = case(seed)
    layers = survey(
        fence([(float(e), float(n)) for e, n in posts], rail, sigma_v_m=0.01), gaps=gaps
    )

    def shuffled(frame):
        rows = list(range(len(frame)))
        order.shuffle(rows)
        return frame.iloc[rows]

    one = along(clearance(layers, Ground(bumps(seed))))
    other = along(
        clearance({name: shuffled(frame) for name, frame in layers.items()}, Ground(bumps(seed)))
    )
    assert one["uid"].tolist() == other["uid"].tolist()
    alike(one, other, gap_mm=0.01, chance=1e-4)


@_FEW
@given(seed=st.integers(0, 10_000), more=st.floats(0.001, 0.2))
def test_more_ground_is_never_less_contact(seed, more):
    """Where the model's ground lies higher all along, no step is less likely to touch."""
    posts, rail, _ = case(seed, gaps=False)
    height = bumps(seed)
    before = found(posts, rail, [], Ground(height))
    after = found(posts, rail, [], Ground(lambda x, y: height(x, y) + more))
    assert (after["contact_probability"] >= before["contact_probability"] - 1e-6).all()
    assert (after["gap_mm"] <= before["gap_mm"] + 1e-3).all()


@_FEW
@given(seed=st.integers(0, 10_000), low=st.floats(0.5, 5.0), width=st.floats(2.2, 5.0))
def test_what_was_not_seen_is_never_clear(seed, low, width):
    """Wherever no cell within reach was seen the verdict is "not seen", without a number."""
    posts, rail, gaps = case(seed)
    height = bumps(seed)
    # No fence of these bends as far as to leave a band that is cut out across its beginning.
    blind = Ground(lambda x, y: np.where((x > low) & (x < low + width), np.nan, height(x, y)))
    answer = found(posts, rail, gaps, blind)
    import shapely

    middle = shapely.get_coordinates(shapely.centroid(answer.geometry.to_numpy()))[:, 0] - 500_000.0
    deep = (middle > low + 1.0) & (middle < low + width - 1.0)
    assert set(answer["contact"][deep]) <= {"not seen"}
    assert answer["contact_probability"][deep].isna().all()
    unseen = answer["contact"] == "not seen"
    assert answer["contact_probability"].isna().equals(unseen)


@given(
    chances=st.lists(st.floats(0, 1), min_size=1, max_size=60),
    certain=st.floats(0.6, 0.99),
    budget=st.floats(0, 5),
)
def test_the_budget_is_never_overdrawn(chances, certain, budget):
    """Metres called clear never hold more expected contact than the budget, and none is less likely than one left out."""
    contact = np.array(chances)
    length = np.full(len(contact), 0.05)
    yes = np.ones(len(contact), bool)
    found = pd.Series(
        verdicts(
            contact, length, rail=yes, seen=yes, stone=~yes, certain=certain, budget_pct=budget
        )
    )
    clear = (found == "clear").to_numpy()
    assert (contact * length)[clear].sum() <= budget / 100 * length.sum() * (1 + 1e-9)
    if clear.any() and (~clear).any():
        assert contact[clear].max() < contact[~clear].min()
    assert (found[contact >= certain] == "in contact").all()
