"""What the crew wants of the curve, as travels, weights and a wanted toe change."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import CallError
from optimizer.measure.shape import window_weights
from optimizer.record import record
from optimizer.records import Goal

Array = NDArray[np.float64]


@record
class Target:
    """A goal ready for scoring; arrays have shape (n_node,).

    The score of a setting is the weighted RMS of (toe change - ``wanted_deg``),
    in degrees.
    """

    window_mm: tuple[float, float]
    travel_mm: Array
    weight: Array
    wanted_deg: Array


def weight_spread_mm(goal: Goal, window_mm: tuple[float, float]) -> float | None:
    """Spread of a weight about ride height, a quarter of the window unless stated; None if flat."""
    if goal.weight == "flat":
        return None
    return goal.weight_sd_mm or (window_mm[1] - window_mm[0]) / 4.0


def target_of(goal: Goal, measured_mm: tuple[float, float]) -> Target:
    """Turn a goal into a :class:`Target`.

    A wanted toe at a travel is a curve that is zero on the other side of ride
    height and runs straight to the wanted value, and on, on its own side; so the
    score stays quadratic in the surface's coefficients.

    Parameters
    ----------
    goal : the goal in the tool's signs
    measured_mm : lowest and highest travel measured, the window where none is stated

    Raises
    ------
    CallError
        If the goal lacks a travel or a toe change, or its travel is ride height.
    """
    window = goal.window_mm or measured_mm
    travel, weight = window_weights(window, weight_spread_mm(goal, window))
    wanted = np.zeros(len(travel))
    if goal.kind == "toe-at-travel":
        if goal.at_travel_mm is None or goal.toe_change_deg is None or goal.at_travel_mm == 0.0:
            raise CallError(
                "a toe-at-travel goal needs at_travel (not zero) and toe_change",
                "state both in the corner's goal",
            )
        side = np.sign(goal.at_travel_mm) == np.sign(travel)
        wanted = np.where(side, travel / goal.at_travel_mm * goal.toe_change_deg, 0.0)
    return Target(window_mm=window, travel_mm=travel, weight=weight, wanted_deg=wanted)
