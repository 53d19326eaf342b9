"""Figures that the summary page and the plain sentences tell, counted once from the layers.

Every function takes the layers by name and does with those that are there;
what was not made is None or empty, never zero.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from fencemap.operations import STANDING

__all__ = [
    "CONTACT_ORDER",
    "Contact",
    "Reading",
    "condition_metres",
    "contact",
    "covers_by_operation",
    "listed_by_operation",
    "reading",
    "touching_stone",
    "worst_first",
    "zones_by_operation",
]

CONTACT_ORDER = ("in contact", "undecided", "not seen", "over stone", "clear", "no rail")
_SURVEYED = (
    "elements", "levels", "gap_readings", "stones", "curbs", "trees", "lots", "surroundings",
    "control_points", "check_points", "photos", "weather",
)  # fmt: skip
_FOR = ["phase", "operation"]


@dataclass(frozen=True, slots=True)
class Reading:
    """Rows of the survey's files: `files` has read, kept and rejected by file.

    `reasons` counts refused rows by code with one reason as an example, and
    `doubts` the rows that were kept though doubtful.
    """

    files: Any
    reasons: Any
    doubts: Any

    @property
    def read(self) -> int:
        """Rows read."""
        return self.kept + self.rejected

    @property
    def kept(self) -> int:
        """Rows kept."""
        return int(self.files["kept"].sum())

    @property
    def rejected(self) -> int:
        """Rows refused."""
        return int(self.files["rejected"].sum())


@dataclass(frozen=True, slots=True)
class Contact:
    """Metres of bottom rail by verdict, in the order of `CONTACT_ORDER`, and the expected contact."""

    metres: Mapping[str, float]
    expected_m: float

    @property
    def total_m(self) -> float:
        """Metres of rail, openings left out."""
        return sum(length for word, length in self.metres.items() if word != "no rail")


def reading(layers: Mapping[str, Any]) -> Reading:
    """Count rows read, kept and refused by file.

    A row counts once, whatever was made of it: a height in an element's row
    makes a row of `levels` too, and a row may be refused for several reasons.
    """
    kept = pd.concat(
        [_kept_rows(layers, name) for name in _SURVEYED if name in layers] or [_no_rows()]
    )
    refused = _rows_of(layers.get("rejected"))
    files = pd.DataFrame(
        {
            "kept": kept.groupby("source_file").size(),
            "rejected": refused.groupby("source_file").size(),
        }
    )
    files = files.fillna(0).astype(int).sort_index()
    files.insert(0, "read", files["kept"] + files["rejected"])
    return Reading(
        files=files.rename_axis("file").reset_index(),
        reasons=_by_code(layers.get("rejected")),
        doubts=_by_code(layers.get("suspect")),
    )


def _no_rows() -> pd.DataFrame:
    return pd.DataFrame(
        {"source_file": pd.Series(dtype="str"), "source_row": pd.Series(dtype="Int64")}
    )


def _rows_of(frame: Any) -> pd.DataFrame:
    """Name each row of a file once."""
    if frame is None:
        return _no_rows()
    rows = frame[["source_file", "source_row"]]
    told: pd.DataFrame = rows[rows["source_row"].notna()].drop_duplicates()
    return told


def _kept_rows(layers: Mapping[str, Any], name: str) -> pd.DataFrame:
    rows = _rows_of(layers[name])
    if name == "levels" and "elements" in layers:
        files = set(layers["elements"]["source_file"].dropna())
        rows = rows[~rows["source_file"].isin(list(files))]
    return rows


def _by_code(frame: Any) -> pd.DataFrame:
    """Count rows by code, the commonest first, with the first reason as an example."""
    columns = ["code", "rows", "reason"]
    if frame is None or not len(frame):
        return pd.DataFrame(columns=columns)
    ordered = frame.sort_values(["source_file", "source_row", "uid"])
    grouped = ordered.groupby("code", sort=True).agg(
        rows=("uid", "size"), reason=("reason", "first")
    )
    counted = grouped.reset_index().sort_values(["rows", "code"], ascending=[False, True])
    made: pd.DataFrame = counted[columns].reset_index(drop=True)
    return made


def contact(layers: Mapping[str, Any]) -> Contact | None:
    """Add up metres by verdict; None when soil contact was not looked for."""
    stretches = layers.get("soil_contact")
    if stretches is None:
        return None
    sums = stretches.groupby("contact")["length_m"].sum()
    metres = {word: float(sums.get(word, 0.0)) for word in CONTACT_ORDER}
    return Contact(metres, float(stretches["expected_contact_m"].sum()))


def condition_metres(layers: Mapping[str, Any]) -> Any | None:
    """Bays and metres by worst grade, worst first; None when condition was not judged.

    The grade of a bay is that of its worst part. Bays without a grade come
    last, as ``not judged``.
    """
    bays = layers.get("condition_bays")
    if bays is None:
        return None
    grade = bays["worst_condition"].astype("Float64").fillna(-1).astype(int)
    table = (
        bays.assign(grade=grade)
        .groupby("grade")
        .agg(bays=("uid", "size"), metres=("length_m", "sum"))
    )
    table = table.sort_index(ascending=False).reset_index()
    words = {-1: "not judged"}
    return table.assign(grade=[words.get(int(held), str(held)) for held in table["grade"]])


def touching_stone(layers: Mapping[str, Any], *, within_m: float) -> Any | None:
    """List stone this near to iron, each once with its nearest run; None when not looked for."""
    reach = layers.get("stone_reach")
    if reach is None:
        return None
    near = reach[reach["distance_m"] <= within_m]
    order = near.sort_values(["distance_m", "stone_id", "stone_layer", "run_id"])
    once = order.drop_duplicates(["stone_id", "stone_layer"])
    return once[["stone_id", "stone_layer", "run_id", "distance_m", "sigma_m"]].reset_index(
        drop=True
    )


def listed_by_operation(layers: Mapping[str, Any]) -> Any | None:
    """Count covered and free stone by phase and operation; None without a ledger."""
    ledger = layers.get("stone_ledger")
    if ledger is None:
        return None
    covered = ledger.assign(covered=(ledger["verdict"] == "covered").astype(int))
    counts = covered.groupby(_FOR, sort=True).agg(covered=("covered", "sum"), all=("uid", "size"))
    return counts.assign(free=counts["all"] - counts["covered"]).drop(columns="all").reset_index()


def zones_by_operation(layers: Mapping[str, Any]) -> Any | None:
    """Sum up zones by phase and operation; areas of runs are added, overlaps count twice."""
    zones = layers.get("protection_zones")
    if zones is None:
        return None
    grouped = zones.groupby(_FOR, sort=True)
    return grouped.agg(
        zones=("uid", "size"),
        area_m2=("area_m2", "sum"),
        wind_stop_m_s=("wind_stop_m_s", "min"),
        holds_to_m_s=("holds_to_m_s", "min"),
    ).reset_index()


def covers_by_operation(layers: Mapping[str, Any]) -> Any | None:
    """Sum up covers by phase, operation and kind; None without covers."""
    covers = layers.get("covers")
    if covers is None:
        return None
    grouped = covers.groupby([*_FOR, "cover"], sort=True)
    return grouped.agg(
        pieces=("uid", "size"), sheet_m2=("sheet_m2", "sum"), off_by=("off_by", "min")
    ).reset_index()


def worst_first(layers: Mapping[str, Any], *, most: int) -> dict[str, Any]:
    """Take the first ranks of each phase, planned phases before standing iron.

    A stone that several operations reach is shown once, with the first of its
    ranks.
    """
    exposure = layers.get("exposure")
    if exposure is None or not len(exposure):
        return {}
    ordered = exposure.sort_values(["phase", "rank"])
    once = ordered.drop_duplicates(["phase", "stone_layer", "stone_id"])
    phases = sorted(once["phase"].unique(), key=lambda phase: (phase == STANDING, phase))
    return {
        phase: once[once["phase"] == phase].head(most).reset_index(drop=True) for phase in phases
    }
