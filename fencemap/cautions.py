"""Cautions: what can hurt people, graves or stone, and what makes each one show.

They live in `cautions.toml`. Every export asks `triggered` with the layers it
shows and prints what comes back, so no plan, map or table leaves without the
warnings that its own content calls for.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["Caution", "all_cautions", "facts", "triggered"]


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution; it shows when any of its `triggers` is among the facts."""

    id: str
    title: str
    text: str
    triggers: frozenset[str]
    source: str


@cache
def all_cautions() -> tuple[Caution, ...]:
    """Load every caution in its permanent order, the gravest first."""
    text = files("fencemap").joinpath("cautions.toml").read_text(encoding="utf-8")
    return tuple(
        Caution(key, entry["title"], entry["text"], frozenset(entry["triggers"]), entry["source"])
        for key, entry in tomllib.loads(text).items()
    )


# Layer -> (column, word before the value in a fact, what an empty cell counts as).
# Unknown is the warier answer: untested paint may hold lead, an unseen stone may be loose.
_FACTS: dict[str, tuple[tuple[str, str, str], ...]] = {
    "work": (("operation", "operation", ""),),
    "exposure": (("operation", "operation", ""),),
    "protection_zones": (("operation", "operation", ""),),
    "covers": (("operation", "operation", ""),),
    "work_order": (("operation", "operation", ""),),
    "stones": (("stability", "stability", "unknown"),),
    "curbs": (("stability", "stability", ""),),
    "lots": (("lead_test", "lead", "not tested"),),
    "soil_contact": (("contact", "contact", ""),),
    "elements": (
        ("material", "material", ""),
        ("presence", "presence", ""),
        ("connection", "connection", ""),
        ("fastener_kind", "fastener", ""),
        ("foundation", "foundation", ""),
    ),
    "repairs": (("repair", "repair", ""), ("by_whom", "by", "")),
}
# Where a worst grade is iron's; a stone's own grade calls for no metalwork conservator.
_IRON_GRADES = {
    "elements": "condition",
    "panels": "condition",
    "condition_bays": "worst_condition",
    "condition_runs": "worst_condition",
    "condition_lots": "worst_condition",
}


def facts(layers: Mapping[str, Any]) -> frozenset[str]:
    """List what is true of these layers, in the words that triggers use.

    ``always``; ``layer=NAME`` for each layer that has rows; ``operation=…``,
    ``stability=…``, ``lead=…`` and so on for each value that occurs, an empty
    cell counting as the unknown word; ``lead=not tested`` also where there is
    iron but no lot says anything of its paint; ``condition=3`` when any iron
    has the worst grade.
    """
    found = {"always"}
    for name in layers:
        frame = _looked_at(layers, name)
        if not len(frame):
            continue
        found.add(f"layer={name}")
        for column, word, empty in _FACTS.get(name, ()):
            if column in frame.columns:
                values = frame[column]
                found |= {f"{word}={value}" for value in values.dropna().unique()}
                if empty and values.isna().any():
                    found.add(f"{word}={empty}")
        grade = _IRON_GRADES.get(name, "")
        if grade in frame.columns and (frame[grade] == 3).any():
            found.add("condition=3")
    if "layer=elements" in found and "layer=lots" not in found:
        found.add("lead=not tested")
    return frozenset(found)


def _looked_at(layers: Mapping[str, Any], name: str) -> Any:
    """Give the columns that facts are told by; layers on disk are not read whole for that."""
    if not hasattr(layers, "table"):
        return layers[name]
    wanted = {column for column, _, _ in _FACTS.get(name, ())} | {_IRON_GRADES.get(name, "uid")}
    return layers.table(name, columns=wanted).to_pandas()


def triggered(
    layers: Mapping[str, Any], *, more: frozenset[str] = frozenset()
) -> tuple[Caution, ...]:
    """List the cautions that the content of these layers calls for.

    `more` adds facts that no layer knows, such as ``orthophoto`` for an
    export that shows a drone image.
    """
    true = facts(layers) | more
    return tuple(caution for caution in all_cautions() if caution.triggers & true)
