"""Lines with height and measure, written as well-known binary: many at once, no loop."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["measured_lines"]

_LINESTRING_ZM = 3002  # ISO 13249-3 code


def measured_lines(coordinates: NDArray[np.floating[Any]], counts: NDArray[np.integer[Any]]) -> NDArray[np.object_]:  # fmt: skip
    """Write line strings of x, y, z and measure as WKB.

    Parameters
    ----------
    coordinates
        (v, 4) vertices of all lines one after the other; z and measure may be NaN.
    counts
        (n,) vertices of each line, at least 2.

    Returns
    -------
    (n,) bytes for ``shapely.from_wkb``, which has no quicker way in for
    four-dimensional coordinates.

    Examples
    --------
    >>> import shapely
    >>> rows = np.array([[0.0, 0.0, 5.0, 0.0], [3.0, 4.0, 5.0, 5.0]])
    >>> shapely.from_wkb(measured_lines(rows, np.array([2]))).tolist()
    [<LINESTRING ZM (0 0 5 0, 3 4 5 5)>]
    """
    made = np.empty(len(counts), object)
    offset = np.concatenate([[0], np.cumsum(counts)])
    for count in np.unique(counts):
        which = np.flatnonzero(counts == count)
        dtype = np.dtype([("order", "u1"), ("type", "<u4"), ("n", "<u4"), ("xyzm", "<f8", (count, 4))])  # fmt: skip
        packed = np.empty(len(which), dtype)
        packed["order"], packed["type"], packed["n"] = 1, _LINESTRING_ZM, count
        packed["xyzm"] = coordinates[offset[which][:, None] + np.arange(count)]
        raw, size = packed.tobytes(), dtype.itemsize
        made[which] = [raw[at : at + size] for at in range(0, len(raw), size)]
    return made
