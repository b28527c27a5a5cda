"""Sheets for the next run: the screen's words and figures, and nothing cut or overprinted."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from optimizer.advise.expectation import expected_at
from optimizer.advise.next_move import advise
from optimizer.enter.plan import PASSES as ENTERED
from optimizer.errors import CallError
from optimizer.logbook import parse_goal
from optimizer.present.crew import Crew
from optimizer.present.leaf import PAPERS_MM
from optimizer.present.note import note
from optimizer.present.paper import page_of
from optimizer.present.sheet import corner_sheet
from optimizer.present.travels import MOST_TRAVELS, Asked, EnterAsks, travels_to_set
from optimizer.records import Eccentric, GaugeKind, Goal, Logbook, Signs, Units

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Picture

CORNER = "rear-left"
GOAL = "kind=toe-at-travel at_travel=-40 toe_change=0.1 tolerance=0.05"
LONG = "the-rear-left-corner-of-our-second-car-x"
MM_PER_POINT = 25.4 / 72.0
FIFTEEN = "-50 -45 -40 -35 -30 -20 -10 10 20 30 35 40 45 50"


def _with(book: Logbook, **changes: object) -> Logbook:
    corner = replace(book.corners[CORNER], **changes)  # type: ignore[arg-type]
    return replace(book, corners={CORNER: corner})


def _inches(book: Logbook) -> Logbook:
    return replace(book, units=Units(travel="in", reading="in", length="in", toe="min"))


def _thou_and_own_signs(book: Logbook) -> Logbook:
    units = Units(travel="in", reading="thou", length="in", toe="deg")
    return replace(book, units=units, signs=Signs(toe=-1, travel=-1))


def _steered(book: Logbook) -> Logbook:
    return _with(book, steered=True, eccentric=Eccentric(kind="none")).as_of("as-found")


def _two(book: Logbook) -> Logbook:
    return replace(book, gauge=replace(book.gauge, kind="two-dials"))


def _staying(book: Logbook) -> Logbook:
    goal = replace(book.corners[CORNER].goal, worthwhile_deg=0.1)
    return _with(book, current_run="link-short", goal=goal)


def _unread(book: Logbook) -> Logbook:
    return replace(book, readings=())


def _renamed(book: Logbook) -> Logbook:
    """Names of forty letters, a doubt about each, and letters that no font here has."""
    names = {r.name: f"{r.name}-{LONG}"[:40] for r in book.runs}
    corner = replace(book.corners[CORNER], name=LONG, reference_run=names["as-found"])
    corner = replace(
        corner,
        thread=replace(corner.thread, shorter_mm=1.0),
        eccentric=replace(corner.eccentric, outboard_left_mm=1.0),
    )
    runs = [replace(r, name=names[r.name], corner=LONG) for r in book.runs]
    runs[-1] = replace(runs[-1], static_toe_deg=-1.6)
    return replace(
        book,
        car="前輪 $x^_$ für Ölmüller, " + "W" * 40,
        corners={LONG: corner},
        runs=tuple(runs),
        readings=tuple(replace(r, run=names[r.run]) for r in book.readings),
    )


def _texts(page: Picture) -> list[str]:
    return [t.get_text() for t in page.axes[0].texts]


def _said(page: Picture) -> str:
    return " ".join(" ".join(_texts(page)).split())


def _screen_table(screen: list[str]) -> dict[str, tuple[str, str]]:
    """Travel to (next, within) of the screen's table."""
    start = next(i for i, line in enumerate(screen) if line.startswith("Expect"))
    rows = [re.split(r"\s{2,}", line.strip()) for line in screen[start : start + 4]]
    rows[0] = rows[0][1:]
    told = {row[0].split(",")[0]: row[1:] for row in rows}
    wanted = told["next"] if "next" in told else told["now"]
    return dict(zip(told["travel"], zip(wanted, told["within"], strict=True), strict=True))


@pytest.mark.parametrize(
    ("change", "goal"),
    [
        (lambda b: b, None),
        (lambda b: b, GOAL),
        (_inches, None),
        (_thou_and_own_signs, None),
        (_steered, None),
        (_staying, None),
    ],
    ids=["demo", "goal", "inches", "own-signs", "steered", "stay"],
)
def test_words_and_figures_are_the_screen_s(demo_book: Logbook, change, goal) -> None:  # type: ignore[no-untyped-def]
    book = change(demo_book)
    wish = parse_goal(goal, book, CORNER) if goal else None
    sheet = corner_sheet(book, CORNER, Asked(), wish)
    screen = note(advise(book, CORNER, wish), Crew.of(book))
    flat = " ".join(" ".join(screen).split())
    for text in (sheet.heading, *sheet.hands, sheet.doubt, dict(sheet.must)["Wrong if"]):
        assert " ".join(text.split()) in flat
    assert [label for label, _ in sheet.must] == ["Wrong if"]
    asked = f"shimopt enter{sheet.enter_flags}"
    assert (
        dict(sheet.may)["Then"].replace(asked, "shimopt enter").split(" as you")[0].split(";")[0]
        in flat
    )
    rows = {r.travel: (r.expected, r.within) for r in sheet.rows}
    shown = _screen_table(screen)
    assert shown.pop("ride height")[0] == sheet.zero
    assert len(shown) == 4
    assert {travel: rows[travel] for travel in shown} == shown
    (proof,) = [r.travel for r in sheet.rows if r.proves]
    assert f"the dial at {proof} is outside" in dict(sheet.must)["Wrong if"]
    said = _said(page_of(sheet))
    for text in (sheet.heading, *sheet.hands, *dict(sheet.must).values()):
        assert " ".join(text.split()) in said
    cells = _texts(page_of(sheet))
    for row in sheet.rows:
        at = cells.index(row.travel)
        assert cells[at + 1 : at + 3] == [row.expected, row.within]


def test_a_limit_that_is_passed_always_stands_on_the_page(demo_book: Logbook) -> None:
    corner = demo_book.corners[CORNER]
    book = _with(
        demo_book,
        thread=replace(corner.thread, shorter_mm=1.0),
        eccentric=replace(corner.eccentric, outboard_left_mm=1.0),
        goal=replace(corner.goal, worthwhile_deg=0.1),
    )
    sheet = corner_sheet(book, CORNER, Asked(travels=FIFTEEN))
    assert "close to its end" in dict(sheet.must)["Limits"]
    said = _said(page_of(sheet, "letter"))
    assert "close to its end" in said
    assert "THE LINK STANDS 2.0 mm PAST" in said


@pytest.mark.parametrize("first", [False, True])
def test_a_first_run_foretells_nothing(demo_book: Logbook, first: bool) -> None:
    book = demo_book if first else _unread(demo_book)
    sheet = corner_sheet(book, CORNER, Asked(), first=first)
    assert not sheet.expects
    assert sheet.heading == ("" if first else "first run: ") + "measure it as it stands"
    stacks = ("2", "3+1") if first else ("3+1", "1+1")
    assert sheet.hands[0] == f"above the joint, top to bottom: {stacks[0]}"
    assert sheet.hands[1] == f"below the joint, top to bottom: {stacks[1]}"
    link = ("link 3 mm shorter than at as-found",) if first else ()
    mark = f"eccentric at mark {'-3' if first else '0'} (inboard plus)"
    assert sheet.hands[2:] == (*link, mark, "look that it is so; if not, mend runs.csv")
    said = _said(page_of(sheet))
    assert "expect" not in said
    assert "within" not in said
    assert _texts(page_of(sheet)).count("down2") == 1


def test_where_it_stands_is_told_as_far_as_the_logbook_has_it(demo_book: Logbook) -> None:
    def said(change_mm: float, mark: float | None) -> tuple[str, ...]:
        last = replace(demo_book.runs[-1], length_change_mm=change_mm, eccentric_mark=mark)
        book = replace(demo_book, runs=(*demo_book.runs[:-1], last))
        return corner_sheet(book, CORNER, Asked(), first=True).hands[2:-1]

    assert said(1.5, 2.5) == (
        "link 1.5 mm longer than at as-found", "eccentric at mark +2.5 (inboard plus)",
    )  # fmt: skip
    assert said(0.0, None) == ("link length as at as-found",)
    assert corner_sheet(_steered(demo_book), CORNER, Asked(), first=True).hands[2:] == (
        "look that it is so; if not, mend runs.csv",
    )


def test_without_any_run_the_stacks_are_asked_for(demo_book: Logbook) -> None:
    book = replace(demo_book, runs=(), readings=())
    sheet = corner_sheet(_with(book, goal=Goal()), CORNER, Asked())
    assert sheet.hands[0].endswith("____")
    assert [r.travel for r in sheet.rows[:2]] == ["50 droop", "40 droop"]
    assert "Strike out what the wheel does not reach" in sheet.how


def test_an_axle_without_an_eccentric_has_no_box_for_its_mark(demo_book: Logbook) -> None:
    for book, marked in ((demo_book, True), (_steered(demo_book), False)):
        said = _said(page_of(corner_sheet(book, CORNER, Asked())))
        assert ("eccentric mark, inboard +" in said) is marked
        assert ("eccentric mark read again" in said) is marked
        assert "static toe, deg, toe-in +" in said


def test_what_reads_plus_is_told_in_the_crew_s_sign(demo_book: Logbook) -> None:
    falling = replace(demo_book, gauge=replace(demo_book.gauge, rising=-1))
    for book, way in ((demo_book, "Toe-in"), (falling, "Toe-out")):
        sheet = corner_sheet(_unread(book), CORNER, Asked())
        assert f"{way} reads plus" in sheet.how


def test_a_sheet_for_a_gauge_without_a_zero_counts_from_ride_height(demo_book: Logbook) -> None:
    one, two = "Expect counts from ride height.", "Expect is front less rear"
    plate = replace(demo_book.gauge, kind="toe-plate")
    dials = replace(demo_book.gauge, kind="two-dials")
    for gauge, by, zeroed, counts in (
        (demo_book.gauge, 0.0, True, one),
        (demo_book.gauge, 0.5, False, one),
        (plate, 0.0, False, f"{two}, counted from ride height."),
        (dials, 0.5, False, f"{two}, counted from ride height."),
        (dials, 0.0, True, f"{two}, counted from ride height."),
    ):
        rows = tuple(replace(r, value=r.value + by) for r in demo_book.readings)
        book = replace(demo_book, gauge=gauge, readings=rows)
        sheet = corner_sheet(book, CORNER, Asked())
        assert (counts in sheet.how) is not zeroed
        assert ("the change of" in dict(sheet.must)["Wrong if"]) is not zeroed
        assert (counts in _said(page_of(sheet))) is not zeroed
        assert counts not in corner_sheet(book, CORNER, Asked(), first=True).how
        set_to_zero = "zero set at ride height" in _said(page_of(sheet))
        assert set_to_zero is (gauge.kind != "toe-plate")
        assert (f"{two}." in sheet.how) is (gauge is dials and zeroed)


def test_what_nobody_measured_or_wants_is_not_foretold(demo_book: Logbook) -> None:
    rows = corner_sheet(demo_book, CORNER, Asked(travels="-80 -50 50 60")).rows
    assert [r.expected == "-" for r in rows] == [True, False, False, True]


@pytest.mark.parametrize(
    ("travels", "rows", "proves"),
    [
        ("-20 20", ["20 droop", "20 bump"], "20 bump"),
        ("-40,5;-20;20,5", ["40.5 droop", "20 droop", "20.5 bump"], "20.5 bump"),
        ("-50 -12.5 12.5 50", ["50 droop", "12.5 droop", "12.5 bump", "50 bump"], "50 bump"),
        ("-80 60", ["80 droop", "60 bump"], None),
    ],
)
def test_travels_that_the_crew_states_are_the_only_ones(
    demo_book: Logbook, travels: str, rows: list[str], proves: str | None
) -> None:
    sheet = corner_sheet(demo_book, CORNER, Asked(travels=travels))
    assert [r.travel for r in sheet.rows] == rows
    assert [r.travel for r in sheet.rows if r.proves] == ([proves] if proves else [])
    told = dict(sheet.must)["Wrong if"]
    if proves:
        assert f"the dial at {proves} is outside" in told
    else:
        assert told == "these travels cannot tell: none is within what was measured"
    assert told in _said(page_of(sheet))


OWN = EnterAsks(travel_mm=(-50, -37.5, -25, -12.5, 0, 12.5, 25, 37.5, 50), passes=("up1", "down1"))
FOUR_PASSES = " --passes up1,down1,up2,down2"


@pytest.mark.parametrize(
    ("change", "asked", "own", "flags"),
    [
        (lambda b: b, Asked(), OWN, FOUR_PASSES),
        (lambda b: b, Asked(), replace(OWN, passes=("up1", "down1", "up2", "down2")), ""),
        (
            lambda b: b,
            Asked(travels="-50 -12.5 12.5 50"),
            OWN,
            f' --travels "-50 -12.5 12.5 50"{FOUR_PASSES}',
        ),
        (lambda b: b, Asked(travels="-50 50"), None, f' --travels "-50 50"{FOUR_PASSES}'),
        (_two, Asked(), OWN, ""),
        (_two, Asked(travels="-40,5;0;50"), OWN, ' --travels "-40.5 50"'),
        (_thou_and_own_signs, Asked(travels="-2 1,5"), OWN, f' --travels "1.5 -2"{FOUR_PASSES}'),
    ],
)
@pytest.mark.parametrize("first", [False, True])
def test_the_page_names_what_enter_would_not_ask_by_itself(
    demo_book: Logbook,
    change: Callable[[Logbook], Logbook],
    asked: Asked,
    own: EnterAsks | None,
    flags: str,
    first: bool,
) -> None:
    sheet = corner_sheet(change(demo_book), CORNER, asked, first=first, own=own)
    assert sheet.enter_flags == flags
    then = dict(sheet.may)["Then"]
    assert then.startswith(f"shimopt enter{flags} as you measure it")
    assert then in _said(page_of(sheet))


def test_staying_names_enter_s_flags_for_entering_alone(demo_book: Logbook) -> None:
    sheet = corner_sheet(_staying(demo_book), CORNER, Asked(travels="-50 50"), own=OWN)
    assert dict(sheet.may)["Then"] == (
        f'show it: shimopt brief; what you measure: shimopt enter --travels "-50 50"{FOUR_PASSES}'
    )


def test_a_travel_that_proves_it_wrong_joins_those_of_a_step(demo_book: Logbook) -> None:
    rows = corner_sheet(demo_book, CORNER, Asked(step="20")).rows
    assert [r.travel for r in rows if r.proves] == ["50 bump"]


def test_fifteen_travels_with_ride_height_are_not_refused(demo_book: Logbook) -> None:
    stated = "-45 -40 -35 -30 -25 -20 -15 15 20 25 30 35 40 45"
    assert len(corner_sheet(demo_book, CORNER, Asked(travels=stated)).rows) == 14


def test_expectation_is_the_advice_s(demo_book: Logbook) -> None:
    advice = advise(demo_book, CORNER)
    outlook = advice.outlook
    told = expected_at(demo_book, CORNER, advice.move.spot, list(outlook.travel_mm))
    np.testing.assert_allclose(told.toe_deg, outlook.toe_deg, atol=1e-9)
    np.testing.assert_allclose(2.0 * told.half_deg, outlook.high_deg - outlook.low_deg, atol=1e-9)


CREW = Crew(units=Units(), signs=Signs(), gauge=None)  # type: ignore[arg-type]
INCHES = replace(CREW, units=Units(travel="in"), signs=Signs(travel=-1))


@pytest.mark.parametrize(
    ("asked", "crew", "given", "expected"),
    [
        (Asked(), CREW, {"measured_mm": [-20, -8, 9, 30]}, [-20, -8, 9, 30]),
        (
            Asked(),
            CREW,
            {"measured_mm": [-20, 20], "window_mm": (-35, 15), "wanted_mm": [-30]},
            [-35, -30, -20, 20],
        ),
        (Asked(), CREW, {"window_mm": (-30, 50)}, [-30, -20, -10, 10, 20, 30, 40, 50]),
        (
            Asked(),
            CREW,
            {"measured_mm": list(range(-40, 41)), "wanted_mm": [33]},
            [-40, -30, -20, -10, 10, 20, 30, 33, 40],
        ),
        (Asked(), INCHES, {}, [25.4 * k / 2 for k in range(-4, 5) if k]),
        (Asked(step="20"), CREW, {"measured_mm": [-50, 43]}, [-50, -40, -20, 20, 40]),
        (Asked(step="12,5 mm"), CREW, {"window_mm": (-25, 25)}, [-25, -12.5, 12.5, 25]),
        (Asked(travels="-40,-20,20"), CREW, {"wanted_mm": [7]}, [-40, -20, 20]),
        (Asked(travels="40; -12,5, 0 40"), CREW, {}, [-12.5, 40]),
        (Asked(travels="1 -2"), INCHES, {"wanted_mm": [3.0]}, [-25.4, 50.8]),
    ],
)
def test_travels_come_from_the_stroke_and_the_step(asked, crew, given, expected) -> None:  # type: ignore[no-untyped-def]
    assert travels_to_set(asked, crew, **given) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("asked", "found", "remedy"),
    [
        (Asked(travels="1 2", step="3"), "both given", "one of them"),
        (Asked(step="0"), "leads nowhere", "above zero"),
        (Asked(step="-5"), "leads nowhere", "above zero"),
        (Asked(step="1e-9"), "too fine", "larger --step"),
        (Asked(step="wide"), "not a number", "write --step in mm, such as 20"),
        (Asked(step="5"), "21 travels are more than a page holds", "--step, such as 20"),
        (Asked(travels=f"{FIFTEEN} 15"), "16 travels are more than a page holds (15,", "--step"),
        (Asked(travels="20"), "fewer than two travels", "--travels"),
        (Asked(travels=""), "fewer than two travels", "--travels"),
        (Asked(travels="0 0.01 20 20.001"), "fewer than two travels", "--travels"),
        (Asked(travels="-50 5000"), "5000 mm is absurd", "within 300 mm"),
        (Asked(travels="-50 fifty"), "fifty", 'write --travels in mm, such as "-50 50"'),
    ],
)
def test_travels_that_cannot_be_are_refused(asked: Asked, found: str, remedy: str) -> None:
    with pytest.raises(CallError) as told:
        travels_to_set(asked, CREW, measured_mm=[-50, 50])
    assert found in told.value.found
    assert remedy in told.value.remedy


def test_the_remedies_of_too_many_travels_work(demo_book: Logbook) -> None:
    for book in (demo_book, _inches(demo_book)):
        fine = "5" if book is demo_book else "0.2"
        with pytest.raises(CallError) as told:
            corner_sheet(book, CORNER, Asked(step=fine))
        step, travels = re.search(
            r'such as ([\d.]+), .* such as "(.*)"', told.value.remedy
        ).groups()  # type: ignore[union-attr]
        for asked in (Asked(step=step), Asked(travels=travels)):
            assert 2 <= len(corner_sheet(book, CORNER, asked).rows) < MOST_TRAVELS


def _extents(page: Picture) -> list[tuple[str, float, float, float, float]]:
    """Text and left, top, right and bottom of each line of text, in mm of the page."""
    page.set_dpi(720)  # fine enough for the letters to be as wide as in the PDF
    page.draw_without_rendering()  # type: ignore[no-untyped-call]
    _, high = page.get_size_inches() * 25.4
    to_mm = 25.4 / page.dpi
    out = []
    for text in page.axes[0].texts:
        box = text.get_window_extent()
        x0, x1, y0, y1 = (v * to_mm for v in (box.x0, box.x1, box.y0, box.y1))
        out.append((text.get_text(), x0, high - y1, x1, high - y0))
    return out


def _apart(a: tuple[float, ...], b: tuple[float, ...], slack: float) -> bool:
    """Whether two boxes (left, top, right, bottom) do not overlap by more than the slack."""
    across = min(a[2], b[2]) - max(a[0], b[0])
    down = min(a[3], b[3]) - max(a[1], b[1])
    return across <= slack or down <= slack


def _plate(book: Logbook) -> Logbook:
    """A gauge that reads front and rear, its names and doubts as long as they get."""
    return replace(_renamed(book), gauge=replace(book.gauge, kind="toe-plate"))


PAGES = {
    "demo": (lambda b: b, Asked(), None),
    "goal": (lambda b: b, Asked(), GOAL),
    "fifteen": (lambda b: b, Asked(travels=FIFTEEN), None),
    "long": (_renamed, Asked(travels=FIFTEEN), None),
    "inches": (lambda b: _inches(_renamed(b)), Asked(), None),
    "steered": (_steered, Asked(), None),
    "stay": (_staying, Asked(), None),
    "first": (_unread, Asked(travels=FIFTEEN), None),
    "plate": (_plate, Asked(travels=FIFTEEN), None),
    "plate-first": (lambda b: _unread(_plate(b)), Asked(travels=FIFTEEN), None),
    "plate-inches": (lambda b: _plate(_inches(b)), Asked(), None),
}


@pytest.mark.parametrize("kind", ["two-dials", "toe-plate"])
@pytest.mark.parametrize("change", [lambda b: b, _unread])
def test_a_gauge_that_reads_two_has_a_box_for_each(
    demo_book: Logbook, kind: GaugeKind, change: Callable[[Logbook], Logbook]
) -> None:
    book = change(replace(demo_book, gauge=replace(demo_book.gauge, kind=kind)))
    sheet = corner_sheet(book, CORNER, Asked())
    # what enter asks by itself, and room for four digits and a point in each box
    assert sheet.passes == ENTERED == ("up1", "down1")
    page = page_of(sheet)
    texts = _extents(page)
    for name in sheet.passes:
        assert sum(said == f"{name}, thou" for said, *_ in texts) == 1
    heads = sorted((x0, x1) for said, x0, _, x1, _ in texts if said in ("front", "rear"))
    said = _texts(page)
    assert [t for t in said if t in ("front", "rear")] == ["front", "rear"] * 2
    across = Counter(
        (round(b.x0, 3), round(b.x1, 3))
        for b in (p.get_bbox() for p in page.axes[0].patches)  # type: ignore[attr-defined]
        if b.x1 - b.x0 > 14.0
    )
    columns = sorted(x for x, n in across.items() if n == len(sheet.rows) + 2)
    assert len(columns) == 4
    for (left, right), (x0, x1) in zip(columns, heads, strict=True):
        assert left < x0 < x1 < right
    assert len(corner_sheet(demo_book, CORNER, Asked()).passes) == 4


@pytest.mark.parametrize("paper", sorted(PAPERS_MM))
@pytest.mark.parametrize("case", PAGES)
def test_nothing_is_cut_overprinted_or_too_small(demo_book: Logbook, case: str, paper: str) -> None:
    change, asked, goal = PAGES[case]
    book = change(demo_book)
    corner = next(iter(book.corners))
    sheet = corner_sheet(book, corner, asked, parse_goal(goal, book, corner) if goal else None)
    page = page_of(sheet, paper, "page 1 of 2")
    wide, high = PAPERS_MM[paper]
    assert page.get_size_inches() * 25.4 == pytest.approx([wide, high])
    texts = _extents(page)
    shapes = [p.get_bbox() for p in page.axes[0].patches]  # type: ignore[attr-defined]
    boxes = [
        (b.x0, b.y0, b.x1, b.y1)
        for b, p in zip(shapes, page.axes[0].patches, strict=True)
        if not p.get_fill() or p.get_facecolor()[3] == 0.0
    ]
    for said, *spot in texts:
        assert spot[0] >= 9.9, said
        assert spot[1] >= 9.9, said
        assert spot[2] <= wide - 9.9, said
        assert spot[3] <= high - 9.0, said
        assert all(_apart(tuple(spot), box, 0.3) for box in boxes), said
    for i, (said, *spot) in enumerate(texts):
        for other, *place in texts[:i]:
            assert _apart(tuple(spot), tuple(place), 0.4), (said, other)
    for x0, y0, x1, y1 in boxes:
        assert 9.9 <= x0 < x1 <= wide - 9.9
        assert 9.9 <= y0 < y1 <= high - 9.9
    to_write_in = [b for b in boxes if b[2] - b[0] > 4.0]
    assert len(to_write_in) >= 4 * (len(sheet.rows) + 2) + 4
    assert all(b[3] - b[1] >= 8.0 - 1e-9 for b in to_write_in)
    assert all(t.get_fontsize() >= 9.0 for t in page.axes[0].texts)
    said = _said(page)
    for text in (*sheet.hands, *(text for _, text in sheet.must), sheet.doubt):
        assert "".join(text.split()) in "".join(said.split())


def test_the_page_is_black_white_and_grey(demo_book: Logbook) -> None:
    from matplotlib.colors import to_rgb

    axes = page_of(corner_sheet(demo_book, CORNER, Asked())).axes[0]
    colours = [t.get_color() for t in axes.texts] + [line.get_color() for line in axes.lines]
    assert {to_rgb(c) for c in colours} == {(0.0, 0.0, 0.0)}
    fills = [p.get_facecolor() for p in axes.patches]
    assert all(len(set(fill[:3])) == 1 for fill in fills)


def test_what_matters_least_goes_first_and_then_the_page_is_refused(demo_book: Logbook) -> None:
    sheet = corner_sheet(demo_book, CORNER, Asked(travels=FIFTEEN))
    may = [label for label, _ in sheet.may]
    assert may == ["Limits", "Expect", "Then", "Go on", "Each limit"]
    kept, sizes = [], []
    for n in range(60):
        crowded = replace(sheet, doubt="a doubt " * 4 * n + "end" if n else "")
        try:
            page = page_of(crowded, "letter")
        except CallError as error:
            told = error
            break
        said = _texts(page)
        kept.append([label for label in may if label in said])
        sizes.append(page.axes[0].texts[said.index("Do this")].get_fontsize())
    assert all(labels == may[: len(labels)] for labels in kept)
    counts = list(map(len, kept))
    assert counts == sorted(counts, reverse=True)
    assert set(counts) >= {0, 1, 2}
    usual = corner_sheet(demo_book, CORNER, Asked())
    roomy = "".join(_said(page_of(usual)).split())
    assert all("".join(text.split()) in roomy for _, text in usual.may[:-1])
    assert all("".join(text.split()) in roomy for text in usual.order)
    assert sizes == sorted(sizes, reverse=True)
    assert (sizes[0], sizes[-1]) == (11.0, 9.0)
    assert "15 travels and what must be said do not fit one page" in told.found
    fewer = re.search(r"ask for (\d+) fewer", told.remedy)
    assert fewer is not None
    page_of(replace(crowded, rows=sheet.rows[int(fewer[1]) :]), "letter")
