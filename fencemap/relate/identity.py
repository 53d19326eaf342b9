"""The identity table: every named thing of a survey with its permanent uid."""

from __future__ import annotations

from typing import Any

import pandas as pd

from fencemap.layers import layer
from fencemap.site import Site, Survey

__all__ = ["first_sight"]

_SOURCE = "relate/identify"


def first_sight(things: dict[str, Any], *, site: Site, survey: Survey) -> Any:
    """Make layer `identity` for things seen for the first time.

    Parameters
    ----------
    things
        Layers with `element_id` or `lot_id`, by name. Each row keeps the uid
        that it was given when it was brought in; a later survey hands it on.
    """
    schema = layer("identity")
    parts = []
    for name, frame in things.items():
        key = "lot_id" if name == "lots" else "element_id"
        if len(frame):
            parts.append(pd.DataFrame({"layer": name, "element_id": frame[key].to_numpy(), "of": frame["uid"].to_numpy()}))
    if not parts:
        return schema.empty()
    joined = pd.concat(parts, ignore_index=True).sort_values(["layer", "element_id"], kind="stable", ignore_index=True)
    return schema.conform(
        {
            "uid": joined["of"],
            "survey_id": [survey.id] * len(joined),
            "source_file": [_SOURCE] * len(joined),
            "layer": joined["layer"],
            "element_id": joined["element_id"],
            "event": ["found"] * len(joined),
            "event_date": [survey.start.isoformat()] * len(joined),
        }
    )
