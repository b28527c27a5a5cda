"""Faults in readings and rows: which other story of the facts explains them better.

For each run the readings are foreseen from the corner's other runs and the prior; a
fault is another reading of the same facts (the shims swapped, the dial counted the other
way), and the evidence for it is the likelihood of the readings under that story against
their likelihood as logged (Bayes factors: Jeffreys, *Theory of Probability*, 1961), with
prior odds of a fault of each kind beside it. Nothing is corrected: a suspect is named,
with its evidence and what to look at.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Container, Iterator, Sequence
from dataclasses import replace
from functools import partial, reduce
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.evidence import Evidence, corner_evidence
from optimizer.advise.testimony import (
    Chain,
    Foretelling,
    State,
    Testimony,
    testimony,
    updated,
)
from optimizer.errors import CallError, TooFewReadingsError
from optimizer.measure.curve import has_curve
from optimizer.model.surface import ToeSurface
from optimizer.record import record
from optimizer.records import Gauge, Logbook, Reading, Run

Array = NDArray[np.float64]
Turn = tuple[float, float]
Retelling = Callable[[Sequence[Reading]], list[Reading]]

SuspectKind = Literal[
    "one-reading",
    "zero-drift",
    "pass-reversed",
    "shims-swapped",
    "length-sign",
    "dial-sign",
    "wrong-unit",
    "level-not-held",
    "travel-sign",
    "runs-exchanged",
]

# prior odds of a fault of one kind in one run or pass, against none: a judgement, set so that
# few clean logbooks raise an alarm, see tests/bench/faults.py
PRIOR_LOG_ODDS = -math.log(20.0)
# a rig mounted askew is the commonest of them
ASKEW_LOG_ODDS = -math.log(10.0)
# how far off a reading, a zero at the pass's end and a tilt at 40 mm may be, degrees
READING_OFF_DEG, ZERO_OFF_DEG, TILT_OFF_DEG = 0.15, 0.15, 0.12
TILT_BASE_MM = 40.0
MM_PER_INCH = 25.4
# signs of dial and travel
# a reading's step is not coarser than this many times what its gauge is good for
COARSEST = 3.0
TURNS: tuple[tuple[SuspectKind, Turn], ...] = (
    ("dial-sign", (-1.0, 1.0)),
    ("travel-sign", (1.0, -1.0)),
)
N_ROW_TRIED = 3
# exchanges are tried among this many runs, since each is weighed over the whole corner
MOST_EXCHANGED = 12
# stories within this much of the best, in log odds, are named with it
ALSO_WITHIN = 3.0
MOST_FOUND = 5
# odds above which a story is more than a perhaps: a hundred to one
SURE_ODDS = 4.6
MOST_RUNS = 30


@record
class Suspect:
    """One story that explains the readings better than the logbook does.

    Attributes
    ----------
    kind : what may have happened
    corner : its corner
    runs : the run, or the two that were exchanged; empty where it is every run alike
    sweep : the pass, for what happens within one
    travel_mm, line : the reading, for one that is off
    log_odds : natural logarithm of its odds against the facts as logged
    also : other stories of the same run whose odds are nearly as good
    """

    kind: SuspectKind
    runs: tuple[str, ...]
    log_odds: float
    corner: str = ""
    sweep: str | None = None
    travel_mm: float | None = None
    line: int | None = None
    also: tuple[SuspectKind, ...] = ()

    @property
    def sure(self) -> bool:
        """Whether its odds are a hundred to one or more."""
        return self.log_odds > SURE_ODDS


def suspects(book: Logbook) -> tuple[Suspect, ...]:
    """Stories that explain the readings better than the logbook, corner by corner.

    The likeliest first; one finding for each run, with the stories that are nearly as
    good named beside it.
    """
    measured = [
        name
        for name in book.corners
        if any(has_curve(book.readings_of(r.name)) for r in book.runs_of(name))
    ]
    return tuple(s for name in measured for s in _of_corner(book, corner_evidence(book, name)))


def surely_doubted(book: Logbook, evidence: Evidence) -> tuple[str, ...]:
    """Runs of a corner that a story explains better with odds of a hundred to one or more.

    Every run where the story is of all alike. None is looked for among more than `MOST_RUNS`:
    each is then foretold by the many others, and the search takes a second and more.
    """
    if len(evidence.runs) > MOST_RUNS:
        return ()
    names = [r.name for r in evidence.runs]
    found = [s for s in _of_corner(book, evidence) if s.sure]
    doubted = {name for s in found for name in s.runs or names}
    return tuple(name for name in names if name in doubted)


def _of_corner(book: Logbook, evidence: Evidence) -> tuple[Suspect, ...]:
    corner = evidence.corner
    surface = ToeSurface(
        ahead=corner.ahead, end=corner.stack.end, tape=corner.tape, points=corner.points
    )
    runs = [
        testimony(r.name, evidence.surface_setting_of(r), book.readings_of(r.name), book.gauge)
        for r in evidence.runs
    ]
    prior, out = surface.prior_state(), list[Suspect]()
    told = set[tuple[object, ...]]()
    # once a story is taken, the rest is judged as if it were mended: one fault in one run
    # must not throw blame on its neighbours
    while len(out) < MOST_FOUND:
        found = _Inquest(prior, runs, book.gauge, evidence).likeliest(told)
        if found is None:
            break
        told.add(_what(found.suspect))
        out.append(replace(found.suspect, corner=corner.name))
        runs, evidence = found.retold()
    return tuple(out)


@record
class _Story:
    """A suspect, and how to tell the corner's runs as its story has them."""

    suspect: Suspect
    retold: Callable[[], tuple[list[Testimony], Evidence]]


def _what(suspect: Suspect) -> tuple[object, ...]:
    """What a story claims, whatever its odds."""
    return suspect.kind, suspect.runs, suspect.sweep, suspect.travel_mm


class _Inquest:
    """The stories of one corner, each weighed against the facts as logged."""

    def __init__(
        self, prior: State, runs: list[Testimony], gauge: Gauge, evidence: Evidence
    ) -> None:
        self.runs = runs
        self.gauge = gauge
        self.evidence = evidence
        self.chain = Chain(prior, runs)
        # what the other runs foretell of each one
        self.others = _left_out(prior, runs)
        self.foretold = [Foretelling(s, run) for s, run in zip(self.others, runs, strict=True)]
        self.logged = [foretold.log_density() for foretold in self.foretold]

    def likeliest(self, told: Container[tuple[object, ...]]) -> _Story | None:
        """The best story not ``told`` yet, if its odds are better than even."""
        found = sorted(
            (s for s in self._all() if _what(s.suspect) not in told),
            key=lambda s: (-s.suspect.log_odds, s.suspect.kind, s.suspect.runs),
        )
        if not found or found[0].suspect.log_odds <= 0.0:
            return None
        best = found[0].suspect
        near = [
            s.suspect.kind
            for s in found[1:]
            if s.suspect.log_odds > max(0.0, best.log_odds - ALSO_WITHIN)
            and (set(s.suspect.runs) & set(best.runs) or not (s.suspect.runs and best.runs))
        ]
        also = tuple(dict.fromkeys(kind for kind in near if kind != best.kind))
        return replace(found[0], suspect=replace(best, also=also))

    def _all(self) -> Iterator[_Story]:
        for i, run in enumerate(self.runs):
            yield from self._unknown_shift(i, run)
            yield from self._told_otherwise(i, run)
        yield from self._settings()
        yield from self._every_run()

    def _story(
        self, suspect: Suspect, new: dict[int, Testimony], evidence: Evidence | None = None
    ) -> _Story:
        runs = [new.get(k, run) for k, run in enumerate(self.runs)]
        return _Story(suspect=suspect, retold=lambda: (runs, evidence or self.evidence))

    def _unknown_shift(self, i: int, run: Testimony) -> Iterator[_Story]:
        """Something moved by an unknown amount: a reading, a pass's zero, the whole rig."""
        rows, n = run.rows, len(run.rows.toe_deg)
        foretelling = self.foretold[i]
        stories: list[tuple[Suspect, Array]] = []
        worst = np.argsort(-np.abs(foretelling.misfit_sd()))[:N_ROW_TRIED]
        # any of the run's readings might be the one
        one = PRIOR_LOG_ODDS - float(np.log(n)) + 1.0
        for k in worst:
            suspect = Suspect(
                kind="one-reading",
                runs=(run.name,),
                log_odds=one,
                sweep=rows.sweeps[rows.sweep[k]],
                travel_mm=float(rows.travel_mm[k]),
                line=rows.line[k],
            )
            stories.append((suspect, READING_OFF_DEG * (np.arange(n) == k)))
        for k, sweep in enumerate(rows.sweeps):
            suspect = Suspect(
                kind="zero-drift", runs=(run.name,), sweep=sweep, log_odds=PRIOR_LOG_ODDS
            )
            mine = rows.sweep == k
            stories += [(suspect, ZERO_OFF_DEG * mine), (suspect, ZERO_OFF_DEG * mine * rows.share)]
        suspect = Suspect(kind="level-not-held", runs=(run.name,), log_odds=ASKEW_LOG_ODDS)
        stories.append((suspect, rows.travel_mm / TILT_BASE_MM * TILT_OFF_DEG))
        logged, told = foretelling.widened(np.column_stack([shape for _, shape in stories]))
        for (suspect, shape), log in zip(stories, told, strict=True):
            odds = suspect.log_odds + float(log) - logged
            yield self._shifted(i, run, replace(suspect, log_odds=odds), shape)

    def _shifted(self, i: int, run: Testimony, suspect: Suspect, shape: Array) -> _Story:
        def retold() -> tuple[list[Testimony], Evidence]:
            return [*self.runs[:i], run.widened(shape), *self.runs[i + 1 :]], self.evidence

        return _Story(suspect=suspect, retold=retold)

    def _told_otherwise(self, i: int, run: Testimony) -> Iterator[_Story]:
        """The run's readings told another way."""
        name, n = (run.name,), len(run.rows.toe_deg)
        told: list[tuple[Suspect, Testimony | None, float]] = []
        for sweep in run.rows.sweeps:
            suspect = Suspect(kind="pass-reversed", runs=name, sweep=sweep, log_odds=PRIOR_LOG_ODDS)
            told.append((suspect, self._again(run, partial(_pass_reversed, sweep=sweep)), 0.0))
        size = self.foretold[i].size_deg() / float(np.sqrt(np.mean(run.rows.toe_deg**2)) + 1e-12)
        for factor in (MM_PER_INCH, 1.0 / MM_PER_INCH) if self.gauge.span_mm else ():
            if abs(np.log(size / factor)) > abs(np.log(size)):
                continue  # it would take the readings further from the size foretold
            if factor * _step(run, self.gauge) > COARSEST * _finest(self.gauge):
                continue  # no gauge shows such coarse steps of the other unit
            suspect = Suspect(kind="wrong-unit", runs=name, log_odds=PRIOR_LOG_ODDS)
            again = self._again(run, partial(_scaled, factor=factor))
            told.append((suspect, again, n * float(np.log(factor))))
        for suspect, again, jacobian in told:
            if again is not None:
                odds = suspect.log_odds + self._gain(i, again) + jacobian
                yield self._story(replace(suspect, log_odds=odds), {i: again})
        if len(self.runs) > 1:
            for kind, turn in TURNS:
                odds = PRIOR_LOG_ODDS + self._gain(i, _turned(run, turn))
                yield self._turned(Suspect(kind=kind, runs=name, log_odds=odds), turn, [i])

    def _gain(self, i: int, again: Testimony) -> float:
        return Foretelling(self.others[i], again).log_density() - self.logged[i]

    def _settings(self) -> Iterator[_Story]:
        """Rows of runs.csv that may be wrong; they move the settings, not the readings."""
        reference = self.evidence.reference
        for i, run in enumerate(self.evidence.runs):
            if run.above_mm != run.below_mm:
                swapped = replace(run, above_mm=run.below_mm, below_mm=run.above_mm)
                yield self._row(i, "shims-swapped", swapped)
            if run.name != reference.name and run.length_change_mm:
                turned = replace(run, length_change_mm=-run.length_change_mm)
                yield self._row(i, "length-sign", turned)
        for j, i in combinations(self._oddest(), 2):
            a, b = self.runs[j], self.runs[i]
            at_a, at_b = (a.height_mm, a.change_mm), (b.height_mm, b.change_mm)
            if at_a == at_b:
                continue
            new = {
                j: replace(b.moved(at_a), name=a.name),
                i: replace(a.moved(at_b), name=b.name),
            }
            yield self._chained("runs-exchanged", (a.name, b.name), new)

    def _oddest(self) -> list[int]:
        """The runs that the others foretell worst, a reading, in the order of the log."""
        per_row = [
            log / len(run.rows.toe_deg) for log, run in zip(self.logged, self.runs, strict=True)
        ]
        return sorted(sorted(range(len(per_row)), key=per_row.__getitem__)[:MOST_EXCHANGED])

    def _row(self, i: int, kind: SuspectKind, row: Run) -> _Story:
        """One row of runs.csv told anew; the reference's moves the settings of all."""
        evidence, name = self.evidence, (row.name,)
        told = replace(
            evidence,
            reference=row if row.name == evidence.reference.name else evidence.reference,
            runs=tuple(row if r.name == row.name else r for r in evidence.runs),
        )
        if told.reference is row:
            new = {
                k: run.moved(told.surface_setting_of(r))
                for k, (r, run) in enumerate(zip(told.runs, self.runs, strict=True))
            }
            return self._chained(kind, name, new, told)
        again = self.runs[i].moved(told.surface_setting_of(row))
        odds = PRIOR_LOG_ODDS + self._gain(i, again)
        return self._story(Suspect(kind=kind, runs=name, log_odds=odds), {i: again}, told)

    def _chained(
        self,
        kind: SuspectKind,
        names: tuple[str, ...],
        new: dict[int, Testimony],
        evidence: Evidence | None = None,
    ) -> _Story:
        """A story of several runs, weighed over all of them in a row."""
        runs = [new.get(k, run) for k, run in enumerate(self.runs)]
        odds = PRIOR_LOG_ODDS + self.chain.retold(runs)
        return self._story(Suspect(kind=kind, runs=names, log_odds=odds), new, evidence)

    def _every_run(self) -> Iterator[_Story]:
        """The dial's direction or the side, and the travel's sign, wrong throughout."""
        if len(self.runs) > 1:
            for kind, turn in TURNS:
                odds = PRIOR_LOG_ODDS + self.chain.retold([_turned(r, turn) for r in self.runs])
                suspect = Suspect(kind=kind, runs=(), log_odds=odds)
                yield self._turned(suspect, turn, range(len(self.runs)))

    def _turned(self, suspect: Suspect, turn: Turn, which: Sequence[int]) -> _Story:
        def retold() -> tuple[list[Testimony], Evidence]:
            told = partial(_readings_turned, turn=turn)
            runs = [
                (self._again(run, told) or run) if k in which else run
                for k, run in enumerate(self.runs)
            ]
            return runs, self.evidence

        return _Story(suspect=suspect, retold=retold)

    def _again(self, run: Testimony, story: Retelling) -> Testimony | None:
        """The run read anew under a story; None where the story makes no sense."""
        setting = (run.height_mm, run.change_mm)
        try:
            return testimony(run.name, setting, story(run.readings), self.gauge)
        except (TooFewReadingsError, CallError):
            return None


def _left_out(state: State, runs: Sequence[Testimony]) -> list[State]:
    """For each run the state after all others, n log n updates for n runs."""
    if len(runs) < 2:
        return [state] * len(runs)
    half = len(runs) // 2
    first, second = runs[:half], runs[half:]
    return [
        *_left_out(reduce(updated, second, state), first),
        *_left_out(reduce(updated, first, state), second),
    ]


def _finest(gauge: Gauge) -> float:
    """What the gauge is good for: its noise or its step, whichever is more."""
    return max(gauge.reading_sd, gauge.resolution)


def _step(run: Testimony, gauge: Gauge) -> float:
    """The step that all readings of a run are multiples of, infinite where all are the same.

    Euclid's algorithm, up to a thousandth of what the gauge is good for.
    """
    first = run.readings[0].value
    near, step = 1e-3 * _finest(gauge), 0.0
    for r in run.readings:
        left, other = step, abs(r.value - first)
        while other > near:
            left, other = other, math.remainder(left, other)
            other = abs(other)
        step = left
    return step if step > 0.0 else math.inf


def _scaled(readings: Sequence[Reading], factor: float) -> list[Reading]:
    return [replace(r, value=r.value * factor) for r in readings]


def _pass_reversed(readings: Sequence[Reading], sweep: str) -> list[Reading]:
    mine = [r for r in readings if r.sweep == sweep]
    values = iter([r.value for r in reversed(mine)])
    return [replace(r, value=next(values)) if r.sweep == sweep else r for r in readings]


def _readings_turned(readings: Sequence[Reading], turn: Turn) -> list[Reading]:
    dial, travel = turn
    return [replace(r, value=dial * r.value, travel_mm=travel * r.travel_mm) for r in readings]


def _turned(run: Testimony, turn: Turn) -> Testimony:
    """The rows with the dial or the travel turned; the readings are left for the story taken.

    Toe is odd in the reading for every gauge, and no part of a row's noise knows a sign,
    so the covariance stays.
    """
    dial, travel = turn
    rows = replace(run.rows, toe_deg=dial * run.rows.toe_deg, travel_mm=travel * run.rows.travel_mm)
    return replace(run, rows=rows)
