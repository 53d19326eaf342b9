"""Read each input of a survey into its layer: elements, stones, curbs, trees, lots and marks."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from fencemap.bring_in.accuracy import grade_positions
from fencemap.bring_in.cells import numbers
from fencemap.bring_in.intake import Intake, Kept, doubts_as_layers
from fencemap.bring_in.place import (
    POSITION_COLUMNS,
    POSITION_NEEDS,
    as_polygons,
    place_points,
    place_shapes,
)
from fencemap.bring_in.raw import RawTable
from fencemap.bring_in.readers import dispatch
from fencemap.layers import layer
from fencemap.practice import look_up
from fencemap.site import Site, Survey

__all__ = [
    "read_elements",
    "read_file",
    "read_lots",
    "read_marks",
    "read_points",
    "read_stones",
    "read_surroundings",
]

Made = dict[str, Any]
# Parts that may have no position of their own: their run or parent places them.
_PLACED_BY_RUN = ("panel", "gate", "rail", "bracket", "bolt", "ornament")
_SURROUNDINGS = {
    "paths": "path",
    "services": "service",
    "drains": "drain",
    "buildings": "building",
    "graves": "grave",
}


def read_file(path: Path, *, site: Site, layer_hint: str) -> RawTable:
    """Read one survey file of any known kind into a raw table.

    Raises
    ------
    SurveyError
        The file is of a kind that holds no rows, or can't be read as a whole.
    """
    inside = path.is_relative_to(site.folder)
    name = path.relative_to(site.folder).as_posix() if inside else path.name
    margin = float(look_up("site.margin_m", site.practice).value)
    return dispatch(path, name=name, layer_hint=layer_hint, extent=site.extent, margin_m=margin)


def read_elements(*, site: Site, survey: Survey) -> Made:
    """Read the iron of the fences; see layer `elements`."""
    intake = Intake(
        "elements",
        layer("elements"),
        site=site,
        survey=survey,
        extra=(*POSITION_COLUMNS, "accuracy_is"),
    )
    for path in survey.paths("elements"):
        table = read_file(path, site=site, layer_hint="elements")
        kept = intake.take(table, needs=() if table.geometry is not None else POSITION_NEEDS)
        place_points(kept, site=site, may_lack=_placed_by_run(kept))
        kept.geometry = _with_height(kept)
        grade_positions(kept, site=site, survey=survey)
        _doubt_dates(kept, survey)
    _refuse_repeated(intake)
    made = intake.layer(key=_element_ids)
    return {"elements": made} | doubts_as_layers(intake)


def read_stones(name: str, *, site: Site, survey: Survey) -> Made:
    """Read stones or curbs: outlines, or positions with length, width and direction."""
    intake = Intake(
        name, layer(name), site=site, survey=survey, extra=(*POSITION_COLUMNS, "accuracy_is")
    )
    for path in survey.paths(name):
        table = read_file(path, site=site, layer_hint=name)
        kept = intake.take(table, needs=() if table.geometry is not None else POSITION_NEEDS)
        if table.geometry is None or _mostly_points(table.geometry):
            place_points(kept, site=site)
            kept.geometry = _outlines(kept, site)
        else:
            place_shapes(kept, site=site)
            as_polygons(kept)
        grade_positions(kept, site=site, survey=survey)
        _doubt_dates(kept, survey)
    _refuse_repeated(intake)
    return {name: intake.layer(key=_element_ids)} | doubts_as_layers(intake)


def read_points(name: str, *, site: Site, survey: Survey) -> Made:
    """Read trees."""
    intake = Intake(
        name,
        layer(name),
        site=site,
        survey=survey,
        extra=(*POSITION_COLUMNS, "accuracy_is", "fix_quality"),
    )
    for path in survey.paths(name):
        table = read_file(path, site=site, layer_hint=name)
        kept = intake.take(table, needs=() if table.geometry is not None else POSITION_NEEDS)
        place_points(kept, site=site)
        kept.geometry = shapely.force_2d(kept.geometry)
        grade_positions(kept, site=site, survey=survey)
    _refuse_repeated(intake)
    return {name: intake.layer(key=_element_ids)} | doubts_as_layers(intake)


def read_lots(lead: dict[str, str], *, site: Site, survey: Survey) -> Made:
    """Read burial lots; `lead` maps a lot to the outcome of its lead tests."""
    intake = Intake("lots", layer("lots"), site=site, survey=survey)
    for path in survey.paths("lots"):
        kept = intake.take(read_file(path, site=site, layer_hint="lots"))
        place_shapes(kept, site=site)
        flat = shapely.get_type_id(kept.geometry)
        kept.refuse(
            ~np.isin(flat, (-1, shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON)),
            "not-an-area", "is not an area", "Draw the lot as a closed outline.",
        )  # fmt: skip
        said = kept.columns.get("lead_test")
        names = pd.Series(kept.columns["lot_id"])
        own = (
            [None] * len(names)
            if said is None
            else [None if pd.isna(word) else word for word in said]
        )
        tested = [
            lead.get(name, word) or "not tested" for name, word in zip(names, own, strict=True)
        ]
        kept.columns["lead_test"] = pd.Series(tested, dtype="str")
    _refuse_repeated(intake, "lot_id")
    return {"lots": intake.layer(key=lambda kept: kept.columns["lot_id"])} | doubts_as_layers(
        intake
    )


def read_surroundings(*, site: Site, survey: Survey) -> Made:
    """Read paths, services, drains, buildings and graves into one layer."""
    schema = layer("surroundings")
    intake = Intake(
        "surroundings", schema, site=site, survey=survey, extra=("accuracy_is", "fix_quality")
    )
    for name, kind in _SURROUNDINGS.items():
        for path in survey.paths(name):
            table = read_file(path, site=site, layer_hint=name)
            columns = dict(table.columns)
            columns.setdefault("kind", np.full(len(table.rows), kind, dtype=object))
            if "element_id" not in columns and "id" not in columns:
                numbered = [f"{kind}-{row}" for row in table.rows]
                columns["element_id"] = np.array(numbered, dtype=object)
            kept = intake.take(_with_columns(table, columns))
            place_shapes(kept, site=site)
            grade_positions(kept, site=site, survey=survey)
    _refuse_repeated(intake)
    return {"surroundings": intake.layer(key=_element_ids)} | doubts_as_layers(intake)


def read_marks(name: str, input_name: str, *, site: Site, survey: Survey) -> Made:
    """Read control or check points: measured and known coordinates."""
    schema = layer(name)
    intake = Intake(input_name, schema, site=site, survey=survey, extra=("longitude", "latitude"))
    for path in survey.paths(input_name):
        kept = intake.take(
            read_file(path, site=site, layer_hint=input_name),
            needs=(("easting_known", "easting"), ("northing_known", "northing")),
        )
        known = [_first(kept, f"{axis}_known", axis) for axis in ("easting", "northing")]
        shapes = np.full(len(kept.table.rows), None, dtype=object)
        placed = ~np.isnan(known[0]) & ~np.isnan(known[1])
        shapes[placed] = shapely.points(np.column_stack(known)[placed])
        kept.refuse(
            ~placed, "no-position", "has neither known nor measured coordinates", "Give them."
        )
        kept.geometry = shapes
    _refuse_repeated(intake)
    return {name: intake.layer(key=_element_ids)} | doubts_as_layers(intake)


def _element_ids(kept: Kept) -> Any:
    return kept.columns["element_id"]


def _with_columns(table: RawTable, columns: dict[str, NDArray[Any]]) -> RawTable:
    from dataclasses import replace

    return replace(table, columns=columns)


def _first(kept: Kept, *names: str) -> NDArray[np.float64]:
    """Take the first of these columns that has a number, row by row."""
    found = np.full(len(kept.table.rows), np.nan)
    for name in names:
        if kept.columns.get(name) is not None:
            got = np.asarray(kept.columns[name], dtype=np.float64)
            found = np.where(np.isnan(found), got, found)
    return found


def _placed_by_run(kept: Kept) -> NDArray[np.bool_]:
    """Mark parts that their run or parent places."""
    count = len(kept.table.rows)
    kinds = pd.Series(kept.columns.get("kind", [None] * count)).reset_index(drop=True)
    held = np.zeros(count, bool)
    for names in (("run_id", "order"), ("parent_id",)):
        if all(kept.columns.get(name) is not None for name in names):
            held |= np.logical_and.reduce(
                [pd.Series(kept.columns[n]).notna().to_numpy() for n in names]
            )
    return np.asarray(kinds.isin(_PLACED_BY_RUN).to_numpy() & held, dtype=bool)


def _with_height(kept: Kept) -> NDArray[Any]:
    """Give every point a height: NaN where none was measured, never 0."""
    shapes = kept.geometry if kept.geometry is not None else np.array([], dtype=object)
    lacking = ~shapely.has_z(shapes) & ~shapely.is_missing(shapes)
    heights = np.full(len(shapes), np.nan)
    if kept.columns.get("height") is not None and lacking.any():
        got, bad = numbers(kept.columns["height"], decimal=kept.table.decimal)
        kept.doubt(
            bad,
            "not-a-number",
            "not a number, so the height is unknown",
            "Write it with digits only.",
            column="height",
        )
        heights = got
    raised = shapes.copy()
    if lacking.any():
        raised[lacking] = shapely.points(
            np.column_stack([shapely.get_coordinates(shapes[lacking]), heights[lacking]])
        )
    return raised


def _outlines(kept: Kept, site: Site) -> NDArray[Any]:
    """Draw stones that came as positions: a rectangle of their size, or a wide square."""
    points = kept.geometry if kept.geometry is not None else np.array([], dtype=object)
    alive = kept.alive & ~shapely.is_missing(points)
    length, width = (_size(kept, name) for name in ("length_m", "width_m"))
    azimuth = np.nan_to_num(_size(kept, "azimuth_deg"))
    unmeasured = np.isnan(length) | np.isnan(width)
    side = float(look_up("stone.unmeasured_side_m", site.practice).value)
    kept.doubt(
        unmeasured & alive, "no-size", "has no length and width, so a wide square stands for it (size: its side in m)",
        "Measure it.", sizes=np.full(len(points), side),
    )  # fmt: skip
    # An unmeasured stone may lie any way round, so its square is not turned.
    length, width = np.where(unmeasured, side, length), np.where(unmeasured, side, width)
    out = np.full(len(points), None, dtype=object)
    if alive.any():
        out[alive] = _rectangles(points[alive], length[alive], width[alive], azimuth[alive])
    return out


def _rectangles(
    points: NDArray[Any], length: NDArray[Any], width: NDArray[Any], azimuth_deg: NDArray[Any]
) -> NDArray[Any]:
    """Draw rectangles about points; the face, `length` long, looks along the azimuth."""
    turn = np.radians(azimuth_deg)
    across = np.stack([np.cos(turn), -np.sin(turn)], axis=1) * (length / 2)[:, None]
    along = np.stack([np.sin(turn), np.cos(turn)], axis=1) * (width / 2)[:, None]
    centre = shapely.get_coordinates(points)
    corners = [
        centre + across + along,
        centre - across + along,
        centre - across - along,
        centre + across - along,
    ]
    return np.asarray(shapely.polygons(np.stack(corners, axis=1)))


def _size(kept: Kept, name: str) -> NDArray[np.float64]:
    held = kept.columns.get(name)
    return (
        np.full(len(kept.table.rows), np.nan)
        if held is None
        else np.asarray(held, dtype=np.float64)
    )


def _mostly_points(shapes: NDArray[Any]) -> bool:
    kinds = shapely.get_type_id(shapes)
    return bool((kinds == shapely.GeometryType.POINT).sum() > 0.5 * max((kinds >= 0).sum(), 1))


def _doubt_dates(kept: Kept, survey: Survey) -> None:
    """Name times that lie outside the survey."""
    held = kept.columns.get("time")
    if held is None:
        return
    days = pd.Series(held).str.slice(0, 10)
    column = next((name for name in kept.table.columns if name.lower() == "time"), "time")
    late = (days > survey.end.isoformat()).fillna(value=False).to_numpy(dtype=bool)
    early = (days < survey.start.isoformat()).fillna(value=False).to_numpy(dtype=bool)
    for mask, word in ((late, "after"), (early, "before")):
        kept.doubt(
            mask,
            f"time-{word}-survey",
            f"was measured {word} the survey",
            "Check the clock, or the survey's dates.",
            column=column,
        )


def _refuse_repeated(intake: Intake, name: str = "element_id") -> None:
    """Refuse rows whose name an earlier row has, over all files of the input."""
    first: dict[str, tuple[str, int]] = {}
    for kept in intake.kept:
        mask = np.zeros(len(kept.table.rows), bool)
        before: list[str] = []
        values = pd.Series(kept.columns[name])
        named = kept.alive & values.notna().to_numpy(dtype=bool)
        for index, value in zip(np.flatnonzero(named), values[named].tolist(), strict=True):
            if value in first:
                mask[index] = True
                before.append("{}:{}".format(*first[value]))
            else:
                first[value] = (kept.table.file, int(kept.table.rows[index]))
        column = next((c for c in kept.table.columns if c.lower() == name), name)
        for found, place in zip(np.flatnonzero(mask), before, strict=True):
            one = np.zeros(len(mask), dtype=bool)
            one[found] = True
            kept.refuse(
                one,
                "repeated-id",
                f"the same name stands at {place}",
                "Give each thing its own name; keep the row that is right.",
                column=column,
            )
