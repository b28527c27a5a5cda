"""Readings of a toe gauge to toe in degrees, with the reading's own noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.errors import CallError
from optimizer.records import Gauge
from optimizer.units import DEG

Array = NDArray[np.float64]


def toe_from_reading_deg(gauge: Gauge, reading: ArrayLike) -> Array:
    """Toe in degrees (toe-in plus) from readings counted from the pass's zero.

    Plane trigonometry, any shape; ``rising`` gives the sign:

    - one dial against a fixed contact: atan(reading / span)
    - two dials, or the distances to a toe plate's two points: atan((front - rear) / span)
    - a spot on a board, from a pointer fixed to the wheel: atan(shift / throw)
    - a direct-angle gauge reads toe itself

    Raises
    ------
    CallError
        If the gauge has no span or throw and needs it.
    """
    value = gauge.rising * np.asarray(reading, float)
    if gauge.kind == "direct-angle":
        return np.asarray(value)
    return np.asarray(np.arctan(value / _span_mm(gauge)) * DEG)


def reading_from_toe(gauge: Gauge, toe_deg: ArrayLike) -> Array:
    """What the gauge shows for a toe change: mm (front less rear of two), or degrees.

    The inverse of :func:`toe_from_reading_deg`: span tan(toe). Any shape.
    """
    toe = np.asarray(toe_deg, float)
    if gauge.kind == "direct-angle":
        return np.asarray(gauge.rising * toe)
    return np.asarray(gauge.rising * _span_mm(gauge) * np.tan(toe / DEG))


def reading_noise_deg(gauge: Gauge, reading_sd: float | None = None) -> float:
    """Standard deviation of one reading in degrees, its own step included.

    A step q adds q^2 / 12 (GUM, JCGM 100:2008, F.2.2.1). Where two values are read
    the noise of both counts: u^2(front - rear) = u^2(front) + u^2(rear) (eq. 10,
    uncorrelated). Over the span it is an angle (small angles).
    """
    sd = gauge.reading_sd if reading_sd is None else reading_sd
    one = float(np.hypot(sd, gauge.resolution / np.sqrt(12.0)))
    return _small_angle_deg(gauge, one * np.sqrt(2.0) if gauge.reads_two else one)


def range_needed(gauge: Gauge, toe_deg: ArrayLike) -> float:
    """The least range that shows all these toe changes and ride height: mm, or degrees.

    Where two values are read each need only move half of their difference.
    """
    shown = np.append(reading_from_toe(gauge, toe_deg), 0.0)
    return float(np.ptp(shown)) / (2.0 if gauge.reads_two else 1.0)


def return_noise_deg(gauge: Gauge) -> float:
    """Standard deviation of a pass's return to zero where nothing moved, degrees.

    It is the difference of two readings of one place: u^2 = 2 u^2(reading) (GUM, JCGM
    100:2008, eq. 10, uncorrelated).
    """
    return float(np.sqrt(2.0)) * reading_noise_deg(gauge)


def loop_noise_deg(gauge: Gauge) -> float:
    """Standard deviation of the up-against-down loop at ride height, degrees.

    It is stated of the whole reading, front less rear where there are two.
    """
    return _small_angle_deg(gauge, gauge.loop_sd)


def _small_angle_deg(gauge: Gauge, reading: float) -> float:
    return reading if gauge.kind == "direct-angle" else reading / _span_mm(gauge) * DEG


def _span_mm(gauge: Gauge) -> float:
    if gauge.span_mm is None or not gauge.span_mm > 0.0:
        key = "throw" if gauge.kind == "spot" else "span"
        raise CallError(f"a {gauge.kind} gauge needs its {key}", f"state {key} in [gauge]")
    return gauge.span_mm
