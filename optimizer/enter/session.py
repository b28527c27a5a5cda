"""One sitting of live entry: asks travel by travel, and writes before it asks again."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from optimizer.enter.plan import (
    PASSES,
    Plan,
    Stop,
    first_open,
    is_there,
    passes_from,
    plan_from,
    travels_by_step,
    travels_from,
    usual_travels,
)
from optimizer.enter.setting import ask_setting, new_name, number_text
from optimizer.enter.talk import BACK, SKIP, STOP, Talk
from optimizer.errors import CallError, LogbookError, ShimoptError
from optimizer.logbook import check_names
from optimizer.logbook.append import Added, Appender, lost_rows, put_back
from optimizer.logbook.edited import EditedError
from optimizer.logbook.faults import BadValueError, quoted
from optimizer.logbook.journal import being_entered, read_journal
from optimizer.measure.misfit import OFF_SD, SAME_TRAVEL_MM, Misfit, against_passes, toes_deg
from optimizer.present.crew import Crew
from optimizer.present.dots import Picture, drawn
from optimizer.present.layout import labelled, wrapped
from optimizer.record import record
from optimizer.records import Logbook, Reading, Run

if TYPE_CHECKING:
    from optimizer.advise.foretell import Foretold

FILE = "readings.csv"
MOST_ASKED = 2  # readings kept against the surface before it is no longer asked about
N_BAND = 19


@record
class Asked:
    """What the command line said; None where it said nothing."""

    run: str | None = None
    corner: str | None = None
    travels: str | None = None
    step: str | None = None
    passes: str | None = None


@record
class Outcome:
    """How a sitting ended: how many readings the run has, and what would come next."""

    run: str
    n_reading: int
    upcoming: Stop | None
    setting_open: bool = False


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
    run = asked.run or (before.run if before else _planned(book, corner) or new_name(book))
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
    planned = [r.corner for r in book.runs if not book.readings_of(r.name)]
    if asked.run is None and planned:
        return planned[-1]
    raise CallError(
        "the logbook has several corners", f"say --corner with one of {', '.join(book.corners)}"
    )


def _planned(book: Logbook, corner: str) -> str | None:
    """A row of the corner that waits for its readings."""
    rows = [r.name for r in book.runs_of(corner) if not book.readings_of(r.name)]
    return rows[-1] if rows else None


class Sitting:
    """Asks for the readings of one plan, from the first that is not there.

    Parameters
    ----------
    folder : the logbook
    plan : passes and travels of the run
    talk : where to ask
    """

    def __init__(self, folder: Path, plan: Plan, talk: Talk) -> None:
        self._plan = plan
        self._talk = talk
        self._appender = Appender(folder, "enter", plan.facts)
        if self._appender.book.gauge.reads_two:
            raise ShimoptError(
                "this gauge has two readings a travel, and enter asks for one",
                f"type them into {FILE}",
            )
        self._crew = Crew.of(self._appender.book)
        self._stops = plan.stops(self._appender.book)
        self._off: dict[str, bool] = {}  # off the surface as it stands, by reading
        self._band: list[tuple[float, float, float]] = []
        self._foretold: Foretold | Literal[False] | None = None  # False: there is none

    @property
    def book(self) -> Logbook:
        """The logbook as it now reads."""
        return self._appender.book

    def outcome(self) -> Outcome:
        """What is saved, and what comes next."""
        rows = self.book.readings_of(self._plan.run)
        at = first_open(self._stops, rows, self._passed)
        upcoming = self._stops[at] if at < len(self._stops) else None
        known = any(r.name == self._plan.run for r in self.book.runs)
        return Outcome(
            run=self._plan.run, n_reading=len(rows), upcoming=upcoming, setting_open=not known
        )

    def hold(self) -> Outcome:
        """Ask until every reading is there, or the crew stops."""
        name = self._plan.run
        if all(r.name != name for r in self.book.runs):
            if ask_setting(self._appender, name, self._plan.corner, self._talk) is None:
                return self.outcome()
        elif self._talk.live:
            run = self._run()
            self._talk.tell(
                wrapped(f"{name}, {run.corner}: {self._crew.setting(run)}", self._talk.width)
            )
        at = first_open(self._stops, self.book.readings_of(name), self._passed)
        if self._talk.live and at < len(self._stops):
            self._talk.tell(
                wrapped(
                    f"Enter after each reading; {BACK} steps back, {SKIP} leaves a travel out, "
                    f"{STOP} stops",
                    self._talk.width,
                )
            )
        if at == len(self._stops):
            had = f"{', '.join(self._plan.passes)} have every travel: name more with --passes"
            self._talk.tell(wrapped(had, self._talk.width))
        while at < len(self._stops):
            step = self._one(at)
            if step is None:
                return self.outcome()
            at = max(0, at + step)
        self._appender.finish()
        return self.outcome()

    @property
    def _passed(self) -> dict[str, str]:
        """Travels the crew left out."""
        return {n: s for n, s in self._appender.notes.items() if s == SKIP}

    def _run(self) -> Run:
        return next(r for r in self.book.runs if r.name == self._plan.run)

    def _one(self, at: int) -> int | None:
        """Ask for one reading: how far to go on from it; None to stop."""
        stop, talk = self._stops[at], self._talk
        held = self._held(stop)
        said = talk.ask(self._prompt(at, held[0] if held else None))
        if said is None or said == STOP:
            return None
        if said == BACK:
            return self._step_back(at)
        if said == SKIP and held is None:
            return self._leave_out(stop)
        if said == "" and held is not None:
            return 1
        try:
            text = number_text(said)
            self._write(stop, text, held[1] if held else None)
        except EditedError:
            raise
        except (BadValueError, LogbookError) as bad:
            words = str(bad) if isinstance(bad, LogbookError) else f"{bad.found}; {bad.remedy}"
            if not talk.live:
                if isinstance(bad, LogbookError):
                    raise
                raise CallError(f"{stop.key}: {bad.found}", bad.remedy) from None
            talk.warn(words)
            return 0
        return 0 if self._show(stop) and talk.live else 1

    def _prompt(self, at: int, old: str | None) -> str:
        stop = self._stops[at]
        own = [s for s in self._stops if s.sweep == stop.sweep]
        unit = self._appender.unit_of(FILE, "reading") or ""
        count = f"{own.index(stop) + 1}/{len(own)}"
        kept = f" [{old}]" if old is not None else ""
        return f"{stop.sweep} {count}  {self._crew.travel(stop.travel_mm)}, {unit}{kept}"

    def _step_back(self, at: int) -> int:
        if at == 0:
            self._talk.warn("this is the first reading")
            return 0
        before = self._stops[at - 1]
        there = is_there(before, self.book.readings_of(self._plan.run))
        if there and self._held(before) is None:
            self._talk.warn(
                f"the reading before is not of this entry: change it in {FILE}, and go on here"
            )
            return 0
        return -1

    def _leave_out(self, stop: Stop) -> int:
        if stop.is_zero:
            self._talk.warn("each pass needs its reading at ride height")
            return 0
        self._appender.note(stop.key, SKIP)
        return 1

    def _held(self, stop: Stop) -> tuple[str, Added] | None:
        """What this entry has written for a reading: the number typed, and its row."""
        columns = self._appender.columns(FILE)
        for row in self._appender.added:
            if row.file != FILE:
                continue
            line = row.data.decode("utf-8").rstrip("\r\n")
            cells = next(csv.reader([line], delimiter=self._appender.separator(FILE)))
            name, sweep, travel, value = (
                cells[columns[c].index] for c in ("run", "pass", "travel", "reading")
            )
            if (name, sweep, travel) == (self._plan.run, stop.sweep, stop.text):
                return value, row
        return None

    def _write(self, stop: Stop, text: str, row: Added | None) -> None:
        cells = {"run": self._plan.run, "pass": stop.sweep, "travel": stop.text, "reading": text}
        if row is None:
            self._appender.add(FILE, cells)
        else:
            self._appender.amend(row, cells)

    def _show(self, stop: Stop) -> bool:
        """Say what the reading means; whether it is so far off that it is asked for again."""
        rows = self.book.readings_of(self._plan.run)
        new = next(
            r
            for r in rows
            if r.sweep == stop.sweep and abs(r.travel_mm - stop.travel_mm) < SAME_TRAVEL_MM
        )
        toes = toes_deg(rows, self.book.gauge)
        toe = next((t for r, t in toes if r is new), None)
        where = f"{stop.sweep} {self._crew.travel(stop.travel_mm)}"
        words = "zero of the pass" if toe is None else _toe_words(toe, self._crew)
        self._talk.tell(f"{where}: {words}, saved")
        if toe is None:
            return False
        misfit = self._misfit(rows, new, toe)
        if self._talk.pictures:
            self._talk.tell(self._picture(toes, new))
        self._off[stop.key] = misfit is not None and misfit.against == "surface" and misfit.is_off
        return misfit is not None and misfit.is_off and self._doubt(misfit)

    def _misfit(self, rows: tuple[Reading, ...], new: Reading, toe: float) -> Misfit | None:
        """Against the passes where they have this travel, else against the surface."""
        others = tuple(r for r in rows if r is not new)
        found = against_passes((*others, new), self.book.gauge)
        if found is not None:
            return found
        told = self._told()
        return told.misfit(new, toe) if told is not None else None

    def _told(self) -> Foretold | None:
        """The surface of the earlier runs, loaded when it is first needed."""
        if self._foretold is None:
            self._foretold = False
            run = self._run()
            if any(r.run != run.name for r in self.book.readings):
                from optimizer.advise.foretell import foretold

                self._foretold = foretold(self.book, run) or False
        return self._foretold or None

    def _picture(self, toes: list[tuple[Reading, float]], new: Reading) -> list[str]:
        reach = (min(s.travel_mm for s in self._stops), max(s.travel_mm for s in self._stops))
        told = self._told()
        if told is not None and not self._band:
            grid = np.linspace(*reach, N_BAND)
            low, high = told.band_deg(grid)
            self._band = [
                (float(z), float(a), float(b)) for z, a, b in zip(grid, low, high, strict=True)
            ]
        points = [(r.travel_mm, t) for r, t in toes if r is not new]
        points += [(r.travel_mm, t) for r, t in toes if r is new]
        picture = Picture(reach_mm=reach, points=points, band=self._band)
        return drawn(picture, self._crew, self._talk.width, plain=self._talk.plain)

    def _doubt(self, misfit: Misfit) -> bool:
        """Say both explanations; whether to ask again."""
        crew = self._crew
        amount = f"{crew.amount(misfit.off_deg)} ({misfit.n_sd:.1f} standard deviations; " + (
            f"asked again above {OFF_SD:g})"
        )
        if misfit.against == "passes":
            text = (
                f"{amount} off the passes before: either this reading (a misread digit, the "
                "wrong travel, something touched the plate), or those before it (the zero has "
                "moved, something is loose)"
            )
        else:
            expected = _toe_words(misfit.expected_deg, crew)
            text = (
                f"{amount} off what the earlier runs foretell, {expected}: "
                "either this reading (a misread digit or sign, the wrong travel), or the car "
                f"does not stand as the row of {self._plan.run} says (shims swapped, sign of "
                "the length change)"
            )
        ask = misfit.against == "passes" or sum(self._off.values()) <= MOST_ASKED
        if not ask:
            text += ". Several are off alike: look at the setting; no longer asked about"
        self._talk.warn(labelled("Look", text, self._talk.width))
        if ask and self._talk.live:
            self._talk.tell("Enter keeps it, or type it again")
        return ask


def _toe_words(toe_deg: float, crew: Crew) -> str:
    """A toe in words; neither in nor out where it shows as nothing."""
    amount = crew.amount(toe_deg)
    return amount if float(amount.split()[0]) == 0.0 else crew.toe(toe_deg)
