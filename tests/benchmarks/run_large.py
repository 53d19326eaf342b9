"""Measure a pipeline on the 20-ha site: wall time, CPU, peak memory, and where they go.

    python tests/benchmarks/run_large.py [--warm] [--keep DIR] [--workers N] [--side-m 450]

The site is made by `large_site.py` (not timed), the pipeline runs in a fresh
process with an empty result folder. `--warm` runs it once before the run that
counts, so that files and compiled kernels are in their caches. Prints a table
for `docs/benchmarks.md`.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shlex
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

__all__ = ["Measured", "measure"]

COUNTS = "counts.json"  # what `large_site.py` leaves beside `site.toml`
_SAMPLE_S = 0.02


@dataclass
class Measured:
    """One run of the program: seconds, the largest memory of any of its processes, samples of it."""

    code: int
    began: float  # seconds since 1970
    wall_s: float
    cpu_s: float
    peak_mb: float
    samples: list[tuple[float, float, float]]  # (time, MB, CPU s) of the main process

    def peak_between(self, begin: float, end: float) -> float:
        """Largest memory sampled in a stretch of time; NaN when there is none."""
        return max((mb for at, mb, _ in self.samples if begin <= at <= end), default=float("nan"))

    def cpu_between(self, begin: float, end: float) -> float:
        """CPU seconds of a stretch of time, which other programs on the machine hardly change."""
        if not self.samples:
            return float("nan")
        times, _, cpu = zip(*self.samples, strict=True)
        return float(np.interp(end, times, cpu) - np.interp(begin, times, cpu))


def measure(command: list[str], *, environment: dict[str, str] | None = None) -> Measured:
    """Run a command to its end and measure it; its standard error goes to ours.

    Needs POSIX: the kernel's own figure for peak memory is what counts, since
    samples can miss a short peak. It is never below the memory of the process
    that calls this, which must be small. With worker processes it is that of the
    largest process, not their sum.
    """
    began, clock = time.time(), time.perf_counter()
    child = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL)
    samples: list[tuple[float, float, float]] = []
    done = threading.Event()
    watcher = threading.Thread(target=_watch, args=(child.pid, samples, done), daemon=True)
    watcher.start()
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    wall = time.perf_counter() - clock
    done.set()
    watcher.join()
    scale = 1 / 2**20 if sys.platform == "darwin" else 1 / 2**10
    return Measured(
        child.returncode,
        began,
        wall,
        usage.ru_utime + usage.ru_stime,
        usage.ru_maxrss * scale,
        samples,
    )


def _watch(pid: int, samples: list[tuple[float, float, float]], done: threading.Event) -> None:
    """Take samples of a process's resident memory and CPU time, where the system shows them."""
    folder, page = Path(f"/proc/{pid}"), os.sysconf("SC_PAGE_SIZE")
    tick = os.sysconf("SC_CLK_TCK")
    while not done.wait(_SAMPLE_S):
        try:
            resident = int((folder / "statm").read_text().split()[1]) * page / 2**20
            # The name in brackets may hold blanks; user and system time are the 12th and 13th after it.
            times = (folder / "stat").read_text().rpartition(")")[2].split()[11:13]
            samples.append((time.time(), resident, sum(map(int, times)) / tick))
        except (OSError, IndexError, ValueError):
            return


def _seconds(stamp: str) -> float:
    return datetime.strptime(stamp, "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=UTC).timestamp()


def _run_log(site: Path, pipeline: str) -> dict[str, Any]:
    (path,) = site.glob(f"results/*/{Path(pipeline).stem}/run_log.json")
    log: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return log


def _step_table(log: dict[str, Any], run: Measured) -> list[str]:
    """One line a step: seconds, CPU seconds, largest memory while it ran, rows made."""
    lines = ["| step | wall s | CPU s | MB at most | rows |", "|---|---:|---:|---:|---|"]
    stages: dict[str, list[float]] = {}
    for activity in log["activities"]:
        began, seconds = _seconds(activity["startedAtTime"]), float(activity["seconds"])
        peak, cpu = (
            run.peak_between(began, began + seconds),
            run.cpu_between(began, began + seconds),
        )
        rows = ", ".join(f"{name} {count:,}" for name, count in activity["rows"].items() if count)
        lines.append(f"| {activity['name']} | {seconds:.2f} | {cpu:.2f} | {peak:.0f} | {rows} |")
        stage = stages.setdefault(activity["name"].split(".")[0], [0.0, 0.0])
        stage[0], stage[1] = stage[0] + seconds, stage[1] + cpu
    wall, cpu = (sum(column) for column in zip(*stages.values(), strict=True))
    lines.append(f"| start, digests, log | {run.wall_s - wall:.2f} | {run.cpu_s - cpu:.2f} | | |")
    said = ", ".join(
        f"{stage} {wall:.1f} s ({cpu:.1f} s CPU)" for stage, (wall, cpu) in stages.items()
    )
    return [*lines, "", f"By stage: {said}.", *_upto_geopackage(log, run)]


def _upto_geopackage(log: dict[str, Any], run: Measured) -> list[str]:
    """Say what it took from the start of the process until the GeoPackage was published."""
    for activity in log["activities"]:
        if activity["name"].endswith(".geopackage"):
            end = _seconds(activity["startedAtTime"]) + float(activity["seconds"])
            wall = end - run.began
            cpu, peak = run.cpu_between(run.began, end), run.peak_between(run.began, end)
            return [
                f"From the start to the whole GeoPackage: {wall:.1f} s, {cpu:.1f} s CPU, {peak:,.0f} MB at most."
            ]
    return []


def _machine() -> str:
    cpu = platform.processor() or platform.machine()
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        cpu = next(line.split(":", 1)[1].strip() for line in lines if line.startswith("model name"))
    except (OSError, StopIteration):
        pass
    return (
        f"{os.cpu_count()} cores ({cpu}), Python {platform.python_version()}, {platform.system()}"
    )


def _results(site: Path) -> list[str]:
    """Sizes of what was made."""
    files = sorted(
        path
        for path in (site / "results").rglob("*")
        if path.is_file() and ".layers" not in path.parts
    )
    return [f"{path.name} {path.stat().st_size / 1e6:.1f} MB" for path in files]


def _report(
    asked: argparse.Namespace, counts: dict[str, int], site: Path, command: list[str]
) -> int:
    """Run as asked and print the table; returns the program's exit code."""
    results = site / "results"
    if asked.warm:
        shutil.rmtree(results, ignore_errors=True)
        measure(command)
    shutil.rmtree(results, ignore_errors=True)
    load = os.getloadavg()[0]
    run = measure(command)
    if run.code:
        print(f"the program ended with exit code {run.code}", file=sys.stderr)
        return run.code
    log = _run_log(site, asked.pipeline)
    made = _results(site)
    again = measure(command)
    print(f"Command: `python tests/benchmarks/run_large.py {shlex.join(sys.argv[1:])}`")
    print(f"Machine: {_machine()}; load before the run {load:.1f}; {datetime.now(UTC):%Y-%m-%d}")
    print("Site: " + ", ".join(f"{count:,} {name}" for name, count in counts.items()))
    state = f"{'warm' if asked.warm else 'first run'}, {asked.workers} worker(s)"
    print(
        f"\n**{run.wall_s:.1f} s wall, {run.cpu_s:.1f} s CPU, {run.peak_mb:,.0f} MB peak** ({state})"
    )
    print(f"Unchanged run after it: {again.wall_s:.1f} s, {again.peak_mb:,.0f} MB\n")
    print("\n".join(_step_table(log, run)))
    print("\nMade: " + ", ".join(made))
    return 0


def _make(site: Path, asked: argparse.Namespace) -> None:
    """Make the site in a process of its own.

    The system counts a child's memory from the fork on, so this process must
    stay small for the figures of its children to be theirs.
    """
    script = str(Path(__file__).with_name("large_site.py"))
    more = ["--ortho"] if asked.ortho else []
    sizes = ["--side-m", str(asked.side_m), "--seed", str(asked.seed)]
    subprocess.run(
        [sys.executable, script, str(site), *sizes, *more], check=True, stdout=subprocess.DEVNULL
    )


def main() -> int:
    """Make the site, run the pipeline on it and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--keep",
        type=Path,
        metavar="DIR",
        help="make the site here (or take the one there) and keep it",
    )
    parser.add_argument("--warm", action="store_true", help="run once before the run that counts")
    parser.add_argument(
        "--pipeline", default="site_survey", help="name of a pipeline or path of its document"
    )
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--side-m", type=float, default=450.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--ortho", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        site = asked.keep or Path(scratch) / "site"
        noted = site / COUNTS
        if noted.is_file():
            print(f"{site}: taken as it stands", file=sys.stderr)
        else:
            _make(site, asked)
        counts = json.loads(noted.read_text(encoding="utf-8"))
        command = [
            sys.executable,
            "-m",
            "fencemap",
            "run",
            asked.pipeline,
            str(site),
            "--quiet",
            "--workers",
            str(asked.workers),
        ]
        return _report(asked, counts, site, command)


if __name__ == "__main__":
    sys.exit(main())
