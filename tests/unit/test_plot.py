"""Pictures keep their axes, words and legends apart, whatever the runs are called."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from optimizer.advise.evidence import corner_evidence
from optimizer.advise.next_move import advise, surface_map
from optimizer.logbook import parse_goal
from optimizer.present.crew import Crew
from optimizer.present.plot import advice_picture, curves_picture, drawn_names
from optimizer.records import Logbook

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Picture

LONG = "a-very-long-name-of-a-run"
GOAL = "kind=toe-at-travel at_travel=-40 toe_change=0.1 tolerance=0.05"


def _grown(book: Logbook, names: list[str]) -> Logbook:
    """The demo with copies of its second run under other names."""
    second = book.runs[1]
    rows = book.readings_of(second.name)
    runs = [replace(second, name=name) for name in names]
    readings = [replace(r, run=name) for name in names for r in rows]
    return replace(book, runs=(*book.runs, *runs), readings=(*book.readings, *readings))


def _pictures(book: Logbook, goal: str | None = None) -> list[Picture]:
    crew, wanted = Crew.of(book), parse_goal(goal, book, "rear-left") if goal else None
    evidence = corner_evidence(book, "rear-left")
    pairs = [(r.name, c) for r, c in zip(evidence.runs, evidence.curves, strict=True)]
    advice = advise(book, "rear-left", wanted)
    surface = surface_map(book, "rear-left", wanted)
    corner = replace(advice.corner, name="the-left-rear-corner-of-the-second-car")
    return [
        curves_picture(corner.name, pairs, crew),
        advice_picture(replace(advice, corner=corner), pairs, crew, surface),
    ]


@pytest.mark.parametrize(
    ("names", "goal"),
    [
        ([], None),
        ([], GOAL),
        ([f"{LONG}-{i}" for i in range(2)], None),
        ([f"{LONG}-{i}-{LONG}" for i in range(57)], GOAL),
        (["前輪左", "後輪右", "$x^_$", "_under", "für"], None),
    ],
    ids=["demo", "goal", "long", "sixty", "foreign"],
)
def test_nothing_is_cut_or_overprinted(
    demo_book: Logbook, names: list[str], goal: str | None
) -> None:
    for picture in _pictures(_grown(demo_book, names), goal):
        picture.draw_without_rendering()  # type: ignore[no-untyped-call]
        page = picture.bbox
        for axes in picture.axes[: 2 if len(picture.axes) > 1 else 1]:
            assert axes.get_position().width >= 0.6
            legend = axes.get_legend()
            assert legend is not None
            words = [axes.xaxis.label, axes.yaxis.label, *axes.texts]
            boxes = [w.get_window_extent() for w in words] + [legend.get_window_extent()]
            title = axes.get_title(loc="left")
            assert len(title) <= 24 + len(": toe change against travel")
            for box in boxes:
                assert page.x0 <= box.x0 <= box.x1 <= page.x1
                assert page.y0 <= box.y0 <= box.y1 <= page.y1
                assert not [other for other in boxes if other is not box and box.overlaps(other)]
            told = [t.get_text() for t in legend.get_texts()]
            assert len(told) == len(set(told)) == len(axes.get_legend_handles_labels()[1])


def test_each_run_differs_by_colour_and_dash(demo_book: Logbook) -> None:
    picture = _pictures(_grown(demo_book, ["four", "five", "six", "seven"]))[0]
    lines = [c.lines[0] for c in picture.axes[0].containers]  # type: ignore[attr-defined]
    looks = [(line.get_color(), line.get_linestyle()) for line in lines]
    assert len(looks) == len(set(looks)) == 7


def test_names_are_told_apart_in_the_font_s_glyphs() -> None:
    names = ["前輪", "後輪", "für", f"{LONG}-1", f"{LONG}-2", "$a$", "_b"]
    drawn = drawn_names(names)
    assert list(drawn.values()) == [
        *("?? (1)", "?? (2)", "für", "a-very-..a-run-1", "a-very-..a-run-2"),
        *(r"\$a\$", " _b"),
    ]
