from __future__ import annotations

import hashlib
import sqlite3
import struct
from contextlib import closing

import layer_frames as frames
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from fencemap.errors import InputError, LayerError
from fencemap.formats import geopackage, store, tables
from fencemap.formats.digest import file_digest, frame_digest, layer_digests
from fencemap.guard import new_raster
from fencemap.layers import layer


def by_hand(frame):
    """Digest by the method's words in the module, row by row with `struct`; plain tables only."""
    names = sorted(frame.columns)
    kinds = {"str": "text", "Int64": "integer", "float64": "real", "boolean": "boolean"}
    whole = hashlib.sha256(b"fencemap rows 1\n")
    for part in ["", *(f"{name}:{kinds[str(frame[name].dtype)]}" for name in names)]:
        whole.update(struct.pack("<Q", len(part.encode())) + part.encode())
    hashes = []
    for row in frame[names].itertuples(index=False):
        fixed, loose = b"", b""
        for value, name in zip(row, names, strict=True):
            kind = kinds[str(frame[name].dtype)]
            null = pd.isna(value)
            if kind == "text":
                raw = b"" if null else value.encode()
                fixed += struct.pack("<?q", null, len(raw))
                loose += raw
            elif kind == "real":
                fixed += struct.pack("<?d", null, 0.0 if null or value == 0 else value)
            else:
                fixed += struct.pack("<?q", null, 0 if null else int(value))
        hashes.append(hashlib.blake2b(fixed + loose, digest_size=32).digest())
    whole.update(b"".join(sorted(hashes)))
    return whole.hexdigest()


@st.composite
def plain_frame(draw):
    """Draw a table of all four types."""
    rows = draw(st.integers(0, 8))

    def column(values, dtype):
        return pd.Series(draw(st.lists(values, min_size=rows, max_size=rows)), dtype=dtype)

    return pd.DataFrame(
        {
            "word": column(st.none() | frames.TEXT, "str"),
            "note": column(st.none() | frames.TEXT, "str"),
            "count": column(st.none() | st.integers(-(2**63), 2**63 - 1), "Int64"),
            "size": column(st.floats(), "float64"),
            "sure": column(st.none() | st.booleans(), "boolean"),
        }
    )


@settings(max_examples=150, deadline=None)
@given(frame=plain_frame(), seed=st.integers(0, 99))
def test_it_is_what_the_method_says(frame, seed):
    """The fast digest equals one worked out row by row, in any order of rows and columns."""
    shuffled = frame.sample(frac=1, random_state=seed)
    assert frame_digest(frame) == by_hand(frame)
    assert frame_digest(shuffled[sorted(frame.columns, key=hash)]) == by_hand(frame)


CHANGES = {
    "one bit of a number": lambda f: f.assign(height_m=np.nextafter(f["height_m"], 9e9)),
    "null for zero": lambda f: f.assign(height_m=f["height_m"].replace(0.0, np.nan)),
    "one letter": lambda f: f.assign(uid=f["uid"].replace("T1", "t1")),
    "empty for null": lambda f: f.assign(species=pd.Series([""] * len(f), dtype="str")),
    "a row twice": lambda f: pd.concat([f, f.iloc[:1]]),
    "a row less": lambda f: f.iloc[1:],
    "values swapped between rows": lambda f: f.assign(uid=f["uid"].to_numpy()[::-1].copy()).astype({"uid": "str"}),
    "values swapped between columns": lambda f: f.rename(columns={"uid": "element_id", "element_id": "uid"}).assign(uid="x"),
    "a column's name": lambda f: f.rename(columns={"species": "kind"}),
    "another CRS": lambda f: f.set_crs("EPSG:32619", allow_override=True),
    "a shape": lambda f: f.set_geometry(f.geometry.translate(1e-9)),
    "a height": lambda f: f.set_geometry(shapely.force_3d(f.geometry, 1.0)),
}  # fmt: skip


@pytest.mark.parametrize("change", CHANGES)
def test_every_change_of_content_shows(change):
    """A change of one bit, one letter, one null, one row, one name or the CRS gives another digest."""
    frame = frames.trees(20)
    assert frame_digest(CHANGES[change](frame)) != frame_digest(frame)


def test_what_means_the_same_is_the_same():
    """Minus zero is zero, every NaN is a null, and the index is no content."""
    one = pd.DataFrame({"a": [0.0, np.nan]})
    other = np.frombuffer(struct.pack("<QQ", 1 << 63, 0x7FF8000000000123), "f8")
    two = pd.DataFrame({"a": other.copy()}, index=["x", "y"])
    assert frame_digest(one) == frame_digest(two)
    with pytest.raises(LayerError, match="type int64"):
        frame_digest(pd.DataFrame({"a": [1]}))


def few():
    """Five layers with rows and one without."""
    kept = ("elements", "rail_clearance", "lots", "work", "trees", "weather")
    return {name: frame for name, frame in frames.whole().items() if name in kept}


def write(path, layers, **more):
    about = {"title": "T", "generated": "2026-04-14"} | more
    return geopackage.write(path, layers, crs=frames.CRS, **about)


def test_a_geopackage_in_another_layout_is_the_same(tmp_path):
    """Another order of rows, another day, title and style, and a repacked file change nothing."""
    layers = few()
    one = write(tmp_path / "a.gpkg", layers)
    turned = {name: frame.iloc[::-1] for name, frame in reversed(layers.items())}
    two = write(
        tmp_path / "b.gpkg", turned, title="U", generated="2027-01-01", styles={"lots": ("s", "q")}
    )
    with closing(sqlite3.connect(two, isolation_level=None)) as database:
        database.execute("PRAGMA page_size = 8192")
        database.execute("VACUUM")
    assert one.read_bytes() != two.read_bytes()
    assert file_digest(one) == file_digest(two)
    assert list(layer_digests(one)) == list(layers)


def test_a_change_in_a_geopackage_is_found_and_named(tmp_path):
    """A changed cell changes the file's digest, and that of its own layer only."""
    layers = few()
    one = write(tmp_path / "a.gpkg", layers)
    changed = frames.elements().assign(lean_deg=lambda f: f["lean_deg"].replace(1.5, 1.6))
    two = write(tmp_path / "b.gpkg", layers | {"elements": changed})
    assert file_digest(one) != file_digest(two)
    before, after = layer_digests(one), layer_digests(two)
    assert [name for name in before if before[name] != after[name]] == ["elements"]
    fewer = write(tmp_path / "c.gpkg", {n: f for n, f in layers.items() if n != "weather"})
    assert file_digest(fewer) != file_digest(one)


def test_a_stored_layer_has_the_digest_of_its_frame(tmp_path):
    """The file between two steps and the frame in memory give the same digest."""
    frame = frames.clearance()
    assert file_digest(store.save(tmp_path / "a.parquet", frame)) == frame_digest(frame)


def test_tables_in_another_order_are_the_same(tmp_path):
    """Rows of a CSV may change places, also rows with line breaks in a cell; the header may not."""
    frame = layer("work").conform(frames.work().assign(crew=['a\r\n"b"', "x,y"]))
    one = tables.write_csv(frame, tmp_path / "a.csv", layer("work"))
    two = tables.write_csv(frame.iloc[::-1], tmp_path / "b.csv", layer("work"))
    assert one.read_bytes() != two.read_bytes()
    assert file_digest(one) == file_digest(two)
    header, *rows = one.read_bytes().split(b"\r\n")
    three = tmp_path / "c.csv"
    three.write_bytes(b"\r\n".join([header.replace(b"crew", b"team"), *rows]))
    four = tmp_path / "d.csv"
    four.write_bytes(one.read_bytes().replace(b"x,y", b"x,z"))
    assert len({file_digest(path) for path in (one, three, four)}) == 3


def test_lines_within_a_cell_belong_to_their_row(tmp_path):
    """The same lines put together to other rows are another table."""
    one, two = tmp_path / "a.csv", tmp_path / "b.csv"
    one.write_bytes(b'h,i\na,"x\n1"\nb,"y\n2"\n')
    two.write_bytes(b'h,i\na,"x\n2"\nb,"y\n1"\n')
    assert file_digest(one) != file_digest(two)


def raster(path, *, pixels=None, east=500_000.0, nodata=-9999.0, **form):
    """Write a small ground model."""
    from rasterio.transform import Affine

    values = np.arange(40_000, dtype="float32").reshape(400, 100) if pixels is None else pixels
    about = {"driver": "GTiff", "height": 400, "width": 100, "count": 1, "dtype": "float32"}
    about |= {
        "crs": frames.CRS,
        "transform": Affine(0.05, 0, east, 0, -0.05, 4.4e6),
        "nodata": nodata,
    }
    with new_raster(path, **about, **form) as dataset:
        dataset.write(values, 1)
    return path


def test_a_raster_is_its_pixels_and_its_place(tmp_path):
    """Tiling and compression change nothing; one pixel, the place or the nodata value does."""
    plain = raster(tmp_path / "a.tif")
    tiled = raster(tmp_path / "b.tif", tiled=True, blockxsize=64, blockysize=64, compress="deflate")
    assert plain.read_bytes() != tiled.read_bytes()
    assert file_digest(plain) == file_digest(tiled)
    pixels = np.arange(40_000, dtype="float32").reshape(400, 100)
    pixels[399, 99] += 1
    others = [
        raster(tmp_path / "c.tif", pixels=pixels),
        raster(tmp_path / "d.tif", east=500_000.05),
        raster(tmp_path / "e.tif", nodata=-1.0),
    ]
    assert len({file_digest(path) for path in (plain, *others)}) == 4


def test_other_files_are_their_bytes(tmp_path):
    """Maps, texts and photographs are compared byte by byte (SHA-256 as hashlib has it)."""
    page = tmp_path / "map.html"
    page.write_bytes(b"<!doctype html>\n")
    assert file_digest(page) == hashlib.sha256(b"<!doctype html>\n").hexdigest()
    with pytest.raises(InputError, match="can't be read"):
        file_digest(tmp_path / "none.html")
    (tmp_path / "a.gpkg").write_bytes(b"no database")
    assert file_digest(tmp_path / "a.gpkg") == hashlib.sha256(b"no database").hexdigest()


def test_a_half_written_geopackage_has_no_digest(tmp_path):
    """Where a reader would silently get fewer rows there is an error, not a digest."""
    path = write(tmp_path / "a.gpkg", {"trees": frames.trees(5)})
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        database.execute("UPDATE gpkg_ogr_contents SET feature_count = 3")
    with pytest.raises(InputError, match="not written to its end"):
        file_digest(path)


def test_many_rows_are_cut_without_trace():
    """The digest of 300,000 rows, worked in blocks, does not depend on their order."""
    frame = frames.trees(300_000)
    assert frame_digest(frame) == frame_digest(frame.iloc[::-1])
