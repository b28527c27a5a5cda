"""What can be made of a corner: its limits, and the settings they leave."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.advise.advice import Spot
from optimizer.advise.goal import Outside, log_that_weighs, outside_of
from optimizer.advise.joint import tilts_of
from optimizer.advise.limits import hard_limits
from optimizer.advise.room import OVER_TODAY, At, HardLimit, Limit, PivotLimit
from optimizer.advise.settings import Settings, possible_settings
from optimizer.advise.table import Table

# tilt bends one way over travel, so its ends tell the worst; a mechanism may turn between
N_TILT, N_TILT_OF_POINTS = 3, 7


def limits_of(table: Table) -> tuple[HardLimit, ...]:
    """Limits of the corner's hardware, over all travel that was measured or is wanted."""
    evidence = table.evidence
    ends = [*table.target.window_mm]
    for curve in evidence.curves:
        ends += [float(curve.travel_mm[0]), float(curve.travel_mm[-1])]
    n_travel = N_TILT if evidence.corner.points is None else N_TILT_OF_POINTS
    travels = np.linspace(min(0.0, *ends), max(0.0, *ends), n_travel)
    now = (table.now.height_mm, table.now.length_change_mm)
    return hard_limits(
        evidence.corner,
        evidence.reference,
        pivot=PivotLimit(evidence.pivot, table.link, now, evidence.now.eccentric_mark),
        tilts=tilts_of(evidence.corner, table.surface, travels),
        travels_mm=travels,
    )


def settings_of(table: Table, limits: Sequence[HardLimit] | None = None) -> Settings:
    """Every setting that can be made, less what a limit forbids.

    Raises
    ------
    NothingCanBeMadeError
        If nothing is left, or the hardware is not for this tool.
    """
    now = (table.now.height_mm, table.now.length_change_mm)
    held = limits_of(table) if limits is None else limits
    return possible_settings(table.evidence, now, table.link, held)


def is_inside(limits: Sequence[HardLimit], spot: Spot) -> bool:
    """Whether a setting is past no limit; rounding of a length typed by hand is no fault."""
    at = At.one(spot.split, spot.length_change_mm)
    rooms = (limit.room(at) for limit in limits)
    return all(room is None or bool(np.all(room >= -OVER_TODAY)) for room in rooms)


def reports(table: Table, limits: Sequence[HardLimit], spot: Spot) -> tuple[Limit, ...]:
    """Each limit after the move and today, and the window's own."""
    then, now = (At.one(s.split, s.length_change_mm) for s in (spot, table.now))
    out = [limit.report(then, now) for limit in limits]
    (low, high), window = table.evidence.measured_mm, table.target.window_mm
    beyond = max(low - window[0], window[1] - high)
    if beyond > 1.0:
        out.append(Limit(name="window", status="over", left=-beyond, left_now=-beyond))
    return tuple(out)


def outside_that_weighs(table: Table) -> Outside | None:
    """Logged time past what was measured and past the window; None for other weights."""
    log = log_that_weighs(table.goal, table.evidence.travel_log)
    if log is None:
        return None
    return outside_of(log, table.target.window_mm, table.evidence.measured_mm)
