"""From a name to a real file, and from its first bytes to its kind.

Geospatial libraries take names such as ``http://...``, ``/vsizip/...`` or ``CSV:...`` for
files and recognise documents by content. So a name is first turned into the absolute path of an
existing regular file, and the file's first bytes must belong to a kind that the caller expects.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path

from fencemap.errors import InputError, RefusedFileError
from fencemap.guard.archives import check_archive, member_names
from fencemap.guard.owners import owned

__all__ = ["Kind", "expect_kind", "kind_of", "real_file"]

_HEAD = 64 * 1024
_MAX_TEXT_BYTES = 2 * 2**30
_MAX_PHOTO_PIXELS = 2**28  # 268 megapixels, above any camera's single frame

# A scheme of at least two letters, so that a Windows drive is none.
_ANY_CASE = re.IGNORECASE
_SCHEME = re.compile(r"[A-Za-z][\w+.\-]+:")


class Kind(StrEnum):
    """What a file holds, told by its content and never by its name."""

    GEOTIFF = "geotiff"
    ASCII_GRID = "ascii grid"
    GEOPACKAGE = "geopackage"
    SQLITE = "sqlite"
    GEOJSON = "geojson"
    JSON = "json"
    TEXT = "text"
    XLSX = "xlsx"
    ZIP = "zip"
    GPX = "gpx"
    KML = "kml"
    XML = "xml"
    VIRTUAL = "virtual"
    SHAPEFILE = "shapefile"
    LAS = "las"
    JPEG = "jpeg"
    PNG = "png"
    OLD_EXCEL = "xls"
    PDF = "pdf"
    UNKNOWN = "unknown"

    @classmethod
    def _missing_(cls, value: object) -> Kind | None:
        """Accept the everyday short names."""
        return _ALIASES.get(str(value).lower())

    @property
    def words(self) -> str:
        """The kind as a message names it."""
        return _WORDS[self]


_ALIASES = {
    "csv": Kind.TEXT,
    "tsv": Kind.TEXT,
    "gpkg": Kind.GEOPACKAGE,
    "tif": Kind.GEOTIFF,
    "tiff": Kind.GEOTIFF,
    "asc": Kind.ASCII_GRID,
    "shp": Kind.SHAPEFILE,
    "laz": Kind.LAS,
    "jpg": Kind.JPEG,
}

_WORDS = {
    Kind.GEOTIFF: "a GeoTIFF",
    Kind.ASCII_GRID: "an ESRI ASCII grid",
    Kind.GEOPACKAGE: "a GeoPackage",
    Kind.SQLITE: "a SQLite database that is no GeoPackage",
    Kind.GEOJSON: "GeoJSON",
    Kind.JSON: "JSON that is no GeoJSON",
    Kind.TEXT: "plain text (CSV, TSV or points)",
    Kind.XLSX: "an XLSX workbook",
    Kind.ZIP: "a zip archive",
    Kind.GPX: "GPX",
    Kind.KML: "KML",
    Kind.XML: "XML",
    Kind.VIRTUAL: "a virtual dataset, which would make a reader open other files or the network",
    Kind.SHAPEFILE: "a Shapefile",
    Kind.LAS: "a LAS or LAZ point cloud",
    Kind.JPEG: "a JPEG picture",
    Kind.PNG: "a PNG picture",
    Kind.OLD_EXCEL: "an old binary Office document (.xls)",
    Kind.PDF: "a PDF",
    Kind.UNKNOWN: "of no known kind",
}

_REMEDIES = {
    Kind.GEOTIFF: "Export the raster itself as GeoTIFF",
    Kind.ASCII_GRID: "Export the raster itself as GeoTIFF or ASCII grid",
    Kind.GEOPACKAGE: "Export the layer as GeoPackage",
    Kind.XLSX: "Save the workbook as .xlsx",
    Kind.TEXT: "Save the table as CSV with UTF-8 text",
}

_MAGIC = (
    (b"II*\0", Kind.GEOTIFF),
    (b"MM\0*", Kind.GEOTIFF),
    (b"II+\0", Kind.GEOTIFF),  # BigTIFF
    (b"MM\0+", Kind.GEOTIFF),
    (b"\xff\xd8\xff", Kind.JPEG),
    (b"\x89PNG\r\n\x1a\n", Kind.PNG),
    (b"LASF", Kind.LAS),
    (b"\x00\x00\x27\x0a", Kind.SHAPEFILE),
    (b"%PDF-", Kind.PDF),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", Kind.OLD_EXCEL),
)

_ROOTS = {
    "gpx": Kind.GPX,
    "kml": Kind.KML,
    "vrtdataset": Kind.VIRTUAL,
    "ogrvrtdatasource": Kind.VIRTUAL,
    "ogrvrtlayer": Kind.VIRTUAL,
    "gdal_wms": Kind.VIRTUAL,
    "gdaltileindexdataset": Kind.VIRTUAL,
}


def real_file(path: str | os.PathLike[str], *, inside: Sequence[Path] = ()) -> Path:
    """Turn a name from outside into the absolute path of an existing regular file.

    Parameters
    ----------
    path
        What the user wrote. Links are followed.
    inside
        Folders one of which must hold the file, after links are followed; none = anywhere.

    Raises
    ------
    RefusedFileError
        An address, a reader's virtual path, a folder, a device, or a place outside `inside`.
    InputError
        No such file, an unreadable file, or an empty one.
    """
    name = os.fspath(path)
    if not name.strip() or "\0" in name or name.lstrip().startswith("<") or _is_address(name):
        raise RefusedFileError.at(
            name or "(no name)",
            "is not the name of a file on this computer",
            remedy="Copy the file to this computer and give its path",
            code="not-local",
        )
    real = Path(os.path.realpath(name))
    if _is_virtual(str(real)):
        raise RefusedFileError.at(
            name, "is a reader's virtual path", remedy="Unpack the file first", code="not-local"
        )
    _check_regular(name, real)
    roots = [Path(os.path.realpath(folder)) for folder in inside]
    if roots and not any(real.is_relative_to(root) for root in roots):
        raise RefusedFileError.at(
            name,
            f"leads to {real}, outside {' and '.join(map(str, roots))}",
            remedy="Copy the file into the site's folder",
            code="outside",
        )
    return real


def kind_of(path: str | os.PathLike[str]) -> Kind:
    """Tell what a file holds from its first bytes.

    Raises
    ------
    RefusedFileError
        XML with a document type (it could define entities that grow or reach outside), an
        archive that would unpack outside or without bound, a picture or point cloud whose
        header claims a size no reader should believe.
    InputError
        As `real_file`.
    InUseError
        A SQLite library of this process holds the file (see `fencemap.guard.owned`).
    """
    real = real_file(path)
    with owned(real, by="bytes"), real.open("rb") as stream:
        head = stream.read(_HEAD)
    for magic, kind in _MAGIC:
        if head.startswith(magic):
            _check_claims(real, head, kind)
            return kind
    if head.startswith(b"SQLite format 3\0"):
        return Kind.GEOPACKAGE if head[68:72] in {b"GPKG", b"GP10", b"GP11"} else Kind.SQLITE
    if head.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        check_archive(real)
        names = member_names(real)
        return Kind.XLSX if "xl/workbook.xml" in names else Kind.ZIP
    return _text_kind(real, head)


def expect_kind(path: str | os.PathLike[str], *kinds: Kind | str) -> Kind:
    """Require one of `kinds`; the found one is returned.

    Parameters
    ----------
    path
        A file on this computer.
    kinds
        `Kind` members or their values; ``"csv"``, ``"gpkg"``, ``"tif"`` and the like are known.

    Raises
    ------
    RefusedFileError
        The file is not what its name says; the message names both kinds and a remedy.
    InputError
        As `real_file`.

    Examples
    --------
    >>> from fencemap.guard import Kind
    >>> Kind("csv") is Kind.TEXT
    True
    """
    wanted = tuple(dict.fromkeys(Kind(kind) for kind in kinds))
    found = kind_of(path)
    if found in wanted:
        return found
    needed = " or ".join(kind.words for kind in wanted)
    raise RefusedFileError.at(
        os.fspath(path),
        f"is {found.words}; {needed} is needed here",
        remedy=_REMEDIES.get(wanted[0], "Export it anew from the program that made it"),
        code="wrong-kind",
    )


def _is_address(name: str) -> bool:
    """Tell whether a reader would take the name for an address or a virtual file."""
    return bool(_SCHEME.match(name.lstrip())) or _is_virtual(name.lstrip())


def _is_virtual(name: str) -> bool:
    return name.replace("\\", "/").lower().startswith("/vsi")


def _check_regular(name: str, real: Path) -> None:
    """Refuse what is missing, unreadable, empty or no regular file."""
    try:
        status = real.stat()
    except OSError as error:
        raise InputError.at(
            name, "there is no such file", remedy="Check the name and the folder", code="no-file"
        ) from error
    if not stat.S_ISREG(status.st_mode):
        what = "folder" if stat.S_ISDIR(status.st_mode) else "device or pipe"
        raise RefusedFileError.at(
            name, f"is a {what}, not a file", remedy="Name the file itself", code="not-a-file"
        )
    if not os.access(real, os.R_OK):
        raise InputError.at(
            name,
            "may not be read by this user",
            remedy="Change its permissions",
            code="not-readable",
        )
    if status.st_size == 0:
        raise InputError.at(name, "is empty", remedy="Copy or export it again", code="empty-file")


def _text_kind(real: Path, head: bytes) -> Kind:
    """Tell apart what is written in characters."""
    text = _decoded(head)
    if text is None:
        return Kind.UNKNOWN
    size = real.stat().st_size
    if size > _MAX_TEXT_BYTES:
        raise RefusedFileError.at(
            real,
            f"holds {size / 2**30:.1f} GiB of text; at most {_MAX_TEXT_BYTES // 2**30} are read",
            remedy="Cut it to the site",
            code="too-large",
        )
    start = text.lstrip("\ufeff \t\r\n")
    if start.startswith("<"):
        return _xml_kind(real, start)
    if start.startswith(("{", "[")):
        return _json_kind(start)
    if re.match(
        r"(ncols|nrows|xll(corner|center)|yll(corner|center)|cellsize)\s", start, _ANY_CASE
    ):
        return Kind.ASCII_GRID
    return Kind.TEXT


def _decoded(head: bytes) -> str | None:
    """Decode a file's head as far as telling its kind needs; None if it is no text."""
    if head.startswith((b"\xff\xfe\0\0", b"\0\0\xfe\xff")):
        return head.decode("utf-32", errors="replace")
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return head.decode("utf-16", errors="replace")
    for encoding, pattern in (("utf-16-le", b"<\0"), ("utf-16-be", b"\0<")):
        if head.startswith(pattern):
            return head.decode(encoding, errors="replace")
    odd = sum(head.count(bytes([code])) for code in range(32) if code not in (9, 10, 12, 13, 26))
    return None if odd else head.decode("utf-8", errors="replace")


def _xml_kind(real: Path, text: str) -> Kind:
    """Walk the XML prolog to the root element; a document type on the way is refused.

    A document type can only stand before the root element, so the walk finds every one, and
    the words in a description further down are nobody's business.
    """
    rest = text
    while rest:
        rest = rest.lstrip()
        if rest.startswith("<?"):
            rest = rest.partition("?>")[2]
        elif rest.startswith("<!--"):
            rest = rest.partition("-->")[2]
        elif rest.startswith("<!"):
            raise RefusedFileError.at(
                real,
                "has an XML document type, which can define entities that grow without bound "
                "or read other files",
                remedy="Export it again without DOCTYPE",
                code="xml-doctype",
            )
        else:
            root = re.match(r"<(?:[^\W\d][\w.\-]*:)?([^\W\d][\w.\-]*)", rest)
            return _ROOTS.get(root[1].lower(), Kind.XML) if root else Kind.TEXT
    raise RefusedFileError.at(
        real,
        f"is XML without a root element in its first {_HEAD // 1024} KiB",
        remedy="Export it again without the long preamble",
        code="xml-preamble",
    )


def _json_kind(text: str) -> Kind:
    """Tell GeoJSON from other JSON by the type names in its head."""
    if re.search(r'"type"\s*:\s*"gdal_streamed_alg"', text):
        return Kind.VIRTUAL
    types = "FeatureCollection|Feature|(Multi)?(Point|LineString|Polygon)|GeometryCollection"
    found = re.search(rf'"type"\s*:\s*"({types})"', text)
    return Kind.GEOJSON if found else Kind.JSON


def _check_claims(real: Path, head: bytes, kind: Kind) -> None:
    """Refuse a header that claims more than any reader should believe."""
    if kind is Kind.LAS:
        _check_las(real, head)
    elif kind in (Kind.PNG, Kind.JPEG):
        size = _png_size(head) if kind is Kind.PNG else _jpeg_size(real)
        if size is not None and size[0] * size[1] > _MAX_PHOTO_PIXELS:
            raise RefusedFileError.at(
                real,
                f"claims {size[0]} x {size[1]} pixels; at most "
                f"{_MAX_PHOTO_PIXELS // 10**6} megapixels are read",
                remedy="Save a smaller copy",
                code="too-large",
            )


def _check_las(real: Path, head: bytes) -> None:
    """Check that the header's records fit before the points (a reader would loop for hours)."""
    header_size = int.from_bytes(head[94:96], "little")
    points_at = int.from_bytes(head[96:100], "little")
    records = int.from_bytes(head[100:104], "little")
    room = points_at - header_size
    if len(head) < 227 or room < 0 or records * 54 > room or points_at > real.stat().st_size:
        raise RefusedFileError.at(
            real,
            f"has a broken header: {records} records can't stand before byte {points_at}",
            remedy="Export the point cloud again",
            code="broken-header",
        )


def _png_size(head: bytes) -> tuple[int, int] | None:
    if len(head) < 24 or head[12:16] != b"IHDR":
        return None
    return int.from_bytes(head[16:20], "big"), int.from_bytes(head[20:24], "big")


def _jpeg_size(real: Path) -> tuple[int, int] | None:
    """Read columns and rows from the frame header, segment by segment."""
    with real.open("rb") as stream:
        stream.seek(2)
        while len(marker := stream.read(4)) == 4 and marker[0] == 0xFF:
            length = int.from_bytes(marker[2:], "big")
            if 0xC0 <= marker[1] <= 0xCF and marker[1] not in (0xC4, 0xC8, 0xCC):
                frame = stream.read(5)
                return int.from_bytes(frame[3:5], "big"), int.from_bytes(frame[1:3], "big")
            if length < 2:
                return None
            stream.seek(length - 2, os.SEEK_CUR)
    return None
