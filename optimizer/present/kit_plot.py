"""The picture of ``kit``: what each purchase loses against its price, and what is asked for."""

from __future__ import annotations

import textwrap
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from optimizer.kit.advice import KitAdvice
from optimizer.present.crew import Crew
from optimizer.present.kit import letter, shown_kits, title
from optimizer.present.plot import COLOURS, INK, drawn_names, in_glyphs, page
from optimizer.units import from_deg, from_mm

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Picture

BAR_MM = 0.1
HATCHES = ("", "////", "....", "xxxx")


def kit_picture(advice: KitAdvice, crew: Crew) -> Picture:
    """Loss against price above, the joint heights that draws ask for below."""
    picture = page(2)
    upper, lower = picture.subplots(2, 1, height_ratios=(1.5, 1.0))
    _draw_frontier(upper, advice, crew)
    _draw_asked(lower, advice, crew)
    return picture


def _draw_frontier(axes: Axes, advice: KitAdvice, crew: Crew) -> None:
    to = from_deg(1.0, crew.units.toe)
    price = [float(kit.price) for kit in advice.kits]
    loss = [kit.loss_deg * to for kit in advice.kits]
    high = [kit.high_deg * to for kit in advice.kits]
    boxes = [(b, float(b.price or 0)) for b in advice.boxes if b.kit is not None]
    room = max([*price, *(x for _, x in boxes), 1e-9]) * 1.12
    ends = [*price, room]
    axes.step(ends, [*high, high[-1]], where="post", color=COLOURS[3], lw=1.2, ls="--", zorder=2)
    axes.step(ends, [*loss, loss[-1]], where="post", color=COLOURS[0], lw=1.8, zorder=3)
    axes.axhline(advice.planner.worthwhile_deg * to, color=INK, lw=0.8, ls=":")
    axes.plot(price, loss, "o", color=COLOURS[0], markersize=4, zorder=4)
    for i in shown_kits(advice):
        said = letter(i) + (" knee" if i == advice.knee else "")
        if i == advice.chosen:
            axes.plot(price[i], loss[i], "*", color=COLOURS[1], markersize=13, zorder=5)
        axes.annotate(said, (price[i], loss[i]), xytext=(4, 5), textcoords="offset points",
                      fontsize=10, weight="bold", zorder=6)  # fmt: skip
    named = drawn_names([b.name for b, _ in boxes], 16)
    for box, x in boxes:
        y = box.kit.loss_deg * to if box.kit is not None else 0.0
        axes.plot(x, y, "D", color=COLOURS[2], markersize=6, zorder=5)
        axes.annotate(named[box.name] + ("" if box.price is not None else " (no price)"), (x, y),
                      xytext=(2, -7), textcoords="offset points", fontsize=9, va="top",
                      ha="right" if x > 0.7 * room else "left", zorder=6)  # fmt: skip
    tops = [*high, *(b.kit.loss_deg * to for b, _ in boxes if b.kit is not None)]
    top = 1.15 * max([*tops, advice.planner.worthwhile_deg * to])
    axes.set_ylim(0.0, top)
    axes.set_xlim(-0.02 * room, room)
    axes.grid(color="#dddddd", linewidth=0.5)
    axes.set_axisbelow(True)
    told = (
        "line: mean of what the readings allow; dashes: 9 in 10 stay under;\n"
        "dotted: what is worth a run; star: take this one"
    )
    axes.set_xlabel(f"price, in the offers' own money\n{told}", fontsize=9)
    axes.set_ylabel(f"toe change lost, {crew.units.toe}")
    axes.set_title("\n".join(textwrap.wrap(in_glyphs(title(advice)), 60)), loc="left", fontsize=11)


def _draw_asked(axes: Axes, advice: KitAdvice, crew: Crew) -> None:
    unit = crew.units.length
    wheels = advice.planner.wheels
    many = len(wheels) > len(HATCHES)
    names = drawn_names([w.label for w in wheels], 24)
    n_beside = 1 if many else len(wheels)
    width = from_mm(BAR_MM, unit) * 0.8 / n_beside
    for i, (wheel, rows) in enumerate(zip(wheels[:n_beside], advice.heights, strict=False)):
        asked = [row for row in rows if row.share > 0.0]
        if many:
            asked = [
                replace(row, share=row.share / len(wheels))
                for every in advice.heights
                for row in every
                if row.share > 0.0
            ]
        at = np.array([from_mm(row.height_mm, unit) for row in asked])
        share = np.array([100.0 * row.share for row in asked])
        made = np.array([row.split is not None for row in asked])
        shift = (i - (n_beside - 1) / 2.0) * width
        colour, hatch = COLOURS[i % len(COLOURS)], HATCHES[i % len(HATCHES)]
        axes.bar(at[made] + shift, share[made], width, color=colour, hatch=hatch,
                 edgecolor="white", label=names[wheel.label])  # fmt: skip
        axes.bar(at[~made] + shift, share[~made], width, color="none", edgecolor=colour,
                 lw=1.2 if n_beside == 1 else 0.7)  # fmt: skip
    axes.set_xlabel(f"joint height from the reference, {unit}")
    axes.set_ylabel("of 100 draws")
    told = "what may be asked for; empty bars: not made"
    axes.set_title(f"{told}; all wheels" if many else told, loc="left", fontsize=10)
    if n_beside > 1:
        axes.legend(fontsize=8, frameon=False)
