"""From raw tables to typed rows, with every doubt written down.

An `Intake` works on one file at a time: it maps columns to the catalogue,
types them, and sorts each row into kept or refused. Refused rows and doubts
become rows of the layers `rejected` and `suspect`; ``read = kept + rejected``
holds for every file and is checked.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fencemap.bring_in.cells import blank, typed
from fencemap.bring_in.raw import RawTable, row_as_json
from fencemap.bring_in.readers import DOUBT
from fencemap.errors import Problem, SurveyError
from fencemap.layers import layer, uids
from fencemap.schema import LayerSchema
from fencemap.site import Site, Survey

__all__ = ["MOST_REFUSED_SHARE", "Doubt", "Intake", "Kept", "doubts_as_layers", "map_columns"]

# Above this share of refused rows (and more than a few) a file has one fault,
# not many: the whole file is refused, so that a mix-up can't pass as a survey with gaps.
MOST_REFUSED_SHARE = 0.2
_A_FEW_ROWS = 5
_ORIGIN = ("uid", "survey_id", "source_file", "source_row")


@dataclass(frozen=True, slots=True)
class Doubt:
    """One doubtful cell or row; `fatal` doubts refuse the row."""

    index: int
    code: str
    reason: str
    remedy: str
    column: str = ""
    value: str = ""
    fatal: bool = False
    size: float = float("nan")


@dataclass(slots=True)
class Kept:
    """The rows of one file that survived, and the doubts of all its rows."""

    table: RawTable
    columns: dict[str, Any]
    geometry: NDArray[Any] | None
    other: NDArray[Any]
    doubts: list[Doubt] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    _refused: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        self._refused = np.zeros(len(self.table.rows), dtype=bool)

    @property
    def alive(self) -> NDArray[np.bool_]:
        """Mask of the rows that no fatal doubt has refused."""
        return ~self._refused

    def refuse(
        self, mask: NDArray[np.bool_], code: str, reason: str, remedy: str, **more: Any
    ) -> None:
        """Refuse the rows of a mask; `column` names the cell that is shown."""
        self._mark(mask & self.alive, code, reason, remedy, fatal=True, **more)

    def doubt(
        self, mask: NDArray[np.bool_], code: str, reason: str, remedy: str, **more: Any
    ) -> None:
        """Keep the rows of a mask but name them as doubtful."""
        self._mark(mask & self.alive, code, reason, remedy, fatal=False, **more)

    def _mark(
        self, mask: NDArray[np.bool_], code: str, reason: str, remedy: str,
        *, column: str = "", fatal: bool, sizes: NDArray[Any] | None = None,
    ) -> None:  # fmt: skip
        source = self.table.columns.get(column)
        for index in np.flatnonzero(mask):
            value = "" if source is None else str(source[index])
            size = float("nan") if sizes is None else float(sizes[index])
            self.doubts.append(Doubt(int(index), code, reason, remedy, column, value, fatal, size))
        if fatal:
            self._refused |= mask


def map_columns(
    table: RawTable, wanted: Sequence[str], mapping: Mapping[str, str]
) -> tuple[dict[str, str], list[str]]:
    """Match a file's columns to the catalogue's names.

    The site's ``[columns]`` table (catalogue name to the file's name) goes
    first; then equal names, whatever their case, spaces or hyphens. Nothing
    else is taken for granted.

    Returns
    -------
    found, unknown
        Catalogue name to column name; and the columns that nobody asked for.
    """
    plain = {_plain(name): name for name in table.columns}
    found = {}
    for name in wanted:
        column = mapping.get(name, "")
        if column in table.columns:
            found[name] = column
        elif _plain(name) in plain and plain[_plain(name)] not in mapping.values():
            found[name] = plain[_plain(name)]
    unknown = [name for name in table.columns if name not in found.values()]
    return found, unknown


def _plain(name: str) -> str:
    return name.strip().lower().replace(" ", "_").replace("-", "_")


class Intake:
    """Reads the files of one input of a survey into one layer.

    Parameters
    ----------
    name
        The input's name in `site.toml`, such as ``elements``.
    schema
        Layer that the rows become.
    extra
        Names of columns that the reader itself uses (positions, say) and that
        are no fields of the layer.
    """

    def __init__(
        self,
        name: str,
        schema: LayerSchema,
        *,
        site: Site,
        survey: Survey,
        extra: Sequence[str] = (),
    ) -> None:
        self.name = name
        self.schema = schema
        self.site = site
        self.survey = survey
        self.extra = tuple(extra)
        self.kept: list[Kept] = []

    def take(self, table: RawTable, *, needs: Sequence[Sequence[str]] = ()) -> Kept:
        """Type one file's rows.

        `needs` lists groups of columns; of each group one must be there.

        Raises
        ------
        SurveyError
            A required column is missing; the message names close ones.
        """
        fields = [item for item in self.schema.fields if item.name not in (*_ORIGIN, "other")]
        wanted = [item.name for item in fields] + list(self.extra)
        found, unknown = map_columns(table, wanted, self.survey.columns)
        groups = [(item.name,) for item in fields if item.required] + list(needs)
        self._require(table, found, unknown, groups)
        unknown = [name for name in unknown if name != DOUBT]
        kept = Kept(table, {}, table.geometry, _others(table, unknown), notes=list(table.notes))
        kept.doubts += _doubts_of_reader(table)
        if unknown:
            kept.notes.append(
                f"{table.file}: columns kept as they are in 'other': {', '.join(unknown)}"
            )
        for item in fields:
            if item.name in found:
                self._type(kept, item, found[item.name])
        for name in self.extra:
            kept.columns[name] = table.columns[found[name]] if name in found else None
        self.kept.append(kept)
        return kept

    def _require(
        self,
        table: RawTable,
        found: Mapping[str, str],
        unknown: list[str],
        groups: Sequence[Sequence[str]],
    ) -> None:
        problems = []
        for group in groups:
            if any(name in found for name in group):
                continue
            close = difflib.get_close_matches(group[0], unknown, n=1, cutoff=0.5)
            if close:
                hint = f"If '{close[0]}' is meant, map it: [survey.columns] {group[0]} = \"{close[0]}\"."
            else:
                hint = f"Add it, or map it under [survey.columns]. The file has: {', '.join(table.columns)}."
            column = " or ".join(group)
            problems.append(
                Problem("no-column", "the file has no such column", hint, table.file, 1, column)
            )
        if problems:
            raise SurveyError(problems=problems)

    def _type(self, kept: Kept, item: Any, column: str) -> None:
        source = kept.table.columns[column]
        values, faults = typed(
            source, item, decimal=kept.table.decimal, time_zone=self.site.time_zone
        )
        kept.columns[item.name] = values
        for fault in faults:
            mark = kept.refuse if item.required and not fault.fixed else kept.doubt
            mark(fault.mask, fault.code, fault.reason, fault.remedy, column=column)
            if not item.required:
                _put_aside(kept, fault.mask, column)
        if item.required:
            empty = blank(source)
            kept.refuse(empty, "blank", "is empty but must be given", "Fill it in.", column=column)

    def layer(self, *, key: Callable[[Kept], Any]) -> Any:
        """Join the kept rows of all files into the checked layer, sorted by key.

        `key` gives each file's source ids (for the uid and the order).

        Raises
        ------
        SurveyError
            A file in which more than `MOST_REFUSED_SHARE` of the rows, or all
            of them, were refused.
        """
        for kept in self.kept:
            _refuse_whole_file(kept)
        parts = [self._part(kept, key) for kept in self.kept]
        parts = [part for part in parts if len(part)]
        crs = self.site.crs if self.schema.spatial else None
        if not parts:
            return self.schema.empty(crs)
        frame = pd.concat(parts, ignore_index=True).sort_values(
            "_key", kind="stable", ignore_index=True
        )
        frame["uid"] = uids(self.site.uid, self.survey.id, self.schema.name, frame.pop("_key"))
        return self.schema.check(self.schema.conform(frame, crs=crs), crs=crs)

    def _part(self, kept: Kept, key: Callable[[Kept], Any]) -> Any:
        alive = kept.alive
        data = {
            name: pd.Series(values).reset_index(drop=True)
            for name, values in kept.columns.items()
            if values is not None and name in self.schema.columns
        }
        part = pd.DataFrame(data, index=range(len(alive)))
        part["survey_id"] = self.survey.id
        part["source_file"] = kept.table.file
        part["source_row"] = pd.array(kept.table.rows, dtype="Int64")
        part["_key"] = pd.Series(key(kept)).reset_index(drop=True)
        if "other" in self.schema.columns:
            part["other"] = pd.Series(kept.other, dtype="str")
        if self.schema.spatial:
            part["geometry"] = kept.geometry if kept.geometry is not None else None
        return part[alive]


def _doubts_of_reader(table: RawTable) -> list[Doubt]:
    """Turn what a reader wrote into its column of doubts into doubts of their rows."""
    found = []
    for index, text in enumerate(table.columns.get(DOUBT, ())):
        for part in (text or "").split(" | "):
            code, _, sentence = part.partition(": ")
            if code:
                found.append(Doubt(index, code, sentence, "Look at the row in its file."))
    return found


def _others(table: RawTable, unknown: Sequence[str]) -> NDArray[Any]:
    """Write the columns that the catalogue does not know as one JSON object a row."""
    out = np.full(len(table.rows), None, dtype=object)
    if unknown:
        members = [_members(name, table.columns[name]) for name in unknown]
        texts = (", ".join(filter(None, row)) for row in zip(*members, strict=True))
        out[:] = [f"{{{text}}}" if text else None for text in texts]
    return out


def _members(name: str, cells: NDArray[Any]) -> list[str]:
    """Write one column's members of those objects, each different cell once; "" for empty cells."""
    one_type = pd.api.types.infer_dtype(cells, skipna=True) in ("string", "floating", "integer")
    if one_type:  # else cells that compare equal, such as 1 and True, may read otherwise
        place, different = pd.factorize(cells, use_na_sentinel=False)
    else:
        place, different = np.arange(len(cells)), cells
    written = [row_as_json({name: different}, index)[1:-1] for index in range(len(different))]
    return [written[index] for index in place]


def _put_aside(kept: Kept, bad: NDArray[np.bool_], column: str) -> None:
    """Keep the text of cells that could not be typed in `other`."""
    for index in np.flatnonzero(bad):
        held = json.loads(kept.other[index]) if kept.other[index] else {}
        held[column] = str(kept.table.columns[column][index])
        kept.other[index] = json.dumps(held, ensure_ascii=False)


def _refuse_whole_file(kept: Kept) -> None:
    refused = int((~kept.alive).sum()) + len(kept.table.refused)
    bearable = max(MOST_REFUSED_SHARE * kept.table.read, _A_FEW_ROWS)
    if not refused or (refused <= bearable and refused < kept.table.read):
        return
    problems = [refusal.problem for refusal in kept.table.refused]
    problems += [_problem(kept, doubt) for doubt in kept.doubts if doubt.fatal]
    raise SurveyError(
        f"{kept.table.file}: {refused} of {kept.table.read} rows would be refused, so the file as a whole is",
        problems=problems[:20],
        remedy="Mend the cause above; a few bad rows alone do not stop a run.",
    )


def _problem(kept: Kept, doubt: Doubt) -> Problem:
    row = int(kept.table.rows[doubt.index])
    return Problem(
        doubt.code, doubt.reason, doubt.remedy, kept.table.file, row, doubt.column, doubt.value
    )


def doubts_as_layers(intake: Intake) -> dict[str, Any]:
    """Make the `rejected` and `suspect` rows of one input, in file and row order."""
    rejected: list[dict[str, Any]] = []
    suspect: list[dict[str, Any]] = []
    for kept in intake.kept:
        rejected += [
            _doubt_row(intake, kept, None, refusal.problem) | {"raw": refusal.raw}
            for refusal in kept.table.refused
        ]
        alive = kept.alive
        for doubt in sorted(kept.doubts, key=lambda item: (item.index, item.column, item.code)):
            row = _doubt_row(intake, kept, doubt.index, _problem(kept, doubt))
            if doubt.fatal:
                rejected.append(row | {"raw": row_as_json(kept.table.columns, doubt.index)})
            elif alive[doubt.index]:
                shape = None if kept.geometry is None else kept.geometry[doubt.index]
                suspect.append(row | {"size": doubt.size, "geometry": shape})
    return {
        "rejected": _doubt_layer(intake, "rejected", _one_a_row(rejected)),
        "suspect": _doubt_layer(intake, "suspect", suspect),
    }


def _one_a_row(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Put several reasons for one refused row into one line: a row is refused once."""
    first: dict[tuple[Any, Any], dict[str, Any]] = {}
    for row in rows:
        place = (row["source_file"], row["source_row"])
        if place in first:
            first[place]["reason"] += f"; {row['column']}: {row['reason']}"
        else:
            first[place] = row
    return list(first.values())


def _doubt_row(intake: Intake, kept: Kept, index: int | None, problem: Problem) -> dict[str, Any]:
    names = kept.columns.get("element_id")
    element = None if names is None or index is None else names[index]
    return {
        "survey_id": intake.survey.id,
        "source_file": problem.file,
        "source_row": problem.row,
        "input": intake.name,
        "element_id": None if pd.isna(element) else str(element),
        "column": problem.column,
        "value": problem.value,
        "code": problem.code,
        "reason": problem.reason,
        "remedy": problem.remedy,
    }


def _doubt_layer(intake: Intake, name: str, rows: list[dict[str, Any]]) -> Any:
    import shapely

    schema = layer(name)
    crs = intake.site.crs if schema.spatial else None
    if not rows:
        return schema.empty(crs)
    keys = [f"{r['source_file']}:{r['source_row']}:{r['column']}:{r['code']}" for r in rows]
    frame = pd.DataFrame(rows)
    frame["source_row"] = frame["source_row"].astype("Int64")
    frame["uid"] = uids(intake.site.uid, intake.survey.id, name, keys)
    if schema.spatial:
        shapes = np.array([row["geometry"] for row in rows], dtype=object)
        frame["geometry"] = shapely.force_2d(shapely.point_on_surface(shapes))
    return schema.conform(frame, crs=crs)
