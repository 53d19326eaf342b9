"""The `run` command: a run with progress, cancelling and a plain summary."""

from __future__ import annotations

import argparse
import os
import signal
import sys
import threading
from types import FrameType
from typing import Any

from fencemap.bring_in.site_file import read_site
from fencemap.errors import Cancelled, ExitCode, SiteError
from fencemap.pipeline.document import load_document
from fencemap.pipeline.messages import Bar, JsonLines, Quiet
from fencemap.pipeline.runner import RunReport, run_document
from fencemap.site import Site, Survey

__all__ = ["chosen_survey", "run_command"]

# A library's long loop may not let Python see the signal; results are published
# whole, so ending the process then loses nothing but the step under way.
_PATIENCE_S = 0.8


def run_command(asked: argparse.Namespace) -> int:
    """Run what the command line asks for; returns the exit code."""
    listener = JsonLines() if asked.json_progress else Quiet() if asked.quiet else Bar()
    site = read_site(asked.site)
    survey = chosen_survey(site, asked.survey)
    document = load_document(asked.pipeline)
    _stop_on_signals()
    report = run_document(
        document, site, survey, workers=asked.workers, listener=listener, fresh=asked.fresh
    )
    sentences = _sentences(report)
    outputs = {name: [str(path) for path in paths] for name, paths in report.products.items()}
    listener.result(outputs, sentences)
    if not asked.json_progress:
        sys.stdout.write("\n".join(sentences) + "\n")
    return ExitCode.DONE


def chosen_survey(site: Site, survey_id: str | None) -> Survey:
    """Find the survey that was asked for, or the newest.

    Raises
    ------
    SiteError
        The site has no survey of that id.
    """
    try:
        return site.survey(survey_id)
    except KeyError as error:
        raise SiteError(str(error.args[0]), remedy="Name one of them with --survey.") from None


def _stop_on_signals() -> None:
    """Turn Ctrl-C and a polite kill into `Cancelled`, at once if need be."""

    def stop(_number: int, _frame: FrameType | None) -> None:
        watch = threading.Timer(_PATIENCE_S, os._exit, args=(int(ExitCode.CANCELLED),))
        watch.daemon = True
        watch.start()
        raise Cancelled

    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, stop)
        signal.signal(signal.SIGTERM, stop)


def _sentences(report: RunReport) -> list[str]:
    """Say in plain sentences what was found and where it lies."""
    from fencemap.export.summary import plain_sentences

    said: list[Any] = list(plain_sentences(report.layers))
    ran, all_steps = report.steps_run, len(report.steps)
    said.append(
        f"{ran} of {all_steps} steps ran in {report.seconds:.1f} s; the others were up to date."
    )
    for name, paths in report.products.items():
        first = paths[0].parent if len(paths) > 1 else paths[0]
        said.append(f"{name}: {_relative(first)}")
    return [str(line) for line in said]


def _relative(path: Any) -> str:
    try:
        return str(os.path.relpath(path))
    except ValueError:
        return str(path)
