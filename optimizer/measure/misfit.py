"""How far one new reading lies from what the readings before it say of the same travel."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from optimizer.measure.curve import RIDE_HEIGHT_MM, direction_of
from optimizer.measure.gauge import (
    loop_noise_deg,
    reading_noise_deg,
    return_noise_deg,
    toe_from_reading_deg,
)
from optimizer.record import record
from optimizer.records import Gauge, Reading

Array = NDArray[np.float64]

SAME_TRAVEL_MM = 0.05
OFF_SD = 3.0  # a reading this many deviations off is asked for again


@record
class Misfit:
    """A reading against what was expected at its travel.

    Attributes
    ----------
    against : the passes before it, the zero of its own pass, or the surface of the earlier
        runs
    expected_deg : toe change expected there
    off_deg : the reading less that
    sd_deg : standard deviation of the difference, if nothing is wrong
    """

    against: Literal["passes", "zero", "surface"]
    expected_deg: float
    off_deg: float
    sd_deg: float

    @property
    def n_sd(self) -> float:
        """How many standard deviations it is off."""
        return abs(self.off_deg) / self.sd_deg

    @property
    def is_off(self) -> bool:
        """Whether it is too far off to pass without a word."""
        return self.n_sd > OFF_SD


def toes_deg(readings: Sequence[Reading], gauge: Gauge) -> list[tuple[Reading, float]]:
    """Readings away from ride height with their toe change from their pass's zero."""
    zero: dict[str, float] = {}
    out = []
    for r in readings:
        if abs(r.travel_mm) < RIDE_HEIGHT_MM:
            zero.setdefault(r.sweep, r.value)
        elif r.sweep in zero:
            out.append((r, float(toe_from_reading_deg(gauge, r.value - zero[r.sweep]))))
    return out


def against_passes(readings: Sequence[Reading], gauge: Gauge) -> Misfit | None:
    """The last reading against other passes at its travel; None where there are none.

    The difference of one re-zeroed reading and the mean of n others has the variance
    of one row times 1 + 1/n, and the up-against-down loop where directions differ.
    """
    rows = toes_deg(readings, gauge)
    if not rows or rows[-1][0] is not readings[-1]:
        return None
    new, toe = rows[-1]
    others = [
        (r, t)
        for r, t in rows[:-1]
        if r.sweep != new.sweep and abs(r.travel_mm - new.travel_mm) < SAME_TRAVEL_MM
    ]
    if not others:
        return None
    before = [(r.travel_mm, t) for r, t in rows[:-1]]
    variance = single_variance_deg2(new.travel_mm, before, gauge) * (1.0 + 1.0 / len(others))
    reach = max(abs(r.travel_mm) for r, _ in rows)
    ways = direction_of(new.sweep) - float(np.mean([direction_of(r.sweep) for r, _ in others]))
    variance += (ways * (new.travel_mm / reach) ** 2 * loop_noise_deg(gauge)) ** 2
    expected = float(np.mean([t for _, t in others]))
    return Misfit(
        against="passes",
        expected_deg=expected,
        off_deg=toe - expected,
        sd_deg=float(np.sqrt(variance)),
    )


def back_to_zero(readings: Sequence[Reading], gauge: Gauge) -> Misfit | None:
    """The last reading as its pass's return to ride height; None where it is none."""
    if not readings:
        return None
    new = readings[-1]
    zeros = [r for r in readings if r.sweep == new.sweep and abs(r.travel_mm) < RIDE_HEIGHT_MM]
    if len(zeros) < 2 or zeros[-1] is not new:
        return None
    off = float(toe_from_reading_deg(gauge, new.value - zeros[0].value))
    return Misfit(against="zero", expected_deg=0.0, off_deg=off, sd_deg=return_noise_deg(gauge))


def single_variance_deg2(
    travel_mm: float, curve: Sequence[tuple[float, float]], gauge: Gauge
) -> float:
    """Variance of one re-zeroed reading: its noise, its zero's, and both travels' errors.

    ``curve`` holds (travel, toe) pairs that tell how steep the curve is.
    """
    own = reading_noise_deg(gauge) ** 2
    travels = np.unique(np.round([0.0, *(z for z, _ in curve)], 3))
    if len(travels) < 2:
        return 2.0 * own
    level = [
        np.mean([t for z, t in curve if abs(z - at) < SAME_TRAVEL_MM]) if at != 0.0 else 0.0
        for at in travels
    ]
    slopes = np.gradient(np.asarray(level, float), travels)
    steep = np.interp([travel_mm, 0.0], travels, slopes) * gauge.travel_sd_mm
    return float(2.0 * own + np.sum(steep**2))
