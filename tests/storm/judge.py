"""Plays one command in process on a folder of files, and judges how it ended.

It may end with an answer or with a clear error and a documented exit code; nothing else.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import signal
import stat
import sys
import traceback
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import NoReturn

from optimizer import errors
from optimizer.cli import main
from optimizer.logbook import FILES

CODES = tuple(value for name, value in vars(errors).items() if name.startswith("EXIT_"))
REMEDY = re.compile(r"mend: |Try 'shimopt |^Usage: ", re.MULTILINE)
NOT_FINITE = re.compile(r"(?<![\w.])[-+]?(?:nan|inf|infinity)(?![\w-])", re.IGNORECASE)
RAW = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
JOURNAL = ".shimopt"
MOST_HELD = 100_000_000  # larger files are compared by size and time
# what a command may write where it ends with 0; nothing may write anything on an error
MAY_WRITE = {
    "brief": (r"brief.*\.html", r".*\.pdf"),
    "sheet": (r"sheet.*\.pdf",),
    "kit": (r"list\.csv",),
    "enter": (r"(.*/)?(runs|readings)\.csv", rf"(.*/)?{re.escape(JOURNAL)}(/.*)?"),
    "import": (r"(.*/)?(runs|readings)\.csv", rf"(.*/)?{re.escape(JOURNAL)}(/.*)?"),
    "undo": (r"(.*/)?(car\.toml|runs\.csv|readings\.csv)", rf"(.*/)?{re.escape(JOURNAL)}(/.*)?"),
    "new": (r"made(/.*)?",),
}
# these keep what they wrote before they stopped: each reading is saved before the next is asked
KEEPS = ("enter",)


class TooLongError(BaseException):
    """The command took longer than it may."""


@dataclass(frozen=True)
class Played:
    """One call and how it ended; ``complaints`` is empty where it may end like that."""

    words: tuple[str, ...]
    code: int | None
    out: str
    err: str
    complaints: tuple[str, ...]


def _too_long(signum: int, frame: FrameType | None) -> NoReturn:
    raise TooLongError


@contextlib.contextmanager
def _alarm(seconds: float) -> Iterator[None]:
    before = signal.signal(signal.SIGALRM, _too_long)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


def snapshot(folder: Path) -> dict[str, object]:
    """What every entry under a folder is and holds; links are not followed."""
    found: dict[str, object] = {}
    for parent, folders, files in os.walk(folder):
        for name in (*folders, *files):
            path = Path(parent) / name
            key, info = str(path.relative_to(folder)), path.lstat()
            if stat.S_ISLNK(info.st_mode):
                found[key] = ("link", str(path.readlink()))
            elif info.st_size > MOST_HELD:
                found[key] = (info.st_size, info.st_mtime_ns)
            elif stat.S_ISREG(info.st_mode):
                found[key] = path.read_bytes()
            else:
                found[key] = stat.S_IFMT(info.st_mode)
    return found


def _stream(data: bytes = b"") -> io.TextIOWrapper:
    return io.TextIOWrapper(io.BytesIO(data), encoding="utf-8", newline="", write_through=True)


def _text_of(stream: io.TextIOWrapper) -> str:
    stream.flush()
    buffer = stream.buffer
    assert isinstance(buffer, io.BytesIO)
    return buffer.getvalue().decode("utf-8", "surrogateescape")


def play(
    folder: Path, words: Sequence[str], typed: bytes = b"", *, seconds: float = 20.0
) -> Played:
    """Call ``shimopt`` with these words in a folder, and judge it."""
    before = snapshot(folder)
    out, err, complaints = _stream(), _stream(), list[str]()
    code: int | None = None
    held = sys.stdin, sys.stdout, sys.stderr, Path.cwd()
    try:
        os.chdir(folder)
        sys.stdin, sys.stdout, sys.stderr = _stream(typed), out, err
        with _alarm(seconds), warnings.catch_warnings():
            warnings.simplefilter("error")
            main(list(words))
    except SystemExit as left:
        code = left.code if isinstance(left.code, int) else 0 if left.code is None else -1
    except TooLongError:
        complaints.append(f"took over {seconds:g} s")
    except BaseException as error:  # whatever it is, it should not have left
        if isinstance(error, KeyboardInterrupt):
            raise
        last = traceback.extract_tb(error.__traceback__)[-1]
        own = [f for f in traceback.extract_tb(error.__traceback__) if "optimizer" in f.filename]
        at = f"{Path(own[-1].filename).name}:{own[-1].lineno}" if own else ""
        complaints.append(
            f"{type(error).__name__}: {str(error)[:200]} at {at} "
            f"({Path(last.filename).name}:{last.lineno})"
        )
    finally:
        sys.stdin, sys.stdout, sys.stderr = held[:3]
        os.chdir(held[3])
    shown, said = _text_of(out), _text_of(err)
    if not complaints:
        complaints += _of_words(words, code, shown, said, _typed_text(before, words, typed))
    complaints += _of_files(words[0] if words else "", code, before, snapshot(folder))
    return Played(tuple(words), code, shown, said, tuple(complaints))


def _typed_text(before: dict[str, object], words: Sequence[str], typed: bytes) -> str:
    """All that was given, to tell a figure of the tool's from a word of the crew's."""
    held = b"\n".join(v for v in before.values() if isinstance(v, bytes) and len(v) < 10**6)
    return (held + typed).decode("utf-8", "replace") + " ".join([*words, *before])


def _of_words(
    words: Sequence[str], code: int | None, out: str, err: str, given: str
) -> Iterator[str]:
    if code not in CODES:
        yield f"exit code {code} is not documented"
    for name, text in (("output", out), ("error", err)):
        if "Traceback" in text:
            yield f"a traceback on standard {name}"
        if found := RAW.search(text):
            yield f"raw {found[0]!r} on standard {name}"
        if (found := NOT_FINITE.search(text)) and not NOT_FINITE.search(given):
            yield f"{found[0]!r} on standard {name}"
    if code not in (0, errors.EXIT_INTERRUPTED) and not REMEDY.search(err):
        yield f"an error without a remedy: {err[-200:]!r}"
    if code == 0 and "--json" in words:
        yield from _of_json(out)


def _of_json(out: str) -> Iterator[str]:
    def refuse(name: str) -> NoReturn:
        raise ValueError(f"{name} in the JSON")

    try:
        json.loads(out, parse_constant=refuse)
    except ValueError as error:
        yield f"no JSON: {error}"


def _of_files(
    command: str, code: int | None, before: dict[str, object], after: dict[str, object]
) -> Iterator[str]:
    changed = sorted(k for k in {*before, *after} if before.get(k) != after.get(k))
    free = MAY_WRITE.get(command, ()) if code == 0 or command in KEEPS else ()
    for key in changed:
        if not any(re.fullmatch(pattern, key) for pattern in free):
            yield f"{key} was written, with exit code {code}"
    if command in KEEPS:  # whatever is there stays in front
        for name in FILES:
            old, new = before.get(name), after.get(name)
            if isinstance(old, bytes) and isinstance(new, bytes) and not new.startswith(old):
                yield f"{name} lost what it held"
