"""How each layer is drawn, and which layers answer which question.

Colours are viridis, whose steps stay apart for the common kinds of colour
blindness and on a grey print (a test measures it). No colour stands alone:
each class also has a shape, a line width with its dashes, or a hatch, and
its words in the key. Shapes are SVG paths in a box from -1 to 1, so that the
canvas and the key draw the very same thing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = [
    "GRADES",
    "PATTERNS",
    "SHAPES",
    "STEPS",
    "STYLES",
    "THEMES",
    "Classing",
    "LayerStyle",
    "Look",
    "Theme",
]

# Four steps for grades 0 to 3, darker is worse; five for everything else.
GRADES = ("#fde725", "#35b779", "#31688e", "#440154")
STEPS = ("#440154", "#3b528b", "#21918c", "#5ec962", "#fde725")
_PALE, _GREY, _INK = "#fbfaf6", "#8f9298", "#33363c"

SHAPES: dict[str, str] = {
    "circle": "M-1 0A1 1 0 1 0 1 0A1 1 0 1 0 -1 0Z",
    "square": "M-.88 -.88H.88V.88H-.88Z",
    "diamond": "M0 -1.2L1.2 0L0 1.2L-1.2 0Z",
    "triangle": "M0 -1.2L1.15 .85H-1.15Z",
    "flag": "M0 1.2L1.15 -.85H-1.15Z",
    "bar": "M-1.35 -.5H1.35V.5H-1.35Z",
    "upright": "M-.5 -1.35H.5V1.35H-.5Z",
    "plus": "M-.4 -1.15H.4V-.4H1.15V.4H.4V1.15H-.4V.4H-1.15V-.4H-.4Z",
    "cross": "M-1.1 -.6L-.6 -1.1L0 -.5L.6 -1.1L1.1 -.6L.5 0L1.1 .6L.6 1.1L0 .5L-.6 1.1L-1.1 .6L-.5 0Z",
    "hexagon": "M-1.1 0L-.55 -.95H.55L1.1 0L.55 .95H-.55Z",
    "star": "M0 -1.3L.38 -.42L1.3 -.4L.6 .18L.82 1.1L0 .6L-.82 1.1L-.6 .18L-1.3 -.4L-.38 -.42Z",
    "ring": "M-1 0A1 1 0 1 0 1 0A1 1 0 1 0 -1 0ZM-.45 0A.45 .45 0 1 1 .45 0A.45 .45 0 1 1 -.45 0Z",
}
_SHAPE_ORDER = (
    "circle", "square", "diamond", "triangle", "plus", "hexagon", "bar", "flag", "star", "cross",
    "upright",
)  # fmt: skip

# Hatches by name: SVG path in an 8 x 8 tile that repeats.
PATTERNS: dict[str, str] = {
    "rising": "M-2 2L2 -2M0 8L8 0M6 10L10 6",
    "falling": "M-2 6L2 10M0 0L8 8M6 -2L10 2",
    "level": "M0 4H8",
    "plumb": "M4 0V8",
    "net": "M0 4H8M4 0V8",
    "lattice": "M-2 2L2 -2M0 8L8 0M6 10L10 6M-2 6L2 10M0 0L8 8M6 -2L10 2",
    "dots": "M3.2 4a.8 .8 0 1 0 1.6 0a.8 .8 0 1 0 -1.6 0",
}

Draw = Literal["point", "line", "area"]


@dataclass(frozen=True, slots=True)
class Look:
    """How one class is drawn; `value` is what stands in the data, None for an empty cell.

    `label` names an entry of the section ``class`` of `strings.toml`; without
    one the word of the data is shown. `fill` is the share of colour in areas.
    """

    value: str | int | bool | None
    colour: str
    shape: str = ""
    width: float = 3.0
    dash: tuple[int, ...] = ()
    pattern: str = ""
    fill: float = 0.55
    label: str = ""


@dataclass(frozen=True, slots=True)
class Classing:
    """One way to sort a layer's rows into classes.

    `field` is a column, or ``@work`` for the verdict of the stone ledger on
    the work that is chosen. Classes stand from the gravest down; `whole` keeps
    empty classes in the key, because a missing verdict is an answer too.
    """

    field: str
    looks: tuple[Look, ...]
    whole: bool = False


@dataclass(frozen=True, slots=True)
class LayerStyle:
    """How a layer is drawn, named and read.

    `measure` is summed in the key; `names` is the field written beside things
    when asked for; `facts` come first in the card; `ring` draws the 95 % circle
    from that standard deviation per axis; `merged` gives overlapping areas of one
    class one tint and one outline; `beneath` marks background layers
    that are drawn fainter.
    """

    layer: str
    draw: Draw
    classings: tuple[Classing, ...]
    id_field: str = "element_id"
    measure: str = ""
    names: str = ""
    facts: tuple[str, ...] = ()
    ring: str = ""
    rank: str = ""
    merged: bool = False
    beneath: bool = False


@dataclass(frozen=True, slots=True)
class Theme:
    """One question: its layers from the ground up, and those of them that are on at first."""

    id: str
    subject: tuple[str, ...]
    layers: tuple[str, ...]
    on: tuple[str, ...]
    works: bool = False


def _one(colour: str, **more: object) -> tuple[Classing, ...]:
    """Draw every row alike."""
    return (Classing("", (Look(None, colour, **more),)),)  # type: ignore[arg-type]


def _words(field: str, *words: str) -> Classing:
    """Give each word a colour and a shape of its own, in the vocabulary's order."""
    looks = [
        Look(word, STEPS[place % 5], _SHAPE_ORDER[place % len(_SHAPE_ORDER)])
        for place, word in enumerate(words)
    ]
    return Classing(field, (*looks, Look(None, _PALE, "ring", label="no_value")))


def _grades(field: str) -> Classing:
    """Grades 3 to 0: darker, thicker and with more corners is worse."""
    shapes, widths = ("circle", "square", "diamond", "triangle"), (3.0, 4.0, 5.5, 7.0)
    patterns, fills = ("", "dots", "rising", "lattice"), (0.45, 0.5, 0.55, 0.6)
    looks = [
        Look(grade, GRADES[grade], shapes[grade], widths[grade], (), patterns[grade],
             fills[grade], f"grade_{grade}")
        for grade in (3, 2, 1, 0)
    ]  # fmt: skip
    nothing = Look(None, _PALE, "ring", 3.0, (3, 5), "", 0.15, "no_grade")
    return Classing(field, (*looks, nothing), whole=True)


_CONTACT = Classing(
    "contact",
    (
        Look("in contact", STEPS[0], "circle", 7.0),
        Look("undecided", STEPS[2], "diamond", 5.5, (9, 5)),
        Look("not seen", _PALE, "cross", 4.0, (2, 6)),
        Look("over stone", STEPS[1], "square", 4.0, (14, 3, 3, 3)),
        Look("clear", STEPS[4], "", 3.5),
        Look("no rail", _GREY, "", 2.0, (1, 7)),
    ),
    whole=True,
)
_LEDGER = Classing(
    "@work",
    (
        Look("covered", STEPS[0], "", 1.5, (), "lattice", 0.7, "covered"),
        Look("reach", STEPS[2], "", 1.5, (), "rising", 0.6, "reach"),
        Look("free", _PALE, "", 1.2, (), "", 0.55, "free"),
        Look(None, _GREY, "", 1.0, (3, 3), "", 0.15, "unlisted"),
    ),
)
# Families of work: rain, dry dust, wet work on the iron, heat, ground. One colour and one dash each.
_RAIN, _DUST, _WET, _HEAT, _EARTH = (
    (STEPS[1], (1, 4)), (STEPS[4], ()), (STEPS[2], (7, 3)), (STEPS[0], (12, 3, 2, 3)), (STEPS[3], (3, 3)),
)  # fmt: skip
_OPERATIONS: tuple[tuple[str, tuple[str, tuple[int, ...]], str], ...] = (
    ("standing", _RAIN, "level"),
    ("brushing", _DUST, "dots"),
    ("drilling", _DUST, "plumb"),
    ("grinding", _DUST, "net"),
    ("washing", _WET, "level"),
    ("converter brushed", _WET, "rising"),
    ("converter sprayed", _WET, "lattice"),
    ("priming", _WET, "falling"),
    ("painting", _WET, "dots"),
    ("lead work", _HEAT, "lattice"),
    ("digging", _EARTH, "rising"),
    ("resetting", _EARTH, "falling"),
    ("access", _EARTH, "level"),
)
_ZONES = Classing(
    "operation",
    tuple(
        Look(word, colour, "", 1.4, dash, hatch, 0.4) for word, (colour, dash), hatch in _OPERATIONS
    ),
)
_COVERS = Classing(
    "cover",
    (
        Look("breathable sheet", STEPS[3], "", 2.0, (6, 3), "", 0.15),
        Look("splash sheet", STEPS[2], "", 2.0, (), "dots", 0.25),
        Look("ground sheet", STEPS[1], "", 2.0, (2, 3), "level", 0.12),
        Look("boards", STEPS[4], "", 2.0, (), "plumb", 0.2),
        Look("cordon", STEPS[0], "", 2.5, (10, 4), "", 0.05),
    ),
)
_ELEMENTS = (
    _grades("condition"),
    _words("kind", "post", "panel", "gate", "rail", "bracket", "bolt", "stay", "ornament",
           "footing", "stub", "fragment"),
    _words("presence", "missing", "loose on site", "in store", "in place", "absent by design",
           "unknown"),
    _words("seen", "not visited", "not accessible", "partly", "inspected"),
    _words("material", "cast iron", "wrought iron", "mild steel", "wire", "pipe", "zinc-coated",
           "mixed", "unknown"),
    _words("method", "gnss", "total station", "level", "tape", "traced", "photo"),
    _words("fix_quality", "fixed", "float", "dgps", "pps", "autonomous", "estimated", "none"),
)  # fmt: skip
_STONE_FACTS = (
    "kind",
    "stone_type",
    "stability",
    "condition",
    "iron_stain",
    "length_m",
    "width_m",
    "height_m",
)
_CONDITION_FACTS = (
    "worst_condition", "worst_element", "make_safe", "worst_rusted_area_pct", "rusted_area_pct",
    "fasteners_missing", "pickets_missing", "parts_missing", "contact_m", "undecided_m",
    "length_m", "inspected_m",
)  # fmt: skip

_LIST = (
    LayerStyle("lots", "area", _one(_GREY, width=1.0, dash=(6, 4), fill=0.0), "lot_id",
               names="lot_id", facts=("section", "lead_test"), beneath=True),
    LayerStyle("surroundings", "area", (Classing("kind", (
        Look("path", "#c9bda2", "", 0.8, (), "", 0.55),
        Look("building", "#6d6a66", "", 1.5, (), "falling", 0.4),
        Look("drain", STEPS[1], "flag", 2.0, (8, 3)),
        Look("service", "#7a4b2a", "plus", 2.0, (2, 4)),
        Look("grave", _INK, "cross", 1.2, (2, 2), "", 0.1))),),
        facts=("kind", "certainty", "width_m"), beneath=True),
    LayerStyle("root_protection", "area", _one("#5d7a3a", width=1.2, dash=(2, 4), fill=0.08),
               facts=("radius_m", "area_m2"), beneath=True),
    LayerStyle("no_dig", "area", _one("#7a4b2a", width=1.2, pattern="falling", fill=0.1), "of",
               facts=("reason", "of", "area_m2"), beneath=True),
    LayerStyle("fall_zones", "area", _one(STEPS[0], width=1.5, dash=(8, 4), fill=0.08),
               facts=("reason", "radius_m")),
    LayerStyle("not_seen", "area", _one(_INK, width=1.2, dash=(2, 3), pattern="dots", fill=0.05), "run_id",
               measure="length_m", facts=("why", "length_m")),
    LayerStyle("protection_zones", "area", (_ZONES,), "run_id", measure="area_m2", merged=True,
               facts=("operation", "phase", "reach_m", "widened_m", "reach_source", "harm",
                      "wind_stop_m_s", "stones", "area_m2")),
    LayerStyle("keep_out", "area", _one(STEPS[0], width=2.0, dash=(10, 4), fill=0.06), "reason",
               facts=("reason", "area_m2")),
    LayerStyle("curbs", "area", (*_one("#a39f95", width=1.0, fill=0.5), _LEDGER),
               facts=_STONE_FACTS[1:], beneath=True),
    LayerStyle("stones", "area", (*_one("#b9bcc0", width=1.0, fill=0.6), _LEDGER), names="element_id",
               facts=_STONE_FACTS, beneath=True),
    LayerStyle("covers", "area", (_COVERS,), "stone_id", measure="sheet_m2",
               facts=("cover", "operation", "phase", "sheet_m2", "area_m2", "off_by", "rank")),
    LayerStyle("dig_stretches", "area", (Classing("state", (
        Look("refused", STEPS[0], "", 2.0, (), "lattice", 0.4),
        Look("not consented", STEPS[2], "", 2.0, (6, 3), "rising", 0.3),
        Look("ready", STEPS[4], "", 2.0, (), "", 0.4)), whole=True),), "run_id", measure="volume_m3",
        facts=("state", "because", "depth_mm", "width_m", "volume_m3")),
    LayerStyle("condition_lots", "area", (_grades("worst_condition"),), "lot_id", measure="length_m",
               names="lot_id", facts=_CONDITION_FACTS),
    LayerStyle("trees", "point", _one("#5d7a3a", shape="hexagon"), facts=("species", "stem_diameter_mm", "height_m"),
               beneath=True),
    LayerStyle("flow_paths", "line", _one(STEPS[1], width=1.5, dash=(4, 3)), "run_id", measure="length_m",
               facts=("length_m", "slope_pct", "uncertain")),
    LayerStyle("interception_lines", "line", _one(STEPS[2], width=3.0, dash=(3, 3)), "run_id",
               measure="length_m", facts=("operation", "phase", "length_m")),
    LayerStyle("stone_reach", "line", _one(_INK, width=1.0), "stone_id",
               facts=("stone_id", "run_id", "distance_m", "side", "station_m", "height_difference_m")),
    LayerStyle("coverage", "line", (Classing("seen", (
        Look("not visited", STEPS[0], "cross", 5.0),
        Look("not accessible", STEPS[1], "square", 4.5, (10, 4)),
        Look("partly", STEPS[3], "diamond", 4.0, (6, 3)),
        Look("inspected", STEPS[4], "", 3.0)), whole=True),), "run_id", measure="length_m",
        facts=("seen", "length_m", "inspected_m")),
    LayerStyle("runs", "line", _one(_INK, width=2.2), "run_id", measure="length_m", names="run_id",
               facts=("material", "length_m", "post_count", "lots", "order_is", "sigma_h_m"), beneath=True),
    LayerStyle("condition_runs", "line", (_grades("worst_condition"),), "run_id", measure="length_m",
               names="run_id", facts=("run_id", *_CONDITION_FACTS)),
    LayerStyle("condition_bays", "line", (_grades("worst_condition"),), "bay_id", measure="length_m",
               names="bay_id", facts=("run_id", *_CONDITION_FACTS)),
    LayerStyle("soil_contact", "line", (_CONTACT,), "bay_id", measure="length_m",
               facts=("contact", "surface", "length_m", "expected_contact_m", "gap_mm", "least_gap_mm",
                      "any_contact_probability", "run_id")),
    LayerStyle("tape_plan", "point", _one(STEPS[3], shape="flag"), "bay_id", rank="rank",
               facts=("rank", "decides_m", "station_m", "run_id")),
    LayerStyle("control_points", "point", _one(STEPS[1], shape="triangle"), names="element_id",
               facts=("easting", "northing", "height")),
    LayerStyle("check_points", "point", _one(STEPS[3], shape="diamond"), names="element_id",
               facts=("of", "easting", "northing", "height")),
    LayerStyle("elements", "point", _ELEMENTS, names="element_id", ring="sigma_h_m",
               facts=("kind", "condition", "urgency", "make_safe", "material", "presence", "seen",
                      "connection", "fasteners_missing", "pickets_missing", "rusted_area_pct", "remarks")),
    LayerStyle("suspect", "point", _one(STEPS[0], shape="star"), facts=("reason", "remedy", "column", "value")),
)  # fmt: skip
STYLES: dict[str, LayerStyle] = {style.layer: style for style in _LIST}
"""Every layer that is drawn, from the ground up."""

_GROUND = ("lots", "surroundings", "curbs", "stones", "trees")
THEMES = (
    Theme(
        "condition",
        subject=("condition_bays", "condition_runs", "condition_lots"),
        layers=(*_GROUND, "condition_lots", "condition_runs", "condition_bays"),
        on=(*_GROUND, "condition_bays"),
    ),
    Theme(
        "contact",
        subject=("soil_contact",),
        layers=(*_GROUND, "not_seen", "soil_contact", "tape_plan", "dig_stretches"),
        on=(*_GROUND, "soil_contact", "tape_plan"),
    ),
    Theme(
        "protection",
        subject=("protection_zones", "stone_ledger", "exposure", "covers"),
        layers=(
            *_GROUND, "root_protection", "no_dig", "fall_zones", "protection_zones", "keep_out",
            "covers", "dig_stretches", "flow_paths", "interception_lines", "stone_reach", "runs",
        ),
        on=(*_GROUND, "protection_zones", "keep_out", "interception_lines", "runs"),
        works=True,
    ),
    Theme(
        "survey",
        subject=("elements", "suspect", "rejected"),
        layers=(
            *_GROUND, "coverage", "runs", "control_points", "check_points", "elements", "suspect",
        ),
        on=(*_GROUND, "runs", "control_points", "check_points", "elements", "suspect"),
    ),
)  # fmt: skip
