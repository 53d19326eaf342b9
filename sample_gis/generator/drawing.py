"""Things drawn into the orthophoto: shadows, stones, iron, leaves. Straight from above."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from PIL import Image, ImageDraw
from shapely import MultiPoint

from generator.chance import stream
from generator.masonry import box
from generator.models import Cells
from generator.planting import SUN
from generator.styles import STYLES
from generator.things import Run, Site, Stone

__all__ = ["Sheet", "draw_crowns", "draw_curbs", "draw_iron", "draw_low_shadows", "draw_marks",
           "draw_shadows", "draw_stones"]  # fmt: skip

FINE = 2  # drawn at twice the picture's resolution, then averaged
_SUN_HEIGHT_DEG = 42.0
SHADOW = -SUN / np.tan(np.deg2rad(_SUN_HEIGHT_DEG))  # metres on the ground for each metre of height
_STONE = {
    "marble": (214, 213, 206), "limestone": (196, 187, 164), "sandstone": (166, 137, 106),
    "slate": (98, 104, 112), "granite": (158, 156, 153), "polished granite": (74, 72, 76),
    "concrete": (170, 168, 160), "cast stone": (188, 176, 152),
}  # fmt: skip
_LEAF = {
    "oak": (103, 113, 62), "lime": (96, 118, 62), "yew": (52, 68, 46), "birch": (124, 140, 78),
    "holly": (54, 76, 50), "hawthorn": (104, 124, 66), "hedge": (80, 96, 54),
}  # fmt: skip
_YOUNG = ("oak", "lime", "birch")  # in young leaf: light passes
_RUST = np.array([96.0, 62.0, 44.0])
_BLACK = np.array([48.0, 47.0, 46.0])

Colour = tuple[int, int, int]


class Sheet:
    """One drawing over a tile: `tone` for shadows, `paint` for things."""

    def __init__(self, grid: Cells, mode: str) -> None:
        self.grid = grid
        size = (grid.shape[1] * FINE, grid.shape[0] * FINE)
        self.image = Image.new(mode, size, 0 if mode == "L" else (0, 0, 0, 0))
        self.pen = ImageDraw.Draw(self.image)

    def px(self, en: np.ndarray) -> list[tuple[float, float]]:
        """Points as pixels of the fine drawing."""
        scale = FINE / self.grid.cell_m
        x = (en[:, 0] - self.grid.west) * scale
        y = (self.grid.north - en[:, 1]) * scale
        return list(zip(x.tolist(), y.tolist(), strict=True))

    def reaches(self, en: np.ndarray, spare: float) -> bool:
        """Whether points come near the tile."""
        low, high = en.min(axis=0) - spare, en.max(axis=0) + spare
        east = self.grid.west + self.grid.shape[1] * self.grid.cell_m
        south = self.grid.north - self.grid.shape[0] * self.grid.cell_m
        return bool(
            low[0] < east
            and high[0] > self.grid.west
            and low[1] < self.grid.north
            and high[1] > south
        )

    def polygon(self, en: np.ndarray, fill: object) -> None:
        """Fill a polygon."""
        self.pen.polygon(self.px(en), fill=fill)

    def line(self, en: np.ndarray, fill: object, width_m: float) -> None:
        """Draw a line of a width in metres."""
        self.pen.line(
            self.px(en), fill=fill, width=max(1, round(width_m * FINE / self.grid.cell_m))
        )

    def disc(self, en: np.ndarray, radius_m: float, fill: object) -> None:
        """Draw a disc about one point."""
        scale = FINE / self.grid.cell_m
        x, y, r = (
            (en[0] - self.grid.west) * scale,
            (self.grid.north - en[1]) * scale,
            radius_m * scale,
        )
        self.pen.ellipse((x - r, y - r, x + r, y + r), fill=fill)

    def done(self) -> np.ndarray:
        """Average the drawing down: (n,) for shadows, (4, n) for paint, in 0..1 and 0..255."""
        size = (self.grid.shape[1], self.grid.shape[0])
        array = np.asarray(self.image.resize(size, Image.Resampling.BOX), dtype="float32")
        return array.ravel() / 255.0 if array.ndim == 2 else array.reshape(-1, 4).T.copy()


def _shade(colour: np.ndarray | Colour, factor: float) -> Colour:
    r, g, b = (int(min(max(float(value) * factor, 0.0), 255.0)) for value in colour)
    return r, g, b


def _hull(points: np.ndarray) -> np.ndarray:
    shape = MultiPoint(points).convex_hull
    return np.asarray(shape.exterior.coords) if shape.geom_type == "Polygon" else points


def _cast(corners: np.ndarray, height: float, *, taper: float = 1.0) -> np.ndarray:
    """Ground covered by the shadow of a box, or of a spire where `taper` is less than 1."""
    centre = corners.mean(axis=0)
    top = centre + (corners - centre) * taper + SHADOW * height
    return _hull(np.vstack([corners, top]))


def _is_low(stone: Stone) -> bool:
    return stone.height_m < 0.3 or stone.stability == "fallen"


def draw_low_shadows(tone: Sheet, site: Site) -> None:
    """Shadows of curbs, slabs and steps, not on the things themselves."""
    low = [(stone.corners, stone.height_m) for stone in site.stones if _is_low(stone)]
    low += [(curb.corners, 0.11) for curb in site.curbs]
    low = [(corners, height) for corners, height in low if tone.reaches(corners, 0.5)]
    for corners, height in low:
        tone.polygon(_cast(corners, height), 235)
    for corners, _ in low:
        tone.polygon(corners, 0)


def _blade(stone: Stone) -> np.ndarray:
    """Middle line of an upright stone's foot: left end, right end."""
    c = stone.corners
    return np.array([(c[0] + c[1]) / 2, (c[3] + c[2]) / 2])


def _arched(stone: Stone, thick: np.ndarray, arch: float) -> Iterator[np.ndarray]:
    """Shadow of an upright slab with a round or straight top, as strips across its width."""
    steps = np.linspace(0.0, 1.0, 9)
    drop = arch * (1.0 - np.sqrt(np.clip(1.0 - (2.0 * steps - 1.0) ** 2, 0.0, 1.0)))
    left, right = (thick[0] + thick[1]) / 2, (thick[3] + thick[2]) / 2
    for low, high, a, b in zip(steps[:-1], steps[1:], drop[:-1], drop[1:], strict=True):
        front = np.array([left + (right - left) * low, left + (right - left) * high])
        depth = (thick[0] - thick[1]) / 2
        foot = np.vstack([front + depth, front - depth])
        tall = np.array([stone.height_m - a, stone.height_m - b] * 2)[:, None]
        yield _hull(np.vstack([foot, foot + SHADOW * np.maximum(tall, 0.05)]))


def _thin(stone: Stone) -> np.ndarray:
    """Give the upright slab of a stone: on a base it is thinner than the base."""
    if stone.form != "headstone on base":
        return stone.corners
    sides = np.hypot(*(stone.corners[3] - stone.corners[0]))
    return box(stone.corners.mean(axis=0), stone.azimuth_deg, float(sides) * 0.8, 0.13)


def _stone_shadow(tone: Sheet, stone: Stone, rng: np.random.Generator) -> None:
    if stone.form.startswith("headstone"):
        if stone.form != "headstone":
            tone.polygon(_cast(stone.corners, 0.2), 255)
        arch = float(rng.choice([0.0, 0.18, 0.30])) * stone.height_m
        for strip in _arched(stone, _thin(stone), arch):
            tone.polygon(strip, 255)
    elif stone.form == "obelisk":
        tone.polygon(_cast(stone.corners, 0.5), 255)
        tone.polygon(_cast(stone.corners, stone.height_m, taper=0.16), 255)
    elif stone.form == "cross on base":
        tone.polygon(_cast(stone.corners, 0.3), 255)
        shaft = stone.corners.mean(axis=0) + (stone.corners - stone.corners.mean(axis=0)) * 0.3
        tone.polygon(_cast(shaft, stone.height_m), 255)
        ends = stone.corners.mean(axis=0) + (_blade(stone) - stone.corners.mean(axis=0)) * 1.1
        for height in (stone.height_m * 0.72, stone.height_m * 0.80):
            tone.line(ends + SHADOW * height, 255, 0.12)
    else:
        tone.polygon(_cast(stone.corners, stone.height_m), 255)


def draw_shadows(tone: Sheet, site: Site) -> None:
    """Shadows of upright stones and of the fences, pickets and all."""
    for stone in site.stones:
        if not _is_low(stone) and tone.reaches(stone.corners, 4.0):
            _stone_shadow(tone, stone, stream(site.seed, "top", stone.stone_id))
    for run in site.runs:
        if tone.reaches(run.posts, 2.0):
            _iron_shadow(tone, run)


def _iron_shadow(tone: Sheet, run: Run) -> None:
    style = STYLES[run.style]
    top = style.height_mm / 1000.0
    for bay in run.bays:
        ends = run.line[bay.order - 1 : bay.order + 1]
        if bay.presence != "in place":
            continue
        heights = (0.1, top * 0.85) if style.picket_step_m else (top * 0.5, top * 0.95)
        for height in heights:
            tone.line(ends + SHADOW * height, 225, 0.045)
        for point in _pickets(run, bay.order):
            tone.line(
                np.array([point, point + SHADOW * top]), 150 if run.style == "wire" else 215, 0.014
            )
    for point in run.posts:
        tone.line(
            np.array([point, point + SHADOW * (top + 0.08)]),
            245,
            0.06 if run.style == "wrought" else 0.10,
        )


def _pickets(run: Run, order: int) -> np.ndarray:
    """Places of the pickets of one bay."""
    style = STYLES[run.style]
    ends = run.line[order - 1 : order + 1]
    if not style.picket_step_m:
        return np.zeros((0, 2))
    count = max(2, round(float(np.hypot(*(ends[1] - ends[0]))) / style.picket_step_m))
    share = (np.arange(1, count) / count)[:, None]
    return ends[0] + (ends[1] - ends[0]) * share


def draw_curbs(paint: Sheet, site: Site) -> None:
    """Curb stones, each a little different, dirty at the joints."""
    for curb in site.curbs:
        if paint.reaches(curb.corners, 0.3):
            rng = stream(site.seed, "curb look", curb.curb_id)
            colour = _shade(_STONE[curb.stone_type], float(rng.uniform(0.74, 0.98)))
            paint.polygon(curb.corners, (*_shade(colour, 0.7), 255))
            centre = curb.corners.mean(axis=0)
            paint.polygon(centre + (curb.corners - centre) * (0.985, 0.985), (*colour, 255))


def _tint(site: Site, stone: Stone) -> np.ndarray:
    rng = stream(site.seed, "stone look", stone.stone_id)
    colour = np.array(_STONE[stone.stone_type], dtype=float) * rng.uniform(0.74, 1.02)
    if stone.stone_type == "polished granite" and rng.random() < 0.3:
        colour = np.array([128.0, 84.0, 76.0])
    return colour + rng.normal(0.0, 1.8, 3)


def _lichen(
    paint: Sheet, rng: np.random.Generator, corners: np.ndarray, stone: np.ndarray, count: int
) -> None:
    for _ in range(count):
        a, b = rng.uniform(0.1, 0.9, 2)
        place = (1 - a) * ((1 - b) * corners[0] + b * corners[1]) + a * (
            (1 - b) * corners[3] + b * corners[2]
        )
        colour = ((190, 188, 160), (176, 140, 70), (88, 92, 70), (206, 204, 196))[
            int(rng.integers(4))
        ]
        mixed = stone + (np.array(colour) - stone) * rng.uniform(0.3, 0.75)
        paint.disc(place, float(rng.uniform(0.012, 0.045)), (*_shade(mixed, 1.0), 255))


def _upright(paint: Sheet, stone: Stone, colour: np.ndarray) -> None:
    """Draw a standing slab: top edge bright, and the face that a lean lays open."""
    thick = _thin(stone)
    if stone.form == "headstone on base":
        paint.polygon(stone.corners, (*_shade(colour, 0.86), 255))
    angle = np.deg2rad(stone.lean_azimuth_deg)
    shift = (
        np.array([np.sin(angle), np.cos(angle)])
        * np.sin(np.deg2rad(stone.lean_deg))
        * stone.height_m
    )
    paint.polygon(_hull(np.vstack([thick, thick + shift])), (*_shade(colour, 0.72), 255))
    paint.polygon(thick + shift, (*_shade(colour, 1.1), 255))


def _spire(paint: Sheet, stone: Stone, colour: np.ndarray) -> None:
    centre = stone.corners.mean(axis=0)
    paint.polygon(stone.corners, (*_shade(colour, 0.9), 255))
    inner = centre + (stone.corners - centre) * 0.62
    for side in range(4):
        ends = inner[[side, (side + 1) % 4]]
        out = ends.mean(axis=0) - centre
        lit = float(out @ -SHADOW) / (np.hypot(*out) * np.hypot(*SHADOW))
        paint.polygon(np.vstack([ends, centre]), (*_shade(colour, 0.86 + 0.24 * lit), 255))


def _cross(paint: Sheet, stone: Stone, colour: np.ndarray) -> None:
    centre = stone.corners.mean(axis=0)
    paint.polygon(stone.corners, (*_shade(colour, 0.86), 255))
    paint.polygon(centre + (stone.corners - centre) * 0.72, (*_shade(colour, 0.98), 255))
    paint.line(centre + (_blade(stone) - centre) * 1.1, (*_shade(colour, 1.12), 255), 0.13)


def _wall(paint: Sheet, stone: Stone, colour: np.ndarray, rng: np.random.Generator) -> None:
    """Coping of a wall: many stones of varied colour."""
    c = stone.corners
    paint.polygon(c, (*_shade(colour, 0.6), 255))
    count = max(1, round(float(np.hypot(*(c[3] - c[0]))) / 0.34))
    for index in range(count):
        low, high = (index + 0.06) / count, (index + 0.94) / count
        one = np.array([c[0] + (c[3] - c[0]) * low, c[1] + (c[2] - c[1]) * low,
                        c[1] + (c[2] - c[1]) * high, c[0] + (c[3] - c[0]) * high])  # fmt: skip
        paint.polygon(one, (*_shade(colour, float(rng.uniform(0.72, 1.12))), 255))


def draw_stones(paint: Sheet, site: Site) -> None:
    """All stones from above, low ones first."""
    for stone in sorted(site.stones, key=lambda one: (one.height_m, one.stone_id)):
        if not paint.reaches(stone.corners, 1.5):
            continue
        rng, colour = stream(site.seed, "lichen", stone.stone_id), _tint(site, stone)
        if stone.kind == "wall":
            _wall(paint, stone, colour, rng)
            continue
        if stone.form.startswith("headstone") and not _is_low(stone):
            _upright(paint, stone, colour)
        elif stone.form == "obelisk":
            _spire(paint, stone, colour)
        elif stone.form == "cross on base":
            _cross(paint, stone, colour)
        else:
            paint.polygon(stone.corners, (*_shade(colour, 0.8), 255))
            centre = stone.corners.mean(axis=0)
            paint.polygon(centre + (stone.corners - centre) * 0.95, (*_shade(colour, 1.0), 255))
        sides = np.hypot(*(stone.corners[[1, 2]] - stone.corners[[0, 1]]).T)
        _lichen(
            paint, rng, stone.corners, colour, int(rng.poisson(14.0 * sides[0] * sides[1] + 1.0))
        )


def draw_iron(paint: Sheet, site: Site) -> None:
    """Rails, pickets and posts, between black paint and rust."""
    for run in site.runs:
        if not paint.reaches(run.posts, 0.5):
            continue
        rng = stream(site.seed, "iron look", run.run_id)
        rust = float(rng.beta(1.4, 1.8))
        for bay in run.bays:
            if bay.presence != "in place":
                continue
            colour = (
                _BLACK + (_RUST - _BLACK) * np.clip(rust + rng.normal(0, 0.15), 0, 1)
            ) * rng.uniform(0.9, 1.15)
            ends = run.line[bay.order - 1 : bay.order + 1]
            if bay.kind == "gate":  # many a leaf stands ajar
                ends = _ajar(ends, float(rng.choice([0.0, 0.0, 0.5, 1.2])))
            wide = 0.042 if run.style != "wire" else 0.028
            paint.line(ends, (*_shade(colour, 0.95), 255 if run.style != "wire" else 215), wide)
            if bay.kind == "panel":
                for point in _pickets(run, bay.order)[:: 1 if run.style != "wire" else 4]:
                    paint.disc(point, 0.016, (*_shade(colour, 1.45), 255))
        size = 0.045 if run.style == "wrought" else 0.06
        for point, role in zip(run.posts, run.roles, strict=True):
            wide = size * (1.35 if role in ("corner", "end", "gate") else 1.0)
            paint.disc(point, wide, (*_shade(_BLACK, 0.7), 255))
            paint.disc(
                point - SHADOW * 0.012,
                wide * 0.6,
                (*_shade(_BLACK + (_RUST - _BLACK) * rust, 1.6), 255),
            )


def _ajar(ends: np.ndarray, angle: float) -> np.ndarray:
    way = ends[1] - ends[0]
    cos, sin = np.cos(angle), np.sin(angle)
    return np.array(
        [ends[0], ends[0] + np.array([way[0] * cos - way[1] * sin, way[0] * sin + way[1] * cos])]
    )


def draw_marks(paint: Sheet, places: np.ndarray) -> None:
    """White crosses painted on the turf for the flight."""
    for place in places:
        if paint.reaches(place[None], 0.5):
            for way in (np.array([0.2, 0.2]), np.array([0.2, -0.2])):
                paint.line(np.array([place - way, place + way]), (236, 236, 232, 235), 0.06)


def _limbs(paint: Sheet, site: Site) -> None:
    """Bare limbs, seen through young leaves."""
    for tree in site.trees:
        if tree.species not in _YOUNG or not paint.reaches(tree.place[None], tree.crown_m):
            continue
        rng = stream(site.seed, "limbs", tree.tree_id)
        for turn in np.linspace(0.0, 2.0 * np.pi, 9)[:-1] + rng.normal(0.0, 0.25, 8):
            point = tree.place
            way = turn
            for step in range(5):
                way += rng.normal(0.0, 0.35)
                ahead = point + np.array([np.cos(way), np.sin(way)]) * tree.crown_m * 0.19
                paint.line(np.array([point, ahead]), (92, 82, 70, 255), 0.16 - 0.03 * step)
                point = ahead


def draw_crowns(tone: Sheet, paint: Sheet, site: Site, kinds: dict[str, np.ndarray],
                rng: np.random.Generator) -> None:  # fmt: skip
    """Leaves clump by clump, lit from the sun's side, and their shadow."""
    _limbs(paint, site)
    for name, rows in kinds.items():
        young = name in _YOUNG
        near = rows[_inside(tone, rows[:, :2], 14.0)]
        for east, north, height, radius, _ in near[::2]:
            tone.disc(
                np.array([east, north]) + SHADOW * height,
                min(radius * 2.0, radius + 0.13),
                185 if young else 225,
            )
        base = np.array(_LEAF[name], dtype=float)
        for east, north, _, radius, lit in near[_inside(paint, near[:, :2], 1.0)]:
            factor = float(np.clip(0.92 + 0.33 * lit + rng.normal(0.0, 0.09), 0.34, 1.6))
            warm = np.array([1.0 + 0.05 * lit, 1.0 + 0.02 * lit, 1.0 - 0.06 * lit])
            paint.disc(
                np.array([east, north]),
                radius,
                (*_shade(base * warm, factor), 215 if young else 240),
            )


def _inside(sheet: Sheet, en: np.ndarray, spare: float) -> np.ndarray:
    grid = sheet.grid
    east = grid.west + grid.shape[1] * grid.cell_m
    south = grid.north - grid.shape[0] * grid.cell_m
    return ((en[:, 0] > grid.west - spare) & (en[:, 0] < east + spare)
            & (en[:, 1] < grid.north + spare) & (en[:, 1] > south - spare))  # fmt: skip
