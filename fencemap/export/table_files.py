"""Tables of every layer as CSV, with cautions first and a data dictionary beside them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from fencemap.cautions import Caution
from fencemap.export.stored import Stored
from fencemap.formats.tables import write_tables
from fencemap.site import Site

__all__ = ["DENSE", "write_table_files"]

DENSE = ("rail_clearance",)
"""Layers with a row every few centimetres, which no spreadsheet wants."""


def write_table_files(
    folder: Path,
    layers: Mapping[str, Any],
    *,
    site: Site,
    generated: str,
    cautions: Iterable[Caution],
    with_dense: bool = False,
) -> list[Path]:
    """Write ``NAME.csv`` for each layer, ``READ_FIRST.txt`` and the data dictionary.

    Parameters
    ----------
    folder
        Folder of the tables; made if it is not there.
    layers
        Layers by name.
    site
        Gives name and CRS.
    generated
        Day of the content, ISO 8601.
    cautions
        Those that the content calls for; they stand first in ``READ_FIRST.txt``.
    with_dense
        Write the dense layers too; the GeoPackage has them in any case.

    Raises
    ------
    ExportError
        A file could not be written whole.
    """
    names = [name for name in layers if with_dense or name not in DENSE]
    return write_tables(
        folder, Stored(layers, names), crs=site.crs, title=site.name, generated=generated,
        cautions=[f"{one.title}. {one.text}" for one in cautions],
    )  # fmt: skip
