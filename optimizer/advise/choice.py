"""Which setting to measure next, and whether a run is worth it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.advice import Action, Spot, Verdict
from optimizer.advise.evidence import setting_curves
from optimizer.advise.lookahead import (
    TURNING_SHARE,
    Worth,
    shortlist,
    spread_out,
    worth_of_measuring,
)
from optimizer.advise.settings import Settings
from optimizer.advise.span import worth_by_span
from optimizer.advise.table import SAME_HEIGHT_MM, SAME_LENGTH_MM, Table, same_setting
from optimizer.record import record

Array = NDArray[np.float64]

SCORE_GRAIN_DEG = 1e-3
N_SHORTLIST = 200


@record
class Choice:
    """What to measure next, the setting held best so far, and what the run should gain."""

    spot: Spot
    action: Action
    best_guess: Spot
    gain_deg: float


@record
class Measured:
    """Measured settings: those one may settle for, and those of them that can still be made."""

    settled: list[Spot]
    makeable: list[Spot]


def ranked(table: Table, field: Settings, expected: Array) -> NDArray[np.intp]:
    """Settings from best to worst; ties go to the fewest shims and the least work."""
    shims = np.array([s.n_shim for s in field.splits])[field.which]
    turned = np.round(np.abs(field.change - table.now.length_change_mm), 4)
    moved = np.round(np.abs(field.height - table.now.height_mm), 4)
    grain = np.round(expected / SCORE_GRAIN_DEG)
    return np.lexsort((field.change, field.height, moved, turned, shims, grain))


def choose(
    table: Table,
    field: Settings,
    order: NDArray[np.intp],
    expected: Array,
    measured: Measured,
) -> Choice:
    """The setting whose measuring is worth most; the best guess unless another teaches more.

    A measured setting comes back only as a repeat, where the noise of its readings is
    what stands in the way. Where wishes have narrowed the field, a run that only teaches
    keeps to them too: it may turn out to be the last one, and then the car stands there.
    """
    makeable = measured.makeable
    best_guess = _best_guess(table, field, order, expected, makeable)
    spread = [field.spot(int(i)) for i in spread_out(field.height, field.change, expected)]
    fresh = [s for s in spread if table.measured_at(s) is None]
    if best_guess.run is None:
        fresh.insert(0, best_guess)
    candidates = [*fresh, *makeable]
    worth = _worth(table, field, expected, candidates, measured.settled, best_guess)
    turns = np.array([_turns(table, s.length_change_mm) for s in candidates])
    worthwhile = table.goal.worthwhile_deg
    at = worth.most(len(fresh), turns, worthwhile, led=best_guess.run is None)
    return Choice(
        spot=candidates[at],
        action="try" if at < len(fresh) else "repeat",
        best_guess=best_guess,
        gain_deg=float(worth.gain_deg[at]),
    )


def _best_guess(
    table: Table,
    field: Settings,
    order: NDArray[np.intp],
    expected: Array,
    makeable: list[Spot],
) -> Spot:
    """The setting held best: of all that can be made, the measured ones among them."""
    top = int(order[0])
    known = table.measured_at(field.spot(top))
    if known is not None and known in makeable:
        return known
    guess = _least_work(table, field, order)
    if makeable:
        ranks = table.ranks(makeable)
        best = int(np.argmin(ranks))
        if ranks[best] < expected[top]:
            return makeable[best]
    return guess


def can_be_made(field: Settings, spot: Spot) -> bool:
    """Whether shims, thread and eccentric still allow a measured setting.

    Its length need not be one of those that count from where the link stands now.
    """
    lengths = field.change[np.abs(field.height - spot.height_mm) < SAME_HEIGHT_MM]
    if not len(lengths):
        return False
    low, high = float(lengths.min()), float(lengths.max())
    return low - SAME_LENGTH_MM < spot.length_change_mm < high + SAME_LENGTH_MM


def _worth(
    table: Table,
    field: Settings,
    expected: Array,
    candidates: list[Spot],
    settled: list[Spot],
    best_guess: Spot,
) -> Worth:
    """What measuring each candidate is worth, against keeping the best measured setting.

    Where no measured one keeps to the wishes, against keeping the best guess.
    """
    few = shortlist(field.height, field.change, expected)
    best = table.measured[table.best_measured]
    held = settled.index(best) if best in settled else len(settled)
    settled = settled if best in settled else [*settled, best_guess]
    height, change = (
        np.append(own[few], [getattr(s, name) for s in settled])
        for own, name in ((field.height, "height_mm"), (field.change, "length_change_mm"))
    )
    by_span = table.target.measure == "peak-to-peak"
    return (worth_by_span if by_span else worth_of_measuring)(
        table.surface,
        table.target,
        candidates=_as_the_surface_takes(
            table,
            np.array([s.height_mm for s in candidates]),
            np.array([s.length_change_mm for s in candidates]),
        ),
        settle=_as_the_surface_takes(table, height, change),
        held=len(few) + held,
        like=setting_curves(table.evidence)[-1],
    )


def _as_the_surface_takes(table: Table, height: Array, change: Array) -> tuple[Array, Array]:
    return table.surface_height(height, change), change


def _least_work(table: Table, field: Settings, order: NDArray[np.intp]) -> Spot:
    """The best setting, or one that leaves the link alone where that is as good."""
    best = int(order[0])
    alone = [
        int(i)
        for i in order[:N_SHORTLIST]
        if not _turns(table, float(field.change[i]))
        and table.measured_at(field.spot(int(i))) is None
    ]
    if alone and best != alone[0]:
        pair = [best, alone[0]]
        scores = table.scores(field.height[pair], field.change[pair]).mean(axis=0)
        if scores[1] <= scores[0] + TURNING_SHARE * table.goal.worthwhile_deg:
            best = alone[0]
    return field.spot(best)


def _turns(table: Table, change_mm: float) -> bool:
    return abs(change_mm - table.now.length_change_mm) >= SAME_LENGTH_MM


def where_to_stop(
    table: Table, measured: Measured, limit_deg: float, *, may_stay: bool = True
) -> tuple[Spot, Action]:
    """Stay, unless going back to the best measured setting gains more than the limit.

    A setting that shims, thread or eccentric no longer allow is not gone back to, nor one
    that breaks a wish; where the car stands at one that does (``may_stay`` is false), going
    back needs no other gain.
    """
    now, makeable = table.now, measured.makeable
    if not makeable:
        return now, "stay"
    scores = [table.scores(m.height_mm, m.length_change_mm) for m in makeable]
    at = min(range(len(scores)), key=lambda i: (round(float(np.mean(scores[i])), 6), i))
    best = makeable[at]
    if same_setting(best, now):
        return now, "stay"
    here = table.scores(now.height_mm, now.length_change_mm)
    gain = float(np.mean(np.maximum(here - scores[at], 0.0)))
    return (best, "go-back") if gain >= limit_deg or not may_stay else (now, "stay")


def verdict_on(table: Table, choice: Choice) -> Verdict:
    """Go on if a run should gain more than the gauge resolves and the crew calls worthwhile.

    A repeat averages the gauge's noise out, so what one run resolves is no bar to it.
    """
    worth, seen = table.goal.worthwhile_deg, table.seen_deg
    if choice.action == "repeat":
        seen = 0.0
    limit = max(worth, seen)
    return Verdict(
        go_on=choice.gain_deg >= limit,
        gain_deg=choice.gain_deg,
        limit_deg=limit,
        limited_by="gauge" if seen > worth else "worthwhile",
    )
