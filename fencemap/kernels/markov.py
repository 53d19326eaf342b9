"""Correlated errors along runs, smoothed in one pass each way.

Along each run the unknown is ``b + a(s) u(s)``: b is common to the run, u has
variance 1 and correlation ``exp(-distance / length)``. That is a Markov chain,
so the exact Gaussian-process answer takes O(n) (Kalman filter and modified
Bryson-Frazier smoother; Bierman 1973). Readings are any number of columns at
once, so that data and the columns of a linear model go through together.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fencemap.kernels._compile import compiled

__all__ = ["Chain", "Readings", "smooth", "weighted_products"]

Floats = NDArray[np.floating[Any]]
Integers = NDArray[np.integer[Any]]


class Chain(NamedTuple):
    """Where the unknown is asked for: cells of run i are ``first[i]:first[i + 1]``.

    `station_m` rises along each run; `amplitude` is a(s); `run_sd` the
    standard deviation of b, `length_m` the correlation length.
    """

    station_m: Floats
    first: Integers
    amplitude: Floats
    run_sd: float
    length_m: float


class Readings(NamedTuple):
    """Readings of the unknown, sorted by cell: `value` (m, k), `variance` (m,) of their noise."""

    cell: Integers
    value: Floats
    variance: Floats


@compiled
def _filter(chain: Chain, readings: Readings) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Give filtered means (n, 2, k), covariances (n, 3), innovations, their variances, gains."""
    n, m, k = len(chain.station_m), len(readings.cell), readings.value.shape[1]
    means, covs = np.zeros((n, 2, k)), np.zeros((n, 3))
    innovation, spread, gain = np.zeros((m, k)), np.zeros(m), np.zeros((m, 2))
    mean = np.zeros((2, k))
    at = 0
    for run in range(len(chain.first) - 1):
        pbb, pbu, puu = chain.run_sd**2, 0.0, 1.0
        for c in range(k):
            mean[0, c] = mean[1, c] = 0.0
        for i in range(chain.first[run], chain.first[run + 1]):
            if i > chain.first[run]:
                step = chain.station_m[i] - chain.station_m[i - 1]
                phi = np.exp(-step / chain.length_m)
                for c in range(k):
                    mean[1, c] *= phi
                pbu *= phi
                puu = phi * phi * puu + 1.0 - phi * phi
            a = chain.amplitude[i]
            while at < m and readings.cell[at] == i:
                s = pbb + 2.0 * a * pbu + a * a * puu + readings.variance[at]
                kb, ku = (pbb + a * pbu) / s, (pbu + a * puu) / s
                for c in range(k):
                    y = readings.value[at, c] - mean[0, c] - a * mean[1, c]
                    innovation[at, c] = y
                    mean[0, c] += kb * y
                    mean[1, c] += ku * y
                pbb, pbu, puu = pbb - kb * kb * s, pbu - kb * ku * s, puu - ku * ku * s
                spread[at], gain[at, 0], gain[at, 1] = s, kb, ku
                at += 1
            for c in range(k):
                means[i, 0, c], means[i, 1, c] = mean[0, c], mean[1, c]
            covs[i, 0], covs[i, 1], covs[i, 2] = pbb, pbu, puu
    return means, covs, innovation, spread, gain


@compiled
def weighted_products(chain: Chain, readings: Readings) -> tuple[Floats, float]:
    """Multiply the columns of readings with each other, weighted by what is known of their errors.

    Returns
    -------
    V' C^-1 V of the columns V, (k, k), and the logarithm of the determinant of
    C, the readings' covariance with their noise: all that a likelihood and
    least squares need.
    """
    _, _, innovation, spread, _ = _filter(chain, readings)
    k = readings.value.shape[1]
    product, logdet = np.zeros((k, k)), 0.0
    for j in range(len(spread)):
        logdet += np.log(spread[j])
        for c in range(k):
            scaled = innovation[j, c] / spread[j]
            for d in range(c, k):
                product[c, d] += scaled * innovation[j, d]
    for c in range(k):
        for d in range(c):
            product[c, d] = product[d, c]
    return product, logdet


@compiled
def smooth(chain: Chain, readings: Readings) -> tuple[Floats, Floats]:
    """Estimate the unknown at every cell from all readings of its run.

    Returns
    -------
    mean (n, k), one column a column of readings, and variance (n,): the same
    as conditioning the whole Gaussian process, noise of readings left out.
    """
    means, covs, innovation, spread, gain = _filter(chain, readings)
    n, k = len(chain.station_m), readings.value.shape[1]
    mean, variance = np.empty((n, k)), np.empty(n)
    lam = np.zeros((2, k))
    at = len(readings.cell) - 1
    for run in range(len(chain.first) - 2, -1, -1):
        for c in range(k):
            lam[0, c] = lam[1, c] = 0.0
        lbb, lbu, luu = 0.0, 0.0, 0.0
        for i in range(chain.first[run + 1] - 1, chain.first[run] - 1, -1):
            a = chain.amplitude[i]
            pbb, pbu, puu = covs[i, 0], covs[i, 1], covs[i, 2]
            hb, hu = pbb + a * pbu, pbu + a * puu
            for c in range(k):
                now = means[i, 0, c] + a * means[i, 1, c]
                mean[i, c] = now - hb * lam[0, c] - hu * lam[1, c]
            now = pbb + 2.0 * a * pbu + a * a * puu
            lost = hb * hb * lbb + 2.0 * hb * hu * lbu + hu * hu * luu
            variance[i] = max(now - lost, 0.0)
            while at >= 0 and readings.cell[at] == i:
                s, kb, ku = spread[at], gain[at, 0], gain[at, 1]
                for c in range(k):
                    pull = kb * lam[0, c] + ku * lam[1, c] + innovation[at, c] / s
                    lam[0, c] -= pull
                    lam[1, c] -= a * pull
                # L <- (I - K H)' L (I - K H) + H' H / s, with H = (1, a)
                gb, gu = lbb * kb + lbu * ku, lbu * kb + luu * ku
                kk = kb * gb + ku * gu + 1.0 / s
                lbb += kk - 2.0 * gb
                lbu += a * kk - gu - a * gb
                luu += a * a * kk - 2.0 * a * gu
                at -= 1
            if i > chain.first[run]:
                step = chain.station_m[i] - chain.station_m[i - 1]
                phi = np.exp(-step / chain.length_m)
                for c in range(k):
                    lam[1, c] *= phi
                lbu *= phi
                luu *= phi * phi
    return mean, variance
