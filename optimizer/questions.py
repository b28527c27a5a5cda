"""The six questions of ``shimopt new``, asked on a terminal only.

What can be refused is refused before the first question or at the prompt it was
typed at: nobody answers six questions to lose them to a name given before.
"""

from __future__ import annotations

import shlex
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from optimizer import logbook
from optimizer.errors import CallError, ShimoptError
from optimizer.logbook import (
    NewAnswers,
    check_folder,
    check_names,
    check_span,
    gauge_kind,
    parse_length,
    parse_stack,
    parse_units,
    rising_from_turn,
)
from optimizer.logbook.car import GAUGES
from optimizer.logbook.disk import held_bytes
from optimizer.logbook.values import write_stack
from optimizer.record import record
from optimizer.records import GaugeKind, Units
from optimizer.units import from_mm

if TYPE_CHECKING:
    from optimizer.logbook.paste import TableRow

QUESTIONS = {
    "units": "Units: mm or in for everything, or reading,travel,length such as thou,mm,mm",
    "span": "{span}, in {length}",
    "rising": "When the wheel toes in, does {number} climb (toe-in) or fall (toe-out); ? to find "
    "out",
    "reference": "Plate measured from inboard (across the car) or outboard (a line beside it)",
    "link": "Is the link's outer joint ahead of or behind the carrier's pivots (ahead, behind)",
    "longer": "Lengthen the link one turn at ride height: did {number} go up or down (then turn "
    "it back)",
    "above": "Shims above the joint, top to bottom, in {length}, such as 3+1 (0 for none)",
    "below": "Shims below the joint, top to bottom, in {length}, such as 2x1 (0 for none)",
}
BACK = "<"
NOT_KNOWN = "?"

_SPANS: Mapping[GaugeKind, str] = {
    "one-dial": "Gauge span, fixed contact to dial (or say two-dials, toe-plate or spot)",
    "two-dials": "Gauge span, front dial to rear dial",
    "toe-plate": "Gauge span, between the two points of the plate that are measured to",
    "spot": "Throw of the beam, from the wheel to the board",
}
_NUMBERS: Mapping[GaugeKind, str] = {
    "two-dials": "front less rear",
    "spot": "the number under the spot",
}
_IN_LENGTHS = ("span", "above", "below")
_WORDS: Mapping[str, Mapping[str, str]] = {
    "gauge": {kind: kind for kind in GAUGES},
    "reference": {
        "inboard": "inboard",
        "across": "inboard",
        "across-the-car": "inboard",
        "outboard": "outboard",
        "outside": "outboard",
    },
    "longer": {
        "up": "up",
        "climb": "up",
        "climbed": "up",
        "down": "down",
        "fall": "down",
        "fell": "down",
    },
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
    "gauge": f"say one of {', '.join(GAUGES)}",
    "reference": "say inboard or outboard",
    "longer": "say up or down",
    "rising": "say toe-in (or climb) or toe-out (or fall)",
    "link": "say ahead or behind",
    "side": "say left or right",
}


@record
class Pasted:
    """A table of readings as it was given, and what it is called."""

    text: str
    name: str

    def rows(self, units: Units | None, kind: GaugeKind) -> tuple[TableRow, ...]:
        """Its readings; LogbookError with all its faults."""
        return logbook.parse_table(self.text, units, kind, self.name)


def table_in_doubt(table: Path | None) -> str:
    """What is to be looked at in a table that was named; empty where nothing is."""
    if table is None or str(table) == "-":
        return ""
    from optimizer.logbook.paste import open_end
    from optimizer.present.taken import open_end_words

    pasted = _pasted(table)
    return open_end_words(open_end(pasted.text)) if pasted is not None else ""


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
    pasted = _pasted(table)
    typed = {name: said for name, said in given.items() if said is not None}
    for name in ("gauge", "rising", "reference", "link", "longer"):
        if name in typed:
            typed[name] = _understood(name, typed[name], None)
    if "longer" in typed and typed.setdefault("rising", NOT_KNOWN) != NOT_KNOWN:
        raise CallError("--rising and --longer say the same", "leave one of the two out")
    if "units" in typed:
        _check_units(typed["units"], typed, pasted)
    elif pasted is not None:
        pasted.rows(None, _kind(typed))
    missing = [n for n in _needed(typed) if n not in typed]
    if missing and not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise CallError(
            f"new needs {', '.join('--' + n for n in missing)}",
            "give them as flags, or run it on a terminal to be asked",
        )
    if missing:
        typed = _asked(missing, typed, pasted)
    units, kind = parse_units(typed["units"]), _kind(typed)
    needed = {"gauge", "rising", *_needed(typed)}
    answers: dict[str, Any] = {
        n: _understood(n, said, units, kind) for n, said in typed.items() if n in needed
    }
    number = answers.pop("longer", None)
    if number is not None:
        answers["rising"] = rising_from_turn(answers["link"], number)
    if answers.get("rising") == NOT_KNOWN:  # a plate's reference tells it
        del answers["rising"]
    rows = None if pasted is None else pasted.rows(units, kind)
    return NewAnswers(**answers, **{**rest, "side": side}, table=rows)


def was_asked(given: Mapping[str, str | None]) -> bool:
    """Say whether something was left to be answered at a prompt."""
    typed = {name: said for name, said in given.items() if said is not None}
    if "longer" in typed:
        typed.setdefault("rising", NOT_KNOWN)
    return any(name not in typed for name in _needed(typed))


def call_again(folder: Path, answers: NewAnswers) -> str:
    """The command that gives the same answers as flags, but for the names and the table."""
    names = ["gauge", *_needed({"units": answers.units, "gauge": answers.gauge})]
    flags = {n: getattr(answers, n) for n in names if getattr(answers, n) is not None}
    said = {n: f"{v:.6g}" if isinstance(v, float) else v for n, v in flags.items()}
    words = ["shimopt", "new", str(folder)]
    return shlex.join(words + [word for n, v in said.items() for word in (f"--{n}", v)])


def started_words(answers: NewAnswers, where: str) -> str:
    """What was understood, so that a slip is seen before a reading is typed."""
    units = parse_units(answers.units)
    above, below = (
        write_stack(tuple(from_mm(t, units.length) for t in parse_stack(said or "0", units.length)))
        for said in (answers.above, answers.below)
    )
    said = f"{answers.corner}: {above or '0'} over {below or '0'}, link {answers.link}"
    kind = gauge_kind(answers.gauge, units.reading)
    if kind != "toe-plate":
        said += f"; {_NUMBERS.get(kind, 'the dial')} climbs with {answers.rising}"
    return f"{said}. If not: shimopt undo{where}, and anew (--corner for another corner)"


def _asked(missing: list[str], typed: Mapping[str, str], pasted: Pasted | None) -> dict[str, str]:
    """Ask each question in turn; `BACK` goes to the one before, its answer kept for Enter."""
    given, told = dict(typed), dict(typed)
    done: list[str] = []
    count = "1 question" if len(missing) == 1 else f"{len(missing)} questions"
    typer.echo(f"{count}; {BACK} goes back to the one before, Enter keeps what stands in [ ]")
    while True:
        name = next((n for n in _needed(told) if n not in given and n not in done), None)
        if name is None:
            return told
        said = _ask(name, given, told, pasted)
        if said is not None:
            told[name] = said
            done.append(name)
        elif done:
            done.pop()
        else:
            typer.echo("this is the first question", err=True)


def _ask(
    name: str, given: Mapping[str, str], told: dict[str, str], pasted: Pasted | None
) -> str | None:
    """Ask one question until its answer can be understood; None to step back.

    Another kind of gauge, said where the span is asked for, is noted in ``told``.
    """
    units = parse_units(told["units"]) if name != "units" else None
    while True:
        kind = _kind(told)
        question = QUESTIONS[name].format(
            length=units.length if units else "",
            span=_SPANS.get(kind, ""),
            number=_NUMBERS.get(kind, "the dial"),
        )
        said = str(typer.prompt(question, default=told.get(name))).strip()
        if said == BACK:
            return None
        try:
            if name == "units":
                _check_units(said, given, pasted)
            elif name == "span" and units is not None and _plain(said) in GAUGES:
                other = gauge_kind(_plain(said), units.reading)
                if pasted is not None:
                    pasted.rows(units, other)
                told["gauge"] = other
                continue
            else:
                _understood(name, said, units, kind)
        except ShimoptError as error:
            typer.echo(str(error), err=True)
        else:
            return said


def _check_units(said: str, given: Mapping[str, str], pasted: Pasted | None) -> None:
    """Whether the flags and the table can be read in these units."""
    units = parse_units(said)
    kind = _kind({**given, "units": said})
    for name in _IN_LENGTHS:
        if name in given:
            _understood(name, given[name], units, kind)
    if pasted is not None:
        pasted.rows(units, kind)


def _kind(told: Mapping[str, str | None]) -> GaugeKind:
    """The kind of gauge, as far as it is told."""
    said = told.get("units")
    return gauge_kind(told.get("gauge"), parse_units(said).reading if said else "mm")


def _needed(told: Mapping[str, str | None]) -> list[str]:
    """What must be answered for this gauge, in the order it is asked."""
    kind = _kind(told)
    span = [] if kind == "direct-angle" else ["span"]
    sign = ["reference"] if kind == "toe-plate" else ["rising"]
    turn = ["longer"] if sign == ["rising"] and told.get("rising") == NOT_KNOWN else []
    return ["units", *span, *sign, "link", *turn, "above", "below"]


def _understood(name: str, said: str, units: Units | None, kind: GaugeKind = "one-dial") -> Any:
    """An answer as `NewAnswers` takes it; CallError with a remedy where it cannot be."""
    if name == "rising" and said == NOT_KNOWN:
        return said
    if name in _WORDS:
        return _word(name, said)
    if units is not None and name == "span":
        span = parse_length(said, units.length)
        check_span(span, units.length, kind)
        return span
    if units is not None and name in ("above", "below"):
        parse_stack(said, units.length)
    return said


def _word(name: str, said: str) -> str:
    plain = _plain(said)
    if plain not in _WORDS[name]:
        raise CallError(f"{name} is {said!r}", _SAY[name])
    return _WORDS[name][plain]


def _plain(said: str) -> str:
    return "-".join(said.casefold().replace("-", " ").split())


def _pasted(table: Path | None) -> Pasted | None:
    if table is None:
        return None
    if str(table) == "-":
        from optimizer.logbook.paste import PASTED

        if sys.stdin.isatty():
            typer.echo("paste the table, then press Enter and Ctrl-D", err=True)
        try:
            return Pasted(text=sys.stdin.read(), name=PASTED)
        except UnicodeDecodeError as error:
            raise CallError(
                f"the {PASTED} is not UTF-8 text", "save it as CSV UTF-8 and name it with --table"
            ) from error
    try:
        return Pasted(text=held_bytes(table).decode("utf-8-sig"), name=str(table))
    except (OSError, UnicodeDecodeError) as error:
        raise CallError(
            f"{table} cannot be read: {error}", "name a plain text file with the table"
        ) from error
