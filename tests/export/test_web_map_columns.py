"""Columns of a layer as small JSON."""

from __future__ import annotations

import numpy as np
import pandas as pd
from packed_columns import unpacked

from fencemap.export.web_map.columns import column, decimals
from fencemap.export.web_map.strings import english, field_label
from fencemap.layers import CATALOGUE
from fencemap.schema import Field


def test_numbers_are_rounded_by_their_unit():
    """Metres to the millimetre, millimetres to a tenth, whole numbers whole."""
    assert column(pd.Series([1.23456, 2.0]), Field("a", "real", "x", "m")) == {"v": [1.235, 2]}
    assert column(pd.Series([1.23456]), Field("a", "real", "x", "mm")) == {"v": [1.2]}
    assert column(pd.Series([3, None], dtype="Int64"), Field("a", "integer", "x")) == {"v": [3, None]}  # fmt: skip
    assert decimals("something new") == 3


def test_nodata_is_never_a_number():
    """NaN and both infinities are empty cells; a column of nothing is left out."""
    numbers = pd.Series([np.nan, np.inf, -np.inf, 0.0])
    assert column(numbers, Field("a", "real", "x", "m")) == {"v": [None, None, None, 0]}
    assert column(numbers.iloc[:3], Field("a", "real", "x", "m")) is None
    assert column(pd.Series([None, None], dtype="str"), Field("a", "text", "x")) is None
    assert column(pd.Series([None], dtype="boolean"), Field("a", "boolean", "x")) is None


def test_no_negative_zero():
    """A gap that rounds to nothing is 0, not -0."""
    assert str(column(pd.Series([-0.0001]), Field("a", "real", "x", "m"))["v"][0]) == "0"


def test_words_that_repeat_are_written_once():
    """A repeated word stands once, every row points at it, and nothing is lost."""
    words = ["post", "panel", None, "post", "post", "panel"]
    packed = column(pd.Series(words, dtype="str"), Field("a", "text", "x"))
    assert packed == {"w": ["post", "panel"], "i": [0, 1, -1, 0, 0, 1]}
    assert unpacked(packed) == words


def test_words_that_differ_stand_as_they_are():
    """Names that hardly repeat are a plain list, empty text kept apart from nothing."""
    words = ["a", "", None, "d"]
    packed = column(pd.Series(words, dtype="str"), Field("a", "text", "x"))
    assert unpacked(packed) == words
    assert "v" in packed


def test_yes_no_and_nothing():
    """A yes/no column keeps three states."""
    packed = column(pd.Series([True, None, False], dtype="boolean"), Field("a", "boolean", "x"))
    assert packed == {"v": [True, None, False]}


def test_every_field_has_a_label_in_words():
    """Labels of all fields are words with a capital, no underscores, no doubled unit."""
    for schema in CATALOGUE.values():
        for field in schema.fields:
            label = field_label(field.name)
            assert label[0].isupper()
            assert "_" not in label
            assert not label.endswith((" mm", " pct", " deg", " m2"))


def test_strings_are_plain_text():
    """Every string is text without markup, so that none can be mistaken for it."""
    for section in english().values():
        for text in section.values():
            assert isinstance(text, str)
            assert "<" not in text
