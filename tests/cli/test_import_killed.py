"""An import killed at each of its writes, and its history cut at each byte: nothing, or all."""

from __future__ import annotations

import itertools
import os
import shutil
import signal
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from optimizer.cli import main
from optimizer.errors import LogbookError
from optimizer.logbook import NewAnswers, plan_import, read_logbook, start_logbook, write_import
from optimizer.logbook.journal import FOLDER
from optimizer.logbook.undo import undo

FILES = ("car.toml", "runs.csv", "readings.csv")
COMMANDS = ("check", "curves", "next", "enter")
WIDE = """\
travel;as-found;joint-up;joint-up
shims above;;2;
shims below;;2x1+1;
-25;-0,5;-0,4;-0,3
0;0;0;0
25;0,5;0,4;0,6
"""


@pytest.fixture(name="blank")
def _blank(tmp_path: Path) -> Path:
    answers = NewAnswers(
        units="mm", span=300.0, link="behind", above="3", below="2x1", run="as-found"
    )
    start_logbook(tmp_path / "blank", answers)
    (tmp_path / "wide.csv").write_text(WIDE)
    return tmp_path / "blank"


def _held(folder: Path) -> list[bytes]:
    return [(folder / name).read_bytes() for name in FILES]


def _take(folder: Path, table: Path) -> None:
    write_import(plan_import(folder, table))


def _code(words: list[str]) -> object:
    with pytest.raises(SystemExit) as left:
        main(words)
    return left.value.code


def _dying(real: Callable[..., Any], calls: Any, at: int, *, after: bool) -> Callable[..., Any]:
    """A call that kills its process, just before or just after its turn ``at``."""

    def call(*args: Any, **how: Any) -> Any:
        turn = next(calls)
        if turn == at and not after:
            os.kill(os.getpid(), signal.SIGKILL)
        done = real(*args, **how)
        if turn == at:
            os.kill(os.getpid(), signal.SIGKILL)
        return done

    return call


def _killed(folder: Path, table: Path, at: int, *, after: bool) -> bool:
    """Import in a child that dies at its ``at``-th write, sync or rename; whether it died."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # threads that rest hold no lock
        pid = os.fork()
    if pid == 0:
        try:
            calls = itertools.count()
            os.fsync = _dying(os.fsync, calls, at, after=after)
            Path.replace = _dying(Path.replace, calls, at, after=after)  # type: ignore[method-assign]
            _take(folder, table)
        finally:
            os._exit(0)
    return os.WIFSIGNALED(os.waitpid(pid, 0)[1])


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.parametrize("after", [False, True], ids=["before", "after"])
def test_killed_at_each_write(
    blank: Path, tmp_path: Path, after: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    table, old = tmp_path / "wide.csv", _held(blank)
    whole = Path(shutil.copytree(blank, tmp_path / "whole"))
    _take(whole, table)
    new = _held(whole)
    seen: list[str] = []
    for at in itertools.count():
        car = Path(shutil.copytree(blank, tmp_path / f"car{at}"))
        if not _killed(car, table, at, after=after):
            break
        try:
            read_logbook(car)
        except LogbookError as error:
            assert [p.code for p in error.problems] == ["L507"]
            half = _held(car)
            assert half not in (old, new)
            if "half" not in seen:
                for words in ([word, str(car)] for word in COMMANDS):
                    assert _code(["import", str(table), str(car)]) == 3
                    assert _code(words) == 3
                    assert capsys.readouterr().err.count("[L507]") == 2
                assert _held(car) == half
            seen.append("half")
            undo(car)
            assert _held(car) == old
        else:
            assert _held(car) in (old, new)
            seen.append("all" if _held(car) == new else "nothing")
        if _held(car) == old:
            _take(car, table)
        assert _held(car) == new
        undo(car)
        assert _held(car) == old
    # nothing, then told, then all: in this order, and each of them met
    assert [state for state, _ in itertools.groupby(seen)] == ["nothing", "half", "all"]


def test_a_history_cut_at_any_byte_before_the_files_were_touched(
    blank: Path, tmp_path: Path
) -> None:
    """A power cut while the import was noted: nothing was written, and nothing is in the way."""
    table, old = tmp_path / "wide.csv", _held(blank)
    whole = Path(shutil.copytree(blank, tmp_path / "whole"))
    _take(whole, table)
    new, note = _held(whole), (whole / FOLDER / "0002.jsonl").read_bytes()
    upto = note.rindex(b'{"done"')
    for end in range(0, upto + 1, 7):
        car = Path(shutil.copytree(blank, tmp_path / f"cut{end}"))
        (car / FOLDER / "0002.jsonl").write_bytes(note[:end])
        if (whole / FOLDER / "state.json").exists():
            shutil.copy(whole / FOLDER / "state.json", car / FOLDER / "state.json")
        read_logbook(car)
        _take(car, table)
        assert _held(car) == new
        undo(car)
        assert _held(car) == old
        shutil.rmtree(car)
