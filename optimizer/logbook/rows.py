"""Tables with a header: columns with their units, and values that note their faults."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from optimizer.logbook.cells import INVISIBLE, Cell, CellReader, Row, heading_key
from optimizer.logbook.faults import BadValueError, Faults, Place, Source, listing, nearest, quoted
from optimizer.logbook.table import UnitsStated
from optimizer.logbook.values import Numbers, read_stack, unit_meant
from optimizer.record import record
from optimizer.units import DEG_PER_UNIT, MM_PER_UNIT

_SEPARATORS = ("\t", ";", ",")
_SPOKEN = {"\t": "tab", ";": "semicolon", ",": "comma", " ": "space"}


@record
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


@record
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
        self.numbers = Numbers(source.text, separator)
        self._separator = separator
        self._width = len(header.cells)
        self._faults = faults

    @property
    def separator(self) -> str:
        """What parts the cells."""
        return self._separator

    @property
    def width(self) -> int:
        """Cells in the header."""
        return self._width

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
            return self.numbers.read(cell.text)
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
    separator = _separator_of(source, rules)
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


def _separator_of(source: Source, rules: Sequence[ColumnRule]) -> str:
    """Tab, semicolon or comma: the one that parts the header line into the most known names."""

    def known(mark: str) -> int:
        keys = [heading_key(cell) for cell in header.split(mark)]
        names = [key.removesuffix(f"_{unit_meant(key.split('_')[-1])}") for key in keys]
        return sum(rule.name in names for rule in rules)

    bare = (line.strip(INVISIBLE) for line in source.lines)
    header = next((line for line in bare if line and not line.startswith("#")), "")
    here = [mark for mark in _SEPARATORS if mark in header]
    return max(here, key=known, default=",")


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
