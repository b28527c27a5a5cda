"""The advice: confirmed by the demo's true mechanism, feasible, mirrored, and able to stop."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest

from optimizer.advise.advice import Advice
from optimizer.advise.expectation import expected_at, proof_among
from optimizer.advise.next_move import advise, surface_map
from optimizer.errors import CallError, NothingCanBeMadeError, TooFewReadingsError
from optimizer.measure.shape import window_weights
from optimizer.present.crew import Crew
from optimizer.present.note import note
from optimizer.records import Eccentric, Goal, Logbook, Reading, Run, Thread

NODE, WEIGHT = window_weights((-50.0, 50.0))
CORNER = "rear-left"


def _true_score(truth: ModuleType, height: float, change: float) -> float:
    toe = truth.true_toe_change_deg(NODE, height, change)
    return float(np.sqrt(WEIGHT @ toe**2))


@pytest.fixture(scope="module")
def best_possible(demo_book: Logbook, demo_truth: ModuleType) -> float:
    """True score of the best setting the demo's crew can make."""
    surface = surface_map(demo_book.as_of("as-found"), CORNER)
    return min(_true_score(demo_truth, h, d) for h, d in surface.possible)


def _excess(book: Logbook, truth: ModuleType, best: float) -> float:
    spot = advise(book, CORNER).move.spot
    return _true_score(truth, spot.height_mm, spot.length_change_mm) - best


@pytest.mark.outside
@pytest.mark.parametrize(
    ("until", "bound"), [("as-found", 0.03), ("joint-up", 0.01), ("link-short", 0.01)]
)
def test_the_true_mechanism_confirms_the_demo(
    demo_book: Logbook, demo_truth: ModuleType, best_possible: float, until: str, bound: float
) -> None:
    assert _excess(demo_book.as_of(until), demo_truth, best_possible) < bound


def _noisy_again(book: Logbook, truth: ModuleType, seed: int) -> Logbook:
    """The demo measured on another day: same runs, fresh noise."""
    rng = np.random.default_rng(seed)
    rows = [row for run, h, d in truth.RUNS for row in truth.measured_rows(rng, run, h, d)]
    readings = tuple(
        Reading(run=r, sweep=s, travel_mm=float(z), value=float(v) * 0.0254) for r, s, z, v in rows
    )
    return replace(book, readings=readings)


@pytest.mark.outside
def test_the_demo_is_not_a_lucky_seed(
    demo_book: Logbook, demo_truth: ModuleType, best_possible: float
) -> None:
    excess = np.array(
        [
            [
                _excess(book.as_of(run), demo_truth, best_possible)
                for run in ("as-found", "joint-up", "link-short")
            ]
            for book in (_noisy_again(demo_book, demo_truth, seed) for seed in range(20))
        ]
    )
    assert np.all(excess[:, 0] < 0.03)
    assert np.median(excess, axis=0)[1] < 0.01
    assert np.quantile(excess[:, 1:], 0.8) < 0.015


@pytest.mark.outside
def test_expected_band_holds_the_truth(demo_book: Logbook, demo_truth: ModuleType) -> None:
    inside = []
    for seed in range(12):
        book = _noisy_again(demo_book, demo_truth, seed)
        for until in ("as-found", "joint-up", "link-short"):
            advice = advise(book.as_of(until), CORNER)
            spot, outlook = advice.move.spot, advice.outlook
            away = np.abs(outlook.travel_mm) > 3.0
            truth = demo_truth.true_toe_change_deg(
                outlook.travel_mm[away], spot.height_mm, spot.length_change_mm
            )
            inside.append(
                np.mean((truth >= outlook.low_deg[away]) & (truth <= outlook.high_deg[away]))
            )
    assert np.mean(inside) > 0.8


@pytest.mark.outside
def test_eccentric_shift_is_the_mechanism_s(demo_book: Logbook, demo_truth: ModuleType) -> None:
    from optimizer.model.mechanism import sweep

    advice = advise(demo_book, CORNER)
    spot, now = advice.move.spot, advice.now
    exact = sweep(
        demo_truth.CORNER,
        np.zeros(1),
        np.array([spot.height_mm, now.height_mm]),
        np.array([spot.length_change_mm, now.length_change_mm]),
    ).shift_mm
    band = advice.move.static_toe.shift_mm
    assert band.value == pytest.approx(exact[0] - exact[1], abs=0.15)
    assert band.low <= exact[0] - exact[1] <= band.high
    forgotten = sweep(
        demo_truth.CORNER, np.zeros(1), spot.height_mm - now.height_mm, -4.0, hold_static_toe=False
    ).toe_deg[0, 0]
    start = sweep(demo_truth.CORNER, np.zeros(1)).toe_deg[0, 0]
    assert np.sign(advice.move.static_toe.forgotten_deg.value) == np.sign(forgotten - start)


@pytest.mark.outside
def test_what_is_foreseen_at_other_travels_is_the_mechanism_s(
    demo_book: Logbook, demo_truth: ModuleType
) -> None:
    spot = advise(demo_book, CORNER).now
    seen = expected_at(demo_book, CORNER, spot, [-45.0, -20.0, 20.0, 45.0])
    truth = demo_truth.true_toe_change_deg(seen.travel_mm, spot.height_mm, spot.length_change_mm)
    # twice the 90 % band: four travels of one draw
    assert np.all(np.abs(seen.toe_deg - truth) < 2.0 * seen.half_deg)
    assert np.all(seen.half_deg < 0.03)


@pytest.mark.outside
def test_what_would_prove_it_wrong_elsewhere_leaves_the_mechanism_in_peace(
    demo_book: Logbook, demo_truth: ModuleType
) -> None:
    advice = advise(demo_book, CORNER)
    spot = advice.move.spot
    for travel in (-45.0, -20.0, 20.0, 45.0):
        proof = proof_among(demo_book, advice, [travel])
        assert proof is not None
        truth = demo_truth.true_toe_change_deg(
            np.array([travel]), spot.height_mm, spot.length_change_mm
        )
        assert proof.low_deg < truth[0] < proof.high_deg


def test_what_would_prove_it_wrong_is_sought_among_the_crew_s_travels(demo_book: Logbook) -> None:
    advice = advise(demo_book, CORNER)
    measured = [float(z) for z in advice.measured_travel_mm]
    assert proof_among(demo_book, advice, measured[::-1]) == advice.proof
    assert advice.proof.travel_mm == 50.0
    near = proof_among(demo_book, advice, [-20.0, 20.0, 45.0, 60.0])
    assert near is not None
    assert near.travel_mm == 45.0
    # a new run is as noisy there as the straight line between its neighbours says
    sides = [proof_among(demo_book, advice, [z]) for z in (37.5, 50.0)]
    widths = [p.high_deg - p.low_deg for p in sides if p is not None]
    assert min(widths) < near.high_deg - near.low_deg < max(widths)
    assert proof_among(demo_book, advice, [-60.0, 55.0]) is None


@pytest.mark.outside
def test_the_map_is_the_mechanism_s(demo_book: Logbook, demo_truth: ModuleType) -> None:
    """Scores all over the map, up to 12 mm of length away from what was measured."""
    surface = surface_map(demo_book, CORNER)
    at = slice(0, None, 16)
    seen = surface.score_deg[at, at]
    truth = np.array(
        [
            [_true_score(demo_truth, float(h), float(d)) for h in surface.height_mm[at]]
            for d in surface.length_mm[at]
        ]
    )
    # the map's score includes its spread, so it may lie above; 0.02 is a run's remount and more
    assert np.all(seen > truth - 0.01)
    assert np.all(seen < truth + 0.02)


def _feasible(advice: Advice, book: Logbook) -> bool:
    corner = book.corners[CORNER]
    left = list(corner.stack.box_mm)
    spot = advice.move.spot
    for shim in (*spot.split.above_mm, *spot.split.below_mm):
        left.remove(shim)
    thread, eccentric = corner.thread, corner.eccentric
    static = advice.move.static_toe
    assert thread.shorter_mm is not None
    assert thread.longer_mm is not None
    assert eccentric.inboard_left_mm is not None
    assert eccentric.outboard_left_mm is not None
    return (
        -thread.shorter_mm - 1e-6 <= spot.length_change_mm <= thread.longer_mm + 1e-6
        and -eccentric.outboard_left_mm - 0.02
        <= static.total_mm
        <= eccentric.inboard_left_mm + 0.02
    )


@pytest.mark.parametrize("outboard", [0.0, 2.0, 12.0])
def test_a_suggestion_is_always_feasible(demo_book: Logbook, outboard: float) -> None:
    corner = demo_book.corners[CORNER]
    tight = replace(corner, eccentric=replace(corner.eccentric, outboard_left_mm=outboard))
    book = replace(demo_book, corners={CORNER: tight}).as_of("joint-up")
    advice = advise(book, CORNER)
    assert _feasible(advice, book)
    for other in advice.runners_up:
        assert _feasible(replace(advice, move=other.move), book)


def test_shims_only_is_always_among_the_runners_up(demo_book: Logbook) -> None:
    for until in ("as-found", "joint-up", "link-short"):
        advice = advise(demo_book.as_of(until), CORNER)
        kinds = [r.kind for r in advice.runners_up]
        assert "shims-only" in kinds or abs(advice.move.turn.change_mm) < 0.01


def test_ahead_and_behind_mirror_the_advice(demo_book: Logbook) -> None:
    """The same link ahead of the pivots with every reading's sign turned: same setting."""
    corner = demo_book.corners[CORNER]
    bare = replace(corner, tape=replace(corner.tape, length_mm=None, arm_mm=None, rise_mm=None))
    behind = replace(demo_book, corners={CORNER: bare})
    turned = tuple(replace(r, value=-r.value) for r in demo_book.readings)
    ahead = replace(
        demo_book,
        corners={CORNER: replace(bare, ahead=True)},
        readings=turned,
        runs=tuple(replace(r, static_toe_deg=None) for r in demo_book.runs),
    )
    a, b = advise(behind, CORNER).move.spot, advise(ahead, CORNER).move.spot
    # the two populations are alike but not the same draws
    assert a.height_mm == pytest.approx(b.height_mm, abs=0.3)
    assert a.length_change_mm == pytest.approx(b.length_change_mm, abs=2.1)


def test_left_and_right_get_the_same_advice(demo_book: Logbook) -> None:
    corner = demo_book.corners[CORNER]
    right = replace(corner, name="rear-right", side="right")
    book = replace(
        demo_book,
        corners={CORNER: corner, "rear-right": right},
        runs=(
            *demo_book.runs,
            *(replace(r, name=f"{r.name}-r", corner="rear-right") for r in demo_book.runs),
        ),
        readings=(
            *demo_book.readings,
            *(replace(r, run=f"{r.run}-r") for r in demo_book.readings),
        ),
    )
    right = replace(right, reference_run="as-found-r")
    book = replace(book, corners={CORNER: corner, "rear-right": right})
    a, b = advise(book, CORNER), advise(book, "rear-right")
    assert a.move.spot == b.move.spot
    assert a.outlook.score_deg == b.outlook.score_deg
    assert a.move.static_toe == b.move.static_toe


def test_the_same_logbook_gives_the_same_answer(demo_book: Logbook) -> None:
    a, b = advise(demo_book, CORNER), advise(demo_book, CORNER)
    assert a.move == b.move
    assert np.array_equal(a.outlook.toe_deg, b.outlook.toe_deg)


def _with_run(
    book: Logbook, truth: ModuleType, name: str, advice: Advice, seed: int = 3
) -> Logbook:
    """The logbook after the crew set and measured what was advised."""
    spot = advice.move.spot
    rows = truth.measured_rows(
        np.random.default_rng(seed), name, spot.height_mm, spot.length_change_mm
    )
    run = Run(
        name=name,
        corner=CORNER,
        above_mm=spot.split.above_mm,
        below_mm=spot.split.below_mm,
        length_change_mm=spot.length_change_mm,
    )
    readings = tuple(
        Reading(run=r, sweep=s, travel_mm=float(z), value=float(v) * 0.0254) for r, s, z, v in rows
    )
    return replace(book, runs=(*book.runs, run), readings=(*book.readings, *readings))


def test_following_the_advice_ends_in_a_stop(demo_book: Logbook, demo_truth: ModuleType) -> None:
    book = demo_book.as_of("as-found")
    for step in range(6):
        advice = advise(book, CORNER)
        if not advice.verdict.go_on:
            break
        measured = [(r.below_mm, r.length_change_mm) for r in book.runs]
        spot = advice.move.spot
        assert (spot.split.below_mm, spot.length_change_mm) not in measured
        book = _with_run(book, demo_truth, f"t{step}", advice, seed=step)
    assert advice.action in ("stay", "go-back")
    assert advice.verdict.gain_deg < advice.verdict.limit_deg
    assert len(book.runs) <= 5
    final = advice.move.spot
    assert _true_score(demo_truth, final.height_mm, final.length_change_mm) < 0.02


def test_go_back_names_the_run(demo_book: Logbook, demo_truth: ModuleType) -> None:
    book = demo_book.as_of("as-found")
    for step in range(3):
        advice = advise(book, CORNER)
        if not advice.verdict.go_on:
            break
        book = _with_run(book, demo_truth, f"t{step}", advice, seed=step)
    corner = replace(book.corners[CORNER], current_run="as-found")
    worse = replace(book, corners={CORNER: corner})
    lazy = replace(corner.goal, worthwhile_deg=0.05)
    advice = advise(worse, CORNER, lazy)
    assert advice.action == "go-back"
    assert advice.move.spot.run in {"t0", "t1", "t2"}


@pytest.mark.outside
def test_a_droop_target_is_met_on_paper(demo_book: Logbook, demo_truth: ModuleType) -> None:
    goal = Goal(
        kind="toe-at-travel",
        window_mm=(-50.0, 50.0),
        at_travel_mm=-40.0,
        toe_change_deg=0.10,
        tolerance_deg=0.04,
    )
    advice = advise(demo_book, CORNER, goal)
    spot = advice.move.spot
    truth = demo_truth.true_toe_change_deg(
        np.array([-40.0, 40.0]), spot.height_mm, spot.length_change_mm
    )
    assert truth[0] == pytest.approx(0.10, abs=0.04)
    assert advice.outlook.chance_in_tolerance is not None
    assert advice.outlook.chance_in_tolerance > 0.5


def test_no_eccentric_means_length_follows_height(demo_book: Logbook) -> None:
    corner = replace(demo_book.corners[CORNER], eccentric=Eccentric(kind="none"), steered=True)
    book = replace(demo_book, corners={CORNER: corner}).as_of("as-found")
    advice = advise(book, CORNER)
    assert abs(advice.move.static_toe.shift_mm.value) < 0.05
    assert abs(advice.move.turn.change_mm) < 1.0
    assert advice.move.raise_mm > 1.0


def test_a_fixed_link_moves_shims_only(demo_book: Logbook) -> None:
    corner = replace(demo_book.corners[CORNER], thread=Thread(kind="fixed"))
    advice = advise(replace(demo_book, corners={CORNER: corner}), CORNER)
    assert advice.move.turn.change_mm == 0.0
    assert all(r.move.turn.change_mm == 0.0 for r in advice.runners_up)


def test_six_answers_and_one_table_are_enough(demo_book: Logbook) -> None:
    from optimizer.records import Corner

    bare = Corner(name=CORNER, side="left", ahead=False)
    book = replace(demo_book, corners={CORNER: bare}).as_of("as-found")
    advice = advise(book, CORNER)
    assert advice.action == "try"
    assert advice.move.raise_mm > 1.0
    assert {limit.name for limit in advice.limits if limit.status == "unknown"} == {
        "eccentric",
        "thread",
        "pitch",
        "tilt",
        "showing",
    }


def test_errors_are_named(demo_book: Logbook) -> None:
    with pytest.raises(CallError, match="no corner"):
        advise(demo_book, "rear-rihgt")
    with pytest.raises(TooFewReadingsError, match="no run with readings"):
        advise(replace(demo_book, readings=()), CORNER)
    names = [r.name for r in demo_book.runs]
    with pytest.raises(
        TooFewReadingsError, match="but what is left out: as-found, joint-up"
    ) as bare:
        advise(demo_book.without(names), CORNER)
    assert bare.value.remedy == "leave out less"
    with pytest.raises(CallError, match="at_travel"):
        advise(demo_book, CORNER, Goal(kind="toe-at-travel"))
    corner = demo_book.corners[CORNER]
    none = replace(corner, eccentric=Eccentric(inboard_left_mm=-20.0, outboard_left_mm=1.0))
    with pytest.raises(NothingCanBeMadeError, match="no range left"):
        advise(replace(demo_book, corners={CORNER: none}), CORNER)


def test_a_run_that_cannot_be_is_doubted(demo_book: Logbook) -> None:
    """Shims written the wrong way round: the other runs would not have foreseen it."""
    swapped = tuple(
        replace(r, above_mm=(3.0, 2.0, 1.0), below_mm=()) if r.name == "link-short" else r
        for r in demo_book.runs
    )
    assert not any(x.doubtful for x in advise(demo_book, CORNER).left_out)
    advice = advise(replace(demo_book, runs=swapped), CORNER)
    assert any(x.doubtful for x in advice.left_out)
    lines = note(advice, Crew.of(demo_book))
    assert any(line.startswith("Doubt") for line in lines)
    assert len(lines) < 24
