"""Tilt of the shimmed joint from the tape: its formula, slopes and spread by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from optimizer.advise import joint
from optimizer.advise.evidence import corner_evidence, fitted
from optimizer.advise.joint import PointsTilt, RideTilt, TapeTilt, ride_tilt_of, tilts_of
from optimizer.errors import LinkageError
from optimizer.model.mechanism import sweep
from optimizer.records import (
    Corner,
    JointStud,
    Logbook,
    Measured,
    MeasuredPoints,
    ShimmedJoint,
    Stack,
    Tape,
)

Array = NDArray[np.float64]

CORNER = "rear-left"
# ln length, ln arm, rise, camber gain, stud lean
MEAN = np.array([np.log(310.0), np.log(95.0), 22.0, 4e-4, 0.06])
HEIGHT, CHANGE = np.array([0.0, -4.0, 5.0, 2.0]), np.array([0.0, 3.0, -6.0, 8.0])


def _by_hand(tape: Array, h: Array, d: Array, z: float, end: str) -> Array:
    """The angle by plane trigonometry, degrees."""
    length, rise, gain, lean = np.exp(tape[0]) + d, tape[2], tape[3], tape[4]
    raised = h * np.cos(lean)
    if end == "inner":
        return np.asarray(np.degrees(np.arcsin((rise - raised + z) / length) + lean))
    return np.asarray(np.degrees(np.arcsin((rise + raised + z) / length) + lean - gain * z))


@pytest.mark.outside
@pytest.mark.parametrize("end", ["outer", "inner"])
@pytest.mark.parametrize("travel", [-45.0, 0.0, 30.0])
def test_tilt_from_tape_by_plane_trigonometry(end: str, travel: float) -> None:
    """Its mean, less the path's bow; its spread by derivatives from central differences."""
    root = np.random.default_rng(3).normal(size=(5, 5)) * np.array([[0.01, 0.02, 2.0, 1e-4, 0.01]])
    cov = root.T @ root
    told = TapeTilt(mean=MEAN, cov=cov, end=end)  # type: ignore[arg-type]
    tilt, sd = told.at(HEIGHT, CHANGE, travel)
    bow = -1.2e-4 * travel**2
    assert tilt == pytest.approx(_by_hand(MEAN, HEIGHT, CHANGE, travel, end) + bow, abs=1e-9)
    step = np.array([1e-5, 1e-5, 1e-3, 1e-7, 1e-5])

    def slopes(h: Array, d: Array, z: float) -> Array:
        return np.stack(
            [
                (_by_hand(MEAN + up, h, d, z, end) - _by_hand(MEAN - up, h, d, z, end))
                / (2.0 * up[k])
                for k, up in enumerate(np.diag(step))
            ]
        )

    # raising the joint along a leaning stud is taken to first order without the lean's part
    every = slopes(HEIGHT, CHANGE, travel)
    every[4] = np.degrees(1.0)
    missed = 0.25**2 + (0.0125 * travel) ** 2
    assert sd == pytest.approx(np.sqrt(np.sum(every * (cov @ every), axis=0) + missed), rel=1e-6)
    # measured at ride height: only what differs from there is left to the tape
    known = replace(told, measured=Measured(value=-1.5, sd=0.4))
    tilt, sd = known.at(HEIGHT, CHANGE, travel)
    none = np.zeros(1)
    rest = _by_hand(MEAN, none, none, 0.0, end)
    wanted = _by_hand(MEAN, HEIGHT, CHANGE, travel, end) - rest - 1.5 + bow
    assert tilt == pytest.approx(wanted, abs=1e-9)
    here = slopes(none, none, 0.0)
    here[4] = np.degrees(1.0)
    apart = every - here
    missed = 0.08**2 + (0.0125 * travel) ** 2 + 0.4**2
    assert sd == pytest.approx(np.sqrt(np.sum(apart * (cov @ apart), axis=0) + missed), rel=1e-6)


def test_a_link_never_stands_up_more_than_its_own_length() -> None:
    """Past 95 in 100 of its length the sine is held there, either way."""
    steep = TapeTilt(mean=np.array([np.log(100.0), 0.0, 90.0, 0.0, 0.0]), cov=np.zeros((5, 5)))
    for travel, sine in ((20.0, 0.95), (4.0, 0.94), (-190.0, -0.95), (-184.0, -0.94)):
        tilt, _ = steep.at(np.zeros(1), np.zeros(1), travel)
        wanted = np.degrees(np.arcsin(sine)) - 1.2e-4 * travel**2
        assert tilt == pytest.approx([wanted], abs=1e-9)


@pytest.mark.parametrize(("end", "way"), [("outer", 1.0), ("inner", -1.0)])
def test_a_tilt_measured_at_ride_height_goes_with_the_height(end: str, way: float) -> None:
    """A millimetre over 250 mm of link is an angle of 4 mrad."""
    told = RideTilt(measured=Measured(value=2.0, sd=0.06), length_mm=250.0, end=end)  # type: ignore[arg-type]
    tilt, sd = told.at(np.array([0.0, 3.0, -5.0]), np.zeros(3), 0.0)
    milli = np.degrees(1e-3)
    assert tilt == pytest.approx([2.0, 2.0 + way * 12.0 * milli, 2.0 - way * 20.0 * milli])
    # 0.06 and 0.08 square to 0.1
    assert sd == pytest.approx([0.1, 0.1, 0.1])


def _corner(length: float | None, tilt: float | None, end: str = "outer") -> Corner:
    measured = None if tilt is None else Measured(value=tilt, sd=0.3)
    tape = Tape(length_mm=None if length is None else Measured(value=length, sd=2.0))
    return Corner(
        name="c",
        side="left",
        ahead=True,
        tape=tape,
        joint=ShimmedJoint(tilt_deg=measured),
        stack=Stack(end=end),  # type: ignore[arg-type]
        stud=JointStud(),
    )


def test_what_a_measured_tilt_needs() -> None:
    """Off the reference's height the link's length; at it, nothing more."""
    assert ride_tilt_of(_corner(300.0, None), 0.0) is None
    for height, known in ((0.0, True), (0.009, True), (-0.009, True), (0.011, False)):
        assert (ride_tilt_of(_corner(None, 1.0), height) is not None) is known
    there = ride_tilt_of(_corner(None, 1.0), 0.0)
    assert there is not None
    assert there.at(np.array([4.0]), np.zeros(1), 0.0)[0].tolist() == [1.0]
    taped = ride_tilt_of(_corner(300.0, 1.0, "inner"), 4.0)
    assert taped is not None
    assert taped.at(np.array([4.0]), np.zeros(1), 0.0)[0] == pytest.approx(
        [1.0 - np.degrees(4.0 / 300.0)]
    )


POINTS = MeasuredPoints(
    lower_front_pivot_mm=(128.0, 352.0, 178.0),
    lower_rear_pivot_mm=(-142.0, 346.0, 184.0),
    lower_ball_joint_mm=(4.0, 694.0, 186.0),
    upper_front_pivot_mm=(104.0, 424.0, 408.0),
    upper_rear_pivot_mm=(-96.0, 420.0, 400.0),
    upper_ball_joint_mm=(-9.0, 668.0, 428.0),
    link_inner_joint_mm=(-104.5, 379.0, 218.0),
    link_outer_joint_mm=(-96.0, 698.0, 224.0),
    wheel_centre_mm=(0.0, 742.0, 302.0),
    sd_mm=0.5,
)


def _pointed(book: Logbook, end: str = "outer") -> Corner:
    corner = book.corners[CORNER]
    return replace(corner, points=POINTS, stack=replace(corner.stack, end=end))  # type: ignore[arg-type]


def test_tilt_by_hard_points_is_as_sure_as_points_stud_and_polynomial(
    demo_book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The tape's own part without the formula's error; the stud's rake; the worst misfit."""
    corner = _pointed(demo_book)
    evidence = replace(corner_evidence(demo_book, CORNER), corner=corner)
    surface = fitted(evidence).surface
    travels = np.array([-80.0, -20.0, 0.0, 45.0])
    swept: list[tuple[Array, ...]] = []

    def seen(points: object, *args: Array) -> object:
        swept.append((points, *args))  # type: ignore[arg-type]
        return sweep(points, *args)  # type: ignore[arg-type]

    monkeypatch.setattr("optimizer.model.mechanism.sweep", seen)
    tilts = tilts_of(corner, surface, travels)
    assert isinstance(tilts, PointsTilt)
    ((points, z, h, d),) = swept
    # no further than the surface's range, and ride height for what was measured there
    assert z.tolist() == [-60.0, -20.0, 0.0, 45.0, 0.0]
    true = sweep(points, z, h, d).outer_tilt_deg[0]  # type: ignore[arg-type]
    off = [np.abs(tilts.at(h, d, float(t))[0] - true[:, i]).max() for i, t in enumerate(z)]
    assert max(off) == pytest.approx(tilts.misfit, rel=1e-6)
    assert (len(h), float(h[-1]), float(d[-1])) == (17, 0.0, 0.0)
    assert (h.min(), h.max(), d.min(), d.max()) == (-10.0, 10.0, -15.0, 15.0)
    for known in (None, Measured(value=1.0, sd=0.3)):
        joint_ = replace(corner.joint, tilt_deg=known)
        tilts = tilts_of(replace(corner, joint=joint_), surface, travels)
        assert isinstance(tilts, PointsTilt)
        for at in (-20.0, 45.0):
            _, sd = tilts.at(HEIGHT, CHANGE, at)
            _, whole = tilts.spread.at(HEIGHT, CHANGE, at)
            level = 0.25 if known is None else 0.08
            own = whole**2 - level**2 - (0.0125 * at) ** 2
            assert np.all(own > 0.0)
            assert sd == pytest.approx(np.sqrt(own + 0.3**2 + tilts.misfit**2), rel=1e-9)


def test_past_what_a_linkage_reaches_the_tape_answers(
    demo_book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stuck(*_: object) -> None:
        raise LinkageError("does not assemble", "mend it")

    corner = _pointed(demo_book, "inner")
    surface = fitted(corner_evidence(demo_book, CORNER)).surface
    monkeypatch.setattr(joint, "PointsTilt", stuck)
    tilts = tilts_of(corner, surface, np.array([-20.0, 20.0]))
    assert isinstance(tilts, TapeTilt)
    assert tilts.end == "inner"
    assert np.array_equal(tilts.mean, surface.mean_[60:])
    assert np.array_equal(tilts.cov, surface.cov_[60:, 60:])
