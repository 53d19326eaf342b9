"""From errors to answers: the lower of two gaps, and the verdict by a budget of risk."""

from __future__ import annotations

import numpy as np
import pytest

from fencemap.find.clearance_verdict import lower_of, single, verdicts


def called(contact, *, length=1.0, rail=None, seen=None, stone=None, certain=0.9, budget=0.5):
    """Verdicts of steps that all have a rail and were seen unless said otherwise."""
    contact = np.asarray(contact, float)
    yes, no = np.ones(len(contact), bool), np.zeros(len(contact), bool)
    return verdicts(
        contact, np.full(len(contact), length), rail=yes if rail is None else rail,
        seen=yes if seen is None else seen, stone=no if stone is None else stone,
        certain=certain, budget_pct=budget,
    ).tolist()  # fmt: skip


@pytest.mark.parametrize(
    ("gap_cm", "sigma_cm", "probability"),
    [
        (0, 1, 0.98),
        (0, 2, 0.84),
        (0, 3, 0.75),
        (0, 5, 0.66),
        (5, 2, 0.07),
        (5, 3, 0.16),
        (5, 5, 0.27),
        (10, 5, 0.05),
    ],
)
def test_probability_of_contact_by_hand(gap_cm, sigma_cm, probability):
    """For a contact gap of 2 cm the probabilities are those of a table of the normal distribution."""
    found = single(np.array([gap_cm / 100]), np.array([sigma_cm / 100]), contact_m=0.02)
    assert found.contact[0] == pytest.approx(probability, abs=0.006)


@pytest.mark.parametrize(
    ("soil", "stone", "rail"),
    [
        ((0.06, 0.02), (0.05, 0.01), 0.005),
        ((0.03, 0.03), (0.03, 0.02), 0.015),
        ((0.15, 0.02), (0.01, 0.01), 0.0),
    ],
)
def test_the_lower_gap_agrees_with_drawing(soil, stone, rail):
    """Mean, sigma and probability of the lower of two gaps that share the rail's error agree with drawing a million."""
    rng = np.random.default_rng(1)
    common = rng.normal(0, rail, 1_000_000)
    parts = [
        m + common + rng.normal(0, np.sqrt(s**2 - rail**2), 1_000_000) for m, s in (soil, stone)
    ]
    low = np.minimum(*parts)
    gaps = [single(np.array([m]), np.array([s]), contact_m=0.02) for m, s in (soil, stone)]
    found = lower_of(*gaps, rail_sigma_m=np.array([rail]), contact_m=0.02)
    assert found.mean_m[0] == pytest.approx(low.mean(), abs=1e-4)
    assert found.sigma_m[0] == pytest.approx(low.std(), abs=1e-4)
    assert found.contact[0] == pytest.approx((low <= 0.02).mean(), abs=2e-3)


def test_the_budget_is_spent_in_order_of_probability():
    """Of 100 m with a budget of 0.5 m, steps of 0, 0.1, 0.2 ... % are called clear until their sum reaches it."""
    contact = np.arange(100) / 1000.0
    found = called(contact)
    spent = np.cumsum(contact)
    known = int((spent <= 0.5).sum())  # by hand: 0 + 0.001 + ... + 0.031 = 0.496
    assert known == 32
    assert found == ["clear"] * 32 + ["undecided"] * 68


def test_equal_probabilities_go_together():
    """When the budget ends within steps of one probability none of them is called clear."""
    assert (
        called([0.0, 0.0, 0.09, 0.09, 0.09], budget=4.0) == ["clear", "clear"] + ["undecided"] * 3
    )
    assert called([0.0, 0.0, 0.09, 0.09, 0.09], budget=6.0) == ["clear"] * 5


def test_a_wide_budget_does_not_make_doubt_clear():
    """However much may be risked, nothing above 1 - certain is called clear."""
    assert called([0.05, 0.11, 0.5], budget=100.0) == ["clear", "undecided", "undecided"]


def test_contact_from_the_limit_on():
    """From the certain probability on a rail is in contact, over stone if stone lies there."""
    stone = np.array([False, True, False])
    assert called([0.9, 0.95, 0.899], stone=stone) == ["in contact", "over stone", "undecided"]


def test_not_seen_and_no_rail_go_before_numbers():
    """Steps not seen and steps without a rail are called so, and spend none of the budget."""
    rail, seen = np.array([True, True, False]), np.array([True, False, True])
    contact = np.array([0.004, np.nan, np.nan])
    assert called(contact, rail=rail, seen=seen) == ["clear", "not seen", "no rail"]
    # 0.5 % of the one metre that was seen: 0.006 m would be too much.
    assert called([0.006, np.nan, np.nan], rail=rail, seen=seen)[0] == "undecided"


def test_long_steps_spend_more():
    """The budget is metres: one step of ten metres spends what ten of one metre do."""
    contact, length = np.array([0.01, 0.05]), np.array([90.0, 10.0])
    yes = np.ones(2, bool)
    for budget, known in (
        (0.89, ["undecided", "undecided"]),
        (0.9, ["clear", "undecided"]),
        (1.4, ["clear", "clear"]),
    ):
        found = verdicts(
            contact, length, rail=yes, seen=yes, stone=~yes, certain=0.9, budget_pct=budget
        )
        assert found.tolist() == known


def test_nothing_to_judge():
    """No steps, or none that was seen, are no error."""
    assert called([]) == []
    assert called([np.nan], seen=np.array([False])) == ["not seen"]
