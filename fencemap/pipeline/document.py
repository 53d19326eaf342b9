"""Read a pipeline document and check all of it before anything runs.

A document is TOML: one table a stage, in the order of the stages; each key is
the layer (or, under ``export``, the product) that a step makes, and ``use``
names the step. Everything else in the table is a parameter of that step.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any

from fencemap.errors import MissingLayerError, Problem, SiteError
from fencemap.layers import CATALOGUE, STAGES
from fencemap.steps import Step, find_step

__all__ = ["Document", "PlannedStep", "as_toml", "known_documents", "load_document"]


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """One step of a document with its parameters, defaults filled in."""

    step: Step
    parameters: Mapping[str, Any]

    @property
    def name(self) -> str:
        """Where the step stands in the document, such as ``find.soil_contact``."""
        return f"{self.step.stage}.{self.step.makes[0]}"


@dataclass(frozen=True, slots=True)
class Document:
    """A checked pipeline document."""

    name: str
    title: str
    steps: tuple[PlannedStep, ...]
    source: str = ""
    made: frozenset[str] = field(default_factory=frozenset)


def known_documents() -> dict[str, Path]:
    """List the documents that come with fencemap, by name.

    They lie in `pipelines/` of a checkout and inside the installed package.
    """
    inside = Path(str(files("fencemap").joinpath("pipelines")))
    folder = inside if inside.is_dir() else Path(__file__).resolve().parents[2] / "pipelines"
    return {path.stem: path for path in sorted(folder.glob("*.toml"))}


def load_document(name_or_path: str) -> Document:
    """Read a document by its name or path and check every word of it.

    Raises
    ------
    SiteError
        Not found, not TOML, stages out of order, unknown steps, keys or
        parameters, values out of bounds: all at once, each with its place.
    MissingLayerError
        A step needs a layer that no step before it makes.
    """
    path = _find(name_or_path)
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except tomllib.TOMLDecodeError as error:
        raise SiteError.at(
            path, f"not TOML: {error}", remedy="Mend the line named.", code="not-toml"
        ) from None
    head = table.pop("pipeline", {})
    problems = list(_stage_problems(table))
    steps: list[PlannedStep] = []
    for stage, entries in table.items():
        for key, entry in entries.items() if isinstance(entries, dict) else ():
            planned = _planned(f"{stage}.{key}", stage, key, entry, path, problems)
            steps += [planned] if planned else []
    if problems:
        raise SiteError(problems=[_in_file(problem, path) for problem in problems])
    _check_needs(steps, path)
    made = frozenset(name for planned in steps for name in planned.step.makes)
    return Document(
        str(head.get("name", path.stem)),
        str(head.get("title", path.stem)),
        tuple(steps),
        str(path),
        made,
    )


def _find(name_or_path: str) -> Path:
    path = Path(name_or_path)
    if path.suffix == ".toml":
        if path.is_file():
            return path
        raise SiteError.at(
            path, "there is no such pipeline document", remedy="Check the path.", code="no-document"
        )
    known = known_documents()
    if name_or_path in known:
        return known[name_or_path]
    raise SiteError.at(
        name_or_path, "no pipeline of that name", code="no-document",
        remedy=f"Known: {', '.join(known)}; or give the path of a .toml file.",
    )  # fmt: skip


def _stage_problems(table: Mapping[str, Any]) -> Iterator[Problem]:
    last = -1
    for stage, entries in table.items():
        if stage not in STAGES:
            close = difflib.get_close_matches(stage, STAGES, n=1)
            hint = f"Did you mean '{close[0]}'?" if close else f"Stages: {', '.join(STAGES)}."
            yield Problem("unknown-stage", f"there is no stage '{stage}'", hint, column=stage)
            continue
        if STAGES.index(stage) < last:
            yield Problem(
                "stage-order",
                f"[{stage}] stands after a later stage",
                f"Order: {', '.join(STAGES)}.",
                column=stage,
            )
        last = max(last, STAGES.index(stage))
        if not isinstance(entries, dict) or not all(
            isinstance(entry, dict) for entry in entries.values()
        ):
            yield Problem(
                "shape",
                f"[{stage}] must hold tables",
                f'Write [{stage}.LAYER] with use = "...".',
                column=stage,
            )


def _planned(
    where: str, stage: str, key: str, entry: Any, path: Path, problems: list[Problem]
) -> PlannedStep | None:
    if not isinstance(entry, dict) or stage not in STAGES:
        return None
    entry = dict(entry)
    use = entry.pop("use", None)
    if use is None:
        problems.append(
            Problem("no-step", "does not say which step to use", 'Add use = "...".', column=where)
        )
        return None
    try:
        step = find_step(str(use), stage=stage, where=where, file=path)
    except SiteError as error:
        problems += error.problems
        return None
    if step.stage != stage:
        problems.append(
            Problem(
                "wrong-stage",
                f"'{use}' is a step of {step.stage}",
                f"Move it to [{step.stage}].",
                column=where,
            )
        )
    if step.makes[0] != key:
        problems.append(
            Problem(
                "wrong-key",
                f"'{use}' makes '{step.makes[0]}'",
                f"Write [{stage}.{step.makes[0]}].",
                column=where,
            )
        )
    return PlannedStep(step, _parameters(step, entry, where, problems))


def _parameters(
    step: Step, given: Mapping[str, Any], where: str, problems: list[Problem]
) -> dict[str, Any]:
    values = step.defaults()
    for name, value in given.items():
        place = f"{where}.{name}"
        if name not in step.parameters:
            close = difflib.get_close_matches(name, step.parameters, n=1)
            hint = (
                f"Did you mean '{close[0]}'?"
                if close
                else f"Parameters: {', '.join(step.parameters) or 'none'}."
            )
            problems.append(
                Problem(
                    "unknown-parameter", f"'{step.name}' has no such parameter", hint, column=place
                )
            )
            continue
        try:
            values[name] = step.parameters[name].check(value)
        except ValueError as error:
            problems.append(
                Problem(
                    "bad-value",
                    str(error),
                    step.parameters[name].help,
                    column=place,
                    value=str(value),
                )
            )
    return values


def _in_file(problem: Problem, path: Path) -> Problem:
    from dataclasses import replace

    return problem if problem.file else replace(problem, file=str(path))


def _check_needs(steps: list[PlannedStep], path: Path) -> None:
    made: set[str] = {name for name, schema in CATALOGUE.items() if schema.joins}
    for planned in steps:
        lacking = [name for name in planned.step.takes if name not in made]
        if lacking:
            raise MissingLayerError(
                f"{path}: {planned.name}: step '{planned.step.name}' needs {', '.join(lacking)}, which no step before it makes",
                stage=planned.step.stage, step=planned.step.name,
                remedy=f"Add a step that makes it before. Made so far: {', '.join(sorted(made))}.",
            )  # fmt: skip
        made |= set(planned.step.makes)


def as_toml(document: Document) -> str:
    """Write a document with every parameter spelt out, as it was used.

    Examples
    --------
    >>> print(as_toml(Document("empty", "Nothing", ())), end="")
    [pipeline]
    name = "empty"
    title = "Nothing"
    """
    lines = ["[pipeline]", f"name = {_value(document.name)}", f"title = {_value(document.title)}"]
    for planned in document.steps:
        lines += ["", f"[{planned.name}]", f"use = {_value(planned.step.name)}"]
        for name, value in planned.parameters.items():
            unit = planned.step.parameters[name].unit
            lines.append(f"{name} = {_value(value)}" + (f"  # {unit}" if unit else ""))
    return "\n".join(lines) + "\n"


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
        return f'"{escaped}"'
    return repr(value)
