"""What a GeoPackage says about itself: columns, words, provenance, cautions, styles.

GDAL writes the layers; this module adds the rest in one `sqlite3` pass over
the closed temporary file: the schema extension (meaning and unit of every
column, its words or bounds), the metadata extension (what made the file, from
what, which cautions hold) and the styles that a desktop GIS applies on opening.
Table definitions: OGC 12-128r17 (GeoPackage 1.3), clauses 2.4.1 and annex F.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape

from fencemap import vocabularies
from fencemap.schema import Field, LayerSchema

__all__ = ["STYLE_TABLE", "About", "Styles", "describe", "quoted", "reading"]

STYLE_TABLE = "layer_styles"
Styles = Mapping[str, tuple[str, str]]

_DUBLIN_CORE = "http://purl.org/dc/elements/1.1/"
_PROVENANCE = "urn:fencemap:provenance:1"
_CAUTIONS = "urn:fencemap:cautions:1"
_NOW = "(strftime('%Y-%m-%dT%H:%M:%fZ','now'))"

_DATA_COLUMNS = """
CREATE TABLE gpkg_data_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT,
 title TEXT, description TEXT, mime_type TEXT, constraint_name TEXT,
 CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
 CONSTRAINT gdc_tn UNIQUE (table_name, name))"""
_CONSTRAINTS = """
CREATE TABLE gpkg_data_column_constraints (constraint_name TEXT NOT NULL,
 constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN, max NUMERIC,
 max_is_inclusive BOOLEAN, description TEXT,
 CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value))"""
_METADATA = """
CREATE TABLE gpkg_metadata (id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL,
 md_scope TEXT NOT NULL DEFAULT 'dataset', md_standard_uri TEXT NOT NULL,
 mime_type TEXT NOT NULL DEFAULT 'text/xml', metadata TEXT NOT NULL DEFAULT '')"""
_REFERENCE = f"""
CREATE TABLE gpkg_metadata_reference (reference_scope TEXT NOT NULL, table_name TEXT,
 column_name TEXT, row_id_value INTEGER, timestamp DATETIME NOT NULL DEFAULT {_NOW},
 md_file_id INTEGER NOT NULL, md_parent_id INTEGER,
 CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
 CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id))"""
# The layout that desktop GIS programs look for; not part of the standard.
_STYLES = f"""
CREATE TABLE layer_styles (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
 f_table_catalog TEXT(256), f_table_schema TEXT(256), f_table_name TEXT(256),
 f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
 useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30),
 update_time DATETIME DEFAULT {_NOW})"""
_EXTENSIONS = (
    ("gpkg_data_columns", "gpkg_schema", "schema"),
    ("gpkg_data_column_constraints", "gpkg_schema", "schema"),
    ("gpkg_metadata", "gpkg_metadata", "metadata"),
    ("gpkg_metadata_reference", "gpkg_metadata", "metadata"),
)


@dataclass(frozen=True, slots=True)
class About:
    """What is said of the whole file; `instant` is the fixed clock, ISO 8601 with ``Z``."""

    title: str
    instant: str
    metadata: Mapping[str, str]
    cautions: Sequence[str]
    styles: Styles


def quoted(name: str) -> str:
    """Quote a table or column name for SQL."""
    return '"' + name.replace('"', '""') + '"'


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a GeoPackage with `sqlite3` to look at, never to write."""
    from fencemap.guard import owned

    address = path.resolve().as_uri() + "?mode=ro"
    with owned(path, by="sqlite3"), closing(sqlite3.connect(address, uri=True)) as database:
        database.execute("PRAGMA trusted_schema = OFF")
        yield database


def describe(path: Path, schemas: Sequence[LayerSchema], about: About) -> None:
    """Add all descriptions to a closed GeoPackage that holds the layers, in one transaction."""
    from fencemap.guard import owned

    with (
        owned(path, by="sqlite3"),
        closing(sqlite3.connect(path, isolation_level=None)) as database,
    ):
        # The file is temporary until it is published, and flushed to disk then.
        database.execute("PRAGMA synchronous = OFF")
        database.execute("BEGIN IMMEDIATE")
        _describe_layers(database, schemas, about)
        _describe_columns(database, schemas)
        _describe_file(database, schemas, about)
        _add_styles(database, schemas, about)
        _register(database)
        database.execute("COMMIT")


def _describe_layers(
    database: sqlite3.Connection, schemas: Sequence[LayerSchema], about: About
) -> None:
    """Say what each layer is, and which dimensions its shapes must have."""
    for schema in schemas:
        database.execute(
            "UPDATE gpkg_contents SET identifier = ?, description = ?, last_change = ? "
            "WHERE table_name = ?",
            (schema.name, schema.meaning, about.instant, schema.name),
        )
        # The writer only notes measures when it meets some; an empty layer needs them too.
        database.execute(
            "UPDATE gpkg_geometry_columns SET z = ?, m = ? WHERE table_name = ?",
            (int(schema.has_z), int(schema.has_m), schema.name),
        )


def _describe_columns(database: sqlite3.Connection, schemas: Sequence[LayerSchema]) -> None:
    """Fill the schema extension: meaning, unit, words and bounds of every column."""
    database.execute(_DATA_COLUMNS)
    database.execute(_CONSTRAINTS)
    used: dict[str, Field] = {}
    for schema in schemas:
        for field in schema.fields:
            constraint = _constraint_name(field)
            if constraint:
                used[constraint] = field
            database.execute(
                "INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, ?)",
                (schema.name, field.name, field.name, field.name, _meaning(field), constraint),
            )
    for name in sorted(used):
        database.executemany(
            "INSERT INTO gpkg_data_column_constraints VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            _constraint_rows(name, used[name]),
        )


def _meaning(field: Field) -> str:
    """Write a column's meaning, unit and one-sided bound as one line."""
    text = f"{field.meaning} [{field.unit}]" if field.unit else field.meaning
    if field.minimum is not None and field.maximum is None:
        text += f"; at least {field.minimum:g}"
    if field.maximum is not None and field.minimum is None:
        text += f"; at most {field.maximum:g}"
    return text


def _constraint_name(field: Field) -> str | None:
    """Name of a column's words or bounds; columns with the same ones share it."""
    if field.vocabulary:
        return field.vocabulary
    if field.minimum is None or field.maximum is None:
        return None
    name = f"from_{field.minimum:g}_to_{field.maximum:g}"
    return name.replace("-", "minus_").replace(".", "_point_").replace("+", "")


def _constraint_rows(name: str, field: Field) -> list[tuple[object, ...]]:
    """Write the words of a vocabulary in their permanent order, or one range."""
    if not field.vocabulary:
        return [(name, "range", None, field.minimum, 1, field.maximum, 1, None)]
    terms = vocabularies.vocabulary(field.vocabulary).terms
    return [
        (name, "enum", word, None, None, None, None, meaning) for word, meaning in terms.items()
    ]


def _describe_file(
    database: sqlite3.Connection, schemas: Sequence[LayerSchema], about: About
) -> None:
    """Fill the metadata extension: Dublin Core, provenance as JSON, cautions as text."""
    database.execute(_METADATA)
    database.execute(_REFERENCE)
    rows = [
        (_DUBLIN_CORE, "text/xml", _dublin_core(about)),
        (_PROVENANCE, "application/json", _provenance(schemas, about)),
    ]
    if about.cautions:
        rows.append((_CAUTIONS, "text/plain", "\n\n".join(about.cautions)))
    for number, row in enumerate(rows, start=1):
        database.execute("INSERT INTO gpkg_metadata VALUES (?, 'dataset', ?, ?, ?)", (number, *row))
        database.execute(
            "INSERT INTO gpkg_metadata_reference VALUES ('geopackage', NULL, NULL, NULL, ?, ?, NULL)",
            (about.instant, number),
        )


def _dublin_core(about: About) -> str:
    """Write title, day and format in the fifteen-element Dublin Core (ISO 15836-1)."""
    elements = [
        ("title", about.title),
        ("date", about.instant[:10]),
        ("type", "Dataset"),
        ("format", "application/geopackage+sqlite3"),
        ("description", "Read the cautions in this file's metadata before acting on it."),
    ]
    lines = [f"  <dc:{name}>{escape(_printable(text))}</dc:{name}>" for name, text in elements]
    return "\n".join([f'<metadata xmlns:dc="{_DUBLIN_CORE}">', *lines, "</metadata>", ""])


def _printable(text: str) -> str:
    """Drop the control characters that XML can't hold."""
    return "".join(letter for letter in text if letter >= " " or letter in "\t\n\r")


def _provenance(schemas: Sequence[LayerSchema], about: About) -> str:
    """Write what the file was made from and with, as JSON with sorted keys."""
    lists = {field.vocabulary for schema in schemas for field in schema.fields if field.vocabulary}
    sources = {name: vocabularies.vocabulary(name).source for name in sorted(lists)}
    document = {
        "title": about.title,
        "generated": about.instant,
        "catalogue": {schema.name: schema.version for schema in schemas},
        "vocabularies": {"version": vocabularies.version(), "sources": sources},
        "provenance": dict(about.metadata),
    }
    return json.dumps(document, indent=1, sort_keys=True, ensure_ascii=False)


def _add_styles(database: sqlite3.Connection, schemas: Sequence[LayerSchema], about: About) -> None:
    """Add the styles, each as SLD (the master) and as the host's own form, which it applies."""
    if not about.styles:
        return
    database.execute(_STYLES)
    for schema in schemas:
        if schema.name not in about.styles:
            continue
        sld, qml = about.styles[schema.name]
        row = (schema.name, "geometry" if schema.spatial else "", schema.name, qml, sld)
        database.execute(
            "INSERT INTO layer_styles VALUES (NULL, '', '', ?, ?, ?, ?, ?, 1, ?, '', NULL, ?)",
            (*row, schema.meaning, about.instant),
        )
    database.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change,"
        " srs_id) VALUES (?, 'attributes', ?, 'Styles of the layers', ?, 0)",
        (STYLE_TABLE, STYLE_TABLE, about.instant),
    )


def _register(database: sqlite3.Connection) -> None:
    """Register the two extensions as the standard asks; GDAL makes the table for the R-trees."""
    database.execute(
        "CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT,"
        " extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL,"
        " CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))"
    )
    for table, extension, anchor in _EXTENSIONS:
        definition = f"http://www.geopackage.org/spec130/#extension_{anchor}"
        database.execute(
            "INSERT INTO gpkg_extensions VALUES (?, NULL, ?, ?, 'read-write')",
            (table, extension, definition),
        )
