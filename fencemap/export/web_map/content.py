"""What the page carries: layers, words, themes and cautions as one plain value.

Everything that comes from a survey goes into this value and from there into
one inert JSON block; nothing of it ever passes through a template or becomes
markup.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from functools import partial
from typing import TYPE_CHECKING, Any

from fencemap.export.web_map.columns import column
from fencemap.export.web_map.strings import english, field_label
from fencemap.export.web_map.style import PATTERNS, SHAPES, STYLES, THEMES
from fencemap.layers import CATALOGUE
from fencemap.vocabularies import vocabulary

if TYPE_CHECKING:
    from fencemap.cautions import Caution
    from fencemap.export.web_map.placing import Bounds, Degrees
    from fencemap.schema import Field, LayerSchema
    from fencemap.site import Site, Survey

__all__ = ["MOST_ROWS", "build", "extent"]

# Tables without a shape that cards and lists show beside things.
_TABLES = ("rejected", "gap_readings", "exposure", "repairs", "stone_ledger")
_SILENT = frozenset({"restricted"})
_UID_OF = frozenset({"elements", "stones", "curbs", "trees", "lots", "suspect"})
MOST_ROWS = 400_000
"""Rows of one layer that a browser still takes at ease; more are left out, and said."""

# Key field of a table -> the layers whose cards show its rows.
_RELATED = {
    "exposure": ("stone_id", ("stones", "curbs")),
    "stone_ledger": ("stone_id", ("stones", "curbs")),
    "repairs": ("element_id", ("elements",)),
    "gap_readings": ("panel_id", ("elements",)),
    "suspect": ("element_id", ("elements", "stones", "curbs")),
}


def extent(layers: Mapping[str, Any]) -> Bounds | None:
    """Find west, south, east, north of everything that can be drawn, in the site's CRS."""
    import numpy as np
    import shapely

    found = []
    for name in STYLES:
        frame = layers.get(name)
        if frame is not None and len(frame) and "geometry" in frame:
            box = shapely.bounds(np.asarray(frame["geometry"], dtype=object))
            found.append(box[np.isfinite(box).all(axis=1)])
    boxes = np.concatenate(found) if found else np.empty((0, 4))
    if not len(boxes):
        return None
    west, south = boxes[:, :2].min(axis=0).tolist()
    east, north = boxes[:, 2:].max(axis=0).tolist()
    return west, south, east, north


def build(
    layers: Mapping[str, Any],
    *,
    site: Site,
    survey: Survey,
    generated: str,
    cautions: Iterable[Caution],
) -> dict[str, Any]:
    """Put together everything the page shows but the picture.

    Parameters
    ----------
    layers
        Any of the catalogue's frames, by name; empty ones and nulls allowed.
        Shapes in the site's CRS.
    generated
        Date of the content as ISO text.
    cautions
        Those that apply to what is shown, the gravest first.
    """
    from fencemap.export.web_map.placing import box_in_degrees, grid_fit, to_lonlat

    bounds = extent(layers) or site.extent
    area = box_in_degrees(bounds, crs=site.crs) if bounds else None
    degrees = partial(to_lonlat, crs=site.crs, area=area)
    middle = _middle(bounds, degrees) if bounds else (0.0, 0.0)
    carried = {name: layers[name] for name in _drawn_and_told() if layers.get(name) is not None}
    notes = _left_out(layers)
    packed = {}
    for name, frame in carried.items():
        cut = _within_limit(name, frame)
        if len(cut) < len(frame):
            notes["rows"].append([name, len(frame) - len(cut)])
        packed[name] = _layer(CATALOGUE[name], cut, origin=middle, degrees=degrees)
    return {
        "site": _about(site, survey, generated),
        "origin": list(middle),
        "grid": grid_fit(bounds, degrees=degrees) if bounds else None,
        "layers": packed,
        "vocabularies": _vocabularies(carried),
        "styles": [asdict(STYLES[name]) for name in STYLES if name in packed],
        "themes": [asdict(theme) for theme in THEMES],
        "shapes": SHAPES,
        "patterns": PATTERNS,
        "related": [
            [table, key, list(of)] for table, (key, of) in _RELATED.items() if table in packed
        ],
        "left_out": notes,
        "cautions": [
            {"id": c.id, "title": c.title, "text": c.text, "source": c.source} for c in cautions
        ],
        "strings": english(),
    }


def _drawn_and_told() -> tuple[str, ...]:
    """Layers that travel, in the catalogue's order whatever order they come in."""
    return tuple(name for name in CATALOGUE if name in STYLES or name in _TABLES)


def _middle(bounds: Bounds, degrees: Degrees) -> tuple[float, float]:
    """Find the middle of the bounds in degrees, to 6 decimals; 0, 0 if it has none."""
    import numpy as np

    west, south, east, north = bounds
    lon, lat = degrees(np.array([[(west + east) / 2, (south + north) / 2]]))[0].tolist()
    if not np.isfinite([lon, lat]).all():
        return 0.0, 0.0
    return round(lon, 6), round(lat, 6)


def _about(site: Site, survey: Survey, generated: str) -> dict[str, Any]:
    from pyproj import CRS

    crs = CRS.from_user_input(site.crs)
    authority = crs.to_authority()
    start, end = survey.start.isoformat(), survey.end.isoformat()
    return {
        "name": site.name,
        "survey": survey.id,
        "dates": start if start == end else f"{start} to {end}",
        "generated": generated,
        "crs": f"{crs.name} ({':'.join(authority)})" if authority else crs.name,
        "heights": site.heights,
    }


def _within_limit(name: str, frame: Any) -> Any:
    """Cut a layer that no browser could take; of the ledger, lines of free stones go first."""
    if len(frame) <= MOST_ROWS:
        return frame
    if name == "stone_ledger":
        frame = frame[frame["verdict"] == "covered"]
    return frame.iloc[:MOST_ROWS]


def _left_out(layers: Mapping[str, Any]) -> dict[str, list[Any]]:
    """Name the layers that have rows but are not on the map."""
    shown = set(_drawn_and_told())
    names = [
        name for name in CATALOGUE if name in layers and name not in shown and len(layers[name])
    ]
    return {"layers": names, "rows": []}


def _layer(
    schema: LayerSchema, frame: Any, *, origin: tuple[float, float], degrees: Degrees
) -> dict[str, Any]:
    """Pack one layer: its fields with their meanings, its columns, its shapes."""
    from fencemap.export.web_map.placing import place

    fields, columns = [], {}
    for field in schema.fields:
        if not _told(field, schema) or field.name not in frame.columns:
            continue
        values = column(frame[field.name], field)
        if values is not None:
            fields.append(_field(field))
            columns[field.name] = values
    packed: dict[str, Any] = {
        "meaning": schema.meaning,
        "count": len(frame),
        "computed": schema.stage != "bring_in",
        "fields": fields,
        "columns": columns,
    }
    if schema.name in STYLES and "geometry" in frame.columns:
        shapes = place(frame["geometry"].array, degrees=degrees)
        packed["shapes"] = shapes.compact(origin)
        kinds = shapes.dimension.tolist()
        if len({kind for kind in kinds if kind >= 0}) > 1:
            packed["kinds"] = kinds
        else:
            packed["kind"] = max(kinds, default=-1)
    return packed


def _told(field: Field, schema: LayerSchema) -> bool:
    """Whether a field travels: private ones never, identities only of things found on site."""
    if field.sensitivity in _SILENT or field.name == "survey_id":
        return False
    return field.name != "uid" or schema.name in _UID_OF


def _field(field: Field) -> dict[str, str]:
    return {
        "name": field.name,
        "label": field_label(field.name),
        "dtype": field.dtype,
        "unit": field.unit,
        "meaning": field.meaning,
        "vocabulary": field.vocabulary,
    }


def _vocabularies(carried: Iterable[str]) -> dict[str, dict[str, str]]:
    """Definitions of the controlled words that the carried layers use."""
    names = {
        field.vocabulary for name in carried for field in CATALOGUE[name].fields if field.vocabulary
    }
    return {name: dict(vocabulary(name).terms) for name in sorted(names)}
