"""A crew at a pseudo-terminal, or a script at a pipe."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

SHIMOPT = [sys.executable, "-m", "optimizer"]
ENTER = [*SHIMOPT, "enter"]
HUNG_UP = b"\x00"  # closes the terminal instead of answering


def talk(
    folder: Path,
    replies: Sequence[str | bytes],
    *flags: str,
    columns: int = 80,
    rows: int = 40,
    command: str = "enter",
    **env: str,
) -> tuple[int, str]:
    """Run a command on a terminal, a reply at each prompt; the exit code and what it showed.

    Bytes are written as they are, without an Enter behind them.
    """
    pty = pytest.importorskip("pty")
    import fcntl
    import struct
    import termios

    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
    process = subprocess.Popen(
        [*SHIMOPT, command, str(folder), *flags],
        stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        env={**os.environ, "TERM": "xterm", "PYTHONIOENCODING": "utf-8", **env},
    )  # fmt: skip
    os.close(theirs)
    waiting, shown, fresh, until = list(replies), b"", b"", time.monotonic() + 60.0
    closed = False
    try:
        while time.monotonic() < until and not closed:
            if not select.select([ours], [], [], 0.2)[0]:
                if process.poll() is not None:
                    break
                continue
            try:
                data = os.read(ours, 4096)
            except OSError:
                break
            if not data:
                break
            fresh, shown = fresh + data, shown + data
            if fresh.endswith(b": ") and waiting:
                fresh = b""
                reply = waiting.pop(0)
                if reply == HUNG_UP:
                    os.close(ours)
                    closed = True
                else:
                    os.write(ours, reply if isinstance(reply, bytes) else f"{reply}\n".encode())
        code = process.wait(timeout=20)
    finally:
        process.kill()
        if not closed:
            os.close(ours)
    assert not waiting, f"not asked for {waiting}:\n{shown.decode()}"
    return code, shown.decode().replace("\r\n", "\n")


def pipe(folder: Path, text: str, *flags: str) -> tuple[int, str, str]:
    done = subprocess.run(
        [*ENTER, str(folder), *flags], input=text, capture_output=True, text=True, check=False
    )
    return done.returncode, done.stdout, done.stderr


def undo(folder: Path, *flags: str) -> tuple[int, str, str]:
    done = subprocess.run(
        [sys.executable, "-m", "optimizer", "undo", str(folder), *flags],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    return done.returncode, done.stdout, done.stderr
