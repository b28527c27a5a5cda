"""Taking a wide table into a logbook: first a plan that can be looked at, then the rows."""

from __future__ import annotations

import shlex
from collections.abc import Collection, Mapping, Sequence
from itertools import count
from pathlib import Path

from optimizer.errors import CallError, LogbookError
from optimizer.logbook.append import Appender, append_rows
from optimizer.logbook.disk import held_bytes
from optimizer.logbook.faults import (
    FILES,
    Faults,
    Source,
    decode,
    listing,
    meant,
    quoted,
    source_of,
)
from optimizer.logbook.marks import in_its_marks
from optimizer.logbook.readings import value_names
from optimizer.logbook.values import write_number
from optimizer.logbook.wide import Entry, Target, UnitTaken, Wide, read_wide
from optimizer.record import record
from optimizer.records import Logbook

WORKBOOKS = (".xlsx", ".xlsm")
OTHER_WORKBOOKS = (".xls", ".ods", ".numbers", ".xlsb")
TABLES = ("runs.csv", "readings.csv")


@record
class Reads:
    """The smallest and the largest value of a column of readings.csv, in its unit."""

    column: str
    low: float
    high: float
    unit: str


@record
class Taken:
    """What one run gets.

    ``told`` is what the table says of its setting, in the units of runs.csv; a run that
    is not ``new`` keeps its row instead. ``passes`` holds the travels of each pass, in
    the unit of readings.csv; ``reads`` says what the readings range over, column by column.
    """

    run: str
    new: bool
    told: Mapping[str, str]
    passes: Mapping[str, tuple[str, ...]]
    reads: tuple[Reads, ...] = ()


@record
class ImportPlan:
    """What would be written, and what the files held when it was planned.

    ``after`` is the logbook as it would then read, ``rows`` holds the new rows of each
    file, ``known`` the bytes that all files must still have when they are written,
    ``open_end`` the table's last line if it has no line end.
    """

    folder: Path
    file: Path
    after: Logbook
    runs: tuple[Taken, ...]
    units: tuple[UnitTaken, ...]
    left_out: tuple[str, ...]
    rows: Mapping[str, Sequence[Mapping[str, str]]]
    known: Mapping[str, bytes | None]
    open_end: str = ""


def plan_import(
    folder: Path,
    file: Path,
    *,
    run: str | None = None,
    corner: str | None = None,
    sheet: str | None = None,
) -> ImportPlan:
    """Read a wide table and say what it would add to a logbook. Writes nothing.

    Parameters
    ----------
    folder : of the logbook
    file : text parted by commas, semicolons or tabs, or an .xlsx file
    run : the run of a table whose columns name passes alone; None for the only run of
        runs.csv without readings
    corner : of runs that are new; None where the table says it, or there is one
    sheet : of an .xlsx file that holds several

    Raises
    ------
    CallError : there is no logbook, or the call leaves something in doubt
    LogbookError : faults of the logbook, or of the table
    """
    if not any((folder / name).exists() for name in FILES):
        start, again = (
            shlex.join(["shimopt", *words])
            for words in (["new", str(folder)], ["import", str(file), str(folder)])
        )
        raise CallError(f"{folder} holds no logbook", f"start one with `{start}`, then `{again}`")
    appender = Appender(folder, "import", {})
    book = appender.book
    if run is not None and run not in {r.name for r in book.runs}:
        run = " ".join(run.split())
    faults = Faults()
    source = _source_of(file, sheet, faults)
    target = _target(appender, run)
    wide = read_wide(source, target, faults)
    if wide.needs_run and not len(faults):
        raise CallError(
            f"the columns of {file.name} name passes, and it is in doubt of which run",
            f"say it with --run: {listing(_unmeasured(book)) or 'a new name'}",
        )
    if run is not None and run not in wide.places and not len(faults):
        found = f"--run says {quoted(run)}, and the columns of {file.name} name runs themselves"
        raise CallError(found, "leave --run out, or name the columns by pass: `up1`, `down1`")
    _check_runs(source, wide, target, faults)
    _check_columns(source, wide, target, appender, faults)
    if len(faults):
        faults.stop(file.name, "nothing was written")
    return _plan(appender, file, wide, corner)


def write_import(plan: ImportPlan) -> None:
    """Add the planned rows, all or none; the rows before them keep every byte.

    Raises
    ------
    EditedError : a file of the logbook changed since the plan was made
    ShimoptError : the disk would not take them
    """
    append_rows(plan.folder, "import", plan.rows, {"file": plan.file.name}, plan.known)


def _source_of(file: Path, sheet: str | None, faults: Faults) -> Source:
    suffix = file.suffix.casefold()
    if suffix in OTHER_WORKBOOKS:
        raise CallError(f"{file.name} is of a kind that is not read", "save it as .xlsx or as CSV")
    if suffix in WORKBOOKS:
        if not file.is_file():
            raise CallError(f"there is no file {file}", "name a table that is there")
        from optimizer.logbook.workbook import sheet_text

        return source_of(file.name, sheet_text(file, sheet))
    if sheet is not None:
        raise CallError(f"{file.name} has no sheets", "leave --sheet out")
    try:
        data = held_bytes(file)
    except OSError as error:
        found = f"{file} cannot be read: {error.strerror or error}"
        raise CallError(found, "name a table that is there") from error
    source = decode(file.name, data, faults)
    if source is None:
        faults.stop(file.name, "nothing was written")
    return source


def _target(appender: Appender, run: str | None) -> Target:
    """What the logbook gives the table to fit into."""
    book = appender.book
    columns = [c for file in TABLES for c in appender.columns(file).items()]
    measured = {r.run for r in book.readings}
    left = _unmeasured(book)
    return Target(
        kind=book.gauge.kind,
        units={name: column.unit for name, column in columns if column.unit is not None},
        known=[r.name for r in book.runs],
        measured=[r.name for r in book.runs if r.name in measured],
        run=run if run is not None else left[0] if len(left) == 1 else None,
    )


def _unmeasured(book: Logbook) -> list[str]:
    measured = {r.run for r in book.readings}
    return [r.name for r in book.runs if r.name not in measured]


def _check_runs(source: Source, wide: Wide, target: Target, faults: Faults) -> None:
    """Runs with readings are refused; new ones need their shims."""
    known, measured = set(target.known), set(target.measured)
    for run, cell in wide.places.items():
        if run in measured:
            faults.add(
                "L606",
                source,
                cell.place(),
                f"{quoted(run)} has readings in readings.csv already",
                "take its columns out, or give a run measured anew a name of its own, such as "
                f"{quoted(_free_name(run, {*target.known, *wide.places}))}",
            )
        elif run not in known:
            told = wide.settings.get(run, {})
            lacking = [name for name in ("shims_above", "shims_below") if name not in told]
            left = [name for name in target.known if name not in measured]
            near = meant(run, left).split("; ")[0] if left else ""
            if lacking and run not in wide.in_doubt:
                faults.add(
                    "L607",
                    source,
                    cell.place(),
                    f"runs.csv has no run {quoted(run)}, and the table does not tell its shims",
                    f"add {listing((n.replace('_', ' ') for n in lacking), 'and')} as rows of the "
                    f"table, or the run to runs.csv{f'; or {near}' if near else ''}",
                )


def _check_columns(
    source: Source, wide: Wide, target: Target, appender: Appender, faults: Faults
) -> None:
    """Nothing that the table says of a new run is dropped for want of a column."""
    book, columns = appender.book, appender.columns("runs.csv")
    for run, told in wide.settings.items():
        only_corner = len(book.corners) == 1 and told.get("corner") in book.corners
        lacking = [
            name for name in told if name not in columns and not (name == "corner" and only_corner)
        ]
        if run not in target.known and run in wide.places and lacking:
            faults.add(
                "L303",
                source,
                wide.places[run].place(),
                f"runs.csv has no column for the {listing(lacking, 'and')} of {quoted(run)}",
                "add it to the header of runs.csv and an empty cell to its rows, or delete the "
                "row from this table",
            )


def _free_name(run: str, names: Collection[str]) -> str:
    return next(n for i in count(2) if (n := f"{run}-{i}") not in names)


def _plan(appender: Appender, file: Path, wide: Wide, corner: str | None) -> ImportPlan:
    """The rows laid out for each file, checked as a whole before anyone is asked."""
    book = appender.book
    known = {r.name for r in book.runs}
    if corner is not None and corner not in book.corners:
        raise CallError(f"car.toml has no corner {quoted(corner)}", meant(corner, book.corners))
    if corner is None and len(book.corners) == 1:
        corner = next(iter(book.corners))
    said = {} if corner is None else {"corner": corner}
    if "corner" not in appender.columns("runs.csv") and len(book.corners) == 1:
        said = {}
    new = [{**said, **wide.settings.get(r, {}), "run": r} for r in wide.places if r not in known]
    names = value_names(book.gauge.kind)
    planned = {"runs.csv": new, "readings.csv": [_reading(e, names) for e in wide.entries]}
    rows = {
        name: [in_its_marks(row, name, appender) for row in cells]
        for name, cells in planned.items()
        if cells
    }
    try:
        after = appender.try_all(rows)
    except LogbookError as error:
        raise LogbookError(
            found=f"{file.name} does not fit the logbook; nothing was written",
            remedy="mend the table and try again",
            problems=error.problems,
        ) from error
    return ImportPlan(
        folder=appender.folder,
        file=file,
        after=after,
        runs=_taken(wide, known, {n: appender.unit_of("readings.csv", n) or "" for n in names}),
        units=tuple(wide.units),
        left_out=tuple(wide.left_out),
        rows=rows,
        known=appender.known,
        open_end=wide.open_end,
    )


def _reading(entry: Entry, names: Sequence[str]) -> dict[str, str]:
    travel, *values = (write_number(n) for n in entry.numbers)
    cells = dict(zip(names, values, strict=True))
    return {"run": entry.run, "pass": entry.sweep, "travel": travel, **cells}


def _taken(wide: Wide, known: Collection[str], units: Mapping[str, str]) -> tuple[Taken, ...]:
    """What each run gets; ``units`` are those of the columns of values, in their order."""
    own: dict[str, list[Entry]] = {run: [] for run in wide.places}
    for entry in wide.entries:
        own[entry.run].append(entry)
    out: list[Taken] = []
    for run, entries in own.items():
        passes: dict[str, list[str]] = {}
        for entry in entries:
            passes.setdefault(entry.sweep, []).append(write_number(entry.numbers[0]))
        columns = zip(*(entry.numbers[1:] for entry in entries), strict=True)
        out.append(
            Taken(
                run=run,
                new=run not in known,
                told=wide.settings.get(run, {}),
                passes={sweep: tuple(travels) for sweep, travels in passes.items()},
                reads=tuple(
                    Reads(column=name, low=min(values), high=max(values), unit=unit)
                    for (name, unit), values in zip(units.items(), columns, strict=False)
                ),
            )
        )
    return tuple(out)
