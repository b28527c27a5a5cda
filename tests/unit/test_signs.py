"""Which way each adjustment moves toe: the exact mechanism against the arc formula."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pytest

from optimizer.logbook import rising_from_turn
from optimizer.measure.gauge import reading_from_toe
from optimizer.model.arc import (
    Link,
    arc_toe_change_deg,
    eccentric_shift_mm,
    static_toe_error_deg,
)
from optimizer.model.mechanism import HardPoints, mirrored, sweep
from optimizer.model.population import draw_corners, pick, tape_truth, workable
from optimizer.records import Gauge

TRAVEL = np.array([-40.0, -20.0, 0.0, 20.0, 40.0])
SETTINGS = (np.array([0.0, 2.0, -2.0, 0.0, 0.0]), np.array([0.0, 0.0, 0.0, 4.0, -4.0]))


@pytest.fixture(scope="module", params=[True, False], ids=["ahead", "behind"])
def corners(request: pytest.FixtureRequest) -> tuple[bool, HardPoints]:
    """Sixty corners of one kind that the prior was not trained on."""
    points = draw_corners(np.random.default_rng(90210), 60, ahead=request.param)
    return request.param, workable(points, TRAVEL, *SETTINGS)


def _added(points: HardPoints) -> np.ndarray:
    toe = sweep(points, TRAVEL, *SETTINGS).toe_deg
    change = toe - toe[..., 2:3]
    return np.asarray(change - change[:, :1])


def _links(points: HardPoints) -> Link:
    tape = tape_truth(points)
    return Link(**{name: value[:, None, None] for name, value in vars(tape).items()})


@pytest.mark.outside
def test_raising_the_joint_adds_slope(corners: tuple[bool, HardPoints]) -> None:
    ahead, points = corners
    added = _added(points)
    slope = (added[:, 1, 3] - added[:, 1, 1]) * (1 if ahead else -1)
    # slope h (rho / L - kappa) / a: plus for all but corners with extreme camber gain
    assert np.mean(slope > 0) > 0.95
    assert added[:, 2, 3] == pytest.approx(-added[:, 1, 3], abs=0.03)


@pytest.mark.outside
def test_lengthening_the_link_adds_bow(corners: tuple[bool, HardPoints]) -> None:
    ahead, points = corners
    added = _added(points)
    bow = (added[:, 3, 0] + added[:, 3, 4]) / 2.0 * (1 if ahead else -1)
    # bow -d rho^2 z^2 / (2 L^2 a): toward toe-out ahead of the axis, toe-in behind
    assert np.all(bow < 0)


@pytest.mark.outside
def test_the_arc_formula_follows_the_mechanism(corners: tuple[bool, HardPoints]) -> None:
    _, points = corners
    heights, changes = (x[:, None] for x in SETTINGS)
    arc = arc_toe_change_deg(_links(points), TRAVEL, heights, changes)
    error = np.sqrt(np.mean((arc - _added(points)) ** 2, axis=(1, 2)))
    # docs/method.md, "How good the arc is": a third of the effect at most, mostly far less
    assert np.median(error) < 0.008
    assert np.quantile(error, 0.9) < 0.025


def test_ahead_and_behind_differ_in_sign_only() -> None:
    heights, changes = (x[:, None] for x in SETTINGS)
    ahead = Link(length_mm=320.0, arm_mm=110.0, rise_mm=12.0, lean_in_rad_per_mm=2e-4)
    behind = Link(length_mm=320.0, arm_mm=-110.0, rise_mm=12.0, lean_in_rad_per_mm=2e-4)
    assert arc_toe_change_deg(ahead, TRAVEL, heights, changes) == pytest.approx(
        -arc_toe_change_deg(behind, TRAVEL, heights, changes)
    )


@pytest.mark.outside
def test_eccentric_shift_follows_the_mechanism(corners: tuple[bool, HardPoints]) -> None:
    _, points = corners
    exact = sweep(points, np.zeros(1), *SETTINGS).shift_mm
    tape = tape_truth(points)
    link = Link(**{name: value[:, None] for name, value in vars(tape).items()})
    error = np.max(np.abs(eccentric_shift_mm(link, *SETTINGS) - exact), axis=1)
    assert np.median(error) < 0.02
    assert np.quantile(error, 0.9) < 0.1
    assert np.all(exact[:, 3] > 0)  # a longer link asks for more inboard


@pytest.mark.outside
def test_forgotten_eccentric_follows_the_mechanism(corners: tuple[bool, HardPoints]) -> None:
    ahead, points = corners
    toe = sweep(points, np.zeros(1), *SETTINGS, hold_static_toe=False).toe_deg[..., 0]
    static = toe - toe[:, :1]
    shift = sweep(points, np.zeros(1), *SETTINGS).shift_mm
    tape = tape_truth(points)
    formula = static_toe_error_deg(
        Link(length_mm=1.0, arm_mm=tape.arm_mm[:, None], rise_mm=0.0), shift
    )
    assert formula[:, 3:] == pytest.approx(static[:, 3:], rel=0.12)
    # forgotten, a longer link ahead of the axis leaves toe-out, behind it toe-in
    assert np.all(np.sign(static[:, 3]) == (-1 if ahead else 1))


@pytest.mark.outside
@pytest.mark.parametrize("way", [1, -1], ids=["grows-with-toe-in", "grows-with-toe-out"])
def test_one_turn_of_the_link_tells_which_way_the_dial_rises(
    corners: tuple[bool, HardPoints], way: int
) -> None:
    ahead, points = corners
    turn = (np.zeros(2), np.array([0.0, 1.5]))
    toe = sweep(points, np.zeros(1), *turn, hold_static_toe=False).toe_deg[..., 0]
    gauge = Gauge(span_mm=300.0, rising=way)
    moved = reading_from_toe(gauge, toe[:, 1] - toe[:, 0])
    link: Literal["ahead", "behind"] = "ahead" if ahead else "behind"
    told = {rising_from_turn(link, "up" if m > 0 else "down") for m in moved}
    assert told == {"toe-in" if way > 0 else "toe-out"}


def test_inner_joint_raised_is_the_outer_lowered(corners: tuple[bool, HardPoints]) -> None:
    from dataclasses import replace

    ahead, points = corners
    inner = replace(points, end="inner")
    toe = sweep(inner, TRAVEL, *SETTINGS).toe_deg
    change = toe - toe[..., 2:3]
    slope = (change[:, 1, 3] - change[:, 1, 1]) - (change[:, 0, 3] - change[:, 0, 1])
    assert np.all(np.sign(slope) == (-1 if ahead else 1))
    tape = tape_truth(points)
    link = Link(**{name: value[:, None] for name, value in vars(tape).items()})
    exact = sweep(inner, np.zeros(1), *SETTINGS).shift_mm
    formula = eccentric_shift_mm(link, *SETTINGS, end="inner")
    assert np.quantile(np.max(np.abs(formula - exact), axis=1), 0.9) < 0.1


def test_left_and_right_agree(corners: tuple[bool, HardPoints]) -> None:
    _, points = corners
    one = pick(points, np.array([0]))
    twice = mirrored(mirrored(one))
    assert sweep(twice, TRAVEL, *SETTINGS).toe_deg == pytest.approx(
        sweep(one, TRAVEL, *SETTINGS).toe_deg, abs=1e-12
    )
