"""Frames as the rows of a GeoPackage's layer, and back.

A frame holds dates and times as ISO 8601 text; a GeoPackage has types of its
own for them. Where a layer allows single and multiple shapes, the table holds
multiple ones only, since one column has one type.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fencemap.errors import LayerError
from fencemap.formats._arrow import (
    GEOMETRY,
    from_arrow,
    shapes_from_wkb,
    shapes_to_wkb,
    to_arrow,
)
from fencemap.formats._geopackage_check import Expected
from fencemap.schema import LayerSchema

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    import pyarrow as pa

__all__ = ["expected_of", "frame_of", "geometry_type", "promoted", "rows_of"]

_PROMOTED = {
    frozenset({"LineString", "MultiLineString"}): "MultiLineString",
    frozenset({"Polygon", "MultiPolygon"}): "MultiPolygon",
}


def geometry_type(schema: LayerSchema) -> str:
    """Name the one type that a layer's shapes are stored as."""
    kinds = schema.geometry
    single = kinds[0] if len(kinds) == 1 else _PROMOTED.get(frozenset(kinds), "Unknown")
    return f"{single} Z" if schema.has_z and single != "Unknown" else single


def promoted(shapes: Any, schema: LayerSchema) -> Any:
    """Make all shapes multiple where the layer allows both."""
    import numpy as np
    import shapely

    target = _PROMOTED.get(frozenset(schema.geometry))
    made = np.array(shapes, dtype=object)
    single = np.isin(shapely.get_type_id(made), [1, 3])  # LineString, Polygon
    if target is None or not single.any():
        return made
    join = shapely.multilinestrings if target == "MultiLineString" else shapely.multipolygons
    made[single] = join(made[single], indices=np.arange(single.sum()))
    return made


def rows_of(schema: LayerSchema, layer: Any) -> pa.Table:
    """Turn a frame, or its Arrow table, into the Arrow types that become the right SQL types.

    A real number that is NaN is left to SQLite, which has no NaN and stores NULL.

    Raises
    ------
    LayerError
        Text with a NUL character (it would be cut there), or a date or time
        that does not exist.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    table = layer if isinstance(layer, pa.Table) else to_arrow(layer, name=schema.name)
    if schema.spatial and frozenset(schema.geometry) in _PROMOTED:
        shapes = promoted(shapes_from_wkb(table[GEOMETRY]), schema)
        place = table.column_names.index(GEOMETRY)
        table = table.set_column(place, GEOMETRY, pa.array(shapes_to_wkb(shapes), pa.binary()))
    columns, problems = {}, []
    for field in schema.fields:
        column = table[field.name]
        try:
            if field.dtype == "date":
                column = column.cast(pa.date32())
            elif field.dtype == "time":
                column = _as_instants(column)
            elif field.dtype == "text" and pc.any(pc.match_substring(column, "\0")).as_py():
                problems.append(f"{field.name}: text with a NUL character, which would be cut")
        except pa.ArrowInvalid as error:
            problems.append(f"{field.name}: not a {field.dtype}: {error}")
        columns[field.name] = column
    if problems:
        raise LayerError(schema.name, problems)
    if schema.spatial:
        columns[GEOMETRY] = table[GEOMETRY]
    return pa.table(columns)


def expected_of(schema: LayerSchema, rows: pa.Table, crs: Any) -> Expected:
    """Say what a layer must hold once these rows of it are written."""
    first = rows.slice(0, 1)
    uid = first["uid"][0].as_py() if "uid" in first.column_names and len(first) else None
    shape = shapes_from_wkb(first[GEOMETRY])[0] if schema.spatial and len(first) else None
    return Expected(rows.num_rows, crs if schema.spatial else None, uid, shape)


def _as_instants(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Read ISO 8601 times as UTC milliseconds; finer digits are cut off."""
    import pyarrow as pa
    import pyarrow.compute as pc

    cut = pc.replace_substring_regex(column, r"(\.\d{3})\d+Z$", r"\1Z")
    return cut.cast(pa.timestamp("ms", "UTC"))


def _as_text(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Write dates and times as the ISO 8601 text that frames hold."""
    import pyarrow as pa
    import pyarrow.compute as pc
    import pyarrow.types as kinds

    if not kinds.is_timestamp(column.type):
        return column.cast(pa.string())
    written = pc.strftime(column, format="%Y-%m-%dT%H:%M:%S", locale="C")
    return pc.binary_join_element_wise(_trimmed(written), "Z", "")


def _trimmed(written: pa.ChunkedArray) -> pa.ChunkedArray:
    """Cut the zeros at the end of a second's fraction, and an empty fraction."""
    import pyarrow.compute as pc

    return pc.replace_substring_regex(
        pc.replace_substring_regex(written, r"(\.\d*?)0+$", r"\1"), r"\.$", ""
    )


def frame_of(table: pa.Table, schema: LayerSchema, crs: Any) -> pd.DataFrame | gpd.GeoDataFrame:
    """Turn a layer's rows, as read by GDAL, into a frame of the catalogue."""
    texts = {field.name for field in schema.fields if field.dtype in ("date", "time")}
    for place, column in enumerate(table.column_names):
        if column in texts:
            table = table.set_column(place, column, _as_text(table[column]))
    frame = from_arrow(table, crs=crs)
    shapes = frame[GEOMETRY] if schema.spatial else None
    made: pd.DataFrame = schema.conform(frame, geometry=shapes, crs=crs)
    return made
