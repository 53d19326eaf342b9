"""Ground models and orthophotos: one file or many tiles, read window by window.

Rooms
-----
`files`
    From names to checked tiles on one grid; open handles, a few per thread.
`heights`
    `open_heights`: metres as float32, NaN where the ground was not seen.
`images`
    `open_image`: red, green, blue and how well each pixel was seen, reduced on request.
`warping`
    The same two in another CRS, computed when read.
`writing`
    Cloud-optimised GeoTIFFs, published whole and read back block by block.
"""

from __future__ import annotations

from fencemap.formats.raster.heights import Mosaic, open_heights
from fencemap.formats.raster.images import ImageMosaic, ImageSource, open_image
from fencemap.formats.raster.warping import WarpedHeights, WarpedImage, warp_heights, warp_image
from fencemap.formats.raster.writing import write_cog, write_heights

__all__ = [
    "ImageMosaic",
    "ImageSource",
    "Mosaic",
    "WarpedHeights",
    "WarpedImage",
    "open_heights",
    "open_image",
    "warp_heights",
    "warp_image",
    "write_cog",
    "write_heights",
]
