"""Proof that a GeoPackage is whole: counts that agree, marks, CRS, a second reader.

A writer that is killed leaves files that look sound and yet give fewer rows:
readers trust a stored count. So the rows themselves, that count, the spatial
index and the frame must all say the same.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from fencemap.formats._geopackage_tables import quoted, reading

__all__ = ["Expected", "check_counts", "check_file"]


class Expected(NamedTuple):
    """What a layer of a GeoPackage must hold: rows, CRS, and the first row's uid and shape."""

    rows: int
    crs: Any
    uid: str | None
    shape: Any


# OGC 12-128r17, requirement 2: "GPKG" in ASCII, and the version as MMmmpp.
_APPLICATION_ID = 0x47504B47
_USER_VERSION = 10300


def check_counts(database: sqlite3.Connection, name: str) -> list[str]:
    """List how the counts of one layer disagree: rows, stored count, spatial index."""
    rows = _count(database, name)
    problems = []
    stored = _number(
        database, "SELECT feature_count FROM gpkg_ogr_contents WHERE table_name = ?", name
    )
    if stored is not None and stored != rows:
        problems.append(f"layer '{name}' has {rows} rows but its stored count says {stored}")
    column = database.execute(
        "SELECT column_name FROM gpkg_geometry_columns WHERE table_name = ?", (name,)
    ).fetchone()
    if column is not None and (index := _indexed(database, name, column[0])) is not None:
        shapes = _shapes(database, name, column[0])
        if index != shapes:
            problems.append(f"layer '{name}' has {shapes} shapes but its index holds {index}")
    return problems


def check_file(path: Path, layers: Mapping[str, Expected], *, found: Sequence[str]) -> list[str]:
    """List everything in which a GeoPackage differs from what was written."""
    problems = []
    if missing := sorted(set(layers) - set(found)):
        problems.append(f"layers missing: {', '.join(missing)}")
    if extra := sorted(set(found) - set(layers)):
        problems.append(f"layers too many: {', '.join(extra)}")
    try:
        with reading(path) as database:
            problems += [*_marks(database), *_wrong_counts(database, layers, found)]
    except sqlite3.DatabaseError as error:
        problems.append(f"the database is damaged: {error}")
    return problems or _second_reading(path, layers)


def _wrong_counts(
    database: sqlite3.Connection, layers: Mapping[str, Expected], found: Sequence[str]
) -> Iterator[str]:
    """List layers whose counts disagree with each other or with their frame."""
    for name in found:
        yield from check_counts(database, name)
        rows = _count(database, name)
        if name in layers and rows != layers[name].rows:
            yield f"layer '{name}' has {rows} rows of {layers[name].rows}"


def _marks(database: sqlite3.Connection) -> list[str]:
    """Check soundness and the marks of the standard."""
    problems = []
    if (answer := database.execute("PRAGMA quick_check").fetchone()[0]) != "ok":
        problems.append(f"the database is damaged: {answer}")
    if database.execute("PRAGMA foreign_key_check").fetchone() is not None:
        problems.append("a table refers to a row that is not there")
    for pragma, expected in (("application_id", _APPLICATION_ID), ("user_version", _USER_VERSION)):
        if (value := _number(database, f"PRAGMA {pragma}")) != expected:
            problems.append(f"{pragma} is {value}, must be {expected}")
    return problems


def _second_reading(path: Path, layers: Mapping[str, Expected]) -> list[str]:
    """Read the file with fiona: its layers, and of each that has rows their number, CRS, first."""
    import fiona

    from fencemap.guard import owned

    with owned(path, by="fiona"):
        listed = set(fiona.listlayers(path))
        problems = [f"layer '{name}': fiona does not find it" for name in set(layers) - listed]
        for name, wanted in layers.items():
            if name in listed and wanted.rows:
                with fiona.open(path, layer=name, enabled_drivers=["GPKG"]) as source:
                    found = list(_differences(source, wanted))
                problems += [f"layer '{name}': {words}" for words in found]
    return sorted(problems)


def _differences(source: Any, wanted: Expected) -> Iterator[str]:
    """List where the second reader sees other rows, another CRS, uid or shape than was written."""
    import numpy as np
    import shapely
    from pyproj import CRS

    if len(source) != wanted.rows:
        yield f"fiona finds {len(source)} rows of {wanted.rows}"
        return
    first = next(iter(source))
    if wanted.uid is not None and first["properties"]["uid"] != wanted.uid:
        yield f"first uid is {first['properties']['uid']}"
    if wanted.crs is None:
        return
    crs = CRS.from_user_input(wanted.crs)
    if CRS.from_wkt(source.crs_wkt) != crs:
        yield f"CRS is {source.crs_wkt[:60]!r}, must be {crs.name}"
    # fiona leaves measures out; easting, northing and height must be the same to the bit.
    shape = first["geometry"]
    seen, written = (
        shapely.get_coordinates(one, include_z=True)
        for one in (shapely.geometry.shape(shape) if shape else None, wanted.shape)
    )
    if not np.array_equal(seen, written, equal_nan=True):
        yield "the first shape has other coordinates"


def _indexed(database: sqlite3.Connection, name: str, column: str) -> int | None:
    """Count the shapes in the spatial index; None if the layer has none."""
    rows = f"rtree_{name}_{column}_rowid"
    known = database.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (rows,)).fetchone()
    return _count(database, rows) if known else None


def _shapes(database: sqlite3.Connection, name: str, column: str) -> int | None:
    """Count the shapes that an index must hold: there, and not marked as empty.

    The mark is bit 4 of the fourth byte of the blob (OGC 12-128r17, clause 2.1.3),
    so that byte's first hexadecimal digit is odd.
    """
    field = quoted(column)
    there = f"{field} IS NOT NULL"
    filled = f"substr(hex(substr({field}, 4, 1)), 1, 1) NOT IN ('1', '3')"
    return _count(database, name, where=f"{there} AND {filled}")


def _count(database: sqlite3.Connection, table: str, *, where: str = "1") -> int | None:
    return _number(database, f"SELECT count(*) FROM {quoted(table)} WHERE {where}")  # noqa: S608


def _number(database: sqlite3.Connection, query: str, *values: object) -> int | None:
    row = database.execute(query, values).fetchone()
    return None if row is None or row[0] is None else int(row[0])
