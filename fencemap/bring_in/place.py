"""Put rows into the site's coordinates, and find positions that can't be right.

Coordinates are read as the file says: its own CRS, longitude and latitude in
WGS 84, or easting and northing in the site's CRS. A position with its axes
swapped is told from the site's extent and refused with both readings shown;
it is never turned round silently. A position far outside the site is refused
as well: one such post would draw a run across the country.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fencemap.bring_in.cells import numbers
from fencemap.bring_in.intake import Kept
from fencemap.bring_in.readers.angles import read_angles
from fencemap.crs import reproject
from fencemap.errors import SurveyError
from fencemap.practice import look_up
from fencemap.site import Site

__all__ = [
    "POSITION_COLUMNS",
    "POSITION_NEEDS",
    "as_polygons",
    "check_extent",
    "place_points",
    "place_shapes",
]

POSITION_COLUMNS = ("easting", "northing", "height", "longitude", "latitude")
POSITION_NEEDS = (("easting", "longitude"), ("northing", "latitude"))
_WGS84 = "OGC:CRS84"


def place_points(kept: Kept, *, site: Site, may_lack: NDArray[np.bool_] | None = None) -> None:
    """Give each row of one file its point, easting, northing and height (NaN if unknown).

    Parameters
    ----------
    kept
        Rows with the columns of `POSITION_COLUMNS`, or a file with geometry.
    site
        For the CRS and the extent.
    may_lack
        Rows that may go without a position (a panel known by its run).
    """
    count = len(kept.table.rows)
    lacking = np.zeros(count, bool) if may_lack is None else may_lack
    if kept.geometry is not None and kept.table.geometry is not None:
        shapes = _single_points(kept)
    else:
        shapes = _points_of_columns(kept)
    absent = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    kept.refuse(
        absent & ~lacking, "no-position", "has no position",
        "Measure it, or give run_id and order for a part that has none of its own.",
    )  # fmt: skip
    placed = _reproject(kept, _without(shapes, absent), site)
    kept.geometry = check_extent(kept, placed, site=site)


def place_shapes(kept: Kept, *, site: Site) -> None:
    """Bring the shapes of one file into the site's CRS, flat, valid and inside the extent."""
    shapes = (
        kept.geometry
        if kept.geometry is not None
        else np.full(len(kept.table.rows), None, dtype=object)
    )
    absent = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    kept.refuse(
        absent, "no-shape", "has no shape", "Draw it, or give a position with length and width."
    )
    placed = _reproject(kept, _without(shapes, absent), site)
    kept.geometry = check_extent(kept, _mended(kept, shapely.force_2d(placed)), site=site)


def as_polygons(kept: Kept) -> None:
    """Unwrap polygons that are stored as collections of one, and refuse the rest."""
    shapes = kept.geometry
    if shapes is None:
        return
    single = shapely.get_num_geometries(shapes) == 1
    inner = np.where(single, shapely.get_geometry(shapes, 0), shapes)
    wrong = shapely.get_type_id(inner) != shapely.GeometryType.POLYGON
    kept.refuse(
        wrong & ~shapely.is_missing(inner),
        "not-a-polygon",
        "is not one polygon",
        "Draw each stone as one closed outline.",
    )
    kept.geometry = _without(inner, wrong)


def _without(shapes: NDArray[Any], mask: NDArray[np.bool_]) -> NDArray[Any]:
    left = np.array(shapes, dtype=object)
    left[mask] = None
    return left


def _single_points(kept: Kept) -> NDArray[Any]:
    shapes = np.asarray(kept.table.geometry, dtype=object)
    single = (shapely.get_type_id(shapes) == shapely.GeometryType.MULTIPOINT) & (
        shapely.get_num_geometries(shapes) == 1
    )
    shapes = np.where(single, shapely.get_geometry(shapes, 0), shapes)
    wrong = (shapely.get_type_id(shapes) != shapely.GeometryType.POINT) & ~shapely.is_missing(
        shapes
    )
    kept.refuse(wrong, "not-a-point", "is not a point", "Draw it as one point.")
    return _without(shapes, wrong)


def _points_of_columns(kept: Kept) -> NDArray[Any]:
    """Make points from number columns; a cell that is no number refuses its row."""
    count = len(kept.table.rows)
    pair = (
        ("easting", "northing")
        if kept.columns.get("easting") is not None
        else ("longitude", "latitude")
    )
    values = []
    for name in (*pair, "height"):
        cells = kept.columns.get(name)
        if cells is None:
            values.append(np.full(count, np.nan))
            continue
        column = next(
            (held for held, source in kept.table.columns.items() if source is cells), name
        )
        if name in ("longitude", "latitude"):
            values.append(_angles(kept, cells, name, column))
            continue
        got, bad = numbers(cells, decimal=kept.table.decimal)
        remedy = f"Write the {name} with digits only."
        kept.refuse(bad, "not-a-number", "not a number", remedy, column=column)
        values.append(got)
    first, second, height = values
    half = np.isnan(first) != np.isnan(second)
    kept.refuse(
        half,
        "half-a-position",
        f"has only one of {pair[0]} and {pair[1]}",
        "Give both.",
        column=pair[0],
    )
    known = ~np.isnan(first) & ~np.isnan(second)
    shapes = np.full(count, None, dtype=object)
    shapes[known] = shapely.points(np.column_stack([first, second, height])[known])
    return shapes


def _angles(kept: Kept, cells: NDArray[Any], name: str, column: str) -> NDArray[np.float64]:
    """Read longitudes or latitudes in degrees, or in degrees and minutes with their marks."""
    read = read_angles(cells, axis="longitude" if name == "longitude" else "latitude")
    for reason in sorted(set(read.reasons[read.bad])):
        kept.refuse(
            read.bad & (read.reasons == reason), "not-an-angle", str(reason),
            "Write decimal degrees, or degrees, minutes and seconds with their marks.", column=column,
        )  # fmt: skip
    return np.asarray(read.degrees, dtype=np.float64)


def _reproject(kept: Kept, shapes: NDArray[Any], site: Site) -> NDArray[Any]:
    """Reproject from the file's CRS; columns in easting and northing are the site's own."""
    if kept.table.geometry is not None:
        source = kept.table.crs
        if source is None:
            raise SurveyError.at(
                kept.table.file, "has no CRS, and it is never guessed", code="no-crs",
                remedy="Set the CRS of the file and save it again.",
            )  # fmt: skip
    else:
        source = site.crs if kept.columns.get("easting") is not None else _WGS84
    if source == site.crs:
        return shapes
    alive = kept.alive & ~shapely.is_missing(shapes)
    moved = shapes.copy()
    if alive.any():
        moved[alive] = reproject(shapes[alive], source, site.crs)
    return moved


def check_extent(kept: Kept, shapes: NDArray[Any], *, site: Site) -> NDArray[Any]:
    """Refuse positions whose axes are swapped, and those far outside the site.

    Needs the site's boundary; without one there is nothing to judge by, and
    the run's log says so.
    """
    if site.extent is None:
        kept.notes.append(
            f"{kept.table.file}: positions not checked against the site, which has no boundary"
        )
        return shapes
    west, south, east, north = site.extent
    margin = float(look_up("site.margin_m", site.practice).value)
    bounds = shapely.bounds(shapes)
    middle_e, middle_n = bounds[:, [0, 2]].mean(axis=1), bounds[:, [1, 3]].mean(axis=1)

    def inside(e: NDArray[Any], n: NDArray[Any]) -> NDArray[np.bool_]:
        return (
            (e >= west - margin)
            & (e <= east + margin)
            & (n >= south - margin)
            & (n <= north + margin)
        )

    known = ~np.isnan(middle_e)
    as_given = inside(middle_e, middle_n)
    swapped = known & ~as_given & inside(middle_n, middle_e)
    _refuse_swapped_file(kept, swapped, known)
    column = "easting" if "easting" in kept.table.columns else ""
    kept.refuse(
        swapped, "axes-swapped", "easting and northing are swapped: only the other way round does it lie in the site",
        "Swap the two cells.", column=column,
    )  # fmt: skip
    away = np.maximum.reduce([west - middle_e, middle_e - east, south - middle_n, middle_n - north])
    kept.refuse(
        known & ~as_given, "outside-site", f"lies more than {margin:g} m outside the site's boundary",
        "Check the position, or the boundary.", column=column, sizes=away,
    )  # fmt: skip
    return shapes


def _refuse_swapped_file(kept: Kept, swapped: NDArray[np.bool_], known: NDArray[np.bool_]) -> None:
    """Refuse a file whose axes are all swapped as one mistake."""
    if not swapped.any() or swapped.sum() < max(2, 0.5 * known.sum()):
        return
    row = int(kept.table.rows[np.flatnonzero(swapped)[0]])
    raise SurveyError.at(
        kept.table.file, f"{int(swapped.sum())} of {int(known.sum())} positions lie in the site only with easting and northing swapped",
        row=row, code="axes-swapped", column="easting",
        remedy="Swap the two columns' names in the file, or map them under [survey.columns].",
    )  # fmt: skip


def _mended(kept: Kept, shapes: NDArray[Any]) -> NDArray[Any]:
    """Make crossing outlines valid without losing area, and say by how much they changed."""
    broken = ~shapely.is_valid(shapes) & ~shapely.is_missing(shapes)
    if not broken.any():
        return shapes
    mended = shapes.copy()
    mended[broken] = shapely.make_valid(shapes[broken], method="structure")
    # An outline that falls apart is taken as its hull: a stone too large is covered, one too small is not.
    apart = broken & (shapely.get_type_id(shapes) == shapely.GeometryType.POLYGON)
    apart &= shapely.get_type_id(mended) != shapely.GeometryType.POLYGON
    mended[apart] = shapely.convex_hull(mended[apart])
    change = shapely.area(mended) - shapely.area(shapes)
    kept.doubt(
        broken, "outline-mended", "its outline crossed itself and was mended (size: change of area in m2)",
        "Look at the shape and draw it again if it is wrong.", sizes=change,
    )  # fmt: skip
    return mended
