"""The standards tables against figures read elsewhere."""

from __future__ import annotations

import pytest

from optimizer.standards import shim_thicknesses_mm, thread_sizes

# ISO 262 selected sizes, read
ISO = {
    "M8": 1.25, "M8x1": 1.0, "M10": 1.5, "M10x1.25": 1.25, "M10x1": 1.0, "M12": 1.75,
    "M12x1.5": 1.5, "M12x1.25": 1.25, "M14": 2.0, "M14x1.5": 1.5, "M16": 2.0,
    "M16x1.5": 1.5, "M18": 2.5, "M18x2": 2.0, "M18x1.5": 1.5, "M20": 2.5, "M20x2": 2.0,
    "M20x1.5": 1.5,
}  # fmt: skip
# ASME B1.1, read: threads an inch
UNIFIED = {
    "5/16-18": 18, "3/8-16": 16, "7/16-14": 14, "1/2-13": 13, "9/16-12": 12, "5/8-11": 11,
    "3/4-10": 10, "5/16-24": 24, "3/8-24": 24, "7/16-20": 20, "1/2-20": 20, "9/16-18": 18,
    "5/8-18": 18, "3/4-16": 16,
}  # fmt: skip


def test_thread_pitches() -> None:
    sizes = thread_sizes()
    assert {n: s.pitch_mm for n, s in sizes.items() if n.startswith("M")} == ISO
    per_inch = {n: 25.4 / s.pitch_mm for n, s in sizes.items() if not n.startswith("M")}
    assert per_inch == pytest.approx(UNIFIED)
    assert all(s.source for s in sizes.values())


def test_shim_thicknesses() -> None:
    # DIN 988, from memory: 0.1 0.15 0.2 0.3 0.5 1.0, then 1.1 to 2.0 by 0.1
    wanted = [0.1, 0.15, 0.2, 0.3, 0.5, 1.0, *(1.0 + 0.1 * i for i in range(1, 11))]
    assert shim_thicknesses_mm() == pytest.approx(wanted)
