"""Defaults of the trade, each with its unit and source, and the site's own values.

They live in `practice.toml` under dotted keys such as
``operation.converter brushed.reach_m``. A site overrides any of them in the
``[practice]`` table of `site.toml`; what was used is printed with the plan.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from fencemap.errors import Problem, SiteError

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = [
    "NOT_A_STANDARD",
    "SET_BY_SITE",
    "Default",
    "all_defaults",
    "check_overrides",
    "default",
    "look_up",
]

NOT_A_STANDARD = "practice default, not a standard"
SET_BY_SITE = "set by the site"


@dataclass(frozen=True, slots=True)
class Default:
    """One number or word of practice; numbers have bounds that a site may set it within."""

    key: str
    value: Any
    unit: str
    meaning: str
    source: str
    least: float | None = None
    most: float | None = None


@cache
def all_defaults() -> Mapping[str, Default]:
    """Load every default, by key, in the order of the file."""
    tables: dict[str, Any] = {}
    for name in ("practice.toml", "practice_survey.toml"):
        tables |= tomllib.loads(files("fencemap").joinpath(name).read_text(encoding="utf-8"))
    return {key: Default(key, **entry) for key, entry in tables.items()}


def default(key: str) -> Default:
    """Find a default by key.

    Raises
    ------
    KeyError
        No such key (a mistake in the code: users' keys go through `check_overrides`).

    Examples
    --------
    >>> default("roots.stem_factor").value
    12
    """
    return all_defaults()[key]


def look_up(key: str, overrides: Mapping[str, Any]) -> Default:
    """Find a default, with the site's value and ``set by the site`` where it has one.

    Raises
    ------
    KeyError
        No such key (a mistake in the code).
    """
    found = default(key)
    if key not in overrides:
        return found
    return Default(
        key, overrides[key], found.unit, found.meaning, SET_BY_SITE, found.least, found.most
    )


def check_overrides(overrides: Mapping[str, Any], *, file: object) -> None:
    """Refuse a site's ``[practice]`` table that can't be meant, naming every fault at once.

    Raises
    ------
    SiteError
        A key is unknown, a value is of another kind than the default, out of
        its bounds, or a word that the vocabulary does not have.
    """
    problems = [
        Problem(code, reason, remedy, str(file), None, f"practice.{key}", str(value))
        for key, value in overrides.items()
        for code, reason, remedy in _faults(key, value)
    ]
    if problems:
        raise SiteError(problems=problems)


def _faults(key: str, value: Any) -> list[tuple[str, str, str]]:
    """List code, reason and remedy of what is wrong with one override (at most one)."""
    import difflib

    known = all_defaults().get(key)
    if known is None:
        close = difflib.get_close_matches(key, all_defaults(), n=3)
        remedy = f"Did you mean {' or '.join(close)}?" if close else "docs/practice.md lists them."
        return [("unknown-practice", f"no practice default is called '{key}'", remedy)]
    unit = f" {known.unit}".rstrip()
    if isinstance(known.value, str):
        return _word_faults(known, value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return [
            ("wrong-type", "must be a number", f"Write it like the default: {known.value}{unit}.")
        ]
    least = -math.inf if known.least is None else known.least
    most = math.inf if known.most is None else known.most
    if not (math.isfinite(value) and least <= value <= most):
        bounds = f"{least:g} to {most:g}{unit}"
        return [
            ("out-of-bounds", f"must lie within {bounds}", f"The default is {known.value}{unit}.")
        ]
    return []


def _word_faults(known: Default, value: Any) -> list[tuple[str, str, str]]:
    """Check a word: text, and of the vocabulary when the key is bound to one."""
    from fencemap.vocabularies import words

    if not isinstance(value, str):
        return [("wrong-type", "must be text", f'Write it like the default: "{known.value}".')]
    bound = known.key.rpartition(".")[2]
    allowed: frozenset[str] = frozenset()
    if known.key.startswith("operation."):
        allowed = {
            "way": words("way"),
            "cover": words("cover") | {""},
            "ground_sheet": frozenset({"", "lead", "always"}),
        }.get(bound, frozenset())
    if allowed and value not in allowed:
        shown = ", ".join(sorted(f'"{word}"' for word in allowed))
        return [("unknown-word", f"'{value}' is not a word for {bound}", f"Use one of: {shown}.")]
    return []
