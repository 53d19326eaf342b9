"""A site as its `site.toml` describes it: plain values, no files touched here.

`fencemap.bring_in.site_file` reads and checks the file; every stage receives
the finished `Site` and the one `Survey` that the run is about.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

__all__ = ["Accuracy", "Site", "Survey"]


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Survey-wide accuracy defaults, used where a row says nothing.

    `sigma_h_m` is read as `accuracy_is` says and turned into the standard
    deviation per axis; `ground_sigma_v_m` is the ground model's own.
    """

    sigma_h_m: float | None = None
    sigma_v_m: float | None = None
    accuracy_is: str = ""
    ground_sigma_v_m: float | None = None


@dataclass(frozen=True, slots=True)
class Survey:
    """One survey campaign: its files (absolute paths) and when it was made.

    `files` maps an input name (``elements``, ``levels``, ``ground`` ...) to
    the files found for it, in a fixed order; globs are already resolved.
    """

    id: str
    start: date
    end: date
    files: Mapping[str, tuple[Path, ...]]
    accuracy: Accuracy = Accuracy()
    columns: Mapping[str, str] = field(default_factory=dict)

    def paths(self, name: str) -> tuple[Path, ...]:
        """Files given for `name`; empty if the survey has none."""
        return self.files.get(name, ())


@dataclass(frozen=True, slots=True)
class Site:
    """The whole of `site.toml`.

    `crs` is a projected CRS in metres (checked by `fencemap.crs.site_crs`);
    `heights` is a vertical CRS or ``"site"`` for a local bench mark.
    `extent` is the site boundary's bounds in that CRS, or None.
    """

    folder: Path
    name: str
    uid: uuid.UUID
    crs: str
    heights: str
    time_zone: str
    surveys: tuple[Survey, ...]
    boundary: tuple[tuple[float, float], ...] = ()
    work: tuple[Mapping[str, Any], ...] = ()
    products: tuple[Mapping[str, Any], ...] = ()
    consents: tuple[Mapping[str, Any], ...] = ()
    practice: Mapping[str, Any] = field(default_factory=dict)

    def survey(self, survey_id: str | None = None) -> Survey:
        """Find a survey by id; the newest when none is named.

        Raises
        ------
        KeyError
            No survey of that id; the message lists those there are.
        """
        if survey_id is None:
            return max(self.surveys, key=lambda survey: (survey.end, survey.id))
        for survey in self.surveys:
            if survey.id == survey_id:
                return survey
        known = ", ".join(survey.id for survey in self.surveys)
        raise KeyError(f"no survey '{survey_id}'; site.toml has: {known}")

    @property
    def extent(self) -> tuple[float, float, float, float] | None:
        """West, south, east, north of the boundary in the site's CRS, or None."""
        if not self.boundary:
            return None
        eastings = [point[0] for point in self.boundary]
        northings = [point[1] for point in self.boundary]
        return min(eastings), min(northings), max(eastings), max(northings)
