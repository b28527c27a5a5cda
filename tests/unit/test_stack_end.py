"""Where the stack's total ends the joint's way, the answer says so and what more would bring."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from optimizer.advise.advice import Spot
from optimizer.advise.evidence import corner_evidence
from optimizer.advise.makeable import settings_of
from optimizer.advise.next_move import advise
from optimizer.advise.stack_end import stack_end
from optimizer.advise.stacks import Split
from optimizer.advise.table import Table
from optimizer.measure.shape import window_weights
from optimizer.present.crew import Crew
from optimizer.present.limits import limits_words
from optimizer.records import Logbook

CORNER = "rear-left"


def _low_stack(book: Logbook) -> Logbook:
    """The demo's first run with two millimetres fewer above, so that all may be below."""
    book = book.as_of("as-found")
    runs = tuple(replace(r, above_mm=(1.0,), below_mm=(1.0, 1.0)) for r in book.runs)
    own = book.corners[CORNER]
    stack = replace(own.stack, box_mm=(1.0, 1.0, 1.0))
    return replace(book, runs=runs, corners={CORNER: replace(own, stack=stack)})


@pytest.mark.outside
def test_the_end_is_told_and_what_a_taller_stack_would_bring(
    demo_book: Logbook, demo_truth: object
) -> None:
    book = _low_stack(demo_book)
    advice = advise(book, CORNER)
    end = advice.stack_end
    assert advice.move.spot.split.above_mm == ()
    assert end is not None
    assert end.way == "up"
    # the demo's best height is 2.75 above its first run's, and one millimetre is what there is
    assert advice.move.spot.height_mm + end.further_mm == pytest.approx(2.75, abs=0.5)
    words = limits_words(advice.limits, advice, Crew.of(book))
    assert "the stack ends here (3 mm, none on the other side)" in words
    assert "higher would gain" in words
    assert "which this clevis does not take" in words
    node, weight = window_weights((-50.0, 50.0))
    change = advice.move.spot.length_change_mm

    def true_deg(height_mm: float) -> float:
        toe = demo_truth.true_toe_change_deg(node, height_mm, change)  # type: ignore[attr-defined]
        return float(np.sqrt(weight @ toe**2))

    here = advice.move.spot.height_mm
    gained = true_deg(here) - true_deg(here + end.further_mm)
    assert end.gain_deg == pytest.approx(gained, abs=0.02)


def test_a_joint_amid_its_stack_has_no_end(demo_book: Logbook) -> None:
    advice = advise(demo_book, CORNER)
    assert advice.stack_end is None
    assert "stack ends" not in limits_words(advice.limits, advice, Crew.of(demo_book))


def _whole_other_way(book: Logbook, **stack: Any) -> Logbook:
    """The same with the curve upside down, so that the joint is wanted lower."""
    low = _low_stack(book)
    readings = tuple(replace(r, value=-r.value) for r in low.readings)
    own = low.corners[CORNER]
    kept = replace(own.stack, **stack)
    return replace(low, readings=readings, corners={CORNER: replace(own, stack=kept)})


def test_the_lower_end_is_told_too(demo_book: Logbook) -> None:
    book = _whole_other_way(demo_book)
    advice = advise(book, CORNER)
    assert advice.move.spot.split.below_mm == ()
    assert advice.stack_end is not None
    assert advice.stack_end.way == "down"
    assert advice.stack_end.gain_deg > 0.01
    assert "lower would gain" in limits_words(advice.limits, advice, Crew.of(book))


@pytest.mark.parametrize("face", ["arm-below", "arm-above"])
def test_other_faces_take_a_taller_stack(demo_book: Logbook, face: str) -> None:
    book = _whole_other_way(demo_book, face=face)
    advice = advise(book, CORNER)
    assert advice.stack_end is not None
    words = limits_words(advice.limits, advice, Crew.of(book))
    assert "with a taller stack, which bends the stud more" in words


def test_what_is_not_worth_a_run_is_no_gain(demo_book: Logbook) -> None:
    book = _low_stack(demo_book)
    advice = advise(book, CORNER)
    assert advice.stack_end is not None
    small = replace(advice.stack_end, gain_deg=0.99 * advice.goal.worthwhile_deg)
    advice = replace(advice, stack_end=small)
    words = limits_words(advice.limits, advice, Crew.of(book))
    assert "the stack ends here" in words
    assert "would gain" not in words


def test_with_a_wish_no_gain_is_told(demo_book: Logbook) -> None:
    book = _low_stack(demo_book)
    own = book.corners[CORNER]
    wish = replace(own, goal=replace(own.goal, never_toe_out="droop"))
    advice = advise(replace(book, corners={CORNER: wish}), CORNER)
    assert advice.stack_end is not None
    assert "would gain" not in limits_words(advice.limits, advice, Crew.of(book))


def test_the_end_of_what_is_offered_is_no_end_of_the_stack(demo_book: Logbook) -> None:
    """Ten millimetres from the reference nothing more is offered, whatever the stack holds."""
    table = Table(corner_evidence(demo_book, CORNER), demo_book.corners[CORNER].goal)
    field = settings_of(table)
    split = Split(above_mm=(3.0,), below_mm=(9.0,), height_mm=10.0)
    assert stack_end(table, field, Spot(split=split, length_change_mm=0.0)) is None
    bare = Split(above_mm=(), below_mm=(9.0,), height_mm=10.0)
    assert stack_end(table, field, Spot(split=bare, length_change_mm=0.0)) is None
    near = Split(above_mm=(), below_mm=(9.0,), height_mm=9.0)
    end = stack_end(table, field, Spot(split=near, length_change_mm=0.0))
    assert end is not None
    assert end.further_mm <= 1.0


def test_no_shims_only_where_the_advice_leaves_the_link(demo_book: Logbook) -> None:
    stays = 0
    for book in (demo_book, _low_stack(demo_book), demo_book.as_of("joint-up")):
        for gain in (0.002, 0.1):
            own = book.corners[CORNER]
            lazy = replace(own, goal=replace(own.goal, worthwhile_deg=gain))
            advice = advise(replace(book, corners={CORNER: lazy}), CORNER)
            kinds = [other.kind for other in advice.runners_up]
            turned = abs(advice.move.turn.change_mm) > 0.05
            assert ("shims-only" in kinds) == turned
            stays += not turned
    assert stays
