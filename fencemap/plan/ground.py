"""Where roots are protected and where nothing is dug."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from fencemap.operations import Practice
from fencemap.plan.shapes import grown

__all__ = ["no_dig_areas", "root_protection_areas", "root_radius_m"]

Floats = NDArray[np.float64]
_REASONS = {
    "service": "Pipe, cable or duct: to be located and exposed by its owner's rules",
    "drain": "Drain",
    "building": "Building",
    "grave": "Grave, known or suspected",
}


def root_radius_m(stem_diameter_mm: Floats, *, practice: Practice) -> Floats:
    """Radius of the root protection area: 12 stem diameters, the area capped.

    Parameters
    ----------
    stem_diameter_mm
        Shape (n,), at 1.5 m; NaN (not measured) counts as the cap.

    Examples
    --------
    >>> from fencemap.practice import default
    >>> root_radius_m(np.array([500.0]), practice=default)
    array([6.])
    """
    factor = float(practice("roots.stem_factor").value)
    cap_m = math.sqrt(float(practice("roots.area_cap_m2").value) / math.pi)
    return np.fmin(np.asarray(stem_diameter_mm, dtype=np.float64) / 1000.0 * factor, cap_m)


def root_protection_areas(trees: Any, *, practice: Practice) -> pd.DataFrame:
    """Draw a circle about every tree, after `root_radius_m`.

    Returns
    -------
    Columns `element_id radius_m area_m2 geometry` and `tree_uid`, by name.
    """
    trees = trees.sort_values(["element_id", "uid"], ignore_index=True)
    radius_m = root_radius_m(trees["stem_diameter_mm"].to_numpy(np.float64), practice=practice)
    areas = grown(np.asarray(trees.geometry, dtype=object), by_m=radius_m)
    return pd.DataFrame(
        {
            "tree_uid": trees["uid"],
            "element_id": trees["element_id"],
            "radius_m": radius_m,
            "area_m2": shapely.area(areas),
            "geometry": areas,
        }
    )


def no_dig_areas(
    stones: Any, curbs: Any, surroundings: Any, root_protection: Any, *, practice: Practice
) -> pd.DataFrame:
    """Draw where nothing is dug, for the deepest cut that practice plans.

    About stone, the depth itself at 45 degrees from its underside, which
    counts as lying at ground level: how deep a curb goes is rarely known. An
    upright marker is kept clear for half its height as well. About services
    and drains a margin; graves, buildings and root protection areas as they
    are. Each is widened by its own accuracy. Graves and services that nobody
    recorded are not known here.

    Returns
    -------
    Columns `reason of area_m2 geometry` and `key`, sorted by key.
    """
    parts = [
        _about_stone(stones, practice, upright=(stones["kind"] == "marker").to_numpy(bool)),
        _about_stone(curbs, practice, upright=np.zeros(len(curbs), bool)),
        _about_surroundings(surroundings, practice),
        pd.DataFrame(
            {
                "key": "root/" + root_protection["element_id"] + "/" + root_protection["uid"],
                "of": root_protection["element_id"],
                "reason": pd.Series(
                    "Root protection area", index=root_protection.index, dtype="str"
                ),
                "geometry": np.asarray(root_protection.geometry, dtype=object),
            }
        ),
    ]
    whole = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    made = whole.sort_values("key", ignore_index=True)
    return made.assign(area_m2=shapely.area(np.asarray(made["geometry"], dtype=object)))


def _sigma_width(frame: Any, practice: Practice) -> Floats:
    """Work out what each thing's own accuracy adds, at the probability from which stone is listed."""
    widths = NormalDist().inv_cdf(1 - float(practice("exposure.listed_from").value))
    unknown = float(practice("accuracy.unknown.sigma_h_m").value)
    sigma = np.nan_to_num(frame["sigma_h_m"].to_numpy(np.float64), nan=unknown)
    return np.asarray(widths * sigma, dtype=np.float64)


def _about_stone(frame: Any, practice: Practice, *, upright: NDArray[np.bool_]) -> pd.DataFrame:
    angle = math.radians(float(practice("dig.influence_angle_deg").value))
    depth_m = float(practice("dig.deepest_m").value) / math.tan(angle)
    share = float(practice("dig.marker_height_share").value)
    unknown = float(practice("cover.unknown_stone_height_m").value)
    height_m = np.nan_to_num(frame["height_m"].to_numpy(np.float64), nan=unknown)
    tall = upright & (share * height_m > depth_m)
    width_m = np.where(tall, share * height_m, depth_m)
    under = f"Undermines it: {depth_m:.2f} m for a cut of the greatest depth, base not known"
    near = f"Nearer to an upright marker than {share:g} of its height"
    shapes = grown(
        np.asarray(frame.geometry, dtype=object), by_m=width_m + _sigma_width(frame, practice)
    )
    return pd.DataFrame(
        {
            "key": "stone/" + frame["element_id"] + "/" + frame["uid"],
            "of": frame["element_id"],
            "reason": pd.Series(np.where(tall, near, under), index=frame.index, dtype="str"),
            "geometry": shapes,
        }
    )


def _about_surroundings(frame: Any, practice: Practice) -> pd.DataFrame:
    frame = frame[frame["kind"].isin(list(_REASONS))]
    margin_m = float(practice("dig.service_margin_m").value)
    buried = frame["kind"].isin(["service", "drain"]).to_numpy(bool)
    half_m = np.nan_to_num(frame["width_m"].to_numpy(np.float64)) / 2
    lines = ~np.isin(shapely.get_dimensions(np.asarray(frame.geometry, dtype=object)), [2])
    by_m = np.where(buried, margin_m, 0.0) + np.where(lines, half_m, 0.0)
    shapes = grown(
        np.asarray(frame.geometry, dtype=object), by_m=by_m + _sigma_width(frame, practice)
    )
    return pd.DataFrame(
        {
            "key": "around/" + frame["element_id"] + "/" + frame["uid"],
            "of": frame["element_id"],
            "reason": frame["kind"].map(_REASONS).astype("str"),
            "geometry": shapes,
        }
    )
