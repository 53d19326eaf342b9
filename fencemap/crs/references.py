"""A CRS from text, checked for the purpose; its horizontal and vertical part; units."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from pyproj import CRS
from pyproj.exceptions import CRSError as ProjCRSError

from fencemap.errors import CRSError, shorten

__all__ = [
    "FOOT",
    "METRE",
    "SITE_HEIGHTS",
    "US_SURVEY_FOOT",
    "Unit",
    "height_unit",
    "horizontal_of",
    "parse_crs",
    "plane_unit",
    "same_crs",
    "site_crs",
    "site_heights",
    "unit_named",
    "vertical_of",
]

SITE_HEIGHTS: Final = "site"
"""What a site writes for `heights` when they refer to its own bench mark."""

_WRITE_CRS = 'Write a projected CRS in metres, for instance crs = "EPSG:32631"'
_WRITE_HEIGHTS = 'Write a vertical CRS in metres, for instance heights = "EPSG:5703", or "site"'
_SURE = 100  # percent of agreement at which an authority's code stands for the CRS


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of length; `metres` is the length of one."""

    name: str
    metres: float


METRE = Unit("metre", 1.0)
FOOT = Unit("international foot", 0.3048)
US_SURVEY_FOOT = Unit("US survey foot", 1200 / 3937)

_UNITS = {
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), METRE),
    **dict.fromkeys(("international foot", "international feet", "ift"), FOOT),
    **dict.fromkeys(
        ("us survey foot", "us survey feet", "us-ft", "ftus", "us_survey_foot"), US_SURVEY_FOOT
    ),
}


def unit_named(text: str) -> Unit:
    """Find a unit of length by a name that can mean one thing only.

    Raises
    ------
    CRSError
        Unknown, or a bare "foot": at 2,000,000 feet the two in use are 1.2 m apart.

    Examples
    --------
    >>> from fencemap.crs import unit_named
    >>> round(unit_named("US survey foot").metres * 3937, 9)
    1200.0
    """
    unit = _UNITS.get(" ".join(text.lower().split()))
    if unit is not None:
        return unit
    raise CRSError(
        f"the unit {shorten(text)!r} is {'two different units' if _is_foot(text) else 'unknown'}",
        remedy='Write "metre", "international foot" or "US survey foot"',
    )


def _is_foot(text: str) -> bool:
    return text.strip().lower() in {"ft", "foot", "feet", "'"}


def parse_crs(text: str | CRS, *, what: str = "the CRS") -> CRS:
    """Read a CRS from an authority code, WKT or PROJ string; never guess one.

    Parameters
    ----------
    text
        For instance ``"EPSG:32631"`` or ``"EPSG:26918+5703"``.
    what
        How a message calls it.

    Raises
    ------
    CRSError
        Empty or not understood.
    """
    if isinstance(text, CRS):
        return text
    if not text.strip():
        raise CRSError(f"{what} is missing, and it is never guessed", remedy=_WRITE_CRS)
    try:
        return CRS.from_user_input(text.strip())
    except ProjCRSError as error:
        raise CRSError(
            f"{what}, {shorten(text)!r}, is not understood",
            remedy='Write an authority code such as "EPSG:32631", or WKT',
        ) from error


def site_crs(text: str | CRS) -> CRS:
    """Check that a CRS can carry a site: projected, metres, east and north, ground scale.

    Parameters
    ----------
    text
        As `parse_crs`.

    Returns
    -------
    CRS
        The horizontal CRS that everything inside is in.

    Raises
    ------
    CRSError
        Missing, geographic, in feet, compound, south- or west-pointing, with a shift of its
        own, or a web map's projection, whose metres are no metres on the ground. The message
        names the reason and a remedy.

    Examples
    --------
    >>> from fencemap.crs import site_crs
    >>> site_crs("EPSG:26918").name
    'NAD83 / UTM zone 18N'
    """
    crs = parse_crs(text, what="the site's CRS")
    for reason, remedy in _against_site(crs):
        raise CRSError(f"the site's CRS, {crs.name}, {reason}", remedy=remedy)
    return crs


def _against_site(crs: CRS) -> Iterator[tuple[str, str]]:
    """Say why a CRS can't carry a site, with a remedy; nothing if it can."""
    method = crs.coordinate_operation.method_name if crs.coordinate_operation else ""
    if crs.is_compound:
        parts = " and ".join(f"{part.name}" for part in crs.sub_crs_list)
        yield f"is two in one ({parts})", "Write the first as crs, the second as heights"
    elif crs.is_geographic:
        yield "is in degrees, which are no lengths", _WRITE_CRS
    elif not crs.is_projected:
        yield f"is no projected CRS but a {crs.type_name}", _WRITE_CRS
    elif crs.is_bound:
        yield "brings a datum shift of its own", "Write its plain authority code"
    elif any(axis.unit_conversion_factor != METRE.metres for axis in crs.axis_info):
        units = " and ".join(sorted({axis.unit_name for axis in crs.axis_info}))
        yield (
            f"is in {units}",
            "Write the same system in metres; data in feet is converted when it is read",
        )
    elif sorted(axis.direction for axis in crs.axis_info) != ["east", "north"]:
        yield "doesn't point east and north", "Write one that does, such as the UTM zone"
    elif method.startswith(("Popular Visualisation", "Mercator")):
        yield (
            "stretches lengths by up to several times",
            "Write the local UTM zone or national grid; the web map is made from it",
        )


def site_heights(text: str) -> CRS | None:
    """Check what the site's heights refer to; None for the site's own bench mark.

    Parameters
    ----------
    text
        A vertical CRS in metres, or ``"site"``.

    Raises
    ------
    CRSError
        Missing, not understood, not vertical, not metres, or pointing down.

    Examples
    --------
    >>> from fencemap.crs import site_heights
    >>> site_heights("site") is None
    True
    """
    if text.strip().lower() == SITE_HEIGHTS:
        return None
    if not text.strip():
        raise CRSError("what heights refer to is missing", remedy=_WRITE_HEIGHTS)
    crs = parse_crs(text, what="the site's vertical CRS")
    if crs.is_compound or not crs.is_vertical:
        reason = f"is no vertical CRS but a {crs.type_name}"
    elif crs.axis_info[0].direction != "up":
        reason = "counts downwards"
    elif crs.axis_info[0].unit_conversion_factor != METRE.metres:
        reason = f"is in {crs.axis_info[0].unit_name}"
    else:
        return crs
    raise CRSError(f"the site's vertical CRS, {crs.name}, {reason}", remedy=_WRITE_HEIGHTS)


def horizontal_of(crs: CRS) -> CRS:
    """Take the part of a CRS that says where; the whole of a plain one."""
    if crs.is_compound:
        return crs.sub_crs_list[0]
    return crs.to_2d() if crs.is_geographic and len(crs.axis_info) == _WITH_HEIGHT else crs


_WITH_HEIGHT = 3


def vertical_of(crs: CRS) -> CRS | None:
    """Take the part of a CRS that says what heights refer to; None if it has none.

    A three-dimensional geographic CRS comes back itself: its heights are above its ellipsoid.
    """
    if crs.is_compound:
        return crs.sub_crs_list[1]
    if crs.is_vertical or (crs.is_geographic and len(crs.axis_info) == _WITH_HEIGHT):
        return crs
    return None


def plane_unit(crs: CRS) -> Unit:
    """Take the unit of easting and northing from the CRS itself.

    Raises
    ------
    CRSError
        Degrees: there is no such length.
    """
    axis = horizontal_of(crs).axis_info[0]
    if horizontal_of(crs).is_geographic:
        raise CRSError(f"{crs.name} is in degrees, which are no lengths", remedy=_WRITE_CRS)
    return Unit(axis.unit_name, axis.unit_conversion_factor)


def height_unit(crs: CRS) -> Unit | None:
    """Take the unit of heights from the CRS itself; None if it says nothing of heights."""
    vertical = vertical_of(crs)
    if vertical is None:
        return None
    axis = vertical.axis_info[-1]
    return Unit(axis.unit_name, axis.unit_conversion_factor)


def same_crs(one: CRS, other: CRS) -> bool:
    """Tell whether two CRS are one, whatever their spelling or axis order.

    Examples
    --------
    >>> from pyproj import CRS
    >>> from fencemap.crs import same_crs
    >>> same_crs(CRS("EPSG:26918"), CRS(CRS("EPSG:26918").to_wkt("WKT1_ESRI")))
    True
    """
    if one.equals(other, ignore_axis_order=True):
        return True
    code = one.to_epsg(min_confidence=_SURE)
    return code is not None and code == other.to_epsg(min_confidence=_SURE)
