"""[corner.NAME.goal] of car.toml, and a goal typed on the command line in the same keys."""

from __future__ import annotations

import re

from optimizer.errors import CallError
from optimizer.logbook.faults import Faults, listing, nearest, quoted, source_of
from optimizer.logbook.table import (
    KEYS,
    MOST_TRAVEL_MM,
    Table,
    UnitsStated,
    as_number,
    given,
    length_mm,
    toe_deg,
)
from optimizer.logbook.toml_doc import read_toml
from optimizer.records import (
    Goal,
    GoalKind,
    Logbook,
    MeasureKind,
    Signs,
    TravelSide,
    WeightKind,
    WishKind,
)
from optimizer.units import to_mm

GOALS: tuple[GoalKind, ...] = ("least-change", "toe-at-travel")
MEASURES: tuple[MeasureKind, ...] = ("rms", "peak-to-peak")
WISHES: tuple[WishKind, ...] = ("never-toe-out", "toe-at-travel", "most-change", "least-change")
TRAVEL_SIDES: tuple[TravelSide, ...] = ("droop", "bump", "both")
WEIGHTS: tuple[WeightKind, ...] = ("flat", "ride-height", "logged")
TARGET = ("at_travel", "toe_change", "tolerance")  # keys of a toe-at-travel goal only
_PAIR = r"\s*([A-Za-z_]+)\s*=\s*(\[[^\]]*\]|\"[^\"]*\"|[^\s,;]+)\s*[,;]?"
_BARE_WORD = r'(?<![\w"-])([A-Za-z][\w-]*)(?!["\w-])'
_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
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
        pair = re.compile(_PAIR).match(text, at)
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
    if re.fullmatch(_NUMBER, typed):
        return repr(float(typed))
    if typed[0] == "[":
        return re.sub(_BARE_WORD, r'"\1"', typed)
    return typed if typed[0] == '"' else f'"{typed}"'


def read_goal(
    table: Table | None, units: UnitsStated, signs: Signs, own: Goal | None = None
) -> Goal:
    """Read the table of a goal; what it does not state is that of ``own``, or the default."""
    own = own or Goal()
    if table is None:
        return own
    # A word at fault is read as the one that leaves nothing to contradict.
    kind = table.choice("kind", GOALS, GOALS[1] if table.has("kind") else own.kind)
    weight = table.choice("weight", WEIGHTS, WEIGHTS[1] if table.has("weight") else own.weight)
    aimed, near = kind == "toe-at-travel", weight == "ride-height"
    if aimed and table.raw("kind") == kind:
        _check_target(table, own)
    if not aimed:
        _idle(table, TARGET, 'kind = "least-change"', 'kind = "toe-at-travel"')
    if not near:
        _idle(table, ("weight_sd",), 'weight = "flat"', 'weight = "ride-height"')
    at_mm = length_mm(table, "at_travel", units, "travel", most_mm=MOST_TRAVEL_MM)
    change_deg = toe_deg(table, "toe_change", units)
    sd_mm = length_mm(table, "weight_sd", units, "travel", above=0.0, least_mm=1.0)
    tolerance_deg = toe_deg(table, "tolerance", units, above=0.0)
    most_change_deg = toe_deg(table, "most_change", units, above=0.0)
    measure = table.choice("measure", MEASURES, own.measure)
    if measure == "peak-to-peak" and table.raw("weight") != "flat":
        _idle(table, ("weight",), 'measure = "peak-to-peak"', 'measure = "rms"')
    goal = Goal(
        kind=kind,
        measure=measure,
        never_toe_out=table.choice("never_toe_out", TRAVEL_SIDES, own.never_toe_out),
        most_change_deg=given(most_change_deg, own.most_change_deg),
        order=_read_order(table) or own.order,
        window_mm=_read_window(table, units, signs) or own.window_mm,
        weight=weight,
        weight_sd_mm=given(sd_mm, own.weight_sd_mm) if near else None,
        at_travel_mm=_signed(at_mm, signs.travel, own.at_travel_mm) if aimed else None,
        toe_change_deg=_signed(change_deg, signs.toe, own.toe_change_deg) if aimed else None,
        tolerance_deg=given(tolerance_deg, own.tolerance_deg) if aimed else None,
        worthwhile_deg=given(toe_deg(table, "worthwhile", units, above=0.0), own.worthwhile_deg),
    )
    _check_order(table, goal)
    return goal


def _check_order(table: Table, goal: Goal) -> None:
    """A wish that the order names must be stated."""
    lacking = {
        "never-toe-out": ("never_toe_out", goal.never_toe_out is None),
        "most-change": ("most_change", goal.most_change_deg is None),
        "toe-at-travel": ("tolerance", goal.tolerance_deg is None),
    }
    for wish in goal.order if table.has("order") else ():
        key, missing = lacking.get(wish, ("", False))
        if missing and not table.has(key):
            also = ' and `kind = "toe-at-travel"`' if goal.kind == "least-change" else ""
            also = also if key == "tolerance" else ""
            table.fault(
                "L208",
                "order",
                f"`order` names {quoted(wish)}, and `{key}` is not stated",
                f"add `{key} = `{also}, or take {quoted(wish)} out of `order`",
            )


def _signed(value: float | None, sign: int, own: float | None) -> float | None:
    """A stated value in the tool's sign, else the one that stood before."""
    return own if value is None else value * sign + 0.0


def _check_target(table: Table, own: Goal) -> None:
    """A toe wanted at a travel needs both."""
    for key, stood in (("at_travel", own.at_travel_mm), ("toe_change", own.toe_change_deg)):
        if not table.has(key) and stood is None:
            table.lacks("L208", f'`kind = "toe-at-travel"` needs `{key}`', f"add `{key} = `")


def _idle(table: Table, keys: tuple[str, ...], now: str, needed: str) -> None:
    """Keys that would change nothing: whoever wrote them wanted something else."""
    there = [key for key in keys if table.has(key)]
    if there:
        table.fault(
            "L217",
            there[0],
            f"{listing(there, 'and')} would do nothing with `{now}`",
            f"write `{needed}`, or take {'it' if len(there) == 1 else 'them'} out",
        )


def _read_window(table: Table, units: UnitsStated, signs: Signs) -> tuple[float, float] | None:
    """The travel that counts, droop first, once the crew's sign is taken out."""
    value = table.raw("window")
    if value is None:
        return None
    numbers = [as_number(v) for v in value] if isinstance(value, list) else []
    ends = [v for v in numbers if v is not None]
    if len(ends) != 2 or len(numbers) != 2:
        table.wrong_type("window", "two numbers", "[-50, 50]")
        return None
    unit = units.need("travel", table.faults, table.doc.source, table.value_place("window"))
    if unit is None:
        return None
    low, high = sorted(to_mm(v, unit) * signs.travel for v in ends)
    if not max(abs(low), abs(high)) <= MOST_TRAVEL_MM:
        table.absurd("window", f"{low:.4g} to {high:.4g} mm", "travel")
    elif not low < 0.0 < high:
        table.fault(
            "L213",
            "window",
            "the window must reach from droop to bump, with ride height inside",
            "write `window = [-50, 50]`: one end below 0, the other above",
        )
    else:
        return low, high
    return None


def _read_order(table: Table) -> tuple[WishKind, ...]:
    """The wishes in the crew's order; empty where none is stated or it is at fault."""
    value = table.raw("order")
    if value is None:
        return ()
    example = '["never-toe-out", "least-change"]'
    if not isinstance(value, list) or not all(isinstance(word, str) for word in value):
        table.wrong_type("order", "a list of words", example)
        return ()
    out: list[WishKind] = []
    for word in value:
        wish = next((w for w in WISHES if w == word), None)
        if wish is None:
            near = nearest(word, WISHES)
            table.fault(
                "L205",
                "order",
                f"`order` cannot hold {quoted(word)}",
                (f'write `"{near}"`; ' if near else "") + f"allowed are {listing(WISHES, 'and')}",
            )
            return ()
        if wish in out:
            table.fault("L217", "order", f"`order` names {quoted(word)} twice", "name it once")
            return ()
        out.append(wish)
    return tuple(out)
