"""The row of a new run: the setting that the car stands at, asked before its readings."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date

from optimizer.enter.talk import BACK, STOP, Talk
from optimizer.errors import CallError, ShimoptError
from optimizer.logbook import read_logbook
from optimizer.logbook.append import Appender
from optimizer.logbook.faults import BadValueError
from optimizer.logbook.marks import in_its_marks
from optimizer.logbook.values import parse_stack, read_number, write_stack
from optimizer.measure.curve import has_curve
from optimizer.present.layout import labelled
from optimizer.record import record
from optimizer.records import Logbook, Run
from optimizer.units import from_mm

CHANGE = "0"
FILE = "runs.csv"
WHOLE = "setting"
STATIC = "static_toe"
PARTS = {
    "shims_above": "shims above, top first, {unit}",
    "shims_below": "shims below, top first, {unit}",
    "length_change": "longer than the reference, {unit}",
    "eccentric_mark": "eccentric mark, inboard +",
}
STACKS = ("shims_above", "shims_below")


@record
class Proposal:
    """A setting to start from, in the units of runs.csv, and where it comes from."""

    cells: Mapping[str, str]
    source: str


def proposal(appender: Appender, corner: str) -> Proposal:
    """What `next` advises for the corner, else how its last run stood."""
    book = appender.book
    runs = book.runs_of(corner)
    last = runs[-1] if runs else None
    if any(has_curve(book.readings_of(r.name)) for r in runs):
        from optimizer.advise.next_move import advise

        try:
            if book.corners[corner].goal.weight == "logged":
                # what writes rows does not read travel.csv
                book = replace(book, travel_logs=read_logbook(book.folder).travel_logs)
            advice = advise(book, corner)
        except ShimoptError:
            advice = None
        if advice is not None:
            spot, marks = advice.move.spot, advice.move.static_toe.marks
            now = next((r for r in runs if r.name == advice.now.run), last)
            mark = now.eccentric_mark if now else None
            if mark is not None and marks is not None:
                mark = round(mark + marks.value, 1) + 0.0
            cells = _cells(
                appender, spot.split.above_mm, spot.split.below_mm, spot.length_change_mm, mark
            )
            return Proposal(cells=cells, source="next advises")
    above = last.above_mm if last else ()
    below = last.below_mm if last else ()
    change = last.length_change_mm if last else 0.0
    mark = last.eccentric_mark if last else None
    source = f"as {last.name} stood" if last else "nothing known yet"
    return Proposal(cells=_cells(appender, above, below, change, mark), source=source)


def ask_setting(appender: Appender, name: str, corner: str, talk: Talk) -> Run | None:
    """Ask for the row of a new run and append it; None when the crew stopped before that.

    Each answer is noted at once, so that a session cut short goes on where it was.
    """
    if talk.live:
        talk.tell(f"{name}: a new run of {corner}")
    kept = proposal(appender, corner)
    while True:
        said = _answers(appender, kept, talk)
        if said is None:
            return None
        cells = {"run": name, "date": date.today().isoformat(), **said}
        present = appender.columns(FILE)
        if "corner" in present or len(appender.book.corners) > 1:
            cells["corner"] = corner
        cells = {c: text for c, text in cells.items() if c in present or c != "date"}
        try:
            book = appender.add(FILE, in_its_marks(cells, FILE, appender))
        except ShimoptError as error:
            if not talk.live:
                raise
            talk.warn(str(error))
            for part in (WHOLE, *PARTS, STATIC):
                appender.note(part, "?")
            continue
        return next(r for r in book.runs if r.name == name)


def setting_words(cells: Mapping[str, str], units: Mapping[str, str | None]) -> str:
    """A setting in one phrase."""
    words = [f"{cells['shims_above'] or '0'} over {cells['shims_below'] or '0'}"]
    change = float(cells.get("length_change") or 0.0)
    unit = units.get("length_change") or ""
    words.append(
        f"link {abs(change):g} {unit} {'longer' if change > 0 else 'shorter'} than the reference"
        if change
        else "link as reference"
    )
    if cells.get("eccentric_mark"):
        words.append(f"eccentric mark {cells['eccentric_mark']}")
    return ", ".join(words)


def _answers(appender: Appender, kept: Proposal, talk: Talk) -> dict[str, str] | None:
    """Every answer, those noted before taken as they were; None to stop."""
    columns = appender.columns(FILE)
    units = {part: appender.unit_of(FILE, part) for part in (*PARTS, STATIC)}
    told: dict[str, str] = {
        n: said
        for n, said in appender.notes.items()
        if said != "?" and n in (*PARTS, WHOLE, STATIC)
    }
    while True:
        parts = [p for p in PARTS if p in columns] if told.get(WHOLE) == CHANGE else []
        names = [WHOLE, *parts, *([STATIC] if STATIC in columns else [])]
        name = next((n for n in names if n not in told), None)
        if name is None:
            break
        said = _ask_one(name, kept, units, talk)
        if said is None:
            return None
        if said == BACK:
            at = names.index(name)
            if at == 0:
                talk.warn("this is the first question")
            else:
                told.pop(names[at - 1], None)
            continue
        told[name] = said
        appender.note(name, said)
    cells = dict(kept.cells)
    cells.update({p: told[p] for p in PARTS if p in told and told.get(WHOLE) == CHANGE})
    if told.get(STATIC):
        cells[STATIC] = told[STATIC]
    return cells


def _ask_one(name: str, kept: Proposal, units: Mapping[str, str | None], talk: Talk) -> str | None:
    """One answer that can be understood; None to stop."""
    if name == WHOLE and talk.live:
        talk.tell(
            labelled("Setting", f"{kept.source}: {setting_words(kept.cells, units)}", talk.width)
        )
    while True:
        said = talk.ask(_question(name, kept, units))
        if said is None or said == STOP:
            return None
        if said == BACK:
            return said
        try:
            return _understood(name, said, kept, units)
        except (BadValueError, ShimoptError) as bad:
            words = f"{bad.found}\n  mend: {bad.remedy}"
            if not talk.live:
                raise CallError(f"{name}: {bad.found}", bad.remedy) from None
            talk.warn(words)


def _question(name: str, kept: Proposal, units: Mapping[str, str | None]) -> str:
    if name == WHOLE:
        return f"Enter if it stands so, {CHANGE} if not"
    if name == STATIC:
        return f"static toe, {units[STATIC]} (Enter: none)"
    default = kept.cells.get(name, "")
    return f"{PARTS[name].format(unit=units[name])} [{default}]"


def _understood(name: str, said: str, kept: Proposal, units: Mapping[str, str | None]) -> str:
    if name == WHOLE:
        if said not in ("", CHANGE):
            raise CallError(f"{said} is no answer here", f"press Enter, or {CHANGE} and Enter")
        return said
    if name in STACKS:
        if not said:
            return kept.cells[name]
        return write_stack(
            tuple(from_mm(t, units[name] or "mm") for t in parse_stack(said, units[name] or "mm"))
        )
    if not said:
        return "" if name == STATIC else kept.cells.get(name, "")
    return number_text(said)


def number_text(said: str) -> str:
    """A number with a decimal point and a digit before it, else its digits as typed.

    BadValueError where it is none.
    """
    value = read_number(said)
    plain = said.strip().replace(",", ".").removeprefix("+")
    whole = plain.rstrip(".") if plain.endswith(".") else plain
    simple = whole.removeprefix("-").replace(".", "", 1).isdecimal() and whole.isascii()
    return re.sub(r"^(-?)\.", r"\g<1>0.", whole) if simple else repr(value)


def _cells(
    appender: Appender,
    above_mm: Iterable[float],
    below_mm: Iterable[float],
    change_mm: float,
    mark: float | None,
) -> dict[str, str]:
    """A setting in the units of runs.csv."""

    def unit(column: str) -> str:
        return appender.unit_of(FILE, column) or "mm"

    def stack(shims: Iterable[float], column: str) -> str:
        return write_stack(tuple(from_mm(t, unit(column)) for t in shims))

    cells = {
        "shims_above": stack(above_mm, "shims_above"),
        "shims_below": stack(below_mm, "shims_below"),
    }
    columns = appender.columns(FILE)
    if "length_change" in columns or abs(change_mm) > 1e-9:
        cells["length_change"] = f"{from_mm(change_mm, unit('length_change')) + 0.0:.6g}"
    if mark is not None and "eccentric_mark" in columns:
        cells["eccentric_mark"] = f"{mark:g}"
    return cells


def new_name(book: Logbook) -> str:
    """A name no run has yet."""
    taken = {r.name for r in book.runs}
    number = len(taken) + 1
    while f"run{number}" in taken:
        number += 1
    return f"run{number}"
