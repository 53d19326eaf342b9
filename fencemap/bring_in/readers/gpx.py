"""Read GPX: waypoints, route points and track points, each as one row.

Method: GPX 1.0 and 1.1 schemas; positions are WGS 84, times UTC. `ele` is metres, above the sea
on one receiver and above the ellipsoid on the next, so it stays a column and is no height until
somebody says what it refers to.
"""

from __future__ import annotations

from array import array
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely

from fencemap.bring_in.raw import RawTable
from fencemap.bring_in.readers._gather import (
    WGS84,
    Gathered,
    check_size,
    number,
    out_of_range,
)
from fencemap.bring_in.readers._xml import Node, walk
from fencemap.guard import expect_kind, real_file

__all__ = ["read_gpx"]

_MOST_MIB = 128
_POINTS: Final = {"wpt": "waypoint", "rtept": "route point", "trkpt": "track point"}
_COLUMNS = ("name", "part", "track", "segment", "ele", "time", "fix", "fix_quality")
# Words of the vocabulary `fix_quality` for the words of the schema.
_QUALITY = {
    "none": "none",
    "2d": "autonomous",
    "3d": "autonomous",
    "dgps": "dgps",
    "pps": "pps",
}


class _Place:
    """Where in the document the walk is: which track, which segment."""

    def __init__(self) -> None:
        self.track = ""
        self.segment = 0
        self.in_segment = 0
        self.empty_segments: list[int] = []


def read_gpx(path: Path, *, name: str) -> RawTable:
    """Read a GPX file.

    Parameters
    ----------
    path
        GPX 1.0 or 1.1, any encoding, with or without byte order mark.
    name
        How messages and `source_file` name the file.

    Returns
    -------
    table
        Points in WGS 84 (longitude, latitude), without height. `rows` number all points in the
        order of the file, from 1. Text columns: `name`, `part` (waypoint, route point, track
        point), `track`, `segment`, `ele`, `time` (UTC), `fix` and the word of `fix_quality` for
        it, and whatever else the points have (`hdop`, `vdop`, `pdop`, `sat`, `geoidheight` ...).

    Raises
    ------
    SurveyError
        Not well-formed or cut off.
    RefusedFileError
        No GPX, a document type, larger than 128 MB.

    Notes
    -----
    https://www.topografix.com/GPX/1/1/
    """
    real = real_file(path)
    expect_kind(real, "gpx")
    check_size(real, name=name, most_mib=_MOST_MIB, instead="Cut it to the site.")
    found = Gathered(name, first=_COLUMNS)
    where = _Place()
    longitudes, latitudes = array("d"), array("d")
    count = 0
    with real.open("rb") as stream:
        path_down: list[str] = []
        for event, node in walk(stream, keep=frozenset(_POINTS), name=name):
            if event == "start":
                path_down.append(node.tag)
                _enter(node.tag, where)
                continue
            path_down.pop()
            if node.tag in _POINTS:
                count += 1
                where.in_segment += 1
                _point(count, node, where, found, longitudes, latitudes)
            else:
                _leave(node, path_down, where)
    _notes(found, where)
    points = shapely.points(np.column_stack([np.array(longitudes), np.array(latitudes)]))
    return found.table(geometry=np.asarray(points, dtype=object), crs=WGS84)


def _enter(tag: str, where: _Place) -> None:
    if tag in ("trk", "rte"):
        where.track, where.segment = "", 0
    elif tag == "trkseg":
        where.segment += 1
        where.in_segment = 0


def _leave(node: Node, path_down: list[str], where: _Place) -> None:
    if node.tag == "name" and path_down[-1:] in (["trk"], ["rte"]):
        where.track = node.text.strip()
    elif node.tag == "trkseg" and not where.in_segment:
        where.empty_segments.append(node.line)
    elif node.tag in ("trk", "rte"):
        where.track, where.segment = "", 0


def _point(
    row: int, node: Node, where: _Place, found: Gathered, longitudes: Any, latitudes: Any
) -> None:
    """Keep or refuse one point."""
    place = f"(line {node.line})"
    values = {}
    for axis, attribute in (("longitude", "lon"), ("latitude", "lat")):
        text = node.attributes.get(attribute)
        value = number(text)
        if value is None:
            reason = "has no" if text is None else "has no number as"
            found.refuse(
                row, "no-position", f"{reason} {axis} {place}", "Take the point out or mend it.",
                raw=node.attributes, column=attribute, value=text or "",
            )  # fmt: skip
            return
        values[axis] = value
    reason = out_of_range(values["longitude"], values["latitude"])
    if reason:
        found.refuse(
            row, "no-position", f"{reason} {place}", "Take the point out or mend it.",
            raw=node.attributes, column="lat", value=node.attributes["lat"],
        )  # fmt: skip
        return
    cells = {"part": _POINTS[node.tag]}
    if node.tag != "wpt":
        cells["track"] = where.track
    if node.tag == "trkpt":
        cells["segment"] = str(where.segment)
    found.keep(row, cells | _cells(node))
    longitudes.append(values["longitude"])
    latitudes.append(values["latitude"])


def _cells(node: Node) -> dict[str, str]:
    """Turn what a point says into cells; what it says twice is joined, never overwritten."""
    said: dict[str, list[str]] = {}
    for child in node.children:
        if child.tag == "extensions":
            _add_leaves(child, "extensions", said)
        elif child.tag == "link":
            said.setdefault("link", []).append(child.attributes.get("href", "") or child.text)
        else:
            said.setdefault(_free(child.tag), []).append(child.text)
    joined = {
        column: "; ".join(filter(None, map(str.strip, texts))) for column, texts in said.items()
    }
    cells = {column: text for column, text in joined.items() if text}
    if "time" in cells:
        cells["time"] = _utc(cells["time"])
    quality = _QUALITY.get(cells.get("fix", "").lower())
    if quality:
        cells["fix_quality"] = quality
    return cells


def _add_leaves(node: Node, path: str, said: dict[str, list[str]]) -> None:
    """Take the text of extensions by the path to it."""
    for child in node.children:
        _add_leaves(child, f"{path}.{child.tag}", said)
    if not node.children:
        said.setdefault(path, []).append(node.text)


def _free(tag: str) -> str:
    """Keep a stranger's element from filling one of our columns."""
    return f"gpx.{tag}" if tag in ("part", "track", "segment", "fix_quality", "doubt") else tag


def _utc(text: str) -> str:
    """Write a time as ISO 8601 in UTC; what is none stays as it is and is refused when typed."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return text
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)  # the schema says UTC
    try:
        return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")
    except OverflowError:
        return text


def _notes(found: Gathered, where: _Place) -> None:
    parts = Counter(found.column("part"))
    if parts:
        said = ", ".join(f"{parts[word]} {word}s" for word in _POINTS.values() if parts[word])
        found.note(f"holds {said}")
    else:
        found.note("holds no points")
    if where.empty_segments:
        lines = ", ".join(str(line) for line in where.empty_segments[:10])
        found.note(f"{len(where.empty_segments)} empty track segments end in line {lines}")
    if found.holds("ele"):
        found.note(
            "'ele' may be above the sea or above the ellipsoid, so it is not used as a height; "
            "map it if a control point proves what it is"
        )
    if found.holds("hdop"):
        found.note("dilution of precision (hdop, vdop, pdop) is no accuracy in metres")
    unknown = sorted(
        {word for word in found.column("fix") if word and word.lower() not in _QUALITY}
    )
    if unknown:
        found.note(f"fix of no known kind: {', '.join(unknown[:10])}")
