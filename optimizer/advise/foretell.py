"""What the earlier runs foretell of a run while it is being measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.advise.eccentric import BAND_SD
from optimizer.advise.evidence import corner_evidence, fitted
from optimizer.errors import LinkageError, TooFewReadingsError
from optimizer.measure.curve import TILT_BASE_MM, direction_of
from optimizer.measure.gauge import loop_noise_deg
from optimizer.measure.misfit import Misfit, single_variance_deg2
from optimizer.model.surface import ToeSurface
from optimizer.record import record
from optimizer.records import Gauge, Logbook, Reading, Run

Array = NDArray[np.float64]


@record
class Foretold:
    """The surface of a corner's other runs, at the setting of one run."""

    surface: ToeSurface
    gauge: Gauge
    height_mm: float
    length_change_mm: float

    def band_deg(self, travel_mm: ArrayLike) -> tuple[Array, Array]:
        """Ends of the 90 % band of the true curve, each of shape (n_travel,)."""
        mean, cov = self.surface.curve(self.height_mm, self.length_change_mm, travel_mm)
        half = BAND_SD * np.sqrt(np.diag(cov))
        return mean - half, mean + half

    def misfit(self, reading: Reading, toe_deg: float) -> Misfit:
        """One reading, as toe change from its pass's zero, against the surface.

        To the surface's own variance come those of the reading, of a remounted rig, of
        the travel's scale and of the loop, as in a run's curve.
        """
        z = reading.travel_mm
        mean, cov = self.surface.curve(self.height_mm, self.length_change_mm, [z - 1.0, z, z + 1.0])
        slope = float(mean[2] - mean[0]) / 2.0
        near = [(z + step, float(m)) for step, m in zip((-1.0, 0.0, 1.0), mean, strict=True)]
        reach = max(abs(z), TILT_BASE_MM)
        variance = float(cov[1, 1]) + single_variance_deg2(z, near, self.gauge)
        variance += (z / TILT_BASE_MM * self.gauge.tilt_sd_deg) ** 2
        variance += (z * slope * self.gauge.travel_scale_sd) ** 2
        loop = direction_of(reading.sweep) * (z / reach) ** 2 * loop_noise_deg(self.gauge)
        return Misfit(
            against="surface",
            expected_deg=float(mean[1]),
            off_deg=toe_deg - float(mean[1]),
            sd_deg=float(np.sqrt(variance + loop**2)),
        )


def foretold(book: Logbook, run: Run) -> Foretold | None:
    """What the corner's other runs foretell of a run; None where there are none to tell."""
    others = replace(book, readings=tuple(r for r in book.readings if r.run != run.name))
    try:
        evidence = corner_evidence(others, run.corner)
        surface = fitted(evidence).surface
    except (TooFewReadingsError, LinkageError):
        return None
    height, change = evidence.surface_setting_of(run)
    return Foretold(surface=surface, gauge=book.gauge, height_mm=height, length_change_mm=change)
