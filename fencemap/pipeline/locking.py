"""One run at a time for each survey."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from fencemap.errors import InUseError

__all__ = ["only_run"]


@contextmanager
def only_run(folder: Path) -> Iterator[None]:
    """Hold the lock of a survey's results; InUseError if another run has it."""
    from filelock import FileLock, Timeout

    folder.mkdir(parents=True, exist_ok=True)
    lock = FileLock(folder / ".run.lock", timeout=1.0)
    try:
        lock.acquire()
    except Timeout:
        raise InUseError(
            f"{folder}: another run of this survey is under way",
            remedy="Wait until it ends, or end it, and run again.",
        ) from None
    try:
        yield
    finally:
        lock.release()
