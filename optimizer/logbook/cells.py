"""Text cut into rows of cells, each with the place where it stands."""

from __future__ import annotations

from collections.abc import Iterator

from optimizer.logbook.faults import Place, Source
from optimizer.record import record

INVISIBLE = " \t\u00a0\u2007\u2009\u200b\u202f\ufeff"


@record
class Cell:
    """One cell: its text without quotes and outer blanks, and where that text begins."""

    text: str
    line: int
    column: int
    quoted: bool = False

    def place(self, offset: int = 0, width: int = 0) -> Place:
        """Where the cell's text stands, or a stretch of it."""
        return Place(self.line, self.column + offset, width or max(1, len(self.text)))


@record
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
            bare = self._lines[self._line].strip(INVISIBLE)
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
        blanks = INVISIBLE.replace(self._separator, "")
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
        inner = text.lstrip(INVISIBLE + "\n")
        before = text[: len(text) - len(inner)] if inner else ""
        column = len(before) - before.rfind("\n") + (0 if "\n" in before else first_pos)
        return Cell(
            text=inner.rstrip(INVISIBLE + "\n"),
            line=first_line + 1 + before.count("\n"),
            column=column,
            quoted=True,
        )


def heading_key(text: str) -> str:
    """Return a header cell in the form of a key: ``Travel (mm)`` is ``travel_mm``."""
    spaced = "".join(" " if c in "()[]/" or c.isspace() else c for c in text.casefold())
    return "_".join(spaced.replace("_", " ").split())
