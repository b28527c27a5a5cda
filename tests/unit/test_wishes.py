"""Wishes: chances that are right, an order that counts, and no stop where a wish is broken."""

from __future__ import annotations

from copy import copy
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal, norm

from optimizer.advise.advice import Advice
from optimizer.advise.evidence import corner_evidence
from optimizer.advise.goal import target_of
from optimizer.advise.makeable import settings_of
from optimizer.advise.next_move import advise
from optimizer.advise.span import draw_spans_deg, span_nodes, span_scores_deg
from optimizer.advise.table import Table
from optimizer.advise.wishes import (
    NEAR,
    SURE,
    Requirement,
    Wishes,
    _Look,
    normal_tail,
    requirements_of,
)
from optimizer.logbook import read_logbook
from optimizer.model.field import CurveField
from optimizer.present.crew import Crew
from optimizer.present.document import next_document
from optimizer.present.note import note
from optimizer.present.sheet import corner_sheet
from optimizer.present.travels import Asked
from optimizer.records import Goal, Logbook, WishKind

CORNER = "rear-left"
WINDOW = (-50.0, 50.0)
RNG = np.random.default_rng(71)
Array = np.ndarray[tuple[int, ...], np.dtype[np.float64]]
SETTINGS = (RNG.uniform(-4.0, 4.0, 30), RNG.uniform(-10.0, 9.0, 30))


def _table(book: Logbook, **goal: object) -> Table:
    return Table(corner_evidence(book, CORNER), Goal(window_mm=WINDOW, **goal))  # type: ignore[arg-type]


def _wishes(
    book: Logbook, **goal: object
) -> tuple[Wishes, np.ndarray[tuple[int, ...], np.dtype[np.float64]]]:
    table = _table(book, **goal)
    field = settings_of(table)
    expected = table.expected(field)
    wishes = Wishes(table, field, expected)
    return wishes, expected


@pytest.mark.outside
def test_the_tail_of_the_normal_is_scipy_s() -> None:
    z = np.linspace(-9.0, 9.0, 2001)
    assert np.abs(normal_tail(z) - norm.sf(z)).max() < 1e-7


@pytest.mark.outside
def test_mean_and_spread_of_many_settings_are_the_mechanism_s_and_the_surface_s(
    demo_book: Logbook, demo_truth: ModuleType
) -> None:
    surface = _table(demo_book).surface
    travel = np.array([-50.0, -20.0, 15.0, 50.0])
    field = CurveField(surface, travel)
    mean, spread = field.mean_and_variance(*SETTINGS)
    assert np.array_equal(field.mean_deg(*SETTINGS), mean)
    steps = CurveField(surface, travel[[3, 1]], travel[[0, 2]])
    row = np.arange(30) % 2
    step = steps.variance_of_deg2(*SETTINGS, row)
    for i, (h, d) in enumerate(zip(*SETTINGS, strict=True)):
        curve, cov = surface.curve(float(h), float(d), travel)
        assert mean[i] == pytest.approx(curve, abs=1e-12)
        assert spread[i] == pytest.approx(np.diag(cov), rel=1e-6, abs=1e-12)
        a, b = ((3, 0), (1, 2))[row[i]]
        between = cov[a, a] + cov[b, b] - 2.0 * cov[a, b]
        assert step[i] == pytest.approx(between, rel=1e-6, abs=1e-12)
        truth = demo_truth.true_toe_change_deg(travel, float(h), float(d))
        assert np.all(np.abs(truth - mean[i]) < 4.0 * np.sqrt(spread[i]) + 0.01)


@pytest.mark.outside
@pytest.mark.parametrize("most", [0.05, 0.15])
def test_a_joint_chance_is_scipy_s(demo_book: Logbook, most: float) -> None:
    """Four travels, so that scipy's own integral of the normal over a box is quick."""
    table = _table(demo_book.as_of("as-found"), most_change_deg=most)
    field = settings_of(table)
    wishes = Wishes(table, field, table.expected(field))
    travel = np.array([-50.0, -25.0, 25.0, 50.0])
    wish = Requirement(kind="most-change", travel_mm=travel, low_deg=-most, high_deg=most)
    for index in wishes.kept[:: max(1, len(wishes.kept) // 5)]:
        spot = field.spot(int(index))
        mean, cov = table.surface.curve(spot.height_mm, spot.length_change_mm, travel)
        box = multivariate_normal(mean, cov, allow_singular=True, seed=3)
        wanted = float(box.cdf(np.full(4, most), lower_limit=np.full(4, -most)))
        # 400 draws paired by sign: three standard errors
        assert wishes.chance(wish, spot) == pytest.approx(wanted, abs=0.075)


@pytest.mark.outside
@pytest.mark.parametrize("wish", ["most-change", "never-toe-out"])
def test_a_joint_chance_lies_within_its_bounds(demo_book: Logbook, wish: WishKind) -> None:
    """Bonferroni's bound and the least single chance, by scipy's normal and the curve alone."""
    table = _table(demo_book.as_of("as-found"))
    travel = np.array([-50.0, -25.0, 25.0, 50.0])
    height, change = (x[:8] / 2.0 for x in SETTINGS)
    mean = CurveField(table.surface, travel).mean_deg(table.surface_height(height, change), change)
    # a band that half of the settings keep, by their mean curves
    most, least = np.median(np.abs(mean).max(axis=1)), np.median(mean.min(axis=1))
    band = (-most, most) if wish == "most-change" else (least, np.inf)
    asked = Requirement(kind=wish, travel_mm=travel, low_deg=band[0], high_deg=band[1])
    look = _Look(table, asked)
    low, high = look.bounds(height, change)
    chance = look.by_draws(height, change)
    assert high.min() < 0.2 < 0.8 < high.max()
    for i, (h, d) in enumerate(zip(height, change, strict=True)):
        on_surface = float(table.surface_height(np.array([h]), np.array([d]))[0])
        mean, cov = table.surface.curve(on_surface, float(d), travel)
        single = np.diff(norm.cdf(np.array(band)[:, None], mean, np.sqrt(np.diag(cov))), axis=0)
        assert low[i] == pytest.approx(1.0 - np.sum(1.0 - single), abs=1e-5)
        assert high[i] == pytest.approx(single.min(), abs=1e-5)
        # 400 draws paired by sign: three standard errors
        assert low[i] - 0.075 < chance[i] < high[i] + 0.075


@pytest.mark.parametrize(
    ("at", "toe", "tolerance", "most"),
    [(-40.0, 0.05, 0.01, None), (40.0, -0.1, 0.02, None), (40.0, -0.1, 0.02, 0.1)],
)
def test_a_narrow_band_at_a_travel_is_answered(
    demo_book: Logbook, at: float, toe: float, tolerance: float, most: float | None
) -> None:
    advice = advise(
        demo_book,
        CORNER,
        Goal(
            kind="toe-at-travel",
            at_travel_mm=at,
            toe_change_deg=toe,
            tolerance_deg=tolerance,
            most_change_deg=most,
        ),
    )
    assert 0 < advice.n_kept <= advice.n_candidate


def test_a_toe_wanted_past_what_was_measured_is_called_a_guess(demo_book: Logbook) -> None:
    goal = Goal(kind="toe-at-travel", at_travel_mm=-80.0, toe_change_deg=0.1, tolerance_deg=0.05)
    crew, guess = Crew.of(demo_book), "80 droop was not measured: a guess there"
    advice = advise(demo_book, CORNER, goal)
    assert advice.unmeasured_mm == -80.0
    lines = note(advice, crew)
    assert len(lines) < 24
    assert guess in " ".join(" ".join(lines).split())
    assert guess in " ".join(" ".join(note(advice, crew, 40)).split())
    corner = next_document(demo_book, [advice])["corners"][0]
    assert guess in corner["limits"]["shown"]
    assert corner["goal"]["unmeasured_travel_mm"] == -80.0
    sheet = corner_sheet(demo_book, CORNER, Asked(), goal)
    assert any(guess in text for _, text in sheet.must)
    inside = advise(demo_book, CORNER, replace(goal, at_travel_mm=-50.0))
    assert inside.unmeasured_mm is None
    assert "a guess there" not in " ".join(note(inside, crew))


def test_no_wish_empties_the_field(demo_book: Logbook) -> None:
    """Whatever is asked, the surest setting by the draws stays; a tight band shows it."""
    rng = np.random.default_rng(17)
    asked: list[WishKind] = ["never-toe-out", "toe-at-travel", "most-change", "least-change"]
    table = _table(demo_book.as_of("joint-up"))
    field = settings_of(table)
    few = rng.choice(len(field.height), 400, replace=False)
    field = replace(
        field, which=field.which[few], height=field.height[few], change=field.change[few]
    )
    for _ in range(300):
        at, toe = float(rng.choice([-60, -40, -20, 20, 40, 60])), float(rng.normal(0.0, 0.15))
        goal = Goal(
            window_mm=WINDOW,
            kind="toe-at-travel",
            at_travel_mm=at,
            toe_change_deg=toe,
            tolerance_deg=float(10.0 ** rng.uniform(-3.0, -0.7)),
            most_change_deg=float(10.0 ** rng.uniform(-2.5, -0.5)) if rng.random() < 0.5 else None,
            never_toe_out=(None, "droop", "bump", "both")[rng.integers(4)],  # type: ignore[arg-type]
            order=tuple(rng.permutation(asked)[: rng.integers(5)]),
        )
        other = copy(table)
        other.goal, other.target = goal, target_of(goal, WINDOW)
        kept = Wishes(other, field, other.expected(field)).kept
        assert len(kept) > 0, goal


@pytest.mark.outside
def test_peak_to_peak_is_numpy_s_of_the_surface_s_curve(demo_book: Logbook) -> None:
    table = _table(demo_book, measure="peak-to-peak")
    travel, wanted = span_nodes(table.target)
    assert 0.0 in travel
    assert not np.any(wanted)
    bare = span_scores_deg(table.surface, table.target, *SETTINGS, care=0.0)
    full = span_scores_deg(table.surface, table.target, *SETTINGS, care=1.0)
    drawn = draw_spans_deg(table.draws, table.target, *SETTINGS)
    for i, (h, d) in enumerate(zip(*SETTINGS, strict=True)):
        curve, cov = table.surface.curve(float(h), float(d), travel)
        assert bare[i] == pytest.approx(np.ptp(curve), abs=1e-12)
        sample = np.random.default_rng(5).multivariate_normal(curve, cov, 4000, method="svd")
        spans = np.ptp(sample, axis=1)
        assert drawn[:, i].mean() == pytest.approx(spans.mean(), abs=4.0 * spans.std() / 20.0)
        assert full[i] == pytest.approx(np.sqrt(np.mean(spans**2)), rel=0.25)


def _told(advice: Advice) -> dict[WishKind, float]:
    return {wish.kind: wish.after for wish in advice.wishes}


AIM = {
    "kind": "toe-at-travel",
    "at_travel_mm": -40.0,
    "toe_change_deg": 0.12,
    "tolerance_deg": 0.02,
}


def test_the_first_of_two_wishes_that_clash_wins(demo_book: Logbook) -> None:
    clash = Goal(window_mm=WINDOW, most_change_deg=0.06, **AIM)  # type: ignore[arg-type]
    toe = replace(clash, order=("toe-at-travel", "most-change"))
    flat = replace(clash, order=("most-change", "toe-at-travel"))
    toe_first, flat_first = (_told(advise(demo_book, CORNER, g)) for g in (toe, flat))
    assert list(toe_first) == ["toe-at-travel", "most-change"]
    assert list(flat_first) == ["most-change", "toe-at-travel"]
    assert toe_first["toe-at-travel"] > flat_first["toe-at-travel"] + 0.2
    assert flat_first["most-change"] > toe_first["most-change"] + 0.2
    # without an order: toe at a travel comes before the most change
    assert _told(advise(demo_book, CORNER, clash)) == toe_first


def test_least_change_named_first_leaves_the_wish_what_costs_no_more(demo_book: Logbook) -> None:
    goal = Goal(window_mm=WINDOW, most_change_deg=0.03, worthwhile_deg=0.004)
    wish_first = replace(goal, order=("most-change", "least-change"))
    change_first = replace(goal, order=("least-change", "most-change"))
    a, b = (advise(demo_book, CORNER, g) for g in (wish_first, change_first))
    _, expected = _wishes(demo_book)
    wishes, _ = _wishes(
        demo_book, most_change_deg=0.03, worthwhile_deg=0.004, order=change_first.order
    )
    assert expected[wishes.kept].max() <= expected.min() + goal.worthwhile_deg + 1e-12
    assert _told(b)["most-change"] <= _told(a)["most-change"] + NEAR


def test_a_wish_that_the_order_ends_with_is_the_figure_itself() -> None:
    from optimizer.advise.goal import target_of

    goal = Goal(window_mm=WINDOW, order=("never-toe-out", "least-change"), never_toe_out="both")
    steps = requirements_of(goal, target_of(goal, WINDOW))
    assert [s.kind for s in steps if isinstance(s, Requirement)] == ["never-toe-out"]
    assert len(steps) == 1
    assert isinstance(steps[0], Requirement)
    assert 0.0 not in steps[0].travel_mm
    for side, low, high in (("droop", -50.0, -2.5), ("bump", 2.5, 50.0)):
        one = replace(goal, never_toe_out=side)  # type: ignore[arg-type]
        (step,) = requirements_of(one, target_of(one, WINDOW))
        assert isinstance(step, Requirement)
        assert (step.travel_mm[0], step.travel_mm[-1]) == (low, high)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(limits=st.tuples(st.floats(0.02, 0.2), st.floats(0.02, 0.2)))
def test_a_tighter_wish_never_gives_a_better_best_score(limits: tuple[float, float]) -> None:
    book = read_logbook(Path(__file__).resolve().parents[2] / "data/demo")
    tight, loose = sorted(limits)
    (narrow, expected), (wide, _) = (_wishes(book, most_change_deg=x) for x in (tight, loose))
    if narrow.bars[0] >= SURE:
        assert wide.bars[0] == SURE
        assert set(narrow.kept) <= set(wide.kept)
        assert expected[narrow.kept].min() >= expected[wide.kept].min()
    else:
        # no longer sure: what is left is less sure than the looser wish could be
        assert narrow.bars[0] <= wide.bars[0]


@pytest.mark.parametrize("until", ["as-found", "joint-up", "link-short"])
def test_no_stop_where_a_wish_is_broken_and_another_setting_keeps_it(
    demo_book: Logbook, until: str
) -> None:
    """No score is worth a run here, so a wish alone can say go on."""
    goal = Goal(window_mm=WINDOW, worthwhile_deg=5.0)
    book = demo_book.as_of(until)
    assert advise(book, CORNER, goal).action == "stay"
    advice = advise(book, CORNER, replace(goal, never_toe_out="droop"))
    (wish,) = advice.wishes
    assert (advice.action, advice.verdict.go_on) == ("try", True)
    assert wish.now < 0.1 < SURE <= wish.after + NEAR
    assert advice.verdict.wish == "never-toe-out"
    assert advice.verdict.wish_gain == pytest.approx(wish.after - wish.best_measured)
    for other in (advice.best_guess, *(r.move.spot for r in advice.runners_up)):
        assert other.height_mm > advice.now.height_mm


def test_a_wish_sends_the_car_back_however_little_else_it_gains(
    demo_book: Logbook, demo_truth: ModuleType
) -> None:
    goal = Goal(window_mm=WINDOW, worthwhile_deg=5.0, never_toe_out="droop")
    book, kept = demo_book, ""
    for step in range(5):
        advice = advise(book, CORNER, goal)
        if not advice.verdict.go_on:
            break
        kept = f"t{step}"
        book = _with_run(book, demo_truth, kept, advice)
    assert advise(book, CORNER, goal).action == "stay"
    corner = replace(book.corners[CORNER], current_run="as-found")
    back = replace(book, corners={CORNER: corner})
    advice = advise(back, CORNER, goal)
    assert (advice.action, advice.move.spot.run) == ("go-back", kept)
    assert advice.verdict.wish == "never-toe-out"
    # without the wish nothing is worth moving for
    assert advise(back, CORNER, replace(goal, never_toe_out=None)).action == "stay"


def _with_run(book: Logbook, truth: ModuleType, name: str, advice: Advice) -> Logbook:
    from optimizer.records import Reading, Run

    spot = advice.move.spot
    rows = truth.measured_rows(
        np.random.default_rng(11), name, spot.height_mm, spot.length_change_mm
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


@pytest.mark.parametrize(
    "goal",
    [
        Goal(window_mm=WINDOW, never_toe_out="both", most_change_deg=0.05),
        Goal(window_mm=WINDOW, measure="peak-to-peak"),
    ],
)
def test_left_and_right_get_the_same_advice(demo_book: Logbook, goal: Goal) -> None:
    corner = demo_book.corners[CORNER]
    right = replace(corner, name="rear-right", side="right", reference_run="as-found-r")
    runs = tuple(replace(r, name=f"{r.name}-r", corner="rear-right") for r in demo_book.runs)
    rows = tuple(replace(r, run=f"{r.run}-r") for r in demo_book.readings)
    book = replace(
        demo_book,
        corners={CORNER: corner, "rear-right": right},
        runs=(*demo_book.runs, *runs),
        readings=(*demo_book.readings, *rows),
    )
    a, b = advise(book, CORNER, goal), advise(book, "rear-right", goal)
    assert a.move.spot == b.move.spot
    assert a.wishes == b.wishes
    assert a.outlook.score_deg == b.outlook.score_deg


def test_a_crew_that_reads_travel_the_other_way_gets_the_same_advice(
    demo_copy: Path, demo_book: Logbook
) -> None:
    car = (demo_copy / "car.toml").read_text()
    wish = 'never_toe_out = "droop"\nmost_change = 0.08\n'
    car = car.replace('bump = "plus"', 'bump = "minus"').replace("[-50, 50]", f"[-50, 50]\n{wish}")
    (demo_copy / "car.toml").write_text(car)
    head, *rows = (demo_copy / "readings.csv").read_text().splitlines()
    at = head.split(",").index(next(c for c in head.split(",") if c.startswith("travel")))
    turned = []
    for row in rows:
        cells = row.split(",")
        cells[at] = f"{-float(cells[at]):g}"
        turned.append(",".join(cells))
    (demo_copy / "readings.csv").write_text("\n".join([head, *turned]) + "\n")
    goal = replace(demo_book.corners[CORNER].goal, never_toe_out="droop", most_change_deg=0.08)
    a, b = advise(read_logbook(demo_copy), CORNER), advise(demo_book, CORNER, goal)
    assert a.move.spot == b.move.spot
    assert a.wishes == b.wishes


def test_without_wishes_nothing_is_left_out(demo_book: Logbook) -> None:
    wishes, expected = _wishes(demo_book)
    assert not wishes.any
    assert len(wishes.kept) == len(expected)
    advice = advise(demo_book, CORNER)
    assert advice.wishes == ()
    assert advice.n_kept == advice.n_candidate


WISHED = Goal(
    window_mm=WINDOW,
    never_toe_out="droop",
    most_change_deg=0.06,
    order=("most-change", "never-toe-out"),
)


@pytest.mark.parametrize("until", ["as-found", "joint-up", "link-short"])
def test_the_screen_says_how_sure_each_wish_is(demo_book: Logbook, until: str) -> None:
    book = demo_book.as_of(until)
    advice, crew = advise(book, CORNER, WISHED), Crew.of(book)
    lines = note(advice, crew)
    assert len(lines) < 24
    assert max(map(len, lines)) <= 80
    said = " ".join(" ".join(lines).split())
    assert "Wishes change under 0.06 deg: " in said
    assert "no toe-out in droop: " in said
    assert "now under 1" in said
    assert max(map(len, note(advice, crew, 40))) <= 40
    document = next_document(book, [advice])["corners"][0]
    for wish, told in zip(advice.wishes, document["wishes"], strict=True):
        assert told["chance"]["value"] == wish.after
        assert f"{told['name']}: {told['chance']['shown']}" in said
    assert document["goal"]["order"] == ["most-change", "never-toe-out"]


def test_a_wish_that_nothing_keeps_is_told(demo_book: Logbook) -> None:
    hard = Goal(window_mm=WINDOW, most_change_deg=0.004)
    said = " ".join(" ".join(note(advise(demo_book, CORNER, hard), Crew.of(demo_book))).split())
    assert "NO SETTING IS MUCH SURER" in said


def test_how_far_a_mean_curve_misses_a_wish_is_numpy_s_and_never_below_nothing(
    demo_book: Logbook,
) -> None:
    table = _table(demo_book)
    h, d = SETTINGS
    for low, high in ((-0.05, 0.05), (-0.005, np.inf), (-9.0, 9.0)):
        wish = Requirement(
            kind="most-change", travel_mm=np.linspace(-50.0, 50.0, 11), low_deg=low, high_deg=high
        )
        got = _Look(table, wish).miss_deg(h, d)
        for i in range(len(h)):
            curve, _ = table.surface.curve(float(h[i]), float(d[i]), wish.travel_mm)
            wanted = max(0.0, low - curve.min(), curve.max() - high)
            assert got[i] == pytest.approx(wanted, abs=1e-9)
    assert np.all(got == 0.0)


def test_of_settings_that_the_bounds_leave_open_the_best_are_looked_at_by_draws(
    demo_book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As many as there is time for, by their score; the others do not count as sure."""
    table = _table(demo_book, most_change_deg=0.05)
    field = settings_of(table)
    score = table.expected(field)
    looked: list[set[tuple[float, float]]] = []
    whole = _Look.by_draws

    def seen(self: _Look, h: Array, d: Array) -> Array:
        looked.append(set(zip(h.tolist(), d.tolist(), strict=True)))
        return whole(self, h, d)

    monkeypatch.setattr(_Look, "by_draws", seen)
    every = Wishes(table, field, score).kept
    (all_open,) = looked
    assert len(all_open) > 6
    looked.clear()
    monkeypatch.setattr("optimizer.advise.wishes.N_BY_DRAWS", 4)
    few = Wishes(table, field, score).kept
    (some,) = looked
    by_score = {
        (float(h), float(d)): s for h, d, s in zip(field.height, field.change, score, strict=True)
    }
    assert some == set(sorted(all_open, key=by_score.__getitem__)[:4])
    assert set(few.tolist()) <= set(every.tolist())
