"""Mistakes planted on purpose, each with what a reader must do about it."""

from __future__ import annotations

from typing import Any

from generator.rows import COLUMNS, Row

__all__ = ["ROD_STEP_M", "plant_in_gaps", "plant_in_levels", "plant_in_rover"]

ROD_STEP_M = -0.20
ROD_STEP_SHOTS = 12


def _extra(like: Row, name: str, **changed: str) -> Row:
    """Make a further stay beside a real post, wrong in one respect."""
    row = dict.fromkeys(COLUMNS, "") | {
        key: like[key] for key in ("lots", "run_id", "method", "fix_quality", "rod_height_m", "time",
                                   "sigma_h_m", "sigma_v_m", "accuracy_is", "easting", "northing")
    }  # fmt: skip
    row |= {"element_id": name, "kind": "stay", "parent_id": like["element_id"], "presence": "in place",
            "seen": "inspected", "material": "wrought iron", "make_safe": "no"}  # fmt: skip
    return row | changed


def _rod_step(rows: list[Row]) -> tuple[list[Row], dict[str, Any]]:
    """Shorten the rod by 0.20 m over twelve shots without telling the receiver."""
    high = [i for i, row in enumerate(rows) if row["height"] and row["method"] == "gnss"]
    start = len(high) * 5 // 9
    hit = set(high[start : start + ROD_STEP_SHOTS])
    out = [
        row | {"height": f"{float(row['height']) + ROD_STEP_M:.3f}"} if i in hit else row
        for i, row in enumerate(rows)
    ]
    names = [rows[i]["element_id"] for i in sorted(hit)]
    return out, {"code": "rod height step", "elements": names, "size_m": ROD_STEP_M}


def plant_in_rover(rows: list[Row], file: str) -> tuple[list[Row], list[dict[str, Any]]]:
    """Plant the rover's blunders; tell them by file and line (the header is line 1)."""
    rows, step = _rod_step(rows)
    posts = [i for i, row in enumerate(rows) if row["kind"] == "post" and row["role"] == "line"]
    at = [posts[len(posts) * share // 8] for share in range(1, 8)]
    like = [rows[i] for i in at]
    twin = like[2] | {"easting": f"{float(like[2]['easting']) + 2.137:.3f}", "role": "gate",
                      "material": "mild steel", "remarks": ""}  # fmt: skip
    planted = [
        (at[0], _extra(like[0], "E901", easting="5oo4" + like[0]["easting"][4:]), "easting", "not a number",
         "rejected", "the letter o stands for the figure 0"),
        (at[1], _extra(like[1], "E902", easting=like[1]["northing"], northing=like[1]["easting"]), "easting",
         "swapped easting and northing", "rejected", "fits the site when easting and northing change places"),
        (at[2], twin, "element_id", "duplicate element_id with other data", "rejected",
         "the first row of that name is kept; the second lies 2.1 m off and is told as another post"),
        (at[3], _extra(like[3], "E904", kind="finnial"), "kind", "unknown kind", "rejected",
         "not a word of the list; 'ornament' is meant"),
        (at[4], _extra(like[4], "E905", easting="NaN"), "easting", "NaN", "rejected", "no position"),
        (at[5], _extra(like[5], "E906", northing=f"{float(like[5]['northing']) + 300:.3f}"), "northing",
         "300 m outside the site", "rejected", "lies 300 m north of where it was measured"),
        (at[6], _extra(like[6], "E907", time=like[6]["time"].replace("2026-", "2062-")), "time",
         "date in the future", "suspect", "2062 for 2026; the position is good and is kept"),
    ]  # fmt: skip
    out, told = [], []
    for index, row in enumerate(rows):
        out.append(row)
        for place, bad, column, what, reaction, note in planted:
            if place == index:
                out.append(bad)
                told.append({"file": file, "line": len(out) + 1, "element_id": bad["element_id"],
                             "column": column, "value": bad[column], "what": what,
                             "reaction": reaction, "note": note})  # fmt: skip
    lines = [n + 2 for n, row in enumerate(out) if row["element_id"] in step["elements"] and row["height"]
             and row["element_id"] != twin["element_id"]]  # fmt: skip
    told.append({"file": file, "line": lines[0], "last_line": lines[-1], "element_id": step["elements"][0],
                 "elements": step["elements"], "lines": lines, "column": "height", "what": "rod height step",
                 "size_m": ROD_STEP_M, "reaction": "suspect",
                 "note": "rows are kept; the step is named, never undone in silence"})  # fmt: skip
    return out, told


def plant_in_gaps(rows: list[Row], file: str) -> tuple[list[Row], list[dict[str, Any]]]:
    """One gap in words that nobody agreed on."""
    place = len(rows) * 2 // 3
    bad = rows[place] | {"gap_mm": "two thumbs", "sigma_mm": ""}
    out = [*rows[: place + 1], bad, *rows[place + 1 :]]
    return out, [{
        "file": file, "line": place + 3, "element_id": bad.get("panel_id") or bad.get("run_id"),
        "column": "gap_mm", "value": "two thumbs", "what": "unknown gap word", "reaction": "rejected",
        "note": "not a word of the list",
    }]  # fmt: skip


def plant_in_levels(rows: list[Row], file: str) -> tuple[list[Row], list[dict[str, Any]]]:
    """One height of a thing that is no point of a fence."""
    place = len(rows) // 3
    bad = rows[place] | {
        "target": "knee",
        "height_m": f"{float(rows[place]['height_m']) + 0.4:.3f}",
    }
    out = [*rows[: place + 1], bad, *rows[place + 1 :]]
    return out, [{
        "file": file, "line": place + 3, "element_id": bad.get("element_id") or bad.get("run_id"),
        "column": "target", "value": "knee", "what": "unknown target", "reaction": "rejected",
        "note": "not a word of the list",
    }]  # fmt: skip
