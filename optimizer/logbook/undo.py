"""Taking back what the tool wrote, and bringing it back again."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from optimizer.errors import ShimoptError
from optimizer.logbook.disk import ChangedMeanwhileError, bytes_of, replace_bytes
from optimizer.logbook.edited import overtaken
from optimizer.logbook.journal import (
    FOLDER,
    Change,
    Journal,
    digest,
    read_journal,
    torn_row,
    whole_file,
)
from optimizer.logbook.lock import writing
from optimizer.record import record

Way = Literal["last", "further"]


@record
class Undoing:
    """One step through the history: what it puts into each file (None: no file).

    ``back`` says whether a change is taken back, or one taken back before is made again.
    ``earlier`` is what could be taken back besides, ``later`` what could be brought back.
    """

    change: Change
    back: bool
    earlier: Change | None
    later: Change | None
    now: dict[str, bytes | None]
    then: dict[str, bytes | None]


def plan_undo(folder: Path, way: Way = "last") -> Undoing:
    """What `undo` would do: nothing is written.

    Parameters
    ----------
    folder : the logbook
    way : "last" takes back the last change, or brings back the one taken back last where
        there is one; "further" takes back one change more

    Raises
    ------
    EditedError : a file is not as the tool left it
    ShimoptError : there is nothing to take back
    """
    return _plan(read_journal(folder), way)


def undo(folder: Path, way: Way = "last") -> Undoing:
    """Take back the last change, or bring one back; see :func:`plan_undo`."""
    _plan(read_journal(folder), way)  # nothing to undo: nothing is made to find that out
    try:
        with writing(folder, "undo"):
            journal = read_journal(folder)
            plan = _plan(journal, way)
            for name, data in plan.then.items():
                if plan.now[name] != data:
                    replace_bytes(folder / name, data, plan.now[name])
            number = plan.change.number
            journal.set_state(number - 1 if plan.back else number)
    except ChangedMeanwhileError:
        raise overtaken("a file was another for a moment", "run `shimopt undo` again") from None
    except OSError as error:
        raise ShimoptError(
            f"{error.filename or folder} cannot be written: {error.strerror or error}",
            "see that you may write there, then try again: undo goes on where it stopped",
        ) from error
    return plan


def diff_lines(plan: Undoing) -> list[str]:
    """The step as a small difference of lines, a line or two of context around it."""
    import difflib  # only needed where a step is shown

    from optimizer.logbook.faults import showable

    out: list[str] = []
    for name, then in plan.then.items():
        now = plan.now[name]
        if now == then:
            continue
        old, new = (_lines(data) for data in (now, then))
        ends = [f"{name}{' (no file)' if data is None else ''}" for data in (now, then)]
        found = difflib.unified_diff(old, new, f"now   {ends[0]}", f"then  {ends[1]}", n=1)
        out += [line.rstrip("\r\n") for line in found]
    return [showable(line) for line in out]


def told(plan: Undoing, dry_run: bool, where: str = "") -> tuple[str, str]:
    """What was done, or would be, and the way on, empty where there is none."""
    what = _named(plan.change)
    verb = "taken back" if plan.back else "brought back"
    if dry_run:
        return f"{what} would be {verb}; nothing was changed", ""
    names = [name for name, data in plan.then.items() if plan.now[name] != data]
    done = f"{what} is {verb}: {', '.join(names) or 'no file differs'}"
    command = f"shimopt undo{where}"
    if not plan.back and plan.later is None:
        return done, f"{command} takes this back"
    if not plan.back and plan.later is not None:
        on = f"{command} brings back {_named(plan.later)} too"
        return done, f"{on}; {command} --further takes this back"
    on = f"{command} brings this back"
    if plan.earlier is not None:
        on += f"; {command} --further takes back {_named(plan.earlier)} too"
    return done, on


def _named(change: Change) -> str:
    about = change.facts.get("run") or change.facts.get("file")
    return f"`{change.what}`{f' of {about}' if about else ''}"


def _plan(journal: Journal, way: Way) -> Undoing:
    written = [c for c in journal.changes if c.writes]
    undone = [c for c in written if c.number > journal.applied]
    in_force = [c for c in written if c.number <= journal.applied and not _never_made(journal, c)]
    if way == "last" and undone:
        change, later = undone[0], undone[1:]
        return _step(journal, change, back=False, earlier=in_force, later=later)
    if not in_force:
        if undone:
            found, remedy = "nothing further back", "`shimopt undo` brings back what was undone"
            raise ShimoptError(f"there is nothing to undo: {found}", remedy)
        raise ShimoptError(
            "there is nothing to undo: the tool has written nothing here that it still knows of",
            f"the history is in the folder {FOLDER} of the logbook; name the right folder",
        )
    return _step(journal, in_force[-1], back=True, earlier=in_force[:-1], later=undone)


def _never_made(journal: Journal, change: Change) -> bool:
    """A change that was cut off after it was noted and before it touched a file."""
    if change.done or change.row_by_row:
        return False
    states = (change.n_write_at(f, bytes_of(journal.folder / f)) for f in change.bases)
    return all(n == 0 for n in states)


def _step(
    journal: Journal,
    change: Change,
    *,
    back: bool,
    earlier: Sequence[Change],
    later: Sequence[Change],
) -> Undoing:
    now: dict[str, bytes | None] = {}
    then: dict[str, bytes | None] = {}
    for name in change.bases:
        held = bytes_of(journal.folder / name)
        whole = _mended(journal, name, held)
        n_write = change.n_write_at(name, whole)
        if n_write is None:
            from optimizer.logbook.edited import edited

            remedy = "take your own edit back and undo again, or mend the file by hand"
            raise edited(name, _as_left(change, name, held), held, remedy)
        now[name] = held
        before = change.before(name, whole or b"", n_write)
        then[name] = before if back else change.after(name, before or b"")
    return Undoing(
        change=change,
        back=back,
        earlier=earlier[-1] if earlier else None,
        later=later[0] if later else None,
        now=now,
        then=then,
    )


def _mended(journal: Journal, name: str, held: bytes | None) -> bytes | None:
    """The file with the row that a crash cut off: such a row is no edit of anybody's."""
    whole = whole_file(journal, name, held) if held is not None else None
    return whole if whole is not None and torn_row(whole, held or b"") is not None else held


def _as_left(change: Change, name: str, held: bytes | None) -> bytes | None:
    """The file as the tool left it, where what stood before is still there to tell from."""
    length, was = change.bases[name]
    start = (held or b"")[: max(0, length)]
    known = length < 0 or digest(start) == was
    return change.after(name, start) if known else None


def _lines(data: bytes | None) -> list[str]:
    return (data or b"").decode("utf-8", "replace").splitlines(keepends=True)
