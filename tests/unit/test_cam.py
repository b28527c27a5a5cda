"""The inner pivot on a cam, and the joints' angles."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from optimizer.errors import LinkageError
from optimizer.model.cam import Cam, slot_guided_angle_deg, slot_guided_shift_mm
from optimizer.model.mechanism import TOE_LINK, HardPoints, mirrored, static_shift_mm, sweep
from optimizer.model.population import draw_corners, pick
from optimizer.units import DEG

TRAVEL = np.array([-40.0, 0.0, 40.0])
HEIGHTS, CHANGES = np.array([0.0, 2.0, -3.0]), np.array([0.0, 3.5, -2.5])


def _cam(throw: float, start_deg: float, tip_deg: float = 0.0) -> Cam:
    """A cam whose plane is square to a bolt along x, its marks tipped up by an angle."""
    c, s = np.cos(tip_deg / DEG), np.sin(tip_deg / DEG)
    return Cam(
        throw_mm=np.array(throw),
        reference_deg=np.array(start_deg),
        along=np.array([0.0, -c, s]),
        lift=np.array([0.0, s, c]),
    )


@pytest.mark.outside
@pytest.mark.parametrize("start_deg", [-20.0, 15.0, 200.0])
@pytest.mark.parametrize("end", ["outer", "inner"])
def test_cam_angle_is_a_plain_root(corner: HardPoints, start_deg: float, end: str) -> None:
    # second formulation: scipy's bracketed root on the pivot's place, within a quarter turn
    throw, tip = 6.0, 10.0
    cam = _cam(throw, start_deg, tip)
    points = replace(corner, cam=cam, end=end)
    motion = sweep(points, TRAVEL, HEIGHTS, CHANGES)
    length = np.linalg.norm(corner.outer[TOE_LINK] - corner.inner[TOE_LINK])
    for i, (h, d) in enumerate(zip(HEIGHTS, CHANGES, strict=True)):

        def pivot(angle: float) -> np.ndarray:
            def arm(a: float) -> np.ndarray:
                return throw * (np.sin(a) * cam.along + np.cos(a) * cam.lift)

            return np.asarray(corner.inner[TOE_LINK] + arm(angle) - arm(start_deg / DEG))

        def gap(angle: float, h: float = h, d: float = d) -> float:
            raised = h * corner.stud * (1.0 if end == "outer" else -1.0)
            span = corner.outer[TOE_LINK] + raised - pivot(angle)
            return float(np.linalg.norm(span) - length - d)

        near = start_deg / DEG
        root = brentq(gap, near - 70 / DEG, near + 70 / DEG, xtol=1e-14)
        assert motion.cam_deg[i] == pytest.approx(root * DEG, abs=1e-8)
        way = pivot(root) - corner.inner[TOE_LINK]
        assert motion.shift_mm[i] == pytest.approx(way @ cam.along, abs=1e-9)
        assert motion.lift_mm[i] == pytest.approx(way @ cam.lift, abs=1e-9)
    assert motion.toe_deg[:, 1] == pytest.approx(np.zeros(3), abs=1e-8)
    assert motion.residual_mm < 1e-9
    assert static_shift_mm(points, HEIGHTS, CHANGES) == pytest.approx(motion.shift_mm)


def test_cam_lift_is_fed_back(corner: HardPoints) -> None:
    # a cam that starts 30 degrees round lifts the pivot as it shifts it, so toe moves otherwise
    slot = sweep(corner, TRAVEL, 0.0, 3.0)
    cam = sweep(replace(corner, cam=_cam(14.0, 30.0)), TRAVEL, 0.0, 3.0)
    assert cam.lift_mm[0] < -2.0
    assert np.max(np.abs(cam.toe_deg - slot.toe_deg)) > 0.05
    assert slot.lift_mm[0] == 0.0
    assert np.isnan(slot.cam_deg[0])
    # a pivot put where the cam put it gives the same motion
    inner = corner.inner.copy()
    inner[TOE_LINK, 2] += cam.lift_mm[0]
    span = corner.outer[TOE_LINK] - inner[TOE_LINK]
    longer = corner.outer[TOE_LINK, 1] - corner.inner[TOE_LINK, 1] + 3.0 - np.linalg.norm(span)
    placed = sweep(replace(corner, inner=inner), TRAVEL, 0.0, longer)
    assert placed.toe_deg == pytest.approx(cam.toe_deg, abs=1e-7)


def test_a_large_throw_is_a_slot(corner: HardPoints) -> None:
    # lift = s^2 / 2 e: at 3 mm of shift and 1e6 mm of throw nothing is left of it
    wide = replace(corner, cam=_cam(1e6, 0.0))
    slot, cam = sweep(corner, TRAVEL, HEIGHTS, CHANGES), sweep(wide, TRAVEL, HEIGHTS, CHANGES)
    assert cam.shift_mm == pytest.approx(slot.shift_mm, abs=1e-5)
    assert cam.toe_deg == pytest.approx(slot.toe_deg, abs=1e-5)


def test_cam_left_alone_moves_static_toe(corner: HardPoints) -> None:
    points = replace(corner, cam=_cam(6.0, 12.0))
    left = sweep(points, np.zeros(1), 0.0, 3.0, hold_static_toe=False)
    assert left.cam_deg[0] == 12.0
    assert left.shift_mm[0] == 0.0
    assert left.toe_deg[0, 0] < -1.0


def test_throw_that_does_not_reach(corner: HardPoints) -> None:
    # level link of 300 mm, throw 3 mm from the middle: 297 to 303 mm, less the lift's second order
    points = replace(corner, cam=_cam(3.0, 0.0))
    with pytest.raises(LinkageError, match=r"throw does not reach: .* 304\.00 mm.* to 303\.0"):
        sweep(points, TRAVEL, 0.0, np.array([1.0, 4.0]))
    with pytest.raises(LinkageError, match="throw does not reach"):
        sweep(replace(corner, cam=_cam(0.0, 0.0)), TRAVEL)


def test_cams_of_a_batch_are_mirrored_and_picked() -> None:
    points = draw_corners(np.random.default_rng(8), 4, ahead=True)
    starts = np.array([-30.0, -10.0, 10.0, 30.0])
    points = replace(points, cam=replace(_cam(8.0, 0.0), reference_deg=starts))
    motion = sweep(points, TRAVEL, HEIGHTS, CHANGES)
    some = sweep(pick(points, np.array([1, 3])), TRAVEL, HEIGHTS, CHANGES)
    assert some.cam_deg == pytest.approx(motion.cam_deg[[1, 3]], abs=1e-9)
    assert some.toe_deg == pytest.approx(motion.toe_deg[[1, 3]], abs=1e-8)
    right = sweep(mirrored(points), TRAVEL, HEIGHTS, CHANGES)
    assert right.cam_deg == pytest.approx(motion.cam_deg, abs=1e-9)
    assert right.shift_mm == pytest.approx(motion.shift_mm, abs=1e-9)


@pytest.mark.outside
def test_slot_guided_cam() -> None:
    # by hand: throw 4 mm, from 0 to 30 degrees 2 mm, on to 90 degrees another 2 mm
    assert float(slot_guided_shift_mm(4.0, 0.0, 30.0)) == pytest.approx(2.0)
    assert float(slot_guided_shift_mm(4.0, 30.0, 90.0)) == pytest.approx(2.0)
    starts, shifts = np.array([-40.0, 0.0, 25.0]), np.array([3.0, -2.5, 1.0])
    angles = slot_guided_angle_deg(4.0, starts, shifts)
    assert slot_guided_shift_mm(4.0, starts, angles) == pytest.approx(shifts)
    for start, shift, angle in zip(starts, shifts, angles, strict=True):
        root = brentq(
            lambda a, f=start, s=shift: 4.0 * (np.sin(a / DEG) - np.sin(f / DEG)) - s, -90, 90
        )
        assert angle == pytest.approx(root, abs=1e-8)
    with pytest.raises(LinkageError, match=r"throw of 4\.00 mm does not reach.*\+2\.50 mm"):
        slot_guided_angle_deg(4.0, 30.0, 2.5)


def _parallel() -> HardPoints:
    """Equal parallel level arms and link of 320 mm: the carrier moves without turning."""
    outer = np.array(
        [[0, 700, 200], [0, 700, 200], [0, 700, 430], [0, 700, 430], [110, 700, 260.0]]
    )
    inner = outer - np.array([0.0, 320.0, 0.0])
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


@pytest.mark.outside
def test_joint_angles_by_hand() -> None:
    # by hand: the link's outer end rises 160 mm on 320 mm, so it stands at 30 degrees;
    # the carrier does not turn, so stud and reference direction stay where they were
    motion = sweep(_parallel(), np.array([-160.0, 0.0, 160.0]))
    assert motion.outer_tilt_deg[0] == pytest.approx([-30.0, 0.0, 30.0], abs=1e-7)
    assert motion.inner_swing_deg[0] == pytest.approx([30.0, 0.0, 30.0], abs=1e-7)
    # a stud leaning outboard by 10 degrees takes 10 degrees off the tilt one way only
    lean = 10.0 / DEG
    leaning = replace(_parallel(), stud=np.array([0.0, np.sin(lean), np.cos(lean)]))
    tilt = sweep(leaning, np.array([-160.0, 160.0])).outer_tilt_deg[0]
    assert tilt == pytest.approx([-20.0, 40.0], abs=1e-7)
    # shims of 5.585 mm on an upright stud stand the link at 1 degree; the swing counts from
    # the reference setting: rise 320 sin 1 degree on a link of the same length
    raised = sweep(_parallel(), np.zeros(1), 320.0 * np.sin(1.0 / DEG), 0.0)
    assert raised.inner_swing_deg[0, 0] == pytest.approx(1.0, abs=1e-7)
    assert raised.outer_tilt_deg[0, 0] == pytest.approx(1.0, abs=1e-7)


def test_inner_shims_tilt_about_a_stud_that_stays() -> None:
    motion = sweep(replace(_parallel(), end="inner"), np.array([-160.0, 160.0]))
    assert motion.outer_tilt_deg[0] == pytest.approx([-30.0, 30.0], abs=1e-7)
