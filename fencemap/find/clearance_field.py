"""The error of the ground beside a fence, learned from readings and carried along runs.

What the plain estimate misses at a step is

    features . weights + bias of the run + correlated part + white part

with normal priors on all of it. Weights are shared by the site and estimated
by generalised least squares, their covariance goes into every answer; sizes and
correlation length come from the marginal likelihood with weak log-normal
priors; words such as "buried" are intervals, brought in by expectation
propagation. Along each run the correlated part is Markov, so all of it is
O(n) (`fencemap.kernels.markov`). Readings of one bay are then held out at a
time: standard deviations may be inflated by what that shows, never shrunk.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fencemap.find.clearance_cells import Floats, Integers
from fencemap.kernels.markov import Chain, Readings

__all__ = ["Estimate", "Learned", "Observed", "Place", "Prior", "estimate", "learn"]

_ROUNDS, _SWEEPS, _DAMPING = 3, 12, 0.7
_OPEN = 1e6  # variance of a reading that says nothing (yet)
_TESTED_BAYS = 5  # fewer held-out bays than this are no test
_UNTESTED = 1.1  # standard deviations are widened by so much where nothing tested them
_MOST_Z = 4.0
_FIRST_STEP = 0.3
_ATTEMPTS, _CONTRADICTS_Z, _MOST_CONTRADICTED = 3, 5.0, 0.05


@dataclass(frozen=True, slots=True)
class Prior:
    """What instruments promise: medians in metres, and how wide (natural log) each may be off."""

    weights_sd: Floats
    run_m: float
    along_m: float
    white_m: float
    length_m: float = 1.2
    widths: tuple[float, float, float, float] = (0.5, 0.4, 0.5, 0.35)


@dataclass(frozen=True, slots=True)
class Place:
    """Steps of all runs: stations, where runs begin, features, and extra doubt of each."""

    station_m: Floats
    first: Integers
    features: Floats
    doubt_m: Floats


@dataclass(frozen=True, slots=True)
class Observed:
    """Readings of the error: limits (equal for numbers), noise, and the bay that holds them.

    `features` are those of each reading. They may have more columns than those
    of the steps: what is wrong with one kind of reading only. `trusted` ones
    were taken at the rail itself; only they test what is predicted.
    """

    cell: Integers
    low: Floats
    high: Floats
    noise_m: Floats
    bay: Integers
    features: Floats
    trusted: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Learned:
    """Everything the readings taught: sizes, weights, and readings as Gaussian sites.

    `contradicted` lists the readings that all others speak against; they were
    left out.
    """

    run_m: float
    along_m: float
    white_m: float
    length_m: float
    weights: Floats
    covariance: Floats
    inflation: float
    tested_bays: int
    site_value: Floats
    site_variance: Floats
    contradicted: Integers = field(default_factory=lambda: np.empty(0, np.int64))


@dataclass(frozen=True, slots=True)
class Estimate:
    """Mean and standard deviation of the error at every step."""

    mean_m: Floats
    sigma_m: Floats


def learn(place: Place, observed: Observed, *, prior: Prior) -> Learned:
    """Fit sizes and weights to the readings.

    Parameters
    ----------
    place
        All steps.
    observed
        Readings, sorted by step; their features must be numbers.
    prior
        Of sizes and weights; all there is when nothing was read.

    Notes
    -----
    A reading that lies more than `_CONTRADICTS_Z` standard deviations from what
    all other bays say (a slip of the pen, a shot with a wrong rod) is left
    out, and told by name, and the fit is made again. When more than one in
    twenty does, it is not the readings that are wrong: all stay, and sigma is
    inflated.
    """
    low, high, contradicted = observed.low, observed.high, np.zeros(len(observed.cell), bool)
    for _ in range(_ATTEMPTS):
        heard = replace(
            observed,
            low=np.where(contradicted, -np.inf, low),
            high=np.where(contradicted, np.inf, high),
        )
        made, z = _learned(place, heard, prior)
        wild = np.abs(z) > _CONTRADICTS_Z
        if not wild.any() or wild.sum() > max(1.0, _MOST_CONTRADICTED * len(z)):
            break
        contradicted = contradicted | wild
    return replace(made, contradicted=np.flatnonzero(contradicted))


def _learned(place: Place, observed: Observed, prior: Prior) -> tuple[Learned, Floats]:
    """Fit once; also the standardised error of each reading when its bay is held out."""
    size = np.log([prior.run_m, prior.along_m, prior.white_m, prior.length_m])
    exact = observed.low == observed.high
    value = np.where(exact, observed.low, 0.0)
    variance = np.where(exact, observed.noise_m**2, _OPEN)
    read = _only_read(place, observed, exact)
    for _ in range(_ROUNDS if len(observed.cell) else 0):
        size = _fit(size, read, value, variance, prior)
        value, variance = _propagate(size, read, value, variance, prior)
    weights, covariance = _weights(size, read, value, variance, prior)
    run, along, white, length = (float(one) for one in np.exp(size))
    made = Learned(run, along, white, length, weights, covariance, _UNTESTED, 0, value, variance)
    z = _held_out(made, read, prior)
    trusted = observed.trusted
    bays = len(np.unique(observed.bay[trusted]))
    if bays < _TESTED_BAYS:
        return replace(made, tested_bays=bays), z
    spread = float(np.sqrt(np.mean(np.clip(z[trusted], -_MOST_Z, _MOST_Z) ** 2)))
    inflation = max(1.0, spread) * (1.0 + 1.0 / np.sqrt(2.0 * bays))
    return replace(made, inflation=inflation, tested_bays=bays), z


def estimate(place: Place, observed: Observed, learned: Learned) -> Estimate:
    """Work out the error at every step from all readings of its run."""
    from fencemap.kernels.markov import smooth

    # A step without ground keeps the chain going; nobody asks for its answer.
    features = np.zeros((len(place.station_m), len(learned.weights)))
    features[:, : place.features.shape[1]] = np.nan_to_num(place.features)
    variance = learned.site_variance + learned.white_m**2
    columns = np.column_stack([
        learned.site_value - observed.features @ learned.weights,
        observed.features,
    ])  # fmt: skip
    chain = _chain(place.station_m, place.first, place.doubt_m, learned)
    readings = Readings(observed.cell, np.ascontiguousarray(columns), variance)
    mean, spread = smooth(chain, readings)
    missed = features - mean[:, 1:]
    spread = spread + np.einsum("ij,jk,ik->i", missed, learned.covariance, missed)
    sigma = learned.inflation * np.sqrt(spread + learned.white_m**2)
    return Estimate(features @ learned.weights + mean[:, 0], sigma)


@dataclass(frozen=True, slots=True)
class _Read:
    """The steps with readings only, which is all that fitting needs; `at` is each reading's."""

    station_m: Floats
    first: Integers
    doubt_m: Floats
    at: Integers
    observed: Observed
    exact: NDArray[np.bool_]

    @property
    def features(self) -> Floats:
        """Features of each reading."""
        return self.observed.features


def _only_read(place: Place, observed: Observed, exact: NDArray[np.bool_]) -> _Read:
    """Cut the steps down to those with readings."""
    cells, at = np.unique(observed.cell, return_inverse=True)
    first = np.searchsorted(cells, place.first)
    return _Read(place.station_m[cells], first, place.doubt_m[cells], at, observed, exact)


def _chain(station: Floats, first: Integers, doubt: Floats, size: Any) -> Chain:
    amplitude = np.sqrt(size.along_m**2 + np.nan_to_num(doubt) ** 2)
    return Chain(station, first, amplitude, float(size.run_m), float(size.length_m))


@dataclass(frozen=True, slots=True)
class _Size:
    run_m: float
    along_m: float
    white_m: float
    length_m: float


def _products(
    size: Floats, read: _Read, value: Floats, variance: Floats
) -> tuple[Floats, Floats, float, float]:
    """Give normal matrix and right-hand side of the weights, the data's square, log determinant."""
    from fencemap.kernels.markov import weighted_products

    sizes = _Size(*np.exp(size))
    chain = _chain(read.station_m, read.first, read.doubt_m, sizes)
    columns = np.column_stack([value, read.features])
    made = Readings(read.at, columns, variance + sizes.white_m**2)
    product, logdet = weighted_products(chain, made)
    whole = np.asarray(product, dtype=np.float64)
    return whole[1:, 1:], whole[1:, 0], float(whole[0, 0]), logdet


def _weights(
    size: Floats, read: _Read, value: Floats, variance: Floats, prior: Prior
) -> tuple[Floats, Floats]:
    """Weights of the features by generalised least squares, and their covariance."""
    normal, right, _, _ = _products(size, read, value, variance)
    covariance = np.linalg.inv(normal + np.diag(1.0 / prior.weights_sd**2))
    return covariance @ right, np.asarray(covariance, dtype=np.float64)


def _cost(size: Floats, read: _Read, value: Floats, variance: Floats, prior: Prior) -> float:
    """Minus the log of the posterior of the sizes, weights integrated out."""
    normal, right, square, logdet = _products(size, read, value, variance)
    normal = normal + np.diag(1.0 / prior.weights_sd**2)
    fit = logdet + np.linalg.slogdet(normal)[1] + square - right @ np.linalg.solve(normal, right)
    medians = np.log([prior.run_m, prior.along_m, prior.white_m, prior.length_m])
    return float(0.5 * fit + 0.5 * np.sum(((size - medians) / prior.widths) ** 2))


def _fit(size: Floats, read: _Read, value: Floats, variance: Floats, prior: Prior) -> Floats:
    """Most probable sizes, as logarithms; to a quarter of a per cent, far finer than is known."""
    from scipy.optimize import minimize

    simplex = np.vstack([size, size + _FIRST_STEP * np.eye(len(size))])
    found = minimize(
        _cost,
        size,
        args=(read, value, variance, prior),
        method="Nelder-Mead",
        options={"initial_simplex": simplex, "xatol": 2.5e-3, "fatol": 1e-3, "maxfev": 200},
    )
    return np.asarray(found.x, dtype=float)


def _at_readings(
    size: Floats, read: _Read, value: Floats, variance: Floats, prior: Prior
) -> tuple[Floats, Floats]:
    """Mean and variance of the error itself at each reading, its own noise left out."""
    from fencemap.kernels.markov import smooth

    sizes = _Size(*np.exp(size))
    weights, covariance = _weights(size, read, value, variance, prior)
    columns = np.column_stack([value - read.features @ weights, read.features])
    chain = _chain(read.station_m, read.first, read.doubt_m, sizes)
    made = Readings(read.at, np.ascontiguousarray(columns), variance + sizes.white_m**2)
    mean, spread = smooth(chain, made)
    missed = read.features - mean[read.at, 1:]
    total = spread[read.at] + np.einsum("ij,jk,ik->i", missed, covariance, missed)
    return read.features @ weights + mean[read.at, 0], total


def _propagate(
    size: Floats, read: _Read, value: Floats, variance: Floats, prior: Prior
) -> tuple[Floats, Floats]:
    """Turn interval readings into the Gaussian ones that have the same effect (EP)."""
    if read.exact.all():
        return value, variance
    white = float(np.exp(size[2])) ** 2
    cut = ~read.exact
    low, high, noise = read.observed.low[cut], read.observed.high[cut], read.observed.noise_m[cut]
    value, variance = value.copy(), variance.copy()
    for _ in range(_SWEEPS):
        mean, spread = _at_readings(size, read, value, variance, prior)
        own = variance[cut] + white
        cavity = 1.0 / np.maximum(1.0 / spread[cut] - 1.0 / own, 1e-3 / spread[cut])
        without = cavity * (mean[cut] / spread[cut] - value[cut] / own)
        tilted, narrow = _within(without, cavity, low, high, noise**2 + white)
        precision = np.maximum(1.0 / narrow - 1.0 / cavity, 1e-9)
        told = (tilted / narrow - without / cavity) / precision
        precision_before = 1.0 / own
        mixed = _DAMPING * precision + (1.0 - _DAMPING) * precision_before
        value[cut] = (
            _DAMPING * precision * told + (1.0 - _DAMPING) * precision_before * value[cut]
        ) / mixed
        variance[cut] = np.maximum(1.0 / mixed - white, 1e-10)
    return value, variance


def _within(
    mean: Floats, variance: Floats, low: Floats, high: Floats, noise: Floats
) -> tuple[Floats, Floats]:
    """Mean and variance of a normal once it is known, with noise, to lie between two limits."""
    from scipy.special import log_ndtr

    sd = np.sqrt(variance + noise)
    a, b = (low - mean) / sd, (high - mean) / sd
    turn = a > 0.0  # both limits above: mirror, so that tails keep their digits
    a, b = np.where(turn, -b, a), np.where(turn, -a, b)
    top, bottom = log_ndtr(b), log_ndtr(a)
    mass = top + np.log1p(-np.exp(np.minimum(bottom - top, -1e-12)))
    peak_a, peak_b = (np.exp(-0.5 * edge**2 - 0.9189385332046727 - mass) for edge in (a, b))
    first = (peak_a - peak_b) / sd
    edges = np.where(np.isinf(a), 0.0, a) * peak_a - np.where(np.isinf(b), 0.0, b) * peak_b
    second = edges / sd**2 - first**2
    first = np.where(turn, -first, first)
    narrow = variance + variance**2 * second
    return mean + variance * first, np.clip(narrow, 1e-4 * variance, variance)


def _held_out(learned: Learned, read: _Read, prior: Prior) -> Floats:
    """Standardised errors of predicting the readings of each bay from all others."""
    from scipy.special import ndtr, ndtri

    bay = read.observed.bay
    if not len(bay):
        return np.empty(0)
    # Bays of one run take turns: each round leaves out at most one bay of every run.
    bays, start, at = np.unique(bay, return_index=True, return_inverse=True)
    run = np.searchsorted(read.first, read.at[start], "right")
    turn = (np.arange(len(bays)) - np.searchsorted(run, run))[at]
    size = np.log([learned.run_m, learned.along_m, learned.white_m, learned.length_m])
    z = np.zeros(len(bay))
    for one in np.unique(turn):
        out = turn == one
        variance = np.where(out, _OPEN, learned.site_variance)
        mean, spread = _at_readings(size, read, learned.site_value, variance, prior)
        sd = np.sqrt(spread + read.observed.noise_m**2 + learned.white_m**2)
        a, b = ((edge - mean) / sd for edge in (read.observed.low, read.observed.high))
        middle = ndtri(np.clip(0.5 * (ndtr(a) + ndtr(b)), 1e-9, 1.0 - 1e-9))
        z[out] = np.where(read.exact, a, middle)[out]
    return z
