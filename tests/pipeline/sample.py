"""Runs of the sample site in processes of their own, as a user starts them."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_gis"


def copy_of_sample(folder: Path) -> Path:
    """Copy the sample site without results."""
    target = folder / "site"
    ignore = shutil.ignore_patterns("results", "record", "generator", "*.py", "*.sh", "__pycache__")
    shutil.copytree(SAMPLE, target, ignore=ignore)
    return target


def fencemap(*arguments: object, env: dict[str, str] | None = None, cwd: Path | None = None, **more):
    """Run the command line in a process of its own; text output captured."""
    command = [sys.executable, "-m", "fencemap", *map(str, arguments)]
    return subprocess.run(  # noqa: PLW1510  the exit code is what tests look at
        command, capture_output=True, text=True, encoding="utf-8", env=os.environ | (env or {}), cwd=cwd, timeout=300, **more
    )


def results(site: Path, pipeline: str = "site_survey") -> Path:
    """Folder of the newest results."""
    (survey,) = (site / "results").iterdir()
    return survey / pipeline


def contents(folder: Path) -> dict[str, bytes]:
    """Every result file with its bytes, but for the run's log, which holds times."""
    files = sorted(path for path in folder.rglob("*") if path.is_file() and path.name != "run_log.json")
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}
