"""The trade-off's list: on the front, as the mechanism has it, and shown on one screen."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from optimizer.advise.next_move import advise
from optimizer.advise.tradeoff import tradeoff
from optimizer.cli import main
from optimizer.errors import CallError
from optimizer.logbook import parse_goal
from optimizer.measure.shape import window_weights
from optimizer.present.crew import Crew
from optimizer.present.tradeoff import (
    then_words,
    tradeoff_document,
    tradeoff_screen,
    travel_asked,
)
from optimizer.records import Goal, Logbook, Signs, Units

CORNER = "rear-left"
AT = -40.0


@pytest.mark.outside
def test_the_list_is_the_mechanism_s(demo_book: Logbook, demo_truth: ModuleType) -> None:
    node, weight = window_weights((-50.0, 50.0))
    found = tradeoff(demo_book, CORNER, AT)
    for option in found.options:
        spot = option.move.spot
        where = spot.height_mm, spot.length_change_mm
        toe = float(demo_truth.true_toe_change_deg(np.array([AT]), *where)[0])
        score = float(np.sqrt(weight @ demo_truth.true_toe_change_deg(node, *where) ** 2))
        # a 90 % band and half as much again: seven rows of one corner
        half = 1.5 * (option.toe_deg.high - option.toe_deg.low) / 2.0
        assert abs(toe - option.toe_deg.value) < half
        assert option.score_deg.low - 0.01 < score < option.score_deg.high + 0.01


@pytest.mark.parametrize("toe_in", [True, False])
def test_nothing_that_can_be_made_beats_a_row_by_more_than_a_grain(
    demo_book: Logbook, toe_in: bool
) -> None:
    found = tradeoff(demo_book, CORNER, AT, toe_in=toe_in)
    sign = 1.0 if toe_in else -1.0
    now, *rest = found.options
    assert now.mark == "now"
    assert 3 <= len(rest) <= 7
    assert [o.letter for o in found.options] == list("ABCDEFGH"[: len(found.options)])
    toes = [sign * o.toe_deg.value for o in rest if o.mark != "measured"]
    assert toes == sorted(toes)
    front = found.front
    assert np.all(np.diff(sign * front[:, 0]) > 0.0)
    assert np.all(np.diff(front[:, 1]) >= 0.0)
    for toe, score in found.field:
        beats = (sign * front[:, 0] > sign * toe) & (front[:, 1] < score)
        on = np.any(np.all(np.isclose(front, [toe, score]), axis=1))
        past = abs(toe - front[0, 0]) > 0.5 or sign * toe > sign * front[-1, 0]
        assert on or np.any(beats) or past or score >= front[0, 1]
    grain = 0.002  # settings within a thousandth count as equal, and least work wins
    for option in rest:
        if option.mark in ("front", "least-change"):
            as_much = front[sign * front[:, 0] >= sign * option.toe_deg.value - 1e-9]
            assert len(as_much) == 0 or option.score_deg.value < as_much[0, 1] + grain + 0.003


def test_the_least_change_of_the_list_is_what_next_holds_best(demo_book: Logbook) -> None:
    found = tradeoff(demo_book.as_of("as-found"), CORNER, AT)
    best = next(o for o in found.options if o.mark == "least-change")
    guess = advise(demo_book.as_of("as-found"), CORNER).best_guess
    assert abs(best.move.spot.height_mm - guess.height_mm) < 0.51


def test_wishes_bind_the_list(demo_book: Logbook) -> None:
    goal = Goal(window_mm=(-50.0, 50.0), most_change_deg=0.08)
    free, bound = tradeoff(demo_book, CORNER, AT), tradeoff(demo_book, CORNER, AT, goal)
    assert max(o.toe_deg.value for o in bound.options) < max(o.toe_deg.value for o in free.options)
    assert bound.n_candidate == free.n_candidate


def test_a_travel_that_tells_nothing_is_refused(demo_book: Logbook) -> None:
    with pytest.raises(CallError, match="ride height"):
        tradeoff(demo_book, CORNER, 0.0)
    with pytest.raises(CallError, match="outside the window"):
        tradeoff(demo_book, CORNER, -90.0)
    for text in ("", "x", "nan"):
        with pytest.raises(CallError):
            travel_asked(text, demo_book)
    book = replace(demo_book, units=Units(travel="in"), signs=Signs(travel=-1))
    assert travel_asked("1,5", book) == pytest.approx(-38.1)


@pytest.mark.parametrize("width", [80, 40])
@pytest.mark.parametrize("until", ["as-found", "link-short"])
def test_the_screen_fits_and_json_has_its_figures(
    demo_book: Logbook, width: int, until: str
) -> None:
    book = demo_book.as_of(until)
    found, crew = tradeoff(book, CORNER, AT), Crew.of(book)
    lines = tradeoff_screen(found, crew, width, "")
    assert max(map(len, lines)) <= width
    if width == 80:
        assert len(lines) < 24
        rows = tradeoff_document(book, [found], "")["corners"][0]["options"]
        for row, line in zip(rows, lines[2:], strict=False):
            assert line.split() == " ".join(row["shown"]).split()
    said = " ".join(" ".join(lines).split())
    assert "A as it stands" in said
    assert "B least change" in said
    assert "No driving until static toe is set" in said


def test_the_command_prints_draws_and_says_what_comes_next(
    demo_copy: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    picture = tmp_path / "front.svg"
    with pytest.raises(SystemExit) as left:
        main(["tradeoff", str(demo_copy), "--at", "-40", "--out", str(picture), "--json"])
    assert left.value.code == 0
    document = json.loads(capsys.readouterr().out)
    assert document["command"] == "tradeoff"
    corner = document["corners"][0]
    drawn = picture.read_text(encoding="utf-8")
    for option in corner["options"]:
        assert f">{option['letter']}</text>" in drawn
    goal = corner["then"].split('--goal "')[1].rstrip('"')
    with pytest.raises(SystemExit) as left:
        main(["next", str(demo_copy), "--goal", goal])
    assert left.value.code == 0
    assert "Wishes" in capsys.readouterr().out
    with pytest.raises(SystemExit) as left:
        main(["tradeoff", str(demo_copy)])
    assert left.value.code == 2


def test_the_way_on_keeps_the_goal_that_was_traded(demo_book: Logbook) -> None:
    """Read back as ``next --goal`` reads it, in units and signs of the crew's own."""
    own = demo_book.corners[CORNER].goal
    wished = replace(own, window_mm=(-50.8, 38.1), never_toe_out="droop", most_change_deg=0.3)
    for units, signs in (
        (Units(), Signs()),
        (Units(travel="in", toe="min"), Signs(toe=-1, travel=-1)),
    ):
        book = replace(demo_book, units=units, signs=signs)
        found = tradeoff(book, CORNER, AT, wished)
        then = then_words(found, Crew.of(book), "").split('--goal "')[1].rstrip('"')
        goal = parse_goal(then, book, CORNER)
        assert goal.window_mm == pytest.approx(wished.window_mm, abs=0.01)
        assert (goal.kind, goal.never_toe_out) == ("toe-at-travel", "droop")
        assert goal.most_change_deg == pytest.approx(0.3)
        assert goal.order == ("never-toe-out", "toe-at-travel", "most-change", "least-change")
        assert goal.at_travel_mm == pytest.approx(AT, abs=0.3)


def test_a_car_past_a_limit_is_told_so_here_too(demo_book: Logbook) -> None:
    corner = demo_book.corners[CORNER]
    short = replace(corner, thread=replace(corner.thread, shorter_mm=1.0))
    book = replace(demo_book, corners={CORNER: short})
    said = " ".join(tradeoff_screen(tradeoff(book, CORNER, AT), Crew.of(book), 80, ""))
    assert "PAST ITS THREAD LIMIT: do not drive" in said
    found = tradeoff(demo_book, CORNER, AT)
    assert "do not drive" not in " ".join(tradeoff_screen(found, Crew.of(demo_book), 80, ""))
