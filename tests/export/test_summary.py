"""The summary page and the plain sentences: counts by hand, inert text, nothing left out."""

from __future__ import annotations

import re
from functools import cache
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
import shapely
from small_ground import (
    EAST,
    NORTH,
    SURVEY,
    FakeRun,
    frame,
    line,
    make_curbs,
    make_lots,
    make_reach,
    make_runs,
    make_site,
    make_stones,
    make_work,
)

from fencemap.cautions import triggered
from fencemap.export import figures
from fencemap.export.accuracy import checks_of
from fencemap.export.paper import esc, number
from fencemap.export.summary import plain_sentences
from fencemap.export.summary_page import summary_html
from fencemap.find.exposure_steps import exposure_of_stone
from fencemap.layers import layer
from fencemap.plan.steps import account_for_stones, cover_stones, protect_zones

HOSTILE = [
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "{{ 7*7 }} ${7*7} `x`", "</style><b>",
    "&lt;not twice&gt;", "javascript:alert(1)", "line\nbreak\x00\x1b[31m", "\u202egnp.exe", "A" * 900,
]  # fmt: skip


def rejected(*rows):
    """Refused rows from (file, row, code, reason)."""
    keys = ("source_file", "source_row", "code", "reason")
    return frame("rejected", [dict(zip(keys, row, strict=True)) for row in rows])


def contact_layer(*stretches):
    """Soil contact from (verdict, length, expected contact)."""
    rows = [
        {"run_id": "R1", "contact": verdict, "length_m": length, "expected_contact_m": expected}
        for verdict, length, expected in stretches
    ]
    return frame("soil_contact", rows, [line((0, 0), (1, 0))] * len(rows))


def bays_layer(*bays):
    """Bays judged from (grade, length, make safe)."""
    rows = [
        {
            "bay_id": f"B{i}",
            "run_id": "R1",
            "worst_condition": grade,
            "length_m": length,
            "make_safe": unsafe,
        }
        for i, (grade, length, unsafe) in enumerate(bays)
    ]
    return frame("condition_bays", rows, [line((0, 0), (1, 0))] * len(rows))


@cache
def small_layers(name="S1", remark="plain"):
    """A whole small result: survey, contact, condition, exposure, zones, ledger, covers."""
    runs = make_runs(("R1", [(0, 0), (10, 0)], {}))
    stones = make_stones(
        (name, (4, 0.2, 4.4, 0.4), {"remarks": remark}),
        ("S2", (6, 0.5, 6.4, 0.7), {}),
        ("S3", (4, 30, 5, 31), {}),
    )
    curbs = make_curbs(("C1", (0, -0.1, 2, 0.1), {}))
    work, lots = (
        make_work(("1", "converter brushed", "*", "2026-05-04")),
        make_lots(lot_1="negative"),
    )
    given = {"site": make_site(), "survey": SURVEY, "run": FakeRun()}
    reach = make_reach(stones, curbs, runs)
    exposure = exposure_of_stone(stones, curbs, reach, runs, work, lots, **given)["exposure"]
    return {
        "stones": stones, "curbs": curbs, "lots": lots, "runs": runs, "stone_reach": reach, "exposure": exposure, "work": work,
        "rejected": rejected(("stones.csv", 9, "not-a-number", remark), ("stones.csv", 11, "not-a-number", "x"), ("elements.csv", 4, "bad-text", "y")),
        "soil_contact": contact_layer(("in contact", 2.0, 1.9), ("clear", 5.5, 0.01), ("undecided", 1.0, 0.4), ("not seen", 1.0, np.nan), ("over stone", 0.5, 0.0), ("no rail", 3.0, 0.0)),
        "condition_bays": bays_layer((3, 2.0, True), (3, 1.5, False), (0, 6.5, False)),
        "protection_zones": protect_zones(exposure, runs, work, lots, **given)["protection_zones"],
        "stone_ledger": account_for_stones(stones, curbs, exposure, reach, runs, work, lots, **given)["stone_ledger"],
        "covers": cover_stones(exposure, stones, curbs, runs, work, lots, **given)["covers"],
    }  # fmt: skip


def page_of(layers, **more):
    """Write the page."""
    run = FakeRun(more.pop("practice", None))
    return summary_html(
        layers, site=make_site(), survey=SURVEY, generated="2026-04-14", practice=run.practice,
        cautions=triggered(layers), **more,
    )  # fmt: skip


class Words(HTMLParser):
    """Tags, attributes and the text that a reader sees."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.tags, self.attributes, self.text, self.inside = [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        self.inside.append(tag)

    def handle_endtag(self, tag):
        while self.inside and self.inside.pop() != tag:
            pass

    def handle_data(self, data):
        if "style" not in self.inside[-1:]:
            self.text.append(data)


def seen(markup):
    """Parse a page; its text with spaces put together."""
    words = Words()
    words.feed(markup)
    return words, re.sub(r"\s+", " ", " ".join(words.text))


def test_rows_are_counted_once():
    """3 stones and 1 curb and 1 lot and 2 levels kept, 3 refused: 10 rows read from 5 files, counted by hand."""
    levels = frame(
        "levels",
        [{"element_id": "P", "target": "rail underside", "height_m": 1.0}] * 2,
        keys=["a", "b"],
    )
    held = figures.reading(small_layers() | {"levels": levels})
    assert (held.read, held.kept, held.rejected, len(held.files)) == (10, 7, 3, 5)
    assert held.reasons[["code", "rows"]].to_numpy().tolist() == [
        ["not-a-number", 2],
        ["bad-text", 1],
    ]


def test_heights_in_element_rows_are_not_rows_of_their_own():
    """A level made from an element's row is that row, not another one."""
    elements = frame(
        "elements", [{"element_id": "P1", "kind": "post"}], [shapely.Point(EAST, NORTH, 1)]
    )
    levels = frame(
        "levels",
        [
            {
                "element_id": "P1",
                "target": "ground",
                "height_m": 1.0,
                "source_file": "elements.csv",
                "source_row": 2,
            }
        ],
    )
    assert figures.reading({"elements": elements, "levels": levels}).read == 1


def test_contact_adds_up_by_hand():
    """10 m of rail and a 3 m opening; 1.9 + 0.01 + 0.4 = 2.31 m expected in contact."""
    held = figures.contact(small_layers())
    assert held.total_m == pytest.approx(10.0)
    assert held.expected_m == pytest.approx(2.31)
    _, text = seen(page_of(small_layers()))
    assert "in contact with soil 2.0 20.0" in text
    assert "not seen 1.0 10.0" in text
    assert "opening, no rail there 3.0" in text
    assert "2.3 m." in text


def test_worst_condition_is_never_averaged_away():
    """Two bays of grade 3 (3.5 m) come first, with the one to be made safe by name."""
    _, text = seen(page_of(small_layers()))
    assert "3, worst 2 3.5 0, sound 1 6.5" in text
    assert "To be made safe first: B0" in text


def test_stones_to_cover_first_are_ranked():
    """Curb under the rail, then S1 at 0.2 m, then S2 at 0.5 m; S3 at 30 m is not there."""
    _, text = seen(page_of(small_layers()))
    first = text[text.index("Stone to cover first") : text.index("Stone within")]
    assert first.index("C1") < first.index("S1") < first.index("S2")
    assert "S3" not in first
    assert "splash sheet" in first


def test_zones_and_ledger_add_up_in_the_page():
    """Converter: 3 of 4 listed, 1 free; capsule 20 x 0.6 + pi 0.36 = 13.1 m2."""
    _, text = seen(page_of(small_layers()))
    assert re.search(r"1, converter brushed 13 3 1 6\.0 –", text)


def test_page_names_practice_with_its_source_and_what_the_site_set():
    """The site's own value stands under its own heading; values of operations not planned are left out."""
    _, text = seen(page_of(small_layers(), practice={"contact.gap_mm": 17}))
    practice = text[text.index("Practice values used") :]
    assert re.search(r"Set by the site contact\.gap_mm = 17 mm", practice)
    assert "operation.converter brushed.reach_m = 0.6 m" in practice
    assert "BS 5837" in practice
    assert "grinding" not in practice


def test_page_shows_every_caution_that_its_content_calls_for():
    """Each caution with its whole text; converter on stone among them."""
    layers = small_layers()
    _, text = seen(page_of(layers))
    held = triggered(layers)
    assert "converter-on-stone" in {caution.id for caution in held}
    for caution in held:
        assert caution.title in text
        assert caution.text in text


@pytest.mark.parametrize("evil", HOSTILE, ids=range(len(HOSTILE)))
def test_survey_text_stays_text(evil):
    """Whatever a survey writes is read as it stands and never becomes markup."""
    plain, _ = seen(page_of(small_layers()))
    layers = small_layers(name=evil.replace("\n", " "), remark=evil)
    words, text = seen(page_of(layers))
    assert words.tags == plain.tags
    assert not [name for name, _ in words.attributes if name.startswith("on")]
    if evil.isprintable() and "  " not in evil:
        assert evil in text
    assert not re.search("[\x00-\x08\x0e-\x1f\u202a-\u202e]", page_of(layers))


def test_page_asks_for_nothing_and_runs_nothing():
    """No script, link, frame or address; the content policy forbids them all."""
    markup = page_of(small_layers())
    words, _ = seen(markup)
    assert not {"script", "link", "iframe", "img", "object", "form"} & set(words.tags)
    assert not re.search(r"https?:|src=|url\((?!#)|@import", markup)
    policy = dict(words.attributes)["content"]
    assert "default-src 'none'" in markup
    assert policy
    assert 'lang="en"' in markup


def test_page_is_the_same_whatever_the_order_of_rows():
    """Layers in another row order give the same page."""
    layers = small_layers()
    turned = {name: held.iloc[::-1].reset_index(drop=True) for name, held in layers.items()}
    assert page_of(turned) == page_of(layers)


def test_sections_of_what_was_not_made_are_left_out():
    """A survey without plan or contact gives a page without those sections, not zeros."""
    _, text = seen(page_of({"stones": small_layers()["stones"]}))
    for title in ("Bottom rail and soil", "Condition", "Zones and covers", "Stone to cover first"):
        assert title not in text
    assert "3 rows read" in text
    assert "No row was rejected." in text


def test_long_names_do_not_break_plain_sentences():
    """At least six sentences: rows, fence, contact, condition, touching stone, covers, cautions."""
    said = plain_sentences(small_layers(), into=None)
    assert len(said) >= 6
    joined = " ".join(said)
    for part in (
        "8 rows read from 4 files: 5 kept, 3 rejected (2 not-a-number, 1 bad-text)", "10.0 m long, in 1 runs",
        "2.0 m in contact with soil", "1.0 m undecided", "5.5 m clear", "1.0 m not seen", "0.5 m over stone",
        "grade 3", "1 must be made safe", "2 of 4 stones and curbs lie within 0.3 m of iron",
        "Phase 1: 3 stones and curbs to cover or cordon, first of all C1 (converter brushed)", "cautions apply",
    ):  # fmt: skip
        assert part in joined, part
    assert all(sentence.endswith(".") for sentence in said)


def test_sentences_of_nothing():
    """An empty result still says what was read and which cautions hold."""
    said = plain_sentences({})
    assert said[0].startswith("0 rows read from 0 files")
    assert any("2 cautions apply" in sentence for sentence in said)


class FlatGround:
    """A ground model 2 x 2 cells with one hole."""

    origin = "test"

    def __init__(self):
        from affine import Affine

        from fencemap.crs import site_crs
        from fencemap.grid import Grid

        self.grid = Grid(Affine(1, 0, EAST, 0, -1, NORTH + 4), (4, 4), site_crs("EPSG:32631"))

    def read(self, window):
        whole = np.full((4, 4), np.nan, np.float32)
        whole[:, :] = np.array([10.0, 10.5, 11.0, 11.5])
        whole[3, 3] = np.nan
        out = np.full(window.shape, np.nan, np.float32)
        for i in range(window.rows):
            for j in range(window.columns):
                row, column = window.row + i, window.column + j
                if 0 <= row < 4 and 0 <= column < 4:
                    out[i, j] = whole[row, column]
        return out


def test_ground_is_checked_between_its_cells():
    """A plane rising 0.5 m a metre east: 10.25 m between the first two centres; a hole is not seen."""
    rows = [
        {
            "element_id": "a",
            "easting": EAST + 1.0,
            "northing": NORTH + 2.0,
            "height": 10.20,
            "of": "ground",
        },
        {
            "element_id": "b",
            "easting": EAST + 2.5,
            "northing": NORTH + 2.5,
            "height": 11.05,
            "of": "ground",
        },
        {
            "element_id": "c",
            "easting": EAST + 3.4,
            "northing": NORTH + 0.6,
            "height": 11.0,
            "of": "ground",
        },
    ]
    points = frame(
        "check_points", rows, [shapely.Point(row["easting"], row["northing"]) for row in rows]
    )
    (check,) = checks_of(points, FlatGround())
    assert (check.of, check.height.n, check.not_seen) == ("ground", 2, 1)
    assert check.height.mean == pytest.approx(0.0, abs=1e-6)  # +0.05 and -0.05
    assert check.height.rmse == pytest.approx(0.05, abs=1e-6)
    assert checks_of(points, None) == []
    _, text = seen(page_of({}, checks=[check]))
    assert "1 points lie where nothing was seen" in text
    assert "Fewer than 30 points" in text


def test_a_bias_is_said():
    """Seven published points whose mean easting is 65 % of the RMSE are called biased."""
    east = [-0.060, 0.100, -0.060, -0.112, -0.120, -0.100, -0.060]  # PERS 80(5), May 2014, p. 397
    rows = [
        {
            "element_id": str(i),
            "easting": EAST + d,
            "easting_known": EAST,
            "northing": NORTH,
            "northing_known": NORTH,
            "of": "survey",
        }
        for i, d in enumerate(east)
    ]
    points = frame("check_points", rows, [shapely.Point(EAST, NORTH)] * len(rows))
    _, text = seen(page_of({}, checks=checks_of(points)))
    assert "The mean of easting is more than 25 % of its RMSE: perhaps a bias." in text


@pytest.mark.parametrize(
    ("value", "digits", "expected"),
    [
        (1234.5, 1, "1,234.5"),
        (None, 0, "–"),
        (float("nan"), 1, "–"),
        (pd.NA, 0, "–"),
        (-0.04, 1, "0.0"),
        (0, 0, "0"),
    ],
)
def test_numbers_are_written_for_reading(value, digits, expected):
    """Grouped and rounded; nothing is a dash, never zero."""
    assert number(value, digits) == expected


def test_escape_covers_attributes():
    """Both quotes and all three signs of markup are escaped."""
    assert esc("<&>\"'") == "&lt;&amp;&gt;&quot;&#x27;"


def test_layers_of_the_page_are_in_the_catalogue():
    """What the sections read are names that the catalogue has."""
    for name in (
        "soil_contact",
        "condition_bays",
        "stone_reach",
        "exposure",
        "covers",
        "protection_zones",
        "stone_ledger",
    ):
        assert layer(name)


def test_a_long_list_of_unsafe_bays_says_how_many_more():
    """Of 63 bays to be made safe the page names 60 and says that there are 3 more."""
    _, text = seen(page_of({"condition_bays": bays_layer(*[(3, 1.0, True)] * 63)}))
    assert "B59 and 3 more, in the layer condition_bays" in text
    assert "B60" not in text
