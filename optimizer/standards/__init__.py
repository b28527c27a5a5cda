"""Small tables from published standards, each row with its source."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from importlib import resources


@dataclass(frozen=True, slots=True, kw_only=True)
class ThreadSize:
    """A thread by its designation, such as ``M14x1.5`` or ``5/8-18``."""

    designation: str
    series: str
    pitch_mm: float
    source: str


def thread_sizes() -> dict[str, ThreadSize]:
    """Thread sizes by designation: ISO 262 (mm pitch) and ASME B1.1 (threads per inch)."""
    sizes = {}
    for row in _rows("threads.csv"):
        per_inch = row["threads_per_inch"]
        sizes[row["designation"]] = ThreadSize(
            designation=row["designation"],
            series=row["series"],
            pitch_mm=25.4 / float(per_inch) if per_inch else float(row["pitch_mm"]),
            source=row["source"],
        )
    return sizes


def shim_thicknesses_mm() -> tuple[float, ...]:
    """Thicknesses shim rings are commonly sold in, thinnest first."""
    return tuple(float(row["thickness_mm"]) for row in _rows("shims.csv"))


def _rows(name: str) -> list[dict[str, str]]:
    with resources.files("optimizer.standards").joinpath(name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))
