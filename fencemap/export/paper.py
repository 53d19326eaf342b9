"""A printable page without scripts: plain HTML in which every word of a survey is escaped.

Nothing here is a template: text goes through `esc`, and the content policy of
the page forbids scripts, requests and frames, so that a remark such as
``<script>`` stays the text it is.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Sequence
from typing import Any

__all__ = ["bar", "esc", "listed", "number", "page", "section", "table", "tiles"]

# Control signs and those that turn the direction of writing would garble a page.
_UNSEEN = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff]"
)
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
_STYLE = """
@page { size: A4; margin: 14mm 13mm 16mm; }
:root { --ink: #22262b; --soft: #5a626b; --line: #cfd4da; --field: #f5f6f4; --iron: #7a3b1d; }
* { box-sizing: border-box; }
html { -webkit-text-size-adjust: 100%; }
body { margin: 0 auto; max-width: 60rem; padding: 1.2rem; color: var(--ink); background: #fff;
  font: 15px/1.45 "Segoe UI", "Helvetica Neue", "Noto Sans", Arial, sans-serif; }
h1 { font-size: 1.75rem; line-height: 1.15; margin: 0 0 .2rem; overflow-wrap: anywhere; }
h2 { font-size: 1.15rem; margin: 1.9rem 0 .5rem; padding-top: .45rem; border-top: 2px solid var(--iron); }
h3 { font-size: 1rem; margin: 1.1rem 0 .35rem; }
p, ul { margin: .35rem 0 .6rem; }
.under { color: var(--soft); margin: 0 0 .9rem; overflow-wrap: anywhere; }
.note { color: var(--soft); font-size: .9em; }
.tiles { display: grid; grid-template-columns: repeat(auto-fit, minmax(8.2rem, 1fr)); gap: .6rem;
  margin: .6rem 0 1rem; }
.tile { border: 1px solid var(--line); background: var(--field); padding: .5rem .7rem; }
.tile b { display: block; font-size: 1.45rem; line-height: 1.15; font-variant-numeric: tabular-nums; }
.tile span { color: var(--soft); font-size: .87em; }
table { border-collapse: collapse; width: 100%; margin: .4rem 0 .8rem; font-size: .9em; }
th, td { text-align: left; vertical-align: top; padding: .28rem .8rem .28rem 0;
  border-bottom: 1px solid var(--line); overflow-wrap: break-word; }
th { color: var(--soft); font-weight: 600; border-bottom-color: var(--ink); }
.scroll { overflow-x: auto; }
.num { text-align: right; font-variant-numeric: tabular-nums; }
td.num { white-space: nowrap; }
.bar { width: 100%; height: 2.2rem; display: block; margin: .4rem 0; }
.key { display: flex; flex-wrap: wrap; gap: .2rem 1.2rem; padding: 0; list-style: none; font-size: .9em; }
.key svg { width: 1.4rem; height: 1rem; vertical-align: -.15rem; margin-right: .35rem; }
.cards td:nth-child(3) { min-width: 12rem; }
.cards td:nth-child(5) { min-width: 14rem; }
.caution { border-left: 4px solid var(--iron); background: var(--field); padding: .45rem .8rem;
  margin: 0 0 .5rem; }
.caution b { display: block; }
.names { columns: 17rem; column-gap: 1.6rem; padding-left: 1.1rem; font-size: .87em; }
.names li { break-inside: avoid; overflow-wrap: anywhere; }
a { color: inherit; }
@media (max-width: 40rem) {
  body { padding: .9rem; }
  h1 { font-size: 1.45rem; }
  th, td { padding-right: .5rem; }
  table.cards thead { position: absolute; left: -9999px; }
  table.cards, table.cards tbody, table.cards tr, table.cards td { display: block; }
  table.cards tr { border-bottom: 1px solid var(--line); padding: .4rem 0; }
  table.cards td { border: 0; padding: .05rem 0; text-align: left; white-space: normal;
    overflow-wrap: anywhere; }
  table.cards td:empty { display: none; }
  table.cards td:nth-child(1) { float: left; width: 2.2rem; font-weight: 600; }
  table.cards td:nth-child(2) { font-weight: 600; }
  table.cards td:nth-child(n + 2) { margin-left: 2.2rem; }
}
@media print {
  body { padding: 0; max-width: none; font-size: 9.5pt; }
  h2, h3 { break-after: avoid; }
  tr, .caution, .tile { break-inside: avoid; }
  thead { display: table-header-group; }
  .tile, .caution { -webkit-print-color-adjust: exact; print-color-adjust: exact; }
}
"""


def esc(value: Any) -> str:
    """Make any text safe inside an element or a quoted attribute.

    Examples
    --------
    >>> esc('<b onclick="x">')
    '&lt;b onclick=&quot;x&quot;&gt;'
    """
    return html.escape(_UNSEEN.sub("\ufffd", str(value)), quote=True)


def number(value: Any, digits: int = 0, *, unit: str = "", empty: str = "–") -> str:
    """Write a number for reading: grouped, rounded, with its unit; `empty` for nothing.

    Examples
    --------
    >>> number(1234.56, 1, unit="m"), number(float("nan"))
    ('1,234.6 m', '–')
    """
    import pandas as pd

    if value is None or pd.isna(value):
        return empty
    text = f"{float(value):,.{digits}f}"
    if text.startswith("-") and not text.strip("-0.,"):
        text = text[1:]
    return f"{text} {unit}".rstrip()


def table(
    heads: Sequence[str],
    rows: Iterable[Sequence[Any]],
    *,
    numeric: Sequence[int] = (),
    cards: bool = False,
    empty: str = "",
) -> str:
    """Write a table; every cell is text and is escaped.

    Parameters
    ----------
    heads
        Column heads.
    rows
        Cells, a sequence a row.
    numeric
        Places of columns that are set to the right.
    cards
        On a phone, show each row as a block of lines, the first two in bold.
    empty
        Sentence instead of a table without rows.
    """
    body = []
    for row in rows:
        cells = [
            f"<td{_classes(place in numeric)}>{esc(cell)}</td>" for place, cell in enumerate(row)
        ]
        body.append(f"<tr>{''.join(cells)}</tr>")
    if not body:
        return f'<p class="note">{esc(empty)}</p>' if empty else ""
    top = "".join(
        f'<th scope="col"{_classes(place in numeric)}>{esc(head)}</th>'
        for place, head in enumerate(heads)
    )
    kind = ' class="cards"' if cards else ""
    return (
        f'<div class="scroll"><table{kind}><thead><tr>{top}</tr></thead>'
        f"<tbody>{''.join(body)}</tbody></table></div>"
    )


def _classes(numeric: bool) -> str:
    return ' class="num"' if numeric else ""


def tiles(entries: Iterable[tuple[str, str]]) -> str:
    """Write figures with what they count beneath."""
    made = (
        f'<div class="tile"><b>{esc(value)}</b><span>{esc(name)}</span></div>'
        for value, name in entries
    )
    return f'<div class="tiles">{"".join(made)}</div>'


def listed(entries: Iterable[str]) -> str:
    """Write a list in columns."""
    return f'<ul class="names">{"".join(f"<li>{esc(entry)}</li>" for entry in entries)}</ul>'


# Fill and pattern of each class, told apart without colour too.
_FILLS = {
    "in contact": ("#7a3b1d", ""),
    "undecided": ("#f0c987", '<path d="M0 8L8 0" stroke="#7a3b1d" stroke-width="1.6"/>'),
    "not seen": ("#ffffff", '<circle cx="4" cy="4" r="1.5" fill="#22262b"/>'),
    "over stone": ("#9aa3ad", '<path d="M0 4H8" stroke="#5a626b" stroke-width="1.4"/>'),
    "clear": ("#dfe9e2", ""),
}


def bar(shares: Sequence[tuple[str, float]]) -> str:
    """Draw lengths as one bar with its key, classes told apart by pattern as well as by shade.

    Parameters
    ----------
    shares
        Class and length in metres; classes are those of soil contact.
    """
    total = sum(length for _, length in shares)
    if total <= 0:
        return ""
    parts, patterns, key, left = [], [], [], 0.0
    for place, (name, length) in enumerate(shares):
        fill, mark = _FILLS[name]
        patterns.append(
            f'<pattern id="p{place}" width="8" height="8" patternUnits="userSpaceOnUse">'
            f'<rect width="8" height="8" fill="{fill}"/>{mark}</pattern>'
        )
        look = f'fill="url(#p{place})" stroke="#22262b"'
        width = 1000 * length / total
        parts.append(f'<rect x="{left:.2f}" y="1" width="{width:.2f}" height="34" {look}/>')
        key.append(
            f'<li><svg viewBox="0 0 28 20" aria-hidden="true"><rect x="1" y="1" width="26" height="18" {look}/></svg>'
            f"{esc(name)} {esc(number(length, 1, unit='m'))}</li>"
        )
        left += width
    said = "; ".join(f"{name} {number(length, 1, unit='m')}" for name, length in shares)
    return (
        f'<svg class="bar" viewBox="0 0 1000 36" preserveAspectRatio="none" role="img"'
        f' aria-label="{esc(said)}"><defs>{"".join(patterns)}</defs>{"".join(parts)}</svg>'
        f'<ul class="key">{"".join(key)}</ul>'
    )


def section(title: str, *parts: str, name: str = "") -> str:
    """Put parts of finished markup under a title; nothing when all are empty.

    `name` is what a link within the page may lead to.
    """
    body = "\n".join(part for part in parts if part)
    place = f' id="{esc(name)}"' if name else ""
    return f"<section{place}><h2>{esc(title)}</h2>\n{body}</section>" if body else ""


def page(title: str, under: str, sections: Iterable[str]) -> str:
    """Make the whole page from finished sections."""
    body = "\n".join(part for part in sections if part)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{esc(title)}</title><style>{_STYLE}</style></head>\n<body>\n"
        f'<header><h1>{esc(title)}</h1><p class="under">{esc(under)}</p></header>\n'
        f"<main>\n{body}\n</main></body></html>\n"
    )
