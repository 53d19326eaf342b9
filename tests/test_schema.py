"""A layer's check reports every breach at once, with the rows that breach it."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from fencemap.errors import LayerError
from fencemap.schema import Field, LayerSchema

SCHEMA = LayerSchema(
    "posts",
    "bring_in",
    "Posts for this test",
    (
        Field("uid", "text", "identity", required=True, unique=True),
        Field("kind", "text", "kind", vocabulary="kind"),
        Field("lean_deg", "real", "lean", "deg", minimum=0, maximum=90),
        Field("order", "integer", "order"),
        Field("make_safe", "boolean", "urgent"),
        Field("day", "date", "day"),
        Field("time", "time", "instant"),
    ),
    ("Point",),
    has_z=True,
)
CRS = "EPSG:32631"


def good(**changes):
    data = {
        "uid": ["a", "b"],
        "kind": ["post", None],
        "lean_deg": [1.0, None],
        "order": [1, None],
        "make_safe": [True, None],
        "day": ["2026-04-14", None],
        "time": ["2026-04-14T09:00:00Z", None],
    } | changes
    return SCHEMA.conform(data, geometry=[shapely.Point(1, 2, 3), shapely.Point(4, 5, np.nan)], crs=CRS)


def test_a_good_frame_passes_unchanged():
    """The check gives back the very frame."""
    frame = good()
    assert SCHEMA.check(frame, crs=CRS) is frame


def test_an_empty_layer_is_a_layer():
    """No rows, all columns, the right CRS."""
    frame = SCHEMA.empty(CRS)
    assert SCHEMA.check(frame, crs=CRS) is frame
    assert list(frame.columns) == [*SCHEMA.columns, "geometry"]


def test_missing_optional_columns_become_nulls_of_their_type():
    """Only the identity is given; every other column is null and rightly typed."""
    frame = SCHEMA.conform({"uid": ["a"]}, geometry=[shapely.Point(1, 2, 3)], crs=CRS)
    assert frame["order"].isna().all()
    assert str(frame["order"].dtype) == "Int64"
    SCHEMA.check(frame, crs=CRS)


def test_unknown_columns_are_an_error_not_dropped():
    """A column the catalogue does not know may not vanish."""
    with pytest.raises(LayerError, match="rust_grade"):
        good(rust_grade=[1, 2])


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"uid": ["a", None]}, "uid: no value in 1 row"),
        ({"uid": ["a", "a"]}, "uid: repeated value"),
        ({"kind": ["post", "finnial"]}, "kind: not a word of 'kind' in 1 row (b)"),
        ({"lean_deg": [-1.0, 91.0]}, "lean_deg: below 0 deg"),
        ({"lean_deg": [1.0, float("inf")]}, "lean_deg: infinite"),
        ({"day": ["14.4.2026", None]}, "day: not ISO 8601"),
        ({"time": ["2026-04-14 09:00", None]}, "time: not ISO 8601"),
    ],
)
def test_each_breach_is_named_with_its_rows(changes, words):
    """Range, vocabulary, null, repetition and form are each told."""
    with pytest.raises(LayerError) as error:
        SCHEMA.check(good(**changes), crs=CRS)
    assert words in str(error.value)


def test_all_breaches_come_in_one_error():
    """Three faults give three problems."""
    frame = good(uid=["a", "a"], kind=["x", "y"], lean_deg=[-1.0, 1.0])
    with pytest.raises(LayerError) as error:
        SCHEMA.check(frame, crs=CRS)
    assert len(error.value.problems) == 3


@pytest.mark.parametrize(
    ("shape", "words"),
    [
        (None, "no geometry"),
        (shapely.Point(), "no geometry"),
        (shapely.Point(1, 2), "no heights"),
        (shapely.LineString([(0, 0, 0), (1, 1, 1)]), "not Point"),
        (shapely.Point(float("inf"), 1, 1), "not a finite number"),
    ],
)
def test_geometry_is_checked(shape, words):
    """Missing, empty, flat, of another kind or infinite shapes are breaches."""
    frame = SCHEMA.conform({"uid": ["a"]}, geometry=[shape], crs=CRS)
    with pytest.raises(LayerError, match=words):
        SCHEMA.check(frame, crs=CRS)


def test_another_crs_is_an_error_not_a_warning():
    """The same numbers in another CRS are another place."""
    with pytest.raises(LayerError, match="CRS is"):
        SCHEMA.check(good().set_crs("EPSG:32632", allow_override=True), crs=CRS)


def test_a_column_of_another_type_is_named():
    """Text where numbers belong is told by type, not by failing later."""
    frame = good()
    frame["lean_deg"] = pd.Series(["1", "2"], dtype="str")
    with pytest.raises(LayerError, match="lean_deg: type str, must be real"):
        SCHEMA.check(frame, crs=CRS)


def test_a_plain_frame_is_checked_too():
    """A missing column is told by name."""
    frame = gpd.GeoDataFrame({"uid": ["a"]}, geometry=[shapely.Point(0, 0, 0)], crs=CRS)
    with pytest.raises(LayerError, match="columns missing: kind"):
        SCHEMA.check(frame)


def test_large_whole_numbers_keep_every_digit():
    """2**53 + 1 beside a null is still 2**53 + 1."""
    assert good(order=[2**53 + 1, None])["order"][0] == 9007199254740993
