"""readings.csv: one reading in each row, and whether the passes are whole."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise

from optimizer.logbook.car import CarFile, suits, unsuited
from optimizer.logbook.cells import Cell, Row
from optimizer.logbook.faults import Faults, Source, alike, meant, nearest, quoted
from optimizer.logbook.rows import ColumnRule, Sheet, read_sheet
from optimizer.logbook.runs import RunTable
from optimizer.logbook.table import MOST_TOE_DEG, MOST_TRAVEL_MM
from optimizer.record import record
from optimizer.records import TWO_VALUES, GaugeKind, Reading
from optimizer.units import DEG_PER_UNIT, MM_PER_UNIT

RIDE_HEIGHT_MM = 0.05  # travel within this of zero is ride height
SAME_TRAVEL_MM = 0.005
BEYOND_MM = 1e6  # blamed as absurd already
LEAST_TRAVELS = 3
MANY = 3  # more absurd values than this are one fault: the unit

ONE_VALUE = ("reading",)
FRONT_AND_REAR = ("front", "rear")
WHERE = (
    ColumnRule(name="run", needed=True),
    ColumnRule(name="pass", needed=True),
    ColumnRule(name="travel", needed=True, measures="travel"),
)


def value_names(kind: GaugeKind | None) -> tuple[str, ...]:
    """The columns that hold what a gauge of this kind shows."""
    return FRONT_AND_REAR if kind in TWO_VALUES else ONE_VALUE


def reading_columns(kind: GaugeKind | None) -> tuple[ColumnRule, ...]:
    """The columns of readings.csv. While the kind is in doubt no value is asked for."""
    values = (*ONE_VALUE, *FRONT_AND_REAR) if kind is None else value_names(kind)
    rules = (ColumnRule(name=v, needed=kind is not None, measures="reading") for v in values)
    return (*WHERE, *rules)


_SIZES: Mapping[GaugeKind, str] = {
    "one-dial": "{value} at a span of {span}",
    "two-dials": "front less rear {value} off its middle, at a span of {span}",
    "toe-plate": "front less rear {value} off its middle, at a span of {span}",
    "spot": "{value} off its middle, at a throw of {span}",
}


@record
class _Entry:
    """One row as far as it could be read; travel in mm, or as typed when its unit is in doubt."""

    run: str | None
    sweep: str | None
    travel: float | None = None
    value: float | None = None
    unit: str | None = None
    cells: tuple[Cell, ...] = ()

    @property
    def line(self) -> int:
        return self.cells[0].line

    @property
    def at_ride_height(self) -> bool:
        """Also where the travel is not known: nothing is blamed for what may be there."""
        return self.travel is None or abs(self.travel) <= RIDE_HEIGHT_MM


@dataclass(slots=True, kw_only=True)
class _Absurd:
    """Values too large to be true, until it is known whether they are few or many."""

    found: list[tuple[Cell, str]] = field(default_factory=list)

    def report(self, sheet: Sheet, name: str) -> None:
        unit = sheet.columns[name].unit
        remedy = f"mend the number; or its unit, now `{unit}`, in the header or under [units]"
        many = len(self.found) > MANY
        for cell, text in self.found[: 1 if many else MANY]:
            more = f", and {len(self.found) - 1} more like it" if many else ""
            sheet.fault("L313", cell, text + more, remedy)


@record
class ReadingTable:
    """The readings that are sound, and the units of their columns."""

    readings: tuple[Reading, ...] = ()
    units: Mapping[str, str | None] = field(default_factory=dict)


def read_readings(
    source: Source | None,
    car: CarFile,
    runs: RunTable,
    faults: Faults,
    entering: frozenset[str] | None = frozenset(),
) -> ReadingTable:
    """Read readings.csv and check it against the runs.

    Those in ``entering`` may be short of travels, or any where that is None.
    """
    sheet = read_sheet(source, reading_columns(car.kind), car.units, faults) if source else None
    if sheet is None:
        return ReadingTable()
    sheet = _suited(sheet, car)
    entries = _read_entries(sheet, car)
    if all(name in sheet.columns for name in (*(r.name for r in WHERE), *value_names(car.kind))):
        known = _check_runs(sheet, entries, runs)
        _check_passes(sheet, known, entries, runs, entering)
    readings = tuple(
        Reading(run=e.run, sweep=e.sweep, travel_mm=e.travel, value=e.value, line=e.line)
        for e in entries
        if e.run is not None
        and e.sweep is not None
        and e.travel is not None
        and e.value is not None
    )
    return ReadingTable(
        readings=readings, units={name: column.unit for name, column in sheet.columns.items()}
    )


def _suited(sheet: Sheet, car: CarFile) -> Sheet:
    """Note a header whose unit the gauge cannot read in, and take its unit as in doubt."""
    for name in value_names(car.kind) if car.kind else ():
        column = sheet.columns.get(name)
        if column is None or column.unit is None or car.kind is None:
            continue
        if not suits(car.kind, column.unit):
            found, remedy = unsuited(car.kind, column.unit)
            sheet.fault("L211", column.cell, found, remedy)
            sheet.columns = {**sheet.columns, name: replace(column, unit=None)}
    return sheet


def _read_entries(sheet: Sheet, car: CarFile) -> list[_Entry]:
    travels = _Absurd()
    entries: list[_Entry] = []
    for row in sheet.rows:
        if not sheet.is_whole(row):
            run, sweep = sheet.text(row, "run") or None, sheet.text(row, "pass") or None
            entries.append(_Entry(run=run, sweep=sweep))
            continue
        run, sweep = sheet.needed(row, "run", "run1"), sheet.needed(row, "pass", "up1")
        travel = _read_travel(sheet, row, car, travels)
        value, unit = _read_value(sheet, row, car)
        entries.append(
            _Entry(run=run, sweep=sweep, travel=travel, value=value, unit=unit, cells=row.cells)
        )
    if travels.found:
        travels.report(sheet, "travel")
    _check_sizes(sheet, entries, car)
    return entries


def _read_travel(sheet: Sheet, row: Row, car: CarFile, absurd: _Absurd) -> float | None:
    if sheet.needed(row, "travel", "-25") is None:
        return None
    value = sheet.number(row, "travel")
    cell = sheet.cell(row, "travel")
    if value is None or cell is None:
        return None
    unit = sheet.columns["travel"].unit
    travel = value * car.signs.travel * (MM_PER_UNIT[unit] if unit else 1.0) + 0.0
    if unit and not abs(travel) <= MOST_TRAVEL_MM:
        absurd.found.append((cell, f"a wheel travel of {travel:.4g} mm is absurd"))
    return travel


def _read_value(sheet: Sheet, row: Row, car: CarFile) -> tuple[float | None, str | None]:
    """A reading in mm, front less rear of two, or in degrees of toe; and its unit.

    While a unit is in doubt the number is as typed and the unit None.
    """
    names = value_names(car.kind)
    empty = [n for n in names if (cell := sheet.cell(row, n)) is not None and not cell.text]
    if len(names) == 2 and len(empty) == 1:
        _fault_half(sheet, row, empty[0], car)
        return None, None
    typed = [_read_one(sheet, row, name, car) for name in (names[:1] if empty else names)]
    if any(value is None for value, _ in typed):
        return None, None
    values = [value for value, _ in typed if value is not None]
    units = [unit for _, unit in typed]
    unit = None if None in units else units[0]
    return (values[0] if len(values) == 1 else values[0] - values[1]), unit


def _fault_half(sheet: Sheet, row: Row, lacking: str, car: CarFile) -> None:
    """One fault for a row that has front without rear, or rear without front."""
    cell = sheet.cell(row, lacking)
    there = next(name for name in FRONT_AND_REAR if name != lacking)
    if cell is not None:
        sheet.fault(
            "L505",
            cell,
            f"this row has a `{there}` and no `{lacking}`: a {car.kind} gauge reads both",
            f"write the `{lacking}` value, or delete the row",
        )


def _read_one(sheet: Sheet, row: Row, name: str, car: CarFile) -> tuple[float | None, str | None]:
    """One value in mm or degrees, and its unit; as typed while the unit is in doubt."""
    if sheet.needed(row, name, "12.5") is None:
        return None, None
    number, unit = sheet.number(row, name), sheet.columns[name].unit
    if number is None or unit is None:
        return number, None
    if unit in DEG_PER_UNIT:
        return number * DEG_PER_UNIT[unit] * car.signs.toe + 0.0, unit
    return number * MM_PER_UNIT[unit], unit


def _check_sizes(sheet: Sheet, entries: list[_Entry], car: CarFile) -> None:
    """Look for readings that no wheel turns to.

    A board, a pair of dials or of distances starts anywhere: there a reading counts from
    the middle one of its pass.
    """
    sized = [e for e in entries if e.cells and e.value is not None and e.unit is not None]
    middle: dict[tuple[str | None, str | None], float] = {}
    if car.kind not in ("one-dial", "direct-angle"):
        passes: dict[tuple[str | None, str | None], list[float]] = {}
        for e in sized:
            passes.setdefault((e.run, e.sweep), []).append(e.value or 0.0)
        middle = {key: sorted(values)[len(values) // 2] for key, values in passes.items()}
    absurd = _Absurd()
    name = value_names(car.kind)[0]
    for e in sized:
        value = (e.value or 0.0) - middle.get((e.run, e.sweep), 0.0)
        span, how = car.gauge.span_mm, ""
        if e.unit in DEG_PER_UNIT:
            toe = value
        else:
            toe = 0.0 if span is None else math.degrees(math.atan(value / span))
            how = "" if span is None else f" ({_SIZES[car.kind or 'one-dial']})"
            how = how.format(value=f"{value:.4g} mm", span=f"{span or 0.0:.4g} mm")
        if not abs(toe) <= MOST_TOE_DEG:
            text = f"a toe of {toe:.4g} degrees{how} is absurd"
            absurd.found.append((_cell(sheet, e, name), text))
    if absurd.found:
        absurd.report(sheet, name)


def _check_runs(sheet: Sheet, entries: list[_Entry], runs: RunTable) -> list[_Entry]:
    """Blame each unknown run once; return the whole rows of the runs that are known."""
    whole = [e for e in entries if e.cells and e.run is not None]
    if runs.corner_of is None:
        return whole
    blamed: set[str] = set()
    for entry in whole:
        name = entry.run or ""
        if name in runs.corner_of or name in blamed:
            continue
        blamed.add(name)
        count = sum(e.run == name for e in whole)
        sheet.fault(
            "L501",
            _cell(sheet, entry, "run"),
            f"runs.csv has no run {quoted(name)} ({count} reading{'s' * (count > 1)})",
            f"{meant(name, runs.corner_of)}, or add a row {quoted(name)} to runs.csv",
        )
    return [e for e in whole if e.run in runs.corner_of]


def _cell(sheet: Sheet, entry: _Entry, name: str) -> Cell:
    return entry.cells[sheet.columns[name].index]


def _strays(entries: list[_Entry], runs: RunTable) -> list[_Entry]:
    """Rows at fault, each under the run it may belong to; None stands for any run or pass."""
    names = runs.corner_of
    strays: list[_Entry] = []
    for entry in entries:
        if entry.run is not None and names is not None and entry.run not in names:
            strays += [replace(entry, run=near) for _, near in alike(entry.run, names)]
        elif entry.run is None or entry.sweep is None or entry.travel is None:
            strays.append(entry)
    return strays


def _check_passes(
    sheet: Sheet,
    known: list[_Entry],
    entries: list[_Entry],
    runs: RunTable,
    entering: frozenset[str] | None,
) -> None:
    """Look for doubled travels, passes without ride height and runs with too few travels."""
    strays = _strays(entries, runs)
    by_pass: dict[tuple[str, str], list[_Entry]] = {}
    by_run: dict[str, list[_Entry]] = {}
    for entry in known:
        if entry.run is not None and entry.travel is not None:
            by_run.setdefault(entry.run, []).append(entry)
            if entry.sweep is not None:
                by_pass.setdefault((entry.run, entry.sweep), []).append(entry)
    short = set(by_run) if entering is None else set(entering)
    short |= {stray.run for stray in strays if stray.run is not None}
    for (run, sweep), rows in by_pass.items():
        _check_doubles(sheet, rows)
        if any(e.at_ride_height for e in rows):
            continue
        short.add(run)
        if not any(
            s.run in (run, None) and s.sweep in (sweep, None) and s.at_ride_height for s in strays
        ):
            _fault_no_zero(sheet, rows[0], [s for r, s in by_pass if r == run and s != sweep])
    if any(stray.run is None for stray in strays):
        return
    for run, rows in by_run.items():
        if run not in short:
            _check_travels(sheet, rows)


def _fault_no_zero(sheet: Sheet, entry: _Entry, others: list[str]) -> None:
    near = nearest(entry.sweep or "", others, 0.8)
    also = f"; or name the pass {quoted(near)} if its rows belong there" if near else ""
    sheet.fault(
        "L503",
        _cell(sheet, entry, "pass"),
        f"pass {quoted(entry.sweep or '')} of {quoted(entry.run or '')} has no reading at ride "
        "height",
        f"add the row of travel 0 to the pass{also}",
    )


def _check_doubles(sheet: Sheet, rows: list[_Entry]) -> None:
    """A travel other than ride height stands once in a pass; one fault for the whole pass."""
    lines: dict[int, int] = {}
    doubles: list[tuple[_Entry, int]] = []
    for entry in rows:
        if entry.at_ride_height or entry.travel is None or abs(entry.travel) > BEYOND_MM:
            continue
        step = round(entry.travel / SAME_TRAVEL_MM / 2.0)
        first = next((lines[s] for s in (step - 1, step, step + 1) if s in lines), None)
        if first is None:
            lines[step] = entry.line
        else:
            doubles.append((entry, first))
    if not doubles:
        return
    entry, first = doubles[0]
    more = f", and {len(doubles) - 1} more in this pass" if len(doubles) > 1 else ""
    cell = _cell(sheet, entry, "travel")
    sheet.fault(
        "L502",
        cell,
        f"pass {quoted(entry.sweep or '')} of {quoted(entry.run or '')} has travel "
        f"{quoted(cell.text)} on line {first} already{more}",
        "give the second sweep a pass name of its own, such as `down1`, or delete one of the two",
    )


def _check_travels(sheet: Sheet, rows: list[_Entry]) -> None:
    travels = sorted(e.travel for e in rows if e.travel is not None)
    distinct = 1 + sum(b - a > RIDE_HEIGHT_MM for a, b in pairwise(travels))
    if distinct < LEAST_TRAVELS:
        sheet.fault(
            "L504",
            _cell(sheet, rows[0], "run"),
            f"{quoted(rows[0].run or '')} has readings at {distinct} "
            f"travel{'s' * (distinct > 1)} only",
            "add readings at ride height, one travel in bump and one in droop at the least: "
            "`shimopt enter` goes on with the run",
        )
