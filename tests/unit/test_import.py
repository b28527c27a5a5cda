"""Taking a wide table in: what it is read as, what is refused, and that no byte is lost."""

from __future__ import annotations

import datetime
import os
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimizer.demo_files import demo_folder
from optimizer.errors import CallError, LogbookError, ShimoptError
from optimizer.logbook import (
    NewAnswers,
    append,
    plan_import,
    read_logbook,
    start_logbook,
    write_import,
)
from optimizer.logbook.append import lost_rows
from optimizer.logbook.edited import EditedError
from optimizer.logbook.undo import undo
from optimizer.present.taken import import_lines

WIDE = """\
travel mm,as-found thou,joint-up thou
shims above,,2
shims below,,2x1+1
-50,-20,-10
-25,-9.5,-5
0,0,1
25,10,
50,21,11.5
"""


@pytest.fixture(name="folder")
def _folder(tmp_path: Path) -> Path:
    answers = NewAnswers(
        units="thou,mm,mm", span=300.0, link="behind", above="3", below="2x1", run="as-found"
    )
    start_logbook(tmp_path / "car", answers)
    return tmp_path / "car"


def take(folder: Path, text: str | bytes, name: str = "wide.csv", **how: Any) -> None:
    path = folder.parent / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    write_import(plan_import(folder, path, **how))


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir()) if path.is_file()}


def readings(folder: Path, run: str) -> list[tuple[str, float, float]]:
    book = read_logbook(folder)
    return [
        (r.sweep, r.travel_mm, round(r.value / 0.0254, 6)) for r in book.readings_of(run)
    ]  # thou


def test_a_column_is_a_run_and_its_rows_go_behind_those_typed(folder: Path) -> None:
    before = bytes_of(folder)
    take(folder, WIDE)
    after = bytes_of(folder)
    assert after["car.toml"] == before["car.toml"]
    assert after["runs.csv"] == before["runs.csv"] + b"joint-up,rear-left,,2,3x1,,,,\n"
    assert after["readings.csv"] == before["readings.csv"] + (
        b"as-found,up1,-50,-20\nas-found,up1,-25,-9.5\nas-found,up1,0,0\nas-found,up1,25,10\n"
        b"as-found,up1,50,21\njoint-up,up1,-50,-10\njoint-up,up1,-25,-5\njoint-up,up1,0,1\n"
        b"joint-up,up1,50,11.5\n"
    )
    assert sorted(after) == sorted(before)
    assert [r.name for r in read_logbook(folder).runs] == ["as-found", "joint-up"]


def test_a_plan_alone_writes_nothing_and_shows_what_it_would(folder: Path) -> None:
    before = bytes_of(folder)
    (folder.parent / "wide.csv").write_text(WIDE)
    plan = plan_import(folder, folder.parent / "wide.csv")
    assert bytes_of(folder) == before
    (row,) = plan.rows["runs.csv"]
    assert row == {
        "run": "joint-up", "corner": "rear-left", "shims_above": "2", "shims_below": "3x1"
    }  # fmt: skip
    assert [(t.run, t.new, dict(t.passes)) for t in plan.runs] == [
        ("as-found", False, {"up1": ("-50", "-25", "0", "25", "50")}),
        ("joint-up", True, {"up1": ("-50", "-25", "0", "50")}),
    ]
    assert [(u.run, u.unit, u.stated, u.own) for u in plan.units] == [
        ("", "mm", True, "mm"), ("as-found", "thou", True, "thou"),
        ("joint-up", "thou", True, "thou"),
    ]  # fmt: skip
    assert plan.left_out == ("joint-up up1: empty at travel 25",)


@pytest.mark.parametrize(
    "heading",
    ["travel\tup1\tdown1", "Travel (mm)\tUp1 (thou)\tDown1 (thou)", "travel\tas-found\tas-found",
     "travel_mm\tAs-Found up1\tas-found down1", "travel\tas-found_up1_thou\tas-found_down1_thou"],
)  # fmt: skip
def test_columns_may_be_passes_or_runs_or_both(folder: Path, heading: str) -> None:
    take(folder, f"{heading}\n-25\t-5\t-4\n0\t0\t0\n25\t5\t6\n")
    assert readings(folder, "as-found") == [
        ("up1", -25.0, -5.0), ("up1", 0.0, 0.0), ("up1", 25.0, 5.0),
        ("down1", -25.0, -4.0), ("down1", 0.0, 0.0), ("down1", 25.0, 6.0),
    ]  # fmt: skip


def test_a_name_that_ends_in_up_is_a_run_and_a_known_one_is_never_cut(folder: Path) -> None:
    with (folder / "runs.csv").open("a") as file:
        file.write("joint up,rear-left,,2,3x1,,,,\nlong 2 in,rear-left,,2,3x1,,,,\n")
    take(folder, "travel,Joint up,long 2 in\n-25,-1,-2\n0,0,0\n25,1,2\n")
    assert [z for _, z, _ in readings(folder, "joint up")] == [-25.0, 0.0, 25.0]
    assert [v for _, _, v in readings(folder, "long 2 in")] == [-2.0, 0.0, 2.0]


@pytest.mark.parametrize(
    "text",
    [
        "travel in;as-found mm\n-1;-0,127\n0;0\n1,5;0,254\n",
        "travel in\tas-found mm\n-1\t-0,127\n0\t0\n1,5\t0,254\n",
        'travel in,as-found mm\n-1,"-0,127"\n0,0\n"1,5","0,254"\n',
        "travel in,as-found mm\n-1,-0.127\n0,0\n1.5,0.254\n",
        "travel_in as-found_mm\n-1 -0,127\n0 0\n1,5 0,254\n",
        "Rear left, wet\n\ntravel in;as-found mm\n# a note\n-1;-0,127\n0;0\n1,5;0,254\n",
    ],
)
def test_marks_decimals_and_units_of_the_table_become_those_of_the_logbook(
    folder: Path, text: str
) -> None:
    take(folder, text)
    assert (folder / "readings.csv").read_text().splitlines()[1:] == [
        "as-found,up1,-25.4,-5", "as-found,up1,0,0", "as-found,up1,38.1,10",
    ]  # fmt: skip


def test_a_title_above_is_passed_over_though_it_speaks_of_travel(folder: Path) -> None:
    take(folder, "Travel readings\n\ntravel;as-found\n-25;-5\n0;0\n25;5\n")
    assert len(readings(folder, "as-found")) == 3


def test_a_point_is_decimal_where_no_comma_is(folder: Path) -> None:
    rows = "-25;-2.125\n0;0\n25;1.050\n"
    take(folder, "travel;as-found\n" + rows)
    assert [value for _, _, value in readings(folder, "as-found")] == [-2.125, 0.0, 1.05]


@pytest.mark.parametrize("text", ["1.050", "-1.050", "10.500", "\u22121.050"])
def test_a_point_before_three_digits_is_either_among_decimal_commas(
    folder: Path, text: str
) -> None:
    rows = f"-25;-2,5\n0;0\n25;{text}\n"
    with pytest.raises(LogbookError) as caught:
        take(folder, "travel;as-found\n" + rows)
    assert [(p.code, p.line) for p in caught.value.problems] == [("L311", 4)]
    for meant in (text.replace(".", ","), text.replace(".", "")[:3]):
        take(folder, "travel;as-found\n" + rows.replace(text, meant))
        undo(folder)


def test_the_demo_s_table_cut_off_anywhere_in_its_last_row_but_in_a_number_is_refused(
    folder: Path,
) -> None:
    """What is told of its runs stands in two columns, its readings in five."""
    whole = (demo_folder() / "run4.csv").read_text(encoding="utf-8").rstrip("\n")
    start = whole.rindex("\n") + 1
    for end in range(start + 1, len(whole)):
        with pytest.raises(LogbookError) as caught:
            plan_import(folder, _written(folder.parent / "cut.csv", whole[:end]))
        told = [(p.code, p.line) for p in caught.value.problems]
        assert ("L306", whole.count("\n") + 1) in told, whole[start:end]


@pytest.mark.parametrize("blank", ["  ", "\u00a0", "\u2028", "\u0085", "\v", "\n"])
def test_a_heading_s_blanks_become_single_ones(folder: Path, blank: str) -> None:
    """As a spreadsheet leaves them, a line end within a cell among them."""
    take(folder, f'travel;"wet{blank}run up1"\nshims above;2\nshims below;3\n-25;-5\n0;0\n25;5\n')
    assert len(readings(folder, "wet run")) == 3
    passes = "travel;up1\nshims above;2\nshims below;3\n-25;-5\n0;0\n25;5\n"
    take(folder, passes, run="dry  run")
    assert len(readings(folder, "dry run")) == 3


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r", "\n\n", "\n  ", ""])
def test_a_last_line_without_an_end_is_to_be_looked_at(folder: Path, end: str) -> None:
    """Nobody else can tell whether 11.5 was 11.55 before the file was cut off."""
    plan = plan_import(folder, _written(folder.parent / "wide.csv", WIDE.rstrip("\n") + end))
    told = [line for line in import_lines(plan) if line.startswith("Look")]
    wanted = (
        [] if end else ["Look       the last line, `50,21,11.5`, has no line end: is it whole?"]
    )
    assert told == wanted


def _written(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "end",
    ["25,10,\n", "25,10,5\nmeasured in the rain", "25,10,5\n\n  ", "25,10,5\nlength change,-1"],
)
def test_a_last_row_is_no_torn_one_where_something_else_explains_it(folder: Path, end: str) -> None:
    rows = "shims above,,2\nshims below,,3\n50,20,10\n-25,-20,-10\n0,0,0\n"
    take(folder, f"travel,as-found,joint-up\n{rows}{end}")
    assert [x for _, x, _ in readings(folder, "as-found")][-1] == 25.0


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_a_row_that_lost_a_cell_moves_none_into_another_run(folder: Path, mark: str) -> None:
    lines = ["travel,a up1,b up1,c up1", "shims above,2,3,1", "shims below,3,2,4",
             "-25,-5,-16,4", "0,0,0,0", "25,5,17,-4"]  # fmt: skip
    whole = "\n".join(lines) + "\n"
    for row, short in (("25,5,17,-4", "25,5,-4"), ("0,0,0,0", "0"), ("above,2,3,1", "above,2,1")):
        with pytest.raises(LogbookError) as caught:
            take(folder, whole.replace(f"{row}\n", f"{short}\n").replace(",", mark))
        assert "L306" in {p.code for p in caught.value.problems}
    whole = whole.replace(",", mark)
    take(folder, whole + f"length change{mark}-1\n")


def test_a_new_run_spelt_in_two_ways_is_one(folder: Path) -> None:
    take(folder, "travel,Long,long\nshims above,2,\nshims below,3x1,\n-25,1,2\n0,0,0\n25,3,4\n")
    assert [r.name for r in read_logbook(folder).runs] == ["as-found", "Long"]
    assert [sweep for sweep, *_ in readings(folder, "Long")] == ["up1"] * 3 + ["down1"] * 3


def test_a_new_run_may_be_called_joint_up(folder: Path) -> None:
    take(folder, WIDE.replace("joint-up", "Joint up"))
    assert [sweep for sweep, *_ in readings(folder, "Joint up")] == ["up1"] * 4


def test_settings_are_taken_in_the_logbook_s_units(folder: Path) -> None:
    text = (
        "travel;link-in\nshims above in;0,11811\nshims below (mm);2\nlength change;-1,5\n"
        "static toe min;12\neccentric mark;-2\ndate;2031-06-01\nnote;wet, cold\n"
        "-25;-5\n0;0\n25;5\n"
    )
    take(folder, text)
    run = read_logbook(folder).runs[1]
    assert run.above_mm == pytest.approx((3.0,), abs=1e-4)
    assert (run.below_mm, run.length_change_mm, run.eccentric_mark) == ((2.0,), -1.5, -2.0)
    assert run.static_toe_deg == pytest.approx(0.2)
    assert (run.date, run.note) == ("2031-06-01", "wet, cold")


def test_a_row_that_a_person_typed_stays_whatever_the_table_says(folder: Path) -> None:
    before = (folder / "runs.csv").read_bytes()
    (folder.parent / "w.csv").write_text(WIDE.replace("above,,2", "above,9,2"))
    plan = plan_import(folder, folder.parent / "w.csv")
    assert [(t.run, t.new, t.told.get("shims_above")) for t in plan.runs] == [
        ("as-found", False, "9"), ("joint-up", True, "2"),
    ]  # fmt: skip
    write_import(plan)
    assert (folder / "runs.csv").read_bytes().startswith(before)


@pytest.mark.parametrize(
    ("text", "kind", "keys"),
    [
        ("travel;as-found front;as-found rear\n-25;1;2\n0;0;0\n25;3;1\n", "two-dials", ""),
        ("travel;Front mm;Rear mm\n-25;1;2\n0;0;0\n25;3;1\n", "toe-plate", 'reference="outboard"'),
        ("travel;up1 rear;up1 front\n-25;2;1\n0;0;0\n25;1;3\n", "two-dials", ""),
    ],
)
def test_gauges_that_read_two_have_two_columns_a_pass(
    tmp_path: Path, text: str, kind: Any, keys: str
) -> None:
    answers = NewAnswers(
        units="mm", gauge=kind, span=300.0, link="behind", run="as-found", reference="outboard"
    )
    start_logbook(tmp_path / "car", answers)
    take(tmp_path / "car", text)
    book = read_logbook(tmp_path / "car")
    assert [r.value for r in book.readings] == [-1.0, 0.0, 2.0]
    assert {r.sweep for r in book.readings} == {"up1"}


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("last", [True, False], ids=["ended", "open"])
def test_rows_follow_the_file_s_own_ways(folder: Path, encoding: str, end: str, last: bool) -> None:
    typed = ["# mine", "note;travel;run;reading;pass", "dry;-12,5;old;1;up1", "dry;0;old;0;up1"]
    typed += [";12,5;old;-1;up1"]
    own = (end.join(typed) + (end if last else "")).encode(encoding)
    (folder / "readings.csv").write_bytes(own)
    with (folder / "runs.csv").open("a") as file:
        file.write("old,rear-left,,2,3x1,,,,\n")
    take(folder, "travel,as-found\n-25.5,1\n0,0\n25.5,-1.5\n")
    data = (folder / "readings.csv").read_bytes()
    assert data.startswith(own)
    added = [";-25,5;as-found;1;up1", ";0;as-found;0;up1", ";25,5;as-found;-1,5;up1"]
    assert data.decode(encoding) == end.join([*typed, *added]) + end
    assert len(read_logbook(folder).readings) == 6


def test_a_run_with_readings_is_refused_whole(folder: Path) -> None:
    take(folder, WIDE)
    before = bytes_of(folder)
    with pytest.raises(LogbookError) as caught:
        take(folder, WIDE.replace("joint-up", "third"))
    assert [(p.code, p.line) for p in caught.value.problems] == [("L606", 1)]
    assert "such as `as-found-2`" in caught.value.problems[0].remedy
    assert caught.value.exit_code == 3
    assert bytes_of(folder) == before


def test_what_does_not_fit_the_logbook_is_told_before_it_is_written(folder: Path) -> None:
    before = bytes_of(folder)
    with pytest.raises(LogbookError, match="does not fit") as caught:
        take(folder, WIDE.replace("2x1+1", "2x1+2"))
    assert [(p.code, p.file) for p in caught.value.problems] == [("L407", "runs.csv (not written)")]
    assert bytes_of(folder) == before


def test_which_run_a_table_of_passes_is_of(folder: Path) -> None:
    text = "travel,up1,down1\n-25,1,1\n0,0,0\n25,-1,-1\n"
    with pytest.raises(CallError, match="name runs themselves"):
        take(folder, WIDE, run="third")
    with (folder / "runs.csv").open("a") as file:
        file.write("later,rear-left,,2,3x1,,,,\n")
    with pytest.raises(CallError, match="in doubt of which run") as caught:
        take(folder, text)
    assert caught.value.remedy == "say it with --run: `as-found` or `later`"
    take(folder, text, run="later")
    assert len(readings(folder, "later")) == 6


def test_the_corner_of_new_runs(folder: Path) -> None:
    with (folder / "car.toml").open("a") as file:
        file.write('[corner.rear-right]\nlink = "behind"\n')
    with pytest.raises(LogbookError) as caught:
        take(folder, WIDE)
    assert [p.code for p in caught.value.problems] == ["L403"]
    with pytest.raises(CallError, match="no corner `rear-rihgt`"):
        take(folder, WIDE, corner="rear-rihgt")
    take(folder, WIDE, corner="rear-right")
    assert read_logbook(folder).runs[1].corner == "rear-right"


@pytest.mark.parametrize(
    ("name", "data", "found"),
    [("w.xls", b"", "kind that is not read"), ("w.ods", b"", "kind that is not read"),
     ("w.xlsx", b"no zip", "cannot be read as a spreadsheet")],
)  # fmt: skip
def test_files_that_are_no_table(folder: Path, name: str, data: bytes, found: str) -> None:
    with pytest.raises(CallError, match=found) as caught:
        take(folder, data, name)
    assert "CSV" in caught.value.remedy


def test_no_logbook_tells_how_to_start_one(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="no logbook") as caught:
        plan_import(tmp_path / "my car", Path("wide.csv"))
    assert caught.value.remedy == (
        "start one with `shimopt new '" + f"{tmp_path}/my car'`, "
        f"then `shimopt import wide.csv '{tmp_path}/my car'`"
    )


def _workbook(path: Path, **pages: list[list[object]]) -> Path:
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    for title, rows in pages.items():
        page = book.create_sheet(title)
        for row in rows:
            page.append(row)
    book.save(path)
    return path


PAGE: list[list[object]] = [
    ["Rear left"],
    ["travel mm", "as-found thou", "joint-up thou"],
    ["shims above", None, 2],
    ["shims below", None, "2x1+1"],
    ["date", None, datetime.datetime(2031, 6, 1)],
    ["note", None, 'it was "wet"'],
    [-50, -20.0, -10.25],
    [0, 0, 1],
    [50.0, 21, 11.5],
]


def test_a_spreadsheet_is_read_as_its_rows(folder: Path) -> None:
    path = _workbook(folder.parent / "w.xlsx", empty=[], figures=PAGE)
    write_import(plan_import(folder, path))
    assert [v for *_, v in readings(folder, "joint-up")] == [-10.25, 1.0, 11.5]
    run = read_logbook(folder).runs[1]
    assert (run.above_mm, run.date, run.note) == ((2.0,), "2031-06-01", 'it was "wet"')


def test_a_fault_in_a_spreadsheet_has_the_number_of_its_row(folder: Path) -> None:
    page = [*PAGE[:7], [0, "x", 1], PAGE[8]]
    path = _workbook(folder.parent / "w.xlsx", figures=page)
    with pytest.raises(LogbookError) as caught:
        plan_import(folder, path)
    assert ("L309", 8) in [(p.code, p.line) for p in caught.value.problems]


def test_which_sheet_is_meant(folder: Path) -> None:
    path = _workbook(folder.parent / "w.xlsx", one=PAGE, two=PAGE)
    with pytest.raises(CallError, match="2 sheets") as caught:
        plan_import(folder, path)
    assert caught.value.remedy == "name one with --sheet: `one` or `two`"
    with pytest.raises(CallError, match="no sheet `three`"):
        plan_import(folder, path, sheet="three")
    assert len(plan_import(folder, path, sheet="two").runs) == 2
    (folder.parent / "w.csv").write_text(WIDE)
    with pytest.raises(CallError, match="no sheets"):
        plan_import(folder, folder.parent / "w.csv", sheet="two")


def test_a_formula_without_its_value_is_not_taken_for_an_empty_cell(folder: Path) -> None:
    page = [*PAGE[:7], [0, "=1-1", 1], PAGE[8]]
    with pytest.raises(CallError, match=r"row 8 of w\.xlsx holds a formula"):
        plan_import(folder, _workbook(folder.parent / "w.xlsx", figures=page))


def test_without_openpyxl_the_remedy_is_told(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = _workbook(folder.parent / "w.xlsx", figures=PAGE)
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    with pytest.raises(ShimoptError, match="openpyxl is not installed") as caught:
        plan_import(folder, path)
    assert (caught.value.exit_code, "`sheets`" in caught.value.remedy) == (1, True)


def test_a_logbook_in_another_encoding_is_not_added_to(folder: Path) -> None:
    readings = folder / "readings.csv"
    readings.write_text(readings.read_text(), encoding="utf-16")
    before = bytes_of(folder)
    with pytest.raises(ShimoptError, match=r"readings\.csv is not in UTF-8"):
        take(folder, WIDE)
    assert bytes_of(folder) == before


def test_undo_of_an_import_brings_back_the_bytes_and_undone_again_the_rows(folder: Path) -> None:
    with (folder / "readings.csv").open("ab") as file:
        file.write(b"# no line end")
    before = bytes_of(folder)
    take(folder, WIDE)
    after = bytes_of(folder)
    assert after != before
    undo(folder)
    assert bytes_of(folder) == before
    undo(folder)
    assert bytes_of(folder) == after
    undo(folder)
    take(folder, WIDE)
    assert bytes_of(folder) == after


def test_two_imports_are_two_changes(folder: Path) -> None:
    before = bytes_of(folder)
    take(folder, WIDE)
    between = bytes_of(folder)
    take(folder, WIDE.replace("joint-up", "third").replace("as-found", "fourth")
         .replace("above,,", "above,2,").replace("below,,", "below,3x1,"))  # fmt: skip
    undo(folder)
    assert bytes_of(folder) == between
    undo(folder, "further")
    assert bytes_of(folder) == before


@pytest.mark.parametrize("call", ["fsync", "replace"])
@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_a_failure_anywhere_changes_nothing(
    folder: Path, tmp_path: Path, call: str, error: BaseException
) -> None:
    """At every sync and every renaming; once both files stand whole, undo takes them back."""
    before = bytes_of(folder)
    done = Path(shutil.copytree(folder, tmp_path / "done"))
    take(done, WIDE)
    after = bytes_of(done)
    owner: Any = os if call == "fsync" else Path
    real, at, left = getattr(owner, call), 0, []
    while True:
        at += 1
        car, calls = Path(shutil.copytree(folder, tmp_path / f"{call}{at}")), 0

        def fails(*args: Any) -> Any:
            nonlocal calls
            calls += 1
            if calls == at:  # noqa: B023
                raise error
            return real(*args)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(owner, call, fails)
            try:
                take(car, WIDE)
                whole = True
            except (ShimoptError, KeyboardInterrupt):
                whole = False
        if calls < at:
            break
        left.append(bytes_of(car))
        assert left[-1] == after if whole else left[-1] in (before, after)
        if left[-1] == before:
            take(car, WIDE)
        undo(car)
        assert bytes_of(car) == before
    assert left.count(before) > 2


def test_a_failure_to_note_the_end_leaves_rows_that_can_be_undone(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: append.Appender) -> None:
        raise ShimoptError("the undo history cannot be written")

    before = bytes_of(folder)
    monkeypatch.setattr(append.Appender, "finish", full)
    take(folder, WIDE)
    assert len(readings(folder, "joint-up")) == 4
    undo(folder)
    assert bytes_of(folder) == before


def _cut_between(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An import whose process ends after the first file: neither it nor its handlers go on."""

    class EndedError(Exception):
        pass

    real, ended = append.replace_bytes, False

    def ends(path: Path, data: bytes | None, known: bytes | None = None) -> None:
        nonlocal ended
        if path.name == "readings.csv" or ended:
            ended = True
            raise EndedError
        real(path, data)

    monkeypatch.setattr(append, "replace_bytes", ends)
    with pytest.raises(EndedError):
        take(folder, WIDE)
    monkeypatch.undo()


def test_half_an_import_is_never_read_and_undo_takes_it_out(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = bytes_of(folder)
    _cut_between(folder, monkeypatch)
    half = bytes_of(folder)
    assert [name for name in before if half[name] != before[name]] == ["runs.csv"]
    for _ in range(2):  # whoever reads, and whoever would write
        with pytest.raises(LogbookError) as caught:
            read_logbook(folder)
        (problem,) = caught.value.problems
        assert (problem.code, problem.file) == ("L507", "runs.csv")
        assert "run `shimopt undo`" in problem.remedy
        with pytest.raises(LogbookError, match="L507"):
            take(folder, WIDE)
    assert bytes_of(folder) == half
    undo(folder)
    assert bytes_of(folder) == before
    assert lost_rows(folder) == ()
    take(folder, WIDE)
    assert len(readings(folder, "joint-up")) == 4


def test_half_an_import_that_was_undone_can_be_brought_back_whole(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _cut_between(folder, monkeypatch)
    undo(folder)
    undo(folder)
    assert len(readings(folder, "joint-up")) == 4


@pytest.mark.parametrize("name", ["car.toml", "runs.csv", "readings.csv"])
def test_a_file_that_changed_since_it_was_read_is_never_overwritten(
    folder: Path, name: str
) -> None:
    (folder.parent / "wide.csv").write_text(WIDE)
    plan = plan_import(folder, folder.parent / "wide.csv")
    with (folder / name).open("a") as file:
        file.write("# typed meanwhile\n")
    before = bytes_of(folder)
    with pytest.raises(EditedError) as caught:
        write_import(plan)
    assert [(p.code, p.file) for p in caught.value.problems] == [("L106", name)]
    assert bytes_of(folder) == before


@pytest.fixture(scope="module", name="scratch")
def _scratch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fuzz") / "car"
    start_logbook(folder, NewAnswers(units="thou,mm,mm", span=300.0, link="behind", run="as-found"))
    return folder


@settings(
    max_examples=200,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=st.data())
def test_any_damage_gives_a_plan_or_an_error_with_its_remedy(
    scratch: Path, data: st.DataObject
) -> None:
    text = WIDE.replace(",", data.draw(st.sampled_from(",;\t")))
    content = bytearray(text.encode())
    for _ in range(data.draw(st.integers(0, 4))):
        spot = data.draw(st.integers(0, len(content) - 1))
        mark = st.sampled_from(list(b'",;\t\n +-x0#'))
        content[spot] = data.draw(mark | st.integers(0, 255))
    del content[data.draw(st.integers(len(content) // 2, len(content))) :]
    path = scratch.parent / "wide.csv"
    path.write_bytes(content)
    try:
        plan = plan_import(scratch, path)
    except LogbookError as error:
        assert error.problems
        assert all(p.remedy and str(p) for p in error.problems)
    except CallError as error:
        assert error.remedy
    else:
        assert plan.rows["readings.csv"]


def test_a_unit_that_cannot_be_is_told_with_those_that_can(folder: Path) -> None:
    """Also where runs.csv has no such column to take a unit from."""
    runs = folder / "runs.csv"
    lines = [line.split(",") for line in runs.read_text().splitlines()]
    at = next(i for i, name in enumerate(lines[0]) if name.startswith("static_toe"))
    runs.write_text("".join(",".join([*c[:at], *c[at + 1 :]]) + "\n" for c in lines))
    for unit, told in (
        ("thou", "take it out of the row's name, or write `deg` or `min`"),
        ("min", "add it to the header of runs.csv"),
    ):
        with pytest.raises(LogbookError) as caught:
            take(folder, WIDE + f"static toe {unit},6,6\n")
        assert told in str(caught.value)
        assert "None" not in str(caught.value)
