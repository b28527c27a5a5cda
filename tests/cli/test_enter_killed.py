"""A session of ``enter`` killed at a hundred random moments: every confirmed reading is there."""

from __future__ import annotations

import os
import random
import shutil
import signal
import time
import warnings
from pathlib import Path

import pytest

from optimizer.errors import LogbookError
from optimizer.logbook import NewAnswers, read_logbook, start_logbook
from optimizer.logbook.undo import undo
from optimizer.records import TWO_VALUES, GaugeKind

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")

N_KILL = 100
N_ANSWER = 25
REAR = "1.5"
A_LOGBOOK = 10  # kills in one logbook
TRAVELS = ["0", "-20", "-10", "10", "20", "0"]
PASSES = [f"up{n}" for n in range(1, 200)]
STOPS = [(sweep, travel) for sweep in PASSES for travel in TRAVELS]
FLAGS = ["--travels", "-20,-10,0,10,20", "--passes", ",".join(PASSES)]


def _value(index: int) -> str:
    """A reading of its own for each stop, with digits enough to be torn."""
    return f"{(index * 37) % 1000 / 250 - 2:.3f}"


def _child(folder: Path, answers: int, shown: int) -> None:
    """The command itself, in a process that has everything loaded."""
    os.dup2(answers, 0)
    os.dup2(shown, 1)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    import io
    import sys

    from optimizer.cli import main

    sys.stdin = io.TextIOWrapper(io.FileIO(0, closefd=False))
    sys.stdout = io.TextIOWrapper(io.FileIO(1, "w", closefd=False), write_through=True)
    try:
        main(["enter", str(folder), *FLAGS])
    finally:
        os._exit(0)


def _lines(index: int, kind: GaugeKind) -> str:
    """What is typed at a stop: the reading, or front and rear."""
    return f"{_value(index)}\n" + f"{REAR}\n" * (kind in TWO_VALUES)


def _run(folder: Path, first: int, moment_s: float | None, kind: GaugeKind) -> int:
    """Feed answers from stop ``first`` on and kill after a while; how many were confirmed."""
    answers, to_child = os.pipe()
    from_child, shown = os.pipe()
    typed = "".join(_lines(i, kind) for i in range(first, first + N_ANSWER))
    os.write(to_child, typed.encode())
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # threads that rest cannot hold a lock
        pid = os.fork()
    if pid == 0:
        os.close(to_child)
        _child(folder, answers, shown)
    os.close(answers)
    os.close(shown)
    if moment_s is None:
        os.close(to_child)
        os.waitpid(pid, 0)
    else:
        time.sleep(moment_s)
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        os.close(to_child)
    text = b""
    while data := os.read(from_child, 65536):
        text += data
    os.close(from_child)
    return text.count(b", saved\n")


@pytest.fixture(name="blank")
def _blank(tmp_path: Path, kind: GaugeKind) -> Path:
    answers = NewAnswers(
        units="mm", link="behind", gauge=kind, span=300.0, above="3+1", below="2x1"
    )
    start_logbook(tmp_path / "blank", answers)
    return tmp_path / "blank"


@pytest.mark.parametrize("kind", ["one-dial", pytest.param("two-dials", marks=pytest.mark.slow)])
def test_killed_at_a_hundred_random_moments(blank: Path, tmp_path: Path, kind: GaugeKind) -> None:
    import optimizer.cli  # loaded here once, not in every child
    import optimizer.enter.sitting  # noqa: F401

    start = time.monotonic()
    assert _run(Path(shutil.copytree(blank, tmp_path / "whole")), 0, None, kind) == N_ANSWER
    whole_s = time.monotonic() - start
    rng = random.Random(8)
    empty = (blank / "readings.csv").read_bytes()
    moments: list[int] = []
    for number in range(N_KILL // A_LOGBOOK):
        car = Path(shutil.copytree(blank, tmp_path / f"car{number}"))
        n_row = 0
        for _ in range(A_LOGBOOK):
            confirmed = n_row + _run(car, n_row, rng.uniform(0.0, whole_s), kind)
            try:
                rows = read_logbook(car).readings
            except LogbookError as error:
                assert [p.code for p in error.problems] == ["L506"]
                n_row = confirmed
                continue
            assert len(rows) in (confirmed, confirmed + 1), (len(rows), confirmed)
            off = float(REAR) if kind in TWO_VALUES else 0.0
            wanted = [(s, float(t), float(_value(i)) - off) for i, (s, t) in enumerate(STOPS)]
            assert [(r.sweep, r.travel_mm, r.value) for r in rows] == wanted[: len(rows)]
            moments.append(len(rows) - n_row)
            n_row = len(rows)
        assert (car / "readings.csv").read_bytes().startswith(empty)
        undo(car)
        assert (car / "readings.csv").read_bytes() == empty
    # the moments were spread: before the first reading, and after many
    assert min(moments) == 0
    assert max(moments) >= 5
    print(f"{sum(moments)} readings in {N_KILL} sessions, at most {max(moments)} in one")
