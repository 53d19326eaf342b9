"""Every error and warning that fencemap raises on purpose.

::

    FencemapError
    |- InputError(ValueError)          a file, row or setting can't be used
    |  |- SurveyError                  survey table: columns, coordinates, accuracy
    |  |- RasterError                  ground or orthophoto: no georeference, cut off, too large
    |  |- SiteError                    site.toml or a pipeline document
    |  `- RefusedFileError             a file that is not what its name says, or that would reach outside
    |- CRSError(ValueError)            missing, not metric, mismatched, or no exact operation
    |- LayerError(ValueError)          a layer breaks its schema; .layer .problems (all of them)
    |- PipelineError                   a step failed; .stage .step
    |  `- MissingLayerError(KeyError)  a step needs a layer that no step before it makes
    |- ExportError(OSError)            a result could not be written whole; the old one still stands
    |  `- InUseError                   another program has the file open
    |- RecordError                     the sealed record is broken or would be
    `- Cancelled                       the user stopped the run

    FencemapWarning(UserWarning)
    |- PositionWarning                 a position is worse than the rule's distance
    |- NodataWarning                   the ground was not seen where it was needed
    `- GeometryWarning                 a shape was repaired; its ids are listed

Whoever catches `FencemapError` has everything that is the user's to mend;
anything else that escapes is a mistake in fencemap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Self

__all__ = [
    "CRSError",
    "Cancelled",
    "ExitCode",
    "ExportError",
    "FencemapError",
    "FencemapWarning",
    "GeometryWarning",
    "InUseError",
    "InputError",
    "LayerError",
    "MissingLayerError",
    "NodataWarning",
    "PipelineError",
    "PositionWarning",
    "Problem",
    "RasterError",
    "RecordError",
    "RefusedFileError",
    "SiteError",
    "SurveyError",
    "shorten",
]


class ExitCode(IntEnum):
    """What the command line hands back to the shell."""

    DONE = 0
    BUG = 1
    INPUT = 2
    RECORD = 3
    CANCELLED = 130


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with one place of one input, and what to do about it.

    `code` is a short permanent word (such as ``not-a-number``) that tests,
    translations and the `rejected` layer use; the sentence may change.
    """

    code: str
    reason: str
    remedy: str = ""
    file: str = ""
    row: int | None = None
    column: str = ""
    value: str = ""

    def __str__(self) -> str:
        """Write ``file:row: column 'x', value 'y': reason. remedy``."""
        place = self.file + (f":{self.row}" if self.row is not None else "")
        what = f"column '{self.column}'" if self.column else ""
        if self.value:
            what += f"{', ' if what else ''}value {shorten(self.value)!r}"
        head = ": ".join(part for part in (place, what) if part)
        text = f"{head}: {self.reason}" if head else self.reason
        return f"{text.rstrip('.')}. {self.remedy}".rstrip()


def shorten(text: str, limit: int = 60) -> str:
    """Cut a user's text for a message, so that one cell can't fill the screen."""
    return text if len(text) <= limit else text[: limit - 1] + "…"


class FencemapError(Exception):
    """Base of all errors that are the user's to mend; has a `remedy`."""

    exit_code = ExitCode.INPUT

    def __init__(self, message: str, *, remedy: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.remedy = remedy

    def __str__(self) -> str:
        """Say the message, then the remedy."""
        return (
            f"{self.message.rstrip('.')}. {self.remedy}".rstrip() if self.remedy else self.message
        )


class InputError(FencemapError, ValueError):
    """A file, row or setting can't be used; `problems` names each one."""

    def __init__(
        self, message: str = "", *, problems: Sequence[Problem] = (), remedy: str = ""
    ) -> None:
        self.problems = tuple(problems)
        shown = [str(problem) for problem in self.problems[:20]]
        if len(self.problems) > len(shown):
            shown.append(f"... and {len(self.problems) - len(shown)} more")
        super().__init__("\n".join(([message] if message else []) + shown), remedy=remedy)

    @classmethod
    def at(
        cls,
        file: object,
        reason: str,
        *,
        remedy: str,
        code: str,
        row: int | None = None,
        column: str = "",
        value: object = "",
    ) -> Self:
        """Make the error of one place."""
        problem = Problem(code, reason, remedy, str(file), row, column, str(value))
        return cls(problems=[problem])


class SurveyError(InputError):
    """A survey table as a whole can't be read."""


class RasterError(InputError):
    """A ground model, surface model or orthophoto can't be used."""


class SiteError(InputError):
    """`site.toml` or a pipeline document is wrong."""


class RefusedFileError(InputError):
    """A file is not what its name says, or would make a reader reach outside it."""


class CRSError(FencemapError, ValueError):
    """A coordinate reference system is missing, unusable or would shift data silently."""


class LayerError(FencemapError, ValueError):
    """A layer breaks its schema; `problems` holds every breach, not the first."""

    def __init__(self, layer: str, problems: Sequence[str]) -> None:
        self.layer = layer
        self.problems = tuple(problems)
        lines = "".join(f"\n  - {problem}" for problem in self.problems)
        super().__init__(f"layer '{layer}' breaks its schema:{lines}")


class PipelineError(FencemapError):
    """A step of a pipeline can't run; `stage` and `step` say which."""

    def __init__(self, message: str, *, stage: str = "", step: str = "", remedy: str = "") -> None:
        super().__init__(message, remedy=remedy)
        self.stage = stage
        self.step = step


class MissingLayerError(PipelineError, KeyError):
    """A step needs a layer that no step before it makes."""

    __str__ = FencemapError.__str__


class ExportError(FencemapError, OSError):
    """A result could not be written whole; what stood there before still stands."""

    __str__ = FencemapError.__str__


class InUseError(ExportError):
    """Another program has the file open, or holds its lock."""


class RecordError(FencemapError):
    """The sealed record is broken, or the request would break it."""

    exit_code = ExitCode.RECORD


class Cancelled(FencemapError):  # noqa: N818  the word users read
    """The user stopped the run; nothing half-written is left."""

    exit_code = ExitCode.CANCELLED

    def __init__(self, message: str = "stopped by the user; run again to go on") -> None:
        super().__init__(message)


class FencemapWarning(UserWarning):
    """Base of fencemap's warnings."""


class PositionWarning(FencemapWarning):
    """A position is worse than the distance that a rule works with."""


class NodataWarning(FencemapWarning):
    """The ground was not seen where it was needed."""


class GeometryWarning(FencemapWarning):
    """A shape was repaired; the message lists the ids."""
