"""The fences: posts, bays, rails and the soil along them, as the builders and time left them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from generator.chance import smooth_line, stream
from generator.ground import downhill, old_ground
from generator.styles import STYLES
from generator.things import STEP_M, Bay, Lot, Run

__all__ = ["build_runs", "curb_rise"]

GATE_M = 0.98


@dataclass(frozen=True)
class _Chain:
    """One run before its posts are set."""

    run_id: str
    lots: tuple[str, ...]
    style: str
    corners: np.ndarray
    closed: bool
    gate_side: int | None


def _chains(lot: Lot, neighbour: str) -> Iterator[_Chain]:
    c, name, style = lot.corners, lot.name, lot.style
    own = (name,)
    if lot.plan in ("ring", "cradle", "curve"):
        corners = c if lot.plan != "curve" else np.vstack([_arc(c[0], c[1]), c[2:]])
        gate = {"ring": 0, "cradle": None, "curve": 2}[lot.plan]
        yield _Chain(f"L{name}-A", own, style, corners, closed=True, gate_side=gate)
    elif lot.plan == "sides":
        for side, letter in enumerate("ABCD"):
            ends = c[[side, (side + 1) % 4]]
            gate = 0 if side == 0 else None
            yield _Chain(f"L{name}-{letter}", own, style, ends, closed=False, gate_side=gate)
    elif lot.plan == "mixed":
        other = "wire" if style != "wire" else "steel"
        yield _Chain(f"L{name}-A", own, "cast", c[:2], closed=False, gate_side=0)
        yield _Chain(f"L{name}-B", own, other, c[[1, 2, 3, 0]], closed=False, gate_side=None)
    elif lot.plan == "three":
        yield _Chain(f"L{name}-A", own, style, c[[3, 0, 1, 2]], closed=False, gate_side=1)
    elif lot.plan == "front":
        yield _Chain(f"L{name}-A", own, style, c[:2], closed=False, gate_side=0)
    elif lot.plan == "party left":
        yield _Chain(f"L{name}-A", own, style, c[[2, 3, 0, 1]], closed=False, gate_side=2)
        yield _Chain(
            f"L{name}-P", (name, neighbour), style, c[[1, 2]], closed=False, gate_side=None
        )
    elif lot.plan == "party right":
        yield _Chain(f"L{name}-A", own, style, c, closed=False, gate_side=0)


def _arc(first: np.ndarray, last: np.ndarray) -> np.ndarray:
    """Give a bowed front of five equal chords, 1.1 m deep, bulging away from the lot."""
    half = np.hypot(*(last - first)) / 2.0
    rise = 1.1
    radius = (half**2 + rise**2) / (2.0 * rise)
    way = (last - first) / (2.0 * half)
    out = np.array([way[1], -way[0]])
    centre = (first + last) / 2.0 + out * (rise - radius)
    spread = np.arcsin(half / radius)
    angle = np.linspace(-spread, spread, 6)[:, None]
    arc = centre + radius * (np.sin(angle) * way + np.cos(angle) * out)
    return np.vstack([first, arc[1:-1], last])


def _divide(length: float, bay_m: float, gate: bool) -> tuple[np.ndarray, list[str]]:
    """Shares of a side at which posts stand, both ends included, and what fills each bay."""
    if not gate or length < GATE_M + 1.2:
        if gate and length < 2.2:
            return np.array([0.0, 1.0]), ["gate"]
        count = max(1, round(length / bay_m))
        return np.linspace(0.0, 1.0, count + 1), ["panel"] * count
    wing = (length - GATE_M) / 2.0
    count = max(1, round(wing / bay_m))
    left = np.linspace(0.0, wing / length, count + 1)
    return np.concatenate([left, 1.0 - left[::-1]]), ["panel"] * count + ["gate"] + [
        "panel"
    ] * count


def _posts(chain: _Chain) -> tuple[np.ndarray, list[str], list[str]]:
    corners = np.vstack([chain.corners, chain.corners[:1]]) if chain.closed else chain.corners
    points: list[np.ndarray] = []
    roles: list[str] = []
    fills: list[str] = []
    for side in range(len(corners) - 1):
        way = corners[side + 1] - corners[side]
        shares, kinds = _divide(
            float(np.hypot(*way)), STYLES[chain.style].bay_m, side == chain.gate_side
        )
        for index, share in enumerate(shares[:-1]):
            points.append(corners[side] + share * way)
            beside = "gate" in (kinds[index], kinds[index - 1] if index else "")
            roles.append("gate" if beside and index else "line" if index else "corner")
        fills += kinds
    if not chain.closed:
        points.append(corners[-1])
        roles.append("end")
        roles[0] = "end"
    return np.array(points), roles, fills


def curb_rise(seed: int, run_id: str) -> float:
    """How far the curb of a run stands out of the old ground, m."""
    return float(stream(seed, "curb", run_id).uniform(0.06, 0.15))


def _presence(rng: np.random.Generator, kind: str) -> str:
    lost = 0.30 if kind == "gate" else 0.045
    if rng.random() >= lost:
        return "in place"
    return str(rng.choice(["missing", "loose on site", "in store"], p=[0.62, 0.2, 0.18]))


def _bays(rng: np.random.Generator, chain: _Chain, line: np.ndarray, fills: list[str],
          rise: float) -> tuple[Bay, ...]:  # fmt: skip
    """Set the rails: raked with the old ground, or level from post to post, then settled."""
    style = STYLES[chain.style]
    gap = rise + rng.uniform(0.018, 0.08) if rise else style.gap_m * rng.uniform(0.8, 1.2)
    gap += rng.normal(0.0, 0.010)
    if chain.style == "pipe":
        gap = rise + style.gap_m
    foot = old_ground(line)
    settled = -np.abs(rng.normal(0.0, 0.009, len(line)))
    if chain.closed:
        settled[-1] = settled[0]
    bays = []
    for index, kind in enumerate(fills):
        ends = foot[index : index + 2] + gap + settled[index : index + 2]
        if style.stepped and kind == "panel":
            ends = np.full(2, ends.max()) + settled[index : index + 2] * 0.5
        if kind == "gate":
            ends = np.full(2, foot[index : index + 2].max() + rng.uniform(0.05, 0.1))
            ends[1] -= abs(rng.normal(0.0, 0.012))  # the leaf hangs
        bays.append(
            Bay(index + 1, kind, _presence(rng, kind), round(float(ends[0]), 4),
                round(float(ends[1]), 4), round(style.sag_m * float(rng.gamma(2.0, 0.5)), 4),
                round(float(rng.gamma(0.6, 18.0)), 0))
        )  # fmt: skip
    return tuple(bays)


def _soil(
    rng: np.random.Generator, line: np.ndarray, closed: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Soil gathered along a run: most where the line lies across the slope."""
    steps = np.hypot(*np.diff(line, axis=0).T)
    ends = np.concatenate([[0.0], np.cumsum(steps)])
    count = int(ends[-1] / STEP_M + 1e-9) + 1
    middle = (line[1:] + line[:-1]) / 2.0
    way = np.diff(line, axis=0) / steps[:, None]
    left = np.column_stack([-way[:, 1], way[:, 0]])
    across = -(left * downhill(middle)).sum(axis=1)  # > 0: uphill lies left
    kind = rng.choice(3, p=[0.22, 0.32, 0.46])
    level = rng.uniform((0.008, 0.04, 0.095)[kind], (0.025, 0.095, 0.155)[kind])
    bay = np.clip(
        np.searchsorted(ends, np.arange(count) * STEP_M, side="right") - 1, 0, len(way) - 1
    )
    share = 0.22 + 0.78 * np.abs(across[bay]) ** 1.5
    wave = smooth_line(rng, count, step_m=STEP_M, length_m=2.2, closed=closed)
    raw = level * share * (1.0 + 0.30 * np.clip(wave, -2.0, 2.0)) + 0.006
    soft = gaussian_filter1d(
        np.maximum(raw, 0.0), 0.25 / STEP_M, mode="wrap" if closed else "nearest"
    )
    return np.round(soft, 4), np.where(across >= 0.0, 1.0, -1.0)


def _run(seed: int, chain: _Chain) -> Run:
    rng = stream(seed, "iron", chain.run_id)
    style = STYLES[chain.style]
    points, roles, fills = _posts(chain)
    inner = np.array([role in ("line", "gate") for role in roles])
    points = points + rng.normal(0.0, 0.008, points.shape) * inner[:, None]
    points = np.round(points, 4)
    line = np.vstack([points, points[:1]]) if chain.closed else points
    curbed = bool(rng.random() < style.curb_share)
    bays = _bays(rng, chain, line, fills, curb_rise(seed, chain.run_id) if curbed else 0.0)
    soil, uphill = _soil(stream(seed, "soil", chain.run_id), line, chain.closed)
    leaning = rng.random(len(points)) < 0.14
    lean = np.column_stack([
        np.where(leaning, rng.gamma(2.0, 1.8, len(points)) + 1.0, rng.gamma(1.5, 0.25, len(points))),
        rng.uniform(0.0, 360.0, len(points)),
    ])  # fmt: skip
    return Run(chain.run_id, chain.lots, chain.style, chain.closed, points, tuple(roles), bays,
               curbed, soil, uphill, {}, np.round(lean, 1))  # fmt: skip


def build_runs(seed: int, lots: tuple[Lot, ...]) -> tuple[Run, ...]:
    """Enclose every lot; a post that two runs share is told by `same_as`."""
    runs: list[Run] = []
    for place, lot in enumerate(lots):
        neighbour = lots[place + 1].name if lot.plan == "party left" else ""
        near = [run for run in runs if int(run.run_id[1:3]) >= lot.number - 1]
        for chain in _chains(lot, neighbour):
            run = _run(seed, chain)
            for order, point in enumerate(run.posts, start=1):
                for other in near:
                    close = np.hypot(*(other.posts - point).T) < 0.02
                    if close.any() and order not in run.same_as:
                        first = int(np.argmax(close)) + 1
                        run.same_as[order] = other.same_as.get(
                            first, f"{other.run_id}-P{first:02d}"
                        )
            runs.append(run)
            near.append(run)
    return tuple(runs)
