"""One planted fault in an invented logbook: which are found, and how often wrongly.

Run ``python tests/bench/faults.py`` (500 logbooks of each kind and 500 clean ones, some
minutes on two cores). A logbook is one corner of the closed loop's generator, three runs
with the tape's errors, and one fault, or none. A fault matters where the setting held best
with it scores more than 0.02 degrees RMS worse than the one held best without, by the
exact mechanism; a fault is found where a suspect of its run, or of every run alike, names
its kind as the likeliest story or one nearly as good.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parent))

from corners import (
    GAUGE,
    Corner,
    bench_corners,
    measured_readings,
    settings_grid,
    taped,
    true_scores_deg,
)
from policies import ours

from optimizer import records
from optimizer.advise.evidence import corner_evidence, fitted
from optimizer.advise.suspects import Suspect, suspects
from optimizer.errors import ShimoptError
from optimizer.measure.shape import window_weights
from optimizer.records import Logbook, Reading, Run, Signs, Stack, Units

Array = NDArray[np.float64]

SEED = 5150
MATTERS_DEG = 0.02
TOTAL_MM, BELOW_MM = 6.0, 2.5
NAME = "corner"
Fault = Callable[[np.random.Generator, Logbook, str], Logbook]


def logbook(rng: np.random.Generator, corner: Corner) -> Logbook:
    """Three clean runs: as found, height moved, then length (and height) moved."""
    settings = [(0.0, 0.0)]
    height = float(rng.choice([-2.0, -1.5, 1.5, 2.0, 3.0]))
    settings.append((height, 0.0))
    settings.append((height * float(rng.choice([0.0, 1.0])), float(rng.choice([-5, -4, 4, 5]))))
    runs, readings = [], list[Reading]()
    for k, (h, d) in enumerate(settings):
        runs.append(
            Run(
                name=f"r{k}",
                corner=NAME,
                above_mm=(TOTAL_MM - BELOW_MM - h,),
                below_mm=(BELOW_MM + h,),
                length_change_mm=d,
            )
        )
        readings += measured_readings(rng, corner, h, d, f"r{k}")
    own = records.Corner(
        name=NAME,
        side="left",
        ahead=corner.ahead,
        tape=taped(rng, corner, "tape"),
        stack=Stack(),
        goal=records.Goal(window_mm=corner.window_mm),
    )
    return Logbook(
        folder=Path(),
        car="invented",
        units=Units(),
        signs=Signs(),
        gauge=GAUGE,
        corners={NAME: own},
        runs=tuple(runs),
        readings=tuple(readings),
    )


def _readings(book: Logbook, run: str, change: Callable[[list[Reading]], list[Reading]]) -> Logbook:
    mine = change([r for r in book.readings if r.run == run])
    kept = [r for r in book.readings if r.run != run]
    return replace(book, readings=(*kept, *mine))


def _row(book: Logbook, run: str, **change: object) -> Logbook:
    runs = tuple(replace(r, **change) if r.name == run else r for r in book.runs)  # type: ignore[arg-type]
    return replace(book, runs=runs)


def _one_reading(rng: np.random.Generator, book: Logbook, run: str) -> Logbook:
    def change(rows: list[Reading]) -> list[Reading]:
        away = [k for k, r in enumerate(rows) if r.travel_mm]
        k = int(rng.choice(away))
        off = float(rng.choice([-1, 1]) * rng.uniform(0.3, 1.5))
        rows[k] = replace(rows[k], value=rows[k].value + off)
        return rows

    return _readings(book, run, change)


def _zero_drift(rng: np.random.Generator, book: Logbook, run: str) -> Logbook:
    sweep, off = str(rng.choice(["up1", "down1", "up2", "down2"])), float(rng.choice([-1, 1]))
    off *= float(rng.uniform(0.3, 1.5))

    def change(rows: list[Reading]) -> list[Reading]:
        mine = [k for k, r in enumerate(rows) if r.sweep == sweep]
        for place, k in enumerate(mine):
            moved = off * place / (len(mine) - 1)
            rows[k] = replace(rows[k], value=rows[k].value + moved)
        return rows

    return _readings(book, run, change)


def _pass_reversed(rng: np.random.Generator, book: Logbook, run: str) -> Logbook:
    sweep = str(rng.choice(["up1", "down1", "up2", "down2"]))

    def change(rows: list[Reading]) -> list[Reading]:
        mine = [k for k, r in enumerate(rows) if r.sweep == sweep]
        values = [rows[k].value for k in reversed(mine)]
        for k, value in zip(mine, values, strict=True):
            rows[k] = replace(rows[k], value=value)
        return rows

    return _readings(book, run, change)


def _shims_swapped(_: np.random.Generator, book: Logbook, run: str) -> Logbook:
    row = next(r for r in book.runs if r.name == run)
    return _row(book, run, above_mm=row.below_mm, below_mm=row.above_mm)


def _length_sign(_: np.random.Generator, book: Logbook, run: str) -> Logbook:
    row = next(r for r in book.runs if r.name == run)
    return _row(book, run, length_change_mm=-row.length_change_mm)


def _dial_sign(_: np.random.Generator, book: Logbook, run: str) -> Logbook:
    return _readings(book, run, lambda rows: [replace(r, value=-r.value) for r in rows])


def _wrong_unit(_: np.random.Generator, book: Logbook, run: str) -> Logbook:
    return _readings(book, run, lambda rows: [replace(r, value=r.value / 25.4) for r in rows])


def _level(rng: np.random.Generator, book: Logbook, run: str) -> Logbook:
    tilt = float(rng.choice([-1, 1]) * rng.uniform(0.05, 0.25)) / 40.0

    def change(rows: list[Reading]) -> list[Reading]:
        span = GAUGE.span_mm or 1.0
        return [
            replace(r, value=r.value + span * np.tan(np.radians(tilt * r.travel_mm))) for r in rows
        ]

    return _readings(book, run, change)


def _travel_sign(_: np.random.Generator, book: Logbook, run: str) -> Logbook:
    return _readings(book, run, lambda rows: [replace(r, travel_mm=-r.travel_mm) for r in rows])


def _exchanged(_: np.random.Generator, book: Logbook, run: str) -> Logbook:
    other = next(r.name for r in book.runs if r.name != run)
    names = {run: other, other: run}
    return replace(
        book, readings=tuple(replace(r, run=names.get(r.run, r.run)) for r in book.readings)
    )


FAULTS: dict[str, Fault] = {
    "one-reading": _one_reading,
    "zero-drift": _zero_drift,
    "pass-reversed": _pass_reversed,
    "shims-swapped": _shims_swapped,
    "length-sign": _length_sign,
    "dial-sign": _dial_sign,
    "wrong-unit": _wrong_unit,
    "level-not-held": _level,
    "travel-sign": _travel_sign,
    "runs-exchanged": _exchanged,
}


def hit(kind: str, run: str, found: tuple[Suspect, ...]) -> bool:
    """Whether a suspect of the run, or of every run, names the kind."""
    return any(kind in (s.kind, *s.also) and (run in s.runs or not s.runs) for s in found)


def held_best(book: Logbook, corner: Corner) -> float:
    """True score of the setting held best on a logbook."""
    node, weight = window_weights(corner.window_mm)
    h, d = settings_grid()
    i = ours(fitted(corner_evidence(book, NAME)).surface, node, weight, h, d)
    return float(true_scores_deg(corner, h[i : i + 1], d[i : i + 1], node, weight)[0])


def one(corner: Corner, seed: int) -> dict[str, tuple[bool, bool, bool]]:
    """For each kind: whether it matters, whether it was found, whether its run was named."""
    rng = np.random.default_rng([SEED, seed])
    clean = logbook(rng, corner)
    best = held_best(clean, corner)
    found = suspects(clean)
    out = {"clean": (False, bool(found), bool(found))}
    for kind, plant in FAULTS.items():
        last = kind in ("length-sign",)
        run = "r2" if last else str(rng.choice(["r1", "r2"]))
        book = plant(rng, clean, run)
        try:
            found = suspects(book)
            matters = held_best(book, corner) - best > MATTERS_DEG
        except ShimoptError:
            continue
        named = any(run in s.runs or not s.runs for s in found)
        out[kind] = (matters, hit(kind, run, found), named)
    return out


def study(n: int, seed: int = SEED, jobs: int = -1) -> list[dict[str, tuple[bool, bool, bool]]]:
    """Every kind on ``n`` corners."""
    corners = bench_corners(np.random.default_rng(seed), n)
    return list(Parallel(n_jobs=jobs)(delayed(one)(c, i) for i, c in enumerate(corners)))


def report(results: list[dict[str, tuple[bool, bool, bool]]]) -> str:
    """The table, as Markdown."""
    lines = ["| fault | matters in | found, of those | its run named | found, of all |"]
    lines.append("|---|---|---|---|---|")
    for kind in FAULTS:
        rows = np.array([r[kind] for r in results if kind in r])
        some = rows[rows[:, 0]]
        share = f"{some[:, 1].mean():.3f}" if len(some) else "-"
        named = f"{some[:, 2].mean():.3f}" if len(some) else "-"
        lines.append(
            f"| {kind} | {len(some)} of {len(rows)} | {share} | {named} | {rows[:, 1].mean():.3f} |"
        )
    alarms = np.mean([r["clean"][1] for r in results])
    lines.append(f"\nfalse alarms: {alarms:.3f} of {len(results)} clean logbooks")
    return "\n".join(lines)


def main() -> None:
    """Parse, run, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--books", type=int, default=500)
    parser.add_argument("--seed", type=int, default=SEED)
    words = parser.parse_args()
    print(report(study(words.books, words.seed)))


if __name__ == "__main__":
    main()
