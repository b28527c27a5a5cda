"""travel.csv: wheel or damper travel as logged on the road, a million rows in a few seconds.

The optional fourth file of a logbook; nothing ever writes it. Rows are counted by their
text, so each different number is read once and only rows at fault are looked at closely.
"""

from __future__ import annotations

import csv
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping

from optimizer.logbook.car import CarFile
from optimizer.logbook.cells import INVISIBLE, Row
from optimizer.logbook.faults import BadValueError, Faults, Place, Source, meant, quoted
from optimizer.logbook.rows import ColumnRule, Sheet, read_sheet
from optimizer.logbook.table import MOST_TRAVEL_MM
from optimizer.logbook.values import read_number
from optimizer.records import TravelLog
from optimizer.units import MM_PER_UNIT

TRAVEL_FILE = "travel.csv"
BIN_MM = 0.1
MOST_BLAMED = 10  # rows at fault that are told one by one
MOST_SECONDS = 1e9

COLUMNS = (
    ColumnRule(name="travel", measures="travel"),
    ColumnRule(name="damper", measures="travel"),
    ColumnRule(name="corner"),
    ColumnRule(name="seconds"),
    ColumnRule(name="share"),
)


def read_travel_logs(source: Source | None, car: CarFile, faults: Faults) -> dict[str, TravelLog]:
    """Read travel.csv into a log for each corner; without a column `corner` it is every one's."""
    if source is None:
        return {}
    top = _header_line(source)
    head = Source(file=source.file, text=source.text, lines=source.lines[: top + 1])
    sheet = read_sheet(head, COLUMNS, car.units, faults)
    if sheet is None or not _columns_suit(sheet, car):
        return {}
    seen = _Seen(source, sheet, top, car)
    if seen.blame(faults):
        return {}
    return _logs_of(seen, sheet, car, faults)


def check_logged_weight(car: CarFile, logs: Mapping[str, TravelLog], faults: Faults) -> None:
    """A goal that weighs by logged travel needs a log of its corner."""
    for name, corner in car.corners.items():
        if corner.goal.weight == "logged" and name not in logs and car.doc is not None:
            faults.add(
                "L701",
                car.doc.source,
                car.doc.value_place((*car.tables[name].path, "goal", "weight")),
                f"{TRAVEL_FILE} holds no logged travel of {quoted(name)}",
                'write `"flat"` or `"ride-height"`; or put a travel.csv with a column `travel` '
                "(or `damper`) beside car.toml",
            )


def _header_line(source: Source) -> int:
    """Index of the first line that holds something and is no remark."""
    for index, line in enumerate(source.lines):
        bare = line.strip(INVISIBLE)
        if bare and not bare.startswith("#"):
            return index
    return max(len(source.lines) - 1, 0)


def _columns_suit(sheet: Sheet, car: CarFile) -> bool:
    """One column of travel, one of time at the most, and a unit."""
    there = [name for name in ("travel", "damper") if name in sheet.columns]
    if len(there) != 1:
        cell = sheet.columns["damper"].cell if there else sheet.header.cells[0]
        sheet.fault(
            "L702",
            cell,
            "both `travel` and `damper` are there" if there else "no column holds travel",
            "keep the column `travel` alone"
            if there
            else "name the column `travel` (of the wheel) or `damper`",
        )
        return False
    if "seconds" in sheet.columns and "share" in sheet.columns:
        found = "`seconds` and `share` both say how long"
        sheet.fault("L704", sheet.columns["share"].cell, found, "keep one of the two columns")
        return False
    return sheet.columns[there[0]].unit is not None


class _Seen:
    """How long each different (corner, travel) stood, as text; and lines that look wrong."""

    def __init__(self, source: Source, sheet: Sheet, top: int, car: CarFile) -> None:
        self._source = source
        self._sheet = sheet
        self._car = car
        self._top = top
        self.way = "damper" if "damper" in sheet.columns else "travel"
        self.time = next((n for n in ("seconds", "share") if n in sheet.columns), None)
        self.numbers: dict[str, float | None] = {}
        self._times: dict[str, float | None] = {}
        self._ragged: list[int] = []
        self.held = self._counted()

    def _rows(self) -> Iterator[tuple[int, list[str]]]:
        """Line numbers and cells of the rows that have a cell for each column."""
        mark, width = self._sheet.separator, self._sheet.width
        for number, line in enumerate(self._source.lines[self._top + 1 :], self._top + 2):
            if '"' in line:
                try:
                    cells = next(csv.reader([line], delimiter=mark, strict=True), [])
                except csv.Error:
                    self._ragged.append(number)
                    continue
            else:
                cells = line.split(mark)
            if len(cells) == width:
                yield number, cells
                continue
            bare = line.strip(INVISIBLE)
            if not bare or bare.startswith("#"):
                continue
            if len(cells) > width and not any(cell.strip(INVISIBLE) for cell in cells[width:]):
                yield number, cells
            else:
                self._ragged.append(number)

    def _counted(self) -> dict[tuple[str, str], float]:
        """Time of each (corner, travel), as typed; each row is one where no time is stated."""
        where = self._at("corner")
        at, over = self._at(self.way), self._at(self.time)
        rows = ((c[where] if where >= 0 else "", c[at], c) for _, c in self._rows())
        if over < 0:
            one = Counter((corner, travel) for corner, travel, _ in rows)
            return {key: float(n) for key, n in one.items() if not self._is_remark(key)}
        held: defaultdict[tuple[str, str], float] = defaultdict(float)
        times = self._times
        for corner, travel, cells in rows:
            said = cells[over]
            if said not in times:
                times[said] = self._number(said)
            held[corner, travel] += times[said] or 0.0
        return {key: n for key, n in held.items() if not self._is_remark(key)}

    def _is_remark(self, key: tuple[str, str]) -> bool:
        """A blank line, or a remark, of a table with a single column."""
        return self._sheet.width == 1 and (not key[1].strip(INVISIBLE) or key[1][:1] == "#")

    def _at(self, name: str | None) -> int:
        column = self._sheet.columns.get(name or "")
        return column.index if column is not None else -1

    def _number(self, text: str) -> float | None:
        """A cell's number, None where it is none; each text is read once."""
        if text not in self.numbers:
            bare = text.strip(INVISIBLE)
            try:
                value = read_number(bare, comma_separates=self._sheet.separator == ",")
            except BadValueError:  # told by the close look
                self.numbers[text] = None
            else:
                self.numbers[text] = value
        return self.numbers[text]

    def wheel(self, text: str) -> float | None:
        """A travel cell in mm, in the tool's sign; of the damper where that is logged."""
        value = self._number(text)
        unit = self._sheet.columns[self.way].unit
        if value is None or unit is None:
            return None
        return value * MM_PER_UNIT[unit] * self._car.signs.travel + 0.0

    def blame(self, faults: Faults) -> bool:
        """Look closely at what is wrong, once for each kind of text; say whether anything is."""
        wrong = {t for _, t in self.held if not self._sound_travel(t)}
        strange = {c for c, _ in self.held if not self._sound_corner(c)}
        times = {t for t in self._times if not self._sound_time(t)}
        lines = list(self._ragged)
        if wrong or strange or times:
            at, where, over = self._at(self.way), self._at("corner"), self._at(self.time)
            for number, cells in self._rows():
                bad = (at, wrong), (where, strange), (over, times)
                hit = [(i, names) for i, names in bad if i >= 0 and cells[i] in names]
                if hit and not self._is_remark(("", cells[at])):
                    lines.append(number)
                    for i, names in hit:
                        names.discard(cells[i])
                if not (wrong or strange or times):
                    break
        for number in sorted(set(lines))[:MOST_BLAMED]:
            self._look(number, faults)
        return bool(lines)

    def _sound_travel(self, text: str) -> bool:
        value = self.wheel(text)
        return value is not None and abs(value) <= MOST_TRAVEL_MM

    def _sound_corner(self, text: str) -> bool:
        known = self._car.corners
        return self._at("corner") < 0 or not known or text.strip(INVISIBLE) in known

    def _sound_time(self, text: str) -> bool:
        value = self._times[text]
        return value is not None and 0.0 <= value <= MOST_SECONDS

    def _look(self, number: int, faults: Faults) -> None:
        """Read one line as every table is read, and note each fault at its place."""
        lines = tuple(
            line if index in (self._top, number - 1) else ""
            for index, line in enumerate(self._source.lines[:number])
        )
        one = Source(file=self._source.file, text="", lines=lines)
        sheet = read_sheet(one, COLUMNS, self._car.units, faults)
        for row in sheet.rows if sheet is not None else ():
            if sheet is None or not sheet.is_whole(row):
                continue
            if sheet.needed(row, self.way, "-12.5") is not None:
                sheet.converted(row, self.way, most=MOST_TRAVEL_MM, what="a travel")
            self._look_at_corner(sheet, row)
            time = (
                self.time and sheet.needed(row, self.time, "0.01") and sheet.number(row, self.time)
            )
            cell = sheet.cell(row, self.time or "")
            if isinstance(time, float) and cell is not None and not 0.0 <= time <= MOST_SECONDS:
                found = f"a time of {quoted(cell.text)} is none"
                sheet.fault("L704", cell, found, "write how long it stood there, 0 or more")

    def _look_at_corner(self, sheet: Sheet, row: Row) -> None:
        if sheet.needed(row, "corner", "rear-left") is None:
            return
        cell = sheet.cell(row, "corner")
        if cell is not None and cell.text not in self._car.corners:
            found = f"car.toml has no corner {quoted(cell.text)}"
            sheet.fault("L705", cell, found, meant(cell.text, self._car.corners))


def _logs_of(seen: _Seen, sheet: Sheet, car: CarFile, faults: Faults) -> dict[str, TravelLog]:
    """A log for each corner that has one, binned, its shares summing to one."""
    out: dict[str, TravelLog] = {}
    split = "corner" in sheet.columns
    for name, corner in car.corners.items():
        per_mm = 1.0
        mine = [
            (t, n) for (c, t), n in seen.held.items() if not split or c.strip(INVISIBLE) == name
        ]
        if not mine and split:
            continue
        if seen.way == "damper":
            if corner.motion_ratio is None:
                _lacks_ratio(car, name)
                continue
            per_mm = 1.0 / corner.motion_ratio
        bins: defaultdict[int, float] = defaultdict(float)
        for text, time in mine:
            way = seen.wheel(text)
            if way is not None:
                bins[round(way * per_mm / BIN_MM)] += time
        total = sum(bins.values())
        if not total > 0.0:
            faults.add(
                "L706",
                sheet.source,
                Place(),
                f"{TRAVEL_FILE} holds no time" + (f" of {quoted(name)}" if split else ""),
                "log some laps, or take the file away",
            )
            return {}
        order = sorted(b for b, time in bins.items() if time > 0.0)
        out[name] = TravelLog(
            travel_mm=tuple(b * BIN_MM for b in order),
            share=tuple(bins[b] / total for b in order),
        )
    return out


def _lacks_ratio(car: CarFile, name: str) -> None:
    """A damper's travel is the wheel's only with a motion ratio."""
    table = car.tables[name]
    if not table.has("motion_ratio"):
        table.lacks(
            "L703",
            f"{TRAVEL_FILE} logs the damper, and {quoted(name)} has no motion ratio",
            "add `motion_ratio = `, damper travel for each unit of wheel travel; or log the "
            "wheel in a column `travel`",
        )
