"""Turn the work, products and consents of `site.toml` into layers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from fencemap.errors import SiteError
from fencemap.layers import layer, uids
from fencemap.site import Site, Survey

__all__ = ["consents_layer", "products_layer", "work_layer"]

_FILE = "site.toml"


def work_layer(*, site: Site, survey: Survey) -> Any:
    """Make layer `work`: one row an operation of a phase.

    Raises
    ------
    SiteError
        An entry lacks its phase, operation or runs.
    """
    rows = []
    for number, entry in enumerate(site.work, 1):
        for key in ("phase", "operation", "runs"):
            if not entry.get(key):
                raise _lacking("work", number, key)
        rows.append(
            {
                "source_row": number,
                "phase": str(entry["phase"]),
                "date": _day(entry.get("date"), "work", number),
                "operation": entry["operation"],
                "runs": _joined(entry["runs"]),
                "product": _text(entry.get("product")),
                "crew": _text(entry.get("crew")),
            }
        )
    return _layer("work", rows, site, survey)


def products_layer(*, site: Site, survey: Survey) -> Any:
    """Make layer `products`: one row a label value.

    Raises
    ------
    SiteError
        An entry does not name its product.
    """
    rows = []
    for number, entry in enumerate(site.products, 1):
        name = entry.get("product", entry.get("name"))
        if not name:
            raise _lacking("product", number, "product")
        rows += [
            {"source_row": number, "product": str(name), "property": key, "value": str(value)}
            for key, value in entry.items()
            if key not in ("product", "name")
        ]
    return _layer("products", rows, site, survey)


def consents_layer(*, site: Site, survey: Survey) -> Any:
    """Make layer `consents`; `valid` is one day or a pair, or `valid_from` and `valid_to`.

    Raises
    ------
    SiteError
        An entry does not say what is allowed, or a date is none.
    """
    rows = []
    for number, entry in enumerate(site.consents, 1):
        if not entry.get("what"):
            raise _lacking("consent", number, "what")
        valid = entry.get("valid", [entry.get("valid_from"), entry.get("valid_to")])
        days = list(valid) if isinstance(valid, list) else [valid, valid]
        rows.append(
            {
                "source_row": number,
                "what": str(entry["what"]),
                "authority": _text(entry.get("authority")),
                "number": _text(entry.get("number")),
                "valid_from": _day(days[0], "consent", number),
                "valid_to": _day(days[-1], "consent", number),
                "lots": _joined(entry.get("lots", [])) or None,
                "depth_limit_mm": entry.get("depth_limit_mm"),
            }
        )
    return _layer("consents", rows, site, survey)


def _layer(name: str, rows: Sequence[Mapping[str, Any]], site: Site, survey: Survey) -> Any:
    schema = layer(name)
    if not rows:
        return schema.empty()
    columns: dict[str, list[Any]] = {key: [row.get(key) for row in rows] for key in rows[0]}
    keys = [f"{row['source_row']}:{row.get('property', '')}" for row in rows]
    columns |= {
        "uid": uids(site.uid, survey.id, name, keys),
        "survey_id": [survey.id] * len(rows),
        "source_file": [_FILE] * len(rows),
    }
    return schema.check(schema.conform(columns))


def _lacking(table: str, number: int, key: str) -> SiteError:
    return SiteError.at(
        _FILE, f"entry {number} of [[{table}]] does not say its '{key}'",
        remedy=f"Add {key} = ... to it.", code="missing", column=key,
    )  # fmt: skip


def _day(value: Any, table: str, number: int) -> str | None:
    if value is None:
        return None
    if isinstance(value, date):
        return value.isoformat()[:10]
    try:
        return date.fromisoformat(str(value)).isoformat()
    except ValueError:
        raise SiteError.at(
            _FILE, f"entry {number} of [[{table}]]: not a date", remedy="Write it as 2026-05-07.",
            code="date", value=value,
        ) from None  # fmt: skip


def _joined(value: Any) -> str:
    return ";".join(str(part) for part in value) if isinstance(value, list) else str(value)


def _text(value: Any) -> str | None:
    return None if value is None else str(value)
