"""Each goal on invented corners: what is promised against what the exact mechanism keeps.

``python tests/bench/goals.py --corners 200`` plays two runs on each corner for each goal:
as found, then what is advised. What is advised after the second run is then put on the
exact mechanism. A chance is honest when as many of those settings keep the wish as
was promised.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parent))

from corners import GAUGE, Corner, bench_corners, measured_readings, taped

from optimizer import records
from optimizer.advise.advice import Advice, Spot
from optimizer.advise.next_move import advise
from optimizer.model.mechanism import sweep
from optimizer.records import Goal, Logbook, Reading, Run, Signs, Stack, Thread, Units

Array = NDArray[np.float64]

NAME = "rear-left"
SEED = 6206
BOX = (0.25, 0.5, 0.5, 1.0, 1.0, 1.0, 2.0, 2.0, 3.0)
SLACK_DEG = 0.005  # toe-out less than this counts as none, as the README says
AT_MM = -30.0  # inside every corner's window
GOALS = {
    "rms": Goal(),
    "peak-to-peak": Goal(measure="peak-to-peak"),
    "never-toe-out": Goal(never_toe_out="droop"),
    "most-change": Goal(most_change_deg=0.06),
    "toe-at-travel": Goal(
        kind="toe-at-travel",
        at_travel_mm=AT_MM,
        toe_change_deg=0.05,
        tolerance_deg=0.03,
        order=("toe-at-travel", "least-change"),
    ),
    "both": Goal(never_toe_out="both", most_change_deg=0.1, order=("most-change", "never-toe-out")),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """One corner and goal after two runs: chances promised, and what the mechanism keeps.

    The chances are those of what is advised, RMS and peak-to-peak those of the best guess.
    """

    promised: tuple[float, ...]
    kept: tuple[bool, ...]
    rms_deg: float
    peak_to_peak_deg: float


def book_of(rng: np.random.Generator, corner: Corner, goal: Goal) -> Logbook:
    """The corner's logbook after its run as found."""
    own = records.Corner(
        name=NAME,
        side="left",
        ahead=corner.ahead,
        tape=taped(rng, corner, "tape"),
        stack=Stack(box_mm=BOX),
        thread=Thread(kind="both-ends", pitch_mm=1.5, shorter_mm=10.0, longer_mm=10.0),
        goal=replace(goal, window_mm=corner.window_mm),
    )
    blank = Logbook(
        folder=Path(),
        car="invented",
        units=Units(),
        signs=Signs(),
        gauge=GAUGE,
        corners={NAME: own},
        runs=(),
        readings=(),
    )
    found = Run(name="found", corner=NAME, above_mm=(3.0,), below_mm=(2.0, 1.0))
    return with_run(rng, blank, corner, found, 0.0)


def with_run(
    rng: np.random.Generator, book: Logbook, corner: Corner, run: Run, height_mm: float
) -> Logbook:
    """The logbook with one more run measured."""
    rows: list[Reading] = measured_readings(rng, corner, height_mm, run.length_change_mm, run.name)
    return replace(book, runs=(*book.runs, run), readings=(*book.readings, *rows))


def run_at(spot: Spot, name: str) -> Run:
    """The row of a run at a setting."""
    split, change = spot.split, spot.length_change_mm
    return Run(
        name=name,
        corner=NAME,
        above_mm=split.above_mm,
        below_mm=split.below_mm,
        length_change_mm=change,
    )


def after_two_runs(corner: Corner, goal: Goal, seed: int) -> tuple[Advice, Advice]:
    """Advice after the run as found, and after the run that it advised."""
    rng = np.random.default_rng(seed)
    book = book_of(rng, corner, goal)
    first = advise(book, NAME)
    spot = first.move.spot
    book = with_run(rng, book, corner, run_at(spot, "second"), spot.height_mm)
    return first, advise(book, NAME)


def true_toe_deg(corner: Corner, spot: Spot, travel_mm: Array) -> Array:
    """Toe change by the exact mechanism, (n_travel,)."""
    toe = sweep(
        corner.points, np.append(travel_mm, 0.0), spot.height_mm, spot.length_change_mm
    ).toe_deg[0, 0]
    return np.asarray(toe[:-1] - toe[-1])


def kept_by(corner: Corner, goal: Goal, spot: Spot) -> dict[str, bool]:
    """Which wishes the exact mechanism keeps at a setting, by kind."""
    node = np.linspace(*corner.window_mm, 201)
    toe = true_toe_deg(corner, spot, node)
    out: dict[str, bool] = {}
    if goal.never_toe_out is not None:
        side = {"droop": node < 0.0, "bump": node > 0.0, "both": node != 0.0}
        out["never-toe-out"] = bool(np.all(toe[side[goal.never_toe_out]] >= -SLACK_DEG))
    if goal.most_change_deg is not None:
        out["most-change"] = bool(np.all(np.abs(toe) <= goal.most_change_deg))
    if goal.kind == "toe-at-travel":
        at = float(true_toe_deg(corner, spot, np.array([goal.at_travel_mm]))[0])
        assert goal.toe_change_deg is not None
        assert goal.tolerance_deg is not None
        out["toe-at-travel"] = abs(at - goal.toe_change_deg) <= goal.tolerance_deg
    return out


def settled(corner: Corner, goal: Goal, seed: int) -> Kept:
    """What is advised after two runs, put on the mechanism."""
    _, advice = after_two_runs(corner, goal, seed)
    spot = advice.move.spot
    kept = kept_by(corner, goal, spot)
    toe = true_toe_deg(corner, advice.best_guess, np.linspace(*corner.window_mm, 41))
    return Kept(
        promised=tuple(w.after for w in advice.wishes),
        kept=tuple(kept[w.kind] for w in advice.wishes),
        rms_deg=float(np.sqrt(np.mean(toe**2))),
        peak_to_peak_deg=float(max(toe.max(), 0.0) - min(toe.min(), 0.0)),
    )


def study(
    n_corner: int, goals: tuple[str, ...] = tuple(GOALS), jobs: int = -1
) -> dict[str, list[Kept]]:
    """Every goal on the same corners with the same noise."""
    corners = bench_corners(np.random.default_rng(SEED), n_corner)
    tasks = [(name, c, SEED + i) for name in goals for i, c in enumerate(corners)]
    done = Parallel(n_jobs=jobs)(delayed(settled)(c, GOALS[name], s) for name, c, s in tasks)
    out: dict[str, list[Kept]] = {name: [] for name in goals}
    for (name, _, _), kept in zip(tasks, done, strict=True):
        out[name].append(kept)
    return out


def report(found: dict[str, list[Kept]]) -> str:
    """A row a goal: promised, kept, RMS and peak-to-peak of what is advised."""
    lines = ["goal, wish: promised, kept; RMS and peak-to-peak, mean, degrees"]
    for name, rows in found.items():
        rms = np.mean([r.rms_deg for r in rows])
        span = np.mean([r.peak_to_peak_deg for r in rows])
        said = [
            f"{np.mean(promised):.3f}, {np.mean(kept):.3f}"
            for promised, kept in zip(
                zip(*(r.promised for r in rows), strict=True),
                zip(*(r.kept for r in rows), strict=True),
                strict=True,
            )
        ]
        lines.append(f"{name:<16}{'; '.join(said):<30}{rms:.4f}  {span:.4f}")
    return "\n".join(lines)


def main() -> None:
    """Parse, run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--corners", type=int, default=200)
    print(report(study(parser.parse_args().corners)))


if __name__ == "__main__":
    main()
