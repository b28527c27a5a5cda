"""``next`` with a hundred runs and a hundred thousand settings: time, memory, growth.

Run ``python tests/bench/many.py``: it prints candidates, seconds (median of five) and
the peak memory of the process.
"""

from __future__ import annotations

import importlib.util
import resource
import statistics
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from optimizer.advise.next_move import advise
from optimizer.logbook import read_logbook
from optimizer.records import Logbook, Reading, Run, Thread

DATA = Path(__file__).resolve().parents[2] / "data"
CORNER = "rear-left"
N_RUN = 100
# eight thicknesses that double, two of each, so that there is a split for every 0.05 mm
DOUBLING_MM = (0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4)
BOX_MM = (*DOUBLING_MM, *DOUBLING_MM, 3.0, 2.0, 1.0, 1.0)
PITCHES_MM = (0.24, 0.12, 0.06, 0.03)


def crowded(pitch_mm: float) -> Logbook:
    """The demo's corner with a hundred runs, many shims and a very fine thread."""
    spec = importlib.util.spec_from_file_location("make_demo", DATA / "make_demo.py")
    assert spec is not None
    assert spec.loader is not None
    demo = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(demo)
    rng = np.random.default_rng(0)
    runs, readings = [], []
    for i in range(N_RUN):
        height, change = (0.0, 0.5, 1.0, 2.0, 2.5, 3.0)[i % 6], -0.5 * (i % 17)
        name = f"r{i}"
        runs.append(
            Run(
                name=name,
                corner=CORNER,
                above_mm=(4.0 - height,),
                below_mm=(2.0 + height,),
                length_change_mm=change,
            )
        )
        readings += [
            Reading(run=r, sweep=s, travel_mm=float(z), value=float(v) * 0.0254)
            for r, s, z, v in demo.measured_rows(rng, name, height, change)
        ]
    book = read_logbook(DATA / "demo")
    corner = book.corners[CORNER]
    corner = replace(
        corner,
        stack=replace(corner.stack, box_mm=BOX_MM, most_shims=20),
        thread=Thread(kind="both-ends", pitch_mm=pitch_mm, shorter_mm=12.0, longer_mm=9.0),
        reference_run="r0",
    )
    return replace(book, runs=tuple(runs), readings=tuple(readings), corners={CORNER: corner})


def timed(book: Logbook, n_time: int = 5) -> tuple[int, float]:
    """How many settings were weighed, and the median seconds of an answer."""
    times, count = [], 0
    for _ in range(n_time):
        start = time.perf_counter()
        count = advise(book, CORNER).n_candidate
        times.append(time.perf_counter() - start)
    return count, statistics.median(times)


def main() -> None:
    """Print the table."""
    for pitch in PITCHES_MM:
        count, seconds = timed(crowded(pitch))
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        print(f"{count:>7} settings, {N_RUN} runs: {seconds:.2f} s, peak {peak:.2f} GiB")


if __name__ == "__main__":
    main()
