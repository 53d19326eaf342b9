"""Every control of the map, at a desk and on a phone, by mouse or touch and by keyboard."""

from __future__ import annotations

import pytest
from map_ground import WORKS

pytestmark = pytest.mark.browser
BOTH = pytest.mark.parametrize("size", ["desk", "phone"])


def press(page, size: str, selector: str) -> None:
    """Tap on a phone, click at a desk."""
    (page.tap if size == "phone" else page.click)(selector)


def zoom(page) -> float:
    return page.evaluate("fencemap.map.getZoom()")


def said(page) -> str:
    return page.inner_text("#fm-live")


@BOTH
def test_all_is_drawn_without_a_request(visit, map_file, size):
    """The page comes up with its photo and asks nothing of any server."""
    page = visit(map_file, size=size)
    assert page.locator("img.leaflet-tile[src^='data:image/webp']").count() > 0
    assert page.inner_text("#fm-site") == "Hollin Bank"
    painted = page.evaluate(
        """() => { const c = document.querySelector('canvas.leaflet-zoom-animated');
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
        let n = 0; for (let i = 3; i < d.length; i += 4) n += d[i] > 0; return n; }"""
    )
    assert painted > 2000


@BOTH
@pytest.mark.parametrize("theme", ["condition", "contact", "protection", "survey"])
def test_each_question_by_pointer(visit, map_file, size, theme):
    """A theme is chosen by a tap on its name; question, answer and key follow."""
    page = visit(map_file, size=size)
    press(page, size, f"#fm-themes label:has(#fm-theme-{theme})")
    assert page.is_checked(f"#fm-theme-{theme}")
    assert page.inner_text("#fm-question").endswith("?")
    drawn = page.evaluate("fencemap.visible()")
    subject = {"condition": "condition_bays", "contact": "soil_contact", "protection": "protection_zones", "survey": "elements"}  # fmt: skip
    assert drawn[subject[theme]] > 0


def test_questions_by_keyboard(visit, map_file):
    """Arrow keys walk through the themes, as in any group of radio buttons."""
    page = visit(map_file)
    page.focus("#fm-theme-condition")
    page.keyboard.press("ArrowRight")
    assert page.is_checked("#fm-theme-contact")
    assert "Soil contact" in said(page)
    page.keyboard.press("ArrowRight")
    assert page.is_checked("#fm-theme-protection")


@BOTH
def test_zoom_and_whole_site(visit, map_file, size):
    """Plus and minus change the zoom by one, and the whole site comes back."""
    page = visit(map_file, size=size)
    first = zoom(page)
    press(page, size, "#fm-closer")
    page.wait_for_timeout(500)
    assert zoom(page) == first + 1
    press(page, size, "#fm-farther")
    page.wait_for_timeout(500)
    press(page, size, "#fm-farther")
    page.wait_for_timeout(500)
    assert zoom(page) == first - 1
    press(page, size, "#fm-whole")
    page.wait_for_timeout(700)
    assert zoom(page) == first


def test_the_map_moves_by_keyboard(visit, map_file):
    """With the focus on the map, arrows pan and plus zooms."""
    page = visit(map_file)
    page.focus(".folium-map")
    before = page.evaluate("fencemap.map.getCenter().lng")
    first = zoom(page)
    page.keyboard.press("+")
    page.wait_for_timeout(500)
    page.keyboard.press("ArrowRight")
    page.wait_for_timeout(500)
    assert page.evaluate("fencemap.map.getCenter().lng") > before
    assert zoom(page) > first


@BOTH
def test_panels(visit, map_file, size):
    """Each tab shows its panel and no other; on a phone a second tap frees the map."""
    page = visit(map_file, size=size)
    for name in ("list", "cautions", "about", "key"):
        if size == "phone" and page.get_attribute(f"#fm-{name}-tab", "aria-expanded") == "true":
            continue
        press(page, size, f"#fm-{name}-tab")
        shown = [each for each in ("key", "list", "cautions", "about") if page.is_visible(f"#fm-{each}-panel")]  # fmt: skip
        assert shown == [name]
    press(page, size, "#fm-key-tab")
    assert page.is_visible("#fm-key-panel") == (size == "desk")


@BOTH
def test_cautions_are_in_sight(visit, map_file, size):
    """A strip with their number is always in view and leads to all of them."""
    page = visit(map_file, size=size)
    count = page.evaluate("fencemap.content.cautions.length")
    assert count >= 3
    strip = page.locator("#fm-strip")
    assert strip.is_visible()
    assert str(count) in strip.inner_text()
    height = page.viewport_size["height"]
    box = strip.bounding_box()
    assert box["y"] >= 0
    assert box["y"] + box["height"] <= height
    press(page, size, "#fm-strip")
    assert page.locator(".fm-caution").count() == count
    assert page.locator(".fm-caution h3").first.is_visible()


def find(page, size: str, text: str) -> None:
    if size == "phone":
        press(page, size, "#fm-list-tab")
    page.fill("#fm-find-text", text)
    page.keyboard.press("Enter")


@BOTH
def test_find_opens_the_card(visit, map_file, size):
    """A name typed and Enter: the theme that shows it, the card with facts and source row."""
    page = visit(map_file, size=size)
    find(page, size, "A1-R1-B2-P")
    card = page.locator(".fm-card[data-id='A1-R1-B2-P']")
    card.wait_for()
    assert page.is_checked("#fm-theme-survey")
    assert "elements.csv, row" in card.inner_text()
    assert page.evaluate("document.activeElement.textContent") == "A1-R1-B2-P"
    assert page.evaluate("location.hash") == "#A1-R1-B2-P"


@BOTH
def test_find_says_when_there_is_nothing(visit, map_file, size):
    """A name that nothing has is answered in words."""
    page = visit(map_file, size=size)
    find(page, size, "no such thing")
    assert "no such thing" in said(page)
    assert page.locator(".fm-card").count() == 0


def test_find_offers_names(visit, map_file, layers):
    """Part of a name brings up those that hold it, whatever their case."""
    page = visit(map_file)
    page.fill("#fm-find-text", "m-a1")
    offered = page.eval_on_selector_all(
        "#fm-find-names option", "all => all.map((one) => one.value)"
    )
    wanted = sorted(name for name in layers["stones"]["element_id"] if "m-a1" in name.lower())
    assert sorted(offered) == wanted


@BOTH
def test_deep_link(visit, map_file, size):
    """An address with #name opens on that thing; another fragment goes on to another."""
    page = visit(map_file, size=size, fragment="#M-B2-1")
    page.locator(".fm-card[data-id='M-B2-1']").wait_for()
    page.evaluate("location.hash = '#A2-R1-B1'")
    page.locator(".fm-card[data-id='A2-R1-B1']").wait_for()


def test_deep_link_by_uid(visit, map_file, layers):
    """The permanent identity works as a link too."""
    uid = layers["stones"]["uid"].iloc[3]
    page = visit(map_file, fragment=f"#{uid}")
    page.locator(f".fm-card[data-id='{layers['stones']['element_id'].iloc[3]}']").wait_for()


@BOTH
def test_a_thing_is_opened_on_the_map(visit, map_file, size, layers):
    """A tap on a piece of iron opens its card; a tap on nothing closes it."""
    page = visit(map_file, size=size)
    page.evaluate("fencemap.theme('survey')")
    page.evaluate("fencemap.go('B1-R1-B1-P')")
    page.keyboard.press("Escape")
    page.wait_for_timeout(500)
    assert page.locator(".fm-card").count() == 0
    iron = layers["elements"].set_index("element_id").geometry.to_crs("EPSG:4326")["B1-R1-B1-P"]
    spot = page.evaluate(
        """([lon, lat]) => { const box = fencemap.map.getContainer().getBoundingClientRect();
        const at = fencemap.map.latLngToContainerPoint([lat, lon]);
        return [box.left + at.x, box.top + at.y]; }""",
        [iron.x, iron.y],
    )
    (page.touchscreen.tap if size == "phone" else page.mouse.click)(*spot)
    page.locator(".fm-card[data-id='B1-R1-B1-P']").wait_for()
    page.click(".fm-close")
    page.wait_for_timeout(300)
    assert page.locator(".fm-card").count() == 0
    assert page.evaluate("location.hash") == ""


def test_card_by_keyboard(visit, map_file):
    """Enter on the map opens what is under the cross; Escape closes it and gives the focus back."""
    page = visit(map_file)
    page.evaluate("fencemap.go('B1-R1-B1-P')")
    page.keyboard.press("Escape")
    page.focus(".folium-map")
    page.keyboard.press("Enter")
    page.locator(".fm-card[data-id='B1-R1-B1-P']").wait_for()
    assert page.evaluate("document.activeElement.tagName") == "H2"
    page.keyboard.press("Escape")
    page.wait_for_timeout(200)
    assert page.evaluate("document.activeElement.classList.contains('folium-map')")


def test_card_tells_units_meanings_and_why(visit, map_file):
    """Facts have units and a spread, words their definitions, ledger lines their reason."""
    page = visit(map_file)
    page.evaluate("fencemap.theme('contact')")
    page.evaluate("fencemap.go('soil_contact/A1-R1-B1')")
    text = page.inner_text(".fm-card")
    assert "31.2 mm ± 11 mm" in text
    assert "worked out in this run by find/soil_contact" in text
    assert "Probability of contact at least" not in text
    page.get_by_role("button", name="Explain these words").click()
    assert "Probability of contact at least the site's limit" in page.inner_text(".fm-card")
    page.evaluate("fencemap.theme('protection')")
    page.evaluate("fencemap.go('M-A1-1')")
    card = page.inner_text(".fm-card")
    assert card.count("from the iron, reach") == len(WORKS)


def test_names_in_a_card_lead_on(visit, map_file):
    """A run named in a card is a button that goes there."""
    page = visit(map_file)
    page.evaluate("fencemap.theme('contact')")
    page.evaluate("fencemap.go('soil_contact/A1-R1-B1')")
    page.locator(".fm-card button", has_text="A1-R1").first.click()
    page.locator(".fm-card[data-id='A1-R1']").wait_for()


@BOTH
def test_the_list_is_a_way_to_everything(visit, map_file, size, layers):
    """What is in view stands in a list of buttons; one opens its card by the keyboard."""
    page = visit(map_file, size=size)
    page.evaluate("fencemap.theme('contact')")
    press(page, size, "#fm-list-tab")
    wanted = sum(page.evaluate("Object.values(fencemap.visible())"))
    assert page.inner_text("#fm-list-count") == f"{wanted} in view"
    first = page.locator(".fm-items button").first
    assert "in contact" in first.inner_text()
    first.focus()
    page.keyboard.press("Enter")
    page.locator(".fm-card").wait_for()
    assert page.evaluate("document.activeElement.tagName") == "H2"


@BOTH
def test_refused_and_doubtful_rows(visit, map_file, size):
    """Refused rows stand with file, row, reason and remedy, one tap from the survey's answer."""
    page = visit(map_file, size=size)
    page.evaluate("fencemap.theme('survey')")
    press(page, size, "#fm-doubt-links button >> nth=0")
    text = page.inner_text("#fm-list")
    for part in ("rejected.csv:2", "easting is not a number", "Give metres in the site's CRS.", "0.15 m low", "LOOSE-1"):  # fmt: skip
        assert part in text


@BOTH
def test_the_work_is_chosen(visit, map_file, size, layers):
    """Choosing a work redraws zones and stones, and the sentence counts what the ledger says."""
    page = visit(map_file, size=size)
    page.evaluate("fencemap.theme('protection')")
    ledger = layers["stone_ledger"]
    for phase, operation, _ in WORKS:
        page.select_option("#fm-work", f'["{phase}","{operation}"]')
        rows = ledger[(ledger["phase"] == phase) & (ledger["operation"] == operation)]
        covered = int((rows["verdict"] == "covered").sum())
        assert f": {covered} of {len(rows)} stones" in page.inner_text("#fm-lead")
        assert page.evaluate("fencemap.visible().protection_zones") == 24
    page.select_option("#fm-work", "")
    assert page.evaluate("fencemap.visible().protection_zones") == 24 * len(WORKS)


@BOTH
def test_measure(visit, map_file, size):
    """Points by pointer and by the cross; undo and end by their buttons."""
    page = visit(map_file, size=size)
    press(page, size, "#fm-measure")
    assert page.get_attribute("#fm-measure", "aria-pressed") == "true"
    press(page, size, "#fm-measure-add")
    box = page.locator(".folium-map").bounding_box()
    spot = (box["x"] + box["width"] / 2 + 60, box["y"] + box["height"] / 2)
    (page.touchscreen.tap if size == "phone" else page.mouse.click)(*spot)
    assert "along 2 points" in page.inner_text("#fm-measure-out")
    press(page, size, "#fm-measure-undo")
    assert page.inner_text("#fm-measure-out") == "First point set."
    press(page, size, "#fm-measure-end")
    assert not page.is_visible("#fm-measure-bar")


def test_measure_by_keyboard(visit, map_file):
    """Enter sets points at the cross, Backspace takes one away, Escape ends."""
    page = visit(map_file)
    page.focus("#fm-measure")
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    for _ in range(2):
        page.keyboard.press("ArrowRight")
        page.wait_for_timeout(400)
        page.keyboard.press("Enter")
    assert "along 3 points" in page.inner_text("#fm-measure-out")
    page.keyboard.press("Backspace")
    assert "along 2 points" in page.inner_text("#fm-measure-out")
    page.keyboard.press("Escape")
    assert not page.is_visible("#fm-measure-bar")
    assert page.evaluate("document.activeElement.id") == "fm-measure"


@BOTH
def test_locate_shows_a_ring(visit, map_file, size, layers):
    """A position comes with its accuracy as a ring, never as a nearest piece."""
    lot = layers["lots"].to_crs("EPSG:4326").geometry.iloc[0].centroid
    page = visit(map_file, size=size, geolocation={"longitude": lot.x, "latitude": lot.y, "accuracy": 6}, permissions=["geolocation"])  # fmt: skip
    press(page, size, "#fm-locate")
    page.wait_for_selector("path.fm-accuracy", state="attached")
    assert "6.00 m" in said(page)
    press(page, size, "#fm-locate")
    assert page.locator("path.fm-accuracy").count() == 0


def test_locate_far_away_and_refused(visit, map_file):
    """Far from the site the map stays; a refusal is said in words."""
    page = visit(map_file, geolocation={"longitude": 20.0, "latitude": 40.0, "accuracy": 9}, permissions=["geolocation"])  # fmt: skip
    before = page.evaluate("fencemap.map.getCenter()")
    page.click("#fm-locate")
    page.wait_for_selector("path.fm-accuracy", state="attached")
    assert "km away" in said(page)
    assert page.evaluate("fencemap.map.getCenter()") == before
    page.context.clear_permissions()
    other = visit(map_file)
    other.click("#fm-locate")
    other.wait_for_timeout(800)
    assert "no position" in said(other)
    assert other.get_attribute("#fm-locate", "aria-pressed") == "false"


def settled(page, shot):
    """The drawing once two looks in a row are equal: a view that still moves is drawn again."""
    last = page.evaluate(shot)
    for _ in range(40):
        page.wait_for_timeout(100)
        now = page.evaluate(shot)
        if now == last:
            return now
        last = now
    raise AssertionError("the drawing did not come to rest in 4 s")


@BOTH
def test_switches_of_the_sheet(visit, map_file, size):
    """Names, grid and the photo's strength change the drawing."""
    page = visit(map_file, size=size)
    if size == "phone":
        press(page, size, "#fm-key-tab")
    shot = "document.querySelector('canvas.leaflet-zoom-animated').toDataURL()"
    before = settled(page, shot)
    press(page, size, "#fm-grid")
    assert settled(page, shot) != before
    press(page, size, "#fm-grid")
    assert settled(page, shot) == before
    press(page, size, "#fm-names")
    assert settled(page, shot) != before
    page.focus("#fm-photo")
    for _ in range(10):
        page.keyboard.press("ArrowLeft")
    assert (
        page.evaluate("getComputedStyle(document.querySelector('.fm-photo-tiles')).opacity") == "0"
    )


@BOTH
def test_light_and_dark(visit, map_file, size):
    """The page follows the device, and the reader may choose otherwise."""
    page = visit(map_file, size=size, color_scheme="dark")
    background = "getComputedStyle(document.body).backgroundColor"
    dark = page.evaluate(background)
    press(page, size, "#fm-about-tab")
    page.select_option("#fm-appearance", "light")
    assert page.evaluate(background) != dark
    page.select_option("#fm-appearance", "dark")
    assert page.evaluate(background) == dark


def test_coordinates_of_the_site(visit, map_file):
    """Eastings and northings of the site stand at the edge and under the pointer."""
    page = visit(map_file)
    edge = page.inner_text("#fm-edge-top").replace("\u2009", "")
    assert "500010" in edge.split()
    box = page.locator(".folium-map").bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    assert page.inner_text("#fm-pointer").startswith("E 5000")


@BOTH
def test_nothing_overflows_sideways(visit, map_file, size):
    """The page is no wider than the window, and no button leaves it."""
    page = visit(map_file, size=size)
    for theme in ("condition", "contact", "protection", "survey"):
        page.evaluate(f"fencemap.theme('{theme}')")
        width = page.evaluate("document.documentElement.clientWidth")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        beyond = page.eval_on_selector_all(
            "button, input, select, h1, h2, label",
            "(all, width) => all.filter((one) => one.offsetParent && one.getBoundingClientRect().right > width + 1).map((one) => one.id || one.textContent)",
            width,
        )
        assert beyond == []
