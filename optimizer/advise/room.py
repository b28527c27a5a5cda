"""Room that each limit of the hardware leaves, at any setting and as the car stands.

Each limit is a small object that takes settings as arrays and gives the room left, positive
where the setting is allowed. What a limit cannot tell it does not forbid, but names what to
measure.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.eccentric import BAND_SD
from optimizer.advise.joint import Tilts, ball_tilt_deg
from optimizer.advise.link_body import ROUNDING_MM
from optimizer.advise.pivot import Pivot
from optimizer.advise.stacks import Split
from optimizer.advise.stud import (
    Stud,
    StudBending,
    bending_stress_mpa,
    plain_stud,
    stud_bending,
    threaded_stud,
)
from optimizer.errors import CallError
from optimizer.model.arc import Link
from optimizer.record import record
from optimizer.records import (
    JointStud,
    ShimmedJoint,
    Stack,
    StackFace,
    Thread,
)

Array = NDArray[np.float64]
Name = Literal[
    "eccentric",
    "thread",
    "engagement",
    "pitch",
    "tilt",
    "showing",
    "bending",
    "shims",
    "window",
]
Status = Literal["ok", "near", "over", "unknown", "not-reckoned"]
Unit = Literal["mm", "deg", "share", "shims"]

# what a car must not be driven with; the others are a crew's own wish, or cannot be passed
UNSAFE: tuple[Name, ...] = ("thread", "engagement", "tilt", "showing", "bending")
NEAR: dict[Unit, float] = {"mm": 1.0, "deg": 2.0, "share": 0.2, "shims": -1.0}
# what a limit may be passed by: of lengths, what they are typed to
ROUNDING: dict[Unit, float] = {"mm": ROUNDING_MM, "deg": 1e-6, "share": 1e-6, "shims": 1e-6}
OVER_TODAY = 0.005  # rounding of a length typed by hand is no fault
# one-sided, 95 in 100
MARGIN_SD = BAND_SD
# a tilt less well known than this forbids only what is over beyond doubt
WIDE_SD_DEG = 1.5
MOST_ANGLE_DEG = 89.0


@record
class At:
    """Settings as the limits see them, arrays of shape (n_setting,).

    ``height`` and ``change`` from the reference, ``stacked`` both stacks together, in mm;
    ``shims`` how many.
    """

    height: Array
    change: Array
    stacked: Array
    shims: Array

    @classmethod
    def one(cls, split: Split, change_mm: float) -> At:
        """A single setting."""
        return cls(
            height=np.array([split.height_mm]),
            change=np.array([change_mm]),
            stacked=np.array([sum(split.above_mm) + sum(split.below_mm)]),
            shims=np.array([float(split.n_shim)]),
        )


@record
class Limit:
    """One limit at a move, and as the car stands.

    Attributes
    ----------
    status : near is within the last millimetre, two degrees or fifth of it; unknown is
        not known well enough to forbid
    left, left_now : room left after the move and today, in ``unit`` (a share is of a
        stress's ceiling); below zero past it; None where it is no figure
    give_or_take : what was already taken off ``left`` for what is not known well
    at_travel_mm : the worst travel, for tilt
    engaged_mm : thread engaged at each end that was stated: (end, after the move, today)
    least_mm : what must stay engaged
    change : for bending, stress over today's less 1
    bending : stress beside the stud's strengths, where size, class and load are stated
    asks : keys of car.toml that would tell more
    """

    name: Name
    status: Status
    unit: Unit = "mm"
    left: float | None = None
    left_now: float | None = None
    give_or_take: float = 0.0
    at_travel_mm: float | None = None
    engaged_mm: tuple[tuple[str, float, float], ...] = ()
    least_mm: float | None = None
    change: float | None = None
    bending: StudBending | None = None
    asks: tuple[str, ...] = ()

    @property
    def unsafe_now(self) -> bool:
        """The car stands past it, what is not known well given the benefit of the doubt."""
        if self.name not in UNSAFE or self.left_now is None:
            return False
        return self.left_now + self.give_or_take < -OVER_TODAY


class HardLimit:
    """What every limit does; the ones below say how."""

    name: Name
    unit: Unit = "mm"

    def room(self, at: At) -> Array | None:
        """Room left, (n_setting,), in ``unit``; None where it is not known."""
        raise NotImplementedError

    def asks(self) -> tuple[str, ...]:
        """Keys of car.toml that would tell more."""
        return ()

    def report(self, then: At, now: At) -> Limit:
        """The limit after a move and today."""
        left, left_now, asks = _one(self.room(then)), _one(self.room(now)), self.asks()
        return Limit(
            name=self.name,
            status=_status(left, self.unit, asks),
            unit=self.unit,
            left=left,
            left_now=left_now,
            asks=asks,
        )


class PivotLimit(HardLimit):
    """Way of the inner pivot left, at the mean of the link's draws.

    Of a slot to its stated ends; of a cam to its dead points too; of a table to the toe of
    its outermost marks, as a way of the pivot.

    Parameters
    ----------
    pivot : the corner's
    link : draws of the link
    now : joint height and length change as the car stands, mm
    mark : where it stands, None where not logged
    """

    name: Name = "eccentric"

    def __init__(
        self, pivot: Pivot, link: Link, now: tuple[float, float], mark: float | None
    ) -> None:
        stated = pivot.eccentric
        self.pivot, self.now, self.mark = pivot, now, mark
        self.inboard, self.outboard = stated.inboard_left_mm, stated.outboard_left_mm
        self.link = Link(**{name: float(np.mean(value)) for name, value in vars(link).items()})

    def room(self, at: At) -> Array | None:
        sides = self.pivot.room_mm(self.link, at.height, at.change, self.now, self.mark)
        return np.min(sides, axis=0) if sides else None

    def asks(self) -> tuple[str, ...]:
        if self.pivot.turns or self.pivot.table_toe_deg(self.link, self.now, self.mark) is not None:
            return ()  # a cam ends at its dead points, a table at its last marks
        known = {"inboard_left": self.inboard, "outboard_left": self.outboard}
        return tuple(name for name, value in known.items() if value is None)


class ThreadLimit(HardLimit):
    """What the crew stated that the link may shorten or grow from the reference."""

    name: Name = "thread"

    def __init__(self, thread: Thread, *, engaged_known: bool) -> None:
        self.shorter, self.longer = thread.shorter_mm, thread.longer_mm
        self.engaged_known = engaged_known

    def room(self, at: At) -> Array | None:
        sides = [
            *([] if self.shorter is None else [at.change + self.shorter]),
            *([] if self.longer is None else [self.longer - at.change]),
        ]
        return np.min(sides, axis=0) if sides else None

    def asks(self) -> tuple[str, ...]:
        asks = [] if self.shorter is not None else ["shorter"]
        if self.longer is None and not self.engaged_known:
            asks.append("longer")
        return tuple(asks)


class EngagementLimit(HardLimit):
    """Thread left in each end over the least that is accepted; lengthening draws it out.

    A body with opposite hands gives up half of the lengthening at each end. Else one end
    gives up all of it; where both are stated it may be either.
    """

    name: Name = "engagement"

    def __init__(self, thread: Thread) -> None:
        self.ends = {
            "engaged_inner": thread.engaged_inner_mm,
            "engaged_outer": thread.engaged_outer_mm,
        }
        self.both = thread.kind == "both-ends"
        self.share = 0.5 if self.both else 1.0
        # one diameter: common practice, no source
        self.least = thread.least_engaged_mm or thread.diameter_mm

    @property
    def stated(self) -> bool:
        """Whether anything was said of it."""
        return any(value is not None for value in self.ends.values())

    def room(self, at: At) -> Array | None:
        if self.least is None or not self.stated:
            return None
        engaged = min(value for value in self.ends.values() if value is not None)
        return np.asarray(engaged - self.share * at.change - self.least)

    def report(self, then: At, now: At) -> Limit:
        """As every limit's, with each end's own figures."""
        drawn, drawn_now = (self.share * float(at.change[0]) for at in (then, now))
        each = tuple(
            (name.removeprefix("engaged_"), value - drawn, value - drawn_now)
            for name, value in self.ends.items()
            if value is not None
        )
        return replace(super().report(then, now), engaged_mm=each, least_mm=self.least)

    def asks(self) -> tuple[str, ...]:
        missing = [name for name, value in self.ends.items() if value is None]
        if not self.both and self.stated:
            missing = []  # the other end has no thread
        return (*missing, *([] if self.least is not None else ["least_engaged"]))


class PitchLimit(HardLimit):
    """Not a limit: that turns cannot be counted."""

    name: Name = "pitch"

    def room(self, at: At) -> Array | None:
        return None

    def asks(self) -> tuple[str, ...]:
        return ("pitch",)


class TiltLimit(HardLimit):
    """Rod end's tilt left, the least over the travel, steering straight ahead.

    What is known well must stay inside in 95 of 100 cases; what is not forbids only what
    is over in as many.
    """

    name: Name = "tilt"
    unit: Unit = "deg"

    def __init__(self, joint: ShimmedJoint, tilts: Tilts | None, travels_mm: Array) -> None:
        self.allowed, self.clocked = joint.allowed_deg, joint.clocked_off_deg
        self.tilts, self.travels = tilts, travels_mm
        self.measured = joint.tilt_deg is not None
        self.wide = False
        if tilts is not None:
            none = np.zeros(1)
            sd = max(float(tilts.at(none, none, float(z))[1][0]) for z in travels_mm)
            self.wide = sd > WIDE_SD_DEG

    def room(self, at: At) -> Array | None:
        found = self._worst(at)
        return None if found is None or self.allowed is None else self.allowed - found[0]

    def asks(self) -> tuple[str, ...]:
        asks = [] if self.allowed is not None else ["bore or allowed_tilt"]
        if not self.measured and (self.tilts is None or self.wide):
            asks.append("tilt")
        elif self.wide:
            asks.append("points")
        return tuple(asks)

    def report(self, then: At, now: At) -> Limit:
        """As every limit's, with the worst travel and the margin it was given."""
        limit = super().report(then, now)
        found = self._worst(then)
        if found is None or limit.left is None:
            return limit
        return replace(
            limit,
            at_travel_mm=float(found[1][0]),
            give_or_take=0.0 if self.wide else float(found[2][0]),
        )

    def _worst(self, at: At) -> tuple[Array, Array, Array] | None:
        """Largest tilt of the ball, the travel it is at and the margin in it; (n_setting,)."""
        if self.tilts is None:
            return None
        worst = np.full(len(at.height), -1.0)
        where, margin = np.zeros_like(worst), np.zeros_like(worst)
        for z in self.travels:
            mean, sd = self.tilts.at(at.height, at.change, float(z))
            given = MARGIN_SD * sd
            size = np.abs(mean) - given if self.wide else np.abs(mean) + given
            ball = ball_tilt_deg(np.clip(size, 0.0, MOST_ANGLE_DEG), self.clocked)
            more = ball > worst
            worst = np.where(more, ball, worst)
            where = np.where(more, z, where)
            margin = np.where(more, given, margin)
        return worst, where, margin


class ShowingLimit(HardLimit):
    """Thread that shows past the nut over the least that must."""

    name: Name = "showing"

    def __init__(self, stud: JointStud, joint: ShimmedJoint) -> None:
        self.known = {"stud length": stud.length_mm, "nut": stud.nut_mm, "bore": joint.width_mm}
        self.spacer = stud.spacer_mm
        self.least = stud.least_showing_mm
        if self.least is None and stud.size is not None:
            from optimizer.standards import thread_sizes  # a file is read: only where needed

            # one pitch: common practice, no source
            self.least = thread_sizes()[stud.size].pitch_mm

    def room(self, at: At) -> Array | None:
        length, nut, ball = self.known.values()
        if length is None or nut is None or ball is None or self.least is None:
            return None
        return np.asarray(length - (self.spacer + at.stacked + ball + nut) - self.least)

    def asks(self) -> tuple[str, ...]:
        missing = [name for name, value in self.known.items() if value is None]
        return (*missing, *([] if self.least is not None else ["stud size or least_showing"]))


class BendingLimit(HardLimit):
    """Share of the stud's bending ceiling left: the lower of fatigue and proof stress.

    The stand-off is the stack between the face and the ball, spacers and half the ball.
    """

    name: Name = "bending"
    unit: Unit = "share"

    def __init__(
        self, stud: JointStud, joint: ShimmedJoint, face: StackFace, stack_mm: float
    ) -> None:
        self.face, self.stack_mm, self.spacer = face, stack_mm, stud.spacer_mm
        self.load, self.width = stud.load_n, joint.width_mm
        self.stud = _stud_of(stud)
        self.sized = stud.size is not None or stud.shank_mm is not None
        self.classed = stud.property_class is not None

    @property
    def reckoned(self) -> bool:
        """Not where the bolt is held on both sides."""
        return self.face != "clevis"

    def stand_off_mm(self, at: At) -> Array | None:
        """From the face to the ball's centre, (n_setting,); None without the ball's width."""
        if self.width is None or not self.reckoned:
            return None
        way = -1.0 if self.face == "arm-above" else 1.0
        return np.asarray(self.stack_mm + way * at.height + self.spacer + self.width / 2.0)

    def room(self, at: At) -> Array | None:
        arm = self.stand_off_mm(at)
        if arm is None or self.stud is None or self.load is None:
            return None
        stress = bending_stress_mpa(self.load, arm, self.stud.diameter_mm)
        return np.asarray(1.0 - stress / min(self.stud.fatigue_mpa, self.stud.proof_mpa))

    def asks(self) -> tuple[str, ...]:
        if not self.reckoned:
            return ()
        known = {
            "bore": self.width is not None,
            "stud size": self.sized,
            "stud class": self.classed,
            "load": self.load is not None,
        }
        return tuple(name for name, there in known.items() if not there)

    def report(self, then: At, now: At) -> Limit:
        """As every limit's, with the change against today, which needs no load."""
        if not self.reckoned:
            return Limit(name=self.name, status="not-reckoned", unit=self.unit)
        limit = super().report(then, now)
        arm, arm_now = self.stand_off_mm(then), self.stand_off_mm(now)
        if arm is None or arm_now is None:
            return limit
        bent = None
        if self.stud is not None and self.load is not None:
            bent = stud_bending(self.stud, self.load, float(arm[0]), float(arm_now[0]))
        change = float(arm[0] / arm_now[0]) - 1.0
        return replace(limit, change=change, bending=bent)


class ShimsLimit(HardLimit):
    """Shims that may still go into the stacks."""

    name: Name = "shims"
    unit: Unit = "shims"

    def __init__(self, stack: Stack) -> None:
        self.most = stack.most_shims

    def room(self, at: At) -> Array | None:
        return None if self.most is None else self.most - at.shims


def _stud_of(stud: JointStud) -> Stud | None:
    """The stud where it bends: its shank if no thread lies there, else the core."""
    if stud.property_class is None:
        return None
    if stud.shank_mm is None:
        return None if stud.size is None else threaded_stud(stud.size, stud.property_class)
    try:
        return plain_stud(stud.shank_mm, stud.property_class)
    except CallError:  # thicker than the table: no strength is made up
        return None


def _one(room: Array | None) -> float | None:
    return None if room is None else float(room[0])


def _status(left: float | None, unit: Unit, asks: tuple[str, ...]) -> Status:
    if left is not None and left < -ROUNDING[unit]:
        return "over"
    if left is not None and left < NEAR[unit]:
        return "near"
    return "unknown" if asks or left is None else "ok"
