"""Clearance on the sample ground against the truth it was made from.

The plain way that is run beside it: the model sampled in the line of the
fence, less the mean of the check points, taken off a straight rail between
levels at posts; sigma as the check points show it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.special import ndtr
from small_ground import FakeRun

from fencemap.bring_in import steps as bring_in
from fencemap.bring_in.rasters import open_raster_input
from fencemap.bring_in.site_file import read_site
from fencemap.find import clearance_ground as grounds
from fencemap.find.clearance_cells import cells_of
from fencemap.find.steps import clearance_along_rails, contact_stretches
from fencemap.relate.steps import order_posts

CONTACT_MM = 20.0


@pytest.fixture(scope="module")
def sample(root):
    """Layers of the sample ground up to soil contact, and its ground model."""
    site = read_site(root / "sample_gis")
    survey, run = site.survey(), FakeRun()
    made = bring_in.survey_elements(site=site, survey=survey)
    elements = made["elements"]
    levels = bring_in.survey_levels(elements, site=site, survey=survey)["levels"]
    gaps = bring_in.survey_gaps(elements, site=site, survey=survey)["gap_readings"]
    curbs = bring_in.survey_curbs(site=site, survey=survey)["curbs"]
    checks = bring_in.survey_checks(site=site, survey=survey)["check_points"]
    related = order_posts(elements, levels, site=site, survey=survey)
    with open_raster_input("ground", site, survey, elements=elements) as ground:
        found = clearance_along_rails(
            related["runs"], related["bays"], related["panels"], levels, elements, gaps, curbs, checks,
            site=site, survey=survey, ground=ground, run=run,
        )  # fmt: skip
        bias = grounds.model_bias(ground, checks, sigma_m=0.03, unseen_bias_m=0.03)
        plain = plain_way(related, levels, ground, bias)
    rails = found["rail_clearance"]
    stretches = contact_stretches(rails, site=site, survey=survey)["soil_contact"]
    return {"rails": rails, "stretches": stretches, "plain": plain, "suspect": found["suspect"]}


def plain_way(related, levels, ground, bias):
    """What sampling in the line and subtracting gives, at the same steps."""
    bays = related["bays"].sort_values(["run_id", "from_m"], ignore_index=True)
    cells = cells_of(related["runs"], bays, related["panels"], step_m=0.05, gates=set())
    line = grounds.sections(
        ground, cells, bias=bias, step_m=0.05, sigma_h_m=np.zeros(len(cells.run))
    ).line
    rail = levels[levels["target"] == "rail underside"].groupby("element_id")["height_m"].mean()
    ends = [
        rail.reindex(bays[name]).to_numpy(float)[cells.bay] for name in ("from_post", "to_post")
    ]
    height = ends[0] + cells.share * (ends[1] - ends[0])
    gap = 1000.0 * (height - line)
    return pd.DataFrame({
        "run_id": bays["run_id"].to_numpy(object)[cells.bay],
        "from_m": cells.from_m,
        "gap_mm": gap,
        "contact_probability": ndtr((CONTACT_MM - gap) / (1000.0 * bias.spread_m)),
    })  # fmt: skip


@pytest.fixture(scope="module")
def truth(root):
    """True gap over what lies under the rail, every 5 cm of panels."""
    table = pd.read_csv(root / "tests" / "truth" / "stations.csv.gz")
    table = table[table["filled_by"] == "panel"]
    gap = np.where(table["surface"] == "stone", table["gap_stone_mm"], table["gap_soil_mm"])
    return table.assign(gap=gap, touches=gap <= CONTACT_MM)


def beside(truth, found):
    """Each true station with the step it lies in, where that has a number."""
    parts = []
    steps = {run: part.sort_values("from_m") for run, part in found.groupby("run_id")}
    for run, known in truth.groupby("run_id"):
        part = steps[run]
        at = np.searchsorted(part["from_m"].to_numpy(), known["station_m"].to_numpy() + 1e-6) - 1
        step = part.iloc[np.clip(at, 0, len(part) - 1)].drop(
            columns=["run_id", "surface"], errors="ignore"
        )
        parts.append(pd.concat([known.reset_index(drop=True), step.reset_index(drop=True)], axis=1))
    whole = pd.concat(parts, ignore_index=True)
    return whole[whole["contact_probability"].notna()]


@pytest.fixture(scope="module")
def scored(sample, truth):
    """Truth beside our answer."""
    return beside(truth, sample["rails"])


def brier(rows):
    """Mean squared error of the probability."""
    return float(((rows["contact_probability"] - rows["touches"]) ** 2).mean())


def bound_brier(truth):
    """What a perfectly calibrated tool with independent errors of 20 mm would score on this truth."""
    rng = np.random.default_rng(1)
    gaps = np.sort(truth["gap"].to_numpy())[::5]
    true = truth["gap"].to_numpy()[::5]
    weight = np.exp(-0.5 * ((true + rng.normal(0, 20, len(true)))[:, None] / 20 - gaps / 20) ** 2)
    chance = (weight * (gaps <= CONTACT_MM)).sum(axis=1) / weight.sum(axis=1)
    return float(((chance - (true <= CONTACT_MM)) ** 2).mean())


def test_nearly_all_of_the_fence_is_answered(scored, truth):
    """All but the one lot that nobody could enter gets a probability."""
    assert len(scored) / len(truth) > 0.98


def test_probabilities_are_as_good_as_they_can_be(scored, truth, record_property):
    """The Brier score is within 1.2 of that of a perfect tool with errors of 20 mm, and has skill."""
    base = scored["touches"].mean()
    record_property("brier", brier(scored))
    assert brier(scored) <= 1.2 * bound_brier(truth)
    assert 1.0 - brier(scored) / (base * (1 - base)) >= 0.55


def test_what_is_decided_is_right(scored):
    """At least 60 % of the metres are decided, and 97.5 % of those rightly."""
    decided = scored[scored["contact"].isin(["clear", "in contact", "over stone"])]
    right = (decided["contact"] == "clear") != decided["touches"]
    assert len(decided) / len(scored) >= 0.60
    assert right.mean() >= 0.975


def test_touching_rails_are_hardly_ever_called_clear(scored):
    """Of all metres at most 0.7 % are called clear though they touch."""
    assert ((scored["contact"] == "clear") & scored["touches"]).mean() <= 0.007


def test_the_interval_holds_what_it_says(scored):
    """The 95 % interval of the gap holds the truth in 93 to 97 % of the metres, and errors are centred."""
    off = scored["gap_mm"] - scored["gap"]
    assert 0.93 <= (off.abs() <= 1.96 * scored["sigma_mm"]).mean() <= 0.97
    assert abs(off.mean()) <= 6.0
    assert off.std() <= 25.0


def test_expected_contact_is_the_true_length(sample, truth):
    """The expected length in contact is within 20 % of the true one; that called so would be far too short."""
    known = 0.05 * truth["touches"].sum()
    expected = sample["stretches"]["expected_contact_m"].sum()
    called = (
        sample["stretches"]
        .loc[sample["stretches"]["contact"].isin(["in contact", "over stone"]), "length_m"]
        .sum()
    )
    assert expected == pytest.approx(known, rel=0.20)
    assert called < 0.85 * known


def test_stone_is_told_from_soil(scored, sample, truth):
    """Over curbs and over soil the surface is told rightly in 95 % of the metres each."""
    told = beside(truth, sample["rails"].rename(columns={"surface": "told"}))
    for surface in ("soil", "stone"):
        part = told[told["surface"] == surface]
        assert (part["told"] == surface).mean() >= 0.95


def test_the_plain_way_is_beaten(scored, sample, truth):
    """Sampling in the line and subtracting scores more than twice the error, and is right far less often."""
    plain = beside(truth, sample["plain"])
    ours = beside(plain[truth.columns], sample["rails"])
    assert len(plain) > 0.8 * len(truth)
    assert brier(ours) < 0.5 * brier(plain)
    right = {}
    for name, rows in (("plain", plain), ("ours", ours)):
        sure = rows[(rows["contact_probability"] <= 0.1) | (rows["contact_probability"] >= 0.9)]
        right[name] = ((sure["contact_probability"] >= 0.5) == sure["touches"]).mean()
    assert right["ours"] > right["plain"] + 0.05


def test_the_planted_rod_step_shows(sample):
    """A rail height from the stretch that was shot with a wrong rod is named as contradicted."""
    named = sample["suspect"]
    assert named["element_id"].str.startswith("L29-A").any()
