"""Sheets on paper: a page a corner, black on white, measured in millimetres from its top left.

No letter is under 9 point and no box to write in under 8 mm high. Where there is no room
for all, what matters least goes first; what must stand is then set smaller, and at last
the page is refused.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.errors import CallError
from optimizer.present.cautions import IN_FULL
from optimizer.present.leaf import (
    MARGIN_MM,
    PAPERS_MM,
    TICK_MM,
    Leaf,
    check_paper,
    line_mm,
    lines_of,
)
from optimizer.present.plot import in_glyphs, put
from optimizer.present.sheet import AT_EACH, Sheet

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Picture

SMALL, PLAIN, TITLE = 9.0, 10.0, 15.0
HAND_SIZES = (11.0, 10.0, 9.0)
# share of the usual gaps that a page has before it is refused
TIGHT = 0.4
BOX_MM, TALLEST_BOX_MM = 8.0, 10.5
TABLE_MM = 126.0
TRAVEL_MM, EXPECTED_MM, WITHIN_MM = 26.0, 17.0, 15.0
LEAST_NOTES_MM = 15.0
GUTTER_MM = 5.0
LABEL_MM = 17.0
FAINT = "#dddddd"


def check_ending(path: Path) -> None:
    """CallError unless the file can hold pages."""
    if path.suffix.lower() != ".pdf":
        raise CallError(f"{path.name} does not end in .pdf", "end it in .pdf: a sheet is pages")


def write_sheets(sheets: Sequence[Sheet], path: Path, paper: str = "a4") -> None:
    """Write a page a sheet into one PDF; the same sheets always make the same bytes.

    Raises
    ------
    CallError
        If the ending or the paper is none, or a sheet does not fit its page.
    ShimoptError
        If it cannot be written there.
    """
    check_ending(path)
    pages = [
        page_of(sheet, paper, f"page {i} of {len(sheets)}") for i, sheet in enumerate(sheets, 1)
    ]
    import matplotlib as mpl
    from matplotlib.backends.backend_pdf import PdfPages

    drawn = io.BytesIO()
    told = {"CreationDate": None, "Title": "Sheet for the next run"}
    with mpl.rc_context({"pdf.fonttype": 42}), PdfPages(drawn, metadata=told) as file:
        for page in pages:
            file.savefig(page)
    put(drawn.getvalue(), path)


def page_of(sheet: Sheet, paper: str = "a4", folio: str = "") -> Picture:
    """One page.

    Raises
    ------
    CallError
        If the paper is none, or what must stand does not fit.
    """
    size = PAPERS_MM[check_paper(paper)]
    over = 0.0
    # the last of what may go gives way to the whole order of work, but no more than that: the
    # lists beside it say it in short
    bare, most = replace(sheet, order=()), len(sheet.may)
    tries = [(sheet, HAND_SIZES[0], n) for n in (most, most - 1)] if sheet.order else []
    tries += [(bare, hands, n) for hands in HAND_SIZES for n in range(most, -1, -1)]
    each = [(*one, 1.0) for one in tries] + [(bare, HAND_SIZES[-1], 0, TIGHT)]
    for shown, hands, n_may, gap in each:
        page = _Page(*size, gap)
        over = page.fill(shown, folio, hands, n_may, BOX_MM)
        if over <= 0.0:
            box = min(TALLEST_BOX_MM, BOX_MM - over / (len(sheet.rows) + 2))
            page = _Page(*size, gap)
            page.fill(shown, folio, hands, n_may, box)
            return page.picture
    fewer = int(over / BOX_MM) + 1
    raise CallError(
        f"{in_glyphs(sheet.corner)}: {len(sheet.rows) + 1} travels and what must be said do not "
        "fit one page",
        f"ask for {fewer} fewer with --step or --travels",
    )


class _Page(Leaf):
    """A page of a sheet."""

    def fill(self, sheet: Sheet, folio: str, hands_size: float, n_may: int, box_mm: float) -> float:
        """Draw a sheet; how many mm it reaches past the bottom, less than zero if none."""
        top = self._head(sheet, folio)
        top = self._blanks(sheet, top)
        lower = self._work(sheet, top, hands_size, n_may, box_mm)
        aside = self._lists(sheet, top)
        if self.bottom - lower > LEAST_NOTES_MM:
            under = self.words(self.left, lower + 1.0, TABLE_MM, "notes", SMALL) + 0.5
            self.box(self.left, under, TABLE_MM, self.bottom - under)
        return (aside if aside > self.bottom else lower) - self.bottom

    def _head(self, sheet: Sheet, folio: str) -> float:
        aside = 60.0
        room = self.right - self.left - aside
        y = self.words(self.left, MARGIN_MM, room, sheet.corner, TITLE, bold=True)
        y = self.words(self.left, y, room, sheet.heading, 11.0, bold=True)
        x = self.right - aside + GUTTER_MM
        other = self.words(x, MARGIN_MM, aside - GUTTER_MM, sheet.car, SMALL)
        other = self.words(x, other, aside - GUTTER_MM, folio, SMALL) if folio else other
        return max(y, other) + 1.0

    def _blanks(self, sheet: Sheet, y: float) -> float:
        """A row of boxes across the page, each with its label above."""
        gap = 2.0
        unit = (self.right - self.left + gap) / sum(share for _, share in sheet.blanks)
        tall = max(len(lines_of(t, s * unit - gap, SMALL)) for t, s in sheet.blanks)
        under = y + tall * line_mm(SMALL) + 0.5
        x = self.left
        for text, share in sheet.blanks:
            self.words(x, y, share * unit - gap, text, SMALL)
            self.box(x, under, share * unit - gap, BOX_MM + 0.5)
            x += share * unit
        return under + BOX_MM + 0.5 + 3.0

    def _work(self, sheet: Sheet, y: float, size: float, n_may: int, box_mm: float) -> float:
        """The left side: what to do, the table, and what stands below it."""
        if sheet.first:
            y = self.labelled(y, "First", sheet.first, bold=True) + self.gap
        if sheet.doubt:
            y = self.labelled(y, "Doubt", sheet.doubt, bold=True) + self.gap
        y = self.words(self.left, y, TABLE_MM, sheet.label, size, bold=True)
        for text in sheet.order or sheet.hands:
            y = self.tick(self.left, y, TABLE_MM, text, size) + 0.6 * self.gap
        y = self._table(sheet, y + self.gap, box_mm) + self.gap
        y = self.words(self.left, y, TABLE_MM, sheet.how, SMALL) + self.gap
        for label, text in (*sheet.must, *sheet.may[:n_may]):
            if text:
                y = self.labelled(y, label, text, bold=label == "Wrong if") + 0.6 * self.gap
        return y

    def labelled(self, y: float, label: str, text: str, *, bold: bool = False) -> float:
        """A paragraph on the left side with its label in the margin."""
        self.words(self.left, y, LABEL_MM, label, SMALL, bold=True)
        return self.words(self.left + LABEL_MM, y, TABLE_MM - LABEL_MM, text, SMALL, bold=bold)

    def _table(self, sheet: Sheet, y: float, box_mm: float) -> float:
        """Travels down the page, a box for each pass, what to expect beside it."""
        told = EXPECTED_MM + WITHIN_MM if sheet.expects else 0.0
        one = (TABLE_MM - TRAVEL_MM - told) / len(sheet.passes)
        n_box = len(sheet.passes) * max(1, len(sheet.values))
        box = one * len(sheet.passes) / n_box
        boxes, end = self.left + TRAVEL_MM, self.left + TABLE_MM - told
        travel, reading = sheet.units
        heads = [(self.left, TRAVEL_MM, "travel", travel)]
        for i, name in enumerate(sheet.passes):
            x = boxes + i * one
            if not sheet.values:
                heads.append((x, one, name, reading))
                continue
            heads.append((x, one, f"{name}, {reading}", ""))
            heads += [(x + k * box, box, "", value) for k, value in enumerate(sheet.values)]
        if told:
            heads += [(end, EXPECTED_MM, "expect", reading)]
            heads += [(end + EXPECTED_MM, WITHIN_MM, "within", reading)]
        for x, wide, name, below in heads:
            self.put(x + wide / 2.0, y, name, SMALL, bold=True, across="center")
            self.put(x + wide / 2.0, y + line_mm(SMALL), below, SMALL, across="center")
        y += 2.0 * line_mm(SMALL) + 0.8
        zero = (sheet.zero, "") if told else ("", "")
        for name, expected, within, proves in (
            ("ride height", *zero, False),
            *((r.travel, r.expected, r.within, r.proves) for r in sheet.rows),
            ("back to zero", *zero, False),
        ):
            if proves:
                self.box(self.left, y, TRAVEL_MM, box_mm, FAINT)
                self.box(end, y, told, box_mm, FAINT)
            middle = y + (box_mm - line_mm(PLAIN)) / 2.0
            self.put(self.left + 1.0, middle, name, PLAIN, bold=proves)
            for i in range(n_box):
                self.box(boxes + i * box, y, box, box_mm)
            if told:
                x = end + EXPECTED_MM
                self.put(x - 1.5, middle, expected, PLAIN, bold=True, across="right")
                self.put(x + WITHIN_MM - 1.5, middle, within, PLAIN, across="right")
            self.rule(self.left, y, TABLE_MM)
            y += box_mm
        self.rule(self.left, y, TABLE_MM)
        return y

    def _lists(self, sheet: Sheet, y: float) -> float:
        """The right side: checks to tick and the cautions in full."""
        x = self.left + TABLE_MM + GUTTER_MM
        room = self.right - x
        for head, items in (
            ("Before", sheet.before),
            ("At every reading", AT_EACH),
            ("After", sheet.after),
        ):
            y = self.words(x, y, room, head, PLAIN, bold=True)
            for text in items:
                y = self.tick(x, y, room, text, SMALL)
            y += 1.2
        y = self.words(x, y, room, "Careful", PLAIN, bold=True)
        for text in IN_FULL:
            self.put(x + 0.5, y, "-", SMALL)
            y = self.words(x + TICK_MM, y, room - TICK_MM, text, SMALL)
        return y

    def tick(self, x: float, y: float, wide: float, text: str, size: float) -> float:
        """A small box to tick and a paragraph beside it."""
        self.box(x, y + (line_mm(size) - TICK_MM) / 2.0, TICK_MM, TICK_MM)
        return self.words(x + TICK_MM + 1.5, y, wide - TICK_MM - 1.5, text, size)
