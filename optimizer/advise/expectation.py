"""What one setting should show at travels of the crew's choice."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.advice import Spot
from optimizer.advise.eccentric import BAND_SD
from optimizer.advise.evidence import corner_evidence, fitted
from optimizer.record import record
from optimizer.records import Logbook

Array = NDArray[np.float64]


@record
class Expectation:
    """Toe change at each travel, shape (n_travel,); half the width of its 90 % band."""

    travel_mm: Array
    toe_deg: Array
    half_deg: Array


def expected_at(book: Logbook, corner: str, spot: Spot, travel_mm: Sequence[float]) -> Expectation:
    """Toe change expected of a setting, the same as :func:`advise` says at its own travels.

    Raises
    ------
    CallError
        If the corner is unknown.
    TooFewReadingsError
        If no run of the corner has readings.
    """
    evidence = corner_evidence(book, corner)
    surface = fitted(evidence).surface
    travel = np.asarray(travel_mm, float)
    height = evidence.pivot.surface_height(spot.height_mm, spot.length_change_mm)
    mean, cov = surface.curve(height, spot.length_change_mm, travel)
    return Expectation(
        travel_mm=travel,
        toe_deg=mean,
        half_deg=BAND_SD * np.sqrt(np.maximum(np.diag(cov), 0.0)),
    )
