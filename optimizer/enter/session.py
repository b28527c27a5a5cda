"""One sitting of live entry: asks travel by travel, and writes before it asks again."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from optimizer.enter.plan import Plan, Stop, first_open, too_late
from optimizer.enter.setting import ask_setting, number_text
from optimizer.enter.talk import BACK, SKIP, STOP, Talk
from optimizer.errors import CallError, LogbookError
from optimizer.logbook.append import Added, Appender
from optimizer.logbook.edited import EditedError
from optimizer.logbook.faults import BadValueError
from optimizer.logbook.journal import being_entered, read_journal
from optimizer.logbook.readings import value_names
from optimizer.measure.curve import RIDE_HEIGHT_MM
from optimizer.measure.misfit import OFF_SD, Misfit, against_passes, back_to_zero, toes_deg
from optimizer.measure.quality import Doubt
from optimizer.present.crew import Crew
from optimizer.present.dots import Picture, drawn
from optimizer.present.layout import labelled, wrapped
from optimizer.present.screens import doubt_words
from optimizer.record import record
from optimizer.records import Logbook, Reading, Run

if TYPE_CHECKING:
    from optimizer.advise.foretell import Foretold

FILE = "readings.csv"
MOST_ASKED = 2  # readings kept against the surface before it is no longer asked about
N_BAND = 19
_OFF_WHAT = {
    "passes": "the other passes",
    "surface": "what the earlier runs foretell",
    "zero": "the zero",
}
ANSWER_ROOM = 9  # columns that a prompt leaves for what is typed behind it


@record
class Outcome:
    """How a sitting ended: how many readings the run has, and what would come next.

    ``unsaved`` is what was typed of a reading that lacks its second value.
    """

    run: str
    n_reading: int
    upcoming: Stop | None
    setting_open: bool = False
    unsaved: str = ""


NO_TOE = (
    "{run} has no static toe in runs.csv: read it now and write it there, with date and mark; it "
    "tells how far the eccentric must move"
)


@dataclass(slots=True)
class _Answer:
    """The values of one reading while they are asked for, and which of them is next."""

    values: list[str]
    part: int


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
        entering = plan.run in being_entered(read_journal(folder))
        self._appender = Appender(folder, "enter", plan.facts)
        self._comma = self._appender.decimal_comma(FILE)
        self._crew = Crew.of(self._appender.book)
        self._names = value_names(self._appender.book.gauge.kind)
        self._stops = plan.stops(self._appender.book)
        self._late = too_late(self._stops, self.book.readings_of(plan.run), entering)
        self._unsaved = ""
        self._off: dict[tuple[str, float], bool] = {}  # off the surface, by pass and travel
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
            run=self._plan.run,
            n_reading=len(rows),
            upcoming=upcoming,
            setting_open=not known,
            unsaved=self._unsaved,
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
            if run.static_toe_deg is None and not self.book.readings_of(name):
                self._talk.tell(wrapped(NO_TOE.format(run=name), self._talk.width))
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
        part = 0
        while at < len(self._stops):
            onward = self._one(at, part)
            if onward is None:
                return self.outcome()
            at, part = onward
        self._appender.finish()
        return self.outcome()

    @property
    def _passed(self) -> set[str]:
        """Travels the crew left out, and returns to zero that it is too late for."""
        return self._late | {n for n, said in self._appender.notes.items() if said == SKIP}

    def _run(self) -> Run:
        return next(r for r in self.book.runs if r.name == self._plan.run)

    def _one(self, at: int, part: int) -> tuple[int, int] | None:
        """Ask for one reading, from its value ``part`` on: what to ask next; None to stop."""
        stop, talk = self._stops[at], self._talk
        held = self._held(stop)
        old = held[0] if held else []
        answer = _Answer(list(old), part if held else 0)
        while True:
            asked = self._values(at, answer, old)
            if asked is not None:
                return asked if isinstance(asked, tuple) else None
            self._unsaved = ""
            if answer.values == old:
                return self._onward(at)
            try:
                self._write(stop, answer.values, held[1] if held else None)
                break
            except EditedError:
                raise
            except LogbookError as bad:
                if not talk.live:
                    raise
                talk.warn(str(bad))
                answer.part = 0
                if len(self._names) == 1:
                    answer.values = list(old)
        return (at, 0) if self._show(stop) and talk.live else self._onward(at)

    def _values(
        self, at: int, answer: _Answer, old: list[str]
    ) -> tuple[int, int] | Literal[False] | None:
        """Ask for the values of one reading that are open: None once all are said.

        False to stop; else the place to go on from, the reading left as it was.
        """
        stop, talk = self._stops[at], self._talk
        while answer.part < len(self._names):
            before = answer.values[answer.part] if answer.part < len(answer.values) else None
            if answer.part and answer.values != old:
                typed = f"{stop.place(self._crew)} {self._names[0]} {answer.values[0]}"
                self._unsaved = f"{stop.sweep} {typed}, typed without its {self._names[1]}"
            said = talk.ask(self._prompt(at, answer.part, before))
            if said is None or said == STOP:
                return False
            if said == BACK and answer.part:
                answer.part -= 1
                continue
            if said == BACK:
                self._unsaved = ""
                return self._step_back(at)
            if not old and (said == SKIP or (said == "" and stop.closing and before is None)):
                if self._leave_out(stop):
                    self._unsaved = ""
                    return self._onward(at)
                continue
            if said == "" and before is not None:
                answer.part += 1
                continue
            if said == "" and talk.live:
                or_not = "" if stop.is_zero else f", or {SKIP} to leave the travel out"
                talk.warn(f"type a number{or_not}")
                continue
            try:
                answer.values[answer.part : answer.part + 1] = [self._marked(number_text(said))]
            except BadValueError as bad:
                if not talk.live:
                    raise CallError(f"{stop.key}: {bad.found}", bad.remedy) from None
                talk.warn(f"{bad.found}; {bad.remedy}")
                continue
            answer.part += 1
        return None

    def _prompt(self, at: int, part: int, before: str | None) -> str:
        stop, name = self._stops[at], self._names[part]
        own = [s for s in self._stops if s.sweep == stop.sweep]
        unit = self._appender.unit_of(FILE, name) or ""
        count = f"{own.index(stop) + 1}/{len(own)}"
        which = f" {name}" if len(self._names) > 1 else ""
        none = " (Enter: none)" if stop.closing and before is None and not part else ""
        kept = f" [{before}]" if before is not None else ""
        text = f"{stop.sweep} {count}  {stop.place(self._crew)}{which}, {unit}{none}{kept}"
        width = self._talk.width - ANSWER_ROOM
        return text if len(text) <= width else "\n  ".join(wrapped(text, width))

    def _onward(self, at: int) -> tuple[int, int]:
        """The next reading to ask for: one that is open, or that this entry has written."""
        rows = self.book.readings_of(self._plan.run)
        at += 1
        while at < len(self._stops):
            stop = self._stops[at]
            there = stop.found_in(rows) is not None
            if self._held(stop) is not None if there else stop.key not in self._passed:
                break
            at += 1
        return at, 0

    def _step_back(self, at: int) -> tuple[int, int]:
        """The last value of the reading before, past those that are not of this entry."""
        if at == 0:
            self._talk.warn("this is the first reading")
            return 0, 0
        rows = self.book.readings_of(self._plan.run)
        for index in range(at - 1, -1, -1):
            stop = self._stops[index]
            if self._held(stop) is not None if stop.found_in(rows) else stop.key not in self._late:
                return index, len(self._names) - 1
        self._talk.warn(
            f"the reading before is not of this entry: change it in {FILE}, and go on here"
        )
        return at, 0

    def _leave_out(self, stop: Stop) -> bool:
        """Pass over a reading; False where that cannot be."""
        if stop.is_zero:
            self._talk.warn("each pass needs its reading at ride height")
            return False
        self._appender.note(stop.key, SKIP)
        return True

    def _marked(self, number: str) -> str:
        """A number as typed, in the decimal mark of the file."""
        return number.replace(".", ",") if self._comma else number

    def _held(self, stop: Stop) -> tuple[list[str], Added] | None:
        """What this entry has written for a reading: the numbers typed, and their row."""
        columns = self._appender.columns(FILE)
        wanted = (self._plan.run, stop.sweep, self._marked(stop.text))
        found: list[tuple[list[str], Added]] = []
        for row in self._appender.added:
            if row.file != FILE:
                continue
            line = row.data.decode("utf-8").rstrip("\r\n")
            cells = next(csv.reader([line], delimiter=self._appender.separator(FILE)))
            if tuple(cells[columns[c].index] for c in ("run", "pass", "travel")) == wanted:
                found.append(([cells[columns[c].index] for c in self._names], row))
        # the last ones of the pass: a zero that was there before came first
        n_there = len(stop.rows_in(self.book.readings_of(self._plan.run)))
        index = int(stop.closing) - (n_there - len(found))
        return found[index] if 0 <= index < len(found) else None

    def _write(self, stop: Stop, values: list[str], row: Added | None) -> None:
        travel = self._marked(stop.text)
        cells = {"run": self._plan.run, "pass": stop.sweep, "travel": travel}
        cells.update(zip(self._names, values, strict=True))
        if row is None:
            self._appender.add(FILE, cells)
        else:
            self._appender.amend(row, cells)

    def _show(self, stop: Stop) -> bool:
        """Say what the reading means; whether it is so far off that it is asked for again."""
        rows = self.book.readings_of(self._plan.run)
        new = stop.found_in(rows)
        if new is None:  # cannot be: it was written a moment ago
            return False
        where = f"{stop.sweep} {stop.place(self._crew)}"
        if stop.closing:
            return self._show_return(where, rows, new)
        toes = toes_deg(rows, self.book.gauge)
        toe = next((t for r, t in toes if r is new), None)
        words = "zero of the pass" if toe is None else _toe_words(toe, self._crew)
        self._talk.tell(wrapped(f"{where}: {words}, saved", self._talk.width))
        if toe is None:
            self._weigh_pass(rows, new, toes)
            return False
        misfit = self._misfit(rows, new, toe)
        if self._talk.pictures:
            self._talk.tell(self._picture(toes, new))
        return misfit is not None and misfit.is_off and self._doubt(misfit)

    def _show_return(self, where: str, rows: Sequence[Reading], new: Reading) -> bool:
        """Say how far the pass came back off its zero; whether that is too far."""
        misfit = back_to_zero((*(r for r in rows if r is not new), new), self.book.gauge)
        if misfit is None:
            return False
        off = f"{self._crew.dial_fine(misfit.off_deg)} {self.book.units.reading}"
        self._talk.tell(wrapped(f"{where}: {off} off, saved", self._talk.width))
        if not misfit.is_off:
            return False
        said = doubt_words(Doubt(kind="return-to-zero", value_deg=abs(misfit.off_deg)), self._crew)
        text = f"{said}: {BACK} back to its start, or a new one with --passes"
        self._talk.warn(labelled("Look", text, self._talk.width))
        return self._offer()

    def _weigh_pass(
        self, rows: tuple[Reading, ...], zero: Reading, toes: list[tuple[Reading, float]]
    ) -> None:
        """Say which readings of a pass are off now that its zero is another one."""
        crew, off = self._crew, dict[str, list[str]]()
        for row, toe in toes:
            misfit = self._misfit(rows, row, toe) if row.sweep == zero.sweep else None
            if misfit is not None and misfit.is_off:
                amount = f"{crew.travel(row.travel_mm)} by {crew.amount(misfit.off_deg)}"
                off.setdefault(_OFF_WHAT[misfit.against], []).append(amount)
        zeros = [r for r in rows if r.sweep == zero.sweep and abs(r.travel_mm) < RIDE_HEIGHT_MM]
        back = back_to_zero(zeros, self.book.gauge)
        if back is not None and back.is_off:
            amount = f"back to zero by {crew.dial_fine(back.off_deg)} {crew.units.reading}"
            off.setdefault(_OFF_WHAT[back.against], []).append(amount)
        if off:
            said = "; ".join(f"off {what}: {', '.join(them)}" for what, them in off.items())
            text = (
                f"with this zero of {zero.sweep} these are now {said}. Either the zero is wrong, "
                "or they are: step back to it, or type them again"
            )
            self._talk.warn(labelled("Look", text, self._talk.width))

    def _misfit(self, rows: tuple[Reading, ...], new: Reading, toe: float) -> Misfit | None:
        """Against the passes where they have this travel, else against the surface."""
        others = tuple(r for r in rows if r is not new)
        found = against_passes((*others, new), self.book.gauge)
        told = self._told() if found is None else None
        found = told.misfit(new, toe) if told is not None else found
        off = found is not None and found.against == "surface" and found.is_off
        self._off[new.sweep, new.travel_mm] = off
        return found

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
        return ask and self._offer()

    def _offer(self) -> bool:
        """Offer a reading again; True where somebody can answer."""
        if self._talk.live:
            self._talk.tell("Enter keeps it, or type it again")
        return self._talk.live


def _toe_words(toe_deg: float, crew: Crew) -> str:
    """A toe in words; neither in nor out where it shows as nothing."""
    amount = crew.amount(toe_deg)
    return amount if float(amount.split()[0]) == 0.0 else crew.toe(toe_deg)
