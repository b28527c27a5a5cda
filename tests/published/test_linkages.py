"""Exact textbook cases of ride steer, and how far the arc formula is from the mechanism.

Source: Milliken and Milliken 1995, ch. 19; Gillespie 1992, ch. 8; Dixon 2009,
ch. 5, all from memory; the slope figure is the small-angle rule h / (L a). Centres of
curvature by Euler and Savary's construction with the inflection circle (Norton, *Design
of Machinery*, and Dijksman 1976, from memory). The arc formula has no source but this
project; its error is stated here as found, between two figures.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from optimizer.model.arc import (
    Link,
    arc_toe_change_deg,
    eccentric_shift_mm,
    static_toe_error_deg,
)
from optimizer.model.mechanism import TOE_LINK, HardPoints, sweep
from optimizer.model.population import (
    draw_corners,
    pick,
    tape_truth,
    with_good_links,
    workable,
)

Array = NDArray[np.float64]

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


@pytest.mark.parametrize("side", [1.0, -1.0], ids=["ahead", "behind"])
@pytest.mark.parametrize(("height", "change"), [(4.0, 0.0), (0.0, 9.0), (-5.0, -7.0)])
def test_equal_parallel_arms_and_any_link_are_a_triangle(
    side: float, height: float, change: float
) -> None:
    # the arms carry an upright steering axis along a circle and do not turn it, so toe is the
    # triangle of link, arm and axis: a cosine rule, our own plane geometry
    points = _parallel()
    points.outer[2:4] = points.outer[0] + np.array([0.0, 0.0, 230.0])
    points.inner[:4] = points.outer[:4] - np.array([0.0, 320.0, 24.0])
    points.inner[[0, 2], 0] += 140.0
    points.inner[[1, 3], 0] -= 130.0
    points.outer[TOE_LINK] = [110.0 * side, 690.0, 260.0]
    points.inner[TOE_LINK] = [95.0 * side, 400.0, 245.0]
    motion = sweep(points, TRAVEL, height, change)
    inner = points.inner[TOE_LINK] + motion.shift_mm[0] * points.slot
    length = np.linalg.norm(points.outer[TOE_LINK] - points.inner[TOE_LINK]) + change
    lateral = np.sqrt(320.0**2 + 24.0**2 - (24.0 + TRAVEL) ** 2) - 320.0
    axis = points.outer[0, :2] + np.stack([np.zeros(11), lateral], axis=-1)
    rise = points.outer[TOE_LINK, 2] + height + TRAVEL - inner[2]
    plan_link = np.sqrt(length**2 - rise**2)
    arm = points.outer[TOE_LINK, :2] - points.outer[0, :2]
    apart = np.linalg.norm(axis - inner[:2], axis=1)
    cosine = (apart**2 + arm @ arm - plan_link**2) / (2.0 * apart * np.linalg.norm(arm))
    back = inner[:2] - axis
    stands = np.arctan2(back[:, 1], back[:, 0]) + side * np.arccos(cosine)
    turned = np.degrees(stands - np.arctan2(arm[1], arm[0]))
    turned = (turned + 180.0) % 360.0 - 180.0
    # toe-in turns a left wheel clockwise from above; rods close to 1e-9 mm over 110 mm
    assert motion.toe_deg[0] == pytest.approx(-turned, abs=1e-7)
    assert motion.camber_deg[0] == pytest.approx(np.zeros(11), abs=1e-7)
    assert np.ptp(motion.toe_deg) > 0.3


def _front_view(rng: np.random.Generator, side: float) -> HardPoints:
    """A corner whose arms turn about axes along x: a four-bar seen from the front.

    The link's inner joint is left at its outer one.
    """
    low = np.array([0.0, 700.0, 190.0]) + rng.uniform(-20, 20, 3) * [0, 1, 1]
    up = low + np.array([0.0, rng.uniform(-45, -10), rng.uniform(210, 270)])
    low_root = low - np.array([0.0, rng.uniform(290, 400), rng.uniform(-15, 25)])
    up_root = up - np.array([0.0, rng.uniform(200, 270), rng.uniform(-35, 15)])
    legs = np.array([[140.0, 0, 0], [-120.0, 0, 0]])
    share = rng.uniform(0.1, 0.6)
    joint = low + share * (up - low) + np.array([side * rng.uniform(80, 140), 0.0, 0.0])
    return HardPoints(
        inner=np.array([*(low_root + legs), *(up_root + legs), joint]),
        outer=np.array([low, low, up, up, joint]),
        hub=low + np.array([0.0, 45.0, 105.0]),
        spindle=np.array([0.0, 1.0, 0.0]),
        stud=np.array([0.0, 0.0, 1.0]),
        slot=np.array([0.0, -1.0, 0.0]),
    )


def _crossing(points: HardPoints) -> Array:
    """Instant centre in the front view, (y, z): where the arms' lines meet."""
    a, b = points.outer[0, 1:], points.outer[2, 1:]
    u, v = a - points.inner[0, 1:], b - points.inner[2, 1:]
    along, _ = np.linalg.solve(np.stack([u, -v], axis=1), b - a)
    return np.asarray(a + along * u)


def _path_centre(points: HardPoints) -> Array:
    """Centre of curvature of the link's outer joint in the front view, (y, z).

    Euler and Savary: for every point A of the carrier, with path centre A0 and J the
    inflection circle's other crossing of the ray from the instant centre P through A,
    PA^2 = JA * A0A, signed along the ray.
    """
    pole = _crossing(points)

    def on_circle(moving: Array, centre: Array) -> Array:
        ray = moving - pole
        far = np.linalg.norm(ray)
        unit = ray / far
        return np.asarray(unit * (far - far**2 / float((moving - centre) @ unit)))

    j1 = on_circle(points.outer[0, 1:], points.inner[0, 1:])
    j2 = on_circle(points.outer[2, 1:], points.inner[2, 1:])
    # a circle through the pole: |q|^2 = q . d
    across = np.linalg.solve(np.stack([j1, j2]), np.array([j1 @ j1, j2 @ j2]))
    ray = points.outer[TOE_LINK, 1:] - pole
    far = float(np.linalg.norm(ray))
    unit = ray / far
    return np.asarray(points.outer[TOE_LINK, 1:] - unit * far**2 / (far - float(across @ unit)))


def _with_link(points: HardPoints, pivot: Array) -> HardPoints:
    inner = points.inner.copy()
    inner[TOE_LINK, 1:] = pivot
    return replace(points, inner=inner)


def _slope_bow(points: HardPoints, way_mm: float) -> tuple[float, float]:
    """Degrees per 25 mm, and degrees per (25 mm)^2, by central differences."""
    toe = sweep(points, np.array([-way_mm, 0.0, way_mm])).toe_deg[0]
    slope = (toe[2] - toe[0]) / (2.0 * way_mm) * 25.0
    return float(slope), float((toe[0] + toe[2] - 2.0 * toe[1]) / 2.0 * (25.0 / way_mm) ** 2)


@pytest.mark.parametrize("side", [1.0, -1.0], ids=["ahead", "behind"])
def test_a_link_aimed_at_the_instant_centre_has_no_slope(side: float) -> None:
    rng = np.random.default_rng(41)
    bows = []
    for _ in range(20):
        points = _front_view(rng, side)
        pole, joint = _crossing(points), points.outer[TOE_LINK, 1:]
        way = (pole - joint) / np.linalg.norm(pole - joint)
        way = way if way[0] < 0.0 else -way
        length = rng.uniform(200.0, 420.0)
        slope, bow = _slope_bow(_with_link(points, joint + length * way), 0.5)
        # third order over half a millimetre, and 1e-9 mm of rods: about 1e-6 degrees
        assert slope == pytest.approx(0.0, abs=2e-5)
        bows.append(abs(bow))
        # aimed a millimetre low, the joint is high: the link's rate about the pole is undone by
        # turning about the pivots' line, whose lean k is in the front view
        low = _with_link(points, joint + length * way - [0.0, 1.0])
        link = joint - low.inner[TOE_LINK, 1:]
        rate = np.array([pole[1] - joint[1], joint[0] - pole[0]]) / (points.hub[1] - pole[0])
        k = points.outer[2, 1:] - points.outer[0, 1:]
        per_mm = k[1] * (link @ rate) / (link @ [k[1], -k[0]]) / points.outer[TOE_LINK, 0]
        off, _ = _slope_bow(low, 0.5)
        assert off == pytest.approx(np.degrees(25.0 * per_mm), abs=2e-5)
        assert off * side > 0.01
    assert np.median(bows) > 0.005  # any length has no slope, but not no bow


@pytest.mark.parametrize("side", [1.0, -1.0], ids=["ahead", "behind"])
def test_a_link_ended_at_the_centre_of_curvature_has_no_bow(side: float) -> None:
    rng = np.random.default_rng(43)
    lengths: list[float] = []
    while len(lengths) < 20:
        points = _front_view(rng, side)
        centre, joint = _path_centre(points), points.outer[TOE_LINK, 1:]
        length = float(np.linalg.norm(centre - joint))
        if not (120.0 < length < 700.0 and centre[0] < joint[0]):
            continue
        lengths.append(length)
        slope, bow = _slope_bow(_with_link(points, centre), 2.0)
        # third and fourth order over 2 mm are left: 1e-5 degrees and less
        assert slope == pytest.approx(0.0, abs=1e-4)
        assert bow == pytest.approx(0.0, abs=1e-4)
        # ten millimetres longer from the same line: -d rho^2 z^2 / (2 L^2 a) to first order in d
        longer = joint + (centre - joint) * (1.0 + 10.0 / length)
        _, bent = _slope_bow(_with_link(points, longer), 2.0)
        arm = abs(points.outer[TOE_LINK, 0])
        rule = -np.degrees(10.0 * 25.0**2 / (2.0 * length * (length + 10.0) * arm))
        assert bent * side == pytest.approx(rule, rel=0.12)
    assert np.ptp(lengths) > 50.0


HEIGHTS, CHANGES = (
    x.ravel()
    for x in np.meshgrid(np.linspace(-6.0, 6.0, 5), np.linspace(-7.5, 7.5, 5), indexing="ij")
)
REFERENCE = 12


@pytest.fixture(scope="module")
def population() -> HardPoints:
    """Two hundred corners, half ahead and half behind, that the prior was not trained on."""
    rng = np.random.default_rng(4141)
    ahead = draw_corners(rng, 100, ahead=True)
    behind = draw_corners(rng, 100, ahead=False)
    points = HardPoints(
        inner=np.concatenate([ahead.inner, behind.inner]),
        outer=np.concatenate([ahead.outer, behind.outer]),
        hub=np.concatenate([ahead.hub, behind.hub]),
        spindle=np.concatenate([ahead.spindle, behind.spindle]),
        stud=np.concatenate([ahead.stud, behind.stud]),
        slot=np.concatenate([ahead.slot, behind.slot]),
    )
    points = workable(points, TRAVEL, HEIGHTS, CHANGES)
    assert len(points.hub) >= 190
    return points


def _links(points: HardPoints, own: int) -> dict[str, Array]:
    """Exact tape values as fields of a link, with so many dimensions behind the corners'."""
    tape = tape_truth(points)
    names = list(vars(tape))
    return {n: getattr(tape, n).reshape(-1, *(1,) * own) for n in names}


def _spread(error: Array) -> tuple[float, float, float]:
    """Median, 90th percentile and worst of the corners' RMS errors."""
    rms = np.sqrt(np.mean(error.reshape(len(error), -1) ** 2, axis=1))
    return float(np.median(rms)), float(np.quantile(rms, 0.9)), float(np.max(rms))


def test_how_good_the_arc_formula_is(population: HardPoints) -> None:
    toe = sweep(population, TRAVEL, HEIGHTS, CHANGES).toe_deg
    change = toe - toe[..., 5:6]
    added = change - change[:, REFERENCE : REFERENCE + 1]
    rises = sweep(population, np.array([-30.0, 30.0])).outer_mm[:, 0, :, 2]
    ratio = ((rises[:, 1] - rises[:, 0]) / 60.0)[:, None, None]
    heights, changes = HEIGHTS[:, None], CHANGES[:, None]
    link = _links(population, 2)
    plain = arc_toe_change_deg(Link(**link), TRAVEL, heights, changes) - added
    ruled = arc_toe_change_deg(Link(**link, path_ratio=ratio), TRAVEL, heights, changes) - added
    # degrees RMS over heights of 6, lengths of 7.5 and travels of 50 mm either way, as found:
    # the effect itself, the formula from the tape alone, and with the path ratio known
    # found 0.202, 0.328, 0.539; 0.0160, 0.0499, 0.125; 0.0118, 0.0447, 0.121; a tenth either
    # way, since the worst of 200 goes by the draw
    assert _spread(added) == pytest.approx((0.202, 0.328, 0.539), rel=0.1)
    assert _spread(plain) == pytest.approx((0.0160, 0.0499, 0.125), rel=0.1)
    assert _spread(ruled) == pytest.approx((0.0118, 0.0447, 0.121), rel=0.1)


def test_how_good_the_eccentric_s_shift_is(population: HardPoints) -> None:
    exact = sweep(population, np.zeros(1), HEIGHTS, CHANGES).shift_mm
    formula = eccentric_shift_mm(Link(**_links(population, 1)), HEIGHTS, CHANGES)
    # mm RMS, as found: shifts of 5.3, the formula off by this, a tenth either way
    assert _spread(formula - exact) == pytest.approx((0.0101, 0.0511, 0.203), rel=0.1)
    # toward the centre line for a longer link
    assert np.all(exact[:, CHANGES > 7.0] > 5.0)
    # a slot turned 25 degrees in plan from the link: the secant
    angle = np.radians(25.0)
    turn = np.array(
        [[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1.0]]
    )
    askew = replace(population, slot=population.slot @ turn.T)
    exact = sweep(askew, np.zeros(1), HEIGHTS, CHANGES).shift_mm
    # without the secant it would be off by 0.55 at the median
    assert _spread(formula / np.cos(angle) - exact) == pytest.approx(
        (0.0198, 0.061, 0.235), rel=0.1
    )


def test_how_good_the_forgotten_eccentric_s_toe_is(population: HardPoints) -> None:
    motion = sweep(population, np.zeros(1), HEIGHTS, CHANGES, hold_static_toe=False)
    static = motion.toe_deg[..., 0] - motion.toe_deg[:, REFERENCE, :1]
    shift = sweep(population, np.zeros(1), HEIGHTS, CHANGES).shift_mm
    formula = static_toe_error_deg(Link(**_links(population, 1)), shift)
    # degrees RMS, as found, of 2.7 that the wheel goes at the median; a tenth either way
    assert _spread(formula - static) == pytest.approx((0.0268, 0.0581, 0.141), rel=0.1)
    share = formula[np.abs(shift) > 3.0] / static[np.abs(shift) > 3.0]
    # small angles, and a link not quite square to its arm: found 0.957 to 1.064
    assert (np.min(share), np.max(share)) == pytest.approx((0.957, 1.064), abs=0.01)
