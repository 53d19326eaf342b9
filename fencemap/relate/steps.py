"""Steps of the stage relate."""

from __future__ import annotations

from typing import Any

from fencemap.relate import identity, iron
from fencemap.relate import runs as ordering
from fencemap.site import Site, Survey
from fencemap.steps import Real, Run, step

Made = dict[str, Any]


@step(
    makes=("runs", "bays", "panels", "suspect"),
    longest_bay_m=Real(
        4.5, unit="m", minimum=0.5, maximum=30,
        help="Bays longer than this are named as doubtful (practice default, not a standard)",
    ),
)  # fmt: skip
def order_posts(elements: Any, levels: Any, *, site: Site, survey: Survey, longest_bay_m: float) -> Made:
    """Put the posts of each run in order; make runs, bays and panels."""
    return ordering.make_runs(elements, levels, site=site, survey=survey, longest_bay_m=longest_bay_m)


@step(
    makes=("stone_reach",),
    max_distance_m=Real(
        15.0, unit="m", minimum=0.5, maximum=200,
        help="How far from the iron stone is looked for; at least the longest reach of any operation",
    ),
)  # fmt: skip
def nearest_iron(  # noqa: PLR0913  four layers, the ground and the run
    stones: Any, curbs: Any, runs: Any, bays: Any, *, site: Site, survey: Survey, ground: Any, run: Run,
    max_distance_m: float,
) -> Made:  # fmt: skip
    """Measure from each stone and curb to the iron of every run near it."""
    made = iron.relate_stone(
        stones, curbs, runs, bays, ground=ground, site=site, survey=survey,
        max_distance_m=max_distance_m, practice=run.practice,
    )  # fmt: skip
    return {"stone_reach": made}


@step(makes=("identity",))
def identify(elements: Any, stones: Any, curbs: Any, lots: Any, *, site: Site, survey: Survey) -> Made:
    """List every named thing with the uid that it keeps from now on."""
    things = {"elements": elements, "stones": stones, "curbs": curbs, "lots": lots}
    return {"identity": identity.first_sight(things, site=site, survey=survey)}
