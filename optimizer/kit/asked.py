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

from optimizer.advise.makeable import limits_of
from optimizer.advise.settings import Settings, settings_of_splits
from optimizer.advise.span import draw_spans_deg
from optimizer.advise.stacks import Split
from optimizer.advise.table import Table
from optimizer.advise.wishes import Requirement, draw_misses_deg, requirements_of
from optimizer.errors import CallError
from optimizer.model.basis import REACH_HEIGHT_MM
from optimizer.model.field import draw_mean_squares_deg2
from optimizer.model.surface import draw_scores_deg
from optimizer.record import record

Array = NDArray[np.float64]

N_DRAW = 200
SEED = 31
FINE_STEP_MM = 0.1
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
    best_height_mm, best_length_mm, best_deg : shape (n_draw,), the best from an endless box
        and what it costs
    slope_deg_per_mm : steepest rise of the mean loss with height
    """

    height_mm: Array
    loss_deg: Array
    length_change_mm: Array
    best_height_mm: Array
    best_length_mm: Array
    best_deg: Array
    slope_deg_per_mm: float

    def nearest(self) -> NDArray[np.intp]:
        """The height nearest to what each draw asks for, (n_draw,)."""
        apart = np.abs(self.height_mm[None, :] - self.best_height_mm[:, None])
        return np.asarray(np.argmin(apart, axis=1))


def asked_of(
    table: Table, step_mm: float, more_mm: Sequence[float] = (), n_draw: int = N_DRAW
) -> Asked:
    """What each height loses in each draw of a corner's surface.

    Parameters
    ----------
    table : the corner's surface, goal and hardware
    step_mm : between the heights a kit is planned for, counted from the reference; they
        cover what the draws ask for
    more_mm : further heights, such as those the shims on hand make; one nearer than 0.025 mm
        to another counts as that
    n_draw : draws of the surface, their seed fixed

    The best is sought over heights a tenth of a millimetre apart and all those above.

    Raises
    ------
    NothingCanBeMadeError
        If thread, eccentric and limits leave no setting, or the tool is not for this corner.
    CallError
        If the step is not above zero or no draw is asked for.
    """
    if not step_mm > 0.0 or n_draw < 1:
        raise CallError("the kit needs a step of height above zero and a draw", "give both")
    draws = table.surface.draws(n_draw, seed=SEED)
    low, high = _reach_mm(table)
    today = table.now.height_mm
    fine = _grid(low, high, FINE_STEP_MM)
    fine = np.unique(np.append(fine, min(max(today, low), high)))
    height, cost, length = _cheapest(table, fine, draws)
    wanted = height[np.argmin(cost, axis=1)]
    first, last = np.floor(wanted.min() / step_mm), np.ceil(wanted.max() / step_mm)
    planned = [h for h in np.arange(first, last + 1) * step_mm if low - 1e-9 <= h <= high + 1e-9]
    for extra in (today, *sorted(more_mm)):
        inside = low - 1e-9 <= extra <= high + 1e-9
        if inside and not any(abs(extra - h) < SAME_MM for h in planned):
            planned.append(extra)
    own, own_cost, own_length = _cheapest(table, np.sort(planned), draws)
    every = np.concatenate([own_cost, cost], axis=1)
    at = np.argmin(every, axis=1)
    row = np.arange(n_draw)
    best = every[row, at]
    mean = cost.mean(axis=0)
    return Asked(
        height_mm=own,
        loss_deg=own_cost - best[:, None],
        length_change_mm=own_length,
        best_height_mm=np.concatenate([own, height])[at],
        best_length_mm=np.concatenate([own_length, length], axis=1)[row, at],
        best_deg=best,
        slope_deg_per_mm=float(np.max(np.abs(np.diff(mean) / np.diff(height)), initial=0.0)),
    )


def curve_costs_deg(table: Table, draws: Array, height_mm: Array, change_mm: Array) -> Array:
    """What :func:`costs_deg` gives, curve by curve: slower, to check it by.

    Parameters
    ----------
    as there

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


def _cheapest(table: Table, height_mm: Array, draws: Array) -> tuple[Array, Array, Array]:
    """Heights that hardware allows, and in each draw their least cost and its length."""
    splits = [_made_to_measure(table, float(h)) for h in height_mm]
    now = (table.now.height_mm, table.now.length_change_mm)
    field = settings_of_splits(table.evidence, splits, now, table.link, limits_of(table))
    row = np.arange(len(draws))
    kept, cost, length = [], [], []
    for height, change in _by_height(field):
        every = costs_deg(table, draws, np.full(len(change), height), change)
        at = np.argmin(every, axis=1)
        kept.append(height)
        cost.append(every[row, at])
        length.append(change[at])
    return np.array(kept), np.stack(cost, axis=1), np.stack(length, axis=1)


def _by_height(field: Settings) -> Iterator[tuple[float, Array]]:
    for which in np.unique(field.which):
        here = field.which == which
        yield float(field.height[here][0]), field.change[here]
