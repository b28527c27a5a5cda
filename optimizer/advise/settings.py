"""Every setting that can be made: splits times lengths, less what a limit forbids."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.advice import Spot
from optimizer.advise.eccentric import length_that_holds_toe_mm, shift_draws_mm
from optimizer.advise.evidence import Evidence
from optimizer.advise.link_body import length_limits_mm, possible_lengths_mm
from optimizer.advise.stacks import Split, possible_splits
from optimizer.errors import NothingCanBeMadeError
from optimizer.model.arc import Link
from optimizer.model.basis import REACH_HEIGHT_MM
from optimizer.record import record
from optimizer.records import Corner

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
    """

    splits: tuple[Split, ...]
    which: NDArray[np.intp]
    height: Array
    change: Array
    n_ruled_out: int = 0

    def spot(self, index: int) -> Spot:
        """One setting by its index."""
        return Spot(
            split=self.splits[self.which[index]], length_change_mm=float(self.change[index])
        )


def possible_settings(evidence: Evidence, now_mm: tuple[float, float], link: Link) -> Settings:
    """Enumerate what can be made and drop what a limit forbids.

    Parameters
    ----------
    evidence : the corner, its reference run and how the car stands
    now_mm : joint height and length change as the car stands, mm
    link : draws of the link, fields of shape (n_draw, 1)

    Raises
    ------
    NothingCanBeMadeError
        If shims, thread or eccentric leave nothing.
    """
    corner = evidence.corner
    splits = tuple(
        s
        for s in possible_splits(corner.stack, evidence.now, evidence.reference)
        if abs(s.height_mm) <= REACH_HEIGHT_MM + 1e-9
    )
    height = np.array([s.height_mm for s in splits])
    if corner.eccentric.kind == "none":
        return _held_by_length(corner, now_mm, link, splits, height)
    lengths = possible_lengths_mm(corner.thread, now_mm[1])
    which = np.repeat(np.arange(len(splits)), len(lengths))
    change = np.tile(lengths, len(splits))
    return _within_eccentric(
        corner,
        link,
        Settings(splits=splits, which=which, height=height[which], change=change),
        lambda mean, h, d: evidence.pivot.within(mean, h, d, now_mm, evidence.now.eccentric_mark),
    )


def _held_by_length(
    corner: Corner,
    now_mm: tuple[float, float],
    link: Link,
    splits: tuple[Split, ...],
    height: Array,
) -> Settings:
    """Without a movable pivot the length follows the height, within the thread's limits."""
    which = np.arange(len(splits))
    if corner.thread.kind == "fixed":
        change = np.full(len(splits), now_mm[1])
        return Settings(splits=splits, which=which, height=height, change=change)
    hold = length_that_holds_toe_mm(link, np.append(height, now_mm[0]), corner.stack.end)
    change = now_mm[1] + hold[:-1] - hold[-1]
    low, high = length_limits_mm(corner.thread)
    keep = (change >= low - 1e-9) & (change <= high + 1e-9)
    if not np.any(keep):
        raise NothingCanBeMadeError(
            "the thread has no length left for any height", "check shorter and longer of the thread"
        )
    return _kept(Settings(splits=splits, which=which, height=height, change=change), keep)


def _within_eccentric(
    corner: Corner,
    link: Link,
    settings: Settings,
    held: Callable[[Link, Array, Array], NDArray[np.bool_]],
) -> Settings:
    """Drop what needs more eccentric than is left, at the mean of the link's draws."""
    inboard, outboard = corner.eccentric.inboard_left_mm, corner.eccentric.outboard_left_mm
    mean = Link(**{name: float(np.mean(value)) for name, value in vars(link).items()})
    shift = shift_draws_mm(mean, settings.height, settings.change, corner.stack.end)
    keep = held(mean, settings.height, settings.change)
    if inboard is not None:
        keep &= shift <= inboard + 1e-9
    if outboard is not None:
        keep &= shift >= -outboard - 1e-9
    if not np.any(keep):
        raise NothingCanBeMadeError(
            "the eccentric has no range left for any setting",
            "check inboard_left and outboard_left of the eccentric",
        )
    return _kept(settings, keep)


def _kept(settings: Settings, keep: NDArray[np.bool_]) -> Settings:
    return Settings(
        splits=settings.splits,
        which=settings.which[keep],
        height=settings.height[keep],
        change=settings.change[keep],
        n_ruled_out=int(np.sum(~keep)),
    )
