"""Read KML and KMZ: placemarks with points, lines, areas and tracks.

Method: OGC KML 2.2/2.3 (12-007r2). Positions are WGS 84. Altitudes are heights only where their
mode is *absolute*, and then above a worldwide geoid, not the site's bench mark: a point's
altitude and its mode stay columns. What lies elsewhere (network links) is named, never fetched.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import IO, Any, Final

import numpy as np
import shapely

from fencemap.bring_in.raw import RawTable
from fencemap.bring_in.readers._gather import (
    DOUBT,
    WGS84,
    Gathered,
    check_size,
    number,
    out_of_range,
    show,
)
from fencemap.bring_in.readers._unzip import unzipped
from fencemap.bring_in.readers._xml import Node, walk
from fencemap.errors import RefusedFileError, shorten
from fencemap.guard import Kind, expect_kind, real_file

__all__ = ["read_kml"]

_MOST_MIB = 128
_LONGEST_PATH = 250
_COLUMNS = ("name", "folder", "description", "altitude", "altitude_mode")
_FOLDERS = ("Document", "Folder")
_SHAPES: Final = (
    "Point", "LineString", "LinearRing", "Polygon", "MultiGeometry", "Track", "MultiTrack", "Model",
)  # fmt: skip
# Elements that hold rows or point to rows elsewhere; pictures laid on the ground hold none.
_KEPT = frozenset({"Placemark", "NetworkLink", "Schema", "Style", "StyleMap"})
_NO_ROWS = ("ScreenOverlay", "GroundOverlay", "PhotoOverlay", "Tour")
_ABSOLUTE = "absolute"


class _BadShape(Exception):  # noqa: N818  leaves no module
    """A geometry that can't be read; says why."""


def read_kml(path: Path, *, name: str) -> RawTable:
    """Read a KML or KMZ file.

    Parameters
    ----------
    path
        KML, or a KMZ archive whose first KML at its root is read.
    name
        How messages and `source_file` name the file.

    Returns
    -------
    table
        Shapes in WGS 84 (longitude, latitude), None for a placemark without one; lines and areas
        keep altitudes of the mode *absolute* as Z, points never do. `rows` number the placemarks
        in the order of the file, from 1. Text columns: `name`, `folder` (folders joined by
        `` / ``), `description`, `altitude`, `altitude_mode`, times, and the extended data under
        their own names.

    Raises
    ------
    SurveyError
        Not well-formed or cut off.
    RefusedFileError
        No KML, a document type, an archive that is damaged or holds none, larger than 128 MB.
    """
    real = real_file(path)
    kind = expect_kind(real, "kml", "zip")
    check_size(real, name=name, most_mib=_MOST_MIB, instead="Cut it to the site.")
    found = Gathered(name, first=_COLUMNS)
    with _opened(real, kind, found) as stream:
        shapes = _placemarks(stream, found)
    geometry = np.empty(len(shapes), dtype=object)
    geometry[:] = shapes
    return found.table(geometry=geometry, crs=WGS84)


@contextmanager
def _opened(real: Path, kind: Kind, found: Gathered) -> Iterator[IO[bytes]]:
    """Open the document, out of its archive if it is in one."""
    if kind is not Kind.ZIP:
        with real.open("rb") as stream:
            yield stream
        return
    with unzipped(real, name=found.name) as archive:
        documents = [name for name in archive.names if name.lower().endswith(".kml")]
        roots = [name for name in documents if len(PurePosixPath(name).parts) == 1] or documents
        if not roots:
            raise RefusedFileError.at(
                found.name, "is a zip archive without a KML document",
                remedy="Unpack it and name the file that holds the survey.", code="wrong-kind",
            )  # fmt: skip
        chosen = "doc.kml" if "doc.kml" in roots else roots[0]
        others = [name for name in documents if name != chosen]
        if others:
            found.note(f"only {chosen} is read; not imported: {', '.join(others[:10])}")
        with archive.member(chosen, most_mib=_MOST_MIB) as stream:
            yield stream


@dataclass(slots=True)
class _Document:
    """What the walk has come past."""

    shapes: list[Any] = field(default_factory=list)
    folders: list[str] = field(default_factory=list)
    path: str = ""  # of the folder that is open; one text for all its placemarks
    links: list[str] = field(default_factory=list)
    passed: Counter[str] = field(default_factory=Counter)
    altitudes: Counter[str] = field(default_factory=Counter)  # placemarks, by mode


def _placemarks(stream: IO[bytes], found: Gathered) -> list[Any]:
    """Walk the document; one shape for each kept placemark comes back."""
    held = _Document()
    tags: list[str] = []
    row = 0
    for event, node in walk(stream, keep=_KEPT, name=found.name):
        if event == "start":
            tags.append(node.tag)
            if node.tag in _FOLDERS:
                held.folders.append("")
                held.path = _path(held.folders)
            continue
        tags.pop()
        if node.tag == "Placemark":
            row += 1
            _placemark(row, node, found, held)
        elif node.tag == "name" and tags[-1:] and tags[-1] in _FOLDERS:
            held.folders[-1] = node.text.strip()
            held.path = _path(held.folders)
        elif node.tag in _FOLDERS:
            held.folders.pop()
            held.path = _path(held.folders)
        elif node.tag == "NetworkLink":
            held.links.append(_address(node))
        elif node.tag in _NO_ROWS:
            held.passed[node.tag] += 1
    _notes(found, held)
    return held.shapes


def _path(folders: list[str]) -> str:
    return shorten(" / ".join(filter(None, folders)), _LONGEST_PATH)


def _address(node: Node) -> str:
    return next((part.text.strip() for part in node.descendants() if part.tag == "href"), "")


def _placemark(row: int, node: Node, found: Gathered, held: _Document) -> None:
    """Keep or refuse one placemark."""
    drawn = [child for child in node.children if child.tag in _SHAPES]
    try:
        built = [_shape(child) for child in drawn]
        shape = _joined(built) if built else None
    except _BadShape as error:
        found.refuse(
            row, "bad-geometry", f"{error} (line {node.line})", "Draw it again.",
            raw=f"{held.path} / {node.text_of('name')}",
        )  # fmt: skip
        return
    cells = {"name": node.text_of("name"), "folder": held.path}
    cells["description"] = node.text_of("description")
    cells |= _times(node) | _altitude(drawn)
    _add_extended(node, cells)
    for tag, column in (
        ("styleUrl", "style"),
        ("visibility", "visibility"),
        ("address", "address"),
    ):
        if node.text_of(tag):
            cells.setdefault(column, node.text_of(tag))
    index = found.keep(row, {column: text for column, text in cells.items() if text})
    if not drawn:
        found.doubt(index, "no-shape", "has no shape")
    if (
        shape is not None
        and shape.has_z
        and np.any(shapely.get_coordinates(shape, include_z=True)[:, 2])
    ):
        held.altitudes[cells["altitude_mode"]] += 1
    held.shapes.append(_without_z(shape, drawn))


def _joined(built: list[Any]) -> Any:
    return built[0] if len(built) == 1 else shapely.GeometryCollection(built)


def _without_z(shape: Any, drawn: list[Node]) -> Any:
    """Keep Z only where it is a height: absolute, and no point, whose altitude is a column."""
    if shape is None or not shape.has_z:
        return shape
    if _modes(drawn) == {_ABSOLUTE} and shape.geom_type not in ("Point", "MultiPoint"):
        return shape
    return shapely.force_2d(shape)


def _modes(drawn: list[Node]) -> set[str]:
    """Altitude modes of all parts; a part that names none lies on the ground."""
    parts = [
        part for node in drawn for part in (node, *node.descendants())
        if part.tag in ("Point", "LineString", "Polygon", "LinearRing", "Track")
    ]  # fmt: skip
    named = {part.text_of("altitudeMode") or "clampToGround" for part in parts}
    rings = {part.tag for part in parts} == {"Polygon", "LinearRing"}
    if rings:  # the mode stands at the polygon and holds for its rings
        named = {
            part.text_of("altitudeMode") or "clampToGround"
            for part in parts
            if part.tag == "Polygon"
        }
    return named


def _shape(node: Node) -> Any:
    """Build one geometry of one element."""
    if node.tag == "Point":
        points = _coordinates(node)
        if len(points) != 1:
            raise _BadShape(f"a point has {len(points)} positions")
        return shapely.Point(points[0])
    if node.tag == "LineString":
        return _line(_coordinates(node))
    if node.tag == "LinearRing":
        return shapely.LineString(_closed(_coordinates(node)))
    if node.tag == "Polygon":
        return _polygon(node)
    if node.tag == "Track":
        return _line(_track(node), alone=True)
    if node.tag == "Model":
        raise _BadShape("is a solid model, not a shape on the ground")
    parts = [_shape(child) for child in node.children if child.tag in _SHAPES]
    if not parts:
        raise _BadShape("is a collection of nothing")
    return _multi(parts)


def _multi(parts: list[Any]) -> Any:
    kinds = {part.geom_type for part in parts}
    deep = {part.has_z for part in parts}
    if deep == {True, False}:
        parts = [shapely.force_2d(part) for part in parts]
    if kinds == {"Point"}:
        return shapely.MultiPoint(parts)
    if kinds == {"LineString"}:
        return shapely.MultiLineString(parts)
    if kinds == {"Polygon"}:
        return shapely.MultiPolygon(parts)
    return shapely.GeometryCollection(parts)


def _line(points: list[tuple[float, ...]], *, alone: bool = False) -> Any:
    if alone and len(points) == 1:
        return shapely.Point(points[0])
    if len(points) < 2:
        raise _BadShape(f"a line has {len(points)} positions")
    return shapely.LineString(points)


def _polygon(node: Node) -> Any:
    rings = {
        tag: [
            _closed(_coordinates(ring)) for part in node.all(tag) for ring in part.all("LinearRing")
        ]
        for tag in ("outerBoundaryIs", "innerBoundaryIs")
    }
    if len(rings["outerBoundaryIs"]) != 1:
        raise _BadShape(f"an area has {len(rings['outerBoundaryIs'])} outer rings")
    outer, inner = rings["outerBoundaryIs"][0], rings["innerBoundaryIs"]
    if len({len(point) for ring in (outer, *inner) for point in ring}) > 1:
        outer, inner = [p[:2] for p in outer], [[p[:2] for p in ring] for ring in inner]
    return shapely.Polygon(outer, inner)


def _closed(points: list[tuple[float, ...]]) -> list[tuple[float, ...]]:
    if len(points) < 4:
        raise _BadShape(
            f"a ring has {len(points)} positions; the least is four, first equal to last"
        )
    if points[0][:2] != points[-1][:2]:
        raise _BadShape("a ring is open: its last position is not its first")
    return points


def _coordinates(node: Node) -> list[tuple[float, ...]]:
    """Read ``lon,lat[,altitude]`` tuples; blanks behind a comma are a common slip and harmless."""
    texts = [child.text for child in node.all("coordinates")]
    if len(texts) != 1:
        raise _BadShape(f"has {len(texts)} lists of coordinates")
    return _even([_position(text.split(",")) for text in _tuples(texts[0])])


def _tuples(text: str) -> list[str]:
    return re.sub(" ?, ?", ",", " ".join(text.split())).split()


def _track(node: Node) -> list[tuple[float, ...]]:
    return _even([_position(child.text.split()) for child in node.all("coord")])


def _position(fields: list[str]) -> tuple[float, ...]:
    while len(fields) > 2 and not fields[-1]:
        fields = fields[:-1]  # a comma at the end
    values = [number(text) for text in fields]
    if len(values) not in (2, 3) or None in values:
        raise _BadShape(f"{show(','.join(fields))!r} is no position")
    given = [value for value in values if value is not None]
    reason = out_of_range(given[0], given[1])
    if reason:
        raise _BadShape(reason)
    return tuple(given)


def _even(points: list[tuple[float, ...]]) -> list[tuple[float, ...]]:
    """Give all positions as many numbers; an altitude that only some have is unknown."""
    if len({len(point) for point in points}) > 1:
        return [point if len(point) == 3 else (*point, float("nan")) for point in points]
    return points


def _altitude(drawn: list[Node]) -> dict[str, str]:
    """Give a single point's altitude as text, and the modes of all shapes."""
    if not drawn:
        return {}
    cells = {"altitude_mode": ", ".join(sorted(_modes(drawn)))}
    if len(drawn) == 1 and drawn[0].tag == "Point":
        fields = "".join(_tuples(drawn[0].text_of("coordinates"))).split(",")
        cells["altitude"] = fields[2] if len(fields) > 2 else ""
    return cells


def _times(node: Node) -> dict[str, str]:
    """Take the time, or span of time, of a placemark, or of the points of its track."""
    times: dict[str, list[str]] = {}
    for part in node.descendants():
        if part.tag in ("when", "begin", "end") and part.text.strip():
            times.setdefault(part.tag, []).append(part.text.strip())
    several = len(times.get("when", ())) > 1
    names = {"when": "times" if several else "time"}
    return {names.get(tag, tag): "; ".join(texts) for tag, texts in times.items()}


def _add_extended(node: Node, cells: dict[str, str]) -> None:
    """Add extended data by their own names; one that is taken already gets ``data.`` before it."""
    said: dict[str, list[str]] = {}
    for part in node.descendants():
        if part.tag in ("Data", "SimpleData"):
            text = part.text_of("value") if part.tag == "Data" else part.text.strip()
            said.setdefault(part.attributes.get("name", "").strip() or "data", []).append(text)
    for column, texts in said.items():
        taken = column in cells or column in (DOUBT, *_COLUMNS)
        cells[f"data.{column}" if taken else column] = "; ".join(filter(None, texts))


def _notes(found: Gathered, held: _Document) -> None:
    if held.links:
        shown = ", ".join(show(address) or "(no address)" for address in held.links[:10])
        found.note(f"{len(held.links)} network links were not imported: {shown}")
    for tag, count in sorted(held.passed.items()):
        found.note(f"{count} {tag} elements hold no rows and were not imported")
    for mode, count in sorted(held.altitudes.items()):
        what = (
            "above a worldwide geoid, not the site's heights"
            if mode == _ABSOLUTE
            else "counted from the ground and no heights"
        )
        found.note(f"altitudes of {count} placemarks are {what} ({mode})")
