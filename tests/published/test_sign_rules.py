"""Signs, where plain geometry shows them, against the standards' wording.

Sources: ISO 8855:2011, read in part and paraphrased: right-handed axes, x forward, y left,
z up; toe about the vertical axis, toe-in plus when the front of the wheel is nearer the
centre line; total toe is the sum of both wheels'. SAE J670e (1976), paraphrased: x
forward, y right, z down. Camber plus with the top outward, bump with the wheel toward
the body: from memory. Ride steer rules: Milliken and Milliken 1995, ch. 19; Gillespie
1992, ch. 8; Dixon 2009, ch. 5, from memory.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from optimizer.measure.curve import toe_curve
from optimizer.measure.gauge import reading_from_toe, toe_from_reading_deg
from optimizer.model.mechanism import (
    TOE_LINK,
    HardPoints,
    camber_deg,
    mirrored,
    sweep,
    toe_deg,
)
from optimizer.records import Gauge, Reading

Array = NDArray[np.float64]

AXLE = np.array([0.0, 1.0, 0.0])  # of a left wheel: outboard is to the left
FRONT, REAR = np.array([300.0, 0.0, 0.0]), np.array([-300.0, 0.0, 0.0])
TOP, BOTTOM = np.array([0.0, 0.0, 300.0]), np.array([0.0, 0.0, -300.0])
CENTRE = np.array([0.0, 740.0, 300.0])
SAE_TO_ISO = np.diag([1.0, -1.0, -1.0])
ARM_MM, REACH_MM, LINK_Z_MM = 110.0, 320.0, 260.0
TRAVEL = np.array([-40.0, 0.0, 40.0])


def _turned(axis: str, angle_deg: float) -> Rotation:
    return Rotation.from_euler(axis, angle_deg, degrees=True)


def _corner(*, arm_mm: float = ARM_MM, inner_mm: tuple[float, float] = (0.0, 0.0)) -> HardPoints:
    """Level parallel arms of 320 mm on an upright kingpin; link of 320 mm, level.

    ``inner_mm`` moves the link's inner joint (inboard, up) and the link's length with it.
    """
    ball = np.array([[0, 700, 200], [0, 700, 200], [0, 700, 430], [0, 700, 430.0]])
    outer = np.vstack([ball, [arm_mm, 700.0, LINK_Z_MM]])
    inner = outer - np.array([0.0, REACH_MM, 0.0])
    inner[[0, 2], 0] += 140.0
    inner[[1, 3], 0] -= 140.0
    inner[TOE_LINK] += np.array([0.0, -inner_mm[0], inner_mm[1]])
    return HardPoints(
        inner=inner,
        outer=outer,
        hub=CENTRE,
        spindle=AXLE,
        stud=np.array([0.0, 0.0, 1.0]),
        slot=np.array([0.0, -1.0, 0.0]),
    )


def _toe(points: HardPoints, travel: Array = TRAVEL) -> Array:
    toe = sweep(points, travel, hold_static_toe=False).toe_deg[0]
    return np.asarray(toe)


@pytest.mark.parametrize("angle", [2.0, -0.7])
def test_toe_in_is_plus_with_the_front_nearer_the_centre_line(angle: float) -> None:
    # about z, which points up, a left wheel's front swings to the right for a minus turn
    turn = _turned("z", -angle)
    front, rear = CENTRE + turn.apply(FRONT), CENTRE + turn.apply(REAR)
    nearer = (abs(rear[1]) - abs(front[1])) / 600.0
    # sin of the toe angle, from where the rim stands; rounding only
    assert np.sin(np.deg2rad(float(toe_deg(turn.apply(AXLE))))) == pytest.approx(nearer, abs=1e-14)
    assert np.sign(nearer) == np.sign(angle)


@pytest.mark.parametrize("angle", [1.5, -3.0])
def test_camber_is_plus_with_the_top_outward(angle: float) -> None:
    turn = _turned("x", -angle)
    top, bottom = CENTRE + turn.apply(TOP), CENTRE + turn.apply(BOTTOM)
    outward = (abs(top[1]) - abs(bottom[1])) / 600.0
    camber = float(camber_deg(turn.apply(AXLE)))
    assert np.sin(np.deg2rad(camber)) == pytest.approx(outward, abs=1e-14)
    assert np.sign(outward) == np.sign(angle)


def test_the_older_axes_give_the_same_toe() -> None:
    """In SAE's axes, z down, a left wheel's toe-in is a plus turn; the wheel is the same."""
    axle = SAE_TO_ISO @ AXLE
    turned = _turned("z", 1.2).apply(axle)
    assert float(toe_deg(SAE_TO_ISO @ turned)) == pytest.approx(1.2, abs=1e-12)
    assert float(camber_deg(SAE_TO_ISO @ turned)) == pytest.approx(0.0, abs=1e-12)
    # top outward: about x forward, a left wheel's top moves left for a minus turn, here too
    leaning = _turned("x", -2.5).apply(axle)
    assert float(camber_deg(SAE_TO_ISO @ leaning)) == pytest.approx(2.5, abs=1e-12)


def test_bump_lifts_the_wheel_toward_the_body() -> None:
    motion = sweep(_corner(), TRAVEL)
    rise = motion.outer_mm[0, :, 2] - LINK_Z_MM
    # equal parallel arms carry every point of the carrier alike
    assert rise == pytest.approx(TRAVEL, abs=1e-9)
    assert motion.toe_deg[0] == pytest.approx(np.zeros(3), abs=1e-9)
    # both arms level at ride height, so the wheel swings inboard both ways
    swing = REACH_MM - np.sqrt(REACH_MM**2 - 40.0**2)
    assert motion.outer_mm[0, :, 1] == pytest.approx(700.0 - swing * np.array([1, 0, 1]), abs=1e-9)


def test_a_short_upper_arm_leans_the_top_in_under_bump() -> None:
    points = _corner()
    points.inner[2:4, 1] += 100.0
    camber = sweep(points, TRAVEL).camber_deg[0]
    # the upper ball joint is drawn in by 40^2 / 2 (1 / 220 - 1 / 320), over 230 mm of upright
    lean = np.rad2deg(40.0**2 / 2.0 * (1.0 / 220.0 - 1.0 / 320.0) / 230.0)
    assert camber[1] == pytest.approx(0.0, abs=1e-12)
    # to second order; the fourth adds under 3 % each way
    assert camber[[0, 2]] == pytest.approx([-lean, -lean], rel=0.05)


@pytest.mark.parametrize("ahead", [True, False])
def test_inner_joint_too_low_or_high_toes_opposite_ways(ahead: bool) -> None:
    """A link that climbs outboard draws its outer joint in under bump, lets it out in droop."""
    arm = ARM_MM if ahead else -ARM_MM
    way = 1.0 if ahead else -1.0
    low, high = (_toe(_corner(arm_mm=arm, inner_mm=(0.0, v))) for v in (-5.0, 5.0))
    outer = sweep(_corner(arm_mm=arm, inner_mm=(0.0, -5.0)), TRAVEL).outer_mm[0, :, 1]
    true = sweep(_corner(arm_mm=arm), TRAVEL).outer_mm[0, :, 1]
    assert outer[2] < true[2]
    assert outer[0] > true[0]
    # ahead of the kingpin, drawn in is front nearer the centre line: toe-in
    assert np.sign(way * low[[0, 2]]).tolist() == [-1.0, 1.0]
    assert np.sign(way * high[[0, 2]]).tolist() == [1.0, -1.0]
    # h z / (L a), small angles
    size = np.rad2deg(5.0 * 40.0 / (REACH_MM * ARM_MM))
    assert way * (low[2] - low[0]) / 2.0 == pytest.approx(size, rel=0.02)


@pytest.mark.parametrize("ahead", [True, False])
def test_inner_joint_too_far_in_or_out_toes_the_same_way(ahead: bool) -> None:
    """A link shorter than the arms draws its outer joint in both ways, a longer one lets it."""
    arm = ARM_MM if ahead else -ARM_MM
    way = 1.0 if ahead else -1.0
    short = _toe(_corner(arm_mm=arm, inner_mm=(-40.0, 0.0)))
    long = _toe(_corner(arm_mm=arm, inner_mm=(40.0, 0.0)))
    assert np.sign(way * short[[0, 2]]).tolist() == [1.0, 1.0]
    assert np.sign(way * long[[0, 2]]).tolist() == [-1.0, -1.0]
    # z^2 / (2 a) (1 / link - 1 / path), to second order; the fourth adds 2 %
    size = np.rad2deg(40.0**2 / (2.0 * ARM_MM) * (1.0 / 280.0 - 1.0 / 320.0))
    assert way * short[[0, 2]] == pytest.approx([size, size], rel=0.04)


@pytest.mark.parametrize("inner_mm", [(0.0, -5.0), (-40.0, 0.0), (25.0, 12.0)])
def test_toe_of_an_upright_kingpin_in_closed_form(inner_mm: tuple[float, float]) -> None:
    """Parallel arms move an upright kingpin sideways and up; toe is one equation in one angle.

    With p the outer joint's distance from the kingpin, the link's length fixes
    A cos(toe) + B sin(toe) = C, a line of a textbook on trigonometry.
    """
    travel = np.linspace(-50.0, 50.0, 11)
    points = _corner(inner_mm=inner_mm)
    pin_y = 700.0 - REACH_MM + np.sqrt(REACH_MM**2 - travel**2)
    inner = points.inner[TOE_LINK]
    length2 = np.sum((points.outer[TOE_LINK] - inner) ** 2)
    # outer joint at (p cos toe, pin_y - p sin toe, z): the front of the wheel goes inboard
    x, y, z = inner[0], pin_y - inner[1], LINK_Z_MM + travel - inner[2]
    a, b = 2.0 * ARM_MM * x, 2.0 * ARM_MM * y
    c = ARM_MM**2 + x**2 + y**2 + z**2 - length2
    toe = np.arctan2(b, a) - np.arccos(c / np.hypot(a, b))
    # the mechanism closes to 1e-9 mm over an arm of 110 mm
    assert _toe(points, travel) == pytest.approx(np.rad2deg(toe), abs=1e-9)
    assert np.ptp(toe) > 1e-3


def test_a_longer_link_ahead_toes_out_and_behind_toes_in() -> None:
    for arm, way in ((ARM_MM, -1.0), (-ARM_MM, 1.0)):
        motion = sweep(_corner(arm_mm=arm), np.zeros(1), 0.0, 2.0, hold_static_toe=False)
        # 2 mm over an arm of 110 mm, square to it: sine of the angle to second order
        assert motion.toe_deg[0, 0] == pytest.approx(way * np.rad2deg(2.0 / ARM_MM), rel=0.01)
        # held, the inner pivot goes inboard by as much
        held = sweep(_corner(arm_mm=arm), np.zeros(1), 0.0, 2.0)
        assert held.shift_mm[0] == pytest.approx(2.0, abs=1e-12)
        assert held.toe_deg[0, 0] == pytest.approx(0.0, abs=1e-9)


def test_a_right_hand_corner_is_the_left_one_mirrored() -> None:
    """A right corner written down in the car's own coordinates, y to the left and so minus."""
    left = _corner(inner_mm=(0.0, -5.0))
    flip = np.array([1.0, -1.0, 1.0])
    right = replace(
        left,
        inner=left.inner * flip,
        outer=left.outer * flip,
        hub=np.array([0.0, -740.0, 300.0]),
        spindle=np.array([0.0, -1.0, 0.0]),
        slot=np.array([0.0, 1.0, 0.0]),
    )
    toe = _toe(mirrored(right))
    assert toe == pytest.approx(_toe(left), abs=1e-12)
    assert toe[2] > 0.1
    # a right wheel toes in by a plus turn about z, which is its front to the left
    turned = _turned("z", 0.8).apply(np.array([0.0, -1.0, 0.0]))
    right_toe = _toe(mirrored(replace(right, spindle=turned)), np.zeros(1))[0]
    assert right_toe == pytest.approx(0.8, abs=1e-9)
    # total toe is the sum; half the wheels' difference in front, by the sine, for equal toes
    left_toe = _toe(replace(left, spindle=_turned("z", -0.8).apply(AXLE)), np.zeros(1))[0]
    front = [_turned("z", way * 0.8).apply(FRONT)[1] for way in (-1.0, 1.0)]
    total = 2.0 * np.rad2deg(np.arcsin((front[1] - front[0]) / 600.0))
    assert left_toe + right_toe == pytest.approx(total, abs=1e-9)


@pytest.mark.parametrize("toe", [0.4, -1.1])
@pytest.mark.parametrize("inboard", [True, False])
def test_a_dial_at_the_plate_s_front(toe: float, inboard: bool) -> None:
    """A plate on the hub turns about a fixed contact; a dial stands 300 mm ahead of it.

    From inboard the plunger is pushed in, and the reading grows, as the plate's front
    comes nearer the centre line; from outboard it is let out.
    """
    along = _turned("z", -toe).apply(np.array([1.0, 0.0, 0.0]))
    nearer = -along[1] / along[0] * 300.0
    pushed = nearer if inboard else -nearer
    gauge = Gauge(span_mm=300.0, rising=1 if inboard else -1)
    # rounding only
    assert float(toe_from_reading_deg(gauge, pushed)) == pytest.approx(toe, abs=1e-12)
    assert float(reading_from_toe(gauge, toe)) == pytest.approx(pushed, abs=1e-12)


def test_readings_of_a_swept_corner_come_back_as_its_toe() -> None:
    """A dial outboard over a corner that toes in under bump: its readings fall there."""
    points = _corner(inner_mm=(0.0, -5.0))
    travel = np.array([-40.0, -20.0, 20.0, 40.0])
    toe = _toe(points, travel)
    dial = 17.0 - 300.0 * np.tan(np.deg2rad(toe))
    rows = [Reading(run="r", sweep="up1", travel_mm=0.0, value=17.0)]
    rows += [
        Reading(run="r", sweep="up1", travel_mm=float(z), value=float(v))
        for z, v in zip(travel, dial, strict=True)
    ]
    assert dial[3] < 17.0 < dial[0]
    curve = toe_curve("r", rows, Gauge(span_mm=300.0, rising=-1))
    assert curve.toe_deg == pytest.approx(toe, abs=1e-12)
    assert curve.toe_deg[3] > 0.0 > curve.toe_deg[0]
