"""Results that are whole or absent: temporary file, check, flush, replace.

A writer that is killed, fills the disk or is stopped must leave what stood there before. So
each file is built under a hidden name in the same folder, verified, flushed to the disk and
put in place by one rename. A GeoPackage that another program has open is never replaced: its
sidecar files would meet a file they don't belong to.
"""

from __future__ import annotations

import errno
import glob
import os
import re
import shutil
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from fencemap.errors import ExportError, FencemapError, InUseError
from fencemap.guard.geopackages import SIDECARS

__all__ = ["publish", "publish_bytes", "publish_text", "sweep_temps"]

_TEMPORARY = re.compile(r"\..+\.[0-9a-f]{32}\.tmp.*", re.DOTALL)
_LOCK = re.compile(r"\..+\.lock", re.DOTALL)
_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_FULL_WORDS = ("disk is full", "no space left", "file too large")
_SPACE_FACTOR = 3  # writers keep journals, overviews and a copy while they work
_ALMOST_FULL_BYTES = 2**20
_WRITERS = ("rasterio", "fiona", "pyogrio", "sqlite3", "tifffile")
_REPLACE_TRIES = 20  # other systems refuse to replace a file while a scanner reads it


def publish(
    path: str | os.PathLike[str],
    build: Callable[[Path], None],
    *,
    verify: Callable[[Path], None] | None = None,
    expected_bytes: int = 0,
    timeout_s: float = 30.0,
) -> Path:
    """Write a file so that at any moment the old one or the whole new one stands there.

    Parameters
    ----------
    path
        Final name; its folder must exist. A link is followed to the file it names.
    build
        Writes the file it is given (same folder, same extension) and closes it.
    verify
        Reads it back and raises if it is not right; runs before anything is replaced.
    expected_bytes
        Estimate of the size. Refused beforehand if the disk has less than three times that free.
    timeout_s
        How long to wait for another fencemap that writes the same file, seconds.

    Returns
    -------
    Path
        The final file, links followed.

    Raises
    ------
    InUseError
        Another fencemap writes the file, or another program has the GeoPackage open.
    ExportError
        Disk full, no permission, or a writer's failure; names the path and the cause.
        Whatever else `build` or `verify` raise passes through; the old file stands then too.

    Notes
    -----
    Two writers are kept apart by a hidden ``.NAME.lock`` beside the file. It is removed at the
    end while still held, and whoever waits notices that and takes a new one. After a kill it
    stays, does no harm, and `sweep_temps` takes it away with the temporary files.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from fencemap.guard import publish
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     publish(Path(folder) / "note.txt", lambda file: file.write_text("done")).read_text()
    'done'
    """
    final = Path(os.path.realpath(path))
    _check_place(final)
    _check_space(final, expected_bytes)
    with _locked(final, timeout_s):
        _refuse_open_elsewhere(final)
        temporary = final.with_name(f".{final.name}.{uuid.uuid4().hex}.tmp{final.suffix}")
        try:
            with _failures_named(final):
                build(temporary)
                _check_closed(temporary)
                if verify is not None:
                    verify(temporary)
                _flush(temporary)
                _refuse_open_elsewhere(final)
                _replace(temporary, final)
            _flush_folder(final)
        finally:
            _remove_traces(temporary)
    return final


def publish_bytes(path: str | os.PathLike[str], content: bytes) -> Path:
    """Write bytes as `publish` does, read back and compared before they stand there."""

    def build(temporary: Path) -> None:
        temporary.write_bytes(content)

    def verify(temporary: Path) -> None:
        if temporary.read_bytes() != content:
            raise ExportError(f"{path}: what was written reads back differently")

    return publish(path, build, verify=verify, expected_bytes=len(content))


def publish_text(path: str | os.PathLike[str], text: str) -> Path:
    r"""Write text as UTF-8 with ``\n`` line ends on every system, as `publish` does."""
    return publish_bytes(path, text.encode("utf-8"))


def sweep_temps(
    folder: str | os.PathLike[str], *, older_than_s: float = 86_400.0
) -> tuple[Path, ...]:
    """Take away what killed writers left in a folder; nothing else is touched.

    Parameters
    ----------
    folder
        A folder that `publish` writes into; subfolders are left alone.
    older_than_s
        Spare files younger than this, as a run may be using them; seconds.

    Returns
    -------
    tuple of Path
        The removed files, sorted.
    """
    latest = time.time() - older_than_s
    removed = []
    for entry in sorted(Path(folder).iterdir()):
        if not entry.is_file() or entry.is_symlink() or entry.stat().st_mtime > latest:
            continue
        if _TEMPORARY.fullmatch(entry.name) or (
            _LOCK.fullmatch(entry.name) and _is_free_lock(entry)
        ):
            with suppress(OSError):
                entry.unlink()
                removed.append(entry)
    return tuple(removed)


def _check_place(final: Path) -> None:
    """Refuse a final name that is a folder, or whose folder is not there."""
    if final.is_dir():
        raise ExportError(f"{final}: is a folder", remedy="Name the file itself")
    if not final.parent.is_dir():
        raise ExportError(f"{final}: there is no folder {final.parent}", remedy="Make the folder")


def _check_space(final: Path, expected_bytes: int) -> None:
    """Refuse to start what the disk can't hold."""
    needed = _SPACE_FACTOR * expected_bytes
    free = shutil.disk_usage(final.parent).free
    if needed > free:
        raise ExportError(
            f"{final}: needs about {_mebibytes(needed)} while it is written, but the disk has "
            f"{_mebibytes(free)} free; {_standing(final)}",
            remedy="Make room or choose another folder",
        )


@contextmanager
def _locked(final: Path, timeout_s: float) -> Iterator[None]:
    """Keep other fencemap writers off the file."""
    import filelock

    path = final.with_name(f".{final.name}.lock")
    lock = filelock.FileLock(path, timeout=timeout_s)
    try:
        lock.acquire()
    except filelock.Timeout as error:
        raise InUseError(
            f"{final}: another fencemap is writing it and was not done after {timeout_s:g} s",
            remedy="Wait for that run to end",
        ) from error
    except OSError as error:
        raise _named(final, error) from error
    try:
        yield
    finally:
        # Removed while held: a waiter that had opened it finds it unlinked and starts over.
        with suppress(OSError):
            path.unlink()
        lock.release()


def _is_free_lock(path: Path) -> bool:
    """Tell whether nobody holds a lock file."""
    import filelock

    try:
        with filelock.FileLock(path, timeout=0):
            return True
    except (filelock.Timeout, OSError):
        return False


def _refuse_open_elsewhere(final: Path) -> None:
    """Refuse to put a new database under another program's sidecar files."""
    beside = [name for suffix in SIDECARS if (name := Path(f"{final}{suffix}")).exists()]
    if beside:
        raise InUseError(
            f"{final}: another program has it open ({', '.join(name.name for name in beside)} "
            f"lies beside it); {_standing(final)}",
            remedy="Close it there and run again",
        )


def _check_closed(temporary: Path) -> None:
    """Make sure that the writer has written and closed its file."""
    if not temporary.is_file():
        raise ExportError("its writer made no file")
    for suffix in SIDECARS:
        if Path(f"{temporary}{suffix}").exists():
            raise ExportError(f"its writer left {suffix} behind, so it was not closed")


@contextmanager
def _failures_named(final: Path) -> Iterator[None]:
    """Turn a writer's failure into one that names the path and the cause."""
    try:
        yield
    except FencemapError as error:
        if isinstance(error, ExportError) and str(final) not in error.message:
            raise ExportError(
                f"{final}: {error.message}; {_standing(final)}", remedy=error.remedy
            ) from error
        raise
    except Exception as error:
        if not isinstance(error, OSError) and not _is_from_writer(error):
            raise
        raise _named(final, error) from error


def _is_from_writer(error: BaseException) -> bool:
    """Tell a writer library's own error from a mistake in our code."""
    return any(kind.__module__.split(".")[0] in _WRITERS for kind in type(error).__mro__)


def _named(final: Path, error: BaseException) -> ExportError:
    """Say in plain words why the file could not be written."""
    if _is_disk_full(final, error):
        reason, remedy = "the disk is full", "Make room or choose another folder"
    elif isinstance(error, PermissionError):
        reason, remedy = "its folder may not be written to", "Change its permissions"
    else:
        reason, remedy = f"{type(error).__name__}: {error}", ""
    return ExportError(
        f"{final}: could not be written ({reason}); {_standing(final)}", remedy=remedy
    )


def _is_disk_full(final: Path, error: BaseException) -> bool:
    """Tell a full disk, which writer libraries report in many words and never by name."""
    cause: BaseException | None = error
    while cause is not None:
        said = str(cause).lower()
        if getattr(cause, "errno", None) in _FULL or any(words in said for words in _FULL_WORDS):
            return True
        cause = cause.__cause__ or cause.__context__
    with suppress(OSError):
        return shutil.disk_usage(final.parent).free < _ALMOST_FULL_BYTES
    return False


def _standing(final: Path) -> str:
    return "the file that stood there still stands" if final.exists() else "nothing was written"


def _mebibytes(count: int) -> str:
    return f"{count / 2**20:,.0f} MiB"


def _flush(path: Path) -> None:
    """Have the system write a file's bytes to the disk."""
    descriptor = os.open(path, os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _replace(temporary: Path, final: Path) -> None:
    """Rename over the final name; elsewhere than on POSIX try for a while."""
    for attempt in range(_REPLACE_TRIES):
        try:
            temporary.replace(final)
        except PermissionError:
            if os.name == "posix" or attempt == _REPLACE_TRIES - 1:
                raise
            time.sleep(0.1)
        else:
            return


def _flush_folder(final: Path) -> None:
    """Have the rename itself written; only POSIX can flush a folder."""
    if os.name != "posix":
        return
    try:
        descriptor = os.open(final.parent, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    except OSError as error:
        raise ExportError(
            f"{final}: was written whole, but the system could not confirm that its folder "
            f"reached the disk ({error})",
            remedy="Check the disk and run again",
        ) from error


def _remove_traces(temporary: Path) -> None:
    """Take away the temporary file and what its writer put beside it."""
    stem = temporary.name.removesuffix(temporary.suffix) if temporary.suffix else temporary.name
    for path in temporary.parent.glob(f"{glob.escape(stem)}*"):
        with suppress(OSError):
            path.unlink()
