"""What the Tab key offers: names of the logbook, and words an option takes.

Nothing is offered, and nothing said, where the logbook cannot be read: an error at a
half-typed line helps nobody.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from optimizer.errors import ShimoptError


def _beginning(names: Iterable[str], typed: str) -> list[str]:
    return [name for name in names if name.startswith(typed)]


def one_of(*words: str) -> Callable[[str], list[str]]:
    """Offers fixed words."""

    def offer(incomplete: str) -> list[str]:
        return _beginning(words, incomplete)

    return offer


def _book(ctx: Any) -> Any:
    """The logbook of a half-typed line, if it can be read.

    An option that has no value yet leaves the words before it unread, the folder among them.
    """
    from optimizer.logbook import read_logbook

    read = [ctx.params.get("folder"), *(ctx.params.get("folders") or ())]
    folders = [Path(word) for word in (*ctx.args, *read, ".") if word is not None]
    found = (folder for folder in folders if (folder / "car.toml").is_file())
    try:
        return read_logbook(next(found, Path()))
    except (ShimoptError, OSError):
        return None


def corner_names(ctx: Any, incomplete: str) -> list[str]:
    """Offers the corners of the logbook."""
    book = _book(ctx)
    return _beginning(book.corners, incomplete) if book else []


def run_names(ctx: Any, incomplete: str) -> list[str]:
    """Offers the runs of the logbook that have readings."""
    book = _book(ctx)
    named = [r.name for r in book.runs if book.readings_of(r.name)] if book else []
    return _beginning(named, incomplete)


def axle_names(ctx: Any, incomplete: str) -> list[str]:
    """Offers the axles of the logbook."""
    book = _book(ctx)
    if book is None:
        return []
    from optimizer.advise.axle import axle_named

    try:
        return _beginning([axle.name for axle in axle_named(book, None)], incomplete)
    except ShimoptError:
        return []
