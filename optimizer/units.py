"""Units at the edges: millimetres and degrees inside, the crew's own outside.

Factors: the inch is 25.4 mm exactly (international inch, 1959); a minute is
1/60 degree (ISO 80000-3).
"""

from __future__ import annotations

import math

MM_PER_UNIT: dict[str, float] = {"mm": 1.0, "cm": 10.0, "in": 25.4, "thou": 0.0254}
DEG_PER_UNIT: dict[str, float] = {"deg": 1.0, "min": 1.0 / 60.0}
DEG = 180.0 / math.pi


def is_length(unit: str) -> bool:
    """Say whether ``unit`` is one of the length units."""
    return unit in MM_PER_UNIT


def is_angle(unit: str) -> bool:
    """Say whether ``unit`` is one of the angle units."""
    return unit in DEG_PER_UNIT


def to_mm(value: float, unit: str) -> float:
    """Convert a length in ``unit`` to millimetres; KeyError on an unknown unit."""
    return value * MM_PER_UNIT[unit]


def from_mm(value_mm: float, unit: str) -> float:
    """Convert millimetres to ``unit``; KeyError on an unknown unit."""
    return value_mm / MM_PER_UNIT[unit]


def to_deg(value: float, unit: str) -> float:
    """Convert an angle in ``unit`` to degrees; KeyError on an unknown unit."""
    return value * DEG_PER_UNIT[unit]


def from_deg(value_deg: float, unit: str) -> float:
    """Convert degrees to ``unit``; KeyError on an unknown unit."""
    return value_deg / DEG_PER_UNIT[unit]
