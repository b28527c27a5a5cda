"""What a run would teach: against brute force, at its limits, and how it decides."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from optimizer.advise import choice
from optimizer.advise.advice import Advice
from optimizer.advise.choice import _least_work
from optimizer.advise.evidence import corner_evidence
from optimizer.advise.goal import Target, target_of
from optimizer.advise.lookahead import Worth, shortlist, spread_out, worth_of_measuring
from optimizer.advise.makeable import settings_of
from optimizer.advise.next_move import advise
from optimizer.advise.ranking import form_scores_deg
from optimizer.advise.span import worth_by_span
from optimizer.advise.table import Table
from optimizer.model.basis import N_COEFFICIENT, design_matrix
from optimizer.model.surface import SettingCurve, ToeSurface, gaussian_update
from optimizer.present.crew import Crew
from optimizer.present.note import note
from optimizer.records import Goal, Logbook, Measured, Tape

Array = NDArray[np.float64]

CORNER = "rear-left"
TAPE = Tape(
    length_mm=Measured(value=300.0, sd=3.0),
    arm_mm=Measured(value=110.0, sd=3.0),
    rise_mm=Measured(value=10.0, sd=4.0),
)
TRAVEL = np.array([-48.0, -36.0, -24.0, -12.0, 12.0, 24.0, 36.0, 48.0])
GOALS = (
    Goal(window_mm=(-50.0, 50.0)),
    Goal(kind="toe-at-travel", window_mm=(-50.0, 50.0), at_travel_mm=-40.0, toe_change_deg=0.1),
    # so much that what no curve can follow of it outweighs the draws' error
    Goal(kind="toe-at-travel", window_mm=(-50.0, 50.0), at_travel_mm=-40.0, toe_change_deg=3.0),
)


def _run(seed: int, h: float = 0.0, d: float = 0.0) -> SettingCurve:
    tilt = TRAVEL / 40.0 * 0.01
    cov = np.eye(len(TRAVEL)) * 0.004**2 + 0.003**2 + np.outer(tilt, tilt)
    toe = 0.2 * TRAVEL / 40.0 - 0.03 * (TRAVEL / 40.0) ** 2
    toe = toe + np.random.default_rng(seed).multivariate_normal(np.zeros(len(TRAVEL)), cov)
    return SettingCurve(
        height_mm=h, length_change_mm=d, travel_mm=TRAVEL, toe_deg=toe, cov_deg2=cov
    )


def _grid() -> tuple[Array, Array]:
    h, d = np.meshgrid(np.arange(-6.0, 6.1, 1.0), np.arange(-8.0, 8.1, 2.0), indexing="ij")
    return h.ravel(), d.ravel()


def _least_rms(mean: Array, cov: Array, target: Target, h: Array, d: Array) -> Array:
    surface = ToeSurface()
    surface.mean_, surface.cov_ = mean, cov
    form = surface.mean_square_form(target.travel_mm, target.weight, target.wanted_deg)
    return form_scores_deg(form, h, d)


@pytest.mark.outside
@pytest.mark.parametrize("goal", GOALS, ids=("least change", "wanted toe", "much toe"))
def test_worth_is_what_refitting_on_drawn_readings_gives(goal: Goal) -> None:
    """Brute force: draw a corner, draw its readings, update the surface, settle; 3000 times."""
    run, target = _run(1), target_of(goal, (-50.0, 50.0))
    surface = ToeSurface(ahead=True, tape=TAPE).fit_curves([run])
    h, d = _grid()
    at = (-3.0, 4.0)
    held = int(np.argmin(np.abs(h) + np.abs(d)))
    worth = worth_of_measuring(
        surface, target, (np.array([at[0]]), np.array([at[1]])), (h, d), held, run
    )
    rng = np.random.default_rng(4)
    n = len(TRAVEL)
    rows = design_matrix(np.full(n, at[0]), np.full(n, at[1]), TRAVEL)
    settled, gain = [], []
    for draw in surface.draws(3000, seed=9):
        readings = rows @ draw[:N_COEFFICIENT] + rng.multivariate_normal(np.zeros(n), run.cov_deg2)
        mean, cov, _ = gaussian_update(surface.mean_, surface.cov_, rows, readings, run.cov_deg2)
        scores = _least_rms(mean, cov, target, h, d)
        settled.append(scores.min())
        gain.append(scores[held] - scores.min())
    # 64 paired draws against 3000: within four standard errors of the smaller sample
    error = 4.0 * np.std(settled) / 64**0.5
    assert worth.settled_deg[0] == pytest.approx(np.mean(settled), abs=error)
    assert worth.gain_deg[0] == pytest.approx(np.mean(gain), abs=4.0 * np.std(gain) / 64**0.5)
    assert error < 0.1 * np.mean(settled) + 0.003


def test_worth_by_span_is_what_refitting_on_drawn_readings_gives() -> None:
    """Brute force as above; the spread left is between the extremes of the curve as it is."""
    run, target = _run(1), target_of(Goal(window_mm=(-50.0, 50.0)), (-50.0, 50.0))
    surface = ToeSurface(ahead=True, tape=TAPE).fit_curves([run])
    h, d = (x[::3] for x in _grid())
    at, held = (-3.0, 4.0), int(np.argmin(np.abs(_grid()[0][::3]) + np.abs(_grid()[1][::3])))
    worth = worth_by_span(
        surface, target, *((np.array([at[0]]), np.array([at[1]])), (h, d)), held, run
    )
    n = len(TRAVEL)
    rows = design_matrix(np.full(n, at[0]), np.full(n, at[1]), TRAVEL)
    z = np.linspace(-50.0, 50.0, 21)
    fields = [design_matrix(np.full(21, a), np.full(21, b), z) for a, b in zip(h, d, strict=True)]
    steps = []
    for field in fields:
        now = field @ surface.mean_[:N_COEFFICIENT]
        steps.append(field[np.argmax(now)] - field[np.argmin(now)])
    rng, settled, gain = np.random.default_rng(4), [], []
    for draw in surface.draws(600, seed=9):
        readings = rows @ draw[:N_COEFFICIENT] + rng.multivariate_normal(np.zeros(n), run.cov_deg2)
        mean, cov, _ = gaussian_update(surface.mean_, surface.cov_, rows, readings, run.cov_deg2)
        scores = np.array(
            [
                np.hypot(
                    np.ptp(field @ mean[:N_COEFFICIENT]),
                    np.sqrt(step @ cov[:N_COEFFICIENT, :N_COEFFICIENT] @ step),
                )
                for field, step in zip(fields, steps, strict=True)
            ]
        )
        settled.append(scores.min())
        gain.append(scores[held] - scores.min())
    # 64 paired draws against 600: within four standard errors of the smaller sample
    error = 4.0 * np.std(settled) / 64**0.5
    assert worth.settled_deg[0] == pytest.approx(np.mean(settled), abs=error)
    assert worth.gain_deg[0] == pytest.approx(np.mean(gain), abs=4.0 * np.std(gain) / 64**0.5)
    assert error < 0.1 * np.mean(settled) + 0.003


def test_a_run_that_says_nothing_changes_nothing() -> None:
    run, target = _run(2), target_of(GOALS[0], (-50.0, 50.0))
    surface = ToeSurface(ahead=True, tape=TAPE).fit_curves([run])
    h, d = _grid()
    deaf = replace(run, cov_deg2=run.cov_deg2 * 1e10)
    worth = worth_of_measuring(surface, target, (h[:9], d[:9]), (h, d), 0, deaf)
    now = _least_rms(surface.mean_, surface.cov_, target, h, d)
    assert worth.settled_deg == pytest.approx(now.min(), abs=1e-5)
    assert worth.gain_deg == pytest.approx(now[0] - now.min(), abs=1e-5)
    assert worth.own_deg == pytest.approx(now[:9], abs=1e-6)


def test_a_run_never_loses_and_a_quieter_gauge_gains_more() -> None:
    run, target = _run(3), target_of(GOALS[0], (-50.0, 50.0))
    surface = ToeSurface(ahead=True, tape=TAPE).fit_curves([run])
    h, d = _grid()
    now = _least_rms(surface.mean_, surface.cov_, target, h, d)
    best = int(np.argmin(now))
    loud = worth_of_measuring(
        surface, target, (h, d), (h, d), best, replace(run, cov_deg2=run.cov_deg2 * 25.0)
    )
    quiet = worth_of_measuring(surface, target, (h, d), (h, d), best, run)
    assert np.all(quiet.gain_deg >= 0.0)
    assert np.all(quiet.settled_deg <= now[best] + 1e-9)
    assert quiet.gain_deg.max() > loud.gain_deg.max()


def test_patches_hold_their_best_and_the_shortlist_holds_the_best_of_all() -> None:
    rng = np.random.default_rng(5)
    h, d = rng.uniform(-6, 6, 5000), rng.uniform(-10, 10, 5000)
    score = rng.uniform(0, 1, 5000)
    few = spread_out(h, d, score)
    assert len(few) == len(set(few.tolist())) == 144
    near = (np.floor((h - h.min()) / np.ptp(h) * 12), np.floor((d - d.min()) / np.ptp(d) * 12))
    for i in few[::12]:
        same = (near[0] == near[0][i]) & (near[1] == near[1][i])
        assert score[i] == score[same].min()
    assert set(np.argsort(score)[:60]) <= set(shortlist(h, d, score).tolist())


def test_one_height_or_one_setting_is_enough() -> None:
    level = np.zeros(20)
    assert len(spread_out(level, np.arange(20.0), np.ones(20))) == 12
    assert spread_out(np.zeros(1), np.zeros(1), np.ones(1)).tolist() == [0]
    assert shortlist(np.zeros(1), np.zeros(1), np.ones(1)).tolist() == [0]


def _worth(settled: list[float], own: list[float] | None = None) -> Worth:
    array = np.array(settled)
    return Worth(
        settled_deg=array,
        own_deg=array * 0.0 if own is None else np.array(own),
        gain_deg=array * 0.0,
    )


def _most(
    worth: Worth, n_fresh: int, turns: tuple[int, ...] = (), worthwhile: float = 0.01, *, led: bool
) -> int:
    turned = np.zeros(len(worth.settled_deg), dtype=bool)
    turned[list(turns)] = True
    return worth.most(n_fresh, turned, worthwhile, led=led)


def test_the_best_guess_leads_unless_another_clearly_teaches_more() -> None:
    assert _most(_worth([0.0209, 0.0200, 0.0500]), 2, led=True) == 0
    assert _most(_worth([0.0211, 0.0200, 0.0500]), 2, led=True) == 1
    assert _most(_worth([0.0209, 0.0200, 0.0500]), 2, led=False) == 1


def test_a_crew_that_wants_thousandths_is_sent_further() -> None:
    worth = _worth([0.0205, 0.0200, 0.0500])
    assert _most(worth, 2, led=True) == 0
    assert _most(worth, 2, worthwhile=0.002, led=True) == 1


def test_a_repeat_wins_only_by_a_clear_margin() -> None:
    assert _most(_worth([0.0200, 0.0300, 0.0191]), 2, led=True) == 0
    assert _most(_worth([0.0200, 0.0300, 0.0189]), 2, led=True) == 2


def test_where_all_was_measured_the_repeat_that_teaches_most_is_taken() -> None:
    """By its cost alone: what turns the link pays for an alignment, the order counts nothing."""
    assert _most(_worth([0.0300, 0.0200, 0.0210]), 0, led=False) == 1
    assert _most(_worth([0.0300, 0.0200, 0.0210]), 0, (1,), led=False) == 2


def test_turning_the_link_must_pay_for_an_alignment() -> None:
    assert _most(_worth([0.0200, 0.0180, 0.05]), 2, (1,), led=False) == 0
    assert _most(_worth([0.0200, 0.0170, 0.05]), 2, (1,), led=False) == 1


def test_a_run_s_own_score_counts_while_it_may_be_the_last() -> None:
    worth = _worth([0.020, 0.017, 0.05], own=[0.02, 0.10, 0.05])
    assert _most(worth, 2, led=True) == 0
    assert _most(worth, 2, led=False) == 1


@pytest.mark.parametrize(("worthwhile", "left_alone"), [(1e-9, False), (10.0, True)])
def test_the_link_is_left_alone_where_that_is_as_good(
    demo_book: Logbook, worthwhile: float, left_alone: bool
) -> None:
    goal = Goal(window_mm=(-50.0, 50.0), worthwhile_deg=worthwhile)
    table = Table(corner_evidence(demo_book, CORNER), goal)
    field = settings_of(table)
    still = np.abs(field.change - table.now.length_change_mm) < 0.01
    measured = np.array([table.measured_at(field.spot(i)) is not None for i in range(len(still))])
    # best first, by its own score: one that turns, a measured one that does not, one that is new
    expected = table.expected(field)
    turning, known, new = (
        int(of[np.argmin(expected[of])])
        for of in map(np.flatnonzero, (~still, still & measured, still & ~measured))
    )
    assert expected[turning] < expected[new]
    found = _least_work(table, field, np.array([turning, known, new]))
    assert found == field.spot(new if left_alone else turning)


@pytest.mark.parametrize(
    ("action", "gain", "seen", "go_on", "limit", "by"),
    [
        ("try", 0.02, 0.03, False, 0.03, "gauge"),
        ("try", 0.02, 0.005, True, 0.01, "worthwhile"),
        ("try", 0.009, 0.005, False, 0.01, "worthwhile"),
        # averaging the gauge's noise out is what a repeat is for
        ("repeat", 0.02, 0.03, True, 0.01, "worthwhile"),
    ],
)
def test_a_run_must_gain_what_is_worth_it_and_what_the_gauge_sees(
    demo_book: Logbook, action: Any, gain: float, seen: float, go_on: bool, limit: float, by: str
) -> None:
    table = Table(corner_evidence(demo_book, CORNER), Goal(worthwhile_deg=0.01))
    table.seen_deg = seen
    spot = table.now
    made = choice.Choice(spot=spot, action=action, best_guess=spot, gain_deg=gain)
    found = choice.verdict_on(table, made)
    assert (found.go_on, found.limit_deg, found.limited_by) == (go_on, limit, by)
    assert found.gain_deg == gain


def test_where_all_teach_alike_the_best_guess_is_tried(
    demo_book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    def alike(*parts: object) -> Worth:
        level = np.full(len(parts[3]), 0.02)  # type: ignore[arg-type]
        return Worth(settled_deg=level, own_deg=level, gain_deg=level)

    for book in (demo_book, demo_book.as_of("as-found")):
        with monkeypatch.context() as patched:
            patched.setattr(choice, "_worth", alike)
            # turning the link must pay for an alignment: here nothing does
            patched.setattr(choice, "_turns", lambda *_: False)
            advice = advise(book, CORNER)
        assert advice.action == "try"
        assert advice.move.spot == advice.best_guess


@pytest.fixture(scope="module")
def teaching(demo_book: Logbook) -> Advice:
    advice = advise(demo_book.as_of("as-found"), CORNER)
    assert advice.teaches
    return advice


def test_what_is_advised_to_learn_says_so_and_names_the_best_guess(
    demo_book: Logbook, teaching: Advice
) -> None:
    lines = note(teaching, Crew.of(demo_book))
    assert len(lines) < 24
    assert lines[0].endswith("try this next, for what it teaches (shortened)")
    said = " ".join(" ".join(lines).split())
    assert "best guess:" in said
    assert "teaches less" in said


def test_a_repeat_is_named_so(demo_book: Logbook, teaching: Advice) -> None:
    spot = replace(teaching.now, run="as-found")
    again = replace(teaching, action="repeat", move=replace(teaching.move, spot=spot))
    lines = note(again, Crew.of(demo_book), height=60)
    assert lines[0].endswith("measure this setting again")
    said = " ".join(" ".join(lines).split())
    assert "the same as run as-found: its noise is what is in the way" in said
    assert said.endswith(
        "shimopt enter as you measure it (shimopt sheet on paper); shimopt brief to show it"
    )
    assert "to beat" not in said


def test_a_setting_that_cannot_be_made_again_is_not_gone_back_to(demo_book: Logbook) -> None:
    corner = demo_book.corners[CORNER]
    short = replace(
        corner,
        thread=replace(corner.thread, shorter_mm=0.0),
        goal=replace(corner.goal, worthwhile_deg=0.05),
        current_run="as-found",
    )
    advice = advise(replace(demo_book, corners={CORNER: short}), CORNER)
    assert advice.best_measured.run == "link-short"
    assert advice.action == "go-back"
    assert advice.move.spot.run == "joint-up"


def test_a_length_between_today_s_flats_is_gone_back_to(demo_book: Logbook) -> None:
    corner = demo_book.corners[CORNER]
    coarse = replace(
        corner,
        thread=replace(corner.thread, pitch_mm=2.1),
        goal=replace(corner.goal, worthwhile_deg=0.05),
        current_run="as-found",
    )
    advice = advise(replace(demo_book, corners={CORNER: coarse}), CORNER)
    # three millimetres are no whole number of flats of 0.7 mm
    assert advice.action == "go-back"
    assert advice.move.spot.run == "link-short"
