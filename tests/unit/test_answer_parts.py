"""Parts of an answer one by one: reasons, map, runners-up, proof, outlook, fronts, ranking."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray

from optimizer.advise import next_move
from optimizer.advise.advice import LeftOut, Spot
from optimizer.advise.evidence import corner_evidence, setting_curves
from optimizer.advise.expectation import clearest_proof
from optimizer.advise.explore import explore
from optimizer.advise.few import _alike_both_ways
from optimizer.advise.goal import Target, outside_of, target_of, weight_spread_mm
from optimizer.advise.link_body import length_limits_mm, possible_lengths_mm, turn_of
from optimizer.advise.lookahead import reading_draws
from optimizer.advise.makeable import is_inside, limits_of, reports, settings_of
from optimizer.advise.next_move import advise, surface_map
from optimizer.advise.ranking import form_scores_deg, ranking_form
from optimizer.advise.reasons import _pattern, because_of
from optimizer.advise.span import draw_spans_deg, span_nodes, span_scores_deg, worth_by_span
from optimizer.advise.table import Table, same_setting
from optimizer.advise.tradeoff import _front, _picked
from optimizer.model.basis import N_COEFFICIENT, design_matrix
from optimizer.records import Eccentric, Goal, Labour, Logbook, Thread, TravelLog

Array = NDArray[np.float64]

CORNER = "rear-left"
WINDOW = (-50.0, 40.0)
SPAN = Goal(window_mm=WINDOW, measure="peak-to-peak")


@pytest.fixture(scope="module")
def table(demo_book: Logbook) -> Table:
    """The demo's, for the change over a lopsided window."""
    return Table(corner_evidence(demo_book, CORNER), Goal(window_mm=WINDOW))


@pytest.fixture(scope="module")
def by_span(demo_book: Logbook) -> Table:
    """The same by peak-to-peak."""
    return Table(corner_evidence(demo_book, CORNER), SPAN)


def _rows(h: float, d: float, z: Array) -> Array:
    return design_matrix(np.full(len(z), h), np.full(len(z), d), z)


def _span_by_hand(table: Table, h: float, d: float, care: float) -> float:
    """Peak-to-peak over nodes and ride height, with the step's variance between them."""
    z = np.sort(np.append(table.target.travel_mm, 0.0))
    rows = _rows(h, d, z)
    off = rows @ table.surface.mean_[:N_COEFFICIENT]
    off -= np.interp(z, table.target.travel_mm, table.target.wanted_deg) * (z != 0.0)
    step = rows[np.argmax(off)] - rows[np.argmin(off)]
    spread = step @ table.surface.cov_[:N_COEFFICIENT, :N_COEFFICIENT] @ step
    return float(np.sqrt(np.ptp(off) ** 2 + care * spread))


@pytest.mark.outside
def test_peak_to_peak_with_part_of_its_spread_is_numpy_s(by_span: Table) -> None:
    h, d = np.array([[0.0, 2.0], [-5.0, 1.5]]), np.array([[0.0, -3.0], [4.0, -7.0]])
    for care in (0.0, 0.3, 1.0):
        got = span_scores_deg(by_span.surface, by_span.target, h, d, care)
        assert got.shape == (2, 2)
        wanted = [_span_by_hand(by_span, a, b, care) for a, b in zip(h.flat, d.flat, strict=True)]
        assert got.ravel() == pytest.approx(wanted, rel=1e-6)
    # what settings are ranked by has three tenths of it, what a map shows all
    assert by_span.ranks_at(h, d).ravel() == pytest.approx(
        [_span_by_hand(by_span, a, b, 0.3) for a, b in zip(h.flat, d.flat, strict=True)], rel=1e-6
    )
    seen = next_move._whole_scores_deg(by_span, h, d)
    assert seen.ravel() == pytest.approx(
        [_span_by_hand(by_span, a, b, 1.0) for a, b in zip(h.flat, d.flat, strict=True)], rel=1e-6
    )


def test_many_settings_are_looked_at_in_parts(
    by_span: Table, monkeypatch: pytest.MonkeyPatch
) -> None:
    h, d = np.linspace(-4.0, 4.0, 11), np.linspace(5.0, -5.0, 11)
    whole = span_scores_deg(by_span.surface, by_span.target, h, d, 0.3)
    monkeypatch.setattr("optimizer.advise.span.CHUNK", 4)
    assert np.array_equal(span_scores_deg(by_span.surface, by_span.target, h, d, 0.3), whole)


@pytest.mark.outside
def test_each_draw_s_peak_to_peak_is_numpy_s(by_span: Table) -> None:
    draws = by_span.draws[:5]
    z = np.sort(np.append(by_span.target.travel_mm, 0.0))
    h, d = np.array([0.0, 3.0]), np.array([-2.0, 5.0])
    got = draw_spans_deg(draws, by_span.target, h, d)
    wanted = [
        [np.ptp(_rows(a, b, z) @ draw[:N_COEFFICIENT]) for a, b in zip(h, d, strict=True)]
        for draw in draws
    ]
    assert got == pytest.approx(np.array(wanted))


def test_ride_height_is_a_node_of_its_own() -> None:
    travel = np.array([-3.0, -1.0, 1.0, 3.0, 5.0])
    target = Target(
        window_mm=(-3.0, 5.0), travel_mm=travel, weight=np.ones(5), wanted_deg=0.1 * travel
    )
    z, wanted = span_nodes(target)
    assert z.tolist() == [-3.0, -1.0, 0.0, 1.0, 3.0, 5.0]
    assert wanted == pytest.approx([-0.3, -0.1, 0.0, 0.1, 0.3, 0.5])
    assert span_nodes(target, every=2)[0].tolist() == [-3.0, 0.0, 1.0, 5.0]


def test_a_run_by_peak_to_peak_has_its_own_score_with_all_of_its_spread(by_span: Table) -> None:
    h, d = np.array([1.0, -2.0]), np.array([-3.0, 2.0])
    like = setting_curves(by_span.evidence)[-1]
    worth = worth_by_span(by_span.surface, by_span.target, (h, d), (h, d), 1, like)
    wanted = [_span_by_hand(by_span, a, b, 1.0) for a, b in zip(h, d, strict=True)]
    assert worth.own_deg == pytest.approx(wanted, rel=1e-6)


@pytest.mark.outside
def test_settings_are_ranked_by_mean_and_three_tenths_of_the_spread(table: Table) -> None:
    """Weighted mean square of the mean curve, and its variance, node by node."""
    z, weight = table.target.travel_mm, table.target.weight
    form = ranking_form(table.surface, z, weight, 0.001 * z)
    cov = table.surface.cov_[:N_COEFFICIENT, :N_COEFFICIENT]
    for h, d in ((0.0, 0.0), (2.0, -3.0), (-5.0, 6.0)):
        rows = _rows(h, d, z)
        mean = rows @ table.surface.mean_[:N_COEFFICIENT] - 0.001 * z
        variance = np.einsum("ij,jk,ik->i", rows, cov, rows)
        wanted = np.sqrt(weight @ mean**2 + 0.3 * weight @ variance)
        assert float(form_scores_deg(form, h, d)) == pytest.approx(wanted, rel=1e-6)


def test_fixed_draws_come_in_pairs_and_are_the_same_again() -> None:
    draws = reading_draws(5)
    assert draws.shape == (64, 5)
    assert np.array_equal(draws[:32], -draws[32:])
    assert np.array_equal(draws, reading_draws(5))


def test_a_weight_about_ride_height_spreads_a_quarter_of_the_window() -> None:
    goal = Goal(weight="ride-height")
    assert weight_spread_mm(goal, (-50.0, 30.0)) == 20.0
    assert weight_spread_mm(replace(goal, weight_sd_mm=7.0), (-50.0, 30.0)) == 7.0
    assert weight_spread_mm(Goal(weight_sd_mm=7.0), (-50.0, 30.0)) is None
    # and so it weighs: a normal's own share of its height one spread out
    told = target_of(goal, (-40.0, 40.0))
    near, far = (
        np.interp(z, told.travel_mm, told.weight / np.gradient(told.travel_mm)) for z in (0, 20)
    )
    assert far / near == pytest.approx(np.exp(-0.5), rel=0.1)


def test_time_at_the_ends_themselves_is_inside() -> None:
    log = TravelLog(travel_mm=(-51.0, -50.0, 0.0, 40.0, 41.0), share=(0.1, 0.2, 0.3, 0.25, 0.15))
    found = outside_of(log, (-50.0, 40.0), (-49.0, 39.0))
    assert found.window == pytest.approx(0.25)
    assert found.measured == pytest.approx(0.7)


def test_a_wanted_toe_runs_straight_on_its_own_side_unless_change_is_what_is_scored() -> None:
    goal = Goal(kind="toe-at-travel", at_travel_mm=-40.0, toe_change_deg=0.2)
    told = target_of(goal, WINDOW)
    z = told.travel_mm
    assert told.window_mm == WINDOW
    assert told.wanted_deg == pytest.approx(np.where(z < 0.0, -0.005 * z, 0.0))
    least = target_of(replace(goal, order=("toe-at-travel", "least-change")), WINDOW)
    assert not np.any(least.wanted_deg)
    assert target_of(replace(goal, window_mm=(-30.0, 30.0)), WINDOW).window_mm == (-30.0, 30.0)


@pytest.mark.parametrize(
    ("droop", "bump", "pattern"),
    [
        (0.009, -0.009, "flat"),
        (0.011, 0.011, "same-way"),
        (-0.011, 0.011, "opposite-ways"),
        (0.1, 0.024, "one-end"),
        (0.1, 0.026, "same-way"),
        (-0.026, 0.1, "opposite-ways"),
        (0.024, -0.1, "one-end"),
        (-0.1, -0.05, "same-way"),
    ],
)
def test_the_shape_of_a_curve_by_its_ends(droop: float, bump: float, pattern: str) -> None:
    """Under 0.01 deg it is flat; an end under a quarter of the other does not count."""
    assert _pattern(droop, bump) == pattern


@pytest.mark.outside
def test_reasons_are_the_surface_s_own_slopes(table: Table) -> None:
    """Toe at the window's ends, and a millimetre more by central differences; less the wanted."""
    z = np.array(WINDOW)
    mean = table.surface.mean_[:N_COEFFICIENT]

    def toe(h: float, d: float) -> Array:
        return np.asarray(_rows(h, d, z) @ mean)

    told = because_of(table.surface, 2.0, -3.0, table.target)
    assert (told.droop_deg, told.bump_deg) == pytest.approx(tuple(toe(2.0, -3.0)))
    up = toe(2.5, -3.0) - toe(1.5, -3.0)
    longer = toe(2.0, -2.5) - toe(2.0, -3.5)
    assert told.per_mm_height_deg == pytest.approx(tuple(up))
    assert told.per_mm_length_deg == pytest.approx(tuple(longer))
    assert told.ends_mm == WINDOW
    # where that very curve is wanted, nothing is off
    every = _rows(2.0, -3.0, table.target.travel_mm) @ mean
    same = because_of(table.surface, 2.0, -3.0, replace(table.target, wanted_deg=every))
    near = np.abs(toe(2.0, -3.0) - np.interp(z, table.target.travel_mm, every)).max()
    assert near < 0.01
    assert same.pattern == "flat"
    assert told.pattern != "flat"


@pytest.mark.parametrize("measure", ["rms", "peak-to-peak"])
def test_a_map_reaches_half_a_millimetre_past_all_that_can_be_set_and_was(
    demo_book: Logbook, measure: Any
) -> None:
    goal = Goal(window_mm=WINDOW, measure=measure)
    corner = demo_book.corners[CORNER]
    # the car was measured at lengths that its thread no longer allows
    short = replace(corner, thread=replace(corner.thread, shorter_mm=1.0))
    book = replace(demo_book, corners={CORNER: short})
    seen = surface_map(book, CORNER, goal)
    assert (seen.length_mm[0], seen.possible[:, 1].min()) == (-3.5, -1.0)
    assert seen.length_mm[-1] == seen.possible[:, 1].max() + 0.5
    assert seen.height_mm[0] == seen.possible[:, 0].min() - 0.5
    assert seen.height_mm[-1] == seen.possible[:, 0].max() + 0.5
    assert [m[0] for m in seen.measured] == [r.name for r in demo_book.runs]
    table = Table(corner_evidence(book, CORNER), goal)
    assert [m[1:] for m in seen.measured] == [
        (s.height_mm, s.length_change_mm) for s in table.measured
    ]
    # rows are lengths, columns heights
    i, j = 5, 60
    whole = next_move._whole_scores_deg(
        table, np.array([seen.height_mm[j]]), np.array([seen.length_mm[i]])
    )
    assert seen.score_deg[i, j] == pytest.approx(whole[0])
    assert seen.score_deg.shape == (len(seen.length_mm), len(seen.height_mm))


def _runners(table: Table, chosen: Spot, guess: Spot) -> list[Any]:
    field = settings_of(table)
    order = np.argsort(table.expected(field), kind="stable")
    return list(next_move._runners_up(table, field, order, chosen, guess, Labour()))


def _first(table: Table, keep: Any, without: list[Spot]) -> tuple[float, float]:
    """The best setting by a plain search among those that a rule keeps."""
    field = settings_of(table)
    score = table.expected(field)
    for i in np.argsort(score, kind="stable"):
        spot = field.spot(int(i))
        if keep(spot) and not any(same_setting(spot, s) for s in without):
            return spot.height_mm, spot.length_change_mm
    raise AssertionError


def test_runners_up_are_the_best_of_their_kind(table: Table) -> None:
    field, now = settings_of(table), table.now
    best = field.spot(int(np.argmin(table.expected(field))))
    assert abs(best.length_change_mm - now.length_change_mm) > 0.1
    other = field.spot(int(np.argmax(table.expected(field))))

    def still(spot: Spot) -> bool:
        return abs(spot.length_change_mm - now.length_change_mm) < 0.1

    def level(spot: Spot) -> bool:
        return abs(spot.height_mm - now.height_mm) < 0.05 and not still(spot)

    # what is advised turns the link and is the best guess
    found = _runners(table, best, best)
    shims, length = _first(table, still, [now, best]), _first(table, level, [now, best])
    told = [(r.kind, (r.move.spot.height_mm, r.move.spot.length_change_mm)) for r in found]
    taken = [best, now, *(r.move.spot for r in found[:2])]
    assert told == [
        ("shims-only", shims),
        ("length-only", length),
        ("next", _first(table, lambda _: True, taken)),
    ]
    for r in found:
        assert r.outlook.gain_deg == table.outlook(r.move.spot).gain_deg
    # what is advised is not the best guess, which comes first
    found = _runners(table, other, best)
    assert [r.kind for r in found] == ["best-guess", "shims-only", "length-only"]
    assert found[0].move.spot == best
    # what is advised leaves the link: the next with shims only, and a length for its height
    quiet = next(s for s in map(field.spot, range(len(field.height))) if still(s))
    found = _runners(table, quiet, quiet)
    assert [r.kind for r in found] == ["next", "length-only"]
    got = found[0].move.spot
    assert (got.height_mm, got.length_change_mm) == _first(table, still, [now, quiet])


def test_without_a_movable_pivot_every_other_setting_is_shims_only(demo_book: Logbook) -> None:
    corner = replace(demo_book.corners[CORNER], eccentric=Eccentric(kind="none"))
    book = replace(demo_book, corners={CORNER: corner})
    table = Table(corner_evidence(book, CORNER), Goal(window_mm=WINDOW))
    field = settings_of(table)
    best = field.spot(int(np.argmin(table.expected(field))))
    found = _runners(table, best, best)
    assert [r.kind for r in found] == ["shims-only", "next"]
    got = found[0].move.spot
    assert (got.height_mm, got.length_change_mm) == _first(table, lambda _: True, [table.now, best])


@pytest.mark.parametrize("kind", ["none", "slot"])
def test_a_fixed_link_that_stands_changed_stays_as_it_stands(demo_book: Logbook, kind: Any) -> None:
    """The demo's last run is 3 mm shorter than its reference."""
    corner = replace(
        demo_book.corners[CORNER], eccentric=Eccentric(kind=kind), thread=Thread(kind="fixed")
    )
    book = replace(demo_book, corners={CORNER: corner})
    evidence = corner_evidence(book, CORNER)
    table = Table(evidence, Goal(window_mm=WINDOW))
    assert table.now.length_change_mm == -3.0
    field = settings_of(table)
    assert np.all(field.change == -3.0)
    assert len(field.height) == len(field.splits)
    assert [field.spot(i).length_change_mm for i in range(3)] == [-3.0] * 3


def test_lengths_that_follow_past_the_thread_are_ruled_out_and_counted(demo_book: Logbook) -> None:
    corner = demo_book.corners[CORNER]
    loose = replace(corner, eccentric=Eccentric(kind="none"))

    def field(thread: Thread) -> Any:
        book = replace(demo_book, corners={CORNER: replace(loose, thread=thread)})
        return settings_of(Table(corner_evidence(book, CORNER), Goal(window_mm=WINDOW)))

    every = field(Thread(kind="both-ends", pitch_mm=1.5))
    assert every.ruled_out == ()
    assert every.n_ruled_out == 0
    most = float(np.sort(every.change)[-3]) - 0.003
    less = field(Thread(kind="both-ends", pitch_mm=1.5, longer_mm=most))
    n = int(np.sum(every.change > most))
    assert n == 3
    assert less.n_ruled_out == n
    assert dict(less.ruled_out) == {"thread": n}
    assert sorted(less.change) == pytest.approx(sorted(every.change[every.change <= most]))
    least = float(np.sort(every.change)[1]) + 0.003
    high = field(Thread(kind="both-ends", pitch_mm=1.5, shorter_mm=-least))
    assert high.change.min() >= least


def test_lengths_and_turns_of_a_thread() -> None:
    """Ten millimetres either way unless stated, and never past what the surface is for."""
    assert length_limits_mm(Thread()) == (-10.0, 10.0)
    assert length_limits_mm(Thread(shorter_mm=0.0, longer_mm=2.0)) == (0.0, 2.0)
    low, high = length_limits_mm(Thread(shorter_mm=99.0, longer_mm=99.0))
    assert (low, high) == (-high, high)
    assert 10.0 < high < 99.0
    # half millimetres where no pitch is known
    assert np.diff(possible_lengths_mm(Thread(), 0.0)) == pytest.approx(np.full(40, 0.5))
    twelve = Thread(kind="both-ends", pitch_mm=1.5, flats=12)
    turn = turn_of(twelve, 3.25)
    assert (turn.turns, turn.parts, turn.part_name) == (1, 1, "flat")
    one = turn_of(Thread(kind="one-end", pitch_mm=2.0), -5.1)
    assert (one.change_mm, one.turns, one.parts, one.part_name) == (-5.1, 2, 1, "half turn")
    for none in (
        Thread(kind="unknown", pitch_mm=1.5),
        Thread(kind="one-end"),
        Thread(kind="fixed"),
    ):
        assert (turn_of(none, 3.0).turns, turn_of(none, 3.0).part_name) == (None, "")


def test_the_last_run_s_travels_inside_the_window_are_what_proves(demo_book: Logbook) -> None:
    """By the surface's own curve at each travel; where none lies inside, all of them."""
    for window in ((-50.0, 30.0), (-26.0, 26.0), (-3.0, 3.0)):
        table = Table(corner_evidence(demo_book, CORNER), Goal(window_mm=window))
        field = settings_of(table)
        spot = field.spot(int(np.argmin(table.expected(field))))
        curve = table.evidence.curves[-1]
        inside = [z for z in curve.travel_mm if window[0] <= z <= window[1]]
        assert (window == (-3.0, 3.0)) is (not inside)
        travel = np.array(inside or curve.travel_mm)
        mean, cov = table.surface.curve(spot.height_mm, spot.length_change_mm, travel)
        before, _ = table.surface.curve(2.0, -3.0, travel)
        if not same_setting(table.now, Spot(split=spot.split, length_change_mm=-3.0)):
            before, _ = table.surface.curve(table.now.height_mm, table.now.length_change_mm, travel)
        own = np.diag(curve.cov_deg2)[np.isin(curve.travel_mm, travel)]
        half = 2.0 * np.sqrt(np.diag(cov) + own)
        at = int(np.argmax(np.abs(mean - before) / half))
        proof = next_move._proof(table, spot)
        assert proof.travel_mm == travel[at]
        assert proof.low_deg == pytest.approx(mean[at] - half[at])
        assert proof.high_deg == pytest.approx(mean[at] + half[at])
        # of a setting that was measured the outermost
        known = next_move._proof(table, replace(table.measured[0], run="as-found"))
        assert known.travel_mm == travel[-1]


def test_a_setting_as_it_stands_is_proved_where_its_band_is_told_best(table: Table) -> None:
    """Nothing is foreseen to change: the first travel, since none tells more."""
    curve = table.evidence.curves[-1]
    proof = clearest_proof(
        table.surface, curve, (2.0, -3.0), (2.0, -3.0), curve.travel_mm, known=False
    )
    assert proof.travel_mm == curve.travel_mm[0]


@pytest.mark.parametrize(
    ("height", "change", "toe", "measured", "unset"),
    [
        (1.0, 0.0, None, False, True),
        (0.0, 1.0, None, False, True),
        (0.0, 0.0, None, False, False),
        (1.0, 0.0, 0.1, False, False),
        (1.0, 0.0, None, True, False),
    ],
)
def test_static_toe_is_unset_where_an_unmeasured_move_was_not_followed_by_it(
    height: float, change: float, toe: float | None, measured: bool, unset: bool
) -> None:
    last = SimpleNamespace(name="last", at=(0.0, 0.0), static_toe_deg=0.1)
    now = SimpleNamespace(name="now", at=(height, change), static_toe_deg=toe)
    runs = (last, now) if measured else (last,)
    evidence = SimpleNamespace(now=now, runs=runs, setting_of=lambda run: run.at)
    assert next_move._toe_unset(cast(Any, evidence)) is unset


def test_a_run_is_in_doubt_past_two_and_a_half_promised_deviations() -> None:
    assert LeftOut(run="a", error_deg=0.0251, spread_deg=0.01).doubtful
    assert not LeftOut(run="a", error_deg=0.0249, spread_deg=0.01).doubtful


def test_what_a_gauge_resolves_of_a_score(table: Table, by_span: Table) -> None:
    """RMS of the last curve's deviations; a difference of two readings has twice the square."""
    rms = np.sqrt(np.mean(np.diag(table.evidence.curves[-1].cov_deg2)))
    assert table.seen_deg == pytest.approx(rms)
    assert by_span.seen_deg == pytest.approx(rms * np.sqrt(2.0))


@pytest.mark.parametrize("measure", ["rms", "peak-to-peak"])
def test_an_outlook_counts_its_draws(demo_book: Logbook, measure: Any) -> None:
    """Draws that beat the best measured by more than the gauge sees; the mean of what is won."""
    goal = Goal(
        kind="toe-at-travel",
        window_mm=WINDOW,
        at_travel_mm=-40.0,
        toe_change_deg=0.1,
        tolerance_deg=0.05,
        measure=measure,
    )
    table = Table(corner_evidence(demo_book, CORNER), goal)
    spot = table.measured[0]
    at = replace(spot, length_change_mm=-2.0)
    told = table.outlook(at)
    z = table.target.travel_mm
    nodes = np.sort(np.append(z, 0.0))
    wanted = np.where(nodes < 0.0, -0.0025 * nodes, 0.0)

    def score(draw: Array, h: float, d: float) -> float:
        if measure == "rms":
            off = _rows(h, d, z) @ draw[:N_COEFFICIENT] - np.where(z < 0.0, -0.0025 * z, 0.0)
            return float(np.sqrt(table.target.weight @ off**2))
        return float(np.ptp(_rows(h, d, nodes) @ draw[:N_COEFFICIENT] - wanted))

    draws = table.draws
    best = table.measured[table.best_measured]
    mine = np.array([score(x, at.height_mm, -2.0) for x in draws])
    held = np.array([score(x, best.height_mm, best.length_change_mm) for x in draws])
    assert told.score_deg.value == pytest.approx(mine.mean())
    assert told.chance == pytest.approx(np.mean(mine < held - table.seen_deg))
    assert told.gain_deg == pytest.approx(np.mean(np.maximum(held - mine, 0.0)))
    toe = [
        float((_rows(at.height_mm, -2.0, np.array([-40.0])) @ x[:N_COEFFICIENT])[0]) for x in draws
    ]
    assert told.chance_in_tolerance == pytest.approx(np.mean(np.abs(np.array(toe) - 0.1) <= 0.05))
    for lacks in ("at_travel_mm", "toe_change_deg", "tolerance_deg"):
        table.goal = replace(goal, **{lacks: None})  # type: ignore[arg-type]
        assert table.outlook(at).chance_in_tolerance is None


def test_settings_within_a_shim_and_a_tenth_are_one(table: Table) -> None:
    spot = table.now

    def apart(h: float, d: float) -> Spot:
        split = replace(spot.split, height_mm=spot.height_mm + h)
        return Spot(split=split, length_change_mm=spot.length_change_mm + d)

    for h, d, same in (
        (0.049, 0.0, True),
        (-0.051, 0.0, False),
        (0.0, -0.099, True),
        (0.0, 0.101, False),
    ):
        assert same_setting(spot, apart(h, d)) is same
        assert (table.measured_at(apart(h, d)) is not None) is same


class _Line:
    """A limit that leaves so much room."""

    def __init__(self, room: float | None) -> None:
        self._room = room

    def room(self, _at: Any) -> Array | None:
        """As given."""
        return None if self._room is None else np.array([self._room])


@pytest.mark.parametrize(
    ("rooms", "inside"),
    [((0.1, None), True), ((-0.004,), True), ((1.0, -0.006), False), ((), True)],
)
def test_rounding_of_a_typed_length_is_no_fault(
    table: Table, rooms: tuple[float | None, ...], inside: bool
) -> None:
    assert is_inside(cast(Any, [_Line(r) for r in rooms]), table.now) is inside


@pytest.mark.parametrize(
    ("window", "beyond"),
    [((-51.0, 51.0), None), ((-51.5, 50.0), 1.5), ((-50.0, 53.0), 3.0), ((-54.0, 53.0), 4.0)],
)
def test_a_window_past_what_was_measured_is_told(
    demo_book: Logbook, window: tuple[float, float], beyond: float | None
) -> None:
    """The demo is measured to 50 mm either way; a millimetre is what a gauge is off."""
    table = Table(corner_evidence(demo_book, CORNER), Goal(window_mm=window))
    told = [x for x in reports(table, limits_of(table), table.now) if x.name == "window"]
    assert [(x.status, x.left, x.left_now) for x in told] == (
        [] if beyond is None else [("over", -beyond, -beyond)]
    )


def test_tilt_is_looked_at_over_all_that_was_measured_or_is_wanted(demo_book: Logbook) -> None:
    for window, ends in (((-60.0, 20.0), (-60.0, 50.0)), ((-20.0, 70.0), (-50.0, 70.0))):
        table = Table(corner_evidence(demo_book, CORNER), Goal(window_mm=window))
        (tilt,) = [x for x in limits_of(table) if x.name == "tilt"]
        travels = cast(Any, tilt).travels
        assert (travels[0], travels[-1], len(travels)) == (*ends, 3)
        assert travels[1] == sum(ends) / 2.0


def _step(order: NDArray[np.intp], toe: Array, least: float) -> int:
    return next(int(i) for i in order if toe[i] >= least)


def test_a_list_takes_the_best_of_at_least_each_step_of_toe() -> None:
    """Five steps from the best setting's toe to the most there is, or half a degree on."""
    rng = np.random.default_rng(6)
    for reach in (0.3, 2.0):
        toe = rng.uniform(-0.1, reach, 400)
        order = np.argsort(toe / reach + rng.uniform(0.0, 0.8, 400))
        top = min(toe.max(), toe[order[0]] + 0.5)
        wanted = [int(order[0])]
        for k in range(1, 6):
            i = _step(order, toe, toe[order[0]] + k / 5.0 * (top - toe[order[0]]) - 1e-12)
            if toe[i] - toe[wanted[-1]] > 0.01:
                wanted.append(i)
        assert _picked(order, toe) == wanted
        assert len(wanted) > 3
    # rows that one gauge cannot tell apart are one
    assert _picked(np.array([0, 1, 2]), np.array([0.0, 0.009, 0.0095])) == [0]


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_front_is_what_nothing_beats_in_both(sign: float) -> None:
    """One by one, over a field of 300; nothing is kept further off than a crew asks for."""
    rng = np.random.default_rng(8)
    toe = rng.uniform(-1.0, 1.0, 300)
    score = np.round(0.4 * sign * toe + rng.uniform(0.0, 0.5, 300), 2)

    def beaten(i: int) -> bool:
        return any(
            sign * toe[k] >= sign * toe[i]
            and score[k] <= score[i]
            and (sign * toe[k] > sign * toe[i] or score[k] < score[i])
            for k in range(300)
        )

    kept = sorted((i for i in range(300) if not beaten(i)), key=lambda i: score[i])
    kept = [i for i in kept if abs(toe[i] - toe[kept[0]]) <= 0.51]
    front = _front(toe, score, sign)
    assert front[:, 0].tolist() == [toe[i] for i in kept]
    assert front[:, 1].tolist() == [score[i] for i in kept]
    assert len(kept) > 2


def test_choices_alike_both_ways_are_pairs() -> None:
    travel = (-50.0, -30.0, -20.0, 10.0, 20.0, 30.0, 50.0)
    assert sorted(map(sorted, _alike_both_ways(travel, 4))) == [[0, 1, 5, 6], [0, 2, 4, 6]]
    assert [sorted(c) for c in _alike_both_ways(travel, 6)] == [[0, 1, 2, 4, 5, 6]]
    assert [sorted(c) for c in _alike_both_ways(travel, 2)] == [[0, 6]]
    assert _alike_both_ways(travel, 5) == []
    assert _alike_both_ways(travel, 3) == []
    # ends that do not mirror each other have no such choice
    assert _alike_both_ways((-50.0, -30.0, 30.0, 40.0), 2) == []
    # nor are more tried than a laptop has time for
    many = [float(z) for k in range(1, 31) for z in (-k, k)]
    assert _alike_both_ways(sorted(many), 30) == []


@pytest.mark.parametrize("kind", ["slot", "none"])
def test_a_page_has_every_setting_at_its_place(demo_book: Logbook, kind: Any) -> None:
    """Scores, static toe and curves by the table, one setting at a time."""
    corner = demo_book.corners[CORNER]
    if kind == "none":
        corner = replace(corner, eccentric=Eccentric(kind="none"))
    book = replace(demo_book, corners={CORNER: corner})
    table = Table(corner_evidence(book, CORNER), Goal(window_mm=(-30.0, 60.0)))
    limits = limits_of(table)
    field = settings_of(table, limits)
    advised = field.spot(3)
    page = explore(table, limits, advised)
    assert [s.height_mm for s in page.splits] == sorted({float(h) for h in field.height})
    assert int(page.offered.sum()) <= len(field.height)
    every = -(-len(page.splits) * len(np.unique(np.round(field.change, 6))) // 1500)
    assert page.thinned == (max(1, every) if kind == "slot" else 1)
    # the whole of window and measured stroke, with ride height
    assert (page.travel_mm[0], page.travel_mm[-1]) == (-50.0, 60.0)
    assert 0.0 in page.travel_mm
    assert page.now_mm == (table.now.height_mm, table.now.length_change_mm)
    row, column = page.start
    assert page.splits[row].height_mm == advised.height_mm
    assert page.length_mm[row, column] == pytest.approx(advised.length_change_mm)
    for i, j in list(zip(*np.nonzero(page.offered), strict=True))[
        :: max(1, int(page.offered.sum()) // 7)
    ]:
        h, d = page.splits[i].height_mm, float(page.length_mm[i, j])
        scores = table.scores(h, d)
        assert page.score_deg[i, j] == pytest.approx(scores.mean())
        assert page.low_deg[i, j] <= page.score_deg[i, j] <= page.high_deg[i, j]
        toe = table.move(Spot(split=page.splits[i], length_change_mm=d)).static_toe
        assert page.shift_mm[i, j] == toe.shift_mm.value
        assert page.forgotten_deg[i, j] == toe.forgotten_deg.value
        mean, cov = table.surface.curve(h, d, page.travel_mm)
        got, half = page.curve((int(i), int(j)))
        assert got == pytest.approx(mean, abs=1e-9)
        assert half == pytest.approx(1.6449 * np.sqrt(np.maximum(np.diag(cov), 0.0)), abs=1e-6)
    for figure in (page.score_deg, page.shift_mm):
        assert np.array_equal(np.isfinite(figure), page.offered)


def test_a_page_that_would_be_heavy_keeps_every_so_many_th_length_and_where_it_stands(
    demo_book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    table = Table(corner_evidence(demo_book, CORNER), Goal(window_mm=WINDOW))
    limits = limits_of(table)
    field = settings_of(table, limits)
    lengths, n = np.unique(np.round(field.change, 6)), len(np.unique(field.which))
    advised = field.spot(int(np.flatnonzero(np.isclose(field.change, lengths[4]))[0]))
    monkeypatch.setattr("optimizer.advise.explore.MOST_SETTINGS", n * len(lengths) // 3)
    page = explore(table, limits, advised)
    every = -(-n * len(lengths) // (n * len(lengths) // 3))
    assert page.thinned == every > 1
    wanted = {*lengths[::every], lengths[4], table.now.length_change_mm}
    assert page.length_mm[0].tolist() == sorted(wanted)
    now = page.now
    assert now is not None
    assert page.length_mm[now] == table.now.length_change_mm
    assert page.splits[now[0]].height_mm == table.now.height_mm


def test_where_the_car_stands_past_a_limit_a_page_has_no_place_for_it(demo_book: Logbook) -> None:
    corner = demo_book.corners[CORNER]
    short = replace(corner, thread=replace(corner.thread, shorter_mm=1.0))
    book = replace(demo_book, corners={CORNER: short})
    table = Table(corner_evidence(book, CORNER), Goal(window_mm=WINDOW))
    limits = limits_of(table)
    page = explore(table, limits, settings_of(table, limits).spot(0))
    assert page.now is None
    assert page.now_mm == (2.0, -3.0)
    assert advise(book, CORNER).now.length_change_mm == -3.0


@pytest.mark.parametrize(("limit", "row"), [("shorter_mm", -3.0), ("longer_mm", 3.0)])
def test_a_car_that_stands_at_its_thread_s_end_may_stay_there(
    demo_book: Logbook, limit: str, row: float
) -> None:
    """Where the length follows the height: the end itself is inside."""
    corner = demo_book.corners[CORNER]
    thread = replace(corner.thread, **{limit: 3.0})  # type: ignore[arg-type]
    ended = replace(corner, eccentric=Eccentric(kind="none"), thread=thread)
    runs = tuple(
        replace(r, length_change_mm=row) if r.name == "link-short" else r for r in demo_book.runs
    )
    book = replace(demo_book, corners={CORNER: ended}, runs=runs)
    table = Table(corner_evidence(book, CORNER), Goal(window_mm=WINDOW))
    field = settings_of(table)
    here = np.isclose(field.height, table.now.height_mm)
    assert field.change[here] == pytest.approx([row], abs=1e-12)


@pytest.mark.parametrize(
    ("scores", "best"),
    [((0.1, 0.1 - 3e-6, 0.2), 1), ((0.1, 0.1 - 3e-7, 0.2), 0), ((0.3, 0.3, 0.3), 0)],
)
def test_the_best_measured_is_the_first_within_a_millionth(
    demo_book: Logbook, monkeypatch: pytest.MonkeyPatch, scores: tuple[float, ...], best: int
) -> None:
    table = Table(corner_evidence(demo_book, CORNER), Goal(window_mm=WINDOW))
    told = {
        (s.height_mm, s.length_change_mm): np.array([x, x])
        for s, x in zip(table.measured, scores, strict=True)
    }
    monkeypatch.setattr(table, "scores", lambda h, d: told[h, d])
    table.hold_best(range(3))
    assert table.best_measured == best
    assert table.best_scores.tolist() == [scores[best]] * 2
    table.hold_best([2])
    assert table.best_measured == 2
