"""Which limits a corner's hardware has, what they leave of its settings, and what is refused.

The limits themselves are in :mod:`optimizer.advise.room`; words come from ``present``.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.joint import Tilts, ride_tilt_of
from optimizer.advise.room import (
    ROUNDING,
    At,
    BendingLimit,
    EngagementLimit,
    HardLimit,
    Limit,
    Name,
    PitchLimit,
    PivotLimit,
    ShimsLimit,
    ShowingLimit,
    ThreadLimit,
    TiltLimit,
)
from optimizer.advise.stacks import split_of
from optimizer.errors import NothingCanBeMadeError
from optimizer.record import record
from optimizer.records import Corner, Logbook, Run

Array = NDArray[np.float64]


def refuse(corner: Corner, now: Run) -> None:
    """NothingCanBeMadeError for hardware that this tool is not for."""
    stacked = bool(now.above_mm or now.below_mm or corner.stack.box_mm)
    axle = {"solid-axle": "a solid axle", "twist-beam": "a twist beam"}.get(corner.suspension)
    if axle is not None:
        raise NothingCanBeMadeError(
            f"corner {corner.name!r} is on {axle}, whose wheels do not toe on their own carriers",
            "nothing here fits it; if the wheel has its own carrier, mend `suspension`",
        )
    if corner.role == "camber-too":
        raise NothingCanBeMadeError(
            f"the link of corner {corner.name!r} also sets camber, so a length change for toe "
            "would move camber as far",
            "set it on an alignment rig; if another link holds camber, mend `role`",
        )
    if corner.stud.tapered and stacked:
        raise NothingCanBeMadeError(
            f"the stud of corner {corner.name!r} is tapered: it seats on its taper, and shims "
            "would hold it off",
            "take the shims out; fit a straight stud (bolt and rod end) before shims are used",
        )


def hard_limits(
    corner: Corner,
    reference: Run,
    *,
    pivot: PivotLimit | None = None,
    tilts: Tilts | None = None,
    travels_mm: Array | None = None,
) -> tuple[HardLimit, ...]:
    """The limits of a corner.

    Parameters
    ----------
    corner : with all that was said of its hardware
    reference : the run that heights are counted from
    pivot : of the inner pivot where it moves; left out without it
    tilts, travels_mm : what foresees the joint's tilt, and where; without travels tilt is
        left out
    """
    thread, joint, stud = corner.thread, corner.joint, corner.stud
    out: list[HardLimit] = []
    if pivot is not None and corner.eccentric.kind != "none":
        out.append(pivot)
    if thread.kind != "fixed":
        engaged = EngagementLimit(thread)
        known = engaged.stated and not engaged.asks()
        out.append(ThreadLimit(thread, engaged_known=known))
        if engaged.stated:
            out.append(engaged)
        if thread.pitch_mm is None:
            out.append(PitchLimit())
    if travels_mm is not None:
        out.append(TiltLimit(joint, tilts, travels_mm))
    side = reference.above_mm if corner.stack.face == "arm-above" else reference.below_mm
    out.append(ShowingLimit(stud, joint))
    out.append(BendingLimit(stud, joint, corner.stack.face, sum(side)))
    if corner.stack.most_shims is not None:
        out.append(ShimsLimit(corner.stack))
    return tuple(out)


@record
class Allowed:
    """Which settings every limit allows, (n_setting,), and how many each forbids."""

    keep: NDArray[np.bool_]
    ruled_out: tuple[tuple[Name, int], ...]


def allowed(limits: Sequence[HardLimit], at: At) -> Allowed:
    """Settings that are over no limit.

    Raises
    ------
    NothingCanBeMadeError
        If none is left: names what forbids them and what would open room.
    """
    keep = np.ones(len(at.height), dtype=bool)
    ruled_out: list[tuple[HardLimit, int]] = []
    for limit in limits:
        room = limit.room(at)
        if room is not None:
            over = room < -ROUNDING[limit.unit]
            keep &= ~over
            if np.any(over):
                ruled_out.append((limit, int(np.sum(over))))
    if not np.any(keep):
        raise _nothing(ruled_out, len(keep))
    return Allowed(keep=keep, ruled_out=tuple((limit.name, n) for limit, n in ruled_out))


def unsafe_today(book: Logbook) -> dict[str, tuple[Limit, ...]]:
    """By corner, the limits that the car stands past, of those that need no readings."""
    found = {}
    for name, corner in book.corners.items():
        runs = book.runs_of(name)
        read = [r for r in runs if book.readings_of(r.name)]
        named = next((r for r in runs if r.name == corner.current_run), None)
        if named is not None or runs:
            now = named or (read[-1] if read else book.reference_of(name))
            told = limits_today(corner, book.reference_of(name), now)
            past = tuple(limit for limit in told if limit.unsafe_now)
            if past:
                found[name] = past
    return found


def limits_today(corner: Corner, reference: Run, now: Run) -> tuple[Limit, ...]:
    """The limits that need no readings, as the car stands; a measured tilt at ride height alone."""
    split = split_of(now, reference, corner.stack)
    at = At.one(split, now.length_change_mm - reference.length_change_mm)
    tilts = ride_tilt_of(corner, split.height_mm)
    travels = None if tilts is None else np.zeros(1)
    held = hard_limits(corner, reference, tilts=tilts, travels_mm=travels)
    return tuple(limit.report(at, at) for limit in held)


def told_of_corner(
    error: NothingCanBeMadeError,
    corner: Corner,
    reference: Run,
    now: Run,
    foreseen: Sequence[Limit] = (),
) -> NothingCanBeMadeError:
    """The error with its corner named, led by what the car must not be driven with today.

    Parameters
    ----------
    error : why nothing can be made
    corner, reference, now : whose it is, and the run that the car stands at
    foreseen : limits as the car stands that need readings, tilt over its travel among them
    """
    by_name = {limit.name: limit for limit in limits_today(corner, reference, now)}
    by_name |= {limit.name: limit for limit in foreseen if limit.unsafe_now}
    past = [_past_today(limit) for limit in by_name.values() if limit.unsafe_now]
    named = "" if repr(corner.name) in error.found else f"corner {corner.name!r}: "
    lead = ""
    if past:
        lead = f"DO NOT DRIVE IT as it stands: {', and '.join(past)}; "
        named = f"corner {corner.name!r}: "
    return NothingCanBeMadeError(f"{named}{lead}{error.found}", error.remedy)


def _past_today(limit: Limit) -> str:
    past = abs((limit.left_now or 0.0) + limit.give_or_take)
    size = {"deg": f"{past:.1f} deg", "share": f"{100.0 * past:.0f} in 100"}
    return _PAST[limit.name].format(size.get(limit.unit, f"{past:.1f} mm"))


_PAST: dict[Name, str] = {
    "thread": "the link stands {} past its thread limit",
    "engagement": "the link's thread is {} short of its least engaged",
    "tilt": "the joint tilts {} past what it allows",
    "showing": "thread past the nut is {} short",
    "bending": "the stud bends {} past its ceiling",
}


_WHY: dict[Name, tuple[str, str]] = {
    "eccentric": (
        "the eccentric has no range left",
        "check inboard_left and outboard_left of the eccentric",
    ),
    "thread": ("the thread has no length left", "check shorter and longer of the thread"),
    "engagement": (
        "too little thread stays engaged",
        "measure engaged_inner and engaged_outer again, or fit a longer rod end or body",
    ),
    "tilt": (
        "the joint may tilt past what it allows",
        "measure `tilt` at ride height to narrow it, clock the rod end square, or fit one that "
        "allows more",
    ),
    "showing": (
        "the stud is too short for nut, ball and stacks",
        "fit a longer stud, or thinner spacers, and do not drive it as it is",
    ),
    "bending": (
        "the stud bends past its ceiling",
        "fit a thicker stud or one of a higher class, hold it on both sides, or mend `load`",
    ),
    "shims": ("there are more shims than most_shims", "allow more of them"),
}


def _nothing(ruled_out: Sequence[tuple[HardLimit, int]], n_setting: int) -> NothingCanBeMadeError:
    alone = [limit.name for limit, n in ruled_out if n == n_setting]
    names = alone or [limit.name for limit, _ in ruled_out]
    if not names:
        return NothingCanBeMadeError(
            "the thread has no length left for any setting", _WHY["thread"][1]
        )
    each = "" if alone else ", each for some and together"
    return NothingCanBeMadeError(
        f"{', and '.join(_WHY[name][0] for name in names)}{each} for any setting",
        "; or ".join(_WHY[name][1] for name in names),
    )
