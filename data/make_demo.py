"""Make the demo logbook's readings: an invented rally car, measured by a noisy gauge.

Run ``python data/make_demo.py``. The exact spatial mechanism is the truth behind
the readings, not the surface's own formula. The seed is fixed.

The story: the car's rear toe links sit behind the uprights' pivots. Over the
winter the crew fitted new, longer rod ends and set the car lower for asphalt;
since then the back end steps about under braking. They measured the left rear as
it stood, moved one millimetre of shim to see what it does, then wound the link
shorter by two flats to see what that does.

A fourth run is not in the logbook but beside it, in a table of its own to be taken in:
the setting that the tool advises after three, made and measured. The first run stands
there once more as a table to start a logbook with.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from optimizer.model.mechanism import TOE_LINK, HardPoints, sweep

SEED = 4127
SPAN_MM = 300.0
THOU_MM = 0.0254
TRAVELS_MM = np.arange(-50.0, 50.1, 12.5)
SWEEPS = ("up1", "down1", "up2", "down2")

CORNER = HardPoints(
    inner=np.array(
        [
            [128.0, 352.0, 178.0],
            [-142.0, 346.0, 184.0],
            [104.0, 424.0, 408.0],
            [-96.0, 420.0, 400.0],
            [-104.5, 379.0, 217.9],
        ]
    ),
    outer=np.array(
        [
            [4.0, 694.0, 186.0],
            [4.0, 694.0, 186.0],
            [-9.0, 668.0, 428.0],
            [-9.0, 668.0, 428.0],
            [-96.0, 698.0, 224.0],
        ]
    ),
    hub=np.array([0.0, 742.0, 302.0]),
    spindle=np.array([0.0026, 0.99981, 0.0192]) / np.linalg.norm([0.0026, 0.99981, 0.0192]),
    stud=np.array([0.01, 0.026, 1.0]) / np.linalg.norm([0.01, 0.026, 1.0]),
    slot=np.array([0.0, -1.0, 0.0]),
)
# (run, joint height, length change), from the reference setting
RUNS = (("as-found", 0.0, 0.0), ("joint-up", 2.0, 0.0), ("link-short", 2.0, -3.0))
# (date, shims above, shims below, eccentric mark, note) of the same runs
SHEET = (
    ("2026-03-07", "3+1", "1+1", 0, "as it came off the trailer, new rod ends"),
    ("2026-03-07", "2", "3+1", 0, "a guess: two millimetres from above to below"),
    ("2026-03-14", "2", "3+1", -3, "a guess: body turned once"),
)
# what is advised after the three, made and measured a week later
FOURTH = ("run4", 2.75, -9.0)
FOURTH_SHEET = ("2026-03-21", "1+0.25", "3+1+0.5+0.25", -9, "as advised after three runs")
FOURTH_SEED = 4128
MM_PER_MARK = 1.0
STATIC_TOE_SD_DEG = 0.02


def true_toe_change_deg(
    travel_mm: NDArray[np.float64],
    height_mm: float,
    length_change_mm: float,
    points: HardPoints = CORNER,
) -> NDArray[np.float64]:
    """Toe change of the demo's true mechanism, static toe held, shape (n_travel,)."""
    toe = sweep(points, np.append(travel_mm, 0.0), height_mm, length_change_mm).toe_deg[0]
    return np.asarray(toe[:-1] - toe[-1])


def measured_rows(
    rng: np.random.Generator,
    run: str,
    height_mm: float,
    length_change_mm: float,
    points: HardPoints = CORNER,
) -> list[tuple[str, str, str, str]]:
    """One run as a crew would write it down: run, pass, travel, reading in thou."""
    tilt = rng.normal(0.0, 0.006) / 40.0
    scale = rng.normal(0.0, 0.005)
    rows = []
    for name in SWEEPS:
        order = TRAVELS_MM if name.startswith("up") else TRAVELS_MM[::-1]
        order = np.concatenate([[0.0], order[order != 0.0]])
        actual = order * (1.0 + scale) + rng.normal(0.0, 0.3, len(order))
        toe = true_toe_change_deg(actual, height_mm, length_change_mm, points) + tilt * actual
        way = 1.0 if name.startswith("up") else -1.0
        loop = way * 0.015 * (1.0 - (order / order.max()) ** 2)
        dial = SPAN_MM * np.tan(np.deg2rad(toe)) + loop + rng.normal(0.0, 0.02, len(order))
        dial = np.round((dial - dial[0]) / THOU_MM)
        rows += [(run, name, f"{z:g}", f"{d:g}") for z, d in zip(order, dial + 0.0, strict=True)]
    return rows


def static_toe_deg(height_mm: float, length_change_mm: float, shift_mm: float) -> float:
    """Static toe of the true mechanism with the inner pivot moved inboard by ``shift_mm``."""
    inner = CORNER.inner.copy()
    inner[TOE_LINK] += shift_mm * CORNER.slot
    moved = replace(CORNER, inner=inner)
    kept = np.linalg.norm(CORNER.outer[TOE_LINK] - CORNER.inner[TOE_LINK])
    now = np.linalg.norm(CORNER.outer[TOE_LINK] - inner[TOE_LINK])
    change = length_change_mm + float(kept - now)
    toe = sweep(moved, np.zeros(1), height_mm, change, hold_static_toe=False).toe_deg
    return float(toe[0, 0])


def seen_toe(rng: np.random.Generator, height_mm: float, change_mm: float, mark: int) -> str:
    """Static toe as the alignment gauge would show it."""
    toe = static_toe_deg(height_mm, change_mm, mark * MM_PER_MARK)
    return f"{round(toe + rng.normal(0.0, STATIC_TOE_SD_DEG), 2):g}"


def run_rows(rng: np.random.Generator) -> list[tuple[str, ...]]:
    """Rows of runs.csv."""
    rows = []
    for (run, height, change), (date, above, below, mark, note) in zip(RUNS, SHEET, strict=True):
        seen = seen_toe(rng, height, change, mark)
        rows.append((run, "rear-left", date, above, below, f"{change:g}", str(mark), seen, note))
    return rows


def columns_of(rows: Sequence[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """A run's rows with a column for each pass: travel, then what each read there."""
    read = {(sweep, float(travel)): reading for _, sweep, travel, reading in rows}
    return [(f"{z:g}", *(read[sweep, z] for sweep in SWEEPS)) for z in TRAVELS_MM.tolist()]


def fourth_table(rng: np.random.Generator) -> list[tuple[str, ...]]:
    """The fourth run as a table to be taken in: its setting above, travel down."""
    run, height, change = FOURTH
    date, above, below, mark, note = FOURTH_SHEET
    rows = columns_of(measured_rows(rng, run, height, change))
    toe = seen_toe(rng, height, change, mark)
    facts = (
        *(("date", date), ("shims above", above), ("shims below", below)),
        *(("length change", f"{change:g}"), ("eccentric mark", str(mark))),
        *(("static toe", toe), ("note", note)),
    )
    blank = ("",) * (len(SWEEPS) - 1)
    head = ("travel mm", *(f"{run} {sweep} thou" for sweep in SWEEPS))
    return [head, *((name, said, *blank) for name, said in facts), *rows]


def main() -> None:
    """Write runs and readings of ``demo``, and the two tables, beside this file."""
    folder = Path(__file__).with_name("demo")
    rng = np.random.default_rng(SEED)
    rows = [row for run, height, change in RUNS for row in measured_rows(rng, run, height, change)]
    write_table(folder / "readings.csv", ("run", "pass", "travel_mm", "reading_thou"), rows)
    write_table(
        folder / "runs.csv",
        (
            *("run", "corner", "date", "shims_above", "shims_below"),
            *("length_change", "eccentric_mark", "static_toe", "note"),
        ),
        run_rows(rng),
    )
    head, *table = fourth_table(np.random.default_rng(FOURTH_SEED))
    write_table(folder / f"{FOURTH[0]}.csv", head, table)
    first = columns_of([row for row in rows if row[0] == RUNS[0][0]])
    lines = [("travel_mm", *SWEEPS), *first]
    text = "\n".join("  ".join(f"{cell:<6}" for cell in line).rstrip() for line in lines)
    (folder / f"{RUNS[0][0]}.txt").write_text(f"{text}\n", encoding="utf-8")


def write_table(path: Path, header: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> None:
    """Write one table of a logbook."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


if __name__ == "__main__":
    main()
