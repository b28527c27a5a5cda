"""Whole-process times side by side, in turn, on an installed copy.

Run ``python tests/bench/speed.py`` by hand on a quiet machine, in an environment
with the test extra (``pip install -e '.[test]'``): it builds a wheel with the
hatchling it finds there, and fails without. It installs the wheel into a folder of
its own (compiled, as an installation is), and prints the median ratio of each pair
beside its bar; then what `import optimizer` costs beside numpy, in milliseconds.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
N_PAIR = 15
NEW = "new {fresh} --units mm --span 300 --rising toe-in --link behind --above 3+1 --below 2x1"
PAIRS = (
    ("next", ["-m", "optimizer", "next", "{demo}"], "import pandas, scipy.optimize", 1.0),
    ("check", ["-m", "optimizer", "check", "{demo}"], "import numpy, typer", 1.5),
    ("undo", ["-m", "optimizer", "undo", "{made}"], "import typer", 1.5),
    ("new", ["-m", "optimizer", *NEW.split()], "import typer", 1.5),
    ("--help", ["-m", "optimizer", "--help"], "import typer", 3.0),
)
# what numpy takes, and ours alone or before it: how much more, in milliseconds
IMPORTS = (
    ("alone", "import numpy", "import optimizer", 60.0),
    ("with numpy", "import numpy", "import optimizer, numpy", 60.0),
)


def installed(folder: Path) -> dict[str, str]:
    """Install this checkout into a folder and return the environment that uses it."""
    quiet = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-build-isolation"]
    subprocess.run([*quiet, "--target", str(folder), str(ROOT)], check=True)
    env = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    return {**env, "PYTHONPATH": str(folder)}


def seconds(command: list[str], env: dict[str, str]) -> float:
    """Wall time of one process."""
    start = time.perf_counter()
    subprocess.run(command, env=env, stdout=subprocess.DEVNULL, check=True, cwd=Path.home())
    return time.perf_counter() - start


def ratio(ours: list[str], theirs: str, env: dict[str, str], n_pair: int = N_PAIR) -> float:
    """Median of the pairwise ratio, after one pair that is not counted.

    In our words ``{demo}`` is the demo, ``{made}`` a new logbook (where `undo` undoes its own
    undo each time), ``{fresh}`` a folder that is not there yet.
    """
    b = [sys.executable, "-c", theirs]
    with tempfile.TemporaryDirectory() as folder:
        place = {"demo": str(ROOT / "data" / "demo"), "made": f"{folder}/made"}
        words = [word.format(fresh=place["made"]) for word in NEW.split()]
        seconds([sys.executable, "-m", "optimizer", *words], env)
        ratios = []
        for n in range(n_pair + 1):
            a = [sys.executable, *(w.format(**place, fresh=f"{folder}/{n}") for w in ours)]
            ratios.append(seconds(a, env) / seconds(b, env))
    return statistics.median(ratios[1:])


def over_ms(theirs: str, ours: str, env: dict[str, str], n_pair: int = N_PAIR) -> float:
    """Median of how much longer ours takes, pair by pair, in milliseconds; below zero if less."""
    calls = [[sys.executable, "-c", code] for code in (theirs, ours)]
    gaps = []
    for _ in range(n_pair + 1):
        base, whole = (seconds(call, env) for call in calls)
        gaps.append(1e3 * (whole - base))
    return statistics.median(gaps[1:])


def main() -> None:
    """Print a line for each pair."""
    with tempfile.TemporaryDirectory() as folder:
        env = installed(Path(folder))
        for name, ours, theirs, bar in PAIRS:
            print(f"{name:<7} {ratio(ours, theirs, env):.2f} of `{theirs}`, at most {bar}")
        for name, base, with_us, most in IMPORTS:
            over = over_ms(base, with_us, env)
            print(f"{name:<11} {over:+.0f} ms over `{base}`: `{with_us}`, at most {most:.0f}")


if __name__ == "__main__":
    main()
