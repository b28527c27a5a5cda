"""Closing constraints: the elimination, the order of the rods, and the side of lock-out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from optimizer.errors import LinkageError
from optimizer.model.closure import (
    Carriers,
    Elimination,
    Rig,
    _shares,
    _walked,
    closed,
    jacobian,
    path_through_ride_height,
)
from optimizer.model.mechanism import HardPoints, sweep


def _rig(corner: HardPoints) -> Rig:
    return Rig(
        inner=corner.inner[..., None],
        arm=(corner.outer - corner.hub)[..., None],
        length=np.linalg.norm(corner.outer - corner.inner, axis=1)[:, None],
        hub=corner.hub[:, None],
        strut=False,
    )


def _strut(corner: HardPoints) -> Rig:
    """The same lower rods and link, with a strut that leans in and back."""
    rig = _rig(corner)
    top = np.array([-20.0, 560.0, 620.0])
    axis = np.array([-0.06, -0.17, 1.0]) / np.linalg.norm([-0.06, -0.17, 1.0])
    # square to the axis, by hand: one in the plane of y and z, one across
    first = np.array([0.0, axis[2], -axis[1]]) / np.hypot(axis[1], axis[2])
    square = np.stack([first, np.cross(axis, first)])
    inner, arm, length = rig.inner.copy(), rig.arm.copy(), rig.length.copy()
    inner[2:4, :, 0] = top
    arm[2:4, :, 0] = square
    length[2:4, 0] = square @ (corner.hub - top)
    return replace(rig, inner=inner, arm=arm, length=length, strut=True)


def _lengths(rig: Rig, place: np.ndarray, turn: Rotation) -> np.ndarray:
    """What the five constraints come to, from the pose alone, by scipy's rotations."""
    out = []
    for i in range(5):
        arm = turn.apply(rig.arm[i, :, 0])
        if rig.strut and i in (2, 3):
            out.append(arm @ (place - rig.inner[i, :, 0]))
        else:
            out.append(float(np.linalg.norm(place + arm - rig.inner[i, :, 0])))
    return np.array(out)


@pytest.mark.outside
def test_a_turn_is_cayley_s() -> None:
    """Half a rotation vector is the tangent of half the angle, whatever was turned before."""
    rng = np.random.default_rng(12)
    n = 40
    empty = np.zeros((5, 3, n))
    carriers = Carriers(
        Rig(inner=empty, arm=empty, length=np.ones((5, n)), hub=np.zeros((3, n)), strut=False)
    )
    expected = Rotation.identity(n)
    for _ in range(3):
        vector = rng.normal(size=(3, n))
        size = np.linalg.norm(vector, axis=0)
        angle = 2.0 * np.arctan(size / 2.0)
        expected = Rotation.from_rotvec((vector / size * angle).T) * expected
        carriers._turn_by(vector)
    assert carriers.rotation.transpose(2, 0, 1) == pytest.approx(expected.as_matrix(), abs=1e-12)
    some = rng.normal(size=(3, n))
    turned = carriers.turn(some).T
    assert turned == pytest.approx(expected.apply(some.T), abs=1e-12)


@pytest.mark.outside
@pytest.mark.parametrize("strut", [False, True])
def test_constraints_and_their_slopes_are_those_of_the_pose(
    corner: HardPoints, strut: bool
) -> None:
    """Lengths by scipy's rotations, and the Jacobian by their differences."""
    rig = _strut(corner) if strut else _rig(corner)
    at = Carriers(rig)
    at.place += np.array([3.0, -2.0, 25.0])[:, None]
    at._turn_by(np.array([0.03, -0.02, 0.05])[:, None])
    place, turn = at.place[:, 0], Rotation.from_matrix(at.rotation[..., 0])
    there = _lengths(rig, place, turn)
    assert at.constraint_lengths()[:, 0] == pytest.approx(there, abs=1e-9)
    # where the constraints come to just these lengths nothing is left
    assert at.gaps(there[:, None])[0] == pytest.approx(np.zeros((5, 1)), abs=1e-9)
    # off by a little it is the length's own error, to second order
    left = at.gaps(there[:, None] + 0.01)[0][:, 0]
    assert left == pytest.approx(np.full(5, -0.01), rel=1e-3)
    found = []
    for k in range(6):
        ends = []
        for step in (1e-4, -1e-4):
            move = np.eye(6)[k] * step
            ends.append(_lengths(rig, place + move[:3], Rotation.from_rotvec(move[3:]) * turn))
        found.append((ends[0] - ends[1]) / 2e-4)
    _, lever, line = at.gaps(there[:, None])
    slopes = jacobian(lever, line)[..., 0]
    expected = np.array(found).T
    # height is given: no unknown, and a column of its own
    assert slopes == pytest.approx(expected[:, [0, 1, 3, 4, 5]], rel=1e-5, abs=1e-4)
    assert line[:, 2, 0] == pytest.approx(expected[:, 2], abs=1e-6)


@pytest.mark.parametrize("strut", [False, True])
def test_the_path_is_the_motion_s_slope_and_curvature(corner: HardPoints, strut: bool) -> None:
    """First and second difference of poses that were closed at small travels."""
    rig = _strut(corner) if strut else _rig(corner)
    path = path_through_ride_height(rig)
    assert path.gap == pytest.approx(np.zeros((5, 1)), abs=1e-9)
    step = 0.5
    carriers, left = closed(rig, path, np.array([-step, step]))
    assert left < 1e-9
    turned = Rotation.from_matrix(carriers.rotation.transpose(2, 0, 1)).as_rotvec().T
    move = np.concatenate([(carriers.place - rig.hub)[:2], turned])
    low, high = move.T
    assert path.slope[:, 0] == pytest.approx((high - low) / (2 * step), rel=1e-4, abs=1e-8)
    assert path.bend[:, 0] == pytest.approx((high + low) / step**2, rel=1e-3, abs=1e-8)


@pytest.mark.parametrize("strut", [False, True])
def test_walking_there_ends_where_going_at_once_does(corner: HardPoints, strut: bool) -> None:
    """A longer link first, then the travel; the pose is that of the constraints alone."""
    rig = _strut(corner) if strut else _rig(corner)
    longer = replace(rig, length=rig.length + np.array([0.0, 0.0, 0.0, 0.0, 3.0])[:, None])
    path = path_through_ride_height(longer)
    travel = np.array([-37.0, 21.0, 45.0])
    at_once, _ = closed(longer, path, travel)
    many = longer.part(slice(None), 3)
    walked = _walked(many, travel, np.repeat(path.hand, 3))
    assert walked.place[2] == pytest.approx(longer.hub[2] + travel, abs=1e-9)
    assert walked.place == pytest.approx(at_once.place, abs=1e-7)
    assert walked.rotation == pytest.approx(at_once.rotation, abs=1e-9)
    for i, z in enumerate(travel):
        turn = Rotation.from_matrix(walked.rotation[..., i])
        there = _lengths(longer, walked.place[:, i], turn)
        assert there == pytest.approx(longer.length[:, 0], abs=1e-8), z
    with pytest.raises(LinkageError, match="locks or does not reach at ride height"):
        _walked(many, travel, np.zeros(3))
    # on the other side of lock-out there is no way there: told with where it was lost
    with pytest.raises(LinkageError, match="locks or does not reach"):
        _walked(many, travel, -np.repeat(path.hand, 3))


def test_a_walk_that_locks_tells_how_far_it_came(corner: HardPoints) -> None:
    """Lower arm of 320 mm: the wheel cannot rise by 500, and the last step that closed is told."""
    rig = _rig(corner)
    path = path_through_ride_height(rig)
    with pytest.raises(LinkageError, match=r"asked for \+500\.0 mm") as told:
        closed(rig, path, np.array([500.0]))
    reached = float(str(told.value).split("closes at ")[1].split(" mm")[0])
    # steps of 4 mm: it closes there, and no more two steps on
    assert 0.0 < reached < 500.0
    assert closed(rig, path, np.array([reached]))[1] < 1e-9
    with pytest.raises(LinkageError):
        closed(rig, path, np.array([reached + 8.0]))


def test_no_step_of_a_walk_is_longer_than_four_millimetres() -> None:
    """As few as will do, evenly spaced, the whole way the last; a way of nothing has none."""
    assert _shares(np.array([-8.0, 3.0])) == pytest.approx([0.5, 1.0])
    assert _shares(np.array([8.1])) == pytest.approx([1 / 3, 2 / 3, 1.0])
    assert len(_shares(np.zeros(2))) == 0
    assert len(_shares(np.array([1e9]))) == 150
    with pytest.raises(LinkageError, match="at ride height"):
        _shares(np.array([np.nan]))


@pytest.mark.outside
def test_elimination_agrees_with_the_library() -> None:
    rng = np.random.default_rng(3)
    matrix = rng.normal(size=(5, 5, 400))
    matrix[0, 0, :100] = 0.0
    matrix[1, :2, 100:200] = matrix[0, :2, 100:200]  # the second pivot vanishes
    right = rng.normal(size=(5, 400))
    stacked = matrix.transpose(2, 0, 1)
    expected = np.linalg.solve(stacked, right.T[..., None])[..., 0].T
    signs = np.sign(np.linalg.det(stacked))
    solve = Elimination(matrix.copy())
    assert solve(right) == pytest.approx(expected, rel=1e-8, abs=1e-8)
    assert np.array_equal(solve.hand, signs)


def test_order_of_the_rods_does_not_matter(corner: HardPoints) -> None:
    # with a lateral rod first, the first pivot is zero at ride height
    inner = corner.inner.copy()
    inner[1, 0] = corner.outer[1, 0]
    first = replace(corner, inner=inner)
    order = [1, 3, 2, 0, 4]
    second = replace(first, inner=inner[order], outer=corner.outer[order])
    travel = np.linspace(-40.0, 40.0, 5)
    assert sweep(second, travel).toe_deg == pytest.approx(sweep(first, travel).toe_deg, abs=1e-8)


def test_the_path_s_curvature_starts_near(corner: HardPoints) -> None:
    # what is left of a second-order start is third order: an eighth at half the travel
    rig = _rig(corner)
    path = path_through_ride_height(rig)
    left = []
    for travel in (20.0, 10.0):
        carriers = Carriers(rig)
        carriers.start(path, 1, np.array([travel]))
        left.append(float(np.max(np.abs(carriers.gaps(rig.length)[0]))))
    assert left[0] < 0.1
    assert left[0] / left[1] == pytest.approx(8.0, rel=0.25)


def test_a_pose_past_lock_out_is_refused(corner: HardPoints) -> None:
    rig = _rig(corner)
    path = path_through_ride_height(rig)
    assert closed(rig, path, np.array([10.0]))[1] < 1e-9
    with pytest.raises(LinkageError, match="locks or does not reach"):
        closed(rig, replace(path, hand=-path.hand), np.array([10.0]))
