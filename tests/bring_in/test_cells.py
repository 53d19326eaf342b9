"""Cells become values of their type, or are named; nothing is cut short or guessed."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fencemap.bring_in.cells import blank, numbers, typed
from fencemap.schema import Field


def cells(*values):
    return np.array(values, dtype=object)


def read(field, *values, time_zone="UTC"):
    """Values, mask of faulty cells and all that is said of them."""
    got, faults = typed(cells(*values), field, decimal=".", time_zone=time_zone)
    bad = np.logical_or.reduce([fault.mask for fault in faults] or [np.zeros(len(got), bool)])
    return got, bad.tolist(), " ".join(f"{fault.reason} {fault.remedy}" for fault in faults)


@pytest.mark.parametrize(
    ("text", "expected"),
    [("12", 12.0), ("-0.5", -0.5), (".5", 0.5), ("1e3", 1000.0), (" 7 ", 7.0), ("+3.", 3.0)],
)
def test_a_plain_number_is_read(text, expected):
    """Digits with one decimal point are that number, by hand."""
    got, bad = numbers(cells(text))
    assert got[0] == expected
    assert not bad[0]


@pytest.mark.parametrize(
    "text", ["5oo", "1,234", "12 m", "nan", "inf", "1.2.3", "--1", "1e999", "٣"]
)
def test_anything_else_is_bad_and_not_a_number(text):
    """A stray letter, a comma, a unit or an infinity never becomes a number."""
    got, bad = numbers(cells(text))
    assert bad[0]
    assert math.isnan(got[0])


def test_decimal_comma_only_where_the_file_uses_it():
    """With a decimal comma 1,5 is 1.5, and a point beside it is bad."""
    got, bad = numbers(cells("1,5", "1.5"), decimal=",")
    assert got[0] == 1.5
    assert bad.tolist() == [False, True]


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_finite_number_survives_as_text(value):
    """What Python writes of a float is read back as the same float."""
    got, bad = numbers(cells(repr(value)))
    assert not bad[0]
    assert got[0] == value


@given(st.lists(st.text(max_size=8), max_size=20))
def test_no_text_makes_the_reader_fail(texts):
    """Any text at all is blank, a number or bad: exactly one of the three."""
    column = np.array(texts, dtype=object)
    got, bad = numbers(column)
    empty = blank(column)
    assert ((empty.astype(int) + bad + ~np.isnan(got)) == 1).all()


def test_words_are_matched_whatever_their_case_and_never_guessed():
    """Post is the word post; finnial is no word at all."""
    field = Field("kind", "text", "kind", vocabulary="kind")
    values, bad, said = read(field, "Post", "finnial", "")
    assert values[0] == "post"
    assert bad == [False, True, False]
    assert "ornament" in said
    assert "kind" in said


def test_whole_numbers_refuse_halves_and_say_why():
    """Order 2.0 is 2; order 2.5 is no whole number; -1 is out of bounds; x is no number."""
    field = Field("order", "integer", "order", minimum=0)
    values, bad, said = read(field, "2.0", "2.5", "-1", "x")
    assert values[0] == 2
    assert bad == [False, True, True, True]
    for words in ("not a whole number", "outside 0 to inf", "not a number"):
        assert words in said


@pytest.mark.parametrize(
    ("cell", "expected"), [("yes", True), ("N", False), ("1", True), ("FALSE", False)]
)
def test_yes_and_no(cell, expected):
    """The everyday spellings of yes and no are read."""
    values, bad, _ = read(Field("make_safe", "boolean", ""), cell, "perhaps")
    assert bool(values[0]) is expected
    assert bad == [False, True]


def test_local_time_becomes_utc_by_the_sites_zone():
    """Half past nine in London in April is half past eight UTC (summer time, IANA tz database)."""
    field = Field("time", "time", "")
    values, bad, _ = read(
        field, "2026-04-14T09:30:00", "2026-04-14T09:30:00+02:00", "14.4.26", time_zone="Europe/London"
    )
    assert values[0] == "2026-04-14T08:30:00Z"
    assert values[1] == "2026-04-14T07:30:00Z"
    assert bad == [False, False, True]


def test_bounds_of_a_field_are_kept():
    """Rust over 100 % of a surface is refused with the bounds in the reason."""
    field = Field("rusted_area_pct", "real", "", "%", minimum=0, maximum=100)
    _, bad, said = read(field, "100", "100.5")
    assert bad == [False, True]
    assert "0 to 100 %" in said


@pytest.mark.parametrize("odd", ["a\x00b", "a\ud800b", "a\x07b"])
def test_characters_that_are_no_text_are_replaced_and_said(odd):
    """A zero byte or half a surrogate pair can't be stored; it stands as U+FFFD and is named."""
    values, bad, said = read(Field("remarks", "text", ""), odd, "fine")
    assert values.tolist() == ["a\ufffdb", "fine"]
    assert bad == [True, False]
    assert "no text" in said


def test_mixed_cells_of_typed_files_become_text():
    """Numbers among words (as spreadsheets and GeoJSON have them) read as they are shown."""
    values, _, _ = read(Field("lots", "text", ""), "12", 13.0, 14, None, 2.5)
    assert values.fillna("-").tolist() == ["12", "13", "14", "-", "2.5"]
