"""The door of the house: opening what users give, hardening the process, publishing results.

Rooms
-----
`hardening`
    What an entry point sets before any geospatial library loads: allowed drivers, no network.
`opening`
    From a name to a real file, and from its first bytes to its kind.
`archives`
    Zip containers, looked at before anything is unpacked.
`geopackages`
    An audit of a GeoPackage that came from outside.
`rasters`
    The only place that opens a raster: named driver, sizes, no missing block.
`owners`
    One SQLite library per file in one process.
`publishing`
    Temporary file, check, flush, replace: the old result or the new one, nothing between.

Importing this package changes nothing in the process and loads the standard library only.
"""

from __future__ import annotations

from fencemap.guard.archives import check_archive
from fencemap.guard.geopackages import GeoPackageAudit, LayerCount, audit_geopackage
from fencemap.guard.hardening import (
    ALLOWED_DRIVERS,
    harden,
    readers_loaded,
    unexpected_drivers,
)
from fencemap.guard.opening import Kind, expect_kind, kind_of, real_file
from fencemap.guard.owners import owned
from fencemap.guard.publishing import publish, publish_bytes, publish_text, sweep_temps
from fencemap.guard.rasters import (
    CheckedRaster,
    RasterLimits,
    check_raster,
    new_raster,
    open_raster,
    raster_handle,
    reader_errors,
)

__all__ = [
    "ALLOWED_DRIVERS",
    "CheckedRaster",
    "GeoPackageAudit",
    "Kind",
    "LayerCount",
    "RasterLimits",
    "audit_geopackage",
    "check_archive",
    "check_raster",
    "expect_kind",
    "harden",
    "kind_of",
    "new_raster",
    "open_raster",
    "owned",
    "publish",
    "publish_bytes",
    "publish_text",
    "raster_handle",
    "reader_errors",
    "readers_loaded",
    "real_file",
    "sweep_temps",
    "unexpected_drivers",
]
