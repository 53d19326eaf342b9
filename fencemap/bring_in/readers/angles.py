"""Longitudes and latitudes as people write them, into decimal degrees.

=================  ==========================  =======================================
notation           written as                  told by
=================  ==========================  =======================================
DD                 ``-41.5749659``             a bare number
DDM                ``41°34.4980'N``            a degree mark, or two numbers
DMS                ``41 34 29.877 N``          degree, minute and second, or three numbers
DDD.MMSSsss        ``-36.3348253617``          never told: it looks like DD
=================  ==========================  =======================================

``-36.3348253617`` means 36° 33' 48.253617" S in the last one and lies 0.23° (25 km) away if it
is read as decimal degrees, which is plausible too. So that notation is only read when somebody
chose it, and the outcome is held against the site's extent either way.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from fencemap.bring_in.readers._gather import show
from fencemap.errors import SurveyError

__all__ = ["Angle", "Angles", "Axis", "Notation", "parse_angle", "read_angles", "read_lonlat"]

Axis = Literal["longitude", "latitude"]
Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]


class Notation(StrEnum):
    """How an angle is written; see the table above."""

    DECIMAL = "DD"
    MINUTES = "DDM"
    SECONDS = "DMS"
    PACKED = "DDD.MMSSsss"


@dataclass(frozen=True, slots=True)
class Angle:
    """One angle: degrees (NaN if refused), how it was written, and why it was refused."""

    degrees: float
    notation: Notation | None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Angles:
    """A column of angles; `reasons` is empty where a cell was read or blank. (n,) each."""

    degrees: Floats
    bad: NDArray[np.bool_]
    reasons: NDArray[np.object_]
    notations: frozenset[Notation]


_LETTERS = {"latitude": ("N", "S"), "longitude": ("E", "W")}
_LIMIT = {"latitude": 90.0, "longitude": 180.0}
_N = r"[0-9]{1,9}(?:[.,][0-9]{1,15})?"
_DEGREE, _MINUTE, _SECOND = "[°ºd]", "[′’'m]", "(?:[″”\"s]|''|′′|’’)"
# Marks, colons or blanks between the parts; with marks each part may only have its own.
_MARKED = re.compile(
    rf"({_N})\s*{_DEGREE}(?:\s*({_N})\s*{_MINUTE}(?:\s*({_N})\s*{_SECOND})?)?", re.IGNORECASE
)
_PLAIN = re.compile(rf"({_N})(?:(?:\s*:\s*|\s+)({_N})(?:(?:\s*:\s*|\s+)({_N}))?)?")
_PACKED = re.compile(r"([0-9]{1,3})(?:\.([0-9]{0,15}))?")
_LONGEST = 60
_BLANK: Final = Angle(float("nan"), None)


def parse_angle(text: object, *, axis: Axis, notation: Notation | None = None) -> Angle:
    r"""Read one angle.

    Parameters
    ----------
    text
        Text, or a number from a typed file. Blank gives NaN without a reason. A decimal comma
        is understood.
    axis
        Whose letters (N, S or E, W) and range hold.
    notation
        What was chosen; None = recognised by its marks, a bare number being decimal degrees.

    Examples
    --------
    >>> from fencemap.bring_in.readers.angles import Notation, parse_angle
    >>> round(parse_angle("41°34'29.877\"S", axis="latitude").degrees, 7)
    -41.5749658
    >>> packed = parse_angle("-36.3348253617", axis="latitude", notation=Notation.PACKED)
    >>> round(packed.degrees, 8)
    -36.56340378
    >>> parse_angle("41 61 N", axis="latitude").reason
    'has 61 minutes'
    """
    given = _as_text(text)
    if not given:
        return _BLANK
    if len(given) > _LONGEST:
        return _refused("is no angle")
    sign, body, reason = _signed(given, axis)
    if not reason and notation is Notation.PACKED:
        return _checked(sign, _packed_parts(body), Notation.PACKED, axis)
    parts = [] if reason else _parts(body)
    if not parts:
        return _refused(reason or "is no angle")
    found = (Notation.DECIMAL, Notation.MINUTES, Notation.SECONDS)[len(parts) - 1]
    if notation is not None and found is not notation:
        return _refused(f"is written as {found.value}, not as {notation.value}")
    return _checked(sign, parts, found, axis)


def read_angles(values: NDArray[Any], *, axis: Axis, notation: Notation | None = None) -> Angles:
    """Read a column of angles (n,); blank cells are NaN and not bad.

    Each cell is recognised for itself unless `notation` says how all are written.
    """
    degrees = np.full(len(values), np.nan)
    reasons = np.full(len(values), "", dtype=object)
    found: set[Notation] = set()
    for index, value in enumerate(values.tolist()):
        angle = parse_angle(value, axis=axis, notation=notation)
        degrees[index] = angle.degrees
        reasons[index] = angle.reason
        if angle.notation is not None:
            found.add(angle.notation)
    return Angles(degrees, reasons != "", reasons, frozenset(found))


def read_lonlat(
    longitude: NDArray[Any], latitude: NDArray[Any], *, name: str, box: Box | None,
    notation: Notation | None = None, margin_deg: float = 0.01,
) -> tuple[Angles, Angles, tuple[str, ...]]:  # fmt: skip
    """Read both columns of a position and hold them against the site's extent.

    Parameters
    ----------
    longitude, latitude
        Cells; (n,).
    name
        How messages name the file.
    box
        West, south, east, north of the site in degrees (`fencemap.crs.lonlat_area`); None where
        the site has no boundary.
    notation
        What was chosen for this file; None = recognised.
    margin_deg
        How far outside the box still counts, degrees. 0.01 is about 1 km.

    Returns
    -------
    longitude, latitude, notes
        Both columns read, and sentences for the run's log.

    Raises
    ------
    SurveyError
        DDD.MMSSsss without a box to hold it against; another notation or the other order of the
        columns would put the points into the site and this one does not; or none does. Shows
        what the first position would be in each reading.
    """
    if notation is Notation.PACKED and box is None:
        raise SurveyError.at(
            name,
            "angles as DDD.MMSSsss can't be told from decimal degrees, and there is no boundary "
            "to hold them against",
            code="angle-notation",
            remedy="Give the site a boundary, or export decimal degrees.",
        )
    read = _both(longitude, latitude, notation)
    notes = _notation_notes(name, *read, notation)
    if box is None or _share_inside(*read, box, margin_deg) > 0.5:
        return (*read, notes)
    other = Notation.DECIMAL if notation is Notation.PACKED else Notation.PACKED
    readings = {
        f"as {other.value}": _both(longitude, latitude, other),
        "with longitude and latitude swapped": _both(latitude, longitude, notation),
    }
    fitting = [
        words for words, each in readings.items() if _share_inside(*each, box, margin_deg) > 0.5
    ]
    if not fitting and not _known(read).any():
        return (*read, notes)  # nothing that could lie anywhere; each cell has its reason
    raise _outside(name, read, readings, fitting, box)


def _as_text(value: object) -> str:
    """Write a cell as text, a number without an exponent and digit for digit; blank if it holds none."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, float) and math.isfinite(value):
        return np.format_float_positional(value, trim="-")
    if isinstance(value, int) and abs(value) > 360:
        return "#"  # no angle; a longer one could not even be written
    return str(value).strip()


def _signed(given: str, axis: Axis) -> tuple[float, str, str]:
    """Take sign and letter off; the third is why that can't be."""
    letters = "NSEW"
    text = given.upper()
    front, back = text[0] in letters, text[-1] in letters
    # In 41d34m29.9s the last letter is the seconds' mark; a capital one may be either.
    if back and re.search(r"M\s*[0-9.,]+S$", text):
        if given[-1] == "S":
            return 1.0, "", "ends with S, which may mean seconds or south"
        back = False
    if front and back:
        return 1.0, "", "names its direction twice"
    letter = text[0] if front else text[-1] if back else ""
    body = given[1:] if front else given[:-1] if back else given
    body = body.strip()
    if letter and letter not in _LETTERS[axis]:
        return 1.0, "", f"has the letter {letter}, which no {axis} has"
    # A minus sign may be typographic.
    negative = body[:1] in ("-", "\u2212")
    if negative or body[:1] == "+":
        body = body[1:].strip()
        if letter:
            return 1.0, "", "has a sign and a letter"
    return (-1.0 if negative or letter in ("S", "W") else 1.0), body, ""


def _parts(body: str) -> list[str]:
    """Cut into degrees, minutes and seconds; nothing where the text is no angle."""
    match = _MARKED.fullmatch(body) or _PLAIN.fullmatch(body)
    if match is None:
        return []
    parts = [part.replace(",", ".") for part in match.groups() if part is not None]
    return parts if all("." not in part for part in parts[:-1]) else []


def _packed_parts(body: str) -> list[str]:
    """Cut DDD.MMSSsss by its digits, never by arithmetic: 0.60 as a float is 0.5999."""
    match = _PACKED.fullmatch(body.replace(",", "."))
    if match is None:
        return []
    digits = (match[2] or "").ljust(4, "0")
    seconds = f"{digits[2:4]}.{digits[4:]}" if len(digits) > 4 else digits[2:4]
    return [match[1], digits[:2], seconds]


def _checked(sign: float, parts: list[str], notation: Notation, axis: Axis) -> Angle:
    if not parts:
        return _refused(f"is no angle written as {notation.value}")
    for value, unit in zip(parts[1:], ("minutes", "seconds"), strict=False):
        if float(value) >= 60:
            return _refused(f"has {value} {unit}")
    scale = (1.0, 60.0, 3600.0)
    degrees = sign * sum(float(value) / by for value, by in zip(parts, scale, strict=False))
    if abs(degrees) > _LIMIT[axis]:
        return _refused(f"is beyond {_LIMIT[axis]:g} degrees")
    return Angle(degrees, notation)


def _refused(reason: str) -> Angle:
    return Angle(float("nan"), None, reason)


def _both(
    longitude: NDArray[Any], latitude: NDArray[Any], notation: Notation | None
) -> tuple[Angles, Angles]:
    return (
        read_angles(longitude, axis="longitude", notation=notation),
        read_angles(latitude, axis="latitude", notation=notation),
    )


def _share_inside(longitude: Angles, latitude: Angles, box: Box, margin_deg: float) -> float:
    """Share of the positions that lie in the box; 0 where there is none."""
    west, south, east, north = box
    x, y = longitude.degrees, latitude.degrees
    known = _known((longitude, latitude))
    inside = (x >= west - margin_deg) & (x <= east + margin_deg)
    inside &= (y >= south - margin_deg) & (y <= north + margin_deg)
    return float(inside[known].mean()) if known.any() else 0.0


def _notation_notes(
    name: str, longitude: Angles, latitude: Angles, notation: Notation | None
) -> tuple[str, ...]:
    found = longitude.notations | latitude.notations
    if notation is not None:
        return (f"{name}: angles read as {notation.value}, as was chosen",)
    if found <= {Notation.DECIMAL}:
        return ()
    said = " and ".join(sorted(item.value for item in found))
    return (f"{name}: angles recognised by their marks as {said}",)


def _known(reading: tuple[Angles, Angles]) -> NDArray[np.bool_]:
    return np.asarray(np.isfinite(reading[0].degrees) & np.isfinite(reading[1].degrees))


def _outside(
    name: str, read: tuple[Angles, Angles], readings: dict[str, tuple[Angles, Angles]],
    fitting: list[str], box: Box,
) -> SurveyError:  # fmt: skip
    """Say what the first position is in each reading, and which reading fits the site."""
    any_known = np.logical_or.reduce([_known(each) for each in (read, *readings.values())])
    row = int(np.flatnonzero(any_known)[0])
    shown = [f"as given {_position(read, row)}"]
    shown += [f"{words} {_position(reading, row)}" for words, reading in readings.items()]
    west, south, east, north = box
    reason = (
        f"most positions lie outside the site ({west:.4f} to {east:.4f}, {south:.4f} to "
        f"{north:.4f}); the first is {'; '.join(shown)}"
    )
    if fitting:
        remedy = f"Read {' or '.join(fitting)}, they would lie in the site: say so, or mend them."
        return SurveyError.at(
            name, reason, remedy=remedy, code="angle-notation", column="longitude"
        )
    return SurveyError.at(
        name, reason, remedy="Check the columns, the datum and the site's boundary.",
        code="outside-site", column="longitude",
    )  # fmt: skip


def _position(reading: tuple[Angles, Angles], row: int) -> str:
    x, y = (angles.degrees[row] for angles in reading)
    if not (np.isfinite(x) and np.isfinite(y)):
        return "(no angle)"
    return show(f"({x:.6f}, {y:.6f})")
