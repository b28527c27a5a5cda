"""The movable inner pivot: where a slot, a cam or a table of marks must stand to hold toe.

A free cam swings the pivot on a circle, so it raises or lowers it as it shifts it. To the
curve that is an inner joint raised: the rise falls by the lift, without the share of
camber gain that a raised outer joint has. So the surface is asked at an effective joint
height (see :func:`effective_height_mm`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.advise.mark_worth import MarkWorth, mark_worth, prior_links
from optimizer.advise.stacks import joint_height_mm
from optimizer.model.arc import Link, eccentric_shift_mm, reach_mm
from optimizer.record import record
from optimizer.records import Corner, Eccentric, Run, StackEnd
from optimizer.units import DEG

Array = NDArray[np.float64]

# of a cam, either side of where a mark moves toe most: common practice, no source
DEAD_NEAR_DEG, DEAD_DEG = 60.0, 90.0
CAMS = ("cam-in-slot", "free-cam")
# how far past its end a cam is called that does not reach
UNREACHED_MM = 0.1
_LEAST_SHARE = 0.5  # of the arc in the effect of height, past which the tape is not believed


@record
class Stand:
    """Where a pivot stands, from the reference mark; arrays that broadcast.

    Attributes
    ----------
    shift_mm, lift_mm : inboard plus, up plus
    angle_deg : of the cam
    reached : the cam gets there without passing its dead point
    """

    shift_mm: Array
    lift_mm: Array
    angle_deg: Array
    reached: NDArray[np.bool_]


def held(
    cam: Eccentric,
    link: Link,
    height_mm: ArrayLike,
    length_change_mm: ArrayLike,
    end: StackEnd,
    *,
    throw_mm: ArrayLike | None = None,
    off_mm: ArrayLike = 0.0,
) -> Stand:
    """Where a cam must stand to hold static toe; everything broadcasts.

    In a slot the shift formula gives the angle. A free cam is solved in its own plane:
    the pivot lies where its circle meets the link's length about the outer joint, so the
    lift and the shift it changes are found together. Past its reach the nearest angle is
    given, and ``reached`` is false.

    Parameters
    ----------
    cam : of kind cam-in-slot or free-cam
    throw_mm : in place of the cam's own
    off_mm : how far inboard the outer joint is to stay of where the reference had it
    """
    throw = np.asarray(cam.throw_mm if throw_mm is None else throw_mm, float)
    start = cam.angle_deg / DEG
    if cam.kind == "cam-in-slot":
        shift = eccentric_shift_mm(link, height_mm, length_change_mm, end=end) + np.asarray(off_mm)
        sine = np.sin(start) + shift / throw
        angle = np.arcsin(np.clip(sine, -1.0, 1.0))
        return _stand(cam, throw, angle, np.abs(sine) <= 1.0)
    length, rise = np.asarray(link.length_mm, float), np.asarray(link.rise_mm, float)
    lean = np.asarray(link.stud_lean_rad, float)
    raised = (1.0 if end == "outer" else -1.0) * np.asarray(height_mm, float)
    # the outer joint from the cam's bolt: inboard, and the way the throw points at zero
    inboard = -(reach_mm(length, rise) + raised * np.sin(lean)) + off_mm + throw * np.sin(start)
    along = (rise + raised * np.cos(lean)) * cam.lifts + throw * np.cos(start)
    wanted = length + np.asarray(length_change_mm, float)
    apart = np.hypot(inboard, along)
    cosine = (apart**2 + throw**2 - wanted**2) / (2.0 * throw * apart)
    angle = np.arctan2(inboard, along) + np.arccos(np.clip(cosine, -1.0, 1.0))
    inside = (np.abs(cosine) <= 1.0) & (np.abs(angle) <= DEAD_DEG / DEG + 1e-12)
    return _stand(cam, throw, np.clip(angle, -DEAD_DEG / DEG, DEAD_DEG / DEG), inside)


def at_angle(cam: Eccentric, angle_deg: ArrayLike, throw_mm: ArrayLike | None = None) -> Stand:
    """A cam at an angle; broadcasts with a throw in place of its own."""
    throw = np.asarray(cam.throw_mm if throw_mm is None else throw_mm, float)
    angle = np.asarray(angle_deg, float) / DEG
    return _stand(cam, throw, angle, np.abs(angle) <= DEAD_DEG / DEG)


def _stand(cam: Eccentric, throw: Array, angle: Array, reached: ArrayLike) -> Stand:
    start = cam.angle_deg / DEG
    shift = throw * (np.sin(angle) - np.sin(start))
    lift = np.zeros_like(shift)
    if cam.kind == "free-cam":
        lift = cam.lifts * throw * (np.cos(angle) - np.cos(start))
    return Stand(
        shift_mm=np.asarray(shift),
        lift_mm=np.asarray(lift),
        angle_deg=np.asarray(angle * DEG),
        reached=np.asarray(reached, bool),
    )


def effective_height_mm(
    link: Link, height_mm: ArrayLike, lift_mm: ArrayLike, end: StackEnd
) -> Array:
    """Joint height whose curve is that of a joint at ``height_mm`` with the pivot lifted, mm.

    A raised outer joint adds a slope of height * (path ratio / length - camber gain) / arm,
    a lifted pivot takes lift * path ratio / length / arm away (the derivation of
    model.arc), so height falls by lift * (rho / L) / (rho / L - kappa). The path ratio is the
    link's, 1 unless known. A shimmed inner joint and the lift are the same thing.
    """
    height, lift = np.asarray(height_mm, float), np.asarray(lift_mm, float)
    if end == "inner":
        return np.asarray(height + lift)
    per_mm = np.asarray(link.path_ratio, float) / np.asarray(link.length_mm, float)
    kept = np.maximum(1.0 - np.asarray(link.lean_in_rad_per_mm, float) / per_mm, _LEAST_SHARE)
    return np.asarray(height - lift / kept)


@record
class Made:
    """What a mark did to the pivot since the reference: moved it, or turned toe by so much."""

    shift_mm: float = 0.0
    lift_mm: float = 0.0
    toe_deg: float = 0.0


@record
class Pivot:
    """A corner's eccentric with what its logged static toe fitted, and its reference.

    Attributes
    ----------
    eccentric : as stated; a throw or a mark's worth that was fitted is filled in
    end : the shimmed joint
    reference_mark : None where it was not logged
    link : of the tape before any run; None where no cam needs it
    worth : what was fitted, None where it was stated or nothing could be
    rough : static toe was logged at two marks, but too roughly to fit
    backwards : it runs against marks that count inboard
    """

    eccentric: Eccentric
    end: StackEnd
    reference_mark: float | None
    link: Link | None = None
    worth: MarkWorth | None = None
    rough: bool = False
    backwards: bool = False

    @property
    def turns(self) -> bool:
        """It is a cam whose throw is known."""
        return self.eccentric.kind in CAMS and self.eccentric.throw_mm is not None

    def at_mark(self, mark: float | None, throw_mm: ArrayLike | None = None) -> Stand | None:
        """Where a cam stands at a mark; None where that cannot be told.

        A mark past the dead point tells nothing: it was counted or typed wrong.
        """
        per_mark, first = self.eccentric.deg_per_mark, self.reference_mark
        if not self.turns or mark is None or first is None or per_mark is None:
            return None
        angle = self.eccentric.angle_deg + (mark - first) * per_mark
        stand = at_angle(self.eccentric, angle, throw_mm)
        return stand if bool(np.all(stand.reached)) else None

    def cannot_have_held(self, now_mm: tuple[float, float], mark: float | None) -> bool:
        """No mark tells where a cam stands, and it cannot have held static toe to there."""
        if self.link is None or not self.turns or self.at_mark(mark) is not None:
            return False
        return not bool(held(self.eccentric, self.link, *now_mm, self.end).reached)

    def made(self, mark: float) -> Made | None:
        """What a mark made of the reference's pivot; None where its worth is not known."""
        first, stated = self.reference_mark, self.eccentric
        if first is None:
            return None
        if stated.kind == "marks" and stated.toe_at_marks:
            return Made(toe_deg=_read(stated, mark) - _read(stated, first))
        stand = self.at_mark(mark)
        if stand is not None:
            return Made(shift_mm=float(stand.shift_mm), lift_mm=float(stand.lift_mm))
        if stated.kind in CAMS or stated.mm_per_mark is None:
            return None
        return Made(shift_mm=(mark - first) * stated.mm_per_mark)

    def surface_height(
        self, height_mm: ArrayLike, change_mm: ArrayLike, mark: float | None = None
    ) -> Any:
        """Height to ask the surface at: the joint's own, or what a free cam makes of it.

        Static toe is taken as held unless the mark is given. Arrays that broadcast; for all
        but a free cam they come back as they are.
        """
        if self.link is None or self.eccentric.kind != "free-cam" or not self.turns:
            return height_mm
        stand = self.at_mark(mark) or held(
            self.eccentric, self.link, height_mm, change_mm, self.end
        )
        return effective_height_mm(self.link, height_mm, stand.lift_mm, self.end)

    def room_mm(
        self,
        link: Link,
        height_mm: Array,
        change_mm: Array,
        now_mm: tuple[float, float],
        mark: float | None,
    ) -> list[Array]:
        """Way left to each end that is known, (n_setting,) each, below zero past it.

        Counted from where the car stands now, by its mark where that is logged.
        """
        stated = self.eccentric
        inboard, outboard = stated.inboard_left_mm, stated.outboard_left_mm
        sides: list[Array] = []
        if self.turns:
            off = self._off_mm(link, now_mm, mark)
            to = held(stated, link, height_mm, change_mm, self.end, off_mm=off)
            shift = to.shift_mm
            dead = np.asarray(stated.throw_mm) * (1.0 - np.abs(np.sin(to.angle_deg / DEG)))
            sides.append(np.where(to.reached, dead, -UNREACHED_MM))
        else:
            shift = eccentric_shift_mm(link, height_mm, change_mm, end=self.end)
        if inboard is not None:
            sides.append(inboard - shift)
        if outboard is not None:
            sides.append(outboard + shift)
        toe = self.table_toe_deg(link, now_mm, mark)
        if toe is not None:
            arm = np.asarray(link.arm_mm, float)
            wanted = toe + self._shift_mm(link, height_mm, change_mm, now_mm) / arm * DEG
            ends = [t for _, t in stated.toe_at_marks]
            per_deg = np.abs(arm) / DEG
            sides += [(max(ends) - wanted) * per_deg, (wanted - min(ends)) * per_deg]
        return sides

    def table_toe_deg(
        self, link: Link, now_mm: tuple[float, float], mark: float | None
    ) -> Array | None:
        """Toe of the marks' table where the pivot stands now; None where that is not known.

        At its logged mark, else where static toe held since the reference would put it.
        """
        table = self.eccentric.toe_at_marks
        at = self.reference_mark if mark is None else mark
        if self.eccentric.kind != "marks" or not table or at is None:
            return None
        toe = np.asarray(_read(self.eccentric, at))
        if mark is not None:
            return toe
        shift = eccentric_shift_mm(link, now_mm[0], now_mm[1], end=self.end)
        return np.asarray(toe + shift / np.asarray(link.arm_mm, float) * DEG)

    def _shift_mm(
        self, link: Link, height_mm: Array, change_mm: Array, now_mm: tuple[float, float]
    ) -> Array:
        to = eccentric_shift_mm(link, height_mm, change_mm, end=self.end)
        return np.asarray(to - eccentric_shift_mm(link, *now_mm, end=self.end))

    def _off_mm(self, link: Link, now_mm: tuple[float, float], mark: float | None) -> Array:
        """How far off its held place the pivot stands now, by its logged mark."""
        return off_mm(self, link, now_mm, self.at_mark(mark))


def _read(table: Eccentric, mark: float) -> float:
    """Static toe of a mark by straight lines between those measured; the ends' beyond them."""
    marks, toe = np.array(table.toe_at_marks).T
    return float(np.interp(mark, marks, toe))


def off_mm(pivot: Pivot, link: Link, now_mm: tuple[float, float], stand: Stand | None) -> Array:
    """How far inboard of holding the reference's static toe a cam stands, mm; 0 if unknown."""
    if stand is None:
        return np.zeros(())
    needed = eccentric_shift_mm(link, *now_mm, end=pivot.end, lift_mm=stand.lift_mm)
    return np.asarray(stand.shift_mm - needed)


def pivot_of(corner: Corner, reference: Run, runs: Sequence[Run]) -> Pivot:
    """A corner's pivot, its unknown throw or mark's worth fitted where that can be.

    Parameters
    ----------
    corner : as car.toml states it
    reference : the run all settings are counted from
    runs : all runs of the corner
    """
    stated, stack = corner.eccentric, corner.stack
    rows = [
        (
            run,
            joint_height_mm(run, reference, stack),
            run.length_change_mm - reference.length_change_mm,
        )
        for run in runs
    ]
    pivot = Pivot(eccentric=stated, end=corner.stack.end, reference_mark=reference.eccentric_mark)
    found = mark_worth(corner, reference.eccentric_mark, rows)
    if found is not None and found.good:
        if stated.kind == "slot":
            filled = replace(stated, mm_per_mark=found.value_mm)
        else:
            filled = replace(stated, throw_mm=found.value_mm)
        pivot = replace(pivot, eccentric=filled, worth=found)
    elif found is not None:
        pivot = replace(pivot, rough=True, backwards=found.value_mm + found.give_mm < 0.0)
    if pivot.turns:
        links = prior_links(corner)
        mean = Link(**{name: float(np.mean(x)) for name, x in vars(links).items()})
        pivot = replace(pivot, link=mean)
    return pivot
