"""The `describe` command: everything that has a name, explained from where it is defined."""

from __future__ import annotations

import difflib
import json
import textwrap
from collections.abc import Callable
from typing import Any

from fencemap.cautions import all_cautions
from fencemap.errors import SiteError
from fencemap.layers import CATALOGUE
from fencemap.pipeline.document import known_documents, load_document
from fencemap.practice import all_defaults
from fencemap.schema import LayerSchema
from fencemap.steps import Step, all_steps
from fencemap.vocabularies import all_vocabularies

__all__ = ["describe"]

Facts = dict[str, Any]


def describe(what: str, *, as_json: bool = False) -> str:
    """Explain a subject (``steps``, ``layers`` ...) or one named thing.

    Raises
    ------
    SiteError
        Nothing of that name; the message lists close names.
    """
    subjects: dict[str, Callable[[], dict[str, Facts]]] = {
        "pipelines": _pipelines,
        "steps": lambda: {step.name: _step(step) for step in all_steps().values()},
        "layers": lambda: {schema.name: _layer(schema) for schema in CATALOGUE.values()},
        "words": lambda: {
            v.name: {"source": v.source, "words": dict(v.terms)} for v in all_vocabularies()
        },
        "practice": _practice,
        "cautions": lambda: {
            c.id: {"title": c.title, "text": c.text, "source": c.source} for c in all_cautions()
        },
    }
    if not what:
        return (
            "Subjects: "
            + ", ".join(subjects)
            + ". Try `fencemap describe layers`, or the name of one thing."
        )
    if what in subjects:
        found = subjects[what]()
        return json.dumps(found, indent=1, ensure_ascii=False) if as_json else _list(found)
    for subject in subjects.values():
        found = subject()
        if what in found:
            return (
                json.dumps(found[what], indent=1, ensure_ascii=False)
                if as_json
                else _one(what, found[what])
            )
    names = [*subjects, *(name for subject in subjects.values() for name in subject())]
    close = difflib.get_close_matches(what, names, n=3)
    raise SiteError(
        f"nothing is called '{what}'",
        remedy=f"Did you mean {', '.join(close)}?"
        if close
        else "`fencemap describe` lists the subjects.",
    )


def _pipelines() -> dict[str, Facts]:
    found = {}
    for name in known_documents():
        document = load_document(name)
        steps = [f"{planned.name}  ({planned.step.name})" for planned in document.steps]
        found[name] = {"meaning": document.title, "steps": steps}
    return found


def _step(step: Step) -> Facts:
    parameters = {
        name: {
            "default": p.default,
            "unit": p.unit,
            "type": p.type_name,
            "help": p.help,
            **{
                bound: getattr(p, bound)
                for bound in ("minimum", "maximum", "options")
                if hasattr(p, bound)
            },
        }
        for name, p in step.parameters.items()
    }
    return {
        "meaning": step.help,
        "stage": step.stage,
        "takes": list(step.takes),
        "makes": list(step.makes),
        "parameters": parameters,
    }


def _layer(schema: LayerSchema) -> Facts:
    fields = {
        field.name: " ".join(
            part for part in (field.meaning, f"[{field.unit}]" if field.unit else "") if part
        )
        for field in schema.fields
    }
    kind = " or ".join(schema.geometry) or "table"
    return {
        "meaning": schema.meaning,
        "stage": schema.stage,
        "geometry": kind,
        "version": schema.version,
        "fields": fields,
    }


def _practice() -> dict[str, Facts]:
    return {
        key: {"value": d.value, "unit": d.unit, "meaning": d.meaning, "source": d.source}
        for key, d in all_defaults().items()
    }


def _list(found: dict[str, Facts]) -> str:
    width = min(max(len(name) for name in found), 44)
    lines = []
    for name, facts in found.items():
        text = facts.get("meaning") or facts.get("title") or facts.get("source") or ""
        if "value" in facts:
            text = f"{facts['value']} {facts['unit']}".strip() + f": {text}"
        lines.append(f"{name:<{width}}  {text}")
    return "\n".join(lines)


def _one(name: str, facts: Facts) -> str:
    lines = [name]
    for key, value in facts.items():
        lines += _block(key, value)
    return "\n".join(lines)


def _block(key: str, value: Any) -> list[str]:
    if isinstance(value, dict):
        inner = [f"    {name}: {_flat(item)}" for name, item in value.items()]
        return [f"  {key}:", *inner] if inner else []
    if isinstance(value, list):
        return [f"  {key}:", *(f"    {item}" for item in value)] if value else []
    return (
        textwrap.wrap(f"{key}: {value}", 100, initial_indent="  ", subsequent_indent="    ")
        if value != ""
        else []
    )


def _flat(item: Any) -> str:
    if not isinstance(item, dict):
        return str(item)
    unit = f" {item['unit']}" if item.get("unit") else ""
    return f"{item['default']}{unit} ({item['type']}) {item['help']}"
