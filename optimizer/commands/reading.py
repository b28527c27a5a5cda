"""The logbook that a command asks for, narrowed to what it asks of it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.errors import CallError
from optimizer.present.layout import typed_path
from optimizer.terminal import say

if TYPE_CHECKING:
    from optimizer.records import Goal, Logbook


def folder_words(folder: Path) -> str:
    """What the next command needs to find the same logbook."""
    return "" if folder == Path() else f" {typed_path(folder)}"


def read(folder: Path, until: str | None = None, leave_out: Sequence[str] | None = None) -> Logbook:
    from optimizer.logbook import read_logbook

    return narrowed(read_logbook(folder), until, leave_out)


def narrowed(book: Logbook, until: str | None, leave_out: Sequence[str] | None) -> Logbook:
    book = book if until is None else book.as_of(until)
    return book.without(leave_out) if leave_out else book


def corners_of(book: Logbook, corner: str | None) -> list[str]:
    """The corner asked for, or every corner that has readings."""
    if corner is not None:
        if corner not in book.corners:
            raise CallError(
                f"the logbook has no corner {corner!r}", f"use one of {', '.join(book.corners)}"
            )
        return [corner]
    measured = {r.corner for r in book.runs if book.readings_of(r.name)}
    for name in book.corners:
        if name not in measured and measured:
            say(f"{name} has no readings yet: left out")
    return [name for name in book.corners if name in measured] or list(book.corners)


def goals_of(book: Logbook, names: Iterable[str], typed: str | None) -> dict[str, Goal | None]:
    """The goal typed, as each corner reads it; None where the corner's own holds."""
    if typed is None:
        return dict.fromkeys(names)
    from optimizer.logbook import parse_goal

    return {name: parse_goal(typed, book, name) for name in names}


def picture_path(out: Path, corner: str, n_corner: int) -> Path:
    from optimizer.present.plot import check_suffix, corner_path

    check_suffix(out)
    return corner_path(out, corner, n_corner)
