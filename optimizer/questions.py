"""The six questions of ``shimopt new``, asked on a terminal only.

What can be refused is refused before the first question or at the prompt it was
typed at: nobody answers six questions to lose them to a name given before.
"""

from __future__ import annotations

import shlex
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import typer

from optimizer.errors import CallError, ShimoptError
from optimizer.logbook import (
    NewAnswers,
    check_folder,
    check_names,
    check_span,
    parse_length,
    parse_stack,
    parse_table,
    parse_units,
)
from optimizer.records import Units
from optimizer.units import is_angle

QUESTIONS = {
    "units": "Units: mm or in for everything, or reading,travel,length such as thou,mm,mm",
    "span": "Gauge span, from the fixed contact to the dial's contact, in {length}",
    "rising": "When the wheel toes in, does the dial climb (toe-in) or fall (toe-out)",
    "link": "Is the link's outer joint ahead of or behind the carrier's pivots (ahead, behind)",
    "above": "Shims above the joint, top to bottom, in {length}, such as 3+1 (0 for none)",
    "below": "Shims below the joint, top to bottom, in {length}, such as 2x1 (0 for none)",
}
BACK = "<"

_IN_LENGTHS = ("span", "above", "below")
_WORDS = {
    "rising": {
        "toe-in": "toe-in",
        "climb": "toe-in",
        "climbs": "toe-in",
        "toe-out": "toe-out",
        "fall": "toe-out",
        "falls": "toe-out",
    },
    "link": {"ahead": "ahead", "behind": "behind"},
    "side": {"left": "left", "right": "right"},
}
_SAY = {
    "rising": "say toe-in (or climb) or toe-out (or fall)",
    "link": "say ahead or behind",
    "side": "say left or right",
}


def answers_from(
    folder: Path, given: Mapping[str, str | None], rest: Mapping[str, Any], table: Path | None
) -> NewAnswers:
    """Fill in what flags left open, by asking where a person can answer.

    Raises
    ------
    CallError
        If a flag cannot be, the folder is taken, or something is missing and nobody
        can be asked.
    LogbookError
        If the table has faults.
    """
    check_folder(folder)
    side = None if rest["side"] is None else _word("side", rest["side"])
    check_names(rest["corner"], rest["run"], side)
    text = _table_text(table)
    typed = {name: said for name, said in given.items() if said is not None}
    for name in ("rising", "link"):
        if name in typed:
            _understood(name, typed[name], None)
    if "units" in typed:
        _check_units(typed["units"], typed, text)
    elif text is not None:
        parse_table(text)
    missing = [n for n in QUESTIONS if n not in typed and not (n == "span" and _angle(typed))]
    if missing and not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise CallError(
            f"new needs {', '.join('--' + n for n in missing)}",
            "give them as flags, or run it on a terminal to be asked",
        )
    if missing:
        typed = _asked(missing, typed, text)
    units = parse_units(typed["units"])
    if is_angle(units.reading):
        typed.pop("span", None)
    answers: dict[str, Any] = {n: _understood(n, said, units) for n, said in typed.items()}
    rows = parse_table(text, units) if text is not None else None
    return NewAnswers(**answers, **{**rest, "side": side}, table=rows)


def call_again(folder: Path, answers: NewAnswers) -> str:
    """The command that gives the same answers as flags, but for the names and the table."""
    flags = {n: getattr(answers, n) for n in QUESTIONS if getattr(answers, n) is not None}
    said = {n: f"{v:.6g}" if isinstance(v, float) else v for n, v in flags.items()}
    words = ["shimopt", "new", str(folder)]
    return shlex.join(words + [word for n, v in said.items() for word in (f"--{n}", v)])


def _asked(missing: list[str], typed: Mapping[str, str], text: str | None) -> dict[str, str]:
    """Ask each question in turn; `BACK` goes to the one before, its answer kept for Enter."""
    given, told = dict(typed), dict(typed)
    done: list[str] = []
    count = "1 question" if len(missing) == 1 else f"{len(missing)} questions"
    typer.echo(f"{count}; {BACK} goes back to the one before, Enter keeps what stands in [ ]")
    while True:
        left = (n for n in missing if n not in done and not (n == "span" and _angle(told)))
        name = next(left, None)
        if name is None:
            return told
        said = _ask(name, given, told, text)
        if said is not None:
            told[name] = said
            done.append(name)
        elif done:
            done.pop()
        else:
            typer.echo("this is the first question", err=True)


def _ask(
    name: str, given: Mapping[str, str], told: Mapping[str, str], text: str | None
) -> str | None:
    """Ask one question until its answer can be understood; None to step back."""
    units = parse_units(told["units"]) if name != "units" else None
    question = QUESTIONS[name].format(length=units.length if units else "")
    while True:
        said = str(typer.prompt(question, default=told.get(name))).strip()
        if said == BACK:
            return None
        try:
            if name == "units":
                _check_units(said, given, text)
            else:
                _understood(name, said, units)
        except ShimoptError as error:
            typer.echo(str(error), err=True)
        else:
            return said


def _check_units(said: str, given: Mapping[str, str], text: str | None) -> None:
    """Whether the flags and the table can be read in these units."""
    units = parse_units(said)
    for name in _IN_LENGTHS:
        if name in given:
            _understood(name, given[name], units)
    if text is not None:
        parse_table(text, units)


def _angle(typed: Mapping[str, str]) -> bool:
    """A gauge that shows toe itself has no span to ask for."""
    return "units" in typed and is_angle(parse_units(typed["units"]).reading)


def _understood(name: str, said: str, units: Units | None) -> Any:
    """An answer as `NewAnswers` takes it; CallError with a remedy where it cannot be."""
    if name in _WORDS:
        return _word(name, said)
    if units is not None and name == "span":
        span = parse_length(said, units.length)
        check_span(span, units.length)
        return span
    if units is not None and name in ("above", "below"):
        parse_stack(said, units.length)
    return said


def _word(name: str, said: str) -> str:
    plain = "-".join(said.casefold().replace("-", " ").split())
    if plain not in _WORDS[name]:
        raise CallError(f"{name} is {said!r}", _SAY[name])
    return _WORDS[name][plain]


def _table_text(table: Path | None) -> str | None:
    if table is None:
        return None
    if str(table) == "-":
        if sys.stdin.isatty():
            typer.echo("paste the table, then press Enter and Ctrl-D", err=True)
        return sys.stdin.read()
    try:
        return table.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise CallError(
            f"{table} cannot be read: {error}", "name a plain text file with the table"
        ) from error
