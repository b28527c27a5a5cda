"""Both corners of an axle: one setting for both or one each, and what the pair then does.

Each corner has its own surface, fitted to its own readings, so the two are independent.
Both sides alike means one joint height and one length change, each from its own side's
reference setting, that shims, thread and pivot allow on both sides.
"""

from __future__ import annotations

from typing import Literal

from optimizer.advise.advice import Advice, Move
from optimizer.advise.limits import hard_limits, limits_today, refuse
from optimizer.advise.pair import Both, PairAnswer, Side
from optimizer.advise.room import At, Limit
from optimizer.advise.stacks import Split, possible_splits, split_of
from optimizer.advise.table import SAME_HEIGHT_MM, SAME_LENGTH_MM
from optimizer.errors import CallError, NothingCanBeMadeError, TooFewReadingsError
from optimizer.record import record
from optimizer.records import Axle, Corner, Logbook, Run


@record
class AxleAdvice:
    """The whole answer for an axle whose corners both have readings.

    Attributes
    ----------
    axle, stated : the axle, and whether car.toml has its table
    left, right : each corner's own advice, as ``next`` gives it
    now : how both stand
    alike : the best setting that both sides can share; None where none can be shared
    alike_as_wished : that setting is among what both sides' wishes leave
    own : the best of each side
    action : set what is advised, or stay; never stay where a side stands past a limit
    gain_deg : expected gain of what is advised over how both stand
    """

    axle: Axle
    stated: bool
    left: Advice
    right: Advice
    now: PairAnswer
    alike: PairAnswer | None
    alike_as_wished: bool
    own: PairAnswer
    action: Literal["set", "stay"]
    gain_deg: float
    worthwhile_deg: float

    @property
    def past_today(self) -> tuple[str, ...]:
        """Corners that stand past a limit that a car must not be driven past."""
        sides = ((self.axle.left, self.now.left_limits), (self.axle.right, self.now.right_limits))
        return tuple(name for name, limits in sides if _is_past(limits))

    @property
    def wanted(self) -> PairAnswer:
        """The answer of the kind that the crew wants, where it can be made."""
        return self.alike if self.axle.same and self.alike is not None else self.own

    @property
    def advised(self) -> PairAnswer:
        """What is advised."""
        return self.now if self.action == "stay" else self.wanted

    @property
    def cost_of_sameness_deg(self) -> float | None:
        """Score of one setting for both less that of one each; never below zero."""
        if self.alike is None:
            return None
        return self.alike.figures.score_deg.value - self.own.figures.score_deg.value


WhyNot = Literal["hardware", "end", "face", "ahead", "pivot", "split", "length", "limit"]


@record
class Refusal:
    """Why a corner cannot take the other one's setting.

    Attributes
    ----------
    said : of ``hardware``, what stands against any setting of the corner
    limit : of ``limit``, the one that the setting would be past there
    """

    why: WhyNot
    said: str = ""
    limit: Limit | None = None


@record
class HalfAxle:
    """The answer where one corner has no readings.

    Attributes
    ----------
    measured : the other corner's own advice
    limits : its limits after the move and today
    missing : the corner without readings
    missing_limits : of its limits, those that need no readings, as it stands
    offered_for_both : both sides are to be alike and nothing known stands against it
    can_be_made : whether the missing side's hardware makes the setting; None where its rows
        do not say how it stands
    refusal : why not; None where nothing known stands against it
    """

    axle: Axle
    stated: bool
    measured: Advice
    limits: tuple[Limit, ...]
    missing: Corner
    missing_limits: tuple[Limit, ...]
    move: Move
    offered_for_both: bool
    can_be_made: bool | None
    refusal: Refusal | None


def axles_of(book: Logbook) -> dict[str, Axle]:
    """The axles that car.toml states, then corners whose names differ by their side alone."""
    out = dict(book.axles)
    taken = {name for axle in out.values() for name in (axle.left, axle.right)}
    free = [c for c in book.corners.values() if c.name not in taken]
    for left in (c for c in free if c.side == "left"):
        for right in (c for c in free if c.side == "right"):
            key = _without_side(left)
            if key is None or key != _without_side(right):
                continue
            name = key if key and key not in out else f"{left.name} and {right.name}"
            out[name] = Axle(
                name=name, left=left.name, right=right.name, place=_place(key, left, right)
            )
    return out


def _without_side(corner: Corner) -> str | None:
    """A corner's name less the word, or the last letter, that tells its side."""
    name = corner.name.casefold()
    if corner.side in name:
        return name.replace(corner.side, "").strip("-_ ")
    if name.endswith(corner.side[0]):
        return name[:-1].strip("-_ ")
    return None


def _place(key: str, left: Corner, right: Corner) -> Literal["front", "rear"]:
    if "front" in key or key == "f":
        return "front"
    steered = left.steered and right.steered and "rear" not in key
    return "front" if steered else "rear"


def axle_named(book: Logbook, name: str | None) -> tuple[Axle, ...]:
    """The axle asked for, or all of them.

    Raises
    ------
    CallError
        If the logbook has no such axle, or none at all.
    """
    known = axles_of(book)
    if not known:
        raise CallError(
            "no two corners of the logbook share an axle",
            "name both corners of one under [axle.rear] in car.toml",
        )
    if name is None:
        return tuple(known.values())
    if name not in known:
        raise CallError(f"the logbook has no axle {name!r}", f"use one of {', '.join(known)}")
    return (known[name],)


def advise_axle(book: Logbook, axle: Axle) -> AxleAdvice | HalfAxle:
    """Solve both corners together.

    Parameters
    ----------
    book : a read logbook
    axle : one of :func:`axles_of`

    Raises
    ------
    TooFewReadingsError
        If neither corner has a run with readings.
    NothingCanBeMadeError
        If one side's shims, thread, pivot and limits leave no setting.
    """
    found: dict[str, Side] = {}
    for name in (axle.left, axle.right):
        try:
            found[name] = Side(book, name)
        except TooFewReadingsError:
            continue
    if not found:
        raise TooFewReadingsError(
            f"neither corner of the {axle.name} axle has a run with readings",
            "measure one run of each side and enter it",
        )
    stated = axle.name in book.axles
    if len(found) < 2:
        return _half(book, axle, next(iter(found.values())), stated)
    both = Both(axle, found[axle.left], found[axle.right])
    now = both.answer((both.left.table.now, both.right.table.now))
    pair = both.alike()
    alike = None if pair is None else both.answer(pair)
    own = both.answer((both.left.advice.best_guess, both.right.advice.best_guess))
    if (
        both.as_wished
        and alike is not None
        and alike.figures.score_deg.value <= own.figures.score_deg.value
    ):
        own = alike  # each side's ties went another way: nothing is gained by one each
    wanted = alike if axle.same and alike is not None else own
    gain = both.gain_deg(wanted)
    worth = min(a.goal.worthwhile_deg for a in (both.left.advice, both.right.advice))
    as_wanted = alike is None or not axle.same or both.stand_alike()
    past = _is_past(now.left_limits) or _is_past(now.right_limits)
    return AxleAdvice(
        axle=axle,
        stated=stated,
        left=both.left.advice,
        right=both.right.advice,
        now=now,
        alike=alike,
        alike_as_wished=both.as_wished,
        own=own,
        action="stay" if gain < worth and as_wanted and not past else "set",
        gain_deg=gain,
        worthwhile_deg=worth,
    )


def _is_past(limits: tuple[Limit, ...]) -> bool:
    return any(limit.unsafe_now for limit in limits)


def _half(book: Logbook, axle: Axle, side: Side, stated: bool) -> HalfAxle:
    """What one measured corner says of an axle."""
    missing = book.corners[axle.right if side.corner.name == axle.left else axle.left]
    spot = side.advice.best_guess
    move = side.table.move(spot)
    now = _stands_at(book, missing)
    refusal = _refusal(book, side, missing, now)
    return HalfAxle(
        axle=axle,
        stated=stated,
        measured=side.advice,
        limits=side.limits(move),
        missing=missing,
        missing_limits=()
        if now is None
        else limits_today(missing, book.reference_of(missing.name), now),
        move=move,
        offered_for_both=axle.same and refusal is None,
        can_be_made=False if refusal is not None else None if now is None else True,
        refusal=refusal,
    )


def _stands_at(book: Logbook, corner: Corner) -> Run | None:
    """Where a corner that was never measured stands: the run car.toml names, or its reference."""
    rows = book.runs_of(corner.name)
    if not rows:
        return None
    named = next((r for r in rows if r.name == corner.current_run), None)
    return named or book.reference_of(corner.name)


def _refusal(book: Logbook, side: Side, other: Corner, now: Run | None) -> Refusal | None:
    """What is known of an unmeasured corner against the other side's best guess there.

    Parameters
    ----------
    side : the measured side
    other : the corner that was never measured
    now : where it stands; None where its rows do not say, and its stacks and lengths with it
    """
    mine, spot = side.corner, side.advice.best_guess
    try:
        # with the other side's shims, as it would then be
        refuse(other, now or book.reference_of(mine.name))
    except NothingCanBeMadeError as error:
        return Refusal(why="hardware", said=error.found)
    if other.stack.end != mine.stack.end or other.stack.rack != mine.stack.rack:
        return Refusal(why="end")
    if other.stack.face != mine.stack.face:
        return Refusal(why="face")
    if other.ahead != mine.ahead:
        return Refusal(why="ahead")
    change = spot.length_change_mm
    if (other.eccentric.kind == "none") != (mine.eccentric.kind == "none"):
        return Refusal(why="pivot")
    if now is None:
        fixed = other.thread.kind == "fixed" and abs(change) >= SAME_LENGTH_MM
        return Refusal(why="length") if fixed else None
    reference = book.reference_of(other.name)
    stands_mm = now.length_change_mm - reference.length_change_mm
    if other.thread.kind == "fixed" and abs(change - stands_mm) >= SAME_LENGTH_MM:
        return Refusal(why="length")
    split = _split_there(other, now, reference, spot.height_mm)
    if split is None:
        return Refusal(why="split")
    there = At.one(split, change)
    for limit in hard_limits(other, reference):
        told = limit.report(there, there)
        if told.status == "over":
            return Refusal(why="limit", limit=told)
    return None


def _split_there(corner: Corner, now: Run, reference: Run, height_mm: float) -> Split | None:
    """The stacks that give a corner a joint height; None where its shims do not."""
    try:
        splits = possible_splits(corner.stack, now, reference)
    except NothingCanBeMadeError:
        splits = (split_of(now, reference, corner.stack),)
    near = [s for s in splits if abs(s.height_mm - height_mm) < SAME_HEIGHT_MM]
    return min(near, key=lambda s: abs(s.height_mm - height_mm), default=None)
