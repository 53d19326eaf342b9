"""The one exact operation between two systems, or a refusal that says what is missing.

A transformation library gives *some* answer: metres off when a grid file is missing, heights
untouched when it knows no vertical operation, a moving continent taken at the wrong year. Here
the best operation is asked for by name, its accuracy compared with what the work can bear, and
recorded.
"""

from __future__ import annotations

import hashlib
import re
import warnings
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import CRS, Transformer, network
from pyproj.transformer import AreaOfInterest, TransformerGroup

from fencemap.errors import CRSError

__all__ = [
    "Area",
    "Operation",
    "coordinate_operation",
    "described",
    "operation_of",
    "strict_transformer",
]

Area = tuple[float, float, float, float]
"""West, south, east, north in degrees of longitude and latitude."""

_SAME_M = 1e-4  # two spellings of one operation agree better than this, metres


@dataclass(frozen=True, slots=True)
class Operation:
    """What was done to coordinates, for the record of a run.

    Attributes
    ----------
    source, target
        Names of the two systems.
    description
        The operation in the words of the EPSG data set.
    accuracy_m
        Its stated accuracy, metres; 0 where it is exact by definition.
    grids
        Grid files it uses, each with the SHA-256 of its content.
    better_missing
        Grid files that a more accurate operation would need and that are not here.
    pipeline
        The PROJ pipeline, easting (longitude) first.
    epoch
        Coordinate epoch as a decimal year, where the operation depends on time.
    """

    source: str
    target: str
    description: str
    accuracy_m: float
    grids: tuple[tuple[str, str], ...] = ()
    better_missing: tuple[str, ...] = ()
    pipeline: str = ""
    epoch: float | None = None

    def __str__(self) -> str:
        """Say it in one line."""
        text = f"{self.source} to {self.target}: {self.description}, ±{self.accuracy_m:g} m"
        if self.epoch is not None:
            text += f", epoch {self.epoch:g}"
        if self.grids:
            text += f", grids {', '.join(name for name, _ in self.grids)}"
        return text


def strict_transformer(
    src: CRS, dst: CRS, *, area: Area | None, max_accuracy_m: float
) -> Transformer:
    """Find the best operation between two systems, or refuse.

    Parameters
    ----------
    src, dst
        The two systems; easting (longitude) comes first in and out, whatever their axis order.
    area
        Where the data lies, degrees; None lets every operation compete. Give it: which
        operation is best depends on the place.
    max_accuracy_m
        Largest error of the operation that the work can bear, metres.

    Returns
    -------
    Transformer
        Never a ballpark one. Check results for finite numbers: outside its grids it gives none.

    Raises
    ------
    CRSError
        No operation without a missing grid (named), one that is too rough, or network access
        switched on, which would make the answer depend on a download.
    """
    return _best(src, dst, area, max_accuracy_m)[0]


def operation_of(
    src: CRS,
    dst: CRS,
    *,
    area: Area | None,
    max_accuracy_m: float,
    epoch: float | None = None,
) -> Operation:
    """Describe the operation that `strict_transformer` gives, for the record of a run.

    Raises
    ------
    CRSError
        As `strict_transformer`; also for an operation that depends on time without an `epoch`.
    """
    return described(src, dst, area=area, max_accuracy_m=max_accuracy_m, epoch=epoch)[1]


def described(
    src: CRS,
    dst: CRS,
    *,
    area: Area | None,
    max_accuracy_m: float,
    epoch: float | None = None,
) -> tuple[Transformer, Operation]:
    """Find the best operation together with its description.

    Raises
    ------
    CRSError
        As `operation_of`.
    """
    transformer, missing = _best(src, dst, area, max_accuracy_m)
    depends_on_time = "t_epoch=" in transformer.definition
    if depends_on_time and epoch is None:
        raise CRSError(
            f"from {src.name} to {dst.name} coordinates move with the years, and the file "
            "doesn't say at which epoch they were measured",
            remedy="Give the coordinate epoch, for instance epoch = 2025.4",
        )
    operation = Operation(
        source=src.name,
        target=dst.name,
        description=_plain(transformer.description),
        accuracy_m=transformer.accuracy,
        grids=tuple(_grids(transformer)),
        better_missing=missing,
        pipeline=transformer.definition,
        epoch=epoch if depends_on_time else None,
    )
    return transformer, operation


def coordinate_operation(src: CRS, dst: CRS, *, area: Area | None, max_accuracy_m: float) -> str:
    """Write the same operation for a raster warper, in the axis order the authority gives.

    GDAL takes a pipeline in the systems' own axis order (latitude first for most geographic
    ones), unlike everything else here. Grid files are named by their full path, as the
    warper's own PROJ would not look where ours does.

    Returns
    -------
    str
        For ``rasterio.warp.reproject(..., COORDINATE_OPERATION=...)``.

    Raises
    ------
    CRSError
        As `strict_transformer`; also if both spellings don't agree to 0.1 mm.
    """
    strict = strict_transformer(src, dst, area=area, max_accuracy_m=max_accuracy_m)
    names = {grid.short_name: grid.full_name for grid in _grids_used(strict)}
    for candidate in _group(src, dst, area, always_xy=False).transformers:
        if candidate.accuracy == strict.accuracy and _agree(src, dst, strict, candidate):
            return _with_paths(candidate.definition, names)
    raise CRSError(
        f"the operation from {src.name} to {dst.name} can't be handed to the raster warper",
        remedy="Reproject the raster with the program that made it",
    )


def _best(
    src: CRS, dst: CRS, area: Area | None, max_accuracy_m: float
) -> tuple[Transformer, tuple[str, ...]]:
    """Give the best operation and the grids that a better one would need."""
    if network.is_network_enabled():  # type: ignore[attr-defined]  # re-exported untyped
        raise CRSError(
            "the transformation library may fetch files from the network (PROJ_NETWORK), "
            "so results would depend on a download",
            remedy="Unset PROJ_NETWORK and put the grid files into a folder",
        )
    group = _group(src, dst, area, always_xy=True)
    missing = _missing_grids(group)
    if not group.transformers:
        raise CRSError(
            f"no exact operation leads from {src.name} to {dst.name}"
            + (f": it needs {' or '.join(missing)}" if missing else ""),
            remedy=(
                "Put the grid file into the folder named in site.toml"
                if missing
                else "Give the data in the site's own system"
            ),
        )
    best = group.transformers[0]
    if not 0 <= best.accuracy <= max_accuracy_m:
        known = f"±{best.accuracy:g} m" if best.accuracy >= 0 else "of unknown accuracy"
        raise CRSError(
            f"from {src.name} to {dst.name} the best operation at hand is {known}, "
            f"allowed are ±{max_accuracy_m:g} m ({_plain(best.description)})",
            remedy=_remedy_for_rough(src, missing),
        )
    return best, missing


def _remedy_for_rough(src: CRS, missing: tuple[str, ...]) -> str:
    """Say what would make the operation better."""
    realisation = "name the realisation the receiver worked in, such as NAD83(2011) or ETRS89"
    grids = f"put {' or '.join(missing)} into the folder named in site.toml" if missing else ""
    ways = [way for way in (realisation if _is_ensemble(src) or not grids else "", grids) if way]
    text = " or ".join(ways)
    return text[0].upper() + text[1:]


def _is_ensemble(crs: CRS) -> bool:
    """Tell a datum that stands for several realisations, which is known to metres only."""
    geodetic = crs.geodetic_crs
    return geodetic is not None and geodetic.datum is not None and "ensemble" in geodetic.datum.name


def _group(src: CRS, dst: CRS, area: Area | None, *, always_xy: bool) -> TransformerGroup:
    """List the operations between two systems, best first, without ballpark ones."""
    with warnings.catch_warnings():
        # A missing grid is looked at by us, and named in an error rather than warned about.
        warnings.simplefilter("ignore", UserWarning)
        return TransformerGroup(
            src,
            dst,
            always_xy=always_xy,
            area_of_interest=None if area is None else AreaOfInterest(*area),
            allow_ballpark=False,
        )


def _missing_grids(group: TransformerGroup) -> tuple[str, ...]:
    """Name the grids of the most accurate operation that is not available."""
    for operation in group.unavailable_operations:
        names = [grid.short_name for grid in operation.grids if not grid.available]
        if names:
            return tuple(names)
    return ()


def _grids_used(transformer: Transformer) -> list[Any]:
    return [grid for part in transformer.operations or () for grid in part.grids]


def _grids(transformer: Transformer) -> Iterable[tuple[str, str]]:
    """Name each grid file with the checksum of its content."""
    for grid in _grids_used(transformer):
        path = Path(grid.full_name)
        digest = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
        yield grid.short_name, digest


def _plain(description: str) -> str:
    """Take the remark on axis order out of an operation's name."""
    return re.sub(r"(?: \+ )?axis order change \([23]D\)(?: \+ )?", "", description) or "none"


def _with_paths(definition: str, paths: dict[str, str]) -> str:
    """Name grid files in a pipeline by their full paths."""
    text = definition
    for name, path in paths.items():
        text = text.replace(f"grids={name}", f"grids={path}")
    return text


def _agree(src: CRS, dst: CRS, strict: Transformer, candidate: Transformer) -> bool:
    """Compare two spellings of an operation at a place where both systems are at home."""
    west, south, east, north = _home(src, dst)
    longitude, latitude = np.linspace(west, east, 5)[1:-1], np.linspace(south, north, 5)[1:-1]
    to_source = Transformer.from_crs(src.geodetic_crs, src, always_xy=True)
    first, second = to_source.transform(longitude, latitude)
    ours = np.array(strict.transform(first, second))
    given = (second, first) if _north_first(src) else (first, second)
    theirs = np.array(candidate.transform(*given))
    if _north_first(dst):
        theirs = theirs[::-1]
    tolerance = _SAME_M if dst.is_projected else _SAME_M / 111_000  # about 111 km to a degree
    finite = np.isfinite(ours).all(axis=0)
    return bool(finite.any()) and bool(
        np.allclose(ours[:, finite], theirs[:, finite], rtol=0, atol=tolerance)
    )


def _home(src: CRS, dst: CRS) -> Area:
    """Give the box where both systems may be used."""
    boxes = [crs.area_of_use.bounds for crs in (src, dst) if crs.area_of_use is not None]
    if not boxes:
        return (-180.0, -80.0, 180.0, 80.0)
    west, south = max(box[0] for box in boxes), max(box[1] for box in boxes)
    east, north = min(box[2] for box in boxes), min(box[3] for box in boxes)
    return (west, south, east, north)


def _north_first(crs: CRS) -> bool:
    return crs.axis_info[0].direction in {"north", "south"}
