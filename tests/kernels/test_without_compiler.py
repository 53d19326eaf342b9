"""Kernels are plain Python: uncompiled they give the same answers."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent


def answers() -> dict[str, list[float]]:
    """Ask every compiled kernel once, on small cases that reach their branches."""
    from fencemap.kernels import chain, markov, profile, surface
    from fencemap.kernels.plane import Shapes, lines_of
    from fencemap.kernels.segments import pairs_within

    rng = np.random.default_rng(11)
    grid = rng.normal(10, 1, (12, 14))
    grid[4:6, 5] = np.nan
    n = 9
    station = np.sort(rng.uniform(0, 4, n))
    made = markov.Chain(station, np.array([0, 5, 9]), rng.uniform(0.01, 0.05, n), 0.02, 1.1)
    read = markov.Readings(
        np.array([1, 1, 4, 7]), rng.normal(size=(4, 2)), rng.uniform(1e-4, 1e-3, 4)
    )
    x, y = np.array([0.0, 6, 6, 0, 0, 9, 12.5]), np.array([0.0, 0, 5, 5, 0, 1, 3.0])
    lines = lines_of(x, y, np.array([0, 5, 7]))
    boxes = np.array([[1, 1], [2, 1], [2, 2], [1, 2], [5, -1], [7, -1], [7, 1], [5, 1], [10, 9.0]])
    shapes = Shapes(
        boxes[:, 0].copy(), boxes[:, 1].copy(), np.array([0, 4, 8, 9]), np.array([0, 1, 2, 3])
    )
    block = rng.normal(size=(4, 3, 3))
    block = block @ block.transpose(0, 2, 1) + 4 * np.eye(3)
    found = {
        "densify": profile.densify(x, y, np.array([0, 5, 7]), 0.7),
        "bilinear": profile.bilinear(grid, rng.uniform(-1, 14, 50), rng.uniform(-1, 12, 50)),
        "cross": profile.cross_sections(
            grid, rng.uniform(3, 9, 6), rng.uniform(3, 9, 6), np.full(6, 0.6), np.full(6, -0.8),
            np.array([0.5, 1.0, 1.5, 2.0]), np.array([0, 0, 1, 1]), 2,
        ),
        "median": profile.running_median(grid, np.repeat([0, 1, 2], 4), 2),
        "slope": surface.slope_deg(grid, 0.5), "aspect": surface.aspect_deg(grid, 0.5),
        "d8": surface.d8(grid), "accumulation": surface.accumulation(surface.d8(grid)),
        "fill": surface.fill(grid),
        "smooth": markov.smooth(made, read), "products": markov.weighted_products(made, read),
        "chain": chain.solve_chain(block, 0.3 * block, rng.normal(size=(4, 3, 2))),
        "pairs": tuple(pairs_within(shapes, lines, reach_m=8.0)),
    }  # fmt: skip
    flat = {}
    for name, value in found.items():
        parts = value if isinstance(value, tuple) else (value,)
        flat[name] = np.concatenate([np.ravel(part).astype(float) for part in parts]).tolist()
    return flat


def test_the_same_without_the_compiler():
    """A process with the compiler switched off gets the same numbers, to the last few bits."""
    code = (
        f"import json, sys; sys.path.insert(0, {str(HERE)!r})\n"
        "import test_without_compiler as t; print(json.dumps(t.answers()))"
    )
    env = os.environ | {"NUMBA_DISABLE_JIT": "1"}
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=env,
        capture_output=True,
        text=True,
        timeout=240,
        check=True,
    )
    plain = json.loads(done.stdout)
    for name, compiled in answers().items():
        assert len(compiled) > 0, name
        np.testing.assert_allclose(plain[name], compiled, rtol=1e-12, atol=1e-13, err_msg=name)
