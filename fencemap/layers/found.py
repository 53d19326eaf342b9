"""Layers that find makes: clearance, contact, exposure, condition, change."""

from __future__ import annotations

from fencemap.layers._fields import ORIGIN, WHERE_ON_RUN, boolean, date, integer, real, text
from fencemap.schema import Field, LayerSchema

__all__ = ["LAYERS"]

RAIL_CLEARANCE = LayerSchema(
    "rail_clearance",
    "find",
    "The gap under the bottom rail, step by step; Z is the rail's underside, M the station",
    (
        *ORIGIN,
        *WHERE_ON_RUN,
        text("bay_id", "Bay it lies in"),
        real("gap_mm", "mm", "Expected gap between rail and what lies under it; empty where nothing was seen"),
        real("sigma_mm", "mm", "Standard deviation of the gap", minimum=0),
        real("contact_probability", "", "Probability that the gap is at most the contact gap", minimum=0, maximum=1),
        text("contact", "Verdict", vocabulary="contact", required=True),
        text("surface", "What the rail meets there", vocabulary="surface", required=True),
        real("rail_m", "m", "Height of the rail's underside"),
        real("ground_m", "m", "Height of the ground, as corrected"),
        real("ground_left_m", "m", "Ground beside the fence, left of the run"),
        real("ground_right_m", "m", "Ground beside the fence, right of the run"),
    ),
    ("LineString",),
    has_z=True,
    has_m=True,
)
SOIL_CONTACT = LayerSchema(
    "soil_contact",
    "find",
    "Stretches of bottom rail of one verdict: in contact, clear, undecided, not seen",
    (
        *ORIGIN,
        *WHERE_ON_RUN,
        text("bay_id", "Bay it lies in"),
        text("contact", "Verdict", vocabulary="contact", required=True),
        text("surface", "What the rail meets there", vocabulary="surface"),
        real("length_m", "m", "Length of the stretch", minimum=0, required=True),
        real("expected_contact_m", "m", "Expected length in contact: the sum of the probabilities", minimum=0),
        real("any_contact_probability", "", "Probability that any of it touches, errors taken together", minimum=0, maximum=1),
        real("gap_mm", "mm", "Mean expected gap"),
        real("least_gap_mm", "mm", "Least expected gap"),
        real("sigma_mm", "mm", "Mean standard deviation", minimum=0),
    ),
    ("LineString",),
)
TAPE_PLAN = LayerSchema(
    "tape_plan",
    "find",
    "Stations where the next tape readings decide most",
    (
        *ORIGIN,
        text("run_id", "Run of fence", required=True),
        text("bay_id", "Bay"),
        real("station_m", "m", "Station along the run", minimum=0, required=True),
        integer("rank", "", "1 is worth most", minimum=1, required=True),
        real("decides_m", "m", "Metres it is expected to decide", minimum=0),
    ),
    ("Point",),
)
ALIGNMENT = LayerSchema(
    "alignment",
    "find",
    "Level and line of panels and posts",
    (
        *ORIGIN,
        *WHERE_ON_RUN,
        text("panel_id", "Panel"),
        real("level_difference_mm", "mm", "Rail height at the end less at the beginning"),
        real("line_offset_mm", "mm", "Distance of the posts from the run's line"),
        real("lean_deg", "deg", "Lean of the post", minimum=0, maximum=90),
    ),
    ("LineString",),
)
EXPOSURE = LayerSchema(
    "exposure",
    "find",
    "Each stone that an operation can reach, with how likely and how bad",
    (
        *ORIGIN,
        text("stone_id", "Element id of the stone or curb", required=True),
        text("stone_layer", "Layer of the stone", required=True),
        text("phase", "Phase of the work; 'standing' is rain over rusting iron all year", required=True),
        text("operation", "Operation", vocabulary="operation", required=True),
        text("run_id", "Nearest run of those worked on", required=True),
        real("station_m", "m", "Station of the nearest iron", minimum=0),
        text("side", "Side of the run", vocabulary="side"),
        real("distance_m", "m", "Nominal distance", minimum=0, required=True),
        real("sigma_m", "m", "Standard deviation of the distance", minimum=0),
        real("reach_m", "m", "Reach of the operation that was used", minimum=0, required=True),
        real("in_reach_probability", "", "Probability of being in reach", minimum=0, maximum=1, required=True),
        text("way", "How the harm gets there", vocabulary="way", required=True),
        text("stone_type", "Kind of stone", vocabulary="stone_type"),
        real("severity", "", "Irreversibility x sensitivity of the stone, 0 to 1", minimum=0, maximum=1, required=True),
        integer("rank", "", "1 is the worst of its phase", minimum=1, required=True),
        text("harm", "What would happen to the stone"),
        text("because", "Why it is listed, in words", required=True),
    ),
    ("Polygon",),
)
FLOW_PATHS = LayerSchema(
    "flow_paths",
    "find",
    "Way that water takes from the iron",
    (
        *ORIGIN,
        text("run_id", "Run it starts from", required=True),
        real("station_m", "m", "Station it starts from", minimum=0),
        real("length_m", "m", "Length", minimum=0),
        real("slope_pct", "%", "Mean slope", minimum=0),
        boolean("uncertain", "Too flat to be sure of the direction"),
    ),
    ("LineString",),
)
_COVERAGE: tuple[Field, ...] = (
    real("length_m", "m", "Length of fence", minimum=0, required=True),
    real("inspected_m", "m", "Of that, inspected", minimum=0),
)
_CONDITION: tuple[Field, ...] = (
    integer("worst_condition", "", "Worst grade of any part, 0 sound to 3; never averaged away", minimum=0, maximum=3),
    text("worst_element", "Element that has it"),
    integer("worst_urgency", "", "Most urgent grade of any part", minimum=0, maximum=3),
    boolean("make_safe", "Whether any part must be made safe first"),
    real("rusted_area_pct", "%", "Rusted area, weighted by length; parts that were looked at", minimum=0, maximum=100),
    real("worst_rusted_area_pct", "%", "Rusted area of the worst part", minimum=0, maximum=100),
    integer("astm_d610_grade", "", "Rust grade of the worst part after ASTM D610, 10 none to 0", minimum=0, maximum=10),
    text("iso_4628_3_grade", "Rust grade of the worst part after ISO 4628-3, Ri0 to Ri5"),
    integer("fasteners_missing", "", "Fasteners missing", minimum=0),
    integer("pickets_missing", "", "Pickets missing", minimum=0),
    integer("parts_missing", "", "Elements recorded as missing", minimum=0),
    real("contact_m", "m", "Expected length of bottom rail in soil contact", minimum=0),
    real("undecided_m", "m", "Length still undecided", minimum=0),
    *_COVERAGE,
)
CONDITION_BAYS = LayerSchema(
    "condition_bays",
    "find",
    "Condition of each bay: its panel or gate, its two posts and what hangs on them",
    (
        *ORIGIN,
        text("bay_id", "Bay", required=True, unique=True),
        text("run_id", "Run", required=True),
        text("lots", "Lots"),
        text("filled_by", "Panel, gate or nothing", vocabulary="filled_by"),
        text("material", "Material of the panel", vocabulary="material"),
        *_CONDITION,
    ),
    ("LineString",),
)
CONDITION_RUNS = LayerSchema(
    "condition_runs",
    "find",
    "Condition of each run",
    (
        *ORIGIN,
        text("run_id", "Run", required=True, unique=True),
        text("lots", "Lots"),
        text("material", "Material of most panels", vocabulary="material"),
        *_CONDITION,
    ),
    ("LineString",),
)
CONDITION_LOTS = LayerSchema(
    "condition_lots",
    "find",
    "Condition of each fenced lot; a party fence counts for both",
    (*ORIGIN, text("lot_id", "Lot", required=True, unique=True), *_CONDITION),
    ("Polygon", "MultiPolygon"),
)
REPAIRS = LayerSchema(
    "repairs",
    "find",
    "Mending, element by element",
    (
        *ORIGIN,
        text("element_id", "Element", required=True),
        text("repair", "What is done", vocabulary="repair", required=True),
        text("by_whom", "Who may do it", vocabulary="by_whom", required=True),
        text("trigger", "What was seen that asks for it", required=True),
        integer("count", "", "How many", minimum=0),
        text("size", "Size as written"),
    ),
)
STONE_CANDIDATES = LayerSchema(
    "stone_candidates",
    "find",
    "Shapes in the imagery that may be stone; nothing until confirmed on site",
    (*ORIGIN, real("confidence", "", "Calibrated confidence", minimum=0, maximum=1), real("height_m", "m", "Height above ground", minimum=0)),
    ("Polygon",),
)
NOT_SEEN = LayerSchema(
    "not_seen",
    "find",
    "Areas along the fence where the ground model has no ground",
    (*ORIGIN, text("run_id", "Run", required=True), text("why", "What is missing", required=True), real("length_m", "m", "Length of rail concerned", minimum=0)),
    ("Polygon", "MultiPolygon"),
)
CHANGES = LayerSchema(
    "changes",
    "find",
    "Differences between two surveys that are more than noise",
    (
        *ORIGIN,
        text("element_id", "Element", required=True),
        text("what", "What changed", required=True),
        text("survey_before", "Earlier survey", required=True),
        date("date_before", "Its date"),
        date("date_after", "Date of the later one"),
        real("difference", "", "Size of the change in the unit named in `what`"),
        real("sigma", "", "Standard deviation of the difference", minimum=0),
        real("least_detectable", "", "Smallest change this pair could have shown", minimum=0),
        text("verdict", "Change, noise or not seen", vocabulary="change"),
    ),
    ("Point", "LineString"),
)
COVERAGE = LayerSchema(
    "coverage",
    "find",
    "What was looked at and what was not",
    (*ORIGIN, text("run_id", "Run", required=True), text("seen", "How it was looked at", vocabulary="seen", required=True), *_COVERAGE),
    ("LineString",),
)

LAYERS = (
    RAIL_CLEARANCE,
    SOIL_CONTACT,
    TAPE_PLAN,
    ALIGNMENT,
    EXPOSURE,
    FLOW_PATHS,
    CONDITION_BAYS,
    CONDITION_RUNS,
    CONDITION_LOTS,
    REPAIRS,
    STONE_CANDIDATES,
    NOT_SEEN,
    CHANGES,
    COVERAGE,
)
