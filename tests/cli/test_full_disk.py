"""A full disk, and a folder that may not be written: the logbook as it was, or whole rows."""

from __future__ import annotations

import contextlib
import errno
import io
import itertools
import os
import resource
import shutil
import signal
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import optimizer.cli
import optimizer.enter.sitting
import optimizer.logbook.take
import optimizer.logbook.undo  # noqa: F401
from optimizer.demo_files import FILES as DEMO
from optimizer.demo_files import copy_demo, demo_folder
from optimizer.errors import LogbookError
from optimizer.logbook import read_logbook
from tests.cli.forked import Ended, at_each_write, end_all, run

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")

FILES = ("car.toml", "runs.csv", "readings.csv")
TYPED = "0\n-12.5\n10.25\n"
ENTER = ["enter", "{car}", "--run", "planned", "--travels", "-50,0,50", "--passes", "up1"]
IMPORT = ["import", "{at}/run4.csv", "{car}", "--yes"]
WRITERS = {"enter": ENTER, "import": IMPORT, "undo": ["undo", "{car}"]}
NEW = "new {car} --units mm --span 300 --rising toe-in --link behind --above 3 --below 2x1"
FRESH = {"new": NEW.split(), "demo": ["demo", "{car}"]}
PAPERS = {
    "sheet": ["sheet", "{car}", "--out", "{at}/out.pdf"],
    "brief": ["brief", "{car}", "--out", "{at}/out.html"],
    "curves": ["curves", "{car}", "--out", "{at}/out.svg"],
}
PLANNED = "planned,rear-left,,2,3+1,0,,,\n"


@pytest.fixture(autouse=True)
def _none_left() -> Iterator[None]:
    yield
    end_all()


@pytest.fixture(name="car")
def _car(demo_copy: Path) -> Path:
    shutil.copy(demo_folder() / "run4.csv", demo_copy.parent / "run4.csv")
    with (demo_copy / "runs.csv").open("a") as file:
        file.write(PLANNED)
    return demo_copy


def of(words: list[str], car: Path) -> list[str]:
    return [word.format(car=car, at=car.parent) for word in words]


def held(folder: Path) -> dict[str, bytes | None]:
    return {n: (folder / n).read_bytes() if (folder / n).exists() else None for n in FILES}


def full_at(turn: int, *, ever: bool) -> Callable[[], None]:
    """No room at this write, sync or rename: then never again, or once."""

    def act(n: int, call: str, file: str) -> None:
        if n == turn or (ever and n > turn):
            raise OSError(errno.ENOSPC, "No space left on device")

    return lambda: at_each_write(act)


def no_file_over(size: int) -> Callable[[], None]:
    """A disk on which no file grows beyond so many bytes (EFBIG, after a short write)."""

    def prepare() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))

    return prepare


def check_after(folder: Path, before: dict[str, bytes | None], after: bytes, ended: Ended) -> str:
    """What is left of the logbook: nothing new, whole rows, or half that is told and undone."""
    assert "Traceback" not in ended.err, ended.err
    now = held(folder)
    if ended.code == 0:
        return "done"
    assert ended.code == 1, ended
    assert "cannot be written" in ended.err, ended
    assert "mend: " in ended.err
    if now == before:
        return "as it was"
    try:
        read_logbook(folder, short=True)
    except LogbookError as error:
        # half an import, whose bytes before could not be put back either
        assert {p.code for p in error.problems} <= {"L506", "L507"}
        if {p.code for p in error.problems} == {"L507"}:
            assert run(["undo", str(folder)]).code == 0
            assert held(folder) == before
            return "told"
        assert "planned" in ended.out or ", saved" in ended.out
    start = before["readings.csv"] or b""
    grown = now["readings.csv"] or b""
    assert after.startswith(grown) and grown.startswith(start)
    rows = grown[len(start) :].count(b"\n")
    assert rows >= ended.out.count(", saved")
    return "rows"


@pytest.mark.parametrize("ever", [False, True], ids=["once", "from then on"])
@pytest.mark.parametrize("name", WRITERS)
def test_no_room_at_each_write(car: Path, name: str, ever: bool) -> None:
    words = WRITERS[name]
    if name == "undo":
        assert run(of(IMPORT, car)).code == 0
    before = held(car)
    whole = Path(shutil.copytree(car, car.parent / "whole"))
    done = run(of(words, whole), TYPED if name == "enter" else "")
    assert done.code == 0, done
    after = (whole / "readings.csv").read_bytes()
    seen: set[str] = set()
    for turn in itertools.count():
        folder = Path(shutil.copytree(car, car.parent / f"car{turn}"))
        ended = run(of(words, folder), TYPED if name == "enter" else "", full_at(turn, ever=ever))
        if name == "undo" and ended.code:
            assert (ended.code, "undo goes on where it stopped" in ended.err) == (1, True), ended
            now = held(folder)
            assert all(now[f] in (before[f], (whole / f).read_bytes()) for f in FILES)
            assert run(["undo", str(folder)]).code == 0
            assert held(folder) == held(whole)
            seen.add("as it was")
        else:
            seen.add(check_after(folder, before, after, ended))
        if ended.code == 0 and held(folder) == held(whole) and turn > 8:
            break
        assert turn < 60
    assert "as it was" in seen


@pytest.mark.parametrize("name", ["enter", "import"])
def test_a_file_that_may_not_grow(car: Path, name: str) -> None:
    """The system's own short write and refusal, with the limit within the new rows."""
    words, typed = WRITERS[name], TYPED if name == "enter" else ""
    before = held(car)
    whole = Path(shutil.copytree(car, car.parent / "whole"))
    assert run(of(words, whole), typed).code == 0
    after = (whole / "readings.csv").read_bytes()
    start, end = len(before["readings.csv"] or b""), len(after)
    seen: list[str] = []
    for size in [*range(start, end, max(1, (end - start) // 9)), end - 1]:
        folder = Path(shutil.copytree(car, car.parent / f"car{size}"))
        ended = run(of(words, folder), typed, no_file_over(size))
        assert ended.code == 1, (size, ended)
        seen.append(check_after(folder, before, after, ended))
        again = run(of(words, folder), typed if name == "import" else "0\n-12.5\n10.25\n")
        assert again.code in (0, 2), again
    assert set(seen) <= {"as it was", "rows"}
    assert ("rows" in seen) == (name == "enter")


@pytest.mark.parametrize("name", FRESH)
def test_no_room_for_a_new_folder(tmp_path: Path, name: str) -> None:
    for turn in itertools.count():
        car = tmp_path / f"car{turn}"
        ended = run(of(FRESH[name], car), "", full_at(turn, ever=True))
        assert "Traceback" not in ended.err, ended.err
        if ended.code == 0:
            break
        assert ended.code == 1
        assert "cannot be" in ended.err
        there = [f for f in FILES if (car / f).exists()]
        if name == "new":
            assert not car.exists(), list(car.rglob("*"))
        elif all((car / file).exists() for file in DEMO):
            break  # the copy is whole; the tour had no room to write
        else:
            assert "car.toml" not in there or len(there) == 3
            copy_demo(car)  # the same again, with room
            read_logbook(car)
        assert turn < 80
    assert turn > 5


@pytest.mark.parametrize("name", PAPERS)
def test_no_room_for_a_page_leaves_the_page_before(car: Path, name: str) -> None:
    before = held(car)
    words = of(PAPERS[name], car)
    out = Path(words[-1])
    for turn in range(3):
        out.write_bytes(b"the page before")
        ended = run(words, "", full_at(turn, ever=True))
        assert "Traceback" not in ended.err, ended.err
        if ended.code == 0:
            break
        assert ended.code == 1
        assert out.read_bytes() == b"the page before"
        assert [p.name for p in out.parent.glob(f".{out.name}*")] == []
    assert turn > 0
    assert held(car) == before
    assert not (car / ".shimopt").exists()


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root may take another's rights"
)
@pytest.mark.parametrize("name", [*WRITERS, *FRESH, *PAPERS])
def test_a_folder_that_may_not_be_written(
    demo_copy: Path, name: str, request: pytest.FixtureRequest
) -> None:
    """Rights dropped in the child: it reads all it wants and leaves every byte as it was."""
    at = Path(tempfile.mkdtemp())  # pytest's own folders are for one user alone
    request.addfinalizer(lambda: shutil.rmtree(at))
    at.chmod(0o755)
    car = Path(shutil.copytree(demo_copy, at / "car"))
    shutil.copy(demo_folder() / "run4.csv", at)
    with (car / "runs.csv").open("a") as file:
        file.write(PLANNED)
    if name == "undo":
        assert run(of(IMPORT, car)).code == 0
    before = held(car)
    names = sorted(p.name for p in car.parent.rglob("*"))
    words = {**WRITERS, **FRESH, **PAPERS}[name]
    target = car if name not in FRESH else car.parent / "made"

    def nobody() -> None:
        from optimizer.cli import main

        there = Path(tempfile.mkdtemp()) / "car"  # load what it needs while that is allowed
        shutil.copytree(at, there.parent, dirs_exist_ok=True)
        usual, sys.stdin = sys.stdin, io.StringIO(TYPED)
        with contextlib.suppress(SystemExit):
            main(of(words, there if name not in FRESH else there.parent / "made"))
        sys.stdin = usual
        shutil.rmtree(there.parent)
        os.setresgid(65534, 65534, 65534)
        os.setresuid(65534, 65534, 65534)

    ended = run(of(words, target), TYPED if name == "enter" else "", nobody)
    assert "Traceback" not in ended.err, ended.err
    assert ended.code == 1, ended
    assert "Permission denied" in ended.err
    assert held(car) == before
    assert sorted(p.name for p in car.parent.rglob("*")) == names
