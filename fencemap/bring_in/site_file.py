"""Read `site.toml` and check all of it before anything else is opened."""

from __future__ import annotations

import difflib
import tomllib
import uuid
from collections.abc import Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from fencemap.errors import InputError, SiteError
from fencemap.guard import real_file
from fencemap.practice import check_overrides
from fencemap.site import Accuracy, Site, Survey
from fencemap.vocabularies import words

__all__ = ["INPUTS", "read_site"]

# Inputs of a survey; those in _ONE take a single file.
INPUTS = (
    "elements", "levels", "gaps", "stones", "curbs", "trees", "lots", "paths", "services",
    "drains", "buildings", "graves", "lead_tests", "control", "checkpoints", "photos",
    "weather", "ground", "surface", "ortho",
)  # fmt: skip
_SITE_KEYS = ("name", "uid", "crs", "heights", "time_zone", "boundary")
_SURVEY_KEYS = ("id", "date", "from", "to", "accuracy", "columns", *INPUTS)
_ACCURACY_KEYS = ("sigma_h_m", "sigma_v_m", "accuracy_is", "ground_sigma_v_m")
_TABLES = {
    "work": ("phase", "date", "operation", "runs", "product", "crew"),
    "consent": (
        "what",
        "authority",
        "number",
        "valid",
        "valid_from",
        "valid_to",
        "lots",
        "depth_limit_mm",
    ),
}
_TOP = ("site", "survey", "work", "product", "consent", "practice")


def read_site(folder: Path) -> Site:
    """Read and check the `site.toml` of a site folder.

    Parameters
    ----------
    folder
        The site's folder, or the path of its `site.toml`.

    Returns
    -------
    site
        With absolute paths, globs resolved in sorted order, and the boundary
        in the site's CRS.

    Raises
    ------
    SiteError
        No such file, not TOML, unknown or missing keys, wrong values: each
        with its place and remedy. All problems of the file are in one error.
    CRSError
        The site's CRS is missing, not projected, or not in metres.
    """
    path = folder if folder.name == "site.toml" else folder / "site.toml"
    if not path.is_file():
        raise SiteError.at(
            path, "there is no site.toml", code="no-site",
            remedy="Name the folder that holds it, or make one with `fencemap new FOLDER`.",
        )  # fmt: skip
    return _Reader(path.resolve()).site()


class _Reader:
    """Collects every problem of one file, so that the user mends it once."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.folder = path.parent
        self.lines = path.read_text(encoding="utf-8-sig").splitlines()
        self.problems: list[Any] = []

    def site(self) -> Site:
        document = self._parse()
        self._unknown(document, _TOP, "")
        head = self._table(document.get("site"), "[site]")
        self._unknown(head, _SITE_KEYS, "[site]")
        surveys = tuple(self._surveys(document.get("survey", [])))
        overrides = self._table(document.get("practice", {}), "[practice]")
        check_overrides(overrides, file=self.path)
        crs_text = str(head.get("crs", ""))
        work = self._rows(document, "work")
        consents = self._rows(document, "consent")
        uid = self._uid(head)
        time_zone = self._time_zone(head)
        name = str(head.get("name", "")).strip() or self.folder.name
        if self.problems:
            raise SiteError(problems=self.problems)
        site = Site(
            folder=self.folder,
            name=name,
            uid=uid,
            crs=_checked_crs(crs_text, self.path),
            heights=str(head.get("heights", "site")),
            time_zone=time_zone,
            surveys=surveys,
            work=work,
            products=tuple(document.get("product", [])),
            consents=consents,
            practice=overrides,
        )
        return self._with_boundary(site, head.get("boundary"))

    def _parse(self) -> dict[str, Any]:
        try:
            return tomllib.loads("\n".join(self.lines))
        except tomllib.TOMLDecodeError as error:
            raise SiteError.at(
                self.path, f"not TOML: {error}", code="not-toml",
                remedy="Mend the line named; texts stand in quotes, dates do not need them.",
            ) from None  # fmt: skip

    def _problem(
        self, code: str, reason: str, remedy: str, *, key: str = "", value: Any = ""
    ) -> None:
        error = SiteError.at(
            self.path,
            reason,
            remedy=remedy,
            code=code,
            row=self._line_of(key),
            column=key,
            value=value,
        )
        self.problems += error.problems

    def _line_of(self, key: str) -> int | None:
        """Find the line where a key is written, for the message only."""
        word = key.rpartition(".")[2].strip("[]")
        for number, line in enumerate(self.lines, 1):
            if line.replace(" ", "").startswith(
                (f"{word}=", f'"{word}"=', f"[{word}]", f"[[{word}]]")
            ):
                return number
        return None

    def _table(self, value: Any, where: str) -> dict[str, Any]:
        if isinstance(value, dict):
            return value
        self._problem(
            "missing", f"there is no {where} table", f"Add {where} as in docs/inputs.md.", key=where
        )
        return {}

    def _unknown(self, table: Mapping[str, Any], known: tuple[str, ...], where: str) -> None:
        for key in table:
            if key in known:
                continue
            close = difflib.get_close_matches(key, known, n=1)
            remedy = f"Did you mean '{close[0]}'?" if close else f"Known: {', '.join(known)}."
            self._problem(
                "unknown-key", f"{where or 'site.toml'} has no key '{key}'", remedy, key=key
            )

    def _uid(self, head: Mapping[str, Any]) -> uuid.UUID:
        try:
            return uuid.UUID(str(head.get("uid", "")))
        except ValueError:
            fresh = uuid.uuid4()
            self._problem(
                "no-uid", "the site needs a uid, made once and never changed",
                f'Write for instance: uid = "{fresh}".', key="uid", value=head.get("uid", ""),
            )  # fmt: skip
            return fresh

    def _time_zone(self, head: Mapping[str, Any]) -> str:
        zone = str(head.get("time_zone", "UTC"))
        try:
            ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError):
            self._problem(
                "time-zone",
                "unknown time zone",
                'Write for instance "Europe/Paris".',
                key="time_zone",
                value=zone,
            )
        return zone

    def _rows(self, document: Mapping[str, Any], name: str) -> tuple[Mapping[str, Any], ...]:
        rows = document.get(name, [])
        if not isinstance(rows, list):
            self._problem(
                "wrong-type",
                f"[{name}] must be written [[{name}]]",
                "Double the brackets.",
                key=name,
            )
            return ()
        for row in rows:
            self._unknown(row, _TABLES[name], f"[[{name}]]")
            operation = row.get("operation")
            if operation is not None and operation not in words("operation"):
                known = ", ".join(sorted(words("operation")))
                self._problem(
                    "unknown-word",
                    "unknown operation",
                    f"Known: {known}.",
                    key="operation",
                    value=operation,
                )
        return tuple(rows)

    def _surveys(self, rows: Any) -> list[Survey]:
        if not isinstance(rows, list) or not rows:
            self._problem(
                "missing",
                "there is no [[survey]]",
                "Add one with id, date and elements.",
                key="survey",
            )
            return []
        found: list[Survey] = []
        for row in rows:
            survey = self._survey(row)
            if survey.id in {other.id for other in found}:
                self._problem(
                    "repeated",
                    "two surveys have the same id",
                    "Give each its own.",
                    key="id",
                    value=survey.id,
                )
            found.append(survey)
        return found

    def _survey(self, row: Mapping[str, Any]) -> Survey:
        self._unknown(row, _SURVEY_KEYS, "[[survey]]")
        survey_id = str(row.get("id", "")).strip()
        if not survey_id or not all(letter.isalnum() or letter in "-_." for letter in survey_id):
            self._problem(
                "survey-id", "a survey needs an id of letters, digits, - _ .",
                'Write for instance: id = "2026-spring".', key="id", value=survey_id,
            )  # fmt: skip
        start = self._date(row.get("date", row.get("from")), "date")
        end = self._date(row.get("to", row.get("date", row.get("from"))), "to")
        accuracy = self._table(row.get("accuracy", {}), "[survey.accuracy]")
        self._unknown(accuracy, _ACCURACY_KEYS, "[survey.accuracy]")
        if (word := accuracy.get("accuracy_is", "")) and word not in words("accuracy_is"):
            known = ", ".join(sorted(words("accuracy_is")))
            self._problem(
                "unknown-word",
                "unknown accuracy_is",
                f"Known: {known}.",
                key="accuracy_is",
                value=word,
            )
        files = {name: self._files(name, row[name]) for name in INPUTS if name in row}
        columns = {str(key): str(value) for key, value in dict(row.get("columns", {})).items()}
        return Survey(
            survey_id, start, end, files, Accuracy(**_only(accuracy, _ACCURACY_KEYS)), columns
        )

    def _date(self, value: Any, key: str) -> date:
        if isinstance(value, datetime):
            return value.date()
        if isinstance(value, date):
            return value
        try:
            return date.fromisoformat(str(value))
        except ValueError:
            self._problem("date", "not a date", "Write it as 2026-04-14.", key=key, value=value)
            return date(1970, 1, 1)

    def _files(self, name: str, value: Any) -> tuple[Path, ...]:
        found: list[Path] = []
        for pattern in [value] if isinstance(value, str) else list(value):
            matches = (
                sorted(self.folder.glob(pattern)) if "*" in pattern else [self.folder / pattern]
            )
            if not matches:
                self._problem(
                    "no-file",
                    f"no file matches for '{name}'",
                    "Mend the pattern or add the files.",
                    key=name,
                    value=pattern,
                )
            for path in matches:
                try:
                    found.append(real_file(path))
                except InputError as error:
                    reason = error.problems[0].reason if error.problems else error.message
                    self._problem(
                        "no-file",
                        f"'{name}' {reason}",
                        "Paths are relative to site.toml.",
                        key=name,
                        value=pattern,
                    )
        return tuple(found)

    def _with_boundary(self, site: Site, boundary: Any) -> Site:
        if boundary is None:
            return site
        from dataclasses import replace

        from fencemap.bring_in.shapes import read_boundary

        path = self.folder / str(boundary)
        if not path.is_file():
            self._problem(
                "no-file",
                "no such boundary file",
                "Paths are relative to site.toml.",
                key="boundary",
                value=boundary,
            )
            raise SiteError(problems=self.problems)
        return replace(site, boundary=read_boundary(path, crs=site.crs))


def _only(table: Mapping[str, Any], keys: tuple[str, ...]) -> dict[str, Any]:
    return {key: table[key] for key in keys if key in table}


def _checked_crs(text: str, path: Path) -> str:
    """Return the CRS's own text after `crs.site_crs` has accepted it."""
    from fencemap.crs import site_crs
    from fencemap.errors import CRSError

    if not text.strip():
        raise SiteError.at(
            path, "the site has no CRS, and it is never guessed", code="no-crs", column="crs",
            remedy='Write a projected CRS in metres in [site], for instance: crs = "EPSG:32631".',
        )  # fmt: skip
    try:
        site_crs(text)
    except CRSError as error:
        raise SiteError.at(
            path, error.message, remedy=error.remedy, code="crs", column="crs", value=text
        ) from error
    return text
