"""Why a move is advised and what limits it, as figures; words come from ``present``."""

from __future__ import annotations

from typing import Literal

import numpy as np

from optimizer.advise.evidence import Evidence
from optimizer.advise.goal import Target
from optimizer.advise.link_body import length_limits_mm
from optimizer.model.surface import ToeSurface
from optimizer.record import record

Pattern = Literal["opposite-ways", "same-way", "one-end", "flat"]
Status = Literal["ok", "near", "over", "unknown"]

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


@record
class Limit:
    """One limit of the hardware or of the method after the move.

    ``left_mm`` is what is left before it is reached, where that is a figure.
    """

    name: Literal["eccentric", "thread", "pitch", "tilt", "bending", "window"]
    status: Status
    left_mm: float | None = None


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


def limits_of(
    evidence: Evidence,
    length_change_mm: float,
    left_inboard_mm: float | None,
    left_outboard_mm: float | None,
    target: Target,
) -> tuple[Limit, ...]:
    """Limits that matter for a move, the unknown ones named as unknown."""
    corner = evidence.corner
    out: list[Limit] = []
    if corner.eccentric.kind != "none":
        left = [x for x in (left_inboard_mm, left_outboard_mm) if x is not None]
        if len(left) < 2:
            out.append(Limit(name="eccentric", status="unknown"))
        else:
            out.append(Limit(name="eccentric", status=_status(min(left)), left_mm=min(left)))
    if corner.thread.kind != "fixed":
        low, high = length_limits_mm(corner.thread)
        room = min(length_change_mm - low, high - length_change_mm)
        known = corner.thread.shorter_mm is not None and corner.thread.longer_mm is not None
        out.append(
            Limit(
                name="thread",
                status=_status(room) if known else "unknown",
                left_mm=room if known else None,
            )
        )
        if corner.thread.pitch_mm is None:
            out.append(Limit(name="pitch", status="unknown"))
    out += [Limit(name="tilt", status="unknown"), Limit(name="bending", status="unknown")]
    low, high = evidence.measured_mm
    beyond = max(low - target.window_mm[0], target.window_mm[1] - high)
    if beyond > 1.0:
        out.append(Limit(name="window", status="over", left_mm=-beyond))
    return tuple(out)


def _status(left_mm: float) -> Status:
    return "over" if left_mm < 0.0 else "near" if left_mm < 1.0 else "ok"


def _pattern(droop: float, bump: float) -> Pattern:
    big, small = max(abs(droop), abs(bump)), min(abs(droop), abs(bump))
    if big < FLAT_DEG:
        return "flat"
    if small < ONE_END_RATIO * big:
        return "one-end"
    return "opposite-ways" if droop * bump < 0 else "same-way"
