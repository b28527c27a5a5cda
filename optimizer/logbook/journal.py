"""What the tool has written to a logbook, noted before each write so that it can be undone.

The dot-folder ``.shimopt`` in the logbook holds one file a change, a JSON line each for
its head, for the state of a file before its first write (``base``), for each write (where,
the bytes there before and after, the file's digest afterwards), for a note, and for its
end. Bytes stand as Latin-1 text, one letter a byte. The newline is the commit mark here
too. ``state.json`` says which changes are undone; none are where it is not there. Only
the last `KEPT` changes are kept; the folder may be deleted at any time, and then there is
nothing to undo.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from optimizer.errors import ShimoptError
from optimizer.logbook.disk import append_bytes, bytes_of, held_bytes, replace_bytes
from optimizer.logbook.faults import FILES
from optimizer.record import record

FOLDER = ".shimopt"
STATE = "state.json"
KEPT = 20
# what reading a line that something else wrote may raise
_NOT_OURS = (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError)


@record
class Write:
    """One write: ``old`` at byte ``at`` gave way to ``new``; ``digest`` is the whole file's."""

    file: str
    at: int
    old: bytes
    new: bytes
    digest: str


@dataclass(slots=True, kw_only=True)
class Change:
    """Everything one command wrote: from its first write to its last.

    ``bases`` holds the length and digest of each file before its first write, length -1
    where there was none. ``facts`` says what the command was about, ``notes`` what it
    wants to remember.
    """

    number: int
    what: str
    facts: Mapping[str, Any] = field(default_factory=dict)
    bases: dict[str, tuple[int, str]] = field(default_factory=dict)
    writes: list[Write] = field(default_factory=list)
    notes: dict[str, str] = field(default_factory=dict)
    done: bool = False

    @property
    def row_by_row(self) -> bool:
        """Whether each row counts once it is written; all else counts whole or not at all."""
        return self.what == "enter"

    def writes_of(self, file: str) -> list[Write]:
        """The writes to one file, in order."""
        return [w for w in self.writes if w.file == file]

    def after(self, file: str, before: bytes) -> bytes:
        """The file after all writes, from its bytes before the first."""
        data = before
        for w in self.writes_of(file):
            data = data[: w.at] + w.new + data[w.at + len(w.old) :]
        return data

    def before(self, file: str, data: bytes, n_write: int) -> bytes | None:
        """The file before the first write, from its bytes after ``n_write`` of them."""
        for w in reversed(self.writes_of(file)[:n_write]):
            data = data[: w.at] + w.old + data[w.at + len(w.new) :]
        return None if self.bases[file][0] < 0 else data

    def n_write_at(self, file: str, data: bytes | None) -> int | None:
        """How many of the file's writes these bytes hold; None when it is none of its states."""
        now = digest(data)
        states = [self.bases[file][1], *(w.digest for w in self.writes_of(file))]
        return next((n for n in range(len(states) - 1, -1, -1) if states[n] == now), None)


@dataclass(slots=True, kw_only=True)
class Journal:
    """All changes that are kept, by number; those above ``applied`` are undone."""

    folder: Path
    changes: list[Change] = field(default_factory=list)
    applied: int = 0
    marks: dict[str, int] = field(default_factory=dict)  # length of each of its files

    @property
    def in_force(self) -> list[Change]:
        """The changes that are not undone."""
        return [c for c in self.changes if c.number <= self.applied]

    def path_of(self, number: int) -> Path:
        """The file of a change."""
        return self.folder / FOLDER / f"{number:04d}.jsonl"

    @property
    def is_current(self) -> bool:
        """Whether nobody else has written to the history since this was read or written."""
        return self.marks == _marks(self.folder)

    def begin(
        self, what: str, facts: Mapping[str, Any], entries: Sequence[Mapping[str, Any]] = ()
    ) -> Change:
        """Start a change, with all its entries where they are known at once.

        What was undone can no longer be brought back.
        """
        for change in self.changes:
            if change.number > self.applied:
                self.path_of(change.number).unlink(missing_ok=True)
        kept = self.in_force
        for change in kept[: max(0, len(kept) + 1 - KEPT)]:
            self.path_of(change.number).unlink(missing_ok=True)
        change = Change(number=self.applied + 1, what=what, facts=facts)
        self.changes = [*kept[max(0, len(kept) + 1 - KEPT) :], change]
        (self.folder / FOLDER).mkdir(exist_ok=True)
        for entry in entries:
            _take(change, entry)
        lines = [_line(entry) for entry in ({"change": what, **facts}, *entries)]
        replace_bytes(self.path_of(change.number), b"".join(lines))
        if (self.folder / FOLDER / STATE).exists():  # without one the last change is in force
            self.set_state(change.number)
        self.applied = change.number
        self.marks = _marks(self.folder)
        return change

    def forget(self, change: Change) -> None:
        """Drop the last change, of which nothing is left in a file."""
        self.path_of(change.number).unlink(missing_ok=True)
        self.changes.remove(change)
        self.applied = min(self.applied, change.number - 1)
        self.marks = _marks(self.folder)

    def set_state(self, applied: int) -> None:
        """Say which changes are in force."""
        self.applied = applied
        replace_bytes(self.folder / FOLDER / STATE, _line({"applied": applied}))
        self.marks = _marks(self.folder)

    def add(self, change: Change, **entry: Any) -> None:
        """Write one line of a change, synced, and take it in."""
        path = self.path_of(change.number)
        held = held_bytes(path)
        if not held.endswith(b"\n"):
            replace_bytes(path, _committed(held))
        append_bytes(path, _line(entry))
        self.marks = _marks(self.folder)
        _take(change, entry)

    def drop_last_write(self, change: Change) -> None:
        """Take back the line of a write that was never made."""
        change.writes.pop()
        path = self.path_of(change.number)
        lines = held_bytes(path).splitlines(keepends=True)
        last = max(i for i, line in enumerate(lines) if b'"write"' in line)
        replace_bytes(path, b"".join(lines[:last] + lines[last + 1 :]))
        self.marks = _marks(self.folder)


def digest(data: bytes | None) -> str:
    """Digest of a file's bytes; empty where there is no file."""
    return "" if data is None else hashlib.sha256(data).hexdigest()


def as_text(data: bytes) -> str:
    """Bytes as the journal writes them."""
    return data.decode("latin-1")


def read_journal(folder: Path) -> Journal:
    """The journal of a logbook; an empty one where there is none.

    Raises
    ------
    ShimoptError : a line of it cannot be read
    """
    journal = Journal(folder=folder)
    home = folder / FOLDER
    if not home.is_dir():
        return journal
    journal.marks = _marks(folder)  # before it is read: what is written meanwhile shows
    for path in sorted(home.glob("[0-9]*.jsonl")):
        change = _read_change(path)
        if change is not None:
            journal.changes.append(change)
    journal.applied = journal.changes[-1].number if journal.changes else 0
    if (home / STATE).is_file():
        try:
            state = json.loads(held_bytes(home / STATE).decode("utf-8"))
            journal.applied = min(journal.applied, int(state["applied"]))
        except _NOT_OURS as error:
            raise _damaged(home / STATE, 1) from error
    return journal


def note_new(folder: Path, data: Mapping[str, bytes]) -> tuple[Journal, Change]:
    """Put files that are about to be made into the journal, so that they can be taken back.

    Until the change is said to be done, some of them without the others are half a logbook.
    """
    entries: list[Mapping[str, Any]] = []
    for name, held in data.items():
        entries.append({"base": name, "length": -1, "digest": digest(None)})
        write = {"write": name, "at": 0, "old": "", "new": as_text(held), "digest": digest(held)}
        entries.append(write)
    journal = read_journal(folder)
    return journal, journal.begin("new", {}, entries)


def begun_new(journal: Journal) -> Change | None:
    """The `new` that was cut off before all its files were there, and which nobody has touched.

    None where nothing was cut off, or where a file is not as it was left.
    """
    last = journal.in_force[-1:]
    if not last or last[0].done or last[0].what != "new":
        return None
    change = last[0]
    counts = [change.n_write_at(f, bytes_of(journal.folder / f)) for f in change.bases]
    return change if None not in counts and not all(counts) else None


def being_entered(journal: Journal) -> frozenset[str]:
    """Runs whose entry has begun and not reached its end."""
    open_ones: set[str] = set()
    for change in journal.in_force:
        if change.what == "enter":
            run = str(change.facts.get("run", ""))
            (open_ones.discard if change.done else open_ones.add)(run)
    return frozenset(open_ones)


def whole_file(journal: Journal, file: str, data: bytes) -> bytes | None:
    """What the file held once all writes were made, where ``data`` is only its beginning.

    None when the file is whole, or was changed by someone else in what is left of it.
    """
    counted = [c for c in journal.in_force if c.done or c.row_by_row]
    touching = [c for c in counted if c.writes_of(file)]
    for index in range(len(touching) - 1, -1, -1):
        length, was = touching[index].bases[file]
        start = data[: max(0, length)]
        if len(start) < length or (length >= 0 and digest(start) != was):
            continue
        whole = start
        for change in touching[index:]:
            whole = change.after(file, whole)
        cut = len(data) < len(whole) and whole.startswith(data)
        return whole if cut else None
    return None


def half_made(journal: Journal, data: Mapping[str, bytes]) -> tuple[list[str], list[str]] | None:
    """The files that a change cut off half way has written, and those it has not.

    None where the last change is whole, never reached a file, or someone else has changed
    its files since.
    """
    last = journal.in_force[-1:]
    if not last or last[0].done or last[0].row_by_row:
        return None
    change = last[0]
    counts = {file: change.n_write_at(file, data.get(file)) for file in change.bases}
    if None in counts.values():
        return None
    written = [file for file, n in counts.items() if n]
    lacking = [file for file, n in counts.items() if n == 0 and change.writes_of(file)]
    return (written, lacking) if written and lacking else None


def torn_row(whole: bytes, data: bytes) -> bytes | None:
    """The whole of the row that ``data`` breaks off in; None where it ends with a whole one."""
    rest = whole[len(data) :]
    if not data or data[-1:] in (b"\n", b"\r") or rest[:1] in (b"\n", b"\r"):
        return None
    start = max(data.rfind(b"\n"), data.rfind(b"\r")) + 1
    return whole[start:].splitlines()[0]


def _marks(folder: Path) -> dict[str, int]:
    """The length of each file of the history; the state by what it says."""
    home = folder / FOLDER
    marks = {path.name: path.stat().st_size for path in home.glob("[0-9]*.jsonl")}
    state = bytes_of(home / STATE)
    if state is not None:
        marks[STATE] = int.from_bytes(state, "big")
    return marks


def _line(entry: Mapping[str, Any]) -> bytes:
    return json.dumps(entry, ensure_ascii=True).encode() + b"\n"


def _committed(data: bytes) -> bytes:
    """The whole lines: one that was cut off was never acted on."""
    return data[: data.rfind(b"\n") + 1]


def _read_change(path: Path) -> Change | None:
    """One change; None where its very first line was never committed."""
    change: Change | None = None
    for number, line in enumerate(_committed(held_bytes(path)).splitlines(), 1):
        try:
            entry = json.loads(line)
            if change is None:
                what = str(entry.pop("change"))
                change = Change(number=int(path.stem), what=what, facts=entry)
            else:
                _take(change, entry)
        except _NOT_OURS as error:
            raise _damaged(path, number) from error
    return change


def _take(change: Change, entry: Mapping[str, Any]) -> None:
    name = entry.get("base", entry.get("write"))
    if name is not None and name not in FILES:  # a path would lead out of the logbook
        raise ValueError("no file of a logbook")
    if "base" in entry:
        change.bases[str(entry["base"])] = (int(entry["length"]), str(entry["digest"]))
    elif "write" in entry:
        change.writes.append(
            Write(
                file=str(entry["write"]),
                at=int(entry["at"]),
                old=str(entry["old"]).encode("latin-1"),
                new=str(entry["new"]).encode("latin-1"),
                digest=str(entry["digest"]),
            )
        )
    elif "note" in entry:
        change.notes[str(entry["note"])] = str(entry["said"])
    elif "done" in entry:
        change.done = True
    else:
        raise KeyError("no known line")


def _damaged(path: Path, line: int) -> ShimoptError:
    return ShimoptError(
        f"{FOLDER}/{path.name}:{line}: the undo history cannot be read",
        f"delete the folder {FOLDER} in the logbook: the logbook's own files need nothing of it",
    )


def rows_lost(whole: bytes, data: bytes) -> Sequence[bytes]:
    """The rows that ``data`` lacks, the one it breaks off in included."""
    start = len(data) if torn_row(whole, data) is None else max(0, data.rfind(b"\n") + 1)
    return [row for row in whole[start:].splitlines() if row]
