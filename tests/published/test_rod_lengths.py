"""The exact mechanism against other formulations of the same rods.

Random corners: the carrier is written by three points that it carries (natural
coordinates; García de Jalón and Bayo 1994, ch. 2, from memory), nine unknowns tied by six
distances and closed on the rods' lengths by scipy's least squares. There are no
rotations in it at all; struts are closed by two cross products.

Planar four-bar: Norton, *Design of Machinery*, example 4-1, from memory, recomputed with
the closed form below. Seen from the front, a corner with both wishbones' axes and its
link along x is a planar four-bar whose coupler is the carrier, so camber is the coupler's
rotation and the link a copy of the rocker.

Spatial slider-crank: Haug, *Computer Aided Kinematics and Dynamics of Mechanical
Systems*, 1989, from memory; closed form beside it. It is expressed twice: by the inner
pivot on its slot, with shims that carry the outer joint along a chord of the crank's
circle; and by inversion, the slider rod being the body: a strut is the slider's line and
two rods from the crank pin to the crank's axis are the crank. A fifth rod, which the
mechanism wants, takes the rod's idle spin about itself.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq, least_squares

from optimizer.model.closure import Rig, closed, path_through_ride_height
from optimizer.model.mechanism import TOE_LINK, HardPoints, static_shift_mm, sweep
from optimizer.model.population import draw_corners, pick, workable

Array = NDArray[np.float64]

TRAVELS = np.array([-45.0, -20.0, 0.0, 25.0, 50.0])
# both formulations close to about 1e-9 mm, over levers of 60 mm 1e-9 degrees; 1e-6 is the
# promise to be kept
WITHIN_DEG = 1e-6


class _ThreePoints:
    """A carrier written by three of its points, each along an axis from the wheel centre."""

    def __init__(self, points: HardPoints, height: float, change: float, moved: Array) -> None:
        self.hub = points.hub
        raised = height * points.stud
        self.inner, self.outer = points.inner.copy(), points.outer.copy()
        (self.outer if points.end == "outer" else self.inner)[TOE_LINK] += raised
        self.inner[TOE_LINK] += moved
        self.length = np.linalg.norm(points.outer - points.inner, axis=1)
        self.length[TOE_LINK] += change
        self.top, self.axis = points.strut_top, points.strut_axis
        self.rods = list(range(5)) if self.top is None else [0, 1, TOE_LINK]
        self.spindle = points.spindle
        # base points 100 mm from the wheel centre along x, y and z
        self.base = self.hub + 100.0 * np.eye(3)

    def carried(self, vector: Array, three: Array) -> Array:
        """A vector of the carrier, in the pose that three points are in.

        Of two edges and their cross product, solved as it was when drawn.
        """
        drawn, now = _edges(self.base), _edges(three)
        return np.asarray(np.linalg.solve(drawn.T, vector) @ now)

    def gaps(self, unknown: Array, travel: float) -> Array:
        three = unknown.reshape(3, 3)
        out = [
            np.linalg.norm(three[i] - three[j]) - np.linalg.norm(self.base[i] - self.base[j])
            for i, j in ((0, 1), (1, 2), (2, 0))
        ]

        def moved(place: Array) -> Array:
            return np.asarray(three[0] + self.carried(place - self.base[0], three))

        out += [
            np.linalg.norm(moved(self.outer[i]) - self.inner[i]) - self.length[i] for i in self.rods
        ]
        if self.top is not None:
            # the top mount stays on the carrier's line through where it was
            axis = self.carried(np.asarray(self.axis), three)
            out += list(np.cross(axis, moved(self.top) - self.top)[:2])
        out.append(moved(self.hub)[2] - self.hub[2] - travel)
        return np.array(out, float)

    def toe_camber_deg(self, travels: Array) -> Array:
        """Shape (n_travel, 2); walked outward from ride height."""
        found = {}
        for side in (travels[travels >= 0.0], travels[travels <= 0.0][::-1]):
            three, at = self.base.ravel(), 0.0
            for travel in side:
                lift = np.tile([0.0, 0.0, travel - at], 3)
                fit = least_squares(
                    self.gaps, three + lift, args=(travel,), xtol=1e-15, ftol=1e-15, gtol=1e-15
                )
                assert np.max(np.abs(fit.fun)) < 1e-8
                three, at = fit.x, travel
                s = self.carried(self.spindle, three.reshape(3, 3))
                # ISO 8855, paraphrased, left wheel: toe-in plus, top outward plus
                toe = np.arcsin(s[0] / np.hypot(s[0], s[1]))
                found[travel] = (toe, -np.arctan2(s[2], np.hypot(s[0], s[1])))
        return np.degrees([found[t] for t in travels])


def _edges(three: Array) -> Array:
    one, two = three[1] - three[0], three[2] - three[0]
    return np.stack([one, two, np.cross(one, two) / 100.0])


def _agree(corners: HardPoints, rng: np.random.Generator) -> None:
    seen = []
    for i in range(len(corners.hub)):
        height, change = float(rng.uniform(-6, 6)), float(rng.uniform(-8, 8))
        held = bool(i % 2)
        points = pick(corners, np.array(i))
        motion = sweep(points, TRAVELS, height, change, hold_static_toe=held)
        moved = motion.shift_mm[0] * points.slot
        theirs = _ThreePoints(points, height, change, moved).toe_camber_deg(TRAVELS)
        ours = np.stack([motion.toe_deg[0], motion.camber_deg[0]], axis=-1)
        assert ours == pytest.approx(theirs, abs=WITHIN_DEG)
        seen.append(np.ptp(theirs, axis=0))
    toe, camber = np.median(seen, axis=0)
    # so that the check is of something: the wheels do turn
    assert toe > 0.1
    assert camber > 0.3


def _drawn(seed: int, n_corner: int, *, ahead: bool) -> HardPoints:
    points = draw_corners(np.random.default_rng(seed), n_corner, ahead=ahead)
    reach = np.array([-6.0, 6.0, -6.0, 6.0]), np.array([-8.0, -8.0, 8.0, 8.0])
    return workable(points, TRAVELS, *reach)


@pytest.mark.parametrize("ahead", [True, False], ids=["ahead", "behind"])
def test_random_corners_agree(ahead: bool) -> None:
    points = _drawn(821 + ahead, 12, ahead=ahead)
    assert len(points.hub) >= 10
    _agree(points, np.random.default_rng(31))


def test_shims_at_the_inner_joint_agree() -> None:
    _agree(replace(_drawn(823, 4, ahead=True), end="inner"), np.random.default_rng(32))


def test_struts_agree() -> None:
    # the upper wishbone gives way to a strut off the steering axis
    points = _drawn(824, 8, ahead=False)
    top = points.outer[:, 0] + np.array([-30.0, -110.0, 620.0])
    lean = np.array([-0.06, -0.15, 1.0]) / np.linalg.norm([-0.06, -0.15, 1.0])
    inner, outer = points.inner.copy(), points.outer.copy()
    inner[:, 2:4] = outer[:, 2:4] = np.nan
    struts = replace(
        points,
        inner=inner,
        outer=outer,
        strut_top=top,
        strut_axis=np.broadcast_to(lean, top.shape),
    )
    _agree(struts, np.random.default_rng(33))


GROUND, CRANK, COUPLER, ROCKER = 100.0, 40.0, 120.0, 80.0


def _four_bar_deg(crank_deg: float, way: int) -> tuple[float, float]:
    """Coupler and rocker angle by the cosine rule; way +1 open, -1 crossed."""
    pin = CRANK * np.exp(1j * np.radians(crank_deg))
    across = GROUND - pin
    cosine = (abs(across) ** 2 + COUPLER**2 - ROCKER**2) / (2.0 * abs(across) * COUPLER)
    coupler = np.angle(across) + way * np.arccos(cosine)
    rocker = np.angle(pin + COUPLER * np.exp(1j * coupler) - GROUND)
    return float(np.degrees(coupler)), float(np.degrees(rocker))


def _four_bar_corner(way: int) -> HardPoints:
    """Drawn with the crank at 0 degrees; the ground runs along y from the crank's pivot.

    Crank and rocker are wishbones about axes along x, and the link is a rocker again,
    80 mm further back, which holds the carrier from steering.
    """
    coupler, _ = _four_bar_deg(0.0, way)
    turn = np.radians(coupler)
    pin = np.array([0.0, CRANK, 0.0])
    joint = pin + COUPLER * np.array([0.0, np.cos(turn), np.sin(turn)])
    pivot, back = np.array([0.0, GROUND, 0.0]), np.array([-80.0, 0.0, 0.0])
    legs = np.array([[70.0, 0.0, 0.0], [-60.0, 0.0, 0.0]])
    return HardPoints(
        inner=np.array([*legs, *(pivot + legs), pivot + back]),
        outer=np.array([pin, pin, joint, joint, joint + back]),
        hub=pin,
        spindle=np.array([0.0, 1.0, 0.0]),
        stud=np.array([0.0, 0.0, 1.0]),
        slot=np.array([0.0, -1.0, 0.0]),
    )


@pytest.mark.parametrize("way", [1, -1], ids=["open", "crossed"])
def test_a_corner_that_is_a_planar_four_bar(way: int) -> None:
    printed = {1: (20.2979, 57.3249), -1: (-60.9780, -98.0050)}[way]
    cranks = np.array([-30.0, -10.0, 10.0, 25.0, 40.0, 55.0])
    # the wheel centre is the crank pin, so travel is the pin's height
    motion = sweep(_four_bar_corner(way), CRANK * np.sin(np.radians(cranks)))
    # a coupler that turns up on the outside leans the wheel's top in
    coupler = _four_bar_deg(0.0, way)[0] - motion.camber_deg[0]
    y, z = motion.outer_mm[0, :, 1] - GROUND, motion.outer_mm[0, :, 2]
    rocker = np.degrees(np.arctan2(z, y))
    closed_form = np.array([_four_bar_deg(float(c), way) for c in cranks])
    # 1e-9 mm of rod over 80 mm and more is under 1e-9 degrees of angle
    assert coupler == pytest.approx(closed_form[:, 0], abs=1e-7)
    assert rocker == pytest.approx(closed_form[:, 1], abs=1e-7)
    assert motion.toe_deg[0] == pytest.approx(np.zeros(6), abs=1e-7)
    # printed to a ten-thousandth of a degree, at 40 degrees
    assert (coupler[4], rocker[4]) == pytest.approx(printed, abs=0.5e-4)


# crank .08 m about an axis along x through (0, .1, .12), rod .3 m, slider on x;
# Pythagoras in the rod: s^2 = .09 - (.1 + .08 cos p)^2 - (.12 + .08 sin p)^2
SLIDES_M = {0.3: 0.1955521112, np.pi / 2: 0.2, np.pi: 0.2742261840}
CRANK_AXIS = np.array([0.0, 100.0, 120.0])


def _crank_pin(angle: float) -> Array:
    return CRANK_AXIS + 80.0 * np.array([0.0, np.cos(angle), np.sin(angle)])


@pytest.mark.parametrize("angle", SLIDES_M)
def test_a_pivot_on_its_slot_is_the_slider(angle: float) -> None:
    start = _crank_pin(0.5 * np.pi)
    chord = _crank_pin(angle) - start
    height = float(np.linalg.norm(chord))
    inner, outer = np.full((5, 3), np.nan), np.full((5, 3), np.nan)
    inner[TOE_LINK], outer[TOE_LINK] = [200.0, 0.0, 0.0], start
    corner = HardPoints(
        inner=inner,
        outer=outer,
        hub=np.zeros(3),
        spindle=np.array([0.0, 1.0, 0.0]),
        stud=chord / height if height else np.array([0.0, 0.0, 1.0]),
        slot=np.array([1.0, 0.0, 0.0]),
    )
    shift = static_shift_mm(corner, np.array([height]), np.zeros(1))
    # ten digits are given, of metres
    assert (200.0 + shift[0]) / 1000.0 == pytest.approx(SLIDES_M[angle], abs=1e-10)


def test_the_slider_crank_by_inversion() -> None:
    # the rod is the body: crank pin and slider stand still, and what carries the crank's
    # axis and the slider's line moves; drawn at p = pi / 2
    pin, slider = _crank_pin(0.5 * np.pi), np.array([200.0, 0.0, 0.0])
    # a wheel centre and a fifth rod that let the crank go from .13 to 3.4 rad in one motion
    hub = np.array([40.0, -240.0, -70.0])
    outer = np.array([[150, 100, 120], [-150, 100, 120], [-50, 50, -230.0]])
    inner = np.array([pin, pin, [-260, -10, -40]])
    rods = [0, 1, TOE_LINK]
    ends, arms, lengths = np.empty((5, 3)), np.empty((5, 3)), np.empty(5)
    ends[rods], arms[rods] = inner, outer - hub
    lengths[rods] = np.linalg.norm(outer - inner, axis=1)
    # the strut: the body's slider on the carrier's line along x
    ends[2:4], arms[2:4] = slider, np.eye(3)[1:]
    lengths[2:4] = (hub - slider)[1:]
    rig = Rig(
        inner=ends[..., None],
        arm=arms[..., None],
        length=lengths[:, None],
        hub=hub[:, None],
        strut=True,
    )
    path = path_through_ride_height(rig)

    def crank_and_slider(travel: float) -> tuple[float, Array]:
        carriers, _ = closed(rig, path, np.array([travel]))
        turned, place = carriers.rotation[..., 0], carriers.place[:, 0]
        pin_from_axis = (pin - place) @ turned + hub - CRANK_AXIS
        angle = np.arctan2(pin_from_axis[2], pin_from_axis[1]) % (2.0 * np.pi)
        return float(angle), np.asarray((slider - place) @ turned + hub)

    for wanted, slide in SLIDES_M.items():
        travel = brentq(lambda z, p=wanted: crank_and_slider(z)[0] - p, -94.0, 62.0, xtol=1e-12)
        _, seen = crank_and_slider(travel)
        # rods closed to 1e-9 mm, through a crank and a spin that are far from square to them
        assert seen == pytest.approx([1000.0 * slide, 0.0, 0.0], abs=1e-7)
