from __future__ import annotations

import hashlib
import importlib.util
import json
import os
import re
import shutil
import sqlite3
import struct
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from xml.etree import ElementTree as ET

import fiona
import layer_frames as frames
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fencemap import vocabularies
from fencemap.errors import ExportError, InputError, LayerError
from fencemap.formats import geopackage
from fencemap.layers import CATALOGUE, layer

HERE = Path(__file__).parent
SYSTEM_PYTHON = Path("/usr/bin/python3")
LEAD = "Old paint holds lead: no dry sanding."


def write(path, layers=None, **more):
    """Write with the arguments that most tests share."""
    about = {"crs": frames.CRS, "title": "Märzhügel & Co", "generated": "2026-04-14"} | more
    return geopackage.write(path, frames.whole() if layers is None else layers, **about)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Every layer in one file, with metadata, cautions and a style."""
    return write(
        tmp_path_factory.mktemp("gpkg") / "condition.gpkg",
        metadata={"engine": "0.1", "pipeline": "site survey"},
        cautions=[LEAD, "Leaning stones kill."],
        styles={"elements": ("<sld/>", "<qml/>")},
    )


def ask(path, query, *values):
    """Read with Python's own SQLite."""
    with closing(sqlite3.connect(path)) as database:
        return database.execute(query, values).fetchall()


def tamper(path, *statements):
    """Change a file behind the writer's back."""
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        for function in ("MinX", "MaxX", "MinY", "MaxY", "IsEmpty"):
            database.create_function(f"ST_{function}", 1, lambda _shape: 0, deterministic=True)
        for statement in statements:
            database.execute(statement)


# --- what is written comes back -----------------------------------------------------------


def test_every_layer_comes_back_as_it_was(whole):
    """Each layer, empty ones too, is read back equal: types, nulls, dates, times, CRS, order."""
    assert geopackage.list_layers(whole) == list(CATALOGUE)
    for name, frame in frames.whole().items():
        back = layer(name).check(geopackage.read(whole, name), crs=frames.CRS)
        for column in layer(name).columns:
            pd.testing.assert_series_equal(back[column], frame[column], obj=f"{name}.{column}")
        if name != "lots" and layer(name).spatial:
            assert frames.wkb(back) == frames.wkb(frame), name


def test_a_second_reader_finds_the_same(whole):
    """fiona, with another GDAL, reads the values, nulls and coordinates that were written."""
    frame = frames.elements()
    with fiona.open(whole, layer="elements") as source:
        rows = list(source)
    assert [row["properties"]["uid"] for row in rows] == list(frame["uid"])
    assert [row["properties"]["source_row"] for row in rows[:3]] == [2, None, 9_007_199_254_740_993]
    assert [row["properties"]["make_safe"] for row in rows[:3]] == [True, None, False]
    assert [row["properties"]["lean_deg"] for row in rows[:3]] == [1.5, None, 1 / 3]
    assert rows[0]["properties"]["time"] == "2026-04-14T09:31:00+00:00"
    seen = [row["geometry"]["coordinates"] for row in rows]
    assert seen == [(p.x, p.y, p.z) for p in frame.geometry]


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_any_values_come_back(tmp_path, data):
    """Any text, number, yes/no, day, instant and coordinate comes back to the last bit."""
    rows = data.draw(st.integers(0, 6))
    maybe = lambda values: st.lists(st.none() | values, min_size=rows, max_size=rows)  # noqa: E731
    days = st.dates(min_value=pd.Timestamp(1, 1, 2).date()).map(lambda day: day.isoformat())
    instants = st.datetimes(min_value=pd.Timestamp(1700, 1, 1).to_pydatetime())
    marks = {
        "uid": [f"{i}-{text}" for i, text in enumerate(data.draw(maybe(frames.TEXT)))],
        "survey_id": ["s1"] * rows,
        "phase": ["1"] * rows,
        "operation": ["digging"] * rows,
        "runs": ["*"] * rows,
        "date": data.draw(maybe(days)),
        "crew": data.draw(maybe(frames.TEXT)),
        "source_row": data.draw(maybe(st.integers(0, 2**53))),
    }
    places = data.draw(st.lists(st.tuples(*[frames.REAL] * 3), min_size=rows, max_size=rows))
    signs = {key: marks[key] for key in ("uid", "survey_id", "source_row")}
    signs |= {"element_id": ["P"] * rows, "kind": ["post"] * rows}
    signs["make_safe"] = data.draw(maybe(st.booleans()))
    signs["bend_mm"] = data.draw(maybe(st.floats(0, 1e300)))
    signs["time"] = [
        None if t is None else re.sub(r"\.?0*Z$", "Z", f"{t:%Y-%m-%dT%H:%M:%S.}{t.microsecond // 1000:03}Z")
        for t in data.draw(maybe(instants))
    ]  # fmt: skip
    points = shapely.points(np.array(places, float).reshape(rows, 3))
    layers = {
        "elements": layer("elements").conform(signs, geometry=points, crs=frames.CRS),
        "work": layer("work").conform(marks),
    }
    made = write(tmp_path / "any.gpkg", layers)
    for name, frame in layers.items():
        back = geopackage.read(made, name)
        for column in layer(name).columns:
            pd.testing.assert_series_equal(back[column], frame[column], obj=column)
    assert frames.wkb(geopackage.read(made, "elements")) == frames.wkb(layers["elements"])


def test_measures_are_in_the_file(whole):
    """Z and M stand in the blob as ISO WKB type 3002 (OGC 06-103r4), read here byte by byte."""
    (blob,) = ask(whole, "SELECT geometry FROM rail_clearance WHERE uid = 'a'")[0]
    start = 8 + 32 + (16 if blob[3] >> 1 & 7 == 2 else 0)  # header, envelope with or without Z
    order, kind, count = struct.unpack_from("<BII", blob, start)
    assert (order, kind, count) == (1, 3002, 2)
    assert struct.unpack_from("<8d", blob, start + 9) == (0, 0, 1, 2, 1, 1, 3, 4)


def test_dimensions_are_declared_for_empty_layers_too(tmp_path, whole):
    """gpkg_geometry_columns says mandatory (1) or prohibited (0) for Z and M, with or without rows."""
    empty = write(tmp_path / "e.gpkg", {name: s.empty(frames.CRS) for name, s in CATALOGUE.items()})
    for path in (empty, whole):
        said = {
            name: (kind, z, m)
            for name, kind, z, m in ask(
                path, "SELECT table_name, geometry_type_name, z, m FROM gpkg_geometry_columns"
            )
        }
        assert said["rail_clearance"] == ("LINESTRING", 1, 1)
        assert said["elements"] == ("POINT", 1, 0)
        assert said["trees"] == ("POINT", 0, 0)
        assert said["lots"] == ("MULTIPOLYGON", 0, 0)
        assert said["changes"] == ("GEOMETRY", 0, 0)


def test_single_shapes_become_multiple_where_both_are_allowed(whole):
    """A lot in one piece is stored as a multipolygon of one, so that the column has one type."""
    back = geopackage.read(whole, "lots")
    assert list(back.geom_type) == ["MultiPolygon"] * 2
    assert back.geometry.iloc[0].geoms[0].equals(frames.lots().geometry.iloc[0])


def test_columns_have_the_types_of_the_standard(whole):
    """SQL types are those of OGC 12-128r17 table 1, uid is text, fid only the place 1 to n."""
    types = {row[1]: row[2] for row in ask(whole, "PRAGMA table_info(elements)")}
    types |= {row[1]: row[2] for row in ask(whole, "PRAGMA table_info(work)")}
    expected = {
        "fid": "INTEGER", "geometry": "POINT", "uid": "TEXT", "source_row": "INTEGER",
        "lean_deg": "REAL", "make_safe": "BOOLEAN", "time": "DATETIME", "date": "DATE",
    }  # fmt: skip
    assert {name: types[name] for name in expected} == expected
    assert [row[0] for row in ask(whole, "SELECT fid FROM elements")] == [1, 2, 3, 4, 5]
    values = ask(whole, "SELECT time, source_row, lean_deg, make_safe FROM elements LIMIT 2")
    assert values == [("2026-04-14T09:31:00.000Z", 2, 1.5, 1), (None, None, None, None)]
    assert ask(whole, "SELECT date FROM work") == [("2026-05-04",), (None,)]


# --- what the file says of itself ---------------------------------------------------------


def test_columns_are_described(whole):
    """Every column of the catalogue has its meaning, with the unit where it has one."""
    said = {
        (table, column): text
        for table, column, text in ask(
            whole, "SELECT table_name, column_name, description FROM gpkg_data_columns"
        )
    }
    assert set(said) == {(s.name, name) for s in CATALOGUE.values() for name in s.columns}
    for schema in CATALOGUE.values():
        for field in schema.fields:
            assert said[schema.name, field.name].startswith(field.meaning)
            assert not field.unit or f"[{field.unit}]" in said[schema.name, field.name]
    assert said["elements", "bend_mm"].endswith("[mm]; at least 0")


def test_words_and_bounds_are_constraints(whole):
    """Coded columns carry their words with definitions; two-sided bounds are ranges."""
    query = (
        "SELECT c.value, c.description FROM gpkg_data_columns d JOIN gpkg_data_column_constraints c"
        " USING (constraint_name) WHERE d.table_name = ? AND d.column_name = ? ORDER BY c.rowid"
    )
    assert ask(whole, query, "elements", "role") == list(
        vocabularies.vocabulary("role").terms.items()
    )
    bounds = query.replace("c.value, c.description", "c.constraint_type, c.min, c.max")
    assert ask(whole, bounds, "elements", "lean_deg") == [("range", 0, 90)]
    assert ask(whole, bounds, "weather", "air_temp_c") == [("range", -60, 60)]


def test_layers_are_described_with_a_fixed_clock(whole):
    """Name, meaning and the survey's day stand in gpkg_contents, in the catalogue's order."""
    rows = ask(whole, "SELECT table_name, identifier, description, last_change FROM gpkg_contents")
    expected = [(s.name, s.name, s.meaning, "2026-04-14T00:00:00.000Z") for s in CATALOGUE.values()]
    assert rows[: len(expected)] == expected


def test_metadata_holds_provenance_and_cautions(whole):
    """Title and day as Dublin Core, provenance as JSON, cautions as text: for the whole file."""
    rows = ask(
        whole,
        "SELECT md_standard_uri, mime_type, metadata, reference_scope, timestamp FROM gpkg_metadata"
        " JOIN gpkg_metadata_reference ON id = md_file_id ORDER BY id",
    )
    core, provenance, cautions = (row[2] for row in rows)
    assert {row[3:] for row in rows} == {("geopackage", "2026-04-14T00:00:00.000Z")}
    dublin = "{http://purl.org/dc/elements/1.1/}"
    assert ET.fromstring(core).find(f"{dublin}title").text == "Märzhügel & Co"
    assert ET.fromstring(core).find(f"{dublin}date").text == "2026-04-14"
    document = json.loads(provenance)
    assert document["provenance"] == {"engine": "0.1", "pipeline": "site survey"}
    assert document["vocabularies"]["version"] == vocabularies.version()
    assert document["catalogue"]["elements"] == layer("elements").version
    assert cautions.split("\n\n") == [LEAD, "Leaning stones kill."]


def test_extensions_are_registered(whole):
    """The schema and metadata extensions have the rows that annex F of OGC 12-128r17 asks for."""
    rows = ask(
        whole,
        "SELECT table_name, extension_name, scope FROM gpkg_extensions "
        "WHERE extension_name <> 'gpkg_rtree_index' ORDER BY table_name",
    )
    assert rows == [
        ("gpkg_data_column_constraints", "gpkg_schema", "read-write"),
        ("gpkg_data_columns", "gpkg_schema", "read-write"),
        ("gpkg_metadata", "gpkg_metadata", "read-write"),
        ("gpkg_metadata_reference", "gpkg_metadata", "read-write"),
    ]


def test_styles_are_kept_in_both_forms(whole, tmp_path):
    """A style is stored as SLD and QML and is the default; without styles there is no table."""
    row = ask(
        whole,
        "SELECT f_table_name, f_geometry_column, styleSLD, styleQML, useAsDefault FROM layer_styles",
    )
    assert row == [("elements", "geometry", "<sld/>", "<qml/>", 1)]
    plain = write(tmp_path / "p.gpkg", {"trees": frames.trees(2)})
    assert ask(plain, "SELECT name FROM sqlite_master WHERE name = 'layer_styles'") == []


def test_nothing_lies_beside_the_file(tmp_path):
    """One file only, in rollback-journal mode (file format bytes 18 and 19 are 1, not WAL's 2)."""
    made = write(tmp_path / "a.gpkg", {"trees": frames.trees(2)})
    assert [path.name for path in tmp_path.iterdir()] == ["a.gpkg"]
    assert made.read_bytes()[18:20] == b"\x01\x01"


@pytest.mark.gdal
def test_the_validator_of_gdal_accepts_it(whole, tmp_path):
    """GDAL's conformance check of OGC 12-128r17 finds no breach, warnings counted too."""
    found = importlib.util.find_spec("osgeo_utils")
    if found is None or not found.submodule_search_locations:
        pytest.skip("no validator: pip install --no-deps gdal-utils==3.13.3.0")
    probe = [SYSTEM_PYTHON, "-c", "from osgeo import ogr"]
    if (
        not SYSTEM_PYTHON.exists()
        or subprocess.run(probe, capture_output=True, check=False).returncode
    ):
        pytest.skip("no GDAL for the validator: apt-get install python3-gdal")
    # Only this package may be seen by the system's Python, not the rest of our environment.
    (tmp_path / "osgeo_utils").symlink_to(found.submodule_search_locations[0])
    script = tmp_path / "osgeo_utils" / "samples" / "validate_gpkg.py"
    clean = {"PATH": os.environ["PATH"], "PYTHONPATH": str(tmp_path)}

    def validate(path):
        order = [SYSTEM_PYTHON, script, "-k", "--extra", "--warning-as-error", path]
        return subprocess.run(order, capture_output=True, text=True, env=clean, check=False)

    assert (answer := validate(whole)).returncode == 0, answer.stdout + answer.stderr
    broken = shutil.copy(whole, tmp_path / "broken.gpkg")
    tamper(broken, "DELETE FROM gpkg_spatial_ref_sys WHERE srs_id = 32618")
    assert validate(broken).returncode != 0


# --- the same bytes -----------------------------------------------------------------------


def test_the_same_layers_give_the_same_bytes(tmp_path):
    """Hash seed, time zone, locale, process and the time of day leave no trace in the file."""
    code = (
        "import sys, layer_frames as f\nfrom pathlib import Path\n"
        "from fencemap.formats import geopackage\n"
        "geopackage.write(Path(sys.argv[1]), f.whole(), crs=f.CRS, title='T',"
        " generated='2026-04-14', cautions=['c'], styles={'lots': ('s', 'q')})"
    )
    digests = set()
    for number, (seed, zone, locale) in enumerate(
        [("0", "UTC", "C"), ("7", "Asia/Tokyo", "C.UTF-8")]
    ):
        path = tmp_path / f"{number}.gpkg"
        world = os.environ | {"PYTHONHASHSEED": seed, "TZ": zone, "LC_ALL": locale}
        world["PYTHONPATH"] = str(HERE)
        subprocess.run([sys.executable, "-W", "error", "-c", code, path], env=world, check=True)
        digests.add(hashlib.sha256(path.read_bytes()).hexdigest())
    assert len(digests) == 1


def test_many_rows_give_the_same_bytes(tmp_path):
    """The spatial index that GDAL builds in the background for large layers is the same each time."""
    many = {"trees": frames.trees(120_000)}
    one, two = (write(tmp_path / name, many).read_bytes() for name in ("a.gpkg", "b.gpkg"))
    assert hashlib.sha256(one).digest() == hashlib.sha256(two).digest()


@pytest.mark.parametrize("former", [None, "2001-01-01T00:00:00.000Z"])
def test_gdal_gets_its_settings_back(tmp_path, former):
    """After writing, and after a failure, GDAL's clock is what it was before."""
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": former})
    try:
        write(tmp_path / "a.gpkg", {"trees": frames.trees(2)})
        assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") == former
        with pytest.raises(LayerError):
            write(tmp_path / "b.gpkg", {"work": frames.work().assign(phase="a\0b")})
        assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") == former
        assert pyogrio.get_gdal_config_option("OGR_SQLITE_SYNCHRONOUS") is None
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


# --- refusals -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"phase": "a\0b"}, "NUL"),
        ({"date": "2026-02-30"}, "not a date"),
        ({"operation": "dancing"}, "not a word of 'operation'"),
    ],
)
def test_values_that_would_be_changed_are_refused(tmp_path, change, words):
    """A text that would be cut, or a day that does not exist, is an error; the old file stands."""
    path = tmp_path / "a.gpkg"
    path.write_bytes(b"old")
    bad = layer("work").conform(frames.work().assign(**change))
    with pytest.raises(LayerError, match=words):
        write(path, {"work": bad})
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.gpkg"]


def test_another_crs_or_an_unknown_layer_is_refused(tmp_path):
    """A layer in another CRS than the file's, and a name that the catalogue lacks, are errors."""
    with pytest.raises(LayerError, match="CRS is"):
        write(tmp_path / "a.gpkg", {"trees": frames.trees(2)}, crs="EPSG:32619")
    with pytest.raises(LayerError, match="not in the catalogue"):
        write(tmp_path / "a.gpkg", {"flowers": frames.trees(2)})


def test_no_layer_and_no_day_are_refused(tmp_path):
    """There must be a layer, and the clock must be an ISO 8601 day."""
    with pytest.raises(ValueError, match="at least one layer"):
        write(tmp_path / "a.gpkg", {})
    with pytest.raises(ValueError, match="isoformat"):
        write(tmp_path / "a.gpkg", {"trees": frames.trees(2)}, generated="14 April")


@pytest.mark.parametrize(
    "crs",
    [
        "EPSG:27700",
        "EPSG:31467",
        "EPSG:26918+5703",
        "+proj=tmerc +lat_0=40 +lon_0=-75 +x_0=1000 +ellps=GRS80",
    ],
)
def test_a_crs_comes_back_whole(tmp_path, crs):
    """A CRS with a code, with northing first, with heights, or of the site's own making is kept."""
    frame = frames.trees(2).set_crs(crs, allow_override=True)
    made = write(tmp_path / "a.gpkg", {"trees": frame}, crs=crs)
    assert geopackage.read(made, "trees").crs == frame.crs


FAULTS = {
    "stored count": (["UPDATE gpkg_ogr_contents SET feature_count = 0 WHERE table_name = 'trees'"], "stored count says 0"),
    "index": (["DELETE FROM rtree_trees_geometry WHERE id = 2"], "index holds 2"),
    "row": (["DELETE FROM trees WHERE fid = 3"], "2 rows of 3"),
    "layer": (
        ["DELETE FROM gpkg_contents WHERE table_name = 'work'", "DELETE FROM gpkg_ogr_contents WHERE table_name = 'work'"],
        "layers missing: work",
    ),
    "mark": (["PRAGMA application_id = 1"], "application_id is 1, must be 1196444487"),
    "version": (["PRAGMA user_version = 10200"], "user_version is 10200, must be 10300"),
    "uid": (["UPDATE trees SET uid = 'x' WHERE fid = 1"], "first uid is x"),
    "shape": (["UPDATE trees SET geometry = (SELECT geometry FROM trees WHERE fid = 2) WHERE fid = 1"], "other coordinates"),
    "reference": (["UPDATE gpkg_contents SET srs_id = 77 WHERE table_name = 'work'"], "refers to a row that is not there"),
    "CRS": (
        [
            "UPDATE gpkg_contents SET srs_id = 4326 WHERE table_name = 'trees'",
            "UPDATE gpkg_geometry_columns SET srs_id = 4326 WHERE table_name = 'trees'",
        ],
        "CRS is",
    ),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_verify_finds_every_fault(tmp_path, fault):
    """A file that differs from its frames in any way is not published."""
    layers = {"trees": frames.trees(3), "work": frames.work()}
    path = write(tmp_path / "a.gpkg", layers)
    geopackage.verify(path, layers)
    statements, words = FAULTS[fault]
    tamper(path, *statements)
    with pytest.raises(ExportError, match=words):
        geopackage.verify(path, layers)


def test_a_damaged_page_is_found(tmp_path):
    """Bytes overwritten in the middle of the database fail the check."""
    layers = {"trees": frames.trees(2000)}
    path = write(tmp_path / "a.gpkg", layers)
    content = bytearray(path.read_bytes())
    middle = len(content) // 2 // 4096 * 4096
    content[middle : middle + 4096] = b"\xff" * 4096
    path.write_bytes(content)
    with pytest.raises(ExportError, match="the database is damaged"):
        geopackage.verify(path, layers)


def test_a_breach_that_only_the_database_sees_is_found(tmp_path):
    """SQLite's own check counts too: here a null in a column whose definition forbids it."""
    layers = {"trees": frames.trees(3)}
    path = write(tmp_path / "a.gpkg", layers)
    tamper(
        path,
        "PRAGMA writable_schema = ON",
        """UPDATE sqlite_master SET sql = replace(sql, '"species" TEXT', '"species" TEXT NOT NULL')""",
    )
    with pytest.raises(ExportError, match=r"NULL value in trees.species"):
        geopackage.verify(path, layers)


def test_times_are_kept_to_the_millisecond(tmp_path):
    """Finer digits of a second are cut off, as the standard's DATETIME has three."""
    frame = frames.elements(1).assign(time="2026-04-14T09:31:00.123987654321Z")
    made = write(tmp_path / "a.gpkg", {"elements": layer("elements").conform(frame)})
    assert list(geopackage.read(made, "elements")["time"]) == ["2026-04-14T09:31:00.123Z"]


@pytest.mark.parametrize("fault", ["stored count", "index"])
def test_half_written_layers_are_not_read(tmp_path, fault):
    """Where counts disagree a reader would silently get fewer rows: refused with a remedy."""
    path = write(tmp_path / "a.gpkg", {"trees": frames.trees(3), "work": frames.work()})
    tamper(path, *FAULTS[fault][0])
    with pytest.raises(InputError, match="not written to its end"):
        geopackage.read(path, "trees")


def test_files_that_are_no_geopackage_are_refused(tmp_path, whole):
    """A text file, a missing file and a missing layer each give one clear error."""
    text = tmp_path / "a.gpkg"
    text.write_text("easting,northing\n" * 100)
    with pytest.raises(InputError, match="is not a GeoPackage"):
        geopackage.list_layers(text)
    with pytest.raises(InputError, match="no such file"):
        geopackage.read(tmp_path / "b.gpkg", "trees")
    with pytest.raises(InputError, match="has no layer"):
        geopackage.read(write(tmp_path / "c.gpkg", {"work": frames.work()}), "trees")


def test_a_first_row_without_a_place_is_no_fault(tmp_path):
    """A panel known by its run alone may stand first; the second reader agrees with it."""
    schema = layer("elements")
    frame = schema.conform(
        {
            "uid": ["a", "b"],
            "survey_id": ["s", "s"],
            "element_id": ["B1", "P1"],
            "kind": ["panel", "post"],
        },
        geometry=[None, shapely.Point(500000.0, 6000000.0, 5.0)],
        crs="EPSG:32631",
    )
    path = geopackage.write(
        tmp_path / "a.gpkg", {"elements": frame}, crs="EPSG:32631", title="T", generated="2026-04-14"
    )
    assert geopackage.read(path, "elements").geometry.isna().tolist() == [True, False]
