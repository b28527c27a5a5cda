"""``enter``: two values a reading, each pass's return to zero, and the numeric keypad alone."""

from __future__ import annotations

import math
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from terminal import HUNG_UP, pipe, talk, undo

from optimizer.logbook import read_logbook

KEYPAD = set("0123456789.,+-*/\n")
TRAVELS = ("--travels", "-20,0,20")
NEW = [sys.executable, "-m", "optimizer", "new"]
REST = ["--link", "behind", "--above", "3+1", "--below", "2x1"]
GAUGES = {
    "two-dials": ["--units", "mm", "--span", "400", "--rising", "toe-out"],
    "toe-plate": ["--units", "in,mm,mm", "--span", "600", "--reference", "inboard"],
    "one-dial": ["--units", "thou,mm,mm", "--span", "300", "--rising", "toe-in"],
}


def started(folder: Path, kind: str) -> Path:
    words = [*NEW, str(folder), "--gauge", kind, *GAUGES[kind], *REST]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture(name="pair")
def _pair(tmp_path: Path) -> Path:
    return started(tmp_path / "car", "two-dials")


def rows(folder: Path) -> list[str]:
    return (folder / "readings.csv").read_text().splitlines()[1:]


def test_front_then_rear_and_the_pair_is_one_row(pair: Path) -> None:
    replies = ["5", "5,5", "4,1", "5.9", "*"]
    code, shown = talk(pair, replies, *TRAVELS)
    assert code == 0, shown
    prompts = re.findall(r"^(up1 \d/\d  .*?mm): ", shown, re.MULTILINE)
    assert prompts == [
        "up1 1/4  ride height front, mm", "up1 1/4  ride height rear, mm",
        "up1 2/4  20 droop front, mm", "up1 2/4  20 droop rear, mm", "up1 3/4  20 bump front, mm",
    ]  # fmt: skip
    assert rows(pair) == ["run1,up1,0,5,5.5", "run1,up1,-20,4.1,5.9"]
    # front less rear went from -0.5 to -1.8 at a span of 400, rising with toe-out: toe-in
    toe = math.degrees(math.atan(1.3 / 400.0))
    assert f"up1 20 droop: {toe:.2f} deg toe-in, saved" in shown
    assert "⠤" in shown or "⠒" in shown


@pytest.mark.parametrize("kind", ["two-dials", "toe-plate"])
def test_a_pair_off_the_passes_before_is_offered_again(tmp_path: Path, kind: str) -> None:
    car = started(tmp_path / "car", kind)
    a, b = ("5", "4") if kind == "two-dials" else ("47.2", "47")
    far = str(float(b) + 2.0)
    one_pass = [a, b, a, b, a, b, ""]
    replies = [*one_pass, a, b, a, far, "", b, "*"]
    code, shown = talk(car, replies, *TRAVELS)
    assert code == 0, shown
    unit = "mm" if kind == "two-dials" else "in"
    assert shown.count("off the") == 1
    assert f"down1 2/4  20 bump rear, {unit} [{far}]: {b}" in shown
    assert rows(car)[-1].startswith(f"run1,down1,20,{a},{float(b):g}")


def test_one_key_steps_back_inside_the_pair_and_before_it(pair: Path) -> None:
    replies = ["5", "/", "5,1", "5", "4", "/", "/", "6", "4", "5", "*"]
    code, shown = talk(pair, replies, *TRAVELS)
    assert code == 0, shown
    assert "up1 1/4  ride height front, mm [5]: 5,1" in shown
    assert "up1 2/4  20 droop front, mm [4]: /" in shown
    assert "up1 1/4  ride height rear, mm [5]: 6" in shown
    assert rows(pair) == ["run1,up1,0,5.1,6", "run1,up1,-20,4,5"]
    code, out, _ = undo(pair)
    assert code == 0, out
    assert rows(pair) == []


@pytest.mark.parametrize("end", ["*", b"\x03", b"\x04", HUNG_UP])
def test_stopped_inside_a_pair_it_loses_that_number_and_says_so(
    pair: Path, end: str | bytes
) -> None:
    _, shown = talk(pair, ["5", "5", "4,1", end], *TRAVELS)
    assert rows(pair) == ["run1,up1,0,5,5"]
    if end != HUNG_UP:  # then there is nobody to tell
        flat = " ".join(shown.split())
        assert "1 reading of run1 saved; next is up1 20 droop. Not saved:" in flat
        assert "up1 20 droop front 4.1, typed without its rear" in flat
    _, shown = talk(pair, ["4,2", "6", "*"])
    assert "up1 2/4  20 droop front, mm: 4,2" in shown
    assert rows(pair) == ["run1,up1,0,5,5", "run1,up1,-20,4.2,6"]
    assert "Not saved" not in shown


def test_a_pair_through_a_pipe(pair: Path) -> None:
    code, out, err = pipe(pair, "5\n5\n4,1\n", *TRAVELS)
    assert (code, err) == (0, "")
    assert "Not saved: up1 20 droop front 4.1" in " ".join(out.split())
    code, out, err = pipe(pair, "4.1\n5.9\n6\n5\n5\n5.02\n5\n")
    assert (code, err) == (0, "")
    assert "4 readings of run1 saved; next is down1 ride height" in out
    assert "down1 ride height front 5, typed without its rear" in " ".join(out.split())
    assert rows(pair)[1:] == ["run1,up1,-20,4.1,5.9", "run1,up1,20,6,5", "run1,up1,0,5,5.02"]
    code, _, err = pipe(pair, "5\nfive\n")
    assert code == 2
    assert "down1 0: `five` is not a number" in err


def test_an_absurd_pair_is_not_written_and_its_front_may_stay(pair: Path) -> None:
    code, shown = talk(pair, ["5", "5", "5", "500", "", "6", "*"], *TRAVELS)
    assert code == 0, shown
    assert "is absurd" in shown
    assert "up1 2/4  20 droop front, mm [5]: \n" in shown
    assert "up1 2/4  20 droop rear, mm [500]: 6" in shown
    assert rows(pair)[1:] == ["run1,up1,-20,5,6"]


def test_each_pass_ends_at_ride_height_again_and_check_reports_it(tmp_path: Path) -> None:
    car = started(tmp_path / "car", "one-dial")
    one_pass = ["0", "-20", "20", "1"]
    code, shown = talk(car, [*one_pass, "0", "20", "-20", ""], *TRAVELS)
    assert code == 0, shown
    assert "up1 4/4  back to zero, thou (Enter: none): 1" in shown
    assert "up1 back to zero: 1.0 off, saved" in shown.replace(" thou", "")
    assert rows(car)[3] == "run1,up1,0,1"
    assert len(rows(car)) == 7
    assert "7 readings of run1 saved" in shown
    done = subprocess.run(
        [sys.executable, "-m", "optimizer", "check", str(car)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert re.search(r"^run1 .* 1\.0$", done.stdout, re.MULTILINE), done.stdout


def test_a_pass_that_does_not_come_back_is_told_at_once_with_the_remedy(tmp_path: Path) -> None:
    car = started(tmp_path / "car", "one-dial")
    replies = ["0", "-20", "20", "9", "", "0", "20", "/", "/", "/", "1", "*"]
    code, shown = talk(car, replies, *TRAVELS)
    assert code == 0, shown
    flat = " ".join(shown.split())
    assert (
        "came back 9.0 thou off zero at ride height: something moved. Take the pass again" in flat
    )
    assert flat.count("something moved") == 1
    assert "up1 4/4  back to zero, thou [9]: 1" in shown
    assert rows(car) == [
        "run1,up1,0,0", "run1,up1,-20,-20", "run1,up1,20,20", "run1,up1,0,1", "run1,down1,0,0",
        "run1,down1,20,20",
    ]  # fmt: skip
    assert [r.value for r in read_logbook(car).readings if r.travel_mm == 0.0][:2] == [0.0, 0.0254]


def test_it_is_remembered_whether_the_return_was_asked_for(tmp_path: Path) -> None:
    car = started(tmp_path / "car", "one-dial")
    _, shown = talk(car, ["0", "-20", "20", b"\x03"], *TRAVELS)
    assert "next is up1 back to zero" in shown
    _, shown = talk(car, ["", b"\x03"])  # asked again, and left out with one Enter
    assert "next is down1 ride height" in shown
    _, shown = talk(car, ["/", "2", "*"])  # not asked again, but one step back gets there
    assert "down1 1/4  ride height, thou: /\nup1 4/4  back to zero" in shown
    assert rows(car)[-1] == "run1,up1,0,2"
    with (car / "readings.csv").open("a") as file:  # a pass typed by hand, and the next begun
        file.write("run1,down1,0,0\nrun1,down1,20,20\nrun1,down1,-20,-20\nrun1,up2,0,0\n")
    _, shown = talk(car, ["*"], "--passes", "up1,down1,up2")
    assert "up2 2/4  20 droop" in shown


def test_a_run_measured_before_is_not_asked_for_its_returns(demo_copy: Path) -> None:
    code, out, _ = pipe(demo_copy, "1\n", "--run", "joint-up")
    assert code == 0
    assert "every travel" in out


@pytest.mark.parametrize("kind", ["one-dial", "two-dials", "toe-plate"])
def test_a_whole_run_on_the_numeric_keypad(tmp_path: Path, kind: str) -> None:
    """From the first question to the last, one Enter a number, decimal commas."""
    car = started(tmp_path / "car", kind)
    two = ["47,1"] if kind == "toe-plate" else ["1,5"]
    value = two * (1 if kind == "one-dial" else 2)
    setting = ["0", "3+1", "2*1", "", "", "-0,1"]
    replies = [*setting, *(value * 8)]
    assert set("".join(f"{reply}\n" for reply in replies)) <= KEYPAD
    code, shown = talk(car, replies, *TRAVELS, "--run", "2")
    assert code == 0, shown
    assert "Done       8 readings of 2 saved" in shown
    run = read_logbook(car).runs[-1]
    assert (run.above_mm, run.below_mm, run.static_toe_deg) == ((3.0, 1.0), (1.0, 1.0), -0.1)
    assert len(rows(car)) == 8
    assert len(re.findall(r": ", shown)) >= len(replies)


@pytest.mark.parametrize("kind", ["two-dials", "toe-plate"])
def test_the_screen_of_a_pair_fits_forty_columns(tmp_path: Path, kind: str) -> None:
    car = started(tmp_path / "car", kind)
    a, b = ("5,12", "4,35") if kind == "two-dials" else ("47,12", "47,35")
    replies = [a, b, a, b, b, a, b, a, "", "", a, b, "/", "", a, "*"]
    code, shown = talk(car, replies, "--travels", "-37.5,0,37.5", columns=40)
    assert code == 0, shown
    assert "\x1b" not in shown
    assert max(len(line) for line in shown.splitlines() if str(car) not in line) <= 40


def _then(text: str) -> list[str]:
    """The first command that an answer's last line names, but for what prints a page."""
    said = " ".join(text[text.rindex("Then") :].split())
    ends = r"(?= as | for | to | takes | prints |;|\(|$)"
    found = re.findall(rf"shimopt (.*?){ends}", said)
    return next(words for words in map(shlex.split, found) if words[0] != "sheet")


def test_the_printed_next_commands_lead_from_an_empty_folder_to_the_second_run(
    tmp_path: Path,
) -> None:
    """Only what is printed is run: new, enter, check, next, enter again."""
    words = ["new", str(tmp_path / "car"), *GAUGES["one-dial"], *REST]
    a_pass = ["0", "-40", "-20", "20", "45", "0"]
    answers = {"enter": "\n".join([*a_pass, *(a_pass[i] for i in (0, 4, 3, 2, 1, 5))]) + "\n"}
    walked = []
    for _ in range(5):
        walked.append(words[0])
        flags = ["--travels", "-40,-20,20,40"] * (words[0] == "enter")
        done = subprocess.run(
            [sys.executable, "-m", "optimizer", *words, *flags],
            input=answers.get(words[0], ""), capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, (words, done.stderr)
        words = _then(done.stdout)
        answers["enter"] = "\n\n0\n" if walked[-1] == "next" else answers["enter"]
    assert walked == ["new", "enter", "check", "next", "enter"]
    assert [r.name for r in read_logbook(tmp_path / "car").runs] == ["run1", "run2"]
    assert len(read_logbook(tmp_path / "car").readings_of("run2")) == 1
