"""Fuzzing led by coverage: ``python tests/storm/fuzz.py --seconds 600``.

Needs the extra ``fuzz``. The reader of logbooks is instrumented (``--deep`` takes in what
measures and advises as well); bytes are spoilt by the fuzzer itself, beginning with the demo's
files, and each logbook goes through ``check`` and ``next`` under the judge of the storm. What
failed is kept in ``--keep`` as a file that the same call plays again with ``--again FILE``.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

FILES = ("car.toml", "runs.csv", "readings.csv", "travel.csv", "wide.csv")
MARK = b"\n=====\n"  # between the files of one input
INSTRUMENTED = ("optimizer.logbook", "optimizer.commands.reading")
DEEPER = ("optimizer.measure", "optimizer.advise")
MOST_BYTES = 12_000
CALLS = (("check", "."), ("next", "."), ("import", "wide.csv", "."), ("curves", ".", "--json"))


def seeds() -> list[bytes]:
    """Inputs to begin with: the good logbooks, whole and short."""
    from tests.storm import mutations

    out = []
    with tempfile.TemporaryDirectory() as home:
        for base in mutations.make_bases(Path(home) / "bases"):
            parts = [(base / n).read_bytes() if (base / n).is_file() else b"" for n in FILES]
            parts[3] = parts[3][:300]
            out.append(MARK.join(parts))
            lines = parts[2].splitlines(keepends=True)
            parts[0] = b"\n".join(
                line for line in parts[0].splitlines() if line and not line.startswith(b"#")
            )
            out += [MARK.join([*parts[:2], b"".join(lines[:n]), *parts[3:]]) for n in (10, 19, 37)]
    return out


def lay_out(data: bytes, folder: Path) -> None:
    """The files that an input stands for."""
    for name, part in zip(FILES, data.split(MARK), strict=False):
        if part or name in FILES[:3]:
            (folder / name).write_bytes(part)


def complaints_of(data: bytes) -> list[str]:
    """What the judge says of one input, command by command."""
    from tests.storm import judge

    out: list[str] = []
    with tempfile.TemporaryDirectory(dir=_fast()) as home:
        room = Path(home)
        lay_out(data, room)
        for words in CALLS:
            played = judge.play(room, words)
            out += [f"{words[0]}: {one}" for one in played.complaints]
            if words[0] == "check" and played.code:
                break  # the others would say the same of the same faults
    return out


def _fast() -> str | None:
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def main() -> int:
    """Fuzz for so long; 1 where anything failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=600)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, default=None, help="corpus, and what failed")
    parser.add_argument("--deep", action="store_true", help="instrument what advises, too")
    parser.add_argument("--again", type=Path, default=None, help="a kept input to play again")
    asked = parser.parse_args()
    if asked.again is not None:
        found = complaints_of(asked.again.read_bytes())
        print(*(found or ["nothing to complain of"]), sep="\n")
        return 1 if found else 0
    try:
        import atheris
    except ImportError:
        print("skipped: atheris is not installed (the extra `fuzz`)")
        return 0
    keep = asked.keep or Path(tempfile.mkdtemp(prefix="fuzz-"))
    return _fuzz(atheris, asked, keep)


def _fuzz(atheris: object, asked: argparse.Namespace, keep: Path) -> int:
    corpus, failed = keep / "corpus", keep / "failed"
    for folder in (corpus, failed):
        folder.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(seeds()):
        (corpus / f"seed-{number:02}").write_bytes(seed)
    taken = INSTRUMENTED + (DEEPER if asked.deep else ())
    # the bases were made with plain modules: these are loaded once more, instrumented
    for name in [m for m in sys.modules if m.split(".")[0] in ("optimizer",) or "storm" in m]:
        del sys.modules[name]
    with atheris.instrument_imports(include=list(taken)):  # type: ignore[attr-defined]
        import importlib

        import optimizer.logbook
        import optimizer.logbook.take
        import optimizer.logbook.travel
        import optimizer.logbook.wide  # noqa: F401

        for home in ("answers", "files"):
            importlib.import_module(f"optimizer.commands.{home}")
        if asked.deep:
            importlib.import_module("optimizer.advise.next_move")
    counts: Counter[str] = Counter()
    tally = keep / "tally.json"

    def once(data: bytes) -> None:
        counts["tried"] += 1
        found = complaints_of(data)
        if found:
            key = found[0].split(" at ")[-1] if " at " in found[0] else found[0][:60]
            counts[f"failed: {key}"] += 1
            if counts[f"failed: {key}"] <= 3:
                (failed / f"{counts['tried']:08}").write_bytes(data)
                os.write(2, f"FAILED {found[0][:300]}\n".encode())
        if found or not counts["tried"] % 20:
            tally.write_text(json.dumps(counts), encoding="utf-8")

    child = os.fork()  # the fuzzer leaves by itself, without a word to whoever called it
    if child == 0:
        words = [
            sys.argv[0], str(corpus), f"-max_total_time={asked.seconds}", f"-seed={asked.seed}",
            f"-max_len={MOST_BYTES}", "-timeout=60", "-rss_limit_mb=4000", "-verbosity=0",
        ]  # fmt: skip
        atheris.Setup(words, once)  # type: ignore[attr-defined]
        atheris.Fuzz()  # type: ignore[attr-defined]
        os._exit(0)
    left = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    told = json.loads(tally.read_text(encoding="utf-8")) if tally.exists() else {"tried": 0}
    bad = {name: n for name, n in told.items() if name != "tried"}
    print(f"inputs tried {told['tried']} (to the last 20), failures {sum(bad.values())}, ", end="")
    print(f"corpus {len(list(corpus.iterdir()))}, the fuzzer left with {left}")
    for name, n in bad.items():
        print(f"  {n} times {name}; kept in {failed}")
    return 1 if bad or left else 0


if __name__ == "__main__":
    sys.exit(main())
