"""Every setting that can be made: splits times lengths, less what a limit forbids."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.advice import Spot
from optimizer.advise.eccentric import length_that_holds_toe_mm
from optimizer.advise.evidence import Evidence
from optimizer.advise.limits import allowed, refuse, told_of_corner
from optimizer.advise.link_body import ROUNDING_MM, length_limits_mm, possible_lengths_mm
from optimizer.advise.room import At, HardLimit, Name
from optimizer.advise.stacks import Split, possible_splits, split_of
from optimizer.errors import NothingCanBeMadeError
from optimizer.model.arc import Link
from optimizer.model.basis import REACH_HEIGHT_MM
from optimizer.record import record

Array = NDArray[np.float64]


@record
class Settings:
    """All settings that can be made.

    Attributes
    ----------
    splits : the possible splits, by height
    which : shape (n_setting,), index into ``splits``
    height, change : shape (n_setting,), joint height and length change, mm
    n_ruled_out : how many a limit forbade
    ruled_out : each limit's name and how many it alone would forbid
    """

    splits: tuple[Split, ...]
    which: NDArray[np.intp]
    height: Array
    change: Array
    n_ruled_out: int = 0
    ruled_out: tuple[tuple[Name, int], ...] = ()

    def spot(self, index: int) -> Spot:
        """One setting by its index."""
        return Spot(
            split=self.splits[self.which[index]], length_change_mm=float(self.change[index])
        )


def possible_settings(
    evidence: Evidence, now_mm: tuple[float, float], link: Link, limits: Sequence[HardLimit]
) -> Settings:
    """Enumerate what can be made and drop what a limit forbids.

    Parameters
    ----------
    evidence : the corner, its reference run and how the car stands
    now_mm : joint height and length change as the car stands, mm
    link : draws of the link, fields of shape (n_draw, 1)
    limits : of the hardware

    Raises
    ------
    NothingCanBeMadeError
        If shims, thread, eccentric and the other limits leave nothing, or the hardware is
        not for this tool.
    """
    try:
        refuse(evidence.corner, evidence.now)
        splits = possible_splits(evidence.corner.stack, evidence.now, evidence.reference)
        return settings_of_splits(evidence, splits, now_mm, link, limits)
    except NothingCanBeMadeError as error:
        split = split_of(evidence.now, evidence.reference, evidence.corner.stack)
        here = At.one(split, now_mm[1])
        foreseen = [limit.report(here, here) for limit in limits]
        raise told_of_corner(
            error, evidence.corner, evidence.reference, evidence.now, foreseen
        ) from None


def settings_of_splits(
    evidence: Evidence,
    splits: Sequence[Split],
    now_mm: tuple[float, float],
    link: Link,
    limits: Sequence[HardLimit],
) -> Settings:
    """The same for given splits, whatever shims they take; parameters as there.

    Raises
    ------
    NothingCanBeMadeError
        If thread, eccentric and the other limits leave nothing.
    """
    corner = evidence.corner
    splits = tuple(s for s in splits if abs(s.height_mm) <= REACH_HEIGHT_MM + 1e-9)
    height = np.array([s.height_mm for s in splits])
    which, change = np.arange(len(splits)), np.full(len(splits), now_mm[1])
    if corner.eccentric.kind != "none":
        lengths = possible_lengths_mm(corner.thread, now_mm[1])
        which, change = np.repeat(which, len(lengths)), np.tile(lengths, len(splits))
    elif corner.thread.kind != "fixed":
        # without a movable pivot the length follows the height, within the thread's reach
        hold = length_that_holds_toe_mm(link, np.append(height, now_mm[0]), corner.stack.end)
        change = now_mm[1] + hold[:-1] - hold[-1]
        low, high = length_limits_mm(corner.thread)
        inside = (change >= low - ROUNDING_MM) & (change <= high + ROUNDING_MM)
        which, change = which[inside], change[inside]
    n_made = len(splits) if corner.eccentric.kind == "none" else len(which)
    stacks = [(sum(s.above_mm) + sum(s.below_mm), s.n_shim) for s in splits]
    sizes = np.array(stacks, float).reshape(-1, 2)[which]
    found = allowed(
        limits, At(height=height[which], change=change, stacked=sizes[:, 0], shims=sizes[:, 1])
    )
    out_of_reach = n_made - len(which)
    ruled_out = found.ruled_out
    if out_of_reach:
        ruled_out = (*ruled_out, ("thread", out_of_reach))
    return Settings(
        splits=splits,
        which=which[found.keep],
        height=height[which][found.keep],
        change=change[found.keep],
        n_ruled_out=out_of_reach + int(np.sum(~found.keep)),
        ruled_out=ruled_out,
    )
