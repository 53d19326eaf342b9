"""A raster is looked at from outside, and opened by a named driver only when it is sound."""

from __future__ import annotations

import os
import struct
from pathlib import Path

import numpy as np
import pytest
import rasterio
import tifffile
from affine import Affine

from fencemap.errors import InputError, RasterError, RefusedFileError
from fencemap.guard import RasterLimits, check_raster, open_raster, reader_errors

PLACE = Affine(0.5, 0, 500_000, 0, -0.5, 4_400_000)


def _write(path, pixels, *, transform=PLACE, **options):
    """Write a tiled raster of 64-pixel blocks; `pixels` is (bands, rows, columns)."""
    settings = {"tiled": True, "blockxsize": 64, "blockysize": 64, "crs": "EPSG:26918"}
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        count=pixels.shape[0],
        height=pixels.shape[1],
        width=pixels.shape[2],
        dtype=pixels.dtype,
        transform=transform,
        **settings | options,
    ) as dataset:
        dataset.write(pixels)
    return path


@pytest.fixture
def ground(tmp_path):
    """Write a sound ground model of 4 by 4 blocks."""
    heights = np.arange(256 * 256, dtype=np.float32).reshape(1, 256, 256)
    return _write(tmp_path / "ground.tif", heights)


def _forget_blocks(path, numbers):
    """Set offset and length of blocks to 0 in the directory, as an unfinished writer leaves them."""
    with tifffile.TiffFile(path) as tiff:
        tags = [tiff.pages[0].tags[code] for code in (324, 325)]  # TileOffsets, TileByteCounts
    content = bytearray(path.read_bytes())
    for tag in tags:
        size = struct.calcsize({3: "H", 4: "I", 16: "Q"}[int(tag.dtype)])
        for number in numbers:
            at = tag.valueoffset + number * size
            content[at : at + size] = bytes(size)
    path.write_bytes(content)


def test_sound_raster_opens_with_its_pixels(ground):
    """The heights that were written come back, through the driver that was named."""
    with open_raster(ground) as dataset:
        assert dataset.driver == "GTiff"
        assert dataset.read(1)[3, 5] == 3 * 256 + 5


def test_checked_raster_is_opened_again_only_unchanged(ground):
    """What was checked is what is read: a changed or vanished file is refused."""
    checked = check_raster(ground)
    with open_raster(checked) as dataset:
        assert dataset.shape == (256, 256)

    os.utime(ground, ns=(1, 1))
    with pytest.raises(RasterError, match="changed during the run"), open_raster(checked):
        pytest.fail("opened a changed file")
    ground.unlink()
    with pytest.raises(InputError, match="is gone"), open_raster(checked):
        pytest.fail("opened a vanished file")


def test_unfinished_raster_is_refused_by_its_blocks(ground):
    """A block that was never written would read as 0 m under the fence; it is named."""
    _forget_blocks(ground, [5, 6])

    with rasterio.open(ground) as dataset:  # a library reads zeros without a word
        assert dataset.read(1)[64:128, 64:128].max() == 0
    with pytest.raises(RasterError, match=r"2 of 16 blocks \(row 1 column 1, row 1 column 2\)"):
        check_raster(ground)


def test_block_left_out_on_purpose_is_not_seen(tmp_path):
    """With a nodata value a missing block is a gap, not a zero; counted, not refused."""
    heights = np.full((1, 256, 256), 5.0, dtype=np.float32)
    path = _write(tmp_path / "a.tif", heights, nodata=-9999)
    _forget_blocks(path, [0])

    assert check_raster(path).sparse_blocks == 1


def test_raster_of_which_nothing_was_written_is_refused(tmp_path):
    """All blocks missing is no gap but a writer that was stopped, nodata value or not."""
    path = _write(tmp_path / "a.tif", np.ones((1, 128, 128), np.float32), nodata=-9999)
    _forget_blocks(path, range(4))

    with pytest.raises(RasterError, match="never finished: 4 of 4 blocks"):
        check_raster(path)


def test_unfinished_overview_is_refused(tmp_path):
    """A reduced level without its blocks would draw a black map."""
    path = _write(tmp_path / "a.tif", np.full((3, 512, 512), 90, np.uint8))
    with rasterio.open(path, "r+") as dataset:
        dataset.build_overviews([2])
    check_raster(path)
    with tifffile.TiffFile(path) as tiff:
        tag = tiff.pages[1].tags[325]
    content = bytearray(path.read_bytes())
    content[tag.valueoffset : tag.valueoffset + 4] = bytes(4)
    path.write_bytes(content)

    with pytest.raises(RasterError, match="blocks"):
        check_raster(path)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.999])
def test_raster_cut_off_anywhere_is_refused(tmp_path, share):
    """A copy that stopped half-way is never read as data, wherever it stopped."""
    pixels = np.random.default_rng(1).integers(0, 255, (1, 256, 256)).astype(np.uint8)
    path = _write(tmp_path / "a.tif", pixels)
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * share)])

    with pytest.raises(RasterError, match=r"cut off|broken"):
        check_raster(path)


def test_overviews_elsewhere_are_refused(tmp_path):
    """A tag may send a reader to any file for the overviews, even with the driver named."""
    secret = tmp_path / "secret.tif"
    _write(secret, np.full((1, 32, 32), 77, np.uint8))
    path = tmp_path / "ortho.tif"
    _write(path, np.full((1, 64, 64), 7, np.uint8))
    with rasterio.open(path, "r+") as dataset:
        dataset.update_tags(ns="OVERVIEWS", OVERVIEW_FILE=str(secret))

    with rasterio.open(path, driver="GTiff") as dataset:  # the leak that must be closed
        assert dataset.read(1, out_shape=(32, 32)).max() == 77
    with pytest.raises(RasterError, match="another file for its overviews"):
        check_raster(path)


@pytest.mark.parametrize("suffix", [".ovr", ".msk", ".aux.xml"])
def test_files_beside_a_raster_are_not_read(tmp_path, suffix):
    """Overviews, masks and metadata beside the file could be anything, so they are passed over."""
    secret = tmp_path / "secret.bin"
    secret.write_bytes(b"M" * 5000)
    path = _write(tmp_path / "ortho.tif", np.full((1, 64, 64), 7, np.uint8))
    side = 64 if suffix == ".msk" else 32
    virtual = (
        f'<VRTDataset rasterXSize="{side}" rasterYSize="{side}"><Metadata><MDI '
        'key="INTERNAL_MASK_FLAGS_1">2</MDI></Metadata><VRTRasterBand dataType="Byte" band="1" '
        f'subClass="VRTRawRasterBand"><SourceFilename>{secret}</SourceFilename><ImageOffset>0'
        f"</ImageOffset><PixelOffset>1</PixelOffset><LineOffset>{side}</LineOffset>"
        "</VRTRasterBand></VRTDataset>"
    )
    if suffix == ".aux.xml":
        (tmp_path / "evil.vrt").write_text(virtual)
        virtual = (
            '<PAMDataset><Metadata domain="OVERVIEWS"><MDI key="OVERVIEW_FILE">'
            f"{tmp_path / 'evil.vrt'}</MDI></Metadata></PAMDataset>"
        )
    Path(f"{path}{suffix}").write_text(virtual)

    with open_raster(path) as dataset:
        assert dataset.files == [str(path)]
        assert dataset.overviews(1) == []
        assert set(np.unique(dataset.read(1, out_shape=(32, 32)))) == {7}
        assert set(np.unique(dataset.dataset_mask())) == {255}


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
@pytest.mark.parametrize(
    ("transform", "reason"),
    [
        (Affine(0.5, 0.1, 5e5, 0.1, -0.5, 4.4e6), "rotated or sheared"),
        (Affine(0.5, 0, 5e5, 0, 0.5, 4.4e6), "south-up"),
        (Affine(-0.5, 0, 5e5, 0, -0.5, 4.4e6), "mirrored"),
        (Affine.identity(), "has no position"),
    ],
)
def test_position_that_is_no_north_up_grid_is_refused(tmp_path, transform, reason):
    """Bounds and resolution of such a raster look normal, so it is refused with a remedy."""
    with rasterio.open(
        tmp_path / "a.tif", "w", driver="GTiff", width=8, height=8, count=1, dtype="uint8"
    ) as dataset:
        dataset.write(np.ones((1, 8, 8), np.uint8))
        if not transform.is_identity:
            dataset.transform = transform

    with pytest.raises(RasterError, match=reason), open_raster(tmp_path / "a.tif"):
        pytest.fail("opened")


@pytest.mark.parametrize(("raster_type", "shift_m"), [(1, 0.0), (2, 0.25)])
def test_half_pixel_of_point_rasters(tmp_path, raster_type, shift_m):
    """A tie point names the pixel's corner or its centre (OGC 19-008r4, 7.1.2): half a pixel."""
    keys = (1, 1, 0, 3, 1024, 0, 1, 1, 1025, 0, 1, raster_type, 3072, 0, 1, 26918)
    tags = [
        (33550, "d", 3, (0.5, 0.5, 0.0)),  # ModelPixelScale
        (33922, "d", 6, (0.0, 0.0, 0.0, 500_000.0, 4_400_000.0, 0.0)),  # ModelTiepoint
        (34735, "H", len(keys), keys),  # GeoKeyDirectory
    ]
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, np.ones((8, 8), np.uint8), extratags=tags, metadata=None)

    with open_raster(path) as dataset:
        assert dataset.transform.c == 500_000 - shift_m
        assert dataset.transform.f == 4_400_000 + shift_m
        assert dataset.crs.to_epsg() == 26918


def _header_only(path, width, height):
    """Write a TIFF that is a directory without pixels."""
    fields = {256: width, 257: height, 258: 8, 259: 1, 262: 1, 273: 8, 277: 1, 278: height, 279: 64}
    entries = b"".join(
        struct.pack("<HHII", tag, 4, 1, value) for tag, value in sorted(fields.items())
    )
    path.write_bytes(b"II*\0\x08\0\0\0" + struct.pack("<H", len(fields)) + entries + bytes(200))
    return path


def test_gigantic_claims_are_refused_before_reading(tmp_path):
    """A header may claim anything; nothing is allocated for it."""
    with pytest.raises(RasterError, match="GiB of pixels"):
        check_raster(_header_only(tmp_path / "a.tif", 2_000_000_000, 2_000_000_000))
    with pytest.raises(RasterError, match="times as many bytes"):
        check_raster(_header_only(tmp_path / "b.tif", 60_000, 60_000))


def test_bomb_of_few_bytes_and_many_pixels_is_refused(tmp_path):
    """20,000 by 20,000 pixels of one value pack to far less than a two-hundredth."""
    pixels = np.zeros((1, 20_000, 20_000), np.uint8)
    path = _write(tmp_path / "a.tif", pixels, compress="deflate", blockxsize=512, blockysize=512)

    with pytest.raises(RasterError, match="times as many bytes as the file holds"):
        check_raster(path)


def test_block_too_large_to_hold_is_refused(tmp_path):
    """One compressed strip of the whole raster would have to be unpacked for any pixel."""
    path = _write(
        tmp_path / "a.tif",
        np.zeros((1, 64, 4096), np.float32),
        compress="deflate",
        tiled=False,
        blockysize=64,
    )

    check_raster(path)
    with pytest.raises(RasterError, match="blocks of"):
        check_raster(path, limits=RasterLimits(block_bytes=2**19))


def test_directories_in_a_circle_are_refused(tmp_path):
    """A directory that names itself as the next one must not keep the check busy."""
    path = _header_only(tmp_path / "a.tif", 8, 8)
    content = bytearray(path.read_bytes())
    at = 8 + 2 + 12 * 9
    content[at : at + 4] = (8).to_bytes(4, "little")
    path.write_bytes(content)

    with pytest.raises(RasterError, match="directories without end"):
        check_raster(path)


def _ascii_grid(path, values, *, header="ncols 3\nnrows 2\nxllcorner 0\nyllcorner 0\ncellsize 1\n"):
    path.write_text(header + values)
    return path


def test_ascii_grid_is_counted_against_its_header(tmp_path):
    """Whatever the line ends and separators, six values are six values."""
    sound = _ascii_grid(tmp_path / "a.asc", "1 2 3\r\n4\n5\t6\n")

    assert check_raster(sound).rows == 2
    for number, values in enumerate(("1 2 3\n4 5\n", "1 2 3 4 5 6 7\n", "1")):
        broken = _ascii_grid(tmp_path / f"b{number}.asc", values)
        with pytest.raises(RasterError, match="6 values promised"):
            check_raster(broken)


def test_ascii_grid_with_a_gigantic_header_is_refused(tmp_path):
    """No value is counted for a header that the file can't fulfil."""
    path = _ascii_grid(tmp_path / "a.asc", "1 2 3\n", header="ncols 1000000\nnrows 1000000\n")

    with pytest.raises(RasterError, match=r"claims|promised"):
        check_raster(path)


def test_metadata_beside_an_ascii_grid_is_not_read(tmp_path):
    """The driver looks for its .aux.xml by another way, which must be closed as well."""
    secret = tmp_path / "secret.tif"
    _write(secret, np.full((1, 2, 2), 77, np.float32), blockxsize=16, blockysize=16)
    path = _ascii_grid(tmp_path / "a.asc", "1 1 1\n1 1 1\n")
    Path(f"{path}.aux.xml").write_text(
        '<PAMDataset><Metadata domain="OVERVIEWS"><MDI key="OVERVIEW_FILE">'
        f"{secret}</MDI></Metadata></PAMDataset>"
    )

    with open_raster(path) as dataset:
        assert dataset.files == [str(path)]
        assert dataset.overviews(1) == []


def test_block_that_cannot_be_decoded_names_the_file(tmp_path):
    """A library's error becomes ours, with the file and a remedy."""
    pixels = np.random.default_rng(1).integers(0, 255, (1, 64, 64)).astype(np.uint8)
    path = _write(tmp_path / "a.tif", pixels, compress="deflate")
    content = bytearray(path.read_bytes())
    content[-2000:-1000] = bytes(1000)
    path.write_bytes(content)

    with (
        pytest.raises(RasterError, match=r"a\.tif: can't be read"),
        open_raster(path) as dataset,
        reader_errors(path),
    ):
        dataset.read(1)


def test_text_and_pictures_are_no_rasters(tmp_path):
    """Only a GeoTIFF or an ASCII grid is opened, whatever the extension promises."""
    (tmp_path / "a.tif").write_text("easting,northing,height\n1,2,3\n")

    with pytest.raises(RefusedFileError, match=r"a\.tif: is plain text"):
        check_raster(tmp_path / "a.tif")


@pytest.mark.open_data
@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("ortho/corrupt.tif", "cut off"), ("ortho/byte_truncated.tif", "cut off"),
        ("ortho/rotated.tif", "rotated"), ("ortho/geomatrix.tif", "rotated"),
        ("dem/south-up.tif", "south-up"), ("ortho/byte_gcp.tif", "control points"),
        ("ortho/byte_nogeoref.tif", "no position"), ("ortho/byte_JXL.tif", "codec JXL"),
        ("ortho/huge_raster_with_ovr_huge_block.tif", "65535 bands"),
    ],
)  # fmt: skip
def test_odd_rasters_of_other_projects(name, reason):
    """Files of GDAL's and rasterio's test suites are refused for what is wrong with them."""
    path = Path(os.environ["FENCEMAP_OPEN_DATA"]) / name

    with pytest.raises(RasterError, match=reason), open_raster(path):
        pytest.fail("opened")
