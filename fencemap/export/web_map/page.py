"""The page itself: folium makes map and page, ours goes in as bytes that nothing parses.

Words of a survey can hold anything, and a template would run them; so folium
gets only constants and one position. Everything else takes the place of a
marker in the finished page by plain replacement: our markup, Leaflet, the
scripts, and the data as JSON blocks that a browser never runs. The content
policy then names each script by its digest and forbids every request.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import html
import json
import re
from collections.abc import Mapping
from importlib.resources import files
from typing import Any

from fencemap.errors import ExportError
from fencemap.export.web_map.strings import english

__all__ = ["SCRIPTS", "assemble", "json_block"]

SCRIPTS = (
    "model.js", "earth.js", "symbols.js", "choose.js", "sheet.js", "card.js", "panel.js",
    "tools.js", "start.js",
)  # fmt: skip
_PLAIN_LIMIT = 3_000_000
_PACKED = 6  # of 9: the last three levels save 1 % of size for four times the time
_MARK = "fencemap-place-{}"
_SCRIPT = re.compile(r"<script>(.*?)</script>", re.DOTALL)
_STYLE = re.compile(r"<style>(.*?)</style>", re.DOTALL)


def assemble(content: Mapping[str, Any], photo: Any, *, title: str, data: str | None = None) -> str:
    """Make the whole page as text.

    Parameters
    ----------
    content
        What `content.build` made.
    photo
        The pack of tiles that `backdrop.pack` made, or None.
    title
        Title of the browser's window; any text.
    data
        ``json_block("fm-data", content)`` where it is at hand: packing is most of the work.

    Raises
    ------
    ExportError
        folium's page has not the shape that is known, so that something would
        not be in its place.
    """
    page = _folium_page(content["origin"])
    page = _shaped(page)
    for name, payload in _payloads(data or json_block("fm-data", content), photo, title).items():
        page = _put(page, name, payload)
    return _with_policy(page)


def json_block(name: str, value: Any) -> str:
    """Write a value as an inert block; large ones are packed.

    Only ASCII without ``<``, ``>`` and ``&`` comes out, so that no text of a
    survey can end the block or begin another.
    """
    plain = json.dumps(value, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    if len(plain) <= _PLAIN_LIMIT:
        body = '{"encoding":"plain","content":' + plain + "}"
    else:
        packed = base64.b64encode(gzip.compress(plain.encode(), _PACKED, mtime=0)).decode()
        body = '{"encoding":"gzip+base64","content":"' + packed + '"}'
    return _block(name, body)


def _block(name: str, body: str) -> str:
    for letter in "<>&":
        body = body.replace(letter, f"\\u{ord(letter):04x}")
    return f'<script type="application/json" id="{name}">{body}</script>'


def _payloads(data: str, photo: Any, title: str) -> dict[str, str]:
    """Everything that goes into the page, in the order in which it is put there."""
    apology = html.escape(english()["page"]["no_script"])
    after = _asset("assets", "after.html").replace("<!--no-script-->", apology)
    plain = json.dumps(photo, separators=(",", ":"), allow_nan=False)
    return {
        "style": f"<style>\n{_leaflet_style()}\n{_asset('assets', 'map.css')}</style>",
        "leaflet": f"<script>{_leaflet_script()}</script>",
        "before": _asset("assets", "before.html"),
        "after": after,
        "script": "<script>\n'use strict';\n(() => {\n"
        + "\n".join(_asset("assets", name) for name in SCRIPTS)
        + "})();\n</script>",
        "title": f"<title>{html.escape(_printable(title))}</title>",
        "data": data,
        # Pictures are packed already, so a second packing would only cost time.
        "photo": _block("fm-photo", '{"encoding":"plain","content":' + plain + "}"),
    }


def _printable(text: str) -> str:
    return "".join(letter if letter.isprintable() else " " for letter in text)[:200]


def _asset(folder: str, name: str) -> str:
    package = files("fencemap.export.web_map")
    return package.joinpath(folder).joinpath(name).read_text(encoding="utf-8")


def _leaflet_script() -> str:
    """Leaflet as it is published, less the last line that would ask for its source map."""
    text = _asset("vendor", "leaflet-1.9.4.js")
    text = text.replace("//# sourceMappingURL=leaflet.js.map", "")
    return text.replace("</script", "<\\/script")


def _leaflet_style() -> str:
    """Leaflet's style less the rules that name picture files; this map uses none of them."""
    text = _asset("vendor", "leaflet-1.9.4.css")
    return re.sub(r"[^{}]*\{[^{}]*url\((?!#)[^{}]*\}", "", text)


def _folium_page(origin: list[float]) -> str:
    """Let folium make the page and the map, with our markers where things belong."""
    import folium
    from branca.element import Element

    class Marker(Element):
        """A constant text in its place; the payload comes when the page is finished."""

        def __init__(self, name: str) -> None:
            super().__init__(f"<!--{_MARK.format(name)}-->")

    class Begin(Element):
        """The call that starts our script, after the map that folium makes."""

        def render(self, **_: Any) -> str:
            page: Any = self.get_root()
            page.script.add_child(Element("window.fencemap.start(map_sheet);"))
            return ""

    sheet = folium.Map(
        location=[origin[1], origin[0]],
        tiles=None,
        zoom_start=19,
        zoom_control=False,
        font_size="14px",
    )
    sheet._id = "sheet"  # noqa: SLF001  folium's own names are random; a page must come out the same
    sheet.default_js, sheet.default_css = [], []
    sheet.options |= {
        "max_zoom": 25, "min_zoom": 3, "zoom_snap": 0.25, "zoom_delta": 1, "wheel_px_per_zoom_level": 90,
        "attribution_control": False, "keyboard_pan_delta": 120, "fade_animation": False,
        "max_bounds_viscosity": 0.7,
    }  # fmt: skip
    root: Any = sheet.get_root()
    for name in ("title", "style", "leaflet"):
        root.header.add_child(Marker(name), name=name)
    body = list(root.html._children.items())  # noqa: SLF001  children have no public order
    root.html._children.clear()  # noqa: SLF001
    root.html.add_child(Marker("before"), name="before")
    for name, child in body:
        root.html.add_child(child, name=name)
    sheet.add_child(Begin())
    return str(root.render())


def _shaped(page: str) -> str:
    """Mend what folium has no switch for; each mending must hit once."""
    page = _once(page, "<html>", '<html lang="en">')
    page = _once(page, r"<meta name=\"viewport\"[^>]*>",
                 '<meta name="viewport" content="width=device-width, initial-scale=1">', regex=True)  # fmt: skip
    page = _once(
        page, r"<meta http-equiv=\"content-type\"[^>]*>", '<meta charset="utf-8">', regex=True
    )
    # folium's own page styles would fight ours.
    page = re.sub(r"<style>.*?</style>\s*", "", page, flags=re.DOTALL)
    after = f"<!--{_MARK.format('after')}-->"
    tail = "".join(f"<!--{_MARK.format(name)}-->\n" for name in ("data", "photo", "script"))
    page = _once(page, r"</body>\s*<script>", f"{after}\n{tail}<script>", regex=True)
    page = _once(page, r"</script>\s*</html>", "</script>\n</body>\n</html>", regex=True)
    return "\n".join(line.rstrip() for line in page.splitlines() if line.strip()) + "\n"


def _once(page: str, found: str, wanted: str, *, regex: bool = False) -> str:
    pattern = found if regex else re.escape(found)
    page, count = re.subn(pattern, lambda _: wanted, page)
    if count != 1:
        raise ExportError(
            f"the map page has {count} of {found!r} where one was expected",
            remedy="Install the folium version that this release was tested with.",
        )
    return page


def _put(page: str, name: str, payload: str) -> str:
    head, found, tail = page.partition(f"<!--{_MARK.format(name)}-->")
    if not found:
        raise ExportError(
            f"the map page lost its place '{name}'",
            remedy="Install the folium version that this release was tested with.",
        )
    return head + payload + tail


def _with_policy(page: str) -> str:
    """Forbid all requests and every script and style but those that stand here now."""
    scripts = " ".join(f"'sha256-{_digest(text)}'" for text in _SCRIPT.findall(page))
    styles = " ".join(f"'sha256-{_digest(text)}'" for text in _STYLE.findall(page))
    policy = (
        f"default-src 'none'; script-src {scripts}; style-src {styles}; img-src data: blob:; "
        "base-uri 'none'; form-action 'none'"
    )
    head, found, tail = page.partition('<meta charset="utf-8">')
    if not found:
        raise ExportError(
            "the map page has no head", remedy="Report this; it is a mistake in fencemap."
        )
    return f'{head}{found}\n<meta http-equiv="Content-Security-Policy" content="{policy}">{tail}'


def _digest(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
