"""Start a site: a commented site.toml and survey tables with the catalogue's own columns."""

from __future__ import annotations

import uuid
from pathlib import Path

from fencemap.bring_in.place import POSITION_COLUMNS
from fencemap.errors import SiteError
from fencemap.guard import publish_text
from fencemap.layers import layer

__all__ = ["make_site"]

_TEMPLATE = """\
# A site. Paths are relative to this file; docs/inputs.md explains every entry.
[site]
name = "{name}"
uid = "{uid}"            # made once, never changed: every identity rests on it
crs = ""                 # a projected CRS in metres, such as "EPSG:32631"; never guessed
heights = "site"         # a vertical CRS such as "EPSG:5701", or "site" for a local bench mark
time_zone = "UTC"
# boundary = "survey/boundary.geojson"

[[survey]]
id = "first"
date = {date}
elements = "survey/elements.csv"
levels = "survey/levels.csv"
gaps = "survey/gaps.csv"
# stones = "survey/stones.gpkg"
# curbs = "survey/curbs.gpkg"
# trees = "survey/trees.csv"
# lots = "survey/lots.geojson"
# checkpoints = "survey/checkpoints.csv"
# ground = "ground/*.tif"
# ortho = "ortho/*.tif"

[survey.accuracy]
# sigma_h_m = 0.02
# sigma_v_m = 0.03
# accuracy_is = "axis sd"    # or "radial 68 %", "DRMS", "radial 95 %", "CEP 50"

# [[work]]
# phase = "1"
# date = {date}
# operation = "brushing"
# runs = ["A"]
"""
_NOT_ASKED = {"uid", "survey_id", "source_file", "source_row", "other", "sigma_origin"}


def make_site(folder: Path) -> list[Path]:
    """Make a site's folder; returns the files made.

    Raises
    ------
    SiteError
        The folder has a site.toml already.
    """
    from datetime import UTC, datetime

    path = folder / "site.toml"
    if path.exists():
        raise SiteError.at(
            path, "there is a site already", remedy="Name another folder.", code="site-exists"
        )
    survey = folder / "survey"
    survey.mkdir(parents=True, exist_ok=True)
    name = folder.resolve().name.replace('"', "'")
    day = datetime.now(UTC).date().isoformat()
    publish_text(path, _TEMPLATE.format(name=name, uid=uuid.uuid4(), date=day))
    made = [path]
    for table, columns in _tables().items():
        target = survey / f"{table}.csv"
        publish_text(target, ",".join(columns) + "\n")
        made.append(target)
    return made


def _tables() -> dict[str, list[str]]:
    """Columns of the empty tables, from the catalogue."""
    elements = [name for name in layer("elements").columns if name not in _NOT_ASKED]
    place = list(POSITION_COLUMNS[:3])
    at = elements.index("target")
    elements = elements[:at] + place + elements[at:]
    elements.insert(elements.index("sigma_v_m") + 1, "accuracy_is")
    levels = [name for name in layer("levels").columns if name not in _NOT_ASKED]
    gaps = ["panel_id", "run_id", "station_m", "gap_mm", "surface", "side", "sigma_mm"]
    return {"elements": elements, "levels": levels, "gaps": gaps}
