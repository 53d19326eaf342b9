"""Run a pipeline document on one survey of a site.

The runner gives each step the layers and services it asks for, checks what
comes back against the catalogue, keeps it on the shelf, and skips every step
whose inputs have not changed. Results are published whole or not at all, so
a run that is killed leaves the old results or the new ones, and the next run
goes on from the last finished step.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

from fencemap.errors import Cancelled, FencemapError, PipelineError
from fencemap.guard import publish_text, sweep_temps
from fencemap.layers import layer
from fencemap.pipeline.document import Document, PlannedStep, as_toml
from fencemap.pipeline.fingerprint import Fingerprints
from fencemap.pipeline.provenance import run_log
from fencemap.pipeline.shelf import Shelf, StepRecord, read_record, write_record
from fencemap.pipeline.workers import Workers
from fencemap.practice import Default, look_up
from fencemap.site import Site, Survey

__all__ = ["Listener", "RunReport", "StepReport", "result_folder", "run_document"]

# (event, share of the whole run 0..1, text); see `fencemap.pipeline.messages`.
Listener = Callable[[str, float, str], None]

_RASTERS = ("ground", "surface", "ortho")


@dataclass(frozen=True, slots=True)
class StepReport:
    """What became of one step."""

    name: str
    step: str
    ran: bool
    seconds: float
    counts: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class RunReport:
    """What became of a run; `layers` reads each layer when it is asked for."""

    folder: Path
    document: Document
    steps: tuple[StepReport, ...]
    layers: Mapping[str, Any]
    products: Mapping[str, tuple[Path, ...]]
    seconds: float

    @property
    def steps_run(self) -> int:
        """Number of steps that had to run."""
        return sum(step.ran for step in self.steps)


def result_folder(site: Site, survey: Survey, pipeline: str) -> Path:
    """Name the folder of a pipeline's results for one survey."""
    return site.folder / "results" / survey.id / pipeline


def run_document(
    document: Document,
    site: Site,
    survey: Survey,
    *,
    workers: int = 1,
    listener: Listener | None = None,
    cancelled: Callable[[], bool] = lambda: False,
    fresh: bool = False,
) -> RunReport:
    """Run every step of a document that must run, in order.

    Parameters
    ----------
    document, site, survey
        What to run, on what.
    workers
        Processes that `run.spread` may use; the results do not depend on it.
    listener
        Told of each step's progress.
    cancelled
        Asked often; when it says yes the run ends with `Cancelled`.
    fresh
        Run every step, whatever is on the shelf.

    Raises
    ------
    FencemapError
        Whatever a step finds wrong; results of earlier runs still stand.
    InUseError
        Another run of this site's survey is under way.
    """
    with _Session(document, site, survey, workers, listener, cancelled, fresh) as session:
        return session.run()


@dataclass
class _Session:
    """One run: everything that lives as long as it does."""

    document: Document
    site: Site
    survey: Survey
    workers: int
    listener: Listener | None
    cancelled: Callable[[], bool]
    fresh: bool
    reports: list[StepReport] = field(default_factory=list)
    records: list[StepRecord] = field(default_factory=list)
    products: dict[str, tuple[Path, ...]] = field(default_factory=dict)

    def __enter__(self) -> Self:
        from fencemap.pipeline.locking import only_run

        self.stack = ExitStack()
        self.folder = result_folder(self.site, self.survey, self.document.name)
        self.kept = self.folder.parent / ".layers"
        self.stack.enter_context(only_run(self.folder.parent))
        # The lock is ours, so every temporary file here is an orphan of a killed run.
        for folder in (self.folder, self.kept, self.folder / "tables"):
            if folder.is_dir():
                sweep_temps(folder, older_than_s=0)
        self.folder.mkdir(parents=True, exist_ok=True)
        self.kept.mkdir(parents=True, exist_ok=True)
        self.shelf = Shelf(self.kept, self.site.crs)
        self.pool = self.stack.enter_context(Workers(self.workers))
        self.prints = Fingerprints(self.site, self.survey, self.kept / "inputs.json")
        self.rasters: dict[str, Any] = {}
        return self

    def __exit__(self, *_: object) -> None:
        self.stack.close()

    def run(self) -> RunReport:
        began = time.time()
        for place, planned in enumerate(self.document.steps):
            self._one(place, planned)
        publish_text(self.folder / "used_pipeline.toml", as_toml(self.document))
        log = run_log(self.document, self.site, self.survey, self.records, self.prints, began)
        publish_text(
            self.folder / "run_log.json", json.dumps(log, indent=1, ensure_ascii=False) + "\n"
        )
        self._prune()
        self._tell("done", 1.0, "")
        return RunReport(
            self.folder,
            self.document,
            tuple(self.reports),
            self.shelf,
            self.products,
            time.time() - began,
        )

    def _one(self, place: int, planned: PlannedStep) -> None:
        """Run one step, or take its record when nothing it depends on has changed."""
        self._stop_if_asked()
        step, share = planned.step, place / len(self.document.steps)
        key = self._key(planned)
        record = None if self.fresh else read_record(self.kept, step.name, key)
        ran = record is None or not self._usable(record)
        started = time.time()
        if ran:
            self._tell("step", share, planned.name)
            record = self._run(place, planned, key)
            record |= {"started": started, "seconds": round(time.time() - started, 3)}
            write_record(self.kept, step.name, record)
        else:
            self._tell("skip", share, planned.name)
        for name, digest in record["layers"].items() if record else ():
            if not ran:
                self.shelf.note(name, digest)
        self._keep(planned, record or {}, ran=ran, place=place)

    def _keep(self, planned: PlannedStep, record: StepRecord, *, ran: bool, place: int) -> None:
        self.records.append(record | {"ran": ran, "name": planned.name, "step": planned.step.name})
        for product, entries in record["products"].items():
            self.products[product] = tuple(self.folder / entry["path"] for entry in entries)
        seconds = record.get("seconds", 0.0) if ran else 0.0
        self.reports.append(
            StepReport(planned.name, planned.step.name, ran, seconds, record["counts"])
        )
        later = self.document.steps[place + 1 :]
        needed = {name for after in later for name in after.step.takes}
        self.shelf.drop(frozenset(needed))

    def _run(self, place: int, planned: PlannedStep, key: str) -> StepRecord:
        step = planned.step
        layers = [self.shelf[name] for name in step.takes]
        services = {name: self._service(name, place, planned) for name in step.services}
        try:
            made = step.function(*layers, **services, **planned.parameters)
        except FencemapError:
            raise
        except MemoryError:
            raise PipelineError(
                f"{planned.name}: there is not enough memory", stage=step.stage, step=step.name,
                remedy="Close other programs, or run one part of the site at a time.",
            ) from None  # fmt: skip
        if step.stage == "export":
            return {"key": key, "layers": {}, "counts": {}, "products": self._products(made)}
        self._check_made(planned, made)
        digests = {name: self.shelf.put(name, frame) for name, frame in made.items()}
        counts = {name: len(frame) for name, frame in made.items()}
        return {"key": key, "layers": digests, "counts": counts, "products": {}}

    def _check_made(self, planned: PlannedStep, made: Mapping[str, Any]) -> None:
        wrong = set(made) - set(planned.step.makes)
        lacking = {n for n in planned.step.makes if n not in made and not layer(n).joins}
        if wrong or lacking:
            raise PipelineError(
                f"{planned.name}: made {sorted(made)}, declared {sorted(planned.step.makes)}",
                stage=planned.step.stage, step=planned.step.name,
                remedy="This is a mistake in the step; please report it.",
            )  # fmt: skip

    def _products(self, made: Mapping[str, Iterable[Path]]) -> dict[str, list[dict[str, str]]]:
        return {
            product: [
                {"path": path.relative_to(self.folder).as_posix(), "sha256": _sha256(path)}
                for path in sorted(paths)
            ]
            for product, paths in made.items()
        }

    def _usable(self, record: StepRecord) -> bool:
        """Whether everything the record names is still there and whole."""
        if not all(self.shelf.holds(name, digest) for name, digest in record["layers"].items()):
            return False
        entries = [entry for entries in record["products"].values() for entry in entries]
        return all(
            (self.folder / entry["path"]).is_file()
            and _sha256(self.folder / entry["path"]) == entry["sha256"]
            for entry in entries
        )

    def _key(self, planned: PlannedStep) -> str:
        step = planned.step
        takes = step.takes if "layers" not in step.services else tuple(self.shelf)
        parts = {
            "step": step.name,
            "parameters": dict(planned.parameters),
            "layers": {name: self._layer_digest(name) for name in takes},
            "depends": self.prints.of(step.stage, step.services),
            "folder": self.document.name if step.stage == "export" else "",
            "document": as_toml(self.document) if step.stage == "export" else "",
        }
        text = json.dumps(parts, sort_keys=True, ensure_ascii=False, default=str)
        return hashlib.sha256(text.encode()).hexdigest()

    def _layer_digest(self, name: str) -> str:
        return self.shelf.digest(name) if name in tuple(self.shelf) else ""

    def _service(self, name: str, place: int, planned: PlannedStep) -> Any:
        if name in _RASTERS:
            return self._raster(name)
        return {
            "site": self.site,
            "survey": self.survey,
            "layers": self.shelf,
            "into": self.folder,
            "run": _RunService(self, place, planned),
        }[name]

    def _raster(self, name: str) -> Any:
        """Open a raster input once a run; None when the survey has none."""
        if name not in self.rasters:
            from fencemap.bring_in.rasters import open_raster_input

            elements = self.shelf["elements"] if "elements" in tuple(self.shelf) else None
            opened = open_raster_input(name, self.site, self.survey, elements=elements)
            self.rasters[name] = self.stack.enter_context(opened) if opened is not None else None
        return self.rasters[name]

    def _prune(self) -> None:
        """Remove layers and records that no run of this survey refers to."""
        used = _used_files(self.kept.parent)
        for path in self.kept.iterdir():
            if (
                path.suffix in (".json", ".parquet")
                and path.name != "inputs.json"
                and path.name not in used
            ):
                path.unlink(missing_ok=True)

    def _stop_if_asked(self) -> None:
        if self.cancelled():
            raise Cancelled

    def _tell(self, event: str, share: float, text: str) -> None:
        if self.listener is not None:
            self.listener(event, share, text)


@dataclass(frozen=True, slots=True)
class _RunService:
    """The `run` service of one step."""

    session: _Session
    place: int
    planned: PlannedStep

    @property
    def generated(self) -> str:
        """Date that results carry: the survey's last day, so that equal input gives equal bytes."""
        return self.session.survey.end.isoformat()

    def progress(self, share: float, text: str = "") -> None:
        """Report progress within the step; raises Cancelled when asked to stop."""
        self.session._stop_if_asked()  # noqa: SLF001
        whole = (self.place + min(max(share, 0.0), 1.0)) / len(self.session.document.steps)
        self.session._tell("progress", whole, text or self.planned.name)  # noqa: SLF001

    def spread(self, function: Callable[..., Any], jobs: Iterable[Any]) -> list[Any]:
        """Apply a picklable function to each job over the run's workers, results in order."""
        work = list(jobs)
        results = []
        for done, result in enumerate(self.session.pool.map(function, work), 1):
            results.append(result)
            self.progress(done / max(len(work), 1))
        return results

    def practice(self, key: str) -> Default:
        """Look up a trade default, the site's own value first."""
        return look_up(key, self.session.site.practice)


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _used_files(survey_folder: Path) -> set[str]:
    """List the shelf's files that the run logs of all pipelines name."""
    used: set[str] = set()
    for log in _logs(survey_folder):
        for activity in log.get("activities", []):
            used.add(f"{activity['step']}-{activity['key'][:32]}.json")
            used |= {f"{name}-{digest}.parquet" for name, digest in activity["generated"].items()}
    return used


def _logs(survey_folder: Path) -> Iterator[dict[str, Any]]:
    for path in sorted(survey_folder.glob("*/run_log.json")):
        try:
            yield json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            continue
