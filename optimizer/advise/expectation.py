"""What one setting should show at travels of the crew's choice, and what would prove it wrong."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.advice import Advice, Proof, Spot
from optimizer.advise.eccentric import BAND_SD
from optimizer.advise.evidence import corner_evidence, fitted
from optimizer.measure.curve import ToeCurve
from optimizer.model.surface import ToeSurface
from optimizer.record import record
from optimizer.records import Logbook

Array = NDArray[np.float64]

PROOF_SD = 2.0


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


def clearest_proof(
    surface: ToeSurface,
    curve: ToeCurve,
    now: tuple[float, float],
    then: tuple[float, float],
    travel_mm: Array,
    *,
    known: bool,
) -> Proof:
    """The travel where a new run would say most clearly that the advice failed.

    Parameters
    ----------
    surface : fitted to the corner's runs
    curve : the last run's; a new one is taken to be as noisy, at travels between its own as
        a straight line between theirs
    now, then : joint height as the surface takes it and length change, mm, of how the car
        stands and of what is advised
    travel_mm : shape (n_travel,), ascending, to choose from
    known : what is advised was measured before; then the last travel is taken
    """
    mean, cov = surface.curve(*then, travel_mm)
    before, _ = surface.curve(*now, travel_mm)
    noise = np.interp(travel_mm, curve.travel_mm, np.diag(curve.cov_deg2))
    half = PROOF_SD * np.sqrt(np.diag(cov) + noise)
    at = int(np.argmax(np.abs(mean - before) / half)) if not known else len(travel_mm) - 1
    return Proof(
        travel_mm=float(travel_mm[at]),
        low_deg=float(mean[at] - half[at]),
        high_deg=float(mean[at] + half[at]),
    )


def proof_among(book: Logbook, advice: Advice, travel_mm: Sequence[float]) -> Proof | None:
    """The same of travels of the crew's choice, in any order.

    Those outside the last run's stroke or the goal's window are passed over; None where no
    other is left.

    Raises
    ------
    CallError, TooFewReadingsError
        As :func:`expected_at`.
    """
    evidence = corner_evidence(book, advice.corner.name)
    curve = evidence.curves[-1]
    low = max(float(curve.travel_mm[0]), advice.target.window_mm[0]) - 0.05
    high = min(float(curve.travel_mm[-1]), advice.target.window_mm[1]) + 0.05
    travel = np.array(sorted(z for z in travel_mm if low <= z <= high))
    if not len(travel):
        return None
    surface = fitted(evidence).surface
    then = advice.move.spot
    now_at, then_at = (
        (float(evidence.pivot.surface_height(s.height_mm, s.length_change_mm)), s.length_change_mm)
        for s in (advice.now, then)
    )
    known = then.run is not None
    return clearest_proof(surface, curve, now_at, then_at, travel, known=known)
