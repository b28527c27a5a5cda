"""Axles: who shares one, one setting for both or one each, one side unmeasured, the screens."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.advise.axle import AxleAdvice, HalfAxle, advise_axle, axle_named, axles_of
from optimizer.advise.next_move import advise
from optimizer.cli import main
from optimizer.errors import CallError, TooFewReadingsError
from optimizer.present.axle import axle_note
from optimizer.present.axle_document import axle_document
from optimizer.present.axle_plot import draw_axle
from optimizer.present.crew import Crew
from optimizer.records import (
    Axle,
    Corner,
    Eccentric,
    JointStud,
    Labour,
    Logbook,
    ShimmedJoint,
    Signs,
    Stack,
    Thread,
    Units,
)

Book = Callable[..., Logbook]


def _answer(book: Logbook) -> AxleAdvice:
    found = advise_axle(book, axle_named(book, None)[0])
    assert isinstance(found, AxleAdvice)
    return found


def _spots(found: AxleAdvice) -> list[tuple[float, float]]:
    moves = (found.advised.left, found.advised.right)
    return [(m.spot.height_mm, m.spot.length_change_mm) for m in moves]


def _corner(name: str, side: Any, **more: Any) -> Corner:
    return Corner(name=name, side=side, ahead=True, **more)


def _named(demo_book: Logbook, *corners: Corner, **more: Any) -> Logbook:
    return replace(demo_book, corners={c.name: c for c in corners}, **more)


@pytest.mark.parametrize(
    ("left", "right", "name", "place"),
    [
        ("rear-left", "rear-right", "rear", "rear"),
        ("Left front", "Right front", "front", "front"),
        ("rl", "rr", "r", "rear"),
        ("fl", "fr", "f", "front"),
    ],
)
def test_corners_that_differ_by_their_side_share_an_axle(
    demo_book: Logbook, left: str, right: str, name: str, place: str
) -> None:
    book = _named(demo_book, _corner(right, "right"), _corner(left, "left"))
    assert axles_of(book) == {name: Axle(name=name, left=left, right=right, place=place)}  # type: ignore[arg-type]


def test_corners_of_two_axles_do_not_pair(demo_book: Logbook) -> None:
    book = _named(demo_book, _corner("rear-left", "left"), _corner("front-right", "right"))
    assert axles_of(book) == {}
    with pytest.raises(CallError, match="no two corners"):
        axle_named(book, None)
    steered = [_corner(f"{s}-nose", s, steered=True) for s in ("left", "right")]
    assert axles_of(_named(demo_book, *steered))["nose"].place == "front"


def test_a_stated_axle_comes_first_and_keeps_its_corners(demo_book: Logbook) -> None:
    corners = [_corner(f"{p}-{s}", s) for p in ("front", "rear") for s in ("left", "right")]
    stated = Axle(name="back", left="rear-left", right="rear-right", track_mm=1500.0)
    book = _named(demo_book, *corners, axles={"back": stated})
    assert list(axles_of(book)) == ["back", "front"]
    assert axle_named(book, "back") == (stated,)
    with pytest.raises(CallError, match="no axle 'rear'"):
        axle_named(book, "rear")


@pytest.mark.parametrize("same", [True, False])
def test_equal_corners_get_equal_advice(both_sides: Book, same: bool) -> None:
    """Both sides with one side's readings: the same setting, that of the corner alone."""
    book = both_sides(seed=None, same=same)
    found = _answer(book)
    best = advise(book, "rear-left").best_guess
    assert _spots(found) == [(best.height_mm, best.length_change_mm)] * 2
    assert np.all(found.advised.figures.difference_deg == 0.0)
    assert found.cost_of_sameness_deg == 0.0
    assert found.own == found.alike


def _mirrored(book: Logbook) -> Logbook:
    """The car in a mirror: what was measured on the left was measured on the right."""
    across = {"rear-left": "rear-right", "rear-right": "rear-left"}
    turned = {
        across[name]: replace(c, name=across[name], side="left" if c.side == "right" else "right")
        for name, c in book.corners.items()
    }
    return replace(
        book,
        corners=dict(sorted(turned.items())),
        runs=tuple(replace(r, corner=across[r.corner]) for r in book.runs),
    )


@pytest.mark.parametrize("same", [True, False])
def test_a_mirrored_car_gets_mirrored_advice(both_sides: Book, same: bool) -> None:
    book = both_sides(3.0, same=same)
    plain, mirror = _answer(book), _answer(_mirrored(book))
    assert _spots(plain) == _spots(mirror)[::-1]
    one, other = plain.advised.figures, mirror.advised.figures
    assert np.array_equal(one.left_deg, other.right_deg)
    assert one.difference_deg == pytest.approx(-other.difference_deg, abs=1e-12)
    assert one.heave_steer_deg == pytest.approx(-other.heave_steer_deg, abs=1e-12)
    assert one.roll.per_deg is not None
    assert other.roll.per_deg is not None
    assert one.roll.per_deg.value == pytest.approx(other.roll.per_deg.value, abs=1e-12)
    assert one.score_deg.value == pytest.approx(other.score_deg.value, abs=1e-12)
    assert plain.cost_of_sameness_deg == pytest.approx(mirror.cost_of_sameness_deg, abs=1e-12)


def test_unequal_corners_pay_for_sameness(both_sides: Book) -> None:
    alike, each = _answer(both_sides(3.0)), _answer(both_sides(3.0, same=False))
    left, right = _spots(alike)
    assert left == right
    assert _spots(each)[0] != _spots(each)[1]
    assert alike.cost_of_sameness_deg == each.cost_of_sameness_deg
    assert alike.cost_of_sameness_deg is not None
    assert alike.cost_of_sameness_deg > 0.005
    shared, own = alike.advised.figures.score_deg, each.advised.figures.score_deg
    assert alike.cost_of_sameness_deg == pytest.approx(shared.value - own.value)
    assert each.advised.figures.score_deg.value < alike.advised.figures.score_deg.value


def test_only_travels_inside_both_windows_are_set_side_by_side(both_sides: Book) -> None:
    """The demo is measured to 50 mm; a window half a millimetre less leaves those out."""
    book = both_sides(3.0)
    sides = {"rear-left": (-50.0, 49.5), "rear-right": (-49.5, 50.0)}
    corners = {
        name: replace(corner, goal=replace(corner.goal, window_mm=sides[name]))
        for name, corner in book.corners.items()
    }
    found = _answer(replace(book, corners=corners))
    travel = found.advised.figures.travel_mm
    assert (travel[0], travel[-1]) == (-49.5, 49.5)
    assert 0.0 in travel


def test_a_shared_setting_comes_from_both_boxes(both_sides: Book) -> None:
    book = both_sides(3.0)
    right = book.corners["rear-right"]
    poor = replace(right, stack=replace(right.stack, box_mm=(3.0, 2.0, 1.0)))
    found = _answer(replace(book, corners={**book.corners, "rear-right": poor}))
    used = found.advised.right.spot.split
    assert sorted((*used.above_mm, *used.below_mm)) == [1.0, 2.0, 3.0]
    left, other = _spots(found)
    assert left == other


def test_wishes_without_a_common_setting_still_leave_what_both_can_make(both_sides: Book) -> None:
    book = both_sides(8.0)
    for name, corner in book.corners.items():
        goal = replace(corner.goal, never_toe_out="droop", most_change_deg=0.01)
        book = _with(book, name, goal=goal)
    found = _answer(book)
    assert found.alike is not None
    assert not found.alike_as_wished
    left, right = _spots(found)
    assert left == right
    said = _said(book, found)
    assert "no setting can be made on both" not in said
    assert "no common setting is as wished" in said
    assert "Wishes no toe-out in droop: left " in said
    assert "change under 0.010 deg: left " in said or "change under 0.01 deg: left " in said
    assert len(axle_note(found, Crew.of(book))) < 24
    document = axle_document(book, [found])["axles"][0]
    assert "no toe-out in droop: left " in document["wishes"]["shown"]


def test_no_shared_setting_is_said(both_sides: Book) -> None:
    """A fixed link on one side, at a length the other's thread no longer reaches."""
    book = both_sides(3.0)
    left, right = (book.corners[f"rear-{side}"] for side in ("left", "right"))
    short = replace(left, thread=replace(left.thread, shorter_mm=1.0))
    fixed = replace(right, thread=Thread(kind="fixed"))
    found = _answer(replace(book, corners={"rear-left": short, "rear-right": fixed}))
    assert found.alike is None
    assert found.advised is found.own
    assert found.cost_of_sameness_deg is None
    said = " ".join(axle_note(found, Crew.of(book)))
    assert "no setting can be made on both sides" in said


def test_without_a_movable_pivot_both_links_turn_alike(both_sides: Book) -> None:
    """A steered axle: the length follows the height, the same on both sides."""
    book = both_sides(3.0, place="front")
    tape = book.corners["rear-right"].tape
    assert tape.rise_mm is not None
    corners = {
        name: replace(c, eccentric=Eccentric(kind="none"), steered=True)
        for name, c in book.corners.items()
    }
    rise = replace(tape.rise_mm, value=tape.rise_mm.value + 6.0)
    corners["rear-right"] = replace(corners["rear-right"], tape=replace(tape, rise_mm=rise))
    book = replace(book, corners=corners)
    found = _answer(book)
    assert found.alike is not None
    left, right = found.alike.left, found.alike.right
    assert left.raise_mm == right.raise_mm
    assert abs(left.raise_mm) >= 0.5
    assert left.turn.change_mm == pytest.approx(right.turn.change_mm, abs=1e-9)
    own = [advise(book, name).best_guess.length_change_mm for name in corners]
    assert own[0] != own[1]


def test_both_stay_where_nothing_is_gained(both_sides: Book) -> None:
    book = both_sides(seed=None)
    lazy = {
        name: replace(c, goal=replace(c.goal, worthwhile_deg=0.5))
        for name, c in book.corners.items()
    }
    found = _answer(replace(book, corners=lazy))
    assert found.action == "stay"
    assert found.advised is found.now
    said = " ".join(axle_note(found, Crew.of(book)))
    assert "leave both as they stand" in said
    assert "Stands at" in said


@pytest.mark.parametrize("same", [True, False])
@pytest.mark.parametrize("past", [("rear-left",), ("rear-left", "rear-right")])
def test_a_side_past_a_limit_does_not_stay_as_it_stands(
    both_sides: Book, same: bool, past: tuple[str, ...]
) -> None:
    """Little is gained, but the car must not be driven as it stands."""
    book = both_sides(seed=None, same=same)
    for name, corner in book.corners.items():
        thread = replace(corner.thread, shorter_mm=1.0 if name in past else 12.0)
        goal = replace(corner.goal, worthwhile_deg=0.5)
        book = _with(book, name, thread=thread, goal=goal)
    found = _answer(book)
    assert found.action == "set"
    assert found.past_today == past
    assert not any(x.status == "over" for x in found.advised.left_limits)
    said = _said(book, found)
    assert "inside the limits" in said
    assert "leave both" not in said
    assert "worse" not in said
    document = axle_document(book, [found])["axles"][0]
    assert document["past_a_limit_today"] == list(past)


def test_what_is_worse_but_inside_the_limits_is_said_to_be_so(both_sides: Book) -> None:
    book = both_sides(seed=None)
    stud = JointStud(
        size="M12", property_class="10.9", length_mm=60.0, nut_mm=12.0, spacer_mm=2.0, load_n=1900.0
    )
    for name, corner in book.corners.items():
        stack = replace(corner.stack, face="arm-below")
        book = _with(
            book, name, stack=stack, stud=stud, joint=ShimmedJoint(width_mm=16.0),
            current_run="link-short" if name == "rear-left" else "link-short-r",
        )  # fmt: skip
    found = _answer(book)
    assert found.past_today == ("rear-left", "rear-right")
    assert found.action == "set"
    assert found.advised.figures.score_deg.value > found.now.figures.score_deg.value
    said = _said(book, found)
    assert "one setting for both sides, inside the limits" in said
    assert "next, worse, but inside the limits" in said
    assert "Doubt both sides: THE STUD BENDS" in said
    assert len(axle_note(found, Crew.of(book))) < 24


def test_sides_that_stand_apart_are_brought_together(both_sides: Book) -> None:
    """The crew wants both alike: they are set alike even where little is gained."""
    book = both_sides(seed=None)
    corners = {
        name: replace(c, goal=replace(c.goal, worthwhile_deg=0.5))
        for name, c in book.corners.items()
    }
    corners["rear-right"] = replace(corners["rear-right"], current_run="joint-up-r")
    found = _answer(replace(book, corners=corners))
    assert found.action == "set"
    left, right = _spots(found)
    assert left == right


def _one_sided(book: Logbook) -> Logbook:
    return replace(book, readings=tuple(r for r in book.readings if not r.run.endswith("-r")))


def test_one_side_unmeasured_says_what_is_lost(both_sides: Book) -> None:
    book = _one_sided(both_sides(3.0))
    found = advise_axle(book, axles_of(book)["rear"])
    assert isinstance(found, HalfAxle)
    assert found.missing.name == "rear-right"
    assert found.offered_for_both
    assert found.move.spot == advise(book, "rear-left").best_guess
    said = " ".join(" ".join(axle_note(found, Crew.of(book))).split())
    assert "rear-right has no readings" in said
    assert "only on trust" in said
    assert "steer in roll" in said
    apart = _one_sided(both_sides(3.0, same=False))
    found = advise_axle(apart, axles_of(apart)["rear"])
    assert isinstance(found, HalfAxle)
    assert not found.offered_for_both
    assert "not offered" in " ".join(axle_note(found, Crew.of(book)))


def _with(book: Logbook, name: str, **more: Any) -> Logbook:
    corner = replace(book.corners[name], **more)
    return replace(book, corners={**book.corners, name: corner})


def _half(book: Logbook) -> HalfAxle:
    found = advise_axle(book, axles_of(book)["rear"])
    assert isinstance(found, HalfAxle)
    return found


def _said(book: Logbook, found: HalfAxle | AxleAdvice) -> str:
    return " ".join(" ".join(axle_note(found, Crew.of(book))).split())


def test_the_measured_side_s_doubts_and_limits_stay_where_the_other_was_not_measured(
    both_sides: Book,
) -> None:
    book = _one_sided(both_sides(3.0))
    left = book.corners["rear-left"].thread
    past = _with(book, "rear-left", thread=replace(left, shorter_mm=1.0))
    found, loud = _half(past), "THE LINK STANDS 2.0 mm PAST ITS THREAD LIMIT: do not drive"
    assert f"Doubt rear-left: {loud}" in _said(past, found)
    document = axle_document(past, [found])["axles"][0]
    assert loud in document["doubt"]["shown"]
    items = document["limits"]["items"]["rear-left"]
    assert [x["name"] for x in items if x["do_not_drive"]] == ["thread"]
    change = _half(book).move.spot.length_change_mm
    near = _with(book, "rear-left", thread=replace(left, shorter_mm=0.5 - change))
    found = _half(near)
    assert "Limits rear-left: thread 0." in _said(near, found)
    assert "close to its end" in axle_document(near, [found])["axles"][0]["limits"]["shown"]


def test_an_unmeasured_side_s_own_limits_are_told_as_it_stands(both_sides: Book) -> None:
    book = _one_sided(both_sides(3.0))
    book = _with(
        book,
        "rear-right",
        stud=JointStud(size="M12", length_mm=20.0, nut_mm=12.0),
        joint=ShimmedJoint(width_mm=16.0),
    )
    found = _half(book)
    loud = "rear-right: THREAD PAST THE NUT IS"
    assert loud in _said(book, found)
    assert "SHORT: do not drive" in _said(book, found)
    assert loud in axle_document(book, [found])["axles"][0]["doubt"]["shown"]


REFUSED: list[tuple[dict[str, Any], str]] = [
    (
        {"thread": Thread(kind="both-ends", pitch_mm=1.5, shorter_mm=1.0)},
        "past its limit there: thread by",
    ),
    ({"thread": Thread(kind="fixed")}, "its link cannot change length"),
    ({"stud": JointStud(tapered=True)}, "is tapered"),
    ({"suspension": "solid-axle"}, "is on a solid axle"),
    ({"role": "camber-too"}, "also sets camber"),
    (
        {
            "stud": JointStud(size="M12", length_mm=20.0, nut_mm=12.0),
            "joint": ShimmedJoint(width_mm=16.0),
        },
        "past its limit there: thread past the nut by",
    ),
    ({"ahead": True}, "its link is on the other side of the upright's pivots"),
    ({"stack": Stack(end="inner")}, "its shims are at the other end of the link"),
    ({"stack": Stack(face="arm-above")}, "its joint stands on another face"),
    ({"eccentric": Eccentric(kind="none")}, "only one of the two inner pivots"),
]


@pytest.mark.parametrize(("hardware", "why"), REFUSED)
def test_what_the_unmeasured_side_cannot_take_is_not_offered(
    both_sides: Book, hardware: dict[str, Any], why: str
) -> None:
    book = _one_sided(both_sides(3.0))
    if "stack" in hardware:
        box = book.corners["rear-right"].stack.box_mm
        hardware = {"stack": replace(hardware["stack"], box_mm=box)}
    book = _with(book, "rear-right", **hardware)
    found = _half(book)
    assert abs(found.move.spot.length_change_mm) > 1.0
    assert not found.offered_for_both
    said = _said(book, found)
    assert "For both not offered:" in said
    assert why in said
    assert "on trust" not in said
    document = axle_document(book, [found])["axles"][0]
    assert not document["offered_for_both"]
    assert why in document["offered_shown"]


def test_a_split_that_the_unmeasured_side_cannot_make_is_not_offered(both_sides: Book) -> None:
    book = _one_sided(both_sides(3.0))
    right = replace(book.corners["rear-right"], stack=Stack(box_mm=(2.0, 2.0, 2.0)))
    book = replace(book, corners={**book.corners, "rear-right": right})
    found = advise_axle(book, axles_of(book)["rear"])
    assert isinstance(found, HalfAxle)
    assert found.can_be_made is False
    assert not found.offered_for_both
    assert "cannot make this split" in " ".join(axle_note(found, Crew.of(book)))
    bare = replace(book, runs=tuple(r for r in book.runs if r.corner == "rear-left"))
    found = advise_axle(bare, axles_of(bare)["rear"])
    assert isinstance(found, HalfAxle)
    assert found.can_be_made is None
    assert "is not in runs.csv" in " ".join(axle_note(found, Crew.of(book)))


def test_no_readings_at_all_are_too_few(both_sides: Book) -> None:
    book = replace(both_sides(), readings=())
    with pytest.raises(TooFewReadingsError, match="neither corner"):
        advise_axle(book, axles_of(book)["rear"])


VARIANTS: dict[str, dict[str, Any]] = {
    "plain": {},
    "apart": {"same": False},
    "front": {"place": "front", "name": "nose"},
    "no track": {"track_mm": None},
}


@pytest.mark.parametrize("width", [80, 60, 40, 30])
@pytest.mark.parametrize("variant", list(VARIANTS))
@pytest.mark.parametrize("up", [0.0, 3.0, -3.0])
def test_the_screen_fits(both_sides: Book, variant: str, width: int, up: float) -> None:
    book = both_sides(up, **VARIANTS[variant])
    worked = replace(book, labour=Labour(shims_min=20, length_min=30, alignment_min=45, run_min=40))
    for one in (worked, _one_sided(book)):
        found = advise_axle(one, one.axles["rear"])
        lines = axle_note(found, Crew.of(one), width, where=" my-car")
        assert max(map(len, lines)) <= width
        assert all(line.isascii() for line in lines)
        said = " ".join(" ".join(lines).split())
        stays = isinstance(found, AxleAdvice) and found.action == "stay"
        assert ("No driving until static toe is set" in said) == (not stays)
        assert "never a jack alone" in said
        if width == 80:
            assert len(lines) < 24, "\n".join(lines)


def test_a_doubt_of_one_side_is_never_dropped(both_sides: Book) -> None:
    book = both_sides(3.0)
    corner = book.corners["rear-right"]
    short = replace(corner, thread=replace(corner.thread, shorter_mm=1.0))
    book = replace(book, corners={**book.corners, "rear-right": short})
    lines = axle_note(_answer(book), Crew.of(book))
    said = " ".join(" ".join(lines).split())
    assert "rear-right: THE LINK STANDS 2.0 mm PAST ITS THREAD LIMIT: do not drive" in said
    assert len(lines) < 24


@pytest.mark.parametrize(
    ("place", "up", "words"),
    [
        ("rear", 3.0, "into the turn for a degree of roll: roll understeer, steadier"),
        ("front", 3.0, "into the turn for a degree of roll: roll oversteer, sharper on entry"),
        ("rear", -6.0, "out of the turn for a degree of roll: roll oversteer, sharper on entry"),
        ("front", -6.0, "out of the turn for a degree of roll: roll understeer, steadier"),
    ],
)
def test_roll_steer_in_words(both_sides: Book, place: str, up: float, words: str) -> None:
    found = _answer(both_sides(up, place=place))
    said = " ".join(" ".join(axle_note(found, Crew.of(both_sides()))).split())
    assert words in said
    assert found.now.figures.roll.per_deg is not None
    assert (found.now.figures.roll.per_deg.value > 0) == ("into" in words)


def test_without_a_track_there_is_no_figure_per_degree(both_sides: Book) -> None:
    book = replace(both_sides(3.0), axles={})
    found = _answer(book)
    assert not found.stated
    roll = found.now.figures.roll
    assert roll.per_deg is None
    assert roll.travel_mm is None
    said = " ".join(" ".join(axle_note(found, Crew.of(book))).split())
    assert "for 10 mm up on one wheel, down on the other" in said
    assert "no [axle] table: state it, with the track" in said
    tracked = _answer(both_sides(3.0)).now.figures.roll
    assert tracked.per_deg is not None
    assert tracked.travel_mm == pytest.approx(13.266, abs=1e-3)
    # 13.3 mm of travel against 10: nearly straight curves
    assert tracked.per_deg.value == pytest.approx(1.3266 * roll.opposite_deg.value, rel=0.02)


def test_a_crew_s_own_units_and_signs(both_sides: Book) -> None:
    book = both_sides(3.0)
    own = replace(
        book, units=Units(travel="in", reading="mm", length="in", toe="min"), signs=Signs(toe=-1)
    )
    figures = _answer(own).now.figures
    lines = axle_note(_answer(own), Crew.of(own), 120, 99)
    row = next(x for x in lines if "left less right" in x)
    assert row.split()[3] == f"{-60 * figures.difference_deg[0]:+.0f}"
    assert any(x.startswith("Toe, min") for x in lines)
    assert max(len(x) for x in axle_note(_answer(own), Crew.of(own))) <= 80


def test_the_document_and_the_picture(both_sides: Book, tmp_path: Path) -> None:
    book = both_sides(3.0)
    found = _answer(book)
    half_book = _one_sided(book)
    half = advise_axle(half_book, half_book.axles["rear"])
    text = json.dumps(axle_document(book, [found, half], " x"), allow_nan=False)
    whole, lost = json.loads(text)["axles"]
    assert whole["advised"]["left"]["joint_height_mm"] == found.advised.left.spot.height_mm
    assert whole["alike"]["score_deg"]["value"] >= whole["one_each"]["score_deg"]["value"]
    assert whole["cost_of_sameness"]["value_deg"] == found.cost_of_sameness_deg
    roll = whole["now"]["roll_steer_into_turn_plus"]["deg_per_deg"]
    assert roll["low"] < roll["value"] < roll["high"]
    assert [x["run"] for x in whole["last_runs"]] == ["link-short", "link-short-r"]
    assert lost["measured"] == ["rear-left"]
    assert "only on trust" in lost["offered_shown"]
    for suffix in ("png", "svg"):
        path = tmp_path / f"axle.{suffix}"
        assert draw_axle(found, Crew.of(book), path)
        assert path.stat().st_size > 5000
    drawn = (tmp_path / "axle.svg").read_text()
    assert "left next" in drawn
    assert "roll understeer" in drawn
    assert not draw_axle(half, Crew.of(book), tmp_path / "half.png")
    assert not (tmp_path / "half.png").exists()
    with pytest.raises(CallError):
        draw_axle(found, Crew.of(book), tmp_path / "axle.txt")


def test_a_fixed_thread_on_one_side_can_be_shared(both_sides: Book) -> None:
    book = both_sides(3.0)
    fixed = replace(book.corners["rear-right"], thread=Thread(kind="fixed"))
    found = _answer(replace(book, corners={**book.corners, "rear-right": fixed}))
    assert found.alike is not None
    assert found.alike.left.turn.change_mm == 0.0
    assert found.alike.right.turn.change_mm == 0.0


def test_a_box_that_makes_no_measured_setting_still_gets_advice(demo_book: Logbook) -> None:
    """Shims were lost since the last run: nothing measured can be made again."""
    corner = demo_book.corners["rear-left"]
    odd = replace(corner, stack=Stack(box_mm=(3.3, 2.7)))
    found = advise(replace(demo_book, corners={"rear-left": odd}), "rear-left")
    split = found.best_guess.split
    assert found.best_guess.run is None
    assert sorted((*split.above_mm, *split.below_mm)) == [2.7, 3.3]


def test_the_command(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    folder = str(Path(__file__).resolve().parents[2] / "data" / "demo" / "both-wheels")

    def call(*words: str) -> tuple[object, str, str]:
        with pytest.raises(SystemExit) as left:
            main(["axle", folder, *words])
        seen = capsys.readouterr()
        return left.value.code, seen.out, seen.err

    code, out, _ = call("--axle", "rear", "--out", str(tmp_path / "a.png"))
    assert code == 0
    assert out.startswith("rear axle, after 3 and 2 runs")
    assert (tmp_path / "a.png").exists()
    code, out, _ = call("--json")
    assert code == 0
    assert json.loads(out)["axles"][0]["axle"] == "rear"
    code, out, err = call("--axle", "front")
    assert (code, out) == (2, "")
    assert "no axle 'front'" in err


@pytest.mark.parametrize(
    ("names", "steered", "axle", "place"),
    [
        (("l", "r"), False, "l and r", "rear"),
        (("rear_left", "rear_right"), True, "rear", "rear"),
        (("LEFT nose", "Right NOSE"), True, "nose", "front"),
        (("frontl", "frontr"), False, "front", "front"),
        (("xl", "xr"), False, "x", "rear"),
        (("left", "right"), True, "left and right", "front"),
    ],
)
def test_an_axle_is_named_by_what_both_names_share(
    demo_book: Logbook, names: tuple[str, str], steered: bool, axle: str, place: str
) -> None:
    left, right = names
    book = _named(
        demo_book, _corner(left, "left", steered=steered), _corner(right, "right", steered=steered)
    )
    assert axles_of(book) == {
        axle: Axle(name=axle, left=left, right=right, place=place)  # type: ignore[arg-type]
    }
    # both must be steered to be called a front
    if steered:
        half = _named(demo_book, _corner(left, "left", steered=True), _corner(right, "right"))
        assert axles_of(half)[axle].place == "rear"


def test_names_that_tell_no_side_pair_with_nothing(demo_book: Logbook) -> None:
    book = _named(demo_book, _corner("one", "left"), _corner("two", "right"))
    assert axles_of(book) == {}
    # one tells its side and the other does not
    book = _named(demo_book, _corner("rear-left", "left"), _corner("rear", "right"))
    assert axles_of(book) == {}


def test_an_axle_of_a_name_that_is_taken_is_called_by_its_corners(demo_book: Logbook) -> None:
    corners = [_corner(n, "left" if n.endswith("l") else "right") for n in ("rl", "rr", "xl", "xr")]
    stated = Axle(name="r", left="xl", right="xr")
    found = axles_of(_named(demo_book, *corners, axles={"r": stated}))
    assert list(found) == ["r", "rl and rr"]
    assert found["rl and rr"].name == "rl and rr"
    assert axle_named(_named(demo_book, *corners), None) == tuple(
        axles_of(_named(demo_book, *corners)).values()
    )


def test_an_unmeasured_side_stands_where_car_toml_says(both_sides: Book) -> None:
    """Its thread allows its reference and no length shorter; it may be named at either."""
    book = _one_sided(both_sides(3.0))
    right = book.corners["rear-right"]
    short = replace(right.thread, shorter_mm=1.0)
    for named, past in (
        (None, False),
        ("link-short-r", True),
        ("joint-up-r", False),
        ("no-such-row", False),
    ):
        found = _half(_with(book, "rear-right", thread=short, current_run=named))
        told = [x for x in found.missing_limits if x.name == "thread"]
        assert [x.unsafe_now for x in told] == [past]
        # 3 mm shorter than the reference, which may be shorter by one
        assert [x.left_now for x in told] == [-2.0 if past else 1.0]


def test_a_fixed_link_of_the_unmeasured_side_takes_only_the_length_it_stands_at(
    both_sides: Book,
) -> None:
    book = _one_sided(both_sides(3.0))
    change = _half(book).move.spot.length_change_mm
    for off, why in ((0.0, None), (0.09, None), (-0.11, "length"), (0.11, "length")):
        runs = tuple(
            replace(r, length_change_mm=change + off) if r.name == "link-short-r" else r
            for r in book.runs
        )
        fixed = _with(
            replace(book, runs=runs),
            "rear-right",
            thread=Thread(kind="fixed"),
            current_run="link-short-r",
        )
        found = _half(fixed)
        assert (None if found.refusal is None else found.refusal.why) == why
        assert found.can_be_made is (why is None)
        assert found.offered_for_both is (why is None)
    # without rows it is as long as its reference, whatever that is
    bare = replace(book, runs=tuple(r for r in book.runs if r.corner == "rear-left"))
    found = _half(_with(bare, "rear-right", thread=Thread(kind="fixed")))
    assert found.refusal is not None
    assert (found.refusal.why, found.can_be_made) == ("length", False)


def test_the_better_of_one_each_and_one_for_both_is_what_one_each_means(
    both_sides: Book,
) -> None:
    """Each side's ties may go another way than the pair's: nothing is gained by one each."""
    for up in (0.0, 3.0, -3.0):
        found = _answer(both_sides(up))
        assert found.alike is not None
        assert found.own.figures.score_deg.value <= found.alike.figures.score_deg.value
        assert found.cost_of_sameness_deg is not None
        assert found.cost_of_sameness_deg >= 0.0


@pytest.mark.parametrize(
    ("worthwhile", "action"),
    [((0.5, 0.5), "stay"), ((0.5, 1e-6), "set"), ((1e-6, 0.5), "set")],
)
def test_the_side_that_wants_more_says_whether_a_pair_is_worth_setting(
    both_sides: Book, worthwhile: tuple[float, float], action: str
) -> None:
    book = both_sides(seed=None)
    for name, worth in zip(("rear-left", "rear-right"), worthwhile, strict=True):
        goal = replace(book.corners[name].goal, worthwhile_deg=worth)
        book = _with(book, name, goal=goal)
    found = _answer(book)
    assert found.worthwhile_deg == min(worthwhile)
    assert found.action == action
    assert found.gain_deg > 1e-6
    assert found.stated
    assert not _answer(replace(book, axles={})).stated
