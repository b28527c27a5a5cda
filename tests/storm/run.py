"""The storm by hand: ``python tests/storm/run.py --minutes 60``.

Spoils good logbooks at random, plays one command on each and tells what ended otherwise than
with an answer or a clear error. What failed is kept, folder and call, to be played again with
``--again FOLDER``. A seed says the same storm again.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

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
    base = mutations.pick(draw, bases)
    if kind == "axle":
        base = next(b for b in bases if b.name == "axle")
    shutil.copytree(base, room, symlinks=True)
    mutations.spoil(draw, room, kind)
    words, typed = mutations.call_of(draw, kind)
    _note(room, words, typed)
    return judge.play(room, words, typed)


def _note(room: Path, words: list[str], typed: bytes) -> None:
    call = {"words": words, "typed": typed.decode("latin-1")}
    room.with_suffix(".json").write_text(json.dumps(call), encoding="utf-8")


def clear(room: Path) -> None:
    """Take a room away."""
    shutil.rmtree(room, ignore_errors=True)
    room.with_suffix(".json").unlink(missing_ok=True)


def main() -> int:
    """Play until the time is over; the table, and 1 where anything failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, default=None, help="where what failed is kept")
    parser.add_argument("--only", default=None, help="one kind of call")
    parser.add_argument("--again", type=Path, default=None, help="a kept folder to play again")
    asked = parser.parse_args()
    if asked.again is not None:
        return again(asked.again)
    home = Path(tempfile.mkdtemp(prefix="storm-"))
    keep = asked.keep or home / "failed"
    keep.mkdir(parents=True, exist_ok=True)
    bases = mutations.make_bases(home / "bases")
    kinds = (asked.only,) if asked.only else (*mutations.FAST * 3, *mutations.SLOW)
    end, seed = time.monotonic() + 60.0 * asked.minutes, asked.seed * 1_000_000
    tried, failed, codes = Counter[str](), Counter[str](), Counter[tuple[str, int | None]]()
    slowest: dict[str, float] = {}
    told: Counter[str] = Counter()
    while time.monotonic() < end:
        seed += 1
        kind = kinds[seed % len(kinds)]
        room = home / f"{seed}"
        begun = time.monotonic()
        played = one(Dice(seed), bases, room, kind)
        slowest[kind] = max(slowest.get(kind, 0.0), time.monotonic() - begun)
        tried[kind] += 1
        codes[kind, played.code] += 1
        if played.complaints:
            failed[kind] += 1
            what = f"{kind}: {played.complaints[0]}"
            told[what.split(" at ")[-1] if " at " in what else what[:60]] += 1
            if told[what.split(" at ")[-1] if " at " in what else what[:60]] <= 3:
                print(f"{seed} {what}", flush=True)
                shutil.move(room, keep / room.name)
                shutil.move(room.with_suffix(".json"), keep / f"{room.name}.json")
        clear(room)
    print(f"\n{'kind':18}{'inputs tried':>14}{'answers':>9}{'failures':>10}{'slowest, s':>12}")
    for kind in sorted(tried):
        row = f"{tried[kind]:>14}{codes[kind, 0]:>9}{failed[kind]:>10}{slowest[kind]:>12.1f}"
        print(f"{kind:18}{row}")
    total = f"{tried.total():>14}{sum(n for (_, c), n in codes.items() if c == 0):>9}"
    print(f"{'all':18}{total}{failed.total():>10}{max(slowest.values()):>12.1f}")
    if failed:
        print(f"kept in {keep}")
    return 1 if failed else 0


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
