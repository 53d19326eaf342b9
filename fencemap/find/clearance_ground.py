"""The ground beside and under the fence, as the ground model shows it.

A model made from photographs is worst exactly at a fence: grass that nobody
mows, specks of iron, rounded curbs, holes. What it shows beside and in the line
is biased *and* informative. So each step gets a cross-section, medians of three
strips on either side and the line itself, and `Section.features` says in which
directions the true ground may differ from the plain mean of both sides; their
weights are learned on the site from tape and ground shots.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fencemap.find.clearance_cells import Cells, Flags, Floats
from fencemap.grid import HeightSource, Window

__all__ = ["FEATURES", "Bias", "Section", "model_bias", "sections", "trend"]

# Distances from the line that are read, by strip: near, middle, outer.
_STRIPS_M = ((0.17, 0.22, 0.27, 0.32), (0.40, 0.48, 0.56), (0.68, 0.80, 0.92))
_ALONG_M = 0.2  # medians are taken over so much either way along the fence
_TILE_PX = 1024
_TREND_M = 1.25
_ALIKE_M = 0.01
_PAST_STRIP_M = (0.015, 0.03)  # what falling back to the next strip outward adds to the doubt

FEATURES = ("all", "higher side", "bank, higher side", "bank, lower side", "bump in the line")


@dataclass(frozen=True, slots=True)
class Bias:
    """What check points say of the ground model: it reads `mean_m` too high, give or take.

    `sd_m` is that of the mean, `spread_m` that of one place on open ground.
    """

    mean_m: float
    sd_m: float
    spread_m: float
    count: int


@dataclass(frozen=True, slots=True)
class Section:
    """Cross-sections, bias removed: heights in metres, NaN where nothing was seen.

    `base` is the mean of both near sides; `doubt_m` the standard deviation
    that falling back outward and sloping ground add to it.
    """

    left: Floats
    right: Floats
    outer: Floats
    line: Floats
    base: Floats
    features: Floats
    doubt_m: Floats

    @property
    def seen(self) -> Flags:
        """Where the ground beside the fence was seen."""
        return ~np.isnan(self.base)


def model_bias(
    ground: HeightSource, check_points: Any, *, sigma_m: float, unseen_bias_m: float
) -> Bias:
    """Compare the ground model with check points on the ground.

    Parameters
    ----------
    ground
        The model.
    check_points
        The layer; rows whose `of` is ground count, with their known height and
        place where given, else the measured ones.
    sigma_m
        Standard deviation of the model where no check point says better.
    unseen_bias_m
        Standard deviation of its bias in that case.
    """
    rows = check_points[check_points["of"] == "ground"]
    known = {name: _known(rows, name) for name in ("easting", "northing", "height")}
    place = _pixels(ground, np.column_stack([known["easting"], known["northing"]]))
    found = np.full(len(rows), np.nan)
    from fencemap.kernels.profile import bilinear

    for at, (column, row) in enumerate(place):
        window = Window(int(np.floor(row)) - 1, int(np.floor(column)) - 1, 4, 4)
        where = np.array([column - window.column]), np.array([row - window.row])
        found[at] = bilinear(ground.read(window), *where)[0]
    off = found - known["height"]
    off = off[~np.isnan(off)]
    if len(off) < 3:
        return Bias(0.0, unseen_bias_m, sigma_m, len(off))
    spread = float(np.std(off, ddof=1))
    return Bias(float(np.mean(off)), spread / len(off) ** 0.5, spread, len(off))


def _known(rows: Any, name: str) -> Floats:
    known = rows[f"{name}_known"].to_numpy(float)
    return np.asarray(np.where(np.isnan(known), rows[name].to_numpy(float), known))


def _pixels(ground: HeightSource, xy: Floats) -> Floats:
    """Places as column and row with (0, 0) at the first cell's centre."""
    row, column = ground.grid.to_pixel(xy[:, 0], xy[:, 1])
    return np.column_stack([column - 0.5, row - 0.5])


def _read(ground: HeightSource, cells: Cells) -> Floats:
    """Read all cross-sections, tile by tile, so that little of the model is in memory."""
    from fencemap.kernels.profile import cross_sections

    offset = np.concatenate(_STRIPS_M)
    strip = np.repeat(np.arange(3), [len(one) for one in _STRIPS_M])
    pixel = np.array(ground.grid.pixel_size)
    place = _pixels(ground, cells.xy)
    left = cells.left / pixel * (1.0, -1.0)
    found = np.full((len(cells.run), 7), np.nan)
    reach = int(np.ceil(offset.max() / pixel.min())) + 2
    tile = np.floor(place / _TILE_PX).astype(np.int64)
    inside = (tile >= 0).all(axis=1) & (place < ground.grid.shape[::-1]).all(axis=1)
    key = np.where(inside, tile[:, 1] * 1_000_000 + tile[:, 0], -1)
    order = np.argsort(key, kind="stable")
    bounds = np.flatnonzero(np.diff(key[order], prepend=-2))
    for here in np.split(order, bounds[1:]) if len(order) else []:
        if key[here[0]] < 0:
            continue
        low, high = np.floor(place[here].min(axis=0)), np.ceil(place[here].max(axis=0))
        size = (high - low).astype(int) + 1 + 2 * reach
        window = Window(int(low[1]) - reach, int(low[0]) - reach, int(size[1]), int(size[0]))
        at = place[here] - (window.column, window.row)
        found[here] = cross_sections(
            ground.read(window), at[:, 0], at[:, 1], left[here, 0], left[here, 1], offset, strip, 3
        )
    return found


def sections(
    ground: HeightSource, cells: Cells, *, bias: Bias, step_m: float, sigma_h_m: Floats
) -> Section:
    """Read the ground at every step.

    Parameters
    ----------
    ground
        The model; only tiles along fences are read.
    cells
        Where.
    bias
        Of the model; taken off.
    step_m
        Length of a step, for the medians along the fence.
    sigma_h_m
        (n,) standard deviation per axis of the fence's position.
    """
    from fencemap.kernels.profile import running_median

    read = running_median(_read(ground, cells), cells.bay, int(_ALONG_M / step_m + 1e-9))
    raw = np.asarray(read, dtype=np.float64) - bias.mean_m
    left, left_doubt = _outward(raw[:, 0:3])
    right, right_doubt = _outward(raw[:, 3:6])
    one_sided = np.isnan(left) ^ np.isnan(right)
    left, right = np.where(np.isnan(left), right, left), np.where(np.isnan(right), left, right)
    base = 0.5 * (left + right)
    far = np.stack([_first(raw[:, (2, 1, 0)]), _first(raw[:, (5, 4, 3)])])
    far = np.where(np.isnan(far), far[::-1], far)
    outer = far.mean(axis=0)
    slope = np.abs(far[0] - far[1]) / (2.0 * np.mean(_STRIPS_M[2]))
    slope = np.hypot(slope, _slope_along(cells, outer))
    doubt = np.hypot(np.where(one_sided, _PAST_STRIP_M[1], 0.0), np.fmax(left_doubt, right_doubt))
    # Two sides of nearly one height change places by degrees, not at a stroke.
    turn = np.clip(0.5 + (left - right) / (2.0 * _ALIKE_M), 0.0, 1.0)
    bank_left, bank_right = left - far[0], right - far[1]
    return Section(
        left=left,
        right=right,
        outer=outer,
        line=raw[:, 6],
        base=base,
        features=np.column_stack([
            np.ones(len(base)),
            0.5 * np.abs(left - right),
            turn * bank_left + (1.0 - turn) * bank_right,
            turn * bank_right + (1.0 - turn) * bank_left,
            np.clip(np.nan_to_num(raw[:, 6] - base), -0.10, 0.15),
        ]),
        doubt_m=np.hypot(doubt, np.nan_to_num(slope) * sigma_h_m),
    )  # fmt: skip


def _first(strips: NDArray[Any]) -> Floats:
    """First value of each row that was seen."""
    at = np.argmax(~np.isnan(strips), axis=1)
    return np.asarray(strips[np.arange(len(strips)), at])


def _outward(strips: NDArray[Any]) -> tuple[Floats, Floats]:
    """Nearest strip that was seen, and what going outward adds to the doubt."""
    at = np.argmax(~np.isnan(strips), axis=1)
    return _first(strips), np.array([0.0, *_PAST_STRIP_M])[at]


def _slope_along(cells: Cells, height: Floats) -> Floats:
    """Slope of the ground along the fence, over a metre or so; 0 where not known."""
    smooth = trend(cells, height)
    rise = np.zeros(len(smooth))
    same = cells.run[1:] == cells.run[:-1]
    step = np.where(same, np.diff(cells.station_m), 1.0)
    rise[1:] = np.where(same, np.diff(smooth) / step, 0.0)
    return np.abs(np.nan_to_num(rise))


def trend(cells: Cells, height: Floats) -> Floats:
    """Smooth heights along each run: the mean over `_TREND_M` either way.

    Holes are bridged in a straight line within a run; a run of which nothing
    was seen stays NaN.
    """
    seen = ~np.isnan(height)
    whole = np.full(len(height), np.nan)
    run_of_seen = cells.run[seen]
    if seen.any():
        wide = float(cells.to_m.max()) + 1.0
        key = cells.run * wide + cells.station_m
        filled = np.interp(key, key[seen], height[seen])
        # At a run's ends the bridge must not lead to another run.
        first = np.searchsorted(run_of_seen, cells.run, "left")
        last = np.searchsorted(run_of_seen, cells.run, "right") - 1
        any_seen = last >= first
        low, high = key[seen][np.minimum(first, seen.sum() - 1)], key[seen][np.maximum(last, 0)]
        filled = np.interp(np.clip(key, low, high), key[seen], height[seen])
        whole = np.where(any_seen, filled, np.nan)
    return _moving_mean(cells, whole)


def _moving_mean(cells: Cells, values: Floats) -> NDArray[Any]:
    """Mean over a window of stations that shrinks evenly towards a run's ends."""
    weight = cells.length_m
    total = np.concatenate([[0.0], np.cumsum(np.nan_to_num(values) * weight)])
    width = np.concatenate([[0.0], np.cumsum(weight)])
    begin, end = width[cells.first[cells.run]], width[cells.first[cells.run + 1]]
    middle = 0.5 * (width[:-1] + width[1:])
    reach = np.minimum(np.minimum(middle - begin, end - middle), _TREND_M)
    low, high = np.interp([middle - reach, middle + reach], width, total)
    return np.where(np.isnan(values), np.nan, (high - low) / np.maximum(2.0 * reach, 1e-12))
