"""The smoother along runs against the dense Gaussian process, and chains against dense algebra."""

from __future__ import annotations

import numpy as np
import pytest

from fencemap.kernels.chain import solve_chain
from fencemap.kernels.markov import Chain, Readings, smooth, weighted_products


def _case(seed: int = 0):
    """Three runs (one of a single step) with twenty readings of three columns."""
    rng = np.random.default_rng(seed)
    counts = [40, 1, 25]
    station = np.concatenate([np.sort(rng.uniform(0, 6, count)) for count in counts])
    first = np.concatenate([[0], np.cumsum(counts)])
    chain = Chain(station, first, rng.uniform(0.01, 0.05, len(station)), 0.03, 1.3)
    cell = np.sort(rng.choice(len(station), 20))
    cell[5] = cell[4]  # two readings of one step
    readings = Readings(cell, rng.normal(0, 0.05, (20, 3)), rng.uniform(1e-6, 1e-3, 20))
    return chain, readings, np.repeat([0, 1, 2], counts)


def _covariance(chain, run):
    """Covariance of the unknown between all steps, written down from the model."""
    apart = np.abs(chain.station_m[:, None] - chain.station_m)
    along = np.outer(chain.amplitude, chain.amplitude) * np.exp(-apart / chain.length_m)
    return (run[:, None] == run) * (chain.run_sd**2 + along)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_smoother_equals_the_dense_process(seed):
    """Mean and variance at every step are those of conditioning the whole covariance matrix."""
    chain, readings, run = _case(seed)
    whole = _covariance(chain, run)
    cell = readings.cell
    inner = whole[np.ix_(cell, cell)] + np.diag(readings.variance)
    gain = np.linalg.solve(inner, whole[cell]).T
    mean, variance = smooth(chain, readings)
    assert np.abs(mean - gain @ readings.value).max() < 1e-12
    assert np.abs(variance - np.diag(whole - gain @ whole[cell])).max() < 1e-12


def test_products_and_determinant_equal_dense_algebra():
    """What likelihood and least squares are made of equals numpy's on the dense matrix."""
    chain, readings, run = _case()
    cell = readings.cell
    inner = _covariance(chain, run)[np.ix_(cell, cell)] + np.diag(readings.variance)
    product, logdet = weighted_products(chain, readings)
    known = readings.value.T @ np.linalg.solve(inner, readings.value)
    assert product == pytest.approx(known, rel=1e-10)
    assert logdet == pytest.approx(np.linalg.slogdet(inner)[1], abs=1e-9)


def test_without_readings_the_prior_stays():
    """A run that nobody read keeps mean 0 and its whole variance."""
    chain, _, _ = _case()
    none = Readings(np.empty(0, np.int64), np.empty((0, 1)), np.empty(0))
    mean, variance = smooth(chain, none)
    assert (mean == 0.0).all()
    assert variance == pytest.approx(chain.run_sd**2 + chain.amplitude**2, rel=1e-12)


def test_more_readings_never_raise_the_variance():
    """Each reading that is added lowers the variance at its own step and raises it nowhere."""
    chain, readings, _ = _case()
    before = smooth(chain, Readings(*(part[:0] for part in readings)))[1]
    for count in range(1, 21):
        after = smooth(chain, Readings(*(part[:count] for part in readings)))[1]
        assert (after <= before + 1e-15).all()
        assert after[readings.cell[count - 1]] < before[readings.cell[count - 1]]
        before = after


def test_exact_readings_and_no_run_bias_are_no_trouble():
    """With nothing common to a run and a reading without noise the answer stays finite and exact."""
    chain = Chain(np.arange(5.0), np.array([0, 5]), np.full(5, 0.1), 0.0, 2.0)
    exact = Readings(np.array([2]), np.array([[0.07]]), np.array([0.0]))
    mean, variance = smooth(chain, exact)
    assert mean[2, 0] == pytest.approx(0.07, abs=1e-15)
    assert variance[2] == pytest.approx(0.0, abs=1e-17)
    assert mean[0, 0] == pytest.approx(0.07 * np.exp(-1.0), abs=1e-15)  # by hand: exp(-2 m / 2 m)


def test_chain_equals_dense_solution():
    """A block chain gives the solution and the diagonal blocks of the inverse of the whole matrix."""
    rng = np.random.default_rng(1)
    blocks, size = 7, 3
    rows = rng.normal(size=(60, blocks * size))
    for row in rows:
        at = rng.integers(0, blocks - 1) * size
        row[:at] = row[at + 2 * size :] = 0.0
    whole = rows.T @ rows + np.eye(blocks * size)
    cut = whole.reshape(blocks, size, blocks, size)
    diagonal = np.array([cut[i, :, i] for i in range(blocks)])
    coupling = np.array([cut[i, :, (i + 1) % blocks] for i in range(blocks)])
    right = rng.normal(size=(blocks, size, 2))
    solution, inverse = solve_chain(diagonal, coupling, right)
    dense = np.linalg.inv(whole).reshape(blocks, size, blocks, size)
    known = np.linalg.solve(whole, right.reshape(-1, 2)).reshape(blocks, size, 2)
    assert np.abs(solution - known).max() < 1e-12
    assert np.abs(inverse - np.array([dense[i, :, i] for i in range(blocks)])).max() < 1e-12
