"""The catalogue of layers, and the rule that gives each row its identity.

Names and fields are permanent once a year has been sealed: a field is added
with a `since` number, never renamed or reused. Four rooms hold the schemas,
one a stage: `surveyed` (bring_in), `related`, `found`, `planned`.

The identity of a row is ``UUIDv5(site uid, "survey/layer/source id")`` at
first sight; later surveys hand it on by matching, so an element keeps its
uid when its number is changed.
"""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Iterable

from fencemap.errors import LayerError
from fencemap.layers import found, planned, related, surveyed
from fencemap.schema import LayerSchema

__all__ = ["CATALOGUE", "STAGES", "layer", "layers_of", "uid", "uids"]

STAGES = ("bring_in", "relate", "find", "plan", "export")

CATALOGUE: dict[str, LayerSchema] = {
    schema.name: schema
    for room in (surveyed, related, found, planned)
    for schema in room.LAYERS
}


def layer(name: str) -> LayerSchema:
    """Find a layer's schema by name.

    Raises
    ------
    LayerError
        The catalogue has no layer of that name.
    """
    try:
        return CATALOGUE[name]
    except KeyError:
        raise LayerError(name, ["not in the catalogue; `fencemap describe layers` lists it"]) from None


def layers_of(stage: str) -> tuple[LayerSchema, ...]:
    """List the layers that one stage makes, in catalogue order."""
    return tuple(schema for schema in CATALOGUE.values() if schema.stage == stage)


def uid(site_uid: uuid.UUID, survey_id: str, layer_name: str, source_id: str) -> str:
    """Make the identity of one row.

    Examples
    --------
    >>> uid(uuid.UUID(int=0), "2026-spring", "elements", "P1")
    '304cf1da-c775-57e5-affe-ab6db73a63f8'
    """
    return str(uuid.uuid5(site_uid, f"{survey_id}/{layer_name}/{source_id}"))


def uids(
    site_uid: uuid.UUID, survey_id: str, layer_name: str, source_ids: Iterable[str]
) -> list[str]:
    """Make the identities of many rows; the same answer as `uid`, three times as fast."""
    start = hashlib.sha1(site_uid.bytes, usedforsecurity=False)
    start.update(f"{survey_id}/{layer_name}/".encode())
    made = []
    for source_id in source_ids:
        digest = start.copy()
        digest.update(source_id.encode())
        raw = bytearray(digest.digest()[:16])
        raw[6] = raw[6] & 0x0F | 0x50  # version 5, RFC 9562
        raw[8] = raw[8] & 0x3F | 0x80  # variant of RFC 9562
        text = raw.hex()
        made.append(f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}")
    return made
