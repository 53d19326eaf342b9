"""The `check` command: read a survey, write nothing, say what is wrong with it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fencemap.bring_in.rasters import open_raster_input
from fencemap.bring_in.site_file import read_site
from fencemap.errors import SiteError
from fencemap.pipeline.command import chosen_survey
from fencemap.site import Site, Survey
from fencemap.steps import all_steps

__all__ = ["CheckReport", "check_survey"]

_SHOWN = 50


@dataclass(frozen=True, slots=True)
class CheckReport:
    """What a check found: rows by layer, refused and doubtful rows, lines to print."""

    counts: dict[str, int]
    rejected: Any
    suspect: Any
    lines: tuple[str, ...]


def check_survey(folder: Path, survey_id: str | None = None) -> CheckReport:
    """Run every bring_in step without keeping anything.

    Raises
    ------
    FencemapError
        The site or a file as a whole can't be used.
    """
    import pandas as pd

    site = read_site(folder)
    survey = chosen_survey(site, survey_id)
    made: dict[str, Any] = {}
    parts: dict[str, list[Any]] = {"rejected": [], "suspect": []}
    for step in all_steps().values():
        if step.stage != "bring_in":
            continue
        result = step.function(
            *[made[name] for name in step.takes], **_services(step.services, site, survey)
        )
        for name, frame in result.items():
            if name in parts:
                parts[name].append(frame)
            else:
                made[name] = frame
    for name in ("ground", "surface", "ortho"):
        opened = open_raster_input(name, site, survey, elements=made["elements"])
        if opened is not None:
            opened.close()
    if not len(made["elements"]):
        raise SiteError(
            "the survey has no elements", remedy="Give a file with elements in site.toml."
        )
    rejected, suspect = (
        pd.concat([f for f in parts[n] if len(f)] or parts[n][:1], ignore_index=True) for n in parts
    )
    counts = {name: len(frame) for name, frame in made.items() if len(frame)}
    return CheckReport(
        counts, rejected, suspect, tuple(_lines(site, survey, counts, rejected, suspect))
    )


def _services(names: tuple[str, ...], site: Site, survey: Survey) -> dict[str, Any]:
    known = {"site": site, "survey": survey}
    return {name: known[name] for name in names}


def _lines(
    site: Site, survey: Survey, counts: dict[str, int], rejected: Any, suspect: Any
) -> list[str]:
    lines = [f"{site.name}, survey {survey.id}, {site.crs}"]
    lines += [f"  {count:>7} {name}" for name, count in counts.items()]
    for title, frame in (("refused", rejected), ("kept, but doubtful", suspect)):
        lines.append(f"{len(frame)} rows {title}" + (":" if len(frame) else "."))
        shown = frame.head(_SHOWN)
        write: Callable[[Any], str] = _doubt
        lines += [write(row) for row in shown.itertuples(index=False)]
        if len(frame) > _SHOWN:
            lines.append(
                f"  ... and {len(frame) - _SHOWN} more; a run lists them all in layer '{title.split()[0]}'"
            )
    return lines


def _doubt(row: Any) -> str:
    value = f" {row.value!r}" if isinstance(row.value, str) and row.value else ""
    column = f" {row.column}" if isinstance(row.column, str) and row.column else ""
    return f"  {row.source_file}:{row.source_row}:{column}{value} {row.reason}. {row.remedy}"
