"""Where the time of a call goes: whole processes, by what the work is.

Run ``python tests/bench/profile_calls.py`` by hand on a quiet machine; it installs this
checkout into a folder of its own, as tests/bench/speed.py does, and prints a table in
Markdown. What counts is wall time, and each moment counts once: loading numpy inside the
reading of a file is loading numpy. The functions named in `STAGES` are timed from outside,
so nothing of a profiler slows small functions more than large ones.
"""

from __future__ import annotations

import builtins
import functools
import importlib
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
N_TIMES = 15
PYTHON = "starting Python"
REST = "all else"
LOADS = {
    "numpy": "loading numpy",
    "scipy": "loading scipy",
    "typer": "loading typer",
    "optimizer": "loading our own modules",
}
OTHERS = "loading the standard library"
STAGES = {
    "reading the files": ("optimizer.logbook.read:read_logbook",),
    "readings to toe curves": (
        "optimizer.measure.curve:toe_curve",
        "optimizer.measure.quality:run_quality",
    ),
    "slips and spreads": (
        "optimizer.advise.suspects:suspects",
        "optimizer.measure.spreads:gauge_study",
    ),
    "the surface": ("optimizer.advise.evidence:fitted", "optimizer.advise.table:Table.__init__"),
    "settings and limits": ("optimizer.advise.makeable:settings_of",),
    "what each run would teach": ("optimizer.advise.lookahead:worth_of_measuring",),
    "words": (
        "optimizer.present.note:note",
        "optimizer.present.screens:check_screen",
    ),
}  # fmt: skip
CALLS = {
    "next": ["next", str(ROOT / "data" / "demo")],
    "check": ["check", str(ROOT / "data" / "demo")],
    "--help": ["--help"],
}


class Clock:
    """Wall time by what is being done; what begins inside another stops the other's."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = {}
        self._stack = [REST]
        self._since = time.perf_counter()
        self._waiting = [(w, stage) for stage, names in STAGES.items() for w in names]

    def turn(self) -> None:
        """Book what has passed on what is being done."""
        now = time.perf_counter()
        doing = self._stack[-1]
        self.spent[doing] = self.spent.get(doing, 0.0) + now - self._since
        self._since = now

    def timed(self, doing: str, work: Callable[..., Any]) -> Callable[..., Any]:
        """A function whose time counts for this."""

        @functools.wraps(work)
        def inner(*given: Any, **named: Any) -> Any:
            self.turn()
            self._stack.append(doing)
            try:
                return work(*given, **named)
            finally:
                self.turn()
                self._stack.pop()

        return inner

    def importing(self, real: Callable[..., Any]) -> Callable[..., Any]:
        """An import whose time counts for what it loads; functions that came are timed."""
        by_name = {doing: self.timed(doing, real) for doing in {*LOADS.values(), OTHERS}}

        @functools.wraps(real)
        def inner(name: str, *given: Any, **named: Any) -> Any:
            relative = bool(given[3:] and given[3]) or bool(named.get("level"))
            if relative or (name in sys.modules and not (given[2:] and given[2])):
                return real(name, *given, **named)
            found = by_name[LOADS.get(name.partition(".")[0], OTHERS)](name, *given, **named)
            self._watch()
            return found

        return inner

    def _watch(self) -> None:
        for where, stage in list(self._waiting):
            module, _, path = where.partition(":")
            home: Any = sys.modules.get(module)
            *owners, name = path.split(".")
            for owner in owners:
                home = getattr(home, owner, None)
            if home is not None and hasattr(home, name):
                setattr(home, name, self.timed(stage, getattr(home, name)))
                self._waiting.remove((where, stage))


def inside(words: list[str]) -> None:
    """One call in this process; what took how long goes to standard error."""
    clock = Clock()
    builtins.__import__ = clock.importing(builtins.__import__)  # type: ignore[assignment]
    importlib.import_module = clock.importing(importlib.import_module)
    from optimizer.cli import main

    try:
        main(words)
    finally:
        clock.turn()
        print(json.dumps(clock.spent), file=sys.stderr)


def profile(words: list[str], env: dict[str, str], n_times: int = N_TIMES) -> dict[str, float]:
    """Median seconds of each part of a call, after one call that is not counted."""
    from tests.bench.speed import seconds

    found: list[dict[str, float]] = []
    for _ in range(n_times + 1):
        done = subprocess.run(
            [sys.executable, str(Path(__file__)), *words],
            env=env, cwd=Path.home(), capture_output=True, text=True, check=True,
        )  # fmt: skip
        found.append(json.loads(done.stderr.splitlines()[-1]))
        found[-1][PYTHON] = seconds([sys.executable, "-c", "pass"], env)
    parts = {name for one in found for name in one}
    return {p: statistics.median(one.get(p, 0.0) for one in found[1:]) for p in parts}


def main() -> None:
    """Print the table."""
    sys.path.insert(0, str(ROOT))
    from tests.bench.speed import installed

    with tempfile.TemporaryDirectory() as folder:
        env = installed(Path(folder))
        found = {name: profile(words, env) for name, words in CALLS.items()}
    order = [PYTHON, *LOADS.values(), OTHERS, *STAGES, REST]
    print(f"| ms | {' | '.join(f'`{name}`' for name in found)} |")
    print(f"|---|{'---:|' * len(found)}")
    for part in order:
        cells = [1e3 * parts.get(part, 0.0) for parts in found.values()]
        if max(cells) >= 0.5:
            print(f"| {part} | {' | '.join(f'{c:.0f}' for c in cells)} |")
    whole = [1e3 * sum(parts.values()) for parts in found.values()]
    print(f"| together | {' | '.join(f'{c:.0f}' for c in whole)} |")


if __name__ == "__main__":
    if len(sys.argv) > 1 and "PYTHONPATH" in os.environ:
        inside(sys.argv[1:])
    else:
        main()
