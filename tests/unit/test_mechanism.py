"""The exact mechanism: closure, signs, mirroring, lock-out."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import fsolve
from scipy.spatial.transform import Rotation

from optimizer.errors import LinkageError
from optimizer.model import mechanism
from optimizer.model.mechanism import (
    TOE_LINK,
    HardPoints,
    _square_to,
    camber_deg,
    mirrored,
    static_shift_mm,
    sweep,
    toe_deg,
)

TRAVEL = np.array([-45.0, -20.0, 0.0, 20.0, 45.0])


def _plain_toe_camber(points: HardPoints, travel: float) -> tuple[float, float]:
    """Second formulation: scipy's fsolve on a pose written with scipy's rotations."""
    lengths = np.linalg.norm(points.outer - points.inner, axis=1)

    def gaps(pose: NDArray[np.float64]) -> NDArray[np.float64]:
        turn = Rotation.from_rotvec(pose[3:])
        ends = turn.apply(points.outer - points.hub) + points.hub + pose[:3]
        rods = np.linalg.norm(ends - points.inner, axis=1) - lengths
        return np.append(rods, pose[2] - travel)

    pose = fsolve(gaps, np.array([0, 0, travel, 0, 0, 0.0]), xtol=1e-13)
    spindle = Rotation.from_rotvec(pose[3:]).apply(points.spindle)
    return float(toe_deg(spindle)), float(camber_deg(spindle))


@pytest.mark.outside
def test_agrees_with_a_plain_solution(corner: HardPoints) -> None:
    motion = sweep(corner, TRAVEL)
    for i, z in enumerate(TRAVEL):
        toe, camber = _plain_toe_camber(corner, float(z))
        assert motion.toe_deg[0, i] == pytest.approx(toe, abs=1e-8)
        assert motion.camber_deg[0, i] == pytest.approx(camber, abs=1e-8)


def test_rods_keep_their_length(corner: HardPoints) -> None:
    assert sweep(corner, TRAVEL, np.array([-5.0, 5.0]), np.array([8.0, -8.0])).residual_mm < 1e-9


def test_static_toe_is_held(corner: HardPoints) -> None:
    heights, changes = np.array([3.0, -4.0]), np.array([-6.0, 5.0])
    held = sweep(corner, np.zeros(1), heights, changes)
    assert held.toe_deg[:, 0] == pytest.approx([0.0, 0.0], abs=1e-9)
    forgotten = sweep(corner, np.zeros(1), heights, changes, hold_static_toe=False)
    # ahead: a longer link pushes the front of the wheel out
    assert forgotten.toe_deg[1, 0] < -1.0
    assert forgotten.toe_deg[0, 0] > 1.0


def test_shift_closes_the_link(corner: HardPoints) -> None:
    heights, changes = np.array([3.0, -4.0, 0.0]), np.array([-6.0, 5.0, 2.0])
    shift = static_shift_mm(corner, heights, changes)
    inner = corner.inner[TOE_LINK] + shift[:, None] * corner.slot
    outer = corner.outer[TOE_LINK] + heights[:, None] * corner.stud
    length = np.linalg.norm(corner.outer[TOE_LINK] - corner.inner[TOE_LINK])
    assert np.linalg.norm(outer - inner, axis=1) == pytest.approx(length + changes, abs=1e-9)
    assert shift[2] == pytest.approx(2.0, abs=1e-9)  # level link: inboard by its own growth


def test_camber_sign_and_toe_sign() -> None:
    # ISO 8855:2011, paraphrased: camber plus when the top leans outward; toe-in plus
    # when the front of the wheel is nearer the centre line. Left wheel, y to the left.
    top_out = Rotation.from_euler("x", -1, degrees=True).apply([0.0, 1.0, 0.0])
    assert camber_deg(top_out) == pytest.approx(1.0)
    front_in = Rotation.from_euler("z", -1, degrees=True).apply([0.0, 1.0, 0.0])
    assert toe_deg(front_in) == pytest.approx(1.0)


def test_mirrored_corner_is_a_right_wheel(corner: HardPoints) -> None:
    right = mirrored(corner)
    assert right.hub[1] == -corner.hub[1]
    back = mirrored(right)
    assert sweep(back, TRAVEL).toe_deg == pytest.approx(sweep(corner, TRAVEL).toe_deg)
    # solved as a right wheel, its spindle is the mirror image of the left one's
    toe, _ = _plain_toe_camber(right, 45.0)
    left_toe, left_camber = _plain_toe_camber(corner, 45.0)
    assert 180.0 - toe == pytest.approx(left_toe % 360.0, abs=1e-7)
    assert left_camber != 0.0


def test_lock_out_is_an_error(corner: HardPoints) -> None:
    with pytest.raises(LinkageError, match="locks or does not reach"):
        sweep(corner, np.array([0.0, 400.0]))


def test_short_link_cannot_reach(corner: HardPoints) -> None:
    with pytest.raises(LinkageError, match="cannot reach"):
        sweep(corner, TRAVEL, np.array([30.0]), np.array([-290.0]))


def test_batch_equals_one_by_one(corner: HardPoints) -> None:
    two = replace(
        corner,
        **{
            name: np.stack([getattr(corner, name), getattr(corner, name) * 1.0])
            for name in ("inner", "outer", "hub", "spindle", "stud", "slot")
        },
    )
    two.inner[1, TOE_LINK, 2] += 4.0
    batch = sweep(two, TRAVEL, np.array([0.0, 2.0]), np.array([0.0, 3.0]))
    assert batch.shape == (2, 2, len(TRAVEL))
    alone = sweep(corner, TRAVEL, np.array([0.0, 2.0]), np.array([0.0, 3.0]))
    assert batch.toe_deg[0] == pytest.approx(alone.toe_deg, abs=1e-10)
    assert np.max(np.abs(batch.toe_deg[1] - alone.toe_deg)) > 0.05


def test_memory_as_it_comes_gives_no_warning(
    corner: HardPoints, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows not yet written hold anything, and must not be reckoned with."""
    plain = sweep(corner, np.array([-20.0, 20.0]), np.zeros(1), np.zeros(1)).toe_deg

    def dirty(shape: tuple[int, ...], *_: object) -> NDArray[np.float64]:
        return np.full(shape, 1e308)

    monkeypatch.setattr(np, "empty", dirty)
    again = sweep(corner, np.array([-20.0, 20.0]), np.zeros(1), np.zeros(1)).toe_deg
    assert np.array_equal(plain, again)


def test_what_is_square_to_a_direction_is_square_and_of_unit_length() -> None:
    axes = np.random.default_rng(6).normal(size=(3, 40)) * 3.0
    axes[:, :3] = np.eye(3)
    first, second = _square_to(axes)
    for one, other in ((first, axes), (second, axes), (first, second)):
        assert np.abs(np.sum(one * other, axis=0)).max() < 1e-12
    for one in (first, second):
        assert np.linalg.norm(one, axis=0) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("block", [1, 2, 3, 4, 7, 10, 15, 100])
def test_large_sweeps_are_made_in_blocks(
    corner: HardPoints, monkeypatch: pytest.MonkeyPatch, block: int
) -> None:
    """However many settings and travels go together, each comes out at its place."""
    travel = np.linspace(-40.0, 40.0, 5)
    height, change = np.array([0.0, 2.0, -3.0, 1.0]), np.array([0.0, -2.0, 3.0, 0.5])
    whole = sweep(corner, travel, height, change)
    seen: list[int] = []
    closed = cast(Any, mechanism).closed

    def counted(rig: Any, path: Any, travels: NDArray[np.float64]) -> Any:
        carriers, left = closed(rig, path, travels)
        seen.append(len(travels))
        return carriers, left

    monkeypatch.setattr(mechanism, "closed", counted)
    monkeypatch.setattr(mechanism, "BLOCK", block)
    parts = sweep(corner, travel, height, change)
    for name in ("toe_deg", "camber_deg", "shift_mm", "outer_tilt_deg"):
        assert getattr(parts, name) == pytest.approx(getattr(whole, name), abs=1e-9)
    assert max(seen) == min(block, 5)
    # as many settings at a time as keep settings times travels within a block
    groups = -(-4 // max(1, block // 5))
    assert len(seen) == groups * -(-5 // block)
