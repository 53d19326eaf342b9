"""Rust grades derived from the rusted area; the area itself is what is kept.

The two scales are not converted into each other: published tables of
equivalence disagree, so each grade is taken from the area.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["astm_d610", "iso_4628_3"]

# ASTM D610, table 1: largest rusted area of grades 10 to 1, per cent; more is grade 0.
_D610_PCT = np.array([0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 16.0, 33.0, 50.0])
# ISO 4628-3: rusted area of Ri 0 to Ri 4, per cent. An area between two counts as the worse.
_RI_PCT = np.array([0.0, 0.05, 0.5, 1.0, 8.0])


def astm_d610(rusted_pct: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
    """Give the rust grade of ASTM D610: 10 is at most 0.01 % rusted, 0 more than half.

    Parameters
    ----------
    rusted_pct
        (n,) rusted area in per cent; NaN stays NaN.

    Examples
    --------
    >>> astm_d610(np.array([0.02, 12.0, 60.0])).tolist()
    [9.0, 3.0, 0.0]
    """
    grade = 10.0 - np.searchsorted(_D610_PCT, rusted_pct, side="left")
    return np.where(np.isnan(rusted_pct), np.nan, grade)


def iso_4628_3(rusted_pct: NDArray[np.floating[Any]]) -> NDArray[np.object_]:
    """Give the degree of rusting of ISO 4628-3, ``Ri0`` (none) to ``Ri5`` (40 to 50 % and more).

    The standard grades by pictures that show 0, 0.05, 0.5, 1, 8 and 40 to
    50 %; an area between two is given the worse, so that no rust is hidden.

    Examples
    --------
    >>> iso_4628_3(np.array([0.0, 0.6, 8.0])).tolist()
    ['Ri0', 'Ri3', 'Ri4']
    """
    names = np.array(["Ri0", "Ri1", "Ri2", "Ri3", "Ri4", "Ri5"], dtype=object)
    grade = names[np.searchsorted(_RI_PCT, rusted_pct, side="left") % len(names)]
    return np.where(np.isnan(rusted_pct), None, grade)  # type: ignore[call-overload,no-any-return]
