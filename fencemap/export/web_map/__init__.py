"""The offline condition map: one HTML file that asks no server for anything.

Rooms
-----
`style`
    Colours, shapes and hatches; which layers answer which question.
`strings`
    Every word of the page, in `strings.toml`.
`columns`, `placing`, `content`
    Layers as small inert JSON.
`backdrop`
    The orthophoto as tiles in Web Mercator.
`page`
    folium's page with our own parts put in place, and the content policy.

``assets/`` holds the page's own script and style, ``vendor/`` Leaflet as it is
published, with its licence and checksums.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fencemap.errors import ExportError

if TYPE_CHECKING:
    import os

    from fencemap.cautions import Caution
    from fencemap.site import Site, Survey
    from fencemap.steps import Run

__all__ = ["write_web_map"]

_LEAST_PHOTO_BYTES = 300_000


def write_web_map(
    path: str | os.PathLike[str],
    layers: Mapping[str, Any],
    *,
    site: Site,
    survey: Survey,
    ortho: Any = None,
    run: Run,
    cautions: Iterable[Caution],
    budget_mb: float = 15.0,
) -> list[Path]:
    """Write the map as one HTML file.

    Parameters
    ----------
    path
        Final name; its folder must exist. What stood there stays until the new one is whole.
    layers
        Any of the catalogue's frames by name, in the site's CRS; empty ones are fine.
        Layers the map does not show are named on it.
    ortho
        The survey's image mosaic, or None.
    run
        Gives the date of the content and takes the progress.
    cautions
        What `fencemap.cautions.triggered` says of these layers.
    budget_mb
        Size that the file may have, megabytes; the photo is made coarser to keep it.

    Raises
    ------
    CRSError
        The site's CRS leads to no longitude and latitude.
    ExportError
        The file could not be written whole.

    Examples
    --------
    ``write_web_map(into / "condition_map.html", layers, site=site, survey=survey,
    ortho=None, run=run, cautions=triggered(layers))``
    """
    from fencemap.export.web_map import backdrop, content, page
    from fencemap.guard import publish_text

    run.progress(0.0, "map: layers")
    told = content.build(
        layers, site=site, survey=survey, generated=run.generated, cautions=cautions
    )
    data = page.json_block("fm-data", told)
    taken = len(page.assemble(told, None, title=site.name, data=data))
    room = max(int(budget_mb * 1_000_000) - taken, _LEAST_PHOTO_BYTES)
    run.progress(0.2, "map: photo")
    photo = None
    if ortho is not None:
        photo = backdrop.pack(
            ortho,
            room_bytes=room,
            around=content.extent(layers) or site.extent,
            progress=lambda share: run.progress(0.2 + 0.7 * share, "map: photo"),
        )
        if photo is not None:
            photo["budget"] = f"{budget_mb:g} MB"
    run.progress(0.9, "map: page")
    text = page.assemble(told, photo, title=site.name, data=data)
    if not text.endswith("</html>\n"):
        raise ExportError(f"{path}: the page is not whole", remedy="Report this; it is a mistake.")
    written = publish_text(path, text)
    run.progress(1.0, "map")
    return [written]
