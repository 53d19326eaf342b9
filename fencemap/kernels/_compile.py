"""How kernels are compiled, in one place."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

import numba

__all__ = ["compiled"]

_Function = TypeVar("_Function", bound=Callable[..., Any])


def compiled(function: _Function) -> _Function:
    """Compile a kernel at its first call and keep the machine code on disk.

    No fast-math: answers must not depend on the compiler's order of sums.
    """
    made: Any = numba.njit(cache=True, nogil=True)(function)
    # numba looks for changes in the kernel's own file only, but the machine code holds those
    # that it calls too: without this a kernel would go on with what its callee once was.
    held = getattr(getattr(made, "_cache", None), "_cache_file", None)
    if held is not None:
        held._source_stamp = (held._source_stamp, _sources())  # noqa: SLF001
    return made  # type: ignore[no-any-return]


@cache
def _sources() -> str:
    """Digest of the files of all kernels."""
    total = hashlib.sha256()
    for path in sorted(Path(__file__).parent.glob("*.py")):
        total.update(path.read_bytes())
    return total.hexdigest()
