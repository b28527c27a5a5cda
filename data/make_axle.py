"""Make the demo's rear axle: the left rear of the demo, and its right rear measured too.

Run ``python data/make_axle.py``. On the right the link's inner joint sits 1.5 mm higher
than a mirror image would have it, and two runs were measured. The seed is fixed.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
from make_demo import CORNER, RUNS, SHEET, measured_rows, write_table

from optimizer.model.mechanism import TOE_LINK

SEED = 7
INNER_UP_MM = 1.5
N_RUN = 2
_inner = CORNER.inner.copy()
_inner[TOE_LINK, 2] += INNER_UP_MM
# as a left corner; the mechanism knows no other
RIGHT = replace(CORNER, inner=_inner)

AXLE = """
[axle.rear]
left = "rear-left"
right = "rear-right"
track = 1520          # between the wheels' middles
place = "rear"
same = true           # both sides are to be set alike

[labour]              # minutes
shims = 20
length = 30
alignment = 45
run = 40
"""
CAR = """# The demo's rear axle: an invented rally car and invented readings (data/make_axle.py).
# The left rear is the demo's; on the right two runs were measured.

"""


def car(demo: str) -> str:
    """car.toml of the axle, from the demo's."""
    body = demo[demo.index("[car]") :].rstrip() + "\n"
    left = body[body.index("[corner.rear-left]") :]
    right = left.replace("rear-left", "rear-right").replace('side = "left"', 'side = "right"')
    right = right.replace('reference_run = "as-found"', 'reference_run = "R-as-found"')
    return f"{CAR}{body}\n{right}{AXLE}"


def main() -> None:
    """Write ``demo/both-wheels/`` beside this file."""
    demo = Path(__file__).with_name("demo")
    folder = demo / "both-wheels"
    folder.mkdir(exist_ok=True)
    (folder / "car.toml").write_text(car((demo / "car.toml").read_text("utf-8")), encoding="utf-8")
    rng = np.random.default_rng(SEED)
    tables = {}
    for name in ("runs", "readings"):
        with (demo / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            tables[name] = [tuple(row) for row in csv.reader(file)]
    for (run, height, change), (date, above, below, mark, _) in list(zip(RUNS, SHEET, strict=True))[
        :N_RUN
    ]:
        own = f"R-{run}"
        row = (own, "rear-right", date, above, below, f"{change:g}", str(mark), "", "")
        tables["runs"].append(row)
        tables["readings"] += measured_rows(rng, own, height, change, RIGHT)
    for name, rows in tables.items():
        write_table(folder / f"{name}.csv", rows[0], rows[1:])


if __name__ == "__main__":
    main()
