"""Rows of the layer `suspect` for what doesn't fit together along a fence."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from fencemap.layers import layer, uids
from fencemap.site import Site, Survey

__all__ = ["Doubt", "suspect_layer"]


@dataclass(frozen=True, slots=True)
class Doubt:
    """One thing that was kept but does not look right; `row` is a row of the elements."""

    row: int
    code: str
    column: str
    value: str
    reason: str
    remedy: str
    size: float = float("nan")


def suspect_layer(
    doubts: Iterable[Doubt], elements: Any, *, site: Site, survey: Survey, by: str
) -> Any:
    """Make the layer of doubts, sorted by file, row and code.

    Parameters
    ----------
    doubts
        What was found.
    elements
        The layer `elements`, whose rows the doubts point at.
    by
        Name of the step, as part of each row's identity.
    """
    kept = list(doubts)
    at = np.array([doubt.row for doubt in kept], dtype=int)
    source = elements.iloc[at].reset_index(drop=True)
    keys = [f"{by}/{doubt.code}/{uid}" for doubt, uid in zip(kept, source["uid"], strict=True)]
    made = layer("suspect").conform(
        {
            "uid": uids(site.uid, survey.id, "suspect", keys),
            "survey_id": [survey.id] * len(kept),
            "source_file": source["source_file"],
            "source_row": source["source_row"],
            "input": ["elements"] * len(kept),
            "element_id": source["element_id"],
            "column": [doubt.column for doubt in kept],
            "value": [doubt.value for doubt in kept],
            "code": [doubt.code for doubt in kept],
            "reason": [doubt.reason for doubt in kept],
            "remedy": [doubt.remedy for doubt in kept],
            "size": [doubt.size for doubt in kept],
        },
        geometry=shapely.force_2d(np.asarray(source.geometry, dtype=object)),
        crs=site.crs,
    )
    return made.sort_values(["source_file", "source_row", "code", "uid"], ignore_index=True)
