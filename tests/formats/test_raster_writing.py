"""Written rasters are whole, verified and the same every time; warped ones are in their place."""

from __future__ import annotations

import hashlib
import pickle

import numpy as np
import pytest
import rasterio
import tifffile
from affine import Affine
from pyproj import CRS, Transformer

from fencemap.crs import site_crs
from fencemap.errors import CRSError, ExportError, RasterError
from fencemap.formats.raster import (
    ImageSource,
    open_heights,
    open_image,
    warp_heights,
    warp_image,
    write_cog,
    write_heights,
    writing,
)
from fencemap.grid import Grid, HeightSource, Window

UTM18 = CRS("EPSG:26918")
NAVD88 = CRS("EPSG:5703")


def _grid(rows, columns, pixel=0.5):
    return Grid(Affine(pixel, 0, 500_000, 0, -pixel, 4_400_000), (rows, columns), UTM18)


class Painted:
    """A picture that is computed: an `ImageSource` of its own."""

    origin = "painted"

    def __init__(self, pixels):
        self.grid = _grid(*pixels.shape[:2])
        self.pixels = pixels

    def read(self, window, *, out_shape=None):  # noqa: ARG002  never reduced here
        return self.pixels[window.slices]


@pytest.fixture
def heights():
    """Give 700 by 900 heights with a hole."""
    values = np.random.default_rng(5703).normal(100, 3, (700, 900)).astype(np.float32)
    values[100:300, 50:400] = np.nan
    return values


def _digest(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_heights_come_back_to_the_bit(tmp_path, heights):
    """Lossless, NaN for what was not seen, in place, with what the heights refer to."""
    path = write_heights(tmp_path / "a.tif", heights, grid=_grid(700, 900), vertical=NAVD88)

    with open_heights(path, site_crs=UTM18, heights="EPSG:5703") as ground:
        assert ground.grid == _grid(700, 900)
        assert np.array_equal(ground.read(ground.grid.window), heights, equal_nan=True)
        assert "NAVD88" in ground.origin
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.tif"]


def test_heights_are_a_cloud_optimised_geotiff(tmp_path, heights):
    """Directories before pixels, tiles of 512, overviews: what the OGC standard 21-026 asks."""
    path = write_heights(tmp_path / "a.tif", heights, grid=_grid(700, 900))

    with tifffile.TiffFile(path) as tiff:
        pages = list(tiff.pages)
        assert [page.shape for page in pages] == [(700, 900), (350, 450)]
        assert all(page.is_tiled and page.chunks == (512, 512) for page in pages)
        first_pixel = min(offset for page in pages for offset in page.dataoffsets)
        assert all(page.offset < first_pixel for page in pages)
    with rasterio.open(path) as dataset:
        assert dataset.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
        assert dataset.units == ("metre",)


def test_overview_of_heights_is_the_mean_of_the_seen(tmp_path):
    """Three cells of 1, 2, 3 m and an unseen one make 2 m, not 1.5."""
    values = np.full((1024, 1024), 9.0, np.float32)
    values[0, :2], values[1, :2] = (1.0, 2.0), (3.0, np.nan)
    path = write_heights(tmp_path / "a.tif", values, grid=_grid(1024, 1024))

    with rasterio.open(path, overview_level=0) as dataset:
        assert dataset.read(1)[0, 0] == 2.0


def test_same_input_same_bytes(tmp_path, heights, monkeypatch):
    """Two runs, one file: whatever the clock, the folder and the number of threads."""
    picture = Painted(np.random.default_rng(5703).integers(0, 255, (700, 900, 4)).astype(np.uint8))
    (tmp_path / "other").mkdir()
    for folder, threads in ((tmp_path, 1), (tmp_path / "other", 3)):
        monkeypatch.setattr(writing, "THREADS", threads)
        write_heights(folder / "a.tif", heights, grid=_grid(700, 900))
        write_cog(folder / "b.tif", picture)

    for name in ("a.tif", "b.tif"):
        assert _digest(tmp_path / name) == _digest(tmp_path / "other" / name)


def test_heights_larger_than_a_piece(tmp_path):
    """Written piece by piece from a source, with pieces cut at the edges."""

    class Ramp:
        origin = "a ramp"
        grid = _grid(2100, 2500)

        def read(self, window):
            rows = np.arange(window.row, window.row + window.rows, dtype=np.float32)
            return rows[:, None] + np.zeros(window.columns, dtype=np.float32)

    path = write_heights(tmp_path / "a.tif", Ramp())

    with open_heights(path, site_crs=UTM18) as ground:
        assert ground.read(Window(0, 2499, 2100, 1))[:, 0].tolist() == list(range(2100))


def test_array_needs_its_grid(heights, tmp_path):
    """An array without a place, or of another shape, is a mistake of the caller."""
    with pytest.raises(ValueError, match="needs the grid"):
        write_heights(tmp_path / "a.tif", heights)
    with pytest.raises(ValueError, match="own shape"):
        write_heights(tmp_path / "a.tif", heights, grid=_grid(10, 10))


def test_height_that_reads_back_differently_is_found(tmp_path, heights, monkeypatch):
    """One cell that a writer changes keeps the file from its final name; the old one stands."""
    path = write_heights(tmp_path / "a.tif", heights, grid=_grid(700, 900))
    before = _digest(path)
    real = writing.pixels

    def faulty(*arguments):
        read = real(*arguments).copy()
        read[5, 7] += 0.001
        return read

    monkeypatch.setattr(writing, "pixels", faulty)
    with pytest.raises(ExportError, match=r"a\.tif: rows from 0 on read back differently"):
        write_heights(path, heights + 1, grid=_grid(700, 900))
    assert _digest(path) == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.tif"]


def test_picture_comes_back_with_its_mask(tmp_path):
    """JPEG colours within a few levels, the edge of the seen exact."""
    rows, columns = np.mgrid[0:600, 0:800]
    pixels = np.stack(
        [rows / 3, columns / 4, (rows + columns) / 6, np.full_like(rows, 255)], axis=-1
    ).astype(np.uint8)
    pixels[:200, 300:] = 0
    path = write_cog(tmp_path / "a.tif", Painted(pixels))

    with open_image(path, site_crs=UTM18) as image:
        read = image.read(image.grid.window)

    assert np.array_equal(read[..., 3], pixels[..., 3])
    difference = np.abs(read[..., :3].astype(int) - pixels[..., :3])[read[..., 3] > 0]
    assert difference.mean() < 2
    assert np.quantile(difference, 0.99) < 8


def test_source_that_fails_leaves_the_old_raster(tmp_path, heights):
    """A source whose file vanishes half-way ends in the old result, and its error is the user's."""
    path = write_heights(tmp_path / "a.tif", heights, grid=_grid(700, 900))
    before = _digest(path)

    class Broken:
        origin, grid = "broken", _grid(700, 900)

        def read(self, _):
            raise RasterError("ground.tif was changed during the run")

    with pytest.raises(RasterError, match="changed during the run"):
        write_heights(path, Broken())
    assert _digest(path) == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.tif"]


# --- warping --------------------------------------------------------------------------------

SOURCES = {
    "degrees": ("EPSG:4269", Affine(2e-6, 0, -75.0005, 0, -2e-6, 39.7505)),
    "feet": ("EPSG:2263", None),
    "neighbour zone": ("EPSG:26917", None),
}


def _ramp(tmp_path, name):
    """Write a plane, 100 m + 0.03·east + 0.01·north of the site, in another CRS."""
    code, transform = SOURCES[name]
    if transform is None:
        easting, northing = Transformer.from_crs(UTM18, code, always_xy=True).transform(
            500_000, 4_400_000
        )
        pixel = 0.75 if name == "feet" else 0.25
        transform = Affine(
            pixel, 0, round(easting) - 300 * pixel, 0, -pixel, round(northing) + 300 * pixel
        )
    rows, columns = np.mgrid[0:600, 0:600] + 0.5
    back = Transformer.from_crs(code, UTM18, always_xy=True)
    easting, northing = back.transform(
        transform.c + transform.a * columns, transform.f + transform.e * rows
    )
    values = 100 + 0.03 * (easting - 500_000) + 0.01 * (northing - 4_400_000)
    path = tmp_path / "source.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=600, height=600, count=1, dtype="float32", crs=code,
        transform=transform, nodata=np.nan,
    ) as dataset:  # fmt: skip
        dataset.write(values.astype(np.float32), 1)
    return path


@pytest.mark.parametrize("name", SOURCES)
def test_warped_plane_is_the_same_plane(tmp_path, name):
    """A plane drawn in another CRS is in its place to a millimetre: 0.03 mm of height."""
    with open_heights(_ramp(tmp_path, name), site_crs=None) as source:
        warped = warp_heights(
            source, site_crs=UTM18, max_accuracy_m=0.0, pixel_m=0.5,
            bounds=(499_990, 4_399_985, 500_010, 4_400_010),
        )  # fmt: skip
        assert isinstance(warped, HeightSource)
        heights = warped.read(warped.grid.window)

    eastings, northings = warped.grid.centres(warped.grid.window)
    truth = 100 + 0.03 * (eastings - 500_000) + 0.01 * (northings[:, None] - 4_400_000)
    assert np.isfinite(heights).all()
    # A float32 of 100 m has steps of 0.008 mm; 1 mm of place is 0.03 mm of height.
    assert np.abs(heights - truth).max() < 4e-5
    assert warped.operation.accuracy_m == 0.0
    assert "warped" in warped.origin


def test_warped_pieces_fit_together(tmp_path):
    """Cut into pieces of any size, the heights are the same but for a float32's last digit."""
    with open_heights(_ramp(tmp_path, "neighbour zone"), site_crs=None) as source:
        warped = warp_heights(source, site_crs=UTM18, max_accuracy_m=0.0)
        whole = warped.read(warped.grid.window)
        assert 0.9 < warped.grid.pixel_size[0] / 0.25 < 1.1
        assert np.isnan(whole).any()  # a turned square leaves corners
        for size in (64, 200):
            pieces = np.full(warped.grid.shape, np.nan, np.float32)
            for tile in warped.grid.tiles(size):
                pieces[tile.core.slices] = warped.read(tile.core)
            assert np.array_equal(np.isnan(pieces), np.isnan(whole))
            assert np.nanmax(np.abs(pieces - whole)) <= 2e-5


def test_warped_heights_can_be_written_and_travel(tmp_path):
    """Warped on the fly into a file, by a copy that went to a worker."""
    with open_heights(_ramp(tmp_path, "feet"), site_crs=None) as source:
        warped = pickle.loads(
            pickle.dumps(warp_heights(source, site_crs=UTM18, max_accuracy_m=0.0))
        )
        path = write_heights(tmp_path / "site.tif", warped)
        expected = warped.read(Window(300, 300, 5, 5))

    with open_heights(path, site_crs=UTM18) as ground:
        assert np.array_equal(ground.read(Window(300, 300, 5, 5)), expected)


def test_warped_gap_stays_a_gap(tmp_path):
    """What was not seen before was not seen after."""
    path = _ramp(tmp_path, "neighbour zone")
    with rasterio.open(path, "r+") as dataset:
        heights = dataset.read(1)
        heights[280:320, 280:320] = np.nan
        dataset.write(heights, 1)

    with open_heights(path, site_crs=None) as source:
        warped = warp_heights(source, site_crs=UTM18, max_accuracy_m=0.0, pixel_m=0.25)
        middle = warped.grid.window_of((499_999, 4_399_999, 500_001, 4_400_001))
        assert np.isnan(warped.read(middle)).all()
        far = Window(-50, -50, 10, 10)
        assert np.isnan(warped.read(far)).all()


def test_rough_warp_is_refused(tmp_path):
    """From WGS 84 to NAD83 nobody knows better than 4 m, and the message says so."""
    path = _ramp(tmp_path, "degrees")
    with rasterio.open(path, "r+") as dataset:
        dataset.crs = "EPSG:4326"

    with open_heights(path, site_crs=None) as source, pytest.raises(CRSError, match="±4 m"):
        warp_heights(source, site_crs=UTM18, max_accuracy_m=0.05)


def test_warped_picture_full_and_reduced(tmp_path):
    """A red square lies where it was painted, full size and reduced; outside nothing was seen."""
    pixels = np.zeros((3, 600, 600), np.uint8)
    pixels[1] = 120
    pixels[:, 200:400, 100:500] = np.array([200, 0, 0], np.uint8)[:, None, None]
    path = tmp_path / "a.tif"
    easting, northing = Transformer.from_crs(UTM18, 26917, always_xy=True).transform(5e5, 4.4e6)
    transform = Affine(0.25, 0, easting - 75, 0, -0.25, northing + 75)
    with rasterio.open(
        path, "w", driver="GTiff", width=600, height=600, count=3, dtype="uint8",
        crs="EPSG:26917", transform=transform, photometric="RGB",
    ) as dataset:  # fmt: skip
        dataset.write(pixels)

    with open_image(path, site_crs=None) as source:
        warped = warp_image(
            source, site_crs=site_crs("EPSG:26918"), max_accuracy_m=0.0, pixel_m=0.25
        )
        assert isinstance(warped, ImageSource)
        full = warped.read(warped.grid.window)
        shape = (full.shape[0] // 5, full.shape[1] // 5)
        small = warped.read(warped.grid.window, out_shape=shape)
        assert write_cog(tmp_path / "b.tif", warped).is_file()
    # The neighbour zone stretches lengths here by 1 + x²/2R² (Snyder, USGS PP 1395, p. 61).
    stretch = 1 + ((easting - 500_000) / 0.9996 / 6_378_000) ** 2 / 2
    area = 200 * 400 * 0.25**2 / stretch**2
    red = (full[..., 0] > 100) & (full[..., 3] > 0)
    reduced = (small[..., 0] > 100) & (small[..., 3] > 0)
    side = (warped.grid.bounds[2] - warped.grid.bounds[0]) / shape[1]
    assert red.sum() * 0.25**2 == pytest.approx(area, rel=0.005)
    assert reduced.sum() * side**2 == pytest.approx(area, rel=0.03)
    assert (full[..., 3] == 0).any()
    assert not full[full[..., 3] == 0].any()
    assert not red[:5].any()
