"""Controlled words with their definitions, version and source.

The words live in `vocabularies.toml`; a word is never reused for another
meaning. A row that is written carries the words themselves, so a reader in
twenty years needs no code table.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType

__all__ = ["Vocabulary", "all_vocabularies", "version", "vocabulary", "words"]


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """One list of words: each with its definition, and where the list comes from."""

    name: str
    source: str
    terms: Mapping[str, str]


@cache
def _document() -> tuple[int, dict[str, Vocabulary]]:
    text = files("fencemap").joinpath("vocabularies.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)
    number = int(table.pop("version"))
    lists = {}
    for name, entries in table.items():
        terms = {word: meaning for word, meaning in entries.items() if word != "source"}
        lists[name] = Vocabulary(name, entries["source"], MappingProxyType(terms))
    return number, lists


def version() -> int:
    """Tell the number of the edition, which is written into every GeoPackage."""
    return _document()[0]


def vocabulary(name: str) -> Vocabulary:
    """Find a vocabulary by name; KeyError if there is none."""
    return _document()[1][name]


def all_vocabularies() -> tuple[Vocabulary, ...]:
    """List all vocabularies in their permanent order."""
    return tuple(_document()[1].values())


@cache
def words(name: str) -> frozenset[str]:
    """List the words of a vocabulary."""
    return frozenset(vocabulary(name).terms)
