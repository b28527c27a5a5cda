"""What the journal knows that the files alone do not tell: rows cut off, runs half entered."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from optimizer.errors import ShimoptError
from optimizer.logbook.journal import being_entered, read_journal, torn_row, whole_file


def entering_and_cut(
    folder: Path, data: Mapping[str, bytes]
) -> tuple[frozenset[str], dict[str, str]]:
    """Runs being entered, and the whole row of each file that breaks off inside one.

    A journal that cannot be read tells nothing: whoever wants to write will be told.
    """
    try:
        journal = read_journal(folder)
    except (ShimoptError, OSError):
        return frozenset(), {}
    cut: dict[str, str] = {}
    for name, held in data.items():
        whole = whole_file(journal, name, held)
        row = torn_row(whole, held) if whole is not None else None
        if row is not None:
            cut[name] = row.decode("utf-8", "replace")
    return being_entered(journal), cut
