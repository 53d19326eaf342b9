"""The map for those who don't see colours, use no mouse, or have it read aloud."""

from __future__ import annotations

from importlib.resources import files

import pytest

pytestmark = pytest.mark.browser


@pytest.fixture(scope="session")
def axe() -> str:
    """The axe-core rules, from the test extra's package."""
    return (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")


def violations(page, axe: str) -> list[str]:
    """Run axe on the page as it stands."""
    page.evaluate(axe)
    found = page.evaluate("axe.run({ resultTypes: ['violations'] })")["violations"]
    return [f"{one['id']}: {one['nodes'][0]['html'][:120]} {one['nodes'][0]['failureSummary']}" for one in found]  # fmt: skip


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", ["desk", "phone"])
def test_no_barrier_is_found(visit, map_file, axe, size, scheme):
    """The rules find nothing in any theme, with any panel, with a card open and while measuring."""
    page = visit(map_file, size=size, color_scheme=scheme, bypass_csp=True)
    for theme in ("condition", "contact", "protection", "survey"):
        page.evaluate(f"fencemap.theme('{theme}')")
        assert violations(page, axe) == []
    for tab in ("list", "cautions", "about", "key"):
        page.click(f"#fm-{tab}-tab")
        assert violations(page, axe) == []
    page.evaluate("fencemap.go('M-A1-1')")
    page.locator(".fm-card").wait_for()
    assert violations(page, axe) == []
    page.keyboard.press("Escape")
    page.click("#fm-measure")
    assert violations(page, axe) == []


@pytest.mark.parametrize("size", ["desk", "phone"])
def test_everything_is_reached_by_tab(visit, map_file, size):
    """Tab comes past every control that is in sight, shows where it is, and gets out again."""
    page = visit(map_file, size=size)
    wanted = set(page.eval_on_selector_all(
        "button, input, select, summary, .folium-map, #fm-panels",
        "all => all.filter((one) => one.offsetParent && one.checkVisibility() && !(one.type === 'radio' && !one.checked)).map((one) => one.id || one.className)",
    ))  # fmt: skip
    assert len(wanted) > 12
    reached, unseen = set(), []
    for _ in range(len(wanted) + 20):
        page.keyboard.press("Tab")
        at = page.evaluate(
            """() => { const one = document.activeElement, look = one.type === 'radio' ? one.nextElementSibling : one;
            const style = getComputedStyle(look); return [one.id || one.className, style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2]; }"""
        )
        reached.add(at[0])
        if not at[1] and page.evaluate("document.activeElement !== document.body"):
            unseen.append(at[0])
    assert wanted - reached == set()
    assert unseen == []


def test_targets_are_large_enough(visit, map_file):
    """On a phone every button and box is at least 24 pixels to tap, tabs and tools 40."""
    page = visit(map_file, size="phone")
    page.click("#fm-key-tab")
    small = page.eval_on_selector_all(
        "button, select, label, #fm-find-text",
        """all => all.filter((one) => one.offsetParent && one.checkVisibility()).map((one) => [one.id || one.textContent, one.getBoundingClientRect()])
        .filter(([, box]) => box.width < 24 || box.height < 24).map(([name]) => name)""",
    )
    assert small == []
    tools = page.eval_on_selector_all("#fm-tools > button, #fm-tabs button", "all => all.filter((one) => one.getBoundingClientRect().height < 40).map((one) => one.id)")  # fmt: skip
    assert tools == []


def test_the_skip_link_leads_to_the_list(visit, map_file):
    """The first Tab offers a way past the map to the list of what is in view."""
    page = visit(map_file)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "fm-skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "fm-list-panel"
    assert page.locator(".fm-items button").count() > 0


def test_page_language_and_landmarks(visit, map_file):
    """One heading, one main part, a language, and zooming is not forbidden."""
    page = visit(map_file)
    assert page.get_attribute("html", "lang") == "en"
    assert page.locator("main").count() == 1
    assert page.locator("h1").count() == 1
    viewport = page.get_attribute("meta[name=viewport]", "content")
    assert "user-scalable" not in viewport
    assert "maximum-scale" not in viewport


def test_lines_of_the_key_differ_without_colour(visit, map_file):
    """Drawn in grey only by shape, width, dashes and hatch, no two lines of a key are the same."""
    page = visit(map_file)
    for theme in ("condition", "contact", "protection", "survey"):
        page.evaluate(f"fencemap.theme('{theme}')")
        groups = page.eval_on_selector_all(
            ".fm-group",
            """all => all.map((group) => [...group.querySelectorAll('.fm-classes .fm-symbol')].map((one) =>
            one.outerHTML.replace(/#[0-9a-f]{3,6}/gi, '#').replace(/fm-hatch-\\d+/g, '').replace(/fill="#[^"]*"/g, '')))""",
        )
        for symbols in groups:
            assert len(set(symbols)) == len(symbols)
