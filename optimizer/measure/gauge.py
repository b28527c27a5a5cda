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

    One dial against a fixed contact at a known span turns by atan(reading / span)
    (plane trigonometry); a direct-angle gauge reads toe itself. Any shape.

    Raises
    ------
    CallError
        If a one-dial gauge has no span.
    """
    value = gauge.rising * np.asarray(reading, float)
    if gauge.kind == "direct-angle":
        return np.asarray(value)
    return np.asarray(np.arctan(value / _span_mm(gauge)) * DEG)


def reading_from_toe(gauge: Gauge, toe_deg: ArrayLike) -> Array:
    """What the gauge shows for a toe change: mm at the contact, or degrees. Any shape."""
    toe = np.asarray(toe_deg, float)
    if gauge.kind == "direct-angle":
        return np.asarray(gauge.rising * toe)
    return np.asarray(gauge.rising * _span_mm(gauge) * np.tan(toe / DEG))


def reading_noise_deg(gauge: Gauge, reading_sd: float | None = None) -> float:
    """Standard deviation of one reading in degrees, its own step included.

    A step q adds q^2 / 12 (GUM, JCGM 100:2008, F.2.2.1).
    """
    sd = gauge.reading_sd if reading_sd is None else reading_sd
    return _small_angle_deg(gauge, float(np.hypot(sd, gauge.resolution / np.sqrt(12.0))))


def loop_noise_deg(gauge: Gauge) -> float:
    """Standard deviation of the up-against-down loop at ride height, degrees."""
    return _small_angle_deg(gauge, gauge.loop_sd)


def _small_angle_deg(gauge: Gauge, reading: float) -> float:
    return reading if gauge.kind == "direct-angle" else reading / _span_mm(gauge) * DEG


def _span_mm(gauge: Gauge) -> float:
    if gauge.span_mm is None or not gauge.span_mm > 0.0:
        raise CallError("a one-dial gauge needs its span", "state span in [gauge]")
    return gauge.span_mm
