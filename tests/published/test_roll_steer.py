"""Steer of an axle in roll: against the mechanism turned with its body, and known rules.

Rules from Gillespie 1992, ch. 8, and Milliken and Milliken 1995, both from memory: an axle
at the rear that steers into the turn as the body rolls is roll understeer, at the front
roll oversteer; toe-in in bump steers into the turn; the slope of toe of a link whose joint
stands off by h is h / (L a).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest
from numpy.typing import NDArray

from optimizer.advise.axle import AxleAdvice, advise_axle, axle_named, axles_of
from optimizer.advise.pair import Both, Side, pair_settings, roll_steer, wheel_travel_mm
from optimizer.model.mechanism import TOE_LINK, HardPoints, mirrored, sweep
from optimizer.records import Logbook

pytestmark = pytest.mark.outside

Array = NDArray[np.float64]
TRACK = 1520.0


def right_points(truth: ModuleType, inner_up_mm: float) -> HardPoints:
    """The demo's corner with its link's inner joint raised, as a left one."""
    inner = truth.CORNER.inner.copy()
    inner[TOE_LINK, 2] += inner_up_mm
    return replace(truth.CORNER, inner=inner)


DEG = 180.0 / np.pi


def _spindle(points: HardPoints, travel_mm: float, height: float, change: float) -> Array:
    """Spindle (3,) of a left wheel in its body's frame at one travel."""
    motion = sweep(points, np.array([travel_mm]), height, change)
    toe, camber = motion.toe_deg[0, 0] / DEG, motion.camber_deg[0, 0] / DEG
    # by the meanings of toe and camber: forward of square, and below level
    return np.array([np.cos(camber) * np.sin(toe), np.cos(camber) * np.cos(toe), -np.sin(camber)])


def _steer_deg(left: Array, right: Array, roll_deg: float) -> float:
    """Mean steer of two wheels on the ground, the body rolled about x; to the left plus."""
    c, s = np.cos(roll_deg / DEG), np.sin(roll_deg / DEG)
    rolled = np.array([[1, 0, 0], [0, c, -s], [0, s, c]])
    headings = []
    for outboard in (left, right):
        # a left wheel's spindle points to the left, a right one's to the right
        axle = rolled @ outboard * np.sign(outboard[1])
        headings.append(np.arctan2(-axle[0], axle[1]) * DEG)
    return float(np.mean(headings))


def _exact(truth: ModuleType, inner_up: float, height: float, change: float) -> float:
    """Steer for a degree of roll, by the exact mechanism of both sides turned with the body."""
    own = (truth.CORNER, right_points(truth, inner_up))
    across = mirrored(own[1])
    assert np.allclose(across.hub * [1, -1, 1], own[1].hub)
    out = []
    for roll in (1.0, -1.0):
        # roll to the right lifts the body's left side: the left wheel droops
        travel = TRACK / 2.0 * np.tan(roll / DEG)
        left = _spindle(own[0], -travel, height, change)
        right = _spindle(own[1], travel, height, change) * [1, -1, 1]
        out.append(_steer_deg(left, right, roll))
    return (out[0] - out[1]) / 2.0


@pytest.mark.parametrize(("inner_up", "height", "change"), [(0, 0, 0), (3, 2, -3), (-2, 3, -6)])
def test_steer_in_roll_is_the_mechanism_s(
    demo_truth: ModuleType, inner_up: float, height: float, change: float
) -> None:
    """Toe at the two ends of travel against both wheels' directions on the ground."""
    travel = wheel_travel_mm(TRACK)
    ends = np.array([-travel, travel])
    none = np.zeros((2, 2))
    toe = [
        demo_truth.true_toe_change_deg(ends, height, change, points)
        for points in (demo_truth.CORNER, right_points(demo_truth, inner_up))
    ]
    said = roll_steer((toe[0], none), (toe[1], none))
    # camber and roll turn the heading by a second-order amount: 2 % of what it is
    assert said.value == pytest.approx(_exact(demo_truth, inner_up, height, change), abs=6e-4)
    assert said.low == said.high == said.value


def test_steer_in_roll_is_the_mechanism_s_after_three_runs_a_side(
    both_sides: Callable[..., Logbook], demo_truth: ModuleType
) -> None:
    inside = []
    for seed in range(6):
        book = both_sides(3.0, seed=seed)
        found = advise_axle(book, axle_named(book, "rear")[0])
        assert isinstance(found, AxleAdvice)
        for answer in (found.now, found.advised):
            spot, band = answer.left.spot, answer.figures.roll.per_deg
            assert band is not None
            truth = _exact(demo_truth, 3.0, spot.height_mm, spot.length_change_mm)
            inside.append(band.low <= truth <= band.high)
            assert band.value == pytest.approx(truth, abs=0.02)
    assert np.mean(inside) >= 0.7


def test_difference_and_sum_are_the_mechanism_s(
    both_sides: Callable[..., Logbook], demo_truth: ModuleType
) -> None:
    book = both_sides(3.0)
    found = advise_axle(book, axles_of(book)["rear"])
    assert isinstance(found, AxleAdvice)
    cost = found.cost_of_sameness_deg
    assert cost is not None
    assert cost > 0.0
    for answer in (found.now, found.own):
        figures = answer.figures
        toe = [
            demo_truth.true_toe_change_deg(
                figures.travel_mm, move.spot.height_mm, move.spot.length_change_mm, points
            )
            for move, points in (
                (answer.left, demo_truth.CORNER),
                (answer.right, right_points(demo_truth, 3.0)),
            )
        ]
        wide = 2.0 * figures.half_deg + 1e-9
        assert np.all(np.abs(figures.difference_deg - (toe[0] - toe[1])) <= wide)
        assert np.all(np.abs(figures.total_deg - (toe[0] + toe[1])) <= wide)
        # toe-in of the left wheel turns it right, of the right wheel left
        steer = (toe[1] - toe[0]) / 2.0
        assert np.all(np.abs(figures.heave_steer_deg - steer) <= wide)


def test_the_wheels_errors_are_independent(both_sides: Callable[..., Logbook]) -> None:
    """The bands of sum and steer against draws of both surfaces from seeds of their own."""
    book = both_sides(3.0)
    sides = [Side(book, name) for name in ("rear-left", "rear-right")]
    both = Both(axles_of(book)["rear"], sides[0], sides[1])
    pair = (sides[0].table.now, sides[1].table.now)
    answer = both.answer(pair)
    figures, travel = answer.figures, wheel_travel_mm(TRACK)
    rng = np.random.default_rng(8)
    at = np.append(figures.travel_mm, [-travel, travel])
    toe = []
    for side, spot in zip(sides, pair, strict=True):
        mean, cov = side.curve(spot, at)
        toe.append(rng.multivariate_normal(mean, cov, 40_000, method="eigh"))
    spread = (toe[0] - toe[1])[:, :-2].std(axis=0)
    # a standard deviation of 40 000 draws is known to 0.4 %; four of those
    assert figures.half_deg == pytest.approx(1.6449 * spread, rel=0.016, abs=1e-9)
    steer = (toe[1][:, -1] - toe[0][:, -2] - toe[1][:, -2] + toe[0][:, -1]) / 4.0
    band = figures.roll.per_deg
    assert band is not None
    assert [band.low, band.high] == pytest.approx(np.quantile(steer, [0.05, 0.95]), abs=2e-4)
    assert both.gain_deg(answer) == 0.0
    assert both.stand_alike()


def test_the_slope_rule_gives_the_roll_steer() -> None:
    """h 1, L 350, a 120 mm: 1.364 degrees per metre; a track of 1500 makes 13.09 mm a degree."""
    travel = wheel_travel_mm(1500.0)
    assert travel == pytest.approx(13.0913, abs=1e-4)
    slope = 1.364e-3
    toe = slope * np.array([-travel, travel])
    cov = np.zeros((2, 2))
    assert roll_steer((toe, cov), (toe, cov)).value == pytest.approx(0.017857, abs=2e-6)
    # a wheel whose toe does not move halves it; even parts and a static difference drop out
    assert roll_steer((toe, cov), (0 * toe, cov)).value == pytest.approx(0.017857 / 2, abs=1e-6)
    assert roll_steer((toe + 0.3, cov), (toe - 0.1, cov)).value == pytest.approx(0.017857, abs=2e-6)


def test_toe_in_in_bump_steers_into_the_turn() -> None:
    """In a left turn the body rolls right; wheels that toe in under bump point left."""
    bump_in = np.array([-0.1, 0.1])
    none = np.zeros((2, 2))
    assert roll_steer((bump_in, none), (bump_in, none)).value > 0.0
    assert roll_steer((-bump_in, none), (-bump_in, none)).value < 0.0
    # the outer wheel of the left turn is the right one, in bump, toed in: pointing left
    left, right = -(bump_in[0]), bump_in[1]
    assert (left + right) / 2.0 == pytest.approx(roll_steer((bump_in, none), (bump_in, none)).value)


def test_the_best_shared_setting_is_found_by_enumeration(
    both_sides: Callable[..., Logbook],
) -> None:
    """The score of every shared setting, one by one, by the surfaces' own curves."""
    book = both_sides(3.0)
    sides = [Side(book, name) for name in ("rear-left", "rear-right")]
    found = Both(axles_of(book)["rear"], sides[0], sides[1]).alike()
    assert found is not None
    i, j = pair_settings(sides[0].field, sides[1].field, 0.1)
    best = np.inf
    for a, b in zip(i, j, strict=True):
        total = 0.0
        for side, index in zip(sides, (a, b), strict=True):
            total += float(side.table.ranks([side.field.spot(int(index))])[0]) ** 2
        best = min(best, total)
    own = sum(float(s.table.ranks([p])[0]) ** 2 for s, p in zip(sides, found, strict=True))
    # ties within a thousandth go to the least work, and a quarter of 0.01 leaves the links alone
    assert np.sqrt(own / 2.0) <= np.sqrt(best / 2.0) + 0.003
    work = sides[0].work(np.array([0]))
    assert work.shape == (3, 1)
    assert work[0, 0] == sides[0].field.spot(0).split.n_shim
    move = sides[0].table.move(found[0])
    assert {x.name for x in sides[0].limits(move)} >= {"eccentric", "thread"}
    assert not sides[0].follows
