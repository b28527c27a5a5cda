"""A page to draw on: paragraphs, rules and boxes in millimetres from its top left."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from optimizer.errors import CallError
from optimizer.present.plot import font_of, in_glyphs

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MARGIN_MM = 10.0
MM_PER_POINT = 25.4 / 72.0
LEAD = 1.22  # line to line, of the letters' size
TICK_MM = 3.0
INK = "black"


def check_paper(paper: str) -> str:
    """The paper's name as the tool writes it; CallError where there is no such paper."""
    name = paper.strip().lower()
    if name not in PAPERS_MM:
        raise CallError(f"there is no paper {paper!r} here", f"use one of {', '.join(PAPERS_MM)}")
    return name


class Leaf:
    """A page to draw on; y grows downwards."""

    def __init__(self, width_mm: float, height_mm: float, gap: float = 1.0) -> None:
        import matplotlib as mpl

        self.gap = gap  # millimetres between paragraphs

        mpl.use("Agg")
        from matplotlib.figure import Figure

        self.picture = Figure(figsize=(width_mm / 25.4, height_mm / 25.4), facecolor="white")
        self.axes: Axes = self.picture.add_axes((0.0, 0.0, 1.0, 1.0))
        self.axes.set(xlim=(0.0, width_mm), ylim=(height_mm, 0.0))
        self.axes.axis("off")
        self.left, self.right = MARGIN_MM, width_mm - MARGIN_MM
        self.bottom = height_mm - MARGIN_MM

    def words(
        self, x: float, y: float, wide: float, text: str, size: float, *, bold: bool = False
    ) -> float:
        """A paragraph from its top left; where the next one may start."""
        for line in lines_of(text, wide, size, bold=bold):
            self.put(x, y, line, size, bold=bold)
            y += line_mm(size)
        return y

    def put(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        bold: bool = False,
        across: str = "left",
    ) -> None:
        """One line of text, its line's top at y."""
        if not text:
            return
        self.axes.text(
            x,
            y + 0.95 * size * MM_PER_POINT,
            text,
            fontsize=size,
            fontweight="bold" if bold else "normal",
            color=INK,
            ha=across,
            va="baseline",
            parse_math=False,
        )

    def rule(self, x: float, y: float, wide: float) -> None:
        """A thin line across."""
        self.axes.plot((x, x + wide), (y, y), color=INK, linewidth=0.3)

    def box(self, x: float, y: float, wide: float, high: float, fill: str = "none") -> None:
        """An outlined box; a filled one has no outline."""
        from matplotlib.patches import Rectangle

        if not wide:
            return
        edge = INK if fill == "none" else "none"
        self.axes.add_patch(
            Rectangle((x, y), wide, high, facecolor=fill, edgecolor=edge, linewidth=0.8)
        )


def line_mm(size: float) -> float:
    """From line to line, mm."""
    return LEAD * size * MM_PER_POINT


def lines_of(text: str, wide_mm: float, size: float, *, bold: bool = False) -> list[str]:
    """Text in lines that fit a width, in the font's own letters; a longer word is cut."""
    weight = "bold" if bold else "normal"
    lines: list[str] = []
    for word in in_glyphs(" ".join(text.split()), weight).split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_mm(longer, size, weight) <= wide_mm:
            lines[-1] = longer
            continue
        lines.append("")
        for letter in word:
            if lines[-1] and text_mm(lines[-1] + letter, size, weight) > wide_mm:
                lines.append("")
            lines[-1] += letter
    return lines


def text_mm(text: str, size: float, weight: str) -> float:
    return sum(_em(letter, weight) for letter in in_glyphs(text, weight)) * size * MM_PER_POINT


@cache
def _em(letter: str, weight: str) -> float:
    """How wide a letter is set, as a part of the size."""
    font = font_of(weight)
    font.set_size(100.0, 72.0)
    return float(font.load_char(ord(letter)).linearHoriAdvance) / 65536.0 / 100.0
