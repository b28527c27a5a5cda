"""The one way rows get into a crew's files: noted, checked, appended, synced.

Every addition is read back before it is written, so that what the tool adds reads
clean; a file that someone else changed since it was read is left alone; every foreign
byte stays. A correction touches only a row that the same change has added.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from optimizer.errors import LogbookError, ShimoptError
from optimizer.logbook.car import read_car
from optimizer.logbook.disk import ChangedMeanwhileError, append_bytes, bytes_of, replace_bytes
from optimizer.logbook.edited import edited, overtaken
from optimizer.logbook.faults import FILES, Faults, decode, listing
from optimizer.logbook.journal import (
    Change,
    as_text,
    being_entered,
    digest,
    read_journal,
    rows_lost,
    torn_row,
    whole_file,
)
from optimizer.logbook.lock import writing
from optimizer.logbook.read import read_bytes, read_logbook
from optimizer.logbook.readings import reading_columns
from optimizer.logbook.rows import Column, Sheet, read_sheet
from optimizer.logbook.runs import RUN_COLUMNS
from optimizer.record import record
from optimizer.records import Logbook

_AGAIN = "run the same command again: it goes on from the file as it is now"
_LOOK = (
    "look whether the last row stands in the file, then run the same command again: it goes on "
    "from the file as it is now"
)
_RULES = {"runs.csv": RUN_COLUMNS, "readings.csv": reading_columns(None)}


@record
class Added:
    """A row that this change has added: which bytes of which file it is."""

    file: str
    at: int
    data: bytes


@record
class Lost:
    """A file that ends before what the tool wrote does; ``torn`` inside a row."""

    file: str
    rows: tuple[str, ...]
    torn: bool
    whole: bytes


def lost_rows(folder: Path) -> tuple[Lost, ...]:
    """The files whose last rows, once written by the tool, are no longer there."""
    journal = read_journal(folder)
    out: list[Lost] = []
    for name in FILES:
        held = bytes_of(folder / name)
        whole = whole_file(journal, name, held) if held is not None else None
        if held is None or whole is None:
            continue
        rows = tuple(r.decode("utf-8", "replace") for r in rows_lost(whole, held))
        torn = torn_row(whole, held) is not None
        out.append(Lost(file=name, rows=rows, torn=torn, whole=whole))
    return tuple(out)


def put_back(folder: Path, lost: Lost) -> None:
    """Write the rows that were lost; what stands in the file stays as it is."""
    held = bytes_of(folder / lost.file)
    if held is None or not lost.whole.startswith(held):
        raise edited(lost.file, lost.whole, held, "look at the file, then try again")
    with _alone(folder, "enter", lost.file, lost.whole):
        append_bytes(folder / lost.file, lost.whole[len(held) :], held)


class Appender:
    """A logbook that one change adds rows to.

    Parameters
    ----------
    folder : the logbook
    what, facts : the change, for the journal; an `enter` of the same run that is the last
        one and not finished is gone on with, and runs may lack travels
    known : what files must still hold

    Raises
    ------
    EditedError : a file of ``known`` holds something else
    LogbookError : the logbook has faults already
    """

    def __init__(
        self,
        folder: Path,
        what: str,
        facts: Mapping[str, Any],
        known: Mapping[str, bytes | None] | None = None,
    ) -> None:
        self.folder = folder
        self._known = {name: bytes_of(folder / name) for name in FILES}
        for name, was in (known or {}).items():
            if self._known[name] != was:
                raise edited(name, was, self._known[name], _AGAIN)
        self.book = read_logbook(folder, short=what == "enter")
        self._what, self._facts = what, facts
        self._sheets: dict[str, Sheet] = {}
        self._journal = read_journal(folder)
        self._change = self._unfinished(what, facts)

    @property
    def notes(self) -> Mapping[str, str]:
        """What was noted in this change."""
        return self._change.notes if self._change else {}

    @property
    def added(self) -> list[Added]:
        """The rows this change has added, as they stand now."""
        rows: list[Added] = []
        for w in self._change.writes if self._change else ():
            at = w.at + (len(w.new) - len(w.new.lstrip(b"\r\n")) if not w.old else 0)
            row = Added(file=w.file, at=at, data=w.new.lstrip(b"\r\n"))
            if not w.old:
                rows.append(row)
                continue
            grown = len(w.new) - len(w.old)
            for i, other in enumerate(rows):
                if (other.file, other.at) == (row.file, row.at):
                    rows[i] = row
                elif other.file == row.file and other.at > row.at:
                    rows[i] = replace(other, at=other.at + grown)
        return rows

    def add(self, file: str, cells: Mapping[str, str]) -> Logbook:
        """Append one row and sync it; the logbook as it then reads.

        Raises
        ------
        LogbookError : the row would be a fault; nothing was written
        EditedError : the file was changed meanwhile; nothing was written
        """
        return self.add_all({file: [cells]})

    def add_all(self, rows: Mapping[str, Sequence[Mapping[str, str]]]) -> Logbook:
        """Append rows to several files: all of them read clean together, or none is written."""
        new = self._laid_out(rows)
        book = self._read_with(new)
        if sum(map(len, rows.values())) == 1:
            for file, data in new.items():
                self._write(file, len(self._known[file] or b""), b"", data)
        else:
            self._write_together(new)
        self.book = book
        return book

    def try_all(self, rows: Mapping[str, Sequence[Mapping[str, str]]]) -> Logbook:
        """The logbook as :meth:`add_all` would leave it, with its errors; writes nothing."""
        return self._read_with(self._laid_out(rows))

    def _laid_out(self, rows: Mapping[str, Sequence[Mapping[str, str]]]) -> dict[str, bytes]:
        """The bytes that each file gets behind its own."""
        new: dict[str, bytes] = {}
        for file, cells in rows.items():
            held = self._known[file] or b""
            sheet, eol = self._sheet(file), _line_end(held)
            lead = "" if held[-1:] in (b"\n", b"\r", b"") else eol
            text = lead + "".join(_row_text(sheet, row, eol) for row in cells)
            new[file] = text.encode("utf-8")
        return new

    def _read_with(self, new: Mapping[str, bytes]) -> Logbook:
        grown = {file: (self._known[file] or b"") + data for file, data in new.items()}
        return self._read({**self._known, **grown})

    def amend(self, row: Added, cells: Mapping[str, str]) -> Logbook:
        """Put another row in the place of one that this change has added."""
        held = self._known[row.file] or b""
        sheet = self._sheet(row.file)
        data = _row_text(sheet, cells, _line_end(held)).encode("utf-8")
        if data == row.data:
            return self.book
        trial = held[: row.at] + data + held[row.at + len(row.data) :]
        book = self._read({**self._known, row.file: trial})
        self._write(row.file, row.at, row.data, data)
        self.book = book
        return book

    def unit_of(self, file: str, column: str) -> str | None:
        """The unit of a column; None where the file has no such column, or it has no unit."""
        found = self.columns(file).get(column)
        return found.unit if found else None

    def columns(self, file: str) -> Mapping[str, Column]:
        """The columns of a file."""
        return self._sheet(file).columns

    def separator(self, file: str) -> str:
        """What parts the cells of a file."""
        return self._sheet(file).separator

    def decimal_comma(self, file: str) -> bool:
        """Whether a file writes its numbers with a comma: some have one and none a point."""
        sheet = self._sheet(file)
        text = sheet.source.text
        return sheet.separator != "," and bool(
            re.search(r"\d,\d", text) and not re.search(r"\d\.\d", text)
        )

    @property
    def known(self) -> Mapping[str, bytes | None]:
        """The files' bytes as they were last read or written."""
        return dict(self._known)

    def note(self, name: str, said: str) -> None:
        """Remember something that is not in a file yet."""
        with self._writing("the undo history"):
            self._journal.add(self._begun(), note=name, said=said)

    def finish(self) -> None:
        """Say that nothing more is to come."""
        if self._change is not None and not self._change.done:
            with self._writing("the undo history"):
                self._journal.add(self._begun(), done=True)

    def _begun(self) -> Change:
        if self._change is None:
            self._change = self._journal.begin(self._what, self._facts)
        return self._change

    def _unfinished(self, what: str, facts: Mapping[str, Any]) -> Change | None:
        """The last change, if it is this entry, unfinished, and its files are as it left them."""
        last = self._journal.in_force[-1:]
        if not last or last[0].number != self._journal.changes[-1].number:
            return None
        change = last[0]
        if change.done or not change.row_by_row or change.what != what:
            return None
        if dict(change.facts) != dict(facts):
            return None
        while change.writes:
            file = change.writes[-1].file
            n_write = change.n_write_at(file, self._known[file])
            if n_write == len(change.writes_of(file)):
                break
            if n_write != len(change.writes_of(file)) - 1:
                return None
            with self._writing("the undo history"):
                self._journal.drop_last_write(change)
        same = all(
            change.n_write_at(f, self._known[f]) == len(change.writes_of(f)) for f in change.bases
        )
        return change if same else None

    def _sheet(self, file: str) -> Sheet:
        """The table as it was at first: its header is not changed here."""
        if file not in self._sheets:
            self._sheets[file] = self._read_sheet(file, self._known[file] or b"")
        return self._sheets[file]

    def _read_sheet(self, file: str, data: bytes) -> Sheet:
        faults = Faults()
        source = decode(file, data, faults)
        car_source = decode("car.toml", self._known["car.toml"] or b"", faults)
        car = read_car(car_source, faults, self.folder.absolute().name)
        sheet = read_sheet(source, _RULES[file], car.units, faults) if source else None
        if sheet is None or data[:2] in (b"\xff\xfe", b"\xfe\xff"):
            raise ShimoptError(
                f"{file} is not in UTF-8, so no row can be added to it", "save it as UTF-8 text"
            )
        return sheet

    def _read(self, data: Mapping[str, bytes | None]) -> Logbook:
        faults = Faults()
        there = {name: held for name, held in data.items() if held is not None}
        entering = None if self._what == "enter" else being_entered(self._journal)
        book = read_bytes(self.folder, there, faults, entering=entering)
        if book is None:
            raise LogbookError(
                found="nothing was written",
                remedy="mend what is said and try again",
                problems=[replace(p, file=f"{p.file} (not written)") for p in faults.ordered()],
            )
        return book

    def _write(self, file: str, at: int, old: bytes, new: bytes) -> None:
        before = self._known[file] or b""
        after = before[:at] + new + before[at + len(old) :]
        with self._writing(file, after):
            self._check_unchanged([file])
            self._noted_write(file, at, old, new, after)
        self._known[file] = after

    @contextlib.contextmanager
    def _writing(self, file: str, after: bytes | None = None) -> Iterator[None]:
        """Nobody else writes, nor has written to the history since it was read."""
        with _alone(self.folder, self._what, file, after):
            if not self._journal.is_current:
                raise overtaken(_last_said(self.folder), _AGAIN)
            yield

    def _check_unchanged(self, files: Iterable[str]) -> None:
        for file in files:
            held, now = self._known[file], bytes_of(self.folder / file)
            if now != held:
                raise edited(file, held, now, _AGAIN)

    def _write_together(self, new: Mapping[str, bytes]) -> None:
        """Put rows into several files so that a cut leaves none of them, or a change to undo.

        All is noted before the first file is touched, and each file is replaced whole: what
        a crash leaves between two files is told by the journal (L507), never read.
        """
        after = {file: (self._known[file] or b"") + data for file, data in new.items()}
        with self._writing(listing(new, "and")):
            self._check_unchanged(FILES)
            try:
                self._noted_together(new, after)
            except ChangedMeanwhileError:
                self._check_unchanged(FILES)
                raise overtaken("a file was another for a moment", _AGAIN) from None
        self._known.update(after)

    def _noted_together(self, new: Mapping[str, bytes], after: Mapping[str, bytes]) -> None:
        change = self._begun()
        noted: list[str] = []
        touched: list[str] = []
        try:
            for file, data in new.items():
                self._note_write(file, len(self._known[file] or b""), b"", data, after[file])
                noted.append(file)
            for file, data in after.items():
                touched.append(file)
                replace_bytes(self.folder / file, data, self._known[file])
        except BaseException:
            for file in touched:
                if bytes_of(self.folder / file) == after[file] != self._known[file]:
                    replace_bytes(self.folder / file, self._known[file], after[file])
            for _ in noted:
                self._journal.drop_last_write(change)
            raise

    def _note_write(self, file: str, at: int, old: bytes, new: bytes, after: bytes) -> None:
        change = self._begun()
        if file not in change.bases:
            held = self._known[file]
            length = -1 if held is None else len(held)
            self._journal.add(change, base=file, length=length, digest=digest(held))
        self._journal.add(
            change,
            write=file,
            at=at,
            old=as_text(old),
            new=as_text(new),
            digest=digest(after),
        )

    def _noted_write(self, file: str, at: int, old: bytes, new: bytes, after: bytes) -> None:
        change, path = self._begun(), self.folder / file
        self._note_write(file, at, old, new, after)
        try:
            if old:
                replace_bytes(path, after, self._known[file])
            else:
                append_bytes(path, new, self._known[file])
        except OSError:
            self._journal.drop_last_write(change)
            raise
        except ChangedMeanwhileError:
            if bytes_of(path) == self._known[file]:
                self._journal.drop_last_write(change)
            raise


def append_rows(
    folder: Path,
    what: str,
    rows: Mapping[str, Sequence[Mapping[str, str]]],
    facts: Mapping[str, Any] | None = None,
    known: Mapping[str, bytes | None] | None = None,
) -> Logbook:
    """Append rows to the tables of a logbook as one change that `undo` can take back.

    All rows are written or none; where a crash comes between two files, the next command
    says so and `undo` brings back the bytes before (L507).

    Parameters
    ----------
    folder : the logbook
    what : the command, for the undo history
    rows : for each file the rows, each with the text of its columns by their plain names
    facts : what the history is to remember of the change
    known : the bytes of files that the rows were made for; files that are as they are now
        if it is left out

    Returns
    -------
    The logbook with the rows in it.

    Raises
    ------
    LogbookError : the logbook has faults, or would have with these rows
    EditedError : a file is no longer what the rows were made for
    ShimoptError : the disk would not take them
    """
    appender = Appender(folder, what, facts or {}, known)
    with _alone(folder, what, "the undo history"):
        book = appender.add_all(rows)
        with contextlib.suppress(ShimoptError):  # the rows are there, and can be undone
            appender.finish()
    return book


@contextlib.contextmanager
def _alone(folder: Path, what: str, file: str, after: bytes | None = None) -> Iterator[None]:
    """One writer at a time, whose troubles with ``file`` are told; ``after`` is as it would be."""
    try:
        with writing(folder, what):
            yield
    except ChangedMeanwhileError:
        raise edited(file, after, bytes_of(folder / file), _LOOK) from None
    except OSError as error:
        raise ShimoptError(
            f"{file} cannot be written: {error.strerror or error}",
            "see that the disk has room and that you may write to the logbook's folder",
        ) from error


def _last_said(folder: Path) -> str:
    """What the last change of the history is, as it now is."""
    journal = read_journal(folder)
    if not journal.changes:
        return "its undo history is gone"
    last = journal.changes[-1]
    about = last.facts.get("run") or last.facts.get("file")
    undone = "`undo` of " if last.number > journal.applied else ""
    return f"{undone}`{last.what}`{f' of {about}' if about else ''}"


def _line_end(data: bytes) -> str:
    """The line end that the file uses."""
    for mark in ("\r\n", "\n", "\r"):
        if mark.encode() in data:
            return mark
    return "\n"


def _row_text(sheet: Sheet, cells: Mapping[str, str], eol: str) -> str:
    """A row in the order of the header; a value that the header has no column for is refused."""
    texts = [""] * sheet.width
    missing = [name for name, text in cells.items() if text and name not in sheet.columns]
    if missing:
        raise ShimoptError(
            f"{sheet.source.file} has no column {listing(missing)}",
            "add the column to its header (and its separator to each row), then try again",
        )
    for name, text in cells.items():
        if name in sheet.columns:
            texts[sheet.columns[name].index] = _cell_text(text, sheet.separator)
    return sheet.separator.join(texts) + eol


def _cell_text(text: str, separator: str) -> str:
    awkward = any(mark in text for mark in (separator, '"', "\n", "\r")) or text.startswith("#")
    return '"' + text.replace('"', '""') + '"' if awkward else text
