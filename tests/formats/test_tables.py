from __future__ import annotations

import csv
import io
import re

import layer_frames as frames
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from fencemap import vocabularies
from fencemap.errors import InputError, LayerError
from fencemap.formats import tables
from fencemap.layers import CATALOGUE, layer

# Characters that make trouble, often and together.
SHARP = st.text(st.sampled_from("=+-@'\"\t\r\n;, 1.e=\u00a0\uff1da"), max_size=8)
REPAIRS = layer("repairs")


def sizes(texts):
    """Make repairs whose size is written as these texts."""
    rows = len(texts)
    data = {"uid": [f"u{i}" for i in range(rows)], "survey_id": ["s1"] * rows, "size": texts}
    data |= {"element_id": ["P"] * rows, "repair": ["tighten"] * rows, "by_whom": ["staff"] * rows}
    return REPAIRS.conform(data | {"trigger": ["loose"] * rows})


def cells(path, column):
    """Read one column with Python's own reader."""
    with path.open(encoding="utf-8", newline="") as file:
        return [row[column] for row in csv.DictReader(file, strict=True)]


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(texts=st.lists(st.none() | SHARP | frames.TEXT, max_size=6))
@example(texts=["=1+1", "'=1", "''=1", "-5", "'-5", "-", "a;=b", ";=;=", "\t=1", "'", "", None])
def test_any_text_comes_back(tmp_path, texts):
    """Guarding against formulas and quoting are undone exactly; null and empty stay apart."""
    frame = sizes(texts)
    back = tables.read_csv(tables.write_csv(frame, tmp_path / "a.csv", REPAIRS), REPAIRS)
    pd.testing.assert_series_equal(back["size"], frame["size"])


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(texts=st.lists(SHARP | frames.TEXT, min_size=1, max_size=6))
def test_no_cell_begins_a_formula(tmp_path, texts):
    """No cell, read with a comma or cut at semicolons and tabs, begins like a formula.

    What is dangerous: the characters that the OWASP page "CSV Injection" names, after blanks;
    a cell that is a plain number is not.
    """
    path = tables.write_csv(sizes(texts), tmp_path / "a.csv", REPAIRS)
    number = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.IGNORECASE | re.ASCII)
    for cell in cells(path, "size"):
        if number.fullmatch(cell):
            continue
        for part in re.split(r"[;\t\r\n]", cell):
            assert part.strip()[:1] not in tuple("=+-@\uff1d\uff0b\uff0d\uff20"), repr(cell)


def test_numbers_are_not_guarded(tmp_path):
    """A text that is a number stays as it is; `+`, `-` and formulas get their apostrophe."""
    texts = ["-2", "-75.1", "+1e5", "-2+3", "@a", "-", "2-3", "=A1"]
    path = tables.write_csv(sizes(texts), tmp_path / "a.csv", REPAIRS)
    expected = ["-2", "-75.1", "+1e5", "'-2+3", "'@a", "'-", "2-3", "'=A1"]
    assert cells(path, "size") == expected


@settings(
    max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(numbers=st.lists(st.none() | st.floats(-1e12, 1e12), max_size=6))
def test_numbers_come_back_to_the_last_bit(tmp_path, numbers):
    """Numbers and coordinates are equal as Python reads the text, and as we read it."""
    rows = len(numbers)
    data = {"uid": [f"u{i}" for i in range(rows)], "survey_id": ["s1"] * rows, "code": ["x"] * rows}
    data |= {"reason": ["x"] * rows, "size": numbers}
    places = np.array([[value or 0.0, 1 - (value or 0.0)] for value in numbers]).reshape(rows, 2)
    frame = layer("suspect").conform(data, geometry=shapely.points(places), crs=frames.CRS)
    path = tables.write_csv(frame, tmp_path / "a.csv", layer("suspect"))
    back = tables.read_csv(path, layer("suspect"), crs=frames.CRS)
    assert back["size"].to_numpy().tobytes() == frame["size"].to_numpy().tobytes()
    assert frames.wkb(back) == frames.wkb(frame)
    if rows:
        assert [float(text) if text else None for text in cells(path, "size")] == numbers
        assert [float(text) for text in cells(path, "easting")] == places[:, 0].tolist()


def test_every_layer_comes_back(tmp_path):
    """Every layer of the catalogue is equal after writing and reading, empty ones too."""
    layers = frames.whole()
    tables.write_tables(tmp_path / "t", layers, crs=frames.CRS, title="T", generated="2026-04-14")
    for name, frame in layers.items():
        back = tables.read_csv(tmp_path / "t" / f"{name}.csv", layer(name), crs=frames.CRS)
        layer(name).check(back, crs=frames.CRS)
        for column in layer(name).columns:
            pd.testing.assert_series_equal(back[column], frame[column], obj=f"{name}.{column}")
        if layer(name).spatial:
            assert frames.wkb(back) == frames.wkb(frame), name


def test_the_form_is_rfc_4180(tmp_path):
    """Written by hand after RFC 4180: CR LF, quotes doubled, no mark before the header."""
    frame = layer("work").conform(frames.work().assign(phase='1, "a"\nb', crew=""))
    path = tables.write_csv(frame, tmp_path / "a.csv", layer("work"))
    assert path.read_bytes() == (
        b"uid,survey_id,source_file,source_row,phase,date,operation,runs,product,crew\r\n"
        b'a,s1,,,"1, ""a""\nb",2026-05-04,digging,*,,""\r\n'
        b'b,s1,,,"1, ""a""\nb",,brushing,*,,""\r\n'
    )


def test_points_have_their_coordinates_beside_the_shape(tmp_path):
    """Points with heights get three columns, those without two, lines none."""

    def header(frame, name):
        path = tables.write_csv(frame, tmp_path / f"{name}.csv", layer(name))
        return path.read_text(encoding="utf-8").splitlines()[0].split(",")

    assert header(frames.elements(), "elements")[-4:] == [
        tables.WKT,
        "easting",
        "northing",
        "height",
    ]
    assert header(frames.trees(2), "trees")[-3:] == [tables.WKT, "easting", "northing"]
    assert header(frames.clearance(), "rail_clearance")[-1] == tables.WKT
    point = frames.elements().geometry.iloc[1]
    row = cells(tmp_path / "elements.csv", "easting"), cells(tmp_path / "elements.csv", "height")
    assert (float(row[0][1]), float(row[1][1])) == (point.x, point.z)


def test_measured_coordinates_are_not_overwritten(tmp_path):
    """Control points have columns `easting`, `northing` of their own: what was measured stays."""
    data = {"uid": ["a"], "survey_id": ["s1"], "element_id": ["C1"], "easting": [7.0]}
    frame = layer("control_points").conform(
        data, geometry=shapely.points([[1.0, 2]]), crs=frames.CRS
    )
    path = tables.write_csv(frame, tmp_path / "a.csv", layer("control_points"))
    assert cells(path, "easting") == ["7"]
    assert path.read_text(encoding="utf-8").count("easting,") == 1


def test_what_to_read_first_stands_beside_the_tables(tmp_path):
    """Cautions come first, then the CRS, the day, the form of the tables and the apostrophe."""
    made = tables.write_tables(
        tmp_path / "t", {"trees": frames.trees(2), "work": frames.work()}, crs=frames.CRS,
        title="Survey", generated="2026-04-14", cautions=["Old paint holds lead."],
    )  # fmt: skip
    assert [path.name for path in made] == [
        tables.READ_FIRST,
        "trees.csv",
        "work.csv",
        tables.DICTIONARY,
    ]
    text = made[0].read_text(encoding="utf-8")
    parts = text.split("\n\n")
    assert parts[:2] == ["Survey", "Old paint holds lead."]
    for word in ("EPSG:32618", "2026-04-14"):
        assert word in parts[2]
    for word in ("UTF-8", "apostrophe", tables.DICTIONARY):
        assert word in text
    single = tables.write_csv(
        frames.work(), tmp_path / "w.csv", layer("work"), header_notes=["Cordon first."]
    )
    assert (single.parent / tables.READ_FIRST).read_text().startswith("Cordon first.\n")


def test_the_dictionary_describes_every_column(tmp_path):
    """One row for each column and shape of the layers named, with unit, words and bounds."""
    path = tables.write_dictionary(tmp_path / "d.csv", reversed(list(CATALOGUE)))
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file, strict=True))
    expected = [
        (schema.name, name)
        for schema in CATALOGUE.values()
        for name in [*schema.columns, *([tables.WKT] if schema.spatial else [])]
    ]
    assert [(row["layer"], row["column"]) for row in rows] == expected
    by_name = {(row["layer"], row["column"]): row for row in rows}
    lean = by_name["elements", "lean_deg"]
    assert (lean["unit"], lean["minimum"], lean["maximum"], lean["type"]) == (
        "deg",
        "0",
        "90",
        "real",
    )
    role = by_name["elements", "role"]["words"]
    assert all(f"{w} = {m}" in role for w, m in vocabularies.vocabulary("role").terms.items())


def test_the_same_layer_gives_the_same_bytes(tmp_path):
    """Two tables of one layer are equal byte by byte."""
    one, two = (
        tables.write_csv(frames.elements(), tmp_path / n, layer("elements"))
        for n in ("a.csv", "b.csv")
    )
    assert one.read_bytes() == two.read_bytes()


def test_wrong_tables_are_refused(tmp_path):
    """Another layer's table, torn rows, other bytes and a missing file give a remedy."""
    path = tables.write_csv(frames.work(), tmp_path / "work.csv", layer("work"))
    with pytest.raises(InputError, match="has no column"):
        tables.read_csv(path, layer("trees"))
    torn = tmp_path / "torn.csv"
    torn.write_bytes(path.read_bytes() + b"c,s1\r\n")
    binary = tmp_path / "binary.csv"
    binary.write_bytes(path.read_bytes().replace(b"digging", b"\xff\xfe"))
    letters = tmp_path / "letters.csv"
    letters.write_bytes(path.read_bytes().replace(b"a,s1,,,", b"a,s1,,three,"))
    for bad in (torn, binary, letters, tmp_path / "none.csv"):
        with pytest.raises(InputError, match="Export it again"):
            tables.read_csv(bad, layer("work"))
    with pytest.raises(LayerError):
        tables.write_csv(frames.work().drop(columns="phase"), path, layer("work"))


def test_long_rows_are_read(tmp_path):
    """A row longer than a reader's usual block (1 MiB) comes back whole."""
    frame = sizes(["x" * 3_000_000, "y"])
    path = tables.write_csv(frame, tmp_path / "a.csv", REPAIRS)
    assert list(tables.read_csv(path, REPAIRS)["size"]) == list(frame["size"])
    assert io.BytesIO(path.read_bytes()).read(3) == b"uid"


def test_a_control_character_does_not_hide_a_formula(tmp_path):
    """A unit separator before = is dropped by some programs, so the cell is guarded and comes back."""
    schema = layer("rejected")
    frame = schema.conform(
        {"uid": ["a"], "survey_id": ["s"], "code": ["x"], "reason": ["\x1f=1+1"]}
    )
    path = tables.write_csv(frame, tmp_path / "a.csv", schema)
    assert "\x1f'=1+1" in path.read_text(encoding="utf-8")
    assert tables.read_csv(path, schema)["reason"].tolist() == ["\x1f=1+1"]
