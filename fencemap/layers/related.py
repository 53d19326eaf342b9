"""Layers that relate makes: order along the fence, and fence beside stone."""

from __future__ import annotations

from fencemap.layers._fields import ORIGIN, WHERE_ON_RUN, boolean, date, integer, real, text
from fencemap.schema import LayerSchema

__all__ = ["LAYERS"]

RUNS = LayerSchema(
    "runs",
    "relate",
    "Runs of fence through their posts; Z is the ground as shot or NaN, M the station",
    (
        *ORIGIN,
        text("run_id", "Name of the run", required=True, unique=True),
        text("lots", "Lots it encloses, ; between them"),
        boolean("closed", "Whether it ends where it began", required=True),
        text("order_is", "Where the order of the posts comes from", vocabulary="order_is"),
        integer("post_count", "", "Posts in the run", minimum=1),
        real("length_m", "m", "Length along the rail", minimum=0),
        real("sigma_h_m", "m", "Standard deviation of its posts, per axis; the worst of them", minimum=0),
        text("material", "Material most of its panels have", vocabulary="material"),
        real("height_mm", "mm", "Height of its tallest panel", minimum=0),
    ),
    ("LineString",),
    has_z=True,
    has_m=True,
)
BAYS = LayerSchema(
    "bays",
    "relate",
    "Openings from post to post, whether a panel or gate fills them or not",
    (
        *ORIGIN,
        text("bay_id", "Name of the bay: run and number", required=True, unique=True),
        *WHERE_ON_RUN,
        integer("number", "", "Place in the run, from 1", minimum=1),
        text("from_post", "Element id of the post where it begins"),
        text("to_post", "Element id of the post where it ends"),
        text("filled_by", "Panel, gate or nothing", vocabulary="filled_by"),
        text("panel_id", "Element id of the panel or gate in it"),
        real("length_m", "m", "Distance between the posts", minimum=0),
    ),
    ("LineString",),
    has_z=True,
)
PANELS = LayerSchema(
    "panels",
    "relate",
    "Panels and gates as lines; Z is the underside of the bottom rail where it is known",
    (
        *ORIGIN,
        text("panel_id", "Element id of the panel or gate", required=True, unique=True),
        text("bay_id", "Bay it fills", required=True),
        *WHERE_ON_RUN,
        text("kind", "Panel or gate", vocabulary="kind"),
        text("material", "Material", vocabulary="material"),
        text("presence", "Whether it is there", vocabulary="presence"),
        real("length_m", "m", "Length along the rail", minimum=0),
        integer("condition", "", "Condition as judged in the field", minimum=0, maximum=3),
        real("rusted_area_pct", "%", "Share of its surface that shows rust", minimum=0, maximum=100),
    ),
    ("LineString",),
    has_z=True,
)
STONE_REACH = LayerSchema(
    "stone_reach",
    "relate",
    "The shortest line from each stone or curb to each run near it",
    (
        *ORIGIN,
        text("stone_id", "Element id of the stone or curb", required=True),
        text("stone_layer", "Layer of the stone: stones or curbs", required=True),
        text("run_id", "Run of fence", required=True),
        text("bay_id", "Bay that is nearest"),
        real("distance_m", "m", "Distance in plan; 0 where the fence crosses or covers it", minimum=0, required=True),
        real("sigma_m", "m", "Standard deviation of that distance, both positions", minimum=0, required=True),
        real("station_m", "m", "Station of the nearest iron; for stones that cross, the middle of the crossing", minimum=0, required=True),
        text("side", "Side of the run, looking along it", vocabulary="side", required=True),
        real("height_difference_m", "m", "Ground at the iron less ground at the stone; above 0 is stone downhill"),
        boolean("nearest", "Whether this is the stone's nearest run", required=True),
    ),
    ("LineString",),
)
IDENTITY = LayerSchema(
    "identity",
    "relate",
    "Names, aliases and life events of every element, by its permanent uid",
    (
        *ORIGIN,
        text("layer", "Layer of the thing", required=True),
        text("element_id", "Name in this survey", required=True),
        text("aliases", "Other names it has had, ; between them"),
        text("event", "Life event", vocabulary="life_event"),
        date("event_date", "Day of the event"),
        text("replaces", "uid of what it replaces"),
    ),
)

LAYERS = (RUNS, BAYS, PANELS, STONE_REACH, IDENTITY)
