"""GPX: every point is a row with what it says; heights stay what they are, a column."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fencemap.bring_in.readers.gpx import read_gpx
from fencemap.errors import FencemapError, RefusedFileError, SurveyError

HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">'
WALK = (
    HEAD
    + """
<wpt lat="41.5" lon="-93.7"><ele>210.5</ele><time>2026-04-14T09:31:00+02:00</time><name>P1</name>
 <fix>dgps</fix><sat>9</sat><hdop>0.9</hdop><link href="a.jpg"/><link href="b.jpg"/>
 <extensions><x:acc xmlns:x="urn:x">0.8</x:acc></extensions></wpt>
<rte><name>round</name><rtept lat="41.6" lon="-93.8"/></rte>
<trk><name>path</name><trkseg/><trkseg>
<trkpt lat="41.7" lon="-93.9"><ele>-14.6</ele><time>2026-04-14T07:31:00</time><fix>3d</fix></trkpt>
<trkpt lat="91" lon="0"/><trkpt lon="0"/><trkpt lat="nan" lon="1"/>
<trkpt lat="0" lon="180"><fix>rtk</fix></trkpt></trkseg></trk></gpx>"""
)


def read(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "a.gpx"
    path.write_bytes(text.encode(encoding) if isinstance(text, str) else text)
    return read_gpx(path, name="a.gpx")


def test_all_points_with_all_they_say(tmp_path):
    """Waypoints, route and track points in file order, numbered as they stand there."""
    table = read(tmp_path, WALK)
    assert table.rows.tolist() == [1, 2, 3, 7]
    assert table.columns["part"].tolist() == [
        "waypoint",
        "route point",
        "track point",
        "track point",
    ]
    assert table.columns["track"].tolist() == [None, "round", "path", "path"]
    assert table.columns["segment"].tolist() == [None, None, "2", "2"]
    assert table.columns["name"].tolist() == ["P1", None, None, None]
    assert table.columns["time"].tolist()[:3] == [
        "2026-04-14T07:31:00Z",
        None,
        "2026-04-14T07:31:00Z",
    ]
    assert table.columns["fix_quality"].tolist() == ["dgps", None, "autonomous", None]
    assert table.columns["link"][0] == "a.jpg; b.jpg"
    assert table.columns["extensions.acc"][0] == "0.8"
    assert [(point.x, point.y) for point in table.geometry] == [
        (-93.7, 41.5),
        (-93.8, 41.6),
        (-93.9, 41.7),
        (180, 0),
    ]
    assert table.crs == "OGC:CRS84"


def test_points_that_can_not_be_are_refused(tmp_path):
    """Beyond the pole, without latitude, not a number: each refused with its line."""
    table = read(tmp_path, WALK)
    assert [refusal.problem.row for refusal in table.refused] == [4, 5, 6]
    reasons = [refusal.problem.reason for refusal in table.refused]
    assert "poles" in reasons[0]
    assert "no latitude" in reasons[1]
    assert "no number" in reasons[2]
    assert all("(line 9)" in reason for reason in reasons)
    assert table.read == 7


def test_heights_are_no_heights_until_somebody_says_so(tmp_path):
    """`ele` stays a column, the shapes are flat, and the notes say why; so for DOP and odd fixes."""
    table = read(tmp_path, WALK)
    assert table.columns["ele"].tolist() == ["210.5", None, "-14.6", None]
    assert not any(point.has_z for point in table.geometry)
    said = " ".join(table.notes)
    assert "'ele' may be above the sea or above the ellipsoid" in said
    assert "no accuracy" in said
    assert "no known kind: rtk" in said
    assert "1 empty track segments" in said


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "iso-8859-1", "cp1252"])
def test_encodings(tmp_path, encoding):
    """The declared encoding counts, with byte order mark or without."""
    declared = {"utf-8-sig": "utf-8", "cp1252": "windows-1252"}.get(encoding, encoding)
    text = f'<?xml version="1.0" encoding="{declared}"?><gpx><wpt lat="1" lon="2"><name>Gräber</name></wpt></gpx>'
    assert read(tmp_path, text, encoding).columns["name"].tolist() == ["Gräber"]


def test_document_types_are_refused(tmp_path):
    """A document type could define entities that grow or reach out; it is refused at the door."""
    bomb = '<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a "aaaa">]><gpx><wpt lat="1" lon="2"><name>&a;</name></wpt></gpx>'
    with pytest.raises(RefusedFileError, match="document type"):
        read(tmp_path, bomb)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        (HEAD + '<wpt lat="1" lon="2">', "cut-off"),
        (HEAD + '<wpt lat="1" lon="2"></gpx>', "not-xml"),
        (HEAD + '<wpt lat="1" lon="2"/></gpx>junk', "not-xml"),
        (HEAD + "&nothing;</gpx>", "not-xml"),
        ('<?xml version="1.0" encoding="klingon"?><gpx/>', "not-xml"),
        (HEAD + "<a>" * 200, "xml-depth"),
    ],
)
def test_broken_files_are_refused_as_a_whole(tmp_path, text, code):
    """Half a file is no survey: cut off and ill-formed files are refused by line."""
    with pytest.raises((SurveyError, RefusedFileError)) as caught:
        read(tmp_path, text)
    assert caught.value.problems[0].code == code
    assert caught.value.problems[0].row >= 1


def test_no_gpx_and_no_points(tmp_path):
    """Another kind of XML is refused; a file without points says so."""
    with pytest.raises(RefusedFileError, match="KML"):
        read(tmp_path, "<kml/>")
    table = read(tmp_path, HEAD + "</gpx>")
    assert table.read == 0
    assert table.notes == ("a.gpx: holds no points",)


def test_repeated_elements_do_not_hang(tmp_path):
    """Fifty thousand comments in one point are joined in no time."""
    text = HEAD + '<wpt lat="1" lon="2">' + "<cmt>a</cmt>" * 50_000 + "</wpt></gpx>"
    assert len(read(tmp_path, text).columns["cmt"][0]) == 50_000 * 3 - 2


@given(st.integers(0, len(WALK)), st.binary(max_size=6), st.integers(0, 12))
def test_any_damage_is_read_or_refused(tmp_path_factory, place, put, cut):
    """Bytes put in or cut out anywhere: our own error, or every point kept or refused."""
    data = WALK.encode()
    damaged = data[:place] + put + data[place + cut :]
    try:
        table = read(tmp_path_factory.mktemp("gpx"), damaged)
    except FencemapError:
        return
    got = sorted(table.rows.tolist() + [refusal.problem.row for refusal in table.refused])
    assert got == list(range(1, len(got) + 1))
    assert len(table.geometry) == len(table.rows)
