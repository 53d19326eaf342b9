"""Practice values against what is published outside, each row naming its source."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fencemap import practice
from fencemap.export.accuracy import horizontal_95_m, scatter
from fencemap.plan.ground import root_radius_m

# id, key, expected, tolerance, source
VALUES = [
    ("stem factor", "roots.stem_factor", 12, 0, "BS 5837:2012, 4.6"),
    ("root area cap", "roots.area_cap_m2", 707, 0, "BS 5837:2012, annex D"),
    ("lead ground cover", "operation.brushing.lead_reach_m", 10 * 0.3048, 0.005, "US EPA, 40 CFR 745.85(a)(2)(ii): 10 ft"),
    ("dew margin", "weather.dew_margin_c", 3, 0, "coating sheets, US form 5 F = 2.8 K rounded up"),
    ("humidity", "weather.max_humidity_pct", 85, 0, "coating sheets"),
    ("lowest air", "weather.min_air_c", 5, 0, "atmospheric-conditions page: 5 to 40 degC"),
    ("highest air", "weather.max_air_c", 40, 0, "atmospheric-conditions page: 5 to 40 degC"),
    ("check points", "accuracy.few_check_points", 30, 0, "ASPRS edition 2 (2023): minimum 30"),
    ("bias", "accuracy.bias_share", 0.25, 0, "PERS 80(5), May 2014, p. 397: 25 to 50 % of the RMSE"),
    ("load constant", "lifting.load_constant_kg", 23, 0, "NIOSH 94-110: 23 kg (51 lb)"),
    ("influence line", "dig.influence_angle_deg", 45, 0, "1:1 below a footing, common engineering practice"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("key", "expected", "tolerance", "source"),
    [row[1:] for row in VALUES],
    ids=[row[0] for row in VALUES],
)
def test_value_is_the_published_one(key, expected, tolerance, source):
    """The default is the published figure."""
    assert practice.default(key).value == pytest.approx(expected, abs=max(tolerance, 1e-12)), source


def test_cap_is_a_circle_of_fifteen_metres():
    """BS 5837:2012 gives the cap of 707 m2 also as a radius of 15 m."""
    huge = root_radius_m(np.array([5000.0]), practice=practice.default)[0]
    assert huge == pytest.approx(15.0, abs=0.005)
    assert math.pi * huge**2 == pytest.approx(707, abs=0.5)


def test_margin_decides_paint_or_no_paint_as_printed():
    """Ambient-conditions sheet: 19 degC over a dew point of 15 paints, 13 over 11 does not."""
    margin = practice.default("weather.dew_margin_c").value
    assert margin <= 19 - 15
    assert margin > 13 - 11


def test_spray_stops_below_the_published_cap():
    """Two owners' specifications cap spraying at 15 mph = 6.71 m/s; beside stone it stops far below."""
    assert practice.default("operation.converter sprayed.wind_stop_m_s").value < 15 * 0.44704


# Engineering tables: kg per metre of 20 mm square bar in grey cast, wrought iron and steel.
BARS = [("cast_iron", 2.86), ("wrought_iron", 3.08), ("mild_steel", 3.14)]


@pytest.mark.parametrize(("metal", "kg_per_m"), BARS)
def test_densities_give_the_tables_bar_masses(metal, kg_per_m):
    """Mass of a 20 mm square bar from our density is the table's."""
    density = practice.default(f"density.{metal}_kg_m3").value
    assert density * 0.02**2 == pytest.approx(kg_per_m, abs=5e-4)


def test_wrought_iron_agrees_with_the_old_bar_rule():
    """A 19th-century handbook: 3.32 lb a square inch and foot, which is 7658 kg/m3; ours within 1 %."""
    old = 3.32 * 144 * 0.45359237 / 0.3048**3
    assert old == pytest.approx(7658, abs=1)
    assert practice.default("density.wrought_iron_kg_m3").value == pytest.approx(old, rel=0.01)


# PERS 80(5), May 2014, p. 397: seven check points, metres.
EASTING = [-0.060, 0.100, -0.060, -0.112, -0.120, -0.100, -0.060]
NORTHING = [0.080, -0.045, 0.080, 0.007, 0.150, -0.045, 0.080]
HEIGHT = [0.055, -0.006, -0.017, 0.042, -0.011, 0.013, 0.048]
PERS = [
    (EASTING, -0.0589, 0.075, 0.0908),
    (NORTHING, 0.0439, 0.073, 0.0809),
    (HEIGHT, 0.0177, 0.030, 0.0332),
]


@pytest.mark.parametrize(
    ("values", "mean", "s", "rmse"), PERS, ids=["easting", "northing", "height"]
)
def test_scatter_of_published_check_points(values, mean, s, rmse):
    """Mean, sample standard deviation (published) and RMSE (worked out from the published differences)."""
    held = scatter(np.array(values))
    assert held.n == 7
    assert held.mean == pytest.approx(mean, abs=5e-5)
    assert held.s == pytest.approx(s, abs=5e-4)
    assert held.rmse == pytest.approx(rmse, abs=5e-5)
    # RMSE counts n, s counts n - 1: RMSE2 = mean2 + (n - 1) / n s2.
    assert held.rmse**2 == pytest.approx(held.mean**2 + 6 / 7 * held.s**2)


def test_horizontal_accuracy_after_fgdc():
    """FGDC-STD-007.3-1998: 2.4477 x 0.5 (x + y) for unlike axes, 1.7308 RMSE_r for like ones, else none."""
    assert horizontal_95_m(0.0908, 0.0809) == pytest.approx(0.2101, abs=5e-5)
    assert horizontal_95_m(11.0 / math.sqrt(2), 11.0 / math.sqrt(2)) == pytest.approx(
        19.0, abs=0.1
    )  # FEMA table A-1
    assert horizontal_95_m(0.05, 0.10) is None
