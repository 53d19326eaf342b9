"""Ratios against named peers, measured beside each other in the same run.

    python tests/benchmarks/ratios.py [--rounds 5] [--side-m 450] [--only WORD]

Every round runs all contenders one after the other, each time beginning with
another one; the least wall time of the rounds counts, CPU time stands beside
it. Every answer of every round is compared with ours of that round. A ratio
above 1 means that we are faster; below about 1.3 either way is a tie on a
machine that others use too.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from large_site_layout import CRS, FULL_SIDE_M, ORIGIN, Layout, lay_out

__all__ = ["Contest", "Standing", "contests", "race"]

_STEP_M = 0.020017  # no bay is a whole number of these, where libraries would round either way
_CELL_M = 0.05


@dataclass(frozen=True)
class Contest:
    """Ways to one answer: ours, the peers by name, and how answers are compared.

    `agree` gets our answer and a peer's and raises when they differ. `goals`
    are the ratios that are wanted.
    """

    name: str
    ours: Callable[[], Any]
    peers: dict[str, Callable[[], Any]]
    agree: Callable[[Any, Any], None]
    goals: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Standing:
    """Least wall seconds and least CPU seconds of one contender."""

    name: str
    wall_s: float
    cpu_s: float


def race(contest: Contest, rounds: int) -> list[Standing]:
    """Run a contest; ours comes first in the answer.

    Raises
    ------
    AssertionError
        A peer's answer is another than ours.
    """
    runners = {"fencemap": contest.ours, **contest.peers}
    names = list(runners)
    best = dict.fromkeys(names, (np.inf, np.inf))
    for number in range(rounds):
        answers = {}
        for name in names[number % len(names) :] + names[: number % len(names)]:
            cpu, wall = time.process_time(), time.perf_counter()
            answers[name] = runners[name]()
            took = (time.perf_counter() - wall, time.process_time() - cpu)
            best[name] = (min(best[name][0], took[0]), min(best[name][1], took[1]))
        for name in contest.peers:
            contest.agree(answers["fencemap"], answers[name])
    return [Standing(name, *best[name]) for name in names]


# What is raced.


def contests(side_m: float, scratch: Path, *, seed: int = 1) -> Iterator[Contest]:
    """Make every contest for a site of this side; files go to `scratch`."""
    layout = lay_out(side_m, seed)
    yield from _profiles(layout)
    yield from _relations(layout)
    yield from _files(side_m, scratch, seed)
    yield from _publishing(side_m, scratch)


def _close(tolerance: float) -> Callable[[Any, Any], None]:
    def agree(ours: Any, theirs: Any) -> None:
        np.testing.assert_allclose(theirs, ours, rtol=0, atol=tolerance)

    return agree


def _profiles(layout: Layout) -> Iterator[Contest]:
    """Stations along every side of every fence, and the ground there."""
    import cv2
    import shapely
    from scipy.ndimage import map_coordinates

    from fencemap.kernels.profile import bilinear, densify

    heights = _heights(layout.side_m)
    sides = np.concatenate([np.stack([r.line[:-1], r.line[1:]], axis=1) for r in layout.runs])
    lines = shapely.linestrings(sides)
    x, y = np.ascontiguousarray(sides[..., 0].ravel()), np.ascontiguousarray(sides[..., 1].ravel())
    offset = np.arange(len(sides) + 1) * 2
    north = ORIGIN[1] + len(heights) * _CELL_M

    def cells(px: Any, py: Any) -> tuple[Any, Any]:
        return (px - ORIGIN[0]) / _CELL_M - 0.5, (north - py) / _CELL_M - 0.5

    def remap(col: Any, row: Any) -> Any:
        # The library's maps may not be longer than 32,767 in one direction.
        wide = 4096
        tall = -(-len(col) // wide)
        maps = [np.resize(a.astype(np.float32), (tall, wide)) for a in (col, row)]
        found = cv2.remap(heights, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return found.ravel()[: len(col)]

    def ours() -> Any:
        _, _, px, py = densify(x, y, offset, _STEP_M)
        return bilinear(heights, *cells(px, py))

    def segmentized() -> Any:
        points = shapely.get_coordinates(shapely.segmentize(lines, _STEP_M))
        return remap(*cells(points[:, 0], points[:, 1]))

    def interpolated() -> Any:
        length = shapely.length(lines)
        counts = np.maximum(np.ceil(length / _STEP_M - 1e-9).astype(int), 1)
        line = np.repeat(np.arange(len(lines)), counts + 1)
        place = np.arange(len(line)) - np.repeat(np.cumsum(counts + 1) - counts - 1, counts + 1)
        station = length[line] * (place / counts[line])
        points = shapely.get_coordinates(shapely.line_interpolate_point(lines[line], station))
        col, row = cells(points[:, 0], points[:, 1])
        return map_coordinates(heights, [row, col], order=1, mode="nearest", prefilter=False)

    _, _, px, py = densify(x, y, offset, _STEP_M)
    col, row = cells(px, py)
    # Coordinates in float32 are the image library's own limit: a thousandth of a cell.
    yield Contest(
        f"ground at {len(col):,} known stations, in memory",
        lambda: bilinear(heights, col, row),
        {
            "OpenCV remap": lambda: remap(col, row),
            "SciPy map_coordinates": lambda: map_coordinates(
                heights, [row, col], order=1, mode="nearest", prefilter=False
            ),
        },
        _close(2e-3),
        {"OpenCV remap": 1.0},
    )
    yield Contest(
        f"stations every {1000 * _STEP_M:.1f} mm and the ground there, {len(col):,}",
        ours,
        {
            "Shapely segmentize + OpenCV remap": segmentized,
            "Shapely line_interpolate_point + SciPy map_coordinates": interpolated,
        },
        _close(2e-3),
        {"Shapely segmentize + OpenCV remap": 3.0},
    )


def _heights(side_m: float) -> Any:
    """Make a ground of gentle waves, float32."""
    at = (np.arange(round(side_m / _CELL_M)) * _CELL_M).astype(np.float32)
    return (
        50 + np.sin(at[:, None] / 7.0) + 0.02 * at[None, :] + 0.1 * np.cos(at[None, :] / 0.9)
    ).astype(np.float32)


def _relations(layout: Layout) -> Iterator[Contest]:
    """Stones beside fences."""
    import geopandas
    import shapely

    stones = shapely.polygons(layout.stone_corners)
    lines = np.array([shapely.LineString(run.line) for run in layout.runs], dtype=object)
    left, right = geopandas.GeoSeries(stones, crs=CRS), geopandas.GeoSeries(lines, crs=CRS)
    frames = [geopandas.GeoDataFrame(geometry=series) for series in (left, right)]

    def ours(reach_m: float) -> Any:
        return _pairs(stones, lines, reach_m)

    def ours_nearest(reach_m: float) -> Any:
        found = ours(reach_m)
        order = np.lexsort((found.line, found.distance_m, found.shape))
        first = order[np.unique(found.shape[order], return_index=True)[1]]
        return (
            found.shape[first],
            found.distance_m[first],
            _at(lines, found.line[first], found.station_m[first]),
        )

    def dwithin(reach_m: float) -> Any:
        one, other = shapely.STRtree(lines).query(stones, predicate="dwithin", distance=reach_m)
        order = np.lexsort((other, one))
        one, other = one[order], other[order]
        return one, other, shapely.distance(stones[one], lines[other])

    def nearest(reach_m: float) -> Any:
        tree = shapely.STRtree(lines)
        one, other = tree.query_nearest(stones, max_distance=reach_m, all_matches=False)
        short = shapely.shortest_line(lines[other], stones[one])
        start = shapely.get_point(short, 0)
        station = shapely.line_locate_point(lines[other], start)
        return one, shapely.length(short), _at(lines, other, station)

    def joined(reach_m: float) -> Any:
        made = frames[0].sjoin_nearest(frames[1], max_distance=reach_m, distance_col="distance_m")
        made = made[~made.index.duplicated()]
        return made.index.to_numpy(), made["distance_m"].to_numpy(), None

    def same_pairs(mine: Any, theirs: Any) -> None:
        np.testing.assert_array_equal(mine.shape, theirs[0])
        np.testing.assert_array_equal(mine.line, theirs[1])
        np.testing.assert_allclose(mine.distance_m, theirs[2], rtol=0, atol=1e-8)

    def same_nearest(mine: Any, theirs: Any) -> None:
        np.testing.assert_array_equal(mine[0], theirs[0])
        np.testing.assert_allclose(mine[1], theirs[1], rtol=0, atol=1e-8)
        for one in (mine, theirs):
            if one[2] is not None:  # where the station leads, the distance must be found again
                np.testing.assert_allclose(
                    shapely.distance(one[2], stones[one[0]]), one[1], rtol=0, atol=1e-6
                )

    count = f"{len(stones):,} stones and {len(lines):,} runs"
    yield Contest(
        f"all pairs within 2 m with distance, station and side; {count}",
        lambda: ours(2.0),
        {"Shapely dwithin + distance (no station, no side)": lambda: dwithin(2.0)},
        same_pairs,
        {"Shapely dwithin + distance (no station, no side)": 5.0},
    )
    yield Contest(
        f"nearest iron within 5 m with station; {count}",
        lambda: ours_nearest(5.0),
        {
            "Shapely query_nearest + shortest_line + line_locate_point": lambda: nearest(5.0),
            "GeoPandas sjoin_nearest (no station)": lambda: joined(5.0),
        },
        same_nearest,
        {"Shapely query_nearest + shortest_line + line_locate_point": 10.0},
    )


def _at(lines: Any, line: Any, station: Any) -> Any:
    import shapely

    return shapely.line_interpolate_point(lines[line], station)


def _pairs(stones: Any, lines: Any, reach_m: float) -> Any:
    """Our kernel, the way from shapes to plain arrays included."""
    import shapely

    from fencemap.kernels.plane import Shapes, lines_of
    from fencemap.kernels.segments import pairs_within

    points, counts = shapely.get_coordinates(stones), shapely.get_num_coordinates(stones)
    kept = np.ones(len(points), dtype=bool)
    kept[np.cumsum(counts) - 1] = False  # a ring's first vertex isn't repeated; none has holes
    x, y = np.ascontiguousarray(points[kept].T)
    ring = np.concatenate([[0], np.cumsum(counts - 1)])
    shapes = Shapes(x, y, ring, np.arange(len(stones) + 1))
    points, part = shapely.get_coordinates(lines, return_index=True)
    offset = np.searchsorted(part, np.arange(len(lines) + 1))
    fences = lines_of(points[:, 0].copy(), points[:, 1].copy(), offset)
    return pairs_within(shapes, fences, reach_m=reach_m)


def _files(side_m: float, scratch: Path, seed: int) -> Iterator[Contest]:
    """Read the survey, write the results."""
    import geopandas
    import pandas as pd
    import pyogrio
    import shapely
    from large_site import make_site

    from fencemap.bring_in import surveyed
    from fencemap.bring_in.shapes import read_features
    from fencemap.bring_in.site_file import read_site
    from fencemap.bring_in.tables import read_delimited
    from fencemap.formats import geopackage

    make_site(scratch / "site", side_m=side_m, seed=seed)
    table, stones = scratch / "site/survey/elements_rtk.csv", scratch / "site/survey/stones.gpkg"
    site = read_site(scratch / "site")
    survey = site.surveys[-1]

    def as_text(path: Path) -> Any:
        return pd.read_csv(path, dtype=str, keep_default_na=False)

    def same_cells(mine: Any, theirs: Any) -> None:
        columns = mine.columns if hasattr(mine, "rows") else {}
        assert list(columns) == list(theirs.columns)
        for name, cells in columns.items():
            np.testing.assert_array_equal(
                cells.astype(str), theirs[name].to_numpy(dtype=object).astype(str)
            )

    def same_stones(mine: Any, theirs: Any) -> None:
        assert shapely.equals_exact(mine.geometry, np.asarray(theirs.geometry), 0.0).all()
        np.testing.assert_array_equal(
            mine.columns["element_id"], theirs["element_id"].to_numpy(dtype=object)
        )

    yield Contest(
        f"CSV to cells, each with its line, {table.stat().st_size / 1e6:.1f} MB",
        lambda: read_delimited(table, name="elements_rtk.csv"),
        {"pandas read_csv, text": lambda: as_text(table)},
        same_cells,
    )
    yield Contest(
        f"GeoPackage of stones to shapes and cells, audited, {stones.stat().st_size / 1e6:.1f} MB",
        lambda: read_features(stones, name="stones.gpkg", layer_hint="stones"),
        {"GeoPandas read_file, Arrow": lambda: geopandas.read_file(stones, use_arrow=True)},
        same_stones,
    )
    frame = surveyed.read_stones("stones", site=site, survey=survey)["stones"]

    def same_layer(mine: Any, theirs: Any) -> None:
        mine = mine.set_index("element_id").loc[theirs["element_id"]]
        assert shapely.equals_exact(
            np.asarray(mine.geometry), np.asarray(theirs.geometry), 0.0
        ).all()

    yield Contest(
        "stones brought in: typed, checked, placed, graded, with identity",
        lambda: surveyed.read_stones("stones", site=site, survey=survey)["stones"],
        {
            "GeoPandas read_file, Arrow (nothing checked)": lambda: geopandas.read_file(
                stones, use_arrow=True
            )
        },
        same_layer,
    )

    def write_ours() -> Path:
        target = scratch / "ours.gpkg"
        return geopackage.write(
            target, {"stones": frame}, crs=site.crs, title="Stones", generated="2026-04-14"
        )

    def write_theirs() -> Path:
        target = scratch / "theirs.gpkg"
        target.unlink(missing_ok=True)
        pyogrio.write_dataframe(frame, target, layer="stones", driver="GPKG", use_arrow=True)
        return target

    def same_file(mine: Path, theirs: Path) -> None:
        one, other = (
            geopandas.read_file(path, layer="stones", use_arrow=True) for path in (mine, theirs)
        )
        assert one["uid"].tolist() == other["uid"].tolist()
        assert shapely.equals_exact(np.asarray(one.geometry), np.asarray(other.geometry), 0.0).all()

    yield Contest(
        f"GeoPackage of {len(frame):,} stones: checked, described, verified, flushed",
        write_ours,
        {"pyogrio write_dataframe, Arrow (not flushed)": write_theirs},
        same_file,
    )


def _publishing(side_m: float, scratch: Path) -> Iterator[Contest]:
    """Publish a file whole or not at all, against just writing it."""
    from fencemap.guard import publish

    content = np.random.default_rng(1).bytes(max(1000, round(64e6 * (side_m / FULL_SIDE_M) ** 2)))

    def ours() -> Path:
        return publish(scratch / "ours.bin", lambda temporary: _written(temporary, content))

    def flushed() -> Path:
        path = scratch / "theirs.bin"
        with path.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        return path

    def same(mine: Path, theirs: Path) -> None:
        assert mine.read_bytes() == theirs.read_bytes() == content

    yield Contest(
        f"publish a file of {len(content) / 1e6:.1f} MB",
        ours,
        {
            "write and fsync": flushed,
            "write alone (lost when the power fails)": lambda: _written(
                scratch / "plain.bin", content
            ),
        },
        same,
    )


def _written(path: Path, content: bytes) -> Path:
    path.write_bytes(content)
    return path


def _table(contest: Contest, standings: list[Standing]) -> str:
    ours = standings[0]
    lines = [
        f"**{contest.name}**",
        "",
        "| | wall ms | CPU ms | ratio | goal |",
        "|---|---:|---:|---:|---:|",
    ]
    for one in standings:
        goal = f"{contest.goals[one.name]:g}" if one.name in contest.goals else ""
        ratio = "" if one is ours else f"{one.wall_s / ours.wall_s:.2f}"
        lines.append(
            f"| {one.name} | {one.wall_s * 1e3:,.1f} | {one.cpu_s * 1e3:,.1f} | {ratio} | {goal} |"
        )
    return "\n".join([*lines, ""])


def main() -> int:
    """Run all contests and print them as Markdown tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument(
        "--side-m", type=float, default=FULL_SIDE_M, help="side of the site (default 450: 20 ha)"
    )
    parser.add_argument(
        "--only", default="", metavar="WORD", help="only contests whose name holds this word"
    )
    asked = parser.parse_args()
    print(
        f"`python tests/benchmarks/ratios.py {' '.join(sys.argv[1:])}`, load before it {os.getloadavg()[0]:.1f}, {os.cpu_count()} cores\n"
    )
    with tempfile.TemporaryDirectory() as scratch:
        for contest in contests(asked.side_m, Path(scratch)):
            if asked.only in contest.name:
                contest.ours()  # compiled kernels come from their cache, or into it
                print(_table(contest, race(contest, asked.rounds)), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
