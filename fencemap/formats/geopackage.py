"""GeoPackages: one file with every layer, described, valid, and the same bytes each time.

Layers are written by pyogrio as GeoPackage 1.3 (which older desktop programs
open without a warning), described by `_geopackage_tables` in one pass over
the closed file, checked, and read back by fiona as a second reader before the
file gets its final name. `fid` is only the row's place, 1 to n; the identity
is `uid`.
"""

from __future__ import annotations

import threading
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fencemap.errors import ExportError, InputError
from fencemap.formats._arrow import GEOMETRY
from fencemap.formats._geopackage_check import Expected, check_counts, check_file
from fencemap.formats._geopackage_rows import expected_of, frame_of, geometry_type, rows_of
from fencemap.formats._geopackage_tables import STYLE_TABLE, About, Styles, describe, reading
from fencemap.layers import CATALOGUE, layer
from fencemap.schema import LayerSchema

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    import pyarrow as pa

__all__ = ["list_layers", "read", "read_table", "verify", "write"]

_VERSION = "1.3"

# GDAL's settings are the process's; two writers with two clocks must take turns.
_settings = threading.Lock()


def write(
    path: Path,
    layers: Mapping[str, Any],
    *,
    crs: Any,
    title: str,
    generated: str,
    metadata: Mapping[str, str] | None = None,
    cautions: Sequence[str] = (),
    styles: Styles | None = None,
) -> Path:
    """Write layers of the catalogue, the empty ones too, as one GeoPackage 1.3.

    The same layers give the same bytes, whatever the day, time zone, locale
    or hash seed. Times are kept to the millisecond, the most that the
    standard's DATETIME holds. Where a layer allows both single and multiple
    shapes, all become multiple.

    Parameters
    ----------
    path
        Final name, ``*.gpkg``; replaced whole or not at all.
    layers
        Frames by catalogue name, or Arrow tables that `formats.store` gave of frames that
        were checked; written in the catalogue's order, each taken once and let go again.
    crs
        CRS of every spatial layer.
    title
        Title of the file, shown in its metadata.
    generated
        Day of the survey, ISO 8601 (``2026-04-14``): the clock of the file.
    metadata
        Provenance as text by key: engine version, pipeline, inputs and the like.
    cautions
        Texts of the cautions that the content calls for.
    styles
        Style of a layer by name: SLD and QML text.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    LayerError
        A layer breaks its schema, or holds a value that a GeoPackage can't.
    ExportError
        The file could not be written whole or did not read back as written.
    ValueError
        `generated` is not a day, or there is no layer.

    Examples
    --------
    >>> import tempfile
    >>> from fencemap.layers import layer
    >>> trees = layer("trees").empty("EPSG:32618")
    >>> made = write(Path(tempfile.mkdtemp()) / "a.gpkg", {"trees": trees}, crs="EPSG:32618",
    ...              title="Trees", generated="2026-04-14")
    >>> list_layers(made)
    ['trees']
    """
    from fencemap.guard import publish

    if not layers:
        raise ValueError("a GeoPackage needs at least one layer")
    schemas = [layer(name) for name in sorted(layers, key=_place)]
    instant = f"{date.fromisoformat(generated).isoformat()}T00:00:00.000Z"
    about = About(title, instant, metadata or {}, tuple(cautions), styles or {})
    wanted: dict[str, Expected] = {}

    def build(temporary: Path) -> None:
        with _fixed_clock(instant):
            for schema in schemas:
                held = layers[schema.name]
                if hasattr(held, "columns") and not hasattr(held, "column_names"):
                    schema.check(held, crs=crs)
                rows = rows_of(schema, held)
                wanted[schema.name] = expected_of(schema, rows, crs)
                _write_layer(temporary, schema, rows, crs)
        describe(temporary, schemas, about)

    publish(path, build, verify=lambda temporary: _prove(temporary, wanted))
    return path


def verify(path: Path, layers: Mapping[str, Any]) -> None:
    """Prove that a GeoPackage holds just these layers, whole.

    The database is sound; version marks are those of GeoPackage 1.3; every
    layer has as many rows as its frame, as its own count says and as its
    spatial index holds; fiona, as a second reader, finds the same number, the
    CRS and the first row's shape and uid.

    Raises
    ------
    ExportError
        Anything differs; the message says what.
    """
    schemas = {name: layer(name) for name in layers}
    _prove(path, {
        name: expected_of(schemas[name], rows_of(schemas[name], frame), getattr(frame, "crs", None))
        for name, frame in layers.items()
    })  # fmt: skip


def _prove(path: Path, wanted: Mapping[str, Expected]) -> None:
    if problems := check_file(path, wanted, found=list_layers(path)):
        raise ExportError(
            f"{path}: does not hold what was written: {'; '.join(problems)}",
            remedy="Nothing was replaced. Check the disk, then run again.",
        )


def list_layers(path: Path) -> list[str]:
    """List the layers and tables of a GeoPackage in the order they were written, styles left out.

    Raises
    ------
    InputError
        The file is not a GeoPackage.
    """
    import sqlite3

    if not path.is_file():
        raise _unreadable(path, "no such file")
    try:
        with reading(path) as database:
            rows = database.execute(
                "SELECT table_name FROM gpkg_contents "
                "WHERE data_type IN ('features', 'attributes') ORDER BY rowid"
            ).fetchall()
    except sqlite3.DatabaseError as error:
        raise _unreadable(path, str(error)) from error
    return [name for (name,) in rows if name != STYLE_TABLE]


def read(path: Path, name: str) -> pd.DataFrame | gpd.GeoDataFrame:
    """Read one layer of a GeoPackage that fencemap wrote, as the catalogue describes it.

    Parameters
    ----------
    path
        A GeoPackage of ours; files from outside go through `fencemap.bring_in`.
    name
        Layer; `list_layers` lists them.

    Raises
    ------
    InputError
        Not a GeoPackage, no such layer, or its counts disagree (a writer was
        killed: a reader would get fewer rows without an error).
    LayerError
        The layer is not in the catalogue or its columns are others.
    """
    schema = layer(name)
    table, crs = read_table(path, name)
    return frame_of(table, schema, crs)


def read_table(path: Path, name: str) -> tuple[pa.Table, str | None]:
    """Read any layer or table as Arrow (shapes as WKB in `geometry`), and its CRS.

    `fid` is left out: it is only a row's place in the file.

    Raises
    ------
    InputError
        Not a GeoPackage, no such layer, or its counts disagree.
    """
    import pyogrio

    from fencemap.guard import owned

    if name not in (known := list_layers(path)):
        raise InputError.at(
            path, f"has no layer '{name}'", remedy=f"It has: {', '.join(known)}.", code="no-layer"
        )
    with reading(path) as database:
        problems = check_counts(database, name)
    if problems:
        raise InputError.at(
            path, "; ".join(problems), code="counts-differ",
            remedy="The file was not written to its end. Make it anew.",
        )  # fmt: skip
    with owned(path, by="pyogrio"), warnings.catch_warnings():
        # The reader warns that it names the type without M; the shapes themselves keep it.
        warnings.filterwarnings("ignore", message="Measured", category=UserWarning)
        about, table = pyogrio.read_arrow(path, layer=name)
    table = table.replace_schema_metadata(None)
    if about["geometry_name"] in table.column_names:
        names = [GEOMETRY if c == about["geometry_name"] else c for c in table.column_names]
        table = table.rename_columns(names)
        table = table.select([*(c for c in names if c != GEOMETRY), GEOMETRY])
    return table, about["crs"]


def _place(name: str) -> int:
    """Place of a layer in the catalogue; LayerError for a name it does not have."""
    layer(name)
    return list(CATALOGUE).index(name)


def _unreadable(path: Path, reason: str) -> InputError:
    return InputError.at(
        path, f"is not a GeoPackage that can be read ({reason})",
        remedy="Check the name, or copy the file again.", code="not-a-geopackage",
    )  # fmt: skip


@contextmanager
def _fixed_clock(instant: str) -> Iterator[None]:
    """Give GDAL a fixed clock while the block runs, and its former settings back."""
    import pyogrio

    # Flushing after each layer is waste: the file is flushed once, before it is published.
    wanted = {"OGR_CURRENT_DATE": instant, "OGR_SQLITE_SYNCHRONOUS": "OFF"}
    with _settings:
        former = {key: pyogrio.get_gdal_config_option(key) for key in wanted}
        pyogrio.set_gdal_config_options(wanted)
        try:
            yield
        finally:
            pyogrio.set_gdal_config_options(former)


def _write_layer(path: Path, schema: LayerSchema, table: pa.Table, crs: Any) -> None:
    """Write one layer into the temporary file; the first one makes the file."""
    import pyogrio

    from fencemap.guard import owned

    options: dict[str, Any] = {}
    if schema.spatial:
        options = {
            "geometry_name": GEOMETRY,
            "geometry_type": geometry_type(schema),
            "crs": _crs_text(crs),
            "layer_options": {"GEOMETRY_NAME": GEOMETRY},
        }
    new = not path.exists() or path.stat().st_size == 0
    with owned(path, by="pyogrio"), warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        pyogrio.write_arrow(
            table,
            path,
            layer=schema.name,
            driver="GPKG",
            append=not new,
            dataset_options={"VERSION": _VERSION} if new else None,
            **options,
        )
    # pyogrio can't name a type with measures; `describe` puts that right.
    others = [
        str(w.message) for w in said if "does contain geometries with M" not in str(w.message)
    ]
    if others:
        raise ExportError(f"{path}: while writing layer '{schema.name}': {'; '.join(others)}")


def _crs_text(crs: Any) -> str:
    """Name a CRS as ``EPSG:n`` where that says everything, else as WKT."""
    from pyproj import CRS

    known = CRS.from_user_input(crs)
    authority = known.to_authority(min_confidence=100)
    return ":".join(authority) if authority else str(known.to_wkt())
