"""Settings that an entry point makes before a geospatial library loads.

A raster or vector library recognises files by content, so a text named `.tif` can make it read
other files or the network. The first wall against that is `fencemap.guard.open_raster` and
`fencemap.guard.expect_kind`; the second, set here, is an allow-list of drivers and the settings
that keep a reader offline. It belongs to command lines and worker processes. A library or a
host program that has already loaded its readers must go on working, so nothing here happens
at import.
"""

from __future__ import annotations

import locale
import logging
import os
import sys
from pathlib import Path

__all__ = ["ALLOWED_DRIVERS", "harden", "readers_loaded", "unexpected_drivers"]

ALLOWED_DRIVERS = frozenset(
    {
        "AAIGrid",
        "COG",
        "CSV",
        "ESRI Shapefile",
        "FlatGeobuf",
        "GPKG",
        "GPX",
        "GTiff",
        "GeoJSON",
        "GeoJSONSeq",
        "JPEG",
        "KML",
        "LIBKML",
        "MEM",
        "Memory",
        "PNG",
    }
)

# Every driver name of GDAL 3.6 to 3.13, of the wheels and of full builds. A name that a build
# doesn't know is passed over; a name missing here is found by `unexpected_drivers`.
_KNOWN_DRIVERS = (  # noqa: SIM905  two hundred quoted names would be four times as long
    "AAIGrid,ACE2,ADBC,ADRG,AIG,AIVector,ARCGEN,AVCBin,AVCE00,AVIF,AirSAR,AmigoCloud,Arrow,BAG,"
    "BASISU,BIGGIF,BLX,BMP,BSB,BT,BYN,CAD,CALS,CEOS,COASP,COG,COSAR,CPG,CSV,CSW,CTG,CTable2,"
    "Carto,Cloudant,CouchDB,DAAS,DDS,DERIVED,DGN,DGNV8,DIMAP,DIPEx,DODS,DOQ1,DOQ2,DTED,DWG,DXF,"
    "ECRGTOC,ECW,EDIGEO,EEDA,EEDAI,EHdr,EIR,ELAS,ENVI,EOPFZARR,ERS,ESAT,ESRI Shapefile,ESRIC,"
    "ESRIJSON,EXR,Elasticsearch,FAST,FIT,FITS,FileGDB,FlatGeobuf,GDALG,GFF,GIF,GML,GMLAS,"
    "GNMDatabase,GNMFile,GPKG,GPSBabel,GPX,GRASS,GRASSASCIIGrid,GRIB,GS7BG,GSAG,GSBG,GSC,GTFS,"
    "GTI,GTX,GTiff,GXF,GenBin,GeoJSON,GeoJSONSeq,GeoRSS,GeoRaster,Geoconcept,HANA,HDF4,HDF4Image,"
    "HDF5,HDF5Image,HEIF,HF2,HFA,HTTP,IDB,ILWIS,IRIS,ISCE,ISG,ISIS2,ISIS3,Idrisi,Interlis 1,"
    "Interlis 2,JAXAPALSAR,JDEM,JML,JP2ECW,JP2KAK,JP2MrSID,JP2OpenJPEG,JPEG,JPEGXL,JPIPKAK,"
    "JSONFG,KEA,KML,KMLSUPEROVERLAY,KRO,KTX2,L1B,LAN,LCP,LIBERTIFF,LIBKML,LOSLAS,LVBAG,Leveller,"
    "MAP,MBTiles,MEM,MFF,MFF2,MG4Lidar,MRF,MSGN,MSSQLSpatial,MVT,MapInfo File,MapML,Memory,"
    "MiraMonRaster,MiraMonVector,MongoDBv3,MrSID,MySQL,NAS,NDF,NGSGEOID,NGW,NITF,NOAA_B,NSIDCbin,"
    "NTv2,NULL,NWT_GRC,NWT_GRD,OAPIF,OCI,ODBC,ODS,OGCAPI,OGR_DODS,OGR_GMT,OGR_GRASS,OGR_OGDI,"
    "OGR_PDS,OGR_SDTS,OGR_VRT,OSM,OZI,OpenFileGDB,PAux,PCIDSK,PCRaster,PDF,PDS,PDS4,PGDUMP,PGeo,"
    "PLMOSAIC,PLSCENES,PMTiles,PNG,PNM,PRF,Parquet,PostGISRaster,PostgreSQL,R,RDB,RIK,RMF,ROI_PAC,"
    "RPFTOC,RRASTER,RS2,RST,Rasterlite,S102,S104,S111,S57,SAFE,SAGA,SAR_CEOS,SDTS,SENTINEL2,SGI,"
    "SIGDEM,SNAP_TIFF,SNODAS,SOSI,SQLite,SRP,SRTMHGT,STACIT,STACTA,SVG,SXF,Selafin,TGA,TIGER,TIL,"
    "TSX,Terragen,TileDB,TopoJSON,UK .NTF,USGSDEM,VDV,VFK,VICAR,VRT,WAsP,WCS,WEBP,WFS,WMS,WMTS,"
    "WaSP,Walk,XLS,XLSX,XODR,XPM,XYZ,ZMap,Zarr,netCDF"
).split(",")

_SKIPPED = ",".join(name for name in _KNOWN_DRIVERS if name not in ALLOWED_DRIVERS)

_SETTINGS = {
    "GDAL_SKIP": _SKIPPED,
    "OGR_SKIP": _SKIPPED,
    "GDAL_DRIVER_PATH": "disable",  # no plug-in drivers from elsewhere
    "GDAL_CONFIG_FILE": os.devnull,  # no settings from a home folder
    "GDAL_VRT_ENABLE_PYTHON": "NO",
    "GDAL_VRT_ENABLE_RAWRASTERBAND": "NO",
    # No network: the dead proxy stops readers that don't ask the extension list.
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": "{none}",
    "GDAL_HTTP_PROXY": "127.0.0.1:9",
    "GDAL_HTTPS_PROXY": "127.0.0.1:9",
    "GDAL_HTTP_MAX_RETRY": "0",
    "PROJ_NETWORK": "OFF",
    # No file beside the file: neither .aux.xml, .ovr, .msk picked up nor .aux.xml left behind.
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "GDAL_PAM_ENABLED": "NO",
    "GDAL_CACHEMAX": "64",  # MB, instead of a share of the machine's memory
    "CPL_LOG": os.devnull,  # what a reader says goes into our errors, not onto the screen
    "PYTHONUTF8": "1",  # worker processes read and write text alike under any locale
}

_UNSET = (
    "CPL_DEBUG",
    "CPL_VSIL_CURL_ALLOWED_FILENAME",
    "GDAL_PYTHON_DRIVER_PATH",
    "OGR_DRIVER_PATH",
    "OGR_SQLITE_LOAD_EXTENSIONS",
    "OGR_SQLITE_PRAGMA",
)

# A host program's data folders hold another version's tables; the wheels bring their own.
_FOREIGN_DATA = ("GDAL_DATA", "PROJ_DATA", "PROJ_LIB")

_READERS = ("rasterio", "fiona", "pyogrio", "osgeo")
_GIB = 2**30


def readers_loaded() -> tuple[str, ...]:
    """Name the raster and vector libraries that this process has already imported."""
    return tuple(name for name in _READERS if name in sys.modules)


def harden(*, memory_gib: float | None = None) -> bool:
    """Close what an input file could misuse; for entry points only.

    Sets the allow-list of drivers and switches off network access, plug-ins, sidecar files and
    foreign configuration through environment variables, which GDAL and PROJ read once when they
    load and which child processes inherit. Makes numbers and text independent of the locale.

    Parameters
    ----------
    memory_gib
        Limit on this process's address space in GiB (POSIX only; elsewhere passed over).
        Compiled kernels and threads reserve more than they use: leave a few GiB of slack.

    Returns
    -------
    bool
        False, with nothing changed, if a reader was loaded before: its drivers are registered
        and can't be taken back. Then read untrusted files in a child process that hardens first.

    Examples
    --------
    The first lines of a command or a worker process::

        from fencemap.guard import harden

        harden(memory_gib=8)
    """
    if readers_loaded():
        return False
    os.environ.update(_SETTINGS)
    for name in _UNSET + _foreign_data():
        os.environ.pop(name, None)
    locale.setlocale(locale.LC_NUMERIC, "C")
    _let_any_text_be_printed()
    for name in ("rasterio._env", "fiona._env"):
        logging.getLogger(name).addFilter(_not_about_absent_drivers)
    if memory_gib is not None:
        _limit_memory(memory_gib)
    return True


def unexpected_drivers() -> tuple[str, ...]:
    """List the drivers in this process that are not on the allow-list, sorted.

    The self-test of `harden`: empty right after it. Loads rasterio, fiona and pyogrio, each of
    which brings its own GDAL. A raster library may register a driver again later (warping
    through a virtual raster does), which is why this is only the second wall.
    """
    import fiona
    import pyogrio
    import rasterio

    with rasterio.Env() as raster, fiona.Env() as vector:
        names = set(raster.drivers()) | set(vector.drivers()) | set(pyogrio.list_drivers())
    return tuple(sorted(names - ALLOWED_DRIVERS))


def _foreign_data() -> tuple[str, ...]:
    """Name the data-folder variables to drop; a conda environment sets them rightly itself."""
    return () if (Path(sys.prefix) / "conda-meta").is_dir() else _FOREIGN_DATA


def _let_any_text_be_printed() -> None:
    """Make printing of any character safe on a terminal that knows ASCII only."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")


def _not_about_absent_drivers(record: logging.LogRecord) -> bool:
    """Drop the remark that a name on the skip list is not part of this build."""
    return not record.getMessage().startswith("Unable to find driver")


def _limit_memory(memory_gib: float) -> None:
    """Limit the address space where the system can."""
    try:
        import resource
    except ImportError:  # no such module on Windows
        return
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    wanted = int(memory_gib * _GIB)
    limit = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
    resource.setrlimit(resource.RLIMIT_AS, (limit, hard))
