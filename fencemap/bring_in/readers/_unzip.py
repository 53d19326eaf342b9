"""Members of a zip archive, read with their bytes counted and never written to disk."""

from __future__ import annotations

import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from fencemap.errors import FencemapError, RefusedFileError
from fencemap.guard import check_archive

__all__ = ["Archive", "unzipped"]

_FAULTS = (
    zipfile.BadZipFile, zlib.error, struct.error, EOFError, NotImplementedError, RuntimeError,
    OSError, ValueError,
)  # fmt: skip


class Archive:
    """An open archive whose directory the guard has accepted."""

    def __init__(self, archive: zipfile.ZipFile, name: str) -> None:
        self.names = tuple(archive.namelist())
        self.name = name
        self._archive = archive

    @contextmanager
    def member(self, wanted: str, *, most_mib: int) -> Iterator[IO[bytes]]:
        """Open one member as a stream that ends with an error where its promised size does.

        Raises
        ------
        RefusedFileError
            No such member, there twice, larger than `most_mib`, or damaged.
        """
        if self.names.count(wanted) != 1:
            times = "lacks" if wanted not in self.names else "holds twice"
            raise self._refused(f"{times} the part '{wanted}'", "archive")
        promised = self._archive.getinfo(wanted).file_size
        if promised > most_mib * 2**20:
            raise self._refused(
                f"its part '{wanted}' unpacks to {promised / 2**20:,.0f} MB; at most {most_mib} "
                "MB are read",
                "too-large",
            )
        try:
            # The library reads no more than the promised size and compares the checksum.
            with self._archive.open(wanted) as stream:
                yield stream
        except FencemapError:
            raise  # what the part holds is wrong, not the archive
        except _FAULTS as error:
            raise self._refused(f"its part '{wanted}' is damaged ({error})", "archive") from None

    def _refused(self, reason: str, code: str) -> RefusedFileError:
        return RefusedFileError.at(self.name, reason, remedy="Save or export it again.", code=code)


@contextmanager
def unzipped(real: Path, *, name: str) -> Iterator[Archive]:
    """Open a zip archive after its directory was checked.

    Raises
    ------
    RefusedFileError
        As `fencemap.guard.check_archive`, or no archive at all.
    """
    check_archive(real)
    try:
        archive = zipfile.ZipFile(real)
    except _FAULTS as error:
        raise RefusedFileError.at(
            name, f"is a broken zip archive ({error})", remedy="Copy it again.", code="archive"
        ) from None
    with archive:
        yield Archive(archive, name)
