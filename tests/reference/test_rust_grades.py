"""Rust grades against the published tables."""

from __future__ import annotations

import numpy as np
import pytest

from fencemap.find.rust import astm_d610, iso_4628_3

_D610 = "ASTM D610-08 (2012), table 1: scale and description of rust grades"
_AREAS = "Published correlation of ISO 4628-3 areas with ASTM D610 grades: 8, 6, 6, 4, 1"


@pytest.mark.parametrize(
    ("percent", "grade"),
    [
        (0.01, 10), (0.03, 9), (0.1, 8), (0.3, 7), (1.0, 6), (3.0, 5),
        (10.0, 4), (16.0, 3), (33.0, 2), (50.0, 1), (50.1, 0),
    ],
)  # fmt: skip
def test_upper_bounds_of_the_grades(percent, grade):
    """The largest area of each grade still belongs to it, and a little more is the next."""
    assert astm_d610(np.array([percent]))[0] == grade, _D610
    if grade:
        assert astm_d610(np.array([percent * 1.001]))[0] == grade - 1, _D610


def test_grades_of_the_areas_of_the_other_scale():
    """The areas of Ri 1 to Ri 5 get the published grades."""
    found = astm_d610(np.array([0.05, 0.5, 1.0, 8.0, 40.0]))
    assert found.tolist() == [8, 6, 6, 4, 1], _AREAS


def test_degrees_of_rusting():
    """The areas that ISO 4628-3 shows get its degrees; between two of them the worse."""
    shown = iso_4628_3(np.array([0.0, 0.05, 0.5, 1.0, 8.0, 40.0, 50.0]))
    assert shown.tolist() == ["Ri0", "Ri1", "Ri2", "Ri3", "Ri4", "Ri5", "Ri5"]
    between = iso_4628_3(np.array([0.01, 0.06, 0.7, 2.0, 9.0]))
    assert between.tolist() == ["Ri1", "Ri2", "Ri3", "Ri4", "Ri5"]


def test_no_area_no_grade():
    """Rust that nobody looked at has no grade, not the best one."""
    assert np.isnan(astm_d610(np.array([np.nan]))[0])
    assert iso_4628_3(np.array([np.nan]))[0] is None
