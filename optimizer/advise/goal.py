"""What the crew wants of the curve, as travels, weights and a wanted toe change."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import CallError
from optimizer.measure.shape import window_weights
from optimizer.record import record
from optimizer.records import Goal, MeasureKind, TravelLog

Array = NDArray[np.float64]

# 50 mm may be typed as 1.969 in
EDGE_MM = 0.05


@record
class Target:
    """A goal ready for scoring; arrays have shape (n_node,).

    The score of a setting is the weighted RMS of (toe change - ``wanted_deg``), or its
    peak-to-peak with ride height's zero, which takes all of the window alike; in degrees.
    """

    window_mm: tuple[float, float]
    travel_mm: Array
    weight: Array
    wanted_deg: Array
    measure: MeasureKind = "rms"

    def holds(self, travel_mm: Array) -> NDArray[np.bool_]:
        """Which travels lie in the window, its ends among them as nearly as they are typed."""
        low, high = self.window_mm
        return np.asarray((travel_mm >= low - EDGE_MM) & (travel_mm <= high + EDGE_MM))


@record
class Outside:
    """Shares of the logged time that lie outside the window, and outside what was measured."""

    window: float
    measured: float


def weight_spread_mm(goal: Goal, window_mm: tuple[float, float]) -> float | None:
    """Spread of a weight about ride height, a quarter of the window unless stated.

    None for the other weights.
    """
    if goal.weight != "ride-height":
        return None
    return goal.weight_sd_mm or (window_mm[1] - window_mm[0]) / 4.0


def log_that_weighs(goal: Goal, log: TravelLog | None) -> TravelLog | None:
    """The corner's logged travel where the goal weighs by it, else None.

    Raises
    ------
    CallError
        If the goal weighs by logged travel and none is logged.
    """
    if goal.weight != "logged":
        return None
    if log is None:
        raise CallError(
            "no logged travel: weight=logged needs a travel.csv",
            "put one with a column travel (or damper) beside car.toml, or say weight=flat",
        )
    return log


def outside_of(
    log: TravelLog, window_mm: tuple[float, float], measured_mm: tuple[float, float]
) -> Outside:
    """How much of the logged time the answer does not rest on."""
    travel, share = np.array(log.travel_mm), np.array(log.share)

    def past(ends: tuple[float, float]) -> float:
        return float(np.sum(share[(travel < ends[0] - 1e-9) | (travel > ends[1] + 1e-9)]))

    return Outside(window=past(window_mm), measured=past(measured_mm))


def unmeasured(goal: Goal, measured_mm: tuple[float, float]) -> float | None:
    """The travel where the goal wants a toe, if it lies past what was measured; else None."""
    at = goal.at_travel_mm if goal.kind == "toe-at-travel" else None
    if at is None or measured_mm[0] - 1.0 <= at <= measured_mm[1] + 1.0:
        return None
    return at


def target_of(goal: Goal, measured_mm: tuple[float, float], log: TravelLog | None = None) -> Target:
    """Turn a goal into a :class:`Target`.

    A wanted toe at a travel is a curve that is zero on the other side of ride
    height and runs straight to the wanted value, and on, on its own side; so the
    score stays quadratic in the surface's coefficients. Where the order names least change
    beside it, the wanted toe is a requirement alone and the change itself is scored.

    Parameters
    ----------
    goal : the goal in the tool's signs
    measured_mm : lowest and highest travel measured, the window where none is stated
    log : the corner's logged travel, for a goal that weighs by it

    Raises
    ------
    CallError
        If the goal lacks a travel or a toe change, its travel is ride height, or it weighs
        by logged travel and none is logged inside the window.
    """
    window = goal.window_mm or measured_mm
    spread = weight_spread_mm(goal, window)
    travel, weight = window_weights(window, spread, log_that_weighs(goal, log))
    wanted = np.zeros(len(travel))
    if goal.kind == "toe-at-travel":
        if goal.at_travel_mm is None or goal.toe_change_deg is None or goal.at_travel_mm == 0.0:
            raise CallError(
                "a toe-at-travel goal needs at_travel (not zero) and toe_change",
                "state both in the corner's goal",
            )
        side = np.sign(goal.at_travel_mm) == np.sign(travel)
        if "least-change" not in goal.order:
            wanted = np.where(side, travel / goal.at_travel_mm * goal.toe_change_deg, 0.0)
    return Target(
        window_mm=window,
        travel_mm=travel,
        weight=weight,
        wanted_deg=wanted,
        measure=goal.measure,
    )
