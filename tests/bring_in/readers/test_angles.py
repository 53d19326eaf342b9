"""Angles as people write them: read right, or refused with the reason."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fencemap.bring_in.readers.angles import Notation, parse_angle, read_angles, read_lonlat
from fencemap.errors import SurveyError


def dms(degrees, minutes, seconds):
    """Exact sexagesimal arithmetic, by fractions of integers: the definition itself."""
    return float(Fraction(degrees) + Fraction(minutes) / 60 + Fraction(seconds) / 3600)


# Latitude of the worked example of a national mapping agency: 52°39'27.2531" N.
WORKED = dms(52, 39, "27.2531")


@pytest.mark.parametrize(
    "text",
    [
        "52°39'27.2531\"N", "52° 39′ 27.2531″ N", "N 52 39 27.2531", "52:39:27.2531",
        "52d39m27.2531s N", "52d39m27.2531s", "52º39’27,2531” n", "+52 39 27.2531",
        "52°39'27.2531''N",
    ],
)  # fmt: skip
def test_one_latitude_in_many_hands(text):
    """The worked example is the same latitude however its marks are written."""
    angle = parse_angle(text, axis="latitude")
    assert angle.notation is Notation.SECONDS
    assert angle.degrees == pytest.approx(WORKED, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "axis", "expected"),
    [
        ("41°34.49795459'N", "latitude", 41 + 34.49795459 / 60),
        ("93 45.03431408 W", "longitude", -(93 + 45.03431408 / 60)),
        ("-93.7505719013", "longitude", -93.7505719013),
        ("W93,75", "longitude", -93.75),
        ("-0 30 00", "latitude", -0.5),  # the sign of a zero counts
        ("0°30'S", "latitude", -0.5),
        ("\u221241.5", "latitude", -41.5),  # a typographic minus
        (41, "latitude", 41.0),
        (1e-7, "latitude", 1e-7),
        ("180", "longitude", 180.0),
    ],
)
def test_degrees_and_minutes(text, axis, expected):
    """Decimal degrees and decimal minutes, by hand."""
    assert parse_angle(text, axis=axis).degrees == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("41 60 00 N", "minutes"), ("41 00 60 N", "seconds"), ("91", "beyond"), ("-41 S", "sign"),
        ("41 E", "letter E"), ("N 41 S", "twice"), ("41'34", "no angle"), ("41.5 34", "no angle"),
        ("1 2 3 4", "no angle"), ("1e5", "no angle"), ("north", "no angle"), ("41d34m29.9S", "south"),
        (float("inf"), "no angle"), ("9" * 100, "no angle"), (True, "letter E"),
    ],
)  # fmt: skip
def test_what_can_not_be_is_refused(text, reason):
    """No angle is cut short, wrapped or turned to make it fit."""
    angle = parse_angle(text, axis="latitude")
    assert np.isnan(angle.degrees)
    assert reason in angle.reason


def test_blank_is_not_bad():
    """Blank cells are unknown, not wrong."""
    got = read_angles(np.array(["", None, float("nan"), "x"], dtype=object), axis="latitude")
    assert np.isnan(got.degrees).all()
    assert got.bad.tolist() == [False, False, False, True]


# DDD.MMSSsss of an open geodetic sample file: 36° 33' 48.253617" S, 145° 57' 41.006771" E.
PACKED = ("-36.3348253617", "145.5741006771")
TRUE = (-dms(36, 33, "48.253617"), dms(145, 57, "41.006771"))
BOX = (145.95, -36.58, 145.98, -36.55)


def test_packed_degrees_only_by_choice():
    """DDD.MMSSsss looks like degrees: chosen it is read, digit by digit, else it is not."""
    latitude = parse_angle(PACKED[0], axis="latitude", notation=Notation.PACKED)
    assert latitude.degrees == pytest.approx(TRUE[0], abs=1e-12)
    assert parse_angle(PACKED[0], axis="latitude").degrees == float(PACKED[0])
    # As a number: 0.30 is 30 minutes although the float of 36.3 - 36 is 0.2999.
    assert parse_angle(36.3, axis="latitude", notation=Notation.PACKED).degrees == 36.5
    assert "60 minutes" in parse_angle("36.60", axis="latitude", notation=Notation.PACKED).reason
    assert parse_angle("36 33 48", axis="latitude", notation=Notation.PACKED).reason


def columns(longitude, latitude):
    return np.array([longitude] * 3, dtype=object), np.array([latitude] * 3, dtype=object)


def test_packed_degrees_are_held_against_the_site():
    """Chosen rightly they pass; read as degrees they are asked about with both readings shown."""
    x, y, notes = read_lonlat(
        *columns(PACKED[1], PACKED[0]), name="a.csv", box=BOX, notation=Notation.PACKED
    )
    assert x.degrees.tolist() == pytest.approx([TRUE[1]] * 3)
    assert y.degrees.tolist() == pytest.approx([TRUE[0]] * 3)
    assert "as was chosen" in notes[0]
    with pytest.raises(SurveyError) as caught:
        read_lonlat(*columns(PACKED[1], PACKED[0]), name="a.csv", box=BOX)
    assert "DDD.MMSSsss" in str(caught.value)
    assert caught.value.problems[0].code == "angle-notation"


def test_packed_degrees_need_a_boundary_and_a_wrong_choice_is_found():
    """Without a box nothing proves the choice; with one, decimal degrees read as packed are found."""
    with pytest.raises(SurveyError, match="boundary"):
        read_lonlat(*columns(PACKED[1], PACKED[0]), name="a", box=None, notation=Notation.PACKED)
    with pytest.raises(SurveyError, match="as DD"):
        read_lonlat(*columns("145.9613", "-36.5634"), name="a", box=BOX, notation=Notation.PACKED)


def test_swapped_columns_and_strangers_are_found():
    """Latitude in the column of longitudes is asked about; a place elsewhere is refused."""
    with pytest.raises(SurveyError, match="swapped"):
        read_lonlat(*columns("24.75", "59.44"), name="a", box=(59.4, 24.7, 59.5, 24.8))
    with pytest.raises(SurveyError, match="outside the site") as caught:
        read_lonlat(*columns("2.5", "48.5"), name="a", box=BOX)
    assert caught.value.problems[0].code == "outside-site"
    read_lonlat(*columns("", ""), name="a", box=BOX)  # nothing to judge by


@given(
    st.integers(0, 179), st.integers(0, 59), st.integers(0, 59_999_999),
    st.sampled_from(["°'\"", ":: ", "   "]), st.sampled_from(["E", "W", "-", ""]),
)  # fmt: skip
def test_written_and_read_again(degrees, minutes, micro, marks, sign):
    """Any degrees, minutes and seconds written out come back exactly, in each way of writing."""
    seconds = f"{micro // 1_000_000:02d}.{micro % 1_000_000:06d}"
    text = f"{degrees}{marks[0]}{minutes:02d}{marks[1]}{seconds}{marks[2]}".strip()
    text = f"-{text}" if sign == "-" else f"{text}{sign}"
    expected = dms(degrees, minutes, seconds) * (-1 if sign in ("W", "-") else 1)
    assert parse_angle(text, axis="longitude").degrees == pytest.approx(expected, abs=1e-12)
    packed = f"{'-' if sign in ('W', '-') else ''}{degrees}.{minutes:02d}{seconds.replace('.', '')}"
    read = parse_angle(packed, axis="longitude", notation=Notation.PACKED)
    assert read.degrees == pytest.approx(expected, abs=1e-12)


@given(
    st.one_of(st.text(max_size=80), st.floats(), st.integers(), st.none()),
    st.sampled_from([None, *Notation]),
)
def test_anything_is_read_or_refused(value, notation):
    """No cell raises; a number in range or a reason comes back, never both, and blank is neither."""
    for axis, limit in (("latitude", 90), ("longitude", 180)):
        angle = parse_angle(value, axis=axis, notation=notation)
        if np.isnan(angle.degrees):
            assert angle.reason or not str(value).strip() or value is None or value != value  # noqa: PLR0124
        else:
            assert not angle.reason
            assert abs(angle.degrees) <= limit
