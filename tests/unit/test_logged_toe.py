"""Static toe that was left off where the car stands is told, with what brings it back."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from optimizer.advise.next_move import advise
from optimizer.cli import main
from optimizer.demo_files import demo_folder
from optimizer.model.mechanism import TOE_LINK, sweep
from optimizer.present.crew import Crew
from optimizer.present.doubts import doubt_words
from optimizer.present.note import note
from optimizer.records import Eccentric, Logbook

CORNER, LAST = "rear-left", "link-short"


def _with(book: Logbook, **row: object) -> Logbook:
    runs = tuple(replace(r, **row) if r.name == LAST else r for r in book.runs)  # type: ignore[arg-type]
    return replace(book, runs=runs)


def _true_toe_deg(truth: ModuleType, mark: float) -> float:
    """Static toe of the demo's mechanism at the last run's setting and another mark."""
    return float(truth.static_toe_deg(2.0, -3.0, mark * truth.MM_PER_MARK))


@pytest.mark.outside
def test_a_pivot_left_where_it_was_is_told(demo_book: Logbook, demo_truth: ModuleType) -> None:
    """The marks said bring the mechanism's static toe back to the first run's."""
    toe = round(_true_toe_deg(demo_truth, 0.0), 2)
    book = _with(demo_book, eccentric_mark=0.0, static_toe_deg=toe)
    advice = advise(book, CORNER)
    logged = advice.logged_toe
    assert logged is not None
    assert logged.unread is None
    assert logged.matters
    assert advice.static_toe_in_doubt == ()
    assert logged.off_deg == pytest.approx(toe - 0.18, abs=1e-9)
    assert logged.back_marks is not None
    put_right = _true_toe_deg(demo_truth, logged.back_marks)
    assert put_right == pytest.approx(_true_toe_deg(demo_truth, -3.0) + 0.1, abs=0.15)
    said = doubt_words(advice, Crew.of(book))
    assert f"{abs(logged.back_marks):.1f} marks outboard bring as-found's back" in said
    assert said in " ".join(" ".join(note(advice, Crew.of(book))).split())


def test_only_the_mark_tells(demo_book: Logbook, demo_truth: ModuleType) -> None:
    advice = advise(_with(demo_book, eccentric_mark=0.0, static_toe_deg=None), CORNER)
    logged = advice.logged_toe
    assert logged is not None
    assert logged.unread == LAST
    wanted = _true_toe_deg(demo_truth, 0.0) - float(demo_truth.static_toe_deg(0.0, 0.0, 0.0))
    assert logged.off_deg == pytest.approx(wanted, abs=0.25)
    assert "(read it, it was not logged)" in doubt_words(advice, Crew.of(demo_book))


@pytest.mark.parametrize(
    "row",
    [{}, {"static_toe_deg": None}, {"static_toe_deg": None, "eccentric_mark": None}],
    ids=["as it is", "held by the mark", "nothing logged"],
)
def test_static_toe_that_was_held_is_no_doubt(demo_book: Logbook, row: dict[str, None]) -> None:
    advice = advise(_with(demo_book, **row), CORNER)
    assert advice.logged_toe is None or not advice.logged_toe.matters
    assert doubt_words(advice, Crew.of(demo_book)) == ""


def test_the_first_run_is_off_nothing(demo_book: Logbook) -> None:
    assert advise(demo_book.as_of("as-found"), CORNER).logged_toe is None


def test_the_way_back_is_the_mechanism_s(demo_truth: ModuleType, demo_book: Logbook) -> None:
    """A millimetre of the pivot is worth what the exact mechanism says."""
    book = _with(demo_book, static_toe_deg=1.18, eccentric_mark=None)
    logged = advise(book, CORNER).logged_toe
    assert logged is not None
    points = demo_truth.CORNER
    moved = points.inner.copy()
    moved[TOE_LINK] += logged.back_mm * points.slot
    kept = np.linalg.norm(points.outer[TOE_LINK] - points.inner[TOE_LINK])
    now = np.linalg.norm(points.outer[TOE_LINK] - moved[TOE_LINK])
    toe = [
        float(sweep(p, np.zeros(1), 0.0, d, hold_static_toe=False).toe_deg[0, 0])
        for p, d in ((points, 0.0), (replace(points, inner=moved), float(kept - now)))
    ]
    assert toe[1] - toe[0] == pytest.approx(-logged.off_deg, rel=0.08)  # the arm is taped to 6 %


def test_the_reference_may_stand_at_any_mark(demo_book: Logbook) -> None:
    """Marks count from the reference run's, wherever on the scale that is."""
    left = _with(demo_book, eccentric_mark=0.0, static_toe_deg=None)
    runs = tuple(replace(r, eccentric_mark=(r.eccentric_mark or 0.0) + 5.0) for r in left.runs)
    moved = advise(replace(left, runs=runs), CORNER).logged_toe
    assert moved is not None
    assert moved == advise(left, CORNER).logged_toe


def test_a_link_ahead_turns_the_other_way(demo_book: Logbook) -> None:
    """Toe-out of a link behind needs the pivot outboard, of one ahead of the pivots inboard."""
    ways = []
    for ahead in (False, True):
        own = demo_book.corners[CORNER]
        book = _with(demo_book, static_toe_deg=-1.0, eccentric_mark=None)
        book = replace(book, corners={CORNER: replace(own, ahead=ahead)})
        logged = advise(book, CORNER).logged_toe
        assert logged is not None
        ways.append(logged.back_mm)
    assert ways[0] < 0.0 < ways[1]


def test_where_only_the_first_run_was_not_read(demo_book: Logbook) -> None:
    book = _with(demo_book, eccentric_mark=0.0, static_toe_deg=-1.7)
    runs = (replace(book.runs[0], static_toe_deg=None), *book.runs[1:])
    advice = advise(replace(book, runs=runs), CORNER)
    assert advice.logged_toe is not None
    assert advice.logged_toe.unread == "as-found"
    assert "(as-found's was not logged)" in doubt_words(advice, Crew.of(book))


@pytest.mark.parametrize(
    ("kind", "words"),
    [("both-ends", "set it by the rod's thread"), ("fixed", "set it elsewhere")],
)
def test_without_a_pivot_the_thread_or_nothing_of_the_link_sets_it(
    demo_book: Logbook, kind: str, words: str
) -> None:
    book = _with(demo_book, static_toe_deg=1.18, eccentric_mark=None)
    own = book.corners[CORNER]
    thread = replace(own.thread, kind=kind)  # type: ignore[arg-type]
    own = replace(own, eccentric=replace(own.eccentric, kind="none"), thread=thread)
    book = replace(book, corners={CORNER: own})
    said = doubt_words(advise(book, CORNER), Crew.of(book))
    assert "static toe of link-short is 1.0 deg further in than in as-found" in said
    assert words in said


def test_a_table_of_marks_tells_without_a_reading(demo_book: Logbook) -> None:
    table = ((-9.0, 5.6), (-4.0, 2.6), (0.0, 0.18), (4.0, -2.2))
    book = _with(demo_book, eccentric_mark=0.0, static_toe_deg=None)
    own = book.corners[CORNER]
    eccentric = replace(own.eccentric, kind="marks", mm_per_mark=None, toe_at_marks=table)
    book = replace(book, corners={CORNER: replace(own, eccentric=eccentric)})
    logged = advise(book, CORNER).logged_toe
    by_slot = advise(_with(demo_book, eccentric_mark=0.0, static_toe_deg=None), CORNER).logged_toe
    assert logged is not None
    assert by_slot is not None
    assert logged.off_deg == pytest.approx(by_slot.off_deg, abs=0.05)  # it stands at mark 0 in both
    assert logged.back_marks is None


@pytest.mark.outside
@pytest.mark.parametrize("mark", [0.0, -2.4, -3.1, 1.5])
def test_a_cam_s_mark_tells_by_its_turn(demo_book: Logbook, mark: float) -> None:
    """12 mm of throw at 6 degrees a mark: 12 sin(angle) inboard, and what it lifts, by hand."""
    angle = np.deg2rad(6.0 * mark)
    inboard, lift = 12.0 * np.sin(angle), 12.0 * (np.cos(angle) - 1.0)

    def off_deg(eccentric: Eccentric, at: float) -> float:
        book = _with(demo_book, eccentric_mark=at, static_toe_deg=None)
        own = replace(book.corners[CORNER], eccentric=eccentric)
        logged = advise(replace(book, corners={CORNER: own}), CORNER).logged_toe
        assert logged is not None
        assert logged.unread == LAST
        return logged.off_deg

    slot = off_deg(Eccentric(kind="slot", mm_per_mark=1.0), float(inboard))
    cam = Eccentric(kind="cam-in-slot", throw_mm=12.0, deg_per_mark=6.0)
    assert off_deg(cam, mark) == pytest.approx(slot, abs=1e-6)
    # lifted, the inner joint is nearer the outer one's height, so the link reaches further
    tape = demo_book.corners[CORNER].tape
    assert tape.length_mm is not None
    assert tape.rise_mm is not None
    assert tape.arm_mm is not None
    length, up = tape.length_mm.value - 3.0, tape.rise_mm.value + 2.0
    reaches = [np.sqrt(length**2 - (up - z) ** 2) for z in (0.0, lift)]
    further = float(np.rad2deg((reaches[1] - reaches[0]) / tape.arm_mm.value))
    free = replace(cam, kind="free-cam")
    assert off_deg(free, mark) - slot == pytest.approx(further, abs=0.02)
    # turned to where it holds static toe, nothing is off that would be told
    if mark == -2.4:
        assert abs(slot) < 0.2


def test_a_mark_that_tells_nothing_is_passed_over(demo_book: Logbook) -> None:
    cam = Eccentric(kind="cam-in-slot", throw_mm=12.0, deg_per_mark=6.0)
    for eccentric, mark, first in (
        (cam, 16.0, 0.0),
        (replace(cam, throw_mm=None), 1.0, None),
        (Eccentric(kind="slot", mm_per_mark=1.0), 1.0, None),
        (Eccentric(kind="slot", mm_per_mark=1.0), None, 0.0),
        (Eccentric(kind="slot"), 1.0, 0.0),
    ):
        book = _with(demo_book, eccentric_mark=mark, static_toe_deg=None)
        runs = (replace(book.runs[0], eccentric_mark=first, static_toe_deg=None), *book.runs[1:])
        own = replace(book.corners[CORNER], eccentric=eccentric)
        book = replace(book, corners={CORNER: own}, runs=runs)
        assert advise(book, CORNER).logged_toe is None


def test_a_car_that_stays_is_not_driven_with_it(
    demo_copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = demo_folder() / "run4.csv"
    off = demo_copy.parent / "off.csv"
    told = table.read_text().replace("static toe,0.07", "static toe,-1.3")
    off.write_text(told.replace("mark,-9", "mark,"))
    for words in (["import", str(off), str(demo_copy), "--yes"], ["next", str(demo_copy)]):
        capsys.readouterr()
        with pytest.raises(SystemExit) as left:
            main(words)
        assert left.value.code == 0
    out = capsys.readouterr().out
    assert "stay as you are\nFirst      No driving until static toe is set, both sides." in out
    assert "1.5 deg further out than in as-found" in out
    assert "the eccentric: see Doubt" in out


@pytest.mark.outside
def test_check_names_static_toe_that_contradicts_its_mark(
    demo_copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def check(*words: str) -> str:
        with pytest.raises(SystemExit) as left:
            main(["check", str(demo_copy), *words])
        assert left.value.code == 0
        return capsys.readouterr().out

    assert "Doubt" not in check()
    runs = demo_copy / "runs.csv"
    runs.write_text(runs.read_text().replace(",-3,-3,0.08,", ",-3,-3,3.08,"))
    assert "static toe of link-short does not fit its eccentric mark" in " ".join(check().split())
    (corner,) = json.loads(check("--json"))["corners"]
    assert corner["static_toe_in_doubt"] == ["link-short"]
