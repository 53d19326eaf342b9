"""The command line: thin words over the pipeline.

Exit codes: 0 done, 1 a mistake in fencemap, 2 input to mend, 3 the record is
broken, 130 stopped by the user.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from fencemap import __version__
from fencemap.errors import Cancelled, ExitCode, FencemapError

__all__ = ["main"]

_DESCRIPTION = """\
Maps of historic iron fences, the soil that touches them and the stone beside them.

  fencemap new FOLDER          start a site
  fencemap check SITE          read a survey and say what is wrong with it
  fencemap run PIPELINE SITE   run a pipeline: site_survey, protection_plan, year_on_year
  fencemap describe WHAT       explain steps, layers, pipelines, words, practice, cautions
  fencemap why ID SITE         follow a result back to its source row
  fencemap digest FILE         digest of a file's content, whatever the order of its rows
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    parser = _parser()
    asked = parser.parse_args(arguments)
    if not hasattr(asked, "command"):
        parser.print_help()
        return ExitCode.DONE
    from fencemap.guard import harden

    harden()
    command: Callable[[argparse.Namespace], int] = asked.command
    try:
        return command(asked)
    except (Cancelled, KeyboardInterrupt) as error:
        return _say(asked, Cancelled() if isinstance(error, KeyboardInterrupt) else error)
    except FencemapError as error:
        return _say(asked, error)
    except BrokenPipeError:
        return ExitCode.DONE


def _say(asked: argparse.Namespace, error: FencemapError) -> int:
    """Show an error that is the user's to mend; no traceback."""
    if getattr(asked, "json_progress", False):
        from fencemap.pipeline.messages import JsonLines

        JsonLines().error(type(error).__name__, str(error))
    print(f"\nfencemap: {error}", file=sys.stderr)
    return int(error.exit_code)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="fencemap",
        description=_DESCRIPTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"fencemap {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")

    new = commands.add_parser("new", help="start a site: site.toml and empty survey tables")
    new.add_argument("folder", type=Path, help="folder to make")
    new.set_defaults(command=_new)

    check = commands.add_parser("check", help="read a survey and say what is wrong with it")
    _site_arguments(check)
    check.set_defaults(command=_check)

    run = commands.add_parser("run", help="run a pipeline on a site")
    run.add_argument("pipeline", help="name of a pipeline, or path of a .toml document")
    _site_arguments(run)
    run.add_argument(
        "--workers", type=int, default=1, metavar="N", help="processes to use (default 1)"
    )
    run.add_argument("--fresh", action="store_true", help="run every step, even unchanged ones")
    run.add_argument("--quiet", action="store_true", help="no progress bar")
    run.add_argument(
        "--json-progress", action="store_true", help="progress as JSON lines on standard output"
    )
    run.set_defaults(command=_run)

    describe = commands.add_parser(
        "describe", help="explain steps, layers, pipelines, words, practice, cautions"
    )
    describe.add_argument(
        "what",
        nargs="?",
        default="",
        help="steps, layers, pipelines, words, practice, cautions, or the name of one",
    )
    describe.add_argument("--json", action="store_true", help="as JSON")
    describe.set_defaults(command=_describe)

    why = commands.add_parser("why", help="follow a result back to its source row")
    why.add_argument("id", help="uid, or the name of an element, run, bay, panel, stone or lot")
    _site_arguments(why)
    why.set_defaults(command=_why)

    digest = commands.add_parser("digest", help="digest of a file's content")
    digest.add_argument("file", type=Path, nargs="+")
    digest.set_defaults(command=_digest)
    return parser


def _site_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, help="folder with site.toml")
    parser.add_argument("--survey", metavar="ID", help="survey (default: the newest)")


def _new(asked: argparse.Namespace) -> int:
    from fencemap.bring_in.new_site import make_site

    for path in make_site(asked.folder):
        print(path)
    print(f"\nFill in {asked.folder / 'site.toml'}, then: fencemap check {asked.folder}")
    return ExitCode.DONE


def _check(asked: argparse.Namespace) -> int:
    from fencemap.pipeline.checking import check_survey

    report = check_survey(asked.site, asked.survey)
    print("\n".join(report.lines))
    return ExitCode.DONE


def _run(asked: argparse.Namespace) -> int:
    from fencemap.pipeline.command import run_command

    return run_command(asked)


def _describe(asked: argparse.Namespace) -> int:
    from fencemap.pipeline.describing import describe

    print(describe(asked.what, as_json=asked.json))
    return ExitCode.DONE


def _why(asked: argparse.Namespace) -> int:
    from fencemap.pipeline.why import why

    print(why(asked.id, asked.site, asked.survey))
    return ExitCode.DONE


def _digest(asked: argparse.Namespace) -> int:
    from fencemap.formats.digest import file_digest

    for path in asked.file:
        print(f"{file_digest(path)}  {path}")
    return ExitCode.DONE


if __name__ == "__main__":
    sys.exit(main())
