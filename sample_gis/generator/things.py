"""What the invented ground holds: plain values, true to the millimetre."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

__all__ = ["STEP_M", "Bay", "Curb", "Lot", "Part", "Run", "Site", "Stone", "Tree"]

STEP_M = 0.05  # truth is kept at every 5 cm along a run


@dataclass(frozen=True)
class Lot:
    """A burial lot: a rectangle, slightly turned."""

    number: int
    corners: np.ndarray  # (4, 2) easting, northing; counter-clockwise from the front left
    style: str
    plan: str
    section: str

    @property
    def name(self) -> str:
        """Two figures, as the lot book writes it."""
        return f"{self.number:02d}"


@dataclass(frozen=True)
class Bay:
    """What stands between post `order` and the next one."""

    order: int
    kind: str  # panel or gate
    presence: str
    rail_from: float  # height of the bottom rail's underside beside this post
    rail_to: float  # and beside the next one
    sag_m: float
    bend_mm: float = 0.0


@dataclass(frozen=True)
class Run:
    """A line of posts, in order, with its bays and the soil gathered along it."""

    run_id: str
    lots: tuple[str, ...]
    style: str
    closed: bool
    posts: np.ndarray  # (n, 2)
    roles: tuple[str, ...]
    bays: tuple[Bay, ...]
    curbed: bool
    soil_m: np.ndarray  # height of gathered soil at the line, every STEP_M
    uphill: np.ndarray  # (bays,) +1: uphill lies left of the line, -1: right
    same_as: dict[int, str] = field(default_factory=dict)  # post order -> post shot before
    lean: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))  # (n, 2) deg, azimuth

    @property
    def line(self) -> np.ndarray:
        """Posts in order; a closed run comes back to its first."""
        return np.vstack([self.posts, self.posts[:1]]) if self.closed else self.posts

    @property
    def post_stations(self) -> np.ndarray:
        """Station of every post, and of the end of a closed run."""
        steps = np.hypot(*np.diff(self.line, axis=0).T)
        return np.concatenate([[0.0], np.cumsum(steps)])

    @property
    def length_m(self) -> float:
        """Length along the rail."""
        return float(self.post_stations[-1])

    @property
    def stations(self) -> np.ndarray:
        """Every STEP_M from the first post on."""
        return np.arange(int(self.length_m / STEP_M + 1e-9) + 1) * STEP_M

    def bay_at(self, station: np.ndarray) -> np.ndarray:
        """Index of the bay at each station."""
        index = np.searchsorted(self.post_stations, station, side="right") - 1
        return np.clip(index, 0, len(self.bays) - 1)

    def points(self, station: np.ndarray) -> np.ndarray:
        """Easting and northing at each station."""
        ends, line = self.post_stations, self.line
        return np.column_stack([np.interp(station, ends, line[:, axis]) for axis in (0, 1)])

    def rail(self, station: np.ndarray) -> np.ndarray:
        """Height of the bottom rail's underside; NaN where no rail is left."""
        index = self.bay_at(station)
        ends = self.post_stations
        share = (station - ends[index]) / (ends[index + 1] - ends[index])
        start = np.array([bay.rail_from for bay in self.bays])[index]
        stop = np.array([bay.rail_to for bay in self.bays])[index]
        sag = np.array([bay.sag_m for bay in self.bays])[index]
        gone = np.array([bay.presence != "in place" for bay in self.bays])[index]
        height = start + (stop - start) * share - sag * 4.0 * share * (1.0 - share)
        return np.where(gone, np.nan, height)


@dataclass(frozen=True)
class Curb:
    """One curb stone: a box along a run, its top following the old slope."""

    curb_id: str
    run_id: str
    lots: tuple[str, ...]
    stone_type: str
    corners: np.ndarray  # (4, 2): from-left, to-left, to-right, from-right
    from_m: float
    to_m: float
    top_from: float
    top_to: float

    def top(self, station: np.ndarray) -> np.ndarray:
        """Height of its top at stations of its run."""
        share = (station - self.from_m) / (self.to_m - self.from_m)
        return self.top_from + (self.top_to - self.top_from) * share


@dataclass(frozen=True)
class Stone:
    """A grave marker or other worked stone."""

    stone_id: str
    kind: str
    form: str
    stone_type: str
    lots: tuple[str, ...]
    corners: np.ndarray  # (4, 2) of its foot
    height_m: float
    azimuth_deg: float
    stability: str
    lean_deg: float
    lean_azimuth_deg: float
    iron_stain: bool


@dataclass(frozen=True)
class Tree:
    """A tree."""

    tree_id: str
    species: str
    place: np.ndarray
    stem_diameter_mm: float
    height_m: float
    crown_m: float


@dataclass(frozen=True)
class Part:
    """A stay, stub, fragment, bracket, ornament, footing ...: iron beside posts and panels."""

    part_id: str
    kind: str
    parent_id: str
    lots: tuple[str, ...]
    run_id: str
    place: np.ndarray
    presence: str
    material: str
    remarks: str = ""


@dataclass(frozen=True)
class Site:
    """The whole ground in one year."""

    seed: int
    year: int
    lots: tuple[Lot, ...]
    runs: tuple[Run, ...]
    curbs: tuple[Curb, ...]
    stones: tuple[Stone, ...]
    trees: tuple[Tree, ...]
    parts: tuple[Part, ...]
    graves: np.ndarray  # (n, 5): easting, northing, azimuth, half length, height of the mound
