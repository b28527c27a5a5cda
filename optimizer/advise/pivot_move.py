"""What a move asks of the pivot: way, angle and mark, and what the gauge has to take out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.eccentric import (
    Band,
    CamTurn,
    StaticToe,
    band_of,
    formula_error_mm,
    shift_draws_mm,
    static_toe,
)
from optimizer.advise.evidence import Evidence
from optimizer.advise.link_body import step_mm
from optimizer.advise.mark_worth import (
    HAND_SD_DEG,
    HAND_SD_MM,
    MARK_SD,
    TOE_SD_DEG,
    MarkWorth,
)
from optimizer.advise.pivot import CAMS, DEAD_DEG, Pivot, held, off_mm
from optimizer.model.arc import Link, eccentric_shift_mm, static_toe_error_deg
from optimizer.record import record
from optimizer.records import Logbook, Run, Thread
from optimizer.units import DEG

Array = NDArray[np.float64]

Setting = tuple[float, float]
Lacking = Literal["worth", "both", "rough", "degrees", "mark"]

_FLAT_COSINE = 0.05  # nearer its dead point a turn's error is not told any finer


@record
class PivotReport:
    """What is known of the pivot, and what the two ends of a rack say of each other.

    Attributes
    ----------
    worth : a mark's worth or a throw fitted from static toe
    lacking : what keeps marks or range from being told: no throw or mark's worth, neither
        throw nor degrees for each mark, too rough a fit, no degrees for each mark, no mark
        logged where the car stands
    marked : the crew logs marks
    backwards : static toe at the marks runs against marks that count inboard
    past_dead : runs whose mark would turn the cam past its dead point; it is not used
    not_held : the run that the car stands at, where the cam as stated cannot have held
        static toe and no mark tells where it stands
    rack_partner : corners whose joints the same rack moves
    rack_differs : (date, corner) where both ends of a rack were logged with other shims
    """

    worth: MarkWorth | None = None
    lacking: Lacking | None = None
    marked: bool = False
    backwards: bool = False
    past_dead: tuple[str, ...] = ()
    not_held: str | None = None
    rack_partner: tuple[str, ...] = ()
    rack_differs: tuple[tuple[str, str], ...] = ()


def static_toe_of(
    link: Link, new: Setting, now: Setting, pivot: Pivot, mark: float | None, thread: Thread
) -> StaticToe:
    """Work of the pivot from the present setting to a new one, whatever kind it is.

    Parameters
    ----------
    link : draws of the link, fields (n_draw, 1)
    new, now : height and length change, mm
    mark : where the pivot stands now, None where not logged
    thread : holds toe where the pivot does not move
    """
    base = static_toe(link, new, now, pivot.eccentric, pivot.end)
    if pivot.eccentric.kind == "none":
        return _by_thread(base, link, new, now, pivot, thread)
    if pivot.cannot_have_held(now, mark):
        return _by_hand(base, link, new, now, pivot)  # no angle to count from
    if pivot.turns:
        return _by_cam(base, link, new, now, pivot, mark)
    toe = pivot.table_toe_deg(link, now, mark)
    if toe is not None:
        return _by_table(base, link, new, now, pivot, toe)
    return _by_slot(base, link, new, now, pivot)


def _by_slot(base: StaticToe, link: Link, new: Setting, now: Setting, pivot: Pivot) -> StaticToe:
    """Straight marks; a way measured by hand where a mark's worth is not known."""
    needed = _needed_mm(link, new, now, pivot)
    errors = _normal(len(needed), 2).sum(axis=1)
    per_mark = pivot.eccentric.mm_per_mark
    if pivot.worth is None and per_mark is None:
        return _by_hand(base, link, new, now, pivot)
    if pivot.worth is not None:
        worth = pivot.worth.draws_mm(link)[:, 0]
        marks = band_of(needed / worth)
        made = (marks.value + MARK_SD * errors) * worth
        base = replace(base, marks=marks)
    else:
        made = base.shift_mm.value + MARK_SD * errors * (per_mark or 0.0)
    return replace(base, left_deg=_left(link, needed - made))


def _by_hand(base: StaticToe, link: Link, new: Setting, now: Setting, pivot: Pivot) -> StaticToe:
    """A way by the plain shift formula, set by hand."""
    needed = _needed_mm(link, new, now, pivot)
    made = base.shift_mm.value + HAND_SD_MM * _normal(len(needed), 2).sum(axis=1)
    return replace(base, left_deg=_left(link, needed - made))


def _by_cam(
    base: StaticToe, link: Link, new: Setting, now: Setting, pivot: Pivot, mark: float | None
) -> StaticToe:
    """A cam's turn; a free one's lift is in both ends of it."""
    cam, end = pivot.eccentric, pivot.end
    throw = np.full((1, 1), cam.throw_mm)
    if pivot.worth is not None:
        throw = np.maximum(pivot.worth.draws_mm(link), 0.1 * pivot.worth.value_mm)
    here = pivot.at_mark(mark, throw)
    off = off_mm(pivot, link, now, here)
    counted = here is not None or pivot.reference_mark is None
    here = here or held(cam, link, *now, end, throw_mm=throw)
    there = held(cam, link, *new, end, throw_mm=throw, off_mm=off)
    n = len(np.asarray(link.arm_mm))
    error = formula_error_mm(n, np.array(new) - np.array(now))
    # what static toe asks for, which a cam at its dead point may not give
    wanted = eccentric_shift_mm(link, *new, end=end, lift_mm=there.lift_mm) + off
    shift = _flat(wanted - here.shift_mm, n) + error
    per_deg = throw / DEG * np.maximum(np.cos(there.angle_deg / DEG), _FLAT_COSINE)
    start = _flat(here.angle_deg, n)
    turn = band_of(_flat(there.angle_deg, n) - start + error / _flat(per_deg, n))
    step = cam.deg_per_mark
    errors = _normal(n, 2).sum(axis=1) * (HAND_SD_DEG if step is None else MARK_SD * step)
    ends = start + turn.value + errors
    made = _flat(throw, n) * (np.sin(ends / DEG) - np.sin(start / DEG))
    angle = float(np.clip(np.mean(start) + turn.value, -DEAD_DEG, DEAD_DEG))
    stays = eccentric_shift_mm(link, *new, end=end, lift_mm=here.lift_mm) + off
    forgotten = static_toe_error_deg(link, stays - here.shift_mm)[:, 0]
    total = float(np.mean(there.shift_mm))
    mean_throw, sine = float(np.mean(throw)), np.sin(angle / DEG)
    marks = None
    if step is not None:
        marks = replace(turn, value=turn.value / step, low=turn.low / step, high=turn.high / step)
    return replace(
        base,
        shift_mm=band_of(shift),
        marks=marks,
        forgotten_deg=band_of(forgotten),
        left_inboard_mm=_least(mean_throw * (1.0 - sine), cam.inboard_left_mm, -total),
        left_outboard_mm=_least(mean_throw * (1.0 + sine), cam.outboard_left_mm, total),
        total_mm=total,
        left_deg=_left(link, shift - made),
        mark=mark + marks.value if marks is not None and mark is not None and counted else None,
        cam=CamTurn(
            turn_deg=turn,
            angle_deg=angle,
            inboard_deg=DEAD_DEG - angle,
            outboard_deg=DEAD_DEG + angle,
            lift_mm=float(np.mean(there.lift_mm - here.lift_mm)),
        ),
    )


def _by_table(
    base: StaticToe, link: Link, new: Setting, now: Setting, pivot: Pivot, toe_deg: Array
) -> StaticToe:
    """The mark whose measured toe takes back what the move does."""
    table = np.array(pivot.eccentric.toe_at_marks)
    rising = table if table[0, 1] < table[-1, 1] else table[::-1]
    needed = _needed_mm(link, new, now, pivot)
    arm = np.asarray(link.arm_mm, float)[:, 0]
    start = _flat(toe_deg, len(arm))
    wanted = start + needed / arm * DEG
    here, there = (np.interp(t, rising[:, 1], rising[:, 0]) for t in (start, wanted))
    marks = band_of(there - here)
    mark = float(np.mean(here)) + marks.value
    # each toe of the table was read on the gauge too
    seen = table[:, 1] + TOE_SD_DEG * _normal(len(arm), len(table), seed=37)
    errors = MARK_SD * _normal(len(arm), 2)
    got = _interpolated(here + errors[:, 0] + marks.value + errors[:, 1], table[:, 0], seen)
    left = got - _interpolated(here, table[:, 0], seen) - (wanted - start)
    new_toe = float(np.mean(wanted))
    room = [float(np.mean(arm)) * (t - new_toe) / DEG for t in table[[0, -1], 1]]
    outboard, inboard = -min(room), max(room)
    stated = pivot.eccentric
    return replace(
        base,
        marks=marks,
        left_inboard_mm=_least(inboard, stated.inboard_left_mm, -base.total_mm),
        left_outboard_mm=_least(outboard, stated.outboard_left_mm, base.total_mm),
        left_deg=band_of(left),
        mark=mark,
    )


def _by_thread(
    base: StaticToe, link: Link, new: Setting, now: Setting, pivot: Pivot, thread: Thread
) -> StaticToe:
    """The length holds static toe, to the nearest step of the thread."""
    step = step_mm(thread)
    if step is None:
        return base
    needed = _needed_mm(link, new, now, pivot)
    rounding = step / 12.0**0.5 * _normal(len(needed), 1)[:, 0]
    return replace(base, left_deg=_left(link, needed + rounding))


def _needed_mm(link: Link, new: Setting, now: Setting, pivot: Pivot) -> Array:
    """Draws (n_draw,) of the shift a move asks for, the formula's own error among them."""
    at = np.array([new, now])
    total = shift_draws_mm(link, at[:, 0], at[:, 1], pivot.end)
    return total[:, 0] - total[:, 1] + formula_error_mm(len(total), at[0] - at[1])


def _flat(values: Array, n: int) -> Array:
    """One value a draw, (n_draw,)."""
    return np.asarray(np.broadcast_to(values, (n, 1))[:, 0])


def _left(link: Link, missing_mm: Array) -> Band:
    return band_of(static_toe_error_deg(link, missing_mm[:, None])[:, 0])


def _least(end_mm: float, stated_mm: float | None, gone_mm: float) -> float:
    """Way left: to the cam's or table's end, or to what the crew states if that comes first."""
    return end_mm if stated_mm is None else min(end_mm, stated_mm + gone_mm)


def _normal(n: int, columns: int, seed: int = 41) -> Array:
    """Fixed standard normal draws: the same logbook always gives the same answer."""
    return np.random.default_rng(seed).standard_normal((n, columns))


def _interpolated(at: Array, marks: Array, toe: Array) -> Array:
    """Each row's table (n_draw, n_mark) read at its own mark (n_draw,)."""
    after = np.clip(np.searchsorted(marks, at), 1, len(marks) - 1)
    rows = np.arange(len(at))
    share = (at - marks[after - 1]) / (marks[after] - marks[after - 1])
    return np.asarray((1.0 - share) * toe[rows, after - 1] + share * toe[rows, after])


def pivot_report(book: Logbook, evidence: Evidence) -> PivotReport:
    """What to say of the pivot beside the move."""
    pivot, corner = evidence.pivot, evidence.corner
    table = pivot.eccentric.toe_at_marks
    rises = bool(table) and table[-1][1] > table[0][1]
    now, here = evidence.now, evidence.setting_of(evidence.now)
    partners = tuple(n for n, c in book.corners.items() if c.stack.rack and n != corner.name)
    return PivotReport(
        worth=pivot.worth,
        lacking=_lacking(pivot, evidence.now),
        marked=any(r.eccentric_mark is not None for r in book.runs_of(corner.name)),
        backwards=pivot.backwards
        or (pivot.eccentric.kind == "marks" and bool(table) and rises != corner.ahead),
        past_dead=_past_dead(book.runs_of(corner.name), pivot),
        not_held=now.name if pivot.cannot_have_held(here, now.eccentric_mark) else None,
        rack_partner=partners if corner.stack.rack else (),
        rack_differs=_rack_differs(book, corner.name, partners) if corner.stack.rack else (),
    )


def _lacking(pivot: Pivot, now: Run) -> Lacking | None:
    kind = pivot.eccentric.kind
    if kind == "none":
        return None
    if kind == "marks":
        known = now.eccentric_mark is not None or pivot.reference_mark is not None
        return None if known else "mark"
    if kind in CAMS and pivot.eccentric.deg_per_mark is None:
        return "degrees" if pivot.turns else "both"
    if pivot.turns or pivot.eccentric.mm_per_mark is not None:
        return None
    return "rough" if pivot.rough else "worth"


def _past_dead(runs: Sequence[Run], pivot: Pivot) -> tuple[str, ...]:
    if not pivot.turns or pivot.reference_mark is None or pivot.eccentric.deg_per_mark is None:
        return ()
    marked = [r for r in runs if r.eccentric_mark is not None]
    return tuple(r.name for r in marked if pivot.at_mark(r.eccentric_mark) is None)


def _rack_differs(
    book: Logbook, corner: str, partners: tuple[str, ...]
) -> tuple[tuple[str, str], ...]:
    """Days on which no row of the other end has a stack that this end's rows have."""

    def stacks(name: str) -> dict[str, set[tuple[float, float]]]:
        out: dict[str, set[tuple[float, float]]] = {}
        for run in book.runs_of(name):
            if run.date:
                pair = round(sum(run.above_mm), 3), round(sum(run.below_mm), 3)
                out.setdefault(run.date, set()).add(pair)
        return out

    mine = stacks(corner)
    return tuple(
        (date, name)
        for name in partners
        for date, theirs in stacks(name).items()
        if date in mine and not mine[date] & theirs
    )
