"""An audit of a GeoPackage that came from outside, before any reader opens it.

A GeoPackage is a program as well as a file: views and triggers run when it is read or written.
And a writer that was stopped leaves layers that look healthy: all rows there, the stored count
zero, and readers that believe the count return nothing without an error. So every count is
taken twice more and compared.
"""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from fencemap.errors import InputError, InUseError, RefusedFileError
from fencemap.guard.opening import Kind, expect_kind, real_file
from fencemap.guard.owners import owned

__all__ = ["SIDECARS", "GeoPackageAudit", "LayerCount", "audit_geopackage"]

SIDECARS = ("-wal", "-shm", "-journal")

# Views that the standard itself gives, and what they may be made of: no bracket, so no function.
_STANDARD_VIEW = re.compile(
    r"create\s+view\s+\W?(st_spatial_ref_sys|spatial_ref_sys|st_geometry_columns|geometry_columns)"
    r"\W?\s+as\s+select\s+[^()]*\bfrom\s+\W?(gpkg_spatial_ref_sys|gpkg_geometry_columns)\b[^();]*",
    re.IGNORECASE,
)
# A refusal with its message, whose words are no statements.
_RAISE = re.compile(r"\braise\s*\(\s*\w+\s*,\s*'(?:[^']|'')*'\s*\)", re.IGNORECASE)

# The table that a statement in a trigger's body changes, quoted in any of SQLite's ways.
_WRITES = re.compile(
    r"\b(?:insert\s+(?:or\s+\w+\s+)?into|replace\s+into|delete\s+from"
    r"|(?<!do\s)update(?:\s+or\s+\w+)?)\b\s*"
    r"(?:\"(?P<a>[^\"]+)\"|\[(?P<b>[^\]]+)\]|`(?P<c>[^`]+)`|'(?P<d>[^']+)'|(?P<e>[^\s(;\"'`\[]+))",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class LayerCount:
    """One layer of an audited GeoPackage; `geometry` is empty for a plain table."""

    name: str
    geometry: str
    srs_id: int
    rows: int


@dataclass(frozen=True, slots=True)
class GeoPackageAudit:
    """What an audit found: the layers that a reader will give whole."""

    path: Path
    layers: tuple[LayerCount, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Layer names in the order of the file."""
        return tuple(layer.name for layer in self.layers)


def audit_geopackage(path: str | os.PathLike[str]) -> GeoPackageAudit:
    """Check a GeoPackage from outside; what comes back can be read and believed.

    Parameters
    ----------
    path
        A GeoPackage that no other library of this process has open.

    Returns
    -------
    GeoPackageAudit
        Layers with their true row counts, to be compared with what a reader returns.

    Raises
    ------
    RefusedFileError
        No GeoPackage; damaged; holds a view, trigger, virtual table or computed column that
        could act when read or written; or its counts contradict each other (``count(*)``,
        the stored feature count, the spatial index).
    InUseError
        Another program has it open, or left unfinished changes beside it.

    Notes
    -----
    Never write into a GeoPackage from outside even after this: copy its rows into an own file.
    """
    real = real_file(path)
    expect_kind(real, Kind.GEOPACKAGE)
    _check_sidecars(real)
    try:
        write_ahead = _writes_ahead(real)
        with owned(real, by="sqlite3"), _connection(real, immutable=write_ahead) as database:
            damage = database.execute("pragma quick_check(1)").fetchone()[0]
            if damage != "ok":
                raise _refused(real, f"is damaged ({damage})", "Restore it from a copy")
            _check_objects(real, database)
            return GeoPackageAudit(real, tuple(_layers(real, database)))
    except sqlite3.DatabaseError as error:
        raise _refused(
            real, f"can't be read ({error})", "Export it again from its program"
        ) from error


def _check_sidecars(real: Path) -> None:
    """Refuse a file whose last changes may lie beside it."""
    waiting = [
        name
        for suffix in SIDECARS
        if (name := Path(f"{real}{suffix}")).exists() and name.stat().st_size > 0
    ]
    if waiting:
        raise InUseError(
            f"{real}: another program has it open or was stopped while writing "
            f"({', '.join(name.name for name in waiting)} lies beside it)",
            remedy="Close it there, or open and close it once in that program",
        )


def _writes_ahead(real: Path) -> bool:
    """Tell whether the file is in write-ahead mode, from bytes 18 and 19 of its header."""
    with owned(real, by="bytes"), real.open("rb") as stream:
        return stream.read(20)[18:20] == b"\x02\x02"


@contextmanager
def _connection(real: Path, *, immutable: bool) -> Iterator[sqlite3.Connection]:
    """Open for reading with SQLite's own precautions; leaves no file behind.

    In write-ahead mode a reader would make sidecars; as none lie there, nothing is pending and
    the file may be taken as it stands.
    """
    uri = f"file:{quote(real.as_posix())}?mode=ro{'&immutable=1' if immutable else ''}"
    with closing(sqlite3.connect(uri, uri=True)) as database:
        for setting in ("trusted_schema=off", "cell_size_check=on", "mmap_size=0"):
            database.execute(f"pragma {setting}")
        yield database


def _check_objects(real: Path, database: sqlite3.Connection) -> None:
    """Refuse whatever in the schema could act on its own."""
    query = "select type, name, coalesce(sql, '') from sqlite_master order by type, name"
    for kind, name, sql in database.execute(query).fetchall():
        reason = _reason_against(kind, sql)
        if reason:
            raise _refused(
                real,
                f"holds the {kind} '{name}', {reason}",
                "Export its layers into a new GeoPackage",
            )


def _reason_against(kind: str, sql: str) -> str:
    """Say why a schema object is refused; empty if it is one the format itself needs."""
    text = _without_comments(sql)
    if kind == "view" and not _STANDARD_VIEW.fullmatch(text.strip().rstrip(";").strip()):
        return "which would run when it is read"
    if kind == "trigger":
        foreign = sorted(table for table in _tables_changed(text) if not _is_index(table))
        if foreign:
            return f"which would change '{foreign[0]}' when a row is written"
    if kind == "table" and re.match(r"\s*create\s+virtual\s+table", text, re.IGNORECASE):
        module = re.search(r"\busing\s+(\w+)", text, re.IGNORECASE)
        if module is None or module[1].lower() != "rtree":
            return "which runs a program of its own when it is read"
    return ""


def _tables_changed(trigger: str) -> set[str]:
    """Name the tables that the body of a trigger inserts into, updates or deletes from."""
    body = re.split(r"\bbegin\b", _RAISE.sub(" ", trigger), maxsplit=1, flags=re.IGNORECASE)[-1]
    found = (match.groupdict() for match in _WRITES.finditer(re.sub(r"\s+", " ", body)))
    return {next(name for name in groups.values() if name) for groups in found}


def _without_comments(sql: str) -> str:
    """Take SQL comments out, as they could hide a table's name from the check."""
    return re.sub(r"--[^\n]*|/\*.*?\*/", " ", sql, flags=re.DOTALL)


def _is_index(table: str) -> bool:
    """Tell whether a table is an R-tree or count table, which the format's triggers keep."""
    return table.lower().startswith("rtree_") or table.lower() == "gpkg_ogr_contents"


def _layers(real: Path, database: sqlite3.Connection) -> Iterator[LayerCount]:
    """Count each listed layer in three ways."""
    tables = {row[0].lower() for row in database.execute("select name from sqlite_master")}
    if not {"gpkg_contents", "gpkg_spatial_ref_sys"} <= tables:
        raise _refused(real, "lacks the tables every GeoPackage has", "Export it again")
    geometry: dict[str, str] = {}
    if "gpkg_geometry_columns" in tables:
        query = "select table_name, column_name from gpkg_geometry_columns"
        geometry = dict(database.execute(query).fetchall())
    listed = database.execute(
        "select table_name, srs_id from gpkg_contents "
        "where data_type in ('features', 'attributes') order by rowid"
    ).fetchall()
    for name, srs_id in listed:
        if name.lower() not in tables:
            raise _refused(real, f"lists the layer '{name}' but lacks it", "Export it again")
        layer = LayerCount(
            name, geometry.get(name, ""), int(srs_id or 0), _rows(real, database, name)
        )
        _compare_stored_count(real, database, layer, tables)
        if layer.geometry:
            _compare_index(real, database, layer, tables)
        yield layer


def _rows(real: Path, database: sqlite3.Connection, name: str) -> int:
    """Count a layer's rows after making sure that no column computes itself."""
    columns = database.execute(f"pragma table_xinfo({_quoted(name)})").fetchall()
    computed = [column[1] for column in columns if column[6] in (2, 3)]
    if computed:
        raise _refused(
            real,
            f"computes the column '{computed[0]}' of layer '{name}' whenever it is read",
            "Export the layer, so that the values themselves are stored",
        )
    return _count(database, name)


def _compare_stored_count(
    real: Path, database: sqlite3.Connection, layer: LayerCount, tables: set[str]
) -> None:
    """Compare with the count that readers believe; an empty one makes them count."""
    if "gpkg_ogr_contents" not in tables:
        return
    query = "select feature_count from gpkg_ogr_contents where table_name = ?"
    stored = database.execute(query, (layer.name,)).fetchone()
    if stored is not None and stored[0] is not None and stored[0] != layer.rows:
        raise _mismatch(real, layer, f"its stored count says {stored[0]}")


def _compare_index(
    real: Path, database: sqlite3.Connection, layer: LayerCount, tables: set[str]
) -> None:
    """Compare the spatial index with the rows that have a shape."""
    index = f"rtree_{layer.name}_{layer.geometry}"
    if index.lower() not in tables:
        return
    column = _quoted(layer.geometry)
    query = (
        f"select hex(substr({column}, 4, 1)), count(*) from {_quoted(layer.name)} "  # noqa: S608
        f"where {column} is not null group by 1"
    )
    # Bit 5 of the fourth byte of a GeoPackage geometry marks an empty shape.
    shapes = sum(
        count
        for flags, count in database.execute(query).fetchall()
        if not int(flags or "0", 16) & 0x10
    )
    indexed = _count(database, index)
    if indexed != shapes:
        raise _mismatch(real, layer, f"{shapes} have a shape, its spatial index has {indexed}")


def _count(database: sqlite3.Connection, table: str) -> int:
    """Count a table's rows."""
    query = f"select count(*) from {_quoted(table)}"  # noqa: S608  the name is quoted
    return int(database.execute(query).fetchone()[0])


def _quoted(name: str) -> str:
    """Quote a name from the file for SQL."""
    return '"' + name.replace('"', '""') + '"'


def _mismatch(real: Path, layer: LayerCount, counts: str) -> InputError:
    return _refused(
        real,
        f"holds {layer.rows} rows in layer '{layer.name}', but {counts}: "
        "its writer was probably stopped, and a reader would lose rows silently",
        "Export the layer again",
    )


def _refused(real: Path, reason: str, remedy: str) -> InputError:
    return RefusedFileError.at(real, reason, remedy=remedy, code="geopackage")
