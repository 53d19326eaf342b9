"""Frames as Arrow tables and back, without loss.

One place knows how a frame's columns and shapes lie in Arrow; the store, the
GeoPackage writer and the digest all build on it. Text, whole numbers, yes/no
and real numbers keep their type and their nulls; shapes travel as ISO WKB,
which holds heights and measures, also those that are not numbers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fencemap.errors import LayerError

if TYPE_CHECKING:
    import geopandas as gpd
    import numpy as np
    import pandas as pd
    import pyarrow as pa

__all__ = ["GEOMETRY", "crs_of", "from_arrow", "shapes_from_wkb", "shapes_to_wkb", "to_arrow"]

GEOMETRY = "geometry"


def shapes_to_wkb(shapes: Any) -> np.ndarray:
    """Write shapes as little-endian ISO WKB, Z and M included; None stays None."""
    import numpy as np
    import shapely

    written = shapely.to_wkb(
        np.asarray(shapes, dtype=object), output_dimension=4, byte_order=1, flavor="iso"
    )
    return np.asarray(written, dtype=object)


def shapes_from_wkb(column: pa.ChunkedArray | pa.Array) -> np.ndarray:
    """Read shapes from a binary Arrow column; null stays None."""
    import numpy as np
    import shapely

    written = column.to_numpy() if _chunked(column) else column.to_numpy(zero_copy_only=False)
    return np.asarray(shapely.from_wkb(written), dtype=object)


def to_arrow(frame: Any, *, name: str = "frame") -> pa.Table:
    """Turn a frame into an Arrow table of exactly typed columns.

    Parameters
    ----------
    frame
        Columns of dtype ``str``, ``Int64``, ``float64`` or ``boolean``, and
        shapes in `geometry`. The index is ignored.
    name
        What the error calls it.

    Raises
    ------
    LayerError
        A column has another type; it would not come back as it was.
    """
    import pyarrow as pa

    columns, problems = {}, []
    for column in frame.columns:
        if column == GEOMETRY:
            columns[column] = pa.array(shapes_to_wkb(frame[column]), pa.binary())
            continue
        try:
            columns[str(column)] = _column_to_arrow(frame[column])
        except TypeError as error:
            problems.append(f"{column}: {error}")
    if problems:
        raise LayerError(name, problems)
    return pa.table(columns)


def from_arrow(table: pa.Table, *, crs: Any = None) -> pd.DataFrame | gpd.GeoDataFrame:
    """Turn a table made by `to_arrow` back into the frame it came from.

    Parameters
    ----------
    table
        Columns of text, int64, double, bool; shapes as WKB in `geometry`.
    crs
        CRS of the shapes.
    """
    import geopandas as gpd
    import pandas as pd

    columns = {
        name: _column_from_arrow(table[name]) for name in table.column_names if name != GEOMETRY
    }
    frame = pd.DataFrame(columns, index=pd.RangeIndex(table.num_rows))
    if GEOMETRY not in table.column_names:
        return frame
    shapes = gpd.GeoSeries(shapes_from_wkb(table[GEOMETRY]), crs=crs)
    placed: gpd.GeoDataFrame = gpd.GeoDataFrame(frame, geometry=shapes.values)
    ordered: gpd.GeoDataFrame = placed[table.column_names]
    return ordered


def crs_of(frame: Any) -> Any:
    """CRS of a frame's shapes; None for a plain table."""
    return frame.crs if GEOMETRY in frame.columns and hasattr(frame, "crs") else None


def _column_to_arrow(series: pd.Series) -> pa.Array:
    """Give one column its Arrow type; TypeError for a dtype that the catalogue does not have."""
    import pyarrow as pa

    types = {"str": pa.large_string(), "Int64": pa.int64(), "boolean": pa.bool_()}
    dtype = str(series.dtype)
    if dtype == "float64":
        return pa.array(series.to_numpy(), pa.float64(), from_pandas=False)
    if dtype not in types:
        raise TypeError(f"type {dtype}; must be str, Int64, float64 or boolean")
    made = pa.array(series, type=types[dtype])
    return pa.concat_arrays(made.chunks) if _chunked(made) else made


def _column_from_arrow(column: pa.ChunkedArray) -> pd.Series:
    """Give one column its pandas dtype back."""
    import pandas as pd
    import pyarrow as pa
    import pyarrow.types as kinds

    if kinds.is_float64(column.type):
        return pd.Series(column.to_numpy().copy(), dtype="float64")
    dtype: Any = pd.StringDtype(na_value=float("nan"))
    if kinds.is_int64(column.type):
        dtype = pd.Int64Dtype()
    elif kinds.is_boolean(column.type):
        dtype = pd.BooleanDtype()
    else:
        column = column.cast(pa.large_string())
    return pd.Series(dtype.__from_arrow__(column))


def _chunked(column: Any) -> bool:
    return hasattr(column, "chunks")
