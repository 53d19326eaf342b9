"""What a layer must look like, and a check that reports every breach at once.

A `LayerSchema` is one table of facts: it feeds the check between steps, the
columns of the GeoPackage, the popups of the map, the forms of the plug-in and
the page `docs/layers.md`. Nothing about a layer is written down twice.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from fencemap.errors import LayerError

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

__all__ = ["Dtype", "Field", "GeometryKind", "LayerSchema", "Sensitivity"]

Dtype = Literal["text", "integer", "real", "boolean", "date", "time"]
GeometryKind = Literal["Point", "LineString", "MultiLineString", "Polygon", "MultiPolygon"]
Sensitivity = Literal["public", "steward", "restricted"]

_PANDAS_DTYPE: dict[Dtype, str] = {
    "text": "str",
    "integer": "Int64",
    "real": "float64",
    "boolean": "boolean",
    "date": "str",
    "time": "str",
}
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_TIME = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}([.][0-9]+)?Z")
_SHOWN_IDS = 5


@dataclass(frozen=True, slots=True)
class Field:
    """One column: its type, unit, meaning and the values it may hold.

    Dates are ISO 8601 text (``2026-04-14``) and times UTC text
    (``2026-04-14T09:31:00Z``) in frames; GeoPackages store them as DATE and
    DATETIME. `vocabulary` names an entry of `fencemap.vocabularies`.
    """

    name: str
    dtype: Dtype
    meaning: str
    unit: str = ""
    vocabulary: str = ""
    minimum: float | None = None
    maximum: float | None = None
    required: bool = False
    unique: bool = False
    since: int = 1
    sensitivity: Sensitivity = "steward"

    def __post_init__(self) -> None:
        if not re.fullmatch(r"[a-z][a-z0-9_]{0,62}", self.name):
            msg = f"field name {self.name!r} must be lower-case letters, digits and _"
            raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class LayerSchema:
    """The permanent shape of one layer; `check` proves a frame against it.

    `geometry` is the tuple of allowed geometry kinds; empty means a plain
    table. `joins` says that rows from several steps are put together (as for
    refused rows, which every reader may add to). `placed` False allows rows
    without a geometry (a panel known by its run and number only).
    """

    name: str
    stage: str
    meaning: str
    fields: tuple[Field, ...]
    geometry: tuple[GeometryKind, ...] = ()
    has_z: bool = False
    has_m: bool = False
    joins: bool = False
    placed: bool = True
    version: int = 1

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of all columns but the geometry, in their permanent order."""
        return tuple(field.name for field in self.fields)

    @property
    def spatial(self) -> bool:
        """Whether the layer has a geometry."""
        return bool(self.geometry)

    def field(self, name: str) -> Field:
        """Find a field by name; KeyError if there is none."""
        for field in self.fields:
            if field.name == name:
                return field
        raise KeyError(f"layer '{self.name}' has no field '{name}'")

    def empty(self, crs: Any = None) -> Any:
        """Make the layer with no rows (site CRS for spatial layers)."""
        return self.conform({name: [] for name in self.columns}, geometry=[], crs=crs)

    def conform(self, data: Any, *, geometry: Any = None, crs: Any = None) -> Any:
        """Build a frame with just these columns, in order and rightly typed.

        Missing optional columns become nulls; a column that is not in the
        schema is an error, since nothing may vanish.

        Parameters
        ----------
        data
            Mapping of column to values, or a frame.
        geometry
            Shapes, one a row; taken from a `geometry` column when not given.
        crs
            CRS of the geometry (the site's).

        Raises
        ------
        LayerError
            Unknown columns, or values that can't be turned into the type.
        """
        import pandas as pd

        source = dict(data.items()) if hasattr(data, "items") else dict(data)
        if geometry is None and self.spatial:
            geometry = source.pop("geometry", None)
            crs = crs if crs is not None else getattr(geometry, "crs", None)
        source.pop("geometry", None)
        if unknown := sorted(set(source) - set(self.columns)):
            raise LayerError(self.name, [f"columns not in the catalogue: {', '.join(unknown)}"])
        length = max((len(column) for column in source.values()), default=0)
        columns, problems = {}, []
        for field in self.fields:
            values = source.get(field.name)
            try:
                columns[field.name] = _typed(values, field, length)
            except (TypeError, ValueError) as error:
                problems.append(f"{field.name}: not {field.dtype}: {error}")
        if problems:
            raise LayerError(self.name, problems)
        frame = pd.DataFrame(columns, columns=list(self.columns))
        return self._with_geometry(frame, geometry, crs) if self.spatial else frame

    def _with_geometry(self, frame: pd.DataFrame, geometry: Any, crs: Any) -> gpd.GeoDataFrame:
        import geopandas as gpd
        import numpy as np

        shapes = np.asarray(geometry if geometry is not None else [], dtype=object)
        return gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries(shapes, crs=crs).values)

    def check(self, frame: Any, *, crs: Any = None) -> Any:
        """Return `frame` if it keeps the schema; raise one error with all breaches.

        Parameters
        ----------
        frame
            The layer; index is ignored.
        crs
            When given, the CRS that the geometry must have.

        Raises
        ------
        LayerError
            Every missing column, wrong type, null, range, vocabulary,
            uniqueness, geometry and CRS breach, each with the first ids.
        """
        problems = list(self._column_problems(frame))
        for field in self.fields:
            if field.name in frame.columns:
                problems += _value_problems(field, frame)
        if self.spatial:
            problems += _geometry_problems(self, frame, crs)
        if problems:
            raise LayerError(self.name, problems)
        return frame

    def _column_problems(self, frame: Any) -> Iterable[str]:
        expected = [*self.columns, *(["geometry"] if self.spatial else [])]
        missing = [name for name in expected if name not in frame.columns]
        extra = [str(name) for name in frame.columns if name not in expected]
        if missing:
            yield f"columns missing: {', '.join(missing)}"
        if extra:
            yield f"columns not in the catalogue: {', '.join(extra)}"


def _typed(values: Any, field: Field, length: int) -> Any:
    """Give one column its type; None and NaN become the null of that type."""
    import pandas as pd

    dtype: Any = _PANDAS_DTYPE[field.dtype]
    if values is None:
        null: Any = float("nan") if field.dtype == "real" else None
        return pd.Series([null] * length, dtype=dtype)
    if dtype == "Int64" and not isinstance(values, pd.Series):
        # Straight to whole numbers: by way of floats those above 2**53 lose their last digit.
        return pd.Series(pd.array(list(values), dtype=dtype))
    series = pd.Series(values.array if isinstance(values, pd.Series) else list(values))
    if series.dtype == dtype:
        return series
    if dtype == "str":
        return series.map(str, na_action="ignore").astype(dtype)
    if dtype == "float64":
        return pd.to_numeric(series).astype(dtype)
    return series.astype(dtype)


def _named(frame: Any, mask: Any) -> str:
    """Write the first ids of the rows where `mask` is true, and how many there are."""
    key = next((name for name in ("element_id", "uid") if name in frame.columns), None)
    names = frame[key][mask] if key else frame.index[mask]
    shown = ", ".join(str(name) for name in list(names)[:_SHOWN_IDS])
    count = int(mask.sum())
    return (
        f"{count} row{'s' if count != 1 else ''} ({shown}{', ...' if count > _SHOWN_IDS else ''})"
    )


def _value_problems(field: Field, frame: Any) -> list[str]:
    """List the breaches of one column."""
    import numpy as np

    series, found = frame[field.name], []
    if str(series.dtype) != _PANDAS_DTYPE[field.dtype]:
        return [f"{field.name}: type {series.dtype}, must be {field.dtype}"]
    null = series.isna().to_numpy()

    def report(mask: Any, words: str) -> None:
        if mask.any():
            found.append(f"{field.name}: {words} in {_named(frame, mask)}")

    if field.required:
        report(null, "no value")
    if field.unique:
        report(series.duplicated().to_numpy() & ~null, "repeated value")
    if field.dtype in ("real", "integer"):
        numbers = series.to_numpy(dtype="float64", na_value=np.nan)
        report(np.isinf(numbers), "infinite value")
        if field.minimum is not None:
            report(numbers < field.minimum, f"below {field.minimum:g} {field.unit}".rstrip())
        if field.maximum is not None:
            report(numbers > field.maximum, f"above {field.maximum:g} {field.unit}".rstrip())
    if allowed := _allowed(field):
        report(
            ~series.isin(list(allowed)).to_numpy() & ~null, f"not a word of '{field.vocabulary}'"
        )
    if pattern := {"date": _DATE, "time": _TIME}.get(field.dtype):
        report(~series.str.fullmatch(pattern.pattern).to_numpy(dtype=bool) & ~null, "not ISO 8601")
    return found


def _allowed(field: Field) -> frozenset[str]:
    """Look up the words that a coded field may hold."""
    if not field.vocabulary:
        return frozenset()
    from fencemap.vocabularies import words

    return words(field.vocabulary)


def _geometry_problems(schema: LayerSchema, frame: Any, crs: Any) -> list[str]:
    """List the breaches of the geometry column."""
    import numpy as np
    import shapely

    if "geometry" not in frame.columns:
        return []
    found: list[str] = []
    shapes = np.asarray(frame["geometry"], dtype=object)
    absent = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    kinds = {getattr(shapely.GeometryType, kind.upper()).value for kind in schema.geometry}
    coordinates = shapely.get_coordinates(shapes, include_z=schema.has_z, return_index=True)
    spoilt = np.zeros(len(shapes), bool)
    spoilt[coordinates[1][~np.isfinite(coordinates[0][:, :2]).all(axis=1)]] = True
    checks: list[tuple[Callable[[], Any], str]] = [
        (lambda: absent & schema.placed, "no geometry"),
        (
            lambda: ~np.isin(shapely.get_type_id(shapes), list(kinds)) & ~absent,
            f"geometry is not {' or '.join(schema.geometry)}",
        ),
        (lambda: spoilt, "coordinate is not a finite number"),
        (
            lambda: (shapely.has_z(shapes) != schema.has_z) & ~absent,
            _dimension("heights", schema.has_z),
        ),
        (
            lambda: (shapely.has_m(shapes) != schema.has_m) & ~absent,
            _dimension("measures", schema.has_m),
        ),
        # A line may be of no length (stone that touches iron); an outline may not cross itself.
        (lambda: ~shapely.is_valid(shapes) & (shapely.get_dimensions(shapes) == 2), "outline crosses itself"),
    ]
    for test, words in checks:
        mask = test()
        if mask.any():
            found.append(f"geometry: {words} in {_named(frame, mask)}")
    if crs is not None and frame.crs != crs:
        found.append(f"geometry: CRS is {_crs_name(frame.crs)}, must be {_crs_name(crs)}")
    return found


def _dimension(what: str, wanted: bool) -> str:
    return f"{'no ' if wanted else 'unexpected '}{what}"


def _crs_name(crs: Any) -> str:
    name = getattr(crs, "name", None)
    return str(name or crs)
