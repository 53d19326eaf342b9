"""Quoted accuracies become one standard deviation per axis, and say where they come from."""

import pytest
from scipy import stats

from fencemap.bring_in.accuracy import AXIS_DIVISOR, HEIGHT_DIVISOR


@pytest.mark.parametrize(
    ("word", "share"), [("radial 68 %", 0.68), ("radial 95 %", 0.95), ("CEP 50", 0.50)]
)
def test_radial_figures_are_quantiles_of_the_circular_normal(word, share):
    """The radius that holds a share is sqrt(chi2 quantile, 2 dof) axis deviations (scipy)."""
    assert AXIS_DIVISOR[word] == pytest.approx(stats.chi2.ppf(share, 2) ** 0.5, rel=1e-12)


@pytest.mark.parametrize(
    ("word", "printed"),
    [("radial 95 %", 2.4477), ("CEP 50", 1.1774), ("DRMS", 1.4142), ("axis sd", 1.0)],
)
def test_printed_factors(word, printed):
    """2.4477 is the factor of FGDC-STD-007.3-1998 App. 3-A; the others from statistical tables, from memory."""
    assert AXIS_DIVISOR[word] == pytest.approx(printed, abs=5e-5)


def test_heights_at_95_percent():
    """Vertical accuracy at 95 % is 1.9600 standard deviations (FGDC-STD-007.3-1998)."""
    assert HEIGHT_DIVISOR["radial 95 %"] == pytest.approx(1.96, abs=5e-5)
