"""Stone: curbs under the fences, grave markers, and the graves themselves."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from shapely import LineString, Point, Polygon

from generator.chance import stream
from generator.frame import BOUNDARY, TURN_RAD, to_world
from generator.ground import old_ground
from generator.iron import curb_rise
from generator.things import Curb, Lot, Run, Stone

__all__ = ["box", "build_curbs", "build_graves", "build_stones"]

_TYPES = ("marble", "limestone", "sandstone", "slate", "granite", "polished granite", "concrete",
          "cast stone")  # fmt: skip
_TYPE_SHARE = (0.22, 0.18, 0.17, 0.12, 0.13, 0.08, 0.06, 0.04)
# form: kind, share, width and thickness of the foot, height (all as low, high)
_FORMS = {
    "headstone": ("marker", 0.40, (0.50, 0.92), (0.08, 0.15), (0.55, 1.30)),
    "headstone on base": ("marker", 0.22, (0.70, 1.05), (0.28, 0.42), (0.80, 1.45)),
    "small block": ("marker", 0.12, (0.42, 0.65), (0.28, 0.42), (0.22, 0.45)),
    "cross on base": ("marker", 0.07, (0.50, 0.72), (0.45, 0.65), (1.10, 1.90)),
    "obelisk": ("marker", 0.04, (0.75, 1.10), (0.75, 1.10), (1.90, 3.10)),
    "slab": ("ledger", 0.12, (0.78, 0.95), (1.75, 2.05), (0.06, 0.22)),
    "table tomb": ("marker", 0.03, (0.95, 1.10), (1.85, 2.10), (0.65, 0.85)),
}
_TOUCH, _NEAR = 0.22, 0.20  # share of lot stones set against, or close to, a rail


def box(centre: np.ndarray, facing_deg: float, width: float, depth: float) -> np.ndarray:
    """Corners of a rectangle whose front (of `width`) looks towards `facing_deg`."""
    angle = np.deg2rad(facing_deg)
    front = np.array([np.sin(angle), np.cos(angle)])
    right = np.array([front[1], -front[0]])
    signs = np.array([(-1, 1), (-1, -1), (1, -1), (1, 1)])
    return np.asarray(centre) + signs[:, :1] * right * width / 2 + signs[:, 1:] * front * depth / 2


def _stretches(run: Run) -> list[tuple[int, int]]:
    """First bay and the one after the last of every straight stretch without a gate."""
    out, start = [], 0
    for index, bay in enumerate(run.bays):
        turn = index > 0 and run.roles[index] == "corner"
        if turn and index > start:
            out.append((start, index))
        if turn:
            start = index
        if bay.kind == "gate":
            if index > start:
                out.append((start, index))
            start = index + 1
    if start < len(run.bays):
        out.append((start, len(run.bays)))
    return out


def _units(
    seed: int, run_id: str, lots: tuple[str, ...], ends: np.ndarray, from_m: float, made: int
) -> list[Curb]:
    """Cut one straight stretch of curb into numbered stones."""
    rng = stream(seed, "curb units", run_id or lots[0], made)
    style = stream(seed, "curb style", run_id or lots[0])
    stone = str(
        style.choice(["granite", "limestone", "sandstone", "concrete"], p=[0.35, 0.3, 0.2, 0.15])
    )
    width, rise = float(style.uniform(0.19, 0.27)), curb_rise(seed, run_id or lots[0])
    length = float(np.hypot(*(ends[1] - ends[0])))
    way = (ends[1] - ends[0]) / length
    left = np.array([-way[1], way[0]])
    count = max(1, round(length / float(style.uniform(0.95, 1.7))))
    cuts = np.linspace(0.0, length, count + 1)
    cuts[1:-1] += rng.normal(0.0, 0.05, count - 1)
    units = []
    for index in range(count):
        low, high = cuts[index] + 0.003, cuts[index + 1] - 0.003
        far = high + (width / 2 if index == count - 1 else 0.0)
        shift = left * rng.normal(0.0, 0.008)
        sides = [ends[0] + way * d + left * w + shift
                 for d, w in ((low, width / 2), (far, width / 2), (far, -width / 2), (low, -width / 2))]  # fmt: skip
        foot = old_ground(np.array([ends[0] + way * low, ends[0] + way * high]))
        tops = np.round(foot + rise + rng.normal(0.0, 0.006) + rng.normal(0.0, 0.004, 2), 4)
        name = f"{run_id or 'L' + lots[0]}-K{made + index + 1:02d}"
        units.append(Curb(name, run_id, lots, stone, np.round(np.array(sides), 4),
                          from_m + low, from_m + high, float(tops[0]), float(tops[1])))  # fmt: skip
    return units


def build_curbs(seed: int, runs: tuple[Run, ...], lots: tuple[Lot, ...]) -> tuple[Curb, ...]:
    """Curbs under the curbed runs, and round the lots that have lost their fence."""
    curbs: list[Curb] = []
    for run in runs:
        made: list[Curb] = []
        for start, stop in _stretches(run) if run.curbed else []:
            ends = run.line[[start, stop]]
            made += _units(seed, run.run_id, run.lots, ends, run.post_stations[start], len(made))
        curbs += made
    for lot in lots:
        made = []
        for side in range(4) if lot.plan == "stubs" else ():
            ends = lot.corners[[side, (side + 1) % 4]]
            made += _units(seed, "", (lot.name,), ends, 0.0, len(made))
        curbs += made
    return tuple(curbs)


def _form(rng: np.random.Generator) -> tuple[str, str, float, float, float]:
    names = list(_FORMS)
    share = np.array([_FORMS[name][1] for name in names])
    name = names[int(rng.choice(len(names), p=share / share.sum()))]
    kind, _, *ranges = _FORMS[name]
    width, depth, height = (float(rng.uniform(*span)) for span in ranges)
    if name in ("obelisk", "cross on base"):
        depth = width
    return name, kind, width, depth, height


def _stone(rng: np.random.Generator, number: int, lots: tuple[str, ...], centre: np.ndarray,
           facing: float, made: tuple[str, str, float, float, float]) -> Stone:  # fmt: skip
    form, kind, width, depth, height = made
    upright = form.startswith("headstone") or form in ("cross on base", "obelisk")
    state = (
        rng.choice(["stable", "leaning", "loose", "fallen"], p=[0.74, 0.17, 0.06, 0.03])
        if upright
        else "stable"
    )
    lean = 0.0
    if upright:
        lean = {"stable": abs(rng.normal(0, 0.8)), "leaning": rng.uniform(4, 16), "loose": rng.uniform(1, 7),
                "fallen": 90.0}[str(state)]  # fmt: skip
    if state == "fallen" and form == "headstone":
        depth, height = height, depth
    way = (facing + float(rng.choice([0.0, 180.0])) + rng.normal(0, 12)) % 360.0
    stone_type = str(rng.choice(_TYPES, p=_TYPE_SHARE))
    return Stone(f"S{number:03d}", kind, form, stone_type, lots,
                 np.round(box(centre, facing, width, depth), 4), round(height, 3), round(facing, 1),
                 str(state), round(float(lean), 1), round(float(way), 1), iron_stain=False)  # fmt: skip


class _Yard:
    """Keeps what is set, so that no two stones overlap."""

    def __init__(self, runs: tuple[Run, ...]) -> None:
        self.fences = [LineString(run.line) for run in runs]
        self.solid: list[Polygon] = []

    def iron_m(self, corners: np.ndarray) -> float:
        shape = Polygon(corners)
        return min(shape.distance(fence) for fence in self.fences)

    def fits(self, corners: np.ndarray, iron: float) -> bool:
        shape = Polygon(corners)
        near = [one for one in self.solid if one.distance(shape) < 0.12]
        return not near and self.iron_m(corners) >= iron

    def keep(self, corners: np.ndarray) -> None:
        self.solid.append(Polygon(corners))


def _front(lot: Lot) -> float:
    middle = (lot.corners[0] + lot.corners[1]) / 2 - (lot.corners[2] + lot.corners[3]) / 2
    return float(np.rad2deg(np.arctan2(middle[0], middle[1])) % 360.0)


def _in_lot(seed: int, lot: Lot, yard: _Yard, number: int) -> list[Stone]:
    rng = stream(seed, "lot stones", lot.name)
    facing, c = _front(lot), lot.corners
    count = 1 if lot.plan == "cradle" else int(rng.integers(2, 5))
    stones: list[Stone] = []
    for index in range(count):
        made = _form(rng)
        if lot.plan == "cradle":
            made = ("headstone", "marker", 0.55, 0.11, 0.8)
        across, up = (index + 0.5 + rng.normal(0, 0.06)) / count, rng.uniform(0.52, 0.72)
        if lot.plan == "cradle":
            across, up = 0.5, 0.82
        place = (1 - up) * ((1 - across) * c[0] + across * c[1]) + up * (
            (1 - across) * c[3] + across * c[2]
        )
        stone = _stone(
            rng, number + len(stones), (lot.name,), place, facing + rng.normal(0, 1.6), made
        )
        draw = rng.random()
        if draw < _TOUCH + _NEAR and lot.plan != "cradle":
            aim = abs(rng.normal(0, 0.012)) if draw < _TOUCH else rng.uniform(0.04, 0.28)
            stone = _pushed(stone, yard, aim, facing + 180.0)
        if yard.fits(stone.corners, 0.0):
            yard.keep(stone.corners)
            stones.append(stone)
    return stones


def _pushed(stone: Stone, yard: _Yard, aim: float, towards_deg: float) -> Stone:
    """Move a stone back until its edge is `aim` metres from a rail's line."""
    angle = np.deg2rad(towards_deg)
    way = np.array([np.sin(angle), np.cos(angle)])
    for _ in range(40):
        rest = yard.iron_m(stone.corners) - aim
        if rest < 0.002:
            break
        stone = replace(stone, corners=np.round(stone.corners + way * min(rest, 0.4) * 0.9, 4))
    return stone


def _in_strip(rng: np.random.Generator, strip: np.ndarray, yard: _Yard, number: int) -> list[Stone]:
    start, stop, low, depth, row = strip
    back = int(row) % 2 == 1
    facing = (180.0 if not back else 0.0) - np.rad2deg(TURN_RAD)
    stones: list[Stone] = []
    for share in (0.62, 0.12)[: 1 + int(rng.random() < 0.35)]:
        place = start + rng.uniform(0.5, 1.1)
        while place < stop - 0.5:
            if rng.random() < 0.62:
                up = low + depth * (1 - share if back else share) + rng.normal(0, 0.10)
                stone = _stone(rng, number + len(stones), (), to_world(np.array([place, up])),
                               (facing + rng.normal(0, 2.5)) % 360.0, _form(rng))  # fmt: skip
                if yard.fits(stone.corners, 0.06):
                    yard.keep(stone.corners)
                    stones.append(stone)
            place += rng.uniform(1.25, 2.1)
    return stones


def _steps(runs: tuple[Run, ...], yard: _Yard, number: int) -> list[Stone]:
    """Lay a stone step before every third gate."""
    steps: list[Stone] = []
    gates = [(run, bay) for run in runs for bay in run.bays if bay.kind == "gate"]
    for run, bay in gates[::3]:
        ends = run.line[bay.order - 1 : bay.order + 1]
        way = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
        out = np.array([way[1], -way[0]])
        facing = float(np.rad2deg(np.arctan2(out[0], out[1])) % 360.0)
        corners = np.round(box(ends.mean(axis=0) + out * 0.24, facing, 0.86, 0.32), 4)
        if yard.fits(corners, 0.03):
            yard.keep(corners)
            steps.append(Stone(f"S{number + len(steps):03d}", "step", "step", "granite", run.lots,
                               corners, 0.09, round(facing, 1), "stable", 0.0, 0.0, iron_stain=False))  # fmt: skip
    return steps


def _edge(number: int) -> list[Stone]:
    """Build the wall along the foot and the east side, in sections, and two pillars at the gateway."""
    stones: list[Stone] = []

    def add(kind: str, corners: np.ndarray, height: float) -> None:
        name = f"S{number + len(stones):03d}"
        stones.append(Stone(name, kind, kind, "sandstone", (), np.round(corners, 4), height, 0.0,
                            "stable", 0.0, 0.0, iron_stain=False))  # fmt: skip

    line = to_world(BOUNDARY[:7])
    for first, last in pairwise(line):
        way = last - first
        facing = float(np.rad2deg(np.arctan2(way[1], -way[0]))) % 360.0
        count = max(1, round(float(np.hypot(*way)) / 12.0))
        for index in range(count):
            centre = first + way * (index + 0.5) / count
            add("wall", box(centre, facing, float(np.hypot(*way)) / count - 0.01, 0.45), 0.9)
    for up in (44.6, 49.4):
        add(
            "pillar", box(to_world(np.array([0.1, up])), 90.0 - np.rad2deg(TURN_RAD), 0.6, 0.6), 1.9
        )
    return stones


def build_stones(seed: int, lots: tuple[Lot, ...], runs: tuple[Run, ...],
                 strips: np.ndarray) -> tuple[Stone, ...]:  # fmt: skip
    """Set the stones: in the lots, in rows between them, and steps at gates."""
    yard, stones = _Yard(runs), []
    for lot in lots:
        stones += _in_lot(seed, lot, yard, len(stones) + 1)
    for index, strip in enumerate(strips):
        stones += _in_strip(stream(seed, "strip", index), strip, yard, len(stones) + 1)
    stones += _steps(runs, yard, len(stones) + 1)
    stones += _edge(len(stones) + 1)
    out = []
    for stone in stones:
        rng = stream(seed, "stain", stone.stone_id)
        stained = yard.iron_m(stone.corners) < 0.25 and rng.random() < 0.65
        out.append(replace(stone, iron_stain=bool(stained)))
    return tuple(out)


def build_graves(seed: int, stones: tuple[Stone, ...], runs: tuple[Run, ...]) -> np.ndarray:
    """Low mounds and sunken graves before some stones, none under a rail."""
    fences = [LineString(run.line) for run in runs]
    graves = []
    for stone in stones:
        rng = stream(seed, "grave", stone.stone_id)
        if stone.kind != "marker" or rng.random() > 0.42:
            continue
        angle = np.deg2rad(stone.azimuth_deg)
        place = stone.corners.mean(axis=0) + 1.25 * np.array([np.sin(angle), np.cos(angle)])
        half = float(rng.uniform(0.75, 1.0))
        if min(fence.distance(Point(place)) for fence in fences) < half + 0.45:
            continue
        rise = float(rng.uniform(0.04, 0.12) if rng.random() < 0.45 else -rng.uniform(0.03, 0.10))
        graves.append((*np.round(place, 3), stone.azimuth_deg, round(half, 2), round(rise, 3)))
    return np.array(graves)
