"""Whether the last run came out as the runs before it foretold, and what to suspect if not."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.eccentric import BAND_SD, Band, shortest_band
from optimizer.advise.evidence import Evidence, fitted
from optimizer.advise.goal import Target, log_that_weighs, weight_spread_mm
from optimizer.advise.span import draw_spans_deg
from optimizer.measure.shape import curve_shape
from optimizer.model.surface import ToeSurface, draw_scores_deg
from optimizer.record import record
from optimizer.records import Goal, Logbook, MeasureKind

if TYPE_CHECKING:
    from optimizer.advise.suspects import Suspect

Array = NDArray[np.float64]

N_DRAW = 400
# a run is not as foretold where a clean one would be so far off less often than this; set
# on invented corners, see tests/bench/foretold.py
UNLIKELY = 0.03


@record
class Verified:
    """The last measured run against what the runs before it foretold there.

    Attributes
    ----------
    run : its name
    as_foretold : it lies where a clean run may well lie
    chance : how often a clean run would be as far off or further
    expected_score_deg : foretold, of the true curve
    measured_score_deg : of its own readings; None for goals other than least change
    travel_mm, expected_deg, half_deg, measured_deg : where it is off most, in deviations:
        toe change foretold, half its 90 % band with the run's own noise, and measured
    measure : what the scores are
    suspect : the likeliest story where it is not as foretold; None where no slip in its
        rows explains it, so that the car or the rig changed
    """

    run: str
    as_foretold: bool
    chance: float
    expected_score_deg: Band
    measured_score_deg: Band | None
    travel_mm: float
    expected_deg: float
    half_deg: float
    measured_deg: float
    suspect: Suspect | None
    measure: MeasureKind = "rms"


def verified(book: Logbook, evidence: Evidence, goal: Goal, target: Target) -> Verified | None:
    """Judge the last measured run of a corner; None where no run came before it.

    The run's curve is foreseen with all its noise by the surface of the runs before it
    alone; how far it is off is the chi-square of the miss (any text).
    """
    seen = foretold(evidence)
    if seen is None:
        return None
    run, curve = evidence.runs[-1], evidence.curves[-1]
    surface, (height, change) = seen
    mean, cov = surface.curve(height, change, curve.travel_mm)
    whole = cov + curve.cov_deg2
    gap = curve.toe_deg - mean
    chance = chi_square_tail(float(gap @ np.linalg.solve(whole, gap)), len(gap))
    sd = np.sqrt(np.diag(whole))
    worst = int(np.argmax(np.abs(gap) / sd))
    draws, at = surface.draws(N_DRAW), (np.array([height]), np.array([change]))
    if target.measure == "peak-to-peak":
        scores = draw_spans_deg(draws, target, *at)
    else:
        scores = draw_scores_deg(draws, *at, target.travel_mm, target.weight, target.wanted_deg)
    fits = chance >= UNLIKELY
    return Verified(
        run=run.name,
        as_foretold=fits,
        chance=chance,
        expected_score_deg=shortest_band(scores[:, 0]),
        measured_score_deg=score_of_readings(evidence, -1, goal, target),
        travel_mm=float(curve.travel_mm[worst]),
        expected_deg=float(mean[worst]),
        half_deg=BAND_SD * float(sd[worst]),
        measured_deg=float(curve.toe_deg[worst]),
        measure=target.measure,
        suspect=None if fits else _likeliest(book, run.corner, run.name),
    )


def foretold(evidence: Evidence) -> tuple[ToeSurface, tuple[float, float]] | None:
    """The surface of all runs but the last, and the last one's (height, length change) on it.

    None where no run came before it.
    """
    if len(evidence.runs) < 2:
        return None
    before = replace(evidence, runs=evidence.runs[:-1], curves=evidence.curves[:-1])
    return fitted(before).surface, evidence.surface_setting_of(evidence.runs[-1])


def chi_square_tail(value: float, n: int) -> float:
    """Chance that the sum of n squared standard normal numbers is above a value.

    The finite sums of Abramowitz and Stegun 1964, 26.4.4 and 26.4.5 (from memory).
    """
    half = max(value, 0.0) / 2.0
    if n % 2 == 0:
        term, total = math.exp(-half), 0.0
        for i in range(n // 2):
            total += term
            term *= half / (i + 1)
        return min(total, 1.0)
    total = math.erfc(math.sqrt(half))
    term = math.exp(-half) * math.sqrt(half) / math.gamma(1.5)
    for i in range(1, (n + 1) // 2):
        total += term
        term *= half / (i + 0.5)
    return min(total, 1.0)


def score_of_readings(evidence: Evidence, index: int, goal: Goal, target: Target) -> Band | None:
    """The goal's figure of one run's own readings, with its 90 % band.

    None for goals other than least change, or where they do not reach over the window.
    """
    curve = evidence.curves[index]
    low, high = target.window_mm
    if goal.kind != "least-change" or low < curve.travel_mm[0] - 1.0:
        return None
    if high > curve.travel_mm[-1] + 1.0:
        return None
    spread = weight_spread_mm(goal, target.window_mm)
    shape = curve_shape(curve, target.window_mm, spread, log_that_weighs(goal, evidence.travel_log))
    seen = shape.peak_to_peak if target.measure == "peak-to-peak" else shape.rms
    return Band(
        value=seen.value,
        low=max(0.0, seen.value - BAND_SD * seen.sd),
        high=seen.value + BAND_SD * seen.sd,
    )


def _likeliest(book: Logbook, corner: str, run: str) -> Suspect | None:
    """The likeliest suspect that concerns the run, or every run alike."""
    from optimizer.advise.suspects import suspects  # seldom needed

    mine = [s for s in suspects(book) if s.corner == corner and (run in s.runs or not s.runs)]
    return max(mine, key=lambda s: s.log_odds, default=None)
