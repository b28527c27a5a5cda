"""Passes that read the same to the digit as another: a copy is no second measurement.

Two passes of a noisy gauge agree here and there. That they agree everywhere is the less
likely the more readings they have and the finer the gauge shows them.
"""

from __future__ import annotations

from math import erf, exp, pi, sqrt

from optimizer.record import record
from optimizer.records import Gauge, Logbook

# how likely a reading comes out to the digit as before, at the least: a gauge may be quieter
# than stated, or go by steps that nobody stated. At 0.7 a dial of half the usual noise in steps
# of a thousandth calls no honest run a copy in a thousand, one of a sixth of it 12 (simulated)
AGREES = 0.7
# a chance likeness that is rarer than this is told
RARE = 1e-3


@record
class Copied:
    """Passes of a run that read as earlier ones did.

    Attributes
    ----------
    sweeps : the passes
    like : the run whose passes they read as; None where it is their own
    n_reading : readings that are the same
    """

    sweeps: tuple[str, ...]
    like: str | None
    n_reading: int


def copied(book: Logbook) -> dict[str, Copied]:
    """By run, the passes that read to the digit as earlier ones of its corner, if too many do.

    Ride height, which reads zero on most gauges, does not count.
    """
    likely = max(AGREES, agreement(book.gauge))
    corner = {run.name: run.corner for run in book.runs}
    passes: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for r in book.readings:
        if r.travel_mm != 0.0:
            passes.setdefault((r.run, r.sweep), []).append(
                (round(r.travel_mm, 6), round(r.value, 9))
            )
    first: dict[tuple[object, ...], tuple[str, str]] = {}
    alike: dict[str, dict[str, list[tuple[str, int]]]] = {}
    for (run, sweep), read in passes.items():
        source = first.setdefault((corner.get(run), *sorted(read)), (run, sweep))
        if source != (run, sweep):
            alike.setdefault(run, {}).setdefault(source[0], []).append((sweep, len(read)))
    out = {}
    for run, sources in alike.items():
        like, found = max(sources.items(), key=lambda pair: sum(n for _, n in pair[1]))
        n = sum(n for _, n in found)
        if likely**n < RARE:
            own = like == run
            out[run] = Copied(
                sweeps=tuple(s for s, _ in found), like=None if own else like, n_reading=n
            )
    return out


def agreement(gauge: Gauge) -> float:
    """How likely two readings of the same thing come out the same to the gauge's last digit.

    The difference of two readings is normal with sqrt(2) of one's deviation; rounded to the
    resolution, wherever between two steps the truth lies, both fall on the same step with the
    triangular weight of that difference.
    """
    spread = gauge.reading_sd * sqrt(4.0 if gauge.reads_two else 2.0)
    if spread <= 0.0:
        return 1.0
    ratio = gauge.resolution / spread
    if ratio <= 0.0:
        return 0.0
    return erf(ratio / sqrt(2.0)) - 2.0 / (ratio * sqrt(2.0 * pi)) * (1.0 - exp(-(ratio**2) / 2.0))
