"""One SQLite library per file in one process.

Python, pyogrio and fiona each bring their own SQLite. Two of them on one file in one process
cancel each other's POSIX locks, and merely opening and closing the file to hash it drops them
too; the next write then corrupts the file without an error (SQLite, "How To Corrupt An SQLite
Database File", section 2.2). Whoever opens such a file says so here first.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from fencemap.errors import InUseError

__all__ = ["owned"]

_lock = threading.Lock()
_owners: dict[str, list[str]] = {}


@contextmanager
def owned(path: str | os.PathLike[str], *, by: str) -> Iterator[None]:
    """Hold `path` for one library while the block runs.

    Parameters
    ----------
    path
        A SQLite or GeoPackage file; links are followed, it need not exist yet.
    by
        The library at work: ``"sqlite3"``, ``"pyogrio"``, ``"fiona"``, or ``"bytes"`` for
        plain reading such as a checksum. The same library may hold a path more than once.

    Raises
    ------
    InUseError
        Another library of this process holds the file.

    Examples
    --------
    >>> from fencemap.guard import owned
    >>> with owned("year.gpkg", by="sqlite3"):
    ...     pass
    """
    key = os.path.normcase(os.path.realpath(path))
    with _lock:
        holders = _owners.setdefault(key, [])
        if holders and holders[0] != by:
            raise InUseError(
                f"{os.fspath(path)}: is open through {holders[0]} in this process, so {by} "
                "must not touch it: their locks would cancel each other and corrupt the file",
                remedy=f"Close it in {holders[0]} first",
            )
        holders.append(by)
    try:
        yield
    finally:
        with _lock:
            holders.remove(by)
            if not holders:
                del _owners[key]
