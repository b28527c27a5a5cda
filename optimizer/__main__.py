"""``python -m optimizer`` and the script ``shimopt``."""

from __future__ import annotations

import gc
import os
import signal
from types import FrameType
from typing import NoReturn

GARBAGE = 50_000  # objects before the collector looks; a command makes a few thousand


def main() -> NoReturn:
    """Load the commands and run them; an interrupt while loading ends quietly with 130.

    What is loaded stays to the end, so the collector does not look through it: neither
    while it grows, which makes garbage of nothing, nor when the process leaves.
    """
    gc.disable()
    heeded = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if heeded:
        # an exception raised inside an import can be swallowed or changed by it: leave at once
        signal.signal(signal.SIGINT, _leave)
    from optimizer.cli import main as run

    if heeded:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    gc.freeze()
    gc.set_threshold(GARBAGE)
    gc.enable()
    try:
        run()
    finally:
        gc.freeze()


def _leave(signum: int, frame: FrameType | None) -> NoReturn:
    os._exit(130)


if __name__ == "__main__":
    main()
