"""Names and life events of every recorded thing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from fencemap.layers import layer
from fencemap.site import Survey

__all__ = ["identify_all"]

# What a thing's presence at first sight says of its life.
_EVENT = {
    "in place": "found",
    "loose on site": "found",
    "unknown": "found",
    "in store": "stored",
    "missing": "lost",
    "absent by design": "disproved",
}


def identify_all(things: dict[str, Any], *, survey: Survey) -> Any:
    """List every element, stone and lot under its permanent uid.

    Parameters
    ----------
    things
        Layers by name; each has `uid` and `element_id` (lots: `lot_id`).
    survey
        Its last day is the day of the event, as far as is known.

    Returns
    -------
    The layer `identity`, sorted by layer, name and uid. A thing not said to be
    anywhere counts as found: somebody recorded it.
    """
    parts = []
    for name, frame in things.items():
        presence = (
            frame["presence"] if "presence" in frame else pd.Series(None, frame.index, object)
        )
        parts.append(
            pd.DataFrame({
                "uid": frame["uid"].to_numpy(object),
                "survey_id": frame["survey_id"].to_numpy(object),
                "source_file": frame["source_file"].to_numpy(object),
                "source_row": frame["source_row"].array,
                "layer": np.full(len(frame), name, object),
                "element_id": frame["lot_id" if name == "lots" else "element_id"].to_numpy(object),
                "event": presence.map(_EVENT).fillna("found").to_numpy(object),
            })
        )  # fmt: skip
    whole = pd.concat(parts, ignore_index=True)
    whole["event_date"] = survey.end.isoformat()
    whole = whole.sort_values(["layer", "element_id", "uid"], ignore_index=True)
    return layer("identity").conform(whole)
