"""The movable pivot at a level, square link: every figure by a few lines of arithmetic."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm

from optimizer.advise import mark_worth as worths
from optimizer.advise.eccentric import (
    Band,
    band_of,
    formula_error_mm,
    link_draws,
    shortest_band,
    shortest_bands,
    static_toe,
)
from optimizer.advise.evidence import corner_evidence
from optimizer.advise.mark_worth import MARK_SD, MarkWorth
from optimizer.advise.pivot import (
    Made,
    Pivot,
    at_angle,
    effective_height_mm,
    held,
    off_mm,
    pivot_of,
)
from optimizer.advise.pivot_move import (
    _interpolated,
    _least,
    pivot_report,
    static_toe_of,
)
from optimizer.model.arc import Link
from optimizer.records import Corner, Eccentric, Logbook, Measured, Run, Stack, Tape, Thread

Array = NDArray[np.float64]

CORNER = "rear-left"
LEVEL = Link(length_mm=300.0, arm_mm=120.0, rise_mm=0.0)
CAM = Eccentric(kind="cam-in-slot", throw_mm=10.0, deg_per_mark=6.0)
TABLE = ((-9.0, 5.6), (0.0, 0.2), (4.0, -2.2))


def _drawn(n: int, arm: float = 120.0) -> Link:
    fields = {"length_mm": 300.0, "arm_mm": arm, "rise_mm": 0.0, "stud_lean_rad": 0.0}
    return Link(**{name: np.full((n, 1), value) for name, value in fields.items()})


def _pivot(stated: Eccentric, mark: float | None = 0.0, **more: Any) -> Pivot:
    return Pivot(eccentric=stated, end="outer", reference_mark=mark, **more)


def test_a_link_is_read_from_its_draws() -> None:
    """A rise past half the length is no link's and is cut there, either way."""
    draws = np.zeros((3, 65))
    draws[:, 60:] = [[np.log(300.0), np.log(90.0), z, 2e-4, 0.05] for z in (20.0, 170.0, -170.0)]
    for ahead, way in ((True, 1.0), (False, -1.0)):
        link = link_draws(draws, ahead=ahead)
        assert np.ravel(link.length_mm) == pytest.approx([300.0] * 3)
        assert np.ravel(link.arm_mm) == pytest.approx([90.0 * way] * 3)
        assert np.ravel(link.rise_mm) == pytest.approx([20.0, 150.0, -150.0])
        assert np.ravel(link.lean_in_rad_per_mm) == pytest.approx([2e-4] * 3)
        assert np.shape(link.stud_lean_rad) == (3, 1)


def test_a_length_forgotten_where_no_pivot_moves_leaves_what_the_height_did() -> None:
    """Raised 20 mm without a longer link: the joint comes in by 300 less sqrt(300^2 - 20^2)."""
    longer = float(np.hypot(300.0, 20.0) - 300.0)
    got = static_toe(_drawn(400), (20.0, 2.0 + longer), (0.0, 2.0), Eccentric(kind="none"), "outer")
    inwards = 302.0 - np.sqrt(302.0**2 - 20.0**2)
    assert got.forgotten_deg.value == pytest.approx(np.rad2deg(inwards / 120.0), rel=1e-6)
    assert got.marks is None
    # with a pivot it is the whole move that is forgotten, less its own place now
    moved = static_toe(_drawn(400), (0.0, 5.0), (0.0, 2.0), Eccentric(kind="slot"), "outer")
    assert moved.forgotten_deg.value == pytest.approx(-np.rad2deg(3.0 / 120.0), rel=1e-6)
    assert moved.total_mm == pytest.approx(5.0)
    assert (moved.left_inboard_mm, moved.left_outboard_mm) == (None, None)


def test_marks_have_the_band_of_the_shift() -> None:
    got = static_toe(_drawn(400), (3.0, 5.0), (0.0, 2.0), Eccentric(mm_per_mark=1.5), "outer")
    assert got.marks is not None
    for name in ("value", "low", "high"):
        assert getattr(got.marks, name) == pytest.approx(getattr(got.shift_mm, name) / 1.5)
    # 0.005 a millimetre of height and 0.006 a millimetre of length, square to each other
    half = norm.ppf(0.95) * np.hypot(0.005 * 3.0, 0.006 * 3.0)
    assert (got.shift_mm.high - got.shift_mm.low) / 2.0 == pytest.approx(half, rel=0.1)
    # paired by sign, so that the mean is that of the formula; an odd draw is left over
    error = formula_error_mm(7, np.array([2.0, 0.0]))
    assert error[:3] == pytest.approx(-error[4:])
    assert len(error) == 7


@pytest.mark.outside
@pytest.mark.parametrize(("n", "share"), [(400, 0.9), (7, 0.9), (7, 0.5), (2, 0.9), (1, 0.9)])
def test_the_shortest_stretch_is_that_of_brute_force(n: int, share: float) -> None:
    """Every stretch of so many steps between ordered draws, one by one."""
    draws = np.random.default_rng(n).gamma(2.0, size=(n, 3))
    got = shortest_bands(draws, share)
    for column, (value, low, high) in zip(draws.T, got.T, strict=True):
        x = sorted(column)
        steps = min(int(np.ceil(share * n)), n - 1)
        at = min(range(n - steps), key=lambda i: x[i + steps] - x[i])
        assert (low, high) == (x[at], x[at + steps])
        assert value == pytest.approx(column.mean())
    one = shortest_band(draws[:, 0], share)
    assert (one.low, one.high) == tuple(got[1:, 0])
    assert one.value == pytest.approx(got[0, 0])


def test_bands_hold_nine_tenths() -> None:
    line = np.arange(101.0)
    assert band_of(line[::-1]) == Band(value=50.0, low=5.0, high=95.0)
    whole = shortest_band(np.arange(11.0))
    assert whole.high - whole.low == 10.0


def test_a_lifted_pivot_counts_as_height_without_the_share_of_camber_gain() -> None:
    """1 mm of lift on 300 mm with 1 mrad a mm of gain: 1 / (1 - 0.3); never past double."""
    link = replace(LEVEL, lean_in_rad_per_mm=1e-3)
    assert effective_height_mm(link, 2.0, 1.0, "outer") == pytest.approx(2.0 - 1.0 / 0.7)
    steep = replace(LEVEL, lean_in_rad_per_mm=3e-3)
    assert effective_height_mm(steep, 2.0, 1.0, "outer") == pytest.approx(0.0)
    geared = replace(LEVEL, lean_in_rad_per_mm=1e-3, path_ratio=0.5)
    assert effective_height_mm(geared, 2.0, 1.0, "outer") == pytest.approx(2.0 - 1.0 / 0.5)
    wide = replace(LEVEL, lean_in_rad_per_mm=1e-3, path_ratio=2.0)
    assert effective_height_mm(wide, 2.0, 1.0, "outer") == pytest.approx(2.0 - 1.0 / 0.85)
    assert effective_height_mm(link, 2.0, 1.0, "inner") == pytest.approx(3.0)


def test_where_a_cam_stands_at_a_mark() -> None:
    """10 mm of throw: half a turn's quarter, 30 degrees, shifts it 5 mm."""
    stand = _pivot(CAM, 2.0).at_mark(7.0)
    assert stand is not None
    assert stand.angle_deg == pytest.approx(30.0)
    assert stand.shift_mm == pytest.approx(5.0)
    assert stand.lift_mm == 0.0
    turned = _pivot(replace(CAM, kind="free-cam", angle_deg=-30.0, lifts=-1), 2.0).at_mark(7.0)
    assert turned is not None
    assert turned.shift_mm == pytest.approx(5.0)
    assert turned.lift_mm == pytest.approx(-10.0 * (1.0 - np.cos(np.pi / 6.0)))
    wide = _pivot(CAM, 2.0).at_mark(7.0, throw_mm=np.array([[20.0]]))
    assert wide is not None
    assert wide.shift_mm == pytest.approx(10.0)
    # at its dead point it still tells, past it nothing
    assert _pivot(CAM).at_mark(15.0) is not None
    assert _pivot(CAM).at_mark(-15.0) is not None
    assert _pivot(CAM).at_mark(15.1) is None
    for lacks in (
        _pivot(CAM, None),
        _pivot(replace(CAM, deg_per_mark=None)),
        _pivot(replace(CAM, throw_mm=None)),
        _pivot(replace(CAM, kind="slot")),
    ):
        assert lacks.at_mark(1.0) is None
    assert _pivot(CAM).at_mark(None) is None
    assert bool(at_angle(CAM, 90.0).reached)
    assert not bool(at_angle(CAM, -90.1).reached)


def test_what_a_mark_made_of_the_pivot() -> None:
    slot = Eccentric(kind="slot", mm_per_mark=1.5)
    assert _pivot(slot, 2.0).made(5.0) == Made(shift_mm=4.5)
    assert _pivot(slot, None).made(5.0) is None
    assert _pivot(Eccentric(kind="slot"), 2.0).made(5.0) is None
    assert _pivot(CAM, 2.0).made(7.0) == Made(shift_mm=pytest.approx(5.0))  # type: ignore[arg-type]
    # a cam whose throw is not known, or past its dead point, tells nothing by marks' worth
    blind = replace(CAM, throw_mm=None, mm_per_mark=1.0)
    assert _pivot(blind, 2.0).made(7.0) is None
    assert _pivot(replace(CAM, mm_per_mark=1.0), 2.0).made(40.0) is None
    table = _pivot(Eccentric(kind="marks", toe_at_marks=TABLE), 1.0)
    toe = np.interp([-4.5, 1.0], [-9.0, 0.0, 4.0], [5.6, 0.2, -2.2])
    assert table.made(-4.5) == Made(toe_deg=pytest.approx(toe[0] - toe[1]))  # type: ignore[arg-type]
    # beyond the table its ends
    assert table.made(-30.0) == Made(toe_deg=pytest.approx(5.6 - toe[1]))  # type: ignore[arg-type]


def test_a_cam_holds_by_the_nearest_angle_past_its_reach() -> None:
    """Level: a millimetre of length is one of shift; 10 mm of throw gives no more than 10."""
    stand = held(CAM, LEVEL, 0.0, np.array([5.0, 10.0, 11.0, -11.0]), "outer")
    assert stand.angle_deg == pytest.approx([30.0, 90.0, 90.0, -90.0])
    assert stand.reached.tolist() == [True, True, False, False]
    assert stand.shift_mm == pytest.approx([5.0, 10.0, 10.0, -10.0])
    begun = held(replace(CAM, angle_deg=30.0), LEVEL, 0.0, np.array([5.0, 5.1]), "outer")
    assert begun.reached.tolist() == [True, False]
    assert begun.shift_mm == pytest.approx([5.0, 5.0])
    off = held(CAM, LEVEL, 0.0, 5.0, "outer", off_mm=-5.0, throw_mm=4.0)
    assert off.shift_mm == pytest.approx(0.0)


def test_how_far_off_a_cam_stands() -> None:
    """Its mark says 5 mm inboard, the setting asks for 2."""
    pivot = _pivot(CAM, 0.0)
    assert off_mm(pivot, LEVEL, (0.0, 2.0), pivot.at_mark(5.0)) == pytest.approx(3.0)
    assert off_mm(pivot, LEVEL, (0.0, 2.0), None) == 0.0


def _room(pivot: Pivot, change: list[float], mark: float | None = None) -> list[list[float]]:
    none = np.zeros(len(change))
    sides = pivot.room_mm(LEVEL, none, np.array(change), (0.0, 0.0), mark)
    return [np.round(np.broadcast_to(side, len(change)), 6).tolist() for side in sides]


def test_room_of_each_kind_of_pivot() -> None:
    slot = replace(CAM, kind="slot", inboard_left_mm=4.0, outboard_left_mm=6.0)
    assert _room(_pivot(slot), [1.0, -7.0]) == [[3.0, 11.0], [7.0, -1.0]]
    assert _room(_pivot(replace(slot, outboard_left_mm=None)), [1.0]) == [[3.0]]
    # a cam: to its dead point either way, and a tenth past it where it does not reach
    assert _room(_pivot(CAM), [5.0, -5.0, 11.0]) == [[5.0, 5.0, -0.1]]
    stated = replace(CAM, inboard_left_mm=7.0, outboard_left_mm=8.0)
    assert _room(_pivot(stated), [5.0]) == [[5.0], [2.0], [13.0]]
    # its mark says it stands 5 mm inboard of holding toe: so it will, 5 mm further
    assert _room(_pivot(CAM), [2.0, 5.0, 6.0], mark=5.0) == [[3.0, 0.0, -0.1]]
    # a table: over the arm an angle; a link ahead toes out as it grows and in as it goes inboard
    table = Eccentric(kind="marks", toe_at_marks=((-9.0, -1.0), (0.0, 0.25), (4.0, 2.0)))
    per_deg = 120.0 * np.pi / 180.0
    for mark, toe in ((0.0, 0.25), (4.0, 2.0), (-9.0, -1.0)):
        wanted = toe + np.array([0.0, 1.0]) / per_deg
        rooms = [(2.0 - wanted) * per_deg, (wanted + 1.0) * per_deg]
        assert _room(_pivot(table), [0.0, 1.0], mark) == np.round(rooms, 6).tolist()
    assert _room(_pivot(table, None), [0.0]) == []


def test_a_free_cam_s_lift_is_the_surface_s_height_only_where_it_is_known() -> None:
    free = replace(CAM, kind="free-cam")
    pivot = _pivot(free, link=LEVEL)
    lift = -10.0 * (1.0 - np.cos(np.pi / 6.0))
    assert pivot.surface_height(2.0, 0.0, 5.0) == pytest.approx(2.0 - lift)
    # without a mark, or with one past its dead point, by what holds static toe
    stand = held(free, LEVEL, 2.0, 3.0, "outer")
    for mark in (None, 16.0):
        assert pivot.surface_height(2.0, 3.0, mark) == pytest.approx(2.0 - float(stand.lift_mm))
    for other in (_pivot(free), _pivot(CAM, link=LEVEL), _pivot(replace(free, throw_mm=None))):
        assert other.surface_height(2.0, 3.0, 5.0) == 2.0


def test_a_cam_cannot_have_held_what_it_does_not_reach() -> None:
    pivot = _pivot(CAM, link=LEVEL)
    assert pivot.cannot_have_held((0.0, 10.5), None)
    assert not pivot.cannot_have_held((0.0, 9.5), None)
    assert not pivot.cannot_have_held((0.0, 10.5), 3.0)
    assert pivot.cannot_have_held((0.0, 10.5), 16.0)
    assert not _pivot(CAM).cannot_have_held((0.0, 10.5), None)


TAPED = Tape(
    length_mm=Measured(value=300.0, sd=1e-6),
    arm_mm=Measured(value=120.0, sd=1e-6),
    rise_mm=Measured(value=0.0, sd=1e-6),
)


def _rows(way: float, changes: tuple[float, float, float], start: float) -> list[Run]:
    """Static toe of a level link ahead whose pivot moves ``way`` a mark while it grows."""
    rows = []
    for i, (mark, change) in enumerate(zip((0.0, 2.0, -3.0), changes, strict=True)):
        toe = float(np.rad2deg(np.arctan((way * mark - change) / 120.0)))
        rows.append(
            Run(
                name=f"r{i}",
                corner="c",
                eccentric_mark=mark,
                static_toe_deg=toe,
                length_change_mm=start + change,
            )
        )
    return rows


def _slot(**more: Any) -> Corner:
    return Corner(
        name="c", side="left", ahead=True, tape=TAPED, eccentric=Eccentric(kind="slot"), **more
    )


@pytest.mark.parametrize("start", [0.0, 4.0, -7.5])
def test_a_fit_counts_lengths_and_heights_from_the_reference(start: float) -> None:
    """A level link ahead that is 4 mm longer than in the book is still the reference."""
    rows = _rows(1.2, (0.0, 1.0, -1.0), start)
    found = pivot_of(_slot(), rows[0], rows)
    assert found.worth is not None
    assert found.worth.value_mm == pytest.approx(1.2, rel=0.02)
    assert found.eccentric.mm_per_mark == found.worth.value_mm
    assert [(r.height_mm, r.length_change_mm) for r in found.worth.rows] == [
        (0.0, 0.0),
        (0.0, 1.0),
        (0.0, -1.0),
    ]
    # raised by the stack below it
    raised = [replace(r, below_mm=(3.0,) if i else (1.0,)) for i, r in enumerate(rows)]
    again = pivot_of(_slot(), raised[0], raised)
    assert again.worth is not None
    assert [r.height_mm for r in again.worth.rows] == [0.0, 2.0, 2.0]


def test_a_worth_that_runs_backwards_is_called_so_only_beyond_doubt() -> None:
    """Half its band is about 0.03 mm here: by the straight line's formula."""
    marks = np.array([0.0, 2.0, -3.0])
    lever = np.sqrt(np.sum((marks - marks.mean()) ** 2))
    toe_mm = 120.0 * np.deg2rad(0.03)
    for way, backwards in ((-1.0, True), (-0.06, True), (-0.01, False), (0.02, False)):
        found = pivot_of(_slot(), *_first_and_all(_rows(way, (0.0, 0.0, 0.0), 0.0)))
        give = norm.ppf(0.95) * np.hypot(toe_mm, 0.15 * way) / lever
        assert (way + give < 0.0) == backwards
        assert (found.worth, found.rough, found.backwards) == (None, True, backwards)
        assert found.eccentric.mm_per_mark is None


def _first_and_all(rows: list[Run]) -> tuple[Run, list[Run]]:
    return rows[0], rows


def test_a_worth_is_good_within_a_third_of_itself() -> None:
    """Half the band must be under 0.35 of the value, and above nothing."""

    def worth(value: float, sd: float) -> MarkWorth:
        return MarkWorth(
            value_mm=value,
            sd_mm=sd,
            rows=(),
            eccentric=Eccentric(),
            end="outer",
            reference_mark=0.0,
        )

    z = float(norm.ppf(0.95))
    assert worth(1.0, 0.349 / z).good
    assert not worth(1.0, 0.351 / z).good
    assert not worth(-1.0, 0.1).good
    assert not worth(1.0, 0.0).good
    assert worth(2.0, 0.6 / z).give_mm == pytest.approx(0.6, rel=1e-4)


@pytest.mark.parametrize(
    ("apart", "stated", "reference", "fits"),
    [
        (0.5, Eccentric(kind="slot"), 0.0, True),
        (0.4, Eccentric(kind="slot"), 0.0, False),
        (3.0, Eccentric(kind="slot"), None, True),
        (3.0, Eccentric(kind="slot", mm_per_mark=1.0), 0.0, False),
        (3.0, Eccentric(kind="cam-in-slot", deg_per_mark=6.0), 0.0, True),
        (3.0, Eccentric(kind="cam-in-slot", deg_per_mark=6.0), None, False),
        (3.0, Eccentric(kind="cam-in-slot"), 0.0, False),
        (3.0, CAM, 0.0, False),
        (3.0, Eccentric(kind="none"), 0.0, False),
        (3.0, Eccentric(kind="marks"), 0.0, False),
    ],
)
def test_when_there_is_something_to_fit(
    apart: float, stated: Eccentric, reference: float | None, fits: bool
) -> None:
    corner = replace(_slot(), eccentric=stated)
    rows = [
        (replace(r, eccentric_mark=m), 0.0, 0.0)
        for r, m in zip(_rows(1.0, (0.0, 0.0, 0.0), 0.0)[:2], (1.0, 1.0 + apart), strict=True)
    ]
    assert (worths.mark_worth(corner, reference, rows) is not None) is fits
    # a mark or a static toe that was not logged is no row
    for lacks in ({"eccentric_mark": None}, {"static_toe_deg": None}):
        short = [rows[0], (replace(rows[1][0], **lacks), 0.0, 0.0)]  # type: ignore[arg-type]
        assert worths.mark_worth(corner, reference, short) is None


@pytest.mark.outside
def test_a_table_is_read_between_marks_and_along_its_last_stretches() -> None:
    """Numpy's straight lines between the marks; the last stretch's own line beyond them."""
    marks = np.array([-9.0, 0.0, 4.0, 5.0])
    rows = np.random.default_rng(4).normal(size=(9, 4))
    at = np.array([-12.0, -9.0, -4.0, 0.0, 1.0, 4.0, 4.5, 5.0, 8.0])
    got = _interpolated(at, marks, rows)
    for i, x in enumerate(at):
        row, wanted = rows[i], np.interp(x, marks, rows[i])
        if x < -9.0:
            wanted = row[0] + (x + 9.0) * (row[1] - row[0]) / 9.0
        if x > 5.0:
            wanted = row[3] + (x - 5.0) * (row[3] - row[2])
        assert got[i] == pytest.approx(wanted)


def test_the_way_left_ends_where_the_first_end_comes() -> None:
    assert _least(3.0, None, -9.0) == 3.0
    assert _least(3.0, 5.0, -1.0) == 3.0
    assert _least(3.0, 5.0, -3.0) == 2.0
    assert _least(3.0, 1.0, 1.5) == 2.5


@pytest.mark.outside
def test_a_fitted_worth_turns_a_move_into_marks_draw_by_draw() -> None:
    """Three millimetres at a worth of 1.2: 2.5 marks; two readings of a mark and the worth left."""
    rows = _rows(1.2, (0.0, 0.0, 0.0), 0.0)
    pivot = pivot_of(_slot(), rows[0], rows)
    assert pivot.worth is not None
    link = _drawn(2000)
    move = static_toe_of(link, (0.0, 3.0), (0.0, 0.0), pivot, 0.0, Thread())
    worth = pivot.worth.draws_mm(link)[:, 0]
    assert move.marks is not None
    assert move.marks.value == pytest.approx(2.5, rel=0.02)
    assert move.marks.high - move.marks.low == pytest.approx(
        2.0 * norm.ppf(0.95) * np.std(3.0 / worth), rel=0.15
    )
    missed = np.hypot(2.5 * np.std(worth), MARK_SD * np.sqrt(2.0) * 1.2)
    assert move.left_deg is not None
    assert move.left_deg.high - move.left_deg.low == pytest.approx(
        2.0 * norm.ppf(0.95) * np.rad2deg(missed / 120.0), rel=0.1
    )


def _report(book: Logbook, stated: Eccentric, marks: tuple[float | None, ...] = ()) -> Any:
    runs = book.runs
    if marks:
        runs = tuple(replace(r, eccentric_mark=m) for r, m in zip(runs, marks, strict=True))
    corner = replace(book.corners[CORNER], eccentric=stated)
    made = replace(book, runs=runs, corners={CORNER: corner})
    return pivot_report(made, corner_evidence(made, CORNER))


@pytest.mark.parametrize(
    ("stated", "marks", "lacking"),
    [
        (Eccentric(kind="none"), (), None),
        (Eccentric(kind="slot", mm_per_mark=1.0), (None, None, None), None),
        (Eccentric(kind="slot"), (None, None, None), "worth"),
        (CAM, (), None),
        (replace(CAM, deg_per_mark=None), (), "degrees"),
        (Eccentric(kind="free-cam"), (), "both"),
        (replace(CAM, throw_mm=None), (0.0, 0.0, None), "worth"),
        (Eccentric(kind="marks", toe_at_marks=TABLE), (None, None, None), "mark"),
        # the reference's mark is enough, or that of where it stands
        (Eccentric(kind="marks", toe_at_marks=TABLE), (0.0, None, None), None),
        (Eccentric(kind="marks", toe_at_marks=TABLE), (None, None, 1.0), None),
        (Eccentric(kind="marks", toe_at_marks=TABLE), (None, 1.0, None), "mark"),
    ],
)
def test_what_a_pivot_lacks(
    demo_book: Logbook, stated: Eccentric, marks: tuple[float | None, ...], lacking: str | None
) -> None:
    report = _report(demo_book, stated, marks)
    assert report.lacking == lacking
    assert report.marked is any(m is not None for m in (marks or (0.0,)))


def test_marks_that_count_the_other_way_are_told_by_their_table(demo_book: Logbook) -> None:
    """The demo's link is behind: more inboard is more toe-out, so toe falls over the marks."""
    falling, rising = TABLE, tuple((m, -t) for m, t in TABLE)
    assert not _report(demo_book, Eccentric(kind="marks", toe_at_marks=falling)).backwards
    assert _report(demo_book, Eccentric(kind="marks", toe_at_marks=rising)).backwards
    assert not _report(demo_book, Eccentric(kind="marks")).backwards
    # a table beside a slot says nothing
    slot = Eccentric(kind="slot", mm_per_mark=1.0, toe_at_marks=rising)
    assert not _report(demo_book, slot).backwards


def test_runs_past_a_dead_point_are_named(demo_book: Logbook) -> None:
    marks = (0.0, 16.0, -16.0)
    assert _report(demo_book, CAM, marks).past_dead == ("joint-up", "link-short")
    assert _report(demo_book, CAM, (0.0, None, -15.5)).past_dead == ("link-short",)
    assert _report(demo_book, CAM, (None, 16.0, -16.0)).past_dead == ()
    assert _report(demo_book, replace(CAM, deg_per_mark=None), marks).past_dead == ()


def test_ends_of_a_rack_differ_on_days_when_no_row_of_both_agrees(demo_book: Logbook) -> None:
    """To a thousandth of the stacks' totals; a row without its day is passed over."""
    rack = replace(
        demo_book.corners[CORNER],
        eccentric=Eccentric(kind="none"),
        stack=Stack(end="inner", rack=True),
    )
    right = replace(rack, name="right", side="right", reference_run="x0")
    first = demo_book.runs[0]

    def differs(*rows: Run) -> Any:
        others = tuple(replace(r, name=f"x{i}", corner="right") for i, r in enumerate(rows))
        made = replace(
            demo_book, corners={CORNER: rack, "right": right}, runs=(*demo_book.runs, *others)
        )
        return pivot_report(made, corner_evidence(made, CORNER)).rack_differs

    top = first.above_mm[0]
    other = replace(first, above_mm=(top + 0.5, *first.above_mm[1:]))
    near = replace(first, above_mm=(top + 0.0004, *first.above_mm[1:]))
    off = replace(first, above_mm=(top + 0.002, *first.above_mm[1:]))
    low = replace(first, below_mm=(*first.below_mm, 0.5))
    for row, same in ((first, True), (near, True), (other, False), (off, False), (low, False)):
        assert differs(row) == (() if same else ((first.date, "right"),))
    assert differs(other, first) == ()
    assert differs(replace(other, date="")) == ()
    assert differs(replace(other, date="1999-01-01")) == ()


@pytest.mark.outside
def test_a_table_leaves_what_two_readings_of_its_mark_do() -> None:
    """A degree a mark, read off and set down: 0.15 of a mark each, square to each other."""
    table = ((-20.0, -20.0), (0.0, 0.0), (20.0, 20.0))
    pivot = _pivot(Eccentric(kind="marks", toe_at_marks=table))
    move = static_toe_of(_drawn(4000), (0.0, 0.0), (0.0, 0.0), pivot, 7.0, Thread())
    assert move.left_deg is not None
    assert move.left_deg.high - move.left_deg.low == pytest.approx(
        2.0 * norm.ppf(0.95) * MARK_SD * np.sqrt(2.0), rel=0.05
    )
    assert move.mark == pytest.approx(7.0)
    # over the whole of a long way the toes that were read for the table count as well
    arm, way = 1200.0, float(1200.0 * np.deg2rad(13.0))
    far = static_toe_of(_drawn(4000, arm), (0.0, way), (0.0, 0.0), pivot, -3.0, Thread())
    assert far.mark == pytest.approx(10.0, abs=0.05)
    seen = replace(
        pivot, eccentric=Eccentric(kind="marks", toe_at_marks=((-3.0, 0.0), (10.0, 0.1)))
    )
    small = float(120.0 * np.deg2rad(0.1))
    flat = static_toe_of(_drawn(4000), (0.0, small), (0.0, 0.0), seen, -3.0, Thread())
    assert flat.left_deg is not None
    # from one end to the other: two toes read at 0.03 deg, and a mark is worth next to nothing
    assert flat.left_deg.high - flat.left_deg.low == pytest.approx(
        2.0 * norm.ppf(0.95) * 0.03 * np.sqrt(2.0), rel=0.06
    )
