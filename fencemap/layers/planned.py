"""Layers that plan makes: zones, covers, quantities, setting out."""

from __future__ import annotations

from fencemap.layers._fields import ORIGIN, WHERE_ON_RUN, boolean, date, integer, real, text
from fencemap.schema import Field, GeometryKind, LayerSchema

__all__ = ["LAYERS"]

_FOR: tuple[Field, ...] = (
    text("phase", "Phase of the work", required=True),
    text("operation", "Operation", vocabulary="operation", required=True),
)
_AREA = real("area_m2", "m2", "Area", minimum=0)
_AREAS: tuple[GeometryKind, ...] = ("Polygon", "MultiPolygon")

PROTECTION_ZONES = LayerSchema(
    "protection_zones",
    "plan",
    "Ground and stone within an operation's reach; one zone a run, operation and phase, never one blob",
    (
        *ORIGIN,
        *_FOR,
        text("run_id", "Run", required=True),
        real("reach_m", "m", "Reach from the iron", minimum=0, required=True),
        real("widened_m", "m", "Of that, added for uncertain positions", minimum=0),
        text("reach_source", "Where the reach comes from", required=True),
        real("wind_stop_m_s", "m/s", "Wind at which the operation stops", minimum=0),
        real("holds_to_m_s", "m/s", "Steady wind up to which flakes and grit land inside; gusts carry farther; empty where it is not reckoned, as for spray", minimum=0),
        text("harm", "What it does to stone"),
        text("cautions", "Cautions that apply, by their ids, ; between them"),
        _AREA,
        integer("stones", "", "Stones listed for it", minimum=0),
    ),
    _AREAS,
)
STONE_LEDGER = LayerSchema(
    "stone_ledger",
    "plan",
    "One line a stone, operation and phase: covered because, or free because",
    (
        *ORIGIN,
        text("stone_id", "Element id of the stone or curb", required=True),
        text("stone_layer", "Layer of the stone", required=True),
        *_FOR,
        text("verdict", "Listed for protection, or free", vocabulary="ledger", required=True),
        text("because", "Why, in words", required=True),
        real("distance_m", "m", "Distance to the nearest iron worked on; empty if beyond the search", minimum=0),
        real("in_reach_probability", "", "Probability of being in reach", minimum=0, maximum=1),
        integer("rank", "", "Rank when listed", minimum=1),
    ),
)
COVERS = LayerSchema(
    "covers",
    "plan",
    "What is laid over each stone, and on the ground, before an operation",
    (
        *ORIGIN,
        *_FOR,
        text("stone_id", "Stone it covers; empty for a ground sheet"),
        text("run_id", "Run it belongs to"),
        text("cover", "Kind of cover", vocabulary="cover", required=True),
        _AREA,
        real("sheet_m2", "m2", "Sheet to buy, laps and faces included", minimum=0),
        text("off_by", "When it must be off again"),
        integer("rank", "", "Order of importance", minimum=1),
    ),
    _AREAS,
)
INTERCEPTION_LINES = LayerSchema(
    "interception_lines",
    "plan",
    "Where rinse water is caught before it meets stone",
    (*ORIGIN, *_FOR, text("run_id", "Run", required=True), real("length_m", "m", "Length", minimum=0)),
    ("LineString",),
)
KEEP_OUT = LayerSchema(
    "keep_out",
    "plan",
    "Where nobody goes while it is done",
    (*ORIGIN, *_FOR, text("reason", "Why", required=True), _AREA),
    _AREAS,
)
NO_DIG = LayerSchema(
    "no_dig",
    "plan",
    "Where nothing is dug",
    (*ORIGIN, text("reason", "Why", required=True), text("of", "What it protects"), _AREA),
    _AREAS,
)
ROOT_PROTECTION = LayerSchema(
    "root_protection",
    "plan",
    "Root protection areas",
    (
        *ORIGIN,
        text("element_id", "Tree", required=True),
        real("radius_m", "m", "12 x stem diameter, area at most 707 m2", minimum=0),
        _AREA,
    ),
    _AREAS,
)
FALL_ZONES = LayerSchema(
    "fall_zones",
    "plan",
    "Where a leaning or lifted thing could fall",
    (*ORIGIN, text("element_id", "Thing that could fall", required=True), real("radius_m", "m", "Radius", minimum=0), text("reason", "Why", required=True)),
    _AREAS,
)
DIG_STRETCHES = LayerSchema(
    "dig_stretches",
    "plan",
    "Where ground is lowered under a rail",
    (
        *ORIGIN,
        *WHERE_ON_RUN,
        text("state", "Ready, not consented or refused", vocabulary="dig_state", required=True),
        text("because", "Why"),
        real("depth_mm", "mm", "Depth", minimum=0),
        real("width_m", "m", "Width", minimum=0),
        real("volume_m3", "m3", "Volume", minimum=0),
        real("sigma_m3", "m3", "Its standard deviation", minimum=0),
    ),
    _AREAS,
)
RESETTING = LayerSchema(
    "resetting",
    "plan",
    "Posts and panels to be lifted or lowered",
    (
        *ORIGIN,
        text("element_id", "Post or panel", required=True),
        real("lift_mm", "mm", "Lift; below 0 lowers"),
        real("mass_kg", "kg", "Mass from section and density", minimum=0),
        text("because", "Why"),
    ),
)
WORK_ORDER = LayerSchema(
    "work_order",
    "plan",
    "Order of the work with what must come before what",
    (
        *ORIGIN,
        *_FOR,
        integer("place", "", "Place in the order", minimum=1, required=True),
        text("runs", "Runs"),
        date("earliest", "Earliest day"),
        text("waits_for", "What must be done or true before"),
        boolean("released", "Whether every gate is open"),
    ),
)
MATERIALS = LayerSchema(
    "materials",
    "plan",
    "Material to order, with how it was worked out",
    (
        *ORIGIN,
        text("phase", "Phase of the work", required=True),
        text("item", "What", required=True),
        real("quantity", "", "How much", minimum=0),
        text("unit", "Unit", required=True),
        text("formula", "How it was worked out", required=True),
    ),
)
SETTING_OUT = LayerSchema(
    "setting_out",
    "plan",
    "Corner points of zones and dig limits for the field",
    (
        *ORIGIN,
        text("point", "Short name", required=True),
        text("of", "What it belongs to", required=True),
        real("easting", "m", "Easting", required=True),
        real("northing", "m", "Northing", required=True),
        real("height", "m", "Height"),
    ),
    ("Point",),
)

LAYERS = (
    PROTECTION_ZONES,
    STONE_LEDGER,
    COVERS,
    INTERCEPTION_LINES,
    KEEP_OUT,
    NO_DIG,
    ROOT_PROTECTION,
    FALL_ZONES,
    DIG_STRETCHES,
    RESETTING,
    WORK_ORDER,
    MATERIALS,
    SETTING_OUT,
)
