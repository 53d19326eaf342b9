"""XML in one pass, with line numbers, in bounded memory, and without document types.

A document type could define entities that grow without bound or reach other files, so a file
that has one is refused at once. Names are local names: prefixes differ from program to program.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import IO, Any
from xml.parsers import expat

from fencemap.errors import RefusedFileError, SurveyError

__all__ = ["Node", "walk"]

_CHUNK = 64 * 1024
_DEEPEST = 100
_MOST_NODES = 300_000  # within one element that is kept whole
_MOST_TEXT = 64 * 2**20  # characters of one such element
_MOST_LOOSE_TEXT = 64 * 1024  # characters of an element that only groups others
_MARKS = b"\xef\xbb\xbf"


@dataclass(slots=True)
class Node:
    """One element: local name, line it begins on, attributes, text and, if kept, children."""

    tag: str
    line: int
    attributes: dict[str, str]
    text: str = ""
    children: list[Node] = field(default_factory=list)

    def child(self, tag: str) -> Node | None:
        """Find the first child of a name."""
        return next((node for node in self.children if node.tag == tag), None)

    def all(self, tag: str) -> list[Node]:
        """Find the children of a name."""
        return [node for node in self.children if node.tag == tag]

    def text_of(self, tag: str) -> str:
        """Give the stripped text of the first child of a name; empty if there is none."""
        node = self.child(tag)
        return "" if node is None else node.text.strip()

    def descendants(self) -> Iterator[Node]:
        """Walk all nodes below this one, in document order."""
        waiting = self.children[::-1]
        while waiting:
            node = waiting.pop()
            yield node
            waiting.extend(node.children[::-1])


class _Builder:
    """Listens to the parser; elements in `keep` are built whole, the rest only pass by."""

    def __init__(self, parser: Any, keep: frozenset[str], name: str) -> None:
        self.events: list[tuple[str, Node]] = []
        self._parser = parser
        self._keep = keep
        self._name = name
        self._stack: list[tuple[Node, list[str]]] = []
        self._kept_from = 0  # depth at which the kept element began; 0 = none open
        self._nodes = 0
        self._characters = 0
        parser.buffer_text = True
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._text
        parser.StartDoctypeDeclHandler = self._doctype

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        line = self._parser.CurrentLineNumber
        if len(self._stack) >= _DEEPEST:
            raise self._refused("is nested more than 100 deep", "xml-depth", line)
        if attributes:
            attributes = {key.rpartition(":")[2]: value for key, value in attributes.items()}
        node = Node(tag.rpartition(":")[2], line, attributes)
        if self._kept_from:
            self._nodes += 1
            if self._nodes > _MOST_NODES:
                raise self._refused("has an element of more than 300,000 parts", "too-large", line)
            self._stack[-1][0].children.append(node)
        else:
            self.events.append(("start", node))
            if node.tag in self._keep:
                self._kept_from = len(self._stack) + 1
                self._nodes = self._characters = 0
        self._stack.append((node, []))

    def _end(self, _tag: str) -> None:
        node, parts = self._stack.pop()
        node.text = "".join(parts)
        if self._kept_from and len(self._stack) >= self._kept_from:
            return
        self._kept_from = 0
        self.events.append(("end", node))

    def _text(self, text: str) -> None:
        parts = self._stack[-1][1]
        if self._kept_from:
            self._characters += len(text)
            if self._characters > _MOST_TEXT:
                line = self._parser.CurrentLineNumber
                raise self._refused("has an element of more than 64 MB of text", "too-large", line)
            parts.append(text)
        elif not text.isspace() and sum(map(len, parts)) < _MOST_LOOSE_TEXT:
            parts.append(text)

    def _doctype(self, *_: object) -> None:
        raise self._refused(
            "has an XML document type, which can define entities that grow without bound or "
            "read other files",
            "xml-doctype",
            self._parser.CurrentLineNumber,
        )

    def _refused(self, reason: str, code: str, line: int) -> Exception:
        return RefusedFileError.at(
            self._name, reason, row=line, remedy="Export it again, without that.", code=code
        )


def walk(
    stream: IO[bytes], *, keep: frozenset[str], name: str
) -> Iterator[tuple[str, Node]]:  # fmt: skip
    """Walk a document; yields ``("start", node)`` and ``("end", node)``.

    Parameters
    ----------
    stream
        Bytes in the encoding that the document declares.
    keep
        Local names of elements that come whole, with all that is below them, at their end.
        All others come without children; nothing below a kept one is announced.
    name
        How messages name the file.

    Raises
    ------
    SurveyError
        Not well-formed, or cut off; names the line.
    RefusedFileError
        A document type, or more depth or size than any real file has.
    """
    parser = expat.ParserCreate()
    builder = _Builder(parser, keep, name)
    chunk = stream.read(_CHUNK).removeprefix(_MARKS).lstrip(b" \t\r\n")
    last = False
    while not last:
        last = not chunk
        try:
            parser.Parse(chunk, last)
        except (expat.ExpatError, LookupError, ValueError) as error:
            if isinstance(error, RefusedFileError):
                raise
            raise _broken(name, error, parser.CurrentLineNumber, last=last) from None
        yield from builder.events
        builder.events.clear()
        chunk = stream.read(_CHUNK)


def _broken(name: str, error: Exception, line: int, *, last: bool) -> SurveyError:
    if last:
        return SurveyError.at(
            name,
            "the file ends in the middle, so it was cut off when it was copied or written",
            row=line,
            code="cut-off",
            remedy="Copy or export it again.",
        )
    return SurveyError.at(
        name,
        f"is not well-formed XML ({str(error).partition(':')[0]})",
        row=line,
        code="not-xml",
        remedy="Export it again; don't edit it by hand.",
    )
