"""What joint heights a corner may be asked for, and what each height then costs.

A draw of a fitted surface is a car that the readings allow. Once measured it would be set
to the best that hardware and goal allow from an endless box of shims; any other height
loses in it what it costs above that. A setting costs the goal's figure of its curve, and
how far the curve is off each of the goal's wishes where it is worst, all in degrees: a
curve 0.02 degrees past a wish costs as much as 0.02 degrees more change.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.limits import refuse
from optimizer.advise.makeable import limits_of
from optimizer.advise.settings import Settings, settings_of_splits
from optimizer.advise.span import draw_spans_deg
from optimizer.advise.stacks import GRAIN_MM, Split
from optimizer.advise.table import Table
from optimizer.advise.wishes import Requirement, draw_misses_deg, requirements_of
from optimizer.errors import CallError, NothingCanBeMadeError
from optimizer.model.basis import REACH_HEIGHT_MM
from optimizer.model.field import draw_mean_squares_deg2
from optimizer.model.surface import draw_scores_deg
from optimizer.record import record

Array = NDArray[np.float64]

N_DRAW = 200
SEED = 31
FINE_STEP_MM = 0.05
SAME_MM = 0.025


@record
class Asked:
    """What each joint height loses in each draw.

    Attributes
    ----------
    height_mm : shape (n_height,), heights a kit may make, rising, from the reference
    loss_deg : shape (n_draw, n_height), cost above the draw's best; the link is set to the
        best of its lengths at each height
    length_change_mm : shape (n_draw, n_height), that best length
    """

    height_mm: Array
    loss_deg: Array
    length_change_mm: Array


class Costs:
    """What any joint height of a corner costs in each draw of its surface.

    Parameters
    ----------
    table : the corner's surface, goal and hardware
    n_draw : draws of the surface, their seed fixed

    Raises
    ------
    NothingCanBeMadeError
        If thread, eccentric and limits leave no setting, or the tool is not for this corner.
    CallError
        If no draw is asked for.
    """

    def __init__(self, table: Table, n_draw: int = N_DRAW) -> None:
        if n_draw < 1:
            raise CallError("the kit needs a draw of the surface", "ask for one or more")
        refuse(table.evidence.corner, table.evidence.now)
        self._table, self._limits = table, limits_of(table)
        self._draws = table.surface.draws(n_draw, seed=SEED)
        self._known: dict[float, tuple[Array, Array] | None] = {}
        low, high = _reach_mm(table)
        fine = _grid(low, high, FINE_STEP_MM)
        self._height, self._cost, length = self._columns(fine)
        if not len(self._height):  # then what forbids them says so
            self._field(fine)
        row = np.arange(n_draw)
        at = np.argmin(self._cost, axis=1)
        self.best_height_mm = self._height[at]
        self.best_length_mm = length[row, at]
        self.best_deg = self._cost[row, at]

    @property
    def slope_deg_per_mm(self) -> float:
        """Steepest rise of the mean cost with height."""
        steps = np.diff(self._cost.mean(axis=0)) / np.diff(self._height)
        return float(np.max(np.abs(steps), initial=0.0))

    def losses(self, height_mm: Sequence[float]) -> tuple[Array, Array, Array]:
        """Heights that hardware allows, what each loses and its best length.

        Returns
        -------
        height (n_kept,), loss above the draw's best and length change (n_draw, n_kept); a
        height better than the best known, which lies between those looked at, loses nothing
        """
        kept, cost, length = self._columns(np.asarray(height_mm, float))
        return kept, np.maximum(cost - self.best_deg[:, None], 0.0), length

    def asked(self, step_mm: float, more_mm: Sequence[float] = ()) -> Asked:
        """What each height of a grid loses, over all that the draws ask for.

        Parameters
        ----------
        step_mm : between the heights, counted from the reference
        more_mm : further heights; one nearer than 0.025 mm to another counts as that

        Raises
        ------
        CallError
            If the step is not above zero.
        """
        if not step_mm > 0.0:
            raise CallError("the kit needs a step of height above zero", "give one")
        low, high = _reach_mm(self._table)
        wanted = self.best_height_mm
        first, last = np.floor(wanted.min() / step_mm), np.ceil(wanted.max() / step_mm)
        planned = [
            h
            for h in np.arange(first, last + 1) * step_mm
            if low - GRAIN_MM <= h <= high + GRAIN_MM
        ]
        for extra in (self._table.now.height_mm, *sorted(more_mm)):
            inside = low - GRAIN_MM <= extra <= high + GRAIN_MM
            if inside and not any(abs(extra - h) < SAME_MM for h in planned):
                planned.append(extra)
        height, loss, length = self.losses(sorted(planned))
        return Asked(height_mm=height, loss_deg=loss, length_change_mm=length)

    def _columns(self, height_mm: Array) -> tuple[Array, Array, Array]:
        """Least cost of each height in each draw and its length, of those that are allowed."""
        keys = [round(float(h), 6) for h in height_mm]
        new = sorted({k for k in keys if k not in self._known})
        if new:
            self._known.update(dict.fromkeys(new))
            try:
                field = self._field(np.array(new))
            except NothingCanBeMadeError:
                field = None
            for height, change in _by_height(field) if field is not None else ():
                every = costs_deg(self._table, self._draws, np.full(len(change), height), change)
                at = np.argmin(every, axis=1)
                self._known[round(height, 6)] = (every[np.arange(len(every)), at], change[at])
        found = [(k, self._known[k]) for k in keys]
        kept = [(k, column) for k, column in found if column is not None]
        none = np.zeros((len(self._draws), 0))
        return (
            np.array([k for k, _ in kept]),
            np.stack([c for _, (c, _) in kept], axis=1) if kept else none,
            np.stack([d for _, (_, d) in kept], axis=1) if kept else none,
        )

    def _field(self, height_mm: Array) -> Settings:
        table = self._table
        splits = [_made_to_measure(table, float(h)) for h in height_mm]
        now = (table.now.height_mm, table.now.length_change_mm)
        return settings_of_splits(table.evidence, splits, now, table.link, self._limits)


def curve_costs_deg(table: Table, draws: Array, height_mm: Array, change_mm: Array) -> Array:
    """What :func:`costs_deg` gives, curve by curve: slower, to check it by.

    Parameters
    ----------
    table : the corner's goal and pivot
    draws : shape (n_draw, n_coefficient or more), of its surface
    height_mm, change_mm : shape (n_setting,), joint height and length change

    Returns
    -------
    shape (n_draw, n_setting), degrees
    """
    target = table.target
    height = np.asarray(table.surface_height(height_mm, change_mm))
    if target.measure == "peak-to-peak":
        out = draw_spans_deg(draws, target, height, change_mm)
    else:
        out = draw_scores_deg(
            draws, height, change_mm, target.travel_mm, target.weight, target.wanted_deg
        )
    return out + _misses_deg(table, draws, height, change_mm)


def costs_deg(table: Table, draws: Array, height_mm: Array, change_mm: Array) -> Array:
    """What each setting costs in each draw, (n_draw, n_setting), degrees.

    Parameters
    ----------
    table : the corner's goal and pivot
    draws : shape (n_draw, n_coefficient or more), of its surface
    height_mm, change_mm : shape (n_setting,), joint height and length change
    """
    target = table.target
    height = np.asarray(table.surface_height(height_mm, change_mm))
    if target.measure == "peak-to-peak":
        out = draw_spans_deg(draws, target, height, change_mm)
    else:
        out = np.sqrt(
            draw_mean_squares_deg2(
                draws, height, change_mm, target.travel_mm, target.weight, target.wanted_deg
            )
        )
    return np.asarray(out + _misses_deg(table, draws, height, change_mm))


def _misses_deg(table: Table, draws: Array, height: Array, change_mm: Array) -> Array | float:
    """How far each draw's curve is off the goal's wishes, summed over them."""
    wishes = requirements_of(table.goal, table.target)
    misses = (
        draw_misses_deg(draws, wish, height, change_mm)
        for wish in wishes
        if isinstance(wish, Requirement)
    )
    return sum(misses, 0.0)


def _reach_mm(table: Table) -> tuple[float, float]:
    """Lowest and highest joint height that the stack's total allows."""
    evidence = table.evidence
    total = _total_mm(table)
    turned = evidence.corner.stack.face == "arm-above"
    held = sum(evidence.reference.above_mm if turned else evidence.reference.below_mm)
    ends = (held - total, held) if turned else (-held, total - held)
    return max(ends[0], -REACH_HEIGHT_MM), min(ends[1], REACH_HEIGHT_MM)


def _total_mm(table: Table) -> float:
    now = table.evidence.now
    return sum(now.above_mm) + sum(now.below_mm)


def _grid(low: float, high: float, step: float) -> Array:
    """Multiples of a step from low to high, and both ends."""
    inner = np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step
    inner = inner[(inner > low + GRAIN_MM) & (inner < high - GRAIN_MM)]
    return np.unique(np.round(np.concatenate([[low], inner, [high]]), 9))


def _made_to_measure(table: Table, height_mm: float) -> Split:
    """A split of one shim each side, as thick as it takes."""
    evidence, total = table.evidence, _total_mm(table)
    turned = evidence.corner.stack.face == "arm-above"
    held = sum(evidence.reference.above_mm if turned else evidence.reference.below_mm)
    key = min(max(held - height_mm if turned else held + height_mm, 0.0), total)
    sides = [(side,) if side > 1e-9 else () for side in (total - key, key)]
    above, below = reversed(sides) if turned else sides
    return Split(above_mm=above, below_mm=below, height_mm=height_mm)


def _by_height(field: Settings) -> Iterator[tuple[float, Array]]:
    for which in np.unique(field.which):
        here = field.which == which
        yield float(field.height[here][0]), field.change[here]
