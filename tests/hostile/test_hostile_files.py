"""Files made to misuse a reader: none of a canary's bytes comes out, and each refusal is plain.

Each file is given to every public way in, first in a fresh process, then in one where a
virtual raster has been used, which registers drivers that hardening had taken away.
"""

from __future__ import annotations

import io
import json
import os
import resource
import signal
import sqlite3
import struct
import subprocess
import sys
import time
import zipfile
import zlib
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from affine import Affine

from fencemap.crs import site_crs, to_site
from fencemap.errors import FencemapError, InputError, RasterError, RefusedFileError
from fencemap.formats.raster import open_heights, open_image
from fencemap.guard import audit_geopackage, expect_kind, open_raster, real_file

CANARY = b"CANARY-OF-THE-HOUSE/" * 300
SITE = "EPSG:26918"


def _all_pixels(path):
    with open_raster(path) as dataset:
        return dataset.read(out_shape=(1, 32, 32)), dataset.dataset_mask()


def _window(source):
    with source:
        return source.read(source.grid.window)


# Every way in that takes a file from a user and belongs to these modules.
WAYS = {
    "open_raster": _all_pixels,
    "open_heights": lambda path: _window(open_heights(path, site_crs=SITE, nodata="none")),
    "open_image": lambda path: _window(open_image(path, site_crs=SITE)),
    "expect_kind": lambda path: expect_kind(path, "geopackage", "gpx", "kml", "geojson"),
    "audit": audit_geopackage,
}


@pytest.fixture
def canary(tmp_path):
    """Write a secret file outside the folder of the hostile ones."""
    path = tmp_path / "secret" / "canary.bin"
    path.parent.mkdir()
    path.write_bytes(CANARY)
    return path


@pytest.fixture(params=["fresh", "after a virtual raster"])
def process(request, tmp_path):
    """Leave the process as it is, or use a virtual raster in it first."""
    if request.param == "fresh":
        return request.param
    from rasterio.vrt import WarpedVRT

    path = tmp_path / "harmless.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=8, height=8, count=1, dtype="uint8", crs=SITE,
        transform=Affine(1, 0, 5e5, 0, -1, 4.4e6),
    ) as dataset:  # fmt: skip
        dataset.write(np.ones((1, 8, 8), np.uint8))
    with rasterio.open(path) as dataset, WarpedVRT(dataset, crs="EPSG:32618") as virtual:
        virtual.read()
    with rasterio.Env() as environment:
        assert "VRT" in environment.drivers()
    return request.param


def _virtual_raster(canary, side=32):
    return (
        f'<VRTDataset rasterXSize="{side}" rasterYSize="{side}"><SRS>{SITE}</SRS>'
        "<GeoTransform>500000,1,0,4400000,0,-1</GeoTransform>"
        '<VRTRasterBand dataType="Byte" band="1" subClass="VRTRawRasterBand"><SourceFilename '
        f'relativeToVRT="0">{canary}</SourceFilename><ImageOffset>0</ImageOffset><PixelOffset>1'
        f"</PixelOffset><LineOffset>{side}</LineOffset></VRTRasterBand></VRTDataset>"
    )


def _virtual_vector(canary):
    return (
        f'<OGRVRTDataSource><OGRVRTLayer name="canary"><SrcDataSource>CSV:{canary}'
        "</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>"
    )


def _bomb_of_entities():
    lines = "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 10))
    return (
        f'<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a0 "ha">{lines}]><gpx><wpt>&a9;</wpt></gpx>'
    )


def _png_bomb():
    header = struct.pack(">IIBBBBB", 40_000, 40_000, 1, 0, 0, 0, 0)
    chunk = b"IHDR" + header
    return (
        b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + chunk + struct.pack(">I", zlib.crc32(chunk))
    )


def _zip_bomb():
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", bytes(64 * 2**20))
    return stream.getvalue()


HOSTILE = {
    "virtual raster.tif": _virtual_raster,
    "virtual raster in words.tif": lambda canary: "\ufeff<?xml version='1.0'?><!-- ortho -->" + _virtual_raster(canary),
    "virtual raster.asc": _virtual_raster,
    "virtual raster.gpkg": _virtual_raster,
    "virtual survey.gpx": _virtual_vector,
    "virtual survey.kml": _virtual_vector,
    "web service.tif": lambda _: "<GDAL_WMS><Service name='TMS'><ServerUrl>http://127.0.0.1:9/</ServerUrl></Service></GDAL_WMS>",
    "pipeline.json": lambda canary: json.dumps({"type": "gdal_streamed_alg", "command_line": f"gdal vector read {canary}"}),
    "table.tif": lambda _: "easting,northing,height\n1,2,3\n",
    "page.tif": lambda _: "<html><body>Sign in to download</body></html>",
    "entities.gpx": lambda _: _bomb_of_entities(),
    "outside entity.kml": lambda canary: f'<!DOCTYPE kml [<!ENTITY x SYSTEM "file://{canary}">]><kml>&x;</kml>',
    "picture bomb.tif": lambda _: _png_bomb(),
    "zip bomb.xlsx": lambda _: _zip_bomb(),
    "noise.tif": lambda _: b"II*\0" + bytes(range(256)) * 8,
    "text after magic.tif": lambda _: b"II*\0\x08\0\0\0" + b"just words " * 400,
    "old workbook.xlsx": lambda _: b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(512),
}  # fmt: skip


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_file_gives_a_plain_refusal_and_no_byte(tmp_path, canary, process, name, way):
    """Whatever way in: an error of ours with the file's name, nothing of the canary in it."""
    folder = tmp_path / "site"
    folder.mkdir()
    path = folder / name
    content = HOSTILE[name](canary)
    path.write_bytes(content if isinstance(content, bytes) else content.encode())

    with pytest.raises(FencemapError) as caught:
        WAYS[way](path)

    assert name in str(caught.value), process
    assert "CANARY" not in str(caught.value)
    assert len(caught.value.problems) == 1
    assert caught.value.problems[0].remedy


@pytest.mark.parametrize("process", ["after a virtual raster"], indirect=True)
@pytest.mark.usefixtures("process")
def test_the_canary_does_come_out_without_the_guard(tmp_path, canary):
    """The attack is real: a bare reader gives the secret's bytes, so the test above can fail."""
    path = tmp_path / "ortho.tif"
    path.write_text(_virtual_raster(canary))

    with rasterio.open(path) as dataset:
        assert dataset.read(1).tobytes().startswith(b"CANARY")
    with pytest.raises(RefusedFileError):
        _all_pixels(path)


@pytest.mark.parametrize("name", [
    "http://127.0.0.1:9/a.tif", "/vsicurl/http://127.0.0.1:9/a.tif", "CSV:/etc/passwd",
    "/vsizip/site.zip/a.tif", "vrt://a.tif?bands=1", "GPKG:a.gpkg:posts",
])  # fmt: skip
@pytest.mark.parametrize("way", WAYS)
def test_addresses_are_no_files(name, way):
    """No way in takes an address or a driver's string for a file."""
    with pytest.raises(RefusedFileError, match="not the name of a file"):
        WAYS[way](name)


def test_link_out_of_the_site_is_refused(tmp_path, canary):
    """A link in the delivery to a file elsewhere gives neither bytes nor a layer."""
    folder = tmp_path / "site"
    folder.mkdir()
    (folder / "ground.tif").symlink_to(canary)

    for way in (
        lambda: real_file(folder / "ground.tif", inside=[folder]),
        lambda: open_heights(folder / "ground.tif", site_crs=SITE, inside=[folder]),
        lambda: open_image(str(folder / "*.tif"), site_crs=SITE, inside=[folder]),
    ):
        with pytest.raises(RefusedFileError, match="outside"):
            way()


def test_odd_but_honest_names_are_no_attack(tmp_path):
    """Spaces, quotes, umlauts and signs in a name are everyday life."""
    for name in ("Plan 3 (neu).tif", "größe.tif", "50%.tif", "a#1.tif", "o'neil.tif", "a!b?.tif"):
        path = tmp_path / name
        with rasterio.open(
            path, "w", driver="GTiff", width=16, height=16, count=1, dtype="float32", crs=SITE,
            transform=Affine(1, 0, 5e5, 0, -1, 4.4e6), nodata=-1,
        ) as dataset:  # fmt: skip
            dataset.write(np.ones((1, 16, 16), np.float32))

        assert _window(open_heights(path, site_crs=SITE)).sum() == 256


# --- unfinished and gigantic rasters --------------------------------------------------------

_WRITER = """
import sys
import numpy as np, rasterio
from rasterio.windows import Window
block = np.full((1, 256, 256), 97.0, np.float32)
with rasterio.open(sys.argv[1], "w", driver="GTiff", width=2048, height=2048, count=1,
        dtype="float32", crs="EPSG:26918", transform=rasterio.Affine(1, 0, 5e5, 0, -1, 4.4e6),
        tiled=True, blockxsize=256, blockysize=256, compress="deflate") as out:
    for row in range(0, 2048, 256):
        for column in range(0, 2048, 256):
            out.write(block, window=Window(column, row, 256, 256))
    print("written", flush=True)
    sys.stdin.readline()
"""


def test_raster_of_a_killed_writer_is_refused_naming_its_blocks(tmp_path):
    """All pixels were handed over, the writer was killed before closing: zeros to a bare reader."""
    path = tmp_path / "ground.tif"
    command = [sys.executable, "-c", _WRITER, str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stdin=subprocess.PIPE) as writer:
        assert writer.stdout.readline() == b"written\n"
        writer.send_signal(signal.SIGKILL)

    with rasterio.open(path) as dataset:
        assert not dataset.read(1).any()  # the trap: 0 m under every fence
    for way in ("open_raster", "open_heights"):
        with pytest.raises(RasterError, match="never finished: 64 of 64 blocks"):
            WAYS[way](path)


def test_truncated_rasters_are_refused_wherever_they_end(tmp_path):
    """Forty cuts of a good file: no one is read as data."""
    path = tmp_path / "ground.tif"
    noise = np.random.default_rng(1).normal(100, 5, (1, 512, 512)).astype(np.float32)
    with rasterio.open(
        path, "w", driver="COG", width=512, height=512, count=1, dtype="float32", crs=SITE,
        transform=Affine(1, 0, 5e5, 0, -1, 4.4e6), blocksize=128, compress="DEFLATE", nodata=-1,
    ) as dataset:  # fmt: skip
        dataset.write(noise)
    whole = path.read_bytes()
    WAYS["open_heights"](path)

    # The last four bytes repeat the end of the last block (the format's trailer), no data.
    for cut in np.linspace(1, len(whole) - 5, 40).astype(int):
        path.write_bytes(whole[:cut])
        with pytest.raises(InputError):
            WAYS["open_heights"](path)


def test_damaged_rasters_never_crash_the_process(tmp_path):
    """Two hundred flipped bytes: data, or an error of ours; nothing else escapes."""
    path = tmp_path / "ground.tif"
    pixels = np.random.default_rng(1).integers(0, 255, (1, 128, 128)).astype(np.uint8)
    with rasterio.open(
        path, "w", driver="GTiff", width=128, height=128, count=1, dtype="uint8", crs=SITE,
        transform=Affine(1, 0, 5e5, 0, -1, 4.4e6), tiled=True, blockxsize=64, blockysize=64,
        compress="lzw", nodata=0,
    ) as dataset:  # fmt: skip
        dataset.write(pixels)
    whole = path.read_bytes()
    rng = np.random.default_rng(2)
    refused = 0
    for _ in range(200):
        damaged = bytearray(whole)
        # Half of the hits fall into the directory, where they do most.
        damaged[rng.integers(0, 700 if rng.random() < 0.5 else len(whole))] ^= int(
            rng.integers(1, 256)
        )
        path.write_bytes(damaged)
        try:
            _all_pixels(path)
        except FencemapError:
            refused += 1

    assert refused > 20


@pytest.mark.parametrize(
    ("width", "height", "kind"),
    [
        (60_000, 60_000, "strip"),
        (2_000_000_000, 2_000_000_000, "strip"),
        (60_000, 60_000, "sparse"),
    ],
)
def test_gigantic_raster_is_refused_in_no_time_and_no_memory(tmp_path, width, height, kind):
    """A few kilobytes that claim gigabytes: refused within five seconds and 300 MB."""
    path = tmp_path / "ortho.tif"
    if kind == "sparse":
        with rasterio.open(
            path, "w", driver="GTiff", width=width, height=height, count=3, dtype="uint8",
            crs=SITE, transform=Affine(1, 0, 5e5, 0, -1, 4.4e6), sparse_ok=True, tiled=True,
        ):  # fmt: skip
            pass
    else:
        fields = {
            256: width,
            257: height,
            258: 8,
            259: 8,
            262: 1,
            273: 300,
            277: 1,
            278: height,
            279: 64,
        }
        entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in fields.items())
        path.write_bytes(b"II*\0\x08\0\0\0" + struct.pack("<H", 9) + entries + bytes(300))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    started = time.monotonic()

    with pytest.raises(RasterError):
        WAYS["open_image"](path)

    assert time.monotonic() - started < 5
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 300_000  # KiB


# --- databases and coordinates --------------------------------------------------------------


@pytest.fixture
def package(tmp_path):
    """Write a GeoPackage of three posts."""
    path = tmp_path / "survey.gpkg"
    posts = gpd.GeoDataFrame(
        {"n": range(3)}, geometry=shapely.points([[5e5, 4.4e6 + n] for n in range(3)]), crs=SITE
    )
    pyogrio.write_dataframe(posts, path, layer="posts", driver="GPKG")
    return path


@pytest.mark.parametrize(
    "statement",
    [
        "create trigger evil after insert on posts begin delete from gpkg_contents; end",
        "create view evil as select * from sqlite_master",
        "update gpkg_ogr_contents set feature_count = 1",
        "create virtual table evil using fts5(a)",
    ],
)
def test_package_that_acts_or_lies_is_refused(package, statement):
    """A trigger, a view, a false count and a virtual table are each named."""
    with closing(sqlite3.connect(package)) as database:
        database.execute(statement)
        database.commit()

    with pytest.raises(RefusedFileError) as caught:
        audit_geopackage(package)
    assert "survey.gpkg" in str(caught.value)


def test_coordinates_that_are_no_numbers_are_marked_not_placed():
    """NaN, infinities and 1e300 never become a place, and their neighbours are kept."""
    strange = [np.nan, np.inf, -np.inf, 1e300, -1e308]
    longitude, latitude = [-75.0, *strange, -75.0], [40.0, *[40.0] * 5, 40.0]

    placed = to_site(longitude, latitude, src="EPSG:4269", site=site_crs(SITE))
    plane = to_site([5e5, *strange], [4.4e6] * 6, src=SITE, site=site_crs(SITE))

    assert placed.ok.tolist() == [True, *[False] * 5, True]
    assert plane.ok.tolist() == [True, *[False] * 5]
    assert np.isnan(placed.easting[1:6]).all()


def test_whole_attack_in_a_hardened_process_opens_no_file_and_no_connection(tmp_path, canary):
    """Both walls up, after a full round of honest work: the canary stays where it is."""
    (tmp_path / "ortho.tif").write_text(_virtual_raster(canary))
    (tmp_path / "track.gpx").write_text(_virtual_vector(canary))
    code = f"""
import json
from fencemap import guard
assert guard.harden(memory_gib=8)
import numpy as np, rasterio, pyogrio, fiona
from affine import Affine
from pyproj import CRS
from fencemap.errors import FencemapError
from fencemap.formats.raster import open_heights, warp_heights, write_heights
from fencemap.grid import Grid
grid = Grid(Affine(0.5, 0, 5e5, 0, -0.5, 4.4e6), (100, 100), CRS("EPSG:26918"))
path = write_heights({str(tmp_path / "ground.tif")!r}, np.ones((100, 100), np.float32), grid=grid)
with open_heights(path, site_crs=None) as ground:
    warp_heights(ground, site_crs=CRS("EPSG:2263"), max_accuracy_m=0).read(ground.grid.window)
said = [list(guard.unexpected_drivers())]
for read in (
    lambda: guard.open_raster({str(tmp_path / "ortho.tif")!r}).__enter__(),
    lambda: rasterio.open({str(tmp_path / "ortho.tif")!r}),
    lambda: guard.expect_kind({str(tmp_path / "track.gpx")!r}, "gpx"),
    lambda: pyogrio.read_dataframe({str(tmp_path / "track.gpx")!r}),
    lambda: fiona.open({str(tmp_path / "track.gpx")!r}),
):
    try:
        read()
        said.append("opened")
    except Exception as error:
        said.append(isinstance(error, FencemapError))
print(json.dumps(said))
"""
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip

    assert json.loads(done.stdout) == [[], True, False, True, False, False]
    assert done.stderr == ""
