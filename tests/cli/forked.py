"""Commands in processes of their own, forked from one that has everything loaded."""

from __future__ import annotations

import contextlib
import io
import itertools
import os
import signal
import sys
import tempfile
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from optimizer.logbook import lock


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How a command ended: its exit code, and what it said."""

    code: int
    out: str
    err: str


class Command:
    """A command that runs; what is typed is given at once, or line by line through ``say``.

    ``prepare`` is done in the child before the command, to change what its calls do.
    """

    def __init__(
        self,
        words: Sequence[str],
        typed: str | None = "",
        prepare: Callable[[], None] = lambda: None,
    ) -> None:
        self._out, self._err = _unnamed(), _unnamed()
        answers, self._answers = os.pipe()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # threads that rest hold no lock
            self.pid = os.fork()
        if self.pid == 0:
            os.close(self._answers)
            _child(words, (answers, self._out, self._err), prepare)
        os.close(answers)
        running[self.pid] = self
        if typed is not None:
            self.say(typed)
            self.close()

    def say(self, text: str) -> None:
        """Type something."""
        os.write(self._answers, text.encode())

    def close(self) -> None:
        """Nothing more is typed."""
        if self._answers >= 0:
            os.close(self._answers)
        self._answers = -1

    def stopped(self) -> bool:
        """Wait until it stops itself, or ends; whether it stopped."""
        self._status = os.waitpid(self.pid, os.WUNTRACED)[1]
        return os.WIFSTOPPED(self._status)

    def go_on(self) -> None:
        """Wake it."""
        os.kill(self.pid, signal.SIGCONT)

    def shown(self) -> str:
        """What it has written to standard output so far."""
        return _read(self._out)

    def ended(self, waited: bool = False) -> Ended:
        """Wait for its end."""
        self.close()
        if not waited:
            self._status = os.waitpid(self.pid, 0)[1]
        running.pop(self.pid, None)
        done = Ended(
            code=os.waitstatus_to_exitcode(self._status),
            out=_read(self._out),
            err=_read(self._err),
        )
        os.close(self._out)
        os.close(self._err)
        return done


running: dict[int, Command] = {}


def end_all() -> None:
    """End what a test that failed has left."""
    for pid, command in list(running.items()):
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
        with contextlib.suppress(ChildProcessError):
            command.ended()


def run(words: Sequence[str], typed: str = "", prepare: Callable[[], None] = lambda: None) -> Ended:
    """A command from start to end."""
    return Command(words, typed, prepare).ended()


def at_each_write(act: Callable[[int, str, str], None]) -> None:
    """From now on do something before each write, sync and rename.

    It is told its number from 0, the name of the call, and of the file where that is known.
    """
    turns = itertools.count()

    def before(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*words: Any, **named: Any) -> Any:
            act(next(turns), real.__name__, Path(words[-1]).name if words[1:] else "")
            return real(*words, **named)

        return call

    class Watched(io.FileIO):
        def write(self, data: Any) -> int:
            act(next(turns), "write", Path(os.fsdecode(self.name)).name)
            return super().write(data)

    plain_open = Path.open

    def opened(path: Path, mode: str = "r", *words: Any, **named: Any) -> Any:
        if mode in ("ab", "wb", "xb"):
            return Watched(path, mode)
        return plain_open(path, mode, *words, **named)

    Path.open = opened  # type: ignore[method-assign,assignment]
    for name in ("replace", "rename", "mkdir"):
        setattr(Path, name, before(getattr(Path, name)))
    os.fsync = before(os.fsync)


def stopping_at(turn: int) -> Callable[[], None]:
    """Stop before the write, sync or rename of this number; for ``prepare``."""

    def prepare() -> None:
        at_each_write(lambda n, *_: os.kill(os.getpid(), signal.SIGSTOP) if n == turn else None)

    return prepare


def impatient() -> None:
    """Wait for another writer hardly at all; for ``prepare``."""
    lock.WAIT_S = 0.05


def _unnamed() -> int:
    """A file that nobody else finds."""
    descriptor, name = tempfile.mkstemp()
    Path(name).unlink()
    return descriptor


def _read(descriptor: int) -> str:
    return os.pread(descriptor, 1 << 22, 0).decode()


def _child(
    words: Sequence[str], streams: tuple[int, int, int], prepare: Callable[[], None]
) -> NoReturn:
    code: object = 99
    try:
        for number, descriptor in enumerate(streams):
            os.dup2(descriptor, number)
        sys.stdin = io.TextIOWrapper(io.FileIO(0, closefd=False))
        sys.stdout = io.TextIOWrapper(io.FileIO(1, "w", closefd=False), write_through=True)
        sys.stderr = io.TextIOWrapper(io.FileIO(2, "w", closefd=False), write_through=True)
        from optimizer.cli import main

        prepare()
        main(list(words))
    except SystemExit as left:
        code = left.code
    except BaseException:
        import traceback

        os.write(2, traceback.format_exc().encode())
    finally:
        os._exit(code if isinstance(code, int) else 0)
