"""Corners that are not double wishbones: a strut, and five rods with ends of their own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import fsolve
from scipy.spatial.transform import Rotation

from optimizer.errors import CallError, LinkageError
from optimizer.model.mechanism import TOE_LINK, HardPoints, camber_deg, mirrored, sweep, toe_deg
from optimizer.model.population import pick

TRAVEL = np.array([-50.0, -20.0, 0.0, 25.0, 50.0])
FIELDS = ("inner", "outer", "hub", "spindle", "stud", "slot", "strut_top", "strut_axis")


@pytest.fixture(scope="module")
def strut() -> HardPoints:
    """An invented left corner: one lower wishbone, a strut off the steering axis, a toe link."""
    inner = np.full((5, 3), np.nan)
    outer = np.full((5, 3), np.nan)
    inner[[0, 1, 4]] = [[160, 390, 195], [-150, 380, 205], [-120, 410, 235.0]]
    outer[[0, 1, 4]] = [[8, 705, 180], [8, 705, 180], [-125, 698, 228.0]]
    axis = np.array([-0.06, -0.15, 1.0])
    return HardPoints(
        inner=inner,
        outer=outer,
        hub=np.array([0.0, 750.0, 300.0]),
        spindle=np.array([0.01, 1.0, 0.02]) / np.linalg.norm([0.01, 1.0, 0.02]),
        stud=np.array([0.0, 0.0, 1.0]),
        slot=np.array([0.0, -1.0, 0.0]),
        strut_top=np.array([-25.0, 590.0, 830.0]),
        strut_axis=axis / np.linalg.norm(axis),
    )


def _general(corner: HardPoints) -> HardPoints:
    """The corner with no two rods sharing an outer joint."""
    apart = np.array([[25, -8, 5], [-28, 4, -6], [22, -5, 8], [-30, 6, -4], [0, 0, 0.0]])
    return replace(corner, outer=corner.outer + apart)


def _plain(points: HardPoints, travel: float) -> tuple[float, float]:
    """Second formulation: six unknowns, scipy's rotations and fsolve.

    A strut is written as the cross product of its turned axis with the way from the
    top mount to the point of the carrier that stood there; two of the product's
    three components are used.
    """
    rods = [0, 1, 4] if points.strut_top is not None else list(range(5))
    lengths = np.linalg.norm(points.outer[rods] - points.inner[rods], axis=1)

    def gaps(pose: NDArray[np.float64]) -> NDArray[np.float64]:
        turn = Rotation.from_rotvec(pose[3:])

        def moved(x: NDArray[np.float64]) -> NDArray[np.float64]:
            return np.asarray(turn.apply(x - points.hub) + points.hub + pose[:3])

        left = np.linalg.norm(moved(points.outer[rods]) - points.inner[rods], axis=1) - lengths
        if points.strut_top is not None:
            off = np.cross(turn.apply(points.strut_axis), moved(points.strut_top))
            off -= np.cross(turn.apply(points.strut_axis), points.strut_top)
            left = np.append(left, off[:2])
        return np.append(left, pose[2] - travel)

    pose = fsolve(gaps, np.array([0, 0, travel, 0, 0, 0.0]), xtol=1e-13)
    assert np.max(np.abs(gaps(pose))) < 1e-8
    spindle = Rotation.from_rotvec(pose[3:]).apply(points.spindle)
    return float(toe_deg(spindle)), float(camber_deg(spindle))


def _agrees(points: HardPoints) -> None:
    motion = sweep(points, TRAVEL)
    assert motion.residual_mm < 1e-9
    assert np.ptp(motion.toe_deg) > 0.05
    for i, z in enumerate(TRAVEL):
        toe, camber = _plain(points, float(z))
        assert motion.toe_deg[0, i] == pytest.approx(toe, abs=1e-8)
        assert motion.camber_deg[0, i] == pytest.approx(camber, abs=1e-8)


@pytest.mark.outside
def test_a_strut_agrees_with_a_plain_solution(strut: HardPoints) -> None:
    _agrees(strut)


@pytest.mark.outside
def test_five_separate_outer_points_agree_with_a_plain_solution(corner: HardPoints) -> None:
    _agrees(_general(corner))


@pytest.mark.parametrize("kind", ["wishbones", "five links", "strut"])
def test_a_right_hand_corner_solved_as_one_mirrors_the_left(
    kind: str, corner: HardPoints, strut: HardPoints
) -> None:
    left = {"wishbones": corner, "five links": _general(corner), "strut": strut}[kind]
    moves = (np.array([3.0, -2.0]), np.array([-4.0, 5.0]))
    ours, theirs = sweep(left, TRAVEL, *moves), sweep(mirrored(left), TRAVEL, *moves)
    # toe_deg knows left wheels: a spindle that points right reads as its supplement
    assert 180.0 - theirs.toe_deg == pytest.approx(ours.toe_deg % 360.0, abs=1e-8)
    assert theirs.camber_deg == pytest.approx(ours.camber_deg, abs=1e-8)
    flipped = ours.outer_mm * np.array([1.0, -1.0, 1.0])
    assert theirs.outer_mm == pytest.approx(flipped, abs=1e-8)
    assert theirs.shift_mm == pytest.approx(ours.shift_mm, abs=1e-10)
    assert theirs.inner_swing_deg == pytest.approx(ours.inner_swing_deg, abs=1e-7)


@pytest.mark.outside
def test_a_strut_is_the_limit_of_long_rods_square_to_it(strut: HardPoints) -> None:
    # from the top mount to far points of the carrier; such a rod's end leaves the strut's
    # plane by slide^2 / (2 length), so ten times the length is a tenth of the error
    assert strut.strut_top is not None
    axis = strut.strut_axis
    aside = np.cross(axis, [0.3, 1.0, 0.1])
    aside = aside / np.linalg.norm(aside)
    errors = []
    for length in (2e4, 2e5):
        inner, outer = strut.inner.copy(), strut.outer.copy()
        inner[2:4] = strut.strut_top
        outer[2:4] = strut.strut_top + length * np.stack([aside, np.cross(axis, aside)])
        rods = replace(strut, inner=inner, outer=outer, strut_top=None, strut_axis=None)
        difference = sweep(rods, TRAVEL).toe_deg - sweep(strut, TRAVEL).toe_deg
        errors.append(float(np.max(np.abs(difference))))
    assert errors[1] < 0.002
    assert errors[0] / errors[1] == pytest.approx(10.0, rel=0.05)


def test_a_batch_of_struts_equals_one_by_one(strut: HardPoints) -> None:
    both = replace(strut, **{n: np.stack([getattr(strut, n)] * 2) for n in FIELDS})
    both.inner[1, TOE_LINK, 2] += 6.0
    batch = sweep(both, TRAVEL, np.array([0.0, 2.0]), np.array([0.0, 3.0]))
    for i in range(2):
        alone = sweep(pick(both, np.array([i])), TRAVEL, np.array([0.0, 2.0]), np.array([0.0, 3.0]))
        assert batch.toe_deg[i] == pytest.approx(alone.toe_deg[0], abs=1e-8)
    assert np.max(np.abs(batch.toe_deg[1] - batch.toe_deg[0])) > 0.05


def test_half_a_strut_is_refused(strut: HardPoints) -> None:
    with pytest.raises(CallError, match="only one of strut_top and strut_axis"):
        replace(strut, strut_axis=None)


@pytest.mark.parametrize("kind", ["wishbones", "five links", "strut"])
def test_lock_out_is_named_with_how_far_it_goes(
    kind: str, corner: HardPoints, strut: HardPoints
) -> None:
    points = {"wishbones": corner, "five links": _general(corner), "strut": strut}[kind]
    with pytest.raises(LinkageError, match=r"locks or does not reach .* \+400\.0 mm") as caught:
        sweep(points, np.array([0.0, 400.0]))
    reached = float(caught.value.found.split("still closes at ")[1].split(" ")[0])
    assert 60.0 < reached < 400.0
    assert sweep(points, np.array([0.0, reached])).residual_mm < 1e-9
    with pytest.raises(LinkageError, match="locks or does not reach"):
        sweep(points, np.array([0.0, reached + 8.0]))


@pytest.mark.parametrize("kind", ["wishbones", "five links", "strut"])
def test_no_assembly_is_an_error(kind: str, corner: HardPoints, strut: HardPoints) -> None:
    points = {"wishbones": corner, "five links": _general(corner), "strut": strut}[kind]
    with pytest.raises(LinkageError, match=r"cannot be assembled.*at ride height"):
        sweep(points, np.zeros(1), 0.0, 900.0, hold_static_toe=False)
    gone = replace(points, hub=points.hub * np.nan)
    with pytest.raises(LinkageError, match="cannot be assembled"):
        sweep(gone, TRAVEL)


def test_a_carrier_that_nothing_stops_from_turning_is_locked(corner: HardPoints) -> None:
    # the toe link passes through the steering axis: no turn of the wheel changes its length
    inner, outer = corner.inner.copy(), corner.outer.copy()
    outer[TOE_LINK] = 0.5 * (outer[0] + outer[2])
    inner[TOE_LINK] = outer[TOE_LINK] - np.array([0.0, 300.0, 0.0])
    with pytest.raises(LinkageError, match="cannot be assembled"):
        sweep(replace(corner, inner=inner, outer=outer), TRAVEL)
