"""What a sitting starts from: rows put back that a crash cut off, and the plan."""

from __future__ import annotations

from pathlib import Path

from optimizer.enter.plan import (
    PASSES,
    Plan,
    n_travel,
    passes_from,
    plan_from,
    travels_by_step,
    travels_from,
    usual_travels,
)
from optimizer.enter.setting import new_name
from optimizer.enter.talk import Talk
from optimizer.errors import CallError
from optimizer.logbook import check_names
from optimizer.logbook.append import lost_rows, put_back
from optimizer.logbook.faults import quoted
from optimizer.logbook.journal import being_entered, read_journal
from optimizer.logbook.readings import LEAST_TRAVELS
from optimizer.present.layout import wrapped
from optimizer.record import record
from optimizer.records import Logbook


@record
class Asked:
    """What the command line said; None where it said nothing."""

    run: str | None = None
    corner: str | None = None
    travels: str | None = None
    step: str | None = None
    passes: str | None = None


def recover(folder: Path, talk: Talk) -> None:
    """Put back rows that a crash cut off; ask first where they may have been deleted by hand."""
    for lost in lost_rows(folder):
        rows = ", ".join(quoted(row) for row in lost.rows[:3])
        more = f" and {len(lost.rows) - 3} more" if len(lost.rows) > 3 else ""
        if lost.torn:
            put_back(folder, lost)
            talk.warn(
                wrapped(f"{lost.file} broke off inside a row: put back {rows}{more}", talk.width)
            )
            continue
        said = f"{lost.file} no longer ends with what was entered: {rows}{more}"
        if talk.live:
            talk.warn(wrapped(said, talk.width))
            if talk.ask("Enter puts it back, 0 leaves it away") == "":
                put_back(folder, lost)
        else:
            talk.warn(f"{said}; left as it is")


def plan_of(folder: Path, book: Logbook, asked: Asked) -> Plan:
    """The plan: that of an entry not finished, with what the command line says instead.

    Raises
    ------
    CallError : a name or number cannot be, or the corner is in doubt
    """
    journal = read_journal(folder)
    unfinished = being_entered(journal)
    kept = [plan_from(c.facts) for c in journal.in_force if c.what == "enter"]
    kept = [p for p in kept if p.corner in book.corners]
    if asked.corner is not None and asked.corner not in book.corners:
        raise CallError(
            f"the logbook has no corner {asked.corner!r}", f"use one of {', '.join(book.corners)}"
        )
    open_plans = [p for p in kept if p.run in unfinished and asked.corner in (None, p.corner)]
    before = next((p for p in reversed(kept) if p.run == asked.run), None)
    if asked.run is None and open_plans:
        before = open_plans[-1]
    corner = before.corner if before else _corner(book, asked)
    run = asked.run or (before.run if before else _waiting(book, corner) or new_name(book))
    known = next((r for r in book.runs if r.name == run), None)
    if known is not None:
        if asked.corner not in (None, known.corner):
            raise CallError(f"{run!r} is a run of {known.corner}", "name another run or corner")
        corner = known.corner
    check_names(corner, run, "left")
    if asked.travels is not None and asked.step is not None:
        raise CallError("--travels and --step say the same thing", "give one of them")
    travels = before.travels if before else usual_travels(book, corner)
    if asked.travels is not None:
        travels = travels_from(asked.travels, book.units.travel)
    elif asked.step is not None:
        travels = travels_by_step(asked.step, book, corner)
    passes = before.passes if before else PASSES
    if asked.passes is not None:
        passes = passes_from(asked.passes)
    return Plan(run=run, corner=corner, passes=passes, travels=travels)


def _corner(book: Logbook, asked: Asked) -> str:
    if asked.corner is not None:
        return asked.corner
    known = next((r for r in book.runs if r.name == asked.run), None)
    if known is not None:
        return known.corner
    if len(book.corners) == 1:
        return next(iter(book.corners))
    waiting = _waiting(book, None)
    if asked.run is None and waiting is not None:
        return next(r.corner for r in book.runs if r.name == waiting)
    raise CallError(
        "the logbook has several corners", f"say --corner with one of {', '.join(book.corners)}"
    )


def _waiting(book: Logbook, corner: str | None) -> str | None:
    """The last run, of this corner or of any, that is half entered, else that has no readings."""
    runs = [r for r in book.runs if corner in (None, r.corner)]
    counts = {r.name: n_travel(book.readings_of(r.name)) for r in runs}
    short = [name for name, n in counts.items() if 0 < n < LEAST_TRAVELS]
    planned = [name for name, n in counts.items() if n == 0]
    return next(iter([*short[::-1], *planned[::-1]]), None)
