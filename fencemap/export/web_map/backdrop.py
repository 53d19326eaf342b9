"""The orthophoto as a pyramid of tiles in Web Mercator, to a budget of bytes.

Levels are counted for tiles of 512 pixels: level *n* cuts the Mercator square
into 2^n by 2^n tiles. The finest level is chosen by the picture's own pixel on
the ground (a quarter may be lost, since every level more costs four times the
bytes) and then by the budget. Warping goes block by block through
`fencemap.formats.raster`, with the one exact operation of `fencemap.crs`;
coarser levels are means of finer ones, weighted by what was seen, so collars
stay transparent and don't darken their neighbours.
"""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fencemap.formats.raster import ImageSource, WarpedImage
    from fencemap.grid import Bounds, Window

    Picture = NDArray[np.uint8]

__all__ = ["TILE", "finest_level", "halved", "pack", "pixel_m"]

TILE = 512
_HALF_WORLD_M = 20037508.342789244  # half the Mercator square: pi times the equator's radius
_FINEST = 24
_LOSS = 1.25
_BLOCK_LEVELS = 2  # a block is warped at once: 4 x 4 tiles, 16 MB of pixels
_QUALITY = 74
_ACCURACY_M = 5.0
_MARGIN_M = 12.0
_SAMPLES = 6
_TEXT_SHARE = 4 / 3  # base64
_BELOW = 4 / 3  # all coarser levels together add a third


def pixel_m(level: int, latitude_deg: float) -> float:
    """Size on the ground of a pixel of a level, metres.

    Examples
    --------
    >>> round(pixel_m(21, 51.5), 4)  # tiles of 512 px at level 21 are Leaflet's zoom 22
    0.0232
    """
    return _mercator_m(level) * math.cos(math.radians(latitude_deg))


def finest_level(ground_m: float, latitude_deg: float) -> int:
    """Choose the level that shows pixels of `ground_m` metres with at most a quarter lost.

    Examples
    --------
    >>> finest_level(0.02, 51.5)
    21
    >>> finest_level(0.03, 51.5)
    21
    """
    exact = math.log2(2 * _HALF_WORLD_M * math.cos(math.radians(latitude_deg)) / TILE / ground_m)
    floor = math.floor(exact + 1e-9)
    level = floor if pixel_m(floor, latitude_deg) <= _LOSS * ground_m else floor + 1
    return max(1, min(_FINEST, level))


def halved(picture: Picture) -> Picture:
    """Halve ``(2n, 2m, 4)`` pixels by the mean of what was seen; alpha is the mean of alphas."""
    from PIL import Image

    # Pillow weighs colours by alpha when it reduces red, green, blue, alpha.
    return np.asarray(Image.fromarray(np.ascontiguousarray(picture)).reduce(2))


def pack(
    ortho: ImageSource,
    *,
    room_bytes: int,
    around: Bounds | None,
    progress: Callable[[float], None],
) -> dict[str, Any] | None:
    """Turn the orthophoto into tiles that travel in the page.

    Parameters
    ----------
    ortho
        The survey's picture, in the site's CRS.
    room_bytes
        What all tiles may take in the page; the finest levels that don't fit are left out.
    around
        West, south, east, north of what the map shows, in the site's CRS: the picture is
        cut to it and a margin. None takes the whole picture.
    progress
        Told the share that is done.

    Returns
    -------
    ``tiles`` (``"level/x/y"`` to base64 WebP), ``min_level``, ``max_level``, ``bounds``
    (degrees), ``gsd`` and ``native`` as words, ``cut``; None where the picture shows nothing.

    Raises
    ------
    CRSError
        No exact operation into Web Mercator.
    RasterError
        A block of the picture can't be read.
    """
    source = _source(ortho, around)
    if source is None:
        return None
    warped, box, latitude = source
    ground = math.sqrt(math.prod(abs(side) for side in ortho.grid.pixel_size))
    native = level = finest_level(ground, latitude)
    while level > 1 and _expected(warped, box, level) > room_bytes:
        level -= 1
    pyramid = _Pyramid(warped, box, level, progress=progress)
    pyramid.build()
    while level > pyramid.top and pyramid.size() > room_bytes:
        pyramid.drop(level)
        level -= 1
    if not pyramid.tiles:
        return None
    return {
        "tiles": {key: pyramid.tiles[key] for key in sorted(pyramid.tiles, key=_order)},
        "min_level": pyramid.top,
        "max_level": level,
        "bounds": _degrees(box),
        "gsd": _words(pixel_m(level, latitude)),
        "native": _words(ground),
        "cut": level < native,
    }


def _source(ortho: ImageSource, around: Bounds | None) -> tuple[WarpedImage, Bounds, float] | None:
    """Prepare the warp: the picture's box in Mercator metres, cut to what the map shows."""
    from pyproj import CRS

    from fencemap.formats.raster import warp_image

    west, south, east, north = ortho.grid.bounds
    if around is not None:
        west, south = max(west, around[0] - _MARGIN_M), max(south, around[1] - _MARGIN_M)
        east, north = min(east, around[2] + _MARGIN_M), min(north, around[3] + _MARGIN_M)
    if west >= east or south >= north:
        return None
    mercator = CRS.from_epsg(3857)
    window = ortho.grid.window_of((west, south, east, north)).intersection(ortho.grid.window)
    if window.is_empty:
        return None
    cut = _Cut(ortho, window)
    warped = warp_image(cut, site_crs=mercator, max_accuracy_m=_ACCURACY_M)
    box = warped.grid.bounds
    return warped, box, _latitude((box[1] + box[3]) / 2)


@dataclass(frozen=True)
class _Cut:
    """A window of a picture as a picture of its own."""

    whole: ImageSource
    window: Window

    @property
    def grid(self) -> Any:
        return self.whole.grid.of_window(self.window)

    @property
    def origin(self) -> str:
        return self.whole.origin

    def read(self, window: Window, *, out_shape: tuple[int, int] | None = None) -> Picture:
        inside = window.moved(self.window.row, self.window.column)
        return self.whole.read(inside, out_shape=out_shape)


def _mercator_m(level: int) -> float:
    return 2 * _HALF_WORLD_M / TILE / float(2**level)


def _tiles_of(box: Bounds, level: int) -> tuple[int, int, int, int]:
    """First column and row, last column and row of the tiles that a box touches."""
    side = _mercator_m(level) * TILE
    last = 2**level - 1
    return (
        _within(math.floor((box[0] + _HALF_WORLD_M) / side), last),
        _within(math.floor((_HALF_WORLD_M - box[3]) / side), last),
        _within(math.ceil((box[2] + _HALF_WORLD_M) / side) - 1, last),
        _within(math.ceil((_HALF_WORLD_M - box[1]) / side) - 1, last),
    )


def _within(number: int, last: int) -> int:
    return max(0, min(last, number))


def _read(warped: WarpedImage, level: int, x: int, y: int, size: int) -> Picture:
    """Warp a square of `size` by `size` tiles of a level, the first at column x, row y."""
    from affine import Affine

    from fencemap.grid import Grid

    pixel = _mercator_m(level)
    transform = Affine(
        pixel, 0.0, x * TILE * pixel - _HALF_WORLD_M, 0.0, -pixel, _HALF_WORLD_M - y * TILE * pixel
    )
    grid = Grid(transform, (size * TILE, size * TILE), warped.grid.crs)
    return replace(warped, grid=grid).read(grid.window)


def _expected(warped: WarpedImage, box: Bounds, level: int) -> float:
    """Estimate what a level and all below it take, from some of its tiles, evenly chosen."""
    left, top, right, bottom = _tiles_of(box, level)
    columns, rows = right - left + 1, bottom - top + 1
    count = columns * rows
    chosen = sorted({round((at + 0.5) * count / _SAMPLES - 0.5) for at in range(_SAMPLES)})
    sizes = [
        len(_encoded(_read(warped, level, left + at % columns, top + at // columns, 1)))
        for at in chosen
    ]
    return float(np.mean(sizes)) * count * _TEXT_SHARE * _BELOW


def _encoded(picture: Picture) -> bytes:
    """Write a tile as WebP; nothing for a tile where nothing was seen."""
    from PIL import Image

    if not picture[..., 3].any():
        return b""
    opaque = bool((picture[..., 3] == 255).all())
    image = Image.fromarray(np.ascontiguousarray(picture[..., :3] if opaque else picture))
    stream = io.BytesIO()
    image.save(stream, "WEBP", quality=_QUALITY, method=4)
    return stream.getvalue()


@dataclass
class _Pyramid:
    """Tiles from the finest level up to one that a few tiles cover."""

    warped: WarpedImage
    box: Bounds
    finest: int
    progress: Callable[[float], None]
    tiles: dict[str, str] = field(default_factory=dict)
    done: int = 0

    @property
    def top(self) -> int:
        """Coarsest level: at most two by two tiles."""
        level = self.finest
        while level > 1 and self._spread(level) > 2:
            level -= 1
        return level

    def _spread(self, level: int) -> int:
        left, top, right, bottom = _tiles_of(self.box, level)
        return max(right - left, bottom - top) + 1

    def build(self) -> None:
        """Make all tiles, branch by branch, so that few pixels are held at once."""
        left, top, right, bottom = _tiles_of(self.box, self.top)
        for y in range(top, bottom + 1):
            for x in range(left, right + 1):
                self._branch(self.top, x, y)

    def _branch(self, level: int, x: int, y: int) -> Picture:
        """Make a tile and all tiles under it; gives the tile's pixels."""
        if not self._touches(level, x, y):
            return np.zeros((TILE, TILE, 4), dtype=np.uint8)
        depth = self.finest - level
        if depth <= _BLOCK_LEVELS:
            return self._block(level, x, y, depth)
        four = [
            [self._branch(level + 1, 2 * x + right, 2 * y + down) for right in (0, 1)]
            for down in (0, 1)
        ]
        picture = halved(np.concatenate([np.concatenate(row, axis=1) for row in four], axis=0))
        self._keep(picture, level, x, y)
        return picture

    def _block(self, level: int, x: int, y: int, depth: int) -> Picture:
        """Warp the finest tiles under one tile at once, and make the levels between."""
        picture = _read(self.warped, self.finest, x << depth, y << depth, 1 << depth)
        for at in range(self.finest, level - 1, -1):
            side = 1 << (at - level)
            for down in range(side):
                for right in range(side):
                    part = picture[
                        down * TILE : (down + 1) * TILE, right * TILE : (right + 1) * TILE
                    ]
                    self._keep(part, at, (x << (at - level)) + right, (y << (at - level)) + down)
            if at > level:
                picture = halved(picture)
        return picture

    def _touches(self, level: int, x: int, y: int) -> bool:
        left, top, right, bottom = _tiles_of(self.box, level)
        return left <= x <= right and top <= y <= bottom

    def _keep(self, picture: Picture, level: int, x: int, y: int) -> None:
        self.done += 1
        left, top, right, bottom = _tiles_of(self.box, self.finest)
        whole = (right - left + 1) * (bottom - top + 1) * _BELOW
        self.progress(min(1.0, self.done / whole))
        if code := _encoded(picture):
            self.tiles[f"{level}/{x}/{y}"] = base64.b64encode(code).decode("ascii")

    def size(self) -> int:
        """Bytes that the tiles take in the page."""
        return sum(len(key) + len(code) + 6 for key, code in self.tiles.items())

    def drop(self, level: int) -> None:
        """Leave a level out."""
        for key in [key for key in self.tiles if key.startswith(f"{level}/")]:
            del self.tiles[key]


def _order(key: str) -> tuple[int, ...]:
    return tuple(int(part) for part in key.split("/"))


def _latitude(mercator_m: float) -> float:
    """Latitude in degrees of a Mercator northing."""
    return math.degrees(2 * math.atan(math.exp(mercator_m / _HALF_WORLD_M * math.pi)) - math.pi / 2)


def _degrees(box: Bounds) -> list[float]:
    """Turn a Mercator box into west, south, east, north in degrees."""
    lon = [x / _HALF_WORLD_M * 180 for x in (box[0], box[2])]
    lat = [_latitude(y) for y in (box[1], box[3])]
    return [round(lon[0], 8), round(lat[0], 8), round(lon[1], 8), round(lat[1], 8)]


def _words(metres: float) -> str:
    """Say a pixel size."""
    return f"{metres * 100:.1f} cm" if metres < 1 else f"{metres:.1f} m"
