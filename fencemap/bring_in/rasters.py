"""Open a survey's ground model, surface model or orthophoto, and see that it lies on the fence."""

from __future__ import annotations

from typing import Any

from fencemap.errors import InputError, RasterError
from fencemap.site import Site, Survey

__all__ = ["open_raster_input"]


def open_raster_input(name: str, site: Site, survey: Survey, *, elements: Any = None) -> Any:
    """Open one raster input; None when the survey has none.

    Parameters
    ----------
    name
        ``ground``, ``surface`` or ``ortho``.
    elements
        When given, the raster must reach some of the fence.

    Raises
    ------
    RasterError
        Not a raster, cut off, in another CRS, or nowhere near the fence.
    """
    from fencemap.formats.raster import open_heights, open_image

    paths = survey.paths(name)
    if not paths:
        return None
    opened = (
        open_image(paths, site_crs=site.crs)
        if name == "ortho"
        else open_heights(paths, site_crs=site.crs, heights=site.heights)
    )
    try:
        _check_reaches(name, opened, site, survey, elements)
    except InputError:
        opened.close()
        raise
    return opened


def _check_reaches(name: str, opened: Any, site: Site, survey: Survey, elements: Any) -> None:
    wanted: tuple[float, ...] | None = site.extent
    if elements is not None and elements.geometry.notna().any():
        wanted = tuple(float(side) for side in elements.total_bounds)
    if wanted is None:
        return
    west, south, east, north = opened.grid.bounds
    if wanted[0] < east and wanted[2] > west and wanted[1] < north and wanted[3] > south:
        return
    raise RasterError.at(
        survey.paths(name)[0], f"the {name} raster covers E {west:.0f}-{east:.0f}, N {south:.0f}-{north:.0f}, "
        f"the fences lie at E {wanted[0]:.0f}-{wanted[2]:.0f}, N {wanted[1]:.0f}-{wanted[3]:.0f}",
        remedy="Check which file was delivered, and its CRS.", code="raster-off-site",
    )  # fmt: skip
