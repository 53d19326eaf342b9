"""Shapefiles: attributes as written, shapes with their faults named, nothing taken for granted."""

import datetime as dt

import pytest
import shapefile as pyshp
import shapely
from hypothesis import given
from hypothesis import strategies as st
from pyproj import CRS

from fencemap.bring_in.readers.shapefile import read_shapefile
from fencemap.errors import FencemapError, RefusedFileError, SurveyError

FIELDS = (("name", "C", 20, 0), ("n", "N", 8, 0), ("x", "F", 12, 3), ("day", "D", 8, 0), ("ok", "L", 1, 0))  # fmt: skip
ROWS = (
    ("Gräber", 5, 1.5, dt.date(2026, 4, 14), True),
    ("", None, None, None, None),
    ("P3", -2, 0, dt.date(2026, 4, 15), False),
)


def write(folder, *, kind=pyshp.POINTZ, shapes=None, crs="EPSG:32631", encoding="utf-8", stem="a"):
    """Write a Shapefile with pyshp, a writer that is not ours; gives the path of its .shp."""
    path = folder / f"{stem}.shp"
    with pyshp.Writer(str(path), shapeType=kind, encoding=encoding) as writer:
        for name, letter, size, decimal in FIELDS:
            writer.field(name, letter, size, decimal)
        for index, row in enumerate(ROWS):
            if shapes is None:
                writer.pointz(500_000 + index, 5_400_000, 100 + index)
            else:
                shapes(writer, index)
            writer.record(*row)
    if crs:
        path.with_suffix(".prj").write_text(CRS(crs).to_wkt("WKT1_ESRI"), encoding="utf-8")
    return path


def read(path, **more):
    return read_shapefile(path, name="a.shp", **more)


def test_attributes_come_as_they_were_written(tmp_path):
    """Text, numbers, dates, yes, no and unknown; an unknown yes/no is not a no."""
    table = read(write(tmp_path))
    assert table.columns["name"].tolist() == ["Gräber", "", "P3"]
    assert table.columns["n"].tolist() == ["5", "", "-2"]
    assert [float(cell) if cell else None for cell in table.columns["x"]] == [1.5, None, 0.0]
    assert table.columns["day"].tolist() == ["2026-04-14", "", "2026-04-15"]
    assert table.columns["ok"].tolist() == [True, None, False]
    assert table.rows.tolist() == [0, 1, 2]
    assert [(p.x, p.y, p.z) for p in table.geometry] == [
        (500_000, 5_400_000, 100), (500_001, 5_400_000, 101), (500_002, 5_400_000, 102),
    ]  # fmt: skip
    assert CRS(table.crs).to_epsg() == 32631


@pytest.mark.parametrize(
    ("encoding", "cpg", "noted"),
    [("utf-8", None, False), ("utf-8", "UTF-8", False), ("cp1252", None, True), ("cp1252", "1252", False),
     ("cp1252", "ANSI 1252", False), ("latin-1", "ISO 88591", False), ("cp1252", "UTF-8", True), ("cp850", "850", False),
     ("utf-8", "nonsense", False)],
)  # fmt: skip
def test_encodings(tmp_path, encoding, cpg, noted):
    """The encoding that is named counts if the bytes fit it; else what they fit, and a note says so."""
    path = write(tmp_path, encoding=encoding)
    if cpg is not None:
        path.with_suffix(".cpg").write_text(cpg)
    table = read(path)
    assert table.columns["name"][0] == "Gräber"
    assert any("Windows-1252" in note for note in table.notes) == noted


def test_a_missing_or_broken_projection_is_asked_for(tmp_path):
    """No .prj, and one that makes no sense: refused; said by hand, it is read."""
    path = write(tmp_path, crs="")
    with pytest.raises(SurveyError, match=r"no \.prj") as caught:
        read(path)
    assert caught.value.problems[0].code == "no-crs"
    assert read(path, crs="EPSG:32631").crs == "EPSG:32631"
    with pytest.raises(SurveyError, match="not understood"):
        read(write(tmp_path), crs="EPSG:nowhere")
    path.with_suffix(".prj").write_text("PROJCS[nonsense")
    with pytest.raises(SurveyError, match=r"\.prj can't be understood"):
        read(path)
    path.with_suffix(".prj").write_text("hello")
    with pytest.raises(SurveyError, match="understood"):
        read(path)
    table = read(write(tmp_path), crs="EPSG:32632")
    assert any("UTM zone 31N" in note for note in table.notes), "what the .prj says is named"


def test_companions_must_be_there_and_agree(tmp_path):
    """No index: refused. No attributes: shapes only. Fewer attributes than shapes: refused."""
    path = write(tmp_path)
    table = path.with_suffix(".dbf").read_bytes()
    path.with_suffix(".dbf").write_bytes(table[:-30])
    with pytest.raises(SurveyError, match="cut off after 2 of 3 rows"):
        read(path)
    path.with_suffix(".dbf").write_bytes(table[:4] + b"\x02\x00\x00\x00" + table[8:])
    with pytest.raises(SurveyError, match="3 shapes and 2 rows"):
        read(path)
    path.with_suffix(".dbf").unlink()
    bare = read(path)
    assert len(bare.rows) == 3
    assert any("shapes only" in note for note in bare.notes)
    path.with_suffix(".shx").rename(tmp_path / "kept.shx")
    with pytest.raises(SurveyError, match="index"):
        read(path)
    with pytest.raises(SurveyError, match=r"Name the \.shp"):
        read(tmp_path / "kept.shx")
    with pytest.raises(RefusedFileError):
        read(write(tmp_path).with_suffix(".prj"))


def test_a_file_that_was_cut_off_names_the_lost_records(tmp_path):
    """The records that are whole are kept; the others are refused as cut off, not as empty."""
    path = write(tmp_path)
    path.write_bytes(path.read_bytes()[:-20])
    table = read(path)
    assert table.rows.tolist() == [0, 1]
    assert [(r.problem.row, r.problem.reason) for r in table.refused] == [
        (2, "its record is cut off")
    ]
    assert "P3" in table.refused[0].raw


def test_open_rings_null_shapes_and_nan_are_told_apart(tmp_path):
    """An open ring is named; a null shape is kept without a shape; NaN is refused."""

    def shapes(writer, index):
        if index == 1:
            writer.null()
        else:
            writer.poly([[[0, 0], [0, 9], [9, 9], [9, 0], [0, 0]]])

    path = write(tmp_path, kind=pyshp.POLYGON, shapes=shapes)
    data = bytearray(path.read_bytes())
    data[-16:] = b"\0" * 8 + b"\0\0\0\0\0\0\xf0?"  # the last point of the last ring: 0, 1
    path.write_bytes(bytes(data))
    table = read(path)
    assert table.rows.tolist() == [0, 1]
    assert table.geometry[1] is None
    assert any("without a shape: row 1" in note for note in table.notes)
    assert [r.problem.reason for r in table.refused] == [
        "a ring is open: its last position is not its first"
    ]
    path = write(
        tmp_path, kind=pyshp.POINT, shapes=lambda w, i: w.point(1 if i else float("nan"), 2)
    )
    assert [r.problem.reason for r in read(path).refused] == ["a coordinate is not a finite number"]


def test_areas_with_holes_and_measures(tmp_path):
    """Holes stay holes; Z is kept; measures are left out, and a note says so."""
    outer, hole = [[0, 0], [0, 9], [9, 9], [9, 0], [0, 0]], [[1, 1], [2, 1], [2, 2], [1, 1]]
    table = read(write(tmp_path, kind=pyshp.POLYGON, shapes=lambda w, _: w.poly([outer, hole])))
    assert table.geometry[0].area == pytest.approx(81 - 0.5)
    line = write(
        tmp_path, kind=pyshp.POLYLINEZ, shapes=lambda w, _: w.linez([[[1, 2, 3, 7], [4, 5, 6, 8]]])
    )
    table = read(line)
    assert shapely.get_coordinates(table.geometry[0], include_z=True).tolist() == [
        [1, 2, 3],
        [4, 5, 6],
    ]
    assert any("measures" in note for note in table.notes)


def test_deleted_rows_are_named(tmp_path):
    """A row deleted in the attribute table is left out, and its number is in a note."""
    path = write(tmp_path)
    table = bytearray(path.with_suffix(".dbf").read_bytes())
    header, width = int.from_bytes(table[8:10], "little"), int.from_bytes(table[10:12], "little")
    table[header + width] = ord("*")
    path.with_suffix(".dbf").write_bytes(bytes(table))
    found = read(path)
    assert found.rows.tolist() == [0, 2]
    assert found.columns["name"].tolist() == ["Gräber", "P3"]
    assert any("deleted" in note and "row 1" in note for note in found.notes)


@given(
    st.sampled_from([".shp", ".shx", ".dbf", ".prj"]),
    st.floats(0, 1),
    st.binary(max_size=6),
    st.integers(0, 30),
)
def test_any_damage_is_read_or_refused(tmp_path_factory, suffix, share, put, cut):
    """Bytes put in or cut out of any of the files: our own error, or rows that add up."""
    path = write(tmp_path_factory.mktemp("shp"))
    part = path.with_suffix(suffix)
    data = part.read_bytes()
    place = int(share * len(data))
    part.write_bytes(data[:place] + put + data[place + cut :])
    try:
        table = read(path)
    except FencemapError:
        return
    numbers = table.rows.tolist() + [refusal.problem.row for refusal in table.refused]
    assert len(set(numbers)) == len(numbers)
    assert all(len(cells) == len(table.rows) for cells in table.columns.values())
    assert len(table.geometry) == len(table.rows)
