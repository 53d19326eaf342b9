"""Readers of survey files, one module for each format, and the choice between them.

Each reader turns one file into a `fencemap.bring_in.raw.RawTable`: rows under the numbers that
the file's own editor shows, refused rows with reason and remedy, notes in sentences. Nothing is
dropped without being named, and nothing is read before the guard has looked at the file.

Rooms
-----
`point_file`
    Points without a header: P,N,E,Z,D or P,E,N,Z,D, with field codes.
`field_codes`
    The codes, and what a description says.
`angles`
    DD, DMS, DDM and DDD.MMSSsss into decimal degrees.
`xlsx`, `gpx`, `kml`, `shapefile`, `nmea`, `exif`
    The formats of these names.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from fencemap.bring_in.raw import RawTable
from fencemap.bring_in.readers._gather import DOUBT, number
from fencemap.errors import RefusedFileError, SurveyError
from fencemap.guard import Kind, kind_of, real_file

__all__ = ["DOUBT", "dispatch"]

_INSTEAD = {
    Kind.OLD_EXCEL: "Save it as .xlsx or CSV.",
    Kind.PDF: "Ask for the data that the PDF was made from.",
    Kind.PNG: "Give the camera's JPEG; PNG copies lose position and time.",
    Kind.SQLITE: "Export the layer as GeoPackage.",
}
_ANY = "Give CSV, XLSX, GeoPackage, GeoJSON, Shapefile, GPX, KML, a point file or an NMEA log."


def dispatch(
    path: Path, *, name: str, layer_hint: str,
    extent: tuple[float, float, float, float] | None = None, margin_m: float = 0.0,
) -> RawTable:  # fmt: skip
    """Read one survey file with the reader for what it really holds.

    Parameters
    ----------
    path
        The file; its name's ending decides nothing.
    name
        How messages and `source_file` name it.
    layer_hint
        Input it is read for, such as ``"elements"``: picks the layer of a GeoPackage, the sheet
        of that name in a workbook, and the points of that input in a point file.
    extent, margin_m
        West, south, east, north of the site in metres, and how far outside still counts; tells
        northing from easting in a point file.

    Returns
    -------
    table
        Rows as they stand.

    Raises
    ------
    RefusedFileError
        A kind of file that holds no survey rows, or one that the guard refuses.
    SurveyError
        As the reader says.
    """
    real = real_file(path)
    kind = kind_of(real)
    if kind is Kind.TEXT:
        return _from_text(real, name, layer_hint, extent, margin_m)
    if kind in (Kind.GEOJSON, Kind.JSON, Kind.GEOPACKAGE):
        from fencemap.bring_in.shapes import read_features

        return read_features(real, name=name, layer_hint=layer_hint)
    if kind is Kind.XLSX:
        return _from_workbook(real, name, layer_hint)
    return _from_other(real, kind, name)


def _from_other(real: Path, kind: Kind, name: str) -> RawTable:
    """Read the kinds that need nothing but their file."""
    from fencemap.bring_in.readers.exif import is_heic, read_photo
    from fencemap.bring_in.readers.gpx import read_gpx
    from fencemap.bring_in.readers.kml import read_kml
    from fencemap.bring_in.readers.shapefile import read_shapefile

    readers = {
        Kind.GPX: read_gpx,
        Kind.KML: read_kml,
        Kind.ZIP: read_kml,
        Kind.SHAPEFILE: read_shapefile,
        Kind.JPEG: read_photo,
    }
    reader = read_photo if is_heic(real) else readers.get(kind)
    if reader is None:
        raise RefusedFileError.at(
            name, f"is {kind.words}, which holds no survey rows", code="wrong-kind",
            remedy=_INSTEAD.get(kind, _ANY),
        )  # fmt: skip
    return reader(real, name=name)


def _from_text(
    real: Path, name: str, layer_hint: str, extent: tuple[float, float, float, float] | None,
    margin_m: float,
) -> RawTable:  # fmt: skip
    """Tell an NMEA log and a point file from a table with a header."""
    from fencemap.bring_in.readers._text import head_lines
    from fencemap.bring_in.readers.field_codes import codes
    from fencemap.bring_in.readers.nmea import looks_like_nmea, read_nmea
    from fencemap.bring_in.readers.point_file import looks_like_points, read_point_file
    from fencemap.bring_in.tables import read_delimited

    lines = head_lines(real)
    if looks_like_nmea(lines):
        return read_nmea(real, name=name)
    if looks_like_points(lines):
        inputs = {code.input for code in codes().values()}
        only = layer_hint if layer_hint in inputs else ""
        return read_point_file(real, name=name, extent=extent, margin_m=margin_m, only=only)
    _refuse_without_header(lines, name)
    return read_delimited(real, name=name)


def _refuse_without_header(lines: Sequence[str], name: str) -> None:
    """Refuse a text whose first line can't name columns: as names, numbers would lose a row."""
    first = next((line for line in lines if line.strip()), "")
    cells = [cell.strip().strip('"') for cell in re.split(r"[,;\t]", first)]
    numbers = sum(number(cell) is not None for cell in cells)
    if len(cells) == 1:
        code, reason = "no-separator", "its first line names one column only"
    elif numbers >= 2 and 2 * numbers >= len(cells):
        code, reason = "no-header", "its first line holds numbers, not the names of columns"
    else:
        return
    raise SurveyError.at(
        name, reason, row=1, code=code, value=first,
        remedy="Put the column names in line 1, with commas between them.",
    )  # fmt: skip


def _from_workbook(real: Path, name: str, layer_hint: str) -> RawTable:
    """Read the sheet that is named after the input, else the first."""
    from fencemap.bring_in.readers.xlsx import read_xlsx, sheet_names

    sheets = {sheet.lower(): sheet for sheet in sheet_names(real, name=name)}
    return read_xlsx(real, name=name, sheet=sheets.get(layer_hint.lower(), ""))
