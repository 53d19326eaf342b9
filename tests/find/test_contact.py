"""Stretches of one verdict, and the probability that any of one touches."""

from __future__ import annotations

import numpy as np
import pytest
from rails import SITE
from scipy.stats import norm
from small_ground import EAST, NORTH, SURVEY, frame

from fencemap.find.contact import any_contact
from fencemap.find.steps import contact_stretches
from fencemap.kernels.measured import measured_lines
from fencemap.layers import layer


def steps(*parts):
    """Steps of 0.5 m from (bay, verdict, surface, probability, gap), one after the other from station 0."""
    import shapely

    rows, coordinates = [], []
    for k, (bay, contact, surface, probability, gap) in enumerate(parts):
        low, high = 0.5 * k, 0.5 * k + 0.5
        rows.append({
            "run_id": "R", "bay_id": bay, "from_m": low, "to_m": high, "contact": contact, "surface": surface,
            "contact_probability": probability, "gap_mm": gap, "sigma_mm": None if gap is None else 10.0,
        })  # fmt: skip
        coordinates += [(EAST + low, NORTH, 50.0, low), (EAST + high, NORTH, 50.0, high)]
    lines = shapely.from_wkb(measured_lines(np.array(coordinates), np.full(len(rows), 2)))
    return frame("rail_clearance", rows, list(lines))


def stretches(rail_clearance, **more):
    """Run the step and prove its layer."""
    found = contact_stretches(rail_clearance, site=SITE, survey=SURVEY, **more)["soil_contact"]
    return layer("soil_contact").check(found, crs=SITE.crs)


def test_steps_of_one_verdict_are_joined_within_a_bay():
    """Five steps of two bays make three stretches with lengths, sums and least gap by hand."""
    found = stretches(
        steps(
            ("B1", "clear", "soil", 0.00, 90.0), ("B1", "clear", "soil", 0.01, 80.0),
            ("B1", "in contact", "soil", 0.95, 5.0), ("B2", "in contact", "soil", 0.99, -10.0),
            ("B2", "in contact", "soil", 0.97, -2.0),
        )
    )  # fmt: skip
    assert found[["bay_id", "contact", "from_m", "to_m"]].to_numpy().tolist() == [
        ["B1", "clear", 0.0, 1.0], ["B1", "in contact", 1.0, 1.5], ["B2", "in contact", 1.5, 2.5],
    ]  # fmt: skip
    assert found["expected_contact_m"].tolist() == pytest.approx([0.005, 0.475, 0.98], abs=1e-12)
    assert found["gap_mm"].tolist() == [85.0, 5.0, -6.0]
    assert found["least_gap_mm"].tolist() == [80.0, 5.0, -10.0]
    assert [line.length for line in found.geometry] == pytest.approx([1.0, 0.5, 1.0], abs=1e-9)


def test_surfaces_are_kept_apart():
    """Clear over stone and clear over soil are two stretches."""
    found = stretches(
        steps(("B1", "clear", "soil", 0.0, 90.0), ("B1", "clear", "stone", 0.0, 60.0))
    )
    assert found["surface"].tolist() == ["soil", "stone"]


def test_not_seen_stands_without_numbers():
    """A stretch that was not seen has its length and nothing else, least of all a probability."""
    found = stretches(
        steps(("B1", "not seen", "not seen", None, None), ("B1", "clear", "soil", 0.0, 90.0))
    )
    blind = found.iloc[0]
    assert (blind["contact"], blind["length_m"]) == ("not seen", 0.5)
    assert (
        found.iloc[[0]][
            ["expected_contact_m", "any_contact_probability", "gap_mm", "least_gap_mm", "sigma_mm"]
        ]
        .isna()
        .all(axis=None)
    )


def test_a_bay_without_a_rail_parts_what_lies_on_either_side():
    """An opening is no stretch, and rails beyond it begin a new one."""
    found = stretches(
        steps(
            ("B1", "clear", "soil", 0.0, 90.0),
            ("B1", "no rail", "not seen", None, None),
            ("B1", "clear", "soil", 0.0, 90.0),
        )
    )
    assert found[["from_m", "to_m"]].to_numpy().tolist() == [[0.0, 0.5], [1.0, 1.5]]


def test_nothing_to_join():
    """No rails, no stretches."""
    assert len(stretches(steps(("B1", "no rail", "not seen", None, None)))) == 0


def together(chance, *, correlation, shared, step=0.05):
    """Probability that any of the steps of one stretch touches."""
    chance = np.asarray(chance, float)
    station = step * (np.arange(len(chance)) + 0.5)
    return float(
        any_contact(chance, station, np.array([0]), correlation_m=correlation, shared=shared)[0]
    )


def test_errors_wholly_in_common_give_the_largest_probability():
    """When all steps share one error, any of them touches with the probability of the worst."""
    chance = [0.1, 0.3, 0.2] * 20
    assert together(chance, correlation=100.0, shared=0.5) == pytest.approx(0.3, abs=1e-6)


def test_independent_steps_give_the_product_rule():
    """With nothing in common each step has its own chance: 1 - 0.9 ** 20."""
    assert together([0.1] * 20, correlation=0.05, shared=0.0) == pytest.approx(
        1 - 0.9**20, abs=1e-12
    )


@pytest.mark.parametrize("shared", [0.3, 0.6, 0.95])
def test_shared_errors_agree_with_drawing(shared):
    """Four metres with half the error in common agree with drawing the errors a million times."""
    chance = 0.15
    found = together([chance] * 80, correlation=1.0, shared=shared)
    rng = np.random.default_rng(2)
    common = rng.normal(size=(400_000, 1))
    error = np.sqrt(shared) * common + np.sqrt(1 - shared) * rng.normal(size=(400_000, 4))
    known = (error < norm.ppf(chance)).any(axis=1).mean()
    assert found == pytest.approx(known, abs=4e-3)


def test_never_below_the_worst_step_nor_above_independence():
    """Whatever is shared, the answer lies between the worst single step and the product rule."""
    rng = np.random.default_rng(3)
    for _ in range(20):
        chance = rng.uniform(0, 0.6, 60)
        found = together(
            chance, correlation=float(rng.uniform(0.1, 2)), shared=float(rng.uniform(0, 1))
        )
        assert chance.max() - 1e-9 <= found <= 1 - np.prod(1 - chance) + 1e-9


def test_certain_steps_are_certain():
    """A step that surely touches makes its stretch touch; steps that surely don't, don't."""
    assert together([0.0, 1.0, 0.0], correlation=1.0, shared=0.5) == pytest.approx(1.0, abs=1e-9)
    assert together([0.0] * 5, correlation=1.0, shared=0.5) == pytest.approx(0.0, abs=1e-9)
