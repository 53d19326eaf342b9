"""Where things are: the site's reference systems, and the only place that reprojects.

Rooms
-----
`references`
    A CRS from text, checked for the purpose; its horizontal and vertical part; units.
`operations`
    The one exact operation between two systems, or a refusal that says what is missing.
`extents`
    Whether numbers can be true: areas of use, the site's box, axis order, scale.
`placing`
    Points and shapes into the site's system; longitude and latitude out of it.

Everywhere outside, order is easting, northing (longitude, latitude), whatever the axis order
of the authority. Coordinates are float64. Nothing is guessed: a missing system, a bare "feet",
a height without a reference, a missing grid each raise `fencemap.errors.CRSError` with a remedy.
"""

from __future__ import annotations

from fencemap.crs.extents import (
    Reading,
    degrees_of_box,
    ground_line,
    ground_scale,
    lonlat_area,
    outside_area_of_use,
    plausible,
)
from fencemap.crs.operations import (
    Area,
    Operation,
    coordinate_operation,
    operation_of,
    strict_transformer,
)
from fencemap.crs.placing import (
    Placed,
    PlacedShapes,
    geometries_to_site,
    lonlat_of,
    reproject,
    to_site,
)
from fencemap.crs.references import (
    FOOT,
    METRE,
    SITE_HEIGHTS,
    US_SURVEY_FOOT,
    Unit,
    height_unit,
    horizontal_of,
    parse_crs,
    plane_unit,
    same_crs,
    site_crs,
    site_heights,
    unit_named,
    vertical_of,
)

__all__ = [
    "FOOT",
    "METRE",
    "SITE_HEIGHTS",
    "US_SURVEY_FOOT",
    "Area",
    "Operation",
    "Placed",
    "PlacedShapes",
    "Reading",
    "Unit",
    "coordinate_operation",
    "degrees_of_box",
    "geometries_to_site",
    "ground_line",
    "ground_scale",
    "height_unit",
    "horizontal_of",
    "lonlat_area",
    "lonlat_of",
    "operation_of",
    "outside_area_of_use",
    "parse_crs",
    "plane_unit",
    "plausible",
    "reproject",
    "same_crs",
    "site_crs",
    "site_heights",
    "strict_transformer",
    "to_site",
    "unit_named",
    "vertical_of",
]
