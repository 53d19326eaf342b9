"""Steps of the stage find."""

from __future__ import annotations

from typing import Any

from fencemap.find import exposure_steps  # noqa: F401  declares its step
from fencemap.find.clearance import Rules, Surveyed, clearance_layers
from fencemap.find.condition import condition_layers
from fencemap.find.contact import stretch_layer
from fencemap.find.coverage import coverage_layer
from fencemap.find.flow import flow_layer
from fencemap.grid import HeightSource
from fencemap.site import Site, Survey
from fencemap.steps import Real, Run, step

Made = dict[str, Any]


@step(
    makes=("rail_clearance", "not_seen", "suspect"),
    step_m=Real(
        0.05, unit="m", minimum=0.01, maximum=0.5,
        help="Longest step along a rail; each bay is divided into equal ones",
    ),
    rail_depth_mm=Real(
        0.0, unit="mm", minimum=0, maximum=200,
        help="Depth of the bottom rail, taken off heights of its top; 0 leaves such heights unused",
    ),
    ground_sigma_m=Real(
        0.03, unit="m", minimum=0.002, maximum=1,
        help="Standard deviation of the ground model where neither check points nor the survey say",
    ),
    ground_bias_m=Real(
        0.03, unit="m", minimum=0, maximum=1,
        help="Standard deviation of what the whole model may read too high, without check points",
    ),
)  # fmt: skip
def clearance_along_rails(  # noqa: PLR0913  the layers that say something of the gap
    runs: Any,
    bays: Any,
    panels: Any,
    levels: Any,
    elements: Any,
    gap_readings: Any,
    curbs: Any,
    check_points: Any,
    *,
    site: Site,
    survey: Survey,
    ground: HeightSource | None,
    run: Run,
    step_m: float,
    rail_depth_mm: float,
    ground_sigma_m: float,
    ground_bias_m: float,
) -> Made:
    """Work out the gap under every bottom rail, step by step, with how sure it is."""
    told = survey.accuracy.ground_sigma_v_m
    rules = Rules(
        step_m=step_m,
        rail_depth_mm=rail_depth_mm,
        ground_sigma_m=ground_sigma_m if told is None else told,
        ground_bias_m=ground_bias_m,
        unknown_sigma_m=float(run.practice("level.sigma_v_m").value),
        tape_sigma_mm=float(run.practice("gap.tape_sigma_mm").value),
        contact_mm=float(run.practice("contact.gap_mm").value),
        certain=float(run.practice("contact.certain").value),
        budget_pct=float(run.practice("contact.clear_budget_pct").value),
    )
    surveyed = Surveyed(runs, bays, panels, levels, elements, gap_readings, curbs, check_points)
    return clearance_layers(surveyed, site=site, survey=survey, ground=ground, rules=rules)


@step(
    makes=("soil_contact",),
    correlation_m=Real(
        1.0, unit="m", minimum=0.1, maximum=20,
        help="Length along a rail within which errors of the gap are the same",
    ),
    shared_variance=Real(
        0.5, minimum=0, maximum=0.95,
        help="Share of the gap's variance that a whole stretch has in common",
    ),
)  # fmt: skip
def contact_stretches(
    rail_clearance: Any, *, site: Site, survey: Survey, correlation_m: float, shared_variance: float
) -> Made:
    """Join steps of one verdict into stretches of rail in contact, clear, undecided or not seen."""
    made = stretch_layer(
        rail_clearance,
        site=site,
        survey=survey,
        correlation_m=correlation_m,
        shared=shared_variance,
    )
    return {"soil_contact": made}


@step(makes=("condition_bays", "condition_runs", "condition_lots", "coverage"))
def condition_of_fences(
    elements: Any,
    runs: Any,
    bays: Any,
    panels: Any,
    lots: Any,
    soil_contact: Any,
    *,
    site: Site,
    survey: Survey,
) -> Made:
    """Sum up condition by bay, run and lot, the worst always shown, and what was looked at."""
    made = condition_layers(
        elements, runs, bays, panels, lots, soil_contact, site=site, survey=survey
    )
    return made | {"coverage": coverage_layer(bays, panels, elements, site=site, survey=survey)}


@step(
    makes=("flow_paths",),
    every_m=Real(1.0, unit="m", minimum=0.1, maximum=20, help="How far apart paths start along a run"),
    length_m=Real(5.0, unit="m", minimum=0.5, maximum=50, help="How far water is followed"),
    cell_m=Real(
        0.25, unit="m", minimum=0.02, maximum=5,
        help="Width that heights are averaged to before water runs over them",
    ),
)  # fmt: skip
def water_from_iron(
    runs: Any,
    *,
    site: Site,
    survey: Survey,
    ground: HeightSource | None,
    run: Run,
    every_m: float,
    length_m: float,
    cell_m: float,
) -> Made:
    """Follow the water that runs off the iron over the ground."""
    made = flow_layer(
        runs,
        site=site,
        survey=survey,
        ground=ground,
        every_m=every_m,
        length_m=length_m,
        cell_m=cell_m,
        flat_slope_pct=float(run.practice("exposure.flat_slope_pct").value),
    )
    return {"flow_paths": made}
