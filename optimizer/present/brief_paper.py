"""A brief on paper: one page a corner, in print what the HTML page says."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING

from optimizer.errors import CallError
from optimizer.present.brief import Brief, Section
from optimizer.present.brief_picture import legend, ticks, view_of
from optimizer.present.crew import Crew
from optimizer.present.leaf import PAPERS_MM, TICK_MM, Leaf, check_paper, line_mm, lines_of, text_mm
from optimizer.present.plot import DASHES, in_glyphs

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Picture

# letters of the page, the largest that fits
SIZES = (9.0, 8.5, 8.0, 7.5, 7.0)
LEFT_MM, GUTTER_MM, PICTURE_MM = 92.0, 6.0, 78.0
LEAST_SETTINGS, LEAST_RUNS = 3, 2
UNDER = ("lost", "wrong")  # below the picture
CELL_MM = 3.0  # between columns
COLOURS = {"before": "#717581", "measured": "#a96b59", "foretold": "#a96b59", "expected": "#3f90da"}
STROKES = {
    "before": DASHES[1],
    "measured": DASHES[0],
    "foretold": DASHES[3],
    "expected": DASHES[0],
}


def sheets(briefs: Sequence[Brief], crew: Crew, paper: str = "a4") -> bytes:
    """A PDF with a page for each brief; the same briefs always make the same bytes.

    Raises
    ------
    CallError
        If the paper is none, or a brief does not fit its page.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_pdf import PdfPages

    pages = [page_of(one, crew, paper) for one in briefs]
    drawn = io.BytesIO()
    told = {"CreationDate": None, "Title": "Brief"}
    with mpl.rc_context({"pdf.fonttype": 42}), PdfPages(drawn, metadata=told) as file:
        for page in pages:
            file.savefig(page)
    return drawn.getvalue()


def page_of(brief: Brief, crew: Crew, paper: str = "a4") -> Picture:
    """One page; what matters least gives way: settings, then early runs, then the letters' size.

    Raises
    ------
    CallError
        If the paper is none, or what must stand does not fit.
    """
    size = PAPERS_MM[check_paper(paper)]
    n_runs, n_settings = len(brief.runs) - 1, len(brief.settings) - 1
    for letters in SIZES:
        for runs in range(n_runs, min(LEAST_RUNS, n_runs) - 1, -1):
            for shown in range(n_settings, min(LEAST_SETTINGS, n_settings) - 1, -1):
                page = _Page(*size)
                if page.fill(brief, crew, letters, shown, runs) <= 0.0:
                    return page.picture
    raise CallError(
        f"{in_glyphs(brief.corner)}: what must be said does not fit one page",
        "shorten names and notes, or print the .html file",
    )


class _Page(Leaf):
    """A page of a brief."""

    def fill(self, brief: Brief, crew: Crew, size: float, n_setting: int, n_run: int) -> float:
        """Draw a brief; how many mm it reaches past the bottom, less than zero if none."""
        wide = self.right - self.left
        y = self.words(self.left, self.left, wide, brief.title, size + 2.0, bold=True)
        y = self.words(self.left, y + 0.5, wide, brief.sentence, size + 1.5, bold=True) + 1.0
        sections = list(brief.sections)
        for section in [s for s in sections if s.key in ("first", "doubt")]:
            sections.remove(section)
            words = f"{section.heading}: {' '.join(section.paragraphs)}"
            y = self.words(self.left, y, wide, words, size, bold=True) + 0.6
        y += 1.0
        aside = self.left + LEFT_MM + GUTTER_MM
        ends = {"left": self._curves(brief, crew, y, size) + 1.0, "right": y}
        for section in sections:
            where = "left" if section.key in UNDER else "right"
            x = self.left if where == "left" else aside
            room = LEFT_MM if where == "left" else self.right - aside
            ends[where] = self._section(section, x, ends[where], room, size) + 1.0
        lower = max(ends.values())
        rows = brief.settings[: n_setting + 1]
        lower = self.words(self.left, lower, wide, "Settings", size, bold=True)
        lower = self._table(self.left, lower, wide, rows, size - 1.0) + 1.5
        lower = self.words(self.left, lower, wide, _runs_words(brief, n_run), size, bold=True)
        shown = [brief.runs[0], *brief.runs[len(brief.runs) - n_run :]]
        lower = self._table(self.left, lower, wide, shown, size - 1.0) + 1.5
        lower = self._cautions(brief, lower, size - 1.0)
        stamp = " · ".join(brief.stamp)
        return self.words(self.left, lower + 1.0, wide, stamp, size - 1.0) - self.bottom

    def _section(self, section: Section, x: float, y: float, wide: float, size: float) -> float:
        y = self.words(x, y, wide, section.heading, size, bold=True)
        for words in section.paragraphs:
            self.put(x, y, "-", size)
            y = self.words(x + TICK_MM, y, wide - TICK_MM, words, size)
        return y

    def _curves(self, brief: Brief, crew: Crew, y: float, size: float) -> float:
        """The picture and its legend; where the next may start."""
        width, height = self.picture.get_size_inches() * 25.4
        inset = 12.0
        box = (
            (self.left + inset) / width,
            1.0 - (y + PICTURE_MM) / height,
            (LEFT_MM - inset - 2.0) / width,
            (PICTURE_MM - 9.0) / height,
        )
        axes = self.picture.add_axes((box[0], box[1] + 9.0 / height, box[2], box[3]))
        view = view_of(brief, crew)
        across, along = view.toe_factor * view.toe_sign, view.travel_factor * view.travel_sign
        toe, half = brief.explored.curve(brief.explored.start)
        z = brief.explored.travel_mm * along
        axes.fill_betweenx(z, (toe - half) * across, (toe + half) * across, color="#3f90da",
                           alpha=0.25, linewidth=0)  # fmt: skip
        for line in brief.lines:
            axes.plot(line.toe_deg * across, line.travel_mm * along, STROKES[line.kind],
                      color=COLOURS[line.kind], lw=1.2, marker="o" if line.points else None,
                      markersize=2.5)  # fmt: skip
        axes.plot(toe * across, z, color=COLOURS["expected"], lw=1.8)
        axes.set_xlim(view.low, view.high)
        axes.set_ylim(view.down, view.up)
        axes.set_xticks(ticks(view.low, view.high))
        axes.set_yticks(ticks(view.down, view.up))
        axes.grid(color="#dddddd", linewidth=0.4)
        axes.axvline(0.0, color="black", lw=0.6, zorder=1)
        axes.axhline(0.0, color="black", lw=0.6, zorder=1)
        axes.tick_params(labelsize=size - 1.5, length=2)
        inward, outward = ("toe-in", "toe-out") if crew.signs.toe > 0 else ("toe-out", "toe-in")
        axes.set_xlabel(f"{outward} - toe change, {crew.units.toe} - {inward}", fontsize=size - 1.0)
        up, down = ("bump", "droop") if crew.signs.travel > 0 else ("droop", "bump")
        axes.set_ylabel(f"{down} - travel, {crew.units.travel} - {up}", fontsize=size - 1.0)
        y += PICTURE_MM + 1.0
        for kind, words in legend(brief):
            self.axes.plot((self.left, self.left + 8.0), (y + line_mm(size) / 2.0,) * 2,
                           STROKES[kind], color=COLOURS[kind], lw=1.4)  # fmt: skip
            y = self.words(self.left + 10.0, y, LEFT_MM - 10.0, words, size - 1.0)
        return y

    def _table(
        self, x: float, y: float, wide: float, rows: Sequence[Sequence[str]], size: float
    ) -> float:
        """Columns as wide as their words ask for, each cell wrapped."""
        shares = _shares(rows, wide, size)
        for index, row in enumerate(rows):
            self.rule(x, y, wide)
            tall, at = 0.0, x
            for cell, share in zip(row, shares, strict=True):
                n = len(lines_of(cell, share - 1.5, size, bold=index == 0)) if cell else 0
                self.words(at, y, share - 1.5, cell, size, bold=index == 0)
                tall = max(tall, n * line_mm(size))
                at += share
            y += tall
        return y

    def _cautions(self, brief: Brief, y: float, size: float) -> float:
        """In two columns across the page."""
        y = self.words(self.left, y, self.right - self.left, "Careful", size + 1.0, bold=True)
        wide = (self.right - self.left - GUTTER_MM) / 2.0
        middle = (len(brief.cautions) + 1) // 2
        ends = []
        for column, items in enumerate((brief.cautions[:middle], brief.cautions[middle:])):
            at, x = y, self.left + column * (wide + GUTTER_MM)
            for words in items:
                self.put(x, at, "-", size)
                at = self.words(x + TICK_MM, at, wide - TICK_MM, words, size)
            ends.append(at)
        return max(ends)


def _runs_words(brief: Brief, n_run: int) -> str:
    left = brief.left_out_runs + len(brief.runs) - 1 - n_run
    return "Runs behind it" + (f" ({left} more are in runs.csv)" if left else "")


def _shares(rows: Sequence[Sequence[str]], wide: float, size: float) -> list[float]:
    """Widths of columns: what their words ask for, those that can be wrapped giving way."""
    columns = list(zip(*rows, strict=True))
    heads = [text_mm(column[0], size, "bold") for column in columns]
    whole = [
        max(head, *(text_mm(cell, size, "normal") for cell in column[1:])) + CELL_MM
        for head, column in zip(heads, columns, strict=True)
    ]
    words = [
        max(text_mm(word, size, "bold") for cell in column for word in (cell.split() or [""]))
        + CELL_MM
        for column in columns
    ]
    if sum(whole) <= wide:
        return [*whole[:-1], whole[-1] + wide - sum(whole)]
    room = wide - sum(words)
    if room <= 0.0:
        return [wide * w / sum(words) for w in words]
    give = [w - least for w, least in zip(whole, words, strict=True)]
    return [least + room * g / sum(give) for least, g in zip(words, give, strict=True)]
