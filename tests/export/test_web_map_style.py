"""Looks: every layer and word has one, and no two can be taken for each other."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest

from fencemap.export.web_map.strings import english
from fencemap.export.web_map.style import GRADES, PATTERNS, SHAPES, STEPS, STYLES, THEMES
from fencemap.layers import CATALOGUE
from fencemap.vocabularies import words

# Machado, Oliveira and Fernandes 2009, table for severity 1.0, on linear RGB.
VISION = {
    "normal": np.eye(3),
    "no red cones": np.array([[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]),
    "no green cones": np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]),
    "no blue cones": np.array([[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]),
    "grey print": np.array([[0.2126, 0.7152, 0.0722]] * 3),
}  # fmt: skip


def lab(colour: str, vision: str) -> np.ndarray:
    """CIELAB (D65) of an sRGB colour as an eye with `vision` sees it (IEC 61966-2-1, CIE 15)."""
    parts = np.array([int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)])
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    seen = np.clip(VISION[vision] @ linear, 0, 1)
    xyz = np.array([[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]) @ seen  # fmt: skip
    ratio = xyz / [0.95047, 1.0, 1.08883]
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def ciede2000(one, two) -> float:
    """Colour difference CIEDE2000 (CIE 142-2001)."""
    (l1, a1, b1), (l2, a2, b2) = one, two
    c = (math.hypot(a1, b1) + math.hypot(a2, b2)) / 2
    g = 0.5 * (1 - math.sqrt(c**7 / (c**7 + 25**7)))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = math.hypot(a1, b1), math.hypot(a2, b2)
    h1, h2 = (math.degrees(math.atan2(b, a)) % 360 if b or a else 0.0 for a, b in ((a1, b1), (a2, b2)))  # fmt: skip
    dh = 0.0 if c1 * c2 == 0 else (h2 - h1 + 180) % 360 - 180
    dl, dc, dbig = l2 - l1, c2 - c1, 2 * math.sqrt(c1 * c2) * math.sin(math.radians(dh / 2))
    lm, cm = (l1 + l2) / 2, (c1 + c2) / 2
    hm = h1 + h2 if c1 * c2 == 0 else ((h1 + h2) / 2 if abs(h1 - h2) <= 180 else (h1 + h2 + (360 if h1 + h2 < 360 else -360)) / 2)  # fmt: skip
    t = 1 - 0.17 * math.cos(math.radians(hm - 30)) + 0.24 * math.cos(math.radians(2 * hm)) + 0.32 * math.cos(math.radians(3 * hm + 6)) - 0.20 * math.cos(math.radians(4 * hm - 63))  # fmt: skip
    sl = 1 + 0.015 * (lm - 50) ** 2 / math.sqrt(20 + (lm - 50) ** 2)
    sc, sh = 1 + 0.045 * cm, 1 + 0.015 * cm * t
    rc = 2 * math.sqrt(cm**7 / (cm**7 + 25**7))
    rt = -rc * math.sin(math.radians(60 * math.exp(-(((hm - 275) / 25) ** 2))))
    return math.sqrt((dl / sl) ** 2 + (dc / sc) ** 2 + (dbig / sh) ** 2 + rt * dc / sc * dbig / sh)


@pytest.mark.parametrize(
    ("one", "two", "wanted"),
    [
        ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
        ((50.0, -1.1848, -84.8006), (50.0, 0.0, -82.7485), 1.0000),
        ((50.0, 2.5, 0.0), (61.0, -5.0, 29.0), 22.8977),
        ((22.7233, 20.0904, -46.6940), (23.0331, 14.9730, -42.5619), 2.0373),
        ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
    ],
)
def test_the_measure_of_difference(one, two, wanted):
    """The formula gives the values that Sharma, Wu and Dalal (2005) print, pairs 1, 5, 17, 33, 34."""
    assert ciede2000(one, two) == pytest.approx(wanted, abs=0.0001)


@pytest.mark.parametrize("vision", VISION)
@pytest.mark.parametrize("palette", [GRADES, STEPS], ids=["grades", "steps"])
def test_colours_stay_apart(palette, vision):
    """Any two colours differ by more than 10 for every kind of eye and on a grey print.

    A difference of 2.3 is just seen; red, amber and green fall to 2 without green cones.
    """
    least = min(ciede2000(lab(one, vision), lab(two, vision)) for one, two in combinations(palette, 2))  # fmt: skip
    assert least > 10


def test_darker_is_worse():
    """Lightness falls with every grade, and the line grows wider."""
    lightness = [lab(colour, "normal")[0] for colour in GRADES]
    assert lightness == sorted(lightness, reverse=True)
    looks = {look.value: look for look in STYLES["condition_bays"].classings[0].looks}
    assert [looks[grade].width for grade in range(4)] == sorted(looks[grade].width for grade in range(4))  # fmt: skip


def test_layers_and_fields_are_the_catalogue_s():
    """Each style names a layer of the catalogue and fields it has; each theme, layers with a style."""
    for name, style in STYLES.items():
        columns = CATALOGUE[name].columns
        named = [style.id_field, style.measure, style.names, style.ring, style.rank, *style.facts]
        named += [classing.field for classing in style.classings if not classing.field.startswith("@")]  # fmt: skip
        assert [field for field in named if field and field not in columns] == [], name
        assert CATALOGUE[name].spatial
    for theme in THEMES:
        assert set(theme.layers) <= set(STYLES)
        assert set(theme.on) <= set(theme.layers)
        assert set(theme.subject) <= set(CATALOGUE)


def test_every_word_has_a_look():
    """Where a layer is sorted by a controlled word, each word of the list has its own look."""
    for name, style in STYLES.items():
        for classing in style.classings:
            if classing.field in ("", "@work"):
                continue
            field = CATALOGUE[name].field(classing.field)
            if field.vocabulary:
                values = {look.value for look in classing.looks} - {None}
                assert values == words(field.vocabulary), (name, classing.field)
            elif field.dtype == "integer":
                assert {0, 1, 2, 3} <= {look.value for look in classing.looks}


@pytest.mark.parametrize("name", STYLES)
def test_no_colour_stands_alone(name):
    """Two classes of a layer never differ in colour only: shape, dashes, width or hatch differ too."""
    for classing in STYLES[name].classings:
        marks = [
            {
                "point": (look.shape,),
                "line": (look.shape, look.dash, look.width),
                "area": (look.dash, look.width, look.pattern, round(look.fill, 1)),
            }[STYLES[name].draw]
            for look in classing.looks
        ]
        assert len(set(marks)) == len(marks), classing.field


def test_every_look_can_be_drawn_and_named():
    """Shapes and hatches exist, and what is no word of the data has its words."""
    known = english()
    for name, style in STYLES.items():
        assert known["layer"][name]
        for classing in style.classings:
            if len(style.classings) > 1 and classing.field not in ("", "@work"):
                assert known["classing"][classing.field]
            for look in classing.looks:
                assert look.shape == "" or look.shape in SHAPES
                assert look.pattern == "" or look.pattern in PATTERNS
                assert look.label == "" or known["class"][look.label]
                assert not isinstance(look.value, int) or look.label
    for theme in THEMES:
        assert known["theme"][theme.id]
        assert known["question"][theme.id]
