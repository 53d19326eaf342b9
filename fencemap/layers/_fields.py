"""Short constructors and the groups of fields that many layers share."""

from __future__ import annotations

from typing import Any

from fencemap.schema import Field

__all__ = [
    "ELEMENT_REF",
    "ORIGIN",
    "WHERE_ON_RUN",
    "boolean",
    "date",
    "integer",
    "real",
    "text",
    "time",
]


def text(name: str, meaning: str, **more: Any) -> Field:
    """Make a text field."""
    return Field(name, "text", meaning, **more)


def real(name: str, unit: str, meaning: str, **more: Any) -> Field:
    """Make a field of real numbers."""
    return Field(name, "real", meaning, unit, **more)


def integer(name: str, unit: str, meaning: str, **more: Any) -> Field:
    """Make a field of whole numbers."""
    return Field(name, "integer", meaning, unit, **more)


def boolean(name: str, meaning: str, **more: Any) -> Field:
    """Make a yes/no field."""
    return Field(name, "boolean", meaning, **more)


def date(name: str, meaning: str, **more: Any) -> Field:
    """Make a calendar date, ISO 8601."""
    return Field(name, "date", meaning, **more)


def time(name: str, meaning: str, **more: Any) -> Field:
    """Make an instant, ISO 8601 in UTC."""
    return Field(name, "time", meaning, **more)


UID = text(
    "uid",
    "Permanent identity of the row: UUIDv5 of site, survey and source id at first sight",
    required=True,
    unique=True,
    sensitivity="public",
)
SURVEY = text(
    "survey_id", "Survey the row belongs to", required=True, sensitivity="public"
)

# Every layer begins with these four, so that any number can be traced back.
ORIGIN = (
    UID,
    SURVEY,
    text("source_file", "File the row came from, relative to the site folder; the step for computed rows"),
    integer("source_row", "", "Row or feature number in that file, counted as its editor shows it", minimum=0),
)
ELEMENT_REF = (
    text("element_id", "The surveyor's own name of the thing", required=True),
)
WHERE_ON_RUN = (
    text("run_id", "Run of fence: one side of an enclosure, corner to corner", required=True),
    real("from_m", "m", "Station where it begins, along the rail from the run's first post", minimum=0),
    real("to_m", "m", "Station where it ends", minimum=0),
)
OTHER = text("other", "Columns of the source that the catalogue does not know, as a JSON object")
REMARKS = text("remarks", "Anything the surveyor wrote")
SIGMA = (
    real("sigma_h_m", "m", "Standard deviation of the position, per axis", minimum=0),
    real("sigma_v_m", "m", "Standard deviation of the height", minimum=0),
    text("sigma_origin", "Where the two come from: column and its meaning, fix quality or survey default"),
)
