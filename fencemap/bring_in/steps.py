"""Steps of the stage bring_in: one for each layer."""

from __future__ import annotations

from typing import Any

from fencemap.bring_in import planned_work, readings, surveyed
from fencemap.site import Site, Survey
from fencemap.steps import step

Made = dict[str, Any]


@step(makes=("elements", "rejected", "suspect"))
def survey_elements(*, site: Site, survey: Survey) -> Made:
    """Bring in the iron: posts, panels, gates and parts, with position and accuracy."""
    return surveyed.read_elements(site=site, survey=survey)


@step(makes=("levels", "rejected", "suspect"))
def survey_levels(elements: Any, *, site: Site, survey: Survey) -> Made:
    """Bring in heights read on rails, posts and curbs."""
    return readings.read_levels(elements, site=site, survey=survey)


@step(makes=("gap_readings", "rejected", "suspect"))
def survey_gaps(elements: Any, *, site: Site, survey: Survey) -> Made:
    """Bring in gaps under rails, in millimetres or in words."""
    return readings.read_gaps(elements, site=site, survey=survey)


@step(makes=("stones", "rejected", "suspect"))
def survey_stones(*, site: Site, survey: Survey) -> Made:
    """Bring in grave markers, steps and walls."""
    return surveyed.read_stones("stones", site=site, survey=survey)


@step(makes=("curbs", "rejected", "suspect"))
def survey_curbs(*, site: Site, survey: Survey) -> Made:
    """Bring in curb stones and copings."""
    return surveyed.read_stones("curbs", site=site, survey=survey)


@step(makes=("trees", "rejected", "suspect"))
def survey_trees(*, site: Site, survey: Survey) -> Made:
    """Bring in trees with their stem diameter."""
    return surveyed.read_points("trees", site=site, survey=survey)


@step(makes=("lots", "rejected", "suspect"))
def survey_lots(*, site: Site, survey: Survey) -> Made:
    """Bring in burial lots and what their lead tests found."""
    lead = readings.read_lead_tests(site=site, survey=survey)
    return surveyed.read_lots(lead, site=site, survey=survey)


@step(makes=("surroundings", "rejected", "suspect"))
def survey_surroundings(*, site: Site, survey: Survey) -> Made:
    """Bring in paths, services, drains, buildings and graves."""
    return surveyed.read_surroundings(site=site, survey=survey)


@step(makes=("control_points", "rejected", "suspect"))
def survey_control(*, site: Site, survey: Survey) -> Made:
    """Bring in the marks that hold the survey in place."""
    return surveyed.read_marks("control_points", "control", site=site, survey=survey)


@step(makes=("check_points", "rejected", "suspect"))
def survey_checks(*, site: Site, survey: Survey) -> Made:
    """Bring in the points that judge the survey and the ground model."""
    return surveyed.read_marks("check_points", "checkpoints", site=site, survey=survey)


@step(makes=("weather", "rejected", "suspect"))
def survey_weather(*, site: Site, survey: Survey) -> Made:
    """Bring in hourly weather."""
    return readings.read_weather(site=site, survey=survey)


@step(makes=("work",))
def planned_operations(*, site: Site, survey: Survey) -> Made:
    """Take the planned work from site.toml."""
    return {"work": planned_work.work_layer(site=site, survey=survey)}


@step(makes=("products",))
def product_labels(*, site: Site, survey: Survey) -> Made:
    """Take product label values from site.toml."""
    return {"products": planned_work.products_layer(site=site, survey=survey)}


@step(makes=("consents",))
def granted_consents(*, site: Site, survey: Survey) -> Made:
    """Take consents and permits from site.toml."""
    return {"consents": planned_work.consents_layer(site=site, survey=survey)}
