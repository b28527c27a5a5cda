"""The preview of an import: what it says, and that it fits any screen."""

from __future__ import annotations

import gc
import time
from pathlib import Path
from typing import Any

import pytest

from optimizer.logbook import ImportPlan, NewAnswers, plan_import, start_logbook
from optimizer.present.taken import import_lines, written_lines

NOTED = """\
Rear left, wet day
# by torch light
travel in;as-found mm;joint-up thou;joint-up thou;long thou
shims above;9;2;;2
shims below;;2x1+1;;2+1
length change;;;;1,5
note;;windy;;
-1;-0,1;-5;-4;-2
0;0;0;0;0
1;0,2;5;6;3
1,5;;7;;
"""


def _plan(folder: Path, text: str, **how: Any) -> ImportPlan:
    answers: dict[str, Any] = {
        "units": "thou,mm,mm", "span": 300.0, "link": "behind", "above": "3", "below": "2x1",
        "run": "as-found", **how,
    }  # fmt: skip
    start_logbook(folder / "car", NewAnswers(**answers))
    (folder / "wide.csv").write_text(text)
    return plan_import(folder / "car", folder / "wide.csv")


def _many(n: int) -> str:
    rows = [["travel", *(f"run-{i}" for i in range(n))]]
    rows += [["shims above", *["2"] * n], ["shims below", *["2+1"] * n]]
    rows += [[str(z), *[str(z / 5)] * n] for z in range(-50, 51, 10)]
    return "".join(";".join(row) + "\n" for row in rows)


def test_all_that_was_understood_is_told(tmp_path: Path) -> None:
    assert import_lines(_plan(tmp_path, NOTED)) == [
        "wide.csv   2 new runs and 1 run of runs.csv, 13 readings; nothing is written yet",
        "Units      travel: in, turned into mm; readings of as-found: mm, turned into",
        "           thou; readings of joint-up, long: thou",
        "Signs      travel plus is bump; the reading climbs with toe-in; length change",
        "           plus is longer: as in the logbook",
        "as-found   its row of runs.csv stays; up1 at -25.4 0 25.4; reads -3.94 to 7.87",
        "           thou",
        "joint-up   new, rear-left, 2 over 3x1, length change 0 (not said), note `windy`;",
        "           up1 at -25.4 0 25.4 38.1; down1 at -25.4 0 25.4; reads -5 to 7 thou",
        "long       new, rear-left, 2 over 2+1, length change 1.5; up1 at -25.4 0 25.4;",
        "           reads -2 to 3 thou",
        "Left out   as-found: shims above; its row stays",
        "           line 1, `Rear left, wet day`: a title or a note",
        "           as-found up1, joint-up down1, long up1: empty at travel 1,5",
        "           1 line beginning with #",
        "Adds       2 rows to runs.csv and 13 rows to readings.csv",
    ]


@pytest.mark.parametrize(
    ("how", "text", "signs"),
    [
        ({"droop_plus": True, "rising": "toe-out"}, "travel;as-found\n-9;1\n0;0\n9;2\n",
         "travel plus is droop; the reading climbs with toe-out"),
        ({"gauge": "two-dials"}, "travel;front;rear\n-9;1;2\n0;0;0\n9;2;1\n",
         "travel plus is bump; front less rear climbs with toe-in"),
        ({"gauge": "toe-plate", "reference": "inboard"},
         "travel;front;rear\n-9;1;2\n0;0;0\n9;2;1\n",
         "travel plus is bump; front less rear climbs with toe-out"),
        ({"units": "deg,mm,mm", "span": None, "toe_out_plus": True},
         "travel;as-found\n-9;0.1\n0;0\n9;0.2\n", "travel plus is bump; toe plus is toe-out"),
    ],
)  # fmt: skip
def test_the_signs_are_those_of_the_logbook(
    tmp_path: Path, how: dict[str, Any], text: str, signs: str
) -> None:
    lines = import_lines(_plan(tmp_path, text, **how))
    assert f"Signs {signs}: as in the logbook" in " ".join(" ".join(lines).split())


def test_a_run_without_readings_yet_is_a_plan(tmp_path: Path) -> None:
    text = "travel;as-found;later\nshims above;;2\nshims below;;2+1\n-9;1;\n0;0;\n9;2;\n"
    lines = import_lines(_plan(tmp_path, text))
    assert "later      new, rear-left, 2 over 2+1, length change 0 (not said); no readings" in lines
    assert "Left out   later up1: an empty column" in lines


def test_a_decimal_read_wrong_is_seen_in_the_preview(tmp_path: Path) -> None:
    """Of a pair each column for itself."""
    text = "travel;front mm;rear mm\n-9;1;2\n0;0;0\n9;25;1\n"
    lines = import_lines(_plan(tmp_path, text, gauge="two-dials", units="mm"))
    flat = " ".join(" ".join(lines).split())
    assert "up1 at -9 0 9; reads front 0 to 25 mm, rear 0 to 2 mm" in flat


@pytest.mark.parametrize("text", [NOTED, _many(1), _many(3), _many(40)])
@pytest.mark.parametrize("width", [40, 80])
def test_it_fits_the_screen(tmp_path: Path, text: str, width: int) -> None:
    plan = _plan(tmp_path, text)
    lines = import_lines(plan, width, 21)
    assert max(map(len, lines)) <= width
    assert "\n".join(lines).isascii()
    assert len(lines) <= (21 if width == 80 else 24)
    shown = [t.run for t in plan.runs if any(line.split()[:1] == [t.run] for line in lines)]
    more = len(plan.runs) - len(shown)
    assert shown
    flat = " ".join(" ".join(lines).split())
    assert (f"and {more} more run" in flat) == (more > 0)
    whole = import_lines(plan, width)
    assert all(any(line.split()[:1] == [t.run] for line in whole) for t in plan.runs)
    assert all(item.split()[0] in " ".join(whole) for item in plan.left_out)


@pytest.mark.parametrize("width", [40, 80])
def test_the_command_that_comes_next_keeps_to_one_line(tmp_path: Path, width: int) -> None:
    plan = _plan(tmp_path, _many(1))
    assert any(x.endswith("shimopt check car") for x in written_lines(plan, width, " car"))


@pytest.mark.parametrize("same_run", [False, True])
def test_four_times_the_columns_take_four_times_as_long(tmp_path: Path, same_run: bool) -> None:
    """Work that grew with the square would take sixteen times as long."""
    sizes = (300, 1200) if same_run else (120, 480)  # a logbook holds 500 lines of runs
    took = dict.fromkeys(sizes, 60.0)
    for n in sizes:
        text = _many(n)
        if same_run:
            rows = text.splitlines()
            text = "\n".join(["travel" + ";as-found" * n, *rows[3:]]) + "\n"
        folder = tmp_path / str(n)
        folder.mkdir()
        _plan(folder, text)  # what the first call loads is not counted
    gc.disable()  # it looks through all that other tests have left behind
    try:
        for _ in range(12):  # the least of some turns: a busy machine slows now one, now another
            for n in sizes:
                folder = tmp_path / str(n)
                start = time.process_time()
                plan = plan_import(folder / "car", folder / "wide.csv")
                assert len(import_lines(plan)) > n // 10
                took[n] = min(took[n], time.process_time() - start)
            if took[sizes[1]] < 8.0 * took[sizes[0]]:
                return
    finally:
        gc.enable()
    raise AssertionError(took)
