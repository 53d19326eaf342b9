"""Read point files without a header: point, northing, easting, height, description.

``P,N,E,Z,D`` and ``P,E,N,Z,D`` are equally common and look the same, so the order is told from
the site's extent: the reading that puts the points into the site is the one. If both do, or
none, the file is refused with both readings shown; nothing is guessed.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fencemap.bring_in.raw import RawTable
from fencemap.bring_in.readers._gather import Gathered, check_size, listed_rows, number, show
from fencemap.bring_in.readers._text import lines_of
from fencemap.bring_in.readers.field_codes import Described, describe
from fencemap.crs import FOOT, US_SURVEY_FOOT, Reading, plausible
from fencemap.errors import SurveyError
from fencemap.guard import expect_kind, real_file

__all__ = ["looks_like_points", "read_point_file"]

Floats = NDArray[np.float64]
Extent = tuple[float, float, float, float]

_MOST_MIB = 48
_ORDERS: Final = ("PNEZD", "PENZD")
_SEPARATORS = (";", "\t", ",", " ")
_SAMPLE = 200
_LEAST_SHARE = 0.2  # of the first lines that must be points, for the file to be one of points
# What field programs write for "no height"; no site lies there.
_NO_HEIGHT = re.compile(r"-?9{4,9}(?:[.,][09]*)?")
_ZERO = re.compile(r"[-+]?0+(?:[.,]0*)?")
_NEAR_SEA_M = 10.0
_COLUMNS = ("element_id", "easting", "northing", "height", "code", "description")


@dataclass(frozen=True, slots=True)
class _Layout:
    """How the lines of one file are cut."""

    separator: str
    decimal: str


@dataclass(frozen=True, slots=True)
class _Line:
    """One point as it stands: name, two coordinates, height, description, further notes."""

    row: int
    name: str
    first: str
    second: str
    height: str
    description: str
    notes: str


def read_point_file(
    path: Path, *, name: str, extent: Extent | None, margin_m: float = 0.0, order: str = "",
    only: str = "",
) -> RawTable:  # fmt: skip
    """Read a point file.

    Parameters
    ----------
    path
        Comma, semicolon, tab or blanks between the fields; lines that begin with ``#`` are
        comments. Fields behind the description are notes.
    name
        How messages and `source_file` name the file.
    extent
        West, south, east, north of the site, metres; None = unknown.
    margin_m
        How far outside the extent still counts, metres.
    order
        ``"PNEZD"`` or ``"PENZD"`` if somebody chose it; it is held against the extent all the
        same. Empty = told from the extent.
    only
        Input to which the points must belong, by their code, such as ``"trees"``; points of
        other inputs are counted in a note. Empty = all. Points without a known code stay.

    Returns
    -------
    table
        Text cells; `rows` are line numbers. `height` is blank where none was measured. Columns
        from the description: `code`, `kind`, `role`, `target`, `material`, `string`,
        `stem_diameter_mm`, `line_command`, `rod_height_m`, `remarks`, `input`.

    Raises
    ------
    SurveyError
        No line holds a point; the order can't be told, or fits nowhere.
    RefusedFileError
        Not text, or larger than 48 MB.
    """
    real = real_file(path)
    expect_kind(real, "text")
    check_size(real, name=name, most_mib=_MOST_MIB, instead="Cut it to the site.")
    if order and order not in _ORDERS:
        raise SurveyError.at(
            name, f"the order {order!r} is unknown", code="point-order",
            remedy=f"Write {' or '.join(_ORDERS)}.",
        )  # fmt: skip
    lines, notes = lines_of(real, name=name)
    layout = _layout(lines)
    if layout is None:
        raise SurveyError.at(
            name, "no line holds a point, two coordinates and a height", code="no-points",
            remedy="Export it as point, northing, easting, height, description.",
        )  # fmt: skip
    found = Gathered(name, first=_COLUMNS)
    found.notes += notes
    points = list(_points(lines, layout, found))
    first, second = (_values(points, layout, which) for which in ("first", "second"))
    _refuse_unplaced(points, (first, second), found)
    known = np.isfinite(first) & np.isfinite(second)
    points = [points[index] for index in np.flatnonzero(known)]
    order = _order(first[known], second[known], points, extent, margin_m, order, found)
    _gather(points, _heights(points, layout, found), order, only, found)
    return found.table(decimal=layout.decimal)


def looks_like_points(lines: Iterable[str]) -> bool:
    """Tell whether lines are points without a header: names no columns, numbers in fields 2 and 3.

    Examples
    --------
    >>> from fencemap.bring_in.readers.point_file import looks_like_points
    >>> looks_like_points(["# job 7", "101,4823615.4,442118.9,187.3,FP"])
    True
    >>> looks_like_points(["id,northing,easting", "101,4823615.4,442118.9"])
    False
    """
    layout = _layout(lines)
    if layout is None:
        return False
    first = next(line for _, line in _data_lines(lines))
    return any(
        number(text, decimal=layout.decimal) is not None for text in _fields(first, layout)[1:4]
    )


def _data_lines(lines: Iterable[str]) -> Iterator[tuple[int, str]]:
    """Pass over blank lines and comments; line numbers from 1."""
    for row, line in enumerate(lines, 1):
        text = line.strip()
        if text and not text.startswith("#"):
            yield row, line


def _layout(lines: Iterable[str]) -> _Layout | None:
    """Find separator and decimal mark: those that make points of the most lines."""
    sample = [line for _, line in islice(_data_lines(lines), _SAMPLE)]
    best, most = None, 0
    for separator in _SEPARATORS:
        for decimal in "." if separator == "," else ".,":
            layout = _Layout(separator, decimal)
            count = sum(_is_point(line, layout) for line in sample)
            if count > most:
                best, most = layout, count
    return best if _LEAST_SHARE * len(sample) <= most else None


def _is_point(line: str, layout: _Layout) -> bool:
    fields = _fields(line, layout)
    return (
        len(fields) >= 4
        and all(number(text, decimal=layout.decimal) is not None for text in fields[1:3])
        and (not fields[3] or number(fields[3], decimal=layout.decimal) is not None)
    )


def _fields(line: str, layout: _Layout) -> list[str]:
    """Cut a line into point, two coordinates, height and the rest as it stands."""
    if layout.separator == " ":
        return line.split(None, 4)
    return [field.strip().strip('"') if place < 4 else field.strip()
            for place, field in enumerate(line.split(layout.separator, 4))]  # fmt: skip


def _points(lines: Iterable[str], layout: _Layout, found: Gathered) -> Iterator[_Line]:
    """Cut all lines; those with too few fields are refused."""
    for row, line in _data_lines(lines):
        fields = _fields(line, layout)
        if len(fields) < 4:
            found.refuse(
                row, "cell-count", f"has {len(fields)} fields; a point has at least four",
                "Give point, two coordinates and a height; leave the height empty if none was "
                "measured.", raw=line,
            )  # fmt: skip
            continue
        height = fields[3]
        if layout.separator == " " and number(height, decimal=layout.decimal) is None:
            found.refuse(
                row, "cell-count",
                "its fourth field is no height, and between blanks a missing height can't be told "
                "from a description", "Write -9999 for it, or separate the fields by commas.",
                raw=line, column="height", value=height,
            )  # fmt: skip
            continue
        description, notes = _rest(fields[4] if len(fields) > 4 else "", layout)
        point, first, second, height = fields[:4]
        yield _Line(row, point, first, second, height, description, notes)


def _rest(text: str, layout: _Layout) -> tuple[str, str]:
    """Cut description and notes; a description in quotation marks may hold the separator."""
    cells = [text] if layout.separator == " " else text.split(layout.separator)
    if text.startswith('"'):
        with suppress(csv.Error):  # a lone inch mark is no quotation
            cells = next(csv.reader([text], delimiter=layout.separator, strict=True), cells)
    return cells[0].strip(), "; ".join(cell.strip() for cell in cells[1:] if cell.strip())


def _values(points: Sequence[_Line], layout: _Layout, which: str) -> Floats:
    values = (number(getattr(point, which), decimal=layout.decimal) for point in points)
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _refuse_unplaced(
    points: Sequence[_Line], coordinates: tuple[Floats, Floats], found: Gathered
) -> None:
    for index in np.flatnonzero(~np.isfinite(coordinates).all(axis=0)).tolist():
        point = points[index]
        broken = point.first if np.isnan(coordinates[0][index]) else point.second
        found.refuse(
            point.row, "not-a-number",
            "a coordinate is not a number" if broken else "a coordinate is empty",
            "Write it with digits only.", raw=_as_written(point), value=broken,
        )  # fmt: skip


def _as_written(point: _Line) -> str:
    fields = (point.name, point.first, point.second, point.height, point.description, point.notes)
    return " | ".join(fields)


def _order(
    first: Floats, second: Floats, points: Sequence[_Line], extent: Extent | None,
    margin_m: float, order: str, found: Gathered,
) -> str:  # fmt: skip
    """Tell northing from easting by the site's extent."""
    if not points:
        return order or _ORDERS[0]
    if extent is None:
        if order:
            found.note(f"read as {order}, as was chosen; no boundary to hold it against")
            return order
        raise _asked(
            found.name, points, "the site has no boundary to tell northing from easting by"
        )
    reading = plausible(extent, second, first, margin_m=margin_m)
    fits = {Reading.AS_GIVEN: "PNEZD", Reading.SWAPPED: "PENZD"}.get(reading)
    if reading is Reading.NEITHER:
        raise _fits_nowhere(found.name, points, first, second, extent, margin_m)
    if fits is None and not order:
        raise _asked(found.name, points, "read either way the points lie in the site")
    if order and fits not in (None, order):
        raise _asked(
            found.name, points, f"{order} was chosen, but only {fits} puts it into the site"
        )
    chosen = order or str(fits)
    found.note(f"read as {chosen}: {'northing' if chosen == 'PNEZD' else 'easting'} first, "
               f"{'as was chosen' if order else 'told from the site extent'}")  # fmt: skip
    return chosen


def _both_readings(points: Sequence[_Line]) -> str:
    point = points[0]
    one, two = point.first, point.second
    return (
        f"Point {point.name} as PNEZD: easting {two}, northing {one}; "
        f"as PENZD: easting {one}, northing {two}"
    )


def _asked(name: str, points: Sequence[_Line], why: str) -> SurveyError:
    return SurveyError.at(
        name, f"the order of northing and easting can't be told: {why}. {_both_readings(points)}",
        row=points[0].row, code="point-order",
        remedy="Say which: PNEZD (northing first) or PENZD (easting first).",
    )  # fmt: skip


def _fits_nowhere(
    name: str, points: Sequence[_Line], first: Floats, second: Floats, extent: Extent,
    margin_m: float,
) -> SurveyError:  # fmt: skip
    """Refuse a file that lies outside either way; say so if feet would put it into the site."""
    feet = [
        unit.name
        for unit in (FOOT, US_SURVEY_FOOT)
        if plausible(extent, second * unit.metres, first * unit.metres, margin_m=margin_m)
        is not Reading.NEITHER
    ]
    west, south, east, north = extent
    remedy = "Check the coordinate system, or bring a local grid in by its control points."
    if feet:
        remedy = f"Its numbers would lie in the site as {' or '.join(feet)}: export metres."
    return SurveyError.at(
        name, f"most points lie outside the site (easting {west:.0f} to {east:.0f}, northing "
        f"{south:.0f} to {north:.0f}) either way. {_both_readings(points)}",
        row=points[0].row, code="outside-site", remedy=remedy,
    )  # fmt: skip


def _heights(points: Sequence[_Line], layout: _Layout, found: Gathered) -> list[tuple[str, str]]:
    """Give each point's height as text, and what is doubtful about it.

    Blank and -9999 mean that none was measured. Zero means it as well, unless the site lies at
    the sea: a height of 0.000 among heights of 187 m would put a post far underground.
    """
    values = _values(points, layout, "height")
    plain = [point.height for point in points]
    missing = np.array([bool(_NO_HEIGHT.fullmatch(text)) for text in plain], dtype=bool)
    zero = np.array([bool(_ZERO.fullmatch(text)) for text in plain], dtype=bool)
    rest = np.abs(values[~missing & ~zero & np.isfinite(values)])
    at_sea = len(rest) > 0 and float(np.median(rest)) <= _NEAR_SEA_M
    _note_heights(points, missing, zero, at_sea=at_sea, found=found)
    result = []
    for text, gone, none in zip(plain, missing, zero, strict=True):
        if gone:
            result.append(("", ""))
        elif none and not at_sea:
            doubt = f"the height {text} stands for none, as the others are far from zero"
            result.append(("", doubt if len(rest) else ""))
        else:
            result.append((text, "a height of exactly zero may stand for none" if none else ""))
    return result


def _note_heights(
    points: Sequence[_Line], missing: NDArray[np.bool_], zero: NDArray[np.bool_],
    *, at_sea: bool, found: Gathered,
) -> None:  # fmt: skip
    blank = np.array([not point.height for point in points], dtype=bool)
    if blank.any():
        found.note(f"no height in {_rows(points, blank)}")
    if missing.any():
        found.note(f"-9999 and the like read as no height in {_rows(points, missing)}")
    if zero.any() and not at_sea:
        found.note(f"heights of 0 read as no height in {_rows(points, zero)}")


def _rows(points: Sequence[_Line], mask: NDArray[np.bool_]) -> str:
    return listed_rows([points[index].row for index in np.flatnonzero(mask).tolist()])


def _gather(
    points: Sequence[_Line], heights: Sequence[tuple[str, str]], order: str, only: str,
    found: Gathered,
) -> None:  # fmt: skip
    said_before: dict[str, Described] = {}
    elsewhere: Counter[str] = Counter()
    for point, (height, doubt) in zip(points, heights, strict=True):
        said = said_before.setdefault(point.description, describe(point.description))
        if only and said.code is not None and said.code.input != only:
            elsewhere[said.code.input] += 1
            continue
        north_first = order == "PNEZD"
        kept = found.keep(
            point.row,
            {
                "element_id": point.name,
                "easting": point.second if north_first else point.first,
                "northing": point.first if north_first else point.second,
                "height": height,
                **_said(said),
                "description": point.description,
                **({"note": point.notes} if point.notes else {}),
            },
        )
        _doubt(kept, point, said, doubt, found.doubt)
    if elsewhere:
        counted = ", ".join(f"{name} {count}" for name, count in sorted(elsewhere.items()))
        found.note(f"points of other inputs, read where the file is listed for them: {counted}")


def _said(said: Described) -> dict[str, str]:
    """Turn a description into cells; blank ones are left out."""
    cells = {
        "remarks": said.remark,
        "material": said.material,
        "line_command": said.line_command,
        "rod_height_m": said.rod_height_m,
    }
    if said.code is not None:
        cells |= {
            "code": said.code.code,
            "kind": said.code.kind,
            "role": said.code.role,
            "target": said.code.target,
            "of": said.code.of,
            "input": said.code.input,
            said.code.number: said.number,
        }
    return {column: text for column, text in cells.items() if text}


def _doubt(
    kept: int, point: _Line, said: Described, height: str, doubt: Callable[[int, str, str], None]
) -> None:
    if said.code is None and point.description:
        word = show(point.description.split()[0])
        doubt(kept, "unknown-code", f"'{word}' is no known field code, so the kind is not known")
    elif said.code is None:
        doubt(kept, "no-code", "has no field code, so the kind is not known")
    for sentence in said.doubts:
        doubt(kept, "two-rod-heights", sentence)
    if height:
        doubt(kept, "zero-height", height)
