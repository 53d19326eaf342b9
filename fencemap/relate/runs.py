"""Runs and bays made of posts in order, with stations along the rail."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from fencemap.kernels.measured import measured_lines
from fencemap.layers import layer, uids
from fencemap.relate.doubts import Doubt
from fencemap.relate.posts import Order, order_of, swapped
from fencemap.site import Site, Survey

__all__ = ["ORIGIN_STEP", "Chains", "bay_layer", "chains_of", "joined_words", "run_layer"]

ORIGIN_STEP = "relate/order_posts"
_GROUND = ("ground", "base")
_ELSEWHERE = ("in store", "loose on site")
_SAME_PLACE_M = 0.001
_STUB_M = 0.01  # a post that stands alone is drawn as a line this long to either side
_SWAP_SAVES_M = 0.5


@dataclass(frozen=True, slots=True)
class Chains:
    """All runs one after the other; vertices of run i are ``first[i]:first[i + 1]``.

    `row` points into the elements; a closed run ends with its first post.
    """

    run_id: list[str]
    closed: NDArray[np.bool_]
    recorded: NDArray[np.bool_]
    first: NDArray[np.int64]
    row: NDArray[np.int64]
    xyz: NDArray[np.float64]
    station_m: NDArray[np.float64]
    doubts: list[Doubt] = field(default_factory=list)

    @property
    def run(self) -> NDArray[np.int64]:
        """Run of each vertex."""
        return np.repeat(np.arange(len(self.run_id)), np.diff(self.first))

    def bay_vertices(self) -> NDArray[np.int64]:
        """Vertices at which a bay begins; it ends at the next one."""
        inner = np.ones(len(self.row), bool)
        inner[self.first[1:] - 1] = False
        return np.flatnonzero(inner)


def chains_of(elements: Any, *, longest_bay_m: float) -> Chains:
    """Order the posts of every run.

    Posts that name no run are gathered by lot: those that stand within
    `longest_bay_m` of each other make a run of their own, and the row says so.
    """
    # A post that was carried away is not where its bay is; one without a position is nowhere.
    away = elements["presence"].isin(_ELSEWHERE).to_numpy(bool)
    points = np.asarray(elements.geometry, object)
    found, at = shapely.get_coordinates(points, include_z=True, return_index=True)
    xyz = np.full((len(points), 3), np.nan)
    xyz[at] = found
    away = away | np.isnan(xyz[:, 0])
    posts = np.flatnonzero((elements["kind"].to_numpy(object) == "post") & ~away)
    on_ground = elements["target"].isin(_GROUND).to_numpy(bool)
    xyz[~on_ground, 2] = np.nan
    names = elements["element_id"].to_numpy(object)
    number = elements["order"].to_numpy("float64", na_value=np.nan)
    is_end = elements["role"].to_numpy(object) == "end"
    fillers = _panel_numbers(elements)
    doubts: list[Doubt] = []
    walks: list[tuple[str, Order, NDArray[np.int64]]] = []
    for run_id, rows in _groups(elements, posts, xyz, longest_bay_m, doubts):
        order = order_of(
            xyz[rows, :2],
            number[rows],
            names=[str(names[row]) for row in rows],
            ends=[int(place) for place in np.flatnonzero(is_end[rows])],
            panels=fillers.get(run_id, set()),
            longest_m=longest_bay_m,
        )
        walk = rows[order.walk]
        kept = _without_same_place(walk, xyz, names, doubts)
        doubts += _order_doubts(run_id, order, rows, kept, number, xyz, names)
        walks.append((run_id, order, kept))
    return _chains(walks, xyz, doubts)


def _panel_numbers(elements: Any) -> dict[str, set[int]]:
    """Numbers that the panels and gates of each run carry."""
    fills = elements[elements["kind"].isin(["panel", "gate"]) & elements["order"].notna()]
    return {
        str(run): {int(one) for one in numbers}
        for run, numbers in fills.groupby("run_id", sort=True)["order"]
    }


def _groups(
    elements: Any,
    posts: NDArray[np.int64],
    xyz: NDArray[np.float64],
    longest_m: float,
    doubts: list[Doubt],
) -> Iterator[tuple[str, NDArray[np.int64]]]:
    """Rows of the posts of each run, runs sorted by name, rows by element id."""
    names = elements["element_id"].to_numpy(object)
    table = pd.DataFrame({
        "run": elements["run_id"].to_numpy(object)[posts],
        "lots": elements["lots"].fillna("").to_numpy(object)[posts],
        "name": names[posts],
        "row": posts,
    }).sort_values(["name", "row"], kind="stable")  # fmt: skip
    found = {
        str(run): part.to_numpy(np.int64)
        for run, part in table[table["run"].notna()].groupby("run", sort=True)["row"]
    }
    for lots, part in table[table["run"].isna()].groupby("lots", sort=True)["row"]:
        rows = part.to_numpy(np.int64)
        for number, cluster in enumerate(_clusters(xyz[rows, :2], longest_m), start=1):
            run_id = f"{str(lots) or 'no lot'}-run{number}"
            while run_id in found:
                run_id += "'"
            found[run_id] = rows[cluster]
            doubts += [
                Doubt(
                    int(row), "no-run", "run_id", "",
                    f"the post names no run; it was put into '{run_id}' because it stands near its posts",
                    "Write the run's name, if this is not it.",
                )
                for row in rows[cluster]
            ]  # fmt: skip
    yield from sorted(found.items())


def _clusters(xy: NDArray[np.float64], longest_m: float) -> list[NDArray[np.int64]]:
    """Group points that hang together by steps no longer than `longest_m`."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    points = np.asarray(shapely.points(xy), dtype=object)
    pairs = shapely.STRtree(points).query(points, predicate="dwithin", distance=longest_m)
    graph = coo_array((np.ones(pairs.shape[1]), (pairs[0], pairs[1])), shape=(len(xy), len(xy)))
    count, label = connected_components(graph, directed=False)
    return [np.flatnonzero(label == one) for one in range(count)]


def _without_same_place(
    walk: NDArray[np.int64],
    xyz: NDArray[np.float64],
    names: NDArray[np.object_],
    doubts: list[Doubt],
) -> NDArray[np.int64]:
    """Leave out posts that stand where the one before them stands: no bay fits between."""
    kept = [int(row) for row in walk[:1]]
    for row in walk[1:]:
        if np.hypot(*(xyz[row, :2] - xyz[kept[-1], :2])) > _SAME_PLACE_M:
            kept.append(int(row))
            continue
        doubts.append(
            Doubt(
                int(row), "same-place", "easting", str(names[row]),
                f"the post lies where post '{names[kept[-1]]}' lies",
                "If it is the same post, leave one out; if not, measure it again.",
            )
        )  # fmt: skip
    return np.array(kept, dtype=np.int64)


def _order_doubts(
    run_id: str,
    order: Order,
    rows: NDArray[np.int64],
    walk: NDArray[np.int64],
    number: NDArray[np.float64],
    xyz: NDArray[np.float64],
    names: NDArray[np.object_],
) -> Iterator[Doubt]:
    """Say what is odd about the numbers of one run."""
    for place in order.repeated:
        row = int(rows[place])
        yield Doubt(
            row, "order-repeated", "order", f"{number[row]:.0f}",
            f"two posts of run '{run_id}' carry this number; they were put where the way is shortest",
            "Give each post a number of its own.",
        )  # fmt: skip
    for place in order.placed:
        row = int(rows[place])
        yield Doubt(
            row, "no-order", "order", "",
            f"the post has no number in run '{run_id}'; it was put where it lengthens the way least",
            "Write its number.",
        )  # fmt: skip
    if not order.recorded and not order.placed and len(walk) > 1:
        yield Doubt(
            int(walk[0]), "order-inferred", "order", "",
            f"no post of run '{run_id}' has a number; the shortest way through them was taken",
            "Number the posts along the run.", float(len(walk)),
        )  # fmt: skip
    if len(walk) == 1:
        yield Doubt(
            int(walk[0]), "lone-post", "run_id", run_id,
            f"run '{run_id}' has one post and so no bay",
            "Check that its other posts are there and carry the same run.",
        )  # fmt: skip
    if not order.recorded:
        return
    jump = np.diff(number[walk])
    for at in np.flatnonzero(jump > 1).tolist():
        yield Doubt(
            int(walk[at + 1]), "order-gap", "order", f"{number[walk[at + 1]]:.0f}",
            f"run '{run_id}' goes from post {number[walk[at]]:.0f} to {number[walk[at + 1]]:.0f}; "
            "the bay between them is taken as one",
            "Look for the posts that are lacking, or number without gaps.", float(jump[at] - 1),
        )  # fmt: skip
    for at, saved in swapped(xyz[walk, :2], least_m=_SWAP_SAVES_M):
        yield Doubt(
            int(walk[at]), "order-swapped", "order", f"{number[walk[at]]:.0f}",
            f"the way would be {saved:.2f} m shorter if posts '{names[walk[at]]}' and "
            f"'{names[walk[at + 1]]}' of run '{run_id}' changed places",
            "Check the two numbers; they were kept as recorded.", saved,
        )  # fmt: skip


def _chains(
    walks: list[tuple[str, Order, NDArray[np.int64]]],
    xyz: NDArray[np.float64],
    doubts: list[Doubt],
) -> Chains:
    """Lay all walks end to end and measure along them."""
    closed = np.array([order.closed and len(walk) > 2 for _, order, walk in walks], bool)
    rows = [
        np.concatenate([walk, walk[:1]]) if shut else walk
        for (_, _, walk), shut in zip(walks, closed, strict=True)
    ]
    first = np.concatenate([[0], np.cumsum([len(part) for part in rows])]).astype(np.int64)
    row = np.concatenate([*rows, np.empty(0, np.int64)]).astype(np.int64)
    places = xyz[row]
    step = np.zeros(len(row))
    step[1:] = np.hypot(*np.diff(places[:, :2], axis=0).T)
    step[first[:-1][first[:-1] < len(row)]] = 0.0
    walked = np.cumsum(step)
    station = walked - np.repeat(walked[first[:-1]], np.diff(first))
    return Chains(
        [run_id for run_id, _, _ in walks],
        closed,
        np.array([order.recorded for _, order, _ in walks], bool),
        first,
        row,
        places,
        station,
        doubts,
    )


def joined_words(values: pd.Series) -> str | None:
    """Join lists such as ``"131;132"`` into one without repeats, sorted."""
    words = {word.strip() for value in values.dropna().unique() for word in str(value).split(";")}
    return ";".join(sorted(words - {""})) or None


def run_layer(chains: Chains, elements: Any, panels: Any, *, site: Site, survey: Survey) -> Any:
    """Make the layer `runs`; `panels` is the layer of panels."""
    at = pd.Series(chains.run)
    length = np.maximum.reduceat(chains.station_m, chains.first[:-1]) if len(at) else np.empty(0)
    by_run = elements.iloc[chains.row].reset_index(drop=True).groupby(at)
    rail = panels.assign(height=_heights(panels, elements)).groupby("run_id")
    material = rail["material"].agg(_commonest)
    posts = by_run["height_mm"].max().set_axis(chains.run_id)
    return layer("runs").conform(
        _origin(chains.run_id, "runs", site, survey)
        | {
            "run_id": chains.run_id,
            "lots": by_run["lots"].agg(joined_words).to_numpy(object),
            "closed": chains.closed,
            "order_is": np.where(chains.recorded, "recorded", "inferred"),
            "post_count": np.diff(chains.first) - chains.closed,
            "length_m": length,
            "sigma_h_m": by_run["sigma_h_m"].max().to_numpy(float),
            "material": material.reindex(chains.run_id).to_numpy(object),
            "height_mm": rail["height"].max().reindex(chains.run_id).fillna(posts).to_numpy(float),
        },
        geometry=_run_lines(chains),
        crs=site.crs,
    )


def _commonest(values: pd.Series) -> str | None:
    """Most frequent word; of equally frequent ones the first by name."""
    counts = values.dropna().value_counts()
    return str(min(counts[counts == counts.max()].index)) if len(counts) else None


def _heights(panels: Any, elements: Any) -> NDArray[np.float64]:
    heights = elements.drop_duplicates("element_id").set_index("element_id")["height_mm"]
    return np.asarray(heights.reindex(panels["panel_id"]), dtype=float)


def _run_lines(chains: Chains) -> Any:
    """Lines with height and station; a lone post becomes a short line through it."""
    counts = np.diff(chains.first)
    lone = np.repeat(counts == 1, counts)
    repeat = np.where(lone, 2, 1)
    rows = np.repeat(np.column_stack([chains.xyz, chains.station_m]), repeat, axis=0)
    stub = np.repeat(lone, repeat)
    rows[stub, 0] += np.tile([-_STUB_M, _STUB_M], int(stub.sum()) // 2)
    return shapely.from_wkb(measured_lines(rows, np.maximum(counts, 2)))


def bay_layer(chains: Chains, elements: Any, *, site: Site, survey: Survey) -> Any:
    """Make the layer `bays`, not yet filled."""
    start = chains.bay_vertices()
    run = chains.run[start]
    names = elements["element_id"].to_numpy(object)[chains.row]
    number = start - chains.first[run] + 1
    run_id = np.array(chains.run_id, dtype=object)[run]
    told = _told_numbers(chains, elements, start, number)
    bay_id = [f"{one}-B{k:02d}" for one, k in zip(run_id, told, strict=True)]
    ends = np.stack([chains.xyz[start], chains.xyz[start + 1]], axis=1)
    return layer("bays").conform(
        _origin(bay_id, "bays", site, survey)
        | {
            "bay_id": bay_id,
            "run_id": run_id,
            "from_m": chains.station_m[start],
            "to_m": chains.station_m[start + 1],
            "number": number,
            "from_post": names[start],
            "to_post": names[start + 1],
            "length_m": chains.station_m[start + 1] - chains.station_m[start],
        },
        geometry=shapely.linestrings(ends, handle_nan="allow"),
        crs=site.crs,
    )


def _told_numbers(
    chains: Chains, elements: Any, start: NDArray[np.int64], number: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Numbers that bays are named by: that of the post they begin at, as people count them.

    Runs whose posts aren't all numbered, each differently, count from 1.
    """
    order = elements["order"].to_numpy("float64", na_value=np.nan)[chains.row[start]]
    run = chains.run[start]
    table = pd.DataFrame({"run": run, "order": order})
    odd = table["order"].isna() | table.duplicated() | ~chains.recorded[run]
    spoilt = odd.groupby(table["run"]).transform("any").to_numpy(bool)
    return np.where(spoilt, number, np.nan_to_num(order)).astype(np.int64)


def _origin(keys: list[str], name: str, site: Site, survey: Survey) -> dict[str, Any]:
    return {
        "uid": uids(site.uid, survey.id, name, keys),
        "survey_id": [survey.id] * len(keys),
        "source_file": [ORIGIN_STEP] * len(keys),
    }
