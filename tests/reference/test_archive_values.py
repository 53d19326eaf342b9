"""Values of archive standards, as their publishers print them."""

from __future__ import annotations

import re
import sqlite3
import struct
from contextlib import closing

import pytest
import shapely

from fencemap.formats import geopackage
from fencemap.formats.digest import file_digest
from fencemap.layers import layer


@pytest.fixture
def tree(tmp_path):
    """One tree in EPSG:32618, a point without height."""
    data = {"uid": ["a"], "survey_id": ["s1"], "element_id": ["T1"]}
    frame = layer("trees").conform(
        data, geometry=shapely.points([[500000.0, 4400000]]), crs="EPSG:32618"
    )
    about = {"title": "T", "generated": "2026-04-14"}
    return geopackage.write(tmp_path / "a.gpkg", {"trees": frame}, crs="EPSG:32618", **about)


def test_digest_of_the_suite_bag_payload(tmp_path):
    r"""SHA-256 of ``hello\n``: Library of Congress bagit-conformance-suite, v1.0/valid/basicBag."""
    path = tmp_path / "hello.txt"
    path.write_bytes(b"hello\n")
    printed = "5891b5b522d5df086d0ff0b110fbd9d21bb4fc7163af34d08286a2e846f6be03"
    assert file_digest(path) == printed


def test_header_of_the_database(tree):
    """OGC 12-128r17, requirements 1 and 2: header text, application id at 68, version 1.3.0 at 60."""
    head = tree.read_bytes()[:100]
    assert head[:16] == b"SQLite format 3\0"
    assert struct.unpack(">I", head[68:72]) == (1196444487,)
    assert struct.unpack(">I", head[60:64]) == (10300,)


def test_header_of_a_geometry(tree):
    """OGC 12-128r17, clause 2.1.3: a point in EPSG:32618 begins with 47 50 00 01 6a 7f 00 00."""
    with closing(sqlite3.connect(tree)) as database:
        (blob,) = database.execute("SELECT geometry FROM trees").fetchone()
    assert blob[:8].hex() == "475000016a7f0000"


def test_required_reference_systems(tree):
    """OGC 12-128r17, requirement 11: gpkg_spatial_ref_sys has -1, 0 and 4326, and the one in use."""
    with closing(sqlite3.connect(tree)) as database:
        found = {row[0] for row in database.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
    assert found == {-1, 0, 4326, 32618}


def test_sound_and_closed(tree):
    """OGC 12-128r17, requirements 6 and 7: integrity_check is ok, foreign_key_check is empty."""
    with closing(sqlite3.connect(tree)) as database:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert database.execute("PRAGMA foreign_key_check").fetchall() == []


def test_form_of_last_change(tree):
    """OGC 12-128r17, requirement 15: last_change is strftime('%Y-%m-%dT%H:%M:%fZ')."""
    with closing(sqlite3.connect(tree)) as database:
        (text,) = database.execute("SELECT last_change FROM gpkg_contents").fetchone()
        (same,) = database.execute("SELECT strftime('%Y-%m-%dT%H:%M:%fZ', ?)", (text,)).fetchone()
    assert text == same
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", text)
