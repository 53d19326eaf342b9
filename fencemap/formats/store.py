"""Layers between the steps of a run: one Parquet file a frame, exact both ways.

The runner keeps what each step made, so that an unchanged step is skipped and
an interrupted run goes on. A frame comes back as it went in: types, nulls,
heights and measures, also those that are not numbers, CRS and order of rows.
The same frame gives the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fencemap.errors import ExportError, InputError
from fencemap.formats._arrow import GEOMETRY, crs_of, from_arrow, to_arrow

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    import pyarrow as pa

__all__ = ["as_table", "load", "load_table", "save"]

_KEY = b"fencemap"
_FORMAT = 1


def save(path: Path, frame: Any) -> Path:
    """Write a layer's frame so that `load` gives exactly it back.

    Parameters
    ----------
    path
        Final name, by habit ``NAME.parquet``; replaced whole or not at all.
    frame
        Frame of catalogue types (``str``, ``Int64``, ``float64``, ``boolean``)
        with or without `geometry`. The index is not kept.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    LayerError
        A column has a type that would not come back as it was.
    ExportError
        The file could not be written whole.

    Examples
    --------
    >>> import pandas as pd, tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> frame = pd.DataFrame({"uid": pd.Series(["a", None], dtype="str")})
    >>> load(save(folder / "x.parquet", frame))["uid"].isna().tolist()
    [False, True]
    """
    import pyarrow.parquet as pq

    from fencemap.guard import publish

    table = to_arrow(frame, name=path.stem)
    table = table.replace_schema_metadata({_KEY: _note(frame)})
    texts = [field.name for field in table.schema if str(field.type) == "large_string"]

    def build(temporary: Path) -> None:
        # Dictionaries pay for repeated words; for real numbers they would only cost time.
        pq.write_table(
            table, temporary, compression="zstd", compression_level=1, use_dictionary=texts
        )

    def verify(temporary: Path) -> None:
        held = pq.read_metadata(temporary).num_rows
        if held != table.num_rows:
            raise ExportError(f"{path}: holds {held} rows of {table.num_rows} after writing")

    publish(path, build, verify=verify)
    return path


def load(path: Path) -> pd.DataFrame | gpd.GeoDataFrame:
    """Read a frame that `save` wrote.

    Raises
    ------
    InputError
        The file is not one of ours, or is damaged.
    """
    table, crs = load_table(path)
    return from_arrow(table, crs=crs)


def load_table(path: Path, *, columns: Collection[str] | None = None) -> tuple[pa.Table, Any]:
    """Read what `save` wrote as it lies in the file: Arrow columns, shapes as WKB; and the CRS.

    Writers that need no shapes as objects take this: it costs a fifth of the
    time and memory of a frame. With `columns` only these of its columns are read.

    Raises
    ------
    InputError
        The file is not one of ours, or is damaged.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path, memory_map=False) as file:
            known = file.schema_arrow.names
            table = file.read([name for name in known if columns is None or name in columns])
        note = json.loads((table.schema.metadata or {})[_KEY])
    except (pa.ArrowException, KeyError, ValueError, OSError) as error:
        raise InputError.at(
            path,
            f"is not a stored layer, or is damaged ({error})",
            remedy="Delete it and run again; it is made anew.",
            code="unreadable-store",
        ) from error
    return table.replace_schema_metadata(None), _crs(note, table)


def as_table(frame: Any, *, columns: Collection[str] | None = None) -> pa.Table:
    """Give a frame in the form in which `load_table` gives it."""
    return to_arrow(frame if columns is None else frame[[c for c in frame if c in columns]])


def _note(frame: Any) -> bytes:
    """Write what Parquet itself has no place for."""
    crs = crs_of(frame)
    note = {"format": _FORMAT, "crs": crs.to_json() if crs is not None else None}
    return json.dumps(note, sort_keys=True).encode()


def _crs(note: dict[str, Any], table: pa.Table) -> Any:
    if GEOMETRY not in table.column_names or note["crs"] is None:
        return None
    from pyproj import CRS

    return CRS.from_json(note["crs"])
