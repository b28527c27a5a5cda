"""What the journal knows that the files alone do not tell: what was cut off, or half entered."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from pathlib import Path

from optimizer.errors import ShimoptError
from optimizer.logbook.journal import (
    being_entered,
    half_made,
    read_journal,
    torn_row,
    whole_file,
)
from optimizer.record import record


@record
class Known:
    """What the journal tells: runs being entered, the whole row of each file that breaks off
    inside one, and the files that a change cut off between two has and has not written."""

    entering: frozenset[str] = frozenset()
    cut: Mapping[str, str] = field(default_factory=dict)
    half: tuple[list[str], list[str]] | None = None
    half_new: bool = False  # whether that change was to make the logbook


def known_of(folder: Path, data: Mapping[str, bytes]) -> Known:
    """What the journal of a logbook tells of its files.

    A journal that cannot be read tells nothing: whoever wants to write will be told.
    """
    try:
        journal = read_journal(folder)
    except (ShimoptError, OSError):
        return Known()
    cut: dict[str, str] = {}
    for name, held in data.items():
        whole = whole_file(journal, name, held)
        row = torn_row(whole, held) if whole is not None else None
        if row is not None:
            cut[name] = row.decode("utf-8", "replace")
    half = half_made(journal, data)
    return Known(
        entering=being_entered(journal),
        cut=cut,
        half=half,
        half_new=half is not None and journal.in_force[-1].what == "new",
    )
