"""The refusal to write over what someone else has changed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from optimizer.errors import EXIT_COULD_NOT, LogbookError
from optimizer.logbook.faults import Faults, Place, Source, source_of


@dataclass(eq=False)
class EditedError(LogbookError):
    """A file was changed by someone else since the tool read or wrote it; it was left alone."""

    exit_code: ClassVar[int] = EXIT_COULD_NOT


def edited(file: str, was: bytes | None, now: bytes | None, remedy: str) -> EditedError:
    """The error for a file that is not as it was left, with the first line that differs."""
    faults = Faults()
    source = source_of(file, (now or b"").decode("utf-8", "replace"))
    old = source_of(file, (was or b"").decode("utf-8", "replace")).lines
    pairs = zip(source.lines, old, strict=False)
    first = next((i for i, (a, b) in enumerate(pairs) if a != b), min(len(source.lines), len(old)))
    found = f"{file} was changed since shimopt last read or wrote it"
    if now is None:
        found = f"{file} is gone since shimopt last read or wrote it"
    place = Place(min(first + 1, len(source.lines)) if now is not None else 0)
    faults.add("L106", source, place, found, remedy)
    return EditedError(
        found="nothing was overwritten", remedy=remedy, problems=list(faults.ordered())
    )


def overtaken(what: str, remedy: str) -> EditedError:
    """The error for a history that another command has written to; ``what`` it was."""
    faults = Faults()
    found = f"another shimopt has written to this logbook meanwhile ({what})"
    faults.add("L106", Source(file="readings.csv"), Place(), found, remedy)
    return EditedError(found="nothing was written", remedy=remedy, problems=list(faults.ordered()))
