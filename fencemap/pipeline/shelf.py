"""The shelf: layers between steps, kept on disk under the digest of their content.

A step's record names the layers it made by digest. A step is run again only
if its key changes: its code, its parameters, its input files or the content
of the layers it takes. Because keys follow content, a step that gives the
same layer as before lets everything after it stand.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Any

from fencemap.errors import PipelineError
from fencemap.layers import layer

__all__ = ["Shelf", "StepRecord", "read_record", "write_record"]

StepRecord = dict[str, Any]


class Shelf(Mapping[str, Any]):
    """The layers made so far in a run, read from disk only when asked for.

    Layers that join (such as `rejected`) hold the parts of every step, in the
    order in which the steps ran.
    """

    def __init__(self, folder: Path, crs: str) -> None:
        self.folder = folder
        self.crs = crs
        self._parts: dict[str, list[str]] = {}
        self._frames: dict[str, Any] = {}

    def put(self, name: str, frame: Any) -> str:
        """Check a layer, keep it on disk and in memory; returns its digest."""
        from fencemap.formats import store

        schema = layer(name)
        schema.check(frame, crs=self.crs if schema.spatial else None)
        # Named as a temporary file until its digest is known, so that a killed run's is swept.
        written = store.save(self.folder / f".{name}.0.tmp.parquet", frame)
        with written.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        written.replace(self._path(name, digest))
        self.note(name, digest)
        self._frames[f"{name}-{digest}"] = frame
        return digest

    def note(self, name: str, digest: str) -> None:
        """Take a layer that is on disk already into this run."""
        parts = self._parts.setdefault(name, [])
        if not layer(name).joins:
            parts.clear()
        parts.append(digest)

    def digest(self, name: str) -> str:
        """Digest of a layer's content in this run, over all its parts."""
        return hashlib.sha256("".join(self._parts[name]).encode()).hexdigest()

    def holds(self, name: str, digest: str) -> bool:
        """Whether the file of a layer is on disk."""
        return self._path(name, digest).is_file()

    def _path(self, name: str, digest: str) -> Path:
        return self.folder / f"{name}-{digest}.parquet"

    def drop(self, keep: frozenset[str]) -> None:
        """Free the memory of every layer but those named."""
        for key in [key for key in self._frames if key.rsplit("-", 1)[0] not in keep]:
            del self._frames[key]

    def __getitem__(self, name: str) -> Any:
        import pandas as pd

        if name not in self._parts:
            if layer(name).joins:
                return layer(name).empty(self.crs if layer(name).spatial else None)
            raise KeyError(name)
        frames = [self._frame(name, digest) for digest in self._parts[name]]
        full = [frame for frame in frames if len(frame)] or frames[:1]
        return full[0] if len(full) == 1 else pd.concat(full, ignore_index=True)

    def table(self, name: str, *, columns: Collection[str] | None = None) -> Any:
        """Give a layer as an Arrow table, shapes as WKB; read anew each time and not kept.

        For writers and counters that need no shapes as objects. With
        `columns` only these are read.
        """
        import pyarrow as pa

        from fencemap.formats import store

        if not self._parts.get(name):
            return store.as_table(self[name], columns=columns)
        parts = [self._path(name, digest) for digest in self._parts[name]]
        return pa.concat_tables([store.load_table(path, columns=columns)[0] for path in parts])

    def _frame(self, name: str, digest: str) -> Any:
        from fencemap.formats import store

        key = f"{name}-{digest}"
        if key not in self._frames:
            self._frames[key] = store.load(self._path(name, digest))
        return self._frames[key]

    def __iter__(self) -> Iterator[str]:
        from fencemap.layers import CATALOGUE

        return (name for name in CATALOGUE if name in self._parts)

    def __len__(self) -> int:
        return len(self._parts)


def read_record(folder: Path, name: str, key: str) -> StepRecord | None:
    """Read the record of a step that ran under this key, or None."""
    path = folder / f"{name}-{key[:32]}.json"
    if not path.is_file():
        return None
    try:
        record: StepRecord = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return record if record.get("key") == key else None


def write_record(folder: Path, name: str, record: StepRecord) -> None:
    """Keep the record of a step that has just run.

    Raises
    ------
    PipelineError
        The record has no key (a mistake in the runner).
    """
    from fencemap.guard import publish_text

    if "key" not in record:
        raise PipelineError("a step record needs its key")
    text = json.dumps(record, indent=1, sort_keys=True, ensure_ascii=False)
    publish_text(folder / f"{name}-{record['key'][:32]}.json", text)
