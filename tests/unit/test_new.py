"""Starting a logbook: what is written reads back, and a failure leaves nothing behind."""

from __future__ import annotations

import os
import re
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from optimizer.errors import CallError, LogbookError, ShimoptError
from optimizer.logbook import FILES, NewAnswers, parse_table, read_logbook, start_logbook
from optimizer.records import Units

TABLE = parse_table("travel up1 down1\n-50 -12 -11.5\n-25 -5 -5\n0 0 1\n25 4.5 5\n50 8 8")
DIAL = NewAnswers(
    units="thou,mm,mm", span=400.0, link="behind", above="3+1", below="2x0,5", table=TABLE
)


def files_in(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_three_files_that_read_back(tmp_path: Path) -> None:
    folder = tmp_path / "yard" / "hill climber"
    paths = start_logbook(folder, DIAL)
    assert paths == tuple(folder / name for name in FILES)
    assert files_in(folder) == sorted([".shimopt", *FILES])

    logbook = read_logbook(folder)
    assert logbook.car == "hill climber"
    assert logbook.units == Units(travel="mm", reading="thou", length="mm")
    assert (logbook.signs.toe, logbook.signs.travel) == (1, 1)
    assert (logbook.gauge.kind, logbook.gauge.span_mm, logbook.gauge.rising) == (
        "one-dial",
        400.0,
        1,
    )
    corner = logbook.corners["rear-left"]
    assert (corner.side, corner.ahead, corner.steered) == ("left", False, False)
    assert corner.reference_run == "run1"
    (run,) = logbook.runs
    assert (run.name, run.above_mm, run.below_mm) == ("run1", (3.0, 1.0), (0.5, 0.5))
    assert [(r.sweep, r.travel_mm) for r in logbook.readings] == [(s, z) for s, z, _ in TABLE]
    assert [r.value for r in logbook.readings] == pytest.approx([v * 0.0254 for _, _, v in TABLE])


def test_without_a_table_there_are_no_readings(tmp_path: Path) -> None:
    start_logbook(tmp_path, replace(DIAL, table=None))
    assert (tmp_path / "readings.csv").read_text() == "run,pass,travel_mm,reading_thou\n"
    logbook = read_logbook(tmp_path)
    assert (len(logbook.runs), logbook.readings) == (1, ())


def test_signs_side_and_names_that_were_answered(tmp_path: Path) -> None:
    answers = replace(
        DIAL,
        rising="toe-out",
        link="ahead",
        corner='front "x"',
        side="right",
        steered=True,
        toe_out_plus=True,
        droop_plus=True,
        car="a \\ b",
        run="as found, wet",
    )
    start_logbook(tmp_path, answers)
    logbook = read_logbook(tmp_path)
    corner = logbook.corners['front "x"']
    assert (corner.side, corner.ahead, corner.steered) == ("right", True, True)
    assert corner.eccentric.kind == "none"
    assert (logbook.signs.toe, logbook.signs.travel, logbook.gauge.rising) == (-1, -1, -1)
    assert (logbook.car, logbook.runs[0].name) == ("a \\ b", "as found, wet")
    assert logbook.readings[0].travel_mm == 50.0


PAIRS = parse_table("travel up1_front up1_rear\n-25 9 10\n0 10 10\n25 10,5 9", Units(), "two-dials")


@pytest.mark.parametrize(
    ("change", "rising", "values"),
    [
        ({"gauge": "two-dials", "rising": "toe-out", "table": PAIRS}, -1, [-1.0, 0.0, 1.5]),
        ({"gauge": "toe-plate", "reference": "inboard", "table": PAIRS}, -1, [-1.0, 0.0, 1.5]),
        ({"gauge": "toe-plate", "reference": "outboard", "table": PAIRS}, 1, [-1.0, 0.0, 1.5]),
        ({"gauge": "spot", "span": 4000.0}, 1, [-25.0, 0.0, 25.0]),
    ],
    ids=["two-dials", "inboard", "outboard", "spot"],
)
def test_every_gauge_reads_back(
    tmp_path: Path, change: dict[str, Any], rising: int, values: list[float]
) -> None:
    single = [("up1", z, z) for z in (-25.0, 0.0, 25.0)]
    answers = replace(DIAL, **{"units": "mm", "table": single, **change})
    start_logbook(tmp_path, answers)
    book = read_logbook(tmp_path)
    assert (book.gauge.kind, book.gauge.rising) == (change["gauge"], rising)
    assert book.gauge.span_mm == answers.span
    assert [r.value for r in book.readings] == values


@pytest.mark.parametrize("toe_out_plus", [False, True])
@pytest.mark.parametrize("rising", ["toe-in", "toe-out"])
def test_direct_angle_needs_no_span_and_has_one_sign(
    tmp_path: Path, toe_out_plus: bool, rising: Any
) -> None:
    table = [("up1", -50.0, -6.0), ("up1", 0.0, 0.0), ("up1", 50.0, 3.0)]
    answers = NewAnswers(
        units="min,mm,mm", link="ahead", toe_out_plus=toe_out_plus, rising=rising, table=table
    )
    start_logbook(tmp_path, answers)
    logbook = read_logbook(tmp_path)
    assert (logbook.gauge.kind, logbook.gauge.rising) == ("direct-angle", 1)
    assert logbook.units.toe == "min"
    assert logbook.readings[0].value == pytest.approx(0.1 if toe_out_plus else -0.1)


@pytest.mark.parametrize(
    ("units", "gauge"),
    [
        *((u, None) for u in ("deg,mm,mm", "min,in,in")),
        *(
            (u, gauge)
            for u in ("mm", "in", "thou,mm,mm", "thou,in,in", "in,cm,mm")
            for gauge in (None, "two-dials", "toe-plate", "spot")
        ),
    ],
)
@pytest.mark.parametrize("plus", [False, True])
def test_every_example_in_car_toml_is_sound_once_its_mark_is_taken_away(
    tmp_path: Path, units: str, plus: bool, gauge: Any
) -> None:
    answers = NewAnswers(
        units=units,
        gauge=gauge,
        reference="inboard",
        span=16.0 if units.endswith("in") else 400.0,
        link="behind",
        above="0.25",
        toe_out_plus=plus,
        droop_plus=plus,
    )
    start_logbook(tmp_path, answers)
    path = tmp_path / "car.toml"
    text, count = re.subn(r"(?m)^# (\w+ = )", r"\1", path.read_text())
    assert count >= 25
    path.write_text(text.replace('kind = "least-change"', 'kind = "toe-at-travel"'))
    logbook = read_logbook(tmp_path)
    corner = logbook.corners["rear-left"]
    assert corner.tape.length_mm is not None
    assert corner.tape.stud_lean_rad is not None
    assert corner.thread.pitch_mm == 1.5
    assert corner.stack.box_mm == logbook.runs[0].above_mm
    goal = corner.goal
    assert goal.window_mm == pytest.approx((-50.0, 50.0), abs=1.0)
    assert goal.at_travel_mm is not None
    assert goal.at_travel_mm < 0.0
    assert goal.toe_change_deg == pytest.approx(0.1)


def test_car_toml_shows_every_key_there_is(tmp_path: Path) -> None:
    from optimizer.logbook.table import KEYS

    start_logbook(tmp_path, DIAL)
    text = (tmp_path / "car.toml").read_text()
    for keys in KEYS.values():
        for key in keys:
            assert re.search(rf"\b{key}\b", text), key


@pytest.mark.parametrize(
    "words",
    ["never on a jack alone", "anti-roll bar free", "one wheel moved", "locked at the rack",
     "rated stands", "the jack does not touch the gauge plate", "plate level at every reading",
     "joint centre to joint centre", "square to the link seen from above", "spring out",
     "outer joint above inner joint", "for each 25 mm of bump", "Marks count inboard"],
)  # fmt: skip
def test_car_toml_says_how_to_measure(tmp_path: Path, words: str) -> None:
    start_logbook(tmp_path, DIAL)
    assert words in (tmp_path / "car.toml").read_text()


def test_car_toml_is_toml_with_short_lines(tmp_path: Path) -> None:
    start_logbook(tmp_path, DIAL)
    text = (tmp_path / "car.toml").read_text()
    assert tomllib.loads(text)["gauge"]["span"] == 400
    assert max(map(len, text.splitlines())) <= 100


@pytest.mark.parametrize("name", FILES)
def test_nothing_is_ever_overwritten(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("mine")
    with pytest.raises(CallError, match=re.escape(name)) as caught:
        start_logbook(tmp_path, DIAL)
    assert caught.value.remedy
    assert files_in(tmp_path) == [name]
    assert (tmp_path / name).read_text() == "mine"


def test_other_files_of_the_folder_stay(tmp_path: Path) -> None:
    (tmp_path / "photo.txt").write_text("mine")
    start_logbook(tmp_path, DIAL)
    assert files_in(tmp_path) == sorted([".shimopt", *FILES, "photo.txt"])


def test_folder_that_is_a_file(tmp_path: Path) -> None:
    path = tmp_path / "car"
    path.write_text("mine")
    with pytest.raises(CallError, match="no folder"):
        start_logbook(path, DIAL)
    assert path.read_text() == "mine"


@pytest.mark.parametrize(
    ("change", "found"),
    [
        ({"units": "thou"}, "doubt"),
        ({"span": None}, "span"),
        ({"span": 0.0}, "span"),
        ({"span": float("nan")}, "span"),
        ({"link": "beside"}, "beside"),
        ({"rising": "up"}, "up"),
        ({"corner": "rear"}, "side"),
        ({"corner": " "}, "called"),
        ({"run": "#1"}, "#1"),
        ({"run": "a\nb"}, "called"),
        ({"gauge": "laser"}, "laser"),
        ({"gauge": "direct-angle"}, "direct-angle"),
        ({"gauge": "toe-plate", "table": None}, "toe plate"),
        ({"gauge": "spot", "span": 100.0}, "throw"),
        ({"gauge": "two-dials"}, "two-dials"),
        ({"above": "3-1"}, "3-1"),
        ({"below": "-2"}, "-2"),
    ],
)
def test_answer_that_cannot_be(tmp_path: Path, change: dict[str, Any], found: str) -> None:
    folder = tmp_path / "car"
    with pytest.raises(CallError) as caught:
        start_logbook(folder, replace(DIAL, **change))
    assert found in caught.value.found
    assert caught.value.remedy
    assert not folder.exists()


@pytest.mark.parametrize(
    ("table", "code"),
    [
        ([("up1", -50.0, 1.0), ("up1", 25.0, 1.0), ("up1", 50.0, 0.0)], "L503"),
        ([("up1", 0.0, 1.0), ("up1", 25.0, 1.0)], "L504"),
        ([("up1", -50.0, 1.0), ("up1", 0.0, 9e9), ("up1", 50.0, 0.0)], "L313"),
        ([("up1", float("nan"), 1.0), ("up1", 0.0, 0.0), ("up1", 50.0, 0.0)], "L310"),
    ],
)
def test_table_at_fault_writes_nothing(
    tmp_path: Path, table: list[tuple[str, float, float]], code: str
) -> None:
    folder = tmp_path / "car"
    with pytest.raises(LogbookError, match="nothing was written") as caught:
        start_logbook(folder, replace(DIAL, table=table))
    assert [p.code for p in caught.value.problems] == [code]
    assert not folder.exists()


@pytest.mark.parametrize(
    ("call", "nth"), [("mkdir", 1), *((call, n) for call in ("fsync", "rename") for n in (1, 2, 3))]
)
@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_failure_at_any_step_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, nth: int, error: BaseException
) -> None:
    owner: Any = os if call == "fsync" else Path
    real = getattr(owner, call)
    calls = 0

    def fails(*args: Any, **kwargs: Any) -> Any:
        nonlocal calls
        calls += 1
        if calls == nth:
            raise error
        return real(*args, **kwargs)

    monkeypatch.setattr(owner, call, fails)
    folder = tmp_path / "yard" / "car"
    expected = ShimoptError if isinstance(error, OSError) else KeyboardInterrupt
    with pytest.raises(expected) as caught:
        start_logbook(folder, DIAL)
    if isinstance(caught.value, ShimoptError):
        assert "No space left" in str(caught.value)
        assert caught.value.remedy
    assert calls >= nth
    assert list(tmp_path.iterdir()) == []


def test_failure_keeps_what_was_in_the_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "photo.txt").write_text("mine")

    def fails(self: Path, target: Path) -> Path:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(Path, "rename", fails)
    with pytest.raises(ShimoptError):
        start_logbook(tmp_path, DIAL)
    assert files_in(tmp_path) == ["photo.txt"]


def test_file_that_appears_meanwhile_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.fsync

    def meanwhile(descriptor: int) -> None:
        (tmp_path / "runs.csv").write_text("theirs")
        real(descriptor)

    monkeypatch.setattr(os, "fsync", meanwhile)
    with pytest.raises(ShimoptError, match="meanwhile"):
        start_logbook(tmp_path, DIAL)
    assert files_in(tmp_path) == ["runs.csv"]
    assert (tmp_path / "runs.csv").read_text() == "theirs"


def test_files_are_synced_before_they_get_their_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    events: list[str] = []
    real_sync, real_rename = os.fsync, Path.rename

    def sync(descriptor: int) -> None:
        events.append("sync")
        real_sync(descriptor)

    def rename(self: Path, target: Path) -> Path:
        events.append("rename")
        return real_rename(self, target)

    monkeypatch.setattr(os, "fsync", sync)
    monkeypatch.setattr(Path, "rename", rename)
    start_logbook(tmp_path, DIAL)
    first = events.index("rename")
    # three files, then what is to be made is noted: the history's file and folder
    assert events[:first] == ["sync"] * 5
    assert events[first : first + 3] == ["rename"] * 3
