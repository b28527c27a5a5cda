"""A kind, wish, limit or table that is added has its place wherever one is needed.

Where a choice is a ``Literal`` and its words stand in a mapping next door, nothing but these
tests tells whoever adds one that a mapping still lacks it.
"""

from __future__ import annotations

import ast
import csv
import inspect
import re
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import get_args

import numpy as np
import pytest

from optimizer import questions, standards
from optimizer.advise import limits, room
from optimizer.advise.goal import target_of
from optimizer.advise.next_move import advise
from optimizer.advise.tradeoff import tradeoff
from optimizer.advise.wishes import DEFAULT_ORDER, Requirement, requirements_of
from optimizer.errors import CallError
from optimizer.logbook import NewAnswers, car, parse_goal, read_logbook, readings, start_logbook
from optimizer.logbook import goal as goal_file
from optimizer.logbook import template as car_text
from optimizer.logbook.table import KEYS
from optimizer.measure.gauge import (
    loop_noise_deg,
    reading_from_toe,
    reading_noise_deg,
    toe_from_reading_deg,
)
from optimizer.present.crew import Crew
from optimizer.present.limits import NAMES, unsafe_words, whole_words
from optimizer.present.tradeoff import then_words
from optimizer.present.wished import goal_words, wish_name
from optimizer.records import (
    Gauge,
    GaugeKind,
    Goal,
    GoalKind,
    Logbook,
    MeasureKind,
    TravelSide,
    WeightKind,
    WishKind,
)

ROOT = Path(__file__).resolve().parents[2]
GAUGES = get_args(GaugeKind)
CORNER = "rear-left"
# states every wish; one that is added belongs in here
ALL_WISHES = Goal(
    kind="toe-at-travel",
    never_toe_out="droop",
    most_change_deg=0.1,
    at_travel_mm=-40.0,
    toe_change_deg=0.1,
    tolerance_deg=0.05,
    order=("least-change",),
)


def _spanned(kind: GaugeKind) -> bool:
    """Whether the formula of a gauge needs a span or throw."""
    try:
        toe_from_reading_deg(Gauge(kind=kind), 1.0)
    except CallError:
        return True
    return False


def test_every_gauge_kind_has_its_keys_noise_and_words() -> None:
    kinds, spanned = set(GAUGES), {kind for kind in GAUGES if _spanned(kind)}
    assert set(car.GAUGES) == kinds
    assert set(car.USUAL_NOISE) == kinds
    assert set(car_text._GAUGES) == kinds
    assert set(car.SPAN_WORDS) == spanned
    assert set(readings._SIZES) == spanned
    assert set(questions._SPANS) == spanned


@pytest.mark.parametrize("kind", GAUGES)
def test_the_texts_that_list_gauges_list_every_kind(kind: GaugeKind) -> None:
    from typer.main import get_command

    from optimizer.commands.app import every_command, shelf

    others = car_text._GAUGE_NOISE.split("# Rising not known")[0]
    assert f"#   {kind} " in others
    assert every_command()
    new = get_command(shelf).commands["new"]  # type: ignore[attr-defined]
    (told,) = [p.help for p in new.params if p.name == "gauge"]
    assert kind in told


@pytest.mark.parametrize("kind", GAUGES)
def test_every_gauge_kind_can_be_started_read_and_reckoned_both_ways(
    tmp_path: Path, kind: GaugeKind
) -> None:
    unit = "mm" if _spanned(kind) else "deg"
    answers = NewAnswers(
        units=f"{unit},mm,mm",
        link="ahead",
        gauge=kind,
        span=600.0 if _spanned(kind) else None,
        reference="inboard",
    )
    start_logbook(tmp_path / "car", answers)
    gauge = read_logbook(tmp_path / "car").gauge
    assert gauge.kind == kind
    shown = np.linspace(-1.0, 1.0, 9)
    toe = toe_from_reading_deg(gauge, shown)
    assert np.ptp(toe) > 0.01
    assert reading_from_toe(gauge, toe) == pytest.approx(shown)


@pytest.mark.parametrize("kind", GAUGES)
def test_the_noise_of_every_gauge_kind_is_that_of_its_formula(kind: GaugeKind) -> None:
    gauge = Gauge(kind=kind, span_mm=600.0, reading_sd=0.01, loop_sd=0.004)
    ends = toe_from_reading_deg(gauge, [-0.005, 0.005])
    worth = float(ends[1] - ends[0]) / 0.01  # degrees for one of the reading
    values = 2 if gauge.reads_two else 1
    assert reading_noise_deg(gauge) == pytest.approx(worth * 0.01 * np.sqrt(values))
    assert loop_noise_deg(gauge) == pytest.approx(worth * 0.004)


def test_every_word_of_a_goal_can_be_written() -> None:
    assert set(goal_file.GOALS) == set(get_args(GoalKind))
    assert set(goal_file.MEASURES) == set(get_args(MeasureKind))
    assert set(goal_file.TRAVEL_SIDES) == set(get_args(TravelSide))
    assert set(goal_file.WEIGHTS) == set(get_args(WeightKind))
    assert set(goal_file.WISHES) == set(get_args(WishKind))
    keys = set(KEYS["[corner.NAME.goal]"])
    assert keys == {re.sub("_(mm|deg)$", "", f.name) for f in fields(Goal)}
    page = (ROOT / "docs/goals.md").read_text(encoding="utf-8")
    for kinds in (GoalKind, MeasureKind, TravelSide, WeightKind, WishKind):
        assert not [k for k in get_args(kinds) if k not in page]
    template = car_text._CORNER.split("[corner.{corner}.goal]")[1]
    assert keys == set(re.findall(r"^(?:# )?(\w+) = ", template, re.MULTILINE))
    for kinds in (GoalKind, MeasureKind, TravelSide, WeightKind):
        assert not [k for k in get_args(kinds) if k not in template]


@pytest.mark.parametrize("kind", [k for k in get_args(GoalKind) if k != "least-change"])
def test_every_goal_wants_something_of_its_own_and_is_named(
    demo_book: Logbook, kind: GoalKind
) -> None:
    wanted = replace(ALL_WISHES, kind=kind, order=())
    own, plain = target_of(wanted, (-50.0, 50.0)), target_of(Goal(), (-50.0, 50.0))
    assert not np.array_equal(own.wanted_deg, plain.wanted_deg)
    advice, crew = advise(demo_book, CORNER), Crew.of(demo_book)
    others = [replace(wanted, kind=k) for k in get_args(GoalKind) if k != kind]
    said = goal_words(replace(advice, goal=wanted), crew)
    assert said not in ["", *(goal_words(replace(advice, goal=other), crew) for other in others)]


def test_every_wish_has_its_band_its_place_and_its_name(demo_book: Logbook) -> None:
    wishes = set(get_args(WishKind))
    assert set(DEFAULT_ORDER) == wishes
    assert len(DEFAULT_ORDER) == len(wishes)
    steps = requirements_of(ALL_WISHES, target_of(ALL_WISHES, (-50.0, 50.0)))
    asked = {step.kind if isinstance(step, Requirement) else step for step in steps}
    assert asked == wishes
    crew = Crew.of(demo_book)
    banded = wishes - {"least-change"}
    assert len({wish_name(w, ALL_WISHES, crew) for w in banded}) == len(banded)
    for wish in banded:  # an order that names what is not stated
        with pytest.raises(CallError, match="is not stated"):
            parse_goal(f"order=[{wish}]", demo_book, CORNER)


def test_the_goal_that_a_tradeoff_says_keeps_every_wish(demo_book: Logbook) -> None:
    found = tradeoff(demo_book, CORNER, -40.0, goal=replace(ALL_WISHES, order=()))
    said = re.search('--goal "(.*)"', then_words(found, Crew.of(demo_book), ""))
    assert said is not None
    typed = parse_goal(said[1], demo_book, CORNER)
    assert set(typed.order) == set(get_args(WishKind))
    # but for the wanted toe, which is the row's
    row = {name: getattr(typed, name) for name in ("at_travel_mm", "toe_change_deg")}
    assert typed == replace(ALL_WISHES, order=typed.order, window_mm=typed.window_mm, **row)


def _kinds_of_limit() -> dict[room.Name, type[room.HardLimit]]:
    found = [c for _, c in inspect.getmembers(room, inspect.isclass) if c is not room.HardLimit]
    return {c.name: c for c in found if issubclass(c, room.HardLimit)}


def test_every_limit_has_its_words(demo_book: Logbook) -> None:
    made = set(_kinds_of_limit())
    assert set(get_args(room.Name)) == made | {"window"}  # what was measured is no hardware
    assert set(NAMES) == set(get_args(room.Name))
    assert set(room.UNSAFE) <= made
    assert set(limits._PAST) == set(room.UNSAFE)
    assert set(limits._WHY) == made - {"pitch"}  # which rules nothing out
    pages = [ROOT / "README.md", *(ROOT / "docs").glob("*.md")]
    rows = [f"| {NAMES[name]} |" for name in made - {"pitch"}]
    assert any(all(row in p.read_text(encoding="utf-8") for row in rows) for p in pages)
    crew, advice = Crew.of(demo_book), advise(demo_book, CORNER)
    units = {name: kind.unit for name, kind in _kinds_of_limit().items()}
    for name in room.UNSAFE:
        past = room.Limit(name=name, status="over", unit=units[name], left=-5.0, left_now=-5.0)
        (loud,) = unsafe_words([past], crew)
        assert loud.endswith(": do not drive")
    for name, unit in units.items():
        over = room.Limit(name=name, status="over", unit=unit, left=-5.0, left_now=-5.0)
        assert NAMES[name].upper() in whole_words(over, advice, crew)


def test_every_limit_is_made_for_a_corner_that_has_it(
    demo_book: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: set[str] = set()
    held: Callable[..., tuple[room.HardLimit, ...]] = limits.hard_limits

    def seen(*args: object, **options: object) -> tuple[room.HardLimit, ...]:
        found = held(*args, **options)
        made.update(limit.name for limit in found)
        return found

    monkeypatch.setattr("optimizer.advise.makeable.hard_limits", seen)
    own = demo_book.corners[CORNER]
    thread = replace(own.thread, pitch_mm=None, engaged_inner_mm=20.0, engaged_outer_mm=20.0)
    # with all that brings a limit about; what a limit that is added needs belongs in here
    corner = replace(own, thread=thread, stack=replace(own.stack, most_shims=9))
    advise(replace(demo_book, corners={CORNER: corner}), CORNER)
    assert made == set(_kinds_of_limit())


TABLES = sorted((ROOT / "optimizer" / "standards").glob("*.csv"))


@pytest.mark.parametrize("path", TABLES, ids=lambda p: p.stem)
def test_every_standard_table_has_a_source_in_each_row_and_a_reader(path: Path) -> None:
    rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    assert rows
    assert all(row["source"] for row in rows)
    readers = _readers()
    (reader,) = [name for name, file in readers.items() if file == path.name]
    assert len(getattr(standards, reader)()) == len(rows)
    checks = (ROOT / "tests" / "published").glob("test_*.py")
    assert any(f"{reader}()" in check.read_text(encoding="utf-8") for check in checks)


def _readers() -> dict[str, str]:
    """The table that each public function of the room reads."""
    tree = ast.parse(Path(standards.__file__).read_text(encoding="utf-8"))
    found = {}
    for node in tree.body:
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            words = [n.value for n in ast.walk(node) if isinstance(n, ast.Constant)]
            for file in (w for w in words if isinstance(w, str) and w.endswith(".csv")):
                found[node.name] = file
    return found


def test_every_command_shows_an_example_and_is_told_of() -> None:
    from optimizer.commands.app import every_command

    pages = [ROOT / "README.md", *(ROOT / "docs").glob("*.md")]
    told = "\n".join(page.read_text(encoding="utf-8") for page in pages)
    for command in every_command():
        assert command.callback is not None
        name = command.name or command.callback.__name__
        said = (command.callback.__doc__ or "").split()
        assert said[:3] == ["Example:", "shimopt", name]
        assert re.search(rf"\bshimopt {name}\b", told), f"no page tells of shimopt {name}"
