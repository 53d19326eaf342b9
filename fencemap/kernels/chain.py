"""Least squares over a chain of small blocks, each tied only to the next."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fencemap.kernels._compile import compiled

__all__ = ["solve_chain"]

Floats = NDArray[np.floating[Any]]


@compiled
def solve_chain(diagonal: Floats, coupling: Floats, right: Floats) -> tuple[Floats, Floats]:
    """Solve a symmetric block-tridiagonal system and give the blocks of its inverse.

    Parameters
    ----------
    diagonal
        (n, b, b) diagonal blocks of the normal matrix.
    coupling
        (n, b, b) blocks between i and i + 1 (row i, column i + 1); the last one
        isn't used. Zeros part the chain.
    right
        (n, b, k) right-hand sides.

    Returns
    -------
    solution (n, b, k), and the (n, b, b) diagonal blocks of the inverse: the
    covariance of each block when the matrix is an information matrix.
    """
    n, b, k = right.shape
    forward = diagonal.copy()  # each block after those before it are eliminated
    carried = right.copy()
    for i in range(1, n):
        tie = np.ascontiguousarray(coupling[i - 1].T)
        gain = tie @ np.linalg.inv(forward[i - 1])
        forward[i] -= gain @ np.ascontiguousarray(coupling[i - 1])
        carried[i] -= gain @ np.ascontiguousarray(carried[i - 1])
    solution, inverse = np.empty((n, b, k)), np.empty((n, b, b))
    inverse[n - 1] = np.linalg.inv(forward[n - 1])
    solution[n - 1] = inverse[n - 1] @ np.ascontiguousarray(carried[n - 1])
    for i in range(n - 2, -1, -1):
        own = np.linalg.inv(forward[i])
        tie = np.ascontiguousarray(coupling[i])
        solution[i] = own @ (carried[i] - tie @ np.ascontiguousarray(solution[i + 1]))
        back = own @ tie
        inverse[i] = own + back @ inverse[i + 1] @ np.ascontiguousarray(back.T)
    return solution, inverse
