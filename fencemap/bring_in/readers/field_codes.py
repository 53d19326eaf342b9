"""What surveyors type behind a point: ``CODE[material][number] [line command] remark``.

The codes are our own and live in `field_codes.toml`. A description that does not begin with one
is kept whole as a remark and named as unknown; nothing about it is guessed.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from types import MappingProxyType

__all__ = ["Code", "Described", "codes", "describe", "line_commands", "materials"]

_TOKEN = re.compile(r"([A-Za-z]+)([0-9]{0,9})", re.ASCII)
_ROD = re.compile(r"RH([0-9]{1,2}(?:[.,][0-9]{1,4})?)", re.IGNORECASE | re.ASCII)
_LONGEST = 10  # letters of a code with its material
_FIELDS = ("meaning", "input", "kind", "role", "target", "of", "number")


@dataclass(frozen=True, slots=True)
class Code:
    """One field code: what it means and which words of the vocabularies it stands for."""

    code: str
    meaning: str
    input: str
    kind: str = ""
    role: str = ""
    target: str = ""
    of: str = ""
    number: str = "string"


@dataclass(frozen=True, slots=True)
class Described:
    """What one description says; `code` is None if it begins with no known code."""

    code: Code | None
    material: str = ""
    number: str = ""
    line_command: str = ""
    rod_height_m: str = ""
    remark: str = ""
    doubts: tuple[str, ...] = field(default=())


@cache
def _document() -> tuple[Mapping[str, Code], Mapping[str, str], Mapping[str, str]]:
    text = files("fencemap.bring_in.readers").joinpath("field_codes.toml").read_text("utf-8")
    table = tomllib.loads(text)
    known = {
        name: Code(name, **{key: entry[key] for key in _FIELDS if key in entry})
        for name, entry in table["code"].items()
    }
    return (
        MappingProxyType(known),
        MappingProxyType(table["material"]),
        MappingProxyType(table["line_command"]),
    )


def codes() -> Mapping[str, Code]:
    """List the field codes by their letters."""
    return _document()[0]


def materials() -> Mapping[str, str]:
    """List the letters that stand for a material."""
    return _document()[1]


def line_commands() -> Mapping[str, str]:
    """List the capital letters that begin, end and close a line."""
    return _document()[2]


def describe(text: str) -> Described:
    """Read one description.

    Letters of codes and materials may be small; a line command is one capital letter. A rod
    height ``RH1.800`` (metres) may stand anywhere behind the code.

    Examples
    --------
    >>> from fencemap.bring_in.readers.field_codes import describe
    >>> said = describe("BR B 12-A-2 RH1.800")
    >>> said.code.meaning, said.line_command, said.remark, said.rod_height_m
    ('underside of the bottom rail', 'begin', '12-A-2', '1.800')
    >>> said = describe("FPCI2 leans")
    >>> said.material, said.number, said.remark
    ('cast iron', '2', 'leans')
    """
    tokens = text.split()
    if not tokens:
        return Described(None)
    code, material, digits = _first_token(tokens[0])
    if code is None:
        return Described(None, remark=" ".join(tokens))
    rest = tokens[1:]
    if not material and rest and rest[0].upper() in materials():
        material = materials()[rest.pop(0).upper()]
    command = line_commands().get(rest[0], "") if rest else ""
    if command:
        rest = rest[1:]
    rods = [match[1].replace(",", ".") for token in rest if (match := _ROD.fullmatch(token))]
    doubts = []
    if len({float(rod) for rod in rods}) > 1:
        doubts.append(f"names two rod heights, {' and '.join(rods)} m; the first is taken")
    remark = " ".join(token for token in rest if not _ROD.fullmatch(token))
    return Described(
        code, material, digits, command, rods[0] if rods else "", remark, tuple(doubts)
    )


def _first_token(token: str) -> tuple[Code | None, str, str]:
    """Cut code, glued material and number; the code is None if it is not known."""
    match = _TOKEN.fullmatch(token)
    if match is None:
        return None, "", ""
    letters, digits = match[1].upper(), match[2]
    if len(letters) > _LONGEST:
        return None, "", ""
    if letters in codes():
        return codes()[letters], "", digits
    for cut in range(1, len(letters)):
        if letters[:cut] in codes() and letters[cut:] in materials():
            return codes()[letters[:cut]], materials()[letters[cut:]], digits
    return None, "", ""
