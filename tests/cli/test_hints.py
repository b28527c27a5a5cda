"""The commands that answers print lead on: from an empty folder to a brief."""

from __future__ import annotations

import re
import shlex
import time
from pathlib import Path

import pytest

from optimizer.cli import main

# a command in a hint ends where its words go on
ENDS = (
    r" as you measure| prints the| takes its| on paper| to show| has its|"
    r"; |\)| \(|$| for the setting"
)


def _hints(out: str) -> list[list[str]]:
    """Commands that the last paragraph of an answer names."""
    words = " ".join(out.split())
    then = words.rsplit(" Then ", 1)[-1] if " Then " in words else words.removeprefix("Then ")
    found = re.findall(rf"(shimopt .*?)(?={ENDS})", then)
    return [shlex.split(command)[1:] for command in found]


@pytest.mark.parametrize("first", ["demo", "new"])
def test_the_printed_commands_lead_to_a_brief(
    first: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "readings.txt").write_text(
        "travel up1 down1\n-40 -30 -31\n-20 -14 -16\n0 0 0\n20 14 16\n40 28 31\n", encoding="utf-8"
    )
    start = {
        "demo": "demo",
        "new": "new my-car --units thou,mm,mm --span 300 --rising toe-in --link behind "
        "--above 3+1 --below 2x1 --table readings.txt",
    }[first]
    begun = time.monotonic()
    waiting, done = [shlex.split(start)], 0
    tried: list[list[str]] = []
    while not list(tmp_path.glob("*.html")):
        assert waiting, f"nothing is left to do after {tried}"
        command = waiting.pop(0)
        tried.append(command)
        if command[0] == "enter" or command == ["new", "my-car"]:
            continue  # readings to type, questions to answer
        done += 1
        assert done <= 6, tried
        with pytest.raises(SystemExit) as left:
            main(command)
        assert left.value.code == 0, command
        waiting += [hint for hint in _hints(capsys.readouterr().out) if hint not in tried]
    assert time.monotonic() - begun < 60.0
