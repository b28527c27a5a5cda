"""Shim rings, washers and rod ends against figures read elsewhere.

All are nominal sizes printed to the digits below, so nothing but equality will do.
"""

from __future__ import annotations

import pytest

from optimizer.standards import rod_ends, shim_rings, shim_thicknesses_mm, washers


def test_shim_thicknesses() -> None:
    # DIN 988, from memory: 0.1 0.15 0.2 0.3 0.5 1.0, then 1.1 to 2.0 by 0.1
    wanted = [0.1, 0.15, 0.2, 0.3, 0.5, 1.0, *(1.0 + 0.1 * i for i in range(1, 11))]
    # tolerance: rounding of the sums above
    assert shim_thicknesses_mm() == pytest.approx(wanted)


def test_shim_rings() -> None:
    # DIN 988, read: bore x outside
    wanted = {10: 16, 12: 18, 14: 20, 16: 22, 18: 25, 20: 28}
    assert {r.bore_mm: r.outside_mm for r in shim_rings()} == wanted
    assert all(r.source for r in shim_rings())


def test_washers() -> None:
    # ISO 7089 and ISO 7092, read: nominal thickness
    wanted = {
        ("ISO 7089", "M10"): 2.0,
        ("ISO 7089", "M12"): 2.5,
        ("ISO 7089", "M14"): 2.5,
        ("ISO 7092", "M10"): 1.6,
        ("ISO 7092", "M12"): 2.0,
    }
    assert {(w.standard, w.size): w.thickness_mm for w in washers()} == wanted
    assert all(w.source for w in washers())


def test_rod_ends() -> None:
    # DIN 648 series K to ISO 12240-4, as one maker lists it, read: ball width, tilt a side
    wanted = {10: (14, 13), 12: (16, 13), 14: (19, 15), 16: (21, 15)}
    assert {r.bore_mm: (r.ball_width_mm, r.tilt_deg) for r in rod_ends()} == wanted
    assert all(r.series == "K" and r.source for r in rod_ends())
