"""A run skips what has not changed, goes on after it was stopped, and never leaves half a result."""

import json

import pandas as pd
import pytest
from sites import POSTS, make_site

from fencemap.bring_in.site_file import read_site
from fencemap.errors import Cancelled, InUseError, LayerError, PipelineError, SurveyError
from fencemap.pipeline.document import Document, PlannedStep, load_document
from fencemap.pipeline.locking import only_run
from fencemap.pipeline.runner import result_folder, run_document
from fencemap.steps import Step

TEXT = """\
[pipeline]
name = "short"
title = "Short"

[bring_in.elements]
use = "survey_elements"

[bring_in.levels]
use = "survey_levels"

[bring_in.work]
use = "planned_operations"
"""


@pytest.fixture
def document(tmp_path):
    """Three bring_in steps."""
    path = tmp_path / "short.toml"
    path.write_text(TEXT, encoding="utf-8")
    return load_document(str(path))


def run(folder, document, **more):
    site = read_site(folder)
    return run_document(document, site, site.survey(), **more)


def test_the_second_run_runs_nothing_and_says_the_same(tmp_path, document):
    """Nothing changed: no step runs, and every layer is as before."""
    folder = make_site(tmp_path / "site")
    first, second = run(folder, document), run(folder, document)
    assert (first.steps_run, second.steps_run) == (3, 0)
    pd.testing.assert_frame_equal(first.layers["levels"], second.layers["levels"])
    assert [step.counts for step in first.steps] == [step.counts for step in second.steps]


def test_only_what_depends_on_a_change_runs_again(tmp_path, document):
    """Another remark in a post's row leaves the levels' content, so what only needs work stands."""
    folder = make_site(
        tmp_path / "site", levels="element_id,target,height_m\nP1,rail underside,50.1\n"
    )
    run(folder, document)
    with (folder / "site.toml").open("a") as file:
        file.write('\n[[work]]\nphase = "1"\noperation = "brushing"\nruns = ["A"]\n')
    report = run(folder, document)
    assert [step.name for step in report.steps if step.ran] == [
        "bring_in.elements",
        "bring_in.levels",
        "bring_in.work",
    ]
    assert len(report.layers["work"]) == 1


def test_a_touched_but_equal_file_changes_nothing(tmp_path, document):
    """Files are known by content: a new time stamp runs no step."""
    folder = make_site(tmp_path / "site")
    run(folder, document)
    text = (folder / "elements.csv").read_text()
    (folder / "elements.csv").write_text(text)
    assert run(folder, document).steps_run == 0


def test_a_lost_or_spoilt_layer_is_made_again(tmp_path, document):
    """Deleting a kept layer runs the step that makes it."""
    folder = make_site(tmp_path / "site")
    run(folder, document)
    (kept,) = (folder / "results" / "s1" / ".layers").glob("levels-*.parquet")
    kept.unlink()
    report = run(folder, document)
    assert [step.name for step in report.steps if step.ran] == ["bring_in.levels"]
    assert len(report.layers["levels"]) == 5


def test_a_run_can_be_stopped_and_goes_on_where_it_was(tmp_path, document):
    """Stopped after the first step; the next run only does the rest."""
    folder = make_site(tmp_path / "site")
    told = []

    def listener(event, share, text):
        told.append(event)

    with pytest.raises(Cancelled):
        run(folder, document, listener=listener, cancelled=lambda: told.count("step") >= 1)
    report = run(folder, document)
    assert [step.name for step in report.steps if step.ran] == ["bring_in.levels", "bring_in.work"]


def test_an_error_leaves_the_old_results(tmp_path, document):
    """A survey that is spoilt later does not touch what stands."""
    folder = make_site(tmp_path / "site")
    run(folder, document)
    before = (
        result_folder(read_site(folder), read_site(folder).survey(), "short") / "run_log.json"
    ).read_bytes()
    (folder / "elements.csv").write_text(POSTS.replace("easting", "eastng"))
    with pytest.raises(SurveyError):
        run(folder, document)
    after = (folder / "results" / "s1" / "short" / "run_log.json").read_bytes()
    assert before == after


def test_orphans_of_a_killed_run_are_swept(tmp_path, document):
    """Temporary files of a run that was killed are gone after the next one."""
    folder = make_site(tmp_path / "site")
    run(folder, document)
    kept = folder / "results" / "s1" / ".layers"
    (kept / ".elements.0.tmp.parquet").write_bytes(b"half")
    run(folder, document)
    assert not list((folder / "results").rglob("*.tmp*"))


def test_two_runs_of_one_survey_do_not_mix(tmp_path, document):
    """While another run holds the survey, a second one says so and ends."""
    folder = make_site(tmp_path / "site")
    with only_run(folder / "results" / "s1"), pytest.raises(InUseError, match="another run"):
        run(folder, document)


def test_the_log_tells_what_was_made_from_what(tmp_path, document):
    """Inputs by digest, steps with rows, versions: the digest is that of sha256sum."""
    import hashlib

    folder = make_site(tmp_path / "site")
    report = run(folder, document)
    log = json.loads((report.folder / "run_log.json").read_text())
    assert log["used"]["elements.csv"] == hashlib.sha256(POSTS.encode()).hexdigest()
    assert [activity["rows"].get("elements") for activity in log["activities"]] == [6, None, None]


def broken(makes, result):
    """A step that gives back what it should not."""
    step = Step("broken", "find", lambda: result, (), makes, (), {})
    return Document("broken", "Broken", (PlannedStep(step, {}),))


def test_what_a_step_makes_is_checked(tmp_path):
    """A layer that breaks its schema, or is not declared, never gets on."""
    folder = make_site(tmp_path / "site")
    with pytest.raises(LayerError, match="columns missing"):
        run(folder, broken(("repairs",), {"repairs": pd.DataFrame({"uid": ["x"]})}))
    with pytest.raises(PipelineError, match="declared"):
        run(folder, broken(("repairs",), {}))


def test_spread_gives_the_same_answers_for_any_number_of_workers():
    """Results come in the order of the jobs, by one process or two."""
    from fencemap.pipeline.workers import Workers

    jobs = list(range(20))
    with Workers(1) as one, Workers(2) as two:
        assert list(one.map(abs, jobs)) == list(two.map(abs, jobs)) == jobs
