"""Closing constraints: the elimination, the order of the rods, and the side of lock-out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.errors import LinkageError
from optimizer.model.closure import Carriers, Elimination, Rig, closed, path_through_ride_height
from optimizer.model.mechanism import HardPoints, sweep


def _rig(corner: HardPoints) -> Rig:
    return Rig(
        inner=corner.inner[..., None],
        arm=(corner.outer - corner.hub)[..., None],
        length=np.linalg.norm(corner.outer - corner.inner, axis=1)[:, None],
        hub=corner.hub[:, None],
        strut=False,
    )


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
