"""Where things lie on the page: site coordinates to longitude and latitude, and back in the page.

The page draws in Web Mercator, so that the picture lies right under GPS
positions, but a surveyor reads eastings and northings. The page therefore
carries a cubic fit between both, good to a tenth of a millimetre over a burial
ground; beyond a millimetre it carries none and shows degrees.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Bounds = tuple[float, float, float, float]
    Degrees = Callable[[NDArray[np.float64]], NDArray[np.float64]]

__all__ = ["STEP_DEG", "Shapes", "box_in_degrees", "grid_fit", "place", "to_lonlat"]

STEP_DEG = 1e-8
"""Step of the page's whole-number coordinates: about 1 mm of latitude."""
_SIMPLER_M = 0.004
_FIT_LIMIT_M = 0.001


@dataclass(frozen=True, slots=True)
class Shapes:
    """Geometry of one layer in degrees, ragged.

    `degrees` is ``(n, 2)`` longitude and latitude; `part` gives each vertex its
    part, `owner` each part its row; `dimension` is 0, 1 or 2 for each row and
    -1 where the row has no usable position.
    """

    degrees: NDArray[np.float64]
    part: NDArray[np.int64]
    owner: NDArray[np.int64]
    dimension: NDArray[np.int64]

    def compact(self, origin: tuple[float, float]) -> list[Any]:
        """List each row's parts as flat whole numbers in `STEP_DEG` from `origin`."""
        import numpy as np

        steps = np.rint((self.degrees - np.asarray(origin)) / STEP_DEG).astype("int64")
        rows: list[Any] = [None if size < 0 else [] for size in self.dimension.tolist()]
        starts = np.flatnonzero(np.diff(self.part, prepend=-1)).tolist()
        flat = steps.ravel().tolist()
        ends = [*starts, len(steps)][1:]
        for row, start, end in zip(self.owner.tolist(), starts, ends, strict=True):
            rows[row].append(flat[2 * start : 2 * end])
        return rows


def to_lonlat(points: NDArray[np.float64], *, crs: Any, area: Any = None) -> NDArray[np.float64]:
    """Turn ``(n, 2)`` easting, northing in metres into longitude, latitude (WGS 84, degrees).

    `area` is the site's box in degrees, which chooses the operation. NaN where a
    point has no place on the globe.

    Raises
    ------
    CRSError
        No operation from the site's CRS that is good enough to find the place.
    """
    import numpy as np

    from fencemap.crs import parse_crs, to_site

    source, target = parse_crs(crs), parse_crs("OGC:CRS84")
    placed = to_site(points[:, 0], points[:, 1], src=source, site=target, area=area)
    return np.column_stack([placed.easting, placed.northing])


def box_in_degrees(bounds: Bounds, *, crs: Any) -> Bounds | None:
    """Turn the site's box into degrees; None where a stray point makes it no site at all."""
    from fencemap.crs import lonlat_area, parse_crs
    from fencemap.errors import CRSError

    try:
        return lonlat_area(parse_crs(crs), bounds)
    except CRSError:
        return None


def place(geometry: Any, *, degrees: Degrees) -> Shapes:
    """Turn a layer's shapes into degrees.

    Rows without a shape, with an empty one or with a coordinate that is not a
    finite number get dimension -1: they are listed, not drawn. Outlines are
    made simpler by at most 4 mm.

    Parameters
    ----------
    geometry
        Array of shapely geometries, None allowed.
    degrees
        Turns ``(n, 2)`` metres of the site's CRS into degrees.
    """
    import numpy as np
    import shapely

    shapes = np.array(geometry, dtype=object)
    shapes = shapely.force_2d(shapes)
    dimension = np.asarray(shapely.get_dimensions(shapes), dtype="int64")
    dimension[shapely.is_missing(shapes) | shapely.is_empty(shapes)] = -1
    dimension[_spoilt(shapes)] = -1
    shapes[dimension < 0] = None
    extended = dimension > 0
    shapes[extended] = shapely.simplify(shapes[extended], _SIMPLER_M)
    paths, owner = _paths(shapes, dimension)
    points, part = shapely.get_coordinates(paths, return_index=True)
    placed = degrees(points) if len(points) else np.empty((0, 2))
    lost = np.unique(owner[part[~np.isfinite(placed).all(axis=1)]])
    if len(lost):
        shapes[lost] = None
        return place(shapes, degrees=degrees)
    return Shapes(placed, part, owner, dimension)


def _spoilt(shapes: NDArray[Any]) -> NDArray[np.bool_]:
    """Find rows with a coordinate that is not finite."""
    import numpy as np
    import shapely

    points, row = shapely.get_coordinates(shapes, return_index=True)
    spoilt = np.zeros(len(shapes), dtype=bool)
    spoilt[row[~np.isfinite(points).all(axis=1)]] = True
    return spoilt


def _paths(shapes: NDArray[Any], dimension: NDArray[Any]) -> tuple[Any, NDArray[np.int64]]:
    """Split shapes into points, lines and rings of the row's own dimension."""
    import numpy as np
    import shapely

    parts, owner = shapely.get_parts(shapes, return_index=True)
    fitting = shapely.get_dimensions(parts) == dimension[owner]
    parts, owner = parts[fitting], owner[fitting]
    areas = shapely.get_dimensions(parts) == 2
    rings, ring_owner = shapely.get_rings(parts[areas], return_index=True)
    paths = np.concatenate([parts[~areas], rings])
    owners = np.concatenate([owner[~areas], owner[areas][ring_owner]]).astype("int64")
    order = np.argsort(owners, kind="stable")
    return paths[order], owners[order]


def grid_fit(bounds: Bounds, *, degrees: Degrees) -> dict[str, Any] | None:
    """Fit cubics between degrees and the site's grid over `bounds`, or None if they miss by 1 mm.

    Returns
    -------
    ``middle_deg`` and ``middle_m``, the half sizes ``reach_deg`` and ``reach_m``
    that scale the arguments to -1 .. 1, and ``to_grid`` and ``to_deg``: two rows of
    ten coefficients for ``1 u v uu uv vv uuu uuv uvv vvv``, giving metres and
    degrees from the middle.
    """
    import numpy as np

    west, south, east, north = bounds
    middle = np.array([(west + east) / 2, (south + north) / 2])
    reach = max(east - west, north - south, 50.0) * 1.5
    side = np.linspace(-1, 1, 9)
    unit = np.column_stack([axis.ravel() for axis in np.meshgrid(side, side)])
    around = degrees(middle + unit * reach)
    middle_deg = degrees(middle[None, :])[0]
    if not np.isfinite(around).all() or not np.isfinite(middle_deg).all():
        return None
    away = around - middle_deg
    reach_deg = np.abs(away).max(axis=0)
    to_grid = np.linalg.lstsq(_terms(away / reach_deg), unit * reach, rcond=None)[0]
    to_deg = np.linalg.lstsq(_terms(unit), away, rcond=None)[0]
    miss_m = np.abs(_terms(away / reach_deg) @ to_grid - unit * reach).max()
    miss_deg = np.abs(_terms(unit) @ to_deg - away).max()
    if miss_m > _FIT_LIMIT_M or miss_deg > _FIT_LIMIT_M / 111_320:
        return None
    return {
        "middle_m": _tidy(middle),
        "middle_deg": _tidy(middle_deg),
        "reach_m": float(reach),
        "reach_deg": _tidy(reach_deg),
        "to_grid": [_tidy(row) for row in to_grid.T],
        "to_deg": [_tidy(row) for row in to_deg.T],
    }


def _terms(uv: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cubic terms of two arguments, in the order that the page's script uses."""
    import numpy as np

    u, v = uv[:, 0], uv[:, 1]
    one = np.ones_like(u)
    return np.column_stack([one, u, v, u * u, u * v, v * v, u**3, u * u * v, u * v * v, v**3])


def _tidy(values: NDArray[np.float64]) -> list[float]:
    """Round to 13 significant digits, so that the last bit of a solver can't show."""
    return [float(f"{value:.13g}") for value in values.tolist()]
