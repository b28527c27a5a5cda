"""Plain-text layout: labelled paragraphs and small tables that fit a given width."""

from __future__ import annotations

import re
import shlex
import textwrap
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

LABEL_WIDTH = 11
NARROW = 60
GAP = 2
# a table's own words have twelve characters at most and are never cut in a block
NAME_ROOMS = (24, 20, 16, 12)
TIGHT_ROOMS = (16, 12, 8, 6)
FIGURES = re.compile(r"[-+./\d ]*")


def wrapped(text: str, width: int, indent: int = 0) -> list[str]:
    """A line of text in as many lines as it takes."""
    pad = " " * indent
    return textwrap.wrap(
        text, width, initial_indent=pad, subsequent_indent=pad, break_on_hyphens=False
    )


def typed_path(path: Path) -> str:
    """A path as it is typed in a shell, and never as an option."""
    said = str(path)
    return shlex.quote(f"./{said}" if said.startswith("-") else said)


def labelled(label: str, text: str, width: int, margin: int = LABEL_WIDTH) -> list[str]:
    """A paragraph with its label in the margin.

    The label stands on a line of its own above the text where the screen is narrow
    or the margin too small for it and two spaces; an empty one takes no line.
    """
    if width < NARROW:
        return [*wrapped(label, width), *wrapped(text, width, 2)]
    if len(label) > margin - GAP:
        return [*wrapped(label, width), *wrapped(text, width, margin)]
    lines = wrapped(text, width, margin)
    if not lines:
        return [label] if label else []
    return [label.ljust(margin) + lines[0][margin:], *lines[1:]]


def fitted(lines_at: Callable[[int], list[str]], most: int, width: int, height: int) -> list[str]:
    """The fullest screen that leaves a line of ``height`` free, else the briefest.

    ``lines_at`` gives the lines at a brevity from 0 to ``most``. A narrow screen is read by
    scrolling, so it gets all.
    """
    lines: list[str] = []
    for brevity in range(most + 1):
        lines = lines_at(brevity)
        if len(lines) < height or width < NARROW:
            break
    return lines


def heading_lines(heading: str, width: int, whole: str = "") -> list[str]:
    """The first line of an answer, and whether it is shortened for the screen.

    ``whole`` tells where the rest is, empty where nothing is left out; it stands behind
    ``shortened`` if the line has room for it, and that is ``short`` where it has little.
    """
    if not whole:
        return textwrap.wrap(heading, width)
    marks = (f"shortened; {whole}", "shortened", "short")
    return min((textwrap.wrap(f"{heading} ({mark})", width) for mark in marks), key=len)


def margin_for(labels: Iterable[str]) -> int:
    """A margin that most of these labels fit, from the usual one to a third of a screen."""
    return max(LABEL_WIDTH, min(26, max((len(label) for label in labels), default=0) + GAP))


def shortened(names: Iterable[str], room: int) -> dict[str, str]:
    """Each name in at most ``room`` characters, cut with "..", no two alike.

    The end is cut first; where that makes two names alike, the middle; where that
    does too, the name ends with its number in the list.
    """
    whole = list(dict.fromkeys(names))
    tail = (room - 2) // 2

    def in_the_middle(name: str) -> str:
        return f"{name[: room - 2 - tail]}..{name[len(name) - tail :]}"

    for cut in (lambda n: f"{n[: room - 2]}..", in_the_middle):
        short = {n: n if len(n) <= room else cut(n) for n in whole}
        if len(set(short.values())) == len(whole):
            return short
    numbered = {n: f"..{index}" for index, n in enumerate(whole, 1)}
    return {
        n: n if len(n) <= room else n[: max(0, room - len(end))] + end
        for n, end in numbered.items()
    }


def table(rows: Sequence[Sequence[str]], width: int, indent: int | None = None) -> list[str]:
    """Rows of cells, the first column to the left and the rest to the right.

    Where the table is wider than the screen it is turned on its side, then long names
    are cut, and at last its columns are split into blocks, one below the other, each
    with the first column.
    """
    room = (LABEL_WIDTH if width >= NARROW else 2) if indent is None else indent
    for name_room in (max(len(cell) for row in rows for cell in row), *NAME_ROOMS):
        cut = _cut(rows, name_room)
        for lines in (_columns(cut, room), _columns(_turned(cut), 2)):
            if max(map(len, lines)) <= width:
                return lines
    return _blocks(rows, width, room if width >= NARROW else min(room, 2))


def _blocks(rows: Sequence[Sequence[str]], width: int, indent: int) -> list[str]:
    """The first column with as many of the others as fit, again and again."""
    cut, widths = rows, [0]
    for name_room in TIGHT_ROOMS:
        cut = _cut(rows, name_room)
        widths = [max(map(len, column)) for column in _turned(cut)]
        if indent + widths[0] + GAP + max(widths[1:], default=0) <= width:
            break
    first, *others = _turned(cut)
    lines: list[str] = []
    while others:
        taken, used = 0, indent + widths[0]
        while taken < len(others) and (
            taken == 0 or used + GAP + max(map(len, others[taken])) <= width
        ):
            used += GAP + max(map(len, others[taken]))
            taken += 1
        block, others = others[:taken], others[taken:]
        lines += [*([""] if lines else []), *_columns(_turned([first, *block]), indent)]
    return lines


def counted(n: int, what: str) -> str:
    """A number of things, one of them without its s."""
    return f"{n} {what}{'' if n == 1 else 's'}"


def _turned(rows: Sequence[Sequence[str]]) -> list[list[str]]:
    return [list(column) for column in zip(*rows, strict=True)]


def _cut(rows: Sequence[Sequence[str]], room: int) -> list[list[str]]:
    """Rows with their names cut; figures are never cut."""
    names = [cell for row in rows for cell in row if not FIGURES.fullmatch(cell)]
    short = shortened(names, room)
    return [[short.get(cell, cell) for cell in row] for row in rows]


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
