"""Writing to a logbook: what is noted, taken back, put back after a cut, and refused."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from optimizer.errors import LogbookError, ShimoptError
from optimizer.logbook import NewAnswers, append, read_logbook, start_logbook
from optimizer.logbook.append import Appender, append_rows, lost_rows, put_back
from optimizer.logbook.edited import EditedError
from optimizer.logbook.journal import FOLDER, KEPT, Journal, read_journal
from optimizer.logbook.undo import Way, diff_lines, plan_undo, told, undo

FACTS = {"run": "run4", "corner": "rear-left", "passes": ["up1"], "travels": ["-50", "0", "50"]}
ROW = {"run": "run4", "corner": "rear-left", "shims_above": "2", "shims_below": "3+1"}
TYPED = [("0", "0"), ("-50", "-12.5"), ("50", "10.25"), ("25", "6.75")]
FILES = ("car.toml", "runs.csv", "readings.csv")


def reading(travel: str, value: str, sweep: str = "up1") -> dict[str, str]:
    return {"run": "run4", "pass": sweep, "travel": travel, "reading": value}


def entered(folder: Path) -> Appender:
    """A fourth run with four readings, as live entry writes it."""
    appender = Appender(folder, "enter", FACTS)
    appender.add("runs.csv", ROW)
    for travel, value in TYPED:
        appender.add("readings.csv", reading(travel, value))
    return appender


def held(folder: Path) -> dict[str, bytes | None]:
    return {n: (folder / n).read_bytes() if (folder / n).exists() else None for n in FILES}


def test_rows_are_appended_and_every_byte_before_them_stays(demo_copy: Path) -> None:
    readings = demo_copy / "readings.csv"
    foreign = (
        readings.read_bytes()
        .replace(b"\n", b"\r\n")
        .replace(b"joint-up,up1,0,0\r\n", b"# a line of ours\r\njoint-up, up1 ,0, 0\r\n")
    )
    readings.write_bytes(b"\xef\xbb\xbf" + foreign[:-2])  # no line end after the last row
    entered(demo_copy)
    data = readings.read_bytes()
    assert data.startswith(b"\xef\xbb\xbf" + foreign[:-2])
    assert data[len(foreign) + 1 :] == (
        b"\r\nrun4,up1,0,0\r\nrun4,up1,-50,-12.5\r\nrun4,up1,50,10.25\r\nrun4,up1,25,6.75\r\n"
    )
    assert [r.value for r in read_logbook(demo_copy).readings_of("run4")] == pytest.approx(
        [0.0, -0.3175, 0.26035, 0.17145]
    )


def test_cells_go_where_the_header_says_and_are_quoted_where_they_must(demo_copy: Path) -> None:
    readings = demo_copy / "readings.csv"
    rows = [line.split(",") for line in readings.read_text().splitlines()]
    readings.write_text("\n".join(f"{r[3]};{r[2]};hand;{r[0]};{r[1]}" for r in rows) + "\n")
    appender = Appender(demo_copy, "enter", {"run": 'a;"b"'})
    appender.add("runs.csv", {**ROW, "run": 'a;"b"'})
    appender.add("readings.csv", {"run": 'a;"b"', "pass": "up1", "travel": "0", "reading": "1"})
    assert readings.read_text().splitlines()[-1] == '1;0;;"a;""b""";up1'
    assert read_logbook(demo_copy).readings[-1].run == 'a;"b"'


@pytest.mark.parametrize(
    ("cells", "code"),
    [
        (reading("-50", "1"), "L502"),
        (reading("12", "x"), "L309"),
        (reading("12", "9999"), "L313"),
        (reading("12", "1", sweep="down1"), "L503"),
        ({**reading("12", "1"), "run": "run9"}, "L501"),
    ],
)
def test_a_row_that_would_be_a_fault_is_not_written(
    demo_copy: Path, cells: dict[str, str], code: str
) -> None:
    appender = entered(demo_copy)
    before = held(demo_copy)
    with pytest.raises(LogbookError) as caught:
        appender.add("readings.csv", cells)
    assert [p.code for p in caught.value.problems] == [code]
    assert caught.value.problems[0].file == "readings.csv (not written)"
    assert held(demo_copy) == before


def test_a_file_in_another_encoding_is_not_added_to(demo_copy: Path) -> None:
    readings = demo_copy / "readings.csv"
    readings.write_text(readings.read_text(), encoding="utf-16")
    before = held(demo_copy)
    appender = Appender(demo_copy, "enter", {"run": "link-short"})
    with pytest.raises(ShimoptError, match=r"readings\.csv is not in UTF-8"):
        appender.add("readings.csv", {**reading("0", "1", "up3"), "run": "link-short"})
    assert held(demo_copy) == before


def test_a_missing_column_is_told(demo_copy: Path) -> None:
    appender = Appender(demo_copy, "enter", FACTS)
    with pytest.raises(ShimoptError, match="no column `camber`"):
        appender.add("runs.csv", {**ROW, "camber": "1"})


def test_cut_at_every_byte_no_torn_number_is_read_and_nothing_confirmed_is_lost(
    demo_copy: Path,
) -> None:
    """Also where the cut lies several rows back, and after a row was corrected."""
    readings = demo_copy / "readings.csv"
    start = len(readings.read_bytes())
    appender = entered(demo_copy)
    second = next(a for a in appender.added if a.data.startswith(b"run4,up1,-50"))
    appender.amend(second, reading("-50", "-13.75"))
    whole = readings.read_bytes()
    typed = [0.0, -13.75, 10.25, 6.75]
    torn = 0
    for end in range(start, len(whole) + 1):
        readings.write_bytes(whole[:end])
        try:
            values = [r.value / 0.0254 for r in read_logbook(demo_copy).readings_of("run4")]
        except LogbookError as error:
            torn += 1
            assert [p.code for p in error.problems] == ["L506"]
        else:
            assert values == pytest.approx(typed[: len(values)]), whole[start:end]
            n_whole = len(whole[start:end].rstrip(b"\n").split(b"\n")) if end > start else 0
            assert len(values) == n_whole
        for lost in lost_rows(demo_copy):
            put_back(demo_copy, lost)
        assert readings.read_bytes() == whole
    assert torn == sum(len(line) - 1 for line in whole[start:].splitlines())


def test_the_torn_row_is_shown_with_the_row_that_mends_it(demo_copy: Path) -> None:
    entered(demo_copy)
    readings = demo_copy / "readings.csv"
    readings.write_bytes(readings.read_bytes()[:-3])  # run4,up1,25,6.
    with pytest.raises(LogbookError) as caught:
        read_logbook(demo_copy)
    (problem,) = caught.value.problems
    text = readings.read_text()
    assert (problem.code, problem.file) == ("L506", "readings.csv")
    assert problem.line == len(text.splitlines())
    assert problem.excerpt == text.splitlines()[-1] == "run4,up1,25,6."
    assert (problem.column, problem.width) == (1, len(problem.excerpt))
    said = re.search(r"`([^`]+)`", problem.remedy)
    assert said is not None
    readings.write_text(text[: -len(problem.excerpt)] + said[1])
    assert len(read_logbook(demo_copy).readings_of("run4")) == 4


def test_a_row_typed_by_hand_without_a_line_end_is_a_row(demo_copy: Path) -> None:
    appender = entered(demo_copy)
    appender.finish()
    with (demo_copy / "readings.csv").open("a") as file:
        file.write("run4,up1,12.5,3")
    assert len(read_logbook(demo_copy).readings_of("run4")) == 5
    assert lost_rows(demo_copy) == ()


def test_rows_deleted_by_hand_are_not_put_back_unasked(demo_copy: Path) -> None:
    entered(demo_copy)
    readings = demo_copy / "readings.csv"
    shorter = b"".join(readings.read_bytes().splitlines(keepends=True)[:-2])
    readings.write_bytes(shorter)
    assert len(read_logbook(demo_copy).readings_of("run4")) == 2
    (lost,) = lost_rows(demo_copy)
    assert (lost.torn, lost.rows) == (False, ("run4,up1,50,10.25", "run4,up1,25,6.75"))
    assert readings.read_bytes() == shorter


def test_a_run_being_entered_may_be_short_and_any_other_may_not(demo_copy: Path) -> None:
    appender = Appender(demo_copy, "enter", FACTS)
    appender.add("runs.csv", ROW)
    appender.add("readings.csv", reading("0", "0"))
    assert len(read_logbook(demo_copy).readings_of("run4")) == 1
    appender.finish()
    with pytest.raises(LogbookError) as caught:
        read_logbook(demo_copy)
    assert [p.code for p in caught.value.problems] == ["L504"]


def test_undo_and_its_undo_bring_back_every_byte(demo_copy: Path) -> None:
    before = held(demo_copy)
    entered(demo_copy).finish()
    after = held(demo_copy)
    assert before != after
    plan = plan_undo(demo_copy)
    assert held(demo_copy) == after
    assert "-run4,up1,50,10.25" in diff_lines(plan)
    undo(demo_copy)
    assert held(demo_copy) == before
    undo(demo_copy)
    assert held(demo_copy) == after
    undo(demo_copy)
    assert held(demo_copy) == before


def test_undo_takes_a_correction_back_too(demo_copy: Path) -> None:
    before = held(demo_copy)
    appender = entered(demo_copy)
    for row, value in zip(appender.added[1:], ("1.5", "-120.125", "7"), strict=False):
        travel = row.data.decode().split(",")[2]
        fresh = next(a for a in appender.added if a.data.split(b",")[2] == travel.encode())
        appender.amend(fresh, reading(travel, value))
    values = [r.value / 0.0254 for r in read_logbook(demo_copy).readings_of("run4")]
    assert values == pytest.approx([1.5, -120.125, 7.0, 6.75])
    undo(demo_copy)
    assert held(demo_copy) == before


def test_further_goes_back_change_by_change_and_undo_brings_all_of_them_back(
    demo_copy: Path,
) -> None:
    states = [held(demo_copy)]
    for name in ("run4", "run5", "run6"):
        append_rows(demo_copy, "import", {"runs.csv": [{**ROW, "run": name}]}, {"file": name})
        states.append(held(demo_copy))
    ways: list[Way] = ["last", "further", "further", "last", "last", "further", "last", "last"]
    at = [2, 1, 0, 1, 2, 1, 2, 3]
    said = []
    for way, index in zip(ways, at, strict=True):
        said.append(told(undo(demo_copy, way), dry_run=False)[1])
        assert held(demo_copy) == states[index]
        if index == 0:
            with pytest.raises(ShimoptError, match="nothing further back"):
                undo(demo_copy, "further")
    assert said[:5] == [
        "shimopt undo brings this back; shimopt undo --further takes back `import` of run5 too",
        "shimopt undo brings this back; shimopt undo --further takes back `import` of run4 too",
        "shimopt undo brings this back",
        "shimopt undo brings back `import` of run5 too; shimopt undo --further takes this back",
        "shimopt undo brings back `import` of run6 too; shimopt undo --further takes this back",
    ]
    assert said[-1] == "shimopt undo takes this back"
    undo(demo_copy)
    append_rows(demo_copy, "import", {"runs.csv": [{**ROW, "run": "run7"}]})
    undo(demo_copy)
    assert held(demo_copy) == states[2]
    undo(demo_copy)  # run6 is gone for good, run7 is not
    assert b"run7" in (demo_copy / "runs.csv").read_bytes()


def test_two_tables_are_one_change_or_none(demo_copy: Path) -> None:
    before = held(demo_copy)
    rows = {"runs.csv": [ROW], "readings.csv": [reading(t, v) for t, v in TYPED]}
    bad = {**rows, "readings.csv": [reading("0", "0"), reading("25", "nan")]}
    with pytest.raises(LogbookError):
        append_rows(demo_copy, "import", bad)
    assert held(demo_copy) == before
    assert not (demo_copy / FOLDER).exists()
    append_rows(demo_copy, "import", rows)
    assert len(read_logbook(demo_copy).readings_of("run4")) == 4
    undo(demo_copy)
    assert held(demo_copy) == before


def test_new_can_be_undone_and_its_undo_as_well(tmp_path: Path) -> None:
    car = tmp_path / "car"
    start_logbook(car, NewAnswers(units="mm", link="behind", span=300.0, above="3+1", below="1"))
    made = held(car)
    assert None not in made.values()
    undo(car)
    assert held(car) == dict.fromkeys(FILES)
    undo(car)
    assert held(car) == made


@pytest.mark.parametrize("file", ["runs.csv", "readings.csv"])
def test_a_hand_edit_in_between_is_refused_by_undo(demo_copy: Path, file: str) -> None:
    entered(demo_copy).finish()
    path = demo_copy / file
    text = path.read_text().splitlines(keepends=True)
    path.write_text("".join([*text[:-1], text[-1].replace("run4", "run4 ")]))
    before = held(demo_copy)
    with pytest.raises(EditedError) as caught:
        undo(demo_copy)
    (problem,) = caught.value.problems
    assert (problem.code, problem.file, problem.line) == ("L106", file, len(text))
    assert problem.excerpt.startswith("run4 ")
    assert "own edit" in problem.remedy
    assert caught.value.exit_code == 1
    assert held(demo_copy) == before
    path.write_text("".join(text))  # the remedy: take the edit back
    undo(demo_copy)


def test_a_file_changed_since_it_was_read_is_not_written(demo_copy: Path) -> None:
    appender = entered(demo_copy)
    readings = demo_copy / "readings.csv"
    with readings.open("a") as file:
        file.write("# a note by someone else\n")
    before = held(demo_copy)
    for act in (
        lambda: appender.add("readings.csv", reading("12.5", "3")),
        lambda: appender.amend(appender.added[-1], reading("25", "3")),
    ):
        with pytest.raises(EditedError) as caught:
            act()
        (problem,) = caught.value.problems
        assert (problem.code, problem.excerpt) == ("L106", "# a note by someone else")
        assert held(demo_copy) == before
    again = Appender(demo_copy, "enter", FACTS)  # the remedy: the same command again
    again.add("readings.csv", reading("12.5", "3"))
    assert readings.read_bytes().endswith(b"someone else\nrun4,up1,12.5,3\n")


def test_a_write_that_never_reached_the_file_is_forgotten(demo_copy: Path) -> None:
    """Killed between the journal's line and the row itself."""
    appender = entered(demo_copy)
    readings = demo_copy / "readings.csv"
    before = b"".join(readings.read_bytes().splitlines(keepends=True)[:-1])
    readings.write_bytes(before)
    again = Appender(demo_copy, "enter", FACTS)
    assert [a.data for a in again.added] == [a.data for a in appender.added[:-1]]
    again.add("readings.csv", reading("25", "7"))
    assert readings.read_bytes() == before + b"run4,up1,25,7\n"
    undo(demo_copy)
    assert len(read_logbook(demo_copy).runs) == 3


def test_a_journal_line_cut_off_at_any_byte_loses_nothing(demo_copy: Path) -> None:
    entered(demo_copy)
    path = demo_copy / FOLDER / "0001.jsonl"
    whole = path.read_bytes()
    last = whole[:-1].rfind(b"\n") + 1
    for end in range(last, len(whole)):
        path.write_bytes(whole[:end])
        assert len(read_logbook(demo_copy).readings_of("run4")) == 4
        assert len(read_journal(demo_copy).changes[0].writes) == 4
        assert path.read_bytes() == whole[:end]  # reading changes nothing


def test_a_note_cut_off_is_mended_before_the_next_line(demo_copy: Path) -> None:
    appender = entered(demo_copy)
    appender.note("up1 12.5", "+")
    path = demo_copy / FOLDER / "0001.jsonl"
    path.write_bytes(path.read_bytes()[:-9])
    again = Appender(demo_copy, "enter", FACTS)
    assert "up1 12.5" not in again.notes
    again.add("readings.csv", reading("12.5", "3"))
    assert len(read_journal(demo_copy).changes) == 1
    assert len(read_journal(demo_copy).changes[0].writes) == 6


def test_a_full_disk_leaves_the_file_as_it_was(
    demo_copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    appender = entered(demo_copy)
    before = held(demo_copy)

    def full(path: Path, data: bytes, known: bytes | None) -> None:
        raise OSError(28, "No space left on device", str(path))

    monkeypatch.setattr("optimizer.logbook.append.append_bytes", full)
    with pytest.raises(ShimoptError, match="No space left"):
        appender.add("readings.csv", reading("12.5", "3"))
    monkeypatch.undo()
    assert held(demo_copy) == before
    assert lost_rows(demo_copy) == ()
    appender.add("readings.csv", reading("12.5", "4"))
    assert [a.data for a in appender.added][-2:] == [b"run4,up1,25,6.75\n", b"run4,up1,12.5,4\n"]
    undo(demo_copy)


def test_the_history_is_bounded(demo_copy: Path) -> None:
    for number in range(KEPT + 3):
        append_rows(demo_copy, "import", {"runs.csv": [{**ROW, "run": f"plan{number}"}]})
    names = sorted(p.name for p in (demo_copy / FOLDER).iterdir())
    assert names == [f"{n:04d}.jsonl" for n in range(4, KEPT + 4)]
    undo(demo_copy)
    append_rows(demo_copy, "import", {"runs.csv": [{**ROW, "run": "other"}]})
    with pytest.raises(ShimoptError):
        for _ in range(KEPT + 1):
            undo(demo_copy, "further")


def test_a_damaged_history_is_told_and_keeps_no_one_from_reading(demo_copy: Path) -> None:
    entered(demo_copy).finish()
    path = demo_copy / FOLDER / "0001.jsonl"
    path.write_text(path.read_text().replace('"write": "readings.csv"', '"write": 7 7', 1))
    assert len(read_logbook(demo_copy).readings_of("run4")) == 4
    with pytest.raises(ShimoptError, match=r"\.shimopt/0001\.jsonl:\d+: the undo history"):
        undo(demo_copy)


def test_the_journal_is_plain_json_lines(demo_copy: Path) -> None:
    entered(demo_copy).finish()
    lines = (demo_copy / FOLDER / "0001.jsonl").read_text().splitlines()
    entries = [json.loads(line) for line in lines]
    assert entries[0] == {"change": "enter", **FACTS}
    assert [e["new"] for e in entries if "write" in e][1:] == [
        f"run4,up1,{travel},{value}\n" for travel, value in TYPED
    ]
    assert entries[-1] == {"done": True}


def test_rows_of_two_files_cut_off_between_them_are_told_and_taken_out(
    demo_copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = held(demo_copy)
    real = append.replace_bytes

    def cut(path: Path, data: bytes | None, known: bytes | None = None) -> None:
        if path.name != "runs.csv" or data == before["runs.csv"]:  # nor is it put back
            raise SystemExit
        real(path, data, known)

    monkeypatch.setattr(append, "replace_bytes", cut)
    rows = {"runs.csv": [ROW], "readings.csv": [reading(z, v) for z, v in TYPED]}
    with pytest.raises(SystemExit):
        append_rows(demo_copy, "import", rows)
    monkeypatch.undo()
    with pytest.raises(LogbookError) as caught:
        read_logbook(demo_copy)
    assert [(p.code, p.file) for p in caught.value.problems] == [("L507", "runs.csv")]
    assert lost_rows(demo_copy) == ()
    undo(demo_copy)
    assert held(demo_copy) == before
    append_rows(demo_copy, "import", rows)
    assert len(read_logbook(demo_copy).readings_of("run4")) == len(TYPED)


def test_known_bytes_must_still_stand(demo_copy: Path) -> None:
    known = held(demo_copy)
    with (demo_copy / "car.toml").open("a", encoding="utf-8") as file:
        file.write("# mine\n")
    before = held(demo_copy)
    with pytest.raises(EditedError):
        append_rows(demo_copy, "import", {"runs.csv": [ROW]}, known=known)
    assert held(demo_copy) == before


@pytest.mark.parametrize("name", FILES)
def test_several_rows_are_not_added_where_any_file_changed_meanwhile(
    demo_copy: Path, name: str
) -> None:
    appender = Appender(demo_copy, "import", {})
    with (demo_copy / name).open("a", encoding="utf-8") as file:
        file.write("# mine\n")
    before = held(demo_copy)
    with pytest.raises(EditedError):
        appender.add_all({"runs.csv": [ROW], "readings.csv": [reading(z, v) for z, v in TYPED]})
    assert held(demo_copy) == before
    assert not (demo_copy / FOLDER).exists()


def test_a_change_that_reached_no_file_is_nothing_to_undo(
    demo_copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def cut(*args: object) -> None:
        raise SystemExit

    rows = {"runs.csv": [ROW], "readings.csv": [reading(z, v) for z, v in TYPED]}
    append_rows(demo_copy, "import", {"runs.csv": [{**ROW, "run": "plan"}]})
    before = held(demo_copy)
    monkeypatch.setattr(append, "replace_bytes", cut)
    monkeypatch.setattr(Journal, "drop_last_write", cut)
    with pytest.raises(SystemExit):
        append_rows(demo_copy, "import", rows)
    monkeypatch.undo()
    assert len(read_journal(demo_copy).changes[-1].writes) == 2
    assert held(demo_copy) == before
    undo(demo_copy)
    assert "plan" not in [r.name for r in read_logbook(demo_copy).runs]
    undo(demo_copy)
    assert held(demo_copy) == before


def test_rows_whose_end_was_not_noted_are_a_change_of_their_own(
    demo_copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Appender, "finish", lambda self: None)
    for run in ("one", "two"):
        append_rows(demo_copy, "import", {"runs.csv": [{**ROW, "run": run}]}, {"file": "w.csv"})
    undo(demo_copy)
    names = [r.name for r in read_logbook(demo_copy).runs]
    assert ("one" in names, "two" in names) == (True, False)
