"""What a step depends on besides layers: code, settings and input files, as digests."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from typing import Any

from fencemap.guard import publish_text
from fencemap.site import Site, Survey

__all__ = ["Fingerprints", "code_digest", "library_versions"]

_RASTERS = ("ground", "surface", "ortho")
# A change of one of these may change a result, so it is part of every key.
_LIBRARIES = (
    "folium", "geopandas", "numba", "numpy", "pandas", "pillow", "pyarrow", "pyogrio",
    "pyproj", "rasterio", "scipy", "shapely",
)  # fmt: skip


@cache
def code_digest() -> str:
    """Digest of fencemap's own files, so that a new version never takes old results for its own."""
    total = hashlib.sha256()
    root = Path(str(files("fencemap")))
    for path in sorted(root.rglob("*")):
        if (
            path.is_file()
            and path.suffix not in (".pyc", ".nbi", ".nbc")
            and "plugin" not in path.parts
        ):
            total.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return total.hexdigest()


@cache
def library_versions() -> dict[str, str]:
    """Versions of the libraries that results rest on."""
    return {name: version(name) for name in _LIBRARIES}


class Fingerprints:
    """Digests of a survey's inputs; a file is read again only when its size or times change."""

    def __init__(self, site: Site, survey: Survey, memory: Path) -> None:
        self.site = site
        self.survey = survey
        self.memory = memory
        self._known: dict[str, list[Any]] = _read(memory)
        self._fresh: dict[str, list[Any]] = {}

    def of(self, stage: str, services: Iterable[str]) -> dict[str, Any]:
        """List everything that a step with these services depends on."""
        used = set(services)
        depends: dict[str, Any] = {"code": code_digest(), "libraries": library_versions()}
        if used & {"site", "survey", "run"}:
            depends["settings"] = self._settings(stage)
        for name in _RASTERS:
            if name in used:
                depends[name] = self.files([name])
        if stage == "bring_in":
            names = [name for name in self.survey.files if name not in _RASTERS]
            depends["files"] = self.files(names)
        return depends

    def files(self, names: Iterable[str]) -> dict[str, str]:
        """Digest of each file of these inputs, by its path relative to the site."""
        paths = [path for name in names for path in self.survey.paths(name)]
        found = {self._relative(path): self._digest(path) for path in paths}
        if self._fresh:
            self._known |= self._fresh
            self._fresh = {}
            publish_text(self.memory, json.dumps(self._known, sort_keys=True))
        return found

    def _relative(self, path: Path) -> str:
        return (
            path.relative_to(self.site.folder).as_posix()
            if path.is_relative_to(self.site.folder)
            else str(path)
        )

    def _digest(self, path: Path) -> str:
        status = path.stat()
        stamp = [status.st_size, status.st_mtime_ns, status.st_ctime_ns]
        name = self._relative(path)
        known = self._known.get(name)
        if known and known[:3] == stamp:
            return str(known[3])
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        self._fresh[name] = [*stamp, digest]
        return digest

    def _settings(self, stage: str) -> dict[str, Any]:
        """Site and survey without their folder and files: moving a site changes no result."""
        site, survey = self.site, self.survey
        settings: dict[str, Any] = {
            "name": site.name,
            "uid": str(site.uid),
            "crs": site.crs,
            "heights": site.heights,
            "time_zone": site.time_zone,
            "boundary": site.boundary,
            "practice": _plain(site.practice),
            "survey": [survey.id, survey.start.isoformat(), survey.end.isoformat()],
            "accuracy": str(survey.accuracy),
            "columns": dict(survey.columns),
        }
        if stage == "bring_in":
            settings |= {
                "work": [_plain(row) for row in site.work],
                "products": [_plain(row) for row in site.products],
                "consents": [_plain(row) for row in site.consents],
            }
        return settings


def _plain(row: Mapping[str, Any]) -> dict[str, str]:
    return {str(key): str(value) for key, value in row.items()}


def _read(memory: Path) -> dict[str, list[Any]]:
    try:
        known = json.loads(memory.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return known if isinstance(known, dict) else {}
