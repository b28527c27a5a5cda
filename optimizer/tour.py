"""The job on the demo, step by step: what is asked, the command that answers it, what to see.

Every screen is the command's own. The words between them hold no figure that a
command prints, so that none can be older than the answer.
"""

from __future__ import annotations

import shlex
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import typer

from optimizer.demo_files import FOURTH_RUN
from optimizer.present.layout import labelled, typed_path, wrapped
from optimizer.record import record

LEAVE = "*"
RUNS_IT = f"Enter runs it, {LEAVE} leaves"
GOES_ON = f"Enter goes on, {LEAVE} leaves"


@record
class Step:
    """What is said, and the words of the command that is run then."""

    words: str
    command: tuple[str, ...]

    @property
    def typed(self) -> str:
        """The command as a person types it."""
        return shlex.join(("shimopt", *self.command))


def steps(folder: Path) -> tuple[Step, ...]:
    """The steps on the demo in a folder."""
    car = _word(folder)
    told = (
        (
            f"An invented rally car steps about under braking. Its crew put a dial gauge on the "
            f"left rear wheel, moved the wheel from full droop to full bump and back, twice, and "
            f"wrote down the dial at every step. It stands in the folder {car}, in plain files "
            f"that a spreadsheet can edit: car.toml for the car, runs.csv for the settings, "
            f"readings.csv for the dial. First: what did they measure?",
            ("curves", car, "--until", "as-found"),
        ),
        (
            "Toe-out in droop, toe-in in bump: that is what the car feels. RMS, the whole curve "
            "in one figure, is what has to shrink; slope, bow and twist are its straight, its "
            "bent and its S-shaped part. But are these readings good enough to act on? That is "
            "asked of all three runs that the crew made.",
            ("check", car),
        ),
        (
            "The files are clean and the passes repeat. 'Good for' says how far two runs must lie "
            "apart before the difference is real. Now the question itself: what should be tried "
            "next? One run is enough to ask. The crew guessed twice before they did: two "
            "millimetres of shim from above to below, then the link turned once.",
            ("next", car),
        ),
        (
            f"From the top: what to do with your hands, and how far the eccentric comes back; "
            f"what the dial shows now and should show next; the one reading that would prove it "
            f"wrong; what else was weighed; what is left of slot and thread; whether a run is "
            f"worth it. They made that setting, the car on rated stands, and did not drive before "
            f"static toe was set, both sides. For your own car, sheet prints the setting with a "
            f"box for every reading, and enter asks for them one by one. Theirs are in a table, "
            f"{FOURTH_RUN}, which import takes in.",
            ("import", _word(folder / FOURTH_RUN), car, "--yes"),
        ),
        (
            "Did it come out as foretold, and is there more to be had?",
            ("next", car),
        ),
        (
            "'Last run' holds what was promised against what was measured, and 'Stop' says why "
            "another run would not pay. What is left is the other seat, who asks why. The brief "
            "answers in one file, for any browser, with no network.",
            ("brief", car, "--out", _word(folder / "brief.html")),
        ),
        (
            "What the tool writes into a logbook it can take back, byte for byte. This takes the "
            "fourth run out again, so that you can put it in with your own hands.",
            ("undo", car),
        ),
    )
    return tuple(Step(words=words, command=command) for words, command in told)


def _word(path: Path) -> str:
    """A path as one word of a call, never like an option."""
    return shlex.split(typed_path(path))[0]


def to_play_with(folder: Path) -> tuple[tuple[str, str], ...]:
    """What a newcomer may try on the demo that was left: what for, and the command."""
    tries = (
        ("the fourth run, typed by hand", ("enter", _word(folder), "--step", "25")),
        ("what toe-in in droop costs", ("tradeoff", _word(folder), "--at", "-40")),
        ("which shims to buy", ("kit", _word(folder), "--both-sides")),
        ("both wheels of the axle", ("axle", _word(folder / "both-wheels"))),
        ("a logbook with ten faults", ("check", _word(folder / "ten-faults"))),
    )
    return tuple((what, shlex.join(("shimopt", *words))) for what, words in tries)


def lead(folder: Path, run: Callable[[Sequence[str]], None], width: int) -> None:
    """Go through the steps; on a terminal, wait for Enter before and after each command.

    Parameters
    ----------
    folder
        The demo's.
    run
        Runs a command by its words and shows its answer.
    width
        Of the screen, in columns.
    """
    waits = sys.stdin.isatty() and sys.stdout.isatty()
    every, done = steps(folder), list[str]()
    try:
        for number, step in enumerate(every, 1):
            _say(f"Step {number} of {len(every)}", width)
            _say(step.words, width)
            _say("", width)
            _say(f"    {step.typed}", width, keep=True)
            if waits and _left(RUNS_IT):
                break
            _say("", width)
            run(step.command)
            done.append(step.command[0])
            if waits and _left(GOES_ON):
                break
            _say("", width)
        else:
            _say("That was the whole job. Yours to play with:", width)
            for what, command in to_play_with(folder):
                _say(f"{what}:", width)
                _say(f"    {command}", width, keep=True)
    finally:
        _say_where_it_stands(folder, width, taken_in="import" in done and "undo" not in done)


def _say_where_it_stands(folder: Path, width: int, *, taken_in: bool) -> None:
    then = f"{shlex.join(('shimopt', 'next', _word(folder)))}; for your own car: shimopt new my-car"
    if taken_in:
        out = shlex.join(("shimopt", "undo", _word(folder)))
        then = f"{out} takes the fourth run out again; {then}"
    typer.echo("\n".join(labelled("Then", then, width)))


def _say(text: str, width: int, *, keep: bool = False) -> None:
    """A paragraph; a command is kept whole, to be copied."""
    for line in [text] if keep or not text else wrapped(text, width):
        typer.echo(line)


def _left(question: str) -> bool:
    """Whether the newcomer has had enough."""
    return str(typer.prompt(question, default="", show_default=False)).strip() == LEAVE
