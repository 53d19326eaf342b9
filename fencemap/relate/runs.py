"""Put posts in order and make runs, bays and panels of them.

A run is a line of posts. It is closed when something fills the bay that
begins at its last post (a panel or gate with the last post's number) or when
its first post is recorded again at its end. Stations are metres in plan from
the first post; of a closed run the last bay ends at the run's length, where
station 0 is.

Bay k begins at the post with number k; panel or gate k fills it. Where posts
carry no numbers, or one number twice, their order is the shortest way through
them and the run says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from fencemap.kernels.measured import measured_lines
from fencemap.layers import layer, uids
from fencemap.relate.tours import shortest_way
from fencemap.site import Site, Survey

__all__ = ["make_runs"]

_SOURCE = "relate/order_posts"
_SAME_PLACE_M = 0.05
_GROUND_TARGETS = ("ground", "base")
# A thing that was carried away is not where its bay is.
_ELSEWHERE = ("in store", "loose on site")


@dataclass(frozen=True, slots=True)
class Chain:
    """The posts of one run in order: rows of `elements`, places, and the number of each bay."""

    run_id: str
    posts: Any
    xy: NDArray[np.float64]
    numbers: NDArray[np.int64]
    closed: bool
    inferred: bool
    why: str

    @property
    def corners(self) -> NDArray[np.float64]:
        """Places of the posts, the first again at the end of a closed run."""
        return np.vstack([self.xy, self.xy[:1]]) if self.closed else self.xy

    @property
    def stations(self) -> NDArray[np.float64]:
        """Station of each of the `corners`."""
        steps = np.hypot(*np.diff(self.corners, axis=0).T)
        return np.concatenate([[0.0], np.cumsum(steps)])


def make_runs(
    elements: Any, levels: Any, *, site: Site, survey: Survey, longest_bay_m: float
) -> dict[str, Any]:
    """Make layers `runs`, `bays` and `panels`, and `suspect` rows for what is odd."""
    fills = _fillings(elements)
    chains, doubts = _chains(elements, fills)
    made = _runs_layer(chains, fills, site, survey)
    bays = _bays_layer(chains, fills, site, survey)
    panels = _panels_layer(bays, fills, levels, site, survey)
    doubts += _odd_bays(bays, longest_bay_m)
    doubts += _unplaced(fills, bays)
    suspect = _suspect_layer(doubts, elements, site, survey)
    return {"runs": made, "bays": bays, "panels": panels, "suspect": suspect}


def _fillings(elements: Any) -> Any:
    """Panels and gates that belong to a bay by run and number."""
    mask = elements["kind"].isin(("panel", "gate")) & elements["run_id"].notna() & elements["order"].notna()
    return elements[mask].sort_values(["run_id", "order", "element_id"], kind="stable")


def _chains(elements: Any, fills: Any) -> tuple[list[Chain], list[dict[str, Any]]]:
    known = elements["run_id"].notna() & elements.geometry.notna()
    posts = elements[(elements["kind"] == "post") & known & ~elements["presence"].isin(_ELSEWHERE)]
    posts = posts.sort_values(["run_id", "order", "element_id"], kind="stable")
    last_fill = fills.groupby("run_id")["order"].max()
    chains, doubts = [], []
    for run_id, rows in posts.groupby("run_id", sort=True):
        chain = _chain(str(run_id), rows, int(last_fill.get(run_id, -1)))
        if len(chain.xy) < 2:
            doubts.append(_doubt(rows.iloc[0], "single-post", "its run has one post, so no line", "Add the other posts."))
            continue
        if chain.inferred:
            doubts.append(_doubt(rows.iloc[0], "order-inferred", chain.why, "Number the posts along the run."))
        chains.append(chain)
    return chains, doubts


def _chain(run_id: str, rows: Any, last_fill: int) -> Chain:
    xy = shapely.get_coordinates(rows.geometry.values)
    order = rows["order"].to_numpy(dtype="float64", na_value=np.nan)
    why = ""
    if np.isnan(order).any():
        why = f"{int(np.isnan(order).sum())} posts of the run have no number: the shortest way through them was taken"
    elif len(np.unique(order)) < len(order):
        why = "two posts of the run have the same number: the shortest way through them was taken"
    if why:
        way = shortest_way(xy, rows["element_id"].tolist())
        rows, xy = rows.iloc[way], xy[way]
        numbers = np.arange(1, len(xy) + 1)
    else:
        numbers = order.astype(np.int64)
    again = len(xy) > 3 and float(np.hypot(*(xy[-1] - xy[0]))) <= _SAME_PLACE_M
    if again:
        rows, xy, numbers = rows.iloc[:-1], xy[:-1], numbers[:-1]
    closed = again or (len(xy) > 2 and last_fill == numbers[-1])
    return Chain(run_id, rows, xy, numbers, closed, bool(why), why)


def _runs_layer(chains: list[Chain], fills: Any, site: Site, survey: Survey) -> Any:
    schema = layer("runs")
    if not chains:
        return schema.empty(site.crs)
    by_run = {str(name): rows for name, rows in fills.groupby("run_id")}
    vertices = [_vertices(chain) for chain in chains]
    counts = np.array([len(part) for part in vertices])
    names = [chain.run_id for chain in chains]
    return schema.conform(
        {
            **_origin("runs", names, site, survey),
            "run_id": names,
            "lots": [_joined(chain.posts["lots"]) for chain in chains],
            "closed": [chain.closed for chain in chains],
            "order_is": ["inferred" if chain.inferred else "recorded" for chain in chains],
            "post_count": [len(chain.xy) for chain in chains],
            "length_m": [float(chain.stations[-1]) for chain in chains],
            "sigma_h_m": [float(chain.posts["sigma_h_m"].max()) for chain in chains],
            "material": [_most(by_run.get(name)) for name in names],
            "height_mm": [_tallest(by_run.get(chain.run_id), chain.posts) for chain in chains],
        },
        geometry=shapely.from_wkb(measured_lines(np.vstack(vertices), counts)),
        crs=site.crs,
    )


def _vertices(chain: Chain) -> NDArray[np.float64]:
    """Places, ground heights (NaN where the post was not shot at the ground) and stations."""
    height = shapely.get_z(chain.posts.geometry.values)
    height = np.where(chain.posts["target"].isin(_GROUND_TARGETS), height, np.nan)
    if chain.closed:
        height = np.append(height, height[0])
    return np.column_stack([chain.corners, height, chain.stations])


def _bays_layer(chains: list[Chain], fills: Any, site: Site, survey: Survey) -> Any:
    schema = layer("bays")
    if not chains:
        return schema.empty(site.crs)
    parts = pd.concat([_bays_of(chain) for chain in chains], ignore_index=True)
    held = fills.drop_duplicates(["run_id", "order"])[["run_id", "order", "element_id", "kind"]]
    held = held.rename(columns={"order": "number", "element_id": "panel_id", "kind": "filled_by"})
    parts = parts.merge(held, on=["run_id", "number"], how="left", validate="one_to_one")
    parts["filled_by"] = parts["filled_by"].fillna("nothing")
    ends = np.stack([np.stack([parts.pop(name) for name in names], axis=1) for names in (("x0", "y0", "z0"), ("x1", "y1", "z1"))], axis=1)
    parts["length_m"] = parts["to_m"] - parts["from_m"]
    data = {**_origin("bays", parts["bay_id"].tolist(), site, survey), **{name: parts[name] for name in parts}}
    return schema.conform(data, geometry=shapely.linestrings(ends), crs=site.crs)


def _bays_of(chain: Chain) -> Any:
    corners = _vertices(chain)
    names = chain.posts["element_id"].tolist()
    following = [*names[1:], names[0]] if chain.closed else names[1:]
    count = len(following)
    return pd.DataFrame(
        {
            "bay_id": [f"{chain.run_id}-{number:02d}" for number in chain.numbers[:count]],
            "run_id": chain.run_id,
            "number": pd.array(chain.numbers[:count], dtype="Int64"),
            "from_m": corners[:-1, 3],
            "to_m": corners[1:, 3],
            "from_post": names[:count],
            "to_post": following,
            **{f"{axis}{end}": corners[end : count + end, place] for end in (0, 1) for place, axis in enumerate("xyz")},
        }
    )


def _panels_layer(bays: Any, fills: Any, levels: Any, site: Site, survey: Survey) -> Any:
    schema = layer("panels")
    rows = bays[bays["panel_id"].notna()].reset_index(drop=True)
    if not len(rows):
        return schema.empty(site.crs)
    own = fills.set_index("element_id").loc[rows["panel_id"]].reset_index()
    ends = shapely.get_coordinates(rows.geometry.values).reshape(-1, 2, 2)
    heights = _undersides(rows, levels)
    shapes = shapely.linestrings(np.concatenate([ends, heights[:, :, None]], axis=2))
    copied = ("kind", "material", "presence", "condition", "rusted_area_pct")
    return schema.conform(
        {
            **_origin("panels", rows["panel_id"].tolist(), site, survey),
            "source_file": own["source_file"],
            "source_row": own["source_row"],
            **{name: rows[name] for name in ("panel_id", "bay_id", "run_id", "from_m", "to_m", "length_m")},
            **{name: own[name] for name in copied},
        },
        geometry=shapes,
        crs=site.crs,
    )


def _undersides(rows: Any, levels: Any) -> NDArray[np.float64]:
    """Rail underside at both ends of each panel, NaN where nobody read it: (n, 2) metres."""
    read = levels[levels["target"] == "rail underside"]
    named = read[read["element_id"].notna()]
    own = named["bay_id"].notna()
    by_side = named[own].groupby(["element_id", "bay_id"])["height_m"].mean().to_dict()
    by_post = named[~own].groupby("element_id")["height_m"].mean().to_dict()
    out = np.full((len(rows), 2), np.nan)
    for place, post in enumerate(("from_post", "to_post")):
        keys = zip(rows[post], rows["bay_id"], rows["panel_id"], strict=True)
        out[:, place] = [
            by_side.get((name, bay), by_side.get((name, panel), by_post.get(name, np.nan))) for name, bay, panel in keys
        ]
    return out


def _origin(name: str, keys: list[str], site: Site, survey: Survey) -> dict[str, Any]:
    return {
        "uid": uids(site.uid, survey.id, name, keys),
        "survey_id": [survey.id] * len(keys),
        "source_file": [_SOURCE] * len(keys),
    }


def _joined(lots: Any) -> str | None:
    """All lots of the posts, each once, in order."""
    names = dict.fromkeys(part.strip() for cell in lots.dropna() for part in cell.split(";") if part.strip())
    return ";".join(names) or None


def _most(fills: Any) -> str | None:
    """Material of most panels; of equally many the first by name."""
    if fills is None:
        return None
    counts = fills["material"].dropna().value_counts()
    return str(min(counts[counts == counts.max()].index)) if len(counts) else None


def _tallest(fills: Any, posts: Any) -> float:
    panels = np.nan if fills is None else fills["height_mm"].max()
    return float(posts["height_mm"].max() if pd.isna(panels) else panels)


def _doubt(row: Any, code: str, reason: str, remedy: str, size: float = float("nan")) -> dict[str, Any]:
    return {"element_id": row["element_id"], "code": code, "reason": reason, "remedy": remedy, "size": size}


def _odd_bays(bays: Any, longest_bay_m: float) -> list[dict[str, Any]]:
    """Bays too long to be one: a post is missing, or the order is wrong."""
    odd = bays[bays["length_m"] > longest_bay_m]
    return [
        _doubt(
            {"element_id": row.from_post}, "long-bay",
            f"the bay to post {row.to_post} is {row.length_m:.2f} m long, more than {longest_bay_m:g} m (size in m)",
            "Look for a post that was not surveyed, or a wrong number.", float(row.length_m),
        )
        for row in odd.itertuples()
    ]  # fmt: skip


def _unplaced(fills: Any, bays: Any) -> list[dict[str, Any]]:
    """Panels and gates whose bay is not there, and those that share one bay."""
    placed = set(bays["panel_id"].dropna())
    left = fills[~fills["element_id"].isin(placed)]
    return [
        _doubt(
            row, "no-bay", f"run {row['run_id']} has no free bay {int(row['order'])} for it",
            "Check its run and number; bay k begins at post k.",
        )
        for _, row in left.iterrows()
    ]  # fmt: skip


def _suspect_layer(doubts: list[dict[str, Any]], elements: Any, site: Site, survey: Survey) -> Any:
    schema = layer("suspect")
    if not doubts:
        return schema.empty(site.crs)
    frame = pd.DataFrame(doubts).sort_values(["element_id", "code"], kind="stable", ignore_index=True)
    source = elements.drop_duplicates("element_id").set_index("element_id").loc[frame["element_id"]]
    keys = (frame["element_id"] + ":" + frame["code"]).tolist()
    return schema.conform(
        {
            **_origin("suspect", keys, site, survey),
            "source_file": source["source_file"],
            "source_row": source["source_row"],
            "input": ["elements"] * len(frame),
            **{name: frame[name] for name in ("element_id", "code", "reason", "remedy", "size")},
        },
        geometry=shapely.force_2d(source.geometry.values),
        crs=site.crs,
    )
