"""The gap under every bottom rail, step by step, with how sure it is.

    gap = underside of the rail - soil or stone, whichever stands higher

Heights of rail, ground and stone are worked out first (`clearance_rail`,
`_ground`, `_stone`). What they miss together is learned from tape, words and
ground shots and carried along each run (`clearance_field`), over soil and over
stone apart. Where the ground beside the fence was not seen, or no rail height
is known, the answer is "not seen", never a number.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely

from fencemap.find import clearance_ground as grounds
from fencemap.find.clearance_cells import Cells, Flags, Floats, cells_of
from fencemap.find.clearance_doubts import contradicted_layer
from fencemap.find.clearance_field import Observed, Place, Prior, estimate, learn
from fencemap.find.clearance_rail import Rail, measured_gates, rail_heights, rail_levels
from fencemap.find.clearance_readings import GapReadings, gaps_read, ground_shots
from fencemap.find.clearance_stone import Stone, stone_under_rails
from fencemap.find.clearance_verdict import Gap, lower_of, single, verdicts
from fencemap.grid import HeightSource
from fencemap.kernels.measured import measured_lines
from fencemap.layers import layer, uids
from fencemap.site import Site, Survey

__all__ = ["Rules", "Surveyed", "clearance_layers"]

_STEP = "find/clearance_along_rails"
# Prior standard deviations of the weights of `grounds.FEATURES`; the first also
# holds what grass and specks may add over all the site.
_WEIGHTS_SD = (0.03, 0.5, 0.3, 0.3, 0.3)
_SHOT_SD = (0.02, 0.7)  # likewise, of what ground shots at posts read too high, and on banks
_STONE_BIAS_SD_M = 0.01
_RUN_SD_M, _WHITE_SD_M = 0.015, 0.008
_STONE_ALONG_SD_M, _STONE_WHITE_SD_M = 0.010, 0.005
_STRIP_M = 0.3  # half width of the strip that is drawn as not seen


@dataclass(frozen=True, slots=True)
class Rules:
    """The numbers by which clearance is worked out and judged."""

    step_m: float
    rail_depth_mm: float
    ground_sigma_m: float
    ground_bias_m: float
    unknown_sigma_m: float
    tape_sigma_mm: float
    contact_mm: float
    certain: float
    budget_pct: float


@dataclass(frozen=True, slots=True)
class Surveyed:
    """The layers that clearance is worked out from."""

    runs: Any
    bays: Any
    panels: Any
    levels: Any
    elements: Any
    gap_readings: Any
    curbs: Any
    check_points: Any


@dataclass(frozen=True, slots=True)
class _Known:
    """Everything that is known at each step."""

    cells: Cells
    rail: Rail
    section: grounds.Section
    stone: Stone
    gap: Gap
    on_stone: Flags
    seen: Flags
    contradicted: GapReadings


def clearance_layers(
    surveyed: Surveyed, *, site: Site, survey: Survey, ground: HeightSource | None, rules: Rules
) -> dict[str, Any]:
    """Make the layers `rail_clearance` and `not_seen`, and rows of `suspect`.

    Parameters
    ----------
    surveyed
        What was measured and how it hangs together.
    ground
        The ground model; without one nothing is seen.
    rules
        The numbers to go by.

    Notes
    -----
    The probability of contact takes both surfaces together: with a curb under
    the rail it is that of meeting soil or stone. `ground_m` is what lies under
    the rail, as corrected: the rail less the gap.
    """
    if not len(surveyed.bays):
        made = ("rail_clearance", "not_seen", "suspect")
        return {name: layer(name).empty(site.crs) for name in made}
    runs = surveyed.runs.sort_values("run_id", ignore_index=True)
    bays = surveyed.bays.sort_values(["run_id", "from_m", "bay_id"], ignore_index=True)
    surveyed = Surveyed(**{
        name: runs if name == "runs" else bays if name == "bays" else getattr(surveyed, name)
        for name in Surveyed.__slots__
    })  # fmt: skip
    gates = measured_gates(surveyed.levels, bays, surveyed.panels)
    cells = cells_of(runs, bays, surveyed.panels, step_m=rules.step_m, gates=gates)
    known = _work_out(surveyed, cells, ground, rules)
    verdict = verdicts(
        known.gap.contact,
        cells.length_m,
        rail=cells.rail,
        seen=known.seen,
        stone=known.on_stone,
        certain=rules.certain,
        budget_pct=rules.budget_pct,
    )
    return {
        "rail_clearance": _clearance(known, verdict, runs, bays, site, survey),
        "not_seen": _not_seen(known, verdict, runs, site, survey),
        "suspect": contradicted_layer(
            surveyed.levels, surveyed.gap_readings,
            level_rows=np.concatenate([known.rail.doubtful, known.contradicted.row[known.contradicted.shot]]),
            gap_rows=known.contradicted.row[~known.contradicted.shot], site=site, survey=survey,
        ),
    }  # fmt: skip


def _work_out(
    surveyed: Surveyed, cells: Cells, ground: HeightSource | None, rules: Rules
) -> _Known:
    """Put heights, readings and errors together."""
    bays = surveyed.bays
    bias = grounds.Bias(0.0, rules.ground_bias_m, rules.ground_sigma_m, 0)
    section = _unseen(len(cells.run))
    if ground is not None and len(cells.run):
        bias = grounds.model_bias(
            ground, surveyed.check_points,
            sigma_m=rules.ground_sigma_m, unseen_bias_m=rules.ground_bias_m,
        )  # fmt: skip
        section = grounds.sections(
            ground, cells, bias=bias, step_m=rules.step_m, sigma_h_m=_fence_sigma(surveyed, cells)
        )
    trend = grounds.trend(cells, section.outer)
    levels = rail_levels(
        surveyed.levels, bays, surveyed.panels,
        unknown_sigma_m=rules.unknown_sigma_m, rail_depth_mm=rules.rail_depth_mm,
    )  # fmt: skip
    rail = rail_heights(levels, bays, cells, ground=trend)
    stone = stone_under_rails(
        surveyed.curbs, surveyed.levels, surveyed.runs, bays, cells,
        section=section, slope_of=trend, unknown_sigma_m=rules.unknown_sigma_m,
    )  # fmt: skip
    taped = gaps_read(
        surveyed.gap_readings, bays, surveyed.panels, cells,
        over_stone=stone.there, tape_sigma_mm=rules.tape_sigma_mm,
    )  # fmt: skip
    shots = ground_shots(
        surveyed.levels, bays, cells,
        rail_m=rail.height_m, rail_sigma_m=rail.sigma_m, unknown_sigma_m=rules.unknown_sigma_m,
    )  # fmt: skip
    seen = section.seen & ~np.isnan(rail.height_m)
    soil = _soil_gap(cells, section, rail, bias, taped, shots, seen)
    under = stone.there & seen
    over = _stone_gap(cells, stone, rail, taped, under)
    gap = _lower(soil[:2], over[:2], under, rail, contact_m=rules.contact_mm / 1000.0)
    on_stone = under & (over[0] < soil[0])
    return _Known(cells, rail, section, stone, gap, on_stone, seen, soil[2].joined(over[2]))


def _lower(
    soil: tuple[Floats, Floats],
    over: tuple[Floats, Floats],
    under: Flags,
    rail: Rail,
    *,
    contact_m: float,
) -> Gap:
    """Gap over soil, and where stone lies under the rail over whichever stands higher."""
    alone = single(*soil, contact_m=contact_m)
    both = lower_of(
        Gap(*(part[under] for part in (*soil, alone.contact))),
        single(*(part[under] for part in over), contact_m=contact_m),
        rail_sigma_m=rail.sigma_m[under],
        contact_m=contact_m,
    )
    merged = []
    for name in Gap.__slots__:
        values = getattr(alone, name).copy()
        values[under] = getattr(both, name)
        merged.append(values)
    return Gap(*merged)


def _unseen(count: int) -> grounds.Section:
    """Give the cross-sections of ground of which there is no model."""
    none = np.full(count, np.nan)
    features = np.full((count, len(grounds.FEATURES)), np.nan)
    return grounds.Section(none, none, none, none, none, features, none)


def _fence_sigma(surveyed: Surveyed, cells: Cells) -> Floats:
    """Give the standard deviation per axis of the fence at each step, from the bay's two posts."""
    posts = surveyed.elements.drop_duplicates("element_id").set_index("element_id")["sigma_h_m"]
    first, second = (
        np.nan_to_num(posts.reindex(surveyed.bays[name]).to_numpy(float), nan=0.05)
        for name in ("from_post", "to_post")
    )
    parts = (1.0 - cells.share) * first[cells.bay], cells.share * second[cells.bay]
    return np.asarray(np.hypot(*parts))


def _soil_gap(
    cells: Cells,
    section: grounds.Section,
    rail: Rail,
    bias: grounds.Bias,
    taped: GapReadings,
    shots: GapReadings,
    seen: Flags,
) -> tuple[Floats, Floats, GapReadings]:
    """Gap over soil and its standard deviation, NaN where not seen; readings contradicted."""
    read = taped.only(~taped.stone & seen[taped.cell]).joined(shots.only(seen[shots.cell]))
    plain = rail.height_m - section.base
    # Shots stand beside posts, on either side of a bank: what that does is learned too.
    shot = section.features[read.cell, :2] * read.shot[:, None]
    features = np.column_stack([section.features[read.cell], shot])
    weights_sd = np.array([*_WEIGHTS_SD, *_SHOT_SD])
    weights_sd[0] = np.hypot(weights_sd[0], bias.sd_m)
    prior = Prior(weights_sd, _RUN_SD_M, max(bias.spread_m, 0.005), _WHITE_SD_M)
    doubt = np.hypot(section.doubt_m, rail.sigma_m)
    place = Place(cells.station_m, cells.first, section.features, doubt)
    return _gap(cells, plain, place, read, features, prior)


def _stone_gap(
    cells: Cells, stone: Stone, rail: Rail, taped: GapReadings, under: Flags
) -> tuple[Floats, Floats, GapReadings]:
    """Gap over curbs, likewise; NaN where there is none."""
    read = taped.only(taped.stone & under[taped.cell])
    prior = Prior(
        np.array([_STONE_BIAS_SD_M]), _RUN_SD_M, _STONE_ALONG_SD_M, _STONE_WHITE_SD_M, length_m=0.8
    )
    doubt = np.hypot(stone.sigma_m, rail.sigma_m)
    place = Place(cells.station_m, cells.first, np.ones((len(under), 1)), doubt)
    plain = rail.height_m - stone.top_m
    return _gap(cells, plain, place, read, np.ones((len(read.cell), 1)), prior)


def _gap(
    cells: Cells, plain: Floats, place: Place, read: GapReadings, features: Floats, prior: Prior
) -> tuple[Floats, Floats, GapReadings]:
    """Gap and standard deviation: the plain one less the error that readings tell."""
    # A reading of the gap is a reading of plain gap less gap; limits change places.
    observed = Observed(
        read.cell, plain[read.cell] - read.high, plain[read.cell] - read.low,
        read.noise_m, cells.bay[read.cell], features, ~read.shot,
    )  # fmt: skip
    learned = learn(place, observed, prior=prior)
    error = estimate(place, observed, learned)
    sigma = np.where(np.isnan(plain), np.nan, error.sigma_m)
    return plain - error.mean_m, sigma, read.only(learned.contradicted)


def _clearance(known: _Known, verdict: Any, runs: Any, bays: Any, site: Site, survey: Survey) -> Any:  # fmt: skip
    """Make the layer `rail_clearance`; steps without a rail are in it, without numbers."""
    cells, seen = known.cells, known.seen & known.cells.rail
    count = len(cells.run)

    def told(values: Floats, scale: float = 1.0) -> pd.Series:
        return pd.Series(np.where(seen, values * scale, np.nan))

    surface = np.where(seen, np.where(known.on_stone, "stone", "soil"), "not seen")
    run_id = runs["run_id"].array.take(cells.run)
    keys = [f"{run}/{at:.4f}" for run, at in zip(run_id, cells.from_m, strict=True)]
    z = np.where(cells.rail, known.rail.height_m, np.nan)
    ends = np.empty((count, 2, 4))
    ends[:, :, :2] = cells.ends
    ends[:, :, 2] = z[:, None]
    ends[:, 0, 3], ends[:, 1, 3] = cells.from_m, cells.to_m
    return layer("rail_clearance").conform(
        {
            "uid": uids(site.uid, survey.id, "rail_clearance", keys),
            "survey_id": _same(survey.id, count),
            "source_file": _same(_STEP, count),
            "run_id": pd.Series(run_id),
            "from_m": pd.Series(cells.from_m),
            "to_m": pd.Series(cells.to_m),
            "bay_id": pd.Series(bays["bay_id"].array.take(cells.bay)),
            "gap_mm": told(known.gap.mean_m, 1000.0),
            "sigma_mm": told(known.gap.sigma_m, 1000.0),
            "contact_probability": told(np.clip(known.gap.contact, 0.0, 1.0)),
            "contact": pd.Series(verdict, dtype="str"),
            "surface": pd.Series(surface, dtype="str"),
            "rail_m": pd.Series(z),
            "ground_m": told(known.rail.height_m - known.gap.mean_m),
            "ground_left_m": pd.Series(known.section.left),
            "ground_right_m": pd.Series(known.section.right),
        },
        geometry=shapely.from_wkb(measured_lines(ends.reshape(-1, 4), np.full(count, 2))),
        crs=site.crs,
    )


def _same(word: str, count: int) -> pd.Series:
    return pd.Series(pd.array([word], dtype="str").take(np.zeros(count, dtype=np.intp)))


def _not_seen(known: _Known, verdict: Any, runs: Any, site: Site, survey: Survey) -> Any:
    """Draw the strips along rails where ground, or the rail's height, is lacking."""
    cells = known.cells
    blind = np.flatnonzero(verdict == "not seen")
    ground = ~known.section.seen[blind]
    words = np.where(ground, "ground beside the fence", "height of the bottom rail")
    jump = (np.diff(blind) > 1) | (np.diff(cells.run[blind]) != 0) | (words[1:] != words[:-1])
    rows: list[dict[str, Any]] = []
    shapes = []
    groups = np.split(np.arange(len(blind)), np.flatnonzero(jump) + 1) if len(blind) else []
    for group in groups:
        part = blind[group]
        line = shapely.linestrings(np.vstack([cells.ends[part, 0], cells.ends[part[-1:], 1]]))
        shapes.append(shapely.buffer(line, _STRIP_M, cap_style="flat"))
        rows.append({
            "run_id": runs["run_id"].iloc[cells.run[part[0]]],
            "why": words[group[0]],
            "length_m": float(cells.length_m[part].sum()),
            "key": f"{cells.from_m[part[0]]:.4f}",
        })  # fmt: skip
    keys = [f"{row['run_id']}/{row.pop('key')}" for row in rows]
    return layer("not_seen").conform(
        {
            "uid": uids(site.uid, survey.id, "not_seen", keys),
            "survey_id": [survey.id] * len(rows),
            "source_file": [_STEP] * len(rows),
            **{name: [row[name] for row in rows] for name in ("run_id", "why", "length_m")},
        },
        geometry=np.array(shapes, dtype=object),
        crs=site.crs,
    )
