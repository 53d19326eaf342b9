"""Read logs of NMEA 0183 sentences: positions with fix quality, accuracy and geoid separation.

One row for each GGA sentence. GST of the same instant gives its standard deviations, RMC or ZDA
the date. A sentence whose checksum is wrong or missing is refused: one flipped digit moves a
post. Method: NMEA 0183 v4, fields as in the sentences' published descriptions.
"""

from __future__ import annotations

import re
from array import array
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely

from fencemap.bring_in.raw import RawTable
from fencemap.bring_in.readers._gather import WGS84, Gathered, check_size, listed_rows, number
from fencemap.bring_in.readers._text import lines_of
from fencemap.errors import SurveyError
from fencemap.guard import expect_kind, real_file

__all__ = ["looks_like_nmea", "read_nmea"]

_MOST_MIB = 48
_SENTENCE = re.compile(r"\$([A-Z]{2})([A-Z]{3}),([^*$]*)(?:\*([0-9A-Fa-f]{2})\s*)?", re.ASCII)
_TIME = re.compile(r"([01][0-9]|2[0-3])([0-5][0-9])([0-5][0-9]|60)(?:\.([0-9]{1,9}))?", re.ASCII)
# Quality indicator of GGA -> word of the vocabulary `fix_quality`.
_QUALITY: Final = {
    "1": "autonomous",
    "2": "dgps",
    "3": "pps",
    "4": "fixed",
    "5": "float",
    "6": "estimated",
}
_NOT_MEASURED = {"7": "typed in by hand", "8": "simulated"}
_CORRECTED = ("dgps", "fixed", "float")
_DAY_S = 86_400.0
_COLUMNS = (
    "time", "fix_quality", "satellites", "hdop", "height_above_geoid_m", "geoid_separation_m",
    "height_above_ellipsoid_m", "correction_age_s", "station", "sigma_h_m", "sigma_v_m",
    "accuracy_is", "sigma_latitude_m", "sigma_longitude_m",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Sentence:
    """One good sentence: line, talker and type, fields behind the type."""

    row: int
    kind: str
    fields: tuple[str, ...]
    text: str


def looks_like_nmea(lines: Sequence[str]) -> bool:
    """Tell whether most lines that are no comments hold an NMEA sentence.

    Examples
    --------
    >>> from fencemap.bring_in.readers.nmea import looks_like_nmea
    >>> looks_like_nmea(["$GPGGA,132819.60,,,,,0,,,,M,,M,,*76"])
    True
    """
    data = [line for line in lines if line.strip() and not line.lstrip().startswith("#")][:200]
    hits = sum(bool(_SENTENCE.search(line)) for line in data)
    return hits > 0 and 2 * hits > len(data)


def read_nmea(path: Path, *, name: str, crs: str = WGS84) -> RawTable:
    """Read an NMEA log.

    Parameters
    ----------
    path
        Text with one sentence a line; other lines are counted in a note.
    name
        How messages and `source_file` name the file.
    crs
        What the positions are in. A receiver that used corrections gives positions in the
        correction service's system, which the log does not name.

    Returns
    -------
    table
        Points (longitude, latitude) without height; `rows` are line numbers. Text columns:
        `time` (UTC), `fix_quality`, `satellites`, `hdop`, `height_above_geoid_m`,
        `geoid_separation_m`, `height_above_ellipsoid_m` (their sum), `correction_age_s`,
        `station`; from GST `sigma_h_m` (root mean square of both axes), `sigma_v_m`,
        `accuracy_is`.

    Raises
    ------
    SurveyError
        No GGA sentence, or positions in a datum that is not WGS 84 and no `crs` that says which.
    RefusedFileError
        Not text, or larger than 48 MB.
    """
    real = real_file(path)
    expect_kind(real, "text")
    check_size(real, name=name, most_mib=_MOST_MIB, instead="Cut it to the survey.")
    lines, notes = lines_of(real, name=name)
    found = Gathered(name, first=_COLUMNS)
    found.notes += notes
    sentences = _sentences(lines, found)
    fixes = [sentence for sentence in sentences if sentence.kind == "GGA"]
    if not fixes:
        raise SurveyError.at(
            name, "holds no position (GGA sentence)", code="no-positions",
            remedy="Log GGA, and GST for the accuracy.",
        )  # fmt: skip
    _check_datum(sentences, crs, name)
    date_of, sigmas_of = _dates(sentences, found), _sigmas(sentences)
    longitudes, latitudes = array("d"), array("d")
    for fix in fixes:
        _fix(fix, date_of, sigmas_of, found, longitudes, latitudes)
    _notes(found)
    points = shapely.points(np.column_stack([np.array(longitudes), np.array(latitudes)]))
    return found.table(geometry=np.asarray(points, dtype=object), crs=crs)


def _sentences(lines: Iterable[str], found: Gathered) -> list[_Sentence]:
    """Find the good sentences; broken ones are refused by line, other lines counted."""
    good: list[_Sentence] = []
    others, kinds = 0, Counter[str]()
    for row, line in enumerate(lines, 1):
        start = line.find("$")
        if start < 0 or line.lstrip().startswith("#"):
            others += bool(line.strip())
            continue
        text = line[start:].strip()
        match = _SENTENCE.fullmatch(text)
        if match is None:
            if re.match(r"\$P[A-Z]", text) or not re.match(r"\$[A-Z]{5}", text):
                others += 1  # a maker's own sentence, or none at all
                continue
            found.refuse(
                row, "broken-sentence", "is cut off or runs into the next sentence",
                "Log again without gaps.", raw=line,
            )  # fmt: skip
        elif not _checksum_holds(match, text):
            found.refuse(
                row, "checksum", "its checksum is wrong" if match[4] else "has no checksum",
                "Log again; a single wrong digit moves the point.", raw=line, value=match[4] or "",
            )  # fmt: skip
        else:
            kinds[match[2]] += 1
            good.append(_Sentence(row, match[2], tuple(match[3].split(",")), line))
    unused = ", ".join(
        f"{kind} {count}" for kind, count in sorted(kinds.items())
        if kind not in ("GGA", "GST", "RMC", "ZDA", "DTM")
    )  # fmt: skip
    if unused:
        found.note(f"sentences that hold nothing for a survey: {unused}")
    if others:
        found.note(f"{others} lines are no standard sentences and were passed over")
    return good


def _checksum_holds(match: re.Match[str], text: str) -> bool:
    """Compare with the exclusive or of all characters between $ and *."""
    if match[4] is None:
        return False
    total = 0
    for code in text[1 : text.index("*")].encode("latin-1", errors="replace"):
        total ^= code
    return total == int(match[4], 16)


def _check_datum(sentences: Sequence[_Sentence], crs: str, name: str) -> None:
    for sentence in sentences:
        if sentence.kind != "DTM" or crs != WGS84:
            continue
        datum = sentence.fields[0]
        if datum not in ("W84", ""):
            raise SurveyError.at(
                name, f"its positions are in the datum {datum}, not in WGS 84", row=sentence.row,
                code="datum", value=datum, remedy="Say which coordinate system that is.",
            )  # fmt: skip


def _seconds(text: str) -> float | None:
    """Read hhmmss.ss as seconds of the day."""
    match = _TIME.fullmatch(text)
    if match is None:
        return None
    hours, minutes, seconds = int(match[1]), int(match[2]), int(match[3])
    return hours * 3600 + minutes * 60 + seconds + float(f"0.{match[4] or 0}")


def _dates(sentences: Sequence[_Sentence], found: Gathered) -> Callable[[int, float], date | None]:
    """Make the function that dates a sentence: by the nearest dated one, over midnight too."""
    rows: list[int] = []
    known: list[tuple[float, date]] = []
    for sentence in sentences:
        day = _dated(sentence)
        seconds = _seconds(sentence.fields[0])
        if day is not None and seconds is not None:
            rows.append(sentence.row)
            known.append((seconds, day))
    if not rows:
        found.note("holds no date (RMC or ZDA sentence), so times are left blank")

    def date_of(row: int, seconds: float) -> date | None:
        if not rows:
            return None
        after = bisect_left(rows, row)
        near = [place for place in (after - 1, after) if 0 <= place < len(rows)]
        # The one of the same instant if there is one, else the nearest in the file.
        place = min(near, key=lambda at: (known[at][0] != seconds, abs(rows[at] - row)))
        at, day = known[place]
        if at - seconds > _DAY_S / 2:
            return day + timedelta(days=1)
        return day - timedelta(days=1) if seconds - at > _DAY_S / 2 else day

    return date_of


def _dated(sentence: _Sentence) -> date | None:
    """Read the date of an RMC (ddmmyy, valid ones only) or ZDA (day, month, year)."""
    fields = sentence.fields
    if sentence.kind == "RMC" and len(fields) > 8 and fields[1] == "A":
        text = fields[8]
        if not re.fullmatch(r"[0-9]{6}", text, re.ASCII):
            return None
        year = int(text[4:])
        parts = (year + (1900 if year >= 80 else 2000), int(text[2:4]), int(text[:2]))
    elif sentence.kind == "ZDA" and len(fields) > 3:
        if not all(re.fullmatch(r"[0-9]{1,4}", text, re.ASCII) for text in fields[1:4]):
            return None
        parts = (int(fields[3]), int(fields[2]), int(fields[1]))
    else:
        return None
    try:
        day = date(*parts)
    except ValueError:
        return None
    return day if 1980 <= day.year <= 2200 else None


def _sigmas(
    sentences: Sequence[_Sentence],
) -> Callable[[int, str], tuple[float, float, float] | None]:
    """Make the function that finds the standard deviations of the same instant, if near."""
    held: dict[str, list[tuple[int, tuple[float, float, float]]]] = {}
    for sentence in sentences:
        if sentence.kind != "GST" or len(sentence.fields) < 8:
            continue
        values = [number(text) for text in sentence.fields[5:8]]
        if all(value is not None and value >= 0 for value in values):
            given = tuple(value for value in values if value is not None)
            held.setdefault(sentence.fields[0], []).append((sentence.row, given))  # type: ignore[arg-type]

    def sigmas_of(row: int, time: str) -> tuple[float, float, float] | None:
        near = [(abs(at - row), values) for at, values in held.get(time, ()) if abs(at - row) <= 50]
        return min(near)[1] if near else None

    return sigmas_of


def _fix(
    fix: _Sentence, date_of: Callable[[int, float], date | None],
    sigmas_of: Callable[[int, str], tuple[float, float, float] | None],
    found: Gathered, longitudes: Any, latitudes: Any,
) -> None:  # fmt: skip
    """Keep or refuse one position."""
    reason = _reason_against(fix.fields)
    place = None
    if not reason[0]:
        place = _place(fix.fields)
        if isinstance(place, str):
            reason = ("no-position", place)
    if reason[0] or place is None or isinstance(place, str):
        found.refuse(
            fix.row, reason[0], reason[1], "Log again with a fix.", raw=fix.text,
            column="fix_quality" if reason[0] == "no-fix" else "",
        )  # fmt: skip
        return
    fields = fix.fields
    cells = {
        "fix_quality": _QUALITY[fields[5]],
        "satellites": fields[6],
        "hdop": fields[7],
        "correction_age_s": fields[12],
        "station": fields[13],
        **_heights(fields),
        **_time_cells(fix, date_of),
        **_sigma_cells(sigmas_of(fix.row, fields[0])),
    }
    found.keep(fix.row, {column: text for column, text in cells.items() if text})
    longitudes.append(place[0])
    latitudes.append(place[1])


def _reason_against(fields: tuple[str, ...]) -> tuple[str, str]:
    """Say why a GGA sentence is no measured position: code and reason; empty if it is one."""
    if len(fields) != 14:
        return "broken-sentence", f"has {len(fields)} fields; a GGA sentence has 14"
    quality = fields[5]
    if quality in ("0", ""):
        return "no-fix", "the receiver had no fix"
    if quality in _NOT_MEASURED:
        return "not-measured", f"the position was {_NOT_MEASURED[quality]} (quality {quality})"
    if quality not in _QUALITY:
        return "no-fix", f"the fix quality {quality} is none of NMEA 0183"
    return "", ""


def _place(fields: tuple[str, ...]) -> tuple[float, float] | str:
    """Read longitude and latitude in degrees and decimal minutes; text says what is wrong."""
    values = []
    for name, text, letter, letters, width, limit in (
        ("longitude", fields[3], fields[4], "EW", 3, 180.0),
        ("latitude", fields[1], fields[2], "NS", 2, 90.0),
    ):
        match = re.fullmatch(rf"([0-9]{{{width}}})([0-9]{{2}}(?:\.[0-9]{{1,12}})?)", text, re.ASCII)
        if match is None or len(letter) != 1 or letter not in letters:
            return f"its {name} {text},{letter} can't be read"
        if float(match[2]) >= 60:
            return f"its {name} {text} has {match[2]} minutes"
        degrees = int(match[1]) + float(match[2]) / 60
        if degrees > limit:
            return f"its {name} {text} is beyond {limit:g} degrees"
        values.append(-degrees if letter in "WS" else degrees)
    return values[0], values[1]


def _heights(fields: tuple[str, ...]) -> dict[str, str]:
    """Take the height, the geoid separation and their sum, where they are metres."""
    above, separation = number(fields[8]), number(fields[10])
    cells = {}
    if above is not None and fields[9] == "M":
        cells["height_above_geoid_m"] = fields[8]
    if separation is not None and fields[11] == "M":
        cells["geoid_separation_m"] = fields[10]
    if len(cells) == 2 and above is not None and separation is not None:
        decimals = max(len(text.partition(".")[2]) for text in (fields[8], fields[10]))
        cells["height_above_ellipsoid_m"] = f"{above + separation:.{decimals}f}"
    return cells


def _time_cells(fix: _Sentence, date_of: Callable[[int, float], date | None]) -> dict[str, str]:
    seconds = _seconds(fix.fields[0])
    if seconds is None:
        return {}
    day = date_of(fix.row, seconds)
    text = fix.fields[0]
    clock = f"{text[:2]}:{text[2:4]}:{text[4:]}"
    # A leap second has no place in ISO clocks of most programs; it is a second early instead.
    clock = clock.replace(":60", ":59") if clock[6:8] == "60" else clock
    return {"time": f"{day.isoformat()}T{clock}Z"} if day else {"time_of_day": clock}


def _sigma_cells(sigmas: tuple[float, float, float] | None) -> dict[str, str]:
    if sigmas is None:
        return {}
    latitude, longitude, height = sigmas
    return {
        "sigma_h_m": f"{np.hypot(latitude, longitude) / np.sqrt(2):.4f}",
        "sigma_v_m": f"{height:.4f}",
        "accuracy_is": "axis sd",
        "sigma_latitude_m": f"{latitude:g}",
        "sigma_longitude_m": f"{longitude:g}",
    }


def _notes(found: Gathered) -> None:
    qualities = found.column("fix_quality")
    if qualities:
        counted = ", ".join(f"{word} {count}" for word, count in sorted(Counter(qualities).items()))
        found.note(f"fixes by quality: {counted}")
    corrected = [index for index, word in enumerate(qualities) if word in _CORRECTED]
    if corrected:
        found.note(
            f"corrections were used in {listed_rows(found.rows_of(corrected), most=3)}: their "
            "positions are in the correction service's system, which the log does not name"
        )
    if found.holds("height_above_geoid_m"):
        found.note(
            "heights are of the antenna and above the receiver's own geoid model, so they are not "
            "used; map one of the columns if a control point proves what it is"
        )
