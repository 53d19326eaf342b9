"""Points and shapes into the site's system; longitude and latitude out of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Transformer

from fencemap.crs.extents import Floats, area_of_use, outside_area_of_use, vector
from fencemap.crs.operations import Area, Operation, described
from fencemap.crs.references import (
    SITE_HEIGHTS,
    horizontal_of,
    parse_crs,
    same_crs,
    vertical_of,
)
from fencemap.errors import CRSError

__all__ = [
    "Placed",
    "PlacedShapes",
    "geometries_to_site",
    "lonlat_of",
    "reproject",
    "to_site",
]

_WGS84 = CRS.from_user_input("OGC:CRS84")
_UNCHANGED_M = 1e-9
_LABEL_ACCURACY_M = 5.0  # two datum ensembles meet at 4 m; enough to find a place, not to judge it
_BEYOND_DEG = 1.0  # a site may reach over the edge of its system, not lie a degree beyond


@dataclass(frozen=True, slots=True)
class Placed:
    """Points in the site's system.

    `ok` is False where a point was not finite before, has no place in the target system or
    would lie more than a degree outside its area of use; its coordinates are NaN then. `height` is None if none were given, NaN where one was NaN.
    """

    easting: Floats
    northing: Floats
    height: Floats | None
    ok: NDArray[np.bool_]
    operation: Operation


@dataclass(frozen=True, slots=True)
class PlacedShapes:
    """Shapes in the site's system; None where `ok` is False or nothing was given."""

    shapes: NDArray[np.object_]
    ok: NDArray[np.bool_]
    operation: Operation


@dataclass(frozen=True, slots=True)
class _Route:
    """The way from a source to the site: one transformation, and what happens to heights."""

    source: CRS
    site: CRS
    transformer: Transformer
    operation: Operation
    changes_heights: bool
    epoch: float | None


def to_site(  # noqa: PLR0913  each names something that must not be guessed
    first: ArrayLike,
    second: ArrayLike,
    height: ArrayLike | None = None,
    *,
    src: str | CRS,
    site: CRS,
    heights: CRS | None = None,
    src_heights: str | CRS | None = None,
    area: Area | None = None,
    epoch: float | None = None,
    max_accuracy_m: float = _LABEL_ACCURACY_M,
) -> Placed:
    """Bring points into the site's system by the one exact operation.

    Parameters
    ----------
    first, second
        Easting and northing, or longitude and latitude in degrees, in that order; (n,).
    height
        Heights in the unit of their reference; (n,). NaN = not measured, and stays so.
    src
        The points' CRS. A compound or three-dimensional one says what heights refer to.
    site
        As `site_crs` gives it.
    heights
        As `site_heights` gives it; None = the site's own bench mark.
    src_heights
        What `height` refers to where `src` doesn't say: a vertical CRS, or ``"site"`` for the
        same as the site's.
    area
        Where the points lie, degrees; chooses the operation.
    epoch
        When coordinates of a moving system were measured, decimal year.
    max_accuracy_m
        Largest error of the operation that is still used, metres. Its real figure is in the
        result: above some centimetres no contact may be judged by these positions alone.

    Returns
    -------
    Placed
        Metres, float64, in the order given. No point is dropped.

    Raises
    ------
    CRSError
        No CRS, no exact operation, too rough, heights that refer to nothing stated, heights
        that a change of reference left unchanged, or an epoch that is needed and missing.

    Examples
    --------
    >>> from fencemap.crs import site_crs, to_site
    >>> placed = to_site([-75.0], [40.0], src="EPSG:4269", site=site_crs("EPSG:26918"))
    >>> round(float(placed.easting[0]), 3)
    500000.0
    """
    one, two = vector(first), vector(second)
    level = None if height is None else vector(height)
    route = _route(
        parse_crs(src, what="the CRS of the data"),
        site,
        heights=heights,
        src_heights=src_heights,
        with_heights=level is not None and bool(np.isfinite(level).any()),
        area=area,
        epoch=epoch,
        max_accuracy_m=max_accuracy_m,
    )
    easting, northing, up = _moved(route, one, two, level)
    ok = np.isfinite(easting) & np.isfinite(northing)
    if level is not None and up is not None:
        ok &= np.isfinite(up) | ~np.isfinite(level)
        up = np.where(ok, up, np.nan)
    return Placed(
        np.where(ok, easting, np.nan), np.where(ok, northing, np.nan), up, ok, route.operation
    )


def geometries_to_site(
    geometries: ArrayLike,
    *,
    src: str | CRS,
    site: CRS,
    heights: CRS | None = None,
    src_heights: str | CRS | None = None,
    area: Area | None = None,
    epoch: float | None = None,
    max_accuracy_m: float = _LABEL_ACCURACY_M,
) -> PlacedShapes:
    """Bring shapes into the site's system; Z goes along as a height, M is left behind.

    Parameters
    ----------
    geometries
        shapely geometries, None and empty ones too; (n,).
    src, site, heights, src_heights, area, epoch, max_accuracy_m
        As `to_site`.

    Returns
    -------
    PlacedShapes
        New geometries in the order given. A shape one vertex of which has no place is None.

    Raises
    ------
    CRSError
        As `to_site`.
    """
    import shapely

    given = np.array(geometries, dtype=object).reshape(-1)
    deep = shapely.has_z(given)
    route = _route(
        parse_crs(src, what="the CRS of the data"),
        site,
        heights=heights,
        src_heights=src_heights,
        with_heights=bool(deep.any()),
        area=area,
        epoch=epoch,
        max_accuracy_m=max_accuracy_m,
    )
    result, ok = given.copy(), np.ones(len(given), dtype=bool)
    for part, with_z in ((deep, True), (~deep, False)):
        result[part], ok[part] = _moved_shapes(route, given[part], with_z=with_z)
    return PlacedShapes(result, ok, route.operation)


def reproject(
    geometries: ArrayLike,
    src: str | CRS,
    dst: str | CRS,
    *,
    area: Area | None = None,
    max_accuracy_m: float = _LABEL_ACCURACY_M,
) -> NDArray[np.object_]:
    """Bring shapes from one plane system into another; heights go along untouched.

    For data whose heights already refer to what the site's do, or that has none. A source that
    says what its heights refer to is refused: `geometries_to_site` changes them rightly.

    Raises
    ------
    CRSError
        As `to_site`; also if `src` or `dst` has a vertical part, or a vertex has no place.
    """
    source = parse_crs(src, what="the CRS of the data")
    target = parse_crs(dst, what="the CRS asked for")
    for crs in (source, target):
        if vertical_of(crs) is not None:
            raise CRSError(
                f"{crs.name} says what heights refer to, so they can't go along untouched",
                remedy="Give the data's heights in the site's reference, and a plane CRS",
            )
    placed = geometries_to_site(
        geometries,
        src=source,
        site=target,
        src_heights=SITE_HEIGHTS,
        area=area,
        max_accuracy_m=max_accuracy_m,
    )
    if not placed.ok.all():
        lost = np.flatnonzero(~placed.ok)
        raise CRSError(
            f"{len(lost)} of {len(placed.ok)} shapes have no place in {target.name}, "
            f"the first at position {lost[0]}",
            remedy="Check the CRS and the axis order of the data",
        )
    return placed.shapes


def lonlat_of(
    site: CRS,
    easting: ArrayLike,
    northing: ArrayLike,
    *,
    max_accuracy_m: float = _LABEL_ACCURACY_M,
) -> tuple[Floats, Floats]:
    """Give longitude and latitude (WGS 84, degrees) for a web map or a record's label.

    Raises
    ------
    CRSError
        No operation as accurate as `max_accuracy_m`, or points that have no place.
    """
    one, two = vector(easting), vector(northing)
    area = area_of_use(site)
    transformer, _ = described(site, _WGS84, area=area, max_accuracy_m=max_accuracy_m)
    longitude, latitude = transformer.transform(one, two)
    lost = ~(np.isfinite(longitude) & np.isfinite(latitude))
    if lost.any():
        raise CRSError(
            f"{int(lost.sum())} of {len(lost)} points have no longitude and latitude",
            remedy="Check the site's CRS and its coordinates",
        )
    return longitude, latitude


def _route(
    src: CRS,
    site: CRS,
    *,
    heights: CRS | None,
    src_heights: str | CRS | None,
    with_heights: bool,
    area: Area | None,
    epoch: float | None,
    max_accuracy_m: float,
) -> _Route:
    """Choose the operation: a plane one, or one that changes heights too."""
    target = site
    source = horizontal_of(src)
    changes = False
    if with_heights:
        reference = _source_heights(src, src_heights, heights)
        changes = reference is not None and (heights is None or not same_crs(reference, heights))
        if changes and reference is not None:
            source, target = _with_heights(src, source, reference), _compound(site, heights)
    transformer, operation = described(
        source,
        target,
        area=area or area_of_use(site),
        max_accuracy_m=max_accuracy_m,
        epoch=epoch,
    )
    return _Route(source, site, transformer, operation, changes, operation.epoch)


def _source_heights(src: CRS, declared: str | CRS | None, heights: CRS | None) -> CRS | None:
    """Say what the data's heights refer to; None where it is what the site's do."""
    own = vertical_of(src)
    if isinstance(declared, str) and declared.strip().lower() == SITE_HEIGHTS:
        declared, same = None, True
    else:
        same = False
    if own is not None and (same or declared is not None):
        raise CRSError(
            f"the data's CRS says that heights refer to {own.name}, and something else is declared",
            remedy="Give one of the two",
        )
    if same:
        return None
    reference = own if declared is None else parse_crs(declared, what="the heights' reference")
    if reference is None:
        raise CRSError(
            f"{src.name} doesn't say what heights refer to, and it is never guessed",
            remedy='Declare it: a vertical CRS such as "EPSG:5703", or "site"',
        )
    if heights is None:
        raise CRSError(
            f"the data's heights refer to {reference.name}, the site's to its own bench mark, "
            "and no operation leads from one to the other",
            remedy="Give heights above the bench mark, or name a vertical CRS for the site",
        )
    return reference


def _with_heights(src: CRS, plane: CRS, reference: CRS) -> CRS:
    """Join the plane part and the heights of the data into one system."""
    if src.is_compound or reference is src:
        return src
    if reference.is_geographic:  # heights above an ellipsoid
        return plane.to_3d()
    return _compound(plane, reference)


def _compound(plane: CRS, vertical: CRS | None) -> CRS:
    from pyproj.crs import CompoundCRS

    return CompoundCRS(f"{plane.name} + {vertical.name if vertical else ''}", [plane, vertical])


def _moved(
    route: _Route, first: Floats, second: Floats, height: Floats | None
) -> tuple[Floats, Floats, Floats | None]:
    """Send coordinates through the route; what has no place comes back as not finite."""
    moved = _transformed(route, first, second, height)
    easting, northing = np.asarray(moved[0]), np.asarray(moved[1])
    nowhere = _impossible(route.source, first, second) | _far_away(route.site, easting, northing)
    easting, northing = np.where(nowhere, np.nan, easting), np.where(nowhere, np.nan, northing)
    if height is None or not route.changes_heights:
        return easting, northing, height
    up = np.where(np.isfinite(height), moved[2], np.nan)
    _check_changed(route, height, up)
    return easting, northing, up


def _transformed(
    route: _Route, first: Floats, second: Floats, height: Floats | None
) -> tuple[Any, ...]:
    """Call the transformation with as many coordinates as the route needs."""
    # A missing height must not spoil its point, so it travels as 0 and is blanked afterwards.
    level = np.zeros_like(first) if height is None else np.nan_to_num(height, posinf=0, neginf=0)
    if route.epoch is not None:
        year = np.full_like(first, route.epoch)
        return route.transformer.transform(first, second, level, year)
    if route.changes_heights:
        return route.transformer.transform(first, second, level)
    return route.transformer.transform(first, second)


def _impossible(source: CRS, longitude: Floats, latitude: Floats) -> NDArray[np.bool_]:
    """Mark degrees that are none; a projection would wrap them around the globe."""
    if not source.is_geographic:
        return np.zeros(len(longitude), dtype=bool)
    degree = source.axis_info[0].unit_conversion_factor / np.radians(1.0)
    return np.asarray((np.abs(longitude * degree) > 360) | (np.abs(latitude * degree) > 90))


def _far_away(site: CRS, easting: Floats, northing: Floats) -> NDArray[np.bool_]:
    """Mark points so far outside the site's system that an axis or a system must be wrong."""
    if not site.is_projected:
        return np.zeros(len(easting), dtype=bool)
    return outside_area_of_use(site, easting, northing, margin_deg=_BEYOND_DEG)


def _check_changed(route: _Route, before: Floats, after: Floats) -> None:
    """Refuse a change of height reference that changed no height."""
    known = np.isfinite(before) & np.isfinite(after) & (np.abs(before) > _UNCHANGED_M)
    if known.any() and bool((np.abs(after - before)[known] <= _UNCHANGED_M).all()):
        raise CRSError(
            f"heights came through unchanged from {route.operation.source} to "
            f"{route.operation.target}, so no vertical operation was applied",
            remedy="Put the geoid grid into the folder named in site.toml, or give heights in "
            "the site's reference",
        )


def _moved_shapes(
    route: _Route, shapes: NDArray[Any], *, with_z: bool
) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Send the vertices of shapes through the route and build new shapes."""
    import shapely

    coordinates, owner = shapely.get_coordinates(shapes, include_z=with_z, return_index=True)
    easting, northing, up = _moved(
        route, coordinates[:, 0], coordinates[:, 1], coordinates[:, 2] if with_z else None
    )
    lost = ~(np.isfinite(easting) & np.isfinite(northing))
    columns = [easting, northing]
    if up is not None:
        lost |= ~np.isfinite(up) & np.isfinite(coordinates[:, 2])
        columns.append(up)
    ok = np.ones(len(shapes), dtype=bool)
    ok[owner[lost]] = False
    # M goes first: a library that rewrites X and Y of a measured shape would blank its Z.
    flat = shapely.force_2d(shapes)
    fresh = shapely.force_3d(flat) if with_z else flat
    moved: NDArray[Any] = shapely.set_coordinates(
        np.array(fresh, dtype=object), np.column_stack(columns)
    )
    moved[~ok] = None
    return moved, ok
