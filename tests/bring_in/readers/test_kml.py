"""KML and KMZ: placemarks become rows; altitudes, links and folders are told apart and named."""

import zipfile

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fencemap.bring_in.readers._unzip import unzipped
from fencemap.bring_in.readers.kml import read_kml
from fencemap.errors import FencemapError, RefusedFileError, SurveyError


def document(inside):
    return f'<?xml version="1.0"?>\n<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{inside}</Document></kml>'


def placemark(shape, name="P1"):
    return f"<Placemark><name>{name}</name>{shape}</Placemark>"


def point(text, mode=""):
    mode = f"<altitudeMode>{mode}</altitudeMode>" if mode else ""
    return f"<Point>{mode}<coordinates>{text}</coordinates></Point>"


RING = "<LinearRing><coordinates>0,0 4,0 4,4 0,4 0,0</coordinates></LinearRing>"
HOLE = "<LinearRing><coordinates>1,1 2,1 2,2 1,1</coordinates></LinearRing>"
POLYGON = f"<Polygon><outerBoundaryIs>{RING}</outerBoundaryIs><innerBoundaryIs>{HOLE}</innerBoundaryIs></Polygon>"


def read(tmp_path, text, name="a.kml"):
    path = tmp_path / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_kml(path, name=name)


def packed(tmp_path, members, name="a.kmz"):
    path = tmp_path / name
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for member, data in members:
            archive.writestr(member, data)
    return path


def test_shapes_of_all_kinds(tmp_path):
    """Points, lines, rings, areas with holes, collections and tracks come out as they were drawn."""
    shapes = [
        (point("2,49"), "POINT (2 49)"),
        ("<LineString><coordinates>1,2,3\t4,5,6</coordinates></LineString>", "LINESTRING (1 2, 4 5)"),
        (RING, "LINESTRING (0 0, 4 0, 4 4, 0 4, 0 0)"),
        (POLYGON, "POLYGON ((0 0, 4 0, 4 4, 0 4, 0 0), (1 1, 2 1, 2 2, 1 1))"),
        (f"<MultiGeometry>{point('1,2')}{point('3,4')}</MultiGeometry>", "MULTIPOINT ((1 2), (3 4))"),
        (f"<MultiGeometry>{POLYGON}{POLYGON}</MultiGeometry>", None),
        (f"<MultiGeometry>{point('1,2')}{RING}</MultiGeometry>", None),
        ("<gx:Track><when>2026-01-01</when><gx:coord>2 49 5</gx:coord></gx:Track>", "POINT (2 49)"),
        ("<gx:Track><gx:coord>2 49</gx:coord><gx:coord>3 50</gx:coord></gx:Track>", "LINESTRING (2 49, 3 50)"),
        (point("-122.08, 37.42, 17"), "POINT (-122.08 37.42)"),  # blanks behind commas
        (point("2,49,"), "POINT (2 49)"),
    ]  # fmt: skip
    table = read(tmp_path, document("".join(placemark(shape) for shape, _ in shapes)))
    assert not table.refused
    for shape, (_, expected) in zip(table.geometry, shapes, strict=True):
        if expected is not None:
            assert shape.wkt == expected
    assert [shape.geom_type for shape in table.geometry[5:7]] == [
        "MultiPolygon",
        "GeometryCollection",
    ]
    assert table.crs == "OGC:CRS84"


def test_folders_data_and_times(tmp_path):
    """Rows carry their folders, extended data under their own names, and their time."""
    inside = (
        "<name>book</name><Folder><name>lot 12</name><Folder><name>posts</name>"
        "<Placemark><name>P1</name><description>leans</description><TimeStamp><when>2026-04-14</when></TimeStamp>"
        '<ExtendedData><Data name="kind"><value>post</value></Data><Data name="name"><value>x</value></Data>'
        '<SchemaData><SimpleData name="material">cast iron</SimpleData></SchemaData></ExtendedData>'
        f"{point('2,49,7.5')}</Placemark></Folder></Folder>{placemark(point('3,50'), 'P2')}"
    )
    table = read(tmp_path, document(inside))
    assert table.columns["folder"].tolist() == ["book / lot 12 / posts", "book"]
    assert table.columns["kind"].tolist() == ["post", None]
    assert table.columns["material"].tolist() == ["cast iron", None]
    assert table.columns["data.name"].tolist() == ["x", None]
    assert table.columns["time"].tolist() == ["2026-04-14", None]
    assert table.columns["altitude"].tolist() == ["7.5", None]


def test_altitudes_are_heights_only_where_absolute(tmp_path):
    """Points never carry Z; lines and areas do in the absolute mode only; notes say what was left."""
    line = "<LineString>{}<coordinates>1,2,3 4,5,6</coordinates></LineString>"
    mode = "<altitudeMode>{}</altitudeMode>"
    inside = "".join(
        placemark(shape)
        for shape in (
            point("1,2,30", "absolute"),
            line.format(mode.format("absolute")),
            line.format(mode.format("relativeToGround")),
            line.format(""),
        )
    )
    table = read(tmp_path, document(inside))
    assert [shape.has_z for shape in table.geometry] == [False, True, False, False]
    assert table.columns["altitude_mode"].tolist() == [
        "absolute", "absolute", "relativeToGround", "clampToGround",
    ]  # fmt: skip
    assert table.columns["altitude"][0] == "30"
    said = " ".join(table.notes)
    assert "2 placemarks are above a worldwide geoid" in said
    assert "(relativeToGround)" in said


def test_what_lies_elsewhere_is_named_not_fetched(tmp_path):
    """Network links and pictures hold no rows here; a note says so with the address."""
    inside = (
        "<NetworkLink><Link><href>http://192.0.2.1/posts.kml</href></Link></NetworkLink>"
        f"<GroundOverlay/>{placemark(point('2,49'))}"
    )
    table = read(tmp_path, document(inside))
    assert table.read == 1
    assert any(
        "http://192.0.2.1/posts.kml" in note and "not imported" in note for note in table.notes
    )
    assert any("GroundOverlay" in note for note in table.notes)


@pytest.mark.parametrize(
    ("shape", "reason"),
    [
        (point("2"), "no position"),
        (point("2,x"), "no position"),
        (point("2,49 3,50"), "2 positions"),
        (point("2,149"), "poles"),
        (point("200,49"), "180 degrees"),
        ("<LineString><coordinates>1,2</coordinates></LineString>", "1 positions"),
        ("<LineString/>", "0 lists"),
        (RING.replace("0,0</", "0,1</"), "open"),
        ("<Polygon/>", "0 outer rings"),
        ("<MultiGeometry/>", "nothing"),
        ("<Model/>", "model"),
    ],
)
def test_broken_shapes_cost_their_row_only(tmp_path, shape, reason):
    """The placemark before and the one after are kept."""
    good = placemark(point("2,49"))
    table = read(tmp_path, document(good + placemark(shape, "bad") + good))
    assert table.rows.tolist() == [1, 3]
    assert reason in table.refused[0].problem.reason
    assert table.refused[0].problem.row == 2
    assert "bad" in table.refused[0].raw


def test_a_placemark_without_a_shape_is_kept_and_named(tmp_path):
    """A note on the map has no position; it is doubtful, not lost."""
    table = read(tmp_path, document(placemark("")))
    assert table.geometry.tolist() == [None]
    assert table.columns["doubt"][0].startswith("no-shape")


def test_kmz_is_unpacked_in_memory(tmp_path):
    """The document at the root is read; others are named; nothing is written beside the archive."""
    one, two = document(placemark(point("2,49"), "inside")), document(placemark(point("3,50")))
    path = packed(tmp_path, [("files/other.kml", two), ("doc.kml", one), ("images/a.png", b"x")])
    table = read_kml(path, name="a.kmz")
    assert table.columns["name"].tolist() == ["inside"]
    assert any("files/other.kml" in note for note in table.notes)
    assert sorted(found.name for found in tmp_path.iterdir()) == ["a.kmz"]


def test_hostile_archives_are_refused(tmp_path):
    """No KML inside, a way out of the folder, a bomb, a document type inside: each is refused."""
    with pytest.raises(RefusedFileError, match="without a KML"):
        read_kml(packed(tmp_path, [("a.txt", "x")], "1.kmz"), name="a")
    with pytest.raises(RefusedFileError, match="outside"):
        read_kml(packed(tmp_path, [("../doc.kml", "x")], "2.kmz"), name="a")
    with pytest.raises(RefusedFileError, match="grow"):
        read_kml(packed(tmp_path, [("doc.kml", b" " * 2**25)], "3.kmz"), name="a")
    bomb = '<!DOCTYPE kml [<!ENTITY a "b">]>' + document(placemark(point("2,49"), "&a;"))
    with pytest.raises(RefusedFileError, match="document type"):
        read_kml(packed(tmp_path, [("doc.kml", bomb)], "4.kmz"), name="a")
    with pytest.raises(RefusedFileError, match="document type"):
        read(tmp_path, bomb)


def test_a_damaged_member_is_refused(tmp_path):
    """One flipped byte in the packed document breaks its checksum, and the archive is refused."""
    path = packed(tmp_path, [("doc.kml", document(placemark(point("2,49"))))])
    data = bytearray(path.read_bytes())
    data[60] ^= 0xFF
    path.write_bytes(bytes(data))
    with pytest.raises((RefusedFileError, SurveyError)):
        read_kml(path, name="a.kmz")


def test_members_are_read_within_their_promise(tmp_path):
    """Too large, twice there, missing, or longer than the directory says: each is refused by name."""
    path = packed(tmp_path, [("a", b"x" * 2**21), ("b", b"y")])
    with unzipped(path, name="z") as archive:
        with pytest.raises(RefusedFileError, match="2 MB"), archive.member("a", most_mib=1):
            pass
        with pytest.raises(RefusedFileError, match="lacks"), archive.member("c", most_mib=1):
            pass
        with archive.member("b", most_mib=1) as stream:
            assert stream.read() == b"y"
    data = bytearray(path.read_bytes())
    entry = data.index(b"PK\x01\x02")
    data[entry + 24 : entry + 28] = (1000).to_bytes(4, "little")  # the directory's size of "a"
    path.write_bytes(bytes(data))
    with (
        unzipped(path, name="z") as archive,
        pytest.raises(RefusedFileError, match="damaged"),
        archive.member("a", most_mib=1) as stream,
    ):
        stream.read()
    with pytest.warns(UserWarning, match="Duplicate"):
        twice = packed(tmp_path, [("a", b"1"), ("a", b"2")], "twice.zip")
    with unzipped(twice, name="z") as archive, pytest.raises(RefusedFileError, match="twice"):
        archive.member("a", most_mib=1).__enter__()
    outside = packed(tmp_path, [("../a", b"1")], "outside.zip")
    with pytest.raises(RefusedFileError, match="outside"), unzipped(outside, name="z"):
        pass
    (tmp_path / "no.zip").write_bytes(b"PK\x03\x04 no archive")
    with pytest.raises(RefusedFileError), unzipped(tmp_path / "no.zip", name="z"):
        pass


def test_blanks_do_not_hang(tmp_path):
    """A million blanks among coordinates take no longer than their length."""
    text = "2,49" + " " * 1_000_000 + "x"
    assert read(tmp_path, document(placemark(point(text)))).refused


WHOLE = document(placemark(point("2,49,1")) + placemark(POLYGON) + placemark(RING))


@given(st.integers(0, len(WHOLE)), st.binary(max_size=6), st.integers(0, 12))
def test_any_damage_is_read_or_refused(tmp_path_factory, place, put, cut):
    """Bytes put in or cut out anywhere: our own error, or every placemark kept or refused."""
    data = WHOLE.encode()
    damaged = data[:place] + put + data[place + cut :]
    try:
        table = read(tmp_path_factory.mktemp("kml"), damaged)
    except FencemapError:
        return
    got = sorted(table.rows.tolist() + [refusal.problem.row for refusal in table.refused])
    assert got == list(range(1, len(got) + 1))
    flat = [shape for shape in table.geometry if shape is not None]
    assert all(np.isfinite(shape.bounds).all() for shape in flat)
