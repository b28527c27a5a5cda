"""The demo leads a newcomer through the job, and leaves a logbook to play with."""

from __future__ import annotations

import re
import shlex
import time
from pathlib import Path

import pytest

from optimizer.cli import main
from optimizer.demo_files import FILES, demo_folder
from optimizer.tour import steps, to_play_with
from tests.cli.terminal import talk

# of adults, silent, non-fiction: Brysbaert 2019, from memory; figures are looked at, not read
WORDS_A_MINUTE = 238


def _run(words: list[str]) -> object:
    with pytest.raises(SystemExit) as left:
        main(words)
    return left.value.code


def _same_as_the_demo(folder: Path) -> None:
    for name in FILES:
        assert (folder / name).read_bytes() == (demo_folder() / name).read_bytes(), name


def test_every_step_answers_and_the_logbook_is_left_as_it_was(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    begun = time.monotonic()
    assert _run(["demo", "my demo"]) == 0
    took_min = (time.monotonic() - begun) / 60.0
    out = capsys.readouterr().out
    every = steps(Path("my demo"))
    for number, step in enumerate(every, 1):
        shown = out.split(f"Step {number} of {len(every)}\n")[1].split("\nStep ")[0]
        words, _, answer = shown.partition(f"\n\n    {step.typed}\n\n")
        assert " ".join(words.split()) == " ".join(step.words.split())
        assert "Then       " in answer
        assert len(words.splitlines()) < 12
        assert len(answer.split("\n\nThat was")[0].splitlines()) <= 24, step.typed
    read = [word for word in out.split() if re.search("[A-Za-z]{2,}", word)]
    assert len(read) / WORDS_A_MINUTE + took_min < 5.0
    _same_as_the_demo(tmp_path / "my demo")
    assert (tmp_path / "my demo" / "brief.html").exists()


def test_its_screens_are_those_of_the_commands_typed(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    _run(["demo"])
    led = capsys.readouterr().out
    for step in steps(Path("shimopt-demo")):
        assert _run(list(step.command)) == 0
        typed = capsys.readouterr().out
        # the page is stamped with the logbook's bytes, not with the time: its size is its own
        assert typed.rstrip("\n") in led, step.typed


def test_the_job_s_arc(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was measured fourth is what three runs advise, and it ends the job."""
    monkeypatch.chdir(tmp_path)
    _run(["demo"])
    out = capsys.readouterr().out
    advised = re.findall(
        r"top to bottom: ([\d.+]+)", out.split("Step 3 of 7")[1].split("Step 4")[0]
    )
    made = re.search(r"run4 +new, rear-left, ([\d.+]+) over ([\d.+]+),", out)
    assert made is not None
    assert [made[1], made[2]] == advised
    last = out.split("Step 5 of 7")[1]
    assert "stay as you are" in last
    assert "run4 came out as foretold" in last
    assert "\nStop " in last


def test_what_is_left_to_play_with_works(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    _run(["demo"])
    out = capsys.readouterr().out
    for _, command in to_play_with(Path("shimopt-demo")):
        assert f"    {command}\n" in out
        words = shlex.split(command)[1:]
        if words[0] != "enter":  # tests/cli/test_enter.py types
            assert _run(words) == 0, command
    capsys.readouterr()


def test_on_a_terminal_it_waits(tmp_path: Path) -> None:
    car = tmp_path / "car"
    n_step = len(steps(car))
    code, shown = talk(car, [""] * (2 * n_step), command="demo")
    assert code == 0
    assert shown.count("Enter runs it, * leaves: ") == n_step
    assert shown.count("Enter goes on, * leaves: ") == n_step
    assert "That was the whole job." in shown
    _same_as_the_demo(car)


@pytest.mark.parametrize(("n_enter", "taken_in"), [(0, False), (1, False), (7, True), (8, True)])
def test_it_can_be_left_and_says_where_things_stand(
    tmp_path: Path, n_enter: int, taken_in: bool
) -> None:
    car = tmp_path / "car"
    code, shown = talk(car, [*[""] * n_enter, "*"], command="demo")
    assert code == 0
    last = " ".join(shown.split("* leaves: ")[-1].split())
    assert f"shimopt next {car}" in last
    assert ("takes the fourth run out again" in last) == taken_in
    assert ("run4" in (car / "runs.csv").read_text()) == taken_in


def test_the_end_of_input_interrupts(tmp_path: Path) -> None:
    code, shown = talk(tmp_path / "car", [b"\x04"], command="demo")
    assert code == 130
    assert "Traceback" not in shown


def test_it_fits_a_narrow_screen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    code, shown = talk(Path("car"), [""] * 14, command="demo", columns=40)
    assert code == 0
    typed = {f"    {s.typed}" for s in steps(Path("car"))}
    typed |= {f"    {command}" for _, command in to_play_with(Path("car"))}
    for line in shown.splitlines():
        assert len(line) <= 40 or line in typed, line


@pytest.mark.parametrize("name", ["-e", "a b", "it's", "--out"])
def test_a_folder_of_any_name(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Printed commands can be typed: a name is never taken for an option."""
    monkeypatch.chdir(tmp_path)
    assert _run(["demo", "--", name]) == 0
    out = capsys.readouterr().out
    assert "That was the whole job." in out
    then = " ".join(out[out.rindex("Then") :].split()).removeprefix("Then ").split(";")[0]
    assert _run(shlex.split(then)[1:]) == 0
    _same_as_the_demo(tmp_path / name)


def test_the_end_of_input_after_the_import_says_what_stands(tmp_path: Path) -> None:
    car = tmp_path / "car"
    code, shown = talk(car, [*[""] * 7, b"\x04"], command="demo")
    assert code == 130
    assert "takes the fourth run out again" in " ".join(shown.split())
    assert "run4" in (car / "runs.csv").read_text()
