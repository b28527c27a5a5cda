"""Two writers at one logbook: every reading called saved stands in the file once, and whole."""

from __future__ import annotations

import itertools
import os
import random
import shutil
import signal
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

import optimizer.cli
import optimizer.enter.sitting
import optimizer.logbook.take
import optimizer.logbook.undo  # noqa: F401
from optimizer.logbook import NewAnswers, lock, read_logbook, start_logbook
from optimizer.logbook.lock import free, writing
from tests.cli.forked import Command, Ended, at_each_write, end_all, impatient, run, stopping_at

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")

RUNS = "as-found,rear-left,,3,2x1,0,,,\na,rear-left,,2,3,0,,,\nb,rear-left,,1,4,0,,,\n"
FLAGS = ["--travels", "-20,-10,0,10,20", "--passes", "up1"]
ORDER = ("0", "-20", "-10", "10", "20", "0")
FILES = ("car.toml", "runs.csv", "readings.csv")
OURS, THEIRS, BEFORE = ("0.125", "0.375"), ("1.125", "1.375"), ("2.125", "2.375")
NEW = ["--units", "mm", "--span", "300", "--rising", "toe-in", "--link", "behind", "--below", "1"]


@dataclass(frozen=True, slots=True)
class Writer:
    """A command, and the values of the readings that it brings, typed or in a table."""

    words: tuple[str, ...]
    values: tuple[str, ...] = ()

    def of(self, folder: Path) -> list[str]:
        return [word.format(car=folder, at=folder.parent) for word in self.words]

    def saved(self, ended: Ended) -> list[str]:
        """The readings that it has called saved."""
        if self.words[0] == "enter":
            return list(self.values[: ended.out.count(", saved\n")])
        return [] if ended.code else list(self.values)

    @property
    def typed(self) -> str:
        return "".join(f"{v}\n" for v in self.values) if self.words[0] == "enter" else ""


def enter(run_name: str, values: tuple[str, ...] = OURS) -> Writer:
    return Writer(("enter", "{car}", "--run", run_name, *FLAGS), values)


def table(run_name: str, values: tuple[str, ...]) -> Writer:
    words = ("import", f"{{at}}/{run_name}-{values[0]}.csv", "{car}", "--yes")
    return Writer(words, (*values, f"{values[0]}1"))


def rows_of(run_name: str, travels: tuple[str, ...], values: tuple[str, ...]) -> list[str]:
    return [f"{run_name},up1,{z},{v}" for z, v in zip(travels, values, strict=False)]


UNDO = Writer(("undo", "{car}"))
PAIRS = {
    "enter, another run": (enter("a", OURS), enter("b", THEIRS)),
    "enter, the same run": (enter("a", OURS), enter("a", THEIRS)),
    "enter, import": (enter("a", OURS), table("b", THEIRS)),
    "import, enter": (table("b", THEIRS), enter("a", OURS)),
    "import, import": (table("a", OURS), table("b", THEIRS)),
    "enter, undo": (enter("a", OURS), UNDO),
    "undo, enter": (UNDO, enter("a", OURS)),
    "import, undo": (table("b", THEIRS), UNDO),
    "undo, undo": (UNDO, UNDO),
}


@pytest.fixture(autouse=True)
def _none_left() -> Iterator[None]:
    yield
    end_all()


@pytest.fixture(name="car")
def _car(tmp_path: Path) -> Path:
    answers = NewAnswers(
        units="mm", span=300.0, link="behind", above="3", below="2x1", run="as-found"
    )
    start_logbook(tmp_path / "car", answers)
    shutil.rmtree(tmp_path / "car" / ".shimopt")
    head = (tmp_path / "car" / "runs.csv").read_text().splitlines()[0]
    (tmp_path / "car" / "runs.csv").write_text(f"{head}\n{RUNS}")
    for name, values in (("a", OURS), ("b", THEIRS), ("as-found", BEFORE)):
        text = f"travel,{name} up1\n-20,{values[0]}\n0,{values[1]}\n20,{values[0]}1\n"
        (tmp_path / f"{name}-{values[0]}.csv").write_text(text)
    return tmp_path / "car"


def readings(folder: Path) -> list[str]:
    text = (folder / "readings.csv").read_text()
    assert text.endswith("\n")
    return text.splitlines()[1:]


def was_told(ended: Ended) -> bool:
    """A loser says so, plainly, with exit code 1 and a way to go on."""
    told = "another shimopt" in ended.err or "L106" in ended.err
    assert "Traceback" not in ended.err, ended.err
    if told:
        assert ended.code == 1, ended
        assert "again" in ended.err
    return told


def check_rows(folder: Path, ended: list[tuple[Writer, Ended]]) -> None:
    """Each row once and brought by somebody; all that were called saved, and no others."""
    rows = readings(folder)
    values = [row.split(",")[3] for row in rows]
    assert all(len(row.split(",")) == 4 for row in rows)
    assert len(set(values)) == len(values), rows
    brought = {value for writer, _ in ended for value in writer.values}
    before = {*BEFORE, f"{BEFORE[0]}1"}
    assert set(values) <= brought | before
    if any(writer is UNDO and "taken back" in e.out for writer, e in ended):
        return
    saved = {value for writer, e in ended for value in writer.saved(e)}
    assert set(values) - before == saved, (rows, ended)


@pytest.mark.parametrize("pair", PAIRS)
def test_one_stopped_at_each_write_while_the_other_runs(car: Path, pair: str) -> None:
    first, second = PAIRS[pair]
    if UNDO in (first, second):
        assert run(table("as-found", BEFORE).of(car)).code == 0
    whole = shutil.copytree(car, car.parent / "whole")
    n_told = 0
    for turn in itertools.count():
        folder = Path(shutil.copytree(whole, car.parent / f"car{turn}"))
        one = Command(first.of(folder), first.typed, stopping_at(turn))
        if not one.stopped():
            assert one.ended(waited=True).code in (0, 1)
            break
        other = run(second.of(folder), second.typed, impatient)
        one.go_on()
        ended = [(first, one.ended()), (second, other)]
        n_told += sum(was_told(e) for _, e in ended)
        check_rows(folder, ended)
        assert not (folder / ".shimopt" / "lock").exists()
        read_logbook(folder, short=True)
        for writer, e in ended:  # the way to go on
            if was_told(e) and writer is not UNDO:
                again = run(writer.of(folder), writer.typed)
                assert not was_told(again), again
    assert turn > 3
    assert n_told


def test_two_terminals_in_turn(car: Path) -> None:
    """The one whose file was changed between two of its rows is told, and goes on."""
    one = Command(enter("a", OURS).of(car), None)
    one.say("0.125\n")
    _until(lambda: ", saved" in one.shown())
    two = run(enter("b", THEIRS).of(car), enter("b", THEIRS).typed)
    assert two.code == 0
    one.say("0.375\n")
    ended = one.ended()
    assert ended.code == 1
    assert "another shimopt has written to this logbook meanwhile (`enter` of b)" in ended.err
    assert "run the same command again" in ended.err
    again = run(enter("a", OURS).of(car), "0.375\n0.625\n")
    assert again.code == 0
    assert readings(car) == [
        "a,up1,0,0.125",
        *rows_of("b", ORDER, THEIRS),
        "a,up1,-20,0.375",
        "a,up1,-10,0.625",
    ]


@pytest.mark.parametrize("pair", ["enter, another run", "enter, the same run", "import, import"])
def test_side_by_side_as_luck_has_it(car: Path, pair: str) -> None:
    rng = random.Random(19)
    for number in range(4):
        folder = Path(shutil.copytree(car, car.parent / f"luck{number}"))
        commands = []
        for writer in PAIRS[pair]:
            commands.append((writer, Command(writer.of(folder), writer.typed)))
            time.sleep(rng.uniform(0.0, 0.05))
        time.sleep(rng.uniform(0.0, 0.05))
        ended = [(writer, command.ended()) for writer, command in commands]
        for _, e in ended:
            assert e.code == 0 or was_told(e) or "L606" in e.err, e
        check_rows(folder, ended)
        read_logbook(folder, short=True)


def test_two_new_into_one_folder(tmp_path: Path) -> None:
    words = ["new", str(tmp_path / "car"), *NEW]
    for turn in itertools.count():
        shutil.rmtree(tmp_path / "car", ignore_errors=True)
        one = Command([*words, "--above", "3"], "", stopping_at(turn))
        if not one.stopped():
            assert one.ended(waited=True).code == 0
            break
        other = run([*words, "--above", "2"], "", impatient)
        one.go_on()
        ended = one.ended()
        codes = {ended.code, other.code}
        assert 0 in codes, (turn, ended, other)
        assert codes & {1, 2}
        loser = other if ended.code == 0 else ended
        assert "another shimopt is writing" in loser.err or "already" in loser.err
        above = "3" if ended.code == 0 else "2"
        row = (tmp_path / "car" / "runs.csv").read_text().splitlines()[1]
        assert row.split(",")[3] == above
        assert (tmp_path / "car" / "car.toml").read_text().count(f"box = {above!r}") <= 1
        assert run(["undo", str(tmp_path / "car")]).code == 0
        assert not any((tmp_path / "car" / name).exists() for name in FILES)
    assert turn > 6


def test_the_one_who_holds_it_is_named_and_its_end_frees_it(car: Path) -> None:
    one = Command(enter("a", OURS).of(car), enter("a", OURS).typed, stopping_at(2))
    assert one.stopped()
    told = run(table("b", THEIRS).of(car), "", impatient)
    assert told.code == 1
    assert f"another shimopt is writing to this logbook: `enter`, process {one.pid} on " in told.err
    assert "nothing was written" in told.err
    os.kill(one.pid, signal.SIGKILL)
    one.ended()
    assert (car / ".shimopt" / "lock").exists()  # what a crash leaves holds nobody up
    assert run(table("b", THEIRS).of(car), "", impatient).code == 0
    assert not (car / ".shimopt" / "lock").exists()


@pytest.mark.parametrize("text", [b"", b"\xff\x00 of another machine", b"x" * 5000])
def test_a_lock_that_a_power_cut_left_holds_nobody_up(car: Path, text: bytes) -> None:
    (car / ".shimopt").mkdir()
    (car / ".shimopt" / "lock").write_bytes(text)
    start = time.monotonic()
    assert run(table("b", THEIRS).of(car)).code == 0
    assert time.monotonic() - start < lock.WAIT_S / 2


def test_what_a_killed_writer_left_unfinished_is_swept_by_the_next(car: Path) -> None:
    home = car / ".shimopt"
    home.mkdir()
    stale = [car / ".readings.csv.12.new", home / ".3.12.new"]
    kept = [car / ".runs.csv.13.new", car / ".notes.12.new", car / "readings.csv.12.new"]
    for path in (*stale, *kept):
        path.write_bytes(b"half")
    for path in (*stale, *kept[1:]):
        os.utime(path, (time.time() - 3600.0,) * 2)
    assert run(table("b", THEIRS).of(car)).code == 0
    assert not any(path.exists() for path in stale)
    assert all(path.exists() for path in kept)  # at work this minute, or no file of ours


def test_without_locks_of_the_file_system_it_writes_all_the_same(
    car: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import errno
    import fcntl

    def none(descriptor: int, how: int) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", none)
    with writing(car, "import"):
        pass
    assert free(car)
    assert run(table("b", THEIRS).of(car)).code == 0
    assert readings(car) == rows_of("b", ("-20", "0", "20"), table("b", THEIRS).values)


def test_a_reader_waits_for_a_write_that_is_under_way(car: Path) -> None:
    """Between the two files of an import `check` waits for its end and tells no fault."""
    (car.parent / "two.csv").write_text(
        "travel,c up1\nshims above,1\nshims below,4\n-9,1\n0,0\n9,2\n"
    )
    words = ["import", str(car.parent / "two.csv"), str(car), "--yes"]
    before = {name: (car / name).read_bytes() for name in FILES}
    n_half = 0
    for turn in itertools.count():
        folder = Path(shutil.copytree(car, car.parent / f"car{turn}"))
        words[2] = str(folder)
        one = Command(words, "", stopping_at(turn))
        if not one.stopped():
            one.ended(waited=True)
            break
        half = (folder / "runs.csv").read_bytes() != before["runs.csv"] and (
            folder / "readings.csv"
        ).read_bytes() == before["readings.csv"]
        n_half += half
        reader = Command(["curves", str(folder)], "")
        if half:
            time.sleep(0.1)
        one.go_on()
        assert one.ended().code == 0
        assert "L507" not in reader.ended().err
    assert n_half


# ---- a program that is none of ours: a sync client, an editor


def older(path: Path, start: bytes) -> None:
    """An older copy, renamed over it."""
    _renamed_over(path, start)


def newer(path: Path, start: bytes) -> None:
    """A copy with rows of another machine, renamed over it."""
    _renamed_over(path, path.read_bytes() + b"b,up1,0,1.125\n")


def appended(path: Path, start: bytes) -> None:
    """A row appended in place."""
    with path.open("rb+") as file:
        file.seek(0, 2)
        file.write(b"b,up1,0,1.125\n")


def same(path: Path, start: bytes) -> None:
    """The same bytes in a new file."""
    _renamed_over(path, path.read_bytes())


def _renamed_over(path: Path, data: bytes) -> None:
    beside = path.with_name("~sync")
    with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), "wb") as file:
        file.write(data)
    os.rename(beside, path)  # noqa: PTH104


@pytest.mark.parametrize("how", [older, newer, appended, same])
def test_another_program_between_two_rows(car: Path, how: Callable[[Path, bytes], None]) -> None:
    start = (car / "readings.csv").read_bytes()
    one = Command(enter("a", OURS).of(car), None)
    one.say("0.125\n")
    _until(lambda: ", saved" in one.shown())
    how(car / "readings.csv", start)
    one.say("0.375\n0.625\n")
    ended = one.ended()
    if how is same:
        assert ended.code == 0
        assert readings(car) == rows_of("a", ORDER, ("0.125", "0.375", "0.625"))
        return
    assert ended.code == 1
    assert "[L106]" in ended.err
    assert ended.out.count(", saved") == 1
    theirs = ["b,up1,0,1.125"] if how is not older else []
    assert readings(car) == ([] if how is older else ["a,up1,0,0.125"]) + theirs
    again = run(enter("a", OURS).of(car), "0.375\n0.625\n" if how is not older else "")
    if how is older:  # what the other program took away is told, and left to a person
        assert "readings.csv no longer ends with what was entered" in again.err
        return
    assert again.code == 0
    assert readings(car) == ["a,up1,0,0.125", *theirs, "a,up1,-20,0.375", "a,up1,-10,0.625"]


@pytest.mark.parametrize("how", [older, newer, appended])
@pytest.mark.parametrize("writer", [enter("a", OURS), table("a", OURS)], ids=["enter", "import"])
def test_another_program_at_each_write(
    car: Path, writer: Writer, how: Callable[[Path, bytes], None]
) -> None:
    """Nothing of the other program's is written over, and nothing is called saved in vain.

    Left out is the moment between the last look at a file and its rename, or the write to
    an open one: nothing shuts out a program that takes no part in the lock.
    """
    start = (car / "readings.csv").read_bytes()
    assert run(table("as-found", BEFORE).of(car)).code == 0
    n_told = 0
    for turn in itertools.count():
        folder = Path(shutil.copytree(car, car.parent / f"car{turn}"))
        met = folder / "met"

        def strike(n: int, call: str, file: str, turn: int = turn, folder: Path = folder) -> None:
            if n == turn:
                (folder / "met").write_text(f"{call} {file}")
                how(folder / "readings.csv", start)

        ended = run(writer.of(folder), writer.typed, lambda s=strike: at_each_write(s))  # type: ignore[misc]
        if not met.exists():
            break
        told = was_told(ended)
        n_told += told
        if met.read_text() == "replace readings.csv":  # the moment that is left out
            continue
        rows = readings(folder)
        values = [row.split(",")[3] for row in rows]
        assert len(set(values)) == len(values)
        if how is older:  # what it took away after it was called saved is its own doing
            assert told or set(values) & set(writer.values) <= set(writer.saved(ended))
            continue
        assert rows.count("b,up1,0,1.125") == 1, (turn, rows, ended)
        assert set(writer.saved(ended)) <= set(values), (turn, rows, ended)
        assert set(BEFORE) <= set(values)
    assert n_told


def _until(met: Callable[[], bool]) -> None:
    end = time.monotonic() + 20
    while not met():
        assert time.monotonic() < end
        time.sleep(0.005)
