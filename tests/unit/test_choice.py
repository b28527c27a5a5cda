"""What is chosen and where it stops: ties, limits, wishes, and what lengths count from.

Small cases are worked out here by hand; the rest is held to brute force over every setting.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from optimizer.advise import choice, decision
from optimizer.advise.advice import LeftOut, Spot
from optimizer.advise.axle import AxleAdvice, HalfAxle, advise_axle, axle_named
from optimizer.advise.eccentric import shortest_bands, static_toe
from optimizer.advise.evidence import corner_evidence
from optimizer.advise.expectation import proof_among
from optimizer.advise.goal import weight_spread_mm
from optimizer.advise.limits import refuse
from optimizer.advise.lookahead import TURNING_SHARE
from optimizer.advise.makeable import limits_of, settings_of
from optimizer.advise.mark_worth import MarkWorth
from optimizer.advise.next_move import advise, surface_map
from optimizer.advise.pivot_move import _interpolated
from optimizer.advise.reasons import _pattern, because_of
from optimizer.advise.settings import Settings
from optimizer.advise.span import draw_spans_deg
from optimizer.advise.stacks import Split
from optimizer.advise.table import Table, same_setting
from optimizer.advise.tradeoff import tradeoff
from optimizer.advise.wishes import NEAR, SURE, Requirement, Wishes
from optimizer.errors import CallError, NothingCanBeMadeError
from optimizer.measure.shape import curve_shape
from optimizer.model.arc import Link
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


def test_what_both_wheels_do_together(both_sides: Book) -> None:
    """Toe-in turns the left wheel to the right and the right wheel to the left (ISO 8855)."""
    book = both_sides(3.0)
    found = advise_axle(book, axle_named(book, None)[0])
    assert isinstance(found, AxleAdvice)
    pair = found.advised.figures
    left, right = pair.left_deg, pair.right_deg
    assert pair.heave_steer_deg == pytest.approx((right - left) / 2.0, abs=1e-12)
    assert pair.total_deg == pytest.approx(left + right, abs=1e-12)
    assert pair.difference_deg == pytest.approx(left - right, abs=1e-12)
    assert np.abs(pair.heave_steer_deg).max() > 0.01


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


def test_the_map_holds_all_that_can_be_set_and_was_measured(demo_book: Logbook) -> None:
    seen = surface_map(demo_book, CORNER)
    reach = np.concatenate([seen.possible, [s[1:] for s in seen.measured]])
    for axis, column in ((seen.height_mm, reach[:, 0]), (seen.length_mm, reach[:, 1])):
        assert (axis[0], axis[-1]) == pytest.approx((column.min() - 0.5, column.max() + 0.5))
        assert np.ptp(np.diff(axis)) < 1e-9
    assert [s[0] for s in seen.measured] == [r.name for r in demo_book.runs]


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


def _spot(height: float, length: float = 0.0, run: str | None = None, shims: int = 2) -> Spot:
    thin = (height + 9.0) / (shims - 1)
    split = Split(above_mm=(3.0,), below_mm=(thin,) * (shims - 1), height_mm=height)
    return Spot(split=split, length_change_mm=length, run=run)


class _Table(SimpleNamespace):
    """A table whose scores are stated, draw by draw, by height."""

    def scores(self, height: Any, change: Any) -> Array:
        heights = np.atleast_1d(height)
        rows = np.array([self.by_height[float(h)] for h in heights]).T
        return rows if np.ndim(height) else rows[:, 0]

    def ranks(self, spots: Sequence[Spot]) -> Array:
        return np.array([np.mean(self.by_height[s.height_mm]) for s in spots])

    def measured_at(self, spot: Spot) -> Spot | None:
        return next((m for m in self.measured if same_setting(m, spot)), None)


def _field(*spots: Spot) -> Settings:
    return Settings(
        splits=tuple(s.split for s in spots),
        which=np.arange(len(spots)),
        height=np.array([s.height_mm for s in spots]),
        change=np.array([s.length_change_mm for s in spots]),
        n_ruled_out=0,
        ruled_out=(),
    )


def _table(measured: Sequence[Spot], now: Spot, **by_height: Any) -> Any:
    scores = {float(k.replace("m", "-").lstrip("h")): v for k, v in by_height.items()}
    goal = SimpleNamespace(worthwhile_deg=0.01)
    return _Table(
        measured=list(measured), now=now, by_height=scores, goal=goal, seen_deg=0.02,
        best_measured=0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("best", "may_stay", "limit", "ends"),
    [
        ((0.02, 0.04), True, 0.02, ("go-back", 1.0)),  # gains 0.02 on average: just enough
        ((0.02, 0.04), True, 0.0201, ("stay", 0.0)),
        ((0.02, 0.04), False, 0.9, ("go-back", 1.0)),
        ((0.02, 0.12), True, 0.0151, ("stay", 0.0)),  # what a draw loses is not set off
        ((0.02, 0.07), True, 0.0149, ("go-back", 1.0)),
    ],
)
def test_going_back_must_gain_the_limit(
    best: tuple[float, float], may_stay: bool, limit: float, ends: tuple[str, float]
) -> None:
    now, other = _spot(0.0, run="a"), _spot(1.0, run="b")
    table = _table([now, other], now, h0=(0.05, 0.05), h1=best)
    if best == (0.02, 0.12):
        table.by_height[0.0] = (0.05, 0.12)
    makeable = choice.Measured(settled=[now, other], makeable=[now, other])
    spot, action = choice.where_to_stop(table, makeable, limit, may_stay=may_stay)
    assert (action, spot.height_mm) == ends


def test_with_nothing_to_go_back_to_the_car_stays() -> None:
    now = _spot(0.0, run="a")
    none = choice.Measured(settled=[now], makeable=[])
    assert choice.where_to_stop(_table([now], now), none, 0.0, may_stay=False) == (now, "stay")


def test_of_equal_scores_the_earlier_run_is_gone_back_to() -> None:
    now, first, second = _spot(0.0, run="a"), _spot(1.0, run="b"), _spot(2.0, run="c")
    table = _table([now, first, second], now, h0=(0.09,), h1=(0.02,), h2=(0.02 - 1e-9,))
    every = choice.Measured(settled=[], makeable=[now, first, second])
    assert choice.where_to_stop(table, every, 0.01)[0] is first


@pytest.mark.parametrize(
    ("run", "gain", "ends"),
    [
        (None, 0.02, ("try", 2.0)),
        (None, 0.0199, ("go-back", 1.0)),
        ("c", 0.05, ("go-back", 1.0)),  # measured: it would have been gone back to
    ],
)
def test_the_way_back_inside_the_limits(
    run: str | None, gain: float, ends: tuple[str, float]
) -> None:
    now, known, guess = _spot(0.0, run="a"), _spot(1.0, run="b"), _spot(2.0, run=run)
    table = _table([now, known], now, h0=(0.2,), h1=(0.06,), h2=(0.06 - gain,))
    chosen = choice.Choice(spot=guess, action="try", best_guess=guess, gain_deg=0.0)
    inside = choice.Measured(settled=[known], makeable=[known])
    spot, action = decision._way_inside(table, chosen, inside, 0.02)
    assert (action, spot.height_mm) == ends
    none = choice.Measured(settled=[], makeable=[])
    assert decision._way_inside(table, chosen, none, 0.02) == (guess, "try")


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
    spot = _spot(0.0)
    found = choice.verdict_on(
        _table([spot], spot),
        choice.Choice(spot=spot, action=action, best_guess=spot, gain_deg=gain),
    )
    assert (found.go_on, found.limit_deg, found.limited_by) == (go_on, limit, by)


def test_the_best_guess_is_a_measured_setting_only_where_it_can_be_made() -> None:
    now, top, other = _spot(0.0, run="a"), _spot(1.0, run="b"), _spot(2.0)
    table = _table([now, top], now, h0=(0.09,), h1=(0.02,), h2=(0.03,))
    field = _field(_spot(0.0), _spot(1.0), other)
    expected = np.array([0.09, 0.02, 0.03])
    order = np.array([1, 2, 0])
    best = choice._best_guess(table, field, order, expected, [now, top])
    assert best is top
    assert choice._best_guess(table, field, order, expected, [now]).run is None
    # a measured one off the field's own lengths wins where it is better than all of them
    between = _spot(1.5, run="c")
    table = _table([now, between], now, h0=(0.09,), h1=(0.02,), h2=(0.03,))
    table.by_height[1.5] = (0.0199,)
    assert choice._best_guess(table, field, order, expected, [now, between]) is between
    table.by_height[1.5] = (0.0201,)
    assert choice._best_guess(table, field, order, expected, [now, between]).height_mm == 1.0


@pytest.mark.parametrize(
    ("height", "length", "can"),
    [
        (1.0, 3.0, True), (1.04, 3.0, True), (1.06, 3.0, False), (1.0, 4.09, True),
        (1.0, 4.11, False), (1.0, -2.09, True), (1.0, -2.11, False), (1.0, 0.3, True),
    ],
)  # fmt: skip
def test_what_lies_within_the_lengths_of_its_height_can_be_made(
    height: float, length: float, can: bool
) -> None:
    field = _field(_spot(1.0, -2.0), _spot(1.0, 4.0), _spot(2.0, 9.0), _spot(2.0, -9.0))
    assert choice.can_be_made(field, _spot(height, length)) == can


def test_ties_go_to_fewest_shims_then_the_least_turn_then_the_least_lift() -> None:
    now = _spot(0.0)
    many, turned = _spot(1.0, shims=4), _spot(1.0, 2.0)
    lifted, near = _spot(3.0), _spot(-1.0)
    field = _field(many, turned, lifted, near)
    table = _table([], now)
    order = choice.ranked(table, field, np.array([0.0201, 0.0199, 0.0202, 0.0204]))
    assert order.tolist() == [3, 2, 1, 0]
    # past the grain the score decides
    assert choice.ranked(table, field, np.array([0.018, 0.0199, 0.0202, 0.0204]))[0] == 0


@pytest.mark.parametrize(("wished", "left", "kept"), [(True, False, 1), (False, True, 1)])
def test_a_measured_setting_stays_where_either_says_so(
    wished: bool, left: bool, kept: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its own curve keeps to the wishes, or the search left its setting in."""
    spot = _spot(1.0, run="a")
    field = _field(_spot(1.0))
    held: list[list[int]] = []
    table = _table([spot], spot)
    table.hold_best = held.append
    wishes: Any = SimpleNamespace(
        any=True,
        allows=lambda s: wished,
        left=lambda f: f if left else _field(_spot(5.0)),
        best_of=lambda spots: [99],
    )
    found = decision.measured_settings(table, field, wishes, ())
    assert len(found.makeable) == len(found.settled) == kept
    assert held == [[0]]
    neither: Any = SimpleNamespace(
        any=True, allows=lambda s: False, left=lambda f: _field(_spot(5.0)), best_of=lambda s: [99]
    )
    assert decision.measured_settings(table, field, neither, ()).makeable == []
    assert held[-1] == [99]


@pytest.mark.parametrize(("error", "doubtful"), [(0.0249, False), (0.0251, True)])
def test_a_run_missed_by_two_and_a_half_deviations_is_in_doubt(
    error: float, doubtful: bool
) -> None:
    assert LeftOut(run="a", error_deg=error, spread_deg=0.01).doubtful == doubtful


@pytest.mark.parametrize(("share", "low", "high"), [(1.0, 0.0, 10.0), (0.5, 1.0, 1.4)])
def test_the_shortest_band_holds_its_share(share: float, low: float, high: float) -> None:
    """Half of the draws crowd between 1 and 1.4; all of them reach from end to end."""
    spread, crowd = np.linspace(0.0, 10.0, 51), np.linspace(1.0, 1.4, 50)
    draws = np.concatenate([spread, crowd])[:, None]
    value, first, last = shortest_bands(draws, share)[:, 0]
    assert value == pytest.approx(draws.mean())
    assert low <= first < last <= high
    assert np.sum((draws >= first) & (draws <= last)) >= share * len(draws)
    if share == 1.0:
        assert (first, last) == (low, high)


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


# --- small figures by hand ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("droop", "bump", "pattern"),
    [
        (0.0099, -0.0099, "flat"), (0.0101, 0.0, "one-end"), (-0.1, 0.024, "one-end"),
        (0.024, 0.1, "one-end"), (-0.1, 0.026, "opposite-ways"), (0.026, -0.1, "opposite-ways"),
        (-0.1, -0.026, "same-way"), (0.1, 0.1, "same-way"),
    ],
)  # fmt: skip
def test_the_shape_of_a_curve_in_a_word(droop: float, bump: float, pattern: str) -> None:
    """Flat under a hundredth; one end where the other moves less than a quarter of it."""
    assert _pattern(droop, bump) == pattern


@pytest.mark.outside
def test_what_a_millimetre_does_is_the_surface_s_slope(demo_book: Logbook) -> None:
    """Central differences of the curve at both ends, taken closer together (numpy)."""
    evidence = corner_evidence(demo_book, CORNER)
    table = Table(evidence, evidence.corner.goal)
    height, change = table.now.height_mm, table.now.length_change_mm
    found = because_of(table.surface, height, change, table.target)
    ends = np.array(table.target.window_mm)

    def toe(up: float, longer: float) -> Array:
        return table.surface.curve(height + up, change + longer, ends)[0]

    assert (found.droop_deg, found.bump_deg) == pytest.approx(tuple(toe(0.0, 0.0)))
    slopes = [(toe(0.1, 0.0) - toe(-0.1, 0.0)) / 0.2, (toe(0.0, 0.1) - toe(0.0, -0.1)) / 0.2]
    assert found.per_mm_height_deg == pytest.approx(tuple(slopes[0]), rel=0.01, abs=1e-5)
    assert found.per_mm_length_deg == pytest.approx(tuple(slopes[1]), rel=0.01, abs=1e-5)


def test_a_weight_about_ride_height_spreads_over_a_quarter_of_the_window() -> None:
    assert weight_spread_mm(Goal(weight="ride-height"), (-50.0, 30.0)) == 20.0
    assert weight_spread_mm(Goal(weight="ride-height", weight_sd_mm=7.0), (-50.0, 30.0)) == 7.0
    assert weight_spread_mm(Goal(), (-50.0, 30.0)) is None


def _link(length: float = 300.0, arm: float = 120.0, rise: float = -12.0) -> Link:
    values = {"length_mm": length, "arm_mm": arm, "rise_mm": rise, "lean_in_rad_per_mm": 0.0}
    return Link(**{k: np.full((3, 1), v) for k, v in {**values, "stud_lean_rad": 0.0}.items()})


def test_forgotten_without_a_pivot_the_length_stays_and_toe_moves() -> None:
    """The link's triangle by hand: its reach at the new height, over the arm."""
    link, now, new = _link(), (2.0, -3.0), (5.0, -2.9)
    found = static_toe(link, new, now, Eccentric(kind="none"), "outer")

    def reach(height: float) -> float:  # of the link of 297 mm, whose outer joint was raised
        return float(np.sqrt((300.0 - 3.0) ** 2 - (-12.0 + height) ** 2))

    # shorter reach pulls the outer joint of a link ahead of the pivots inboard: toe-in
    moved = reach(5.0) - reach(2.0)
    toe = -np.degrees(np.arctan(moved / 120.0))
    assert found.forgotten_deg.value == pytest.approx(toe, rel=0.02)
    assert abs(toe) > 0.01
    # with a pivot the length is turned, and all of its way is missing
    slot = static_toe(link, new, now, Eccentric(kind="slot", mm_per_mark=2.0), "outer")
    both = np.sqrt((300.0 - 2.9) ** 2 - (-12.0 + 5.0) ** 2) - reach(2.0)
    assert slot.forgotten_deg.value == pytest.approx(-np.degrees(np.arctan(both / 120.0)), rel=0.02)
    # a reach that grew is taken up by the pivot moving inboard
    assert slot.shift_mm.value == pytest.approx(both, abs=0.002)
    assert slot.marks is not None
    for name in ("value", "low", "high"):
        shift = getattr(slot.shift_mm, name)
        assert getattr(slot.marks, name) == pytest.approx(shift / 2.0, rel=1e-12)
    assert slot.shift_mm.low < slot.shift_mm.value < slot.shift_mm.high


@pytest.mark.outside
def test_a_table_of_marks_is_read_as_numpy_reads_it() -> None:
    rng = np.random.default_rng(8)
    marks = np.array([-9.0, -4.0, 0.0, 3.0])
    toe = rng.normal(size=(200, 4))
    at = rng.uniform(-9.0, 3.0, 200)
    want = [np.interp(a, marks, row) for a, row in zip(at, toe, strict=True)]
    assert _interpolated(at, marks, toe) == pytest.approx(np.array(want), abs=1e-12)
    # past both ends the last stretch goes on
    far = _interpolated(np.array([5.0, -11.0]), marks, np.tile([[9.0, 4.0, 0.0, -6.0]], (2, 1)))
    assert far == pytest.approx([-10.0, 11.0])


@pytest.mark.parametrize(
    ("sd", "value", "good"),
    [(0.0, 1.0, False), (0.2, 1.0, True), (0.22, 1.0, False), (0.1, -1.0, False)],
)
def test_a_mark_s_worth_is_used_where_its_band_is_a_third_of_it(
    sd: float, value: float, good: bool
) -> None:
    """1.6449 deviations are half of the band; without any spread nothing was fitted."""
    found = MarkWorth(
        value_mm=value, sd_mm=sd, rows=(), eccentric=Eccentric(), end="outer", reference_mark=0.0
    )
    assert found.good == good
    assert found.give_mm == pytest.approx(1.6449 * sd)
