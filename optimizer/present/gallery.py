"""From a logbook to the curves and pictures of its corners."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from optimizer.advise.advice import Advice
from optimizer.advise.evidence import corner_evidence
from optimizer.advise.goal import log_that_weighs, weight_spread_mm
from optimizer.advise.next_move import surface_map
from optimizer.measure.curve import ToeCurve
from optimizer.measure.shape import Shape, curve_shape
from optimizer.present.crew import Crew
from optimizer.records import Goal, Logbook, Run

CornerCurves = tuple[str, tuple[float, float], list[tuple[Run, ToeCurve, Shape]]]


def corner_curves(book: Logbook, corner: str) -> CornerCurves:
    """Name, window and, for each measured run, its curve and shape.

    The window is the goal's; without one what every run reached, or, where that is
    nothing (one run in bump, another in droop), what any run reached.
    """
    evidence = corner_evidence(book, corner)
    goal = evidence.corner.goal
    window = goal.window_mm or evidence.measured_mm
    if not window[1] > window[0]:
        window = _reached_by_any(evidence.curves)
    spread = weight_spread_mm(goal, window)
    log = log_that_weighs(goal, evidence.travel_log)
    runs = [
        (run, curve, curve_shape(curve, window, spread, log))
        for run, curve in zip(evidence.runs, evidence.curves, strict=True)
    ]
    return corner, window, runs


def _reached_by_any(curves: Sequence[ToeCurve]) -> tuple[float, float]:
    return (
        min(0.0, *(float(c.travel_mm[0]) for c in curves)),
        max(0.0, *(float(c.travel_mm[-1]) for c in curves)),
    )


def draw_advice(book: Logbook, advice: Advice, goal: Goal | None, path: Path) -> None:
    """Draw an advice's curves and surface into a file."""
    from optimizer.present.plot import advice_picture, save

    name = advice.corner.name
    evidence = corner_evidence(book, name)
    pairs = [(r.name, c) for r, c in zip(evidence.runs, evidence.curves, strict=True)]
    save(advice_picture(advice, pairs, Crew.of(book), surface_map(book, name, goal)), path)
