"""Make the demo's twin: four corners of the invented rally car, with ten things wrong.

Run ``python data/make_twin.py``. The readings come from the exact mechanism, as those
of the demo; then one fault of each kind that ``check`` looks for is written in. The
seed is fixed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from make_demo import CORNER, measured_rows, write_table

from optimizer.model.mechanism import TOE_LINK

SEED = 9052
REAR = CORNER
_inner, _outer = CORNER.inner.copy(), CORNER.outer.copy()
_inner[TOE_LINK], _outer[TOE_LINK] = (112.0, 372.0, 197.0), (104.0, 690.0, 208.0)
FRONT = replace(CORNER, inner=_inner, outer=_outer)
CORNERS = {"rear-left": REAR, "rear-right": REAR, "front-left": FRONT, "front-right": FRONT}
# (shims above, shims below, joint height, length change) of each corner's runs
SETTINGS = (
    ("3+1", "1+1", 0.0, 0.0),
    ("2", "3+1", 2.0, 0.0),
    ("2", "3+1", 2.0, -3.0),
    ("3", "2+1", 1.0, 3.0),
    ("1+1+0.5", "3+0.5", 1.5, -4.5),
)
RunRow = tuple[str, ...]
ReadingRow = tuple[str, str, str, str]
Rows = tuple[list[RunRow], list[ReadingRow]]


def name_of(corner: str, run: int) -> str:
    """Name of a corner's run, counted from 1: RL1, FR3."""
    return "".join(word[0] for word in corner.split("-")).upper() + str(run)


def clean() -> Rows:
    """Rows of both tables with nothing wrong."""
    rng = np.random.default_rng(SEED)
    runs: list[RunRow] = []
    readings: list[ReadingRow] = []
    for corner, points in CORNERS.items():
        for k, (above, below, height, change) in enumerate(SETTINGS, 1):
            run = name_of(corner, k)
            runs.append((run, corner, above, below, f"{change:g}"))
            readings += measured_rows(rng, run, height, change, points)
    return runs, readings


def _readings(rows: Rows, run: str, sweep: str | None, told: Callable[..., Sequence[str]]) -> Rows:
    """Readings of one run, or one of its passes, told anew: (travels, readings) to readings."""
    mine = [k for k, r in enumerate(rows[1]) if r[0] == run and sweep in (None, r[1])]
    new = list(rows[1])
    travels = [float(new[k][2]) for k in mine]
    values = [float(new[k][3]) for k in mine]
    for k, value in zip(mine, told(np.array(travels), np.array(values)), strict=True):
        new[k] = (*new[k][:3], f"{float(value):g}")
    return rows[0], new


def _run(rows: Rows, run: str, told: Callable[[RunRow], RunRow]) -> Rows:
    return [told(r) if r[0] == run else r for r in rows[0]], rows[1]


def _travel_turned(rows: Rows, run: str) -> Rows:
    turned = [
        (name, sweep, f"{-float(z) + 0.0:g}" if name == run else z, value)
        for name, sweep, z, value in rows[1]
    ]
    return rows[0], turned


def _exchanged(rows: Rows, one: str, other: str) -> Rows:
    names = {one: other, other: one}
    swapped = [(names.get(r[0], r[0]), *r[1:]) for r in rows[1]]
    place = [r[0] for r in rows[0]]
    return rows[0], sorted(swapped, key=lambda r: place.index(r[0]))


# what is wrong: kind, the runs it is in, and how it came about
FAULTS: tuple[tuple[str, tuple[str, ...], Callable[[Rows], Rows]], ...] = (
    (
        "one-reading",
        ("RL2",),
        lambda rows: _readings(rows, "RL2", "up2", lambda z, d: np.where(z == 25.0, d + 30, d)),
    ),
    (
        "shims-swapped",
        ("RL5",),
        lambda rows: _run(rows, "RL5", lambda r: (*r[:2], r[3], r[2], r[4])),
    ),
    (
        "zero-drift",
        ("RR2",),
        lambda rows: _readings(
            rows, "RR2", "down1", lambda z, d: np.round(d + np.linspace(0.0, 45.0, len(d)))
        ),
    ),
    (
        "length-sign",
        ("RR5",),
        lambda rows: _run(rows, "RR5", lambda r: (*r[:4], f"{-float(r[4]):g}")),
    ),
    (
        "pass-reversed",
        ("FL2",),
        lambda rows: _readings(rows, "FL2", "up1", lambda z, d: d[::-1]),
    ),
    (
        "wrong-unit",
        ("FL3",),
        lambda rows: _readings(rows, "FL3", None, lambda z, d: np.round(d / 25.4, 1)),
    ),
    (
        "level-not-held",
        ("FL5",),
        lambda rows: _readings(rows, "FL5", None, lambda z, d: np.round(d + 0.9 * z)),
    ),
    ("travel-sign", ("RR3",), lambda rows: _travel_turned(rows, "RR3")),
    ("dial-sign", ("FR2",), lambda rows: _readings(rows, "FR2", None, lambda z, d: -d + 0.0)),
    ("runs-exchanged", ("FR4", "FR5"), lambda rows: _exchanged(rows, "FR4", "FR5")),
)


def faulty() -> Rows:
    """Rows of both tables with all ten faults."""
    rows = clean()
    for _, _, plant in FAULTS:
        rows = plant(rows)
    return rows


def write(folder: Path, rows: Rows) -> None:
    """Write both tables."""
    runs, readings = rows
    head = ("run", "corner", "shims_above", "shims_below", "length_change")
    write_table(folder / "runs.csv", head, runs)
    write_table(folder / "readings.csv", ("run", "pass", "travel_mm", "reading_thou"), readings)


def main() -> None:
    """Write runs and readings of ``demo/ten-faults`` beside this file."""
    write(Path(__file__).with_name("demo") / "ten-faults", faulty())


if __name__ == "__main__":
    main()
