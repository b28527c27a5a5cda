"""Exact textbook cases of ride steer.

Source: Milliken and Milliken 1995, ch. 19; Gillespie 1992, ch. 8; Dixon 2009,
ch. 5, all from memory; the slope figure is the small-angle rule h / (L a).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.model.arc import Link, arc_toe_change_deg
from optimizer.model.mechanism import HardPoints, sweep
from optimizer.model.population import draw_corners, pick, with_good_links

TRAVEL = np.linspace(-50.0, 50.0, 11)


def _parallel() -> HardPoints:
    """Equal parallel arms of 320 mm and an equal parallel link."""
    arm = np.array([0.0, 320.0, 24.0])
    outer = np.array(
        [[0, 700, 200], [0, 700, 200], [-8, 690, 430], [-8, 690, 430], [110, 700, 260.0]]
    )
    inner = outer - arm
    inner[[0, 2], 0] += 140.0
    inner[[1, 3], 0] -= 130.0
    return HardPoints(
        inner=inner,
        outer=outer,
        hub=np.array([0.0, 740.0, 300.0]),
        spindle=np.array([0.0, 1.0, 0.0]),
        stud=np.array([0.0, 0.0, 1.0]),
        slot=np.array([0.0, -1.0, 0.0]),
    )


def test_equal_parallel_arms_with_an_equal_parallel_link_give_no_toe_change() -> None:
    motion = sweep(_parallel(), TRAVEL)
    assert motion.toe_deg == pytest.approx(np.zeros((1, 11)), abs=1e-9)
    assert motion.camber_deg == pytest.approx(np.zeros((1, 11)), abs=1e-9)
    wrong = _parallel()
    wrong.inner[4, 2] -= 1.0
    assert np.max(np.abs(sweep(wrong, TRAVEL).toe_deg)) > 0.02


def test_slope_of_a_joint_one_millimetre_high() -> None:
    # h 1, L 350, a 120 mm: 1.364 deg per m, .0341 deg per 25 mm
    link = Link(length_mm=350.0, arm_mm=120.0, rise_mm=0.0)
    small = arc_toe_change_deg(link, np.array([-0.5, 0.5]), 1.0, 0.0)
    assert float(np.diff(small)[0]) * 1000.0 == pytest.approx(1.364, abs=0.0006)
    assert float(arc_toe_change_deg(link, 25.0, 1.0, 0.0)) == pytest.approx(0.0341, abs=0.0002)


def test_a_link_at_the_path_s_centre_has_no_slope_and_no_bow() -> None:
    points = draw_corners(np.random.default_rng(12), 80, ahead=True)
    for _ in range(3):
        points = with_good_links(points, over_mm=3.0)
    length = np.linalg.norm(points.outer[:, 4] - points.inner[:, 4], axis=1)
    free = np.flatnonzero((length > 205.0) & (length < 475.0))
    assert len(free) > 60
    small = np.array([-8.0, 0.0, 8.0])
    toe = sweep(pick(points, free), small).toe_deg[:, 0]
    slope = (toe[:, 2] - toe[:, 0]) / 16.0 * 25.0
    bow = (toe[:, 0] + toe[:, 2]) / 2.0 - toe[:, 1]
    # third and fourth order over 8 mm are left: a hundredth of what a millimetre off would do
    assert np.max(np.abs(slope)) < 0.001
    assert np.max(np.abs(bow)) < 0.0001
    off = replace(
        points, inner=points.inner + np.array([0.0, 0.0, 2.0]) * (np.arange(5) == 4)[:, None]
    )
    moved = sweep(pick(off, free), small).toe_deg[:, 0]
    assert np.all(np.abs(moved[:, 2] - moved[:, 0]) / 16.0 * 25.0 > 0.02)
