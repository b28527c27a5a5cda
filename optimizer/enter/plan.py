"""Which readings a run is to have, in which order, and which of them are there."""

from __future__ import annotations

import re
from collections.abc import Container, Iterable, Mapping, Sequence
from typing import Any

from optimizer.errors import CallError
from optimizer.logbook.faults import BadValueError, quoted
from optimizer.logbook.readings import LEAST_TRAVELS
from optimizer.logbook.table import MOST_TRAVEL_MM
from optimizer.logbook.values import read_number
from optimizer.measure.curve import RIDE_HEIGHT_MM, direction_of
from optimizer.measure.misfit import SAME_TRAVEL_MM
from optimizer.present.crew import Crew
from optimizer.record import record
from optimizer.records import Logbook, Reading
from optimizer.units import from_mm, to_mm

PASSES = ("up1", "down1")
STEPS = {"mm": 12.5, "cm": 1.25, "in": 0.5}
REACH = {"mm": 50.0, "cm": 5.0, "in": 2.0}
MOST_TRAVELS = 200


@record
class Stop:
    """One reading to take: a pass and a travel, in mm and as the crew writes it.

    ``closing`` is ride height again, at the end of the pass.
    """

    sweep: str
    travel_mm: float
    text: str
    closing: bool = False

    @property
    def key(self) -> str:
        """Its name among the notes."""
        return f"{self.sweep} {'back to ' * self.closing}{self.text}"

    @property
    def is_zero(self) -> bool:
        """Whether it is the pass's zero, that all its readings are counted from."""
        return abs(self.travel_mm) < RIDE_HEIGHT_MM and not self.closing

    def place(self, crew: Crew) -> str:
        """Where the wheel stands, in words."""
        return "back to zero" if self.closing else crew.travel(self.travel_mm)

    def rows_in(self, rows: Iterable[Reading]) -> list[Reading]:
        """The run's rows at this travel of this pass: at ride height both zeros of it."""
        return [
            r
            for r in rows
            if r.sweep == self.sweep and abs(r.travel_mm - self.travel_mm) < SAME_TRAVEL_MM
        ]

    def found_in(self, rows: Iterable[Reading]) -> Reading | None:
        """Its row; None where it is not there yet."""
        there = self.rows_in(rows)[int(self.closing) :]
        return there[0] if there else None


@record
class Plan:
    """Passes and travels of one run's entry; travels in the crew's own unit and sign."""

    run: str
    corner: str
    passes: tuple[str, ...]
    travels: tuple[str, ...]

    @property
    def facts(self) -> dict[str, Any]:
        """The plan as the journal keeps it."""
        return {
            "run": self.run,
            "corner": self.corner,
            "passes": list(self.passes),
            "travels": list(self.travels),
        }

    def stops(self, book: Logbook) -> tuple[Stop, ...]:
        """Every reading in order: each pass from ride height, up from droop, down from bump,
        and back to ride height."""
        unit, sign = book.units.travel, book.signs.travel
        where = {text: to_mm(float(text), unit) * sign + 0.0 for text in self.travels}
        away = (t for t in self.travels if abs(where[t]) >= RIDE_HEIGHT_MM)
        rising = sorted(away, key=lambda t: where[t])
        out: list[Stop] = []
        for sweep in self.passes:
            way = rising[::-1] if direction_of(sweep) < 0 else rising
            out += [Stop(sweep=sweep, travel_mm=where.get(t, 0.0), text=t) for t in ("0", *way)]
            out.append(Stop(sweep=sweep, travel_mm=0.0, text="0", closing=True))
        return tuple(out)


def plan_from(facts: Mapping[str, Any]) -> Plan:
    """The plan that the journal kept."""
    return Plan(
        run=str(facts["run"]),
        corner=str(facts["corner"]),
        passes=tuple(map(str, facts["passes"])),
        travels=tuple(map(str, facts["travels"])),
    )


def passes_from(text: str) -> tuple[str, ...]:
    """Names of passes between commas; CallError where one is empty or stands twice."""
    names = tuple(name.strip() for name in text.split(","))
    for name in names:
        if not name or not name.isprintable() or name.startswith("#"):
            raise CallError(f"a pass cannot be called {quoted(name)}", "say such as up1,down1")
        if names.count(name) > 1:
            raise CallError(f"the pass {quoted(name)} stands twice", "give each its own name")
    return names


def travels_from(text: str, unit: str) -> tuple[str, ...]:
    """Travels between commas, or between semicolons or blanks where commas are decimal ones."""
    parts = re.split(r"[;\s]+" if re.search(r"[;\s]", text.strip()) else ",", text.strip())
    try:
        values = [read_number(part) for part in parts if part]
    except BadValueError as bad:
        raise CallError(f"--travels: {bad.found}", "say such as -50,-25,0,25,50") from None
    return _travels(values, unit, "--travels")


def travels_by_step(text: str, book: Logbook, corner: str) -> tuple[str, ...]:
    """Multiples of a step within the corner's window, or 50 mm (2 in) each way without one."""
    unit = book.units.travel
    try:
        step = read_number(text)
    except BadValueError as bad:
        raise CallError(f"--step: {bad.found}", "say such as 12.5") from None
    window = book.corners[corner].goal.window_mm
    low, high = (-REACH[unit], REACH[unit])
    if window is not None:
        low, high = sorted(from_mm(end, unit) * book.signs.travel for end in window)
    if not (high - low) / MOST_TRAVELS < step <= max(-low, high):
        raise CallError(f"a step of {text} {unit} cannot be", f"say such as {STEPS[unit]:g}")
    first, last = -int(-low / step + 1e-9), int(high / step + 1e-9)
    return _travels([n * step for n in range(first, last + 1)], unit, "--step")


def usual_travels(book: Logbook, corner: str) -> tuple[str, ...]:
    """Those of the corner's last run with readings; without one, by the usual step."""
    unit, sign = book.units.travel, book.signs.travel
    for run in reversed(book.runs_of(corner)):
        rows = book.readings_of(run.name)
        if n_travel(rows) >= LEAST_TRAVELS:
            return _travels([from_mm(r.travel_mm, unit) * sign for r in rows], unit, "")
    return travels_by_step(f"{STEPS[unit]:g}", book, corner)


def n_travel(rows: Iterable[Reading]) -> int:
    """How many different travels the readings are at."""
    return len({round(r.travel_mm, 2) for r in rows})


def first_open(stops: Sequence[Stop], rows: Sequence[Reading], passed: Container[str]) -> int:
    """Index of the first reading that is neither there nor passed over; their number at the end."""
    for index, stop in enumerate(stops):
        if stop.found_in(rows) is None and stop.key not in passed:
            return index
    return len(stops)


def too_late(stops: Sequence[Stop], rows: Sequence[Reading], entering: bool) -> set[str]:
    """Keys of returns to zero that can no longer be taken, for the wheel has moved on.

    So where a later pass has begun, or where nobody was entering the run and the pass has
    every other reading.
    """
    there = [stop.found_in(rows) is not None for stop in stops]
    late: set[str] = set()
    for index, stop in enumerate(stops):
        if not stop.closing:
            continue
        whole = all(
            was for was, s in zip(there, stops, strict=True) if s.sweep == stop.sweep and s != stop
        )
        if any(there[index + 1 :]) or (whole and not entering):
            late.add(stop.key)
    return late


def _travels(values: Sequence[float], unit: str, flag: str) -> tuple[str, ...]:
    texts = tuple(dict.fromkeys(f"{v + 0.0:.6g}" for v in sorted(values)))
    away = [t for t in texts if float(t) != 0.0]
    if any(abs(to_mm(float(t), unit)) > MOST_TRAVEL_MM for t in away):
        raise CallError(
            f"{flag}: a travel over {MOST_TRAVEL_MM:g} mm is absurd", f"say it in {unit}"
        )
    if len(away) < 2:
        raise CallError(f"{flag}: fewer than two travels beside ride height", "say more of them")
    return texts
