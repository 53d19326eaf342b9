"""Any text a survey can hold is shown as it stands, and none of it runs."""

from __future__ import annotations

import pandas as pd
import pytest
from map_ground import empty_layers, ground, write_map
from small_ground import CRS

pytestmark = pytest.mark.browser

HOSTILE = (
    "<img src=x onerror=window.PWN=1>", "<script>window.PWN=1</script>", "</script><script>window.PWN=1</script>",
    "<svg onload=window.PWN=1>", "<!--", "-->", "<!--<script>", "]]>", "<style>*{display:none}</style>", "</title><b>x</b>",
    "{{ 7*7 }}", "{{ cycler.__init__.__globals__.os.getcwd() }}", "{% raise %}", "{%", "%}", "{#", "#}", "{{", "}}",
    "${window.PWN=1}", "`${window.PWN=1}`", "`", "\\`", "\\", "C:\\u00zz\\x", "\\u003cb\\u003e", "\\n\\t", "'", '"', "\"'`",
    "&lt;b&gt;", "&amp;", "&#60;", "javascript:window.PWN=1", "data:text/html,<script>1</script>", "onclick=window.PWN=1",
    "\u202eevil\u202c", "\u05d0\u05d1\u05d2 abc", "\u200b\u200f", "e\u0301", "\U0001f480", "\ud800", "\x00", "\x1b[31m", "a\r\nb\tc",
    "__proto__", "constructor", "toString", "hasOwnProperty", "null", "undefined", "NaN", "%s %d %n", "../../etc/passwd",
    "fencemap-place-data", "<!--fencemap-place-script-->", "{shown} of {count}", "{name}", "; DROP TABLE elements; --", " ", "#", "a/b", "?x=1&y=2",
    "w" * 10_000,
)  # fmt: skip


def hostile_elements():
    """Elements whose every text that has no vocabulary is hostile."""
    from fencemap.layers import layer

    base = ground(columns=3, rows=3)["elements"].iloc[: len(HOSTILE)]
    assert len(base) == len(HOSTILE)
    columns = {}
    for field in layer("elements").fields:
        if (
            field.dtype == "text"
            and not field.vocabulary
            and field.name not in ("uid", "survey_id")
        ):
            # plain objects: the usual text columns can't hold half a surrogate pair
            columns[field.name] = pd.Series(HOSTILE, dtype=object)
    return base.reset_index(drop=True).assign(**columns)


@pytest.fixture(scope="module")
def hostile_map(tmp_path_factory):
    """A map whose site, ids, remarks, lots and reasons are all hostile."""
    full = ground(columns=3, rows=3)
    layers = {"elements": hostile_elements(), "lots": full["lots"], "stones": full["stones"]}
    rejected = full["rejected"]
    more = rejected.loc[[0] * len(HOSTILE)].reset_index(drop=True)
    texts = pd.Series(HOSTILE, dtype=object)
    layers["rejected"] = more.assign(reason=texts, remedy=texts, value=texts, source_file=texts, raw=texts)  # fmt: skip
    return write_map(tmp_path_factory.mktemp("hostile") / "map.html", layers, name="</title><script>window.PWN=1</script> {{ 7*7 }} `${1}`")  # fmt: skip


def test_site_name_is_only_text(visit, hostile_map):
    """The site's name stands in heading and title as it was written."""
    page = visit(hostile_map)
    wanted = "</title><script>window.PWN=1</script> {{ 7*7 }} `${1}`"
    assert page.evaluate("document.getElementById('fm-site').textContent") == wanted
    assert page.title().startswith(wanted)
    assert page.evaluate("window.PWN === undefined")


def test_every_text_is_shown_verbatim(visit, hostile_map):
    """Opened one by one, each card shows its name and remark letter by letter; nothing runs."""
    page = visit(hostile_map)
    columns = page.evaluate("fencemap.content.layers.elements.columns.element_id")
    stored = columns["v"] if "v" in columns else [columns["w"][at] for at in columns["i"]]
    for place, text in enumerate(HOSTILE):
        if (
            text == "\ud800"
        ):  # half a pair can't cross the test's own wire; the next test looks at it
            continue
        assert stored[place] == text
        heard = page.evaluate(
            """(text) => { fencemap.theme('survey'); const found = fencemap.go(text);
            const card = document.querySelector('.fm-card:last-of-type');
            const cards = [...document.querySelectorAll('.fm-card')].filter((one) => one.dataset.id === text);
            const last = cards[cards.length - 1];
            return { found, id: last && last.querySelector('h2').textContent,
                     said: last ? [...last.querySelectorAll('bdi')].map((one) => one.textContent) : [] }; }""",
            text,
        )
        if text.strip() == "":
            continue
        assert heard["found"], repr(text)
        assert heard["id"] == text
        assert text in heard["said"]
    assert page.evaluate("window.PWN === undefined")
    assert page.evaluate("document.querySelectorAll('#fm-margin img, .fm-card img, .fm-card script, .fm-card style').length") == 0  # fmt: skip


def test_half_a_pair_survives(visit, hostile_map):
    """A lone surrogate neither stops the export nor the page, nor its own card."""
    page = visit(hostile_map)
    assert page.evaluate(r"fencemap.go('\ud800')")
    assert page.evaluate(r"document.querySelector('.fm-card h2').textContent === '\ud800'")


def test_refused_rows_are_only_text(visit, hostile_map):
    """The list of refused rows shows every reason as written."""
    page = visit(hostile_map)
    page.evaluate("fencemap.theme('survey')")
    page.click("#fm-list-tab")
    shown = page.eval_on_selector_all(".fm-doubts li", "all => all.map((one) => [...one.querySelectorAll('bdi')].map((two) => two.textContent))")  # fmt: skip
    assert len(shown) == len(HOSTILE)
    for text, texts in zip(HOSTILE, shown, strict=True):
        if text != "\ud800":
            assert texts.count(text) >= 2
    assert page.evaluate("window.PWN === undefined")


@pytest.mark.parametrize("size", ["desk", "phone"])
def test_a_long_word_does_not_break_the_page(visit, hostile_map, size):
    """Ten thousand letters without a space wrap inside their card."""
    page = visit(hostile_map, size=size)
    page.evaluate(f"fencemap.go('{HOSTILE[-1]}')")
    card = page.locator(".fm-card")
    card.wait_for()
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")  # fmt: skip
    box = page.locator(".leaflet-popup-content").bounding_box()
    assert box["width"] <= page.viewport_size["width"]
    assert box["height"] <= page.viewport_size["height"]


def test_a_tag_that_gets_in_is_inert(visit, map_file):
    """Even markup put in by hand runs nothing and fetches nothing: the policy stands."""
    page = visit(map_file, tolerate="Content Security Policy")
    before = page.evaluate("performance.getEntriesByType('resource').length")
    page.evaluate(
        """() => { const box = document.createElement('div');
        document.addEventListener('securitypolicyviolation', (event) => { window.BLOCKED = (window.BLOCKED || 0) + 1; });
        box.innerHTML = '<button onclick="window.PWN=1">x</button>'; document.body.append(box); box.firstChild.click(); box.remove(); }"""
    )
    page.wait_for_timeout(100)
    assert page.evaluate("window.PWN === undefined")
    assert page.evaluate("window.BLOCKED") == 1
    assert page.evaluate("performance.getEntriesByType('resource').length") == before


@pytest.mark.parametrize("size", ["desk", "phone"])
def test_empty_layers(visit, tmp_path, size):
    """A result without a single row still opens, says so, and every control answers."""
    page = visit(write_map(tmp_path / "map.html", empty_layers()), size=size)
    for theme in ("condition", "contact", "protection", "survey"):
        page.evaluate(f"fencemap.theme('{theme}')")
        assert "not the same as nothing found" in page.inner_text("#fm-lead")
    for button in ("#fm-whole", "#fm-closer", "#fm-measure", "#fm-list-tab", "#fm-about-tab", "#fm-cautions-tab"):  # fmt: skip
        page.click(button)
    page = visit(write_map(tmp_path / "none.html", {}), size=size)
    page.click("#fm-whole")


def test_null_values_everywhere(visit, tmp_path):
    """Rows with nothing but what is required are drawn, listed and opened."""
    from fencemap.layers import layer

    full = ground(columns=1, rows=1)
    layers = {}
    for name, frame in full.items():
        schema = layer(name)
        keep = {field.name for field in schema.fields if field.required}
        layers[name] = schema.conform(
            {column: frame[column] for column in frame.columns if column in keep},
            geometry=frame.geometry if schema.spatial else None, crs=CRS if schema.spatial else None,
        )  # fmt: skip
    page = visit(write_map(tmp_path / "map.html", layers))
    for theme in ("condition", "contact", "protection", "survey"):
        page.evaluate(f"fencemap.theme('{theme}')")
        page.click("#fm-list-tab")
        if page.locator(".fm-items button").count():
            page.locator(".fm-items button").first.click()
            page.locator(".fm-card").wait_for()
            page.keyboard.press("Escape")
    page.evaluate("fencemap.theme('contact')")
    assert page.evaluate("fencemap.visible().soil_contact") == len(layers["soil_contact"])
