"""How kernels are compiled, in one place."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numba

__all__ = ["compiled"]

_Function = TypeVar("_Function", bound=Callable[..., Any])


def compiled(function: _Function) -> _Function:
    """Compile a kernel at its first call and keep the machine code on disk.

    No fast-math: answers must not depend on the compiler's order of sums.
    """
    made: Any = numba.njit(cache=True, nogil=True)(function)
    return made  # type: ignore[no-any-return]
