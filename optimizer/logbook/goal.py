"""A goal typed on the command line, read as car.toml's own [corner.NAME.goal] is."""

from __future__ import annotations

import re

from optimizer.errors import CallError
from optimizer.logbook.corner import read_goal
from optimizer.logbook.faults import Faults, source_of
from optimizer.logbook.table import KEYS, Table, UnitsStated
from optimizer.logbook.toml_doc import read_toml
from optimizer.records import Goal, Logbook

_PAIR = re.compile(r"\s*([A-Za-z_]+)\s*=\s*(\[[^\]]*\]|\"[^\"]*\"|[^\s,;]+)\s*[,;]?")
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_EXAMPLE = 'write pairs, such as "kind=toe-at-travel at_travel=-40 toe_change=0.2"'


def parse_goal(text: str, book: Logbook, corner_name: str) -> Goal:
    """Read ``key=value`` pairs, same keys and units as a corner's goal in car.toml.

    They take the place of those keys of the corner's own goal; the rest of it stays,
    but for what belongs to a kind or a weight that is given up.

    Raises
    ------
    CallError
        With every fault and its remedy.
    """
    if not text.strip():
        raise CallError("--goal is empty", f"{_EXAMPLE}, or leave --goal out")
    lines, at = ["[goal]"], 0
    while at < len(text.rstrip()):
        pair = _PAIR.match(text, at)
        if pair is None:
            raise CallError(f"the goal is not understood from {text[at:].strip()!r} on", _EXAMPLE)
        lines.append(f"{pair[1]} = {_toml_value(pair[2])}")
        at = pair.end()
    faults = Faults()
    goal = None
    doc = read_toml(source_of("--goal", "\n".join(lines)), faults)
    if doc is not None:
        units = book.units
        stated = UnitsStated({"travel": units.travel, "length": units.length, "toe": units.toe}, {})
        data = doc.data["goal"]
        if isinstance(data, dict):
            keys = KEYS["[corner.NAME.goal]"]
            table = Table(doc, ("goal",), data, faults, keys=keys)
            goal = read_goal(table, stated, book.signs, book.corners[corner_name].goal)
    if goal is None or len(faults):
        said = "; ".join(p.found for p in faults.ordered())
        raise CallError(f"--goal: {said}", "; ".join(p.remedy for p in faults.ordered()))
    return goal


def _toml_value(typed: str) -> str:
    """A value as TOML writes it: numbers in any notation, words in quotes."""
    if _NUMBER.fullmatch(typed):
        return repr(float(typed))
    return typed if typed[0] in '["' else f'"{typed}"'
