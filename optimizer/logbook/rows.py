"""Tables of text: cells with their places, headers with units, values with faults."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from optimizer.logbook.faults import BadValueError, Faults, Place, Source, listing, nearest, quoted
from optimizer.logbook.table import UnitsStated
from optimizer.logbook.values import read_number, read_stack, unit_meant
from optimizer.units import DEG_PER_UNIT, MM_PER_UNIT

_INVISIBLE = " \t\u00a0\u2007\u2009\u200b\u202f\ufeff"
_SEPARATORS = ("\t", ";", ",")
_SPOKEN = {"\t": "tab", ";": "semicolon", ",": "comma", " ": "space"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One cell: its text without quotes and outer blanks, and where that text begins."""

    text: str
    line: int
    column: int
    quoted: bool = False

    def place(self, offset: int = 0, width: int = 0) -> Place:
        """Where the cell's text stands, or a stretch of it."""
        return Place(self.line, self.column + offset, width or max(1, len(self.text)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of cells. ``open_quote`` is where a quote starts that never closes rightly."""

    cells: tuple[Cell, ...]
    open_quote: Place | None = None


class CellReader:
    """Splits text into rows of cells, the way RFC 4180 quotes them.

    Blank lines, rows of empty cells and rows that begin with ``#`` are passed
    over. Lines are the editor's own, also behind a note that spans several.
    """

    def __init__(self, source: Source, separator: str) -> None:
        self._lines = source.lines
        self._separator = separator
        self._line = 0  # index of the line being read
        self._pos = 0  # index within that line

    def rows(self) -> Iterator[Row]:
        """Yield the rows that hold something."""
        while self._line < len(self._lines):
            bare = self._lines[self._line].strip(_INVISIBLE)
            if not bare or bare.startswith("#"):
                self._next_line()
                continue
            row = self._row()
            has_text = any(cell.text for cell in row.cells) or row.open_quote is not None
            if has_text and not (row.cells and row.cells[0].text.startswith("#")):
                yield row

    def _next_line(self) -> None:
        self._line += 1
        self._pos = 0

    def _row(self) -> Row:
        cells: list[Cell] = []
        while True:
            start = (self._line, self._pos)
            cell = self._cell()
            if cell is None:
                self._line, self._pos = start
                text = self._lines[self._line]
                quote = text.index('"', self._pos)
                self._next_line()
                return Row(cells=tuple(cells), open_quote=Place(start[0] + 1, quote + 1))
            cells.append(cell)
            if self._pos >= len(self._lines[self._line]):
                self._next_line()
                return Row(cells=tuple(cells))
            self._pos += 1

    def _cell(self) -> Cell | None:
        """Read up to the next separator or line end; None where a quote goes wrong."""
        line = self._lines[self._line]
        rest = line[self._pos :]
        blanks = _INVISIBLE.replace(self._separator, "")
        if rest.lstrip(blanks).startswith('"'):
            self._pos += len(rest) - len(rest.lstrip(blanks)) + 1
            return self._quoted_cell(blanks)
        raw = rest.split(self._separator, 1)[0]
        inner = raw.lstrip(blanks)
        column = self._pos + (len(raw) - len(inner) if inner else 0) + 1
        self._pos += len(raw)
        return Cell(text=inner.rstrip(blanks), line=self._line + 1, column=column)

    def _quoted_cell(self, blanks: str) -> Cell | None:
        first_line, first_pos = self._line, self._pos
        parts: list[str] = []
        while True:
            line = self._lines[self._line]
            end = line.find('"', self._pos)
            if end < 0:
                parts.append(line[self._pos :] + "\n")
                self._next_line()
                if self._line >= len(self._lines):
                    return None
            elif line.startswith('""', end):
                parts.append(line[self._pos : end + 1])
                self._pos = end + 2
            else:
                parts.append(line[self._pos : end])
                break
        after = line[end + 1 :].split(self._separator, 1)[0]
        if after.strip(blanks):
            return None
        self._pos = end + 1 + len(after)
        text = "".join(parts)
        column = first_pos + len(text) - len(text.lstrip(_INVISIBLE)) + 1
        return Cell(text=text.strip(_INVISIBLE), line=first_line + 1, column=column, quoted=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnRule:
    """What a column may be called, and what it holds.

    ``measures`` is the key of [units] that a bare name takes its unit from, None
    for text and plain numbers.
    """

    name: str
    needed: bool = False
    measures: str | None = None

    @property
    def units(self) -> tuple[str, ...]:
        """The units that may stand at the end of the column's name."""
        lengths, angles = tuple(MM_PER_UNIT), tuple(DEG_PER_UNIT)
        if self.measures is None:
            return ()
        return {"toe": angles, "reading": lengths + angles}.get(self.measures, lengths)


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column that is there. ``unit`` is None for text and where it is in doubt."""

    index: int
    cell: Cell
    unit: str | None = None


class Sheet:
    """A table with a header: its columns by name and its rows, read cell by cell."""

    def __init__(
        self,
        source: Source,
        separator: str,
        columns: Mapping[str, Column],
        header: Row,
        rows: Sequence[Row],
        faults: Faults,
    ) -> None:
        self.source = source
        self.columns = columns
        self.header = header
        self.rows = rows
        self._separator = separator
        self._width = len(header.cells)
        self._faults = faults

    def fault(self, code: str, cell: Cell, found: str, remedy: str) -> None:
        """Note a fault at a cell."""
        self._faults.add(code, self.source, cell.place(), found, remedy)

    def is_whole(self, row: Row) -> bool:
        """Say whether a row has a cell for each column; a fault where it has not."""
        if row.open_quote is not None:
            self._faults.add(
                "L307",
                self.source,
                row.open_quote,
                "this quote is not closed, or text follows where it is",
                'close it with `"` just before the separator; write `""` for a quote inside',
            )
            return False
        extra = [cell for cell in row.cells[self._width :] if cell.text]
        if extra:
            self._fault_extra(row, extra[0])
        elif len(row.cells) < self._width:
            last = row.cells[-1]
            end = Place(last.line, len(self.source.line(last.line)) + 1)
            lacking = self._width - len(row.cells)
            self._faults.add(
                "L306",
                self.source,
                end,
                f"the row has {len(row.cells)} cells and the header {self._width}",
                f"put {lacking} {_SPOKEN[self._separator]}{'s' * (lacking > 1)} more where its "
                "cells are empty, at the end if those are the last ones",
            )
            return False
        return not extra

    def _fault_extra(self, row: Row, cell: Cell) -> None:
        remedy = 'put a text that holds the separator in double quotes: `"so, like this"`'
        if self._separator == ",":
            remedy += "; write a decimal point where the comma is a decimal one"
        found = f"the row has {len(row.cells)} cells and the header {self._width}"
        self.fault("L306", cell, found, remedy)

    def cell(self, row: Row, name: str) -> Cell | None:
        """Return the cell of a named column; None when the table has no such column."""
        column = self.columns.get(name)
        return row.cells[column.index] if column and column.index < len(row.cells) else None

    def text(self, row: Row, name: str) -> str:
        """Return a cell's text; empty when the column is not there."""
        cell = self.cell(row, name)
        return cell.text if cell else ""

    def needed(self, row: Row, name: str, example: str) -> str | None:
        """Return a cell's text; a fault and None when it is empty."""
        cell = self.cell(row, name)
        if cell is None:
            return None
        if not cell.text:
            found = f"the {quoted(name)} of this row is empty"
            self.fault("L308", cell, found, f"write it, such as `{example}`, or delete the row")
            return None
        return cell.text

    def number(self, row: Row, name: str) -> float | None:
        """Return a cell's number in its own unit; None when empty, absent or at fault."""
        cell = self.cell(row, name)
        if cell is None or not cell.text:
            return None
        try:
            return read_number(cell.text, comma_separates=self._separator == ",")
        except BadValueError as bad:
            self.fault(bad.code, cell, bad.found, bad.remedy)
            return None

    def converted(self, row: Row, name: str, *, most: float, what: str) -> float | None:
        """Return a number in mm or degrees; None when empty, absent, at fault or in doubt."""
        value = self.number(row, name)
        unit = self.columns[name].unit if name in self.columns else None
        if value is None or unit is None:
            return None
        result = value * {**MM_PER_UNIT, **DEG_PER_UNIT}[unit]
        cell = self.cell(row, name)
        if cell is not None and not abs(result) <= most:
            core = "mm" if unit in MM_PER_UNIT else "degrees"
            self.fault(
                "L313",
                cell,
                f"{what} of {result:.4g} {core} is absurd",
                f"mend the number; or its unit, now `{unit}`, in the header or under [units]",
            )
            return None
        return result

    def stack(self, row: Row, name: str) -> tuple[float, ...] | None:
        """Return a shim stack in mm; None when the column is absent or at fault."""
        cell = self.cell(row, name)
        if cell is None:
            return None
        try:
            return read_stack(cell.text, self.columns[name].unit)
        except BadValueError as bad:
            place = cell.place(bad.offset, bad.width)
            self._faults.add(bad.code, self.source, place, bad.found, bad.remedy)
            return None


def read_sheet(
    source: Source, rules: Sequence[ColumnRule], units: UnitsStated, faults: Faults
) -> Sheet | None:
    """Read a table with a header; None and a fault where it has none."""
    separator = _separator_of(source)
    rows = list(CellReader(source, separator).rows())
    header = rows[0] if rows else None
    names = ",".join(rule.name for rule in rules if rule.needed)
    if header is None or header.open_quote is not None:
        faults.add(
            "L301",
            source,
            (header.open_quote if header else None) or Place(),
            "the header row cannot be read" if header else "the file is empty",
            f"write a header row first, such as `{names}`",
        )
        return None
    heading = _Heading(source, rules, units, faults)
    columns = heading.read(header)
    there = {*columns, *heading.doubled}
    missing = [r.name for r in rules if r.needed and r.name not in there]
    if missing:
        found = f"the header lacks {listing(missing, 'and')}"
        remedy = f"add the column; the header must hold at least `{names}`"
        if len(header.cells) == 1:
            remedy += ", with commas, semicolons or tabs between"
        faults.add("L303", source, Place(header.cells[0].line), found, remedy)
    return Sheet(source, separator, columns, header, rows[1:], faults)


def _separator_of(source: Source) -> str:
    """Tab, semicolon or comma: the first of these that the header line holds."""
    for line in source.lines:
        bare = line.strip(_INVISIBLE)
        if bare and not bare.startswith("#"):
            return next((mark for mark in _SEPARATORS if mark in line), ",")
    return ","


class _Heading:
    """Reads a header row: names, the units behind them, and names misspelt."""

    def __init__(
        self, source: Source, rules: Sequence[ColumnRule], units: UnitsStated, faults: Faults
    ) -> None:
        self._source = source
        self._rules = {rule.name: rule for rule in rules}
        self._units = units
        self._faults = faults
        self.doubled: set[str] = set()

    def read(self, header: Row) -> dict[str, Column]:
        """Return the columns by name, without those nobody asked for or that stand twice."""
        columns: dict[str, Column] = {}
        doubtful: list[tuple[int, Cell, str]] = []
        for index, cell in enumerate(header.cells):
            name, suffix = self._split(heading_key(cell.text))
            if name in columns:
                first = columns[name].cell.text
                found = f"{quoted(cell.text)} stands beside {quoted(first)}"
                self._fault("L302", cell, found, "keep one of the two columns")
                self.doubled.add(name)
            elif name in self._rules:
                columns[name] = Column(index=index, cell=cell, unit=self._unit(name, suffix, cell))
            else:
                doubtful.append((index, cell, name))
        for index, cell, name in doubtful:
            self._unknown(index, cell, name, columns)
        return {name: column for name, column in columns.items() if name not in self.doubled}

    def _split(self, key: str) -> tuple[str, str | None]:
        """Part a header's name from the unit behind it; only measures have units."""
        if key in self._rules:
            return key, None
        for name, rule in self._rules.items():
            if rule.measures and key.startswith(f"{name}_"):
                return name, key[len(name) + 1 :]
        return key, None

    def _fault(self, code: str, cell: Cell, found: str, remedy: str) -> None:
        self._faults.add(code, self._source, cell.place(), found, remedy)

    def _unit(self, name: str, suffix: str | None, cell: Cell) -> str | None:
        rule = self._rules[name]
        if rule.measures is None:
            return None
        if suffix is None:
            hint = f", or name the column `{name}_{rule.units[0]}`"
            return self._units.need(rule.measures, self._faults, self._source, cell.place(), hint)
        if suffix in rule.units:
            return suffix
        near = unit_meant(suffix)
        remedy = f"name it {listing(f'{name}_{unit}' for unit in rule.units)}"
        if near in rule.units:
            remedy = f"name it `{name}_{near}`"
        self._fault("L305", cell, f"{quoted(suffix)} is no unit of {quoted(name)}", remedy)
        return None

    def _unknown(self, index: int, cell: Cell, key: str, columns: dict[str, Column]) -> None:
        """Pass over a column nobody asked for, unless it looks like a known one misspelt."""
        stem, _, last = key.rpartition("_")
        if not stem or unit_meant(last) is None:
            stem, last = key, ""
        near = nearest(stem, [name for name in self._rules if name not in columns], 0.8)
        if near is None:
            return
        name = f"{near}_{last}" if last else near
        found = f"no column is called {quoted(cell.text)}"
        self._fault("L304", cell, found, f"write `{name}`; or use a name less like it")
        suffix = last if last and self._rules[near].measures else None
        columns[near] = Column(index=index, cell=cell, unit=self._unit(near, suffix, cell))


def heading_key(text: str) -> str:
    """Return a header cell in the form of a key: ``Travel (mm)`` is ``travel_mm``."""
    spaced = "".join(" " if c in "()[]/" or c.isspace() else c for c in text.casefold())
    return "_".join(spaced.replace("_", " ").split())


def same(a: float, b: float, give: float) -> bool:
    """Say whether two values agree within ``give``; a hair more for rounding."""
    return math.fabs(a - b) <= give + 1e-9
