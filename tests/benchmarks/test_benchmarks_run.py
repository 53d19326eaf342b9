"""The benchmarks run, and every peer gives the answer that ours is timed for. No test looks at time."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely
from large_site import make_site
from large_site_layout import FULL_SIDE_M, lay_out
from ratios import Contest, contests, race
from run_large import main

SIDE_M = 30.0


def _digests(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_same_seed_same_files(tmp_path):
    """The large site is the same bytes whenever it is made, and another seed gives another site."""
    for name, seed in (("one", 1), ("two", 1), ("three", 2)):
        make_site(tmp_path / name, side_m=SIDE_M, seed=seed)
    one, two, three = (_digests(tmp_path / name) for name in ("one", "two", "three"))
    assert one == two
    assert one.keys() == three.keys()
    assert one["survey/stones.gpkg"] != three["survey/stones.gpkg"]


def test_counts_follow_the_area(tmp_path):
    """A small site has the full site's density: 100,000 stones and 25,000 elements on 20.25 ha."""
    counts = make_site(tmp_path, side_m=90.0)
    share = (90.0 / FULL_SIDE_M) ** 2
    assert counts["stones"] == pytest.approx(100_000 * share, rel=0.1)
    # 25 rows in 25,025 are there to be refused
    assert counts["elements"] == pytest.approx(25_025 * share, rel=0.1)
    assert counts["fence_m"] == pytest.approx(20_000 * share, rel=0.1)


def test_stones_stand_apart():
    """No two stones overlap, and some stand where a fence crosses them (judged by Shapely)."""
    layout = lay_out(120.0, seed=1)
    stones = shapely.polygons(layout.stone_corners)
    one, other = shapely.STRtree(stones).query(stones, predicate="intersects")
    assert not (one < other).any()
    fences = np.array([shapely.LineString(run.line) for run in layout.runs], dtype=object)
    assert len(shapely.STRtree(stones).query(fences, predicate="intersects")[0])


def test_peers_agree(tmp_path):
    """In every contest each peer's answer is ours, within the tolerance the contest states."""
    names = []
    for contest in contests(SIDE_M, tmp_path):
        standings = race(contest, rounds=1)
        assert [one.name for one in standings] == ["fencemap", *contest.peers]
        names.append(contest.name)
    assert len(names) == len(set(names)) >= 9


def test_race_notices_another_answer():
    """A peer that answers something else stops the race, so no time stands beside a wrong answer."""
    contest = Contest("sum", lambda: 4.0, {"peer": lambda: 5.0}, np.testing.assert_allclose)
    with pytest.raises(AssertionError):
        race(contest, rounds=1)


@pytest.mark.skipif(sys.platform == "win32", reason="needs wait4")
def test_measure_sees_memory_and_exit_code():
    """Peak memory holds a block that the child held, and its exit code comes through."""
    # From a small process of its own: the system counts a child's memory from the fork on, so
    # the child of a large test process would be charged with that process's memory.
    child = "b = bytearray(b'x') * 80_000_000; raise SystemExit(3)"
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]); from run_large import measure; "
        "run = measure([sys.executable, '-c', sys.argv[2]]); print(run.code, run.peak_mb, run.wall_s)"
    )
    folder = str(Path(__file__).parent)
    told = subprocess.run(
        [sys.executable, "-c", code, folder, child], capture_output=True, text=True, check=True
    )
    exit_code, peak_mb, wall_s = told.stdout.split()
    assert exit_code == "3"
    assert 80 < float(peak_mb) < 400  # the block is 76 MiB, the interpreter about 10
    assert float(wall_s) > 0


@pytest.mark.skipif(sys.platform == "win32", reason="needs wait4")
def test_run_large_prints_every_step(tmp_path, capsys, monkeypatch):
    """The table names every step that the pipeline's run log names, and says how the site was made."""
    keep = tmp_path / "site"
    argv = ["run_large.py", "--side-m", str(SIDE_M), "--keep", str(keep)]
    monkeypatch.setattr(sys, "argv", argv)
    assert main() == 0
    printed = capsys.readouterr().out
    (log,) = keep.glob("results/*/site_survey/run_log.json")
    steps = [activity["name"] for activity in json.loads(log.read_text())["activities"]]
    assert len(steps) > 10
    for step in steps:
        assert f"| {step} |" in printed
    assert "--side-m 30.0" in printed
    assert "MB peak" in printed
