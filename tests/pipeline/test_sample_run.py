"""The main job on the sample site, as a user runs it."""

import json
import random
import shutil
import signal
import subprocess
import sys
import time

import pytest
from sample import contents, copy_of_sample, fencemap, results

pytestmark = pytest.mark.slow
KILLS = 2  # tests/long.sh runs 20: FENCEMAP_KILLS


@pytest.fixture(scope="module")
def run_site(tmp_path_factory):
    """The sample, run once."""
    site = copy_of_sample(tmp_path_factory.mktemp("sample"))
    done = fencemap("run", "site_survey", site, "--quiet")
    assert done.returncode == 0, done.stderr
    return site, done


def test_the_run_says_what_was_found_in_plain_sentences(run_site):
    """At least six sentences: rows, metres, stones, cautions, and where the results lie."""
    _, done = run_site
    said = done.stdout.lower()
    assert len(done.stdout.strip().splitlines()) >= 6
    for word in ("rows", "rejected", "contact", "clear", "undecided", "stone", "caution", "condition.gpkg", "condition_map.html"):
        assert word in said, word


def test_every_result_is_there(run_site):
    """Map, GeoPackage, tables, summary, the pipeline as used and its log."""
    site, _ = run_site
    made = {path.name for path in results(site).iterdir()}
    assert {"condition.gpkg", "condition_map.html", "tables", "summary.html", "used_pipeline.toml", "run_log.json"} <= made


def test_rows_read_are_rows_kept_and_rows_refused(run_site):
    """Counted from the files themselves, for every survey table that is text."""
    import csv

    from fencemap.formats import geopackage

    site, _ = run_site
    path = results(site) / "condition.gpkg"
    rejected = geopackage.read(path, "rejected")
    kept = {"elements": ["elements_rtk.csv", "elements_total_station.csv"], "gap_readings": ["gaps.csv"], "trees": ["trees.csv"]}
    for layer, names in kept.items():
        frame = geopackage.read(path, layer)
        for name in names:
            text = (site / "survey" / name).read_text(encoding="utf-8-sig")
            separator = ";" if ";" in text.split("\n", 1)[0] else ","
            rows = sum(1 for row in csv.reader(text.splitlines(), delimiter=separator) if any(row)) - 1
            file = f"survey/{name}"
            assert (frame["source_file"] == file).sum() + (rejected["source_file"] == file).sum() == rows, name


def test_the_planted_blunders_are_refused_or_named(run_site):
    """Each blunder of the truth is in `rejected` or `suspect`, at its own line."""
    from pathlib import Path

    from fencemap.formats import geopackage

    site, _ = run_site
    path = results(site) / "condition.gpkg"
    places = set()
    for layer in ("rejected", "suspect"):
        frame = geopackage.read(path, layer)
        places |= set(zip(frame["source_file"], frame["source_row"].astype(int), strict=True))
    truth = json.loads((Path(__file__).parents[1] / "truth" / "blunders.json").read_text())
    single = [blunder for blunder in truth if "last_line" not in blunder]
    assert len(single) >= 7
    for blunder in single:
        assert (blunder["file"], blunder["line"]) in places, blunder["what"]


def test_a_second_run_runs_nothing(run_site):
    """Nothing changed: 0 steps, in well under the time of the first run."""
    site, _ = run_site
    before = contents(results(site))
    done = fencemap("run", "site_survey", site, "--quiet")
    assert "0 of " in done.stdout
    assert contents(results(site)) == before


def test_hash_seed_time_zone_locale_and_workers_change_nothing(run_site, tmp_path):
    """Two more runs under other circumstances: every file but the log is the same to the byte."""
    site, _ = run_site
    expected = contents(results(site))
    circumstances = [
        ({"PYTHONHASHSEED": "1", "TZ": "Pacific/Auckland", "LC_ALL": "C"}, 2),
        ({"PYTHONHASHSEED": "77", "TZ": "America/St_Johns", "LC_ALL": "C.UTF-8"}, 1),
    ]
    for number, (env, workers) in enumerate(circumstances):
        other = copy_of_sample(tmp_path / str(number))
        done = fencemap("run", "site_survey", other, "--quiet", "--workers", workers, env=env)
        assert done.returncode == 0, done.stderr
        made = contents(results(other))
        assert sorted(made) == sorted(expected)
        assert [name for name in made if made[name] != expected[name]] == []


def test_a_run_killed_at_any_moment_is_finished_by_the_next(run_site, tmp_path):
    """Killed at random moments and run again: the same bytes, and no temporary file left."""
    import os

    site, _ = run_site
    expected = contents(results(site))
    chance = random.Random(20260414)  # seeded, so that a failure can be seen again
    other = copy_of_sample(tmp_path)
    command = [sys.executable, "-m", "fencemap", "run", "site_survey", str(other), "--quiet"]
    for _ in range(int(os.environ.get("FENCEMAP_KILLS", KILLS))):
        shutil.rmtree(other / "results", ignore_errors=True)
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(chance.uniform(0.5, 14.0))
        process.kill()
        process.wait()
        done = fencemap("run", "site_survey", other, "--quiet")
        assert done.returncode == 0, done.stderr
        assert contents(results(other)) == expected
        assert not [path for path in other.rglob("*") if ".tmp" in path.name]


def test_a_polite_kill_ends_the_run_within_two_seconds(tmp_path):
    """SIGTERM: exit 130, one clear line, no temporary file at a final name."""
    site = copy_of_sample(tmp_path)
    command = [sys.executable, "-m", "fencemap", "run", "site_survey", str(site), "--json-progress"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    for line in process.stdout:
        if json.loads(line)["event"] == "progress":
            break
    began = time.monotonic()
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=30)
    assert process.returncode == 130
    assert time.monotonic() - began < 2.0


def test_progress_as_json_lines(run_site):
    """Every line is one JSON object: first the version, last the result."""
    site, _ = run_site
    done = fencemap("run", "site_survey", site, "--json-progress")
    events = [json.loads(line) for line in done.stdout.splitlines()]
    assert events[0]["event"] == "version"
    assert events[-1]["event"] == "result"
    assert "condition.gpkg" in str(events[-1]["outputs"])


def test_why_follows_a_post_back_to_its_line(run_site):
    """The chain of a post ends with the very line of the survey file."""
    site, _ = run_site
    line = (site / "survey" / "elements_rtk.csv").read_text().splitlines()[1]
    name = line.split(",")[0]
    done = fencemap("why", name, site)
    assert done.returncode == 0, done.stderr
    assert line in done.stdout
    assert "survey/elements_rtk.csv:2" in done.stdout


def test_digest_is_that_of_the_content(run_site):
    """The same content has the same digest wherever it lies; a run's two files differ."""
    site, _ = run_site
    folder = results(site)
    first = fencemap("digest", folder / "condition.gpkg", folder / "summary.html").stdout.split()
    again = fencemap("digest", folder / "condition.gpkg").stdout.split()
    assert first[0] == again[0]
    assert first[0] != first[2]


@pytest.mark.parametrize("pipeline", ["protection_plan", "year_on_year"])
def test_the_other_pipelines_run_on_the_same_survey(run_site, pipeline):
    """They take every step they share from the first run."""
    site, _ = run_site
    done = fencemap("run", pipeline, site, "--quiet")
    assert done.returncode == 0, done.stderr
    assert (results(site, pipeline) / "summary.html").is_file()
    log = json.loads((results(site, pipeline) / "run_log.json").read_text())
    ran = {activity["step"]: activity["ran"] for activity in log["activities"]}
    assert not ran["survey_elements"]


def test_check_reads_the_survey_and_writes_nothing(tmp_path):
    """`check` lists layers, refused and doubtful rows, and leaves the site as it was."""
    site = copy_of_sample(tmp_path)
    before = sorted(path for path in site.rglob("*"))
    done = fencemap("check", site)
    assert done.returncode == 0, done.stderr
    assert "elements_rtk.csv:65" in done.stdout
    assert sorted(path for path in site.rglob("*")) == before
