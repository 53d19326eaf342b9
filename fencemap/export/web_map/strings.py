"""The map's words, loaded from `strings.toml`: all of them in one place."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files

__all__ = ["english", "field_label"]

_UNIT_ENDINGS = ("_m_s", "_pct", "_deg", "_mm", "_m2", "_m3", "_kg", "_m", "_c")


@cache
def english() -> Mapping[str, Mapping[str, str]]:
    """Load every string of the page, by section and key."""
    text = files("fencemap.export.web_map").joinpath("strings.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def field_label(name: str) -> str:
    """Turn a field's permanent name into words; its unit is shown beside the value.

    Examples
    --------
    >>> field_label("rusted_area_pct"), field_label("worst_condition"), field_label("stone_id")
    ('Rusted area', 'Worst condition', 'Stone')
    """
    special = english()["field"].get(name)
    if special is not None:
        return special
    for ending in _UNIT_ENDINGS:
        if name.endswith(ending):
            name = name.removesuffix(ending)
            break
    words = name.removesuffix("_id").replace("_", " ")
    return words[:1].upper() + words[1:]
