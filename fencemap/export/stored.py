"""Layers taken one after the other, as they lie on disk, so that no export holds all of them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

__all__ = ["Stored"]


class Stored(Mapping[str, Any]):
    """A view of the run's layers that gives Arrow tables, read anew each time and not kept.

    Parameters
    ----------
    layers
        The service `layers`; of a plain mapping the frames themselves are given.
    names
        Those to show; all when not given.
    """

    def __init__(self, layers: Mapping[str, Any], names: Iterable[str] | None = None) -> None:
        self._layers = layers
        self._names = tuple(layers if names is None else names)

    def __getitem__(self, name: str) -> Any:
        """Give one layer; KeyError for one that is not shown."""
        if name not in self._names:
            raise KeyError(name)
        return self._layers.table(name) if hasattr(self._layers, "table") else self._layers[name]

    def __iter__(self) -> Iterator[str]:
        """Go through the names."""
        return iter(self._names)

    def __len__(self) -> int:
        """Count the layers."""
        return len(self._names)
