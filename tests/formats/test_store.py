from __future__ import annotations

import geopandas as gpd
import layer_frames as frames
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fencemap.errors import InputError, LayerError
from fencemap.formats import store
from fencemap.layers import CATALOGUE, layer

ANY_FLOAT = st.floats(allow_nan=True, allow_infinity=True)
SHAPES = [
    "POINT (1 2)", "POINT Z (1 2 3)", "POINT Z (1 2 nan)", "POINT M (1 2 3)", "POINT EMPTY", "POINT Z EMPTY",
    "LINESTRING ZM (0.1 0 1 2, 5 1 nan 7)", "MULTILINESTRING ((0 0, 1 1), (2 2, 3 3))",
    "POLYGON ((0 0, 1 0, 1 1, 0 0))", "MULTIPOLYGON Z (((0 0 1, 1 0 1, 1 1 1, 0 0 1)))", None,
]  # fmt: skip


@st.composite
def any_frame(draw):
    """Draw a frame of all four types with nulls anywhere, with or without shapes of any kind."""
    rows = draw(st.integers(0, 8))

    def column(values, dtype):
        return pd.Series(draw(st.lists(values, min_size=rows, max_size=rows)), dtype=dtype)

    frame = pd.DataFrame(
        {
            "word": column(st.none() | frames.TEXT, "str"),
            "count": column(st.none() | st.integers(-(2**63), 2**63 - 1), "Int64"),
            "size": column(ANY_FLOAT, "float64"),
            "sure": column(st.none() | st.booleans(), "boolean"),
        }
    )
    if not draw(st.booleans()):
        return frame
    texts = draw(st.lists(st.sampled_from(SHAPES), min_size=rows, max_size=rows))
    crs = draw(st.sampled_from([None, frames.CRS, "EPSG:31467"]))
    shapes = np.array([None if text is None else shapely.from_wkt(text) for text in texts], object)
    return gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries(shapes, crs=crs))


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(frame=any_frame())
def test_a_frame_comes_back_exactly(tmp_path, frame):
    """Types, nulls, text, numbers to the last bit, shapes with Z and M, CRS: all as they were."""
    back = store.load(store.save(tmp_path / "frame.parquet", frame))
    assert type(back) is type(frame)
    assert list(back.columns) == list(frame.columns)
    assert [str(dtype) for dtype in back.dtypes] == [str(dtype) for dtype in frame.dtypes]
    for column in ("word", "count", "sure"):
        pd.testing.assert_series_equal(back[column], frame[column])
    both = [f["size"].to_numpy() for f in (back, frame)]
    assert [np.isnan(values).tolist() for values in both] == [np.isnan(both[1]).tolist()] * 2
    bits = [values[~np.isnan(values)].tobytes() for values in both]
    assert bits[0] == bits[1]
    if "geometry" in frame:
        assert frames.wkb(back) == frames.wkb(frame)
        assert back.crs == frame.crs
        marks = [(shapely.has_z(f.geometry), shapely.has_m(f.geometry)) for f in (back, frame)]
        assert np.array_equal(marks[0], marks[1])


@pytest.mark.parametrize("name", CATALOGUE)
def test_empty_layers_come_back(tmp_path, name):
    """A layer without rows still passes its own schema when it comes back."""
    frame = layer(name).empty(frames.CRS)
    layer(name).check(store.load(store.save(tmp_path / f"{name}.parquet", frame)))


def test_the_same_frame_gives_the_same_bytes(tmp_path):
    """Two files of one frame are equal byte by byte."""
    one, two = (store.save(tmp_path / f"{n}.parquet", frames.elements()) for n in "ab")
    assert one.read_bytes() == two.read_bytes()


def test_the_index_is_not_kept(tmp_path):
    """Rows keep their order; their labels are counted anew, as everywhere in the catalogue."""
    frame = frames.trees(4).iloc[::-1]
    back = store.load(store.save(tmp_path / "a.parquet", frame))
    assert list(back["uid"]) == list(frame["uid"])
    assert list(back.index) == [0, 1, 2, 3]


@pytest.mark.parametrize("values", [[1, 2], [np.float32(1), np.float32(2)], [b"a", b"b"]])
def test_other_types_are_refused(tmp_path, values):
    """A column that would come back with another type is an error that names it."""
    frame = pd.DataFrame({"odd": pd.Series(values)})
    with pytest.raises(LayerError, match="odd: type"):
        store.save(tmp_path / "a.parquet", frame)
    assert list(tmp_path.iterdir()) == []


def test_damaged_and_foreign_files_are_refused(tmp_path):
    """A cut file, a file of another program and a missing file give a remedy, no traceback."""
    path = store.save(tmp_path / "a.parquet", frames.trees(100))
    path.write_bytes(path.read_bytes()[:-20])
    foreign = tmp_path / "b.parquet"
    pq.write_table(
        pq.read_table(store.save(tmp_path / "c.parquet", frames.work()))
        .select(["uid"])
        .replace_schema_metadata(),
        foreign,
    )
    for bad in (path, foreign, tmp_path / "none.parquet"):
        with pytest.raises(InputError, match="made anew"):
            store.load(bad)
