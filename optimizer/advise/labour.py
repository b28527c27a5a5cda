"""Minutes of work: what a move costs, what an hour of it gains, and what shares the work."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import permutations
from typing import TYPE_CHECKING, Literal

from optimizer.record import record
from optimizer.records import Labour

if TYPE_CHECKING:
    from optimizer.advise.advice import Move

Part = Literal["shims", "length", "alignment", "run"]

# least that a hand can tell: of the joint and of the link, mm; of static toe, degrees
MOVED_MM = 0.005
TOE_MOVED_DEG = 0.02
SAME_LINK_MM = 0.1
MOST_IN_BATCH = 5


@record
class Minutes:
    """Minutes of the parts that the crew states, and the parts it does not.

    Attributes
    ----------
    parts : each part of the work that is needed, with its minutes where they are stated
    """

    parts: tuple[tuple[Part, float | None], ...]

    @property
    def known_min(self) -> float:
        """Sum of what is stated."""
        return sum(m for _, m in self.parts if m is not None)

    @property
    def unknown(self) -> tuple[Part, ...]:
        """Parts needed whose minutes nobody stated."""
        return tuple(name for name, m in self.parts if m is None)

    @property
    def total_min(self) -> float | None:
        """The whole, or None where a part is not stated."""
        return None if self.unknown else self.known_min


@record
class Work:
    """The work of one setting: its minutes, and the gain for an hour of it (or None)."""

    minutes: Minutes
    gain_per_hour_deg: float | None


@record
class Batch:
    """Settings worth trying, in the order that turns the link least.

    Attributes
    ----------
    order : the moves, each counted from how the car stands now
    shared : indices into ``order`` of those that share one new length
    n_turned, n_turned_as_ranked : how often the link is turned in this order, and in the
        order of merit
    saved_min : minutes saved against the order of merit, or None where not stated
    """

    order: tuple[Move, ...]
    shared: tuple[int, ...]
    n_turned: int
    n_turned_as_ranked: int
    saved_min: float | None


@record
class Effort:
    """The labour of an answer.

    Attributes
    ----------
    labour : what the crew states
    work : of the advised move
    best_by_hour : place among the runners-up, from 0, of one that gains more in an hour than
        what is advised; None if none does or the minutes are not stated
    batch : settings that share work, if two or more do
    """

    labour: Labour
    work: Work
    best_by_hour: int | None
    batch: Batch | None


def minutes_of(move: Move, labour: Labour) -> Minutes:
    """Minutes of a move from how the car stands now, with its run.

    Static toe is set afresh whenever the move turns the link, or would move static toe if
    the pivot were forgotten.
    """
    needed: list[tuple[Part, float | None]] = []
    if _moves_shims(move):
        needed.append(("shims", labour.shims_min))
    if _turns(move):
        needed.append(("length", labour.length_min))
    if _moves_toe(move):
        needed.append(("alignment", labour.alignment_min))
    needed.append(("run", labour.run_min))
    return Minutes(parts=tuple(needed))


def minutes_of_both(left: Move, right: Move, labour: Labour) -> Minutes:
    """Minutes of a move on each side of an axle, a run of each; one alignment does for both."""
    parts: dict[Part, float | None] = {}
    for move in (left, right):
        for name, minutes in minutes_of(move, labour).parts:
            if name == "alignment" or name not in parts:
                parts[name] = minutes
            else:
                before = parts[name]
                parts[name] = None if before is None or minutes is None else before + minutes
    return Minutes(parts=tuple(parts.items()))


def work_of(move: Move, gain_deg: float, labour: Labour) -> Work:
    """Minutes of a move and what an hour of it is expected to gain, degrees."""
    minutes = minutes_of(move, labour)
    total = minutes.total_min
    per_hour = gain_deg / total * 60.0 if total else None
    return Work(minutes=minutes, gain_per_hour_deg=per_hour)


def effort_of(
    labour: Labour, move: Move, work: Work, others: Sequence[tuple[Move, Work]]
) -> Effort:
    """The labour of an advised move beside the runners-up, which are in order of merit."""
    own = work.gain_per_hour_deg
    rates = [w.gain_per_hour_deg for _, w in others]
    best = max(
        (i for i, rate in enumerate(rates) if rate is not None),
        key=lambda i: (rates[i], -i),
        default=None,
    )
    if best is not None and (own is None or (rates[best] or 0.0) <= own):
        best = None
    return Effort(
        labour=labour,
        work=work,
        best_by_hour=best,
        batch=batch_of([move, *(m for m, _ in others)], labour),
    )


def batch_of(moves: Sequence[Move], labour: Labour) -> Batch | None:
    """An order of settings that turns the link least; None unless two share a new length.

    Each setting is followed by its run; the link and the shims go from one setting to the
    next. Of the orders that turn the link least, the one that moves the shims least and
    then keeps nearest to the order of merit.

    Parameters
    ----------
    moves : settings in order of merit, all counted from how the car stands now
    """
    moves = list(moves)[:MOST_IN_BATCH]
    turned = [m.turn.change_mm for m in moves if _turns(m)]
    if not any(abs(a - b) < SAME_LINK_MM for k, a in enumerate(turned) for b in turned[k + 1 :]):
        return None
    order = min(
        permutations(range(len(moves))), key=lambda p: (*_changes([moves[i] for i in p]), p)
    )
    best = tuple(moves[i] for i in order)
    (few, shims), (ranked, ranked_shims) = _changes(best), _changes(moves)
    saved: float | None = None
    stated = (labour.length_min, labour.shims_min)
    if stated[0] is not None and stated[1] is not None:
        saved = (ranked - few) * stated[0] + (ranked_shims - shims) * stated[1]
    return Batch(
        order=best,
        shared=_shared(best),
        n_turned=few,
        n_turned_as_ranked=ranked,
        saved_min=saved,
    )


def _shared(order: Sequence[Move]) -> tuple[int, ...]:
    """The largest group of moves that share one new length, by their places."""
    groups = [
        tuple(
            k
            for k, other in enumerate(order)
            if _turns(other) and abs(other.turn.change_mm - move.turn.change_mm) < SAME_LINK_MM
        )
        for move in order
        if _turns(move)
    ]
    return max(groups, key=lambda group: (len(group), -group[0]))


def _changes(moves: Sequence[Move]) -> tuple[int, int]:
    """How often the link is turned and the shims are moved, one setting after the other."""
    length, height, turned, shims = 0.0, 0.0, 0, 0
    for move in moves:
        turned += abs(move.turn.change_mm - length) >= SAME_LINK_MM
        shims += abs(move.raise_mm - height) >= MOVED_MM
        length, height = move.turn.change_mm, move.raise_mm
    return turned, shims


def _moves_shims(move: Move) -> bool:
    return abs(move.raise_mm) >= MOVED_MM


def _turns(move: Move) -> bool:
    return abs(move.turn.change_mm) >= MOVED_MM


def _moves_toe(move: Move) -> bool:
    return _turns(move) or abs(move.static_toe.forgotten_deg.value) >= TOE_MOVED_DEG
