"""The `why` command: the chain behind a result, back to the row that a surveyor wrote.

Everything comes from the layers of the last run and its log: which step made
a row from which layers with which parameters, which practice default ruled
it, which source row it began with.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from fencemap.bring_in.site_file import read_site
from fencemap.errors import PipelineError, SiteError
from fencemap.layers import CATALOGUE
from fencemap.pipeline.command import chosen_survey
from fencemap.pipeline.document import load_document
from fencemap.site import Site
from fencemap.steps import Step, all_steps

__all__ = ["why"]

# Columns that name a thing; a row that has the asked name in one of them belongs to the answer.
_NAMES = ("uid", "element_id", "stone_id", "panel_id", "bay_id", "run_id", "lot_id")
_QUIET = ("uid", "survey_id", "source_file", "source_row", "other")
_ROWS_SHOWN = 3


def why(name: str, folder: Path, survey_id: str | None = None) -> str:
    """Write the chain of results behind a thing, source rows last.

    Parameters
    ----------
    name
        A uid, or the name of an element, stone, panel, bay, run or lot.

    Raises
    ------
    SiteError
        No result has that name; close ones are listed.
    PipelineError
        Nothing has been run yet.
    """
    site = read_site(folder)
    survey = chosen_survey(site, survey_id)
    log, layers = _last_run(site, survey.id)
    found = [(layer, rows) for layer, frame in layers if len(rows := _rows_named(frame, name))]
    if not found:
        raise _unknown(name, layers)
    steps = all_steps()
    makers = {
        made: steps[a["step"]]
        for a in log["activities"]
        for made in a["generated"]
        if a["step"] in steps
    }
    lines = [f"{name}: {len(found)} layers know it, the last result first", ""]
    for layer, rows in reversed(found):
        lines += _layer_lines(layer, rows, makers.get(layer), log)
    return "\n".join([*lines, *_source_lines(site, found)])


def _last_run(site: Site, survey_id: str) -> tuple[dict[str, Any], list[tuple[str, Any]]]:
    """Find the newest run's log and its layers."""
    from fencemap.formats import store

    folder = site.folder / "results" / survey_id
    logs = sorted(folder.glob("*/run_log.json"), key=lambda path: path.stat().st_mtime_ns)
    if not logs:
        raise PipelineError(
            f"survey {survey_id} has no results yet",
            remedy=f"Run: fencemap run site_survey {site.folder}",
        )
    log = json.loads(logs[-1].read_text(encoding="utf-8"))
    layers = []
    for activity in log["activities"]:
        for layer, digest in activity["generated"].items():
            path = folder / ".layers" / f"{layer}-{digest}.parquet"
            if path.is_file():
                layers.append((layer, store.load(path)))
    return log, layers


def _rows_named(frame: Any, name: str) -> Any:
    import numpy as np

    mask = np.zeros(len(frame), bool)
    own = [column for column in _NAMES if column in frame.columns]
    for column in own:
        mask |= (frame[column] == name).fillna(value=False).to_numpy(bool)
    return frame[mask]


def _unknown(name: str, layers: list[tuple[str, Any]]) -> SiteError:
    names: set[str] = set()
    for _, frame in layers:
        for column in _NAMES[1:]:
            if column in frame.columns:
                names |= set(frame[column].dropna().unique())
    close = difflib.get_close_matches(name, sorted(names), n=3)
    return SiteError(
        f"no result is called '{name}'",
        remedy=f"Did you mean {', '.join(close)}?" if close else "Check the name.",
    )


def _layer_lines(layer: str, rows: Any, maker: Step | None, log: Mapping[str, Any]) -> list[str]:
    schema = CATALOGUE[layer]
    lines = [f"{layer}: {schema.meaning}"]
    if maker is not None:
        activity: dict[str, Any] = next(
            (a for a in log["activities"] if a["step"] == maker.name), {}
        )
        source = ", ".join(maker.takes) or "the survey's files"
        lines.append(f"  made by {maker.stage}/{maker.name} from {source}: {maker.help}")
        lines += [f"    {key} = {value}" for key, value in _parameters(log, maker, activity)]
    for row in list(rows.to_dict("records"))[:_ROWS_SHOWN]:
        lines += list(_row_lines(schema, row))
    if len(rows) > _ROWS_SHOWN:
        lines.append(f"  ... {len(rows) - _ROWS_SHOWN} more rows")
    return [*lines, ""]


def _parameters(
    log: Mapping[str, Any], maker: Step, activity: Mapping[str, Any]
) -> list[tuple[str, str]]:
    """Parameters of the step as the pipeline document set them."""
    if not activity:
        return []
    document = load_document(log["pipeline"]) if log["pipeline"] else None
    for planned in document.steps if document else ():
        if planned.step.name == maker.name:
            units = {name: p.unit for name, p in maker.parameters.items()}
            return [
                (name, f"{value} {units[name]}".strip())
                for name, value in planned.parameters.items()
            ]
    return []


def _row_lines(schema: Any, row: Mapping[str, Any]) -> Iterator[str]:
    import pandas as pd

    place = row.get("source_file")
    number = row.get("source_row")
    head = f"{place}:{number}" if place and not pd.isna(number) else str(place or "")
    yield f"  - {head}"
    for field in schema.fields:
        value = row.get(field.name)
        if field.name in _QUIET or value is None or pd.isna(value):
            continue
        shown = f"{value:.4g}" if isinstance(value, float) else str(value)
        yield f"      {field.name} = {shown}{' ' + field.unit if field.unit else ''}"


def _source_lines(site: Site, found: list[tuple[str, Any]]) -> list[str]:
    """Quote the lines of the survey's text files that the answer rests on."""
    import pandas as pd

    wanted: dict[str, set[int]] = {}
    for _, rows in found:
        for file, row in zip(rows["source_file"], rows["source_row"], strict=True):
            if (
                isinstance(file, str)
                and not pd.isna(row)
                and file.endswith((".csv", ".tsv", ".txt"))
            ):
                wanted.setdefault(file, set()).add(int(row))
    lines = ["source rows:"] if wanted else []
    for file, numbers in sorted(wanted.items()):
        path = site.folder / file
        if not path.is_file():
            continue
        text = path.read_text(encoding="utf-8-sig", errors="replace").splitlines()
        lines += [
            f"  {file}:{n}  {text[n - 1]}" for n in sorted(numbers)[:_ROWS_SHOWN] if n <= len(text)
        ]
    return lines
