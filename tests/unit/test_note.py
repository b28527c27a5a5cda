"""The words of the answer where a hurried reader could be misled."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.advise.advice import Advice
from optimizer.advise.evidence import corner_evidence
from optimizer.advise.makeable import limits_of, reports
from optimizer.advise.next_move import advise
from optimizer.advise.table import Table
from optimizer.errors import CallError
from optimizer.measure.gauge import reading_from_toe, toe_from_reading_deg
from optimizer.present.crew import Crew
from optimizer.present.limits import limits_words
from optimizer.present.note import note
from optimizer.records import (
    Eccentric,
    Gauge,
    Goal,
    Logbook,
    Measured,
    Reading,
    Run,
    Thread,
    Units,
)

CORNER = "rear-left"


def _screen(advice: Advice, book: Logbook) -> str:
    lines = note(advice, Crew.of(book))
    assert len(lines) < 24, "\n".join(lines)
    assert max(map(len, lines)) <= 80
    return " ".join(" ".join(lines).split())


def _with(book: Logbook, **changes: object) -> Logbook:
    corner = replace(book.corners[CORNER], **changes)  # type: ignore[arg-type]
    return replace(book, corners={CORNER: corner})


def _run(book: Logbook, name: str, **changes: object) -> Logbook:
    runs = tuple(
        replace(r, **changes) if r.name == name else r  # type: ignore[arg-type]
        for r in book.runs
    )
    return replace(book, runs=runs)


def test_past_a_limit_is_not_called_left(demo_book: Logbook) -> None:
    corner = demo_book.corners[CORNER]
    book = _with(
        demo_book,
        thread=replace(corner.thread, shorter_mm=1.0),
        eccentric=replace(corner.eccentric, outboard_left_mm=1.0),
        goal=replace(corner.goal, worthwhile_deg=0.1),
    )
    advice = advise(book, CORNER)
    assert "THE LINK STANDS 2.0 mm PAST" in _screen(advice, book)
    table = Table(corner_evidence(book, CORNER), advice.goal)
    there = next(m for m in table.measured if m.run == "link-short")
    said = limits_words(reports(table, limits_of(table), there), advice, Crew.of(book))
    assert "THREAD 2.0 mm PAST ITS END" in said
    assert "ECCENTRIC 2.1 mm PAST ITS END" in said


def _read_on(book: Logbook, gauge: Gauge, unit: str) -> Logbook:
    """The same curves as another gauge would have read them."""
    rows = tuple(
        replace(
            r,
            value=float(reading_from_toe(gauge, toe_from_reading_deg(book.gauge, r.value))),
        )
        for r in book.readings
    )
    return replace(book, gauge=gauge, readings=rows, units=replace(book.units, reading=unit))


@pytest.mark.parametrize(
    ("gauge", "unit", "name"),
    [
        (Gauge(kind="two-dials", span_mm=600.0, reading_sd=0.03), "thou", "front less rear"),
        (Gauge(kind="toe-plate", span_mm=600.0, reading_sd=0.03), "mm", "front less rear"),
        (Gauge(kind="spot", span_mm=3000.0, reading_sd=0.3), "mm", "the spot"),
    ],
)
def test_each_gauge_s_figures_are_foretold_under_its_own_name(
    demo_book: Logbook, gauge: Gauge, unit: str, name: str
) -> None:
    book = _read_on(demo_book, gauge, unit)
    advice = advise(book, CORNER)
    said = _screen(advice, book)
    if gauge.kind == "two-dials":  # both stand at zero at ride height
        assert f"Wrong if {name} at 50 bump is outside" in said
        assert "from ride height" not in said
    else:
        assert f"Wrong if the change of {name} from ride height to 50 bump is outside" in said
    assert "the dial" not in said
    crew, z = Crew.of(book), float(advice.proof.travel_mm)
    at = int(abs(advice.now_outlook.travel_mm - z).argmin())
    toe = float(advice.now_outlook.toe_deg[at])
    size = gauge.span_mm * np.tan(np.deg2rad(toe)) / (0.0254 if unit == "thou" else 1.0)  # type: ignore[operator]
    assert crew.dial(toe) == f"{size:+.{0 if unit == 'thou' else 1}f}"
    assert f"{crew.dial(toe)} " in said


def _offset(book: Logbook, by: float) -> Logbook:
    """The same curves read from another place of the gauge, as where it was not zeroed."""
    return replace(book, readings=tuple(replace(r, value=r.value + by) for r in book.readings))


@pytest.mark.parametrize(
    ("gauge", "unit", "name", "by"),
    [
        (None, "thou", "the dial", 1.0),
        (Gauge(kind="two-dials", span_mm=600.0, reading_sd=0.03), "thou", "front less rear", -2.0),
        (Gauge(kind="toe-plate", span_mm=600.0, reading_sd=0.03), "mm", "front less rear", -2.0),
        (Gauge(kind="spot", span_mm=3000.0, reading_sd=0.3), "mm", "the spot", 0.0),
        (Gauge(kind="direct-angle", reading_sd=0.01), "deg", "the dial", 0.3),
    ],
)
def test_a_figure_of_a_gauge_without_a_zero_counts_from_ride_height(
    demo_book: Logbook, gauge: Gauge | None, unit: str, name: str, by: float
) -> None:
    zeroed = demo_book if gauge is None else _read_on(demo_book, gauge, unit)
    book = _offset(zeroed, by)
    advice = advise(book, CORNER)
    lines = note(advice, Crew.of(book))
    said = _screen(advice, book)
    assert f"Wrong if the change of {name} from ride height to 50 bump is outside" in said
    at = next(i for i, line in enumerate(lines) if line.lstrip().startswith("within"))
    assert lines[at + 1].strip().startswith("All from ride height. Toe change ")
    # the figures themselves are those of the gauge that was zeroed
    literal = _screen(advise(zeroed, CORNER), zeroed)
    if by and gauge is None:
        assert "the dial at 50 bump is outside -15 to +13" in literal
        assert "is outside -15 to +13" in said
        assert "All from ride height" not in literal


def test_a_return_off_zero_is_no_gauge_without_a_zero(demo_book: Logbook) -> None:
    last = demo_book.readings[-1]
    back = replace(last, travel_mm=0.0, value=0.05)
    assert Crew.of(replace(demo_book, readings=(*demo_book.readings, back))).zeroed
    begun = replace(back, sweep="up3")
    assert not Crew.of(replace(demo_book, readings=(*demo_book.readings, begun))).zeroed


def test_a_reading_past_the_gauge_s_range_is_told(demo_book: Logbook) -> None:
    advice = advise(demo_book, CORNER)
    shown = [Crew.of(demo_book).dial_value(float(t)) for t in advice.outlook.toe_deg]
    need = max(*shown, 0.0) - min(*shown, 0.0)  # thou, ride height among them

    def said(thou: float, **gauge: object) -> str:
        own = replace(demo_book.gauge, full_range=thou * 0.0254, **gauge)  # type: ignore[arg-type]
        return " ".join(note(advice, Crew.of(replace(demo_book, gauge=own))))

    assert f"GAUGE RANGE 2 thou, {need:.0f} NEEDED" in said(2.0)
    assert "RANGE" in said(need - 0.01)
    assert "RANGE" not in said(need + 0.01)
    assert "RANGE" not in said(need / 2.0 + 0.01, kind="two-dials")
    assert "RANGE" in said(need / 2.0 - 0.01, kind="two-dials")


def _leaning(book: Logbook, thread: Thread, lean_deg: float = 15.0) -> Logbook:
    corner = book.corners[CORNER]
    tape = replace(corner.tape, stud_lean_rad=Measured(value=lean_deg / 57.2958, sd=0.017))
    return _with(book, eccentric=Eccentric(kind="none"), thread=thread, tape=tape)


def test_length_that_follows_stays_within_the_thread(demo_book: Logbook) -> None:
    thread = replace(demo_book.corners[CORNER].thread, longer_mm=0.0)
    book = _leaning(demo_book, thread).as_of("as-found")
    advice = advise(book, CORNER)
    assert advice.move.spot.length_change_mm <= 1e-9
    assert advice.n_ruled_out > 0
    _screen(advice, book)


def test_without_an_eccentric_forgetting_means_the_length(demo_book: Logbook) -> None:
    book = _leaning(demo_book, demo_book.corners[CORNER].thread).as_of("as-found")
    advice = advise(book, CORNER)
    change, arm = advice.move.turn.change_mm, 96.0
    assert change > 0.3
    # the joint has moved outboard of a link left as it was: small angles, behind the axis
    forgotten = advice.move.static_toe.forgotten_deg.value
    assert forgotten == pytest.approx(-57.3 * change / arm, rel=0.1)
    said = _screen(advice, book)
    assert "about" in said
    assert "forgotten, it goes" in said
    assert "No driving until static toe is set" in said


def test_a_length_too_small_to_turn_is_left(demo_book: Logbook) -> None:
    book = _leaning(demo_book, demo_book.corners[CORNER].thread, 0.0).as_of("as-found")
    assert "link length as now" in _screen(advise(book, CORNER), book)


def test_a_fixed_link_without_an_eccentric_cannot_take_toe_back(demo_book: Logbook) -> None:
    book = _leaning(demo_book, Thread(kind="fixed")).as_of("as-found")
    said = _screen(advise(book, CORNER), book)
    assert "rod's thread" not in said
    assert "neither this link nor its pivot can take it back" in said
    assert "No driving until static toe is set" in said


@pytest.mark.parametrize("change", [{"eccentric_mark": 3.0}, {"static_toe_deg": -1.6}])
def test_a_mark_or_static_toe_that_cannot_be_is_named_and_not_used(
    demo_book: Logbook, change: dict[str, float]
) -> None:
    assert advise(demo_book, CORNER).static_toe_in_doubt == ()
    unlogged = advise(_run(demo_book, "link-short", static_toe_deg=None), CORNER)
    book = _run(demo_book, "link-short", **change)
    advice = advise(book, CORNER)
    assert advice.static_toe_in_doubt == ("link-short",)
    assert advice.move == unlogged.move
    assert "static toe of link-short does not fit" in _screen(advice, book)


def test_going_back_must_be_worth_it(demo_book: Logbook) -> None:
    corner = demo_book.corners[CORNER]
    book = _with(demo_book, current_run="joint-up", goal=replace(corner.goal, worthwhile_deg=0.1))
    advice = advise(book, CORNER)
    assert advice.action == "stay"
    assert advice.move.spot.run == "joint-up"


def _planned(book: Logbook) -> Logbook:
    best = advise(book, CORNER).move.spot
    row = Run(
        name="plan",
        corner=CORNER,
        above_mm=best.split.above_mm,
        below_mm=best.split.below_mm,
        length_change_mm=best.length_change_mm,
    )
    return replace(book, runs=(*book.runs, row))


def test_a_row_without_readings_is_a_plan(demo_book: Logbook) -> None:
    book = _planned(demo_book)
    advice = advise(book, CORNER)
    assert advice.now.run == "link-short"
    assert advice.move == advise(demo_book, CORNER).move
    said = _screen(advice, book)
    assert "plan without readings is taken for a plan, and this counts from link-short" in said
    assert "No driving until static toe is set" in said


def test_a_named_run_without_readings_is_how_the_car_stands(demo_book: Logbook) -> None:
    book = _with(_planned(demo_book), current_run="plan")
    advice = advise(book, CORNER)
    said = _screen(advice, book)
    assert "measure it as it stands" in said
    assert "plan, where the car stands, has no readings yet" in said
    assert "Put it back" not in said
    # the length moved and nobody logged that static toe was set again
    assert "No driving until static toe is set" in said
    toe_set = _run(book, "plan", static_toe_deg=0.1)
    assert "No driving" not in _screen(advise(toe_set, CORNER), toe_set)


def test_a_link_past_its_limit_is_brought_back(demo_book: Logbook) -> None:
    corner = demo_book.corners[CORNER]
    book = _with(demo_book, thread=replace(corner.thread, shorter_mm=1.0))
    advice = advise(book, CORNER)
    assert advice.move.spot.length_change_mm >= -1.0
    assert "THE LINK STANDS 2.0 mm PAST ITS THREAD LIMIT" in _screen(advice, book)


def test_a_link_is_left_alone_where_turning_gains_nothing(demo_book: Logbook) -> None:
    for book in (demo_book.as_of(r.name) for r in demo_book.runs):
        advice = advise(book, CORNER)
        for other in advice.runners_up:
            if other.kind == "shims-only" and advice.move.turn.change_mm:
                gap = other.outlook.score_deg.value - advice.outlook.score_deg.value
                assert gap > 0.001
    level = replace(demo_book.corners[CORNER].goal, window_mm=(-20.0, 20.0))
    narrow = advise(_with(demo_book, goal=level).as_of("as-found"), CORNER)
    assert narrow.move.turn.change_mm == 0.0


def test_a_toe_out_of_reach_is_called_so(demo_book: Logbook) -> None:
    goal = Goal(
        kind="toe-at-travel",
        window_mm=(-50.0, 50.0),
        at_travel_mm=-40.0,
        toe_change_deg=5.0,
        tolerance_deg=0.05,
    )
    said = _screen(advise(demo_book, CORNER, goal), demo_book)
    assert "OUT OF REACH" in said
    assert "5.0 deg toe-in at 40 droop" in said
    near = replace(goal, toe_change_deg=0.1)
    assert "OUT OF REACH" not in _screen(advise(demo_book, CORNER, near), demo_book)


def test_until_needs_the_reference(demo_book: Logbook) -> None:
    book = _with(demo_book, reference_run="link-short")
    with pytest.raises(CallError, match="comes after"):
        book.as_of("as-found")


def test_many_thin_shims_still_fit_the_screen(demo_book: Logbook) -> None:
    thin = (0.5,) * 4 + (0.25,) * 5 + (0.2,) * 4
    stacks = {
        "as-found": ((0.25,) * 6 + (0.5,) * 5, (0.2,) * 10),
        "joint-up": ((0.25,) * 8, (0.5,) * 6 + (0.2,) * 5),
        "link-short": ((0.25,) * 8, (0.5,) * 6 + (0.2,) * 5),
    }
    book = demo_book
    for name, (above, below) in stacks.items():
        book = _run(book, name, above_mm=above, below_mm=below)
    corner = book.corners[CORNER]
    book = _with(book, stack=replace(corner.stack, box_mm=thin * 3, most_shims=22))
    advice = advise(book, CORNER)
    assert "x0." in _screen(advice, book)
    crew = Crew.of(book)
    for height in range(24, 60):  # facts are left out where it says so, and nowhere else
        lines = note(advice, crew, height=height)
        whole = all(fact in " ".join(lines) for fact in ("Because", "in 100 to beat", " left;"))
        assert whole is ("(shortened" not in lines[0])
        assert len(lines) < height
    assert "(shortened)" in note(advice, crew)[0]
    assert whole


def test_inches_keep_their_reasons(demo_book: Logbook) -> None:
    book = replace(demo_book, units=Units(travel="in", reading="thou", length="in", toe="min"))
    lines = note(advise(book, CORNER), Crew.of(book))
    assert len(lines) < 24
    assert any(line.startswith("Because") for line in lines)
    assert any(line.startswith("Limits") for line in lines)
    assert "0.00 in" not in " ".join(lines)


def test_stacks_are_written_short_and_whole() -> None:
    crew = Crew(units=Units(length="in"), signs=None, gauge=None)  # type: ignore[arg-type]
    sixteenth = 25.4 / 16
    assert crew.stack((sixteenth, sixteenth * 3, sixteenth / 2)) == "0.0625+0.1875+0.03125"
    metric = Crew(units=Units(), signs=None, gauge=None)  # type: ignore[arg-type]
    assert metric.stack((0.5,) * 8 + (1.0, 1.0)) == "8x0.5+1+1"
    assert metric.stack(()) == "none"


def test_a_run_half_entered_is_no_plan(demo_book: Logbook) -> None:
    more = (
        Reading(run="plan", sweep="up1", travel_mm=0.0, value=0.0),
        Reading(run="plan", sweep="up1", travel_mm=-50.0, value=0.1),
    )
    planned = _planned(demo_book)
    book = replace(planned, readings=planned.readings + more)
    advice = advise(book, CORNER)
    said = _screen(advice, book)
    assert (
        "plan is half entered (go on with shimopt enter), and this counts from link-short" in said
    )
    assert "without readings" not in said
    other = replace(planned.runs[-1], name="plan2")
    both = replace(book, runs=(*book.runs, other))
    said = _screen(advise(both, CORNER), both)
    assert "plan is half entered" in said
    assert "plan2 without readings is taken for a plan" in said
    stands = _with(book, current_run="plan")
    said = _screen(advise(stands, CORNER), stands)
    assert "plan, where the car stands, is half entered: go on with shimopt enter" in said
    assert "no readings yet" not in said
