"""Reading a sound logbook: units, signs, defaults, and the many ways files are written."""

from __future__ import annotations

import csv
import io
import math
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.errors import CallError, LogbookError
from optimizer.logbook import (
    parse_stack,
    parse_table,
    parse_units,
    read_logbook,
    write_stack,
)
from optimizer.logbook.cells import CellReader
from optimizer.logbook.faults import Faults, source_of
from optimizer.logbook.toml_doc import read_toml
from optimizer.records import Gauge, Logbook, Measured, Reading, Stack, Tape, Thread, Units

CAR = """\
[car]
name = "hill climber"

[units]
travel = "in"
reading = "thou"
length = "mm"
toe = "min"

[signs]
toe_in = "minus"
bump = "minus"

[gauge]
span = 400
rising = "toe-out"
resolution = 0.5
reading_noise = 2
direction_noise = 1
travel_noise = 0.1
travel_scale_noise = 0.02
remount_noise = 1.2

[corner.front-right]
link = "ahead"
steered = true
reference_run = "a"
current_run = "b"

[corner.front-right.tape]
length = 350
length_give_or_take = 4
arm = 120
rise = -10
lean_in = 0.5
stud_lean = -3
stud_lean_give_or_take = 4

[corner.front-right.stack]
end = "inner"
face = "arm-above"
shims = [3, 1.0, 0.5, 0]
most_shims = 8

[corner.front-right.thread]
kind = "one-end"
threads_per_inch = 20
flats = 2
shorter = 5
longer = 2.5

[corner.front-right.eccentric]
kind = "slot"
per_mark = 0.5
inboard_left = 4
outboard_left = 6

[corner.front-right.goal]
kind = "toe-at-travel"
window = [-2, 1.5]
weight = "ride-height"
weight_sd = 0.5
at_travel = 1.5
toe_change = -6
tolerance = 3
worthwhile = 1.2

[corner.pivot]
side = "left"
link = "behind"
"""
RUNS = """\
run,corner,date,shims_above,shims_below,length_change_in,eccentric_mark,static_toe,note
a,front-right,2031-04-02,3+1,0.5,0,0,-12,"wet, windy"
b,front-right,2031-04-02,3,1+0.5,0.1,-1.5,,
"""
READINGS = """\
run,pass,travel,reading
a,up1,-1,100
a,up1,0,0
a,up1,2,-50
"""


def write(folder: Path, car: str = CAR, runs: str = RUNS, readings: str = READINGS) -> Path:
    folder.mkdir(exist_ok=True)
    for name, text in (("car.toml", car), ("runs.csv", runs), ("readings.csv", readings)):
        (folder / name).write_bytes(text.encode())
    return folder


@pytest.fixture(name="folder")
def _folder(tmp_path: Path) -> Path:
    return write(tmp_path / "car")


@pytest.fixture(name="logbook")
def _logbook(folder: Path) -> Logbook:
    return read_logbook(folder)


def test_names_units_and_signs(logbook: Logbook, folder: Path) -> None:
    assert (logbook.car, logbook.folder) == ("hill climber", folder)
    assert logbook.units == Units(travel="in", reading="thou", length="mm", toe="min")
    assert (logbook.signs.toe, logbook.signs.travel) == (-1, -1)
    assert list(logbook.corners) == ["front-right", "pivot"]


def test_gauge_in_mm_and_degrees(logbook: Logbook) -> None:
    gauge = logbook.gauge
    assert (gauge.kind, gauge.span_mm, gauge.rising) == ("one-dial", 400.0, -1)
    assert gauge.resolution == pytest.approx(0.0127)
    assert gauge.reading_sd == pytest.approx(0.0508)
    assert gauge.loop_sd == pytest.approx(0.0254)
    assert gauge.travel_sd_mm == pytest.approx(2.54)
    assert gauge.travel_scale_sd == 0.02
    assert gauge.tilt_sd_deg == pytest.approx(0.02)


def test_corner_and_its_hardware(logbook: Logbook) -> None:
    corner = logbook.corners["front-right"]
    assert (corner.side, corner.ahead, corner.steered) == ("right", True, True)
    assert (corner.reference_run, corner.current_run) == ("a", "b")
    assert corner.stack == Stack(
        end="inner", face="arm-above", box_mm=(3.0, 1.0, 0.5), most_shims=8
    )
    assert corner.thread == Thread(
        kind="one-end", pitch_mm=1.27, flats=2, shorter_mm=5.0, longer_mm=2.5
    )
    assert corner.eccentric.kind == "slot"
    assert corner.eccentric.mm_per_mark == 0.5
    assert (corner.eccentric.inboard_left_mm, corner.eccentric.outboard_left_mm) == (4.0, 6.0)


def test_tape_values_with_their_give_or_take_or_default(logbook: Logbook) -> None:
    tape = logbook.corners["front-right"].tape
    assert tape.length_mm == Measured(value=350.0, sd=2.0)
    assert tape.arm_mm is not None
    assert (tape.arm_mm.value, tape.arm_mm.sd) == pytest.approx((120.0, 3.6))
    assert tape.rise_mm == Measured(value=-10.0, sd=4.0)
    assert tape.lean_in_rad_per_mm is not None
    assert tape.lean_in_rad_per_mm.value == pytest.approx(math.radians(0.5) / 25.0)
    assert tape.lean_in_rad_per_mm.sd == 5e-5
    assert tape.stud_lean_rad is not None
    assert tape.stud_lean_rad.value == pytest.approx(math.radians(-3.0))
    assert tape.stud_lean_rad.sd == pytest.approx(math.radians(2.0))


def test_goal_in_the_tools_own_signs(logbook: Logbook) -> None:
    goal = logbook.corners["front-right"].goal
    assert goal.kind == "toe-at-travel"
    assert goal.window_mm == pytest.approx((-38.1, 50.8))
    assert goal.weight == "ride-height"
    assert goal.weight_sd_mm == pytest.approx(12.7)
    assert goal.at_travel_mm == pytest.approx(-38.1)
    assert goal.toe_change_deg == pytest.approx(0.1)
    assert goal.tolerance_deg == pytest.approx(0.05)
    assert goal.worthwhile_deg == pytest.approx(0.02)


def test_runs_in_mm_degrees_and_the_tools_own_signs(logbook: Logbook) -> None:
    a, b = logbook.runs
    assert (a.name, a.corner, a.date, a.note, a.line) == (
        "a",
        "front-right",
        "2031-04-02",
        "wet, windy",
        2,
    )
    assert (a.above_mm, a.below_mm) == ((3.0, 1.0), (0.5,))
    assert a.static_toe_deg == pytest.approx(0.2)
    assert (a.length_change_mm, a.eccentric_mark) == (0.0, 0.0)
    assert b.length_change_mm == pytest.approx(2.54)
    assert (b.eccentric_mark, b.static_toe_deg, b.note) == (-1.5, None, "")


def test_readings_of_a_dial_keep_the_dials_own_sign(logbook: Logbook) -> None:
    assert [(r.run, r.sweep, r.line) for r in logbook.readings] == [
        ("a", "up1", 2),
        ("a", "up1", 3),
        ("a", "up1", 4),
    ]
    assert [r.travel_mm for r in logbook.readings] == pytest.approx([25.4, 0.0, -50.8])
    assert [r.value for r in logbook.readings] == pytest.approx([2.54, 0.0, -1.27])
    assert math.copysign(1.0, logbook.readings[1].travel_mm) == 1.0


def test_defaults_of_a_bare_corner(logbook: Logbook) -> None:
    corner = logbook.corners["pivot"]
    assert (corner.side, corner.ahead, corner.steered) == ("left", False, False)
    assert (corner.tape, corner.stack, corner.thread) == (Tape(), Stack(), Thread())
    assert corner.eccentric.kind == "slot"
    assert (corner.goal.kind, corner.goal.window_mm) == ("least-change", None)
    assert (corner.reference_run, corner.current_run) == (None, None)


def test_steered_corner_has_no_eccentric_unless_it_says_so(folder: Path) -> None:
    car = re.sub(r"\[corner\.front-right\.eccentric\][^\[]*", "", CAR)
    write(folder, car=car)
    assert read_logbook(folder).corners["front-right"].eccentric.kind == "none"


def test_direct_angle_reads_toe_in_the_crews_sign(folder: Path) -> None:
    car = re.sub(r"\[gauge\][^\[]*", '[gauge]\nkind = "direct-angle"\n\n', CAR)
    write(folder, car=car.replace('reading = "thou"', 'reading = "min"'))
    logbook = read_logbook(folder)
    assert logbook.gauge == Gauge(
        kind="direct-angle", span_mm=None, rising=1, reading_sd=0.006, loop_sd=0.004
    )
    assert [r.value for r in logbook.readings] == pytest.approx([-100 / 60, 0.0, 50 / 60])


def test_noise_of_a_dial_by_default(folder: Path) -> None:
    car = re.sub(r"resolution[^\[]*", "\n", CAR, count=1)
    write(folder, car=car)
    gauge = read_logbook(folder).gauge
    assert gauge == Gauge(kind="one-dial", span_mm=400.0, rising=-1)


def test_header_units_win_over_those_stated(folder: Path) -> None:
    text = READINGS.replace("travel,reading", "travel_mm,reading_mm").replace("100", "10")
    write(folder, readings=text)
    readings = read_logbook(folder).readings
    assert [r.travel_mm for r in readings] == [1.0, 0.0, -2.0]
    assert [r.value for r in readings] == [10.0, 0.0, -50.0]


def test_units_of_the_crew_come_from_headers_when_not_stated(folder: Path) -> None:
    car = '[gauge]\nspan = 400\nrising = "toe-in"\n[units]\nlength = "mm"\n'
    write(
        folder,
        car=car + '[corner.rl]\nside = "left"\nlink = "ahead"\n',
        runs="run,shims_above_in,shims_below_in\na,0.1,\n",
        readings=READINGS.replace("travel,reading", "travel_cm,reading_thou"),
    )
    logbook = read_logbook(folder)
    assert logbook.units == Units(travel="cm", reading="thou", length="mm", toe="deg")
    assert logbook.car == "car"
    assert logbook.runs[0].above_mm == pytest.approx((2.54,))
    assert logbook.runs[0].length_change_mm == 0.0


def test_runs_without_readings_are_planned_ones(folder: Path) -> None:
    write(folder, readings="run,pass,travel,reading\n")
    logbook = read_logbook(folder)
    assert (len(logbook.runs), logbook.readings) == (2, ())


SAME = {
    "semicolons and decimal commas": READINGS.replace(",", ";").replace("-1;", "-1,0;"),
    "tabs": READINGS.replace(",", "\t"),
    "quoted decimal comma": READINGS.replace("-1,100", '"-1,00","100,0"'),
    "columns in another order": "reading,travel,pass,run\n100,-1,up1,a\n0,0,up1,a\n-50,2,up1,a\n",
    "columns nobody asked for": "speed,run,pass,travel,reading\n"
    "9,a,up1,-1,100\n,a,up1,0,0\n,a,up1,2,-50\n",
    "capitals, blanks and brackets in the header": READINGS.replace(
        "run,pass,travel,reading", " Run , PASS,Travel (in),Reading [thou]"
    ),
    "blanks around": READINGS.replace(",", " ,\t"),
    "thin and no-break blanks": READINGS.replace("-1,100", "\u2009-1\u00a0,\u202f1\u202f00"),
    "true minus": READINGS.replace("-", "\u2212"),
    "plus, points and exponents": READINGS.replace("-1,100\n", "-1.,+1e2\n").replace(
        "2,-50", "2,-.5E2"
    ),
    "comments and blank lines": "# ours\n\n" + READINGS.replace("a,up1,0", "\n# zero\n  \na,up1,0"),
    "quoted comment": READINGS + '"# said, in passing",,,\n',
    "trailing empty rows and cells": READINGS.replace("100", "100,,") + ",,,\n,,,,,\n\n",
    "no line end at the end": READINGS.rstrip(),
    "unquoted and quoted text": READINGS.replace("a,up1", '"a","up1"'),
}  # fmt: skip


@pytest.mark.parametrize("readings", SAME.values(), ids=SAME.keys())
def test_the_same_readings_however_they_are_typed(
    readings: str, folder: Path, logbook: Logbook
) -> None:
    write(folder, readings=readings)
    assert bare(read_logbook(folder).readings) == bare(logbook.readings)


def bare(readings: tuple[Reading, ...]) -> list[tuple[str, str, float, float]]:
    return [(r.run, r.sweep, r.travel_mm, r.value) for r in readings]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends(
    encoding: str, line_end: str, folder: Path, logbook: Logbook
) -> None:
    texts = (("runs.csv", RUNS.replace("windy", "böig")), ("readings.csv", READINGS))
    for name, text in texts:
        (folder / name).write_bytes(text.replace("\n", line_end).encode(encoding))
    (folder / "car.toml").write_bytes(CAR.replace("\n", "\r\n").encode(encoding))
    again = read_logbook(folder)
    assert again.readings == logbook.readings
    assert again.runs[0].note == "wet, böig"
    assert again.corners == logbook.corners


def test_lines_are_those_of_the_editor_behind_a_note_of_three_lines(folder: Path) -> None:
    runs = RUNS.replace('"wet, windy"', '"wet\r\n\r\nand ""windy"""') + "c,pivot,,,,,,,\n"
    write(folder, runs=runs)
    logbook = read_logbook(folder)
    assert [(run.name, run.line) for run in logbook.runs] == [("a", 2), ("b", 5), ("c", 6)]
    assert logbook.runs[0].note == 'wet\n\nand "windy"'


def test_comma_behind_a_nought_is_a_decimal_one(folder: Path) -> None:
    write(folder, readings=READINGS.replace("2,-50", '"0,125","-0,500"'))
    reading = read_logbook(folder).readings[-1]
    assert (reading.travel_mm, reading.value) == pytest.approx((-3.175, -0.0127))


def test_return_to_ride_height_may_stand_twice_in_a_pass(folder: Path) -> None:
    write(folder, readings=READINGS + "a,up1,0.001,2\n")
    assert len(read_logbook(folder).readings) == 4


def test_reading_changes_and_makes_nothing(folder: Path) -> None:
    def state() -> dict[str, tuple[bytes, int]]:
        return {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.iterdir()}

    before = state()
    read_logbook(folder)
    assert state() == before
    (folder / "readings.csv").write_text("run,pass\n\x00")
    spoilt = state()
    with pytest.raises(LogbookError):
        read_logbook(folder)
    assert state() == spoilt


def test_a_logbook_that_may_only_be_read(folder: Path) -> None:
    for path in folder.iterdir():
        path.chmod(0o444)
    folder.chmod(0o555)
    try:
        assert len(read_logbook(folder).readings) == 3
    finally:
        folder.chmod(0o755)


def test_import_loads_no_library() -> None:
    code = (
        "import sys, optimizer.logbook\n"
        "print(*sorted({name.split('.')[0] for name in sys.modules}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    loaded = set(done.stdout.split())
    assert "optimizer" in loaded
    outside = {"numpy", "scipy", "pandas", "matplotlib", "sklearn", "typer", "rich", "tomlkit"}
    assert not loaded & outside


@pytest.mark.parametrize(
    ("text", "shims"),
    [
        ("3+1", (3.0, 1.0)),
        ("2x1+0.5", (1.0, 1.0, 0.5)),
        ("2\u00d71 + 0,5", (1.0, 1.0, 0.5)),
        (" 2 X 1,5 ", (1.5, 1.5)),
        ("3*.25", (0.25, 0.25, 0.25)),
        ("1+0+2", (1.0, 2.0)),
        ("0", ()),
        ("-", ()),
        ("\u2212", ()),
        ("", ()),
        ("   ", ()),
    ],
)
def test_stack_notation(text: str, shims: tuple[float, ...]) -> None:
    assert parse_stack(text, "mm") == shims


def test_stack_in_inches() -> None:
    assert parse_stack("2x0.1", "in") == pytest.approx((2.54, 2.54))
    assert parse_stack("40", "thou") == pytest.approx((1.016,))


@pytest.mark.parametrize(
    "text",
    ["-1", "3+-1", "nan", "3+nan", "3mm", "three", "3 1", "3+", "3/1", "31", "61x0.1", "9999999x1"],
)
def test_stack_refused(text: str) -> None:
    with pytest.raises(CallError) as caught:
        parse_stack(text, "mm")
    assert caught.value.remedy


def test_stack_in_an_angle_is_refused() -> None:
    with pytest.raises(CallError, match="deg"):
        parse_stack("1", "deg")


@given(st.lists(st.sampled_from([0.1, 0.25, 0.5, 1.0, 3.0]), max_size=8))
def test_stack_is_read_as_it_was_written(shims: list[float]) -> None:
    assert parse_stack(write_stack(tuple(shims)), "mm") == tuple(shims)


@pytest.mark.parametrize(
    ("answer", "units"),
    [
        ("mm", Units(travel="mm", reading="mm", length="mm")),
        (" IN ", Units(travel="in", reading="in", length="in")),
        ("thou,mm,mm", Units(travel="mm", reading="thou", length="mm")),
        ("thou/in/mm", Units(travel="in", reading="thou", length="mm")),
        ("deg, cm, in", Units(travel="cm", reading="deg", length="in")),
        ("min,mm,mm", Units(travel="mm", reading="min", length="mm", toe="min")),
    ],
)
def test_units_answered(answer: str, units: Units) -> None:
    assert parse_units(answer) == units


@pytest.mark.parametrize("word", ["thou", "deg", "min"])
def test_units_in_doubt_show_both_ways_to_say_them(word: str) -> None:
    with pytest.raises(CallError) as caught:
        parse_units(word)
    assert f"`{word},mm,mm`" in caught.value.remedy
    assert f"`{word},in,in`" in caught.value.remedy


@pytest.mark.parametrize(
    "answer", ["", "cm", "furlong", "mm,mm", "mm,thou,mm", "deg,deg,mm", "a,b,c,d"]
)
def test_units_refused(answer: str) -> None:
    with pytest.raises(CallError) as caught:
        parse_units(answer)
    assert "thou,mm,mm" in caught.value.remedy


def test_a_unit_s_other_names_are_understood() -> None:
    assert parse_units("thou,inches,mm") == parse_units("thou, in, mm")
    assert parse_units("inch") == parse_units("in")


ROWS = (
    ("up1", -25.0, 1.5),
    ("up1", 0.0, 0.0),
    ("up1", 25.0, -2.0),
    ("down1", -25.0, 1.25),
    ("down1", 0.0, 0.5),
    ("down1", 25.0, -2.5),
)
PASTED = {
    "tabs": "travel\tup1\tdown1\n-25\t1.5\t1.25\n0\t0\t0.5\n25\t-2\t-2.5\n",
    "no header": "-25\t1.5\t1.25\n0\t0\t0.5\n25\t-2\t-2.5\n",
    "spaces": "-25  1.5 1.25\n  0  0   0.5\n\n25 -2  -2.5",
    "spaces and decimal commas": "-25 1,5 1,25\n0 0 0,5\n25 -2 -2,5",
    "spaces and a header": "travel up1 down1\n-25 1,5 1,25\n0 0 0,5\n25 -2 -2,5",
    "semicolons and decimal commas": "Travel;Up1;Down1\n-25;1,5;1,25\n0;0;0,5\n25;-2;-2,5\n",
    "commas": "travel,up1,down1\n-25,1.5,1.25\n0,0,0.5\n25,-2,-2.5\n",
    "commas and blanks": "-25, 1.5, 1.25\n0, 0, 0.5\n25, -2, -2.5\n",
    "commas and quotes": 'travel,up1,down1\n-25,"1,5","1,25"\n0,0,"0,5"\n25,-2,"-2,5"\n',
    "header with units": "Wheel travel (mm)\tup1_thou\tdown1 [thou]\n"
    "-25\t1.5\t1.25\n0\t0\t0.5\n25\t-2\t-2.5",
    "header with a gap": "travel\t\t\n-25\t1.5\t1.25\n0\t0\t0.5\n25\t-2\t-2.5",
    "true minus and returns": "\u221225\t1.5\t1.25\r\n0\t0\t0.5\r\n25\t\u22122\t\u22122.5\r\n",
    "notes": "# left rear\ntravel;up1;down1\n-25;1.5;1.25\n# pause\n0;0;0.5\n25;-2;-2.5\n;;\n",
}  # fmt: skip


@pytest.mark.parametrize("text", PASTED.values(), ids=PASTED.keys())
def test_the_same_table_however_it_is_pasted(text: str) -> None:
    assert parse_table(text, Units(travel="mm", reading="thou")) == ROWS


def test_empty_cells_are_no_readings() -> None:
    table = parse_table("travel,up1,down1,\n-25,1,\n0,0,0\n25,,2\n")
    assert table == (
        ("up1", -25.0, 1.0),
        ("up1", 0.0, 0.0),
        ("down1", 0.0, 0.0),
        ("down1", 25.0, 2.0),
    )


def test_columns_without_a_header_are_up_and_down_in_turn() -> None:
    table = parse_table("0 1 2 3 4")
    assert [sweep for sweep, _, _ in table] == ["up1", "down1", "up2", "down2"]


def test_all_faults_of_a_pasted_table_come_at_once() -> None:
    with pytest.raises(LogbookError) as caught:
        parse_table("travel;up1_mm\n0;x\n;2\n9;9;9\n", Units(reading="thou"))
    assert [p.code for p in caught.value.problems] == ["L603", "L309", "L308", "L306"]
    assert "4 faults in the pasted table" in caught.value.found


@given(st.text(max_size=60))
def test_any_pasted_text_gives_readings_or_a_list_of_faults(text: str) -> None:
    try:
        table = parse_table(text)
    except LogbookError as error:
        assert error.problems
    else:
        assert table


cells = st.text(st.sampled_from('ab1 .,;"\n#'), max_size=6)


@given(st.lists(st.lists(cells, min_size=2, max_size=4), max_size=5))
def test_cells_are_those_of_the_standard_library(rows: list[list[str]]) -> None:
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n", quoting=csv.QUOTE_ALL).writerows(rows)
    text = buffer.getvalue()
    expected = [[cell.strip() for cell in row] for row in csv.reader(io.StringIO(text))]
    expected = [row for row in expected if any(row) and not row[0].startswith("#")]
    read = list(CellReader(source_of("x.csv", text), ",").rows())
    assert [[cell.text for cell in row.cells] for row in read] == expected
    lines = text.split("\n")
    for row in read:
        for cell in row.cells:
            if cell.text and not cell.text.startswith(('"', "\n")) and "\n" not in cell.text:
                assert lines[cell.line - 1][cell.column - 1 :].startswith(cell.text[0])


TOML = '''
top = 1
"odd key" = 'literal # no note' # a note
[a.b]
x.y = [ 1, # one
  [2, "]"] ]
inline = { p = "}", q = { r = 1.5 } }
text = """
[not.a.table]
k = \\""" still """
[[list]]
k = 1
[[list]]
"a.b".c = 2020-01-01
'''


def test_places_are_those_of_the_keys_in_the_text() -> None:
    source = source_of("car.toml", TOML)
    doc = read_toml(source, Faults())
    assert doc is not None
    lines = TOML.split("\n")

    def key(*path: str) -> tuple[int, str]:
        place = doc.places[path].key
        return place.line, lines[place.line - 1][place.column - 1 :][: place.width]

    def value(*path: str) -> tuple[int, str]:
        place = doc.places[path].value
        assert place is not None
        return place.line, lines[place.line - 1][place.column - 1 :][: place.width]

    assert key("top") == (2, "top")
    assert key("odd key") == (3, '"odd key"')
    assert value("odd key") == (3, "'literal # no note'")
    assert (key("a"), key("a", "b")) == ((4, "a"), (4, "b"))
    assert (key("a", "b", "x", "y"), value("a", "b", "x", "y")) == ((5, "y"), (5, "[ 1, # one"))
    assert value("a", "b", "inline", "q", "r") == (7, "1.5")
    assert value("a", "b", "text") == (8, '"""')
    assert key("list") == (11, "list")
    assert value("list", "a.b", "c") == (14, "2020-01-01")


@settings(deadline=None)
@given(
    st.recursive(
        st.integers(-9, 9) | st.booleans() | st.text("ab\"'#[]{}=\\\n", max_size=5),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(st.text('ab." ', min_size=1, max_size=3), inner, max_size=3)
        ),
        max_leaves=8,
    )
)
def test_every_key_of_any_toml_has_its_place(value: object) -> None:
    text = f"# first\nroot = {toml_of(value)} # last\nlast = 1\n"
    doc = read_toml(source_of("car.toml", text), Faults())
    assert doc is not None
    assert set(paths_of(tomllib.loads(text))) <= set(doc.places)
    assert text.split("\n")[doc.key_place(("last",)).line - 1].startswith("last")


def toml_of(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
        return f'"{escaped}"'
    if isinstance(value, list):
        return f"[{', '.join(map(toml_of, value))}]"
    if isinstance(value, dict):
        pairs = (f"{toml_of(k)} = {toml_of(v)}" for k, v in value.items())
        return "{" + ", ".join(pairs) + "}"
    return str(value)


def paths_of(value: object, base: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    if not isinstance(value, dict):
        return []
    own = [(*base, name) for name in value]
    return own + [path for name in value for path in paths_of(value[name], (*base, name))]
