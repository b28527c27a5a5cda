"""Least change against toe wanted at one travel: the front, and a few settings on it."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.advice import Move, Spot
from optimizer.advise.choice import ranked
from optimizer.advise.eccentric import BAND_SD, Band, shortest_band
from optimizer.advise.evidence import corner_evidence
from optimizer.advise.goal import Outside, Target
from optimizer.advise.makeable import limits_of, outside_that_weighs, reports, settings_of
from optimizer.advise.room import Limit
from optimizer.advise.settings import Settings
from optimizer.advise.table import Table, same_setting
from optimizer.advise.wishes import Wishes
from optimizer.errors import CallError
from optimizer.model.field import CurveField
from optimizer.record import record
from optimizer.records import Corner, Goal, Logbook

Array = NDArray[np.float64]

N_STEP = 6
# no crew asks for more toe change than this at one travel (common practice, no source)
REACH_DEG = 0.5
# rows nearer each other than this at that travel are one to a gauge
APART_DEG = 0.01
N_DRAWN = 4000

Mark = Literal["now", "least-change", "measured", "front"]


@record
class Option:
    """One setting of the list; ``best_measured`` has the least change of those measured."""

    letter: str
    best_measured: bool
    mark: Mark
    move: Move
    score_deg: Band
    toe_deg: Band

    @property
    def run(self) -> str | None:
        """The run that measured it, if one did."""
        return self.move.spot.run


@record
class Tradeoff:
    """A corner's list and what it was picked from.

    Attributes
    ----------
    at_mm : where toe is wanted
    toe_in : whether toe-in is wanted there, else toe-out
    options : as it stands first, then from least change to most toe
    limits : of the hardware, as the car stands
    outside : logged time that the answer does not rest on; None for other weights
    field : shape (n_drawn, 2), expected toe there and score of settings that can be made
    front : shape (n_front, 2), those no other setting beats in both, by toe
    """

    corner: Corner
    goal: Goal
    target: Target
    n_run: int
    at_mm: float
    toe_in: bool
    options: tuple[Option, ...]
    field: Array
    front: Array
    n_candidate: int
    measured_mm: tuple[float, float]
    limits: tuple[Limit, ...]
    outside: Outside | None


def tradeoff(
    book: Logbook, corner: str, at_mm: float, goal: Goal | None = None, *, toe_in: bool = True
) -> Tradeoff:
    """List settings from least change over the window to most toe at one travel.

    Each row has the least score of all settings with at least so much toe there, in six
    steps over what can be had. The goal's figure, window, weight and wishes hold; a toe
    that it wants at a travel does not, since that is what is traded.

    Raises
    ------
    CallError
        If the travel is ride height or outside what a wheel does.
    """
    if abs(at_mm) < 1.0:
        raise CallError("toe does not change at ride height", "name a travel, such as --at -40")
    evidence = corner_evidence(book, corner)
    wanted = goal or evidence.corner.goal
    order = tuple(w for w in wanted.order if w != "toe-at-travel")
    table = Table(evidence, replace(wanted, kind="least-change", order=order))
    low, high = table.target.window_mm
    if not table.target.holds(np.array([at_mm]))[0]:
        raise CallError(
            f"{at_mm:g} mm lies outside the window, {low:g} to {high:g} mm",
            "name a travel inside it, or widen the window",
        )
    hard = limits_of(table)
    every = settings_of(table, hard)
    wishes = Wishes(table, every, table.expected(every))
    field = wishes.left(every)
    score = table.expected(field)
    by_toe = CurveField(table.surface, np.array([at_mm]))
    toe = by_toe.mean_deg(table.surface_height(field.height, field.change), field.change)[:, 0]
    picked = _picked(ranked(table, field, score), toe if toe_in else -toe)
    best = int(picked[0])
    spots = [table.now, *(_spot(table, field, int(i)) for i in picked)]
    spots += [m for m in table.measured if m is table.measured[table.best_measured]]
    spots = [s for i, s in enumerate(spots) if not any(same_setting(s, o) for o in spots[:i])]
    least = _spot(table, field, best)
    sign = 1.0 if toe_in else -1.0

    def along(spot: Spot) -> float:
        return sign * float(by_toe.mean_deg(*table.on_surface(spot))[0, 0])

    rest = sorted(spots[1:], key=along)
    return Tradeoff(
        corner=evidence.corner,
        goal=table.goal,
        target=table.target,
        n_run=len(evidence.runs),
        at_mm=at_mm,
        toe_in=toe_in,
        options=tuple(
            _option(table, by_toe, chr(ord("A") + i), spot, least)
            for i, spot in enumerate([table.now, *rest])
        ),
        field=np.stack([toe, score], axis=1)[:: max(1, len(toe) // N_DRAWN)],
        front=_front(toe, score, sign),
        n_candidate=len(every.height),
        measured_mm=evidence.measured_mm,
        limits=reports(table, hard, table.now),
        outside=outside_that_weighs(table),
    )


def _picked(order: NDArray[np.intp], toe: Array) -> list[int]:
    """The best setting with at least each step of toe, from least change on."""
    ranked_toe = toe[order]
    start = float(ranked_toe[0])
    end = min(float(toe.max()), start + REACH_DEG)
    out = [int(order[0])]
    for least in np.linspace(start, end, N_STEP)[1:]:
        reaching = np.flatnonzero(ranked_toe >= least - 1e-9)
        i = int(order[reaching[0]])
        if toe[i] - toe[out[-1]] > APART_DEG:
            out.append(i)
    return out


def _front(toe: Array, score: Array, sign: float) -> Array:
    """Settings that no other beats in both: toe (n_front,) rising with the score."""
    order = np.lexsort((-sign * toe, score))
    ahead = np.maximum.accumulate(sign * toe[order])
    first = np.concatenate([[True], ahead[1:] > ahead[:-1]])
    kept = order[first]
    inside = np.abs(toe[kept] - toe[kept[0]]) <= REACH_DEG + APART_DEG
    return np.asarray(np.stack([toe[kept], score[kept]], axis=1)[inside])


def _spot(table: Table, field: Settings, index: int) -> Spot:
    spot = field.spot(index)
    return table.measured_at(spot) or spot


def _option(table: Table, by_toe: CurveField, letter: str, spot: Spot, least: Spot) -> Option:
    toe, spread = (float(x[0, 0]) for x in by_toe.mean_and_variance(*table.on_surface(spot)))
    half = BAND_SD * spread**0.5
    mark: Mark = "front"
    if same_setting(spot, table.now):
        mark = "now"
    elif same_setting(spot, least):
        mark = "least-change"
    elif spot.run is not None:
        mark = "measured"
    return Option(
        letter=letter,
        best_measured=same_setting(spot, table.measured[table.best_measured]),
        mark=mark,
        move=table.move(spot),
        score_deg=shortest_band(table.scores(spot.height_mm, spot.length_change_mm)),
        toe_deg=Band(value=toe, low=toe - half, high=toe + half),
    )
