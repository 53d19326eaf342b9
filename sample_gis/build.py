"""Remake the sample site and the truth behind it.

    python sample_gis/build.py              writes sample_gis/ and tests/truth/ in place
    python sample_gis/build.py --out DIR    writes DIR/sample_gis/ and DIR/tests/truth/

The ground is a function of seed and year; the files are the same every time.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from generator.blunders import plant_in_gaps, plant_in_levels, plant_in_rover
from generator.elements import phone_features, survey_elements
from generator.frame import CRS
from generator.models import write_models
from generator.ortho import write_ortho
from generator.papers import (
    boundary_features,
    check_rows,
    control_rows,
    lead_rows,
    lot_features,
    path_features,
    site_toml,
    tree_rows,
    weather_rows,
)
from generator.readings import gap_rows, level_rows
from generator.rows import COLUMNS, Row
from generator.site import make_site
from generator.stonework import curb_table, stone_table
from generator.things import Site
from generator.truth import write_truth
from generator.writers import write_csv, write_geojson, write_gpkg, write_text

SEED, YEAR = 20260414, 2026
DAY = datetime(YEAR, 4, 14, tzinfo=UTC)
CLOCK = f"{DAY:%Y-%m-%d}T12:00:00.000Z"
LEVEL_COLUMNS = ("element_id", "run_id", "station_m", "bay_id", "target", "height_m", "sigma_v_m",
                 "method", "time")  # fmt: skip
GAP_COLUMNS = ("panel_id", "run_id", "station_m", "gap_mm", "surface", "side", "sigma_mm", "method",
               "time")  # fmt: skip
PARTS = ("papers", "survey", "models", "ortho")


def _names(rows: Sequence[Row], first: Sequence[str] = ()) -> list[str]:
    """Columns of rows, `first` in front, the rest as they come."""
    return list(dict.fromkeys([*first, *(name for row in rows for name in row)]))


def write_papers(site: Site, folder: Path) -> None:
    """Write site.toml and what is not iron or stone."""
    write_text(folder / "site.toml", site_toml(site))
    survey = folder / "survey"
    for name, rows in (
        ("trees", tree_rows(site)), ("control", control_rows(site, DAY)), ("checkpoints", check_rows(site)),
        ("weather", weather_rows(site.seed)), ("lead_tests", lead_rows(site)),
    ):  # fmt: skip
        first = ["element_id", "kind"] if "element_id" in rows[0] else []
        write_csv(survey / f"{name}.csv", rows, _names(rows, first))
    write_geojson(survey / "boundary.geojson", boundary_features())
    write_geojson(survey / "lots.geojson", lot_features(site))
    write_geojson(survey / "paths.geojson", path_features())


def write_survey(site: Site, folder: Path) -> list[dict[str, object]]:
    """Write iron and stone as surveyed; give the planted blunders."""
    survey = folder / "survey"
    elements = survey_elements(site, DAY)
    rover, told = plant_in_rover(elements["rtk"], "survey/elements_rtk.csv")
    write_csv(survey / "elements_rtk.csv", rover, COLUMNS)
    station = survey / "elements_total_station.csv"
    write_csv(station, elements["station"], COLUMNS, delimiter=";", decimal=",")
    write_geojson(survey / "elements_phone.geojson", phone_features(site, DAY))
    levels, low = plant_in_levels(level_rows(site, DAY), "survey/levels.csv")
    write_csv(survey / "levels.csv", levels, LEVEL_COLUMNS)
    gaps, more = plant_in_gaps(gap_rows(site, DAY), "survey/gaps.csv")
    write_csv(survey / "gaps.csv", gaps, GAP_COLUMNS)
    for name, table in (("stones", stone_table(site)), ("curbs", curb_table(site))):
        write_gpkg(survey / f"{name}.gpkg", name, *table, CRS, clock=CLOCK)
    return [*told, *low, *more]


def build(root: Path, parts: Sequence[str] = PARTS) -> None:
    """Make the named parts below `root`."""
    site = make_site(SEED, YEAR)
    folder = root / "sample_gis"
    if "papers" in parts:
        write_papers(site, folder)
    if "survey" in parts:
        blunders = write_survey(site, folder)
        write_truth(site, root / "tests" / "truth", blunders)
    if "models" in parts:
        write_models(site, folder)
    if "ortho" in parts:
        write_ortho(site, folder)


def main() -> None:
    """Read the command line and build."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--out", type=Path, default=Path(__file__).resolve().parents[1], metavar="DIR"
    )
    parser.add_argument(
        "--only",
        choices=PARTS,
        nargs="+",
        default=PARTS,
        help="make only these parts (survey brings the truth with it)",
    )
    chosen = parser.parse_args()
    build(chosen.out, chosen.only)


if __name__ == "__main__":
    main()
