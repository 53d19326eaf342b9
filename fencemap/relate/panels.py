"""Which bay each panel and gate fills.

A panel numbered k hangs between post k and the next one; where post k is
lacking, in the bay that spans its place. A panel without a number goes by the
post it names as its parent, and one that names nothing goes to the bay whose
middle is nearest, if its position is good enough to tell. Several panels in
one long bay share it in the order of their numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from fencemap.layers import layer, uids
from fencemap.relate.doubts import Doubt
from fencemap.relate.runs import ORIGIN_STEP
from fencemap.site import Site, Survey

__all__ = ["GONE", "fill_bays", "panel_layer"]

GONE = ("missing", "in store", "loose on site", "absent by design")
_FILLERS = ("panel", "gate", "rail")
_RAIL = "rail underside"
_FAR_M = 2.0  # a panel farther than this from every bay belongs to none of them
_ROUGH_M = 0.5  # a position rougher than this can't tell one bay from the next


@dataclass(frozen=True, slots=True)
class _Fillers:
    """Panels and gates: rows of the elements, and the bay (row of the bays) of each, or -1."""

    row: NDArray[np.int64]
    bay: NDArray[np.int64]


def panel_layer(
    elements: Any, levels: Any, bays: Any, *, site: Site, survey: Survey
) -> tuple[Any, list[Doubt]]:
    """Make the layer `panels`; also the panels that found no bay, or share one.

    Parameters
    ----------
    elements, levels
        The layers of those names; levels give the height of the rail's underside.
    bays
        The layer `bays`, not yet filled.
    """
    doubts: list[Doubt] = []
    fillers = _placed(elements, bays, doubts)
    table = _shares(fillers, elements, bays, doubts)
    ends = shapely.get_coordinates(np.asarray(bays.geometry, object)).reshape(-1, 2, 2)
    ends = ends[table["bay"].to_numpy(int)]
    share = table[["from", "to"]].to_numpy(float)
    xy = ends[:, :1] + share[:, :, None] * (ends[:, 1:] - ends[:, :1])
    bay = bays.iloc[table["bay"]].reset_index(drop=True)
    source = elements.iloc[table["row"]].reset_index(drop=True)
    z = _rail_heights(levels, bay, table["name"], gate=(source["kind"] == "gate").to_numpy(bool))
    whole = share == (0.0, 1.0)
    lines = np.concatenate([xy, np.where(whole, z, np.nan)[:, :, None]], axis=2)
    length = bay["length_m"].to_numpy(float)
    made = layer("panels").conform(
        {
            "uid": uids(site.uid, survey.id, "panels", table["name"]),
            "survey_id": [survey.id] * len(table),
            "source_file": [ORIGIN_STEP] * len(table),
            "panel_id": table["name"],
            "bay_id": bay["bay_id"],
            "run_id": bay["run_id"],
            "from_m": bay["from_m"].to_numpy(float) + share[:, 0] * length,
            "to_m": bay["from_m"].to_numpy(float) + share[:, 1] * length,
            "length_m": (share[:, 1] - share[:, 0]) * length,
            **{name: source[name] for name in ("kind", "material", "presence", "condition", "rusted_area_pct")},
        },
        geometry=shapely.linestrings(lines, handle_nan="allow"),
        crs=site.crs,
    )  # fmt: skip
    return made, doubts


def fill_bays(bays: Any, panels: Any, elements: Any) -> Any:
    """Say of each bay what fills it and by what name.

    `filled_by` is empty where the run has no panel or gate recorded at all,
    for then nobody said that a bay is open.
    """
    there = panels.assign(gone=panels["presence"].isin(GONE))
    there = there.sort_values(["bay_id", "gone", "from_m", "panel_id"], kind="stable")
    one = there.drop_duplicates("bay_id").set_index("bay_id").reindex(bays["bay_id"])
    kind = np.where(one["kind"] == "gate", "gate", "panel").astype(object)
    there_now = one["gone"].isin([False]).to_numpy(bool)
    told = set(elements.loc[elements["kind"].isin(_FILLERS), "run_id"].dropna())
    told |= set(panels["run_id"])
    silent = ~bays["run_id"].isin(told).to_numpy(bool)
    filled = np.where(silent, None, "nothing").astype(object)  # type: ignore[call-overload]
    filled[there_now] = kind[there_now]
    return layer("bays").conform(
        {
            **{name: bays[name] for name in bays.columns if name != "geometry"},
            "filled_by": filled,
            "panel_id": one["panel_id"].to_numpy(object),
        },
        geometry=bays.geometry,
        crs=bays.crs,
    )


def _placed(elements: Any, bays: Any, doubts: list[Doubt]) -> _Fillers:
    """Find the bay of each panel and gate, and of rails where no panel is recorded."""
    kind = elements["kind"].to_numpy(object)
    row = np.flatnonzero(np.isin(kind, _FILLERS))
    bay = _by_number(elements.iloc[row], elements, bays)
    # A number that no bay has is a doubt, not a reason to guess.
    open_to = elements[["run_id", "order"]].isna().any(axis=1).to_numpy(bool)[row]
    bay = np.where(open_to & (bay < 0), _by_parent(elements.iloc[row], bays), bay)
    bay = np.where(open_to & (bay < 0), _by_place(elements.iloc[row], bays), bay)
    lone = set(bay[(kind[row] != "rail") & (bay >= 0)].tolist())
    kept = (kind[row] != "rail") | np.array([b >= 0 and b not in lone for b in bay.tolist()], bool)
    order = elements["order"].astype("str").fillna("").to_numpy(object)[row]
    doubts += [
        Doubt(
            int(row[at]), "no-bay", "order", str(order[at]),
            f"no bay was found for this {kind[row[at]]}: its run, number, parent and position don't tell one",
            "Write the run and the number of the post it follows.",
        )
        for at in np.flatnonzero(kept & (bay < 0))
    ]  # fmt: skip
    kept &= bay >= 0
    return _Fillers(row[kept], bay[kept])


def _by_number(fillers: Any, elements: Any, bays: Any) -> NDArray[np.int64]:
    """Bay that begins at the post of the same run and the same or the next lower number."""
    posts = elements[(elements["kind"] == "post") & elements["order"].notna()]
    number = posts.drop_duplicates("element_id").set_index("element_id")["order"]
    begins = pd.DataFrame({
        "run": bays["run_id"].to_numpy(object),
        "order": number.reindex(bays["from_post"]).to_numpy("float64", na_value=np.nan),
        "bay": np.arange(len(bays)),
        "number": bays["number"].to_numpy("float64"),
        "open": bays.groupby("run_id")["number"].transform("max").to_numpy("float64"),
        "next": number.reindex(bays["to_post"]).to_numpy("float64", na_value=np.nan),
    }).dropna(subset=["order"])  # fmt: skip
    wanted = pd.DataFrame({
        "run": fillers["run_id"].to_numpy(object),
        "order": fillers["order"].to_numpy("float64", na_value=np.nan),
        "at": np.arange(len(fillers)),
    }).dropna(subset=["run", "order"])  # fmt: skip
    found = np.full(len(fillers), -1)
    if not len(begins) or not len(wanted):
        return found
    joined = pd.merge_asof(
        wanted.sort_values(["order", "at"], kind="stable"),
        begins.sort_values(["order", "bay"], kind="stable"),
        on="order", by="run",
    ).dropna(subset=["bay"])  # fmt: skip
    # Past the last post of an open run there is no bay: only a gap in the numbers is spanned.
    spans = joined["order"] < joined["next"].where(joined["next"] > 0, np.inf)
    exact = wanted.merge(begins[["run", "order"]], on=["run", "order"])["at"]
    closing = joined["number"] == joined["open"]
    good = (
        joined["at"].isin(exact)
        | (spans & ~closing)
        | (spans & closing & (joined["next"] > joined["order"]))
    )
    joined = joined[good]
    found[joined["at"].to_numpy(int)] = joined["bay"].to_numpy(int)
    return found


def _by_parent(fillers: Any, bays: Any) -> NDArray[np.int64]:
    """Bay that begins at the post named as parent, or else ends there; or the bay so named."""
    parent = fillers["parent_id"].to_numpy(object)
    found = np.full(len(fillers), -1)
    for column in ("to_post", "from_post", "bay_id"):
        index = pd.Series(np.arange(len(bays)), index=bays[column].to_numpy(object))
        index = index[~index.index.duplicated()]
        at = index.reindex(parent).to_numpy("float64")
        found = np.where(np.isnan(at), found, np.nan_to_num(at, nan=-1.0)).astype(np.int64)
    return found


def _by_place(fillers: Any, bays: Any) -> NDArray[np.int64]:
    """Bay whose middle is nearest, of the same run where one is named."""
    found = np.full(len(fillers), -1)
    points = np.asarray(fillers.geometry, object)
    rough = fillers["sigma_h_m"].fillna(0.0).to_numpy(float) > _ROUGH_M
    if not len(bays) or not len(points):
        return found
    middles = shapely.line_interpolate_point(
        np.asarray(bays.geometry, object), 0.5, normalized=True
    )
    middles, points = shapely.force_2d(middles), shapely.force_2d(points)
    run = bays["run_id"].to_numpy(object)
    asked = fillers["run_id"].to_numpy(object)
    which, bay = shapely.STRtree(middles).query(points, predicate="dwithin", distance=_FAR_M)
    same = np.array(
        [pd.isna(asked[i]) or asked[i] == run[b] for i, b in zip(which, bay, strict=True)], bool
    )
    same &= ~rough[which]
    which, bay = which[same], bay[same]
    away = np.round(shapely.distance(points[which], middles[bay]), 6)
    order = np.lexsort((bay, away, which))
    first = np.unique(which[order], return_index=True)[1]
    found[which[order][first]] = bay[order][first]
    return found


def _shares(fillers: _Fillers, elements: Any, bays: Any, doubts: list[Doubt]) -> pd.DataFrame:
    """Share of its bay that each panel takes; rows sorted by run, place and name."""
    source = elements.iloc[fillers.row]
    table = pd.DataFrame({
        "row": fillers.row,
        "bay": fillers.bay,
        "name": source["element_id"].to_numpy(object),
        "order": source["order"].to_numpy("float64", na_value=np.nan),
        "gone": source["presence"].isin(GONE).to_numpy(bool),
    }).sort_values(["bay", "order", "name", "row"], kind="stable")  # fmt: skip
    again = table["name"].duplicated()
    doubts += [
        Doubt(
            int(row), "name-repeated", "element_id", str(name),
            "another panel or gate of this name was placed; this row was left out of the panels",
            "Give each piece a name of its own.",
        )
        for row, name in table.loc[again, ["row", "name"]].itertuples(index=False)
    ]  # fmt: skip
    table = table[~again]
    numbers = table.groupby("bay")["order"]
    parts = numbers.transform("nunique").clip(lower=1)
    place = numbers.rank(method="dense").fillna(1.0) - 1.0
    table = table.assign(**{"from": place / parts, "to": (place + 1.0) / parts})
    doubts += _crowded(table, bays)
    return table.reset_index(drop=True)


def _crowded(table: pd.DataFrame, bays: Any) -> list[Doubt]:
    """Panels said to be in place in the same part of the same bay."""
    there = table[~table["gone"]]
    again = there.duplicated(["bay", "from"])
    return [
        Doubt(
            int(row), "bay-taken", "order", str(name),
            f"bay '{bays['bay_id'].iloc[bay]}' already holds another panel or gate that is in place",
            "Check run and number of both.",
        )
        for row, bay, name in there.loc[again, ["row", "bay", "name"]].itertuples(index=False)
    ]  # fmt: skip


def _rail_heights(
    levels: Any, bay: Any, names: pd.Series, *, gate: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Rail underside at both ends of each panel: levels at its posts, those that name it first.

    A gate hangs by itself: only levels that name it are its own.
    """
    rail = levels[(levels["target"] == _RAIL) & levels["element_id"].notna()]
    given = rail["bay_id"].to_numpy(object)
    post = rail["element_id"].to_numpy(object)
    height = rail["height_m"].to_numpy(float)
    found = np.full((len(bay), 2), np.nan)
    any_side = pd.Series(height).groupby(post).mean()
    one_side = pd.Series(height).groupby([post, given]).mean()
    for end, column in enumerate(("from_post", "to_post")):
        ends = bay[column].to_numpy(object)
        found[:, end] = np.where(gate, np.nan, any_side.reindex(ends).to_numpy(float))
        for side in (bay["bay_id"].to_numpy(object), names.to_numpy(object)):
            near = one_side.reindex(pd.MultiIndex.from_arrays([ends, side])).to_numpy(float)
            found[:, end] = np.where(np.isnan(near), found[:, end], near)
    return found
