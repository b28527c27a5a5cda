"""The wide form people type: travel down, a column for each run or pass."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from optimizer.logbook.car import suits, unsuited
from optimizer.logbook.cells import INVISIBLE, Cell, CellReader, Row, heading_key
from optimizer.logbook.faults import (
    MOST_NAMED,
    BadValueError,
    Faults,
    Place,
    Source,
    listing,
    nearest,
    quoted,
)
from optimizer.logbook.paste import (
    SIDES,
    Series,
    check_end,
    check_sides,
    filled_to,
    is_number,
    is_whole,
    name_and_unit,
    open_end,
    read_row,
    separator_of,
    spaced_rows,
    usual_pass,
)
from optimizer.logbook.readings import RIDE_HEIGHT_MM, SAME_TRAVEL_MM
from optimizer.logbook.runs import RUN_COLUMNS
from optimizer.logbook.values import Numbers, read_stack, unit_meant, write_number, write_stack
from optimizer.record import record
from optimizer.records import TWO_VALUES, GaugeKind
from optimizer.units import DEG_PER_UNIT, MM_PER_UNIT

SETTINGS = tuple(rule for rule in RUN_COLUMNS if rule.name != "run")

_UNIT_BEHIND = re.compile(r"(.*?)[\s_,(\[/]+([^\s_()\[\]/]+)[)\]]?")
_SIDE_BEHIND = re.compile(r"(?:(.*?)[\s_]+)?(front|rear)", re.IGNORECASE)
_PASS_BEHIND = re.compile(r"(?:(.*?)[\s_]+)?((?:up|down)[0-9]*)", re.IGNORECASE)
_FACTORS = {**MM_PER_UNIT, **DEG_PER_UNIT}


@record
class Target:
    """What the logbook gives a wide table to fit into.

    ``units`` are those of the columns that will hold its values, by the columns'
    names; ``run`` is the run of columns that name a pass alone.
    """

    kind: GaugeKind
    units: Mapping[str, str]
    known: Sequence[str]
    measured: Sequence[str]
    run: str | None = None


@record
class Entry:
    """One reading in the logbook's units; ``cell`` is where its travel stands."""

    run: str
    sweep: str
    numbers: tuple[float, ...]
    cell: Cell


@record
class UnitTaken:
    """What a column's numbers were taken to be in, and what they become.

    ``run`` is empty for travel; ``stated`` says whether the heading said so.
    """

    run: str
    unit: str
    stated: bool
    own: str


@dataclass(slots=True, kw_only=True)
class Wide:
    """A wide table read: readings run by run, and what it says of each run's setting."""

    entries: list[Entry] = field(default_factory=list)
    settings: dict[str, dict[str, str]] = field(default_factory=dict)
    places: dict[str, Cell] = field(default_factory=dict)  # each run's first heading
    in_doubt: set[str] = field(default_factory=set)  # runs whose settings have faults of their own
    needs_run: bool = False  # columns name a pass alone, and nothing says of which run
    units: list[UnitTaken] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)  # what is not taken, and why
    open_end: str = ""  # the last line, if it has no line end


@record
class _Heading:
    """One column of values by its heading."""

    index: int
    cell: Cell
    run: str
    sweep: str
    side: str
    unit: str
    stated: bool


def read_wide(source: Source, target: Target, faults: Faults) -> Wide:
    """Read a wide table; what is at fault in it is noted and left out.

    The row whose first cell names travel is the header; its other cells name a run
    (``as-found thou``), a pass (``up1``) or both (``as-found up1``). Rows that begin
    with a number are readings, rows that begin with a column's name of runs.csv
    (``shims above``) tell the settings of the runs above them. A row of one cell is a
    title.
    """
    separator = _separator_of(source)
    rows = list(CellReader(source, separator).rows() if separator != " " else spaced_rows(source))
    header = next((row for row in rows if _is_header(row)), None)
    wide = Wide(open_end=open_end(source.text))
    if header is None and any(row.open_quote for row in rows):
        is_whole(source, next(row for row in rows if row.open_quote), 0, faults, spaced=False)
        return wide
    if header is None:
        place = rows[0].cells[0].place() if rows and rows[0].cells else Place()
        remedy = "call the first column `travel`, or `travel_mm`; the others by run or by pass"
        faults.add("L602", source, place, "no row begins with `travel`: there is no header", remedy)
        return wide
    if not is_whole(source, header, len(header.cells), faults, spaced=False):
        return wide
    travel_unit, stated = _travel_unit(source, header.cells[0], target, faults)
    own_travel = target.units["travel"]
    wide.units.append(UnitTaken(run="", unit=travel_unit, stated=stated, own=own_travel))
    headings = list(_headings(source, header, rows, target, faults))
    wide.needs_run = any(not h.run for h in headings)
    units_taken: dict[UnitTaken, None] = {}
    for heading in headings:
        wide.places.setdefault(heading.run, heading.cell)
        own = target.units[_value_name(target, heading.side)]
        taken = UnitTaken(run=heading.run, unit=heading.unit, stated=heading.stated, own=own)
        units_taken[taken] = None
    wide.units += units_taken
    series = _series(source, headings, target.kind in TWO_VALUES, faults)
    units = {h.index: h.unit for h in headings}
    found: dict[tuple[str, str], list[Entry]] = {(one.run, one.name): [] for one in series}
    gaps: dict[tuple[str, str], list[str]] = {}
    numbers, named = Numbers(source.text, separator), filled_to(header)
    if separator != " ":
        check_end(source, [row for row in rows if row is not header], len(header.cells), faults)
    for row in rows:
        if row is header or not is_whole(
            source, row, len(header.cells), faults, spaced=separator == " ", named=named
        ):
            continue
        if not is_number(row.cells) and row.cells[0].text:
            _read_setting(source, row, headings, target, wide, faults, numbers)
            continue
        there = read_row(source, row, series, faults, numbers)
        filled = {(one.run, one.name) for one, _ in there}
        for one in series:
            if (one.run, one.name) not in filled:
                gaps.setdefault((one.run, one.name), []).append(row.cells[0].text)
        for one, (travel, *values) in there:
            typed = [_in(travel, travel_unit, own_travel)]
            said = (units[index] for index in one.indices)
            names = SIDES if len(values) == len(SIDES) else ("reading",)
            typed += [
                _in(v, u, target.units[name])
                for v, u, name in zip(values, said, names, strict=True)
            ]
            entry = Entry(run=one.run, sweep=one.name, numbers=tuple(typed), cell=row.cells[0])
            found[one.run, one.name].append(entry)
    wide.entries = [entry for own in found.values() for entry in own]
    _check_passes(source, found, headings, target, faults)
    wide.left_out += _left_out(source, found, gaps)
    if not wide.entries and not len(faults):
        remedy = "put travels into the first column and readings under the name of each run"
        faults.add("L601", source, header.cells[0].place(), "the table holds no readings", remedy)
    return wide


def _separator_of(source: Source) -> str:
    """The mark that parts the header; a comma in the rows below may be a decimal one."""
    bare = (line.strip(INVISIBLE) for line in source.lines)
    header = next((line for line in bare if "travel" in line.casefold()), "")
    marks = [mark for mark in "\t;," if mark in header]
    return max(marks, key=header.count) if marks else separator_of(source)


def _is_header(row: Row) -> bool:
    """A first cell that names travel, and more cells beside it: no title."""
    first = row.cells[0].text if row.cells else ""
    return "travel" in heading_key(first) and any(cell.text for cell in row.cells[1:])


def _left_out(
    source: Source,
    found: Mapping[tuple[str, str], Sequence[Entry]],
    gaps: Mapping[tuple[str, str], Sequence[str]],
) -> Iterator[str]:
    """Cells without a reading, and lines that are notes."""
    alike: dict[str, list[str]] = {}
    for (run, sweep), travels in gaps.items():
        some = ", ".join(travels[:MOST_NAMED])
        if len(travels) > MOST_NAMED:
            some += f" and {len(travels) - MOST_NAMED} more"
        place = f"empty at travel {some}" if found[run, sweep] else "an empty column"
        alike.setdefault(place, []).append(f"{run} {sweep}")
    for place, names in alike.items():
        yield f"{', '.join(names)}: {place}"
    notes = [n for n, line in enumerate(source.lines, 1) if line.strip(INVISIBLE).startswith("#")]
    if notes:
        yield f"{len(notes)} {'line' if len(notes) == 1 else 'lines'} beginning with #"


def _value_name(target: Target, side: str) -> str:
    return (side or SIDES[0]) if target.kind in TWO_VALUES else "reading"


def _travel_unit(source: Source, cell: Cell, target: Target, faults: Faults) -> tuple[str, bool]:
    """The unit of travel, and whether the heading states it."""
    name, unit = name_and_unit(cell)
    own = target.units["travel"]
    if unit is None and name.startswith("travel_"):
        found = f"{quoted(name.removeprefix('travel_'))} is no unit of travel"
        faults.add("L305", source, cell.place(), found, "call it `travel_mm`, `travel_in`")
    elif unit is not None and unit not in MM_PER_UNIT:
        remedy = f"call it `travel_{own}`, or {listing(MM_PER_UNIT)} behind it"
        faults.add("L305", source, cell.place(), f"{quoted(unit)} is no unit of travel", remedy)
    else:
        return unit or own, unit is not None
    return own, False


def _headings(
    source: Source, header: Row, rows: Sequence[Row], target: Target, faults: Faults
) -> Iterator[_Heading]:
    """The columns of values; each run's passes without a name are up1, down1 and so on."""
    taken: dict[tuple[str, str], set[str]] = {}
    spelt: dict[str, str] = {}
    known = {name.casefold(): name for name in target.known}
    free: dict[tuple[str, str], int] = {}  # no usual pass before this one is free
    for index, cell in enumerate(header.cells[1:], start=1):
        if not cell.text:
            filled = [r.cells[index] for r in rows if index < len(r.cells) and r.cells[index].text]
            if filled:
                found = "this column has readings and no name"
                remedy = "name it above by its run or pass, or empty it"
                faults.add("L604", source, filled[0].place(), found, remedy)
            continue
        run, sweep, side, unit = _named(cell.text, target, known)
        run = spelt.setdefault(run.casefold(), run)
        _check_unit(source, cell, unit, target, faults)
        used = taken.setdefault((run, side), set())
        if not sweep:
            nth = free.get((run, side), 1)
            while usual_pass(nth) in used:
                nth += 1
            free[run, side], sweep = nth, usual_pass(nth)
        elif sweep in used:
            found = f"two columns are called {quoted(cell.text)}"
            faults.add("L302", source, cell.place(), found, "give each pass a name of its own")
            continue
        used.add(sweep)
        yield _Heading(
            index=index,
            cell=cell,
            run=run,
            sweep=sweep,
            side=side,
            unit=unit or target.units[_value_name(target, side)],
            stated=unit is not None,
        )


def _named(text: str, target: Target, known: Mapping[str, str]) -> tuple[str, str, str, str | None]:
    """Run, pass, side and unit of a heading, each empty where it is not said."""
    # a row keeps single blanks only; a sheet's heading may hold others, and line ends
    rest = text if text.casefold() in known else " ".join(text.split())
    sweep, side, unit = "", "", None
    if rest.casefold() not in known:
        match = _UNIT_BEHIND.fullmatch(rest)
        if match and unit_meant(match[2]):
            rest, unit = match[1], unit_meant(match[2])
    if target.kind in TWO_VALUES and (match := _SIDE_BEHIND.fullmatch(rest)):
        rest, side = match[1] or "", match[2].casefold()
    match = None if rest.casefold() in known else _PASS_BEHIND.fullmatch(rest)
    if match and (match[2][-1].isdigit() or not match[1]):  # `joint up` is the name of a run
        rest, sweep = match[1] or "", match[2].casefold()
    return known.get(rest.casefold(), rest) or target.run or "", sweep, side, unit


def _check_unit(
    source: Source, cell: Cell, unit: str | None, target: Target, faults: Faults
) -> None:
    if unit is not None and not suits(target.kind, unit):
        found, _ = unsuited(target.kind, unit)
        remedy = "mend the unit in the header; the gauge is that of [gauge] in car.toml"
        faults.add("L603", source, cell.place(), found, remedy)


def _series(
    source: Source, headings: Sequence[_Heading], two: bool, faults: Faults
) -> list[Series]:
    """The columns of each pass together: one, or front and rear."""
    places: dict[tuple[str, str], dict[str, tuple[int, Cell]]] = {}
    for h in headings:
        places.setdefault((h.run, h.sweep), {})[h.side] = (h.index, h.cell)
    order = SIDES if two else ("",)
    series = []
    for (run, sweep), sides in places.items():
        if two:
            check_sides(source, f"{run} {sweep}".strip(), sides, faults)
        if all(side in sides for side in order):
            indices = tuple(sides[side][0] for side in order)
            series.append(Series(run=run, name=sweep, indices=indices))
    return series


def _in(value: float, unit: str, wanted: str) -> float:
    """A value in another unit of its kind, without the dust of the conversion."""
    if unit == wanted or (unit in DEG_PER_UNIT) != (wanted in DEG_PER_UNIT):
        return value
    return float(f"{value * _FACTORS[unit] / _FACTORS[wanted]:.10g}")


def _read_setting(
    source: Source,
    row: Row,
    headings: Sequence[_Heading],
    target: Target,
    wide: Wide,
    faults: Faults,
    numbers: Numbers,
) -> None:
    """One row that tells something of each run, such as its shims above the joint."""
    first = row.cells[0]
    name, unit = heading_key(first.text), None
    names = [rule.name for rule in SETTINGS]
    if name not in names:
        name, unit = name_and_unit(first)
    if name not in names:
        if any(cell.text for cell in row.cells[1:]):
            near = nearest(name, names)
            remedy = f"write {quoted(near)}" if near else "begin it with a travel, or delete it"
            found = f"{quoted(first.text)} is neither a travel nor a column of runs.csv"
            faults.add("L608", source, first.place(), found, remedy)
            wide.in_doubt.update(wide.places)
        else:
            wide.left_out.append(f"line {first.line}, {quoted(first.text)}: a title or a note")
        return
    said: dict[str, list[Cell]] = {}
    for h in headings:
        if h.index < len(row.cells) and row.cells[h.index].text:
            said.setdefault(h.run, []).append(row.cells[h.index])
    for run, cells in said.items():
        texts = []
        for cell in cells:
            try:
                texts.append(_setting_text(cell.text, name, unit, target, numbers))
            except BadValueError as bad:
                place = cell.place(bad.offset, bad.width)
                faults.add(bad.code, source, place, bad.found, bad.remedy)
                wide.in_doubt.add(run)
        if len(set(texts)) > 1:
            found = f"two columns of {quoted(run)} do not say the same"
            remedy = "write it once, in one of the run's columns"
            faults.add("L609", source, cells[-1].place(), found, remedy)
            wide.in_doubt.add(run)
        elif texts:
            wide.settings.setdefault(run, {})[name] = texts[0]


def _setting_text(text: str, name: str, unit: str | None, target: Target, numbers: Numbers) -> str:
    """A cell of runs.csv in the logbook's units; BadValueError where it cannot be read."""
    own = target.units.get(name)  # none where runs.csv has no such column
    fitting = next(rule.units for rule in SETTINGS if rule.name == name)
    if unit is not None and unit not in fitting:
        found = f"{quoted(unit)} is no unit of {quoted(name)}"
        names = f"`{own}`" if own else listing(fitting)
        write = f", or write {names}" if fitting else ""
        raise BadValueError("L305", found, f"take it out of the row's name{write}")
    unit = unit or own
    if name in ("shims_above", "shims_below"):
        shims = read_stack(text, unit)
        return write_stack(tuple(_in(s, "mm", own or "mm") for s in shims))
    if name in ("length_change", "static_toe", "eccentric_mark"):
        value = numbers.read(text)
        return write_number(_in(value, unit or "", own or "") if unit and own else value)
    return text


def _check_passes(
    source: Source,
    found: Mapping[tuple[str, str], Sequence[Entry]],
    headings: Sequence[_Heading],
    target: Target,
    faults: Faults,
) -> None:
    """Each pass has ride height, and every other travel once."""
    mm = MM_PER_UNIT[target.units["travel"]]
    for (run, sweep), own in found.items():
        seen: dict[int, Entry] = {}
        for entry in own:
            travel = entry.numbers[0] * mm
            step = round(travel / SAME_TRAVEL_MM / 2.0) if abs(travel) < 1e6 else 0
            if abs(travel) > RIDE_HEIGHT_MM and step in seen:
                said = (
                    f"pass {quoted(sweep)} of {quoted(run)} has this travel on line "
                    f"{seen[step].cell.line} already"
                )
                remedy = "give the second sweep a column of its own, such as `down1`"
                faults.add("L502", source, entry.cell.place(), said, remedy)
                break
            seen.setdefault(step, entry)
        if own and not any(abs(e.numbers[0] * mm) <= RIDE_HEIGHT_MM for e in own):
            heading = next(h for h in headings if (h.run, h.sweep) == (run, sweep))
            said = f"{quoted(heading.cell.text)} has no reading at ride height"
            faults.add(
                "L503",
                source,
                heading.cell.place(),
                said,
                "add its reading in the row of travel 0",
            )
