"""The movable pivot: slots, cams and tables of marks against the exact mechanism."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from optimizer.advise.advice import Advice
from optimizer.advise.eccentric import band_of, formula_error_mm, length_that_holds_toe_mm
from optimizer.advise.evidence import corner_evidence, logged_static_toe, setting_curves
from optimizer.advise.makeable import settings_of
from optimizer.advise.mark_worth import mark_worth, prior_links
from optimizer.advise.next_move import advise
from optimizer.advise.pivot import Pivot, at_angle, effective_height_mm, held, pivot_of
from optimizer.advise.pivot_move import HAND_SD_DEG, HAND_SD_MM, MARK_SD, static_toe_of
from optimizer.advise.stacks import joint_height_mm
from optimizer.advise.table import Table
from optimizer.errors import NothingCanBeMadeError
from optimizer.model.arc import Link, arc_toe_change_deg
from optimizer.model.cam import Cam
from optimizer.model.mechanism import TOE_LINK, HardPoints, sweep
from optimizer.present.crew import Crew
from optimizer.present.document import next_document
from optimizer.present.note import note
from optimizer.present.pivot import in_order
from optimizer.records import (
    Corner,
    Eccentric,
    EccentricKind,
    Logbook,
    Measured,
    Run,
    Stack,
    Tape,
    Thread,
)
from optimizer.units import DEG

BENCH = Path(__file__).resolve().parents[1] / "bench"
CORNER = "rear-left"
UP = np.array([0.0, 0.0, 1.0])
TAPE = Tape(length_mm=Measured(value=300.0, sd=1e-6), arm_mm=Measured(value=120.0, sd=1e-6))


@pytest.fixture(scope="module")
def bench() -> Iterator[ModuleType]:
    sys.path.insert(0, str(BENCH))
    try:
        import pivots

        yield pivots
    finally:
        sys.path.remove(str(BENCH))
        for name in ("pivots", "corners"):
            sys.modules.pop(name, None)


@pytest.fixture(scope="module")
def bench_corners(bench: ModuleType) -> list[object]:
    return list(bench.bench_corners(np.random.default_rng(5), 40))


def _screen(advice: Advice, book: Logbook) -> str:
    lines = note(advice, Crew.of(book))
    assert len(lines) < 24, "\n".join(lines)
    assert max(map(len, lines)) <= 80
    return " ".join(" ".join(lines).split())


def _with(book: Logbook, marks: tuple[float | None, ...] = (), **changes: object) -> Logbook:
    """The demo with its corner changed, and marks in place of those logged."""
    corner = replace(book.corners[CORNER], **changes)  # type: ignore[arg-type]
    runs = book.runs
    if marks:
        runs = tuple(replace(r, eccentric_mark=m) for r, m in zip(book.runs, marks, strict=True))
    return replace(book, corners={CORNER: corner}, runs=runs)


# a cam that gives the demo's slot the way it was logged with: 3 mm outboard at mark -2.4
FREE = Eccentric(kind="free-cam", throw_mm=12.0, deg_per_mark=6.0)
LOGGED = (0.0, 0.0, -2.4)


@pytest.mark.outside
@pytest.mark.parametrize("end", ["outer", "inner"])
@pytest.mark.parametrize(("start", "lifts"), [(0.0, 1), (-35.0, 1), (40.0, -1)])
def test_a_cam_in_the_link_s_plane_is_the_mechanism_s(
    corner: HardPoints, end: str, start: float, lifts: int
) -> None:
    """Nothing is out of the plane here, so angle, shift and lift are exact."""
    height, change = np.array([0.0, 2.0, -3.0]), np.array([0.0, 1.5, -2.0])
    along = np.array([0.0, -1.0, 0.0])
    cam = Cam(throw_mm=np.array(9.0), reference_deg=np.array(start), along=along, lift=lifts * UP)
    points = replace(corner, cam=cam, end=end)
    exact = sweep(points, np.zeros(1), height, change)
    link = Link(length_mm=300.0, arm_mm=120.0, rise_mm=0.0)
    stated = Eccentric(kind="free-cam", throw_mm=9.0, angle_deg=start, lifts=lifts)
    told = held(stated, link, height, change, end)  # type: ignore[arg-type]
    assert told.reached.all()
    assert told.angle_deg == pytest.approx(exact.cam_deg, abs=1e-9)
    assert told.shift_mm == pytest.approx(exact.shift_mm, abs=1e-9)
    assert told.lift_mm == pytest.approx(lifts * exact.lift_mm, abs=1e-9)
    again = at_angle(stated, told.angle_deg)
    assert again.lift_mm == pytest.approx(lifts * exact.lift_mm, abs=1e-9)
    in_slot = held(replace(stated, kind="cam-in-slot"), link, height, change, end)  # type: ignore[arg-type]
    slot = sweep(replace(corner, end=end), np.zeros(1), height, change).shift_mm
    assert in_slot.shift_mm == pytest.approx(slot, abs=1e-9)
    assert np.all(in_slot.lift_mm == 0.0)


@pytest.mark.outside
@pytest.mark.parametrize(
    "kind", ["slot", "cam-in-slot", "free-cam", "marks", "fitted slot", "fitted cam"]
)
def test_static_toe_left_by_following_the_advice(
    bench: ModuleType, bench_corners: list[object], kind: str
) -> None:
    """By the exact mechanism, each mark read up to a quarter off; 40 corners, 160 moves."""
    left = bench.left_on(bench_corners, kind)
    assert len(left.toe_deg) > 140
    assert 0.85 <= left.cover <= 0.97
    assert np.mean(np.abs(left.shift_error_mm)) < 0.15
    median, most, _, promised = left.figures()
    assert median < 0.12
    assert most < min(promised, 0.30)
    assert abs(float(np.mean(left.toe_deg))) < 0.03


@pytest.mark.outside
@pytest.mark.parametrize("angle", [-40.0, 0.0, 40.0])
def test_a_free_cam_s_lift_is_fed_back(
    bench: ModuleType, bench_corners: list[object], angle: float
) -> None:
    rng, rows = np.random.default_rng(8), []
    for index, one in enumerate(bench_corners):
        ask = [(float(rng.uniform(-3, 3)), float(rng.uniform(-2, 2))) for _ in range(2)]
        rows += bench.curve_error_deg(one, angle, 1 if index % 2 else -1, ask)
    ignored, fed = np.array(rows).T
    assert len(rows) > 60
    assert np.median(fed) < 0.2 * np.median(ignored)
    assert np.quantile(fed, 0.9) < 0.2 * np.quantile(ignored, 0.9)
    assert np.quantile(fed, 0.9) < 0.02


@pytest.mark.outside
def test_a_run_logged_at_a_mark_is_read_with_its_lift(
    demo_book: Logbook, demo_truth: ModuleType
) -> None:
    """A pivot lifted where it was measured: its curve lies where the surface then has it."""
    evidence = corner_evidence(_with(demo_book, LOGGED, eccentric=FREE), CORNER)
    lift = 12.0 * (np.cos(np.deg2rad(-14.4)) - 1.0)
    curves = setting_curves(evidence)
    assert [c.length_change_mm for c in curves] == [0.0, 0.0, -3.0]
    mean = prior_links(evidence.corner)
    tape = Link(**{name: float(np.mean(x)) for name, x in vars(mean).items()})
    raised = effective_height_mm(tape, 2.0, lift, "outer")
    assert curves[2].height_mm == pytest.approx(float(raised))
    assert 2.3 < curves[2].height_mm < 2.6
    # the true mechanism with that lift, against its level slot at either height
    points = demo_truth.CORNER
    travel = np.array([-50.0, -25.0, 25.0, 50.0, 0.0])

    def change(at: HardPoints, height: float) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        toe = sweep(at, travel, height, -3.0).toe_deg[0]
        return np.asarray(toe[:-1] - toe[-1])

    inner = points.inner.copy()
    inner[TOE_LINK, 2] += lift
    span = points.outer[TOE_LINK] - points.inner[TOE_LINK]
    longer = float(np.linalg.norm(span) - np.linalg.norm(points.outer[TOE_LINK] - inner[TOE_LINK]))
    toe = sweep(replace(points, inner=inner), travel, 2.0, -3.0 + longer).toe_deg[0]
    true = toe[:-1] - toe[-1]
    off = [np.sqrt(np.mean((change(points, h) - true) ** 2)) for h in (2.0, curves[2].height_mm)]
    assert off[1] < 0.2 * off[0]
    # static toe logged beside it counts with that shift and lift
    (row,) = [r for name, r in logged_static_toe(evidence) if name == "link-short"]
    assert row.lift_mm == pytest.approx(lift)
    assert row.shift_mm == pytest.approx(12.0 * np.sin(np.deg2rad(-14.4)))


@pytest.mark.parametrize("kind", ["slot", "cam-in-slot", "marks", "none"])
def test_what_keeps_its_height_is_left_as_it_is(demo_book: Logbook, kind: EccentricKind) -> None:
    stated = Eccentric(kind=kind, throw_mm=12.0, toe_at_marks=((-9.0, 5.0), (9.0, -5.0)))
    pivot = corner_evidence(_with(demo_book, eccentric=stated), CORNER).pivot
    height = np.array([1.0, 2.0])
    assert pivot.surface_height(height, np.array([0.0, -3.0])) is height


def _fit_rows(stated: Eccentric, worth: float, noise: float = 0.0) -> list[Run]:
    """Static toe at three marks of a link ahead with a level link: the plane's own answer."""
    rows = []
    for i, mark in enumerate((0.0, 2.0, -3.0)):
        angle = np.deg2rad(stated.angle_deg + mark * (stated.deg_per_mark or 0.0))
        way = worth * mark
        if stated.kind != "slot":
            way = worth * (np.sin(angle) - np.sin(np.deg2rad(stated.angle_deg)))
        toe = float(np.rad2deg(np.arctan(way / 120.0)))
        rows.append(Run(name=f"r{i}", corner="c", eccentric_mark=mark, static_toe_deg=toe + noise))
    return rows


@pytest.mark.outside
@pytest.mark.parametrize(
    ("stated", "worth"),
    [
        (Eccentric(kind="slot"), 1.1),
        (Eccentric(kind="cam-in-slot", deg_per_mark=8.0, angle_deg=20.0), 7.0),
        (Eccentric(kind="free-cam", deg_per_mark=8.0, angle_deg=-10.0), 7.0),
    ],
)
def test_the_fit_finds_what_made_the_readings(stated: Eccentric, worth: float) -> None:
    """Least squares by hand: the slope of arm * tan(toe) over the marks' way."""
    rows = _fit_rows(stated, worth)
    tape = replace(TAPE, rise_mm=Measured(value=0.0, sd=1e-6))
    made = Corner(name="c", side="left", ahead=True, tape=tape, eccentric=stated)
    found = mark_worth(made, 0.0, [(r, 0.0, 0.0) for r in rows])
    assert found is not None
    assert found.value_mm == pytest.approx(worth, rel=0.01)
    assert found.good
    assert found.give_mm == pytest.approx(norm.ppf(0.95) * found.sd_mm, rel=1e-4)
    # the noise of three static toes and three marks, by the formula of a straight line
    marks = np.array([r.eccentric_mark for r in rows], float)
    if stated.kind == "slot":
        each = np.hypot(120.0 * np.deg2rad(0.03), 0.15 * worth)
        assert found.sd_mm == pytest.approx(
            each / np.sqrt(np.sum((marks - marks.mean()) ** 2)), rel=0.1
        )
    # an arm that is ten per cent off makes the worth ten per cent off, and says so
    loose = replace(tape, arm_mm=Measured(value=132.0, sd=12.0))
    vague = mark_worth(replace(made, tape=loose), 0.0, [(r, 0.0, 0.0) for r in rows])
    assert vague is not None
    assert vague.sd_mm > 0.08 * worth
    pivot = pivot_of(made, rows[0], rows)
    filled = pivot.eccentric.mm_per_mark if stated.kind == "slot" else pivot.eccentric.throw_mm
    assert filled == found.value_mm


def test_too_little_to_fit_is_said(demo_book: Logbook) -> None:
    bare = _with(demo_book, eccentric=Eccentric(kind="slot"))
    advice = advise(bare, CORNER)
    assert advice.pivot.worth is not None
    assert advice.pivot.worth.value_mm == pytest.approx(1.0, abs=0.1)
    assert "by static toe of as-found, joint-up, link-short" in _screen(advice, bare)
    one = _with(demo_book, (0.0, 0.0, None), eccentric=Eccentric(kind="slot"))
    advice = advise(one, CORNER)
    assert advice.pivot.worth is None
    assert advice.move.static_toe.marks is None
    assert "log static toe at two marks or more" in _screen(advice, one)
    cam = _with(demo_book, LOGGED, eccentric=Eccentric(kind="free-cam"))
    said = _screen(advise(cam, CORNER), cam)
    assert "what the cam lifts is not allowed for: state degrees_per_mark" in said
    # marks counted the other way fit no worth, and are not made to
    turned = _with(demo_book, (0.0, 0.0, 3.0), eccentric=Eccentric(kind="slot"))
    advice = advise(turned, CORNER)
    assert (advice.pivot.worth, advice.pivot.lacking) == (None, "rough")
    assert "runs against marks that count inboard" in _screen(advice, turned)
    # a typed mark in between tells too little, and is not used either
    near = advise(_with(demo_book, (0.0, 0.2, None), eccentric=Eccentric(kind="slot")), CORNER)
    assert (near.pivot.worth, near.pivot.lacking) == (None, "worth")


def test_a_fit_is_not_fitted_to_twice(demo_book: Logbook) -> None:
    known = corner_evidence(demo_book, CORNER)
    assert len(logged_static_toe(known)) == 2
    bare = corner_evidence(_with(demo_book, eccentric=Eccentric(kind="slot")), CORNER)
    assert logged_static_toe(bare) == []


@settings(max_examples=12, deadline=None)
@given(
    kind=st.sampled_from(["cam-in-slot", "free-cam"]),
    throw=st.floats(2.0, 14.0),
    angle=st.floats(-60.0, 60.0),
    lifts=st.sampled_from([1, -1]),
)
def test_no_suggestion_is_past_a_cam_s_range(
    demo_book: Logbook, kind: EccentricKind, throw: float, angle: float, lifts: int
) -> None:
    stated = Eccentric(kind=kind, throw_mm=throw, deg_per_mark=6.0, angle_deg=angle, lifts=lifts)
    book = _with(demo_book, (0.0, 0.0, None), eccentric=stated).as_of("joint-up")
    try:
        advice = advise(book, CORNER)
    except NothingCanBeMadeError:
        return
    for move in (advice.move, *(r.move for r in advice.runners_up)):
        cam = move.static_toe.cam
        assert cam is not None
        assert abs(cam.angle_deg) <= 90.0
        if move.spot.run is None:
            assert move.static_toe.left_inboard_mm is not None
            assert move.static_toe.left_inboard_mm > -0.05
    if advice.action == "try":
        told = _screen(advice, book)
        moved = advice.move.static_toe
        assert moved.cam is not None
        near = abs(moved.cam.angle_deg) > 60.0 and abs(moved.shift_mm.value) >= 0.05
        assert ("FROM ITS DEAD POINT" in told) is near


@pytest.mark.parametrize("kind", ["slot", "cam-in-slot", "free-cam"])
def test_less_range_never_promises_more(demo_book: Logbook, kind: EccentricKind) -> None:
    best, count = [], []
    for left in (12.0, 5.0, 3.2, 3.0):
        stated = replace(FREE, kind=kind, inboard_left_mm=left, outboard_left_mm=left)
        evidence = corner_evidence(_with(demo_book, LOGGED, eccentric=stated), CORNER)
        table = Table(evidence, evidence.corner.goal)
        field = settings_of(table)
        best.append(float(table.expected(field).min()))
        count.append(len(field.height))
    assert best == sorted(best)
    assert best[0] < best[-1]
    assert count == sorted(count, reverse=True)


def test_a_mark_past_the_dead_point_is_named_and_not_used(demo_book: Logbook) -> None:
    unlogged = advise(_with(demo_book, (0.0, 0.0, None), eccentric=FREE), CORNER)
    book = _with(demo_book, (0.0, 0.0, -16.0), eccentric=FREE)
    advice = advise(book, CORNER)
    assert advice.pivot.past_dead == ("link-short",)
    assert "the mark of link-short would turn the cam past its dead point" in _screen(advice, book)
    assert advice.move.spot == unlogged.move.spot
    assert advice.move.static_toe.mark is None
    assert advice.move.static_toe.shift_mm == unlogged.move.static_toe.shift_mm


@pytest.mark.outside
@pytest.mark.parametrize(
    ("kind", "angle", "mark"),
    [("cam-in-slot", -80.0, None), ("cam-in-slot", -85.0, -3.0), ("free-cam", -85.0, None)],
)
def test_a_cam_that_cannot_have_held_toe_is_doubted_and_its_shift_not_clipped(
    demo_book: Logbook, kind: EccentricKind, angle: float, mark: float | None
) -> None:
    cam = replace(FREE, kind=kind, angle_deg=angle)
    book = _with(demo_book, (0.0, 0.0, mark), eccentric=cam)
    evidence = corner_evidence(book, CORNER)
    table = Table(evidence, evidence.corner.goal)
    now = evidence.setting_of(evidence.now)
    assert evidence.pivot.cannot_have_held(now, mark)
    assert not evidence.pivot.cannot_have_held((0.0, 0.0), 0.0)
    back = static_toe_of(
        table.link, (now[0], 0.0), now, evidence.pivot, mark, evidence.corner.thread
    )
    # 3 mm of link at an arm taped at 96 mm, by small angles
    assert back.shift_mm.value == pytest.approx(3.0, abs=0.05)
    assert back.forgotten_deg.value == pytest.approx(3.0 / 96.0 * DEG, rel=0.1)
    assert (back.cam, back.mark, back.marks) == (None, None, None)
    advice = advise(book, CORNER)
    assert advice.pivot.not_held == "link-short"
    assert "cannot have held static toe at link-short" in _screen(advice, book)
    fine = advise(_with(demo_book, LOGGED, eccentric=FREE), CORNER)
    assert fine.pivot.not_held is None


def test_outside_the_table_is_refused(demo_book: Logbook) -> None:
    wide = Eccentric(kind="marks", toe_at_marks=((-9.0, 5.6), (0.0, 0.18), (4.0, -2.2)))
    book = _with(demo_book, eccentric=wide)
    advice = advise(book, CORNER)
    mark = advice.move.static_toe.mark
    assert mark is not None
    assert -9.0 <= mark <= 4.0
    assert f"to mark {mark:.1f}" in _screen(advice, book)
    tight = _with(demo_book, eccentric=replace(wide, toe_at_marks=((-3.6, 2.3), (0.5, -0.1))))
    near = advise(tight, CORNER)
    assert near.n_candidate < advice.n_candidate
    mark = near.move.static_toe.mark
    assert mark is not None
    assert -3.7 <= mark <= 0.6
    gone = Eccentric(kind="marks", toe_at_marks=((20.0, 5.0), (21.0, 4.9)), outboard_left_mm=0.0)
    with pytest.raises(NothingCanBeMadeError):
        advise(_with(demo_book, eccentric=replace(gone, inboard_left_mm=0.0)), CORNER)
    # a table that runs against the marks is doubted
    turned = replace(wide, toe_at_marks=((-9.0, -5.6), (0.0, -0.18), (4.0, 2.2)))
    book = _with(demo_book, eccentric=turned)
    assert "runs against marks that count inboard" in _screen(advise(book, CORNER), book)


def test_without_a_mark_the_table_tells_none(demo_book: Logbook) -> None:
    wide = Eccentric(kind="marks", toe_at_marks=((-9.0, 5.6), (0.0, 0.18), (4.0, -2.2)))
    book = _with(demo_book, (None, None, None), eccentric=wide)
    advice = advise(book, CORNER)
    assert advice.move.static_toe.marks is None
    assert advice.pivot.lacking == "mark"


@pytest.mark.outside
def test_a_table_s_mark_is_where_toe_comes_back(demo_book: Logbook) -> None:
    """Straight lines of the table turned round by numpy, at the demo's tape."""
    evidence = corner_evidence(demo_book, CORNER)
    table = ((-9.0, 5.6), (0.0, 0.18), (4.0, -2.2))
    pivot = replace(evidence.pivot, eccentric=Eccentric(kind="marks", toe_at_marks=table))
    link = Link(
        length_mm=np.full((4, 1), 320.0),
        arm_mm=np.full((4, 1), -96.0),
        rise_mm=np.zeros((4, 1)),
        stud_lean_rad=np.zeros((4, 1)),
    )
    move = static_toe_of(link, (0.0, -2.0), (0.0, 0.0), pivot, 1.0, Thread())
    start = np.interp(1.0, [-9.0, 0.0, 4.0], [5.6, 0.18, -2.2])
    wanted = start + np.rad2deg(2.0 / 96.0)  # 2 mm outboard of a link behind is toe-in
    assert move.mark == pytest.approx(
        np.interp(wanted, [-2.2, 0.18, 5.6], [4.0, 0.0, -9.0]), abs=0.02
    )
    assert move.marks is not None
    assert move.marks.value == pytest.approx(move.mark - 1.0)
    # no mark logged, 3 mm longer by now: static toe held since mark 1 put the pivot 3 mm inboard
    held_since = replace(pivot, reference_mark=1.0)
    now = held_since.table_toe_deg(link, (0.0, 3.0), None)
    assert now is not None
    assert now == pytest.approx(np.full((4, 1), start - np.rad2deg(3.0 / 96.0)), abs=1e-3)
    assert held_since.table_toe_deg(link, (0.0, 3.0), 1.0) == pytest.approx(start)
    assert band_of(np.arange(101.0)).low == pytest.approx(5.0)
    assert abs(float(np.mean(formula_error_mm(4000, np.array([2.0, 4.0]))))) < 1e-9


def _drawn(n: int = 4000) -> Link:
    """Many draws of one link, level and square: only errors of setting differ."""
    draws = {"length_mm": 300.0, "arm_mm": 120.0, "rise_mm": 0.0, "stud_lean_rad": 0.0}
    return Link(**{name: np.full((n, 1), value) for name, value in draws.items()})


@pytest.mark.outside
@pytest.mark.parametrize(
    ("thread", "step"),
    [
        (Thread(kind="one-end", pitch_mm=1.25), 0.625),
        (Thread(kind="both-ends", pitch_mm=1.5, flats=6), 0.5),
    ],
    ids=["half turns", "flats"],
)
def test_a_thread_s_step_leaves_its_twelfth_of_static_toe(thread: Thread, step: float) -> None:
    # GUM, JCGM 100:2008, F.2.2.1: a step q has variance q^2 / 12; over the arm it is an angle
    fixed = Pivot(eccentric=Eccentric(kind="none"), end="outer", reference_mark=None)
    left = static_toe_of(_drawn(), (0.0, 0.0), (0.0, 0.0), fixed, None, thread).left_deg
    assert left is not None
    sd = np.rad2deg(step / np.sqrt(12.0) / 120.0)
    assert left.high - left.low == pytest.approx(2.0 * norm.ppf(0.95) * sd, rel=0.06)
    assert left.value == pytest.approx(0.0, abs=0.1 * sd)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("per_mark", "each"), [(None, HAND_SD_MM), (2.0, 2.0 * MARK_SD)], ids=["by hand", "marks"]
)
def test_a_slot_leaves_what_two_readings_of_its_place_do(
    per_mark: float | None, each: float
) -> None:
    """Set down and read off: two errors, over the arm of 120 mm an angle."""
    pivot = Pivot(
        eccentric=Eccentric(kind="slot", mm_per_mark=per_mark), end="outer", reference_mark=0.0
    )
    left = static_toe_of(_drawn(), (0.0, 0.0), (0.0, 0.0), pivot, 0.0, Thread()).left_deg
    assert left is not None
    sd = np.rad2deg(each * np.sqrt(2.0) / 120.0)
    assert left.high - left.low == pytest.approx(2.0 * norm.ppf(0.95) * sd, rel=0.06)


@pytest.mark.outside
@pytest.mark.parametrize("step", [6.0, None], ids=["marks", "by hand"])
def test_a_cam_set_to_the_nearest_mark_leaves_what_two_readings_of_marks_do(
    step: float | None,
) -> None:
    """Amid its turn a throw of 12 mm gives 12 sin(angle): the spread by hand."""
    stated = Eccentric(kind="cam-in-slot", throw_mm=12.0, deg_per_mark=step)
    pivot = Pivot(eccentric=stated, end="outer", reference_mark=0.0)
    move = static_toe_of(_drawn(), (0.0, 0.0), (0.0, 0.0), pivot, 0.0, Thread())
    each = HAND_SD_DEG if step is None else MARK_SD * step
    sd = np.rad2deg(12.0 * np.deg2rad(each * np.sqrt(2.0)) / 120.0)
    assert move.left_deg is not None
    assert move.left_deg.high - move.left_deg.low == pytest.approx(
        2.0 * norm.ppf(0.95) * sd, rel=0.06
    )
    # 3 mm inboard is a turn of asin(3 / 12); each figure in marks is that of the turn
    turned = static_toe_of(_drawn(), (0.0, 3.0), (0.0, 0.0), pivot, 0.0, Thread())
    assert turned.cam is not None
    assert turned.cam.turn_deg.value == pytest.approx(np.rad2deg(np.arcsin(0.25)), rel=0.01)
    assert turned.cam.turn_deg.low < turned.cam.turn_deg.value < turned.cam.turn_deg.high
    if step is None:
        assert turned.marks is None
    else:
        assert turned.marks is not None
        for name in ("value", "low", "high"):
            degrees = getattr(turned.cam.turn_deg, name)
            assert getattr(turned.marks, name) == pytest.approx(degrees / step)
        assert turned.mark == pytest.approx(turned.marks.value)


@pytest.mark.parametrize("kind", ["cam-in-slot", "marks"])
def test_way_left_is_the_nearer_of_the_pivot_s_own_end_and_the_stated_one(kind: str) -> None:
    """3 mm inboard, by hand: 9 mm of a throw of 12 are left, or of a table as wide."""
    end_deg = float(np.rad2deg(12.0 / 120.0))
    table = ((-12.0, -end_deg), (12.0, end_deg))
    made = {"throw_mm": 12.0} if kind == "cam-in-slot" else {"toe_at_marks": table}

    def left(inboard: float | None, outboard: float | None) -> tuple[float | None, float | None]:
        stated = Eccentric(
            kind=kind,  # type: ignore[arg-type]
            inboard_left_mm=inboard,
            outboard_left_mm=outboard,
            **made,  # type: ignore[arg-type]
        )
        pivot = Pivot(eccentric=stated, end="outer", reference_mark=0.0)
        move = static_toe_of(_drawn(), (0.0, 3.0), (0.0, 0.0), pivot, 0.0, Thread())
        return move.left_inboard_mm, move.left_outboard_mm

    assert left(None, None) == (pytest.approx(9.0, abs=0.02), pytest.approx(15.0, abs=0.02))
    assert left(5.0, 4.0) == (pytest.approx(2.0, abs=0.02), pytest.approx(7.0, abs=0.02))
    assert left(30.0, 30.0) == (pytest.approx(9.0, abs=0.02), pytest.approx(15.0, abs=0.02))


@pytest.mark.parametrize("stated", [FREE, replace(FREE, kind="cam-in-slot", angle_deg=15.0)])
def test_left_and_right_get_the_same_cam(demo_book: Logbook, stated: Eccentric) -> None:
    book = _with(demo_book, LOGGED, eccentric=stated)
    other = _with(book, side="right")
    one, two = advise(book, CORNER), advise(other, CORNER)
    assert one.move == two.move
    assert one.pivot == two.pivot


def test_a_cam_turned_over_is_the_cam_s_mirror(demo_book: Logbook) -> None:
    """A wide throw is a slot; lifting up or down then makes no difference."""
    wide = Eccentric(kind="free-cam", throw_mm=5000.0)
    slot = advise(_with(demo_book, (None,) * 3, eccentric=Eccentric(kind="slot")), CORNER)
    for lifts in (1, -1):
        cam = advise(_with(demo_book, (None,) * 3, eccentric=replace(wide, lifts=lifts)), CORNER)
        assert cam.move.spot == slot.move.spot
        assert cam.move.static_toe.shift_mm.value == pytest.approx(
            slot.move.static_toe.shift_mm.value, abs=0.02
        )


@pytest.mark.outside
@pytest.mark.parametrize("face", ["clevis", "arm-below", "arm-above"])
@pytest.mark.parametrize("end", ["outer", "inner", "rack"])
def test_every_end_and_face_moves_the_curve_its_own_way(
    corner: HardPoints, face: str, end: str
) -> None:
    """Shims moved from above to below raise the joint; the mechanism says what that does."""
    stack = Stack(
        end="outer" if end == "outer" else "inner",
        rack=end == "rack",
        face=face,  # type: ignore[arg-type]
    )
    first = Run(name="a", corner="c", above_mm=(2.0,), below_mm=(1.0,))
    then = Run(name="b", corner="c", above_mm=(), below_mm=(2.0, 1.0))
    height = joint_height_mm(then, first, stack)
    assert height == 2.0
    travel = np.array([-40.0, 40.0, 0.0])
    put = {name: getattr(corner, name).copy() for name in ("inner", "outer")}
    put[stack.end][TOE_LINK, 2] += height  # the joint itself, where the shims put it
    points = replace(corner, **put)
    span = [np.linalg.norm(p.outer[TOE_LINK] - p.inner[TOE_LINK]) for p in (corner, points)]
    toe = sweep(points, travel, 0.0, float(span[0] - span[1])).toe_deg[0]
    was = sweep(corner, travel).toe_deg[0]
    added = (toe[:-1] - toe[-1]) - (was[:-1] - was[-1])
    link = Link(length_mm=300.0, arm_mm=115.0, rise_mm=0.0)
    told = arc_toe_change_deg(link, travel[:-1], height, 0.0, end=stack.end)
    assert added == pytest.approx(told, rel=0.3)
    # the length that holds static toe where the pivot cannot move
    same = length_that_holds_toe_mm(link, np.array([height]), stack.end)
    still = sweep(
        replace(corner, end=stack.end), np.zeros(1), height, same, hold_static_toe=False
    ).toe_deg[0, 0]
    assert still == pytest.approx(was[-1], abs=1e-3)
    # raising the inner joint is lowering the outer one
    assert np.sign(added[1]) == (-1.0 if stack.end == "inner" else 1.0)


def _racked(book: Logbook, other_below: tuple[float, ...]) -> Logbook:
    """The demo as the left end of a shimmed rack, with a right end beside it."""
    corner = replace(
        book.corners[CORNER],
        steered=True,
        eccentric=Eccentric(kind="none"),
        stack=replace(book.corners[CORNER].stack, end="inner", rack=True),
    )
    right = replace(corner, name="front-right", side="right", reference_run="right")
    day = book.runs[-1].date
    row = Run(name="right", corner="front-right", date=day, above_mm=(2.0,), below_mm=other_below)
    return replace(
        book,
        corners={CORNER: corner, "front-right": right},
        runs=(*book.runs, row),
    )


def test_a_rack_moves_both_sides(demo_book: Logbook) -> None:
    book = _racked(demo_book, (3.0, 1.0))
    advice = advise(book, CORNER)
    assert advice.pivot.rack_partner == ("front-right",)
    assert advice.pivot.rack_differs == ()
    said = _screen(advice, book)
    assert "above the rack, top to bottom" in said
    assert abs(advice.move.raise_mm) >= 0.005
    assert re.search(r"\(both sides [0-9.]+ mm (higher|lower)\)", said)
    # length follows height, the same both sides, the rack centred; nothing else is offered
    assert "Doubt the rack" not in said
    for move in (advice.move, *(r.move for r in advice.runners_up)):
        assert abs(move.static_toe.shift_mm.value) < 0.05
    assert abs(advice.move.static_toe.forgotten_deg.value) >= 0.02
    assert "both sides alike, rack centred" in said
    differs = _racked(demo_book, (2.0, 1.0))
    advice = advise(differs, CORNER)
    assert advice.pivot.rack_differs == (("2026-03-14", "front-right"),)
    assert "the rack's shims differ on 2026-03-14" in _screen(advice, differs)


def test_the_order_of_work_sets_toe_once(demo_book: Logbook) -> None:
    book = _with(demo_book, LOGGED, eccentric=FREE)
    advice = advise(book, CORNER)
    order = in_order(advice, Crew.of(book), ["shims", "length", "eccentric"])
    assert order[0].startswith("first: note static toe and the eccentric's mark")
    assert order[1:4] == ("shims", "length", "eccentric")
    assert "both cam plates at one mark" in order[4]
    assert order[5].startswith("last: read static toe after torque")
    assert "expect it within" in order[5]
    assert "expect it within" in _screen(advice, book)
    steered = _with(demo_book, eccentric=Eccentric(kind="none"))
    told = in_order(advise(steered, CORNER), Crew.of(steered), ["shims"])
    assert "mark" not in told[0]


def test_programs_get_what_the_screen_says(demo_book: Logbook) -> None:
    book = _with(demo_book, LOGGED, eccentric=replace(FREE, throw_mm=None))
    advice = advise(book, CORNER)
    said = " ".join(_screen(advice, book).split())
    (corner,) = next_document(book, [advice])["corners"]
    static, cam = corner["do"]["eccentric"], advice.move.static_toe.cam
    assert cam is not None
    assert static["cam"]["ends_at_deg"] == cam.angle_deg
    assert static["cam"]["left_inboard_deg"] == pytest.approx(90.0 - cam.angle_deg)
    assert static["cam"]["near_dead_point"] is (abs(cam.angle_deg) > 60.0)
    assert static["to_mark"] == pytest.approx(-2.4 + static["marks"]["value"])
    for shown in (
        static["static_toe_left"]["shown"],
        static["cam"]["turn_deg"]["shown"],
        static["shift_mm"]["shown"],
        corner["pivot"]["fitted"]["shown"],
    ):
        assert shown in said
    assert corner["pivot"]["kind"] == "free-cam"
    assert corner["pivot"]["fitted"]["what"] == "throw"
    assert corner["pivot"]["fitted"]["runs"] == ["as-found", "joint-up", "link-short"]
    assert len(corner["order_of_work"]) == len(corner["do"]["shown"]) + 3


@pytest.mark.parametrize("way", [-1.0, 1.0])
def test_where_a_cam_then_stands_is_where_it_stood_and_its_turn(
    demo_book: Logbook, way: float
) -> None:
    """Outboard of its own middle, and inboard of it where the cam was built turned on."""
    cam = Eccentric(
        kind="free-cam", throw_mm=12.0, deg_per_mark=6.0, angle_deg=0.0 if way < 0.0 else 40.0
    )
    corner = replace(demo_book.corners[CORNER], eccentric=cam)
    runs = tuple(
        replace(r, eccentric_mark=None if r.eccentric_mark is None else 0.8 * r.eccentric_mark)
        for r in demo_book.runs
    )
    book = replace(demo_book, corners={CORNER: corner}, runs=runs)
    advice = advise(book, CORNER)
    told = advice.move.static_toe.cam
    assert told is not None
    mark = runs[-1].eccentric_mark or 0.0
    start = cam.angle_deg + mark * 6.0
    assert told.angle_deg == pytest.approx(start + told.turn_deg.value, abs=1e-9)
    assert told.angle_deg * way > 1.0
