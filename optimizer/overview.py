"""What ``shimopt --help`` shows: the commands under the questions that a crew asks."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

JOB = "from toe readings against travel to the next shim split and link length to try"
CALL = (
    "shimopt COMMAND [FOLDER] reads the logbook in FOLDER, or in the folder you stand in. "
    "shimopt COMMAND --help has an example and every option of one command."
)

# the questions of the job, and the commands that answer them
QUESTIONS: tuple[tuple[tuple[str, ...], tuple[tuple[str, str], ...]], ...] = (
    (
        ("Where do I begin?",),
        (
            ("demo", "the whole job on an invented car, step by step, in five minutes"),
            ("new", "a logbook of your own from six answers"),
        ),
    ),
    (
        ("How do I put readings in?",),
        (
            ("sheet", "the next run on paper, with a box for every reading"),
            ("enter", "readings one by one, each saved before the next is asked for"),
            ("import", "a table with a column for each run, from CSV or a spreadsheet"),
            ("undo", "takes back what the tool wrote last"),
        ),
    ),
    (
        ("Are these readings good enough to act on?",),
        (
            ("check", "faults of the files, slips of the pen, what the gauge repeats to"),
            ("curves", "toe against travel, run by run, as figures and as a picture"),
        ),
    ),
    (
        (
            "Which setting do I try next, and what do I expect to see?",
            "How far must the eccentric come back so that static toe is what it was?",
            "Can I do it with the shims, thread and joint angles I have, and is it safe?",
            "When do I stop?",
        ),
        (
            ("next", "one screen a corner answers all four"),
            ("tradeoff", "what toe-in at one travel costs in toe change elsewhere"),
            ("axle", "both wheels of an axle together, and how they steer the car"),
        ),
    ),
    (
        ("Which shims should be in the kit before the next event?",),
        (("kit", "prices against toe change lost, the stacks, a shopping list"),),
    ),
    (
        (
            "How do I show my co-driver that this was the right call, and what would prove "
            "me wrong?",
        ),
        (("brief", "one page for any browser, one sheet of paper, a message for a chat"),),
    ),
)

OPTIONS = (
    ("-h, --help", "this overview, or a command's own help"),
    ("--version", "the version"),
    ("--debug", "before the command: a traceback on an error"),
    ("--install-completion", "the Tab key completes commands, corners and runs"),
    ("--show-completion", "what that would put into the shell's start file"),
)
EXIT_CODES = (
    "0 done, 1 could not do it, 2 the call was wrong, 3 faults in the logbook, 4 too few "
    "readings, 5 nothing can be made, 130 interrupted"
)
CLOSING = (
    "The tool advises; it does not certify. Rated stands, torque, static toe before driving: "
    "the cautions are in README, on the sheet and in the brief."
)
COMMAND_WIDTH = 10
OPTION_WIDTH = 22


def overview(width: int) -> str:
    """The overview, at most ``width`` columns wide."""
    lines = [*_wrapped(f"shimopt: {JOB}", width), "", *_wrapped(CALL, width), ""]
    for questions, commands in QUESTIONS:
        for question in questions:
            lines += _wrapped(question, width)
        lines += _rows(commands, COMMAND_WIDTH, width)
    lines += ["", "Options", *_rows(OPTIONS, OPTION_WIDTH, width)]
    lines += ["", "Exit codes", *_wrapped(EXIT_CODES, width, 2)]
    return "\n".join([*lines, "", *_wrapped(CLOSING, width)])


def _rows(rows: Iterable[tuple[str, str]], margin: int, width: int) -> list[str]:
    """Names in the margin, words beside them; below them where the screen is narrow."""
    out = []
    for name, words in rows:
        if 2 * margin > width - margin:
            out += [f"  {name}", *_wrapped(words, width, 6)]
        else:
            first, *rest = _wrapped(words, width, 2 + margin)
            out += [f"  {name:<{margin}}{first.lstrip()}", *rest]
    return out


def _wrapped(text: str, width: int, indent: int = 0) -> list[str]:
    pad = " " * indent
    return textwrap.wrap(
        text, width, initial_indent=pad, subsequent_indent=pad, break_on_hyphens=False
    )
