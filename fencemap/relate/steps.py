"""Steps of the stage relate."""

from __future__ import annotations

from typing import Any

from fencemap.grid import HeightSource
from fencemap.relate.doubts import Doubt, suspect_layer
from fencemap.relate.identity import identify_all
from fencemap.relate.nearest import reach_layer
from fencemap.relate.panels import fill_bays, panel_layer
from fencemap.relate.runs import bay_layer, chains_of, run_layer
from fencemap.site import Site, Survey
from fencemap.steps import Real, Run, step

Made = dict[str, Any]


@step(
    makes=("runs", "bays", "panels", "suspect"),
    longest_bay_m=Real(
        4.5,
        unit="m",
        minimum=0.5,
        maximum=30,
        help="Longest opening between two posts of a run, gates included; a longer one is named as doubtful",
    ),
)
def order_posts(
    elements: Any, levels: Any, *, site: Site, survey: Survey, longest_bay_m: float
) -> Made:
    """Put posts in order, and make runs, bays and panels of them."""
    chains = chains_of(elements, longest_bay_m=longest_bay_m)
    bays = bay_layer(chains, elements, site=site, survey=survey)
    panels, doubts = panel_layer(elements, levels, bays, site=site, survey=survey)
    long = bays["length_m"].to_numpy(float) > longest_bay_m
    at = chains.row[chains.bay_vertices()]
    doubts += [
        Doubt(
            int(row), "long-bay", "easting", str(name),
            f"bay '{bay}' is {length:.2f} m long, longer than {longest_bay_m:g} m",
            "Look for a post that is lacking, or a position that is wrong.", float(length),
        )
        for row, name, bay, length in zip(
            at[long], bays["from_post"][long], bays["bay_id"][long], bays["length_m"][long], strict=True
        )
    ]  # fmt: skip
    return {
        "runs": run_layer(chains, elements, panels, site=site, survey=survey),
        "bays": fill_bays(bays, panels, elements),
        "panels": panels,
        "suspect": suspect_layer(
            chains.doubts + doubts, elements, site=site, survey=survey, by="order_posts"
        ),
    }


@step(
    makes=("stone_reach",),
    max_distance_m=Real(
        8.0,
        unit="m",
        minimum=0.5,
        maximum=100,
        help="How far from iron stone is looked for; three standard deviations of both positions are added",
    ),
)
def nearest_iron(  # noqa: PLR0913  four layers, the ground and the run
    stones: Any,
    curbs: Any,
    runs: Any,
    bays: Any,
    *,
    site: Site,
    survey: Survey,
    ground: HeightSource | None,
    run: Run,
    max_distance_m: float,
) -> Made:
    """Measure how near every stone and curb is to every run of iron around it."""
    made = reach_layer(
        stones,
        curbs,
        runs,
        bays,
        site=site,
        survey=survey,
        ground=ground,
        distance_m=max_distance_m,
        unknown_sigma_m=float(run.practice("accuracy.unknown.sigma_h_m").value),
    )
    return {"stone_reach": made}


@step(makes=("identity",))
def identify(elements: Any, stones: Any, curbs: Any, lots: Any, *, survey: Survey) -> Made:
    """List every recorded thing under its permanent identity."""
    things = {"elements": elements, "stones": stones, "curbs": curbs, "lots": lots}
    return {"identity": identify_all(things, survey=survey)}
