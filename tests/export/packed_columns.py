"""Undoes what `columns.column` packs, written apart from it."""

from __future__ import annotations


def unpacked(packed):
    """List the cells of a packed column."""
    if "v" in packed:
        return packed["v"]
    return [None if at == -1 else packed["w"][at] for at in packed["i"]]
