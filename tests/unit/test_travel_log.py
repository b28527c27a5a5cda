"""Logged travel: read fast, weighed rightly, and what it leaves out is told."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.advise.goal import log_that_weighs, outside_of, target_of
from optimizer.advise.next_move import advise
from optimizer.errors import CallError
from optimizer.logbook import parse_goal, read_logbook
from optimizer.measure.shape import window_weights
from optimizer.present.crew import Crew
from optimizer.present.document import next_document
from optimizer.present.note import note
from optimizer.records import Goal, Logbook, TravelLog

CORNER = "rear-left"
RNG = np.random.default_rng(1313)


def _log(travel: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> TravelLog:
    n = len(travel)
    return TravelLog(travel_mm=tuple(float(z) for z in travel), share=(1.0 / n,) * n)


@pytest.mark.outside
def test_weights_of_logged_travel_are_numpy_s_averages() -> None:
    travel = np.clip(RNG.normal(-6.0, 15.0, 4000), -50.0, 50.0)
    node, weight = window_weights((-50.0, 50.0), None, _log(travel))
    assert weight.sum() == pytest.approx(1.0)
    # parted between neighbours: straight lines exactly, squares to a step's own bow
    assert weight @ node == pytest.approx(np.average(travel), abs=1e-9)
    assert weight @ node**2 == pytest.approx(np.average(travel**2), abs=2.5**2 / 4.0)
    goal = Goal(window_mm=(-50.0, 50.0), weight="logged")
    toe = 0.002 * node + 3e-5 * node**2
    rms = np.sqrt(np.average((0.002 * travel + 3e-5 * travel**2) ** 2))
    target = target_of(goal, (-50.0, 50.0), _log(travel))
    assert np.sqrt(target.weight @ toe**2) == pytest.approx(rms, rel=0.01)
    assert log_that_weighs(replace(goal, weight="flat"), _log(travel)) is None


def test_time_at_the_window_s_ends_weighs_its_ends() -> None:
    log = TravelLog(travel_mm=(-50.0, 49.0, 50.0), share=(0.2, 0.5, 0.3))
    node, weight = window_weights((-50.0, 50.0), None, log)
    # 49 mm is parted between the last two, 2.5 mm apart
    found = {float(z): round(float(w), 12) for z, w in zip(node, weight, strict=True) if w != 0.0}
    assert found == {-50.0: 0.2, 47.5: 0.2, 50.0: 0.6}


@pytest.mark.outside
def test_what_lies_outside_is_numpy_s_count() -> None:
    travel = RNG.normal(0.0, 30.0, 5000)
    found = outside_of(_log(travel), (-50.0, 40.0), (-30.0, 30.0))
    assert found.window == pytest.approx(np.mean((travel < -50.0) | (travel > 40.0)))
    assert found.measured == pytest.approx(np.mean(np.abs(travel) > 30.0))


def test_a_window_without_logged_time_is_refused(demo_book: Logbook) -> None:
    far = TravelLog(travel_mm=(80.0,), share=(1.0,))
    with pytest.raises(CallError, match="no logged travel lies inside"):
        window_weights((-50.0, 50.0), None, far)
    with pytest.raises(CallError, match=r"travel\.csv"):
        advise(demo_book, CORNER, Goal(weight="logged"))


def test_a_million_rows_are_read_in_a_few_seconds(demo_copy: Path) -> None:
    way = np.round(RNG.normal(-5.0, 14.0, 1_000_000), 2)
    lines = "\n".join(f"0.01,{z}" for z in way.tolist())
    (demo_copy / "travel.csv").write_text(f"seconds,travel_mm\n{lines}\n")
    start = time.perf_counter()
    log = read_logbook(demo_copy).travel_logs[CORNER]
    assert time.perf_counter() - start < 10.0
    assert np.dot(log.travel_mm, log.share) == pytest.approx(way.mean(), abs=0.001)
    assert len(log.travel_mm) < 2000


@pytest.mark.parametrize(
    "text",
    [
        "travel_in;share\n-1;3\n+1,0;1\n",
        'damper_mm,corner,seconds\n"-17.78",rear-left,3\n"17.78",rear-left,"1"\n',
        "# from the logger\n\ncorner\ttravel_mm\n" + "rear-left\t-25.4\n" * 3 + "rear-left\t25.4\n",
    ],
)
def test_units_dampers_quotes_and_counted_rows_tell_the_same(demo_copy: Path, text: str) -> None:
    car = (demo_copy / "car.toml").read_text()
    ratio = "[corner.rear-left]\nmotion_ratio = 0.7"
    (demo_copy / "car.toml").write_text(car.replace("[corner.rear-left]", ratio, 1))
    (demo_copy / "travel.csv").write_text(text)
    log = read_logbook(demo_copy).travel_logs[CORNER]
    assert log.travel_mm == pytest.approx((-25.4, 25.4))
    assert log.share == pytest.approx((0.75, 0.25))


def test_droop_plus_turns_the_log_too(demo_copy: Path) -> None:
    car = (demo_copy / "car.toml").read_text()
    (demo_copy / "car.toml").write_text(car.replace('bump = "plus"', 'bump = "minus"'))
    (demo_copy / "travel.csv").write_text("travel\n10\n")
    assert read_logbook(demo_copy).travel_logs[CORNER].travel_mm == pytest.approx((-10.0,))


def _weighed(book: Logbook, travel: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> Logbook:
    return replace(book, travel_logs={CORNER: _log(travel)})


def test_the_screen_says_which_weight_and_what_was_not_measured(demo_book: Logbook) -> None:
    def said(goal: str, book: Logbook) -> str:
        advice = advise(book, CORNER, parse_goal(goal, book, CORNER))
        lines = note(advice, Crew.of(book))
        assert len(lines) < 24
        shown = next_document(book, [advice])["corners"][0]["goal"]["shown"]
        text = " ".join(" ".join(lines).split())
        assert shown in text
        return text

    logged = _weighed(demo_book, np.linspace(-70.0, 49.0, 120))
    assert "deg RMS (flat) now" in said("weight=flat", demo_book)
    assert "deg RMS (normal spread 20 mm) now" in said("weight=ride-height weight_sd=20", demo_book)
    text = said("weight=logged window=[-45,45]", logged)
    assert "deg RMS (logged travel) now" in text
    assert "logged time: 17 in 100 past what was measured, 24 in 100 past the window" in text
    inside = _weighed(demo_book, np.linspace(-20.0, 20.0, 50))
    assert "all logged travel was measured" in said("weight=logged", inside)


def test_the_weight_moves_the_advice_to_where_the_car_spends_its_time(demo_book: Logbook) -> None:
    """Only bump counts, so bump is what is straightened."""
    goal = Goal(window_mm=(-50.0, 50.0), weight="logged")
    bump = advise(_weighed(demo_book, np.linspace(5.0, 50.0, 100)), CORNER, goal)
    flat = advise(demo_book, CORNER, replace(goal, weight="flat"))

    def in_bump(advice: object) -> float:
        outlook = getattr(advice, "outlook")  # noqa: B009
        return float(np.abs(outlook.toe_deg[outlook.travel_mm >= 5.0]).mean())

    assert bump.outlook.score_deg.value < flat.outlook.score_deg.value
    assert in_bump(bump) <= in_bump(flat) + 0.002
