"""The picture of a brief as SVG, drawn here so that it stands without scripts."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np
from numpy.typing import NDArray

from optimizer.present.brief import Brief, Line
from optimizer.present.crew import Crew
from optimizer.record import record
from optimizer.units import from_deg, from_mm

Array = NDArray[np.float64]

WIDTH, HEIGHT = 360.0, 340.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 12.0, 12.0, 40.0
STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
ROOM = 1.08
NAMES = {
    "before": "before",
    "measured": "measured last",
    "foretold": "foretold of that run",
    "expected": "expected as advised, shaded: 90 in 100",
}


@record
class View:
    """How the picture maps toe (across) and travel (upright), in the crew's units and signs."""

    low: float
    high: float
    down: float
    up: float
    toe_factor: float
    toe_sign: int
    travel_factor: float
    travel_sign: int

    def x(self, toe_deg: float) -> float:
        """Across, of a toe change."""
        share = (toe_deg * self.toe_factor * self.toe_sign - self.low) / (self.high - self.low)
        return LEFT + share * (WIDTH - LEFT - RIGHT)

    def y(self, travel_mm: float) -> float:
        """Upright, of a travel."""
        at = travel_mm * self.travel_factor * self.travel_sign
        return TOP + (self.up - at) / (self.up - self.down) * (HEIGHT - TOP - BOTTOM)


def view_of(brief: Brief, crew: Crew) -> View:
    """The view that holds every curve of a brief, and what is expected."""
    toe, half = brief.explored.curve(brief.explored.start)
    ends = [toe - half, toe + half, *(line.toe_deg for line in brief.lines)]
    factor = from_deg(1.0, crew.units.toe) * crew.signs.toe
    every = np.concatenate(ends) * factor
    reach = max(float(np.max(np.abs(every))) * ROOM, 1e-3)
    travel = np.concatenate([brief.explored.travel_mm, *(x.travel_mm for x in brief.lines)])
    along = travel * from_mm(1.0, crew.units.travel) * crew.signs.travel
    return View(
        low=-reach,
        high=reach,
        down=float(along.min()),
        up=float(along.max()),
        toe_factor=from_deg(1.0, crew.units.toe),
        toe_sign=crew.signs.toe,
        travel_factor=from_mm(1.0, crew.units.travel),
        travel_sign=crew.signs.travel,
    )


def picture(brief: Brief, crew: Crew) -> str:
    """The SVG: axes, measured runs with their readings, what was foretold and is expected."""
    view = view_of(brief, crew)
    toe, half = brief.explored.curve(brief.explored.start)
    z = brief.explored.travel_mm
    body = [*_axes(view, crew)]
    wide, tall = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM
    body.append(
        f'<clipPath id="inside"><rect x="{LEFT:g}" y="{TOP:g}" width="{wide:g}" '
        f'height="{tall:g}"/></clipPath>'
    )
    body.append('<g clip-path="url(#inside)">')
    back = _path(view, (toe + half)[::-1], z[::-1]).replace("M", "L", 1)
    band = _path(view, toe - half, z) + back
    body.append(f'<path id="curve-band" class="cover" d="{band}Z"/>')
    for line in brief.lines:
        body.append(
            f'<path class="c {line.kind}" d="{_path(view, line.toe_deg, line.travel_mm)}"/>'
        )
        body += _dots(view, line) if line.points else []
    body.append(f'<path id="curve" class="c expected" d="{_path(view, toe, z)}"/>')
    body.append("</g>")
    said = escape(f"Toe change against travel of {brief.corner}: {legend_words(brief)}")
    return (
        f'<svg id="picture" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" aria-label="{said}">'
        + "".join(body)
        + "</svg>"
    )


def legend_words(brief: Brief) -> str:
    """Every curve by name."""
    return "; ".join(words for _, words in legend(brief))


def legend(brief: Brief) -> list[tuple[str, str]]:
    """Kind and words of each curve."""
    out = []
    for line in brief.lines:
        words = NAMES[line.kind]
        if line.kind != "foretold":
            words = f"{words}: {line.name}"
        out.append((line.kind, words))
    return [*out, ("expected", NAMES["expected"])]


def key_of(kind: str) -> str:
    """A short stroke of a curve, for the legend."""
    return f'<svg viewBox="0 0 34 10" aria-hidden="true"><path class="c {kind}" d="M0 5H34"/></svg>'


def _path(view: View, toe_deg: Array, travel_mm: Array) -> str:
    return "".join(
        f"{'L' if k else 'M'}{view.x(float(t)):.1f} {view.y(float(z)):.1f}"
        for k, (t, z) in enumerate(zip(toe_deg, travel_mm, strict=True))
    )


def _dots(view: View, line: Line) -> list[str]:
    return [
        f'<circle class="dot {line.kind}" r="2.6" cx="{view.x(float(t)):.1f}" '
        f'cy="{view.y(float(z)):.1f}"/>'
        for t, z in zip(line.toe_deg, line.travel_mm, strict=True)
    ]


def _axes(view: View, crew: Crew) -> list[str]:
    out = []
    right, bottom = WIDTH - RIGHT, HEIGHT - BOTTOM
    for value in ticks(view.low, view.high):
        x = LEFT + (value - view.low) / (view.high - view.low) * (right - LEFT)
        out.append(f'<path class="rule" d="M{x:.1f} {TOP:g}V{bottom:g}"/>')
        out.append(f'<text x="{x:.1f}" y="{bottom + 14:g}" text-anchor="middle">{value:g}</text>')
    for value in ticks(view.down, view.up):
        y = TOP + (view.up - value) / (view.up - view.down) * (bottom - TOP)
        out.append(f'<path class="rule" d="M{LEFT:g} {y:.1f}H{right:g}"/>')
        out.append(f'<text x="{LEFT - 5:g}" y="{y + 4:.1f}" text-anchor="end">{value:g}</text>')
    zero = view.x(0.0)
    ride = view.y(0.0)
    out.append(
        f'<path class="axis" d="M{zero:.1f} {TOP:g}V{bottom:g}M{LEFT:g} {ride:.1f}H{right:g}"/>'
    )
    inward, outward = ("toe-in", "toe-out") if crew.signs.toe > 0 else ("toe-out", "toe-in")
    across = f"{outward} \u2190 toe change, {crew.units.toe} \u2192 {inward}"
    middle = (LEFT + right) / 2.0
    out.append(f'<text x="{middle:g}" y="{HEIGHT - 8:g}" text-anchor="middle">{across}</text>')
    up, down = ("bump", "droop") if crew.signs.travel > 0 else ("droop", "bump")
    at = (TOP + bottom) / 2.0
    out.append(
        f'<text transform="translate(11 {at:g}) rotate(-90)" text-anchor="middle">'
        f"{down} \u2190 travel, {crew.units.travel} \u2192 {up}</text>"
    )
    return out


def ticks(low: float, high: float, most: int = 7) -> Sequence[float]:
    """Round numbers between two ends, at most so many."""
    span = (high - low) / most
    power = 10.0 ** np.floor(np.log10(span))
    step = next(s * power for s in STEPS if s * power >= span - 1e-12)
    first, last = np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9)
    return [round(float(k * step), 10) + 0.0 for k in np.arange(first, last + 1)]
