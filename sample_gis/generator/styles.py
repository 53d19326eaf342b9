"""The fence types of the ground and what is usual for each.

Sizes are those common for lot fences; they are this invented site's, not a standard.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["STYLES", "Style"]


@dataclass(frozen=True)
class Style:
    """One type of fence; `stepped` rails are level, the others follow the slope."""

    bay_m: float
    height_mm: int
    gap_m: float  # as built, underside of the lowest rail over soil
    curb_share: float
    panel_material: str
    post_material: str
    corner_material: str
    panel_section: str
    post_section: str
    picket_step_m: float
    fastener: str
    fastener_size: str
    sag_m: float
    weight: float  # how often it occurs
    stepped: bool = False


STYLES: dict[str, Style] = {
    "wrought": Style(
        2.25, 960, 0.092, 0.28, "wrought iron", "wrought iron", "cast iron",
        "38x10 flat rails, 14 square pickets", "32 square", 0.125, "rivet", "3/8 in", 0.004, 0.44,
    ),
    "cast": Style(
        1.62, 880, 0.080, 0.62, "cast iron", "cast iron", "cast iron",
        "cast panel, 45x25 bottom rail", "90 hollow square", 0.15, "bolt", "1/2 in", 0.001, 0.16, stepped=True,
    ),
    "wire": Style(
        2.60, 900, 0.105, 0.0, "wire", "pipe", "cast iron",
        "woven wire on 27 pipe", "42 pipe", 0.07, "wire", "3 mm", 0.012, 0.10,
    ),
    "pipe": Style(
        2.75, 840, 0.400, 0.20, "pipe", "cast iron", "cast iron",
        "two 42 pipe rails", "75 round", 0.0, "none", "", 0.006, 0.12,
    ),
    "steel": Style(
        2.20, 1000, 0.082, 0.12, "mild steel", "mild steel", "mild steel",
        "40x10 flat rails, 12 round pickets", "40 square tube", 0.11, "weld", "", 0.002, 0.16, stepped=True,
    ),
}  # fmt: skip
