"""Read features with geometry: GeoJSON and GeoPackage, feature by feature.

One broken feature costs that feature only. GeoJSON is read by our own small
reader, because a whole-file reader either fails on one bad ring or repairs
it without a word; GeoPackages are audited before they are opened.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fencemap.bring_in.raw import RawTable, Refusal
from fencemap.errors import Problem, SurveyError
from fencemap.guard import audit_geopackage, expect_kind, real_file

__all__ = ["read_boundary", "read_features"]

_MAX_GEOJSON_BYTES = 512 * 2**20
_GEOJSON_CRS = "OGC:CRS84"  # RFC 7946: WGS 84, longitude before latitude


def read_features(path: Path, *, name: str, layer_hint: str) -> RawTable:
    """Read a GeoJSON or GeoPackage file.

    Parameters
    ----------
    path
        The file.
    name
        How messages and `source_file` name it.
    layer_hint
        Layer to take from a GeoPackage that has several.

    Returns
    -------
    table
        `rows` are feature numbers from 1 (GeoJSON) or `fid` (GeoPackage);
        `geometry` has None where a feature has none.

    Raises
    ------
    SurveyError
        Not valid JSON, no feature collection, no or several layers.
    RefusedFileError
        Not what its name says, or a GeoPackage with foreign triggers or views.
    """
    source = real_file(path)
    kind = expect_kind(source, "geojson", "json", "gpkg")
    if kind == "geopackage":
        return _geopackage(source, name, layer_hint)
    return _geojson(source, name)


def read_boundary(path: Path, *, crs: str) -> tuple[tuple[float, float], ...]:
    """Read the outer ring of a site's boundary in the site's CRS.

    Raises
    ------
    SurveyError
        No polygon, or more than one.
    """
    from fencemap.crs import reproject

    table = read_features(path, name=path.name, layer_hint="boundary")
    shapes = np.array(
        [
            shape
            for shape in (() if table.geometry is None else table.geometry)
            if shape is not None
        ],
        dtype=object,
    )
    polygons = shapely.get_parts(shapes)
    polygons = polygons[shapely.get_type_id(polygons) == shapely.GeometryType.POLYGON]
    if len(polygons) != 1:
        raise SurveyError.at(
            path.name, f"holds {len(polygons)} polygons, must hold one", code="boundary",
            remedy="Draw one polygon around the site.",
        )  # fmt: skip
    (ring,) = reproject(polygons, table.crs or _GEOJSON_CRS, crs)
    return tuple((float(e), float(n)) for e, n in shapely.get_coordinates(ring.exterior))


def _geojson(path: Path, name: str) -> RawTable:
    if path.stat().st_size > _MAX_GEOJSON_BYTES:
        raise SurveyError.at(
            name, "is larger than 512 MB", remedy="Save it as a GeoPackage.", code="too-large"
        )
    try:
        document = json.loads(path.read_text(encoding="utf-8-sig"), parse_constant=_not_a_number)
    except (ValueError, RecursionError) as error:
        line = getattr(error, "lineno", None)
        raise SurveyError.at(
            name,
            f"not valid GeoJSON: {error}",
            row=line,
            remedy="Export it again.",
            code="not-json",
        ) from None
    features = _features(document, name)
    rows, shapes, properties, refused = [], [], [], []
    for number, feature in enumerate(features, 1):
        try:
            shapes.append(_shape(feature))
        except (ValueError, TypeError, AttributeError, shapely.GEOSException) as error:
            problem = Problem(
                "bad-geometry", f"geometry can't be read: {error}", "Draw it again.", name, number
            )
            refused.append(Refusal(problem, json.dumps(feature)[:10_000]))
            continue
        rows.append(number)
        properties.append(feature.get("properties") or {})
    return RawTable(
        name, _columns(properties), np.array(rows, dtype=np.int64),
        geometry=np.array(shapes, dtype=object), crs=_geojson_crs(document, name), refused=tuple(refused),
    )  # fmt: skip


def _not_a_number(word: str) -> Any:
    """Refuse NaN and Infinity, which JSON does not have."""
    raise ValueError(f"{word} is not a JSON value")


def _features(document: Any, name: str) -> list[Any]:
    if isinstance(document, dict) and document.get("type") == "Feature":
        return [document]
    features = document.get("features") if isinstance(document, dict) else None
    if not isinstance(features, list) or document.get("type") != "FeatureCollection":
        raise SurveyError.at(
            name,
            "is not a GeoJSON feature collection",
            code="not-geojson",
            remedy="Export it as GeoJSON (RFC 7946).",
        )
    return features


def _shape(feature: Any) -> Any:
    """Build one geometry; its rings and positions are checked by the library."""
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        raise ValueError("not a feature")
    if not isinstance(feature.get("properties") or {}, dict):
        raise TypeError("properties are not an object")
    geometry = feature.get("geometry")
    if geometry is None:
        return None
    return shapely.from_geojson(json.dumps(geometry))


def _geojson_crs(document: Mapping[str, Any], name: str) -> str:
    """CRS of a GeoJSON file: RFC 7946 has one; the older `crs` member is believed when it names one."""
    member = document.get("crs")
    if not member:
        return _GEOJSON_CRS
    try:
        return str(member["properties"]["name"])
    except (KeyError, TypeError):
        raise SurveyError.at(
            name,
            "its 'crs' member names no CRS",
            code="no-crs",
            remedy="Export it in WGS 84 (RFC 7946).",
        ) from None


def _columns(rows: Iterable[Mapping[str, Any]]) -> dict[str, NDArray[Any]]:
    """Turn feature properties into columns; values of other shapes become JSON text."""
    held = list(rows)
    names = dict.fromkeys(key for row in held for key in row)
    columns = {}
    for name in names:
        cells = np.full(len(held), None, dtype=object)
        for place, row in enumerate(held):
            value = row.get(name)
            cells[place] = json.dumps(value) if isinstance(value, dict | list) else value
        columns[str(name)] = cells
    return columns


def _geopackage(path: Path, name: str, layer_hint: str) -> RawTable:
    import pyogrio

    audit_geopackage(path)
    layers = [str(row[0]) for row in pyogrio.list_layers(path) if row[0] != "layer_styles"]
    chosen = layer_hint if layer_hint in layers else layers[0] if len(layers) == 1 else None
    if chosen is None:
        raise SurveyError.at(
            name, f"holds the layers {', '.join(layers) or '(none)'}", code="which-layer",
            remedy=f"Keep one layer, or name the one that is meant '{layer_hint}'.",
        )  # fmt: skip
    # Through Arrow a third of the time, and an empty yes/no cell stays empty.
    meta, table = pyogrio.read_arrow(
        path, layer=chosen, return_fids=True, datetime_as_string=True
    )
    fids = table[meta["fid_column"]].to_numpy()
    geometry = None
    if meta["geometry_type"] is not None:
        geometry = table[meta["geometry_name"] or "wkb_geometry"].to_numpy()
    shapes, bad = _from_wkb(geometry, len(fids))
    if meta["geometry_type"] is not None and not meta["crs"]:
        raise SurveyError.at(
            name,
            "has no CRS, and it is never guessed",
            code="no-crs",
            remedy="Set the layer's CRS and save it again.",
        )
    columns = {str(field): _cells(table[field]) for field in meta["fields"]}
    refused = tuple(
        Refusal(
            Problem(
                "bad-geometry", "geometry can't be read", "Draw it again.", name, int(fids[index])
            ),
            "",
        )
        for index in np.flatnonzero(bad)
    )
    return RawTable(
        name, {field: values[~bad] for field, values in columns.items()}, fids[~bad].astype(np.int64),
        geometry=None if shapes is None else shapes[~bad], crs=meta["crs"], refused=refused,
    )  # fmt: skip


def _from_wkb(geometry: Any, count: int) -> tuple[Any, NDArray[np.bool_]]:
    if geometry is None:
        return None, np.zeros(count, dtype=bool)
    shapes = shapely.from_wkb(geometry, on_invalid="ignore")
    given = np.array([cell is not None for cell in geometry])
    return shapes, shapely.is_missing(shapes) & given


def _cells(column: Any) -> NDArray[Any]:
    """Keep numbers as they are and everything else as objects with None for null."""
    import pyarrow as pa

    if pa.types.is_temporal(column.type):
        column = column.cast(pa.string())
    values: NDArray[Any] = column.to_numpy()
    return values if values.dtype.kind in "fiu" else values.astype(object)
