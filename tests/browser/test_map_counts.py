"""What the key counts is what the data holds, under every filter."""

from __future__ import annotations

import pytest
from map_ground import ground, write_map

pytestmark = pytest.mark.browser

# theme, layer, field that sorts it, measure summed in the key
CASES = [
    ("condition", "condition_bays", "worst_condition", "length_m"),
    ("contact", "soil_contact", "contact", "length_m"),
    ("survey", "elements", "condition", None),
]
GRADE_WORDS = {0: "0 sound", 1: "1 minor", 2: "2 serious", 3: "3 worst"}


def word(value) -> str:
    """What the key calls a value of the data."""
    if value is None:
        return "no grade"
    return GRADE_WORDS.get(value, str(value))


def key_lines(page, layer: str) -> dict[str, tuple[int, str]]:
    """Name -> count and sum of each line of a layer's key."""
    rows = page.eval_on_selector_all(
        f".fm-group[data-layer='{layer}'] .fm-classes li",
        """all => all.map((one) => [one.querySelector('.fm-name').textContent,
        one.querySelector('.fm-count').textContent, (one.querySelector('.fm-sum') || {}).textContent || ''])""",
    )
    return {name: (int(count), total) for name, count, total in rows}


@pytest.mark.parametrize(("theme", "layer", "field", "measure"), CASES)
def test_key_counts_the_data(visit, map_file, layers, theme, layer, field, measure):
    """Each line of the key has the count, and the metres, that the frame has."""
    page = visit(map_file)
    page.evaluate(f"fencemap.theme('{theme}')")
    frame = layers[layer]
    values = [None if missing else value for value, missing in zip(frame[field], frame[field].isna(), strict=True)]  # fmt: skip
    lines = key_lines(page, layer)
    for value in set(values):
        count, total = lines[word(value)]
        chosen = [one == value for one in values]
        assert count == sum(chosen)
        if measure:
            wanted = frame.loc[chosen, measure].sum()
            assert float(total.removesuffix(" m")) == pytest.approx(wanted, rel=0.01)
    assert sum(count for count, _ in lines.values()) == len(frame)


@pytest.mark.parametrize("size", ["desk", "phone"])
@pytest.mark.parametrize(("theme", "layer", "field", "measure"), CASES)
def test_filter_hides_what_it_says(visit, map_file, layers, size, theme, layer, field, measure):
    """Unticking a line takes just those rows from the drawing, the list and the count."""
    page = visit(map_file, size=size)
    page.evaluate(f"fencemap.theme('{theme}')")
    page.click("#fm-key-tab") if size == "phone" else None
    frame = layers[layer]
    words = [word(None if missing else value) for value, missing in zip(frame[field], frame[field].isna(), strict=True)]  # fmt: skip
    shown = page.evaluate("fencemap.counts().shown")
    gone = 0
    for at in range(3):
        box = page.locator(f".fm-group[data-layer='{layer}'] .fm-classes li input").nth(at)
        name = page.locator(f".fm-group[data-layer='{layer}'] .fm-classes li .fm-name").nth(at).inner_text()  # fmt: skip
        gone += words.count(name)
        box.focus()
        page.keyboard.press("Space")
        assert page.evaluate(f"fencemap.visible().{layer}") == len(frame) - gone
        now = page.evaluate("fencemap.counts()")
        assert now["shown"] == shown - gone
        assert page.inner_text("#fm-shown") == f"{now['shown']} of {now['count']} shown"
    assert gone > 0
    page.click("#fm-show-all")
    assert page.evaluate(f"fencemap.visible().{layer}") == len(frame)


def test_list_follows_the_filter(visit, map_file):
    """What the key hides is not in the list, and no tap on the map finds it."""
    page = visit(map_file)
    page.evaluate("fencemap.theme('contact')")
    page.click(".fm-group[data-layer='soil_contact'] .fm-classes li >> nth=0")
    page.click("#fm-list-tab")
    texts = page.eval_on_selector_all(
        ".fm-items button", "all => all.map((one) => one.textContent)"
    )
    assert texts
    assert not any("in contact" in text for text in texts)


def test_a_link_shows_what_the_key_hides(visit, map_file):
    """Asked for by name, a hidden thing is shown again, and the reader is told."""
    page = visit(map_file)
    page.evaluate("fencemap.theme('contact')")
    page.click(".fm-group[data-layer='soil_contact'] .fm-classes li >> nth=0")
    page.evaluate("fencemap.go('soil_contact/A1-R1-B1')")
    page.locator(".fm-card[data-id='A1-R1-B1']").wait_for()
    assert "hidden by the key" in page.inner_text("#fm-live")


def test_layer_switch(visit, map_file, layers):
    """A layer's box takes it off and puts it back; another colouring keeps the count."""
    page = visit(map_file)
    page.evaluate("fencemap.theme('survey')")
    page.click("#fm-layer-stones")
    assert "stones" not in page.evaluate("fencemap.visible()")
    page.click("#fm-layer-stones")
    assert page.evaluate("fencemap.visible().stones") == len(layers["stones"])
    page.select_option("#fm-classing-elements", "kind")
    lines = key_lines(page, "elements")
    kinds = layers["elements"]["kind"].value_counts()
    assert {name: count for name, (count, _) in lines.items()} == kinds.to_dict()


def test_contact_answer(visit, map_file, layers):
    """The sentence says the metres of the frame: touching, undecided, not seen, all rails."""
    page = visit(map_file)
    page.evaluate("fencemap.theme('contact')")
    frame = layers["soil_contact"]
    metres = frame.groupby("contact")["length_m"].sum()
    text = page.inner_text("#fm-lead")
    for value in (metres["in contact"], metres["undecided"], metres["not seen"], metres.drop("no rail").sum()):  # fmt: skip
        assert (f"{value:.1f} m" if value < 100 else f"{value:.0f} m") in text


def test_rings_are_true_to_scale(visit, tmp_path):
    """The accuracy ring holds 95 % of a round scatter: 2.4477 standard deviations, to scale."""
    layers = {"elements": ground(columns=1, rows=1)["elements"].iloc[:1]}
    layers["elements"] = layers["elements"].assign(sigma_h_m=2.0)
    page = visit(write_map(tmp_path / "map.html", layers))
    page.evaluate("fencemap.map.setZoom(20, {animate: false})")
    page.click("#fm-rings")
    # Leaflet's own equator-metre at zoom 20, the latitude's cosine, sqrt(-2 ln 0.05) = 2.4477
    latitude = page.evaluate("fencemap.map.getCenter().lat")
    import math

    wanted = 2.0 * math.sqrt(-2 * math.log(0.05)) / (156543.034 * math.cos(math.radians(latitude)) / 2**20)  # fmt: skip
    reach = page.evaluate(
        """() => { const c = document.querySelector('canvas.leaflet-zoom-animated');
        const ctx = c.getContext('2d'), y = Math.round(c.height / 2);
        const d = ctx.getImageData(0, y, c.width, 1).data; const dark = [];
        for (let x = 0; x < c.width; x += 1) if (d[4 * x + 3] > 200 && d[4 * x] < 90) dark.push(x);
        return (dark[dark.length - 1] - dark[0]) / 2 / (c.width / parseFloat(c.style.width)); }"""
    )
    assert reach == pytest.approx(wanted, abs=2.0)
