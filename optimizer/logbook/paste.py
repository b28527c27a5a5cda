"""A pasted table: travel in the first column, a pass in each further one."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from optimizer.logbook.cells import Cell, CellReader, Row, heading_key
from optimizer.logbook.faults import (
    BadValueError,
    Faults,
    Place,
    Source,
    listing,
    nearest,
    quoted,
    showable,
    source_of,
)
from optimizer.logbook.values import Numbers, unit_meant
from optimizer.record import record
from optimizer.records import TWO_VALUES, GaugeKind, Units

PASTED = "pasted table"

TableRow = tuple[str, float, float] | tuple[str, float, float, float]

SIDES = ("front", "rear")
LONE = 2  # a name and one value
_NUMBER_LIKE = re.compile(r"[-+\u2212\u2013]?[0-9.,]+")


@record
class Series:
    """The columns of one pass: one, or front and rear."""

    name: str
    indices: tuple[int, ...]
    run: str = ""


def parse_table(
    text: str,
    units: Units | None = None,
    kind: GaugeKind = "one-dial",
    name: str = PASTED,
) -> tuple[TableRow, ...]:
    """Read a table as crews paste it.

    One table is one run. The first column is travel, each further one a pass. A
    header row names the passes up or down and may carry units (``travel_mm``,
    ``up1_thou``); without names they are up1, down1, up2, down2 and so on. Tabs,
    semicolons, commas or spaces part the cells; an empty cell is no reading. Where the
    gauge reads two, a pass has two columns: ``up1_front`` and ``up1_rear``.

    Parameters
    ----------
    text : the table
    units : the units stated for it, which units in the header must not contradict
    kind : what gauge it was read on
    name : of its file, for what is said of a fault

    Returns
    -------
    (pass, travel, reading) of each reading, or (pass, travel, front, rear) where the
    gauge reads two; pass by pass, in the units of the table

    Raises
    ------
    LogbookError : with all faults of the table
    """
    source = source_of(name, text)
    separator = separator_of(source)
    rows = list(CellReader(source, separator).rows() if separator != " " else spaced_rows(source))
    faults = Faults()
    header = rows.pop(0) if rows and not is_number(rows[0].cells) else None
    if header is not None and header.open_quote is not None:
        is_whole(source, header, len(header.cells), faults, spaced=False)
        faults.stop(f"the {PASTED}" if name == PASTED else name, "nothing was taken over")
    two = kind in TWO_VALUES
    columns = header or _unnamed(rows, separator)
    passes = _passes(source, columns, units, faults, two=two)
    width, numbers = len(columns.cells), Numbers(source.text, separator)
    if separator != " ":
        check_end(source, rows, width, faults)
    found = [
        reading
        for row in rows
        if is_whole(source, row, width, faults, spaced=separator == " ", named=filled_to(columns))
        for reading in read_row(source, row, passes, faults, numbers)
    ]
    if not found and not len(faults):
        place = Place(rows[0].cells[0].line) if rows else Place()
        remedy = "paste a column of travel and a column of readings for each pass"
        faults.add("L601", source, place, "the table holds no readings", remedy)
    if len(faults):
        faults.stop(f"the {PASTED}" if name == PASTED else name, "nothing was taken over")
    return tuple((p.name, *numbers) for p in passes for q, numbers in found if p is q)


def separator_of(source: Source) -> str:
    """Tab, semicolon, comma or space. A comma may be a decimal one where spaces part cells."""
    lines = [line.strip() for line in source.lines]
    lines = [line for line in lines if line and not line.startswith("#")]
    for mark in "\t;":
        if any(mark in line for line in lines):
            return mark
    with_comma = [line for line in lines if "," in line]
    if any(len(line.split()) == 1 or re.search(r",\s|\s,|\"", line) for line in with_comma):
        return ","
    return " "


def spaced_rows(source: Source) -> list[Row]:
    rows: list[Row] = []
    for number, line in enumerate(source.lines, start=1):
        cells = tuple(
            Cell(text=match[0], line=number, column=match.start() + 1)
            for match in re.finditer(r"\S+", line)
        )
        if cells and not cells[0].text.startswith("#"):
            rows.append(Row(cells=cells))
    return rows


def is_number(cells: tuple[Cell, ...]) -> bool:
    return bool(cells) and _NUMBER_LIKE.match(cells[0].text) is not None


def _unnamed(rows: list[Row], separator: str) -> Row:
    """A header of empty names. Where spaces part the cells the first row sets their number."""
    counts = [len(row.cells) for row in rows[: 1 if separator == " " else None]]
    return Row(cells=(Cell(text="", line=0, column=0),) * max(counts, default=1))


def _passes(
    source: Source, header: Row, units: Units | None, faults: Faults, *, two: bool
) -> list[Series]:
    """The columns of readings, by the header's names or in the usual order."""
    if header.cells[0].line:
        _check_travel(source, header.cells[0], units, faults)
    places: dict[str, dict[str, tuple[int, Cell]]] = {}
    for index, cell in enumerate(header.cells[1:], start=1):
        nth = (index + 1) // 2 if two else index
        name, side = usual_pass(nth), SIDES[(index + 1) % 2] if two else ""
        if cell.text:
            said, unit = name_and_unit(cell)
            said, side = side_of_name(said) if two else (said, "")
            name = said or name
            _check_unit(source, cell, unit, units.reading if units else None, faults)
            _check_pass(source, cell, name, faults)
        if side in places.setdefault(name, {}):
            found = f"two columns are called {quoted(f'{name} {side}'.strip())}"
            faults.add("L302", source, cell.place(), found, "give each pass a name of its own")
        places[name].setdefault(side, (index, cell))
    if two:
        for name, sides in places.items():
            check_sides(source, name, sides, faults)
    order = SIDES if two else ("",)
    return [
        Series(name=name, indices=tuple(sides[side][0] for side in order if side in sides))
        for name, sides in places.items()
    ]


def usual_pass(nth: int) -> str:
    """The name of a pass that has none: up1, down1, up2, down2 and so on."""
    return f"{'up' if nth % 2 else 'down'}{(nth + 1) // 2}"


def side_of_name(name: str) -> tuple[str, str]:
    """Part ``up1_front`` into its pass and its side; no side where it tells none."""
    for side in SIDES:
        stem = name.removesuffix(side)
        if stem != name and (not stem or stem[-1] in "_ -"):
            return stem.rstrip("_ -"), side
    return name, ""


def check_sides(
    source: Source, name: str, sides: Mapping[str, tuple[int, Cell]], faults: Faults
) -> None:
    """A pass of a gauge that reads two has a front column and a rear one, no third."""
    lacking = [side for side in SIDES if side not in sides]
    if not lacking and len(sides) == len(SIDES):
        return
    _, cell = sides.get("") or next(iter(sides.values()))
    faults.add(
        "L605",
        source,
        cell.place(),
        f"pass {quoted(name)} has no {listing(lacking, 'and')} column"
        if lacking
        else f"{quoted(cell.text)} is neither front nor rear",
        f"the gauge reads two values: call the columns `{name}_front` and `{name}_rear`",
    )


def name_and_unit(cell: Cell) -> tuple[str, str | None]:
    key = heading_key(cell.text)
    stem, _, last = key.rpartition("_")
    unit = unit_meant(last) if stem else None
    return (stem, unit) if unit else (key, None)


def _check_travel(source: Source, cell: Cell, units: Units | None, faults: Faults) -> None:
    name, unit = name_and_unit(cell)
    if "travel" not in name and nearest(name, ["travel"]) is None:
        found = f"the first column is called {quoted(cell.text)}, not travel"
        remedy = "put travel into the first column and call it `travel`"
        faults.add("L602", source, cell.place(), found, remedy)
    elif unit is None and name.startswith("travel_"):
        found = f"{quoted(name.removeprefix('travel_'))} is no unit of travel"
        faults.add("L305", source, cell.place(), found, "call it `travel_mm`, `travel_in`")
    else:
        _check_unit(source, cell, unit, units.travel if units else None, faults)


def _check_pass(source: Source, cell: Cell, name: str, faults: Faults) -> None:
    """A column named otherwise may be a run of its own, which would be read as a repeat."""
    if not name.startswith(("up", "down")):
        found = f"the column {quoted(cell.text)} is not named as a pass"
        remedy = (
            "one table is one run: name its columns `up1`, `down1`, `up2`, ...; a further run is "
            "a row of runs.csv, its readings rows of readings.csv"
        )
        faults.add("L604", source, cell.place(), found, remedy)


def _check_unit(
    source: Source, cell: Cell, unit: str | None, stated: str | None, faults: Faults
) -> None:
    if unit is not None and stated is not None and unit != stated:
        faults.add(
            "L603",
            source,
            cell.place(),
            f"the header says `{unit}` and the answer `{stated}`",
            f"state the units again with `{unit}`, or mend the header",
        )


def is_whole(
    source: Source, row: Row, width: int, faults: Faults, *, spaced: bool, named: int = 0
) -> bool:
    """Say whether the cells of a row fit the columns.

    None may lack of several values: a cell lost in the middle would move those behind it into
    the columns of other passes. One value alone may be told in the first column, and columns
    behind the last of the ``named`` ones may be left out.
    """
    count, named = len(row.cells), named or width
    extra = [cell for cell in row.cells[width:] if cell.text]
    lacks = count < named and (spaced or is_number(row.cells) or count > LONE)
    if row.open_quote is None and not extra and not lacks:
        return True
    if row.open_quote is not None:
        found, code, place = "a quote is not closed", "L307", row.open_quote
    else:
        found, code = f"the row has {count} cells, the table {width} columns", "L306"
        place = extra[0].place() if extra else row.cells[-1].place()
    remedy = "part the cells with tabs or semicolons; then an empty cell may stay empty"
    if lacks and not spaced and row.open_quote is None:
        line = row.cells[-1].line
        place = Place(line, len(source.line(line)) + 1)
        remedy = "complete it; a separator stands for a cell that is empty, also at the row's end"
    faults.add(code, source, place, found, remedy)
    return False


def check_end(source: Source, rows: Sequence[Row], width: int, faults: Faults) -> None:
    """The last row may not break off: no line end, and cells to fewer columns than its like."""
    if not rows or not source.lines[-1].strip() or rows[-1].open_quote is not None:
        return
    if len(rows[-1].cells) < width:  # short as it is
        return
    number = is_number(rows[-1].cells)
    *above, last = (filled_to(row) for row in rows if is_number(row.cells) == number)
    # among what is told of the runs, one cell alone is a title
    above = [n for n in above if n > 1 or number]
    least = min(above, default=width if number else 0)
    if last >= min(least, width) or not (last > 1 or number):
        return
    found = (
        f"the text ends inside this row: it is filled to column {last}, the rows above to {least}"
        f"{' or more' * (max(above, default=least) > least)}"
    )
    remedy = (
        "complete the row, or copy the file anew; if its last cells are empty, end the line with "
        "Enter"
    )
    line = rows[-1].cells[-1].line
    faults.add("L306", source, Place(line, len(source.line(line)) + 1), found, remedy)


def open_end(text: str) -> str:
    """The last line of a text that has no line end, as it is shown; empty where it has one."""
    last = text.replace("\r", "\n").rpartition("\n")[2].strip()
    return quoted(showable(last)) if last else ""


def filled_to(row: Row) -> int:
    """Columns of a row up to its last filled cell."""
    return max((i for i, cell in enumerate(row.cells, start=1) if cell.text), default=0)


def read_row(
    source: Source, row: Row, passes: Sequence[Series], faults: Faults, numbers: Numbers
) -> list[tuple[Series, tuple[float, float] | tuple[float, float, float]]]:
    """The readings of one row, each with its travel; none when that is at fault."""

    def number(cell: Cell) -> float | None:
        try:
            return numbers.read(cell.text)
        except BadValueError as bad:
            faults.add(bad.code, source, cell.place(), bad.found, bad.remedy)
            return None

    first = row.cells[0]
    if not first.text:
        remedy = "write the travel, 0 at ride height, or delete the row"
        faults.add("L308", source, first.place(), "the travel of this row is empty", remedy)
        return []
    travel = number(first)
    readings: list[tuple[Series, tuple[float, float] | tuple[float, float, float]]] = []
    for one in passes:
        cells = [row.cells[i] for i in one.indices if i < len(row.cells) and row.cells[i].text]
        if cells and len(cells) < len(one.indices):
            found = "this reading has one of its two values"
            remedy = "write both, front and rear, or neither"
            faults.add("L505", source, cells[0].place(), found, remedy)
            continue
        values = [value for cell in cells if (value := number(cell)) is not None]
        if travel is None or not cells or len(values) < len(cells):
            continue
        if len(values) == 1:
            readings.append((one, (travel, values[0])))
        elif len(values) == 2:
            readings.append((one, (travel, values[0], values[1])))
    return readings
