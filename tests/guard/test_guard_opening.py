"""Names become real files, and first bytes become kinds."""

from __future__ import annotations

import io
import os
import sqlite3
import struct
import zipfile
import zlib

import pytest

from fencemap.errors import InputError, InUseError, RefusedFileError
from fencemap.guard import Kind, check_archive, expect_kind, kind_of, owned, real_file


@pytest.fixture
def made(tmp_path):
    """Write bytes or text under a name; give the path."""

    def write(name, content):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


def _png(width, height):
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunk = b"IHDR" + header
    return (
        b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + chunk + struct.pack(">I", zlib.crc32(chunk))
    )


def _jpeg(width, height):
    # SOI, an APP1 segment to be stepped over, SOF2 with its frame size (ITU-T T.81, B.2.2).
    frame = struct.pack(">HBHHB", 17, 8, height, width, 3) + bytes(9)
    return b"\xff\xd8\xff\xe1" + struct.pack(">H", 300) + bytes(298) + b"\xff\xc2" + frame


def _las(records, points_at=227):
    head = bytearray(400)
    head[:4] = b"LASF"
    head[94:96] = (227).to_bytes(2, "little")
    head[96:100] = points_at.to_bytes(4, "little")
    head[100:104] = records.to_bytes(4, "little")
    return bytes(head)


def _zip(*members):
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members:
            archive.writestr(name, content)
    return stream.getvalue()


def test_real_file_follows_links_and_gives_an_absolute_path(tmp_path, made, monkeypatch):
    """A relative name of a link becomes the absolute path of the file it leads to."""
    target = made("survey.csv", "a,b\n")
    (tmp_path / "link.csv").symlink_to(target)
    monkeypatch.chdir(tmp_path)

    assert real_file("link.csv") == target.resolve()
    assert real_file("link.csv", inside=[tmp_path]).is_absolute()


@pytest.mark.parametrize(
    "name",
    [
        "http://127.0.0.1:1/a.tif", "HTTPS://example.org/x", "ftp://x/y", "file:///etc/passwd",
        "/vsicurl/http://127.0.0.1:1/a.tif", "/vsizip/a.zip/b.csv", "/VSIMEM/x", "\\vsizip\\x",
        "CSV:/etc/passwd", "vrt:///etc/passwd", "GTIFF_DIR:1:a.tif", "zip://a.zip", " http://x",
        "<VRTDataset rasterXSize='1'/>", "a\0b.tif", "",
    ],
)  # fmt: skip
def test_real_file_refuses_what_a_reader_would_take_for_an_address(name):
    """Addresses, virtual paths and driver strings are no files, whatever lies on the disk."""
    with pytest.raises(RefusedFileError, match="not the name of a file"):
        real_file(name)


def test_real_file_refuses_a_file_whose_name_is_a_driver_string(tmp_path, monkeypatch, made):
    """A file really called CSV:x is refused too, as a reader would not open that file."""
    made("CSV:notes.csv", "a\n")
    monkeypatch.chdir(tmp_path)

    with pytest.raises(RefusedFileError):
        real_file("CSV:notes.csv")


def test_real_file_refuses_a_link_that_leads_outside(tmp_path, made):
    """A link in the site's folder to a file elsewhere is refused, and its target named."""
    secret = made("secret.csv", "a\n")
    site = tmp_path / "site"
    site.mkdir()
    (site / "elements.csv").symlink_to(secret)

    with pytest.raises(RefusedFileError, match=r"secret\.csv, outside .*site"):
        real_file(site / "elements.csv", inside=[site])


def test_real_file_refuses_a_folder_whose_name_only_begins_alike(tmp_path, made):
    """/site-old is not inside /site."""
    (tmp_path / "site").mkdir()
    (tmp_path / "site-old").mkdir()
    path = made("site-old/a.csv", "a\n")

    with pytest.raises(RefusedFileError, match="outside"):
        real_file(path, inside=[tmp_path / "site"])


def test_real_file_names_what_is_missing_empty_or_no_file(tmp_path, made):
    """Missing, empty, folder and pipe each have their own words and remedy."""
    os.mkfifo(tmp_path / "pipe")

    with pytest.raises(InputError, match="no such file"):
        real_file(tmp_path / "absent.csv")
    with pytest.raises(InputError, match="is empty"):
        real_file(made("empty.csv", b""))
    with pytest.raises(RefusedFileError, match="is a folder"):
        real_file(tmp_path)
    with pytest.raises(RefusedFileError, match="device or pipe"):
        real_file(tmp_path / "pipe")


@pytest.mark.parametrize(
    ("content", "kind"),
    [
        (b"II*\0rest", Kind.GEOTIFF), (b"MM\0*rest", Kind.GEOTIFF), (b"II+\0\x08\0", Kind.GEOTIFF),
        (b"MM\0+\0\x08", Kind.GEOTIFF), (b"\x00\x00\x27\x0a" + bytes(96), Kind.SHAPEFILE),
        (b"%PDF-1.7", Kind.PDF), (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", Kind.OLD_EXCEL),
        ("easting,northing\n1,2\n", Kind.TEXT), ("a\tb\n1\t2\n".encode("utf-16"), Kind.TEXT),
        ("\ufeffa;b\n", Kind.TEXT), ("näme;höhe\n".encode("latin-1"), Kind.TEXT),
        ("ncols 2\nnrows 2\n", Kind.ASCII_GRID), ("  NROWS 2\n", Kind.ASCII_GRID),
        ('{"type": "FeatureCollection", "features": []}', Kind.GEOJSON),
        ('{"type":"Point","coordinates":[1,2]}', Kind.GEOJSON), ('{"a": 1}', Kind.JSON),
        ("[1, 2]", Kind.JSON), ("<?xml version='1.0'?><!-- x --><gpx/>", Kind.GPX),
        ("\ufeff<kml:kml xmlns:kml='x'/>", Kind.KML), ("<kml/>".encode("utf-16"), Kind.KML),
        ("<html/>", Kind.XML), ("<VRTDataset/>", Kind.VIRTUAL), ("<OGRVRTDataSource/>", Kind.VIRTUAL),
        ("<GDAL_WMS/>", Kind.VIRTUAL), ("<gdalTileIndexDataset/>", Kind.VIRTUAL),
        ('{"type": "gdal_streamed_alg", "command_line": "x"}', Kind.VIRTUAL),
        (_png(10, 10), Kind.PNG), (_jpeg(4000, 3000), Kind.JPEG), (_las(0), Kind.LAS), (_las(1, 281), Kind.LAS),
        (_zip(("xl/workbook.xml", "<x/>")), Kind.XLSX), (_zip(("a.csv", "1")), Kind.ZIP),
        (bytes(range(1, 9)) * 20, Kind.UNKNOWN), (b"<\x005\x00", Kind.TEXT),
    ],
)  # fmt: skip
def test_kind_is_told_from_content(made, content, kind):
    """Each kind is known by its published first bytes, whatever the name says."""
    assert kind_of(made("survey.tif", content)) is kind


def test_kind_of_databases(tmp_path):
    """A GeoPackage carries its application id at byte 68; another SQLite file is told apart."""
    for name, identity, kind in (
        ("a.gpkg", 0x47504B47, Kind.GEOPACKAGE),  # "GPKG", OGC 12-128r18, requirement 2
        ("b.gpkg", 0, Kind.SQLITE),
    ):
        database = sqlite3.connect(tmp_path / name)
        database.execute(f"pragma application_id = {identity}")
        database.execute("create table t (a)")
        database.close()

        assert kind_of(tmp_path / name) is kind


def test_expect_kind_names_both_kinds_and_a_remedy(made):
    """A text named .tif is refused with what it is, what it should be, and what to do."""
    path = made("ortho.tif", "just,a,table\n")

    with pytest.raises(RefusedFileError) as caught:
        expect_kind(path, "geotiff")

    assert "ortho.tif: is plain text" in str(caught.value)
    assert "a GeoTIFF is needed here. Export the raster itself as GeoTIFF" in str(caught.value)
    assert caught.value.problems[0].code == "wrong-kind"


def test_expect_kind_takes_everyday_names_and_no_others(made):
    """Short names are known; a name that is no kind is a mistake in our code."""
    path = made("a.csv", "a,b\n")

    assert expect_kind(path, "xlsx", "csv") is Kind.TEXT
    with pytest.raises(ValueError, match="spreadsheet"):
        expect_kind(path, "spreadsheet")


@pytest.mark.parametrize(
    "content",
    [
        "<!DOCTYPE gpx [<!ENTITY a 'b'>]><gpx/>",
        "<?xml version='1.0'?>\n<!-- " + "x" * 3000 + " -->\n<!DOCTYPE kml SYSTEM 'file:///etc/passwd'><kml/>",
        "<!ENTITY a 'b'><gpx/>",
        "<!DOCTYPE gpx><gpx/>".encode("utf-16"),
        "<!DOCTYPE gpx><gpx/>".encode("utf-16-le"),
        "<!DOCTYPE gpx><gpx/>".encode("utf-16-be"),
        "\ufeff<!DOCTYPE gpx><gpx/>",
    ],
)  # fmt: skip
def test_xml_with_a_document_type_is_refused_in_any_encoding(made, content):
    """Entities could grow without bound or read other files, so no document type passes."""
    with pytest.raises(RefusedFileError, match="document type"):
        kind_of(made("track.gpx", content))


def test_document_type_behind_a_long_comment_is_not_missed(made):
    """A preamble longer than what is looked at is refused, as anything could follow."""
    content = f"<!-- {'x' * 70_000} --><!DOCTYPE gpx><gpx/>"

    with pytest.raises(RefusedFileError, match="without a root element"):
        kind_of(made("track.gpx", content))


def test_words_in_a_description_are_no_document_type(made):
    """A page quoted inside a placemark is harmless and must not be refused."""
    text = "<kml><description><![CDATA[<!DOCTYPE html><p>Gate 3</p>]]></description></kml>"

    assert kind_of(made("places.kml", text)) is Kind.KML


@pytest.mark.parametrize("content", [_png(40_000, 40_000), _jpeg(65_000, 65_000)])
def test_pictures_that_claim_gigapixels_are_refused(made, content):
    """The size in the header is looked at before any pixel is unpacked."""
    with pytest.raises(RefusedFileError, match="pixels; at most 268 megapixels"):
        kind_of(made("photo", content))


@pytest.mark.parametrize(
    "content", [_las(1_069_128_089), _las(1), _las(3, 327), _las(0, points_at=10**9)]
)
def test_point_cloud_with_impossible_records_is_refused(made, content):
    """A header that promises more records than fit would keep a reader busy for hours."""
    with pytest.raises(RefusedFileError, match="broken header"):
        kind_of(made("cloud.las", content))


def test_owned_file_is_not_opened_behind_its_owner(made):
    """Looking at a file's first bytes would drop the locks that SQLite holds on it."""
    path = made("year.gpkg", b"SQLite format 3\0" + bytes(100))

    with owned(path, by="sqlite3"), pytest.raises(InUseError, match="open through sqlite3"):
        kind_of(path)
    assert kind_of(path) is Kind.SQLITE


def test_owner_rule(tmp_path):
    """One library per file, as often as it likes; through a link too; free again after errors."""
    path = tmp_path / "year.gpkg"
    (tmp_path / "link.gpkg").symlink_to(path)

    with owned(path, by="pyogrio"), owned(path, by="pyogrio"):
        with pytest.raises(InUseError, match="pyogrio"), owned(tmp_path / "link.gpkg", by="fiona"):
            pytest.fail("two libraries on one file")
        with owned(tmp_path / "other.gpkg", by="fiona"):
            pass
    with pytest.raises(ZeroDivisionError), owned(path, by="fiona"):
        _ = 1 / 0
    with owned(path, by="sqlite3"):
        pass


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("../../evil.txt", "outside"), ("/abs.txt", "outside"), ("..\\evil", "outside"),
        ("C:\\evil", "outside"), ("~/evil", "outside"), ("a/../../b", "outside"),
    ],
)  # fmt: skip
def test_archive_that_would_write_elsewhere_is_refused(made, name, reason):
    """The member is named, and nothing is unpacked."""
    path = made("delivery.zip", _zip(("fine.csv", "1"), (name, "2")))

    with pytest.raises(RefusedFileError, match=reason) as caught:
        check_archive(path)
    assert name in str(caught.value)


def test_archive_that_would_grow_without_bound_is_refused(made):
    """20 MiB of one letter pack to 20 KiB: a thousandfold."""
    path = made("delivery.xlsx", _zip(("xl/workbook.xml", b"0" * 20 * 2**20)))

    with pytest.raises(RefusedFileError, match="grow more than 100-fold"):
        kind_of(path)


def test_archive_with_a_link_is_refused(tmp_path):
    """A link could make the next member be written through it."""
    link = zipfile.ZipInfo("link")
    link.external_attr = 0o120777 << 16
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr(link, "/etc")

    with pytest.raises(RefusedFileError, match="is a link"):
        check_archive(tmp_path / "a.zip")


def test_broken_archive_is_refused(made):
    """An archive cut off in the middle is named as broken."""
    whole = _zip(("a.csv", "1" * 500))

    with pytest.raises(RefusedFileError, match="broken zip"):
        kind_of(made("cut.zip", whole[: len(whole) // 2]))
