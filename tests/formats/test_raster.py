"""Heights and pictures: read whole from files and tiles, never a number where nothing was seen."""

from __future__ import annotations

import gc
import pickle
import threading
import tracemalloc

import numpy as np
import pytest
import rasterio
from affine import Affine
from pyproj import CRS

from fencemap.errors import CRSError, InputError, NodataWarning, RasterError
from fencemap.formats.raster import ImageSource, open_heights, open_image
from fencemap.grid import HeightSource, Window

SITE = "EPSG:26918"


def _write(path, pixels, *, west=500_000.0, north=4_400_000.0, pixel=0.5, **options):
    """Write (bands, rows, columns) as a tiled GeoTIFF."""
    mask = options.pop("mask", None)
    colours = options.pop("colours", None)
    settings = {"tiled": True, "blockxsize": 64, "blockysize": 64, "crs": SITE} | options
    with (
        rasterio.Env(GDAL_TIFF_INTERNAL_MASK="YES"),
        rasterio.open(
            path, "w", driver="GTiff", count=pixels.shape[0], height=pixels.shape[1],
            width=pixels.shape[2], dtype=pixels.dtype,
            transform=Affine(pixel, 0, west, 0, -pixel, north), **settings,
        ) as dataset,
    ):  # fmt: skip
        if colours:
            dataset.colorinterp = colours
        dataset.write(pixels)
        if mask is not None:
            dataset.write_mask(mask)
    return path


@pytest.fixture
def truth():
    """Give heights of 200 by 300 pixels between 90 and 110 m, with a hole."""
    heights = np.random.default_rng(26918).uniform(90, 110, (200, 300)).astype(np.float32)
    heights[20:60, 70:140] = np.nan
    return heights


# --- heights --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stored", "options"),
    [
        (lambda h: h, {"nodata": np.nan}),
        (lambda h: np.nan_to_num(h, nan=-9999), {"nodata": -9999}),
        # The usual nodata value of float32 files, whose tag is written in double precision.
        (lambda h: np.nan_to_num(h, nan=np.finfo("f4").min), {"nodata": -3.4028234663852886e38}),
        (lambda h: np.nan_to_num(h, nan=0.0), {"mask": "truth"}),
        (lambda h: np.nan_to_num(h, nan=0.0).astype("f8"), {"nodata": 0.0}),
    ],
    ids=["nan", "number", "float32 lowest", "mask", "zero in float64"],
)
def test_what_was_not_seen_is_nan_however_the_file_says_it(tmp_path, truth, stored, options):
    """NaN, a number, the lowest float and a mask all read alike; the rest is exact."""
    if options.get("mask") == "truth":
        options = {"mask": np.where(np.isnan(truth), 0, 255).astype(np.uint8)}
    path = _write(tmp_path / "a.tif", stored(truth)[None], **options)

    with open_heights(path, site_crs=SITE) as ground:
        heights = ground.read(ground.grid.window)

    assert heights.dtype == np.float32
    assert np.array_equal(heights, truth, equal_nan=True)


def test_windows_inside_across_and_outside(tmp_path, truth):
    """A window is the same piece of the whole; outside the file nothing was seen."""
    path = _write(tmp_path / "a.tif", truth[None], nodata=np.nan)

    with open_heights(path, site_crs=SITE) as ground:
        assert isinstance(ground, HeightSource)
        assert np.array_equal(
            ground.read(Window(10, 63, 70, 80)), truth[10:80, 63:143], equal_nan=True
        )
        across = ground.read(Window(-5, 290, 20, 30))
        assert np.isnan(ground.read(Window(500, 500, 3, 4))).all()

    assert np.array_equal(across[5:, :10], truth[:15, 290:], equal_nan=True)
    assert np.isnan(across[:5]).all()
    assert np.isnan(across[:, 10:]).all()


def test_tiles_read_as_one(tmp_path, truth):
    """Four files by a pattern give the heights and the place of the whole."""
    for row in (0, 100):
        for column in (0, 160):
            _write(
                tmp_path / f"t_{row}_{column}.tif", truth[None, row : row + 100, column : column + 160],
                west=500_000 + column * 0.5, north=4_400_000 - row * 0.5, nodata=np.nan,
            )  # fmt: skip

    with open_heights(str(tmp_path / "*.tif"), site_crs=SITE) as ground:
        assert ground.grid.shape == (200, 300)
        assert ground.grid.bounds == (500_000.0, 4_399_900.0, 500_150.0, 4_400_000.0)
        assert np.array_equal(ground.read(ground.grid.window), truth, equal_nan=True)
        assert len(ground.paths) == 4
        assert ground.origin.startswith("t_0_0.tif and 3 more")


def test_overlapping_tiles_fill_each_other(tmp_path):
    """Where tiles overlap the first by name that saw the ground counts."""
    first = np.full((1, 64, 64), 1.0, np.float32)
    first[0, :, 40:] = np.nan
    _write(tmp_path / "a.tif", first, nodata=np.nan)
    _write(tmp_path / "b.tif", np.full((1, 64, 64), 2.0, np.float32), west=500_016, nodata=np.nan)

    with open_heights([tmp_path / "b.tif", tmp_path / "a.tif"], site_crs=SITE) as ground:
        row = ground.read(Window(5, 0, 1, 96))[0]

    assert row.tolist() == [1.0] * 40 + [2.0] * 56


def test_gap_between_tiles_is_not_seen(tmp_path):
    """No tile, no height."""
    ones = np.ones((1, 64, 64), np.float32)
    _write(tmp_path / "a.tif", ones, nodata=np.nan)
    _write(tmp_path / "b.tif", ones, west=500_000 + 96 * 0.5, nodata=np.nan)

    with open_heights(str(tmp_path / "?.tif"), site_crs=SITE) as ground:
        row = ground.read(Window(0, 0, 1, 160))[0]

    assert np.isnan(row).tolist() == [False] * 64 + [True] * 32 + [False] * 64


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"pixel": 0.25}, "pixels of 0.25 by 0.25, the others of 0.5 by 0.5"),
        ({"west": 500_032.1}, "don't fall on those of the others"),
        ({"crs": "EPSG:32618"}, "is in WGS 84 / UTM zone 18N, the site in NAD83 / UTM zone 18N"),
        ({"west": 600_000.0}, "lie 100 km apart"),
    ],
)
def test_tile_that_does_not_fit_is_named(tmp_path, change, reason):
    """The file, the difference and a remedy are in the message."""
    ones = np.ones((1, 64, 64), np.float32)
    _write(tmp_path / "a.tif", ones, nodata=np.nan)
    _write(tmp_path / "b.tif", ones, **({"west": 500_032.0, "nodata": np.nan} | change))

    with pytest.raises(RasterError, match=rf"b\.tif: .*{reason}"):
        open_heights(str(tmp_path / "*.tif"), site_crs=SITE)


def test_tiles_of_other_kinds_are_named(tmp_path):
    """Whole and broken metres in one delivery are two deliveries."""
    _write(tmp_path / "a.tif", np.ones((1, 64, 64), np.float32), nodata=-1)
    _write(tmp_path / "b.tif", np.ones((1, 64, 64), np.int16), west=500_032, nodata=-1)

    with pytest.raises(
        RasterError, match=r"b\.tif: holds 1 band of int16, the others 1 band of float32"
    ):
        open_heights(str(tmp_path / "*.tif"), site_crs=SITE)


def test_file_without_a_nodata_value_asks(tmp_path):
    """A gap would read as a height, so the user says what stands for it, or that there is none."""
    heights = np.full((1, 64, 64), 7.0, np.float32)
    heights[0, 0, 0] = 0.0
    path = _write(tmp_path / "a.tif", heights)

    with pytest.raises(RasterError, match="no nodata value"):
        open_heights(path, site_crs=SITE)
    with open_heights(path, site_crs=SITE, nodata="none") as ground:
        assert ground.read(Window(0, 0, 1, 2)).tolist() == [[0.0, 7.0]]
    with open_heights(path, site_crs=SITE, nodata=0) as ground:
        assert np.isnan(ground.read(Window(0, 0, 1, 2))).tolist() == [[True, False]]


@pytest.mark.parametrize("number", [-9999.0, -32768.0, 1e30, np.inf, -np.inf, -600.0, 9001.0])
def test_numbers_that_cannot_be_heights_are_not_seen(tmp_path, number):
    """An undeclared filler is no ground; it is said once, with its value."""
    heights = np.full((1, 64, 64), 100.0, np.float32)
    heights[0, 3, 4] = number
    path = _write(tmp_path / "a.tif", heights, nodata=-1)

    with open_heights(path, site_crs=SITE) as ground:
        with pytest.warns(NodataWarning, match=r"a\.tif: 1 cells .* can't be heights"):
            read = ground.read(ground.grid.window)
        ground.read(ground.grid.window)  # a second time it is known

    assert np.isnan(read).sum() == 1
    assert np.isnan(read[3, 4])


def test_heights_in_feet_become_metres(tmp_path):
    """100 US survey feet are 30.480061 m, 100 international feet 30.48 m (NIST SP 811, B.6)."""
    feet = np.full((1, 64, 64), 100.0, np.float32)
    us = _write(tmp_path / "us.tif", feet, nodata=-1, crs="EPSG:26918+6360")
    international = _write(tmp_path / "ft.tif", feet, nodata=-1, crs="EPSG:26918+8228")
    plain = _write(tmp_path / "plain.tif", feet, nodata=-1)
    with rasterio.open(plain, "r+") as dataset:
        dataset.units = ["US survey foot"]

    for path, metres in ((us, 30.480061), (international, 30.48), (plain, 30.480061)):
        with open_heights(path, site_crs=SITE) as ground:
            assert ground.read(Window(0, 0, 1, 1))[0, 0] == pytest.approx(metres, abs=1e-5)


def test_unit_that_may_be_two_is_asked_for(tmp_path):
    """A bare "ft" is two units; what the user declares is used, a contradiction refused."""
    path = _write(tmp_path / "a.tif", np.full((1, 64, 64), 100.0, np.float32), nodata=-1)
    with rasterio.open(path, "r+") as dataset:
        dataset.units = ["ft"]

    with pytest.raises(RasterError, match="two different units"):
        open_heights(path, site_crs=SITE)
    with open_heights(path, site_crs=SITE, unit="international foot") as ground:
        assert ground.read(Window(0, 0, 1, 1))[0, 0] == pytest.approx(30.48, abs=1e-5)
    metres = _write(
        tmp_path / "b.tif", np.ones((1, 64, 64), np.float32), crs="EPSG:26918+5703", nodata=-1
    )
    with pytest.raises(RasterError, match="at once"):
        open_heights(metres, site_crs=SITE, unit="US survey foot")


def test_whole_centimetres_with_a_scale(tmp_path):
    """Stored 12345 with scale 0.01 and offset 50 is 173.45 m."""
    path = _write(tmp_path / "a.tif", np.full((1, 64, 64), 12345, np.int16), nodata=-32768)
    with rasterio.open(path, "r+") as dataset:
        dataset.scales, dataset.offsets = (0.01,), (50.0,)

    with open_heights(path, site_crs=SITE) as ground:
        assert ground.read(Window(0, 0, 1, 1))[0, 0] == pytest.approx(173.45, abs=1e-4)


@pytest.mark.parametrize(
    ("heights", "reason"),
    [("site", "the site's own bench mark"), ("EPSG:5773", "EGM96 height")],
)
def test_heights_that_refer_to_something_else_are_refused(tmp_path, heights, reason):
    """A ground model above another zero is metres off; the same zero in feet is not."""
    ones = np.ones((1, 64, 64), np.float32)
    navd88 = _write(tmp_path / "a.tif", ones, nodata=-1, crs="EPSG:26918+6360")

    open_heights(navd88, site_crs=SITE, heights="EPSG:5703").close()
    with pytest.raises(RasterError, match=f"refer to NAVD88.*the site's refer to {reason}"):
        open_heights(navd88, site_crs=SITE, heights=heights)
    with pytest.raises(CRSError, match="is in US survey foot"):
        open_heights(navd88, site_crs=SITE, heights="EPSG:6360")


@pytest.mark.parametrize(
    ("pixels", "options", "reason"),
    [
        (np.ones((3, 64, 64), np.float32), {}, "has 3 bands"),
        (np.ones((1, 64, 64), np.uint8), {"photometric": "PALETTE"}, "palette"),
        (np.ones((1, 64, 64), np.float32), {"crs": None}, "no CRS"),
        (np.ones((1, 64, 64), np.float32), {"crs": 'LOCAL_CS["plan",UNIT["metre",1]]'}, "Engineering"),
    ],
)  # fmt: skip
def test_what_is_no_ground_model_is_refused(tmp_path, pixels, options, reason):
    """Pictures, and rasters without a place in the world, are named and refused."""
    path = _write(tmp_path / "a.tif", pixels, nodata=0, **options)

    with pytest.raises(RasterError, match=rf"a\.tif: .*{reason}"):
        open_heights(path, site_crs=SITE)


def test_ascii_grid_with_its_projection_beside_it(tmp_path):
    """The grid's header and .prj place it; rows run from the north, as the format says."""
    (tmp_path / "a.asc").write_text(
        "ncols 3\nnrows 2\nxllcorner 500000\nyllcorner 4400000\ncellsize 2\n"
        "NODATA_value -9999\n1 2 3\n4 -9999 6\n"
    )
    with pytest.raises(RasterError, match=r"needs its \.prj"):
        open_heights(tmp_path / "a.asc", site_crs=SITE)
    (tmp_path / "a.prj").write_text(CRS(SITE).to_wkt("WKT1_ESRI"))

    with open_heights(tmp_path / "a.asc", site_crs=SITE) as ground:
        assert ground.grid.bounds == (500_000.0, 4_400_000.0, 500_006.0, 4_400_004.0)
        read = ground.read(ground.grid.window)

    assert read[0].tolist() == [1, 2, 3]
    assert np.isnan(read[1]).tolist() == [False, True, False]


def test_no_file_at_all(tmp_path):
    """An empty list and a pattern without a match are said, not passed over."""
    with pytest.raises(RasterError, match="no raster is given"):
        open_heights([], site_crs=SITE)
    with pytest.raises(InputError, match="no such file"):
        open_heights(str(tmp_path / "*.tif"), site_crs=SITE)


def test_worker_process_opens_the_files_itself(tmp_path, truth):
    """Pickled, a mosaic is names and places; the copy reads the same and refuses a changed file."""
    path = _write(tmp_path / "a.tif", truth[None], nodata=np.nan)
    with open_heights(path, site_crs=SITE) as ground:
        ground.read(Window(0, 0, 5, 5))
        twin = pickle.loads(pickle.dumps(ground))

    assert twin.grid == ground.grid
    assert np.array_equal(twin.read(twin.grid.window), truth, equal_nan=True)
    twin.close()
    _write(path, truth[None] + 1, nodata=np.nan)
    with pytest.raises(RasterError, match="was changed during the run"):
        twin.read(Window(0, 0, 5, 5))


def test_threads_have_their_own_handles(tmp_path, truth):
    """Eight threads at once read what one reads, and closing closes all their files."""
    path = _write(tmp_path / "a.tif", truth[None], nodata=np.nan)
    wrong = []
    with open_heights(path, site_crs=SITE) as ground:

        def work(seed):
            for _ in range(30):
                seed, row, column = seed + 1, seed * 37 % 190, seed * 53 % 290
                if not np.array_equal(
                    ground.read(Window(row, column, 10, 10)),
                    truth[row : row + 10, column : column + 10],
                    equal_nan=True,
                ):
                    wrong.append((row, column))

        threads = [threading.Thread(target=work, args=(seed,)) for seed in range(0, 800, 100)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        handles = [store for store in ground._handles._stores if store]
        opened = [handle for store in handles for handle in store.values()]
        assert len(opened) == 8

    assert wrong == []
    assert all(dataset.closed for dataset in opened)


def test_few_files_are_open_at_once(tmp_path):
    """Forty tiles, at most sixteen open files."""
    for number in range(40):
        _write(
            tmp_path / f"{number:02}.tif", np.full((1, 16, 16), number + 1.0, np.float32),
            west=500_000 + number * 8.0, nodata=-1, blockxsize=16, blockysize=16,
        )  # fmt: skip

    with open_heights(str(tmp_path / "*.tif"), site_crs=SITE) as ground:
        row = ground.read(Window(0, 0, 1, 640))[0]
        assert len(ground._handles._stores[0]) == 16

    assert row.tolist() == [number + 1.0 for number in range(40) for _ in range(16)]


def test_reading_a_strip_needs_little_more_than_the_strip(tmp_path):
    """Work on a window goes strip by strip: the peak is the result and a few of them."""
    heights = np.ones((1, 4096, 4096), np.float32)
    path = _write(tmp_path / "a.tif", heights, nodata=-1, blockxsize=256, blockysize=256)
    with open_heights(path, site_crs=SITE) as ground:
        ground.read(Window(0, 0, 1, 1))
        gc.collect()
        tracemalloc.start()
        ground.read(ground.grid.window)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()

    assert peak < heights.nbytes * 1.6


# --- pictures -------------------------------------------------------------------------------


@pytest.fixture
def picture():
    """Give red, green, blue of 200 by 300 pixels."""
    return np.random.default_rng(26918).integers(1, 255, (3, 200, 300)).astype(np.uint8)


def _seen(shape):
    seen = np.full(shape, 255, np.uint8)
    seen[20:60, 70:140] = 0
    return seen


@pytest.mark.parametrize("how", ["mask", "alpha", "nodata", "alpha and nodata"])
def test_what_was_not_seen_has_no_alpha(tmp_path, picture, how):
    """Mask, alpha band and nodata number unite; colours are 0 there and exact elsewhere."""
    seen = _seen(picture.shape[1:])
    hidden = np.where(seen, picture, 0)
    if how == "mask":
        path = _write(tmp_path / "a.tif", picture, mask=seen, photometric="RGB")
    elif how == "alpha":
        path = _write(
            tmp_path / "a.tif",
            np.concatenate([picture, seen[None]]),
            photometric="RGB",
            alpha="YES",
        )
    elif how == "nodata":
        path = _write(tmp_path / "a.tif", hidden, nodata=0, photometric="RGB")
    else:  # half of the hole by alpha, half by nodata
        half = seen.copy()
        half[20:40, 70:140] = 255
        path = _write(
            tmp_path / "a.tif", np.concatenate([np.where(half, hidden, 9), half[None]]),
            nodata=0, photometric="RGB", alpha="YES",
        )  # fmt: skip

    with open_image(path, site_crs=SITE) as image:
        assert isinstance(image, ImageSource)
        read = image.read(image.grid.window)

    assert np.array_equal(read[..., 3], seen)
    assert np.array_equal(np.moveaxis(read[..., :3], -1, 0), hidden)


def test_nodata_needs_all_three_colours(tmp_path, picture):
    """A blue of 0 alone is a colour, not a hole."""
    picture[2, 5, 5] = 0
    path = _write(tmp_path / "a.tif", picture, nodata=0, photometric="RGB")

    with open_image(path, site_crs=SITE) as image:
        assert image.read(Window(5, 5, 1, 1))[0, 0, 3] == 255


def test_grey_palette_and_further_bands(tmp_path, picture):
    """Grey fills three colours, a palette is looked up, near infrared is passed over."""
    grey = _write(tmp_path / "grey.tif", picture[:1])
    near = _write(tmp_path / "near.tif", np.concatenate([picture, picture[:1]]), photometric="RGB")
    palette = _write(
        tmp_path / "palette.tif", np.full((1, 64, 64), 3, np.uint8), photometric="PALETTE"
    )
    with rasterio.open(palette, "r+") as dataset:
        dataset.write_colormap(1, {3: (10, 20, 30, 255)})

    with open_image(grey, site_crs=SITE) as image:
        pixel = image.read(Window(7, 8, 1, 1))[0, 0]
        assert pixel.tolist() == [picture[0, 7, 8]] * 3 + [255]
    with open_image(near, site_crs=SITE) as image:
        assert image.read(Window(7, 8, 1, 1))[0, 0, :3].tolist() == picture[:, 7, 8].tolist()
    with open_image(palette, site_crs=SITE) as image:
        assert image.read(Window(0, 0, 1, 1))[0, 0].tolist() == [10, 20, 30, 255]


def test_bands_are_chosen_by_their_meaning(tmp_path, picture):
    """Blue, green, red on the disk come back as red, green, blue."""
    from rasterio.enums import ColorInterp

    path = _write(
        tmp_path / "a.tif", picture,
        colours=[ColorInterp.blue, ColorInterp.green, ColorInterp.red],
    )  # fmt: skip

    with open_image(path, site_crs=SITE) as image:
        assert image.read(Window(7, 8, 1, 1))[0, 0, :3].tolist() == picture[::-1, 7, 8].tolist()


def test_sixteen_bits_are_refused_with_a_remedy(tmp_path):
    """Stretching colours is a choice the user makes, not the reader."""
    path = _write(tmp_path / "a.tif", np.ones((3, 64, 64), np.uint16))

    with pytest.raises(RasterError, match=r"pixels of uint16.*8 bits per band"):
        open_image(path, site_crs=SITE)


def test_picture_tiles_read_as_one(tmp_path, picture):
    """Two tiles with an overlap give the whole picture."""
    _write(tmp_path / "a.tif", picture[:, :, :170], photometric="RGB")
    _write(tmp_path / "b.tif", picture[:, :, 150:], west=500_075, photometric="RGB")

    with open_image(str(tmp_path / "*.tif"), site_crs=SITE) as image:
        read = image.read(Window(-1, 0, 201, 300))

    assert np.array_equal(np.moveaxis(read[1:, :, :3], -1, 0), picture)
    assert not read[0].any()


def test_overlapping_pictures_fill_each_other(tmp_path):
    """The first by name that saw a pixel counts, and its hole is filled by the next."""
    first = np.full((3, 64, 64), 10, np.uint8)
    hole = np.full((64, 64), 255, np.uint8)
    hole[:, 40:50] = 0
    _write(tmp_path / "a.tif", first, mask=hole, photometric="RGB")
    _write(tmp_path / "b.tif", np.full((3, 64, 64), 20, np.uint8), west=500_016, photometric="RGB")

    with open_image(str(tmp_path / "*.tif"), site_crs=SITE) as image:
        row = image.read(Window(5, 0, 1, 96))[0, :, 0]

    assert row.tolist() == [10] * 40 + [20] * 10 + [10] * 14 + [20] * 32


def test_overviews_that_do_not_fit_the_mosaic_are_passed_over(tmp_path, picture):
    """A tile that begins at pixel 101 has overviews between the pixels of the others'."""
    for name, part, west in (
        ("a", picture[:, :, :101], 500_000),
        ("b", picture[:, :, 101:], 500_050.5),
    ):
        path = _write(tmp_path / f"{name}.tif", part, west=west, photometric="RGB")
        with rasterio.open(path, "r+") as dataset:
            dataset.build_overviews([2, 4], rasterio.enums.Resampling.average)

    with open_image(str(tmp_path / "*.tif"), site_crs=SITE) as image:
        small = image.read(image.grid.window, out_shape=(50, 75))

    mean = picture.reshape(3, 50, 4, 75, 4).mean(axis=(2, 4))
    difference = np.moveaxis(small[..., :3].astype(float), -1, 0) - mean
    assert np.abs(difference).max() <= 1.0


@pytest.mark.parametrize("overviews", [[], [2, 4]])
@pytest.mark.parametrize("factor", [2, 4, 5])
def test_reduced_picture_is_the_mean(tmp_path, picture, overviews, factor):
    """Reduced by whole factors each pixel is the mean of its own, to a grey level."""
    path = _write(tmp_path / "a.tif", picture, photometric="RGB")
    if overviews:
        with rasterio.open(path, "r+") as dataset:
            dataset.build_overviews(overviews, rasterio.enums.Resampling.average)
    shape = (200 // factor, 300 // factor)

    with open_image(path, site_crs=SITE) as image:
        small = image.read(image.grid.window, out_shape=shape)

    mean = picture.reshape(3, shape[0], factor, shape[1], factor).mean(axis=(2, 4))
    difference = np.moveaxis(small[..., :3].astype(float), -1, 0) - mean
    if overviews and factor == 5:  # from the overview of 4, whose pixels don't part evenly
        assert abs(difference.mean()) < 0.75
    else:
        assert np.abs(difference).max() <= 1.0  # rows and columns are rounded one after the other
        assert abs(difference.mean()) < 0.75


def test_reduced_edge_of_the_seen_is_not_darkened(tmp_path):
    """Half a pixel of white and half unseen is white, half seen; not grey."""
    white = np.full((3, 64, 64), 250, np.uint8)
    seen = np.full((64, 64), 255, np.uint8)
    seen[:, :33] = 0
    path = _write(tmp_path / "a.tif", white, mask=seen, photometric="RGB")

    with open_image(path, site_crs=SITE) as image:
        edge = image.read(image.grid.window, out_shape=(32, 32))[5, 16].tolist()

    assert edge[:3] == pytest.approx([250] * 3, abs=1)
    assert edge[3] == pytest.approx(127.5, abs=0.5)


def test_strips_of_a_large_reduction_make_no_seam(tmp_path, picture, monkeypatch):
    """Reduced in one go or in many strips, the picture is the same."""
    from fencemap.formats.raster import images

    path = _write(tmp_path / "a.tif", picture, photometric="RGB")
    with open_image(path, site_crs=SITE) as image:
        once = image.read(Window(3, 5, 190, 290), out_shape=(38, 58))
        monkeypatch.setattr(images, "_MAX_PIXELS_AT_ONCE", 4000)
        often = image.read(Window(3, 5, 190, 290), out_shape=(38, 58))

    assert np.array_equal(once, often)


def test_enlarged_and_empty_requests(tmp_path, picture):
    """A window may be enlarged; an empty one is a mistake and said."""
    path = _write(tmp_path / "a.tif", picture, photometric="RGB")

    with open_image(path, site_crs=SITE) as image:
        large = image.read(Window(0, 0, 10, 10), out_shape=(40, 40))
        assert large[2, 2, :3].tolist() == pytest.approx(picture[:, 0, 0].tolist(), abs=40)
        with pytest.raises(RasterError, match="empty part"):
            image.read(Window(0, 0, 0, 10))
        with pytest.raises(RasterError, match="empty part"):
            image.read(Window(0, 0, 10, 10), out_shape=(0, 4))


def test_picture_travels_to_a_worker(tmp_path, picture):
    """Pickled, an image mosaic is names and places."""
    path = _write(tmp_path / "a.tif", picture, photometric="RGB")
    with open_image(path, site_crs=SITE) as image:
        twin = pickle.loads(pickle.dumps(image))
    with twin:
        assert np.array_equal(twin.read(Window(0, 0, 9, 9)), image.read(Window(0, 0, 9, 9)))
    image.close()
