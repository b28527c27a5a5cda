"""The storm by hand: ``python tests/storm/run.py``.

Three parts, one table of inputs tried, failures found and failures left:

1. ``--inputs`` good logbooks are spoilt at random, half of them mildly, and one command is
   played on each; whatever ends otherwise than with an answer or a clear error is kept, folder
   and call, to be played again with ``--again FOLDER``. A seed says the same storm again.
2. The fuzzer led by coverage runs for ``--fuzz-minutes`` (``fuzz.py``).
3. The tests of numbers at the edge, of places, of writers and of security are run.

With ``--before FOLDER``, where ``optimizer`` and ``data`` of an older state stand, the same
inputs are played on that as well: its failures are those found, this tree's those left.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
BEFORE = "STORM_PLAYED_ON"  # in a child: where the package stands that is played on
sys.path[:0] = [p for p in (os.environ.get(BEFORE), str(ROOT)) if p and p not in sys.path]
MEMORY = 6 << 30
GROUPS = {
    "numbers at the edge": ("tests/storm/test_numbers.py",),
    "sizes and places": ("tests/storm/test_place.py",),
    "two writers": ("tests/cli/test_two_writers.py",),
    "killed, cut off": (
        "tests/cli/test_enter_killed.py",
        "tests/unit/test_power_cut.py",
        "tests/cli/test_import_killed.py",
    ),
    "full disk, read-only": ("tests/cli/test_full_disk.py",),
    "security": ("tests/storm/test_security.py",),
}

from tests.storm import judge, mutations  # noqa: E402


class Dice:
    """Draws from a seeded generator."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)

    def whole(self, low: int, high: int) -> int:
        """A whole number from ``low`` to ``high``."""
        return self._random.randint(low, high)


def one(draw: mutations.Draw, bases: tuple[Path, ...], room: Path, kind: str) -> judge.Played:
    """A spoilt logbook in an empty room, and a command played on it."""
    words, typed = mutations.prepare(draw, bases, room, kind)
    _note(room, words, typed)
    return judge.play(room, words, typed)


def _note(room: Path, words: list[str], typed: bytes) -> None:
    call = {"words": words, "typed": typed.decode("latin-1")}
    room.with_suffix(".json").write_text(json.dumps(call), encoding="utf-8")


def clear(room: Path) -> None:
    """Take a room away."""
    shutil.rmtree(room, ignore_errors=True)
    room.with_suffix(".json").unlink(missing_ok=True)


@dataclass(slots=True)
class Tally:
    """What became of the inputs of each kind."""

    tried: Counter[str] = field(default_factory=Counter)
    answered: Counter[str] = field(default_factory=Counter)
    failed: Counter[str] = field(default_factory=Counter)
    told: Counter[str] = field(default_factory=Counter)
    slowest_s: dict[str, float] = field(default_factory=dict)


def spoil_and_play(kinds: tuple[str, ...], n: int, seed: int, home: Path) -> Tally:
    """Play ``n`` inputs; the first three of each failure are kept."""
    keep = home / "failed"
    keep.mkdir(parents=True)
    bases, tally = mutations.make_bases(home / "bases"), Tally()
    for number in range(seed * 1_000_000 + 1, seed * 1_000_000 + n + 1):
        kind = kinds[number % len(kinds)]
        room, begun = home / f"{number}", time.monotonic()
        played = one(Dice(number), bases, room, kind)
        took = time.monotonic() - begun
        tally.slowest_s[kind] = max(tally.slowest_s.get(kind, 0.0), took)
        tally.tried[kind] += 1
        tally.answered[kind] += played.code == 0
        if played.complaints:
            tally.failed[kind] += 1
            what = f"{kind}: {played.complaints[0]}"
            what = what.split(" at ")[-1] if " at " in what else what[:60]
            tally.told[what] += 1
            if tally.told[what] <= 3:
                print(f"{number} {kind}: {played.complaints[0]}", flush=True)
                shutil.move(room, keep / room.name)
                shutil.move(room.with_suffix(".json"), keep / f"{room.name}.json")
        clear(room)
    shutil.rmtree(home / "bases")
    if tally.failed:
        print(f"kept in {keep}")
    else:
        shutil.rmtree(home)
    return tally


def _child(before: Path, asked: argparse.Namespace) -> tuple[dict[str, int], int]:
    """The same inputs on an older package: failures of each kind, and how many causes."""
    words = [sys.executable, str(Path(__file__)), "--inputs", str(asked.inputs)]
    words += ["--seed", str(asked.seed), "--fuzz-minutes", "0", "--no-groups", "--json"]
    words += ["--only", asked.only] if asked.only else []
    env = {**os.environ, BEFORE: str(before.resolve())}
    done = subprocess.run(words, stdout=subprocess.PIPE, text=True, env=env, check=False)
    if done.returncode:
        sys.exit(f"the older package took its process with it, code {done.returncode}")
    told = json.loads(done.stdout.splitlines()[-1])
    return dict(told["failed"]), int(told["causes"])


def _fuzzed(minutes: float) -> tuple[str, str]:
    """Inputs tried and failures of the fuzzer, as it says them itself."""
    keep = Path(tempfile.mkdtemp(prefix="fuzz-"))
    words = [sys.executable, str(Path(__file__).with_name("fuzz.py")), "--keep", str(keep)]
    words += ["--seconds", f"{60 * minutes:.0f}"]
    done = subprocess.run(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    found = re.search(r"inputs tried (\d+).*?failures (\d+)", done.stdout)
    if not found:
        print(done.stdout.strip())
        return "not run", "?"
    if found[2] == "0" and not done.returncode:
        shutil.rmtree(keep)
    else:
        print(f"kept in {keep}")
    return found[1], found[2] if not done.returncode else f"{found[2]}, left with an error"


def _group(files: tuple[str, ...]) -> tuple[int, int, int]:
    """Tests that passed, failed and were skipped."""
    words = [sys.executable, "-m", "pytest", "-v", "-p", "no:cacheprovider", *files]
    done = subprocess.run(words, stdout=subprocess.PIPE, text=True, cwd=ROOT, check=False)
    last = done.stdout.strip().splitlines()[-1]
    n = {
        word: int(count) for count, word in re.findall(r"(\d+) (passed|failed|error|skipped)", last)
    }
    bad = n.get("failed", 0) + n.get("error", 0) or int(done.returncode != 0 or not n)
    return n.get("passed", 0), bad, n.get("skipped", 0)


def main() -> int:
    """Play, fuzz, test; the table, and 1 where anything failed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--inputs", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=sorted(mutations.KINDS), help="one kind of call")
    parser.add_argument("--fuzz-minutes", type=float, default=10.0)
    parser.add_argument("--no-groups", action="store_true", help="leave the third part out")
    parser.add_argument("--before", type=Path, default=None, help="an older package, played too")
    parser.add_argument("--again", type=Path, default=None, help="a kept folder to play again")
    parser.add_argument("--json", action="store_true", help="failures of each kind in one line")
    asked = parser.parse_args()
    if asked.again is not None:
        return again(asked.again)
    if asked.inputs < 1:
        parser.error("--inputs must be 1 or more")
    kinds = (asked.only,) if asked.only else (*mutations.FAST * 3, *mutations.SLOW)
    if os.environ.get(BEFORE):  # what reads without end is to fail, not to take the machine
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    home = Path(tempfile.mkdtemp(prefix="storm-"))
    tally = spoil_and_play(kinds, asked.inputs, asked.seed, home)
    if asked.json:
        print("\n" + json.dumps({"failed": tally.failed, "causes": len(tally.told)}))
        return 0
    before, causes = _child(asked.before, asked) if asked.before else ({}, 0)
    found = {kind: str(before.get(kind, 0)) if asked.before else "" for kind in tally.tried}
    print(f"\n{'':22}{'tried':>9}{'answered':>10}{'found':>7}{'left':>6}{'slowest, s':>12}")
    for kind in sorted(tally.tried):
        row = f"{tally.tried[kind]:>9}{tally.answered[kind]:>10}{found[kind]:>7}"
        print(f"{kind:22}{row}{tally.failed[kind]:>6}{tally.slowest_s[kind]:>12.1f}")
    total = sum(before.get(kind, 0) for kind in tally.tried)
    row = f"{tally.tried.total():>9}{tally.answered.total():>10}{total if asked.before else '':>7}"
    print(f"{'all calls':22}{row}{tally.failed.total():>6}{max(tally.slowest_s.values()):>12.1f}")
    if asked.before:
        print(f"{'  of how many causes':22}{'':19}{causes:>7}{len(tally.told):>6}")
    left = tally.failed.total()
    if asked.fuzz_minutes:
        n, bad = _fuzzed(asked.fuzz_minutes)
        print(f"{'fuzzer':22}{n:>9}{'':17}{bad:>6}")
        left += bad != "0"
    for name, files in () if asked.no_groups else GROUPS.items():
        passed, failed, skipped = _group(files)
        told = f"  {skipped} skipped" if skipped else ""
        print(f"{name:22}{passed + failed:>9}{'':17}{failed:>6}{told}", flush=True)
        left += failed
    return 1 if left else 0


def again(kept: Path) -> int:
    """Play a kept failure again, on a copy."""
    call = json.loads(kept.with_suffix(".json").read_text(encoding="utf-8"))
    with tempfile.TemporaryDirectory() as home:
        room = Path(home) / "room"
        shutil.copytree(kept, room, symlinks=True)
        played = judge.play(room, call["words"], call["typed"].encode("latin-1"))
    print(played.words, "ended with", played.code)
    print(played.out, played.err, sep="\n--- error\n")
    print(*played.complaints, sep="\n")
    return 1 if played.complaints else 0


if __name__ == "__main__":
    sys.exit(main())
