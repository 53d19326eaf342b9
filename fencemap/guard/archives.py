"""Zip containers (workbooks too), looked at before anything is unpacked."""

from __future__ import annotations

import stat
import zipfile
from pathlib import Path, PurePosixPath, PureWindowsPath

from fencemap.errors import InputError, RefusedFileError

__all__ = ["check_archive", "member_names"]

_MAX_MEMBER_BYTES = 2 * 2**30
_MAX_TOTAL_BYTES = 8 * 2**30
_MAX_MEMBERS = 100_000
_MAX_RATIO = 100
_RATIO_FROM_BYTES = 16 * 2**20  # a small member may shrink as far as it likes


def check_archive(path: Path) -> None:
    """Refuse an archive that would unpack outside its folder or grow without bound.

    Looks at the directory of the archive only: member names (no absolute path, no ``..``, no
    link), count, sizes, ratio of unpacked to packed bytes, passwords. Whoever unpacks must
    still count bytes, as the directory may lie.

    Raises
    ------
    RefusedFileError
        Names the member and the reason.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            members = archive.infolist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as error:
        raise _refused(
            path, f"is a broken zip archive ({error})", "Copy or export it again"
        ) from error
    if len(members) > _MAX_MEMBERS:
        raise _refused(path, f"holds {len(members)} members", "Unpack it yourself")
    for member in members:
        reason = _reason_against(member)
        if reason:
            raise _refused(path, f"holds '{member.filename}', {reason}", "Unpack it yourself")
    total = sum(member.file_size for member in members)
    if total > _MAX_TOTAL_BYTES:
        raise _refused(path, f"would unpack to {total / 2**30:.1f} GiB", "Unpack it yourself")


def member_names(path: Path) -> frozenset[str]:
    """Names of the members of a zip archive that `check_archive` has accepted."""
    with zipfile.ZipFile(path) as archive:
        return frozenset(archive.namelist())


def _reason_against(member: zipfile.ZipInfo) -> str:
    """Say why a member is refused; empty if it is fine."""
    name = member.filename
    parts = PurePosixPath(name.replace("\\", "/")).parts
    if name.startswith(("/", "\\", "~")) or PureWindowsPath(name).drive or ".." in parts:
        return "which would be written outside the folder"
    if stat.S_ISLNK(member.external_attr >> 16):
        return "which is a link"
    if member.flag_bits & 1:
        return "which is locked with a password"
    if member.file_size > _MAX_MEMBER_BYTES:
        return f"which would unpack to {member.file_size / 2**30:.1f} GiB"
    if member.file_size > max(_RATIO_FROM_BYTES, _MAX_RATIO * member.compress_size):
        return f"which would grow more than {_MAX_RATIO}-fold"
    return ""


def _refused(path: Path, reason: str, remedy: str) -> InputError:
    return RefusedFileError.at(path, reason, remedy=remedy, code="archive")
