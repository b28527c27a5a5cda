"""What is chosen and where it stops: ties, limits, wishes, and what lengths count from.

By brute force over every setting, by what must not change an answer, and at edges.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from optimizer.advise import choice
from optimizer.advise.advice import Spot
from optimizer.advise.axle import AxleAdvice, HalfAxle, advise_axle, axle_named
from optimizer.advise.eccentric import shortest_bands
from optimizer.advise.evidence import corner_evidence
from optimizer.advise.expectation import proof_among
from optimizer.advise.limits import refuse
from optimizer.advise.lookahead import TURNING_SHARE
from optimizer.advise.makeable import limits_of, settings_of
from optimizer.advise.next_move import advise, surface_map
from optimizer.advise.span import draw_spans_deg
from optimizer.advise.stacks import Split
from optimizer.advise.table import Table, same_setting
from optimizer.advise.tradeoff import tradeoff
from optimizer.advise.wishes import NEAR, SURE, Requirement, Wishes
from optimizer.errors import CallError, NothingCanBeMadeError
from optimizer.measure.shape import curve_shape
from optimizer.records import Eccentric, Goal, Logbook, Thread

Array = NDArray[np.float64]
Book = Callable[..., Logbook]

CORNER = "rear-left"


def _with(book: Logbook, name: str = CORNER, **changed: Any) -> Logbook:
    corner = replace(book.corners[name], **changed)
    return replace(book, corners={**book.corners, name: corner})


def _longer(book: Logbook, by_mm: float) -> Logbook:
    """Every length counted from another zero."""
    runs = (replace(r, length_change_mm=r.length_change_mm + by_mm) for r in book.runs)
    return replace(book, runs=tuple(runs))


# --- what lengths count from -----------------------------------------------------------------

PIVOTS = {
    "slot": {},
    "slot whose mark is fitted": {"mm_per_mark": None},
    "cam": {"kind": "free-cam", "throw_mm": 12.0, "deg_per_mark": 6.0, "mm_per_mark": None},
    "cam whose throw is fitted": {"kind": "cam-in-slot", "deg_per_mark": 6.0, "mm_per_mark": None},
    "none": {"kind": "none", "mm_per_mark": None},
}


@pytest.mark.parametrize("kind", PIVOTS)
def test_lengths_count_from_the_reference_s_own(demo_book: Logbook, kind: str) -> None:
    """A crew whose zero is 4 mm off everywhere hears the same."""
    stated = replace(demo_book.corners[CORNER].eccentric, **PIVOTS[kind])
    book = _with(demo_book, eccentric=stated)
    if stated.kind in ("free-cam", "cam-in-slot"):  # 3 marks of the slot's are 3 mm
        book = replace(
            book,
            runs=tuple(
                replace(r, eccentric_mark=(r.eccentric_mark or 0.0) * 0.8) for r in book.runs
            ),
        )
    one, other = advise(book, CORNER), advise(_longer(book, 4.0), CORNER)
    assert one.move == other.move
    assert one.outlook.score_deg == other.outlook.score_deg
    both = zip(one.runners_up, other.runners_up, strict=True)
    assert all((a.kind, a.move, a.work) == (b.kind, b.move, b.work) for a, b in both)
    assert one.left_out == other.left_out
    assert one.limits == other.limits
    assert (one.pivot.worth is None) == (other.pivot.worth is None) == ("fitted" not in kind)
    if one.pivot.worth is not None and other.pivot.worth is not None:
        assert one.pivot.worth.value_mm == pytest.approx(other.pivot.worth.value_mm, rel=1e-12)


def test_an_axle_s_lengths_count_from_each_reference(both_sides: Book) -> None:
    """One side's rows count from another zero than the other's."""
    book = both_sides(3.0)
    moved = tuple(
        replace(r, length_change_mm=r.length_change_mm + 3.0) if r.corner == CORNER else r
        for r in book.runs
    )
    one, other = (advise_axle(b, axle_named(b, None)[0]) for b in (book, replace(book, runs=moved)))
    assert isinstance(one, AxleAdvice)
    assert isinstance(other, AxleAdvice)
    for name in ("now", "alike", "own"):
        a, b = getattr(one, name), getattr(other, name)
        assert (a.left, a.right) == (b.left, b.right)
        assert np.array_equal(a.figures.left_deg, b.figures.left_deg)
    assert one.gain_deg == other.gain_deg


def test_of_an_unmeasured_side_the_stated_run_is_where_it_stands(both_sides: Book) -> None:
    """Its fixed link stands 3 mm short there, which the other side's best guess does not."""
    book = both_sides(3.0)
    mute = replace(book, readings=tuple(r for r in book.readings if not r.run.endswith("-r")))
    runs = tuple(
        replace(r, length_change_mm=-3.0) if r.name == "link-short-r" else r for r in mute.runs
    )
    fixed = _with(
        replace(mute, runs=runs), "rear-right", thread=Thread(kind="fixed"), current_run=None
    )
    want = advise(fixed, CORNER).best_guess.length_change_mm
    runs = tuple(
        replace(r, length_change_mm=want) if r.name == "link-short-r" else r for r in fixed.runs
    )
    fixed = replace(fixed, runs=runs)
    there = _with(fixed, "rear-right", current_run="link-short-r")
    refusals = []
    for one in (fixed, there):
        found = advise_axle(one, axle_named(one, None)[0])
        assert isinstance(found, HalfAxle)
        refusals.append(None if found.refusal is None else found.refusal.why)
    assert abs(want) > 0.5
    assert refusals[0] == "length"
    assert refusals[1] != "length"


def test_the_right_side_alone_is_half_an_axle_too(both_sides: Book) -> None:
    book = both_sides(3.0)
    mute = replace(book, readings=tuple(r for r in book.readings if r.run.endswith("-r")))
    found = advise_axle(mute, axle_named(mute, None)[0])
    assert isinstance(found, HalfAxle)
    assert (found.measured.corner.name, found.missing.name) == ("rear-right", "rear-left")


# --- both wheels -----------------------------------------------------------------------------


def _alike(book: Logbook, worthwhile_deg: float) -> AxleAdvice:
    for name in book.corners:
        goal = replace(book.corners[name].goal, worthwhile_deg=worthwhile_deg)
        book = _with(book, name, goal=goal)
    found = advise_axle(book, axle_named(book, None)[0])
    assert isinstance(found, AxleAdvice)
    assert found.alike is not None
    return found


def test_both_links_are_left_alone_where_that_is_nearly_as_good(both_sides: Book) -> None:
    """Until turning them gains a quarter of what is worth a run; the edge is met exactly."""
    book = both_sides(3.0)
    turned, still = _alike(book, 1e-4), _alike(book, 0.2)
    assert turned.alike is not None
    assert still.alike is not None
    moves = [(a.left.turn.change_mm, a.right.turn.change_mm) for a in (turned.alike, still.alike)]
    assert min(map(abs, moves[0])) > 0.5
    assert moves[1] == (0.0, 0.0)
    # of those that leave the links alone it is the best: each side's own stacks, brute force
    gap = still.alike.figures.score_deg.value - turned.alike.figures.score_deg.value
    assert gap > 1e-3
    for share, leaves in ((0.9, False), (1.1, True)):
        found = _alike(book, share * gap / TURNING_SHARE).alike
        assert found is not None
        assert (found.left.turn.change_mm == 0.0) == leaves


def test_where_one_length_follows_its_height_both_are_still_set_alike(both_sides: Book) -> None:
    """A pivot on one side only: a step of the coarser thread is the most they may differ."""
    book = both_sides(0.0)
    for name in book.corners:
        goal = Goal(kind="toe-at-travel", at_travel_mm=-40.0, toe_change_deg=0.1)
        book = _with(book, name, goal=goal)
    book = _with(book, "rear-right", eccentric=Eccentric(kind="none"), steered=True)
    found = advise_axle(book, axle_named(book, None)[0])
    assert isinstance(found, AxleAdvice)
    assert found.alike is not None
    step = 2.0 * 1.5 / 6.0  # a flat of the demo's body, both of whose ends turn
    spots = found.alike.left.spot, found.alike.right.spot
    assert abs(spots[0].length_change_mm - spots[1].length_change_mm) <= step / 2.0
    # the one that is free would rather stand elsewhere
    own = found.left.best_guess.length_change_mm
    assert abs(own - spots[1].length_change_mm) > step


# --- settings --------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["both-ends", "one-end", "fixed"])
def test_without_a_pivot_only_a_fixed_link_keeps_its_length(demo_book: Logbook, kind: str) -> None:
    """The car stands at the run with the short link."""
    thread = replace(demo_book.corners[CORNER].thread, kind=kind)
    book = _with(demo_book, thread=thread, eccentric=Eccentric(kind="none"))
    evidence = corner_evidence(book, CORNER)
    table = Table(evidence, evidence.corner.goal)
    field = settings_of(table, limits_of(table))
    assert table.now.length_change_mm < -1.0
    assert table.now.height_mm != table.now.length_change_mm
    off = np.abs(field.change - table.now.length_change_mm)
    far = np.abs(field.height - table.now.height_mm) > 0.4
    assert far.any()
    if kind == "fixed":
        assert off.max() == 0.0
    else:
        assert off[far].min() > 1e-4
        assert np.abs(field.change - table.now.length_change_mm)[~far].max() < 0.05


def test_an_unknown_thread_reaches_ten_millimetres_in_half_ones(demo_book: Logbook) -> None:
    book = _with(demo_book.as_of("as-found"), thread=Thread(), eccentric=Eccentric())
    evidence = corner_evidence(book, CORNER)
    table = Table(evidence, evidence.corner.goal)
    lengths = np.unique(settings_of(table, limits_of(table)).change)
    assert lengths == pytest.approx(np.arange(-20, 21) / 2.0)


def test_shims_are_counted_and_not_their_thickness(demo_book: Logbook) -> None:
    """Six millimetres of stack in five shims at the most."""
    stack = replace(demo_book.corners[CORNER].stack, most_shims=5)
    evidence = corner_evidence(_with(demo_book, stack=stack), CORNER)
    table = Table(evidence, evidence.corner.goal)
    field = settings_of(table, limits_of(table))
    counts = np.array([s.n_shim for s in field.splits])[field.which]
    assert (counts.min(), counts.max()) == (3, 5)
    assert not any(name == "shims" for name, _ in field.ruled_out)


def test_the_refusal_names_most_shims_where_it_is_stated(demo_book: Logbook) -> None:
    stack = demo_book.corners[CORNER].stack
    for most, named in ((1, True), (None, False)):
        box = (7.0,) if most is None else stack.box_mm
        book = _with(demo_book, stack=replace(stack, box_mm=box, most_shims=most))
        with pytest.raises(NothingCanBeMadeError) as found:
            advise(book, CORNER)
        assert ("most_shims" in found.value.found) == named


# --- the map and the runners-up -----------------------------------------------------------------


@pytest.mark.outside
def test_the_map_by_peak_to_peak_is_the_surface_s_curve(demo_book: Logbook) -> None:
    """numpy's extremes of the mean curve, with the whole variance between them."""
    goal = Goal(measure="peak-to-peak", window_mm=(-50.0, 50.0))
    evidence = corner_evidence(demo_book, CORNER)
    table = Table(evidence, goal)
    seen = surface_map(demo_book, CORNER, goal)
    nodes = np.append(table.target.travel_mm, 0.0)
    for i, j in ((3, 5), (20, 40), (45, 12)):
        height, change = float(seen.height_mm[j]), float(seen.length_mm[i])
        mean, cov = table.surface.curve(height, change, nodes)
        high, low = int(mean.argmax()), int(mean.argmin())
        between = cov[high, high] + cov[low, low] - 2.0 * cov[high, low]
        assert seen.score_deg[i, j] == pytest.approx(np.hypot(np.ptp(mean), between**0.5), rel=1e-6)
    # and not far from what the draws' own extremes say, root mean square
    spans = draw_spans_deg(table.draws, table.target, np.array([0.0]), np.array([0.0]))
    at = np.abs(seen.height_mm).argmin(), np.abs(seen.length_mm).argmin()
    assert seen.score_deg[at[1], at[0]] == pytest.approx(np.sqrt(np.mean(spans**2)), rel=0.1)


@pytest.mark.parametrize("until", ["as-found", "joint-up", "link-short"])
@pytest.mark.parametrize("worthwhile", [0.001, 0.01, 0.08])
@pytest.mark.parametrize("pivot", ["slot", "none"])
def test_each_runner_up_is_the_best_of_its_kind(
    demo_book: Logbook, until: str, worthwhile: float, pivot: str
) -> None:
    """By the order of all settings: fewest shims and least work break what score leaves."""
    eccentric = demo_book.corners[CORNER].eccentric if pivot == "slot" else Eccentric(kind="none")
    book = _with(demo_book, eccentric=eccentric).as_of(until)
    goal = replace(book.corners[CORNER].goal, worthwhile_deg=worthwhile)
    advice = advise(book, CORNER, goal)
    evidence = corner_evidence(book, CORNER)
    table = Table(evidence, goal)
    field = settings_of(table, limits_of(table))
    order = choice.ranked(table, field, table.expected(field))
    now, chosen = advice.now, advice.move.spot
    free, guess = pivot == "slot", advice.best_guess

    def first(wanted: Callable[[Spot], bool], taken: Sequence[Spot]) -> Spot | None:
        spots = (field.spot(int(i)) for i in order)
        return next(
            (s for s in spots if wanted(s) and not any(same_setting(s, t) for t in taken)), None
        )

    def turns(spot: Spot) -> bool:
        return abs(spot.length_change_mm - now.length_change_mm) >= 0.1

    def lifts(spot: Spot) -> bool:
        return abs(spot.height_mm - now.height_mm) >= 0.05

    taken, expected = [chosen, now], []
    lost = not same_setting(guess, chosen)
    if lost:
        expected.append(("best-guess", guess))
        taken.append(guess)
    leaves = free and not turns(chosen)
    asked: list[tuple[str, Callable[[Spot], bool]]] = [
        ("next" if leaves else "shims-only", lambda s: not free or not turns(s))
    ]
    asked += [("length-only", lambda s: not lifts(s) and turns(s))] if free else []
    asked += [("next", lambda s: True)] if not lost and not leaves else []
    for kind, wanted in asked:
        spot = first(wanted, taken)
        if spot is not None:
            expected.append((kind, spot))
            taken.append(spot)
    found = [(r.kind, r.move.spot) for r in advice.runners_up]
    assert [kind for kind, _ in found] == [kind for kind, _ in expected]
    assert all(same_setting(a, b) for (_, a), (_, b) in zip(found, expected, strict=True))


def test_the_proof_lies_inside_the_window(demo_book: Logbook) -> None:
    goal = replace(demo_book.corners[CORNER].goal, window_mm=(-30.0, 30.0))
    assert abs(advise(demo_book, CORNER, goal).proof.travel_mm) <= 30.0
    assert abs(advise(demo_book, CORNER).proof.travel_mm) > 30.0


def test_what_a_setting_should_show_has_the_reference_s_travels(demo_book: Logbook) -> None:
    """The last run was read elsewhere."""
    readings = tuple(
        replace(r, travel_mm=r.travel_mm * 0.9) if r.run == "link-short" else r
        for r in demo_book.readings
    )
    advice = advise(replace(demo_book, readings=readings), CORNER)
    first = {r.travel_mm for r in demo_book.readings if r.run == "as-found"}
    shown = advice.outlook.travel_mm
    assert all(np.abs(shown - z).min() < 1e-9 for z in first)


def test_a_goal_by_peak_to_peak_is_measured_by_it(demo_book: Logbook) -> None:
    goal = Goal(measure="peak-to-peak", window_mm=(-50.0, 50.0))
    advice = advise(demo_book, CORNER, goal)
    assert advice.measured_score_deg is not None
    spans = [
        curve_shape(c, (-50.0, 50.0)).peak_to_peak.value
        for c in corner_evidence(demo_book, CORNER).curves
    ]
    assert advice.measured_score_deg.value == pytest.approx(min(spans), rel=1e-9)
    flat = advise(demo_book, CORNER, replace(goal, measure="rms"))
    assert flat.measured_score_deg is not None
    assert flat.measured_score_deg.value < 0.7 * advice.measured_score_deg.value


def test_a_trade_off_outside_the_window_is_refused(demo_book: Logbook) -> None:
    goal = replace(demo_book.corners[CORNER].goal, window_mm=(-40.0, 30.0))
    for at in (-40.5, 30.5):
        with pytest.raises(CallError, match="outside the window, -40 to 30 mm"):
            tradeoff(demo_book, CORNER, at, goal)
    assert tradeoff(demo_book, CORNER, -40.0, goal)


# --- small cases by hand -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("action", "gain", "go_on", "limit", "by"),
    [
        ("try", 0.02, True, 0.02, "gauge"),  # what the gauge sees is the bar, met exactly
        ("try", 0.0199, False, 0.02, "gauge"),
        ("repeat", 0.01, True, 0.01, "worthwhile"),  # a repeat averages the gauge out
        ("repeat", 0.0099, False, 0.01, "worthwhile"),
    ],
)
def test_a_run_must_gain_its_limit(
    action: Any, gain: float, go_on: bool, limit: float, by: str
) -> None:
    split = Split(above_mm=(3.0,), below_mm=(3.0,), height_mm=0.0)
    spot = Spot(split=split, length_change_mm=0.0)
    table: Any = SimpleNamespace(goal=Goal(worthwhile_deg=0.01), seen_deg=0.02)
    chosen = choice.Choice(spot=spot, action=action, best_guess=spot, gain_deg=gain)
    found = choice.verdict_on(table, chosen)
    assert (found.go_on, found.limit_deg, found.limited_by) == (go_on, limit, by)


def test_of_equally_short_bands_the_lower_one_is_told() -> None:
    draws = np.arange(20.0)[:, None]
    assert shortest_bands(draws, 0.5)[1:, 0].tolist() == [0.0, 10.0]


def test_of_measured_settings_that_break_a_wish_those_nearest_to_it_are_held(
    demo_book: Logbook,
) -> None:
    """Wish by wish, each run's own chance by the draws; no more than 0.05 under the surest."""
    goal = Goal(window_mm=(-50.0, 50.0), most_change_deg=0.15)
    evidence = corner_evidence(demo_book, CORNER)
    table = Table(evidence, goal)
    field = settings_of(table, limits_of(table))
    wishes = Wishes(table, field, table.expected(field))
    (wish,) = wishes._steps
    assert isinstance(wish, Requirement)
    sure = [wishes.chance(wish, spot) for spot in table.measured]
    assert max(sure) - min(sure) > 0.2
    held = wishes.best_of(table.measured)
    assert held == [i for i, one in enumerate(sure) if one >= min(SURE, max(sure) - NEAR)]
    assert 0 < len(held) < len(sure)


@pytest.mark.parametrize(
    ("tapered", "above", "below", "box", "refused"),
    [
        (True, (), (), (), False), (True, (1.0,), (), (), True), (True, (), (1.0,), (), True),
        (True, (), (), (1.0,), True), (False, (1.0,), (1.0,), (1.0,), False),
    ],
)  # fmt: skip
def test_shims_on_a_tapered_stud_are_refused_wherever_they_are(
    demo_book: Logbook,
    tapered: bool,
    above: tuple[float, ...],
    below: tuple[float, ...],
    box: tuple[float, ...],
    refused: bool,
) -> None:
    corner = demo_book.corners[CORNER]
    corner = replace(
        corner,
        stud=replace(corner.stud, tapered=tapered),
        stack=replace(corner.stack, box_mm=box),
    )
    run = replace(demo_book.runs[0], above_mm=above, below_mm=below)
    if not refused:
        refuse(corner, run)
        return
    with pytest.raises(NothingCanBeMadeError, match="tapered"):
        refuse(corner, run)


@pytest.mark.parametrize(("past", "named"), [(0.04, True), (0.06, False)])
def test_travels_for_the_proof_end_where_the_window_does(
    demo_book: Logbook, past: float, named: bool
) -> None:
    """A twentieth of a millimetre is how travels are told apart."""
    advice = advise(demo_book, CORNER)
    for end in (50.0 + past, -50.0 - past):
        assert (proof_among(demo_book, advice, [end]) is not None) == named
