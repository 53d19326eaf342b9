"""Whether numbers can be true: areas of use, the site's box, axis order, scale on the ground."""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Proj, Transformer

from fencemap.crs.operations import Area
from fencemap.crs.references import horizontal_of
from fencemap.errors import CRSError

__all__ = [
    "Reading",
    "area_of_use",
    "degrees_of_box",
    "ground_line",
    "ground_scale",
    "lonlat_area",
    "outside_area_of_use",
    "plausible",
    "vector",
]

Floats = NDArray[np.float64]
Bounds = tuple[float, float, float, float]

_LARGE_SITE_M = 5_000.0


class Reading(StrEnum):
    """How pairs of numbers fit a site: the outcome of `plausible`."""

    AS_GIVEN = "as given"
    SWAPPED = "swapped"
    EITHER = "either"
    NEITHER = "neither"


def plausible(
    extent: Bounds, easting: ArrayLike, northing: ArrayLike, *, margin_m: float = 0.0
) -> Reading:
    """Tell which order of the axes puts the points into the site.

    Parameters
    ----------
    extent
        West, south, east, north of the site, metres.
    easting, northing
        The points as given; ones that are not finite are passed over. (n,)
    margin_m
        How far outside the extent still counts, metres.

    Returns
    -------
    Reading
        ``EITHER`` means ask; ``NEITHER`` means another CRS, unit or site. A reading counts
        when more than half of the points are inside, so that a few strays decide nothing.

    Examples
    --------
    >>> from fencemap.crs import plausible
    >>> plausible((500_000, 4_400_000, 500_200, 4_400_200), [4_400_100], [500_100]).value
    'swapped'
    """
    one, two = vector(easting), vector(northing)
    known = np.isfinite(one) & np.isfinite(two)
    given = _mostly_inside(extent, one[known], two[known], margin_m)
    swapped = _mostly_inside(extent, two[known], one[known], margin_m)
    if given and swapped:
        return Reading.EITHER
    if given or swapped:
        return Reading.AS_GIVEN if given else Reading.SWAPPED
    return Reading.NEITHER


def lonlat_area(site: CRS, bounds: Bounds) -> Area:
    """Give the box in degrees that chooses operations for a site.

    Parameters
    ----------
    site
        As `site_crs` gives it.
    bounds
        West, south, east, north in its metres.

    Raises
    ------
    CRSError
        Larger than 5 km, turned inside out, or outside the CRS's reach: one of the numbers
        is wrong.
    """
    west, south, east, north = bounds
    if not (0 <= east - west <= _LARGE_SITE_M and 0 <= north - south <= _LARGE_SITE_M):
        raise CRSError(
            f"the site would be {abs(east - west):,.0f} m by {abs(north - south):,.0f} m",
            remedy="Check for a stray point or swapped axes; a burial ground fits into 5 km",
        )
    return degrees_of_box(site, bounds)


def degrees_of_box(crs: CRS, bounds: Bounds) -> Area:
    """Give the box in degrees, in the CRS's own datum, that holds a box of any size.

    Parameters
    ----------
    crs
        What the box is in.
    bounds
        West, south, east, north in its unit.

    Raises
    ------
    CRSError
        A part of the box has no place on the globe.
    """
    plane = horizontal_of(crs)
    to_degrees = Transformer.from_crs(plane, plane.geodetic_crs, always_xy=True)
    box = to_degrees.transform_bounds(*bounds)
    west, south, east, north = bounds
    # A corner without a place is left out of the box in silence, so it is looked at here.
    corners = to_degrees.transform([west, east, west, east], [south, south, north, north])
    if not np.isfinite([*box, *corners[0], *corners[1]]).all() or box[0] > box[2]:
        raise CRSError(
            f"the box lies outside the reach of {crs.name}",
            remedy="Check the CRS and the axis order of the coordinates",
        )
    return (box[0], box[1], box[2], box[3])


def outside_area_of_use(
    crs: CRS, easting: ArrayLike, northing: ArrayLike, *, margin_deg: float = 0.0
) -> NDArray[np.bool_]:
    """Mark points outside the area a CRS is made for; all False if it names none.

    Points that are not finite, or have no place at all, count as outside. `margin_deg` widens
    the area, degrees.
    """
    one, two = vector(easting), vector(northing)
    box = area_of_use(crs)
    to_degrees = Transformer.from_crs(
        horizontal_of(crs), horizontal_of(crs).geodetic_crs, always_xy=True
    )
    longitude, latitude = to_degrees.transform(one, two)
    finite = np.isfinite(longitude) & np.isfinite(latitude)
    if box is None:
        return np.asarray(~finite)
    west, south, east, north = box
    # Measured from the western edge eastward, so that the 180th meridian is no edge.
    width = (east - west) % 360 if (west, east) != (-180, 180) else 360.0
    eastward = (np.where(finite, longitude, 0.0) - west + margin_deg) % 360
    across = eastward <= width + 2 * margin_deg
    along = (latitude >= south - margin_deg) & (latitude <= north + margin_deg)
    return np.asarray(~(finite & across & along))


def ground_scale(site: CRS, easting: float, northing: float) -> float:
    """Give the length on the map of one metre on the ellipsoid at a point.

    0.9996 in the middle of a UTM zone: 50 m taped are 49.98 m between coordinates. Height
    above the ellipsoid shortens it further, by 0.16 mm per metre at 1000 m.
    """
    to_degrees = Transformer.from_crs(site, site.geodetic_crs, always_xy=True)
    longitude, latitude = to_degrees.transform(easting, northing)
    factors = Proj(site).get_factors(longitude, latitude)
    return float(np.sqrt(factors.areal_scale))


def ground_line(
    crs: CRS,
    easting: ArrayLike,
    northing: ArrayLike,
    to_easting: ArrayLike,
    to_northing: ArrayLike,
) -> tuple[Floats, Floats]:
    """Measure lines on the ellipsoid, where a limit in centimetres or true north counts.

    Parameters
    ----------
    crs
        What the coordinates are in; a geographic one takes longitude and latitude.
    easting, northing, to_easting, to_northing
        Both ends; (n,).

    Returns
    -------
    length_m, azimuth_deg
        Length of the shortest line, and its direction at the start, clockwise from true north
        in [0, 360); NaN where an end is not finite. (n,) each.

    Notes
    -----
    Karney, C. F. F. (2013), Algorithms for geodesics, https://doi.org/10.1007/s00190-012-0578-z

    Examples
    --------
    >>> from pyproj import CRS
    >>> length, azimuth = ground_line(CRS("EPSG:26918"), 500_000, 4_400_000, 500_000, 4_400_050)
    >>> round(float(length[0]), 3), float(azimuth[0])
    (50.02, 0.0)
    """
    geodetic = crs.geodetic_crs
    to_degrees = Transformer.from_crs(horizontal_of(crs), geodetic, always_xy=True)
    start = to_degrees.transform(vector(easting), vector(northing))
    end = to_degrees.transform(vector(to_easting), vector(to_northing))
    known = np.isfinite(np.array([*start, *end])).all(axis=0)
    ellipsoid = crs.get_geod()
    length, azimuth = np.full(len(known), np.nan), np.full(len(known), np.nan)
    if ellipsoid is not None and known.any():
        ends = [values[known] for values in (*start, *end)]
        forward, _, metres = ellipsoid.inv(*ends)
        length[known], azimuth[known] = metres, forward % 360
    return length, azimuth


def _mostly_inside(extent: Bounds, easting: Floats, northing: Floats, margin_m: float) -> bool:
    west, south, east, north = extent
    inside = (easting >= west - margin_m) & (easting <= east + margin_m)
    inside &= (northing >= south - margin_m) & (northing <= north + margin_m)
    return bool(inside.mean() > 0.5) if len(inside) else False


def area_of_use(crs: CRS) -> Area | None:
    """Give the box in degrees that a CRS is made for; None if it names none."""
    return None if crs.area_of_use is None else crs.area_of_use.bounds


def vector(values: ArrayLike) -> Floats:
    """Make a flat float64 array of numbers, a single one too."""
    return np.atleast_1d(np.asarray(values, dtype=np.float64)).reshape(-1)
