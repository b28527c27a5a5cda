"""Why a move is advised, as figures; words come from ``present``."""

from __future__ import annotations

from typing import Literal

import numpy as np

from optimizer.advise.goal import Target
from optimizer.model.surface import ToeSurface
from optimizer.record import record

Pattern = Literal["opposite-ways", "same-way", "one-end", "flat"]

FLAT_DEG = 0.01
ONE_END_RATIO = 0.25


@record
class Because:
    """The shape of the present curve and what a millimetre does to it.

    ``droop_deg`` and ``bump_deg`` are toe changes at the window's ends now;
    ``per_mm_height_deg`` and ``per_mm_length_deg`` what one millimetre more adds
    there, (droop, bump).
    """

    pattern: Pattern
    ends_mm: tuple[float, float]
    droop_deg: float
    bump_deg: float
    per_mm_height_deg: tuple[float, float]
    per_mm_length_deg: tuple[float, float]


def because_of(
    surface: ToeSurface, height_mm: float, length_change_mm: float, target: Target
) -> Because:
    """Read the surface at the present setting."""
    ends = np.array(target.window_mm)

    def at(h: float, d: float) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        points = np.stack([ends, np.full(2, h), np.full(2, d)], axis=1)
        return surface.predict(points)

    here = at(height_mm, length_change_mm)
    off = here - np.interp(ends, target.travel_mm, target.wanted_deg)
    up = at(height_mm + 0.5, length_change_mm) - at(height_mm - 0.5, length_change_mm)
    longer = at(height_mm, length_change_mm + 0.5) - at(height_mm, length_change_mm - 0.5)
    return Because(
        pattern=_pattern(float(off[0]), float(off[1])),
        ends_mm=target.window_mm,
        droop_deg=float(here[0]),
        bump_deg=float(here[1]),
        per_mm_height_deg=(float(up[0]), float(up[1])),
        per_mm_length_deg=(float(longer[0]), float(longer[1])),
    )


def _pattern(droop: float, bump: float) -> Pattern:
    big, small = max(abs(droop), abs(bump)), min(abs(droop), abs(bump))
    if big < FLAT_DEG:
        return "flat"
    if small < ONE_END_RATIO * big:
        return "one-end"
    return "opposite-ways" if droop * bump < 0 else "same-way"
