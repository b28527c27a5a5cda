"""Stud bending and joint tilt: bad input, directions, and geometry by another road."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.advise.joint import ball_tilt_deg
from optimizer.advise.stud import (
    Stud,
    bending_stress_mpa,
    plain_stud,
    stud_bending,
    threaded_stud,
)
from optimizer.errors import CallError
from optimizer.standards import thread_sizes

STUD = Stud(diameter_mm=10.0, proof_mpa=800.0, ultimate_mpa=1000.0)


@pytest.mark.outside
def test_bending_by_hand() -> None:
    # 32 x 1000 x 12.5 / (pi x 1000)
    bent = stud_bending(STUD, 1000.0, 12.5, 10.0)
    assert bent.moment_nmm == 12_500.0
    assert bent.stress_mpa == pytest.approx(400.0 / math.pi)
    assert bent.proof_share == pytest.approx(0.5 / math.pi)
    # a quarter of ultimate is 250
    assert bent.fatigue_share == pytest.approx(1.6 / math.pi)
    assert bent.change == pytest.approx(0.25)


def test_without_a_load_only_the_change_is_known() -> None:
    bent = stud_bending(STUD, None, 9.0, 10.0)
    assert bent.change == pytest.approx(-0.1)
    assert [bent.load_n, bent.moment_nmm, bent.stress_mpa] == [None] * 3
    assert [bent.proof_share, bent.fatigue_share] == [None] * 2


@given(factor=st.floats(0.2, 5.0))
def test_bending_scales(factor: float) -> None:
    base = bending_stress_mpa(2000.0, 15.0, 11.0)
    assert bending_stress_mpa(2000.0 * factor, 15.0, 11.0) == pytest.approx(base * factor)
    assert bending_stress_mpa(2000.0, 15.0 * factor, 11.0) == pytest.approx(base * factor)
    assert bending_stress_mpa(2000.0, 15.0, 11.0 * factor) == pytest.approx(base / factor**3)


def test_bending_broadcasts() -> None:
    stress = bending_stress_mpa(1000.0, np.array([[10.0], [20.0]]), np.array([10.0, 12.0, 14.0]))
    assert stress.shape == (2, 3)
    assert stress[1] == pytest.approx(2.0 * stress[0])


@pytest.mark.outside
def test_threads_in_the_face_bend_on_the_core() -> None:
    core, shank = threaded_stud("M12", "10.9"), threaded_stud("M12", "10.9", threads_bend=False)
    assert core.diameter_mm == thread_sizes()["M12"].core_mm < shank.diameter_mm == 12.0
    assert (core.proof_mpa, core.ultimate_mpa) == (830.0, 1040.0)
    assert threaded_stud("5/8-18", "8.8", threads_bend=False).diameter_mm == pytest.approx(15.875)
    # ISO 898-1, from memory
    assert plain_stud(12.0, "12.9") == Stud(diameter_mm=12.0, proof_mpa=970.0, ultimate_mpa=1220.0)


def test_class_8_8_follows_the_thread_not_the_core() -> None:
    assert threaded_stud("M18", "8.8").proof_mpa == 600.0  # its core is 14.9 mm
    assert plain_stud(16.0, "8.8").proof_mpa == 580.0
    assert plain_stud(16.001, "8.8").proof_mpa == 600.0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: threaded_stud("M13", "8.8"), "no thread is called 'M13'"),
        (lambda: threaded_stud("M12", "9.9"), "no property class is called '9.9'"),
        (lambda: plain_stud(0.0, "10.9"), "not tabulated for a diameter of 0 mm"),
        (lambda: plain_stud(40.0, "10.9"), "not tabulated for a diameter of 40 mm"),
        (lambda: plain_stud(math.nan, "10.9"), "not tabulated"),
        (lambda: stud_bending(STUD, 0.0, 10.0, 10.0), "0 cannot be"),
        (lambda: stud_bending(STUD, -5.0, 10.0, 10.0), "-5 cannot be"),
        (lambda: stud_bending(STUD, math.inf, 10.0, 10.0), "inf cannot be"),
        (lambda: stud_bending(STUD, 100.0, 0.0, 10.0), "0 cannot be"),
        (lambda: stud_bending(STUD, None, 10.0, -1.0), "-1 cannot be"),
        (lambda: bending_stress_mpa(100.0, 10.0, 0.0), "must be figures"),
        (lambda: bending_stress_mpa(100.0, 10.0, [10.0, -1.0]), "must be figures"),
        (lambda: bending_stress_mpa([100.0, math.nan], 10.0, 10.0), "must be figures"),
    ],
)
def test_studs_that_cannot_be(call: Callable[[], object], words: str) -> None:
    with pytest.raises(CallError, match=words):
        call()


@pytest.mark.parametrize("which", ["diameter_mm", "proof_mpa", "ultimate_mpa"])
def test_a_stud_needs_its_figures(which: str) -> None:
    sizes = {"diameter_mm": 10.0, "proof_mpa": 800.0, "ultimate_mpa": 1000.0, which: 0.0}
    with pytest.raises(CallError):
        stud_bending(Stud(**sizes), 100.0, 10.0, 10.0)


angles = st.floats(-80.0, 80.0)


@pytest.mark.outside
@given(tilt=angles, clock=angles)
def test_ball_tilt_from_turned_axes(tilt: float, clock: float) -> None:
    """The link lies along x; its eye along z, turned about x; the stud leans from z in x-z."""
    lean, turn = np.radians([tilt, clock])
    stud = np.array([np.sin(lean), 0.0, np.cos(lean)])
    eye = np.array([0.0, -np.sin(turn), np.cos(turn)])
    # the cross product's length is the sine, the dot product the cosine
    wanted = np.degrees(np.arctan2(np.linalg.norm(np.cross(stud, eye)), stud @ eye))
    assert ball_tilt_deg(tilt, clock) == pytest.approx(wanted, abs=1e-9)


def test_a_tiny_tilt_is_not_lost() -> None:
    assert ball_tilt_deg(1e-7) == pytest.approx(1e-7, rel=1e-9)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: ball_tilt_deg([3.0, math.nan]), "within 90"),
        (lambda: ball_tilt_deg([90.0]), "within 90"),
        (lambda: ball_tilt_deg([3.0], 95.0), "within 90"),
    ],
)
def test_joints_that_cannot_be(call: Callable[[], object], words: str) -> None:
    with pytest.raises(CallError, match=words):
        call()
