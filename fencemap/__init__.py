"""Maps of historic iron fences, the soil that touches them and the stone beside them.

Importing fencemap changes nothing in the process: no environment variable,
no library setting, no heavy import. Modules are named after what they give
(`fencemap.layers`, `fencemap.pipeline`, `fencemap.find`); import what you need.
"""

from __future__ import annotations

__all__ = ["__version__"]

__version__ = "0.1.0"
