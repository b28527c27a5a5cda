"""[corner.NAME] of car.toml: one wheel, the hardware of its link, and its goal."""

from __future__ import annotations

import math
from typing import Literal

from optimizer.logbook.faults import quoted
from optimizer.logbook.goal import read_goal
from optimizer.logbook.hardware import (
    read_eccentric,
    read_joint,
    read_stack_table,
    read_stud,
    read_thread,
)
from optimizer.logbook.points import read_points
from optimizer.logbook.table import (
    CORNER_TABLES,
    KEYS,
    TAPE,
    Table,
    UnitsStated,
    given,
    length_mm,
)
from optimizer.records import Corner, LinkRole, Measured, Signs, SuspensionKind, Tape

RAD = math.pi / 180.0

SIDES: tuple[Literal["left", "right"], ...] = ("left", "right")
LINKS: tuple[Literal["ahead", "behind"], ...] = ("ahead", "behind")
SUSPENSIONS: tuple[SuspensionKind, ...] = ("independent", "solid-axle", "twist-beam")
ROLES: tuple[LinkRole, ...] = ("toe-only", "one-of-two", "camber-too")
# Far outside these nothing is known of a link; README says what the surface was trained on.
TAPE_RANGE_MM = {"length": (100.0, 900.0), "arm": (30.0, 350.0), "rise": (0.0, 540.0)}
LONGEST_USUAL_MM = 500.0
STEEPEST = 0.6  # of the link's length that its rise may be


def corner_tables(root: Table) -> dict[str, Table]:
    """Return the tables [corner.NAME] by name, in file order."""
    corners = root.table("corner", tables=None)
    if corners is None:
        if not root.has("corner"):
            _no_corner(root)
        return {}
    tables: dict[str, Table] = {}
    for name in corners.names:
        if isinstance(corners.raw(name), dict):
            table = corners.table(name, KEYS["[corner.NAME]"], CORNER_TABLES)
            if table is not None:
                tables[name] = table
        else:
            corners.fault(
                "L204",
                name,
                f"{quoted(name)} must stand in the table of a named corner",
                "write `[corner.rear-left]`, with the corner's own name, above it",
            )
    if not corners.names:
        _no_corner(corners)
    return tables


def _no_corner(table: Table) -> None:
    table.lacks(
        "L212",
        "there is no corner",
        'add `[corner.rear-left]` with `link = "ahead"` or `link = "behind"` below it',
    )


def side_of(name: str) -> Literal["left", "right"] | None:
    """Return the side that a corner's name tells; None when it tells none, or both."""
    told = [side for side in SIDES if side in name.casefold()]
    return told[0] if len(told) == 1 else None


def read_corner(table: Table, name: str, units: UnitsStated, signs: Signs) -> Corner:
    """Read one corner; what is at fault gets its default."""
    if not table.has("link"):
        table.lacks(
            "L208",
            f"{quoted(name)} does not say where its link is",
            'add `link = "ahead"` if the outer joint is ahead of the line through the upper and '
            'lower pivots, else "behind"',
        )
    steered = given(table.flag("steered"), False)
    side = _read_side(table, name)
    link = table.choice("link", LINKS, None)
    tape = _read_tape(_part(table, "tape"), units)
    return Corner(
        name=name,
        side=side or SIDES[0],
        ahead=link != "behind",
        steered=steered,
        suspension=table.choice("suspension", SUSPENSIONS, SUSPENSIONS[0]),
        role=table.choice("role", ROLES, ROLES[0]),
        motion_ratio=table.number("motion_ratio", above=0.0, most=3.0),
        tape=tape,
        points=read_points(
            _part(table, "points"),
            units,
            side=side,
            ahead=None if link is None else link == "ahead",
            tape=tape,
        ),
        stack=read_stack_table(_part(table, "stack"), units),
        thread=read_thread(_part(table, "thread"), units),
        joint=read_joint(_part(table, "joint"), units),
        stud=read_stud(_part(table, "stud"), units),
        eccentric=read_eccentric(_part(table, "eccentric"), units, signs, steered=steered),
        goal=read_goal(_part(table, "goal"), units, signs),
        reference_run=table.text("reference_run", "run1"),
        current_run=table.text("current_run", "run1"),
    )


def _part(table: Table, key: str) -> Table | None:
    return table.table(key, KEYS[f"[corner.NAME.{key}]"])


def _read_side(table: Table, name: str) -> Literal["left", "right"] | None:
    """The side, or None once it is at fault."""
    if table.has("side"):
        return table.choice("side", SIDES, None)
    side = side_of(name)
    if side is None:
        table.lacks(
            "L214",
            f"the name {quoted(name)} does not tell its side",
            'add `side = "left"` or `side = "right"`',
        )
    return side


def _read_tape(table: Table | None, units: UnitsStated) -> Tape:
    if table is None:
        return Tape()
    for key in TAPE:
        extra = f"{key}_give_or_take"
        if table.has(extra) and not table.has(key):
            table.fault("L208", extra, f"`{extra}` stands without `{key}`", f"add `{key} = `")
    length = _tape_length(table, "length", units, share=0.01)
    return Tape(
        length_mm=length,
        arm_mm=_tape_length(table, "arm", units, share=0.03),
        rise_mm=_tape_rise(table, units, length),
        lean_in_rad_per_mm=_tape_angle(table, "lean_in", RAD / 25.0, sd=5e-5, most_deg=5.0),
        stud_lean_rad=_tape_angle(table, "stud_lean", RAD, sd=RAD, most_deg=90.0),
    )


def _tape_length(
    table: Table, key: str, units: UnitsStated, *, share: float = 0.0, sd_mm: float = 0.0
) -> Measured | None:
    """A tape length; its standard deviation is half the give-or-take, or the default."""
    value = length_mm(table, key, units, above=0.0 if share else None)
    half_range = length_mm(table, f"{key}_give_or_take", units, above=0.0)
    if value is None:
        return None
    low, high = TAPE_RANGE_MM[key]
    if not low <= abs(value) <= high:
        table.fault(
            "L313",
            key,
            f"{quoted(key)} comes to {value:.4g} mm; those known are from {low:g} to {high:g} mm",
            "mend the number, or its unit: `length` under [units]",
        )
        return None
    default = share * value if share else sd_mm
    return Measured(value=value, sd=default if half_range is None else half_range / 2.0)


def _tape_rise(table: Table, units: UnitsStated, length: Measured | None) -> Measured | None:
    """The rise, held against the length, or the longest usual one where none is stated."""
    rise = _tape_length(table, "rise", units, sd_mm=4.0)
    against_mm = LONGEST_USUAL_MM if length is None else length.value
    if rise is None or abs(rise.value) < STEEPEST * against_mm:
        return rise
    table.fault(
        "L221",
        "rise",
        f"a rise of {abs(rise.value):.4g} mm does not fit a link of {against_mm:.4g} mm",
        f"measure both again; the rise is the height of the outer joint above the inner one, "
        f"under {STEEPEST:g} of the length",
    )
    return None


def _tape_angle(
    table: Table, key: str, factor: float, *, sd: float, most_deg: float
) -> Measured | None:
    value = table.number(key, least=-most_deg, most=most_deg)
    half_range = table.number(f"{key}_give_or_take", above=0.0, most=most_deg)
    if value is None:
        return None
    return Measured(
        value=value * factor, sd=sd if half_range is None else half_range * factor / 2.0
    )
