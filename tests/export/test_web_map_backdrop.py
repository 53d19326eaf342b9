"""The orthophoto as tiles: right place, right depth, nothing where nothing was seen."""

from __future__ import annotations

import base64
import io
import math

import numpy as np
import pytest
from map_ground import write_photo
from PIL import Image
from pyproj import Transformer
from small_ground import CRS, EAST, NORTH

from fencemap.export.web_map.backdrop import TILE, finest_level, halved, pack, pixel_m
from fencemap.formats.raster import open_image

HALF = 20037508.342789244


def packed(path, **more):
    """Pack a picture with room for everything."""
    with open_image([path], site_crs=CRS) as ortho:
        return pack(ortho, **({"room_bytes": 10**8, "around": None, "progress": lambda _: None} | more))  # fmt: skip


def tile(photo, key):
    """Pixels of one tile, red, green, blue, alpha."""
    code = base64.b64decode(photo["tiles"][key])
    return np.asarray(Image.open(io.BytesIO(code)).convert("RGBA"))


@pytest.mark.parametrize(
    ("zoom", "latitude", "centimetres"),
    [(22, 0.0, 3.73), (23, 0.0, 1.87), (22, 30.0, 3.23), (22, 45.0, 2.64), (23, 45.0, 1.32), (22, 51.5, 2.32), (22, 60.0, 1.87)],
)  # fmt: skip
def test_pixel_on_the_ground(zoom, latitude, centimetres):
    """Pixel sizes of Web Mercator zooms (256 px tiles: 156543.034 m at zoom 0, times the cosine)."""
    assert pixel_m(zoom - 1, latitude) * 100 == pytest.approx(centimetres, abs=0.005)


@pytest.mark.parametrize(
    ("ground_cm", "latitude", "zoom"),
    # by hand from the sizes above: the coarser zoom if it loses at most a quarter
    [(2.0, 51.5, 22), (2.0, 60.0, 22), (2.0, 45.0, 23), (3.0, 51.5, 22), (3.0, 0.0, 22), (2.0, 0.0, 23)],
)  # fmt: skip
def test_native_depth(ground_cm, latitude, zoom):
    """The finest level keeps the picture's own detail but for a quarter at most."""
    assert finest_level(ground_cm / 100, latitude) == zoom - 1


def test_halving_weighs_by_what_was_seen():
    """Four pixels give their mean; an unseen one does not darken it; alphas average."""
    picture = np.zeros((2, 4, 4), dtype=np.uint8)
    picture[:, :2] = [[[100, 0, 0, 255], [200, 0, 0, 255]], [[0, 0, 0, 255], [100, 0, 0, 255]]]
    picture[:, 2:] = [[[80, 40, 20, 255], [0, 0, 0, 0]], [[80, 40, 20, 255], [0, 0, 0, 0]]]
    left, right = halved(picture)[0].astype(int)
    assert left.tolist() == pytest.approx([100, 0, 0, 255], abs=1)
    assert right.tolist() == pytest.approx([80, 40, 20, 128], abs=2)


def test_a_mark_lies_where_proj_puts_it(tmp_path):
    """The centre of a red square metre falls on the pixel that PROJ's own Mercator gives, to one pixel."""
    spot = (EAST + 14.0, NORTH + 9.0)
    photo = packed(write_photo(tmp_path / "a.tif", pixel_m=0.05, spot=spot))
    level = photo["max_level"]
    x, y = Transformer.from_crs(CRS, "EPSG:3857", always_xy=True).transform(*spot)
    size = 2 * HALF / TILE / 2**level
    column, row = (x + HALF) / size, (HALF - y) / size
    found_x, found_y, count = 0.0, 0.0, 0
    for key in photo["tiles"]:
        at, tile_x, tile_y = map(int, key.split("/"))
        if at != level:
            continue
        pixels = tile(photo, key).astype(int)
        rows, columns = np.nonzero((pixels[..., 0] > 150) & (pixels[..., 1] < 70))
        found_x += float((columns + 0.5 + tile_x * TILE).sum())
        found_y += float((rows + 0.5 + tile_y * TILE).sum())
        count += len(rows)
    assert count == pytest.approx((1.0 / (size * math.cos(math.radians(54.49)))) ** 2, rel=0.1)
    assert [found_x / count, found_y / count] == pytest.approx([column, row], abs=1.0)


def test_collar_is_transparent_at_every_level(tmp_path):
    """Where the picture saw nothing, every level is transparent; where it saw, opaque and green."""
    photo = packed(write_photo(tmp_path / "a.tif"))
    to_mercator = Transformer.from_crs(CRS, "EPSG:3857", always_xy=True)
    for level in range(photo["min_level"], photo["max_level"] + 1):
        size = 2 * HALF / TILE / 2**level
        if size > 0.6:  # the unseen strip is 2 m wide
            continue
        for place, seen in (((EAST - 3.0, NORTH + 15), False), ((EAST + 10.0, NORTH + 15), True), ((EAST + 60.0, NORTH + 15), False)):  # fmt: skip
            x, y = to_mercator.transform(*place)
            column, row = (x + HALF) / size, (HALF - y) / size
            key = f"{level}/{int(column // TILE)}/{int(row // TILE)}"
            pixel = tile(photo, key)[int(row % TILE), int(column % TILE)] if key in photo["tiles"] else np.zeros(4)  # fmt: skip
            assert (pixel[3] > 250) == seen, (level, place)
            assert (pixel[3] < 5) != seen
            if seen:
                assert pixel[:3].astype(int).tolist() == pytest.approx([96, 120, 70], abs=6)


def test_levels_are_whole(tmp_path):
    """Each tile has its parent, and the coarsest level is at most two by two tiles."""
    photo = packed(write_photo(tmp_path / "a.tif"))
    keys = [tuple(map(int, key.split("/"))) for key in photo["tiles"]]
    for level, x, y in keys:
        assert photo["min_level"] <= level <= photo["max_level"]
        if level > photo["min_level"]:
            assert f"{level - 1}/{x // 2}/{y // 2}" in photo["tiles"]
    top = [key for key in keys if key[0] == photo["min_level"]]
    assert 1 <= len(top) <= 4


def test_only_what_the_map_shows(tmp_path):
    """The picture is cut to the site and a margin; a picture elsewhere gives none."""
    path = write_photo(tmp_path / "a.tif")
    whole = packed(path)
    part = packed(path, around=(EAST + 10, NORTH + 10, EAST + 12, NORTH + 12))
    assert len(part["tiles"]) < len(whole["tiles"])
    assert packed(path, around=(EAST + 5000, NORTH, EAST + 5010, NORTH + 10)) is None


def test_progress_runs_to_the_end(tmp_path):
    """Shares only grow, stay within 0 and 1, and an exception from the listener stops the work."""
    shares = []
    packed(write_photo(tmp_path / "a.tif"), progress=shares.append)
    assert shares == sorted(shares)
    assert 0 < shares[0] <= shares[-1] <= 1

    class StopError(Exception):
        pass

    def stop(_share):
        raise StopError

    with pytest.raises(StopError):
        packed(tmp_path / "a.tif", progress=stop)
