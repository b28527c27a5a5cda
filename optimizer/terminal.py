"""What the commands write to and read from: widths, streams, one place for each."""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Iterable, Iterator
from typing import Any

import typer

from optimizer.errors import EXIT_COULD_NOT, HARMLESS, STEERING, LogbookError, ShimoptError


def harmless(text: str) -> str:
    """Text whose names, whatever they hold, cannot steer the terminal."""
    return text.translate(HARMLESS)


def columns() -> int:
    """Columns to write in: the terminal's, 80 at most, 80 in a pipe."""
    if not sys.stdout.isatty():
        return 80
    import shutil

    return max(20, min(80, shutil.get_terminal_size((80, 24)).columns))


def height() -> int:
    """Lines of the screen an answer is fitted to: the terminal's, 24 at least and in a pipe."""
    if not sys.stdout.isatty():
        return 24
    import shutil

    return max(24, shutil.get_terminal_size((80, 24)).lines)


def rows() -> int | None:
    """Lines that an answer may take with its command and one question; no end in a pipe."""
    if not sys.stdout.isatty():
        return None
    import shutil

    return max(20, shutil.get_terminal_size((80, 24)).lines - 3)


def write_screens(screens: Iterable[Iterable[str]]) -> None:
    """Several answers, an empty line between them."""
    write("\n\n".join("\n".join(lines) for lines in screens))


def write_lines(lines: Iterable[str]) -> None:
    """One answer."""
    write("\n".join(lines))


def write_then(text: str) -> None:
    """What to do next."""
    from optimizer.present.layout import labelled

    write_lines(labelled("Then", text, columns()))


def write_json(document: dict[str, Any]) -> None:
    """One document, in ASCII where the stream takes no more."""
    import json

    plain = not (sys.stdout.encoding or "").lower().startswith("utf")
    text = json.dumps(document, indent=2, allow_nan=False, ensure_ascii=plain)
    write(text.translate({code: f"\\u{code:04x}" for code in STEERING}))


def write(text: str) -> None:
    """Text and a line end to standard output."""
    # named, since typer would put UTF-8 into a stream that takes ASCII only
    typer.echo(harmless(text), file=sys.stdout)


def say(text: str) -> None:
    """Text and a line end to standard error, if there is one."""
    if sys.stderr is not None:
        typer.echo(harmless(text), file=sys.stderr)


@contextlib.contextmanager
def patience(text: str, after_s: float = 3.0) -> Iterator[None]:
    """Say a word to a person whose answer takes longer than this; none to a pipe."""
    streams = (sys.stdout, sys.stderr)
    if not all(stream is not None and stream.isatty() for stream in streams):
        yield
        return
    from threading import Timer

    waiting = Timer(after_s, say, [text])
    waiting.daemon = True
    waiting.start()
    try:
        yield
    finally:
        waiting.cancel()


def headed(error: ShimoptError) -> str:
    """An error with the program's name in front, unless a file's stands there."""
    text = str(error)
    placed = isinstance(error, LogbookError) and any(p.line for p in error.problems[:1])
    plain = placed or text.startswith(("car.toml", "runs.csv", "readings.csv", "travel.csv"))
    return text if plain else f"shimopt: {text}"


def tame_streams() -> None:
    """Streams that take every name, whatever their encoding; leave if there is no output."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    if sys.stdin is None:
        sys.stdin = io.StringIO()
    if sys.stdout is None:
        say("shimopt: standard output is closed: the answer has nowhere to go")
        sys.exit(EXIT_COULD_NOT)


def drop_unwritten() -> None:
    """Point standard output at nothing, so that leaving does not fail to flush it again."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
