"""Plain-text layout: labelled paragraphs and small tables that fit a given width."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

LABEL_WIDTH = 11
NARROW = 60


def labelled(label: str, text: str, width: int) -> list[str]:
    """A paragraph with its label in the margin, or above it on a narrow screen."""
    if width < NARROW:
        return [label, *textwrap.wrap(text, width, initial_indent="  ", subsequent_indent="  ")]
    return textwrap.wrap(
        text,
        width,
        initial_indent=f"{label:<{LABEL_WIDTH}}",
        subsequent_indent=" " * LABEL_WIDTH,
        break_long_words=False,
        break_on_hyphens=False,
    ) or [label]


def table(rows: Sequence[Sequence[str]], width: int, indent: int | None = None) -> list[str]:
    """Rows of cells, the first column to the left and the rest to the right.

    Where the table is wider than the screen it is turned on its side.
    """
    room = (LABEL_WIDTH if width >= NARROW else 2) if indent is None else indent
    lines = _columns(rows, room)
    if max(map(len, lines)) > width:
        turned = [list(column) for column in zip(*rows, strict=True)]
        lines = _columns(turned, 2)
        if max(map(len, lines)) > width:
            lines = [f"  {cell}" for row in turned for cell in row if cell]
    return lines


def _columns(rows: Sequence[Sequence[str]], indent: int) -> list[str]:
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    return [
        (
            " " * indent
            + row[0].ljust(widths[0])
            + "".join("  " + c.rjust(w) for c, w in zip(row[1:], widths[1:], strict=True))
        ).rstrip()
        for row in rows
    ]
