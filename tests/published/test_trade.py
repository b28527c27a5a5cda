"""Facts of the trade against the demo logbook and the simulated corners.

Common practice, no source: sanity only. Nothing here is exact, and a figure that a crew
would call ordinary is given room of two or three either way; the checks are of signs,
units and orders of size.
"""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
from numpy.typing import NDArray

from optimizer.advise.evidence import corner_evidence, fitted
from optimizer.advise.next_move import advise
from optimizer.advise.reasons import because_of
from optimizer.measure.gauge import reading_from_toe
from optimizer.model.mechanism import TOE_LINK, HardPoints, sweep
from optimizer.model.population import draw_corners, workable
from optimizer.records import Logbook

Array = NDArray[np.float64]

HALF_INCH = 12.7
ENDS = np.array([-45.0, 0.0, 45.0])


def _change(points: HardPoints, travel: Array, height: Array, change: Array) -> Array:
    """Toe change from ride height, the travel's middle; (..., n_setting, n_travel)."""
    toe = sweep(points, travel, height, change).toe_deg
    return np.asarray(toe - toe[..., [len(travel) // 2]])


@pytest.fixture(scope="module")
def corners() -> HardPoints:
    """Eighty corners with links behind the pivots."""
    points = draw_corners(np.random.default_rng(2718), 80, ahead=False)
    return workable(points, ENDS, np.array([-6.0, 6.0]), np.array([-12.0, 12.0]))


def test_opposite_ways_is_height_and_the_same_way_is_length(corners: HardPoints) -> None:
    # common practice, no source: toe one way in droop and the other in bump asks for shims,
    # toe the same way at both ends asks for the link's length
    toe = _change(corners, ENDS, np.array([1.0, -1.0, 0, 0]), np.array([0, 0, 2.0, -2.0]))
    per_height = (toe[:, 0] - toe[:, 1])[:, [0, 2]]
    per_length = (toe[:, 2] - toe[:, 3])[:, [0, 2]]
    # nearly all, since a corner with extreme camber gain may differ; of length it holds where
    # the link is not steep, its bow z^2 / 2 outweighing the slope v z (v well under z / 2), and
    # its slot does not rise, which would move the joint's height as well
    rise = corners.outer[:, TOE_LINK, 2] - corners.inner[:, TOE_LINK, 2]
    level = (np.abs(rise) < 15.0) & (corners.slot[:, 2] == 0.0)
    assert np.sum(level) > 25
    assert np.mean(per_height[:, 0] * per_height[:, 1] < 0.0) > 0.95
    assert np.mean((per_length[:, 0] * per_length[:, 1] > 0.0)[level]) > 0.95
    # behind the pivots: joint up is toe-out in bump, link longer is toe-in at both ends
    assert np.mean(per_height[:, 1] < 0.0) > 0.95
    assert np.mean(np.sum(per_length, axis=1) > 0.0) > 0.95


def test_the_demo_s_reasons_follow_the_trade(demo_book: Logbook, demo_truth: ModuleType) -> None:
    # the same common practice, no source, in the reasons that the advice gives
    first = advise(demo_book, "rear-left")
    assert first.because.pattern == "opposite-ways"
    surface = fitted(corner_evidence(demo_book, "rear-left")).surface
    # from the best setting found: joint off, then link off, on surface and true mechanism
    best = first.best_guess
    for off_height, off_length, pattern in ((2.5, 0.0, "opposite-ways"), (0.0, 9.0, "same-way")):
        height, length = best.height_mm + off_height, best.length_change_mm + off_length
        because = because_of(surface, height, length, first.target)
        assert because.pattern == pattern
        droop, bump = demo_truth.true_toe_change_deg(np.array(because.ends_mm), height, length)
        assert (droop * bump < 0.0) == (pattern == "opposite-ways")
        assert np.prod(because.per_mm_height_deg) < 0.0
        assert np.prod(because.per_mm_length_deg) > 0.0
        assert because.per_mm_height_deg[1] < 0.0 < because.per_mm_length_deg[1]
        # a millimetre about the setting, by the exact mechanism
        higher, longer = (
            demo_truth.true_toe_change_deg(np.array(because.ends_mm), height + h, length + d)
            - demo_truth.true_toe_change_deg(np.array(because.ends_mm), height - h, length - d)
            for h, d in ((0.5, 0.0), (0.0, 0.5))
        )
        # to a tenth; five millimetres of length, which does little, to a hundredth of a degree
        assert because.per_mm_height_deg == pytest.approx(higher, rel=0.1)
        assert because.per_mm_length_deg == pytest.approx(longer, abs=0.002)


def test_a_few_thou_per_half_inch_is_an_ordinary_curve(
    demo_book: Logbook, corners: HardPoints
) -> None:
    # common practice, no source: 2 to 15 thou for a half inch of travel as a car is found
    gauge = demo_book.gauge
    toe = _change(corners, np.array([-HALF_INCH, 0.0, HALF_INCH]), np.zeros(1), np.zeros(1))
    dial = np.abs(reading_from_toe(gauge, toe[:, 0]) - reading_from_toe(gauge, 0.0))[:, [0, 2]]
    thou = np.mean(dial, axis=1) / 0.0254
    assert 2.0 < np.median(thou) < 15.0
    rows = [r for r in demo_book.readings if r.run == "as-found" and r.sweep == "up1"]
    travel, read = np.array([r.travel_mm for r in rows]), np.array([r.value for r in rows])
    steps = np.abs(np.diff(read[np.argsort(travel)])) / 0.0254
    assert 2.0 < np.median(steps) * HALF_INCH / 12.5 < 15.0


def test_a_stroke_of_three_to_four_inches(demo_book: Logbook) -> None:
    # common practice, no source: a competition car is swept over 3 to 4 in
    for run in demo_book.runs:
        stroke = np.ptp([r.travel_mm for r in demo_book.readings if r.run == run.name])
        assert 3.0 < stroke / 25.4 < 4.0


def test_five_millimetres_of_length_is_a_normal_correction(
    demo_book: Logbook, corners: HardPoints
) -> None:
    # common practice, no source: about 5 mm, so 2 to 10
    assert 2.0 < abs(advise(demo_book, "rear-left").best_guess.length_change_mm) < 10.0
    heights, changes = (
        x.ravel() for x in np.meshgrid(np.arange(-6.0, 6.1, 1.0), np.arange(-12.0, 12.1, 1.0))
    )
    toe = _change(corners, np.linspace(-45.0, 45.0, 7), heights, changes)
    best = changes[np.argmin(np.mean(toe**2, axis=2), axis=1)]
    assert 2.0 < np.median(np.abs(best)) < 10.0


def test_a_millimetre_of_height_is_a_thirtieth_of_a_degree_per_inch() -> None:
    # common practice, no source: L 350, a 120 mm, about .034 degrees per 25 mm; on arms that
    # do not turn the carrier the mechanism may differ in the second order of 25 / 350
    outer = np.array(
        [[0, 700, 200], [0, 700, 200], [0, 700, 430], [0, 700, 430], [-120, 700, 260.0]]
    )
    inner = outer - np.array([0.0, 350.0, 0.0])
    inner[[0, 2], 0] += 140.0
    inner[[1, 3], 0] -= 130.0
    points = HardPoints(
        inner=inner,
        outer=outer,
        hub=np.array([0.0, 740.0, 300.0]),
        spindle=np.array([0.0, 1.0, 0.0]),
        stud=np.array([0.0, 0.0, 1.0]),
        slot=np.array([0.0, -1.0, 0.0]),
    )
    toe = _change(points, np.array([-25.0, 0.0, 25.0]), np.array([1.0]), np.zeros(1))[0]
    # link behind: joint up is toe-out in bump
    assert (toe[2] - toe[0]) / 2.0 == pytest.approx(-0.034, abs=0.0005)
