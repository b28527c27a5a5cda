"""The screen, the document and the picture of a trade-off."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.advise.tradeoff import Mark, Option, Tradeoff
from optimizer.errors import CallError
from optimizer.present.cautions import AT_HAND, LENGTH_FIRST
from optimizer.present.crew import Crew, corner_title
from optimizer.present.layout import NARROW, labelled, table
from optimizer.present.limits import unsafe_words
from optimizer.present.wished import figure_words, outside_words
from optimizer.records import Logbook
from optimizer.units import from_deg, from_mm, to_mm

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Picture

MARKS: dict[Mark, str] = {
    "now": "as it stands",
    "least-change": "least change",
    "measured": "",
    "front": "",
}
SHAPES: dict[Mark, tuple[str, str]] = {
    "now": ("s", "#717581"),
    "least-change": ("*", "#e76300"),
    "measured": ("D", "#a96b59"),
    "front": ("o", "#3f90da"),
}


def travel_asked(text: str, book: Logbook) -> float:
    """The travel of ``--at`` in mm, bump plus; CallError where it is none."""
    try:
        typed = float(text.replace(",", "."))
    except ValueError:
        raise CallError(
            f"--at {text!r} is no travel" if text else "--at is missing: where is toe wanted",
            "write a travel in the logbook's unit and sign, such as --at -40",
        ) from None
    if not math.isfinite(typed):
        raise CallError(f"--at {text!r} is no travel", "write a number, such as --at -40")
    return to_mm(typed, book.units.travel) * book.signs.travel


def tradeoff_screen(found: Tradeoff, crew: Crew, width: int, where: str) -> list[str]:
    """The list of one corner, at most ``width`` wide."""
    lines = textwrap.wrap(
        f"{corner_title(found.corner, found.n_run)}: {title_words(found, crew)}", width
    )
    unsafe = unsafe_words(found.limits, crew)
    lines += labelled("Doubt", "; ".join(unsafe), width) if unsafe else []
    unit = crew.units.toe
    head = ["", "above", "below", "link", "ecc", "toe there", "give", "change", "up to"]
    rows = [head, *(_row(option, crew) for option in found.options)]
    lines += table(rows, width, 0 if width >= NARROW else None)
    named = [f"{o.letter} {_named(o)}" for o in found.options if _named(o)]
    lines += labelled("Marked", "; ".join(named), width)
    lines += labelled("Read it", legend_words(found, crew, unit), width)
    guess = ["the window reaches past what was measured: a guess there"] if _beyond(found) else []
    limits = [*guess, *outside_words(found.outside)]
    lines += labelled("Limits", "; ".join(limits), width) if limits else []
    lines += labelled("Careful", f"{LENGTH_FIRST} {AT_HAND}", width)
    return lines + labelled("Then", then_words(found, crew, where), width)


def title_words(found: Tradeoff, crew: Crew) -> str:
    """What is traded against what."""
    way = "toe-in" if found.toe_in else "toe-out"
    return f"least change against {way} at {crew.travel(found.at_mm)}"


def legend_words(found: Tradeoff, crew: Crew, unit: str) -> str:
    """What the columns hold."""
    figure = figure_words(found.goal, found.target, crew)
    return (
        f"link and eccentric in {crew.units.length} from now, longer and inboard plus; toe at "
        f"{crew.travel(found.at_mm)} in {unit}, give or take; toe change over the window in {unit} "
        f"{figure}, and what it stays under 95 times in 100"
    )


def then_words(found: Tradeoff, crew: Crew, where: str) -> str:
    """How to ask for one of the rows."""
    sign = crew.signs.travel
    at = f"{float(crew.travel(found.at_mm).split()[0]) * np.sign(found.at_mm) * sign:g}"
    front = [o for o in found.options if o.mark == "front"] or list(found.options)
    pick = front[len(front) // 2]
    toe = crew.toe_value(pick.toe_deg.value).lstrip("+")
    tolerance = f"{from_deg(0.05, crew.units.toe):.2g}"
    goal = f"kind=toe-at-travel at_travel={at} toe_change={toe} tolerance={tolerance}"
    goal += _kept(found, crew)
    return f'for {pick.letter}, say: shimopt next{where} --goal "{goal}"'


def _kept(found: Tradeoff, crew: Crew) -> str:
    """The rest of the goal that was traded, in the crew's units and signs."""
    goal, own, out = found.goal, found.corner.goal, ""
    if goal.window_mm is not None and goal.window_mm != own.window_mm:
        unit, sign = crew.units.travel, crew.signs.travel
        ends = sorted(sign * from_mm(z, unit) for z in goal.window_mm)
        out += f" window=[{ends[0]:g},{ends[1]:g}]"
    if goal.weight != own.weight:
        out += f" weight={goal.weight}"
    if goal.weight_sd_mm is not None and goal.weight_sd_mm != own.weight_sd_mm:
        out += f" weight_sd={from_mm(goal.weight_sd_mm, crew.units.travel):g}"
    if goal.measure != own.measure:
        out += f" measure={goal.measure}"
    wishes = ["toe-at-travel"]
    if goal.never_toe_out is not None:
        wishes.insert(0, "never-toe-out")
        if goal.never_toe_out != own.never_toe_out:
            out += f" never_toe_out={goal.never_toe_out}"
    if goal.most_change_deg is not None:
        wishes.append("most-change")
        if goal.most_change_deg != own.most_change_deg:
            out += f" most_change={from_deg(goal.most_change_deg, crew.units.toe):g}"
    return f"{out} order=[{','.join([*wishes, 'least-change'])}]"


def _beyond(found: Tradeoff) -> bool:
    (low, high), (first, last) = found.target.window_mm, found.measured_mm
    return max(first - low, high - last) > 1.0


def _named(option: Option) -> str:
    said = [MARKS[option.mark], "best measured" if option.best_measured else ""]
    words = ", ".join(word for word in said if word)
    return f"{words} ({option.run})" if words and option.run else words or (option.run or "")


def _row(option: Option, crew: Crew) -> list[str]:
    move, score, toe = option.move, option.score_deg, option.toe_deg
    split = move.spot.split
    return [
        option.letter,
        crew.stack(split.above_mm),
        crew.stack(split.below_mm),
        crew.moved(move.turn.change_mm),
        crew.moved(move.static_toe.shift_mm.value),
        _way(toe.value, crew),
        crew.score((toe.high - toe.low) / 2.0),
        crew.score(score.value),
        crew.score(score.high),
    ]


def _way(toe_deg: float, crew: Crew) -> str:
    amount = crew.amount(toe_deg).split()[0]
    return f"{amount} {'in' if toe_deg > 0 else 'out'}" if float(amount) else amount


def tradeoff_corner(found: Tradeoff, crew: Crew, where: str) -> dict[str, Any]:
    """What ``--json`` says of one corner."""
    return {
        "corner": found.corner.name,
        "n_run": found.n_run,
        "at_travel_mm": found.at_mm,
        "wanted": "toe-in" if found.toe_in else "toe-out",
        "window_mm": list(found.target.window_mm),
        "measured_mm": list(found.measured_mm),
        "figure": {
            "measure": found.target.measure,
            "weight": found.goal.weight,
            "shown": figure_words(found.goal, found.target, crew),
        },
        "settings_scored": found.n_candidate,
        "options": [_option(o, crew) for o in found.options],
        "front": [{"toe_deg": float(t), "score_deg": float(s)} for t, s in found.front],
        "title": title_words(found, crew),
        "then": then_words(found, crew, where),
    }


def tradeoff_document(book: Logbook, found: list[Tradeoff], where: str) -> dict[str, Any]:
    """The document of ``tradeoff``."""
    from optimizer.present.document import envelope

    crew = Crew.of(book)
    return envelope("tradeoff", book, [tradeoff_corner(f, crew, where) for f in found])


def _option(option: Option, crew: Crew) -> dict[str, Any]:
    move, score, toe = option.move, option.score_deg, option.toe_deg
    return {
        "letter": option.letter,
        "mark": option.mark,
        "run": option.run,
        "best_measured": option.best_measured,
        "setting": {
            "above_mm": list(move.spot.split.above_mm),
            "below_mm": list(move.spot.split.below_mm),
            "joint_height_mm": move.spot.height_mm,
            "length_change_mm": move.spot.length_change_mm,
        },
        "lengthen_mm": move.turn.change_mm,
        "eccentric_shift_mm": vars(move.static_toe.shift_mm),
        "toe_at_travel": {**vars(toe), "shown": _way(toe.value, crew)},
        "score": {**vars(score), "shown": crew.score(score.value)},
        "shown": _row(option, crew),
    }


def tradeoff_picture(found: Tradeoff, crew: Crew) -> Picture:
    """The front with its settings by letter, over all that can be made."""
    from optimizer.present.plot import INK, drawn_names, in_glyphs, page

    picture = page(1)
    axes = picture.add_subplot()
    to = from_deg(1.0, crew.units.toe)
    sign = crew.signs.toe
    score_top = 1.25 * max(
        *(o.score_deg.high for o in found.options), float(found.front[:, 1].max())
    )
    axes.plot(
        found.field[:, 0] * to * sign,
        found.field[:, 1] * to,
        ".",
        color="#8f8f8f",
        markersize=1.5,
        zorder=1,
    )
    axes.plot(found.front[:, 0] * to * sign, found.front[:, 1] * to, color=INK, lw=1.4, zorder=2)
    for option in found.options:
        _draw_option(axes, option, to, sign)
    toes = [t for o in found.options for t in (o.toe_deg.low, o.toe_deg.high)]
    room = 0.12 * (max(toes) - min(toes))
    ends = sorted([(min(toes) - room) * to * sign, (max(toes) + room) * to * sign])
    axes.set_xlim(*ends)
    axes.set_ylim(0.0, score_top * to)
    axes.grid(color="#dddddd", linewidth=0.5)
    axes.set_axisbelow(True)
    inward, outward = ("toe-in +", "toe-out +")
    plus = inward if sign > 0 else outward
    axes.set_xlabel(f"toe change at {crew.travel(found.at_mm)}, {crew.units.toe}, {plus}")
    figure = figure_words(found.goal, found.target, crew)
    axes.set_ylabel(f"toe change over the window, {crew.units.toe} {figure}")
    name = drawn_names([found.corner.name], 24)[found.corner.name]
    axes.set_title(f"{name}: what toe at one travel costs", loc="left", fontsize=11)
    said = in_glyphs("; ".join(f"{o.letter} {_named(o)}" for o in found.options if _named(o)))
    said = said.replace("$", r"\$")
    told = ["grey: all that can be set; line: the front; bars: 90 in 100", *textwrap.wrap(said, 76)]
    axes.annotate(
        "\n".join(told),
        (0, 0),
        xytext=(0, -40),
        xycoords="axes fraction",
        textcoords="offset points",
        fontsize=8,
        va="top",
    )
    return picture


def _draw_option(axes: Axes, option: Option, to: float, sign: int) -> None:
    shape, colour = SHAPES[option.mark]
    toe, score = option.toe_deg, option.score_deg
    at = toe.value * to * sign, score.value * to
    half = (toe.high - toe.low) / 2.0 * to
    axes.errorbar(
        *at,
        xerr=half,
        yerr=[[(score.value - score.low) * to], [(score.high - score.value) * to]],
        color=colour,
        marker=shape,
        markersize=11 if shape == "*" else 7,
        markeredgecolor="white",
        capsize=2,
        linewidth=1.2,
        zorder=3,
    )
    axes.annotate(
        option.letter, at, xytext=(6, 6), textcoords="offset points", fontsize=11, weight="bold",
        zorder=4,
    )  # fmt: skip
