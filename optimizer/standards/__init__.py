"""Small tables from published standards, each row with its source."""

from __future__ import annotations

import csv
import math
from importlib import resources

from optimizer.record import record


@record
class ThreadSize:
    """A thread by its designation, such as ``M14x1.5`` or ``5/8-18``."""

    designation: str
    series: str
    major_mm: float
    pitch_mm: float
    source: str

    @property
    def metric(self) -> bool:
        """Whether it is an ISO metric thread; else a unified one."""
        return self.designation.startswith("M")

    @property
    def stress_area_mm2(self) -> float:
        """Tensile stress area, mm^2: pi/4 (d - c P)^2.

        c is 0.9382 for metric threads (ISO 898-1), 0.9743 for unified ones (ASME B1.1);
        both from memory.
        """
        given_up = 0.9382 if self.metric else 0.9743
        return math.pi / 4.0 * (self.major_mm - given_up * self.pitch_mm) ** 2

    @property
    def core_mm(self) -> float:
        """Core (minor) diameter of the male thread, mm: d - 1.226869 P.

        The rounded root, 17/24 of the sharp height deep (ISO 724 and ISO 898-1, from
        memory). Unified threads, whose own root is a little less deep, get the same.
        """
        return self.major_mm - 17.0 / 24.0 * math.sqrt(3.0) * self.pitch_mm


@record
class PropertyClass:
    """Least strength of a steel fastener's class, for diameters in (over, up to], mm and MPa."""

    name: str
    over_mm: float
    up_to_mm: float
    proof_mpa: float
    ultimate_mpa: float
    source: str


@record
class Washer:
    """Nominal thickness of a plain washer for a thread size, mm."""

    standard: str
    size: str
    thickness_mm: float
    source: str


@record
class RodEnd:
    """A rod end: bore and width of its ball in mm, tilt it allows to either side in degrees."""

    series: str
    bore_mm: float
    ball_width_mm: float
    tilt_deg: float
    source: str


@record
class ShimRing:
    """Bore and outside diameter of a shim ring, mm."""

    bore_mm: float
    outside_mm: float
    source: str


def thread_sizes() -> dict[str, ThreadSize]:
    """Thread sizes by designation: ISO 262 (mm pitch) and ASME B1.1 (threads per inch)."""
    sizes = {}
    for row in _rows("threads.csv"):
        inch, per_inch = row["major_in"], row["threads_per_inch"]
        sizes[row["designation"]] = ThreadSize(
            designation=row["designation"],
            series=row["series"],
            major_mm=25.4 * float(inch) if inch else float(row["major_mm"]),
            pitch_mm=25.4 / float(per_inch) if per_inch else float(row["pitch_mm"]),
            source=row["source"],
        )
    return sizes


def shim_thicknesses_mm() -> tuple[float, ...]:
    """Thicknesses shim rings are commonly sold in, thinnest first."""
    return tuple(float(row["thickness_mm"]) for row in _rows("shims.csv"))


def shim_rings() -> tuple[ShimRing, ...]:
    """Bore and outside pairs of shim rings, smallest first."""
    return tuple(
        ShimRing(
            bore_mm=float(row["bore_mm"]),
            outside_mm=float(row["outside_mm"]),
            source=row["source"],
        )
        for row in _rows("shim_rings.csv")
    )


def property_classes() -> tuple[PropertyClass, ...]:
    """Strengths of property classes 8.8, 10.9 and 12.9, each over a range of diameters."""
    return tuple(
        PropertyClass(
            name=row["property_class"],
            over_mm=float(row["over_mm"]),
            up_to_mm=float(row["up_to_mm"]),
            proof_mpa=float(row["proof_mpa"]),
            ultimate_mpa=float(row["ultimate_mpa"]),
            source=row["source"],
        )
        for row in _rows("property_classes.csv")
    )


def washers() -> tuple[Washer, ...]:
    """Plain washers of the normal (ISO 7089) and the small series (ISO 7092)."""
    return tuple(
        Washer(
            standard=row["standard"],
            size=row["size"],
            thickness_mm=float(row["thickness_mm"]),
            source=row["source"],
        )
        for row in _rows("washers.csv")
    )


def rod_ends() -> tuple[RodEnd, ...]:
    """Rod ends of series K, smallest bore first."""
    return tuple(
        RodEnd(
            series=row["series"],
            bore_mm=float(row["bore_mm"]),
            ball_width_mm=float(row["ball_width_mm"]),
            tilt_deg=float(row["tilt_deg"]),
            source=row["source"],
        )
        for row in _rows("rod_ends.csv")
    )


def _rows(name: str) -> list[dict[str, str]]:
    with resources.files("optimizer.standards").joinpath(name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))
