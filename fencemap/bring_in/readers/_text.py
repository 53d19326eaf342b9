"""Text files as lines, with their encoding found and noted."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from fencemap.errors import SurveyError

__all__ = ["Lines", "head_lines", "lines_of"]

_HEAD = 64 * 1024


class Lines:
    """Lines of a text, cut as they are asked for: a list of short ones takes many times the text."""

    def __init__(self, text: str) -> None:
        self._text = text

    def __iter__(self) -> Iterator[str]:
        """Walk the lines. Not splitlines(): it also cuts where no editor does."""
        start, size = 0, len(self._text)
        while start <= size:
            end = self._text.find("\n", start)
            end = size if end < 0 else end
            yield self._text[start:end]
            start = end + 1


def lines_of(real: Path, *, name: str) -> tuple[Lines, list[str]]:
    """Read a text file's lines, whatever ends them; the list holds notes.

    UTF-8 with or without byte order mark, UTF-16 with one, Windows-1252 else.

    Raises
    ------
    SurveyError
        Zero bytes: no text.
    """
    text, notes = _decoded(real.read_bytes(), name)
    if "\x00" in text:
        raise SurveyError.at(
            name,
            "the file holds zero bytes, so it is not text",
            code="not-text",
            remedy="Export it again as text in UTF-8.",
        )
    return Lines(text.replace("\r\n", "\n").replace("\r", "\n")), notes


def head_lines(real: Path) -> list[str]:
    """Read the first lines, to tell what a text holds; an unfinished last one is left out."""
    with real.open("rb") as stream:
        data = stream.read(_HEAD)
    text, _ = _decoded(data if len(data) % 2 == 0 else data[:-1], "")
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    return lines[:-1] if len(data) == _HEAD and len(lines) > 1 else lines


def _decoded(data: bytes, name: str) -> tuple[str, list[str]]:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            return data.decode("utf-16"), [f"{name}: read as UTF-16"]
        except UnicodeDecodeError:
            return data.decode("utf-16", errors="replace"), [
                f"{name}: read as UTF-16 with broken characters, which are shown as \ufffd"
            ]
    try:
        return data.decode("utf-8-sig"), []
    except UnicodeDecodeError:
        note = f"{name}: not UTF-8; read as Windows-1252"
        return data.decode("cp1252", errors="replace"), [note]
