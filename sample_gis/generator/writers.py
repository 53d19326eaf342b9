"""Writers that give the same bytes every time."""

from __future__ import annotations

import csv
import gzip
import io
import json
import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

__all__ = [
    "write_cog",
    "write_csv",
    "write_geojson",
    "write_gpkg",
    "write_gzip_csv",
    "write_json",
    "write_text",
]


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 with plain line feeds."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.encode())


def write_csv(
    path: Path,
    rows: Iterable[Mapping[str, Any]],
    columns: Sequence[str],
    *,
    delimiter: str = ",",
    decimal: str = ".",
) -> None:
    """Write rows; with a decimal comma every number changes its point."""
    out = io.StringIO()
    sheet = csv.writer(out, delimiter=delimiter, lineterminator="\n")
    sheet.writerow(columns)
    for row in rows:
        values = [str(row.get(column, "")) for column in columns]
        sheet.writerow([_decimal(value, decimal) for value in values])
    write_text(path, out.getvalue())


def _decimal(value: str, decimal: str) -> str:
    if decimal == "." or value.count(".") != 1:
        return value
    try:
        float(value)
    except ValueError:
        return value
    return value.replace(".", decimal)


def write_gzip_csv(path: Path, rows: Iterable[Sequence[Any]], columns: Sequence[str]) -> None:
    """Write a gzip CSV without a time stamp or file name inside."""
    out = io.StringIO()
    sheet = csv.writer(out, lineterminator="\n")
    sheet.writerow(columns)
    sheet.writerows(rows)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(gzip.compress(out.getvalue().encode(), compresslevel=9, mtime=0))


def write_json(path: Path, content: Any) -> None:
    """Write indented JSON, keys as given."""
    write_text(path, json.dumps(content, indent=1, ensure_ascii=False) + "\n")


def write_geojson(path: Path, features: Sequence[Mapping[str, Any]]) -> None:
    """Write a feature collection in longitude and latitude, one feature a line."""
    lines = ",\n".join(json.dumps(feature, ensure_ascii=False) for feature in features)
    write_text(path, '{"type": "FeatureCollection", "features": [\n' + lines + "\n]}\n")


def write_gpkg(path: Path, layer: str, columns: Mapping[str, Sequence[Any]],
               polygons: Sequence[np.ndarray], crs: str, *, clock: str) -> None:  # fmt: skip
    """Write one polygon layer as GeoPackage 1.3 with a fixed clock."""
    import geopandas
    import pyogrio
    from shapely import Polygon

    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    shapes = [Polygon(corners) for corners in polygons]
    frame = geopandas.GeoDataFrame(dict(columns), geometry=shapes, crs=crs)
    before = os.environ.get("OGR_CURRENT_DATE")
    os.environ["OGR_CURRENT_DATE"] = clock
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": clock})
    try:
        pyogrio.write_dataframe(frame, path, layer=layer, driver="GPKG", VERSION="1.3",
                                geometry_type="Polygon", GEOMETRY_NAME="geom")  # fmt: skip
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
        if before is None:
            os.environ.pop("OGR_CURRENT_DATE", None)
        else:
            os.environ["OGR_CURRENT_DATE"] = before


def write_cog(path: Path, bands: np.ndarray, corner: tuple[float, float], cell_m: float, crs: str, *,
              nodata: float | None = None, mask: np.ndarray | None = None,
              **options: Any) -> None:  # fmt: skip
    """Write a cloud-optimised GeoTIFF; `bands` is (bands, rows, columns), `corner` its north-west."""
    import rasterio
    from rasterio.io import MemoryFile
    from rasterio.shutil import copy
    from rasterio.transform import from_origin

    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    count, height, width = bands.shape
    profile = {
        "driver": "GTiff", "count": count, "height": height, "width": width, "dtype": bands.dtype,
        "crs": crs, "transform": from_origin(*corner, cell_m, cell_m), "nodata": nodata,
    }  # fmt: skip
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True, GDAL_NUM_THREADS="1"), MemoryFile() as memory:
        with memory.open(**profile) as made:
            made.write(bands)
            if mask is not None:
                made.write_mask(mask)
        with memory.open() as made:
            copy(made, path, driver="COG", **options)
