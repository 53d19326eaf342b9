"""What was looked at along each run, and what was not."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from fencemap.layers import layer, uids
from fencemap.site import Site, Survey

__all__ = ["coverage_layer", "seen_of_bays"]

_STEP = "find/condition_of_fences"
_WORDS = ("inspected", "partly", "not accessible", "not visited")  # from best to worst
_JUDGED = ("condition", "urgency", "rusted_area_pct", "connection")


def seen_of_bays(bays: Any, panels: Any, elements: Any) -> NDArray[np.object_]:
    """Say how each bay was looked at.

    That is what is said of its panel or gate, of several the least; of a bay
    without one, what is said of the less looked at of its two posts. An
    element that says nothing counts as inspected when someone judged its
    condition, and else as not visited.

    Returns
    -------
    One word of the vocabulary `seen` a bay, in the order of `bays`.
    """
    rank = {word: place for place, word in enumerate(_WORDS)}
    judged = elements[list(_JUDGED)].notna().any(axis=1)
    said = elements["seen"].map(rank).fillna(judged.map({True: 0, False: len(_WORDS) - 1}))
    of = pd.Series(said.to_numpy(float), index=elements["element_id"].to_numpy(object))
    of = of.groupby(level=0).max()
    filled = pd.Series(
        of.reindex(panels["panel_id"]).to_numpy(), index=panels["bay_id"].to_numpy(object)
    )
    by_panel = filled.groupby(level=0).max().reindex(bays["bay_id"]).to_numpy(float)
    posts = [of.reindex(bays[column]).to_numpy(float) for column in ("from_post", "to_post")]
    worst = np.where(np.isnan(by_panel), np.fmax(*posts), by_panel)
    place = np.nan_to_num(worst, nan=len(_WORDS) - 1.0).astype(int)
    return np.array(_WORDS, dtype=object).take(place)


def coverage_layer(bays: Any, panels: Any, elements: Any, *, site: Site, survey: Survey) -> Any:
    """Make the layer `coverage`: neighbouring bays that were looked at alike are one line."""
    bays = bays.sort_values(["run_id", "from_m", "bay_id"], ignore_index=True)
    if not len(bays):
        return layer("coverage").empty(site.crs)
    seen = seen_of_bays(bays, panels, elements)
    run = bays["run_id"].to_numpy(object)
    new = np.ones(len(bays), bool)
    new[1:] = (run[1:] != run[:-1]) | (seen[1:] != seen[:-1])
    first = np.flatnonzero(new)
    length = np.add.reduceat(bays["length_m"].to_numpy(float), first)
    ends = shapely.get_coordinates(np.asarray(bays.geometry, object)).reshape(-1, 2, 2)
    stretch = np.cumsum(new) - 1
    # Each bay gives its beginning, the last of a stretch also its end.
    last = np.append(first[1:], len(bays)) - 1
    vertices = np.concatenate([ends[:, 0], ends[last, 1]])
    owner = np.concatenate([stretch, np.arange(len(first))])
    order = np.lexsort((np.arange(len(owner)), owner))
    keys = [
        f"{name}/{at:.4f}"
        for name, at in zip(run[first], bays["from_m"].to_numpy(float)[first], strict=True)
    ]
    return layer("coverage").conform(
        {
            "uid": uids(site.uid, survey.id, "coverage", keys),
            "survey_id": [survey.id] * len(first),
            "source_file": [_STEP] * len(first),
            "run_id": run[first],
            "seen": seen[first],
            "length_m": length,
            "inspected_m": np.where(seen[first] == "inspected", length, 0.0),
        },
        geometry=shapely.linestrings(vertices[order], indices=owner[order]),
        crs=site.crs,
    )
