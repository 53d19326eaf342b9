"""Sentences for very many rows at once: each different number is written once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["chosen", "written"]

Texts = NDArray[np.object_]


def written(
    values: NDArray[np.floating[Any]], pattern: str, *, digits: int, empty: str = ""
) -> Texts:
    """Write numbers, rounded to `digits`, through a format such as ``"{:.2f} m"``.

    Parameters
    ----------
    values
        Shape (n,); NaN becomes `empty`.

    Examples
    --------
    >>> list(written(np.array([0.301, np.nan]), "{:.2f} m", digits=2, empty="not known"))
    ['0.30 m', 'not known']
    """
    different, place = np.unique(np.round(values, digits), return_inverse=True)
    texts = [empty if np.isnan(value) else pattern.format(value + 0.0) for value in different]
    return chosen(texts, place)


def chosen(texts: Sequence[str], place: NDArray[np.integer[Any]]) -> Texts:
    """Take ``texts[place]`` as an array of objects.

    Examples
    --------
    >>> list(chosen(["a", "b"], np.array([1, 0])))
    ['b', 'a']
    """
    table = np.empty(len(texts), dtype=object)
    table[:] = list(texts)
    taken: Texts = table[np.asarray(place, dtype=np.intp).reshape(-1)]
    return taken
