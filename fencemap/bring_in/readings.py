"""Read tables without shapes: levels, gaps under rails, weather, lead tests."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from fencemap.bring_in.cells import blank, numbers
from fencemap.bring_in.intake import Intake, Kept, doubts_as_layers, map_columns
from fencemap.bring_in.raw import RawTable
from fencemap.bring_in.surveyed import read_file
from fencemap.errors import Problem, SurveyError
from fencemap.layers import layer, uids
from fencemap.practice import look_up
from fencemap.site import Site, Survey
from fencemap.vocabularies import words

__all__ = ["read_gaps", "read_lead_tests", "read_levels", "read_weather"]

Made = dict[str, Any]
# Words of the tape, and whether they leave a side open: (least known, largest known).
_GAP_WORDS = ("touching", "one finger", "one hand", "buried", "over stone")


def read_levels(elements: Any, *, site: Site, survey: Survey) -> Made:
    """Read heights on rails, posts and curbs; a height in an element row counts as one too."""
    intake = Intake("levels", layer("levels"), site=site, survey=survey)
    for path in survey.paths("levels"):
        kept = intake.take(
            read_file(path, site=site, layer_hint="levels"), needs=(("element_id", "run_id"),)
        )
        _refuse_placeless(kept, "element_id")
        _refuse_unknown(kept, elements, "element_id")
        _grade_levels(kept, site, survey)
    made = intake.layer(key=_row_keys)
    return {"levels": _with_shorthand(made, elements, site, survey)} | doubts_as_layers(intake)


def _with_shorthand(levels: Any, elements: Any, site: Site, survey: Survey) -> Any:
    """Add the heights that element rows carry themselves."""
    schema = layer("levels")
    known = elements[elements["target"].notna() & elements.geometry.notna()]
    heights = shapely.get_z(known.geometry.values)
    known, heights = known[~np.isnan(heights)], heights[~np.isnan(heights)]
    if not len(known):
        return levels
    rows = {
        name: known[name].to_numpy()
        for name in (
            "survey_id",
            "source_file",
            "element_id",
            "target",
            "method",
            "time",
            "sigma_v_m",
            "sigma_origin",
        )
    }
    rows["source_row"] = pd.array(known["source_row"], dtype="Int64")
    rows["height_m"] = heights
    rows["uid"] = uids(site.uid, survey.id, "levels", "element:" + known["element_id"])
    more = schema.conform(rows)
    return schema.check(pd.concat([levels, more], ignore_index=True) if len(levels) else more)


def _grade_levels(kept: Kept, site: Site, survey: Survey) -> None:
    """Fill blank accuracies from the survey's default, else from practice."""
    count = len(kept.table.rows)
    held = kept.columns.get("sigma_v_m")
    given = np.full(count, np.nan) if held is None else np.asarray(held, dtype=np.float64)
    default = survey.accuracy.sigma_v_m
    words = "survey default"
    if default is None:
        default, words = float(look_up("level.sigma_v_m", site.practice).value), "practice default"
    kept.columns["sigma_v_m"] = pd.Series(np.where(np.isnan(given), default, given))
    kept.columns["sigma_origin"] = pd.Series(
        np.where(np.isnan(given), words, "column sigma_v_m"), dtype="str"
    )


def read_gaps(elements: Any, *, site: Site, survey: Survey) -> Made:
    """Read gaps between rail and ground: taped in mm, or told in words.

    A word becomes an interval (``touching`` 0 to 5 mm); ``buried`` has no
    least gap and at most 0; ``over stone`` says what lies there, not how far.
    """
    schema = layer("gap_readings")
    intake = Intake("gaps", schema, site=site, survey=survey)
    for path in survey.paths("gaps"):
        table = _with_reading(read_file(path, site=site, layer_hint="gaps"), survey)
        kept = intake.take(table, needs=(("panel_id", "run_id"),))
        _refuse_placeless(kept, "panel_id")
        _refuse_unknown(kept, elements, "panel_id")
        _refuse_unknown(kept, elements, "run_id")
        _read_gap_cells(kept, site)
    return {"gap_readings": intake.layer(key=_row_keys)} | doubts_as_layers(intake)


def _with_reading(table: RawTable, survey: Survey) -> RawTable:
    """Read the column `gap_mm`, which holds numbers and words alike, as the reading as written."""
    from dataclasses import replace

    source = survey.columns.get("gap_mm", "gap_mm")
    if source not in table.columns or "reading" in table.columns:
        return table
    columns = {
        ("reading" if name == source else name): cells for name, cells in table.columns.items()
    }
    return replace(table, columns=columns)


def _read_gap_cells(kept: Kept, site: Site) -> None:
    cells = pd.Series(kept.columns["reading"]).fillna("").str.strip()
    low = cells.str.lower()
    values, bad = numbers(cells.to_numpy(dtype=object), decimal=kept.table.decimal)
    words = low.isin(_GAP_WORDS).to_numpy()
    kept.refuse(
        bad & ~words, "bad-gap", "is neither a gap in mm nor a word for one",
        f"Write millimetres, or one of: {', '.join(_GAP_WORDS)}.", column="reading",
    )  # fmt: skip
    least, most = values.copy(), values.copy()
    for word in ("touching", "one finger", "one hand"):
        mask = (low == word).to_numpy()
        least[mask] = float(look_up(f"gap.{word}.least_mm", site.practice).value)
        most[mask] = float(look_up(f"gap.{word}.most_mm", site.practice).value)
    most[(low == "buried").to_numpy()] = 0.0
    surface = np.where(low == "over stone", "stone", "soil")
    held = kept.columns.get("surface")
    given = pd.Series([None] * len(low), dtype="str") if held is None else pd.Series(held)
    taped = ~np.isnan(values)
    kept.columns |= {
        "gap_mm": pd.Series(values),
        "gap_min_mm": pd.Series(least),
        "gap_max_mm": pd.Series(most),
        "surface": given.fillna(pd.Series(surface, dtype="str")),
        "sigma_mm": _gap_sigma(kept, taped, site),
    }


def _gap_sigma(kept: Kept, taped: NDArray[np.bool_], site: Site) -> Any:
    default = float(look_up("gap.tape_sigma_mm", site.practice).value)
    held = kept.columns.get("sigma_mm")
    given = np.full(len(taped), np.nan) if held is None else np.asarray(held, dtype=np.float64)
    return pd.Series(np.where(taped, np.where(np.isnan(given), default, given), np.nan))


def read_weather(*, site: Site, survey: Survey) -> Made:
    """Read hourly weather."""
    intake = Intake("weather", layer("weather"), site=site, survey=survey)
    for path in survey.paths("weather"):
        intake.take(read_file(path, site=site, layer_hint="weather"))
    return {"weather": intake.layer(key=lambda kept: kept.columns["time"])} | doubts_as_layers(
        intake
    )


def read_lead_tests(*, site: Site, survey: Survey) -> dict[str, str]:
    """Read lead tests as lot to outcome; a lot with any positive test is positive.

    The table has `lot_id` and `result`, a word of the vocabulary `lead_test`;
    the reason for a word that is not is raised, since a lot must never pass
    as free of lead by a slip.

    Raises
    ------
    SurveyError
        A column is missing or an outcome is no word of the vocabulary.
    """
    found: dict[str, str] = {}
    problems: list[Problem] = []
    for path in survey.paths("lead_tests"):
        table = read_file(path, site=site, layer_hint="lead_tests")
        columns, _ = map_columns(table, ("lot_id", "result"), survey.columns)
        problems += [
            Problem("no-column", "the file has no such column", "Add it.", table.file, 1, name)
            for name in ("lot_id", "result")
            if name not in columns
        ]
        if problems:
            break
        for row, lot, outcome in zip(
            table.rows,
            table.columns[columns["lot_id"]],
            table.columns[columns["result"]],
            strict=True,
        ):
            word = str(outcome).strip().lower()
            if word not in words("lead_test"):
                remedy = f"Words: {', '.join(sorted(words('lead_test')))}."
                problems.append(
                    Problem(
                        "bad-text",
                        "not a word of 'lead_test'",
                        remedy,
                        table.file,
                        int(row),
                        "result",
                        str(outcome),
                    )
                )
            found[str(lot)] = (
                max(
                    found.get(str(lot), ""),
                    word,
                    key=("", "not tested", "negative", "positive").index,
                )
                if not problems
                else ""
            )
    if problems:
        raise SurveyError(problems=problems)
    return found


def _refuse_placeless(kept: Kept, first: str) -> None:
    """Refuse readings that name neither a thing nor a run and a station."""
    count = len(kept.table.rows)

    def given(name: str) -> NDArray[np.bool_]:
        held = kept.columns.get(name)
        return (
            np.zeros(count, bool)
            if held is None
            else ~blank(pd.Series(held).to_numpy(dtype=object))
        )

    placed = given(first) | (given("run_id") & given("station_m"))
    kept.refuse(
        ~placed,
        "no-place",
        f"has neither {first} nor run_id with station_m",
        "Say where it was read.",
    )


def _refuse_unknown(kept: Kept, elements: Any, name: str) -> None:
    """Refuse readings of things that the survey does not have."""
    held = kept.columns.get(name)
    if held is None:
        return
    column = "run_id" if name == "run_id" else "element_id"
    known = set(elements[column].dropna())
    values = pd.Series(held).reset_index(drop=True)
    missing = values.notna() & ~values.isin(known)
    source = next((c for c in kept.table.columns if c.lower().replace(" ", "_") == name), name)
    kept.refuse(
        missing.to_numpy(dtype=bool), "unknown-element", f"no element of the survey has this {column}",
        "Mend the name, or add the element.", column=source,
    )  # fmt: skip


def _row_keys(kept: Kept) -> Any:
    """Make source ids for readings, which have no name: their file and row."""
    return pd.Series([f"{kept.table.file}:{row:09d}" for row in kept.table.rows])
