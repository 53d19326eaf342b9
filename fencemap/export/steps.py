"""Steps of the stage export: each writes one product into the result folder."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fencemap import __version__
from fencemap.cautions import Caution, triggered
from fencemap.errors import ExportError
from fencemap.export.stored import Stored
from fencemap.grid import HeightSource
from fencemap.site import Site, Survey
from fencemap.steps import Layers, Real, Run, Switch, Text, step
from fencemap.vocabularies import version

Made = dict[str, list[Path]]


@step(
    makes=("geopackage",),
    file_name=Text("condition.gpkg", help="Name of the file, ending in .gpkg"),
)
def geopackage(
    *, site: Site, survey: Survey, layers: Layers, into: Path, run: Run, file_name: str
) -> Made:
    """Write every layer into one GeoPackage 1.3, described and with its cautions.

    Raises
    ------
    ExportError
        The name is no plain file name, or the file could not be written whole.
    """
    from fencemap.formats.geopackage import write

    path = _inside(into, file_name, ".gpkg")
    said = [f"{one.title}. {one.text}" for one in triggered(layers)]
    made = write(
        path, Stored(layers), crs=site.crs, title=site.name, generated=run.generated,
        metadata=_about(site, survey), cautions=said,
    )  # fmt: skip
    return {"geopackage": [made]}


@step(
    makes=("tables",),
    with_dense=Switch(
        default=False, help="Write the layer with a row every few centimetres as CSV too"
    ),
)
def table_files(*, site: Site, layers: Layers, into: Path, run: Run, with_dense: bool) -> Made:
    """Write each layer as CSV, with READ_FIRST.txt and a data dictionary.

    Raises
    ------
    ExportError
        A file could not be written whole.
    """
    from fencemap.export.table_files import write_table_files

    paths = write_table_files(
        into / "tables", layers, site=site, generated=run.generated,
        cautions=triggered(layers), with_dense=with_dense,
    )  # fmt: skip
    return {"tables": paths}


@step(
    makes=("map",),
    file_name=Text("condition_map.html", help="Name of the file, ending in .html"),
    budget_mb=Real(
        15.0,
        unit="MB",
        minimum=1.0,
        maximum=200.0,
        help="Size the map may have; the photo is made coarser to keep it",
    ),
)
def web_map(
    *,
    site: Site,
    survey: Survey,
    layers: Layers,
    ortho: Any,
    into: Path,
    run: Run,
    file_name: str,
    budget_mb: float,
) -> Made:
    """Write the offline condition map: one HTML file that asks no server for anything.

    Raises
    ------
    ExportError
        The name is no plain file name, or the file could not be written whole.
    CRSError
        The site's CRS leads to no longitude and latitude.
    """
    from fencemap.export.web_map import write_web_map

    held = _all_of(layers)
    paths = write_web_map(
        _inside(into, file_name, ".html"), held, site=site, survey=survey, ortho=ortho, run=run,
        cautions=_cautions(held, photo=ortho is not None), budget_mb=budget_mb,
    )  # fmt: skip
    return {"map": [Path(path) for path in paths]}


@step(
    makes=("summary",),
    file_name=Text("summary.html", help="Name of the file, ending in .html"),
)
def summary_page(
    *,
    site: Site,
    survey: Survey,
    layers: Layers,
    ground: HeightSource | None,
    into: Path,
    run: Run,
    file_name: str,
) -> Made:
    """Write one printable page: what was read, found and planned, how good it is, and cautions.

    Raises
    ------
    ExportError
        The name is no plain file name, or the file could not be written whole.
    """
    from fencemap.export.accuracy import checks_of
    from fencemap.export.summary_page import summary_html
    from fencemap.guard import publish_text

    held = _all_of(layers)
    points = held.get("check_points")
    text = summary_html(
        held, site=site, survey=survey, generated=run.generated, practice=run.practice,
        checks=[] if points is None else checks_of(points, ground), cautions=triggered(held),
    )  # fmt: skip
    return {"summary": [publish_text(_inside(into, file_name, ".html"), text)]}


def _all_of(layers: Mapping[str, Any]) -> dict[str, Any]:
    """Take each layer once, so that none is read from disk again and again."""
    return {name: layers[name] for name in layers}


def _cautions(layers: Mapping[str, Any], *, photo: bool) -> tuple[Caution, ...]:
    return triggered(layers, more=frozenset({"orthophoto"} if photo else ()))


def _about(site: Site, survey: Survey) -> dict[str, str]:
    """Say where the content comes from, for the file's metadata."""
    return {
        "site": site.name,
        "site uid": str(site.uid),
        "survey": survey.id,
        "survey days": f"{survey.start.isoformat()} to {survey.end.isoformat()}",
        "crs": site.crs,
        "heights": site.heights,
        "fencemap": __version__,
        "vocabularies": str(version()),
    }


def _inside(folder: Path, name: str, suffix: str) -> Path:
    """Name a file in the result folder; a name that leads elsewhere is refused."""
    plain = Path(name).name == name and name not in ("", ".", "..") and "\\" not in name
    if not plain or not name.lower().endswith(suffix):
        raise ExportError(
            f"'{name}' is not a plain file name ending in {suffix}",
            remedy=f"Write only the name, such as result{suffix}.",
        )
    return folder / name
