"""Where the stack's total ends the joint's way, the answer says so and what more would bring."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.advise.next_move import advise
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
    assert "higher, in a taller stack, would gain" in words
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


def test_no_shims_only_where_the_advice_leaves_the_link(demo_book: Logbook) -> None:
    advice = advise(_low_stack(demo_book), CORNER)
    kinds = [other.kind for other in advice.runners_up]
    turned = abs(advice.move.turn.change_mm) > 0.05
    assert ("shims-only" in kinds) == turned
