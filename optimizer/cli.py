"""The one way in, and every way out with its exit code."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

from optimizer.commands.app import app, only_named
from optimizer.errors import EXIT_COULD_NOT, EXIT_INTERRUPTED, CallError, ShimoptError
from optimizer.terminal import drop_unwritten, headed, say, tame_streams

_ROOM = "make room, or send the answer somewhere else"
_YOURS = "see that it is there and yours to read and write, and that the disk has room"


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and leave with a documented exit code."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    tame_streams()
    try:
        words = [_as_text(word) for word in words]
        with only_named(words):
            app(words, standalone_mode=True, prog_name="shimopt")
    except ShimoptError as error:
        if "--debug" in words:
            raise
        say(headed(error))
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        sys.exit(EXIT_INTERRUPTED)
    except OSError as error:
        drop_unwritten()
        if "--debug" in words:
            raise
        where = f"{error.filename}" if error.filename else "the answer could not be written"
        say(f"shimopt: {where}: {error.strerror or error}")
        say(f"  mend: {_YOURS if error.filename else _ROOM}")
        sys.exit(EXIT_COULD_NOT)
    except UnicodeEncodeError as error:
        if "--debug" in words:
            raise
        lacking = error.object[error.start : error.end]
        say(f"shimopt: {lacking} cannot be written in {error.encoding}")
        say("  mend: rename what holds it, or set PYTHONUTF8=1")
        sys.exit(EXIT_COULD_NOT)
    sys.exit(0)


def _as_text(word: str) -> str:
    """A word as it was typed, whatever the locale made of it.

    Bytes that the locale lacks come in as half letters. What is a path that is there goes on
    as it is; a name is read as UTF-8, and CallError where it is no text at all.
    """
    if not any("\ud800" <= letter <= "\udfff" for letter in word) or Path(word).exists():
        return word
    typed = word.encode(sys.getfilesystemencoding(), "surrogateescape")
    try:
        return typed.decode("utf-8")
    except UnicodeDecodeError:
        shown = typed.decode("utf-8", "replace")
        raise CallError(
            f"{shown} holds bytes that are not UTF-8", "rename it, or type it anew"
        ) from None
