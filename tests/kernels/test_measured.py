"""Lines with measures as well-known binary."""

from __future__ import annotations

import numpy as np
import shapely

from fencemap.kernels.measured import measured_lines


def test_lines_of_different_lengths_come_back():
    """Vertices, heights, measures and NaN are read back as they were, line by line."""
    rng = np.random.default_rng(2)
    rows, counts = rng.normal(size=(9, 4)), np.array([2, 4, 3])
    rows[3, 2] = np.nan
    lines = shapely.from_wkb(measured_lines(rows, counts))
    back = shapely.get_coordinates(lines, include_z=True, include_m=True)
    assert np.array_equal(back, rows, equal_nan=True)
    assert [len(line.coords) for line in lines] == [2, 4, 3]
    assert shapely.has_m(lines).all()
    assert shapely.has_z(lines).all()


def test_no_lines():
    """No lines are no error."""
    assert len(measured_lines(np.empty((0, 4)), np.empty(0, int))) == 0
