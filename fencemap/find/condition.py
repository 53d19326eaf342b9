"""Condition of bays, runs and lots, summed up so that the worst never hides."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from fencemap.find.coverage import seen_of_bays
from fencemap.find.rust import astm_d610, iso_4628_3
from fencemap.layers import layer, uids
from fencemap.site import Site, Survey

__all__ = ["condition_layers", "parts_of_bays"]

_STEP = "find/condition_of_fences"
_HANGS_ON = 4  # how many parents up a part is followed: bolt, bracket, panel, post
_UNKNOWN_SIZE_M = 1.0


@dataclass(frozen=True, slots=True)
class _Parts:
    """Which rows of the elements count for which bay, run and lot: pairs of names and rows."""

    bays: pd.DataFrame
    runs: pd.DataFrame
    lots: pd.DataFrame


def condition_layers(
    elements: Any,
    runs: Any,
    bays: Any,
    panels: Any,
    lots: Any,
    soil_contact: Any,
    *,
    site: Site,
    survey: Survey,
) -> dict[str, Any]:
    """Make `condition_bays`, `condition_runs` and `condition_lots`.

    A post counts for both its bays, but once for its run; a party fence counts
    for both its lots. Lots without any iron are left out.

    Parameters
    ----------
    elements, runs, bays, panels, lots, soil_contact
        The layers.
    """
    bays = bays.sort_values(["run_id", "from_m", "bay_id"], ignore_index=True)
    runs = runs.sort_values("run_id", ignore_index=True)
    parts = _parts(elements, runs, bays, panels)
    facts = _facts(elements, panels)
    lengths = _lengths(bays, panels, elements, soil_contact)
    of_run = lengths.groupby("run_id").sum(min_count=1)
    made = {
        "condition_bays": _summed(parts.bays, facts, bays["bay_id"], lengths.set_index("bay_id")),
        "condition_runs": _summed(parts.runs, facts, runs["run_id"], of_run.drop(columns="bay_id")),
    }
    lot_runs = _lots_of(runs[["run_id", "lots"]], "run_id")
    fenced = lots.drop_duplicates("lot_id").sort_values("lot_id", ignore_index=True)
    fenced = fenced[fenced["lot_id"].isin(set(parts.lots["name"]) | set(lot_runs["name"]))]
    of_lot = lot_runs.merge(of_run.drop(columns="bay_id"), left_on="key", right_index=True)
    of_lot = of_lot.drop(columns="key").groupby("name").sum(min_count=1)
    made["condition_lots"] = _summed(parts.lots, facts, fenced["lot_id"], of_lot)
    extra = {
        "condition_bays": _bay_facts(bays, panels, runs),
        "condition_runs": runs[["run_id", "lots", "material"]],
        "condition_lots": fenced[["lot_id"]],
    }
    shapes = {"condition_bays": bays, "condition_runs": runs, "condition_lots": fenced}
    return {
        name: _layer(name, made[name], extra[name], shapes[name], site, survey) for name in made
    }


def parts_of_bays(elements: Any, bays: Any, panels: Any) -> pd.DataFrame:
    """Pair every bay with the rows of its panel, its two posts and all that hangs on them.

    Parts are followed up to their parent, its parent and so on.

    Returns
    -------
    Columns `name` (bay) and `row` (of the elements), sorted, without repeats.
    """
    row_of = pd.Series(np.arange(len(elements)), index=elements["element_id"].to_numpy(object))
    row_of = row_of[~row_of.index.duplicated()]
    own = pd.concat([
        pd.DataFrame({"name": frame["bay_id"].to_numpy(object), "row": row_of.reindex(frame[column]).to_numpy()})
        for frame, column in ((panels, "panel_id"), (bays, "from_post"), (bays, "to_post"))
    ]).dropna()  # fmt: skip
    own["row"] = own["row"].astype(np.int64)
    parent = row_of.reindex(elements["parent_id"].to_numpy(object)).to_numpy()
    kind = elements["kind"].to_numpy(object)
    # Another post named as parent is the same post seen from the next run, not something it hangs on.
    hangs = pd.DataFrame({"row": parent, "part": np.arange(len(elements))})[kind != "post"].dropna()
    hangs["row"] = hangs["row"].astype(np.int64)
    found = [own]
    for _ in range(_HANGS_ON):
        more = found[-1].merge(hangs, on="row")[["name", "part"]]
        found.append(more.rename(columns={"part": "row"}))
    whole = pd.concat(found).drop_duplicates()
    return whole.sort_values(["name", "row"], ignore_index=True)


def _parts(elements: Any, runs: Any, bays: Any, panels: Any) -> _Parts:
    of_bays = parts_of_bays(elements, bays, panels)
    run_of_bay = bays.set_index("bay_id")["run_id"]
    named = pd.DataFrame({
        "name": elements["run_id"].to_numpy(object),
        "row": np.arange(len(elements)),
    }).dropna()  # fmt: skip
    of_runs = pd.concat(
        [of_bays.assign(name=of_bays["name"].map(run_of_bay).to_numpy(object)), named]
    )
    of_runs = of_runs.drop_duplicates().sort_values(["name", "row"], ignore_index=True)
    own = _lots_of(
        pd.DataFrame({"row": np.arange(len(elements)), "lots": elements["lots"].to_numpy(object)}),
        "row",
    )
    by_run = _lots_of(runs[["run_id", "lots"]], "run_id").rename(columns={"name": "lot"})
    through = of_runs.merge(by_run, left_on="name", right_on="key")[["lot", "row"]]
    of_lots = pd.concat([
        own.rename(columns={"key": "row"})[["name", "row"]],
        through.rename(columns={"lot": "name"}),
    ])  # fmt: skip
    return _Parts(
        of_bays, of_runs, of_lots.drop_duplicates().sort_values(["name", "row"], ignore_index=True)
    )


def _lots_of(table: pd.DataFrame, key: str) -> pd.DataFrame:
    """One row for each lot of a list such as ``"131;132"``: columns `name` and `key`."""
    lots = table["lots"].astype(object).str.split(";")
    split = pd.DataFrame({"key": table[key].to_numpy(object), "name": lots.to_numpy(object)})
    split = split.explode("name").dropna()
    split["name"] = split["name"].str.strip()
    return split[split["name"] != ""].drop_duplicates()


def _facts(elements: Any, panels: Any) -> pd.DataFrame:
    """Give what each element says as plain numbers: one row an element, in their order."""
    along = panels.drop_duplicates("panel_id").set_index("panel_id")["length_m"]
    size = along.reindex(elements["element_id"]).reset_index(drop=True)
    for column in ("length_mm", "height_mm"):
        size = size.fillna(elements[column].reset_index(drop=True) / 1000.0)
    facts = pd.DataFrame({
        name: elements[name].to_numpy("float64", na_value=np.nan)
        for name in ("condition", "urgency", "rusted_area_pct", "fasteners_missing", "pickets_missing", "make_safe")
    })  # fmt: skip
    facts["size"] = size.fillna(_UNKNOWN_SIZE_M).clip(lower=0.001).to_numpy(float)
    facts["missing"] = elements["presence"].isin(["missing"]).to_numpy(float)
    facts["element"] = elements["element_id"].to_numpy(object)
    return facts


def _summed(parts: pd.DataFrame, facts: pd.DataFrame, names: Any, lengths: Any) -> pd.DataFrame:
    """Sum up the parts of each name; the rows follow `names`."""
    rows = facts.iloc[parts["row"]].assign(name=parts["name"].to_numpy(object))
    groups = rows.groupby("name")
    order = ["name", "condition", "urgency", "element"]
    worst = rows.dropna(subset=["condition"]).sort_values(
        order, ascending=[True, False, False, True]
    )
    looked = rows.dropna(subset=["rusted_area_pct"])
    looked = looked.assign(weighted=looked["rusted_area_pct"] * looked["size"])
    rusted = looked.groupby("name")
    found = pd.DataFrame({
        "worst_condition": groups["condition"].max(),
        "worst_element": worst.drop_duplicates("name").set_index("name")["element"],
        "worst_urgency": groups["urgency"].max(),
        "make_safe": groups["make_safe"].max(),
        "rusted_area_pct": rusted["weighted"].sum() / rusted["size"].sum(),
        "worst_rusted_area_pct": groups["rusted_area_pct"].max(),
        "fasteners_missing": groups["fasteners_missing"].sum(min_count=1),
        "pickets_missing": groups["pickets_missing"].sum(min_count=1),
        "parts_missing": groups["missing"].sum(),
    }).reindex(names.to_numpy(object))  # fmt: skip
    area = found["worst_rusted_area_pct"].to_numpy(float)
    found["astm_d610_grade"] = astm_d610(area)
    found["iso_4628_3_grade"] = iso_4628_3(area)
    own = lengths.reindex(names.to_numpy(object))
    for name in ("contact_m", "undecided_m"):
        found[name] = own[name]
    for name in ("length_m", "inspected_m"):
        found[name] = own[name].fillna(0.0)
    return found.reset_index(drop=True)


def _lengths(bays: Any, panels: Any, elements: Any, soil_contact: Any) -> pd.DataFrame:
    """Metres of each bay: whole, inspected, expected in soil contact, undecided."""
    seen = seen_of_bays(bays, panels, elements)
    length = bays["length_m"].to_numpy(float)
    soil = soil_contact["surface"] != "stone"
    contact = soil_contact.assign(
        soil=soil_contact["expected_contact_m"].where(soil, 0.0).where(soil_contact["expected_contact_m"].notna()),
        open=soil_contact["length_m"].where(soil_contact["contact"] == "undecided", 0.0),
    ).groupby("bay_id")  # fmt: skip
    return pd.DataFrame({
        "bay_id": bays["bay_id"].to_numpy(object),
        "run_id": bays["run_id"].to_numpy(object),
        "length_m": length,
        "inspected_m": np.where(seen == "inspected", length, 0.0),
        "contact_m": contact["soil"].sum(min_count=1).reindex(bays["bay_id"]).to_numpy(float),
        "undecided_m": contact["open"].sum(min_count=1).reindex(bays["bay_id"]).to_numpy(float),
    })  # fmt: skip


def _bay_facts(bays: Any, panels: Any, runs: Any) -> pd.DataFrame:
    material = panels.drop_duplicates("panel_id").set_index("panel_id")["material"]
    lots = runs.set_index("run_id")["lots"]
    return pd.DataFrame({
        "bay_id": bays["bay_id"].to_numpy(object),
        "run_id": bays["run_id"].to_numpy(object),
        "lots": lots.reindex(bays["run_id"]).to_numpy(object),
        "filled_by": bays["filled_by"].to_numpy(object),
        "material": material.reindex(bays["panel_id"]).to_numpy(object),
    })  # fmt: skip


def _layer(name: str, found: Any, extra: Any, shapes: Any, site: Site, survey: Survey) -> Any:
    """Put identity, facts and sums together; grades become whole numbers."""
    import shapely

    keys = extra.iloc[:, 0].to_numpy(object)
    geometry = np.asarray(shapes.geometry, dtype=object)
    columns: dict[str, Any] = {
        "uid": uids(site.uid, survey.id, name, keys),
        "survey_id": [survey.id] * len(keys),
        "source_file": [_STEP] * len(keys),
        **{column: extra[column].to_numpy(object) for column in extra},
    }
    for field in layer(name).fields:
        if field.name in found:
            columns[field.name] = _typed(found[field.name], field.dtype)
    return layer(name).conform(columns, geometry=_flat(shapely, geometry), crs=site.crs)


def _flat(shapely: Any, geometry: Any) -> Any:
    """Lines and areas in plan, without heights and stations."""
    return shapely.force_2d(geometry)


def _typed(values: Any, dtype: str) -> Any:
    if dtype == "integer":
        return values.astype("float64").round().astype("Int64")
    if dtype == "boolean":
        return values.astype("float64").astype("boolean")
    return values
