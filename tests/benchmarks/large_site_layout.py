"""Where everything stands on the invented large site: lots, fences, stones, curbs, trees.

The ground is divided into curved bands; a band is three rows of graves deep.
Fenced lots take whole stretches of a band, stones fill the rest. Every stone
has its own cell, so no two overlap. All lengths are metres; positions are
easting and northing of the site's CRS. Nothing here knows the program that
is measured.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

__all__ = ["CRS", "FULL_SIDE_M", "ORIGIN", "Curb", "Layout", "Run", "chance", "lay_out"]

CRS = "EPSG:32631"
ORIGIN = (510_000.0, 6_050_000.0)  # south-west corner, in open sea on purpose
FULL_SIDE_M = 450.0  # 20.25 ha
STONES_AT_FULL = 100_000
FENCE_AT_FULL_M = 20_000.0
TREES_AT_FULL = 260

_CELL_U, _CELL_V, _ALLEY, _MARGIN = 0.90, 1.70, 0.55, 3.0
_BAND = 3 * _CELL_V
_PATH_EVERY, _PATH_M = 13, 3.2
_BAY_M = {"wrought iron": 2.2, "cast iron": 1.65, "mild steel": 2.2, "pipe": 2.7}
_STYLE_SHARE = (0.5, 0.2, 0.2, 0.1)


def chance(seed: int, *names: int) -> np.random.Generator:
    """Make a stream of its own for each purpose, so that a change of one moves no other."""
    return np.random.default_rng([seed, *names])


@dataclass
class Run:
    """One run of fence: its posts in order, what fills each bay, and the lots each bay encloses."""

    run_id: str
    lot: str
    posts: np.ndarray
    roles: list[str]
    bays: list[str]  # panel, gate or nothing, one a bay
    lots: list[str]  # one a bay
    closed: bool
    material: str
    curb: bool
    shared: dict[int, str] = field(default_factory=dict)  # post number to the element it is again

    @property
    def line(self) -> np.ndarray:
        """Posts, with the first again at the end of a closed run."""
        return np.vstack([self.posts, self.posts[:1]]) if self.closed else self.posts


@dataclass(frozen=True)
class Curb:
    """One curb stone under a fence."""

    run_id: str
    lot: str
    corners: np.ndarray


@dataclass
class Layout:
    """Everything with its place. Stones are columns of equal length; corners are (n, 4, 2)."""

    side_m: float
    lots: dict[str, np.ndarray]
    runs: list[Run]
    curbs: list[Curb]
    stone_corners: np.ndarray
    stone_size: np.ndarray  # (n, 2) length and width
    stone_turn: np.ndarray  # direction of the length, radians from east
    stone_lot: np.ndarray
    stone_kind: np.ndarray
    trees: np.ndarray  # easting, northing, stem diameter in mm
    paths: list[np.ndarray]

    @property
    def boundary(self) -> np.ndarray:
        """Corners of the site."""
        inset = np.array([(1, 1), (-1, 1), (-1, -1), (1, -1)]) * 0.5
        corners = np.array([(0, 0), (self.side_m, 0), (self.side_m, self.side_m), (0, self.side_m)])
        return corners + inset + np.array(ORIGIN)


def _bend(u: np.ndarray | float) -> np.ndarray:
    """How far a band is shifted up at `u`."""
    return np.asarray(1.2 * np.sin(np.asarray(u) / 45.0))


def _turn(u: np.ndarray | float) -> np.ndarray:
    """Direction of the band at `u`, radians."""
    return np.arctan(1.2 / 45.0 * np.cos(np.asarray(u) / 45.0))


def _world(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    return np.stack([u + ORIGIN[0], v + _bend(u) + ORIGIN[1]], axis=-1)


def _bands(side_m: float) -> list[float]:
    """Lower edge of each band, with paths between groups of them."""
    found, v = [], _MARGIN
    while v + _BAND + _MARGIN <= side_m:
        found.append(v)
        v += _BAND + _ALLEY
        if len(found) % _PATH_EVERY == 0:
            v += _PATH_M
    return found


def _slots(rng: np.random.Generator, bands: list[float], cells: int) -> list[tuple[int, int, int]]:
    """Draw non-touching stretches (band, first cell, cells) that could be fenced."""
    found = []
    for band in range(len(bands)):
        at = int(rng.integers(0, 4))
        while True:
            width = int(rng.integers(5, 9)) if rng.random() > 0.05 else int(rng.integers(10, 14))
            if at + width > cells:
                break
            found.append((band, at, width))
            at += width + int(rng.integers(1, 12))
    order = rng.permutation(len(found))
    return [found[i] for i in order]


def _side_posts(
    a: np.ndarray, b: np.ndarray, bay_m: float, gate: bool
) -> tuple[np.ndarray, list[str]]:
    """Set posts from a to just before b, and say what fills each bay."""
    length = float(np.hypot(*(b - a)))
    if gate and length > 2.2:
        half = max(1, round((length - 0.95) / 2 / bay_m))
        left = np.linspace(0.0, (length - 0.95) / 2, half + 1)
        at = np.concatenate([left, length - left[::-1]])
        kinds = ["panel"] * half + ["gate"] + ["panel"] * half
    else:
        count = max(1, round(length / bay_m))
        at, kinds = np.linspace(0.0, length, count + 1), ["panel"] * count
    return a + (b - a) * (at[:-1, None] / length), kinds


def _run(
    run_id: str, corners: np.ndarray, made_of: tuple[str, bool], *, closed: bool, gate_side: int
) -> Run:
    """Set posts along the sides between `corners`; `made_of` is the iron and whether a curb is under it."""
    (material, curb), lot = made_of, run_id[1:5]
    ends = np.vstack([corners, corners[:1]]) if closed else corners
    posts, roles, bays = [], [], []
    for side, (a, b) in enumerate(pairwise(ends)):
        made, kinds = _side_posts(a, b, _BAY_M[material], side == gate_side)
        gates = {i + d for i, kind in enumerate(kinds) if kind == "gate" for d in (0, 1)}
        posts.append(made)
        roles += ["corner"] + ["gate" if i in gates else "line" for i in range(1, len(made))]
        bays += kinds
    if not closed:
        posts.append(ends[-1:])
        roles[0] = "end"
        roles.append("end")
    return Run(
        run_id, lot, np.vstack(posts), roles, bays, [lot] * len(bays), closed, material, curb
    )


def _rectangle(u0: float, u1: float, v0: float, v1: float, twist: float) -> np.ndarray:
    """Corners of a stretch of band, from the lower left, anticlockwise."""
    middle = (u0 + u1) / 2
    turn = float(_turn(middle)) + twist
    half_u, half_v = (u1 - u0) / 2, (v1 - v0) / 2
    local = np.array([(-half_u, -half_v), (half_u, -half_v), (half_u, half_v), (-half_u, half_v)])
    cos, sin = np.cos(turn), np.sin(turn)
    return _world(np.array(middle), np.array((v0 + v1) / 2)) + local @ np.array(
        [[cos, sin], [-sin, cos]]
    )


@dataclass
class _Fencer:
    """Fences lots one after the other until there is enough fence."""

    rng: np.random.Generator
    lots: dict[str, np.ndarray] = field(default_factory=dict)
    runs: list[Run] = field(default_factory=list)
    frames: list[tuple[tuple[int, int, int], str, np.ndarray, float]] = field(default_factory=list)

    def length(self) -> float:
        return float(sum(np.hypot(*np.diff(run.line, axis=0).T).sum() for run in self.runs))

    def fence(self, slot: tuple[int, int, int], bands: list[float]) -> float:
        """Fence one slot; returns the metres of fence it took."""
        band, first, cells = slot
        rng, before = self.rng, len(self.runs)
        twist = float(rng.normal(0.0, 0.006))
        u0, u1 = _MARGIN + first * _CELL_U + 0.06, _MARGIN + (first + cells) * _CELL_U - 0.06
        v0, v1 = bands[band] + 0.06, bands[band] + _BAND - 0.06
        if cells >= 10:
            self._party(slot, u0, u1, v0, v1, twist)
        else:
            name = self._name()
            corners = _rectangle(u0, u1, v0, v1, twist)
            self._lot(slot, name, corners, twist)
            self._enclose(
                name, corners, rng.choice(["ring", "three", "sides"], p=[0.76, 0.14, 0.10])
            )
        made = self.runs[before:]
        return float(sum(np.hypot(*np.diff(run.line, axis=0).T).sum() for run in made))

    def _name(self) -> str:
        return f"{len(self.lots) + 1:04d}"

    def _lot(
        self, slot: tuple[int, int, int], name: str, corners: np.ndarray, twist: float
    ) -> None:
        self.lots[name] = corners
        self.frames.append((slot, name, corners, twist))

    def _made_of(self) -> tuple[str, bool]:
        material = str(self.rng.choice(list(_BAY_M), p=_STYLE_SHARE))
        return material, bool(self.rng.random() < (0.6 if material == "cast iron" else 0.3))

    def _enclose(self, name: str, corners: np.ndarray, plan: str) -> None:
        made_of = self._made_of()
        turned = np.roll(corners, -int(self.rng.integers(0, 4)), axis=0)
        if plan == "ring":
            self.runs.append(_run(f"L{name}-A", turned, made_of, closed=True, gate_side=0))
        elif plan == "three":
            self.runs.append(_run(f"L{name}-A", turned, made_of, closed=False, gate_side=1))
        else:
            previous = ""
            for side, (a, b) in enumerate(pairwise(np.vstack([turned, turned[:1]]))):
                run_id = f"L{name}-{'ABCD'[side]}"
                gate_side = 0 if side == 0 else -1
                run = _run(run_id, np.array([a, b]), made_of, closed=False, gate_side=gate_side)
                if previous:
                    run.shared[1] = previous
                previous = f"{run_id}-P{len(run.posts):02d}"
                self.runs.append(run)

    def _party(self, slot: tuple[int, int, int], u0: float, u1: float, v0: float, v1: float,
               twist: float) -> None:  # fmt: skip
        """Two lots with one fence between them: a ring, and three sides leaning on it."""
        whole = _rectangle(u0, u1, v0, v1, twist)
        front, rear = (whole[0] + whole[1]) / 2, (whole[3] + whole[2]) / 2
        left, right = self._name(), f"{len(self.lots) + 2:04d}"
        band, first, cells = slot
        half = cells // 2
        self._lot((band, first, half), left, np.array([whole[0], front, rear, whole[3]]), twist)
        self._lot(
            (band, first + half, cells - half),
            right,
            np.array([front, whole[1], whole[2], rear]),
            twist,
        )
        made_of = self._made_of()
        ring = _run(f"L{left}-A", self.lots[left], made_of, closed=True, gate_side=0)
        corner = [i for i, role in enumerate(ring.roles) if role == "corner"]
        for bay in range(corner[1], corner[2]):
            ring.lots[bay] = f"{left};{right}"
        outline = np.array([front, whole[1], whole[2], rear])
        three = _run(f"L{right}-A", outline, made_of, closed=False, gate_side=0)
        three.shared = {
            1: f"L{left}-A-P{corner[1] + 1:02d}",
            len(three.posts): f"L{left}-A-P{corner[2] + 1:02d}",
        }
        self.runs += [ring, three]


def _curbs(rng: np.random.Generator, runs: list[Run]) -> list[Curb]:
    """Cut curb stones under the fences that stand on one, corner to corner without overlap."""
    found = []
    for run in (run for run in runs if run.curb):
        line = run.line
        corners = [
            i
            for i, role in enumerate([*run.roles, "corner"][: len(line)])
            if role in ("corner", "end")
        ]
        for i, j in pairwise(corners):
            a, b = line[i], line[j]
            length = float(np.hypot(*(b - a)))
            along = (b - a) / length
            across = np.array([-along[1], along[0]]) * 0.12
            count = max(1, round(length / float(rng.uniform(1.2, 1.8))))
            cuts = 0.13 + (length - 0.26) * np.linspace(0.0, 1.0, count + 1)
            for p, q in pairwise(cuts):
                ends = a + along * (p + 0.004), a + along * (q - 0.004)
                outline = np.array(
                    [ends[0] + across, ends[1] + across, ends[1] - across, ends[0] - across]
                )
                found.append(Curb(run.run_id, run.lot, outline[::-1]))
    return found


def _stones(rng: np.random.Generator, side_m: float, bands: list[float], cells: int,
            fencer: _Fencer) -> tuple[np.ndarray, ...]:  # fmt: skip
    """Give every cell its stone, then leave some empty until the count is right."""
    band, cell, row = (
        g.ravel()
        for g in np.meshgrid(np.arange(len(bands)), np.arange(cells), np.arange(3), indexing="ij")
    )
    n = len(band)
    u = _MARGIN + (cell + 0.5) * _CELL_U
    v = np.array(bands)[band] + (row + 0.5) * _CELL_V
    place, turn = _world(u, v), _turn(u)
    kind = rng.choice(["marker", "ledger", "other"], n, p=[0.84, 0.13, 0.03])
    width = np.where(kind == "ledger", rng.uniform(0.55, 0.72, n), rng.uniform(0.35, 0.74, n))
    depth = np.where(kind == "ledger", rng.uniform(1.2, 1.48, n), rng.uniform(0.10, 0.42, n))
    lot = np.full(n, "", dtype=object)
    index = np.full((len(bands), cells), -1)
    for number, (slot, _, _, _) in enumerate(fencer.frames):
        index[slot[0], slot[1] : slot[1] + slot[2]] = number
    owner = index[band, cell]
    for number, (slot, name, corners, twist) in enumerate(fencer.frames):
        here = np.flatnonzero(owner == number)
        lot[here] = name
        middle_u = _MARGIN + (slot[1] + slot[2] / 2) * _CELL_U
        frame = float(_turn(middle_u)) + twist
        local = np.stack([u[here] - middle_u, v[here] - bands[slot[0]] - _BAND / 2], axis=-1) * 0.86
        cos, sin = np.cos(frame), np.sin(frame)
        place[here] = corners.mean(axis=0) + local @ np.array([[cos, sin], [-sin, cos]])
        turn[here] = frame
        width[here], depth[here] = width[here] * 0.86, depth[here] * 0.86
    turn = turn + rng.normal(0.0, 0.012, n).clip(-0.04, 0.04)
    pillars = _pillars(rng, fencer.runs)
    free = np.ones(n, dtype=bool)
    for at in pillars:
        free &= np.hypot(*(place - at).T) > 1.0
    wanted = max(
        1, min(int(free.sum()), round(STONES_AT_FULL * (side_m / FULL_SIDE_M) ** 2) - len(pillars))
    )
    keep = np.sort(rng.permutation(np.flatnonzero(free))[:wanted])
    place, turn = (
        np.vstack([place[keep], pillars]),
        np.concatenate([turn[keep], np.zeros(len(pillars))]),
    )
    width, depth = (
        np.concatenate([held[keep], np.full(len(pillars), 0.34)]) for held in (width, depth)
    )
    kind, lot = (
        np.concatenate([kind[keep], np.full(len(pillars), "pillar")]),
        np.concatenate([lot[keep], np.full(len(pillars), "", dtype=object)]),
    )
    local = (
        np.array([(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)])
        * np.stack([width, depth], axis=-1)[:, None, :]
    )
    cos, sin = np.cos(turn), np.sin(turn)
    turned = np.stack([local[..., 0] * cos[:, None] - local[..., 1] * sin[:, None],
                       local[..., 0] * sin[:, None] + local[..., 1] * cos[:, None]], axis=-1)  # fmt: skip
    return place[:, None, :] + turned, np.stack([width, depth], axis=-1), turn, lot, kind


def _pillars(rng: np.random.Generator, runs: list[Run]) -> np.ndarray:
    """Choose the corners that stand in a stone pillar, which the fence crosses."""
    corners = [
        run.posts[i]
        for run in runs
        if run.closed
        for i, role in enumerate(run.roles)
        if role == "corner"
    ]
    held = np.array(corners).reshape(-1, 2)
    return held[rng.random(len(held)) < 0.08]


def _trees(rng: np.random.Generator, side_m: float) -> np.ndarray:
    count = max(2, round(TREES_AT_FULL * (side_m / FULL_SIDE_M) ** 2))
    place = rng.uniform(2.0, side_m - 2.0, (count, 2)) + np.array(ORIGIN)
    return np.column_stack([place, rng.gamma(5.0, 70.0, count).clip(60, 1400)])


def _paths(side_m: float, bands: list[float]) -> list[np.ndarray]:
    """Middle lines of the paths between groups of bands."""
    u = np.arange(0.0, side_m, 5.0)
    ends = [v for number, v in enumerate(bands, 1) if number % _PATH_EVERY == 0]
    return [_world(u, np.full(len(u), v + _BAND + (_PATH_M + _ALLEY) / 2)) for v in ends or [0.5]]


def lay_out(side_m: float, seed: int) -> Layout:
    """Lay out a square site; counts follow the area (100,000 stones, 20 km of fence at 450 m).

    Parameters
    ----------
    side_m
        Side of the square, 20 m or more.
    seed
        Seed of all chance.
    """
    bands, cells = _bands(side_m), int((side_m - 2 * _MARGIN) / _CELL_U)
    fencer = _Fencer(chance(seed, 1))
    wanted, length = FENCE_AT_FULL_M * (side_m / FULL_SIDE_M) ** 2, 0.0
    for slot in _slots(chance(seed, 2), bands, cells):
        if length >= wanted:
            break
        length += fencer.fence(slot, bands)
    stones = _stones(chance(seed, 3), side_m, bands, cells, fencer)
    return Layout(
        side_m, fencer.lots, fencer.runs, _curbs(chance(seed, 4), fencer.runs), *stones,
        trees=_trees(chance(seed, 5), side_m), paths=_paths(side_m, bands),
    )  # fmt: skip
