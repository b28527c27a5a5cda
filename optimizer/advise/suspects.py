"""Faults in readings and rows: which other story of the facts explains them better.

For each run the readings are foreseen from the corner's other runs and the prior; a
fault is another reading of the same facts (the shims swapped, the dial counted the other
way), and the evidence for it is the likelihood of the readings under that story against
their likelihood as logged (Bayes factors: Jeffreys, *Theory of Probability*, 1961), with
prior odds of a fault of each kind beside it. Nothing is corrected: a suspect is named,
with its evidence and what to look at.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.evidence import Evidence, corner_evidence
from optimizer.errors import CallError, TooFewReadingsError
from optimizer.measure.curve import RawRows, has_curve, raw_rows
from optimizer.model.basis import N_COEFFICIENT, design_matrix
from optimizer.model.surface import ToeSurface, gaussian_update
from optimizer.record import record
from optimizer.records import Gauge, Logbook, Reading, Run

Array = NDArray[np.float64]
State = tuple[Array, Array]
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
PRIOR_ODDS = 1.0 / 20.0
# a rig mounted askew is the commonest of them
ASKEW_ODDS = 1.0 / 10.0
# how far off a reading, a zero at the pass's end and a tilt at 40 mm may be, degrees
READING_OFF_DEG, ZERO_OFF_DEG, TILT_OFF_DEG = 0.15, 0.15, 0.12
TILT_BASE_MM = 40.0
# how many times the stated reading noise the true one may be, and how likely
NOISE_FACTORS = ((0.7, 0.2), (1.0, 0.5), (1.5, 0.25), (2.5, 0.05))
MM_PER_INCH = 25.4
N_ROW_TRIED = 3
# stories within this much of the best, in log odds, are named with it
ALSO_WITHIN = 3.0
MOST_FOUND = 5


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


@record
class _Block:
    """One run as evidence: where it was set, and its rows."""

    name: str
    height_mm: float
    change_mm: float
    rows: RawRows
    readings: tuple[Reading, ...]

    def design(self) -> Array:
        n = len(self.rows.travel_mm)
        return design_matrix(
            np.full(n, self.height_mm), np.full(n, self.change_mm), self.rows.travel_mm
        )


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


def _of_corner(book: Logbook, evidence: Evidence) -> tuple[Suspect, ...]:
    corner = evidence.corner
    surface = ToeSurface(
        ahead=corner.ahead, end=corner.stack.end, tape=corner.tape, points=corner.points
    )
    blocks = [
        _block(r, evidence.setting_of(r), book.readings_of(r.name), book.gauge)
        for r in evidence.runs
    ]
    prior, out = surface.prior_state(), list[Suspect]()
    # once a story is taken, the rest is judged as if it were mended: one fault in one run
    # must not throw blame on its neighbours
    while len(out) < MOST_FOUND:
        found = _Inquest(prior, blocks, book.gauge, evidence).likeliest()
        if found is None:
            break
        out.append(replace(found.suspect, corner=corner.name))
        blocks, evidence = found.blocks, found.evidence or evidence
    return tuple(out)


@dataclass(frozen=True, slots=True)
class _Story:
    """A suspect, and the corner's runs as its story has them."""

    suspect: Suspect
    blocks: list[_Block]
    evidence: Evidence | None = None


class _Inquest:
    """The stories of one corner, each weighed against the facts as logged."""

    def __init__(
        self, prior: State, blocks: list[_Block], gauge: Gauge, evidence: Evidence
    ) -> None:
        self.prior = prior
        self.blocks = blocks
        self.gauge = gauge
        self.evidence = evidence
        # what the other runs foretell of each one
        self.others = [
            self._after([b for k, b in enumerate(blocks) if k != i]) for i in range(len(blocks))
        ]
        self.logged = [
            _likelihood(state, block) for state, block in zip(self.others, blocks, strict=True)
        ]

    def likeliest(self) -> _Story | None:
        """The best story if its odds are better than even, and the runs as it has them."""
        found = sorted(
            self._all(), key=lambda s: (-s.suspect.log_odds, s.suspect.kind, s.suspect.runs)
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

    def _told(self, i: int, block: _Block, extra: Array | None = None) -> list[_Block]:
        """All runs, with this one as a story has it."""
        if extra is not None:
            rows = replace(block.rows, common_deg2=block.rows.common_deg2 + extra)
            block = replace(block, rows=rows)
        return [*self.blocks[:i], block, *self.blocks[i + 1 :]]

    def _all(self) -> Iterator[_Story]:
        for i, block in enumerate(self.blocks):
            yield from self._one_reading(i, block)
            yield from self._passes(i, block)
            yield from self._whole_run(i, block)
        yield from self._settings()
        yield from self._every_run()

    def _after(self, blocks: Sequence[_Block]) -> State:
        mean, cov = self.prior
        for b in blocks:
            noise = b.rows.noise_deg2 + b.rows.common_deg2
            mean, cov, _ = gaussian_update(mean, cov, b.design(), b.rows.toe_deg, noise)
        return mean, cov

    def _odds(
        self, i: int, block: _Block, extra: Array | None = None, jacobian: float = 0.0
    ) -> float:
        gain = _likelihood(self.others[i], block, extra) - self.logged[i] + jacobian
        return gain + float(np.log(PRIOR_ODDS))

    def _one_reading(self, i: int, block: _Block) -> Iterator[_Story]:
        rows = block.rows
        miss = np.abs(_misfit(self.others[i], block))
        for k in np.argsort(-miss)[:N_ROW_TRIED]:
            extra = np.zeros_like(rows.noise_deg2)
            extra[k, k] = READING_OFF_DEG**2
            suspect = Suspect(
                kind="one-reading",
                runs=(block.name,),
                # any of the run's readings might be the one
                log_odds=self._odds(i, block, extra) - float(np.log(len(miss))) + 1.0,
                sweep=rows.sweeps[rows.sweep[k]],
                travel_mm=float(rows.travel_mm[k]),
                line=rows.line[k],
            )
            yield _Story(suspect, self._told(i, block, extra))

    def _passes(self, i: int, block: _Block) -> Iterator[_Story]:
        rows = block.rows
        for k, sweep in enumerate(rows.sweeps):
            mine = rows.sweep == k
            for shape in (mine * 1.0, mine * rows.share):
                extra = np.outer(shape, shape) * ZERO_OFF_DEG**2
                suspect = Suspect(
                    kind="zero-drift",
                    runs=(block.name,),
                    sweep=sweep,
                    log_odds=self._odds(i, block, extra),
                )
                yield _Story(suspect, self._told(i, block, extra))
            turned = self._again(block, partial(_pass_reversed, sweep=sweep))
            if turned is not None:
                suspect = Suspect(
                    kind="pass-reversed",
                    runs=(block.name,),
                    sweep=sweep,
                    log_odds=self._odds(i, turned),
                )
                yield _Story(suspect, self._told(i, turned))

    def _whole_run(self, i: int, block: _Block) -> Iterator[_Story]:
        name, n = (block.name,), len(block.rows.toe_deg)
        tilt = block.rows.travel_mm / TILT_BASE_MM * TILT_OFF_DEG
        extra = np.outer(tilt, tilt)
        odds = self._odds(i, block, extra) + float(np.log(ASKEW_ODDS / PRIOR_ODDS))
        suspect = Suspect(kind="level-not-held", runs=name, log_odds=odds)
        yield _Story(suspect, self._told(i, block, extra))
        stories: list[tuple[SuspectKind, Retelling, float]] = [
            ("wrong-unit", partial(_scaled, factor=f), n * float(np.log(f)))
            for f in (MM_PER_INCH, 1.0 / MM_PER_INCH)
        ]
        if len(self.blocks) > 1:
            stories.append(("travel-sign", _travel_turned, 0.0))
            stories.append(("dial-sign", partial(_scaled, factor=-1.0), 0.0))
        for kind, story, jacobian in stories:
            told = self._again(block, story)
            if told is not None:
                odds = self._odds(i, told, jacobian=jacobian)
                yield _Story(Suspect(kind=kind, runs=name, log_odds=odds), self._told(i, told))

    def _settings(self) -> Iterator[_Story]:
        """Rows of runs.csv that may be wrong; they move the settings, not the readings."""
        runs, reference = self.evidence.runs, self.evidence.reference
        total = _chain(self.prior, self.blocks)
        names = [r.name for r in runs]
        for i, run in enumerate(runs):
            swapped = replace(run, above_mm=run.below_mm, below_mm=run.above_mm)
            if run.above_mm != run.below_mm:
                yield self._moved("shims-swapped", (run.name,), {run.name: swapped}, total)
            if run.name != reference.name and run.length_change_mm:
                turned = replace(run, length_change_mm=-run.length_change_mm)
                yield self._moved("length-sign", (run.name,), {run.name: turned}, total)
            for j in range(i):
                pair = (runs[j].name, run.name)
                if self.blocks[i].height_mm == self.blocks[j].height_mm and (
                    self.blocks[i].change_mm == self.blocks[j].change_mm
                ):
                    continue
                order = list(range(len(names)))
                order[i], order[j] = order[j], order[i]
                swapped_blocks = [
                    replace(b, rows=self.blocks[k].rows, readings=self.blocks[k].readings)
                    for b, k in zip(self.blocks, order, strict=True)
                ]
                odds = _chain(self.prior, swapped_blocks) - total + float(np.log(PRIOR_ODDS))
                suspect = Suspect(kind="runs-exchanged", runs=pair, log_odds=odds)
                yield _Story(suspect, swapped_blocks)

    def _moved(
        self, kind: SuspectKind, runs: tuple[str, ...], rows: dict[str, Run], total: float
    ) -> _Story:
        told = replace(
            self.evidence,
            reference=rows.get(self.evidence.reference.name, self.evidence.reference),
            runs=tuple(rows.get(r.name, r) for r in self.evidence.runs),
        )
        blocks = []
        for run, block in zip(told.runs, self.blocks, strict=True):
            height, change = told.setting_of(run)
            blocks.append(replace(block, height_mm=height, change_mm=change))
        odds = _chain(self.prior, blocks) - total + float(np.log(PRIOR_ODDS))
        return _Story(Suspect(kind=kind, runs=runs, log_odds=odds), blocks, told)

    def _every_run(self) -> Iterator[_Story]:
        """The dial's direction or the side, and the travel's sign, wrong throughout."""
        if len(self.blocks) < 2:
            return
        total = _chain(self.prior, self.blocks)
        stories: tuple[tuple[SuspectKind, Retelling], ...] = (
            ("dial-sign", partial(_scaled, factor=-1.0)),
            ("travel-sign", _travel_turned),
        )
        for kind, story in stories:
            told = [self._again(b, story) for b in self.blocks]
            kept = [b for b in told if b is not None]
            if len(kept) == len(self.blocks):
                odds = _chain(self.prior, kept) - total + float(np.log(PRIOR_ODDS))
                yield _Story(Suspect(kind=kind, runs=(), log_odds=odds), kept)

    def _again(self, block: _Block, story: Retelling) -> _Block | None:
        """The run read anew under a story; None where the story makes no sense."""
        readings = tuple(story(block.readings))
        try:
            rows = raw_rows(block.name, readings, self.gauge)
        except (TooFewReadingsError, CallError):
            return None
        return replace(block, readings=readings, rows=rows)


def _block(
    run: Run, setting: tuple[float, float], readings: Sequence[Reading], gauge: Gauge
) -> _Block:
    return _Block(
        name=run.name,
        height_mm=setting[0],
        change_mm=setting[1],
        rows=raw_rows(run.name, readings, gauge),
        readings=tuple(readings),
    )


def _scaled(readings: Sequence[Reading], factor: float) -> list[Reading]:
    return [replace(r, value=r.value * factor) for r in readings]


def _travel_turned(readings: Sequence[Reading]) -> list[Reading]:
    return [replace(r, travel_mm=-r.travel_mm) for r in readings]


def _pass_reversed(readings: Sequence[Reading], sweep: str) -> list[Reading]:
    mine = [r for r in readings if r.sweep == sweep]
    values = iter([r.value for r in reversed(mine)])
    return [replace(r, value=next(values)) if r.sweep == sweep else r for r in readings]


def _likelihood(state: State, block: _Block, extra: Array | None = None) -> float:
    """Log density of a run's rows given the others, over how loud the gauge may be."""
    mean, cov = state
    design, rows = block.design(), block.rows
    m = N_COEFFICIENT
    known = design @ cov[:m, :m] @ design.T + rows.common_deg2
    if extra is not None:
        known = known + extra
    gap = rows.toe_deg - design @ mean[:m]
    logs = []
    for factor, weight in NOISE_FACTORS:
        root = np.linalg.cholesky(known + factor**2 * rows.noise_deg2)
        white = np.linalg.solve(root, gap)
        log = -0.5 * float(white @ white) - float(np.sum(np.log(np.diag(root))))
        logs.append(log + float(np.log(weight)))
    return float(np.logaddexp.reduce(logs)) - 0.5 * len(gap) * float(np.log(2.0 * np.pi))


def _misfit(state: State, block: _Block) -> Array:
    """How many deviations each row is off what all the other rows foretell, (n_row,)."""
    mean, cov = state
    design, rows = block.design(), block.rows
    m = N_COEFFICIENT
    whole = design @ cov[:m, :m] @ design.T + rows.common_deg2 + rows.noise_deg2
    inverse = np.linalg.inv(whole)
    gap = rows.toe_deg - design @ mean[:m]
    return np.asarray(inverse @ gap / np.sqrt(np.diag(inverse)))


def _chain(prior: State, blocks: Sequence[_Block]) -> float:
    """Log density of all runs together."""
    mean, cov = prior
    total = 0.0
    for b in blocks:
        total += _likelihood((mean, cov), b)
        noise = b.rows.noise_deg2 + b.rows.common_deg2
        mean, cov, _ = gaussian_update(mean, cov, b.design(), b.rows.toe_deg, noise)
    return total
