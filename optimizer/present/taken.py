"""The preview of ``import``: what would be written, how it was understood, what is left out."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.logbook.faults import quoted
from optimizer.logbook.take import ImportPlan, Reads, Taken
from optimizer.logbook.values import write_number
from optimizer.logbook.wide import UnitTaken
from optimizer.present.layout import LABEL_WIDTH, NARROW, counted, labelled, margin_for
from optimizer.records import Run

MOST_TRAVELS = 9  # of a pass, shown one by one
MOST_LEFT_OUT = 3  # shown where the screen is too short
LABELS = ("Units", "Signs", "Left out", "Look", "Adds")
DIGITS = {"thou": 2, "min": 2, "in": 5}  # behind the point of a reading, 4 in other units
PLAIN = ("eccentric_mark", "static_toe", "date")  # told as they stand, if they are told


def import_lines(plan: ImportPlan, width: int = 80, height: int | None = None) -> list[str]:
    """What a plan would write, run by run; nothing is written yet.

    Parameters
    ----------
    plan : what was understood of the table
    width : columns to write in
    height : lines that may be used; None for all that is to be said
    """
    margin = margin_for([*LABELS, *(taken.run for taken in plan.runs)])
    n_new = sum(taken.new for taken in plan.runs)
    n_old = len(plan.runs) - n_new
    counts = [counted(n_new, "new run"), counted(n_old, "run") + " of runs.csv"]
    counts = [text for text, n in zip(counts, (n_new, n_old), strict=True) if n]
    n_reading = sum(len(travels) for taken in plan.runs for travels in taken.passes.values())
    head = f"{' and '.join(counts)}, {counted(n_reading, 'reading')}; nothing is written yet"
    top = [
        *labelled(plan.file.name, head, width, margin),
        *labelled("Units", _units(plan.units), width, margin),
        *labelled("Signs", _signs(plan), width, margin),
    ]
    adds = " and ".join(
        f"{counted(len(rows), 'row')} to {name}" for name, rows in plan.rows.items()
    )
    after = {run.name: run for run in plan.after.runs}
    blocks = [labelled(t.run, _taken(t, after[t.run]), width, margin) for t in plan.runs]
    left_out = _left_out(plan, width, margin)
    look = open_end_words(plan.open_end)
    last = labelled("Look", look, width, margin) if look else []
    last += labelled("Adds", adds, width, margin)
    n_line = sum(map(len, [top, *blocks, left_out, last]))
    if height is None or n_line <= height:
        return [*top, *(line for block in blocks for line in block), *left_out, *last]
    left_out = _left_out(plan, width, margin, MOST_LEFT_OUT)
    room = height - len(top) - len(left_out) - len(last)
    return [*top, *_as_fits(blocks, room, width, margin), *left_out, *last]


def open_end_words(line: str) -> str:
    """That a table may be cut off in its last number; empty where its last line has an end."""
    return f"the last line, {line}, has no line end: is it whole?" if line else ""


def written_lines(plan: ImportPlan, width: int, where: str) -> list[str]:
    """What was written, and the way on; ``where`` is what the next command needs."""
    # a command to type keeps to one line
    then = "Then\n  shimopt" if width < NARROW else f"{'Then':<{LABEL_WIDTH}}shimopt"
    return [
        *labelled("Done", f"added to {' and '.join(plan.rows)}; undo takes it back", width),
        f"{then} check{where}",
    ]


def _as_fits(blocks: Sequence[Sequence[str]], room: int, width: int, margin: int) -> list[str]:
    """Blocks one below the other, one at least, and how many found no room."""
    lines: list[str] = []
    for index, block in enumerate(blocks):
        rest = counted(len(blocks) - index, "more run")
        said = labelled("", f"and {rest}; through a pipe this shows all", width, margin)
        last = index == len(blocks) - 1
        kept = 0 if last else len(said)
        if index and len(lines) + len(block) + kept > room:
            return [*lines, *said]
        lines += block
    return lines


def _units(units: Sequence[UnitTaken]) -> str:
    """Which units were understood, whether the table says them, and what they become."""
    travel = next(u for u in units if not u.run)
    values = [u for u in units if u.run]
    kinds = list(dict.fromkeys((u.unit, u.stated, u.own) for u in values))
    if not any(u.stated for u in units):
        return f"travel: {travel.unit}; readings: {values[0].unit}; not said, so as in the logbook"
    parts = [f"travel: {_unit(travel.unit, travel.stated, travel.own)}"]
    for kind in kinds:
        whose = ""
        if len(kinds) > 1:
            runs = list(dict.fromkeys(u.run for u in values if (u.unit, u.stated, u.own) == kind))
            whose = f" of {', '.join(runs[:3])}"
            whose += f" and {len(runs) - 3} more" if len(runs) > 3 else ""
        parts.append(f"readings{whose}: {_unit(*kind)}")
    return "; ".join(parts)


def _unit(unit: str, stated: bool, own: str) -> str:
    if not stated:
        return f"{unit} (not said, as in the logbook)"
    return unit if unit == own else f"{unit}, turned into {own}"


def _signs(plan: ImportPlan) -> str:
    """The rules of signs that the numbers are read by: those of the logbook."""
    book = plan.after
    told = {name for taken in plan.runs if taken.new for name in taken.told}
    way = "toe-in" if book.gauge.rising > 0 else "toe-out"
    toe_plus = "toe-in" if book.signs.toe > 0 else "toe-out"
    parts = [f"travel plus is {'bump' if book.signs.travel > 0 else 'droop'}"]
    if book.gauge.kind == "direct-angle":
        parts.append(f"toe plus is {toe_plus}")
    else:
        what = "front less rear" if book.gauge.reads_two else "the reading"
        parts.append(f"{what} climbs with {way}")
        parts += [f"static toe plus is {toe_plus}"] if "static_toe" in told else []
    parts += ["length change plus is longer"] if "length_change" in told else []
    parts += ["marks count inboard"] if "eccentric_mark" in told else []
    return f"{'; '.join(parts)}: as in the logbook"


def _taken(taken: Taken, run: Run) -> str:
    """What one run gets: its setting, the travels of its passes, what they read."""
    passes: dict[tuple[str, ...], list[str]] = {}
    for sweep, travels in taken.passes.items():
        passes.setdefault(travels, []).append(sweep)
    parts = [f"{', '.join(names)} at {_travels(travels)}" for travels, names in passes.items()]
    parts += [f"reads {_range_words(taken.reads)}"] if taken.reads else []
    said = "; ".join(parts) or "no readings yet"
    if not taken.new:
        return f"its row of runs.csv stays; {said}"
    return f"new, {_setting(taken, run)}; {said}"


def _range_words(reads: Sequence[Reads]) -> str:
    """The smallest and the largest reading, so that a decimal read wrong can be seen."""
    texts: list[str] = []
    for one in reads:
        name = f"{one.column} " if len(reads) > 1 else ""
        digits = DIGITS.get(one.unit, 4)
        low, high = (write_number(round(end, digits) + 0.0) for end in (one.low, one.high))
        texts.append(f"{name}{low} to {high} {one.unit}")
    return ", ".join(texts)


def _setting(taken: Taken, run: Run) -> str:
    told = taken.told
    change = told.get("length_change")
    parts = [
        run.corner,
        f"{told.get('shims_above') or '0'} over {told.get('shims_below') or '0'}",
        f"length change {change or '0 (not said)'}",
        *(f"{name.replace('_', ' ')} {told[name]}" for name in PLAIN if told.get(name)),
        *([f"note {quoted(told['note'])}"] if told.get("note") else []),
    ]
    return ", ".join(parts)


def _travels(travels: Sequence[str]) -> str:
    if len(travels) <= MOST_TRAVELS:
        return " ".join(travels)
    ends = sorted(travels, key=float)
    return f"{len(travels)} travels, {ends[0]} to {ends[-1]}"


def _left_out(plan: ImportPlan, width: int, margin: int, most: int | None = None) -> list[str]:
    """What of the table is not taken, and why."""
    items = [
        f"{t.run}: {', '.join(name.replace('_', ' ') for name in t.told)}; its row stays"
        for t in plan.runs
        if not t.new and t.told
    ]
    items += plan.left_out
    if most is not None and len(items) > most:
        items = [*items[: most - 1], f"and {len(items) - most + 1} more things"]
    lines: list[str] = []
    for index, item in enumerate(items or ["nothing"]):
        lines += labelled("" if index else "Left out", item, width, margin)
    return lines
