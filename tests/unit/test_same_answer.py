"""What must not change an answer does not, and what an answer is made of keeps its bounds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm

from optimizer.advise.advice import Spot
from optimizer.advise.axle import HalfAxle, advise_axle, axles_of
from optimizer.advise.eccentric import length_that_holds_toe_mm, link_draws
from optimizer.advise.evidence import corner_evidence
from optimizer.advise.goal import target_of
from optimizer.advise.link_body import length_limits_mm
from optimizer.advise.makeable import settings_of
from optimizer.advise.next_move import advise, surface_map
from optimizer.advise.stack_end import stack_end
from optimizer.advise.stacks import Split, possible_splits
from optimizer.advise.suspects import suspects
from optimizer.advise.table import Table
from optimizer.advise.verified import score_of_readings
from optimizer.errors import NothingCanBeMadeError
from optimizer.records import Eccentric, Goal, Logbook, Thread

CORNER = "rear-left"
Book = Callable[..., Logbook]


def _with(book: Logbook, **more: Any) -> Logbook:
    return replace(book, corners={CORNER: replace(book.corners[CORNER], **more)})


def _renamed(book: Logbook, names: dict[str, str]) -> Logbook:
    own = book.corners[CORNER]
    return replace(
        book,
        corners={CORNER: replace(own, reference_run=names[own.reference_run or ""])},
        runs=tuple(replace(r, name=names[r.name]) for r in book.runs),
        readings=tuple(replace(r, run=names[r.run]) for r in book.readings),
    )


@pytest.mark.parametrize("zero_mm", [4.0, -7.5])
def test_lengths_counted_from_another_zero_give_the_same_advice(
    demo_book: Logbook, zero_mm: float
) -> None:
    """Length changes mean their differences from the reference run alone."""
    other = replace(
        demo_book,
        runs=tuple(
            replace(r, length_change_mm=r.length_change_mm + zero_mm) for r in demo_book.runs
        ),
    )
    one, two = advise(demo_book, CORNER), advise(other, CORNER)
    assert two.move.spot == one.move.spot
    assert two.now == one.now
    assert two.outlook.toe_deg == pytest.approx(one.outlook.toe_deg, abs=1e-9)
    assert [r.move.spot for r in two.runners_up] == [r.move.spot for r in one.runners_up]
    assert suspects(other) == suspects(demo_book)


@pytest.mark.parametrize("names", [("c", "b", "a"), ("b", "c", "a"), ("a", "c", "b")])
@pytest.mark.parametrize("fault", ["shims-swapped", "length-sign", "reference-swapped"])
def test_what_runs_are_called_tells_nothing(
    demo_book: Logbook, fault: str, names: tuple[str, str, str]
) -> None:
    """The fault is found in its own run whichever name comes first in the alphabet."""
    called = dict(zip(("as-found", "joint-up", "link-short"), names, strict=True))
    wrong = {
        "shims-swapped": "joint-up",
        "length-sign": "link-short",
        "reference-swapped": "as-found",
    }[fault]

    def told(run: Any) -> Any:
        if run.name != wrong:
            return run
        if fault == "length-sign":
            return replace(run, length_change_mm=-run.length_change_mm)
        return replace(run, above_mm=run.below_mm, below_mm=run.above_mm)

    book = replace(demo_book, runs=tuple(told(r) for r in demo_book.runs))
    plain, other = suspects(book), suspects(_renamed(book, called))
    assert plain
    assert (plain[0].kind, plain[0].runs) == (fault.replace("reference", "shims"), (wrong,))
    assert [(s.kind, sorted(s.runs)) for s in other] == [
        (s.kind, sorted(called[r] for r in s.runs)) for s in plain
    ]
    # what was drawn for it does not hang on the name
    assert [s.log_odds for s in other] == pytest.approx([s.log_odds for s in plain], rel=1e-6)


def test_a_run_says_what_is_to_be_expected_at_the_first_run_s_travels(demo_book: Logbook) -> None:
    """A later run at fewer travels takes none away; the window's own are there too."""
    kept = tuple(r for r in demo_book.readings if r.run != "link-short" or abs(r.travel_mm) != 25.0)
    odd = tuple(
        replace(r, travel_mm=r.travel_mm * 0.93) if r.run == "as-found" else r for r in kept
    )
    advice = advise(replace(demo_book, readings=odd), CORNER)
    shown = set(np.round(advice.outlook.travel_mm, 6))
    assert {-46.5, -23.25, 23.25, 46.5} <= shown
    assert {-50.0, 50.0} <= shown


@pytest.mark.parametrize("half_mm", [30.0, 40.0])
def test_what_proves_the_advice_wrong_lies_in_the_window(
    demo_book: Logbook, half_mm: float
) -> None:
    """Measured to 50 mm, asked for less: no reading outside is asked for."""
    goal = Goal(window_mm=(-half_mm, half_mm))
    assert abs(advise(demo_book, CORNER, goal).proof.travel_mm) <= half_mm
    # where the window holds no travel that was measured, one that was is better than none
    none = advise(demo_book, CORNER, Goal(window_mm=(-10.0, 10.0))).proof
    assert any(abs(none.travel_mm - r.travel_mm) < 1e-9 for r in demo_book.readings)
    assert abs(none.travel_mm) > 10.0


def test_either_side_may_be_the_one_unmeasured(both_sides: Book) -> None:
    book = both_sides(seed=None)
    right_only = replace(book, readings=tuple(r for r in book.readings if r.run.endswith("-r")))
    left_only = replace(book, readings=tuple(r for r in book.readings if not r.run.endswith("-r")))
    left, right = (advise_axle(b, axles_of(b)["rear"]) for b in (left_only, right_only))
    assert isinstance(left, HalfAxle)
    assert isinstance(right, HalfAxle)
    assert (left.missing.name, right.missing.name) == ("rear-right", "rear-left")
    # the right side has the left's own readings
    assert right.move.spot.height_mm == left.move.spot.height_mm
    assert right.move.spot.length_change_mm == left.move.spot.length_change_mm


@pytest.mark.outside
@pytest.mark.parametrize("index", [0, 1, 2])
def test_the_peak_to_peak_of_a_run_s_readings_is_numpy_s(demo_book: Logbook, index: int) -> None:
    evidence = corner_evidence(demo_book, CORNER)
    goal = Goal(measure="peak-to-peak")
    curve = evidence.curves[index]
    band = score_of_readings(evidence, index, goal, target_of(goal, (-50.0, 50.0)))
    assert band is not None
    toe = np.append(curve.toe_deg, 0.0)
    assert band.value == pytest.approx(np.ptp(toe))
    high, low = (int(f(toe)) for f in (np.argmax, np.argmin))
    cov = np.zeros((len(toe), len(toe)))
    cov[:-1, :-1] = curve.cov_deg2
    sd = np.sqrt(cov[high, high] + cov[low, low] - 2.0 * cov[high, low])
    assert band.high - band.value == pytest.approx(norm.ppf(0.95) * sd, rel=1e-3)
    rms = score_of_readings(evidence, index, Goal(), target_of(Goal(), (-50.0, 50.0)))
    assert rms is not None
    assert rms.value < 0.6 * band.value


def test_lengths_reach_ten_millimetres_where_nothing_is_stated() -> None:
    assert length_limits_mm(Thread()) == (-10.0, 10.0)
    assert length_limits_mm(Thread(shorter_mm=4.0)) == (-4.0, 10.0)
    # never past what the surface was made for
    assert length_limits_mm(Thread(shorter_mm=40.0, longer_mm=2.0)) == (-15.0, 2.0)


def test_the_map_holds_all_that_can_be_set_and_half_a_millimetre_more(demo_book: Logbook) -> None:
    drawn = surface_map(demo_book, CORNER)
    spots = np.concatenate([drawn.possible, [s[1:] for s in drawn.measured]])
    for axis, along in enumerate((drawn.height_mm, drawn.length_mm)):
        assert along[0] == pytest.approx(spots[:, axis].min() - 0.5)
        assert along[-1] == pytest.approx(spots[:, axis].max() + 0.5)
        assert np.diff(along) == pytest.approx(np.full(len(along) - 1, along[1] - along[0]))
    # a spot of the map has the surface's own score there
    table = Table(corner_evidence(demo_book, CORNER), demo_book.corners[CORNER].goal)
    t = table.target
    for i, j in ((0, 0), (3, 17), (-1, -1)):
        mean, cov = table.surface.curve(drawn.height_mm[j], drawn.length_mm[i], t.travel_mm)
        square = t.weight @ (mean**2 + np.diag(cov))
        assert drawn.score_deg[i, j] == pytest.approx(np.sqrt(square), rel=1e-6)


def test_runners_up_are_the_best_of_their_kind(demo_book: Logbook) -> None:
    """Each found again by looking through every setting that can be made."""
    seen = set()
    for book in (demo_book, demo_book.as_of("as-found"), demo_book.as_of("joint-up")):
        advice = advise(book, CORNER)
        table = Table(corner_evidence(book, CORNER), book.corners[CORNER].goal)
        field = settings_of(table)
        rank = np.round(table.expected(field) / 1e-3)
        now, chosen = advice.now, advice.move.spot
        same_length = np.abs(field.change - now.length_change_mm) < 0.1
        same_height = np.abs(field.height - now.height_mm) < 0.05
        guess = advice.best_guess
        lost = (guess.height_mm, guess.length_change_mm) != (
            chosen.height_mm,
            chosen.length_change_mm,
        )
        kinds = [r.kind for r in advice.runners_up]
        assert ("best-guess" in kinds) == lost
        turned = abs(chosen.length_change_mm - now.length_change_mm) >= 0.1
        # with nothing better to name beside it, the next best of all is named
        assert ("next" in kinds) == (not turned or not lost)
        allowed = {"shims-only": same_length, "length-only": same_height & ~same_length}
        taken = [now, chosen]
        for other in advice.runners_up:
            seen.add(other.kind)
            mask = allowed.get(other.kind, same_length if not turned else np.ones_like(same_length))
            for spot in taken:
                mask = mask & ~(
                    (np.abs(field.height - spot.height_mm) < 0.05)
                    & (np.abs(field.change - spot.length_change_mm) < 0.1)
                )
            spot = other.move.spot
            taken.append(spot)
            if other.kind == "best-guess":
                continue
            at = np.flatnonzero(
                (np.abs(field.height - spot.height_mm) < 1e-6)
                & (np.abs(field.change - spot.length_change_mm) < 1e-6)
            )
            assert mask[at[0]]
            assert rank[at[0]] == rank[mask].min()
    assert {"shims-only", "length-only", "best-guess"} <= seen


@pytest.mark.parametrize("kind", ["both-ends", "one-end", "unknown", "fixed"])
def test_without_a_pivot_that_moves_the_length_follows_the_height(
    demo_book: Logbook, kind: Any
) -> None:
    """At a link that can be turned each height has the one length that holds static toe."""
    own = demo_book.corners[CORNER]
    thread = replace(own.thread, kind=kind)
    book = _with(demo_book.as_of("as-found"), thread=thread, eccentric=Eccentric(kind="none"))
    table = Table(corner_evidence(book, CORNER), own.goal)
    field = settings_of(table)
    if kind == "fixed":
        assert np.all(field.change == 0.0)
        return
    assert len(np.unique(field.height)) == len(field.height)
    link = link_draws(table.draws, ahead=False)
    heights = np.append(field.height, 0.0)
    hold = length_that_holds_toe_mm(link, heights, "outer")
    assert field.change == pytest.approx(hold[:-1] - hold[-1], abs=1e-9)
    assert np.ptp(field.change) > 0.05


@pytest.mark.parametrize("most", [None, 2])
def test_shims_that_cannot_make_the_total_say_why(demo_book: Logbook, most: int | None) -> None:
    run = demo_book.runs[0]
    stack = replace(demo_book.corners[CORNER].stack, box_mm=(1.0, 1.0, 1.0), most_shims=most)
    with pytest.raises(NothingCanBeMadeError, match="cannot make the stack's total") as told:
        possible_splits(stack, run, run)
    assert ("with most_shims = 2" in str(told.value)) == (most is not None)
    assert "None" not in str(told.value)


def test_a_stack_s_end_looks_every_quarter_of_a_millimetre_up_to_three(demo_book: Logbook) -> None:
    """The best further height and length, by the ranks of all of them one by one."""
    table = Table(corner_evidence(demo_book, CORNER), demo_book.corners[CORNER].goal)
    field = settings_of(table)
    for height, above, below in ((0.5, (), (2.0,)), (-1.0, (), (1.0,)), (6.0, (3.0,), ())):
        split = Split(above_mm=above, below_mm=below, height_mm=height)
        spot = Spot(split=split, length_change_mm=-3.0)
        end = stack_end(table, field, spot)
        assert end is not None
        sign = -1.0 if above else 1.0
        ranks = {
            step: float(
                min(
                    table.ranks_at(np.array([height + sign * step]), np.array([d]))[0]
                    for d in np.unique(field.change)
                )
            )
            for step in np.arange(1, 13) / 4.0
        }
        best = min(ranks, key=lambda step: ranks[step])
        assert end.further_mm == pytest.approx(best)
        here = float(table.ranks([spot])[0])
        assert end.gain_deg == pytest.approx(here - ranks[best], abs=1e-12)
