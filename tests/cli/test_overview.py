"""``shimopt --help`` sorts the commands by a crew's questions; each command's example works."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from optimizer.cli import main
from optimizer.commands.app import HOMES, every_command
from optimizer.errors import EXIT_DONE, EXIT_WRONG_CALL
from optimizer.overview import EXIT_CODES, OPTIONS, QUESTIONS, overview

NAMES = [c.name or c.callback.__name__ for c in every_command() if c.callback]


def _run(words: list[str]) -> object:
    with pytest.raises(SystemExit) as left:
        main(words)
    return left.value.code


def _example(text: str) -> str:
    """The example of a command's help, put together again."""
    paragraph = text.split("Example: ")[1].split("\n\n")[0]
    return " ".join(paragraph.split())


def test_every_command_stands_under_one_question() -> None:
    told = [name for _, commands in QUESTIONS for name, _ in commands]
    assert sorted(told) == sorted(NAMES)
    asked = [question for questions, _ in QUESTIONS for question in questions]
    assert all(question.endswith("?") for question in asked)
    assert len(asked) == len(set(asked)) == 9  # the job's seven, where to begin, how to put in


def test_help_shows_it(capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["--help"], ["-h"]):
        assert _run(words) == EXIT_DONE
        out = capsys.readouterr().out
        assert out == f"{overview(80)}\n"
    assert _run([]) == EXIT_WRONG_CALL
    assert "Where do I begin?" in capsys.readouterr().err
    for option, _ in OPTIONS:
        assert option in out


def test_its_exit_codes_are_the_documented_ones() -> None:
    from optimizer import errors

    said = {int(code) for code in re.findall(r"\b\d+\b", EXIT_CODES)}
    assert said == {value for name, value in vars(errors).items() if name.startswith("EXIT_")}


@pytest.mark.parametrize("width", [20, 40, 60, 80])
def test_it_fits_any_width(width: int) -> None:
    lines = overview(width).splitlines()
    room = max(width, 6 + len("--install-completion"))  # a word is not cut
    assert max(map(len, lines)) <= room
    assert all(f"  {name}" in overview(width) for name in NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_the_example_of_each_command_works_on_the_demo(
    name: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    if name != "demo":
        assert _run(["demo"]) == EXIT_DONE
    capsys.readouterr()
    assert _run([name, "--help"]) == EXIT_DONE
    command = shlex.split(_example(capsys.readouterr().out))
    assert command[:2] == ["shimopt", name]
    words = command[1:]
    if name == "import":
        words.append("--yes")  # nobody to ask in a pipe
    if name == "enter":  # a setting taken as advised, then every reading left out but one
        answers = iter(["", "", "0", "*"])
        monkeypatch.setattr("sys.stdin", _Lines(answers))
    assert _run(words) == EXIT_DONE, capsys.readouterr()
    for flag in ("--out", "--pdf", "--shopping"):
        if flag in words:
            assert (tmp_path / words[words.index(flag) + 1]).exists()


class _Lines:
    """A pipe with a line for each question."""

    def __init__(self, lines: object) -> None:
        self.lines = lines

    def readline(self) -> str:
        return f"{next(self.lines)}\n"  # type: ignore[call-overload]

    def isatty(self) -> bool:
        return False


def test_each_command_is_found_in_its_module() -> None:
    found = {home: [] for home in HOMES}  # type: dict[str, list[str]]
    for command in every_command():
        assert command.callback is not None
        home = command.callback.__module__.rsplit(".", 1)[1]
        found[home].append(command.name or command.callback.__name__)
    assert {home: sorted(names) for home, names in found.items()} == {
        home: sorted(names) for home, names in HOMES.items()
    }
