"""Passes of readings to one toe curve per run, with an honest error at each travel.

Every pass is counted from its own first ride-height reading, so that reading's
noise is common to the pass; what a run leaves uncertain as a whole (the rig was
remounted, the travel scale, up and down passes in unequal number) is common to
the run. The covariance is carried from the raw rows, A S A^T, since missing
readings break any shortcut (law of propagation of uncertainty, GUM, JCGM
100:2008, eq. 13).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import TooFewReadingsError
from optimizer.measure.gauge import loop_noise_deg, reading_noise_deg, toe_from_reading_deg
from optimizer.record import record
from optimizer.records import Gauge, Reading

Array = NDArray[np.float64]

RIDE_HEIGHT_MM = 0.05
TILT_BASE_MM = 40.0
PRIOR_REPEATS = 6.0
LEAST_NOISE_FACTOR = 0.5


@record
class ToeCurve:
    """Toe change of one run against travel.

    Attributes
    ----------
    run : name of the run
    travel_mm : shape (n_travel,), ascending, ride height left out
    toe_deg : shape (n_travel,), toe change from ride height
    cov_deg2 : shape (n_travel, n_travel), everything that is uncertain about it
    repeat_sd_deg : standard deviation of one reading about its repeats; None without repeats
    noise_factor : factor on the stated reading noise that the repeats ask for
    return_to_zero_deg : largest return check, None where no pass came back to ride height
    sweeps : names of the passes, in file order
    """

    run: str
    travel_mm: Array
    toe_deg: Array
    cov_deg2: Array
    repeat_sd_deg: float | None
    noise_factor: float
    return_to_zero_deg: float | None
    sweeps: tuple[str, ...]

    @property
    def sd_deg(self) -> Array:
        """Standard deviation at each travel, shape (n_travel,)."""
        return np.asarray(np.sqrt(np.diag(self.cov_deg2)))


@dataclass(frozen=True, slots=True)
class _Rows:
    """Rows of a run apart from each pass's zero; zeros kept beside them."""

    travel: Array
    toe: Array
    sweep: NDArray[np.intp]
    direction: Array
    returns: Array
    sweeps: tuple[str, ...]


def toe_curve(run: str, readings: Sequence[Reading], gauge: Gauge) -> ToeCurve:
    """Reduce the readings of one run to its toe curve.

    Parameters
    ----------
    run : the run's name, for messages
    readings : rows of that run in file order; ``value`` as in :class:`Reading`
    gauge : the gauge they were taken with

    Raises
    ------
    TooFewReadingsError
        Fewer than two travels beside ride height, or a pass without a zero.
    """
    rows = _split(run, readings, gauge)
    travel, place, share = _levels(run, rows)
    toe = share @ rows.toe
    slope = _slopes(travel, toe)
    noise = _raw_noise(rows, slope[place], slope_at_zero(travel, toe), gauge)
    factor, repeat_sd = _repeat_factor(rows, place, noise, gauge)
    cov = share @ (noise * factor**2 + _loop(rows, gauge)) @ share.T
    cov += _run_level(travel, slope, gauge)
    return ToeCurve(
        run=run,
        travel_mm=travel,
        toe_deg=toe,
        cov_deg2=cov,
        repeat_sd_deg=repeat_sd,
        noise_factor=factor,
        return_to_zero_deg=float(np.max(np.abs(rows.returns))) if len(rows.returns) else None,
        sweeps=rows.sweeps,
    )


@record
class RawRows:
    """Readings of one run, each counted from its pass's zero, returns to zero included.

    Attributes
    ----------
    travel_mm, toe_deg : shape (n_row,), in file order, the passes' zeros left out
    sweep : shape (n_row,), index into ``sweeps``
    share : shape (n_row,), how far through its pass a row stands, 0 to 1
    line : line of each row in its file
    noise_deg2 : shape (n_row, n_row), reading, travel and zero noise
    common_deg2 : shape (n_row, n_row), loop, remounting tilt and travel scale
    """

    travel_mm: Array
    toe_deg: Array
    sweep: NDArray[np.intp]
    share: Array
    line: tuple[int, ...]
    sweeps: tuple[str, ...]
    noise_deg2: Array
    common_deg2: Array


def raw_rows(run: str, readings: Sequence[Reading], gauge: Gauge) -> RawRows:
    """The readings of one run as rows with their whole covariance.

    Raises
    ------
    TooFewReadingsError
        As :func:`toe_curve`.
    """
    away = _split(run, readings, gauge)
    levels, _, mean = _levels(run, away)
    fit = _smooth(levels, mean @ away.toe)
    zero: dict[str, float] = {}
    seen: dict[str, int] = {}
    taken: list[tuple[Reading, int]] = []
    for r in readings:
        seen[r.sweep] = seen.get(r.sweep, -1) + 1
        if abs(r.travel_mm) < RIDE_HEIGHT_MM and r.sweep not in zero:
            zero[r.sweep] = r.value
        else:
            taken.append((r, seen[r.sweep]))
    travel = np.array([0.0 if abs(r.travel_mm) < RIDE_HEIGHT_MM else r.travel_mm for r, _ in taken])
    toe = toe_from_reading_deg(gauge, np.array([r.value - zero[r.sweep] for r, _ in taken]))
    sweep = np.array([away.sweeps.index(r.sweep) for r, _ in taken], dtype=np.intp)
    share = np.array([k / seen[r.sweep] for r, k in taken])
    slope = _slope_of(fit, travel)
    rows = replace(away, travel=travel, toe=toe, sweep=sweep)
    return RawRows(
        travel_mm=travel,
        toe_deg=toe,
        sweep=sweep,
        share=share,
        line=tuple(r.line for r, _ in taken),
        sweeps=away.sweeps,
        noise_deg2=_raw_noise(rows, slope, float(fit[0]), gauge),
        common_deg2=_loop(rows, gauge) + _run_level(travel, slope, gauge),
    )


def has_curve(readings: Sequence[Reading]) -> bool:
    """Whether :func:`toe_curve` can reduce these readings; a run half entered may be too short."""
    sweeps = {r.sweep for r in readings}
    zeroed = {r.sweep for r in readings if abs(r.travel_mm) < RIDE_HEIGHT_MM}
    travels = {round(r.travel_mm, 3) for r in readings if abs(r.travel_mm) >= RIDE_HEIGHT_MM}
    return zeroed == sweeps and len(travels) >= 2


def direction_of(sweep: str) -> int:
    """+1 for a pass whose name starts with "up", -1 for "down", 0 for any other."""
    name = sweep.strip().lower()
    return 1 if name.startswith("up") else -1 if name.startswith("down") else 0


def _split(run: str, readings: Sequence[Reading], gauge: Gauge) -> _Rows:
    sweeps = tuple(dict.fromkeys(r.sweep for r in readings))
    zero: dict[str, float] = {}
    for r in readings:
        if abs(r.travel_mm) < RIDE_HEIGHT_MM:
            zero.setdefault(r.sweep, r.value)
    missing = [s for s in sweeps if s not in zero]
    if missing or not readings:
        raise TooFewReadingsError(
            f"run {run!r} has no ride-height reading in pass {', '.join(missing) or '(none)'}",
            "add the reading at travel 0, or drop the pass",
        )
    away = [r for r in readings if abs(r.travel_mm) >= RIDE_HEIGHT_MM]
    seen: set[str] = set()
    back = []
    for r in readings:
        if abs(r.travel_mm) < RIDE_HEIGHT_MM:
            if r.sweep in seen:
                back.append(r)
            seen.add(r.sweep)

    def toe(rows: Sequence[Reading]) -> Array:
        return toe_from_reading_deg(gauge, np.array([r.value - zero[r.sweep] for r in rows]))

    return _Rows(
        travel=np.round([r.travel_mm for r in away], 3),
        toe=toe(away),
        sweep=np.array([sweeps.index(r.sweep) for r in away], dtype=np.intp),
        direction=np.array([direction_of(s) for s in sweeps], float),
        returns=toe(back),
        sweeps=sweeps,
    )


def _levels(run: str, rows: _Rows) -> tuple[Array, NDArray[np.intp], Array]:
    """The travels, which of them each row has, and the means over rows of one travel."""
    travel, place = np.unique(rows.travel, return_inverse=True)
    if len(travel) < 2:
        raise TooFewReadingsError(
            f"run {run!r} has {len(travel)} travels beside ride height",
            "measure at least one travel in bump and one in droop, better five each",
        )
    share = np.zeros((len(travel), len(rows.travel)))
    share[place, np.arange(len(place))] = 1.0
    return travel, place, share / share.sum(axis=1, keepdims=True)


def slope_at_zero(travel_mm: Array, toe_deg: Array) -> float:
    """Slope of the curve at ride height, degrees per mm."""
    fit = _smooth(travel_mm, toe_deg)
    return float(fit[0])


def _smooth(travel: Array, toe: Array) -> Array:
    """Coefficients of a polynomial through ride height, up to the third degree."""
    degree = min(3, len(travel))
    scale = float(np.max(np.abs(travel)))
    rows = (travel[:, None] / scale) ** np.arange(1, degree + 1)
    fit, *_ = np.linalg.lstsq(rows, toe, rcond=None)
    return np.asarray(fit / scale ** np.arange(1, degree + 1))


def _slopes(travel: Array, toe: Array) -> Array:
    return _slope_of(_smooth(travel, toe), travel)


def _slope_of(fit: Array, travel: Array) -> Array:
    power = np.arange(1, len(fit) + 1)
    return np.asarray((power * travel[:, None] ** (power - 1)) @ fit)


def _raw_noise(rows: _Rows, slope: Array, zero_slope: float, gauge: Gauge) -> Array:
    """Covariance of re-zeroed rows: own noise on the diagonal, the zero's within a pass."""
    own = reading_noise_deg(gauge) ** 2
    cov = np.diag(own + (slope * gauge.travel_sd_mm) ** 2)
    same = rows.sweep[:, None] == rows.sweep[None, :]
    return np.asarray(cov + same * (own + (zero_slope * gauge.travel_sd_mm) ** 2))


def _loop(rows: _Rows, gauge: Gauge) -> Array:
    """Rank-one covariance of the up-against-down loop; re-zeroed, it is a pure bow."""
    reach = float(np.max(np.abs(rows.travel)))
    shape = -rows.direction[rows.sweep] * (rows.travel / reach) ** 2
    return np.asarray(np.outer(shape, shape) * loop_noise_deg(gauge) ** 2)


def _repeat_factor(
    rows: _Rows, place: NDArray[np.intp], noise: Array, gauge: Gauge
) -> tuple[float, float | None]:
    """How much larger than stated the noise looks from repeats, pulled to 1 by a prior.

    Generalised least squares with one value a travel; the prior counts as six
    repeats, so that a few lucky ones do not talk the noise away.
    """
    n_travel = int(place.max()) + 1
    freedom = len(place) - n_travel
    if freedom < 1:
        return 1.0, None
    level = np.zeros((len(place), n_travel))
    level[np.arange(len(place)), place] = 1.0
    root = np.linalg.cholesky(noise + _loop(rows, gauge))
    white = np.linalg.solve(root, level)
    target = np.linalg.solve(root, rows.toe)
    fit, *_ = np.linalg.lstsq(white, target, rcond=None)
    chi2 = float(np.sum((target - white @ fit) ** 2))
    factor = np.sqrt((PRIOR_REPEATS + chi2) / (PRIOR_REPEATS + freedom))
    mean = np.bincount(place, rows.toe) / np.bincount(place)
    spread = float(np.sqrt(np.sum((rows.toe - mean[place]) ** 2) / freedom))
    return max(float(factor), LEAST_NOISE_FACTOR), spread


def _run_level(travel: Array, slope: Array, gauge: Gauge) -> Array:
    tilt = travel / TILT_BASE_MM * gauge.tilt_sd_deg
    scale = travel * slope * gauge.travel_scale_sd
    return np.asarray(np.outer(tilt, tilt) + np.outer(scale, scale))
