"""Are a run's readings good enough to act on? Figures for ``check``, and doubts."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Literal

import numpy as np

from optimizer.measure.copied import Copied, copied
from optimizer.measure.curve import ToeCurve, direction_of, toe_curve
from optimizer.measure.gauge import return_noise_deg
from optimizer.measure.misfit import OFF_SD
from optimizer.record import record
from optimizer.records import Logbook, Run

DoubtKind = Literal[
    "no-repeats",
    "passes-apart",
    "unequal-passes",
    "noisy",
    "return-to-zero",
    "one-sided",
    "few-travels",
    "copied",
]

NOISY_FACTOR = 1.5
GOOD_TRAVELS = 5


@record
class Doubt:
    """Something about a run that a crew should know before acting; never dropped silently."""

    kind: DoubtKind
    value_deg: float = 0.0
    copied: Copied | None = None


@record
class RunQuality:
    """Quality of one run's readings.

    Attributes
    ----------
    run : the run
    curve : its toe curve
    n_reading, n_pass : how many readings and passes
    typical_sd_deg : RMS over travels of the curve's standard deviation
    doubts : what to look at
    """

    run: Run
    curve: ToeCurve
    n_reading: int
    n_pass: int
    typical_sd_deg: float
    doubts: tuple[Doubt, ...]


def run_qualities(book: Logbook, runs: Iterable[Run]) -> Iterator[RunQuality]:
    """Quality of each run; all of them have readings."""
    copies = copied(book)
    for run in runs:
        quality = run_quality(book, run)
        copy = copies.get(run.name)
        if copy is not None:
            told = (*quality.doubts, Doubt(kind="copied", copied=copy))
            quality = replace(quality, doubts=told)
        yield quality


def run_quality(book: Logbook, run: Run) -> RunQuality:
    """Quality of one run that has readings, looked at by itself."""
    readings = book.readings_of(run.name)
    curve = toe_curve(run.name, readings, book.gauge)
    return RunQuality(
        run=run,
        curve=curve,
        n_reading=len(readings),
        n_pass=len(curve.sweeps),
        typical_sd_deg=float(np.sqrt(np.mean(np.diag(curve.cov_deg2)))),
        doubts=tuple(_doubts(book, curve)),
    )


def _doubts(book: Logbook, curve: ToeCurve) -> list[Doubt]:
    out = []
    ways = [direction_of(s) for s in curve.sweeps]
    if curve.repeat_sd_deg is None:
        out.append(Doubt(kind="no-repeats" if len(ways) == 1 else "passes-apart"))
    elif curve.noise_factor > NOISY_FACTOR:
        out.append(Doubt(kind="noisy", value_deg=curve.repeat_sd_deg))
    if sum(ways) != 0 or 0 in ways:
        out.append(Doubt(kind="unequal-passes"))
    back = curve.return_to_zero_deg
    if back is not None and back > OFF_SD * return_noise_deg(book.gauge):
        out.append(Doubt(kind="return-to-zero", value_deg=back))
    if curve.travel_mm[0] > 0.0 or curve.travel_mm[-1] < 0.0:
        out.append(Doubt(kind="one-sided"))
    if len(curve.travel_mm) + 1 < GOOD_TRAVELS:
        out.append(Doubt(kind="few-travels"))
    return out
