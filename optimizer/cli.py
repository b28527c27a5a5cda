"""The one way in, and every way out with its exit code."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import NoReturn

from optimizer.commands.app import app, only_named
from optimizer.errors import EXIT_COULD_NOT, EXIT_INTERRUPTED, CallError, ShimoptError
from optimizer.terminal import drop_unwritten, headed, say, tame_streams


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and leave with a documented exit code."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    tame_streams()
    try:
        _check_text(words)
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
        say("  mend: see that it is there and yours to read and write, and that the disk has room")
        sys.exit(EXIT_COULD_NOT)
    sys.exit(0)


def _check_text(words: Sequence[str]) -> None:
    """CallError for a word that is no text: it could be neither written nor shown."""
    for word in words:
        if any("\ud800" <= letter <= "\udfff" for letter in word):
            shown = word.encode("utf-8", "replace").decode("utf-8")
            raise CallError(f"{shown} holds bytes that are not UTF-8", "rename it, or type it anew")
