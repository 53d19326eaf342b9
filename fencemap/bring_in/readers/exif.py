"""Read what a camera wrote into a photograph: where, which way it looked, when.

Method: Exif 2.32 / 3.0 (CIPA DC-008). A direction counts with its reference only: true or
magnetic north, else it is absent. The satellite's time is UTC and goes before the camera's clock,
which is local and often wrong. A position that can't be true refuses the photograph's row; a
photograph without one is kept, as it may be tied to its element by name.
"""

from __future__ import annotations

import hashlib
import math
import re
import struct
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from fencemap.bring_in.raw import RawTable
from fencemap.bring_in.readers._gather import WGS84, Gathered, out_of_range, show
from fencemap.errors import InputError, RefusedFileError
from fencemap.guard import expect_kind, real_file

__all__ = ["is_heic", "read_photo", "read_photos"]

_COLUMNS = (
    "photo", "time", "time_is", "camera_time", "satellite_time", "direction_deg", "direction_is",
    "focal_length_mm", "sigma_h_m", "altitude_m", "altitude_is", "sha256",
)  # fmt: skip
_EXIF_IFD, _GPS_IFD = 0x8769, 0x8825
_TAKEN, _TAKEN_OFFSET, _FOCAL = 0x9003, 0x9011, 0x920A
# Tags of the GPS part, Exif 4.6.6.
_LAT_REF, _LAT, _LON_REF, _LON, _ALT_REF, _ALT, _TIME = 1, 2, 3, 4, 5, 6, 7
_DIRECTION_REF, _DIRECTION, _DATUM, _DATE, _ERROR = 16, 17, 18, 29, 31
_DATUMS = {"", "WGS84", "WGS1984"}
_HEIC = re.compile(rb"heic|heix|hevc|heim|heis|mif1|msf1|avif", re.ASCII)
_CLOCK_S = 90.0
_FAULTS = (
    OSError, ImportError, SyntaxError, ValueError, TypeError, KeyError, IndexError, AttributeError,
    ArithmeticError, EOFError, struct.error, RecursionError,
)  # fmt: skip


class _Nonsense(Exception):  # noqa: N818  leaves no module
    """A tag that can't be true: column and reason."""

    def __init__(self, column: str, value: object, reason: str) -> None:
        super().__init__(reason)
        self.column, self.value, self.reason = column, value, reason


@dataclass(frozen=True, slots=True)
class _Tags:
    """The parts of one photograph's tags that matter here."""

    taken: str
    taken_offset: str
    focal_length: Any
    gps: Mapping[int, Any]
    warned: tuple[str, ...]


def read_photo(path: Path, *, name: str) -> RawTable:
    """Read one photograph; see `read_photos`. The table has one row, number 1.

    Raises
    ------
    RefusedFileError
        No JPEG, or HEIC without the optional reader.
    """
    return read_photos([path], names=[name], name=name)


def read_photos(paths: Sequence[Path], *, names: Sequence[str], name: str) -> RawTable:
    """Read photographs into rows for the layer `photos`.

    Parameters
    ----------
    paths
        JPEG files; HEIC where `pillow-heif` is installed.
    names
        How messages and the column `photo` name each of them.
    name
        How messages name all together, such as the folder.

    Returns
    -------
    table
        Points in WGS 84 without height, None for a photograph without a position; `rows` count
        `paths` from 1. Columns: `photo`, `time` (ISO 8601; UTC unless `time_is` says "camera
        clock, zone not said"), `time_is`, `camera_time`, `satellite_time`, `direction_deg`,
        `direction_is` (true, magnetic, absent), `focal_length_mm`, `sigma_h_m` as the camera
        estimated it, `altitude_m`, `altitude_is`, `sha256`.

    Raises
    ------
    RefusedFileError
        The only one of `paths` is no photograph. Among several, each bad one refuses its row.
    """
    found = Gathered(name, first=_COLUMNS)
    shapes: list[Any] = []
    for row, (path, photo) in enumerate(zip(paths, names, strict=True), 1):
        try:
            real = real_file(path)
            tags = _tags(real, photo)
        except InputError as error:
            if len(paths) == 1:
                raise
            problem = error.problems[0]
            found.refuse(row, problem.code, problem.reason, problem.remedy, raw=photo, file=photo)
            continue
        _photo(row, photo, real, tags, found, shapes)
    _notes(found)
    geometry = np.empty(len(shapes), dtype=object)
    geometry[:] = shapes
    return found.table(geometry=geometry, crs=WGS84)


def is_heic(path: Path) -> bool:
    """Tell whether a file is HEIC or a sister format by its first bytes."""
    with real_file(path).open("rb") as stream:
        head = stream.read(32)
    return head[4:8] == b"ftyp" and bool(_HEIC.search(head[8:]))


def _tags(real: Path, name: str) -> _Tags:
    """Read the tags; no pixel is touched."""
    if is_heic(real):
        return _from_exif(_heic_exif(real, name), ())
    expect_kind(real, "jpeg")
    from PIL import Image

    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            with Image.open(real, formats=("JPEG", "MPO")) as image:
                tags = _from_exif(image.getexif(), ())
        except (*_FAULTS, Image.DecompressionBombError) as error:
            raise RefusedFileError.at(
                name, f"its picture or its tags are damaged ({show(error) or type(error).__name__})",
                remedy="Copy it again from the camera.", code="damaged",
            ) from None  # fmt: skip
    said = tuple(sorted({show(item.message).strip() for item in caught}))
    return _Tags(tags.taken, tags.taken_offset, tags.focal_length, tags.gps, said)


def _heic_exif(real: Path, name: str) -> Any:
    from PIL import Image

    if find_spec("pillow_heif") is None:
        raise RefusedFileError.at(
            name, "is HEIC, which can't be read here", code="heic",
            remedy="Save it as JPEG, or install pillow-heif.",
        )  # fmt: skip
    exif = Image.Exif()
    try:
        heif: Any = import_module("pillow_heif")
        held = heif.open_heif(real, convert_hdr_to_8bit=False).info.get("exif")
        exif.load(held or b"")
    except _FAULTS as error:
        raise RefusedFileError.at(
            name, f"its picture or its tags are damaged ({show(error)})",
            remedy="Copy it again from the camera.", code="damaged",
        ) from None  # fmt: skip
    return exif


def _from_exif(exif: Any, warned: tuple[str, ...]) -> _Tags:
    details, gps = dict(exif.get_ifd(_EXIF_IFD)), dict(exif.get_ifd(_GPS_IFD))
    return _Tags(
        _text(details.get(_TAKEN)), _text(details.get(_TAKEN_OFFSET)), details.get(_FOCAL), gps,
        warned,
    )  # fmt: skip


def _photo(
    row: int, name: str, real: Path, tags: _Tags, found: Gathered, shapes: list[Any]
) -> None:
    """Keep or refuse one photograph."""
    try:
        place = _place(tags.gps)
    except _Nonsense as nonsense:
        found.refuse(
            row, "no-position", nonsense.reason, "Take the position out of the photograph, or "
            "give its element by name.", raw=name, column=nonsense.column, value=nonsense.value,
            file=name,
        )  # fmt: skip
        return
    with real.open("rb") as stream:
        digest = hashlib.file_digest(stream, "sha256").hexdigest()
    cells: dict[str, Any] = {"photo": name, "sha256": digest}
    doubts: list[tuple[str, str]] = []
    cells |= _times(tags, doubts)
    cells |= _direction(tags.gps, doubts)
    cells |= _altitude(tags.gps)
    focal, error = _number(tags.focal_length), _number(tags.gps.get(_ERROR))
    if focal is not None and focal > 0:
        cells["focal_length_mm"] = focal
    if error is not None and error > 0:
        cells["sigma_h_m"] = error
    doubts += [("damaged-tags", text) for text in tags.warned]
    index = found.keep(row, cells)
    for code, sentence in doubts:
        found.doubt(index, code, sentence)
    shapes.append(None if place is None else shapely.Point(place))


# Where


def _place(gps: Mapping[int, Any]) -> tuple[float, float] | None:
    """Give longitude and latitude; None where the camera wrote neither."""
    if _LAT not in gps and _LON not in gps:
        return None
    datum = re.sub(r"[^A-Z0-9]", "", _text(gps.get(_DATUM)).upper())
    if datum not in _DATUMS:
        raise _Nonsense("position", gps[_DATUM], f"its position is in the datum {show(datum)}")
    latitude = _degrees(gps.get(_LAT), _text(gps.get(_LAT_REF)), "latitude", "NS")
    longitude = _degrees(gps.get(_LON), _text(gps.get(_LON_REF)), "longitude", "EW")
    reason = out_of_range(longitude, latitude)
    if reason:
        raise _Nonsense("position", f"{latitude:g}, {longitude:g}", reason)
    if latitude == 0 and longitude == 0:
        raise _Nonsense(
            "position", "0, 0", "its position is zero, which cameras write without a fix"
        )
    return longitude, latitude


def _degrees(value: Any, letter: str, name: str, letters: str) -> float:
    """Read degrees, minutes and seconds, each a fraction; decimal minutes come the same way."""
    if value is None:
        raise _Nonsense(name, "", f"its position lacks the {name}")
    if not isinstance(value, tuple) or len(value) != 3:
        raise _Nonsense(name, value, f"its {name} is not degrees, minutes and seconds")
    parts = [_number(part) for part in value]
    degrees, minutes, seconds = (math.nan if part is None else part for part in parts)
    if not (degrees >= 0 and 0 <= minutes < 60 and 0 <= seconds < 60):
        raise _Nonsense(name, value, f"its {name} is not degrees, minutes and seconds")
    if len(letter) != 1 or letter.upper() not in letters:
        raise _Nonsense(name, letter, f"its {name} says neither {' nor '.join(letters)}")
    total = degrees + minutes / 60 + seconds / 3600
    return -total if letter.upper() in "SW" else total


def _altitude(gps: Mapping[int, Any]) -> dict[str, Any]:
    """Give the altitude and what it is above; it is no height of the site."""
    value = _number(gps.get(_ALT))
    if value is None:
        return {}
    reference = gps.get(_ALT_REF, b"\0")
    code = reference[0] if isinstance(reference, bytes) and reference else reference
    words = {
        0: "above the sea",
        1: "below the sea",
        2: "above the ellipsoid",
        3: "below the ellipsoid",
    }
    said = words.get(code if isinstance(code, int) else -1, "not said")
    return {"altitude_m": -value if code in (1, 3) else value, "altitude_is": said}


def _direction(gps: Mapping[int, Any], doubts: list[tuple[str, str]]) -> dict[str, Any]:
    """Give the direction of view and what it counts from."""
    if _DIRECTION not in gps:
        return {"direction_is": "absent"}
    value = _number(gps[_DIRECTION])
    word = {"T": "true", "M": "magnetic"}.get(_text(gps.get(_DIRECTION_REF)).upper())
    if value is None or not 0 <= value <= 360:
        doubts.append(("direction", f"its direction {show(gps[_DIRECTION])} is none"))
    elif word is None:
        doubts.append(
            (
                "direction",
                f"its direction {value:g} says neither true nor magnetic north, so it is left out",
            )
        )
    else:
        return {"direction_deg": value, "direction_is": word}
    return {"direction_is": "absent"}


# When


def _times(tags: _Tags, doubts: list[tuple[str, str]]) -> dict[str, Any]:
    """Settle on one time and say where it comes from."""
    satellite, camera = _satellite_time(tags.gps, doubts), _camera_time(tags.taken, doubts)
    cells: dict[str, Any] = {}
    if satellite is not None:
        cells["satellite_time"] = _iso(satellite)
    if camera is not None:
        cells["camera_time"] = camera.isoformat() + _offset_text(tags.taken_offset)
    if satellite is not None:
        cells |= {"time": _iso(satellite), "time_is": "satellite"}
        _compare(satellite, camera, tags.taken_offset, doubts)
    elif camera is not None and _offset(tags.taken_offset) is not None:
        shift = _offset(tags.taken_offset) or timedelta(0)
        cells |= {"time": _iso((camera - shift).replace(tzinfo=UTC)), "time_is": "camera clock"}
    elif camera is not None:
        cells |= {"time": camera.isoformat(), "time_is": "camera clock, zone not said"}
    return cells


def _iso(moment: datetime) -> str:
    return moment.isoformat().replace("+00:00", "Z")


def _satellite_time(gps: Mapping[int, Any], doubts: list[tuple[str, str]]) -> datetime | None:
    day, clock = _text(gps.get(_DATE)), gps.get(_TIME)
    if not day and clock is None:
        return None
    match = re.fullmatch(r"([0-9]{4})[:\-/]([0-9]{1,2})[:\-/]([0-9]{1,2})", day, re.ASCII)
    parts = [_number(part) for part in clock] if isinstance(clock, tuple) else []
    if match is None or len(parts) != 3 or None in parts:
        if day and clock is not None:
            doubts.append(
                ("satellite-time", f"its satellite time {show(day)} {show(clock)} is none")
            )
        return None
    hours, minutes, seconds = (part or 0.0 for part in parts)
    try:
        start = datetime(int(match[1]), int(match[2]), int(match[3]), tzinfo=UTC)
    except ValueError:
        start = None
    if start is None or not (0 <= hours < 24 and 0 <= minutes < 60 and 0 <= seconds < 61):
        doubts.append(("satellite-time", f"its satellite time {show(day)} {show(clock)} is none"))
        return None
    whole = round((hours * 3600 + minutes * 60 + seconds) * 1000)
    return start + timedelta(milliseconds=whole)


def _camera_time(text: str, doubts: list[tuple[str, str]]) -> datetime | None:
    """Read ``YYYY:MM:DD hh:mm:ss``; blanks and zeros mean that the clock was never set."""
    if not text.replace(":", "").replace("0", "").strip():
        return None
    try:
        return datetime.strptime(text, "%Y:%m:%d %H:%M:%S")  # noqa: DTZ007  local, as cameras are
    except ValueError:
        doubts.append(("camera-time", f"its camera time {show(text)} is none"))
        return None


def _offset(text: str) -> timedelta | None:
    match = re.fullmatch(r"([+-])([01][0-9]):([0-5][0-9])", text, re.ASCII)
    if match is None:
        return timedelta(0) if text == "Z" else None
    shift = timedelta(hours=int(match[2]), minutes=int(match[3]))
    return -shift if match[1] == "-" else shift


def _offset_text(text: str) -> str:
    return text if _offset(text) is not None else ""


def _compare(
    satellite: datetime, camera: datetime | None, offset: str, doubts: list[tuple[str, str]]
) -> None:
    """Say so if the camera's clock and the satellite disagree; zones are whole quarters of hours."""
    if camera is None:
        return
    shift = _offset(offset)
    apart = (camera.replace(tzinfo=UTC) - satellite).total_seconds()
    if shift is not None:
        apart -= shift.total_seconds()
    elif abs(apart) <= 15 * 3600:
        apart -= round(apart / 900) * 900
    if abs(apart) > _CLOCK_S:
        said = f"camera clock and satellite time are {apart:+.0f} s apart; the satellite's is taken"
        doubts.append(("clocks-apart", said))


def _number(value: Any) -> float | None:
    """Turn a rational into a number; one with a zero below is none."""
    if value is None or isinstance(value, str | bytes | tuple):
        return None
    try:
        given = float(value)
    except (TypeError, ValueError, ArithmeticError):
        return None
    return given if math.isfinite(given) else None


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        value = value.decode("ascii", errors="replace")
    return value.replace("\0", "").strip() if isinstance(value, str) else ""


def _notes(found: Gathered) -> None:
    magnetic = [i for i, word in enumerate(found.column("direction_is")) if word == "magnetic"]
    if magnetic:
        found.note(f"directions of {len(magnetic)} photographs count from magnetic north")
    local = [i for i, word in enumerate(found.column("time_is")) if word and word.endswith("said")]
    if local:
        found.note(f"times of {len(local)} photographs are the camera's clock without its zone")
    if found.holds("sigma_h_m"):
        found.note("the cameras' own estimates of their error do not say what share they hold")
