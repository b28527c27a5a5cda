"""Power cuts: files cut at every byte, and the process ended at every write it makes."""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any, NoReturn

import pytest

from optimizer.demo_files import FILES as DEMO
from optimizer.demo_files import copy_demo, demo_folder
from optimizer.errors import CallError, LogbookError, ShimoptError
from optimizer.logbook import NewAnswers, read_logbook, start_logbook
from optimizer.logbook.append import Appender, append_rows, lost_rows, put_back
from optimizer.logbook.journal import FOLDER
from optimizer.logbook.undo import undo

FACTS = {"run": "run4", "corner": "rear-left", "passes": ["up1"], "travels": ["-50", "0", "50"]}
RUN = {"run": "run4", "corner": "rear-left", "shims_above": "2", "shims_below": "3+1"}
TYPED = [("0", "0"), ("-50", "-12.5"), ("50", "10.25"), ("25", "6.75")]
ROWS = [{"run": "run4", "pass": "up1", "travel": t, "reading": v} for t, v in TYPED]
FILES = ("car.toml", "runs.csv", "readings.csv")
ENDED = 9

needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


def held(folder: Path) -> dict[str, bytes | None]:
    return {n: (folder / n).read_bytes() if (folder / n).exists() else None for n in FILES}


def mended(folder: Path) -> None:
    for lost in lost_rows(folder):
        put_back(folder, lost)


def values(folder: Path) -> list[float]:
    return [round(r.value / 0.0254, 6) for r in read_logbook(folder).readings_of("run4")]


def prefixes() -> list[list[float]]:
    """What may be read of the rows: so many of them, each whole."""
    return [[float(v) for _, v in TYPED[:n]] for n in range(len(TYPED) + 1)]


def _end_at(last: int) -> None:
    """From here on, leave without a word at the ``last``-th thing done to the disk."""
    done = 0

    def counted() -> bool:
        nonlocal done
        done += 1
        return done == last

    class Torn(io.FileIO):
        def write(self, data: Any) -> int:
            if counted():
                super().write(bytes(data)[: len(data) // 2])
                os._exit(ENDED)
            return super().write(data)

    plain_open = Path.open

    def opened(path: Path, mode: str = "r", *words: Any, **named: Any) -> Any:
        if mode in ("ab", "wb", "xb"):
            return Torn(path, mode)
        return plain_open(path, mode, *words, **named)

    def ending(act: Callable[..., Any]) -> Callable[..., Any]:
        def ended_or_done(*words: Any, **named: Any) -> Any:
            if counted():
                os._exit(ENDED)
            return act(*words, **named)

        return ended_or_done

    Path.open = opened  # type: ignore[method-assign,assignment]
    for name in ("replace", "rename", "unlink", "mkdir"):
        setattr(Path, name, ending(getattr(Path, name)))
    os.fsync = ending(os.fsync)


def cut_short(act: Callable[[Callable[[], None]], None], last: int) -> tuple[bool, int]:
    """Do it in a process that ends at its ``last``-th write: did it, and what was confirmed."""
    ours, theirs = os.pipe()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # threads that rest hold no lock
        pid = os.fork()
    if pid == 0:
        _child(act, last, theirs)
    os.close(theirs)
    confirmed = b""
    while data := os.read(ours, 4096):
        confirmed += data
    os.close(ours)
    code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    assert code in (0, ENDED)
    return code == ENDED, len(confirmed)


def _child(act: Callable[[Callable[[], None]], None], last: int, theirs: int) -> NoReturn:
    try:
        _end_at(last)
        act(lambda: os.write(theirs, b"."))
        os._exit(0)
    finally:
        os._exit(1)


def each_cut(
    act: Callable[[Path, Callable[[], None]], None], clean: Path, where: Path
) -> list[tuple[Path, int]]:
    """A copy of the logbook for each write at which the process ended, and what it confirmed."""
    cuts: list[tuple[Path, int]] = []
    while True:
        folder = Path(shutil.copytree(clean, where / f"cut{len(cuts)}"))
        ended, confirmed = cut_short(lambda say, f=folder: act(f, say), len(cuts) + 1)  # type: ignore[misc]
        if not ended:
            return cuts
        cuts.append((folder, confirmed))


@needs_fork
def test_ended_at_every_write_of_an_entry_every_confirmed_reading_is_there(
    demo_copy: Path, tmp_path: Path
) -> None:
    before = held(demo_copy)

    def enter(folder: Path, say: Callable[[], None]) -> None:
        appender = Appender(folder, "enter", FACTS)
        appender.add("runs.csv", RUN)
        for row in ROWS:
            appender.add("readings.csv", row)
            say()
        appender.finish()

    cuts = each_cut(enter, demo_copy, tmp_path)
    assert len(cuts) > 4 * len(ROWS)
    assert {confirmed for _, confirmed in cuts} == set(range(len(ROWS) + 1))
    for folder, confirmed in cuts:
        torn = False
        try:
            found = values(folder)
        except LogbookError as error:
            assert [p.code for p in error.problems] == ["L506"]
            torn = True
            mended(folder)
            found = values(folder)
        assert found in prefixes()
        assert len(found) in (confirmed, confirmed + 1)
        assert torn <= (len(found) == confirmed + 1 or confirmed == 0)
        appender = Appender(folder, "enter", FACTS)  # and it goes on
        if all(r.name != "run4" for r in read_logbook(folder).runs):
            appender.add("runs.csv", RUN)
        for row in ROWS[len(found) :]:
            appender.add("readings.csv", row)
        appender.finish()
        assert values(folder) == prefixes()[-1]
        undo(folder)
        assert held(folder) == before


@needs_fork
def test_ended_at_every_write_of_two_tables_nothing_torn_is_read_and_undo_takes_it_back(
    demo_copy: Path, tmp_path: Path
) -> None:
    before = held(demo_copy)

    def bring(folder: Path, say: Callable[[], None]) -> None:
        append_rows(folder, "import", {"runs.csv": [RUN], "readings.csv": ROWS})
        say()

    cuts = each_cut(bring, demo_copy, tmp_path)
    assert len(cuts) > 8
    for folder, _ in cuts:
        try:  # all of it or nothing; half of it is told, and undo takes it back
            assert values(folder) in ([], prefixes()[-1])
        except LogbookError as error:
            assert {p.code for p in error.problems} == {"L507"}
            assert "shimopt undo" in error.problems[0].remedy
        with contextlib.suppress(ShimoptError):  # nothing to undo before the first row
            undo(folder)
        assert held(folder) == before


@needs_fork
@pytest.mark.parametrize("again", [False, True], ids=["undo", "its undo"])
def test_ended_at_every_write_of_an_undo_it_can_be_done_again(
    demo_copy: Path, tmp_path: Path, again: bool
) -> None:
    before = held(demo_copy)
    append_rows(demo_copy, "import", {"runs.csv": [RUN], "readings.csv": ROWS})
    after = held(demo_copy)
    if again:
        undo(demo_copy)

    def take_back(folder: Path, say: Callable[[], None]) -> None:
        undo(folder)
        say()

    cuts = each_cut(take_back, demo_copy, tmp_path)
    assert len(cuts) > 6
    for folder, _ in cuts:
        now = held(folder)
        assert all(now[n] in (before[n], after[n]) for n in FILES)
        undo(folder)
        wanted = {"undo": (before, after), "its undo": (after, before)}[
            "its undo" if again else "undo"
        ]
        # where all but the last step was done, the state says so, and this undid the undo
        assert held(folder) in wanted
        if held(folder) == wanted[1]:
            undo(folder)
        assert held(folder) == wanted[0]


@needs_fork
def test_ended_at_every_write_of_new_it_is_whole_or_told_and_done_again_or_taken_back(
    tmp_path: Path,
) -> None:
    answers = NewAnswers(units="mm", link="behind", span=300.0, above="3+1", below="2x1")
    (tmp_path / "empty").mkdir()

    def make(folder: Path, say: Callable[[], None]) -> None:
        start_logbook(folder / "car", answers)
        say()

    cuts = each_cut(make, tmp_path / "empty", tmp_path)
    assert len(cuts) > 8
    seen: set[str] = set()
    for folder, confirmed in cuts:
        assert confirmed == 0
        car = folder / "car"
        there = [name for name, data in held(car).items() if data is not None]
        if len(there) == len(FILES):
            assert [r.name for r in read_logbook(car).runs] == ["run1"]
            undo(car)
            assert not any(held(car).values())
            undo(car)
            assert [r.name for r in read_logbook(car).runs] == ["run1"]
            seen.add("whole")
            continue
        with pytest.raises(LogbookError) as caught:
            read_logbook(car)
        codes = {p.code for p in caught.value.problems}
        assert codes <= ({"L507"} if there else {"L101", "L102"})
        seen |= codes
        if there:
            (problem,) = caught.value.problems
            assert "run the same `shimopt new` again" in problem.remedy
            back = Path(shutil.copytree(car, folder / "back"))
            undo(back)
            assert not any(held(back).values())
        start_logbook(car, answers)  # the same again
        assert [r.name for r in read_logbook(car).runs] == ["run1"]
        undo(car)
        assert not any(held(car).values())
        with pytest.raises(ShimoptError, match="nothing further back"):
            undo(car, "further")
    assert seen == {"whole", "L101", "L102", "L507"}


@needs_fork
def test_half_a_new_that_somebody_has_changed_since_is_left_alone(tmp_path: Path) -> None:
    answers = NewAnswers(units="mm", link="behind", span=300.0, above="3+1", below="2x1")
    (tmp_path / "empty").mkdir()

    def make(folder: Path, say: Callable[[], None]) -> None:
        start_logbook(folder / "car", answers)

    halves = [
        folder / "car"
        for folder, _ in each_cut(make, tmp_path / "empty", tmp_path)
        if 0 < sum(data is not None for data in held(folder / "car").values()) < len(FILES)
    ]
    assert halves
    for car in halves:
        (car / "car.toml").write_text((car / "car.toml").read_text() + "# ours\n")
        before = held(car)
        with pytest.raises(CallError, match="already"):
            start_logbook(car, answers)
        assert held(car) == before


@pytest.mark.parametrize("name", ["runs.csv", "readings.csv"])
def test_two_tables_cut_at_every_byte(demo_copy: Path, name: str) -> None:
    before = held(demo_copy)
    append_rows(demo_copy, "import", {"runs.csv": [RUN], "readings.csv": ROWS})
    whole, start = (demo_copy / name).read_bytes(), len(before[name] or b"")
    n_torn = 0
    for end in range(start, len(whole) + 1):
        (demo_copy / name).write_bytes(whole[:end])
        try:
            assert values(demo_copy) in prefixes()
        except LogbookError as error:
            codes = [p.code for p in error.problems]
            n_torn += "L506" in codes
            assert set(codes) <= {"L506", "L501", "L504"}
        mended(demo_copy)
        assert (demo_copy / name).read_bytes() == whole
        (demo_copy / name).write_bytes(whole[:end])
        torn = end > start and whole[end - 1 : end] != b"\n" and whole[end : end + 1] != b"\n"
        if torn:  # a row that broke off is no edit of anybody's
            undo(demo_copy)
            assert held(demo_copy) == before
            undo(demo_copy)
        (demo_copy / name).write_bytes(whole)
    assert n_torn == sum(len(line) - 1 for line in whole[start:].splitlines())


@pytest.mark.parametrize("name", ["0001.jsonl", "state.json"])
def test_a_history_cut_at_every_byte_changes_no_file_for_the_worse(
    demo_copy: Path, name: str
) -> None:
    before = held(demo_copy)
    append_rows(demo_copy, "import", {"runs.csv": [RUN], "readings.csv": ROWS})
    undo(demo_copy)
    undo(demo_copy)
    after = held(demo_copy)
    home = demo_copy / FOLDER
    kept = {p.name: p.read_bytes() for p in home.iterdir()}
    n_undone = 0
    for end in range(len(kept[name])):
        (home / name).write_bytes(kept[name][:end])
        assert values(demo_copy) == prefixes()[-1]
        try:
            undo(demo_copy)
        except ShimoptError:
            assert held(demo_copy) == after
        else:
            n_undone += 1
            for file, data in after.items():
                # a file whose writes the history lost is left alone
                assert (demo_copy / file).read_bytes() in (before[file], data)
        for file, data in after.items():
            (demo_copy / file).write_bytes(data or b"")
        for file, data in kept.items():
            (home / file).write_bytes(data)
    assert n_undone < len(kept[name])


@needs_fork
def test_ended_at_every_write_of_the_demo_each_file_is_whole_and_the_same_again_goes_on(
    tmp_path: Path,
) -> None:
    (tmp_path / "empty").mkdir()

    def copied(folder: Path, say: Callable[[], None]) -> None:
        copy_demo(folder / "demo")

    wanted = {name: (demo_folder() / name).read_bytes() for name in DEMO}
    cuts = each_cut(copied, tmp_path / "empty", tmp_path)
    assert len(cuts) > 3 * len(wanted)
    n_part = 0
    for folder, _ in cuts:
        demo = folder / "demo"
        there = {name: (demo / name).read_bytes() for name in DEMO if (demo / name).exists()}
        assert there.items() <= wanted.items()
        for home in (demo, demo / "both-wheels"):
            if not (home / "car.toml").exists():
                with pytest.raises(LogbookError):
                    read_logbook(home)
        if there.keys() == wanted.keys():
            with pytest.raises(CallError, match="not empty"):
                copy_demo(demo)
            continue
        n_part += bool(there)
        copy_demo(demo)
        assert all((demo / name).read_bytes() == data for name, data in wanted.items())
    assert n_part > len(wanted)
