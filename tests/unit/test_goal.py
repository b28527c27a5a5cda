"""A goal typed on the command line takes the place of keys of the corner's own goal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.advise.goal import target_of, unmeasured
from optimizer.errors import CallError
from optimizer.logbook import parse_goal
from optimizer.records import Goal, Logbook, Signs

AIMED = Goal(
    kind="toe-at-travel",
    window_mm=(-60.0, 45.0),
    weight="ride-height",
    weight_sd_mm=15.0,
    at_travel_mm=-40.0,
    toe_change_deg=0.1,
    tolerance_deg=0.03,
    worthwhile_deg=0.02,
)


@pytest.mark.parametrize(
    ("at", "past"),
    [(-40.0, False), (-51.0, False), (-51.5, True), (46.0, False), (46.5, True), (60.0, True)],
)
def test_a_wanted_travel_past_what_was_measured_is_told(at: float, past: bool) -> None:
    """A millimetre past is what a travel gauge is off anyway."""
    goal = replace(AIMED, at_travel_mm=at)
    assert unmeasured(goal, (-50.0, 45.0)) == (at if past else None)
    assert unmeasured(replace(goal, kind="least-change"), (-50.0, 45.0)) is None


def test_a_toe_wanted_at_ride_height_or_nowhere_is_refused() -> None:
    window = (-50.0, 50.0)
    for changes in ({"at_travel_mm": 0.0}, {"at_travel_mm": None}, {"toe_change_deg": None}):
        with pytest.raises(CallError, match="not zero"):
            target_of(replace(AIMED, **changes), window)
    near = target_of(replace(AIMED, at_travel_mm=1.0), window)
    assert np.interp(1.0, near.travel_mm, near.wanted_deg) == pytest.approx(0.1, abs=0.02)


@pytest.fixture(name="book")
def _book(demo_book: Logbook) -> Logbook:
    corner = replace(demo_book.corners["rear-left"], goal=AIMED)
    return replace(demo_book, corners={"rear-left": corner})


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("worthwhile=1e-9", replace(AIMED, worthwhile_deg=1e-9)),
        ("at_travel=-30", replace(AIMED, at_travel_mm=-30.0)),
        ("toe_change=.2; tolerance=+5e-2", replace(AIMED, toe_change_deg=0.2, tolerance_deg=0.05)),
        ("kind=toe-at-travel window=[-20, 20]", replace(AIMED, window_mm=(-20.0, 20.0))),
        ("weight=flat", replace(AIMED, weight="flat", weight_sd_mm=None)),
        (
            "kind=least-change",
            replace(
                AIMED,
                kind="least-change",
                at_travel_mm=None,
                toe_change_deg=None,
                tolerance_deg=None,
            ),
        ),
    ],
)
def test_keys_replace_those_of_the_corner_and_the_rest_stays(
    book: Logbook, text: str, wanted: Goal
) -> None:
    assert parse_goal(text, book, "rear-left") == wanted


def test_the_corner_s_own_signs_are_taken_out_once(book: Logbook) -> None:
    crew = replace(book, signs=Signs(toe=-1, travel=-1))
    assert parse_goal("worthwhile=0.02", crew, "rear-left") == AIMED
    assert parse_goal("at_travel=40 toe_change=-0.1", crew, "rear-left") == AIMED


@pytest.mark.parametrize("text", ["kind=toe-at-travell", "weight=flatt weight_sd=20"])
def test_a_misspelt_word_is_the_one_fault(book: Logbook, text: str) -> None:
    with pytest.raises(CallError) as caught:
        parse_goal(text, book, "rear-left")
    assert "cannot be" in caught.value.found
    assert "; " not in caught.value.found
