"""A conversation on a terminal, or through a pipe with one answer a line."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable

import typer

from optimizer.errors import CallError
from optimizer.present.dots import DOTTED
from optimizer.terminal import harmless

BACK = "/"
STOP = "*"
SKIP = "+"
PLAIN_TERMINALS = ("dumb", "linux")  # without braille letters


class Talk:
    """Asks on standard input; answers on standard output, doubts on standard error.

    On a terminal there is a prompt, and a bad answer is asked for again; in a pipe
    there is neither, since a script cannot look.
    """

    def __init__(self, width: int) -> None:
        self.width = width
        self.live = sys.stdin.isatty()
        self.pictures = self.live and sys.stdout.isatty()

    @property
    def plain(self) -> bool:
        """Whether pictures must do with ASCII."""
        if os.environ.get("TERM") in PLAIN_TERMINALS:
            return True
        try:
            (DOTTED.band + DOTTED.zero + DOTTED.newest + "\u28ff").encode(sys.stdout.encoding)
        except (UnicodeEncodeError, LookupError, TypeError):
            return True
        return False

    def ask(self, prompt: str) -> str | None:
        """The answer, without outer blanks; None when there are no more."""
        stream = sys.stdout if sys.stdout.isatty() else sys.stderr
        if self.live:
            stream.write(harmless(f"{prompt}: "))
            stream.flush()
        try:
            line = sys.stdin.readline()
        except UnicodeDecodeError as error:
            raise CallError(
                "what was typed is not UTF-8 text", "type it again, or save the file as UTF-8"
            ) from error
        if not line:
            if self.live:
                stream.write("\n")  # what is said next begins its own line
            return None
        return line.strip()

    def tell(self, lines: str | Iterable[str]) -> None:
        """Say something that belongs to the answer."""
        text = lines if isinstance(lines, str) else "\n".join(lines)
        typer.echo(harmless(text), file=sys.stdout)

    def warn(self, lines: str | Iterable[str]) -> None:
        """Say something that a crew must not miss; on a terminal it stands with the rest."""
        text = lines if isinstance(lines, str) else "\n".join(lines)
        if sys.stderr is not None:
            typer.echo(harmless(text), file=sys.stderr)
