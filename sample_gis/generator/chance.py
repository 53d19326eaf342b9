"""Random streams by name, so that no part of the site depends on the order of another."""

from __future__ import annotations

from hashlib import blake2b

import numpy as np

__all__ = ["smooth_line", "stream"]


def stream(seed: int, *names: object) -> np.random.Generator:
    """Give the generator that belongs to `seed` and a path of names."""
    text = "/".join(str(name) for name in (seed, *names))
    return np.random.default_rng(int.from_bytes(blake2b(text.encode(), digest_size=16).digest()))


def smooth_line(
    rng: np.random.Generator, count: int, *, step_m: float, length_m: float, closed: bool
) -> np.ndarray:
    """Draw a stationary random line, sd 1, as `count` values `step_m` apart.

    A sum of sixteen cosines with random phases; a closed line uses whole
    numbers of waves, so that its ends meet.
    """
    station = np.arange(count) * step_m
    total = max(count * step_m, step_m)
    waves = np.abs(rng.normal(0.0, 1.0, 16)) / (length_m * 2.0)
    if closed:
        waves = np.maximum(1.0, np.round(waves * total)) / total
    phases = rng.uniform(0.0, 2.0 * np.pi, 16)
    return np.cos(2.0 * np.pi * np.outer(station, waves) + phases).sum(axis=1) / np.sqrt(8.0)
