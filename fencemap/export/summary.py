"""The findings in plain sentences, for the command line and for whoever tells others.

The same figures stand on the summary page; both come from `figures`.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fencemap.cautions import triggered
from fencemap.export import figures
from fencemap.export.paper import number
from fencemap.operations import STANDING, Practice
from fencemap.practice import default

__all__ = ["VERDICTS", "plain_sentences"]

VERDICTS: Mapping[str, str] = {
    "in contact": "in contact with soil",
    "clear": "clear",
    "undecided": "undecided",
    "not seen": "not seen",
    "over stone": "over stone",
}
"""Verdicts on soil contact in the words of a sentence."""


def plain_sentences(
    layers: Mapping[str, Any], *, into: Path | None = None, practice: Practice = default
) -> list[str]:
    """Say in plain sentences what was read, found and planned.

    Parameters
    ----------
    layers
        Layers by name; what was not made is left out.
    into
        Folder of the results, named in the last sentence.
    practice
        Looks up a default, with the site's value where it has one.
    """
    said = [
        _said_of_reading(layers),
        _said_of_fence(layers),
        _said_of_contact(layers),
        _said_of_condition(layers),
        _said_of_touching(layers, practice),
        *_said_of_covers(layers),
        _said_of_cautions(layers),
    ]
    if into is not None:
        said.append(f"Results lie in {into}.")
    return [sentence for sentence in said if sentence]


def _said_of_reading(layers: Mapping[str, Any]) -> str:
    held = figures.reading(layers)
    why = ", ".join(f"{row.rows} {row.code}" for row in held.reasons.head(4).itertuples())
    refused = f"{held.rejected:,} rejected" + (f" ({why})" if why else "")
    doubts = int(held.doubts["rows"].sum())
    doubtful = f" Doubtful but kept: {doubts:,}; layer suspect says why." if doubts else ""
    return (
        f"{held.read:,} rows read from {len(held.files)} files: {held.kept:,} kept, {refused}."
        + doubtful
    )


def _said_of_fence(layers: Mapping[str, Any]) -> str:
    runs = layers.get("runs")
    if runs is None:
        return ""
    bays = f" with {len(layers['bays']):,} bays" if "bays" in layers else ""
    return f"The fence is {number(runs['length_m'].sum(), 1, unit='m')} long, in {len(runs):,} runs{bays}."


def _said_of_contact(layers: Mapping[str, Any]) -> str:
    held = figures.contact(layers)
    if held is None:
        return ""
    parts = [f"{number(held.metres[word], 1, unit='m')} {said}" for word, said in VERDICTS.items()]
    return (
        f"Of {number(held.total_m, 1, unit='m')} of bottom rail, {', '.join(parts[:-1])} and {parts[-1]};"
        f" {number(held.expected_m, 1, unit='m')} are expected to touch soil, all probabilities added."
    )


def _said_of_condition(layers: Mapping[str, Any]) -> str:
    grades = figures.condition_metres(layers)
    if grades is None or not len(grades):
        return ""
    worst = grades.iloc[0]
    if worst["grade"] == "not judged":
        return "No condition was judged."
    bays = layers["condition_bays"]
    unsafe = int(bays["make_safe"].fillna(value=False).sum())
    safe = f"; {unsafe} must be made safe first" if unsafe else ""
    return (
        f"The worst condition met is grade {worst['grade']} (0 sound, 3 worst), in {worst['bays']:,} bays,"
        f" {number(worst['metres'], 1, unit='m')}{safe}."
    )


def _said_of_touching(layers: Mapping[str, Any], practice: Practice) -> str:
    within_m = float(practice("exposure.touching_m").value)
    near = figures.touching_stone(layers, within_m=within_m)
    if near is None:
        return ""
    count = sum(len(layers[name]) for name in ("stones", "curbs") if name in layers)
    return (
        f"{len(near):,} of {count:,} stones and curbs lie within {within_m:g} m of iron,"
        " and are listed for every operation."
    )


def _said_of_covers(layers: Mapping[str, Any]) -> list[str]:
    if "covers" not in layers or "exposure" not in layers:
        return []
    said = []
    for phase, first in figures.worst_first(layers, most=3).items():
        exposure = layers["exposure"]
        of_phase = exposure[exposure["phase"] == phase]
        count = len(of_phase.drop_duplicates(["stone_layer", "stone_id"]))
        names = ", ".join(f"{row.stone_id} ({row.operation})" for row in first.itertuples())
        if phase == STANDING:
            said.append(
                f"Rust from the standing iron can reach {count:,} stones and curbs, rain by rain."
            )
        else:
            said.append(
                f"Phase {phase}: {count:,} stones and curbs to cover or cordon, first of all {names}."
            )
    return said


def _said_of_cautions(layers: Mapping[str, Any]) -> str:
    held = triggered(layers)
    gravest = "; ".join(caution.title for caution in held[:4])
    return f"{len(held)} cautions apply, the gravest first: {gravest}. The summary page has all of them."
