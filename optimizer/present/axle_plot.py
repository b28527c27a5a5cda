"""The picture of an axle: both wheels' toe over travel now and next, their difference, roll."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.axle import AxleAdvice, HalfAxle
from optimizer.present.axle import axle_title, heading_words
from optimizer.present.axle_effect import roll_words
from optimizer.present.crew import Crew
from optimizer.present.plot import COLOURS, INK, check_suffix, in_glyphs, save
from optimizer.units import from_deg, from_mm

Array = NDArray[np.float64]

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Picture

WRAP = 62


def draw_axle(found: AxleAdvice | HalfAxle, crew: Crew, path: Path) -> bool:
    """Draw an axle into a file; False, and nothing drawn, where one side was never measured."""
    check_suffix(path)
    if isinstance(found, HalfAxle):
        return False
    save(axle_picture(found, crew), path)
    return True


def axle_picture(found: AxleAdvice, crew: Crew) -> Picture:
    """Toe of both wheels above, left less right below, the steer in roll in words beneath."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib.figure import Figure

    picture = Figure(figsize=(5.2, 9.0), layout="constrained")
    upper, lower = picture.subplots(2, 1, height_ratios=(1.2, 1.0))
    _wheels(upper, found, crew)
    _difference(lower, found, crew)
    title = textwrap.fill(in_glyphs(heading_words(found)), 56).replace("$", r"\$")
    upper.set_title(title, loc="left", fontsize=10)
    picture.supxlabel(
        textwrap.fill(f"Roll: {roll_words(found, crew)}", WRAP), x=0.02, ha="left", fontsize=9
    )
    return picture


def _wheels(axes: Axes, found: AxleAdvice, crew: Crew) -> None:
    now, then = found.now.figures, found.advised.figures
    sets = [("now", now, 1.2)] + ([("next", then, 2.2)] if found.action == "set" else [])
    for name, figures, weight in sets:
        travel = _travel(figures.travel_mm, crew)
        for side, toe, half, colour, dash in (
            ("left", figures.left_deg, figures.left_half_deg, COLOURS[0], "-"),
            ("right", figures.right_deg, figures.right_half_deg, COLOURS[1], "--"),
        ):
            if name == "next" or len(sets) == 1:
                ends = (_toe(toe - half, crew), _toe(toe + half, crew))
                axes.fill_betweenx(travel, *ends, color=colour, alpha=0.25, linewidth=0)
            axes.plot(
                _toe(toe, crew),
                travel,
                color=colour,
                linestyle=dash,
                linewidth=weight,
                marker="o" if name == "now" else None,
                markersize=3,
                label=f"{side} {name}",
            )
    _frame(axes, f"toe change, {crew.units.toe}", crew)


def _difference(axes: Axes, found: AxleAdvice, crew: Crew) -> None:
    now, then = found.now.figures, found.advised.figures
    axes.plot(
        _toe(now.difference_deg, crew),
        _travel(now.travel_mm, crew),
        color=COLOURS[3],
        linestyle="--",
        marker="o",
        markersize=3,
        label="now",
    )
    mean, half = then.difference_deg, then.half_deg
    travel = _travel(then.travel_mm, crew)
    axes.fill_betweenx(
        travel,
        _toe(mean - half, crew),
        _toe(mean + half, crew),
        color="#bbbbbb",
        alpha=0.6,
        linewidth=0,
        label="band",
    )
    if found.action == "set":
        axes.plot(_toe(mean, crew), travel, color=INK, linewidth=2.2, label="next")
    axes.set_title(in_glyphs(f"{axle_title(found)}: left less right"), loc="left", fontsize=10)
    _frame(axes, f"left less right, {crew.units.toe}", crew)


def _frame(axes: Axes, across: str, crew: Crew) -> None:
    axes.axvline(0.0, color=INK, linewidth=0.6)
    axes.axhline(0.0, color=INK, linewidth=0.6)
    axes.grid(color="#dddddd", linewidth=0.5)
    axes.set_axisbelow(True)
    plus = "toe-in" if crew.signs.toe > 0 else "toe-out"
    axes.set_xlabel(f"{across}, {plus} plus; bands: 90 in 100", fontsize=9)
    up = "bump" if crew.signs.travel > 0 else "droop"
    axes.set_ylabel(f"travel, {crew.units.travel}, {up} plus", fontsize=9)
    axes.legend(fontsize=8, frameon=False)


def _toe(value_deg: Array, crew: Crew) -> Array:
    return np.asarray(value_deg * from_deg(1.0, crew.units.toe) * crew.signs.toe)


def _travel(value_mm: Array, crew: Crew) -> Array:
    return np.asarray(value_mm * from_mm(1.0, crew.units.travel) * crew.signs.travel)
