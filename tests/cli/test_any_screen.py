"""Every command on a narrow terminal, on one that takes ASCII only, and in a pipe."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from optimizer.demo_files import demo_folder
from tests.cli.terminal import talk

# every command that answers, with what it needs; `enter`, `new` and `demo` have tests of their own
ANSWERS = {
    "check": (),
    "check --repeats": (),
    "curves": (),
    "next": (),
    "tradeoff": ("--at", "-40"),
    "axle": (),
    "kit": ("--both-sides",),
    "kit --recipes": (),
    "sheet": ("--out", "s.pdf"),
    "brief": ("--out", "b.html"),
    "brief --markdown": (),
    "import": ("--yes",),
    "undo": ("--dry-run",),
}


@pytest.fixture
def car(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A logbook by a short name, with something to undo."""
    shutil.copytree(demo_folder(), tmp_path / "car")
    monkeypatch.chdir(tmp_path)
    return Path("car")


def _words(name: str, car: Path) -> tuple[str, str, list[str]]:
    """A command, the folder or file it is given first, and its flags."""
    command, *flags = name.split()
    folder = str(car / "both-wheels" if command == "axle" else car)
    first, rest = folder, [*flags, *ANSWERS[name]]
    if command == "import":
        first, rest = str(car / "run4.csv"), [folder, *rest]
    if command == "undo":
        subprocess.run(
            [sys.executable, "-m", "optimizer", "import", str(car / "run4.csv"), folder, "--yes"],
            check=True, capture_output=True,
        )  # fmt: skip
    return command, first, rest


@pytest.mark.parametrize(("name", "lost"), [("next", "settings ruled out"), ("axle", "Bumps")])
def test_a_taller_terminal_shows_what_a_low_one_leaves_out(name: str, lost: str, car: Path) -> None:
    command, first, _ = _words(name, car)
    shown = {
        rows: talk(Path(first), [], command=command, rows=rows, NO_COLOR="1")[1]
        for rows in (10, 24, 60)
    }
    assert shown[10] == shown[24]
    assert len(shown[24].splitlines()) <= 24
    assert lost not in shown[24]
    assert lost in shown[60]


@pytest.mark.parametrize("name", ANSWERS)
def test_forty_columns_and_no_escapes(name: str, car: Path) -> None:
    command, first, rest = _words(name, car)
    code, shown = talk(Path(first), [], *rest, command=command, columns=40, NO_COLOR="1")
    assert code == 0, shown
    assert "\x1b" not in shown  # so nothing is told by colour, and nothing spoils a log
    if command == "undo" or "--markdown" in name:
        return  # rows of a file as they are; a message that a chat wraps
    for line in shown.splitlines():
        assert len(line) <= 40, line


@pytest.mark.parametrize("name", ANSWERS)
def test_a_terminal_that_takes_ascii_only(name: str, car: Path) -> None:
    command, first, rest = _words(name, car)
    env = {**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONIOENCODING": "ascii"}
    done = subprocess.run(
        [sys.executable, "-m", "optimizer", command, first, *rest],
        capture_output=True, env=env, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.isascii()
    assert b"\\u" not in done.stdout  # nothing of our own needs more
    assert done.stderr == b""
