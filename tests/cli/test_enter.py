"""``enter`` and ``undo`` on a pseudo-terminal and through a pipe."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from terminal import ENTER, HUNG_UP, pipe, talk, undo

from optimizer.logbook import read_logbook

START = ["", "0,1"]  # the advised setting as it is, and a static toe with a decimal comma


@pytest.fixture(name="car")
def _car(tmp_path: Path) -> Path:
    """A logbook without runs of readings: nothing is advised and nothing foretold."""
    done = subprocess.run(
        [sys.executable, "-m", "optimizer", "new", str(tmp_path / "car"), "--units", "thou,mm,mm",
         "--span", "300", "--rising", "toe-in", "--link", "behind", "--above", "3+1",
         "--below", "2x1"],
        capture_output=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return tmp_path / "car"


def _values(folder: Path, run: str) -> list[float]:
    """Readings of a run in thou, in file order."""
    return [round(r.value / 0.0254, 6) for r in read_logbook(folder).readings_of(run)]


def test_one_enter_a_reading_from_the_advised_setting_on(demo_copy: Path) -> None:
    before = (demo_copy / "readings.csv").read_bytes()
    code, shown = talk(demo_copy, [*START, "0", "-3", "-2", "-1,5", "*"])
    assert code == 0
    assert "next advises: 1+0.25 over 3+1+0.5+0.25, link 9 mm shorter" in shown
    assert "eccentric mark -9.1" in shown
    assert "up1 50 droop: 0.01 deg toe-out, saved" in shown
    assert "4 readings of run4 saved; next is up1 12.5 droop" in shown
    assert f"shimopt enter {demo_copy}" in shown
    data = (demo_copy / "readings.csv").read_bytes()
    assert data == before + b"run4,up1,0,0\nrun4,up1,-50,-3\nrun4,up1,-37.5,-2\nrun4,up1,-25,-1.5\n"
    run = read_logbook(demo_copy).runs[-1]
    assert (run.above_mm, run.below_mm) == ((1.0, 0.25), (3.0, 1.0, 0.5, 0.25))
    assert (run.length_change_mm, run.eccentric_mark) == (-9.0, -9.1)
    assert run.static_toe_deg == 0.1


def test_each_reading_is_in_the_file_before_the_next_question(car: Path) -> None:
    ours, theirs = os.pipe()
    with subprocess.Popen(
        [*ENTER, str(car), "--travels", "-20,0,20"], stdin=ours, stdout=subprocess.PIPE, text=True
    ) as process:
        os.close(ours)
        assert process.stdout is not None
        for index, value in enumerate(("0", "-4", "5"), 1):
            os.write(theirs, f"{value}\n".encode())
            assert process.stdout.readline().endswith(", saved\n")
            assert len(_values(car, "run1")) == index
        os.close(theirs)
        assert "3 readings of run1 saved" in process.stdout.read()
    assert process.returncode == 0


@pytest.mark.parametrize("end", ["*", b"\x03", b"\x04", HUNG_UP])
def test_stopped_it_goes_on_at_the_same_prompt(car: Path, end: str | bytes) -> None:
    """With a key, Ctrl-C, the end of input and a closed lid."""
    flags = ("--travels", "-20;-7,5;0;20", "--passes", "up1,down1,up2")
    code, _ = talk(car, ["0", "-4", "-2", end], *flags)
    assert code == {"*": 0, b"\x03": 130, b"\x04": 0, HUNG_UP: -signal.SIGHUP}[end]
    assert _values(car, "run1") == [0.0, -4.0, -2.0]
    code, shown = talk(car, ["5", "/", "6", "*"])  # the plan is remembered
    assert code == 0
    prompts = re.findall(r"^(up1 \d/\d  [^,]*),", shown, re.MULTILINE)
    assert prompts[:3] == ["up1 4/5  20 bump", "up1 5/5  back to zero", "up1 4/5  20 bump"]
    assert "next is up1 back to zero" in shown
    assert _values(car, "run1") == [0.0, -4.0, -2.0, 6.0]


def test_the_answers_before_the_first_reading_are_kept_too(demo_copy: Path) -> None:
    code, shown = talk(demo_copy, ["0", "1+0,5", "3+1+0,5", b"\x03"])
    assert code == 130
    assert "run4 has no row yet; the answers so far are kept" in shown
    assert len(read_logbook(demo_copy).runs) == 3
    code, shown = talk(demo_copy, ["-9", "/", "-6", "", "", "0", "*"])
    assert code == 0
    assert "shims above" not in shown
    run = read_logbook(demo_copy).runs[-1]
    assert (run.above_mm, run.below_mm) == ((1.0, 0.5), (3.0, 1.0, 0.5))
    assert (run.length_change_mm, run.static_toe_deg) == (-6.0, None)


def test_a_setting_that_does_not_add_up_is_asked_again(demo_copy: Path) -> None:
    code, shown = talk(demo_copy, ["0", "1", "1", "", "", "", "", "", "0", "*"])
    assert code == 0
    assert "[L407]" in shown
    assert read_logbook(demo_copy).runs[-1].above_mm == (1.0, 0.25)


def test_a_step_back_changes_that_row_alone_and_the_history_keeps_the_old(car: Path) -> None:
    replies = ["0", "-4", "-2", "/", "/", "-40", "", "2", "*"]
    code, shown = talk(car, replies, "--travels", "-20,-10,0,10,20")
    assert code == 0, shown
    assert "up1 2/6  20 droop, thou [-4]: -40" in shown
    assert "up1 3/6  10 droop, thou [-2]: \n" in shown
    assert _values(car, "run1") == [0.0, -40.0, -2.0, 2.0]
    journal = sorted((car / ".shimopt").glob("*.jsonl"))[-1].read_text()
    assert '"old": "run1,up1,-20,-4\\n", "new": "run1,up1,-20,-40\\n"' in journal


def test_no_step_back_into_rows_of_another_hand(car: Path) -> None:
    with (car / "readings.csv").open("a") as file:
        file.write("run1,up1,0,0\nrun1,up1,-20,-4\nrun1,up1,20,4\n")
    code, shown = talk(car, ["/", "2", "*"], "--run", "run1", "--travels", "-20,-10,0,20")
    assert code == 0
    assert "not of this entry: change it in readings.csv" in shown
    assert _values(car, "run1") == [0.0, -4.0, 4.0, 2.0]


def test_bad_answers_are_asked_again_and_a_travel_may_be_left_out(car: Path) -> None:
    replies = ["+", "/", "", "-", "1e", "0", "9999", "3 thou", "+", "2", "*"]
    code, shown = talk(car, replies, "--travels", "-20,-10,0,10")
    assert code == 0, shown
    for told in ("needs its reading at ride height", "this is the first reading", "is absurd",
                 "`-` is not a number", "`3 thou` holds a unit"):  # fmt: skip
        assert told in shown, told
    rows = (car / "readings.csv").read_text().splitlines()[1:]
    assert rows == ["run1,up1,0,0", "run1,up1,-10,2"]
    _, shown = talk(car, ["*"])
    assert "up1 4/5  10 bump" in shown


def test_a_reading_off_its_passes_is_offered_again_with_both_explanations(car: Path) -> None:
    replies = ["0", "-20", "21", "", "0", "210", "22", "-200", "", "*"]
    code, shown = talk(car, replies, "--travels", "-20,0,20", "--passes", "up1,down1,up2")
    assert code == 0, shown
    flat = " ".join(shown.split())
    assert flat.count("off the passes before: either this reading") == 2
    assert "or those before it (the zero has moved, something is loose)" in flat
    assert "standard deviations; asked again above 3)" in flat
    assert "down1 2/4  20 bump, thou [210]: 22" in shown
    assert _values(car, "run1") == [0.0, -20.0, 21.0, 0.0, 22.0, -200.0]


def test_a_reading_off_the_surface_is_offered_again_and_not_for_ever(demo_copy: Path) -> None:
    replies = [*START, "0", "-60", "", "-50", "", "-40", "*"]
    code, shown = talk(demo_copy, replies)
    assert code == 0, shown
    flat = " ".join(shown.split())
    assert flat.count("off what the earlier runs foretell") == 3
    assert "or the car does not stand as the row of run4 says" in flat
    assert flat.count("Enter keeps it, or type it again") == 2
    assert "look at the setting; no longer asked about" in flat


@pytest.mark.parametrize(("columns", "env", "plain"), [
    (80, {}, False),
    (40, {}, False),
    (40, {"TERM": "dumb"}, True),
    (80, {"PYTHONIOENCODING": "ascii"}, True),
    (40, {"NO_COLOR": ""}, False),
])  # fmt: skip
def test_the_screen_fits_and_has_no_escapes(
    demo_copy: Path, columns: int, env: dict[str, str], plain: bool
) -> None:
    code, shown = talk(demo_copy, [*START, "0", "-3", "60", "", "*"], columns=columns, **env)
    assert code == 0
    assert "\x1b" not in shown
    assert ("\u2591" in shown) != plain
    assert ("::::" in shown) == plain
    assert shown.isascii() == plain
    paths_apart = [line for line in shown.splitlines() if str(demo_copy) not in line]
    assert max(map(len, paths_apart)) <= columns


def test_a_pipe_takes_one_answer_a_line_and_draws_nothing(demo_copy: Path) -> None:
    values = ["0", "-3", "-2", "-1,5", "-1", "60", "2", "3", "4", "1"]
    code, out, err = pipe(demo_copy, "\n".join([*START, *values, *values]) + "\n")
    assert code == 0
    assert [line.split(":")[0] for line in out.splitlines()[:2]] == [
        "up1 ride height", "up1 50 droop",
    ]  # fmt: skip
    assert out.splitlines()[-2] == "Done       20 readings of run4 saved"
    assert out.splitlines()[-1] == f"Then       shimopt check {demo_copy}"
    assert len(out.splitlines()) == 22
    assert "up1 6/10" not in out + err
    assert "off what the earlier runs foretell" in " ".join(err.split())
    assert "\x1b" not in out + err
    assert (out + err).isascii()
    assert len(_values(demo_copy, "run4")) == 20


def test_a_bad_answer_from_a_pipe_stops_with_what_was_saved(car: Path) -> None:
    code, out, err = pipe(car, "0\n-4\nfour\n5\n", "--travels", "-20,-10,0,20")
    assert code == 2
    assert out.count("saved") == 2
    assert "up1 -10: `four` is not a number" in err
    assert _values(car, "run1") == [0.0, -4.0]
    code, out, err = pipe(car, "-2\n5\n")
    assert (code, err) == (0, "")
    assert "4 readings of run1 saved; next is up1 back to zero" in out


@pytest.mark.parametrize(
    ("flags", "told"),
    [
        (("--travels", "-20,x,20"), "`x` is not a number"),
        (("--travels", "-20,0"), "fewer than two travels"),
        (("--travels", "0,20,5000"), "is absurd"),
        (("--step", "0"), "a step of 0 mm cannot be"),
        (("--step", "10", "--travels", "-5,5"), "say the same thing"),
        (("--passes", "up1,,up2"), "a pass cannot be called"),
        (("--passes", "up1,up1"), "stands twice"),
        (("--run", "#3"), "cannot be called"),
        (("--corner", "front-left"), "no corner 'front-left'"),
    ],
)
def test_wrong_flags_change_nothing(car: Path, flags: tuple[str, ...], told: str) -> None:
    before = sorted(p for p in car.rglob("*"))
    code, out, err = pipe(car, "0\n1\n", *flags)
    assert (code, out) == (2, "")
    assert told in err
    assert sorted(p for p in car.rglob("*")) == before


def test_a_step_and_the_crew_s_own_direction_of_travel(demo_copy: Path) -> None:
    """Droop called plus: an up pass still runs from droop to bump, in the crew's own sign."""
    toml, readings = demo_copy / "car.toml", demo_copy / "readings.csv"
    toml.write_text(toml.read_text().replace('bump = "plus"', 'bump = "minus"'))
    pipe(demo_copy, "\n".join([*START, "0", "1", "2", "3", "4"]) + "\n", "--step", "25")
    rows = [line.split(",")[2] for line in readings.read_text().splitlines()[-5:]]
    assert rows == ["0", "50", "25", "-25", "-50"]


def test_a_measured_run_asks_for_more_passes_and_takes_them(demo_copy: Path) -> None:
    before = (demo_copy / "readings.csv").read_bytes()
    code, out, _ = pipe(demo_copy, "1\n", "--run", "joint-up")
    assert code == 0
    assert "up1, down1 have every travel: name more with --passes" in out
    assert (demo_copy / "readings.csv").read_bytes() == before
    code, out, _ = pipe(demo_copy, "1\n-3\n", "--run", "joint-up", "--passes", "up3")
    assert "38 readings of joint-up saved; next is up3 37.5 droop" in out


def test_a_planned_row_gets_its_readings(demo_copy: Path) -> None:
    with (demo_copy / "runs.csv").open("a") as file:
        file.write("friday,rear-left,,1,3+2,0,0,,\n")
    code, out, _ = pipe(demo_copy, "0\n1\n")
    assert code == 0
    assert "2 readings of friday saved" in out


def test_a_run_half_entered_keeps_no_other_command_from_its_answer(demo_copy: Path) -> None:
    pipe(demo_copy, "\n".join([*START, "0", "-3"]) + "\n")
    for command, told in (("check", "go on with shimopt enter"), ("next", "after 3 runs"),
                          ("curves", "link-short")):  # fmt: skip
        done = subprocess.run(
            [sys.executable, "-m", "optimizer", command, str(demo_copy)],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        assert told in " ".join(done.stdout.split())


def test_a_row_cut_off_is_put_back_and_entry_goes_on_behind_it(car: Path) -> None:
    pipe(car, "0\n-4\n-12.5\n", "--travels", "-20,-10,0,20")
    readings = car / "readings.csv"
    whole = readings.read_bytes()
    readings.write_bytes(whole[:-3])
    done = subprocess.run(
        [sys.executable, "-m", "optimizer", "check", str(car)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 3
    assert "[L506]" in done.stderr
    code, _out, err = pipe(car, "5\n")
    assert code == 0
    assert "broke off inside a row: put back `run1,up1,-10,-12.5`" in err
    assert readings.read_bytes() == whole + b"run1,up1,20,5\n"


@pytest.mark.parametrize(("answer", "n_row"), [("", 3), ("0", 2)])
def test_rows_gone_at_a_line_s_end_are_asked_about(car: Path, answer: str, n_row: int) -> None:
    pipe(car, "0\n-4\n-2\n", "--travels", "-20,-10,0,20")
    readings = car / "readings.csv"
    readings.write_bytes(b"".join(readings.read_bytes().splitlines(keepends=True)[:-1]))
    code, shown = talk(car, [answer, "*"])
    assert code == 0
    assert "no longer ends with what was entered: `run1,up1,-10,-2`" in shown
    assert len(_values(car, "run1")) == n_row
    assert f"up1 {n_row + 1}/5" in shown


def test_a_hand_edit_during_entry_is_refused_and_kept(car: Path) -> None:
    ours, theirs = os.pipe()
    with subprocess.Popen(
        [*ENTER, str(car), "--travels", "-20,0,20"],
        stdin=ours, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        os.close(ours)
        assert process.stdout is not None
        os.write(theirs, b"0\n")
        process.stdout.readline()
        with (car / "readings.csv").open("a") as file:
            file.write("run1,up1,20,7\n")
        os.write(theirs, b"-4\n")
        os.close(theirs)
        _, err = process.communicate(timeout=30)
    assert process.returncode == 1
    assert "readings.csv:3: readings.csv was changed since shimopt last read or wrote it" in err
    assert "[L106]" in err
    assert "nothing was overwritten" in err
    assert _values(car, "run1") == [0.0, 7.0]


def test_undo_shows_then_takes_back_then_brings_back(demo_copy: Path) -> None:
    clean = {p.name: p.read_bytes() for p in demo_copy.iterdir()}
    pipe(demo_copy, "\n".join([*START, "0", "-3"]) + "\n")
    entered = {n: (demo_copy / n).read_bytes() for n in clean}
    code, out, err = undo(demo_copy, "--dry-run")
    assert (code, err) == (0, "")
    assert "-run4,up1,-50,-3" in out.splitlines()
    assert "nothing was changed" in out
    assert {n: (demo_copy / n).read_bytes() for n in clean} == entered
    code, out, _ = undo(demo_copy)
    assert code == 0
    assert out.startswith("`enter` of run4 is taken back: runs.csv, readings.csv\n")
    assert {n: (demo_copy / n).read_bytes() for n in clean} == clean
    code, out, _ = undo(demo_copy)
    assert out.startswith("`enter` of run4 is brought back")
    assert {n: (demo_copy / n).read_bytes() for n in clean} == entered
    with (demo_copy / "readings.csv").open("ab") as file:
        file.write(b"# mine\n")
    code, out, err = undo(demo_copy)
    assert (code, out) == (1, "")
    assert "[L106]" in err
    assert (demo_copy / "readings.csv").read_bytes() == entered["readings.csv"] + b"# mine\n"


def test_new_is_shown_taken_back_and_brought_back(car: Path) -> None:
    made = {p.name: p.read_bytes() for p in car.iterdir() if p.is_file()}
    assert len(made) == 3
    code, out, err = undo(car, "--dry-run")
    assert (code, err) == (0, "")
    assert "+++ then  runs.csv (no file)" in out
    assert "-run1,rear-left,,3+1,2x1,0,,," in out.splitlines()
    assert {p.name: p.read_bytes() for p in car.iterdir() if p.is_file()} == made
    code, out, _ = undo(car)
    assert code == 0
    assert [p.name for p in car.iterdir()] == [".shimopt"]
    undo(car)
    assert {p.name: p.read_bytes() for p in car.iterdir() if p.is_file()} == made


def test_undo_without_a_history_says_so(demo_copy: Path) -> None:
    code, out, err = undo(demo_copy)
    assert (code, out) == (1, "")
    assert "there is nothing to undo" in err
    assert sorted(p.name for p in demo_copy.iterdir()) == [
        "car.toml",
        "offers.csv",
        "readings.csv",
        "runs.csv",
    ]


def test_a_logbook_of_another_shape_keeps_its_bytes(demo_copy: Path) -> None:
    """A byte-order mark, semicolons, decimal commas and Windows line ends stay."""
    readings = demo_copy / "readings.csv"
    lines = readings.read_text().splitlines()
    foreign = "\r\n".join(line.replace(",", ";").replace(".", ",") for line in lines) + "\r\n"
    readings.write_bytes(b"\xef\xbb\xbf" + foreign.encode())
    runs = demo_copy / "runs.csv"
    runs.write_text(runs.read_text().replace(",", ";").replace(".", ","))
    code, _, err = pipe(demo_copy, "\n".join([*START, "0", "-3.50"]) + "\n")
    assert code == 0, err
    code, shown = talk(demo_copy, ["-.5", "/", "", "/", ",75", "+3.", "*"])
    assert code == 0, shown
    assert "37.5 droop, thou [-0,5]: " in shown
    own = "run4;up1;0;0|run4;up1;-50;-3,50|run4;up1;-37,5;0,75|run4;up1;-25;3|"
    data = readings.read_bytes()
    assert data == b"\xef\xbb\xbf" + foreign.encode() + own.replace("|", "\r\n").encode()
    assert ";1+0,25;3+1+0,5+0,25;-9;-9,1;0,1;" in runs.read_text().splitlines()[-1]
    assert read_logbook(demo_copy).runs[-1].below_mm == (3.0, 1.0, 0.5, 0.25)


def test_a_copy_without_the_dot_folder_is_a_whole_logbook(demo_copy: Path, tmp_path: Path) -> None:
    values = ["0", "-3", "-2", "-1", "-1", "1", "2", "3", "4"]
    pipe(demo_copy, "\n".join([*START, *values]) + "\n")
    shutil.rmtree(demo_copy / ".shimopt")
    assert len(_values(demo_copy, "run4")) == 9


def test_the_page_s_screen_is_today_s(demo_copy: Path) -> None:
    page = Path(__file__).resolve().parents[2] / "docs" / "entering.md"
    block = page.read_text("utf-8").split("<!-- entry:")[1].split("```\n")[1]
    code, shown = talk(demo_copy, [*START, "0", "-30", "-3", "*"])
    assert code == 0
    assert shown.startswith(block)
    assert len(block.splitlines()) > 20


def test_what_is_there_is_passed_over_to_the_next_open_reading(demo_copy: Path) -> None:
    """More travels and passes for a run that has some, typed in one go."""
    values = ["0", "-3", "-2", "+", "-1", "0", "1", "2", "3", "4", "0", "0", "*"]
    pipe(demo_copy, "\n".join([*START, *values]) + "\n")
    more = ("--step", "25", "--passes", "up1,down1,up2")
    code, out, err = pipe(demo_copy, "1\n2\n*\n", *more)
    assert code == 0, err
    told = [line.split(":")[0] for line in out.splitlines()]
    assert told[:2] == ["up1 25 droop", "down1 25 bump"]
    assert "next is down1 25 droop" in out


def test_a_row_deleted_by_hand_is_filled_and_those_behind_it_stay(car: Path) -> None:
    pipe(car, "0\n-4\n-3\n-2\n", "--travels", "-20,-15,-10,0,10,20")
    readings = car / "readings.csv"
    readings.write_text(readings.read_text().replace("run1,up1,-15,-3\n", ""))
    code, shown = talk(car, ["-3", "/", "-3.5", "5", "*"])
    assert code == 0, shown
    prompts = re.findall(r"^(up1 \d/\d  [^:]*):", shown, re.MULTILINE)
    assert [p for p in prompts if "saved" not in p] == [
        "up1 3/7  15 droop, thou",
        "up1 5/7  10 bump, thou",
        "up1 3/7  15 droop, thou [-3]",
        "up1 5/7  10 bump, thou",
        "up1 6/7  20 bump, thou",
    ]
    assert _values(car, "run1") == [0.0, -4.0, -2.0, -3.5, 5.0]


@pytest.mark.parametrize("by_hand", [False, True])
def test_a_half_entered_run_without_its_history_is_gone_on_with(
    demo_copy: Path, by_hand: bool
) -> None:
    """The dot-folder may be deleted; two rows typed by hand are no dead end either."""
    pipe(demo_copy, "\n".join([*START, "0", "-3"]) + "\n")
    shutil.rmtree(demo_copy / ".shimopt")
    if by_hand:
        with (demo_copy / "runs.csv").open("a") as file:
            file.write("friday,rear-left,,1,3+2,0,0,,\n")
        with (demo_copy / "readings.csv").open("a") as file:
            file.write("friday,up1,0,0\nfriday,up1,-50,-4\n")
    name = "friday" if by_hand else "run4"
    done = subprocess.run(
        [sys.executable, "-m", "optimizer", "next", str(demo_copy)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 3
    assert f"`{name}` has readings at 2 travels only" in done.stderr
    assert "`shimopt enter` goes on with the run" in " ".join(done.stderr.split())
    code, out, err = pipe(demo_copy, "-2\n-1\n*\n")
    assert (code, err) == (0, "")
    assert f"4 readings of {name} saved; next is up1 12.5 droop" in out
    if by_hand:  # then the other one, by its name
        code, out, err = pipe(demo_copy, "-2\n", "--run", "run4")
        assert (code, err) == (0, "")
    assert len(read_logbook(demo_copy).readings_of("run4")) == (3 if by_hand else 4)


def test_a_zero_changed_says_which_readings_of_its_pass_are_off_now(car: Path) -> None:
    flags = ("--travels", "-20,0,20", "--passes", "up1,down1")
    replies = ["0", "-20", "21", "0", "0", "21", "/", "/", "60", "", "/", "/", "0", "", "-20", "*"]
    code, shown = talk(car, replies, *flags)
    assert code == 0, shown
    flat = " ".join(shown.split())
    assert flat.count("these are now") == 1, shown
    told = flat.split("with this zero of down1 these are now off the other passes: ")[1]
    assert re.match(r"20 bump by 0\.\d+ deg\. Either the zero is wrong, or they are", told)
    assert _values(car, "run1") == [0.0, -20.0, 21.0, 0.0, 0.0, 21.0, -20.0]


def test_a_zero_changed_weighs_the_return_to_it_and_the_surface_too(demo_copy: Path) -> None:
    replies = [*START, "0", "-3", "3", "0", "/", "/", "/", "/", "-60", "", "", "", "*"]
    code, shown = talk(demo_copy, replies, "--travels", "-50,0,50", columns=40)
    assert code == 0, shown
    flat = " ".join(shown.split())
    assert "of up1 these are now off what the earlier runs foretell: 50 droop by 0.2" in flat
    assert "off the zero: back to zero by 60.0 thou" in flat
    assert flat.count("Look") == 1


def test_the_end_of_input_and_an_empty_answer_are_told_on_lines_of_their_own(car: Path) -> None:
    code, shown = talk(car, ["0", b"\x04"], "--travels", "-20,0,20")
    assert code == 0
    assert "\nStopped    1 reading of run1 saved; next is up1 20 droop\n" in shown
    code, _, err = pipe(car, "\n")
    assert code == 2
    assert err.startswith("shimopt: up1 -20: no number is written\n")
    assert "`" not in err.splitlines()[0]
