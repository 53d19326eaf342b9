"""Photographs: position, direction and time are believed only as far as the camera says what they are."""

import hashlib
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from fencemap.bring_in.readers.exif import is_heic, read_photo, read_photos
from fencemap.errors import FencemapError, RefusedFileError

# Tag numbers of the Exif standard, CIPA DC-008.
LAT_REF, LAT, LON_REF, LON, ALT_REF, ALT, TIME, IMG_REF, IMG, DATUM, DATE, ERROR = (
    1, 2, 3, 4, 5, 6, 7, 16, 17, 18, 29, 31,
)  # fmt: skip
TAKEN, OFFSET, FOCAL = 0x9003, 0x9011, 0x920A
HERE = {LAT_REF: "N", LAT: (41.0, 34.0, 29.877), LON_REF: "W", LON: (93.0, 45.0, 2.059)}


def shot(folder, gps=None, details=None, name="a.jpg"):
    """Write a photograph with Pillow; Exif numbers are rationals, as cameras write them."""
    exif = Image.Exif()
    if gps is not None:
        exif[0x8825] = gps
    if details is not None:
        exif[0x8769] = details
    path = folder / name
    Image.new("RGB", (8, 8)).save(path, exif=exif)
    return path


def one(folder, gps=None, details=None):
    """Read one photograph: its cells and its point."""
    table = read_photo(shot(folder, gps, details), name="a.jpg")
    assert not table.refused, table.refused
    return {name: cells[0] for name, cells in table.columns.items()}, table.geometry[0]


def test_a_position_in_degrees_minutes_and_seconds(tmp_path):
    """41°34'29.877" N, 93°45'2.059" W, by hand; altitude stays a column with what it is above."""
    cells, point = one(tmp_path, HERE | {ALT_REF: b"\0", ALT: 210.5})
    assert point.y == pytest.approx(41 + 34 / 60 + 29.877 / 3600, abs=1e-7)
    assert point.x == pytest.approx(-(93 + 45 / 60 + 2.059 / 3600), abs=1e-7)
    assert not point.has_z
    assert (cells["altitude_m"], cells["altitude_is"]) == (210.5, "above the sea")
    assert cells["sha256"] == hashlib.sha256((tmp_path / "a.jpg").read_bytes()).hexdigest()


def test_decimal_minutes_and_the_south(tmp_path):
    """Many phones write decimal minutes and zero seconds; south and west are negative."""
    gps = {LAT_REF: "S", LAT: (36.0, 33.80422695, 0.0), LON_REF: "E", LON: (145.0, 57.68, 0.0)}
    cells, point = one(tmp_path, gps | {ALT_REF: b"\1", ALT: 3.0})
    assert (point.x, point.y) == pytest.approx(
        (145 + 57.68 / 60, -(36 + 33.80422695 / 60)), abs=1e-7
    )
    assert (cells["altitude_m"], cells["altitude_is"]) == (-3.0, "below the sea")


def test_a_photograph_without_a_position_is_kept(tmp_path):
    """No tags at all, or none of a position: the row is there without a point."""
    for gps in (None, {0: b"\2\3\0\0"}):
        cells, point = one(tmp_path, gps)
        assert point is None
        assert cells["photo"] == "a.jpg"
        assert cells["direction_is"] == "absent"


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({LAT: 4294967295.0}, "latitude"),
        ({LAT: (95.0, 0.0, 0.0)}, "poles"),
        ({LAT: (41.0, 60.0, 0.0)}, "latitude"),
        ({LON: (181.0, 0.0, 0.0)}, "180"),
        ({LAT_REF: None}, "neither N nor S"),
        ({LON_REF: "N"}, "neither E nor W"),
        ({LON: None}, "lacks the longitude"),
        ({LAT: (IFDRational(41, 0), 0.0, 0.0)}, "latitude"),
        ({LAT: (0.0, 0.0, 0.0), LON: (0.0, 0.0, 0.0)}, "without a fix"),
        ({DATUM: "TOKYO"}, "datum TOKYO"),
    ],
)
def test_nonsense_refuses_the_row(tmp_path, change, reason):
    """A position that can't be true is refused with its reason, never mended."""
    gps = {tag: value for tag, value in (HERE | change).items() if value is not None}
    table = read_photo(shot(tmp_path, gps), name="a.jpg")
    assert len(table.rows) == 0
    assert reason in table.refused[0].problem.reason
    assert table.read == 1


def test_directions_count_with_their_reference_only(tmp_path):
    """True and magnetic north are told apart; without a reference the direction is absent, and said."""
    assert one(tmp_path, HERE | {IMG_REF: "T", IMG: 123.25})[0]["direction_deg"] == 123.25
    assert one(tmp_path, HERE | {IMG_REF: "T", IMG: 123.25})[0]["direction_is"] == "true"
    assert one(tmp_path, HERE | {IMG_REF: "M", IMG: 5.0})[0]["direction_is"] == "magnetic"
    for gps in ({IMG: 5.0}, {IMG_REF: "\0", IMG: 5.0}, {IMG_REF: "T", IMG: 400.0}):
        cells, _ = one(tmp_path, HERE | gps)
        assert cells["direction_is"] == "absent"
        assert cells["direction_deg"] is None
        assert "direction" in cells["doubt"]


def test_the_satellites_time_goes_before_the_cameras(tmp_path):
    """Late on 22 October here is 23 October in UTC: both are kept, the satellite's is the time."""
    gps = HERE | {DATE: "2008:10:23", TIME: (1.0, 27.0, 7.24)}
    cells, _ = one(tmp_path, gps, {TAKEN: "2008:10:22 20:27:05"})
    assert (cells["time"], cells["time_is"]) == ("2008-10-23T01:27:07.240000Z", "satellite")
    assert cells["camera_time"] == "2008-10-22T20:27:05"
    assert cells.get("doubt") is None, "five hours apart is a time zone, not a wrong clock"


def test_clocks_that_disagree_are_named(tmp_path):
    """Seven minutes are no time zone; with a stated zone an hour is none either."""
    gps = HERE | {DATE: "2026:04:14", TIME: (9.0, 31.0, 0.0)}
    assert "clocks-apart" in one(tmp_path, gps, {TAKEN: "2026:04:14 11:38:00"})[0]["doubt"]
    details = {TAKEN: "2026:04:14 10:31:00", OFFSET: "+02:00"}
    assert "-3600 s" in one(tmp_path, gps, details)[0]["doubt"]
    assert one(tmp_path, gps, details | {OFFSET: "+01:00"})[0].get("doubt") is None


def test_the_cameras_time_with_and_without_its_zone(tmp_path):
    """With an offset it is UTC; without one it says so; a clock that was never set gives none."""
    cells, _ = one(tmp_path, None, {TAKEN: "2026:04:14 11:31:00", OFFSET: "+02:00", FOCAL: 4.25})
    assert (cells["time"], cells["time_is"]) == ("2026-04-14T09:31:00Z", "camera clock")
    assert cells["focal_length_mm"] == 4.25
    cells, _ = one(tmp_path, None, {TAKEN: "2026:04:14 11:31:00"})
    assert cells["time"] == "2026-04-14T11:31:00"
    assert cells["time_is"] == "camera clock, zone not said"
    for text in ("    :  :     :  :  ", "0000:00:00 00:00:00", ""):
        assert one(tmp_path, None, {TAKEN: text})[0]["time"] is None
    assert "camera-time" in one(tmp_path, None, {TAKEN: "1999:99:99 99:99:99"})[0]["doubt"]
    bad = HERE | {DATE: "1999:99:99", TIME: (1.0, 2.0, 3.0)}
    assert "satellite-time" in one(tmp_path, bad)[0]["doubt"]


def test_many_photographs_make_one_table(tmp_path):
    """Each bad one refuses its own row, named by its file; the others are kept."""
    good = shot(tmp_path, HERE | {ERROR: 4.5}, name="1.jpg")
    (tmp_path / "2.jpg").write_bytes(b"no picture at all")
    bad = shot(tmp_path, HERE | {LAT: (99.0, 0.0, 0.0)}, name="3.jpg")
    paths = [good, tmp_path / "2.jpg", bad, tmp_path / "gone.jpg"]
    table = read_photos(paths, names=[path.name for path in paths], name="photos")
    assert table.rows.tolist() == [1]
    assert table.columns["sigma_h_m"].tolist() == [4.5]
    assert [(r.problem.file, r.problem.row) for r in table.refused] == [
        ("2.jpg", 2), ("3.jpg", 3), ("gone.jpg", 4),
    ]  # fmt: skip
    with pytest.raises(RefusedFileError):
        read_photo(tmp_path / "2.jpg", name="2.jpg")


def test_heic_is_named_as_unreadable_without_the_optional_reader(tmp_path, monkeypatch):
    """A phone's HEIC is no unknown file: the message says what to do."""
    path = tmp_path / "a.heic"
    path.write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + b"\0" * 50)
    assert is_heic(path)
    monkeypatch.setattr("fencemap.bring_in.readers.exif.find_spec", lambda _: None)
    with pytest.raises(RefusedFileError, match=r"HEIC.*pillow-heif"):
        read_photo(path, name="a.heic")


def test_heic_with_the_optional_reader(tmp_path, monkeypatch):
    """With the reader there, its tags are read the same way; a broken file is refused."""
    photo = shot(tmp_path, HERE)
    path = tmp_path / "a.heic"
    path.write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + b"\0" * 50)

    class Reader:
        """Stands for pillow-heif, which is not part of every installation."""

        broken = False

        @classmethod
        def open_heif(cls, real, **_settings):
            if cls.broken:
                raise ValueError(f"{real} is broken")
            with Image.open(photo) as image:
                return type("Opened", (), {"info": {"exif": image.info["exif"]}})()

    monkeypatch.setitem(sys.modules, "pillow_heif", Reader)
    monkeypatch.setattr("fencemap.bring_in.readers.exif.find_spec", lambda _: object())
    assert read_photo(path, name="a.heic").geometry[0].y == pytest.approx(41.5749658, abs=1e-6)
    Reader.broken = True
    with pytest.raises(RefusedFileError, match="damaged"):
        read_photo(path, name="a.heic")


@given(st.floats(0, 1), st.binary(max_size=6), st.integers(0, 20))
def test_any_damage_is_read_or_refused(tmp_path_factory, share, put, cut):
    """Bytes put in or cut out anywhere: our own error, or one row kept or refused."""
    path = shot(
        tmp_path_factory.mktemp("exif"),
        HERE | {IMG_REF: "T", IMG: 1.0, DATE: "2026:04:14", TIME: (1.0, 2.0, 3.0)},
        {TAKEN: "2026:04:14 11:31:00", OFFSET: "+02:00", FOCAL: 4.25},
    )
    data = path.read_bytes()
    place = int(share * len(data))
    path.write_bytes(data[:place] + put + data[place + cut :])
    try:
        table = read_photo(path, name="a.jpg")
    except FencemapError:
        return
    assert table.read == 1
