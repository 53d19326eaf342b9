"""Tell the user how a run goes: a bar for people, or one JSON object a line for programs.

The lines are the protocol of the plug-in: ``version``, ``progress``, ``log``,
``error`` and ``result``. Its number changes when a field's meaning does.
"""

from __future__ import annotations

import json
import sys
from typing import Any, TextIO

from fencemap import __version__

__all__ = ["PROTOCOL", "Bar", "JsonLines", "Quiet"]

PROTOCOL = 1
_BAR_WIDTH = 28


class Quiet:
    """Say nothing while running."""

    def __call__(self, event: str, share: float, text: str) -> None:
        """Take an event of the runner."""

    def result(self, outputs: dict[str, Any], summary: list[str]) -> None:
        """Take the end of a run."""


class Bar(Quiet):
    """A progress bar on a terminal; plain lines elsewhere."""

    def __init__(self, stream: TextIO | None = None) -> None:
        self.stream = sys.stderr if stream is None else stream
        self.live = self.stream.isatty()

    def __call__(self, event: str, share: float, text: str) -> None:
        """Draw the bar, or write a line for each step that runs."""
        if self.live:
            filled = round(share * _BAR_WIDTH)
            bar = "#" * filled + "." * (_BAR_WIDTH - filled)
            end = "\n" if event == "done" else ""
            self.stream.write(f"\r[{bar}] {share:4.0%} {text:<40.40}{end}")
        elif event == "step":
            self.stream.write(f"{share:4.0%} {text}\n")
        self.stream.flush()


class JsonLines(Quiet):
    """One JSON object a line on standard output."""

    def __init__(self, stream: TextIO | None = None) -> None:
        self.stream = sys.stdout if stream is None else stream
        self._write({"event": "version", "version": __version__, "protocol": PROTOCOL})

    def __call__(self, event: str, share: float, text: str) -> None:
        """Write a progress line."""
        if event != "skip":
            self._write({"event": "progress", "pct": round(100 * share, 1), "text": text})

    def log(self, level: str, text: str) -> None:
        """Write a log line."""
        self._write({"event": "log", "level": level, "text": text})

    def error(self, code: str, text: str) -> None:
        """Write the error that ended the run."""
        self._write({"event": "error", "code": code, "text": text})

    def result(self, outputs: dict[str, Any], summary: list[str]) -> None:
        """Write where the results lie and what was found."""
        self._write({"event": "result", "outputs": outputs, "summary": summary})

    def _write(self, event: dict[str, Any]) -> None:
        self.stream.write(json.dumps(event, ensure_ascii=False) + "\n")
        self.stream.flush()
