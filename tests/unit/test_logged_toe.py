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
from optimizer.model.mechanism import TOE_LINK, sweep
from optimizer.present.crew import Crew
from optimizer.present.doubts import doubt_words
from optimizer.present.note import note
from optimizer.records import Logbook

CORNER, LAST = "rear-left", "link-short"


def _with(book: Logbook, **row: object) -> Logbook:
    runs = tuple(replace(r, **row) if r.name == LAST else r for r in book.runs)  # type: ignore[arg-type]
    return replace(book, runs=runs)


def _true_toe_deg(truth: ModuleType, mark: float) -> float:
    """Static toe of the demo's mechanism at the last run's setting and another mark."""
    return float(truth.static_toe_deg(2.0, -3.0, mark * truth.MM_PER_MARK))


def test_a_pivot_left_where_it_was_is_told(demo_book: Logbook, demo_truth: ModuleType) -> None:
    """The marks said bring the mechanism's static toe back to the first run's."""
    toe = round(_true_toe_deg(demo_truth, 0.0), 2)
    book = _with(demo_book, eccentric_mark=0.0, static_toe_deg=toe)
    advice = advise(book, CORNER)
    logged = advice.logged_toe
    assert logged is not None
    assert logged.read and logged.matters
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
    assert not logged.read
    wanted = _true_toe_deg(demo_truth, 0.0) - float(demo_truth.static_toe_deg(0.0, 0.0, 0.0))
    assert logged.off_deg == pytest.approx(wanted, abs=0.25)
    assert "it was not read: read it" in doubt_words(advice, Crew.of(demo_book))


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
