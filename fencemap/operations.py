"""What each operation does to stone, and which runs of fence it is planned for.

The numbers come from `practice.toml` through the site's own values; the plan
of work comes from the layer `work`. Both the finding of exposed stone and the
drawing of zones read them here, so the two can't disagree.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import isnan
from typing import Any

from fencemap.practice import Default, all_defaults

__all__ = [
    "ALL_RUNS",
    "GONE",
    "STANDING",
    "Job",
    "Operation",
    "Plan",
    "Practice",
    "all_stone",
    "names",
    "operation",
    "planned",
    "sensitivities",
]

Practice = Callable[[str], Default]
STANDING = "standing"
ALL_RUNS = "*"
# Stone of which nothing is there to be harmed.
GONE = frozenset({"missing", "in store", "absent by design"})


@dataclass(frozen=True, slots=True)
class Operation:
    """One operation as practice and the site have it; reaches in metres, wind in m/s."""

    name: str
    reach: Default
    lead_reach: Default | None
    downhill_reach_m: float
    fall_margin_m: float | None
    way: str
    harm: str
    irreversibility: float
    cover: str
    ground_sheet: str
    wind_stop: Default | None
    lead_wind_stop: Default | None
    settling_m_s: float | None

    def reach_of(self, *, lead_suspect: bool, height_m: float | None) -> tuple[float, str]:
        """Say how far it reaches from one run, and where that comes from.

        Lead in the paint and the fence's own height (what is lifted can fall
        that far) widen the reach; nothing narrows it.

        Parameters
        ----------
        lead_suspect
            Whether lead in the paint of the run is not excluded.
        height_m
            Height of the run's fence, or None where it is not known.
        """
        used, why = self.reach, ""
        if lead_suspect and self.lead_reach and self.lead_reach.value > used.value:
            used, why = self.lead_reach, ", lead in the paint not excluded"
        reach_m, source = float(used.value), f"{used.key} = {used.value:g} m{why}: {used.source}"
        if self.fall_margin_m is not None and height_m and height_m + self.fall_margin_m > reach_m:
            reach_m = height_m + self.fall_margin_m
            source = f"height of the fence {height_m:g} m + operation.{self.name}.fall_margin_m"
        return reach_m, source

    def wind_stop_of(self, *, lead_suspect: bool) -> float | None:
        """Wind at which it stops on one run, or None where wind doesn't matter."""
        stops = [self.wind_stop, self.lead_wind_stop if lead_suspect else None]
        return min((float(stop.value) for stop in stops if stop), default=None)


@dataclass(frozen=True, slots=True)
class Job:
    """One operation on one run in one phase."""

    phase: str
    operation: Operation
    run_id: str
    date: str
    lead_suspect: bool
    reach_m: float
    reach_source: str


@dataclass(frozen=True, slots=True)
class Plan:
    """All jobs, sorted by phase, operation and run; and names that are no run's.

    `unknown` holds (position of the row in `work`, name) for each.
    """

    jobs: tuple[Job, ...]
    unknown: tuple[tuple[int, str], ...]

    def groups(self) -> Iterator[tuple[str, Operation, list[Job]]]:
        """Go through phases and operations, each with its jobs."""
        from itertools import groupby

        for (phase, _), jobs in groupby(self.jobs, key=lambda job: (job.phase, job.operation.name)):
            listed = list(jobs)
            yield phase, listed[0].operation, listed


def names() -> tuple[str, ...]:
    """List the operations that practice knows, in the order of `practice.toml`."""
    return tuple(
        key.split(".")[1]
        for key in all_defaults()
        if key.startswith("operation.") and key.endswith(".reach_m")
    )


def operation(name: str, *, practice: Practice) -> Operation:
    """Gather what practice says of one operation.

    Raises
    ------
    KeyError
        Practice has no such operation (the catalogue's vocabulary keeps users
        from naming one).

    Examples
    --------
    >>> from fencemap.practice import default
    >>> operation("priming", practice=default).reach.value
    0.6
    """

    def find(what: str) -> Default | None:
        key = f"operation.{name}.{what}"
        return practice(key) if key in all_defaults() else None

    def number(what: str) -> float | None:
        found = find(what)
        return None if found is None else float(found.value)

    def word(what: str) -> str:
        found = find(what)
        return "" if found is None else str(found.value)

    return Operation(
        name=name,
        reach=practice(f"operation.{name}.reach_m"),
        lead_reach=find("lead_reach_m"),
        downhill_reach_m=number("downhill_reach_m") or 0.0,
        fall_margin_m=number("fall_margin_m"),
        way=word("way"),
        harm=word("harm"),
        irreversibility=float(practice(f"operation.{name}.irreversibility").value),
        cover=word("cover"),
        ground_sheet=word("ground_sheet"),
        wind_stop=find("wind_stop_m_s"),
        lead_wind_stop=find("lead_wind_stop_m_s"),
        settling_m_s=number("settling_m_s"),
    )


def sensitivities(practice: Practice) -> dict[str, float]:
    """Sensitivity of each kind of stone, 0 to 1; ``unknown`` is that of the most sensitive."""
    from fencemap.vocabularies import words

    known = {
        kind: float(practice(f"stone.{kind}.sensitivity").value)
        for kind in sorted(words("stone_type") - {"unknown"})
    }
    return known | {"unknown": max(known.values())}


def planned(work: Any, runs: Any, lots: Any, *, practice: Practice) -> Plan:
    """Work out every job: standing iron on all runs, and each row of `work` on its runs.

    A row's runs are separated by ``;`` and ``*`` is every run. Rows of the
    same phase and operation are put together, so the order of rows changes
    nothing; where a run is named twice, the earlier date holds.

    Parameters
    ----------
    work, runs, lots
        The layers of those names.
    practice
        Looks up a default, with the site's value where it has one.
    """
    facts = _facts_of_runs(runs, lots)
    known: dict[str, Operation] = {}
    dates: dict[tuple[str, str, str], str] = {(STANDING, STANDING, run): "" for run in facts}
    unknown = []
    rows = zip(work["phase"], work["operation"], work["runs"], work["date"], strict=True)
    for place, (phase, name, wanted, date) in enumerate(rows):
        asked = set(_split(wanted))
        unknown += [(place, run) for run in sorted(asked - facts.keys() - {ALL_RUNS})]
        for run in facts if ALL_RUNS in asked else asked & facts.keys():
            key = (str(phase), str(name), run)
            days = (dates.get(key, ""), date if isinstance(date, str) else "")
            dates[key] = min(filter(None, days), default="")
    reaches: dict[Any, tuple[float, str]] = {}
    jobs = []
    for phase, name, run in sorted(dates):
        if name not in known:
            known[name] = operation(name, practice=practice)
        lead, height_m = facts[run]
        alike = (name, lead, height_m)
        if alike not in reaches:
            reaches[alike] = known[name].reach_of(lead_suspect=lead, height_m=height_m)
        jobs.append(Job(phase, known[name], run, dates[phase, name, run], lead, *reaches[alike]))
    return Plan(tuple(jobs), tuple(unknown))


def _facts_of_runs(runs: Any, lots: Any) -> dict[str, tuple[bool, float | None]]:
    """Map each run to whether lead is not excluded, and its height in metres or None."""
    clean = {
        str(lot)
        for lot, outcome in zip(lots["lot_id"], lots["lead_test"], strict=True)
        if outcome == "negative"
    }
    facts = {}
    rows = zip(runs["run_id"], runs["lots"], runs["height_mm"], strict=True)
    for run, listed, height_mm in rows:
        enclosed = _split(listed)
        suspect = not enclosed or not set(enclosed) <= clean
        facts[str(run)] = (suspect, None if isnan(height_mm) else float(height_mm) / 1000)
    return facts


def _split(listed: Any) -> list[str]:
    """Split a list that has ; between its names; empty cells give an empty list."""
    if not isinstance(listed, str):
        return []
    return [name for name in (part.strip() for part in listed.split(";")) if name]


def all_stone(stones: Any, curbs: Any) -> Any:
    """Put stones and curbs into one frame, with the layer each row is of.

    Columns: ``stone_layer stone_id uid stone_type height_m stability presence
    sigma_h_m on_run geometry``; `on_run` is the run that is recorded as
    standing on a curb.
    """
    import pandas as pd

    columns = ["uid", "stone_type", "height_m", "stability", "presence", "sigma_h_m"]
    parts = []
    for name, frame in (("stones", stones), ("curbs", curbs)):
        part = frame[[*columns, "geometry"]].copy()
        part.insert(0, "stone_layer", pd.Series(name, index=part.index, dtype="str"))
        part.insert(1, "stone_id", frame["element_id"])
        part["on_run"] = frame.get("run_id", pd.Series(None, index=part.index, dtype="str"))
        parts.append(part)
    return pd.concat(parts, ignore_index=True)
