"""How often a run is said not to be as foretold: clean, and with its shims swapped.

Run ``python tests/bench/foretold.py`` (200 invented logbooks of three runs, some minutes). The
second run is judged by the first, the third by the first two.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from corners import bench_corners
from faults import FAULTS, NAME, logbook

from optimizer.advise.evidence import corner_evidence
from optimizer.advise.goal import target_of
from optimizer.advise.verified import Verified, verified
from optimizer.records import Logbook

SEED = 2207
KINDS = ("clean", "shims-swapped", "length-sign", "dial-sign", "travel-sign", "level-not-held")


def judged(book: Logbook) -> Verified:
    """The verdict on a logbook's last run."""
    evidence = corner_evidence(book, NAME)
    goal = evidence.corner.goal
    found = verified(book, evidence, goal, target_of(goal, evidence.measured_mm))
    assert found is not None
    return found


def study(
    n: int, seed: int = SEED, kinds: tuple[str, ...] = KINDS
) -> dict[str, dict[str, list[Verified]]]:
    """Verdicts by the last run's name and by what was done to it."""
    out: dict[str, dict[str, list[Verified]]] = {r: {k: [] for k in kinds} for r in ("r1", "r2")}
    for i, corner in enumerate(bench_corners(np.random.default_rng(seed), n)):
        rng = np.random.default_rng([seed, i])
        clean = logbook(rng, corner)
        for run in ("r1", "r2"):
            for kind in kinds:
                if kind == "length-sign" and run == "r1":
                    continue
                book = clean if kind == "clean" else FAULTS[kind](rng, clean, run)
                out[run][kind].append(judged(book.as_of(run)))
    return out


def report(results: dict[str, dict[str, list[Verified]]]) -> str:
    """The table, as Markdown."""
    lines = ["| last run | what was done to it | not as foretold | a suspect named |"]
    lines.append("|---|---|---|---|")
    for run, kinds in results.items():
        for kind, found in kinds.items():
            off = [v for v in found if not v.as_foretold]
            if found:
                named = np.mean([v.suspect is not None for v in off]) if off else float("nan")
                lines.append(f"| {run} | {kind} | {len(off) / len(found):.3f} | {named:.3f} |")
    return "\n".join(lines)


def main() -> None:
    """Parse, run, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--books", type=int, default=200)
    parser.add_argument("--seed", type=int, default=SEED)
    words = parser.parse_args()
    results = study(words.books, words.seed)
    print(report(results))
    for run, kinds in results.items():
        chance = np.array([v.chance for v in kinds["clean"]])
        told = ", ".join(f"{np.mean(chance < p):.3f} under {p}" for p in (0.001, 0.01, 0.05, 0.1))
        print(f"{run}, clean: {told}")


if __name__ == "__main__":
    main()
