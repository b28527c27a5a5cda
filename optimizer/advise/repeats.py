"""Which readings to take again, and which travels to take next time, for the most gain.

A Gaussian surface's spread after a reading does not depend on what the reading says (law
of total variance; Rasmussen and Williams 2006, eq. 2.24), so what a repeat is worth can
be reckoned before it is taken. The error of the advice is the standard deviation of the
curve of the setting that it names, root mean square over the goal's window and weight.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.evidence import (
    Evidence,
    corner_evidence,
    fitted,
    logged_static_toe,
    setting_curves,
)
from optimizer.advise.few import fewest
from optimizer.advise.goal import Target, target_of
from optimizer.advise.next_move import advise
from optimizer.errors import NothingCanBeMadeError
from optimizer.measure.curve import ToeCurve, direction_of, raw_rows
from optimizer.measure.gauge import reading_from_toe
from optimizer.model.basis import N_COEFFICIENT, design_matrix
from optimizer.model.surface import ToeSurface, gaussian_update
from optimizer.record import record
from optimizer.records import Gauge, Logbook, Reading, Run

Array = NDArray[np.float64]

# the fewest travels may leave the advice's error this much larger than all of them
WORSE_BY = 0.05
# travels of different passes no farther apart than this are meant to be one
MEANT_ALIKE_MM = 3.0

RepeatKind = Literal["travels", "pass", "both-ways", "remount", "earlier"]


@record
class Repeat:
    """Something that could be measured again.

    Attributes
    ----------
    kind : ``travels`` of the last run, or a whole ``pass`` of it, or one pass
        ``both-ways``, all with the rig still up; ``remount``, the same both ways with the
        rig put up anew; ``earlier``, that at the setting of an earlier run
    run : whose setting it is
    travel_mm : shape (n_travel,), beside ride height
    ways : +1 up, -1 down, 0 unnamed, for each pass
    error_deg : error of the advice after it
    """

    kind: RepeatKind
    run: str
    travel_mm: tuple[float, ...]
    ways: tuple[int, ...]
    error_deg: float

    @property
    def n_reading(self) -> int:
        """Readings to take, ride height first in every pass."""
        return len(self.ways) * (len(self.travel_mm) + 1)


@record
class Few:
    """The fewest travels of a next run that serve nearly as well as all those measured.

    ``error_deg`` is the advice's error after a run with these, ``all_error_deg`` with all
    of ``n_all``; ride height is beside them.
    """

    travel_mm: tuple[float, ...]
    error_deg: float
    all_error_deg: float
    n_all: int


@record
class RepeatAdvice:
    """What to measure again on one corner; repeats from most gain to least.

    ``advised`` says whether the setting is one that the advice names; it is the present one
    where nothing can be made.
    """

    corner: str
    run: str
    height_mm: float
    length_change_mm: float
    advised: bool
    error_deg: float
    repeats: tuple[Repeat, ...]
    few: Few


def worth_repeating(book: Logbook, corner: str) -> RepeatAdvice:
    """What a repeat of the last run, or of an earlier one, is worth to a corner's advice.

    Raises
    ------
    CallError, TooFewReadingsError, LinkageError
        As :func:`optimizer.advise.next_move.advise`.
    """
    evidence = corner_evidence(book, corner)
    target = target_of(evidence.corner.goal, evidence.measured_mm, evidence.travel_log)
    try:
        spot = advise(book, corner).move.spot
        setting, advised = (spot.height_mm, spot.length_change_mm), True
    except NothingCanBeMadeError:
        setting, advised = evidence.setting_of(evidence.now), False
    bench = _Bench(book, evidence, target, setting)
    repeats = sorted(
        [*bench.on_the_same_mount(), *bench.on_a_fresh_mount()],
        key=lambda r: (round(r.error_deg, 9), r.n_reading, r.run),
    )
    return RepeatAdvice(
        corner=corner,
        run=bench.last.name,
        height_mm=setting[0],
        length_change_mm=setting[1],
        advised=advised,
        error_deg=bench.error_deg(bench.now),
        repeats=tuple(repeats),
        few=bench.few(),
    )


class _Bench:
    """A corner's surface, and what its spread would be after readings that are not taken yet."""

    def __init__(
        self, book: Logbook, evidence: Evidence, target: Target, setting: tuple[float, float]
    ) -> None:
        self.book, self.gauge, self.evidence = book, book.gauge, evidence
        height, change = setting
        self.setting = float(evidence.pivot.surface_height(height, change)), change
        self.curves = [
            _as_meant(curve, book.readings_of(curve.run), book.gauge) for curve in evidence.curves
        ]
        self.last, self.curve = evidence.runs[-1], self.curves[-1]
        known = fitted(evidence)
        self.now = known.surface.cov_
        self.before = _without_last(evidence, known.static_toe_in_doubt)
        rows = _design(self.setting, target.travel_mm)
        self.root = np.sqrt(target.weight)[:, None] * rows

    def error_deg(self, cov: Array) -> float:
        """Error of the advice for a surface with this covariance."""
        known = self.root @ cov[:N_COEFFICIENT, :N_COEFFICIENT]
        return math.sqrt(max(0.0, float(np.sum(known * self.root))))

    def _after(self, cov: Array, run: Run, travel: Array, noise: Array) -> float:
        rows = _design(self.evidence.surface_setting_of(run), travel)
        zero = np.zeros(len(travel))
        return self.error_deg(gaussian_update(np.zeros(len(cov)), cov, rows, zero, noise)[1])

    def on_the_same_mount(self) -> list[Repeat]:
        """The best travel, the best two, a whole pass and one each way, the rig still up."""
        ways = [direction_of(s) for s in self.curve.sweeps]
        named = 1 in ways or -1 in ways
        # the way that was gone less often, so that the loop cancels
        way = (1 if ways.count(1) <= ways.count(-1) else -1) if named else 0
        travels = self.curve.travel_mm.tolist()
        one_way = self._extended((way,))
        few = [
            min(
                (Repeat(kind="travels", run=self.last.name, travel_mm=z, ways=(way,),
                        error_deg=one_way(z))
                 for z in combinations(travels, size)),
                key=lambda r: round(r.error_deg, 9),
            )
            for size in (1, 2)
        ]  # fmt: skip
        both = (1, -1) if named else (0, 0)

        def whole(kind: RepeatKind, ways: tuple[int, ...]) -> Repeat:
            error = self._extended(ways)(travels)
            return Repeat(
                kind=kind,
                run=self.last.name,
                travel_mm=tuple(travels),
                ways=ways,
                error_deg=error,
            )

        return [*few, whole("pass", (way,)), whole("both-ways", both)]

    def _extended(self, ways: tuple[int, ...]) -> Callable[[Sequence[float]], float]:
        """The advice's error after more passes of the last run, by the travels they take."""
        taken = self.book.readings_of(self.last.name)
        more = _pretended(self.curve, ways, self.gauge)
        travel, new, noise = _rows_of(self.last, [*taken, *more], self.curve, self.gauge)

        def after(chosen: Sequence[float]) -> float:
            kept = ~new | np.isin(travel, chosen)
            z, cov = _averaged(travel[kept], noise[np.ix_(kept, kept)])
            return self._after(self.before, self.last, z, cov)

        return after

    def on_a_fresh_mount(self) -> list[Repeat]:
        """One pass each way at every measured setting, the rig put up anew."""
        out = []
        for run, curve in zip(self.evidence.runs, self.curves, strict=True):
            named = any(direction_of(s) for s in curve.sweeps)
            ways = (1, -1) if named else (0, 0)
            again = _pretended(curve, ways, self.gauge)
            travel, _, noise = _rows_of(run, again, curve, self.gauge)
            z, cov = _averaged(travel, noise)
            out.append(
                Repeat(
                    kind="remount" if run is self.last else "earlier",
                    run=run.name,
                    travel_mm=tuple(z.tolist()),
                    ways=ways,
                    error_deg=self._after(self.now, run, z, cov),
                )
            )
        return out

    def few(self) -> Few:
        """The fewest travels for a run of the setting that is advised."""
        travel = self.curve.travel_mm
        noise = self.curve.cov_deg2
        rows, known = _design(self.setting, travel), self.now[:N_COEFFICIENT, :N_COEFFICIENT]
        spread = rows @ known @ rows.T + noise
        learnt = self.root @ known @ rows.T
        start = self.error_deg(self.now) ** 2

        def error(chosen: Sequence[int]) -> float:
            at = list(chosen)
            gain = np.linalg.solve(spread[np.ix_(at, at)], learnt[:, at].T)
            return math.sqrt(max(0.0, start - float(np.sum(gain * learnt[:, at].T))))

        chosen = fewest(error, travel.tolist(), WORSE_BY)
        return Few(
            travel_mm=tuple(float(travel[i]) for i in chosen),
            error_deg=error(chosen),
            all_error_deg=error(range(len(travel))),
            n_all=len(travel),
        )


def _as_meant(curve: ToeCurve, readings: Sequence[Reading], gauge: Gauge) -> ToeCurve:
    """A curve whose travels within 3 mm of each other are one, the farthest out, where no pass
    has two of them: whoever takes a run anew sets the same travel in each pass.

    The 3 mm are a judgement, no source: less than the steps that crews choose, more than a
    jack is off.
    """
    rows = raw_rows(curve.run, readings, gauge)
    at = np.round(rows.travel_mm, 3)
    groups: list[list[int]] = []
    passes: set[int] = set()
    for i, z in enumerate(curve.travel_mm):
        own = set(rows.sweep[at == z].tolist())
        first = curve.travel_mm[groups[-1][0]] if groups else -np.inf
        if z - first <= MEANT_ALIKE_MM and z * first > 0.0 and not own & passes:
            groups[-1].append(i)
            passes |= own
        else:
            groups.append([i])
            passes = own
    if len(groups) == len(curve.travel_mm):
        return curve
    share = np.zeros((len(groups), len(curve.travel_mm)))
    for k, group in enumerate(groups):
        share[k, group] = [np.sum(at == curve.travel_mm[i]) for i in group]
    share /= share.sum(axis=1, keepdims=True)
    farthest = [max((curve.travel_mm[i] for i in group), key=abs) for group in groups]
    return replace(
        curve,
        travel_mm=np.array(farthest),
        toe_deg=share @ curve.toe_deg,
        cov_deg2=share @ curve.cov_deg2 @ share.T,
    )


def _pretended(curve: ToeCurve, ways: Sequence[int], gauge: Gauge) -> list[Reading]:
    """Passes that would read what the curve says, ride height first."""
    travel = np.append(0.0, curve.travel_mm)
    value = reading_from_toe(gauge, np.append(0.0, curve.toe_deg))
    word = {1: "up", -1: "down", 0: ""}
    return [
        Reading(run=curve.run, sweep=f"{word[way]} again {i}", travel_mm=z, value=v)
        for i, way in enumerate(ways)
        for z, v in zip(travel.tolist(), value.tolist(), strict=True)
    ]


def _rows_of(
    run: Run, readings: Sequence[Reading], curve: ToeCurve, gauge: Gauge
) -> tuple[Array, NDArray[np.bool_], Array]:
    """Travel of each row, whether it is new, and the covariance as the run's curve takes it."""
    rows = raw_rows(run.name, readings, gauge)
    new = np.array([rows.sweeps[k] not in curve.sweeps for k in rows.sweep])
    away = np.flatnonzero(rows.travel_mm)
    noise = rows.noise_deg2 * curve.noise_factor**2 + rows.common_deg2
    return np.round(rows.travel_mm[away], 3), new[away], noise[np.ix_(away, away)]


def _averaged(travel: Array, noise: Array) -> tuple[Array, Array]:
    """Travels, and covariance of the mean at each, as a run's curve is made."""
    levels, place = np.unique(travel, return_inverse=True)
    share = np.zeros((len(levels), len(travel)))
    share[place, np.arange(len(travel))] = 1.0
    share /= share.sum(axis=1, keepdims=True)
    return levels, share @ noise @ share.T


def _design(setting: tuple[float, float], travel: Array) -> Array:
    n = len(travel)
    return design_matrix(np.full(n, setting[0]), np.full(n, setting[1]), travel)


def _without_last(evidence: Evidence, doubtful: Sequence[str]) -> Array:
    """The surface's covariance before the last run, logged static toe in it."""
    corner = evidence.corner
    surface = ToeSurface(
        ahead=corner.ahead, end=corner.stack.end, tape=corner.tape, points=corner.points
    )
    curves = setting_curves(evidence)[:-1]
    if curves:
        surface.fit_curves(curves)
    else:
        surface.fit(np.zeros((0, 3)), np.zeros(0))
    for run, row in logged_static_toe(evidence):
        if run not in doubtful:
            surface.learn_static_toe(row)
    return surface.cov_
