"""Layers that bring_in makes: what the surveyors delivered, checked and typed."""

from __future__ import annotations

from fencemap.layers._fields import (
    ELEMENT_REF,
    ORIGIN,
    OTHER,
    REMARKS,
    SIGMA,
    boolean,
    date,
    integer,
    real,
    text,
    time,
)
from fencemap.schema import Field, LayerSchema

__all__ = ["LAYERS"]

_GRADE = {"minimum": 0, "maximum": 3}

_IRON: tuple[Field, ...] = (
    text("material", "Iron or other metal", vocabulary="material"),
    text("material_evidence", "What the material was told by"),
    text("material_confidence", "How sure the surveyor was", vocabulary="confidence"),
    text("section", "Cross-section as written, such as '32x8 flat' or '16 square'"),
    real("length_mm", "mm", "Length of the piece", minimum=0),
    real("height_mm", "mm", "Height of the piece above its foot", minimum=0),
    text("connection", "State of its connections", vocabulary="connection"),
    text("fastener_kind", "Kind of fastener", vocabulary="fastener_kind"),
    text("fastener_size", "Size of the fastener as written"),
    integer("fasteners_missing", "", "Fasteners missing", minimum=0),
    integer("pickets_count", "", "Pickets the panel was made with", minimum=0),
    integer("pickets_missing", "", "Pickets missing", minimum=0),
    real("bend_mm", "mm", "Largest bow over the length of the piece", minimum=0),
    real("lean_deg", "deg", "Lean from plumb", minimum=0, maximum=90),
    real("lean_azimuth_deg", "deg", "Direction of the lean, clockwise from grid north", minimum=0, maximum=360),
    real("rusted_area_pct", "%", "Share of the surface that shows rust", minimum=0, maximum=100),
    real("pitting_mm", "mm", "Depth of the deepest pit", minimum=0),
    text("paint_colour", "Colour of old paint as observed"),
    text("paint_location", "Where that paint was found"),
    text("foundation", "What the piece stands in", vocabulary="foundation"),
)
_STONE: tuple[Field, ...] = (
    text("stone_type", "Kind of stone", vocabulary="stone_type"),
    real("length_m", "m", "Length of the stone", minimum=0),
    real("width_m", "m", "Width of the stone", minimum=0),
    real("height_m", "m", "Height above ground", minimum=0),
    real("azimuth_deg", "deg", "Direction its face looks, clockwise from grid north", minimum=0, maximum=360),
    text("stability", "Found by looking and a hand's touch only", vocabulary="stability"),
    boolean("iron_stain", "Rust stain seen on the stone"),
)
_JUDGEMENT: tuple[Field, ...] = (
    integer("condition", "", "0 sound to 3 worst, after EN 16096 in our own words", **_GRADE),
    integer("urgency", "", "0 can wait to 3 at once, after EN 16096 in our own words", **_GRADE),
    boolean("make_safe", "Must be made safe before anything else"),
    REMARKS,
    text("photos", "Photo file names, ; between them", sensitivity="restricted"),
)
_BEING: tuple[Field, ...] = (
    text("presence", "Whether the thing is there", vocabulary="presence"),
    text("seen", "How it was looked at; apart from whether it is there", vocabulary="seen"),
)
_PLACE: tuple[Field, ...] = (
    text("target", "Point of the thing that was measured", vocabulary="target"),
    text("method", "How it was measured", vocabulary="method"),
    text("fix_quality", "Quality of the satellite fix, NMEA 0183 words", vocabulary="fix_quality"),
    real("rod_height_m", "m", "Rod height as recorded", minimum=0, maximum=10),
    time("time", "When it was measured"),
    *SIGMA,
)

ELEMENTS = LayerSchema(
    "elements",
    "bring_in",
    "Iron of the fences as found: posts, panels, gates, stays and parts",
    (
        *ORIGIN,
        *ELEMENT_REF,
        text("kind", "What the thing is", vocabulary="kind", required=True),
        text("parent_id", "Element that this one belongs to"),
        text("lots", "Lots it encloses, ; between them (a party fence has two)"),
        text("run_id", "Run of fence it stands in"),
        integer("order", "", "Place in the run, counted along it", minimum=0),
        text("role", "Role in the run", vocabulary="role"),
        *_PLACE,
        *_BEING,
        *_IRON,
        *_JUDGEMENT,
        OTHER,
    ),
    ("Point",),
    has_z=True,
    placed=False,
)
LEVELS = LayerSchema(
    "levels",
    "bring_in",
    "Heights read on rails, posts and curbs",
    (
        *ORIGIN,
        text("element_id", "Element the height belongs to; or a run and station"),
        text("run_id", "Run the height belongs to"),
        real("station_m", "m", "Station along the run", minimum=0),
        text("bay_id", "Bay, when a rail steps at the post"),
        text("target", "What the height is of", vocabulary="target", required=True),
        real("height_m", "m", "Height in the site's height system", required=True),
        real("sigma_v_m", "m", "Standard deviation of the height", minimum=0),
        text("sigma_origin", "Where that standard deviation comes from"),
        text("method", "How it was measured", vocabulary="method"),
        time("time", "When it was measured"),
        OTHER,
    ),
)
GAP_READINGS = LayerSchema(
    "gap_readings",
    "bring_in",
    "Gaps between bottom rail and ground, taped or told in words",
    (
        *ORIGIN,
        text("panel_id", "Panel the reading was taken at; or a run and station"),
        text("run_id", "Run the reading was taken on"),
        real("station_m", "m", "Station along the panel or run", minimum=0),
        text("reading", "The reading as written", required=True),
        real("gap_mm", "mm", "Gap when it was read as a number"),
        real("gap_min_mm", "mm", "Least gap that the reading allows; empty is no limit"),
        real("gap_max_mm", "mm", "Largest gap that the reading allows; empty is no limit"),
        text("surface", "What lies under the rail there", vocabulary="surface"),
        text("side", "Side of the fence that was read", vocabulary="side"),
        real("sigma_mm", "mm", "Standard deviation of a taped gap", minimum=0),
        text("method", "How it was measured", vocabulary="method"),
        time("time", "When it was measured"),
        OTHER,
    ),
)
STONES = LayerSchema(
    "stones",
    "bring_in",
    "Grave markers, steps and walls: stone that the work could harm",
    (
        *ORIGIN,
        *ELEMENT_REF,
        text("kind", "What the stone is", vocabulary="stone_kind", required=True),
        text("lots", "Lots it stands in, ; between them"),
        *_STONE,
        *_PLACE,
        *_BEING,
        *_JUDGEMENT,
        OTHER,
    ),
    ("Polygon",),
)
CURBS = LayerSchema(
    "curbs",
    "bring_in",
    "Curb stones and copings that edge a lot",
    (
        *ORIGIN,
        *ELEMENT_REF,
        text("lots", "Lots it edges, ; between them"),
        text("run_id", "Run of fence that stands on it"),
        *_STONE,
        real("top_m", "m", "Height of the curb's top in the site's height system"),
        real("base_m", "m", "Height of its underside; empty counts as ground level where digging is asked"),
        *_PLACE,
        *_BEING,
        *_JUDGEMENT,
        OTHER,
    ),
    ("Polygon",),
)
TREES = LayerSchema(
    "trees",
    "bring_in",
    "Trees, for root protection",
    (
        *ORIGIN,
        *ELEMENT_REF,
        text("species", "Species as written"),
        real("stem_diameter_mm", "mm", "Stem diameter at 1.5 m; for several stems the root of the sum of squares", minimum=0),
        real("height_m", "m", "Height of the tree", minimum=0),
        *SIGMA,
        REMARKS,
        OTHER,
    ),
    ("Point",),
)
LOTS = LayerSchema(
    "lots",
    "bring_in",
    "Burial lots",
    (
        *ORIGIN,
        text("lot_id", "Name of the lot", required=True),
        text("section", "Section of the ground"),
        text("lead_test", "Outcome of the lot's lead tests", vocabulary="lead_test"),
        REMARKS,
        OTHER,
    ),
    ("Polygon", "MultiPolygon"),
)
SURROUNDINGS = LayerSchema(
    "surroundings",
    "bring_in",
    "Paths, services, drains, buildings and graves that the work must know of",
    (
        *ORIGIN,
        *ELEMENT_REF,
        text("kind", "What it is", vocabulary="surrounding", required=True),
        real("width_m", "m", "Width, for lines", minimum=0),
        text("certainty", "Known or suspected"),
        *SIGMA,
        REMARKS,
        OTHER,
    ),
    ("Point", "LineString", "MultiLineString", "Polygon", "MultiPolygon"),
)
_MARK = (
    *ORIGIN,
    *ELEMENT_REF,
    real("easting", "m", "Measured easting"),
    real("northing", "m", "Measured northing"),
    real("height", "m", "Measured height"),
    real("easting_known", "m", "Known easting"),
    real("northing_known", "m", "Known northing"),
    real("height_known", "m", "Known height"),
    text("of", "What is checked: survey, ground or ortho", vocabulary="checked"),
    text("cover", "What grows or lies there, as written"),
    *_PLACE[1:],
    OTHER,
)
CONTROL_POINTS = LayerSchema(
    "control_points",
    "bring_in",
    "Permanent marks that hold the survey in the site's coordinates",
    _MARK,
    ("Point",),
)
CHECK_POINTS = LayerSchema(
    "check_points",
    "bring_in",
    "Points measured better than the survey, kept out of its making, to judge it",
    _MARK,
    ("Point",),
)
PHOTOS = LayerSchema(
    "photos",
    "bring_in",
    "Photographs and where they were taken",
    (
        *ORIGIN,
        text("photo", "File name", required=True, sensitivity="restricted"),
        text("element_id", "Element it shows"),
        text("stage", "Stage of the work", vocabulary="photo_stage"),
        real("direction_deg", "deg", "View direction clockwise from true north", minimum=0, maximum=360),
        text("direction_is", "True, magnetic or absent"),
        time("time", "When it was taken"),
        real("focal_length_mm", "mm", "Focal length", minimum=0),
        text("sha256", "Digest of the original file"),
        *SIGMA,
    ),
    ("Point",),
)
WEATHER = LayerSchema(
    "weather",
    "bring_in",
    "Hourly weather, measured or forecast",
    (
        *ORIGIN,
        time("time", "Hour", required=True),
        real("air_temp_c", "degC", "Air temperature", minimum=-60, maximum=60),
        real("relative_humidity_pct", "%", "Relative humidity", minimum=0, maximum=100),
        real("surface_temp_c", "degC", "Temperature of the iron", minimum=-60, maximum=90),
        real("wind_speed_m_s", "m/s", "Wind speed", minimum=0, maximum=80),
        real("wind_from_deg", "deg", "Direction the wind comes from", minimum=0, maximum=360),
        real("rain_mm", "mm", "Rain in the hour", minimum=0),
        OTHER,
    ),
)
WORK = LayerSchema(
    "work",
    "bring_in",
    "Work that is planned: one row an operation of a phase",
    (
        *ORIGIN,
        text("phase", "Phase of the work", required=True),
        date("date", "Day it is planned for"),
        text("operation", "What is done", vocabulary="operation", required=True),
        text("runs", "Runs it is done on, ; between them; * is every run", required=True),
        text("product", "Product used"),
        text("crew", "Who does it", sensitivity="restricted"),
    ),
)
PRODUCTS = LayerSchema(
    "products",
    "bring_in",
    "Products and the values of their labels, which override every default",
    (
        *ORIGIN,
        text("product", "Name used in the site's file", required=True),
        text("property", "Label value's name", required=True),
        text("value", "Label value as written", required=True),
    ),
)
CONSENTS = LayerSchema(
    "consents",
    "bring_in",
    "Consents and permits",
    (
        *ORIGIN,
        text("what", "What is allowed", required=True),
        text("authority", "Who allowed it"),
        text("number", "Number of the consent"),
        date("valid_from", "First day"),
        date("valid_to", "Last day"),
        text("lots", "Lots it covers, ; between them"),
        real("depth_limit_mm", "mm", "Deepest digging allowed", minimum=0),
    ),
)
_DOUBT = (
    text("input", "Which input it came in by: elements, levels, stones ..."),
    text("element_id", "Name the row gave itself"),
    text("column", "Column that is wrong or doubtful"),
    text("value", "What stood there"),
    text("code", "Permanent short word of the reason", required=True),
    text("reason", "What is wrong", required=True),
    text("remedy", "What to do about it"),
)
REJECTED = LayerSchema(
    "rejected",
    "bring_in",
    "Rows that were refused, each with its reason and remedy",
    (*ORIGIN, *_DOUBT, text("raw", "The whole row as it stood, as a JSON object")),
    joins=True,
)
SUSPECT = LayerSchema(
    "suspect",
    "bring_in",
    "Rows that were kept but are doubtful, each with a suggestion",
    (*ORIGIN, *_DOUBT, real("size", "", "Size of the doubt, in the unit the reason names")),
    ("Point",),
    joins=True,
    placed=False,
)

LAYERS = (
    ELEMENTS,
    LEVELS,
    GAP_READINGS,
    STONES,
    CURBS,
    TREES,
    LOTS,
    SURROUNDINGS,
    CONTROL_POINTS,
    CHECK_POINTS,
    PHOTOS,
    WEATHER,
    WORK,
    PRODUCTS,
    CONSENTS,
    REJECTED,
    SUSPECT,
)
