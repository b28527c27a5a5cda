"""runs.csv: one setting in each row, and whether its shims add up."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from optimizer.logbook.car import CarFile
from optimizer.logbook.cells import Row
from optimizer.logbook.faults import Faults, Place, Source, listing, meant, quoted
from optimizer.logbook.rows import ColumnRule, Sheet, read_sheet
from optimizer.logbook.table import MOST_TOE_DEG
from optimizer.logbook.values import write_stack
from optimizer.record import record
from optimizer.records import Corner, Run
from optimizer.units import from_mm

MOST_LENGTH_CHANGE_MM = 40.0
CLEVIS_GIVE_MM = 0.05
MOST_MARKS = 1000.0
SAME_SHIM_MM = 0.02

RUN_COLUMNS = (
    ColumnRule(name="run", needed=True),
    ColumnRule(name="corner"),
    ColumnRule(name="date"),
    ColumnRule(name="shims_above", needed=True, measures="length"),
    ColumnRule(name="shims_below", needed=True, measures="length"),
    ColumnRule(name="length_change", measures="length"),
    ColumnRule(name="eccentric_mark"),
    ColumnRule(name="static_toe", measures="toe"),
    ColumnRule(name="note"),
)


@record
class RunTable:
    """The runs that are sound, and all names with their corners.

    ``corner_of`` is None while the names are not known at all; a name whose
    corner is in doubt maps to None. ``length_unit`` is that of the shims.
    """

    runs: tuple[Run, ...] = ()
    corner_of: Mapping[str, str | None] | None = None
    length_unit: str | None = None


@record
class _Stood:
    """The shims of one run as they stood, where both stacks could be read."""

    run: str
    row: Row
    shims_mm: tuple[float, ...]


@record
class _Change:
    """The length change of one row; None for whatever is in doubt."""

    run: str | None = None
    corner: str | None = None
    row: Row
    change_mm: float | None = None


@dataclass(slots=True, kw_only=True)
class _Seen:
    """What the rows above have told."""

    lines: dict[str, int] = field(default_factory=dict)
    corners: dict[str, str | None] = field(default_factory=dict)
    unknown: set[str] = field(default_factory=set)
    stood: dict[str, list[_Stood]] = field(default_factory=dict)
    changes: list[_Change] = field(default_factory=list)


def read_runs(source: Source | None, car: CarFile, faults: Faults) -> RunTable:
    """Read runs.csv and check it against car.toml."""
    sheet = read_sheet(source, RUN_COLUMNS, car.units, faults) if source else None
    if sheet is None or "run" not in sheet.columns:
        return RunTable()
    if "corner" not in sheet.columns and len(car.corners) > 1:
        faults.add(
            "L403",
            sheet.source,
            Place(sheet.header.cells[0].line),
            f"car.toml has {len(car.corners)} corners, and no column says which a run is of",
            f"add a column `corner` with {listing(car.corners)} in each row",
        )
    seen = _Seen()
    runs = [run for row in sheet.rows if (run := _read_run(sheet, row, car, seen, faults))]
    for name, stood in seen.stood.items():
        corner = car.corners[name]
        if corner.stack.face == "clevis":
            _check_totals(sheet, stood, name, faults)
        if corner.stack.box_mm:
            _check_owned(sheet, stood, corner, car, faults)
    for corner in car.corners.values():
        _check_reference(sheet, seen.changes, corner)
    shims = sheet.columns.get("shims_above")
    table = RunTable(
        runs=tuple(runs), corner_of=seen.corners, length_unit=shims.unit if shims else None
    )
    _check_named(car, table)
    return table


def _read_run(sheet: Sheet, row: Row, car: CarFile, seen: _Seen, faults: Faults) -> Run | None:
    """One run; None when anything of it is at fault."""
    before = len(faults)
    if not sheet.is_whole(row):
        seen.corners.setdefault(sheet.text(row, "run"), None)
        seen.changes.append(_Change(row=row))
        return None
    name = sheet.needed(row, "run", "run2")
    _check_new(sheet, row, name, seen)
    corner = _corner_of(sheet, row, car, seen)
    if name is not None:
        seen.corners.setdefault(name, corner)
    above = sheet.stack(row, "shims_above")
    below = sheet.stack(row, "shims_below")
    change_mm = sheet.converted(
        row, "length_change", most=MOST_LENGTH_CHANGE_MM, what="a length change"
    )
    seen.changes.append(_Change(run=name, corner=corner, row=row, change_mm=change_mm))
    mark = sheet.number(row, "eccentric_mark")
    cell = sheet.cell(row, "eccentric_mark")
    if mark is not None and cell is not None and abs(mark) > MOST_MARKS:
        sheet.fault("L313", cell, f"an eccentric mark of {mark:.4g} is absurd", "mend the number")
    toe = sheet.converted(row, "static_toe", most=MOST_TOE_DEG, what="a static toe")
    if name is None or corner is None or above is None or below is None:
        return None
    if all(sheet.columns[stack].unit for stack in ("shims_above", "shims_below")):
        stood = _Stood(run=name, row=row, shims_mm=above + below)
        seen.stood.setdefault(corner, []).append(stood)
    if len(faults) > before:
        return None
    return Run(
        name=name,
        corner=corner,
        date=sheet.text(row, "date"),
        above_mm=above,
        below_mm=below,
        length_change_mm=0.0 if change_mm is None else change_mm,
        eccentric_mark=mark,
        static_toe_deg=None if toe is None else toe * car.signs.toe + 0.0,
        note=sheet.text(row, "note"),
        line=row.cells[0].line,
    )


def _check_new(sheet: Sheet, row: Row, name: str | None, seen: _Seen) -> None:
    cell = sheet.cell(row, "run")
    if name is None or cell is None:
        return
    if name in seen.lines:
        sheet.fault(
            "L401",
            cell,
            f"{quoted(name)} is the name of the run on line {seen.lines[name]} too",
            "give each run its own name, here and in readings.csv",
        )
    seen.lines.setdefault(name, cell.line)


def _corner_of(sheet: Sheet, row: Row, car: CarFile, seen: _Seen) -> str | None:
    """The corner of a run, None when in doubt; an unknown name is one fault however often."""
    cell = sheet.cell(row, "corner")
    if not car.corners:
        return None
    if cell is None or not cell.text:
        if len(car.corners) == 1:
            return next(iter(car.corners))
        if cell is not None:
            found = "the row does not say its corner, and car.toml has several"
            sheet.fault("L403", cell, found, f"write {listing(car.corners)}")
        return None
    if cell.text in car.corners:
        return cell.text
    if cell.text not in seen.unknown:
        seen.unknown.add(cell.text)
        found = f"car.toml has no corner {quoted(cell.text)}"
        remedy = f"{meant(cell.text, car.corners)}, or add `[corner.{cell.text}]` to car.toml"
        sheet.fault("L402", cell, found, remedy)
    return None


def _check_reference(sheet: Sheet, changes: list[_Change], corner: Corner) -> None:
    """A length change counts from the reference run, so there it is 0."""
    own = [c for c in changes if c.corner in (corner.name, None)]
    named = corner.reference_run
    reference = next((c for c in own if named is None or c.run == named), None)
    if reference is None or reference.corner is None or not reference.change_mm:
        return
    cell = sheet.cell(reference.row, "length_change")
    if cell is not None:
        sheet.fault(
            "L409",
            cell,
            f"{quoted(reference.run or '')} is the reference run of {quoted(corner.name)}, so its "
            f"length change is 0, not {quoted(cell.text)}",
            "write `0` here and in each run the total from this one, or name another "
            f"`reference_run` under [corner.{corner.name}]",
        )


def _stacks_place(sheet: Sheet, row: Row) -> Place:
    """Both stacks where they stand side by side, else the one above."""
    above, below = (sheet.columns[name].index for name in ("shims_above", "shims_below"))
    first, last = row.cells[min(above, below)], row.cells[max(above, below)]
    if abs(above - below) != 1 or first.line != last.line:
        return row.cells[above].place()
    return first.place(0, last.column - first.column + max(1, len(last.text)))


def _check_totals(sheet: Sheet, stood: list[_Stood], corner: str, faults: Faults) -> None:
    """In a clevis shims only move across, so the total stays; the odd ones out are at fault."""

    give = CLEVIS_GIVE_MM + 1e-9
    totals = sorted(sum(one.shims_mm) for one in stood)

    def n_agree(one: _Stood) -> int:
        own = sum(one.shims_mm)
        return bisect_right(totals, own + give) - bisect_left(totals, own - give)

    unit = sheet.columns["shims_above"].unit or "mm"
    common = max(stood, key=n_agree)
    total = from_mm(sum(common.shims_mm), unit)
    for one in stood:
        if abs(sum(one.shims_mm) - sum(common.shims_mm)) > give:
            faults.add(
                "L407",
                sheet.source,
                _stacks_place(sheet, one.row),
                f"the stack does not add up: {from_mm(sum(one.shims_mm), unit):.6g} {unit} here, "
                f"{total:.6g} {unit} for {quoted(common.run)} on line {common.row.cells[0].line}",
                f"mend the shims of one of the two, or `face` under [corner.{corner}.stack]",
            )


def _check_owned(
    sheet: Sheet, stood: list[_Stood], corner: Corner, car: CarFile, faults: Faults
) -> None:
    """Each run's shims are among those owned; one fault for all that the list lacks."""
    unit = car.units.get("length") or "mm"
    box = list(corner.stack.box_mm)
    first: _Stood | None = None
    lacking: list[float] = []
    for one in stood:
        more = _unmatched(one.shims_mm, box)
        if more:
            first = first or one
            lacking += more
            box += more
    if first is None:
        return
    owned = write_stack(tuple(from_mm(s, unit) for s in sorted(box, reverse=True)))
    names = write_stack(tuple(from_mm(s, unit) for s in sorted(lacking, reverse=True)))
    faults.add(
        "L408",
        sheet.source,
        _stacks_place(sheet, first.row),
        f"`shims` under [corner.{corner.name}.stack] lacks {names} {unit} that stood on the car",
        f'write `shims = "{owned}"` there, or mend the row',
    )


def _unmatched(shims: Iterable[float], box: Iterable[float]) -> list[float]:
    """The shims for which the box holds no piece of its own."""
    left = list(box)
    unmatched: list[float] = []
    for shim in shims:
        piece = next((p for p in left if abs(p - shim) <= SAME_SHIM_MM + 1e-9), None)
        if piece is None:
            unmatched.append(shim)
        else:
            left.remove(piece)
    return unmatched


def _check_named(car: CarFile, runs: RunTable) -> None:
    """reference_run and current_run name runs of their own corner."""
    known = runs.corner_of or {}
    for name, corner in car.corners.items():
        for key, run in (
            ("reference_run", corner.reference_run),
            ("current_run", corner.current_run),
        ):
            own = [r for r, c in known.items() if c in (name, None)]
            if run is None or run in own:
                continue
            code = "L216" if run in known else "L215"
            found = f"runs.csv has no run {quoted(run)}"
            if run in known:
                found = f"{quoted(run)} is a run of {quoted(known[run] or '')}"
            car.tables[name].fault(code, key, found, f"{meant(run, own)}, or take `{key}` out")
