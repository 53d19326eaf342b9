"""Tables that any program opens, now and in twenty years: CSV after RFC 4180.

UTF-8 without a mark at the beginning, commas, a header line, and lines that
end in CR LF as RFC 4180 says, so that no program has to guess. Numbers are
written in the shortest form that reads back as the same number, whatever the
locale. A null is an empty cell; an empty text is ``""``. Shapes are well-known
text, with easting, northing and height beside it for points; only a minus
before a coordinate of zero is lost.

Spreadsheets run a cell that begins like a formula. Such text gets an
apostrophe in front, also behind a semicolon, tab or line break within a cell,
where some spreadsheets begin a new cell; `read_csv` takes it away again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fencemap.errors import ExportError, InputError
from fencemap.formats._arrow import GEOMETRY, shapes_from_wkb, to_arrow
from fencemap.layers import CATALOGUE, layer
from fencemap.schema import Field, LayerSchema

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    import pyarrow as pa

__all__ = [
    "DICTIONARY",
    "READ_FIRST",
    "WKT",
    "read_csv",
    "write_csv",
    "write_dictionary",
    "write_read_first",
    "write_tables",
]

READ_FIRST = "READ_FIRST.txt"
DICTIONARY = "dictionary.csv"
WKT = "geometry_wkt"

_LINE_END = "\r\n"
_PLACE = ("easting", "northing", "height")
# What begins a formula in some spreadsheet, the full-width forms included.
_FORMULA = r"[=+\-@\x{FF1D}\x{FF0B}\x{FF0D}\x{FF20}]"
# Control characters too: some programs drop them when they open the file.
_BLANK = r"[\s\x{00}-\x{1F}\x{7F}-\x{A0}\x{3000}\x{FEFF}]*"
_CELL_START = r"(^|[;\t\r\n])"
_RISKY = f"{_CELL_START}({_BLANK})('*{_FORMULA})"
_GUARDED = f"{_CELL_START}({_BLANK})'('*{_FORMULA})"
_NUMBER = r"^[+\-]?(\d+\.?\d*|\.\d+)([eE][+\-]?\d+)?$"
_NEEDS_QUOTES = r"[\",;\t\r\n]|^$|^\s|\s$"

_DICTIONARY_COLUMNS = (
    "layer", "layer_meaning", "column", "type", "unit", "meaning", "words", "minimum", "maximum",
    "required", "unique", "since", "sensitivity",
)  # fmt: skip
_GUARD_NOTE = (
    "Text that a spreadsheet would run as a formula has an apostrophe (') before the sign"
    " =, +, - or @; fencemap takes it away when it reads a table back. Numbers have none."
)
_FORM_NOTE = (
    "The tables are CSV after RFC 4180: UTF-8, comma, decimal point, first line = column names."
    " In a spreadsheet, import them as text with these settings rather than opening them directly."
    f" An empty cell means: not known. {DICTIONARY} says what each column means."
)


def write_csv(
    frame: Any, path: Path, schema: LayerSchema, *, header_notes: Sequence[str] = ()
) -> Path:
    """Write one layer as CSV.

    Parameters
    ----------
    frame
        The layer, or the Arrow table that `formats.store` gave of it; shapes, if it has any,
        become WKT in `geometry_wkt`, and
        for points also `easting`, `northing` and `height` (where the layer
        has no columns of these names itself).
    path
        Final name, ``*.csv``; replaced whole or not at all.
    schema
        Schema of the layer: its columns, in this order.
    header_notes
        Paragraphs to put beside the table as ``READ_FIRST.txt``, since a
        table itself has no place for them.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    LayerError
        The frame breaks its schema.
    ExportError
        The file could not be written whole.
    """
    import pyarrow as pa

    if not isinstance(frame, pa.Table):  # a stored table was checked when it was stored
        schema.check(frame)
    columns = _columns(frame, schema)
    _publish_rows(path, list(columns), list(columns.values()), rows=len(frame))
    if header_notes:
        write_read_first(path.parent, notes=header_notes)
    return path


def read_csv(
    path: Path, schema: LayerSchema, *, crs: Any = None
) -> pd.DataFrame | gpd.GeoDataFrame:
    """Read a table that `write_csv` wrote, exactly as it was.

    Parameters
    ----------
    path
        A table of ours; tables from outside go through `fencemap.bring_in`.
    schema
        Schema of the layer.
    crs
        CRS of the shapes; the table itself does not hold it.

    Raises
    ------
    InputError
        Not such a table: columns missing, rows of other lengths, not UTF-8.
    LayerError
        A cell that is not of its column's type.
    """
    import pyarrow.compute as pc
    import shapely

    table = _read_text(path)
    wanted = [*schema.columns, *([WKT] if schema.spatial else [])]
    if missing := [name for name in wanted if name not in table.column_names]:
        raise InputError.at(
            path, f"has no column {', '.join(missing)}", row=1,
            remedy="Read it with the schema that it was written with.", code="missing-column",
        )  # fmt: skip
    data: dict[str, Any] = {}
    for field in schema.fields:
        column = table[field.name]
        if field.dtype in ("text", "date", "time"):
            column = pc.replace_substring_regex(column, _GUARDED, r"\1\2\3")
        data[field.name] = _typed(column, field, path)
    if not schema.spatial:
        made: pd.DataFrame = schema.conform(data)
        return made
    shapes = shapely.from_wkt(table[WKT].to_numpy())
    placed: gpd.GeoDataFrame = schema.conform(data, geometry=shapes, crs=crs)
    return placed


def write_dictionary(path: Path, names: Iterable[str]) -> Path:
    """Write the data dictionary: one row for each column of each layer named.

    Parameters
    ----------
    path
        Final name, by habit ``dictionary.csv``.
    names
        Layers of the catalogue; written in its order.

    Raises
    ------
    LayerError
        A name is not in the catalogue.
    ExportError
        The file could not be written whole.
    """
    import pyarrow as pa

    rows = [row for schema in _in_order(names) for row in _dictionary_rows(schema)]
    columns = [
        _quote(_guard(pa.chunked_array([[row[place] for row in rows]], pa.large_string())))
        for place in range(len(_DICTIONARY_COLUMNS))
    ]
    return _publish_rows(path, list(_DICTIONARY_COLUMNS), columns, rows=len(rows))


def write_read_first(folder: Path, *, notes: Sequence[str], title: str = "") -> Path:
    """Write ``READ_FIRST.txt``: title, notes (cautions first), and how the tables are written.

    Raises
    ------
    ExportError
        The file could not be written whole.
    """
    from fencemap.guard import publish_text

    parts = [*([title] if title else []), *notes, _FORM_NOTE, _GUARD_NOTE]
    path = folder / READ_FIRST
    publish_text(path, "\n\n".join(part.strip() for part in parts) + "\n")
    return path


def write_tables(
    folder: Path,
    layers: Mapping[str, Any],
    *,
    crs: Any,
    title: str,
    generated: str,
    cautions: Sequence[str] = (),
) -> list[Path]:
    """Write every layer as ``NAME.csv``, with data dictionary and ``READ_FIRST.txt``.

    Parameters
    ----------
    folder
        Folder of the tables; made if it is not there.
    layers
        Frames by catalogue name.
    crs
        CRS of the shapes; named in ``READ_FIRST.txt``, as a table can't.
    title, generated
        Title, and the day of the survey (ISO 8601).
    cautions
        Texts of the cautions that the content calls for; they come first.

    Returns
    -------
    list of Path
        All files, ``READ_FIRST.txt`` first, tables in the catalogue's order.

    Raises
    ------
    LayerError
        A layer is not in the catalogue, or breaks its schema.
    ExportError
        A file could not be written whole.
    """
    from pyproj import CRS

    folder.mkdir(parents=True, exist_ok=True)
    known = CRS.from_user_input(crs)
    place = (
        f"Coordinates are {known.name} ({known.to_string()[:80]}), easting before northing,"
        f" in metres. State of {generated}."
    )
    schemas = _in_order(layers)
    made = [write_read_first(folder, notes=[*cautions, place], title=title)]
    made += [
        write_csv(layers[schema.name], folder / f"{schema.name}.csv", schema) for schema in schemas
    ]
    made.append(write_dictionary(folder / DICTIONARY, layers))
    return made


def _in_order(names: Iterable[str]) -> list[LayerSchema]:
    """Look up layers in the catalogue's order; LayerError for a name it does not have."""
    order = list(CATALOGUE)
    return sorted((layer(name) for name in names), key=lambda schema: order.index(schema.name))


# --- writing ------------------------------------------------------------------------------


def _columns(frame: Any, schema: LayerSchema) -> dict[str, pa.ChunkedArray]:
    """Write each column as text, quoted where needed; a null stays null."""
    import pyarrow as pa
    import pyarrow.compute as pc

    table, made = frame, {}
    if not isinstance(frame, pa.Table):
        plain = frame.drop(columns=GEOMETRY) if schema.spatial else frame
        table = to_arrow(plain, name=schema.name)
    for field in schema.fields:
        column = table[field.name]
        if field.dtype == "real":
            column = pc.if_else(pc.is_nan(column), pa.scalar(None, pa.float64()), column)
        text = column.cast(pa.large_string())
        is_text = field.dtype in ("text", "date", "time")
        made[field.name] = _words(text) if is_text else text
    if schema.spatial:
        shapes = frame[GEOMETRY]
        if isinstance(frame, pa.Table):
            shapes = shapes_from_wkb(shapes)
        made |= _shape_columns(shapes, taken=set(made))
    return made


def _words(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Guard and quote a column of text, each different word once."""
    import pyarrow as pa

    coded = column.combine_chunks().dictionary_encode()
    if isinstance(coded, pa.ChunkedArray):
        coded = coded.combine_chunks()
    written = _quote(_guard(pa.chunked_array([coded.dictionary])))
    return written.take(coded.indices)


def _shape_columns(shapes: Any, *, taken: set[str]) -> dict[str, pa.ChunkedArray]:
    """Write shapes as WKT to the last bit, and points as coordinates too."""
    import numpy as np
    import pyarrow as pa
    import shapely

    array = np.asarray(shapes, dtype=object)
    # Decimals beyond any that a number needs: -1 would stop at 16 and round.
    written = shapely.to_wkt(array, rounding_precision=30, trim=True, output_dimension=4)
    made = {WKT: _quote(pa.chunked_array([pa.array(written, pa.large_string())]))}
    if len(array) == 0 or not (shapely.get_type_id(array) == shapely.GeometryType.POINT).all():
        return made
    for name, values in zip(_PLACE, (shapely.get_x, shapely.get_y, shapely.get_z), strict=True):
        numbers = pa.array(values(array), pa.float64(), from_pandas=True)
        if name not in taken and numbers.null_count < len(array):
            made[name] = pa.chunked_array([numbers.cast(pa.large_string())])
    return made


def _guard(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Put an apostrophe before what a spreadsheet would run; a cell that is a number stays."""
    import pyarrow.compute as pc

    guarded = pc.replace_substring_regex(column, _RISKY, r"\1\2'\3")
    return pc.if_else(pc.match_substring_regex(column, _NUMBER), column, guarded)


def _quote(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Quote cells that hold a separator, quote or line break, and empty or padded text."""
    import pyarrow as pa
    import pyarrow.compute as pc

    doubled = pc.replace_substring(column, '"', '""')
    quote, nothing = pa.scalar('"', pa.large_string()), pa.scalar("", pa.large_string())
    inside = pc.binary_join_element_wise(quote, doubled, quote, nothing)
    return pc.if_else(pc.match_substring_regex(column, _NEEDS_QUOTES), inside, column)


def _publish_rows(
    path: Path, names: Sequence[str], columns: Sequence[pa.ChunkedArray], *, rows: int
) -> Path:
    """Join the cells to lines and put the file in place."""
    import pyarrow as pa
    import pyarrow.compute as pc

    from fencemap.guard import publish

    lines: list[str] = [",".join(names)]
    if rows:
        comma = pa.scalar(",", pa.large_string())
        joined = pc.binary_join_element_wise(
            *columns, comma, null_handling="replace", null_replacement=""
        )
        lines += joined.to_pylist()
    content = (_LINE_END.join(lines) + _LINE_END).encode()

    def verify(temporary: Path) -> None:
        if temporary.read_bytes() != content:
            raise ExportError(f"{path}: what was written reads back differently")

    publish(path, lambda temporary: _write(temporary, content), verify=verify)
    return path


def _write(path: Path, content: bytes) -> None:
    path.write_bytes(content)


def _dictionary_rows(schema: LayerSchema) -> list[tuple[str | None, ...]]:
    """Write the fields of a layer, and its shape, as rows of the dictionary."""
    rows = [_dictionary_row(schema, field) for field in schema.fields]
    if schema.spatial:
        dimensions = (" with heights" if schema.has_z else "") + (
            " and measures" if schema.has_m else ""
        )
        meaning = f"{' or '.join(schema.geometry)}{dimensions}, easting before northing"
        shape = (WKT, "well-known text", "m", meaning, None, None, None, "yes", "no", "1", None)
        rows.append((schema.name, schema.meaning, *shape))
    return rows


def _dictionary_row(schema: LayerSchema, field: Field) -> tuple[str | None, ...]:
    from fencemap.vocabularies import vocabulary

    terms = vocabulary(field.vocabulary).terms if field.vocabulary else {}
    words = "; ".join(f"{word} = {meaning}" for word, meaning in terms.items())
    bounds = (None if bound is None else f"{bound:g}" for bound in (field.minimum, field.maximum))
    return (
        schema.name, schema.meaning, field.name, field.dtype, field.unit or None, field.meaning,
        words or None, *bounds, _yes(field.required), _yes(field.unique), str(field.since),
        field.sensitivity,
    )  # fmt: skip


def _yes(value: bool) -> str:
    return "yes" if value else "no"


# --- reading ------------------------------------------------------------------------------


def _read_text(path: Path) -> pa.Table:
    """Read all cells as text; an empty cell without quotes is null."""
    import pyarrow as pa
    import pyarrow.csv as pc

    try:
        with path.open("rb") as file:
            names = file.readline().decode().strip("\r\n").split(",")
        return pc.read_csv(
            path,
            # One block: a row may not lie across two.
            read_options=pc.ReadOptions(block_size=max(path.stat().st_size + 1, 2**16)),
            parse_options=pc.ParseOptions(newlines_in_values=True),
            convert_options=pc.ConvertOptions(
                column_types=dict.fromkeys(names, pa.large_string()),
                null_values=[""],
                strings_can_be_null=True,
                quoted_strings_can_be_null=False,
            ),
        )
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        raise InputError.at(
            path, f"is not a table that can be read ({error})",
            remedy="Export it again.", code="unreadable-table",
        ) from error  # fmt: skip


def _typed(column: pa.ChunkedArray, field: Field, path: Path) -> Any:
    """Turn text into the type of the column."""
    import pandas as pd
    import pyarrow as pa

    types = {"integer": pa.int64(), "real": pa.float64(), "boolean": pa.bool_()}
    if field.dtype not in types:
        return pd.Series(column.to_pandas(), dtype="str")
    try:
        typed = column.cast(types[field.dtype])
    except pa.ArrowInvalid as error:
        raise InputError.at(
            path, f"column '{field.name}' is not {field.dtype} ({error})",
            remedy="Export it again.", code="wrong-type", column=field.name,
        ) from error  # fmt: skip
    if field.dtype == "real":
        return pd.Series(typed.to_numpy(), dtype="float64")
    dtype: Any = pd.Int64Dtype() if field.dtype == "integer" else pd.BooleanDtype()
    return pd.Series(dtype.__from_arrow__(typed))
