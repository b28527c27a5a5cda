"""The six questions of ``shimopt new``, asked on a terminal only."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import typer

from optimizer.errors import CallError
from optimizer.logbook import NewAnswers, parse_stack, parse_table, parse_units
from optimizer.units import is_angle

QUESTIONS = {
    "units": "Units: mm or in for everything, or reading,travel,length such as thou,mm,mm",
    "span": "Gauge span, from the fixed contact to the dial's contact, in the length unit",
    "rising": "When the wheel toes in, does the dial climb (toe-in) or fall (toe-out)",
    "link": "Is the link's outer joint ahead of or behind the carrier's pivots (ahead, behind)",
    "above": "Shims above the joint, top to bottom, such as 3+1 (0 for none)",
    "below": "Shims below the joint, top to bottom, such as 2x1 (0 for none)",
}


def answers_from(
    given: Mapping[str, Any], rest: Mapping[str, Any], table: Path | None
) -> NewAnswers:
    """Fill in what flags left open, by asking where a person can answer.

    Raises
    ------
    CallError
        If something is missing and nobody can be asked.
    """
    text = _table_text(table)
    answers = dict(given)
    asked = sys.stdin.isatty() and sys.stdout.isatty()
    for name in QUESTIONS:
        if answers[name] is None and not (name == "span" and _shows_angle(answers)):
            if not asked:
                missing = [n for n in QUESTIONS if answers[n] is None]
                raise CallError(
                    f"new needs {', '.join('--' + n for n in missing)}",
                    "give them as flags, or run it on a terminal to be asked",
                )
            answers[name] = _ask(name)
    for name, choices in (("rising", ("toe-in", "toe-out")), ("link", ("ahead", "behind"))):
        if answers[name] not in choices:
            raise CallError(f"{name} is {answers[name]!r}", f"say {' or '.join(choices)}")
    if rest["side"] not in (None, "left", "right"):
        raise CallError(f"side is {rest['side']!r}", "say left or right")
    rows = parse_table(text, parse_units(answers["units"])) if text is not None else None
    return NewAnswers(**answers, **rest, table=rows)


def _shows_angle(answers: Mapping[str, Any]) -> bool:
    """A gauge that shows toe itself has no span to ask for."""
    units = answers["units"]
    return units is not None and is_angle(parse_units(units).reading)


def _ask(name: str) -> Any:
    """Ask one question again and again until its answer can be understood."""
    while True:
        said = typer.prompt(QUESTIONS[name]).strip()
        try:
            return _understood(name, said)
        except (CallError, ValueError) as error:
            typer.echo(f"{said!r}: {error or 'not understood'}", err=True)


def _understood(name: str, said: str) -> Any:
    if name == "units":
        parse_units(said)
    elif name == "span":
        return float(said.replace(",", "."))
    elif name in ("above", "below"):
        parse_stack(said, "mm")
    elif name == "rising" and said not in ("toe-in", "toe-out"):
        said = {"climb": "toe-in", "fall": "toe-out"}.get(said, said)
        if said not in ("toe-in", "toe-out"):
            raise CallError("say toe-in or toe-out")
    elif name == "link" and said not in ("ahead", "behind"):
        raise CallError("say ahead or behind")
    return said


def _table_text(table: Path | None) -> str | None:
    if table is None:
        return None
    if str(table) == "-":
        return sys.stdin.read()
    try:
        return table.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise CallError(
            f"{table} cannot be read: {error}", "name a plain text file with the table"
        ) from error
