"""Threads and the strength of fasteners against figures read elsewhere.

Sources stand beside the figures; ISO 262, ISO 898-1 and ASME B1.1 were read, unless a
figure is marked as from memory or recomputed.
"""

from __future__ import annotations

import re

import pytest

from optimizer.standards import property_classes, thread_sizes

# ISO 262 selected sizes, read
ISO = {
    "M8": 1.25, "M8x1": 1.0, "M10": 1.5, "M10x1.25": 1.25, "M10x1": 1.0, "M12": 1.75,
    "M12x1.5": 1.5, "M12x1.25": 1.25, "M14": 2.0, "M14x1.5": 1.5, "M16": 2.0,
    "M16x1.5": 1.5, "M18": 2.5, "M18x2": 2.0, "M18x1.5": 1.5, "M20": 2.5, "M20x2": 2.0,
    "M20x1.5": 1.5,
}  # fmt: skip
# ASME B1.1, read: threads an inch, tensile stress area in square inches as printed
UNIFIED = {
    "5/16-18": (18, "0.0524"), "3/8-16": (16, "0.0775"), "7/16-14": (14, "0.1063"),
    "1/2-13": (13, "0.1419"), "9/16-12": (12, "0.182"), "5/8-11": (11, "0.226"),
    "3/4-10": (10, "0.334"), "5/16-24": (24, "0.0580"), "3/8-24": (24, "0.0878"),
    "7/16-20": (20, "0.1187"), "1/2-20": (20, "0.1599"), "9/16-18": (18, "0.203"),
    "5/8-18": (18, "0.256"), "3/4-16": (16, "0.373"),
}  # fmt: skip
# least ultimate load in N by class, coarse threads: ISO 898-1, read
ULTIMATE_N = {
    "8.8": {"M10": 46_400, "M12": 67_400, "M14": 92_000},
    "10.9": {"M10": 60_300, "M12": 87_700, "M14": 120_000},
    "12.9": {"M10": 70_800, "M12": 103_000, "M14": 140_000},
}


def test_thread_pitches() -> None:
    sizes = thread_sizes()
    assert {n: s.pitch_mm for n, s in sizes.items() if s.metric} == ISO
    # inches are turned to millimetres and back: rounding only
    per_inch = {n: 25.4 / s.pitch_mm for n, s in sizes.items() if not s.metric}
    assert per_inch == pytest.approx({n: v for n, (v, _) in UNIFIED.items()})
    assert all(re.search(r"[:-](19|20)\d\d", s.source) for s in sizes.values())


@pytest.mark.parametrize("size", UNIFIED)
def test_unified_stress_areas(size: str) -> None:
    printed = UNIFIED[size][1]
    # tolerance: one unit of the last digit printed; two areas are printed rounded down
    last = 10.0 ** -len(printed.split(".")[1])
    area_in2 = thread_sizes()[size].stress_area_mm2 / 25.4**2
    assert area_in2 == pytest.approx(float(printed), abs=last)


def test_metric_stress_areas() -> None:
    sizes = thread_sizes()
    # ISO 898-1, read, to three figures; tolerance: half a unit of the last
    read = {"M10": (58.0, 0.05), "M12": (84.3, 0.05), "M14": (115.0, 0.5)}
    for size, (area, half) in read.items():
        assert sizes[size].stress_area_mm2 == pytest.approx(area, abs=half)
    # recomputed by hand from the same formula, two decimals
    fine = {"M10x1.25": 61.20, "M12x1.5": 88.13, "M12x1.25": 92.07, "M14x1.5": 124.55}
    for size, area in fine.items():
        assert sizes[size].stress_area_mm2 == pytest.approx(area, abs=0.005)


def test_core_diameters() -> None:
    # ISO 724 and DIN 13-1, male thread, from memory, three decimals as printed
    core = {"M8": 6.466, "M10": 8.160, "M12": 9.853, "M14": 11.546, "M16": 13.546, "M20": 16.933}
    sizes = thread_sizes()
    assert {n: sizes[n].core_mm for n in core} == pytest.approx(core, abs=0.0005)


@pytest.mark.parametrize("name", ULTIMATE_N)
def test_least_ultimate_loads(name: str) -> None:
    (strength,) = (c for c in property_classes() if c.name == name and c.over_mm < 14 <= c.up_to_mm)
    for size, load in ULTIMATE_N[name].items():
        # the standard takes its printed area, of three figures, and prints three of the
        # product: so must ours, to the very same
        area = float(f"{thread_sizes()[size].stress_area_mm2:.2e}")
        assert float(f"{strength.ultimate_mpa * area:.2e}") == load


def test_proof_stresses() -> None:
    # ISO 898-1, from memory; class 8.8 is stronger above 16 mm
    wanted = {("8.8", 16.0): 580, ("8.8", 39.0): 600, ("10.9", 39.0): 830, ("12.9", 39.0): 970}
    table = property_classes()
    assert {(c.name, c.up_to_mm): c.proof_mpa for c in table} == wanted
    # the second figure of a class is yield over ultimate; proof lies below yield
    assert all(c.proof_mpa < c.ultimate_mpa * float(c.name[-2:]) for c in table)
    assert all(re.search(r":20\d\d", c.source) for c in table)
