"""Where the site lies: its grid, its own axes, and longitude and latitude.

The place is invented: the coordinates fall in open sea on purpose, so that no
real burial ground can be meant. Heights are above a local bench mark.
"""

from __future__ import annotations

import numpy as np
from pyproj import Transformer

__all__ = ["BOUNDARY", "CRS", "ORIGIN", "azimuth", "to_lonlat", "to_world"]

CRS = "EPSG:32631"
ORIGIN = (500412.0, 6040318.0)
TURN_RAD = np.deg2rad(7.0)  # the site's rows are not parallel to the grid
_AXES = np.array([[np.cos(TURN_RAD), np.sin(TURN_RAD)], [-np.sin(TURN_RAD), np.cos(TURN_RAD)]])
# Along the rows, and up the slope, in metres.
BOUNDARY = np.array(
    [(0, 3), (31, 0.5), (64, -0.5), (101, 1), (126.5, 5), (127, 52), (121, 93), (84, 96.5),
     (40, 96), (5.5, 93), (-1, 52)],
    dtype=float,
)  # fmt: skip


def to_world(uv: np.ndarray) -> np.ndarray:
    """Turn the site's own metres into easting and northing."""
    return np.asarray(uv, dtype=float) @ _AXES + np.array(ORIGIN)


def to_lonlat(en: np.ndarray) -> np.ndarray:
    """Turn easting and northing into WGS 84 longitude and latitude, 9 decimals."""
    en = np.asarray(en, dtype=float)
    change = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    return np.round(np.column_stack(change.transform(en[:, 0], en[:, 1])), 9)


def azimuth(vector: np.ndarray) -> float:
    """Direction of a vector, degrees clockwise from grid north."""
    return float(np.rad2deg(np.arctan2(vector[0], vector[1])) % 360.0)
