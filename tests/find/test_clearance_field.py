"""Errors along runs: against dense algebra, numeric integration and sampling."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm, truncnorm

from fencemap.find import clearance_field as fields
from fencemap.find.clearance_field import Learned, Observed, Place, Prior, estimate, learn


def place(counts=(30, 20), features=1, seed=0):
    """Steps of two runs, with a constant and random features."""
    rng = np.random.default_rng(seed)
    station = np.concatenate([np.linspace(0, 3, count) for count in counts])
    made = np.column_stack([np.ones(len(station)), rng.normal(size=(len(station), features - 1))])
    return Place(
        station, np.concatenate([[0], np.cumsum(counts)]), made, rng.uniform(0, 0.01, len(station))
    )


def numbers(where, cells, values, noise=0.005):
    """Exact readings of the error."""
    values = np.asarray(values, float)
    count = len(values)
    cells = np.asarray(cells)
    return Observed(
        cells,
        values,
        values,
        np.full(count, noise),
        cells // 10,
        where.features[cells],
        np.ones(count, bool),
    )


def between(where, cells, low, high, noise=0.005):
    """Interval readings."""
    made = numbers(where, cells, np.zeros(len(cells)), noise)
    return Observed(
        made.cell,
        np.asarray(low, float),
        np.asarray(high, float),
        *(getattr(made, name) for name in ("noise_m", "bay", "features", "trusted")),
    )


PRIOR = Prior(np.array([0.03, 0.5]), 0.02, 0.03, 0.004, length_m=1.0)


def dense(where, observed, learned, prior):
    """The same answer from whole covariance matrices, weights being one more normal unknown."""
    run = np.repeat(np.arange(len(where.first) - 1), np.diff(where.first))
    apart = np.abs(where.station_m[:, None] - where.station_m)
    amplitude = np.hypot(learned.along_m, where.doubt_m)
    whole = (run[:, None] == run) * (
        learned.run_m**2 + np.outer(amplitude, amplitude) * np.exp(-apart / learned.length_m)
    )
    whole = whole + where.features @ np.diag(prior.weights_sd**2) @ where.features.T
    cell = observed.cell
    inner = whole[np.ix_(cell, cell)] + np.diag(learned.site_variance + learned.white_m**2)
    gain = np.linalg.solve(inner, whole[cell]).T
    mean = gain @ learned.site_value
    return mean, np.sqrt(np.diag(whole - gain @ whole[cell]) + learned.white_m**2)


def test_the_estimate_equals_dense_universal_kriging():
    """Mean and sigma at every step equal those of the dense process with normal weights, to 1e-9 m."""
    rng = np.random.default_rng(2)
    where = place(features=2)
    cells = np.sort(rng.choice(50, 12, replace=False))
    observed = numbers(where, cells, rng.normal(0.02, 0.03, 12))
    learned = learn(where, observed, prior=PRIOR)
    found = estimate(where, observed, learned)
    mean, sigma = dense(where, observed, learned, PRIOR)
    assert np.abs(found.mean_m - mean).max() < 1e-9
    assert np.abs(found.sigma_m - learned.inflation * sigma).max() < 1e-9


def test_nothing_read_leaves_the_prior():
    """Without readings the sizes are those promised, and sigma is put together from them by hand."""
    where = place(features=2)
    nothing = numbers(where, np.empty(0, int), [])
    learned = learn(where, nothing, prior=PRIOR)
    assert (learned.run_m, learned.along_m, learned.length_m) == pytest.approx((0.02, 0.03, 1.0))
    found = estimate(where, nothing, learned)
    by_hand = np.sqrt(
        0.02**2
        + 0.03**2
        + where.doubt_m**2
        + 0.004**2
        + ((where.features * PRIOR.weights_sd) ** 2).sum(axis=1)
    )
    assert found.mean_m == pytest.approx(np.zeros(50), abs=1e-15)
    assert found.sigma_m == pytest.approx(1.1 * by_hand, rel=1e-12)


@pytest.mark.parametrize(
    ("mean", "sd", "low", "high", "noise"),
    [
        (0.0, 0.03, -np.inf, 0.0, 0.005),
        (0.06, 0.03, -np.inf, 0.0, 0.005),
        (0.02, 0.03, 0.010, 0.025, 0.003),
        (-0.05, 0.02, 0.075, 0.120, 0.01),
        (0.01, 0.05, 0.0, np.inf, 0.002),
    ],
)
def test_moments_between_two_limits(mean, sd, low, high, noise):
    """Mean and variance of a normal known to lie, with noise, between limits equal numeric integration."""

    def weight(x):
        inside = norm.cdf((high - x) / noise) - norm.cdf((low - x) / noise)
        return norm.pdf(x, mean, sd) * inside

    edges = [edge for edge in (low, high) if np.isfinite(edge)]
    span = (min([mean - 9 * sd, *edges]) - 0.1, max([mean + 9 * sd, *edges]) + 0.1)
    mass, first, second = (
        quad(lambda x, k=k: x**k * weight(x), *span, points=[mean, *edges], limit=400)[0]
        for k in range(3)
    )
    known = first / mass
    found = fields._within(*(np.array([v]) for v in (mean, sd**2, low, high, noise**2)))
    assert found[0][0] == pytest.approx(known, abs=1e-6)
    assert np.sqrt(found[1][0]) == pytest.approx(np.sqrt(second / mass - known**2), rel=1e-3)


def test_moments_agree_with_the_library_without_noise():
    """With next to no noise the moments are those of scipy's truncated normal."""
    known = truncnorm((0.01 - 0.02) / 0.03, (0.03 - 0.02) / 0.03, loc=0.02, scale=0.03)
    found = fields._within(*(np.array([v]) for v in (0.02, 0.03**2, 0.01, 0.03, 1e-12)))
    assert found[0][0] == pytest.approx(known.mean(), abs=1e-6)
    assert found[1][0] == pytest.approx(known.var(), rel=1e-4)


def test_words_agree_with_sampling():
    """With "buried" at three places and a number at a fourth, mean and sigma agree with rejection sampling.

    Errors are drawn from the prior, kept when all readings hold, and weighted by
    the number; 2 % of sigma is what the propagation of words may cost.
    """
    where = place(counts=(12,), features=1)
    prior = Prior(np.array([0.03]), 0.02, 0.03, 0.004, length_m=1.0)
    words = between(where, [2, 5, 9], [0.02, 0.0, 0.01], [np.inf] * 3)
    number = numbers(where, [7], [0.03])
    joined = {
        name: np.concatenate([getattr(words, name), getattr(number, name)])
        for name in Observed.__slots__
    }
    order = np.argsort(joined["cell"])
    observed = Observed(**{name: part[order] for name, part in joined.items()})
    size = np.log([prior.run_m, prior.along_m, prior.white_m, prior.length_m])
    exact = observed.low == observed.high
    read = fields._only_read(where, observed, exact)
    start = np.where(exact, observed.low, 0.0), np.where(exact, observed.noise_m**2, fields._OPEN)
    value, variance = fields._propagate(size, read, *start, prior)
    weights, covariance = fields._weights(size, read, value, variance, prior)
    learned = Learned(0.02, 0.03, 0.004, 1.0, weights, covariance, 1.0, 0, value, variance)
    found = estimate(where, observed, learned)

    rng = np.random.default_rng(5)
    apart = np.abs(where.station_m[:, None] - where.station_m)
    amplitude = np.hypot(0.03, where.doubt_m)
    whole = (
        0.02**2 + 0.03**2 + np.outer(amplitude, amplitude) * np.exp(-apart)
    )  # run, weight, along
    draws = rng.multivariate_normal(np.zeros(12), whole, size=1_500_000)
    noisy = draws[:, [2, 5, 9]] + rng.normal(0, np.hypot(0.005, 0.004), (len(draws), 3))
    kept = draws[(noisy >= [0.02, 0.0, 0.01]).all(axis=1)]
    weight = norm.pdf(0.03, kept[:, 7], np.hypot(0.005, 0.004))
    mean = np.average(kept, weights=weight, axis=0)
    sd = np.sqrt(np.average((kept - mean) ** 2, weights=weight, axis=0) + 0.004**2)
    assert np.abs(found.sigma_m / sd - 1.0).max() < 0.02
    assert np.abs(found.mean_m - mean).max() < 0.02 * sd.min()


def test_weights_are_learned():
    """A feature that explains the error is found, with a standard deviation that holds the truth."""
    rng = np.random.default_rng(7)
    counts = [60] * 20
    where = place(counts=counts, features=2, seed=7)
    run = np.repeat(np.arange(20), 60)
    truth = 0.6 * where.features[:, 1] * 0.05 + rng.normal(0, 0.015, 20)[run]
    where = Place(where.station_m, where.first, where.features * (1.0, 0.05), np.zeros(1200))
    cells = np.sort(rng.choice(1200, 200, replace=False))
    observed = numbers(where, cells, truth[cells] + rng.normal(0, 0.005, 200))
    learned = learn(where, observed, prior=PRIOR)
    spread = np.sqrt(learned.covariance[1, 1])
    assert abs(learned.weights[1] - 0.6) < 3 * spread < 0.1
    assert learned.run_m == pytest.approx(0.015, rel=0.5)


def test_sizes_are_learned_through_words_as_well():
    """From words alone ("at least so much") the sizes don't run away from what instruments promise."""
    where = place(counts=(30, 30, 30), features=1)
    prior = Prior(np.array([0.03]), 0.02, 0.03, 0.004)
    cells = np.arange(2, 90, 6)
    learned = learn(
        where, between(where, cells, [0.0] * len(cells), [np.inf] * len(cells)), prior=prior
    )
    assert 0.01 < learned.along_m < 0.06
    assert 0.01 < learned.run_m < 0.04


def test_sigma_is_inflated_by_what_held_out_bays_show():
    """Readings that jump from bay to bay more than promised widen sigma; quiet ones never narrow it."""
    where = place(counts=(200,), features=1)
    prior = Prior(np.array([0.01]), 0.005, 0.005, 0.002, widths=(0.01, 0.01, 0.01, 0.01))
    cells = np.arange(5, 200, 10)
    wild = learn(where, numbers(where, cells, 0.05 * (-1.0) ** np.arange(20)), prior=prior)
    quiet = learn(where, numbers(where, cells, np.zeros(20)), prior=prior)
    assert wild.tested_bays == 20
    assert wild.inflation > 2.0
    assert quiet.inflation == pytest.approx(1.0 + 1.0 / np.sqrt(40.0))


def test_few_bays_are_no_test():
    """Three bays with readings test nothing; sigma keeps the general widening."""
    where = place(counts=(30,), features=1)
    learned = learn(
        where,
        numbers(where, [5, 15, 25], [0.5, -0.5, 0.5]),
        prior=Prior(np.array([0.01]), 0.005, 0.005, 0.002),
    )
    assert (learned.tested_bays, learned.inflation) == (3, 1.1)
