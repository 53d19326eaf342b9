"""Write what was done from what, in the words of W3C PROV."""

from __future__ import annotations

import platform
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from fencemap import __version__
from fencemap.pipeline.document import Document
from fencemap.pipeline.fingerprint import Fingerprints, code_digest, library_versions
from fencemap.site import Site, Survey

__all__ = ["run_log"]


def run_log(
    document: Document,
    site: Site,
    survey: Survey,
    records: Sequence[Mapping[str, Any]],
    prints: Fingerprints,
    began: float,
) -> dict[str, Any]:
    """Describe a run: its inputs (entities used), steps (activities), results and software (agent).

    This is the one result that is not equal from run to run: it holds times.
    """
    return {
        "prov": "terms after W3C PROV: used, wasGeneratedBy, startedAtTime, endedAtTime, wasAssociatedWith",
        "site": {"name": site.name, "uid": str(site.uid), "crs": site.crs, "heights": site.heights},
        "survey": survey.id,
        "pipeline": document.name,
        "wasAssociatedWith": {
            "fencemap": __version__,
            "code_sha256": code_digest(),
            "python": platform.python_version(),
            "libraries": library_versions(),
        },
        "startedAtTime": _time(began),
        "endedAtTime": _time(datetime.now(UTC).timestamp()),
        "used": prints.files(survey.files),
        "activities": [_activity(record) for record in records],
    }


def _activity(record: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "name": record["name"],
        "step": record["step"],
        "key": record["key"],
        "ran": record["ran"],
        "startedAtTime": _time(record["started"]),
        "seconds": record["seconds"],
        "rows": record["counts"],
        "generated": record["layers"],
        "products": record["products"],
    }


def _time(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
