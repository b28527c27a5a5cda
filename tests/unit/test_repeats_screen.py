"""The study's words and screens, at every width and for logbooks of every kind."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import pytest

from optimizer.advise.repeats import worth_repeating
from optimizer.measure.quality import Doubt, run_quality
from optimizer.measure.spreads import gauge_study
from optimizer.present.crew import Crew
from optimizer.present.repeats import (
    again_words,
    apart_words,
    few_words,
    loops_words,
    repeats_screen,
    repeats_words,
    rest_words,
)
from optimizer.present.screens import doubt_words
from optimizer.records import Gauge, Logbook, Reading, Signs, Units

CORNER = "rear-left"


def _screen(book: Logbook, width: int) -> list[str]:
    return repeats_screen(book, gauge_study(book), [worth_repeating(book, CORNER)], width)


def _flat(book: Logbook, width: int = 80) -> str:
    return " ".join(" ".join(_screen(book, width)).split())


def _came_back(book: Logbook) -> Logbook:
    """Every pass read once more at ride height, half a thou off."""
    more = tuple(
        Reading(run=run.name, sweep=s, travel_mm=0.0, value=0.0127)
        for run in book.runs
        for s in ("up1", "down1", "up2", "down2")
    )
    return replace(book, readings=book.readings + more)


def _twice(book: Logbook) -> Logbook:
    """The second run measured again, its rig put up anew."""
    run = replace(book.runs[1], name="joint-up-2", static_toe_deg=None)
    again = tuple(
        replace(r, run=run.name, value=r.value + 2e-3 * r.travel_mm)
        for r in book.readings_of("joint-up")
    )
    return replace(book, runs=(*book.runs, run), readings=book.readings + again)


def _one_way(book: Logbook) -> Logbook:
    return replace(book, readings=tuple(r for r in book.readings if r.sweep.startswith("up")))


def _four_travels(book: Logbook) -> Logbook:
    return replace(
        book, readings=tuple(r for r in book.readings if abs(r.travel_mm) in (0.0, 25.0, 50.0))
    )


def _minutes(book: Logbook) -> Logbook:
    """A gauge that reads angles, toe in minutes, travel in inches and droop plus."""
    readings = tuple(replace(r, value=r.value / 5.2) for r in book.readings)
    return replace(
        book,
        gauge=Gauge(kind="direct-angle", reading_sd=0.006, loop_sd=0.004),
        units=Units(travel="in", reading="min", toe="min"),
        signs=Signs(travel=-1),
        readings=readings,
    )


@pytest.mark.parametrize("width", [40, 60, 80])
@pytest.mark.parametrize("made", [_came_back, _twice, _one_way, _four_travels, _minutes])
def test_screens_fit(demo_book: Logbook, made: Callable[[Logbook], Logbook], width: int) -> None:
    lines = _screen(made(demo_book), width)
    assert max(map(len, lines)) <= width
    text = "\n".join(lines)
    assert text.isascii()
    assert "nan" not in text
    assert "Then" in text
    if width == 80:
        assert len(lines) < 26


def test_what_was_measured_is_said_and_what_was_not(demo_book: Logbook) -> None:
    plain = _flat(demo_book)
    assert "off and on again was not measured: the gauge's assumed 2.1 thou at 40 mm" in plain
    assert "no pass came back to ride height" in plain
    assert "back to zero" not in plain
    back = _flat(_came_back(demo_book))
    assert "back at ride height 0.5 thou off zero (RMS of 12), 0.5 at most" in back
    assert "back to zero 0.5" in back
    twice = _flat(_twice(demo_book))
    # 2e-3 mm per mm is 3.1 thou at 40 mm between the two, 2.2 about their mean
    assert "rig off and on 2." in twice
    assert "(1 remount)" in twice
    assert "not measured: take passes up and down" in _flat(_one_way(demo_book))


def test_suspect_runs_are_named(demo_book: Logbook) -> None:
    study = gauge_study(demo_book, ["joint-up"])
    assert study is not None
    words = "not in these figures, being suspect: joint-up"
    assert words in repeats_words(study, Crew.of(demo_book))
    assert words in " ".join(" ".join(repeats_screen(demo_book, study, [])).split())
    assert "joint-up +1" not in " ".join(repeats_screen(demo_book, study, []))


def test_of_many_loops_the_largest_are_told(demo_book: Logbook) -> None:
    book = demo_book
    for name in ("four", "five", "six"):
        again = tuple(replace(r, run=name) for r in book.readings_of("as-found"))
        run = replace(book.runs[0], name=name)
        book = replace(book, runs=(*book.runs, run), readings=book.readings + again)
    study = gauge_study(book)
    assert study is not None
    said = loops_words(study, Crew.of(book))
    assert "at the ends of travel, the largest of 6 runs: " in said
    assert said.count("+") == 2
    assert "joint-up +1" in said


def test_few_travels_are_all_needed(demo_book: Logbook) -> None:
    book = _four_travels(demo_book)
    few = worth_repeating(book, CORNER).few
    assert few_words(few, Crew.of(book)).startswith("next time all five are needed: ")
    assert _screen(book, 80)[-1] == "Then       shimopt next for the advice"


def test_travels_are_told_with_the_crew_s_own_sign(demo_book: Logbook) -> None:
    uneven = replace(
        _minutes(demo_book),
        readings=tuple(r for r in _minutes(demo_book).readings if r.travel_mm < 30.0),
    )
    last = " ".join(_screen(uneven, 80)[-2:])
    # the longest travel is droop, which this crew writes plus
    assert '--travels "1.969 ' in last
    assert '-0.9843"' in last


def test_no_repeat_worth_it_says_so(demo_book: Logbook) -> None:
    told = worth_repeating(demo_book, CORNER)
    best = replace(told.repeats[0], error_deg=told.error_deg * 0.995)
    told = replace(told, repeats=(best, *told.repeats[1:]), advised=False)
    crew = Crew.of(demo_book)
    assert again_words(told, crew).startswith(
        "no repeat is worth it: the curve of the car as it stands is known to 0.018 deg RMS"
    )
    assert rest_words(told, crew) == ""


def test_before_the_first_run(demo_book: Logbook) -> None:
    bare = replace(demo_book, readings=())
    (head, then) = repeats_screen(bare, gauge_study(bare), [], 80)
    assert head.endswith("what the gauge repeats to")
    assert then == "Then       no readings yet: measure with shimopt enter"


def test_figures_that_read_the_same_are_told_in_words(demo_book: Logbook) -> None:
    said = _flat(demo_book)
    assert "at the ends no better with two more passes, 0.025 with the rig put up twice" in said
    assert "the same curve is then known to 0.007 deg RMS, as good as with all" in said
    study = gauge_study(demo_book)
    assert study is not None
    crew = Crew.of(demo_book)
    better = replace(study.apart, end_deg=0.03)
    assert "0.030 with two more passes, no better with the rig put up twice" in apart_words(
        replace(study, apart_passes=better, apart_mounts=study.apart), crew
    )
    few = worth_repeating(demo_book, CORNER).few
    assert "0.012 deg RMS, 0.010 with all" in few_words(
        replace(few, error_deg=0.012, all_error_deg=0.010), crew
    )


def _jacked(book: Logbook) -> Logbook:
    """One pass each way, the jack never twice at quite the same travel."""
    off = {"up1": 0.0, "down1": 0.4}
    return replace(
        book,
        readings=tuple(
            replace(r, travel_mm=r.travel_mm + off[r.sweep] * (abs(r.travel_mm) > 0.0))
            for r in book.readings
            if r.sweep in off
        ),
    )


def test_passes_at_travels_of_their_own_are_not_called_missing(demo_book: Logbook) -> None:
    book = _jacked(demo_book)
    said = _flat(book)
    assert "take passes up and down" not in said
    assert "Loop not measured: no travel was read both up and down. Read both at the same" in said
    (quality, *_) = (run_quality(book, r) for r in book.runs)
    kinds = {d.kind for d in quality.doubts}
    assert "no-repeats" not in kinds
    assert "passes-apart" in kinds
    words = doubt_words(Doubt(kind="passes-apart"), Crew.of(book))
    assert words.startswith("no travel was read twice")
    assert "Take a pass up and a pass down" not in words
    one = run_quality(_one_pass(demo_book), demo_book.runs[0])
    assert "no-repeats" in {d.kind for d in one.doubts}


def _one_pass(book: Logbook) -> Logbook:
    return replace(book, readings=tuple(r for r in book.readings if r.sweep == "up1"))


def test_travels_as_good_as_alike_count_once(demo_book: Logbook) -> None:
    few = worth_repeating(_jacked(demo_book), CORNER).few
    assert few.n_all == 8
    gaps = [b - a for a, b in pairwise(few.travel_mm)]
    assert min(gaps) > 3.0
    # the ends of the stroke, and as many as where the jack was always at the same travel
    plain = replace(demo_book, readings=tuple(r for r in demo_book.readings if r.sweep[-1] == "1"))
    alike = worth_repeating(plain, CORNER)
    assert len(few.travel_mm) == len(alike.few.travel_mm)
    assert (few.travel_mm[0], few.travel_mm[-1]) == (-50.0, 50.4)
    assert few.all_error_deg == pytest.approx(alike.few.all_error_deg, rel=0.02)
    whole = [r for r in worth_repeating(_jacked(demo_book), CORNER).repeats if r.kind == "pass"]
    assert [r.n_reading for r in whole] == [9]


def test_travels_near_each_other_in_one_pass_are_meant(demo_book: Logbook) -> None:
    more = tuple(replace(r, travel_mm=48.0) for r in demo_book.readings if r.travel_mm == 50.0)
    book = replace(demo_book, readings=demo_book.readings + more)
    assert worth_repeating(book, CORNER).few.n_all == 9
