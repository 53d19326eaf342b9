"""A GeoPackage from outside is counted in three ways and must not act on its own."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pyogrio
import pytest
import shapely

from fencemap.errors import InUseError, RefusedFileError
from fencemap.guard import audit_geopackage, owned


@pytest.fixture
def package(tmp_path):
    """Write two layers with pyogrio: 5 points, one of them without a shape, and a table row."""
    path = tmp_path / "survey.gpkg"
    shapes = [*shapely.points([[0, 0], [1, 1], [2, 2], [3, 3]]), None]
    posts = gpd.GeoDataFrame({"n": range(5)}, geometry=shapes, crs="EPSG:26918")
    pyogrio.write_dataframe(posts, path, layer="posts", driver="GPKG")
    pyogrio.write_dataframe(posts[["n"]].head(1), path, layer="notes", driver="GPKG", append=True)
    return path


def _sql(path, *statements):
    with closing(sqlite3.connect(path)) as database:
        # The index triggers of the format call functions that only its writers have.
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
            database.create_function(name, 1, lambda _: 0.0, deterministic=True)
        for statement in statements:
            database.execute(statement)
        database.commit()


def test_sound_package_is_counted(package):
    """Layers come back with the rows that were written, and a reader agrees."""
    audit = audit_geopackage(package)

    assert audit.names == ("posts", "notes")
    assert [layer.rows for layer in audit.layers] == [5, 1]
    assert [layer.geometry for layer in audit.layers] == ["geom", ""]
    assert len(pyogrio.read_dataframe(package, layer="posts")) == 5


def test_audit_leaves_nothing_behind(package):
    """Neither the file nor its folder changes, in write-ahead mode either."""
    _sql(package, "pragma journal_mode = wal")
    before = package.read_bytes()

    audit_geopackage(package)

    assert package.read_bytes() == before
    assert [path.name for path in package.parent.iterdir()] == ["survey.gpkg"]


def test_stored_count_that_would_hide_rows(package):
    """A stored count below the true one makes readers lose rows without a word; refused."""
    _sql(package, "update gpkg_ogr_contents set feature_count = 2 where table_name = 'posts'")

    assert len(pyogrio.read_dataframe(package, layer="posts")) == 2  # the reader's silent loss
    with pytest.raises(
        RefusedFileError, match="5 rows in layer 'posts', but its stored count says 2"
    ):
        audit_geopackage(package)


def test_stored_count_that_is_empty_is_no_lie(package):
    """Without a stored count readers count themselves."""
    _sql(package, "update gpkg_ogr_contents set feature_count = null")

    assert audit_geopackage(package).layers[0].rows == 5


def test_spatial_index_that_lacks_rows(package):
    """A half-filled index hides rows from every search by place; refused with both counts."""
    _sql(package, "delete from rtree_posts_geom where id = 2")

    with pytest.raises(RefusedFileError, match="4 have a shape, its spatial index has 3"):
        audit_geopackage(package)


def test_empty_shapes_are_not_expected_in_the_index(tmp_path):
    """The index holds no empty shape (OGC 12-128r18, annex F.3), so counts differ rightly."""
    path = tmp_path / "a.gpkg"
    shapes = [shapely.Point(0, 0), shapely.Point(), None]
    frame = gpd.GeoDataFrame({"n": range(3)}, geometry=shapes, crs="EPSG:26918")
    pyogrio.write_dataframe(frame, path, layer="posts", driver="GPKG")

    assert audit_geopackage(path).layers[0].rows == 3


@pytest.mark.parametrize(
    ("statement", "reason"),
    [
        ("create view v as select * from posts", "holds the view 'v'"),
        ("create view st_spatial_ref_sys as select load_extension('x') from gpkg_spatial_ref_sys", "view"),
        ("create view st_spatial_ref_sys as select * from posts", "view"),
        ("create trigger t after insert on posts begin delete from notes; end", "change 'notes'"),
        ("create trigger rtree_posts_geom_x after insert on posts begin delete from 'notes'; end", "'notes'"),
        ("create trigger t after insert on posts begin update or ignore [notes] set n = 1; end", "'notes'"),
        ("create trigger t after insert on posts begin insert or replace into`notes` (n) values (1); end", "'notes'"),
        ('create trigger t after insert on posts begin /* x */ delete /* y */ from "no$tes"; end', "'no$tes'"),
        ("create trigger t after update of n on posts begin replace into notes (n) values (1); end", "'notes'"),
        ("create virtual table f using fts5(body)", "program of its own"),
        ("alter table posts add column double integer as (n * 2)", "computes the column 'double'"),
        ("drop table gpkg_contents", "lacks the tables"),
        ("drop table notes", "lists the layer 'notes' but lacks it"),
    ],
)  # fmt: skip
def test_what_could_act_on_its_own_is_refused(package, statement, reason):
    """Views, foreign triggers, virtual tables and computed columns are named and refused."""
    _sql(package, statement)

    with pytest.raises(RefusedFileError, match=reason.replace("$", r"\$")):
        audit_geopackage(package)


# OGC 12-128r18, annex C: the views that the standard itself gives.
_VIEW_OF_SYSTEMS = """create view st_spatial_ref_sys as select srs_name, srs_id, organization,
    organization_coordsys_id, definition, description from gpkg_spatial_ref_sys"""
_VIEW_OF_COLUMNS = """create view st_geometry_columns as select table_name, column_name,
    'ST_' || geometry_type_name as geometry_type_name, g.srs_id, srs_name
    from gpkg_geometry_columns as g join gpkg_spatial_ref_sys as s where g.srs_id = s.srs_id"""
# A refusal whose message speaks of an update, as the standard's tile triggers do.
_REFUSAL = """create trigger t before update of n on posts begin
    select raise(abort, 'update on posts: n must stay') where new.n < 0; end"""
_COUNTING = """create trigger t after insert on posts begin update gpkg_ogr_contents
    set feature_count = feature_count + 1 where lower(table_name) = lower('posts'); end"""


@pytest.mark.parametrize("statement", [_VIEW_OF_SYSTEMS, _VIEW_OF_COLUMNS, _REFUSAL, _COUNTING])
def test_what_the_format_itself_needs_passes(package, statement):
    """The standard's own views and triggers are no reason to refuse."""
    _sql(package, statement)

    assert audit_geopackage(package).names == ("posts", "notes")


def test_damaged_package_is_refused(package):
    """A page overwritten with noise is found before a reader meets it."""
    content = bytearray(package.read_bytes())
    content[8192 : 8192 + 4096] = bytes(range(256)) * 16
    package.write_bytes(content)

    with pytest.raises(RefusedFileError, match=r"damaged|can't be read"):
        audit_geopackage(package)


@pytest.mark.parametrize("suffix", ["-wal", "-journal"])
def test_package_with_changes_beside_it_is_in_use(package, suffix):
    """Rows may lie in the sidecar still: close it first."""
    Path(f"{package}{suffix}").write_bytes(b"pending")

    with pytest.raises(InUseError, match=rf"survey\.gpkg{suffix} lies beside it"):
        audit_geopackage(package)


def test_package_that_another_library_holds_is_not_touched(package):
    """Two SQLite libraries on one file corrupt it, so the audit waits outside."""
    with owned(package, by="pyogrio"), pytest.raises(InUseError, match="pyogrio"):
        audit_geopackage(package)


@pytest.mark.open_data
@pytest.mark.parametrize(
    ("name", "sound"),
    [("poly_golden_gpkg_1_4", True), ("first_geometry_null", True), ("huge_feature_count", False)],
)
def test_packages_of_another_project(name, sound):
    """Files of GDAL's own test suite: sound ones pass, one with an impossible count doesn't."""
    path = Path(os.environ["FENCEMAP_OPEN_DATA"]) / "messy" / "gpkg" / f"{name}.gpkg"

    if sound:
        assert audit_geopackage(path).layers
    else:
        with pytest.raises(RefusedFileError, match="stored count"):
            audit_geopackage(path)
