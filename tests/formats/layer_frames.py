"""Small frames that the tests of this folder share."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from hypothesis import strategies as st

from fencemap.layers import CATALOGUE, layer

CRS = "EPSG:32618"
# Text as surveyors type it: everything but what no file may hold (NUL and lone surrogates).
TEXT = st.text(st.characters(exclude_characters="\0", exclude_categories=("Cs",)), max_size=12)
REAL = st.floats(allow_nan=False, allow_infinity=False)


def elements(rows: int = 5) -> pd.DataFrame:
    """Make posts with every kind of null in them."""
    numbers = np.arange(rows)

    def cycle(*values):
        return [values[number % len(values)] for number in numbers]

    data = {
        "uid": [f"u{i:04d}" for i in numbers],
        "survey_id": ["s1"] * rows,
        "source_file": ["elements.csv"] * rows,
        "source_row": pd.Series(cycle(2, None, 9_007_199_254_740_993), dtype="Int64"),
        "element_id": [f"P{i}" for i in numbers],
        "kind": ["post"] * rows,
        "time": cycle("2026-04-14T09:31:00Z", None, "2026-04-14T09:31:00.25Z"),
        "make_safe": cycle(*(True, None, False)),
        "lean_deg": cycle(1.5, None, 1 / 3),
        "remarks": cycle("ganz schräg", None, "", 'a "b", c'),
    }
    return layer("elements").conform(
        data, geometry=shapely.points(np.arange(3.0 * rows).reshape(rows, 3) / 7), crs=CRS
    )


def clearance() -> pd.DataFrame:
    """Two stretches with heights and measures, one height not a number."""
    lines = ["LINESTRING ZM (0 0 1 2, 1 1 3 4)", "LINESTRING ZM (0 0 1 2, 5 1 nan 7)"]
    data = {"uid": ["a", "b"], "survey_id": ["s1"] * 2, "run_id": ["R1"] * 2}
    data |= {"contact": ["clear", "not seen"], "surface": ["soil", "not seen"]}
    return layer("rail_clearance").conform(data, geometry=shapely.from_wkt(lines), crs=CRS)


def lots() -> pd.DataFrame:
    """One lot in one piece, one in two."""
    one = "POLYGON ((0 0, 1 0, 1 1, 0 0))"
    two = "MULTIPOLYGON (((0 0, 1 0, 1 1, 0 0)), ((5 5, 6 5, 6 6, 5 5)))"
    data = {"uid": ["a", "b"], "survey_id": ["s1"] * 2, "lot_id": ["131", "132"]}
    return layer("lots").conform(data, geometry=shapely.from_wkt([one, two]), crs=CRS)


def work() -> pd.DataFrame:
    """Make a plain table with days."""
    data = {"uid": ["a", "b"], "survey_id": ["s1"] * 2, "phase": ["1", "1"]}
    data |= {"date": ["2026-05-04", None], "operation": ["digging", "brushing"], "runs": ["*"] * 2}
    return layer("work").conform(data)


def trees(rows: int) -> pd.DataFrame:
    """Trees, points without height."""
    numbers = np.arange(rows)
    names = [f"T{i}" for i in numbers]
    data = {"uid": names, "survey_id": ["s1"] * rows, "element_id": names}
    data["height_m"] = numbers / 3
    place = np.random.default_rng(5).uniform(0, 1000, (rows, 2))
    return layer("trees").conform(data, geometry=shapely.points(place), crs=CRS)


def whole() -> dict[str, pd.DataFrame]:
    """Every layer of the catalogue; five of them have rows."""
    filled = {"elements": elements(), "rail_clearance": clearance(), "lots": lots()}
    filled |= {"work": work(), "trees": trees(3)}
    return {name: filled.get(name, schema.empty(CRS)) for name, schema in CATALOGUE.items()}


def wkb(frame: pd.DataFrame) -> list[bytes]:
    """Shapes to the last bit, heights and measures too."""
    return list(shapely.to_wkb(np.array(frame.geometry), output_dimension=4, flavor="iso"))
