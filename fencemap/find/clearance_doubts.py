"""Levels and readings that all others speak against: named, with a suggestion, and left out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from fencemap.find.clearance_cells import Integers
from fencemap.layers import layer, uids
from fencemap.site import Site, Survey

__all__ = ["contradicted_layer"]

_CODE = "contradicted"


def contradicted_layer(
    levels: Any,
    gap_readings: Any,
    *,
    level_rows: Integers,
    gap_rows: Integers,
    site: Site,
    survey: Survey,
) -> Any:
    """Make rows of the layer `suspect`.

    Parameters
    ----------
    levels, gap_readings
        The layers.
    level_rows, gap_rows
        Rows of each that the others speak against.
    """
    height = _part(
        levels.iloc[np.unique(level_rows)], "levels", "element_id", "height_m",
        "the height does not fit what all other heights and gaps near it say; it counts for little or nothing",
        "Check target, rod height and element.",
    )  # fmt: skip
    gap = _part(
        gap_readings.iloc[np.unique(gap_rows)], "gaps", "panel_id", "reading",
        "the gap does not fit what all other readings and heights near it say; it was left out",
        "Check the figure, its unit, the panel and the station.",
    )  # fmt: skip
    whole = pd.concat([height, gap], ignore_index=True)
    keys = [f"clearance_along_rails/{_CODE}/{uid}" for uid in whole.pop("of")]
    columns = {str(name): whole[name] for name in whole}
    return layer("suspect").conform(
        {
            "uid": uids(site.uid, survey.id, "suspect", keys),
            "survey_id": [survey.id] * len(whole),
            "code": [_CODE] * len(whole),
            **columns,
        },
        geometry=np.full(len(whole), None, dtype=object),
        crs=site.crs,
    )


def _part(
    rows: Any, name: str, element: str, column: str, reason: str, remedy: str
) -> pd.DataFrame:
    """Give the doubts of one layer, by file and row."""
    rows = rows.sort_values(["source_file", "source_row", "uid"])
    count = len(rows)
    return pd.DataFrame({
        "of": rows["uid"].to_numpy(object),
        "source_file": rows["source_file"].to_numpy(object),
        "source_row": rows["source_row"].array,
        "input": [name] * count,
        "element_id": rows[element].fillna(rows["run_id"]).to_numpy(object),
        "column": [column] * count,
        "value": rows[column].astype(str).to_numpy(object),
        "reason": [reason] * count,
        "remedy": [remedy] * count,
    })  # fmt: skip
