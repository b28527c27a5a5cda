"""[corner.NAME] of car.toml: one wheel, the hardware of its link, and its goal."""

from __future__ import annotations

import math
import re
from typing import Literal

from optimizer.logbook.faults import BadValueError, Place, alike, listing, quoted
from optimizer.logbook.points import read_points
from optimizer.logbook.table import (
    CORNER_TABLES,
    KEYS,
    MOST_TRAVEL_MM,
    TAPE,
    Table,
    UnitsStated,
    as_number,
    given,
    length_mm,
    toe_deg,
)
from optimizer.logbook.values import THICKEST_SHIM_MM, read_stack
from optimizer.records import (
    Corner,
    Eccentric,
    EccentricKind,
    Goal,
    GoalKind,
    Measured,
    Signs,
    Stack,
    StackEnd,
    StackFace,
    Tape,
    Thread,
    ThreadKind,
    WeightKind,
)
from optimizer.units import to_mm

RAD = math.pi / 180.0

SIDES: tuple[Literal["left", "right"], ...] = ("left", "right")
LINKS: tuple[Literal["ahead", "behind"], ...] = ("ahead", "behind")
ENDS: tuple[StackEnd, ...] = ("outer", "inner")
FACES: tuple[StackFace, ...] = ("clevis", "arm-below", "arm-above")
THREADS: tuple[ThreadKind, ...] = ("both-ends", "one-end", "fixed")
ECCENTRICS: tuple[EccentricKind, ...] = ("slot", "none")
GOALS: tuple[GoalKind, ...] = ("least-change", "toe-at-travel")
WEIGHTS: tuple[WeightKind, ...] = ("flat", "ride-height")
SAME_PITCH_MM = 0.01
# Far outside these nothing is known of a link; README says what the surface was trained on.
TAPE_RANGE_MM = {"length": (100.0, 900.0), "arm": (30.0, 350.0), "rise": (0.0, 540.0)}
LONGEST_USUAL_MM = 500.0
STEEPEST = 0.6  # of the link's length that its rise may be
TARGET = ("at_travel", "toe_change", "tolerance")  # keys of a toe-at-travel goal only


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
        tape=tape,
        points=read_points(
            _part(table, "points"),
            units,
            side=side,
            ahead=None if link is None else link == "ahead",
            tape=tape,
        ),
        stack=_read_stack(_part(table, "stack"), units),
        thread=_read_thread(_part(table, "thread"), units),
        eccentric=_read_eccentric(_part(table, "eccentric"), units, steered=steered),
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


def _read_stack(table: Table | None, units: UnitsStated) -> Stack:
    if table is None:
        return Stack()
    # A face at fault is read as one whose totals are not compared.
    face = table.choice("face", FACES, "arm-below" if table.has("face") else "clevis")
    return Stack(
        end=table.choice("end", ENDS, ENDS[0]),
        face=face,
        box_mm=_read_box(table, units),
        most_shims=table.whole("most_shims", least=1, most=1000),
    )


def _read_box(table: Table, units: UnitsStated) -> tuple[float, ...]:
    """The shims owned, from an array of numbers or a string in stack notation."""
    value = table.raw("shims")
    if value is None:
        return ()
    numbers = [as_number(v) for v in value] if isinstance(value, list) else []
    sizes = [v for v in numbers if v is not None]
    if not isinstance(value, str) and (not isinstance(value, list) or len(sizes) < len(value)):
        table.wrong_type("shims", "a stack or an array of numbers", '"4x1+2x0.5"')
        return ()
    place = table.value_place("shims")
    unit = units.need("length", table.faults, table.doc.source, place)
    if not isinstance(value, str):
        return _sized(table, sizes, unit)
    try:
        return read_stack(value, unit)
    except BadValueError as bad:
        at = Place(place.line, place.column + 1 + bad.offset, bad.width or place.width - 2)
        table.faults.add(bad.code, table.doc.source, at, f"`shims`: {bad.found}", bad.remedy)
        return ()


def _sized(table: Table, sizes: list[float], unit: str | None) -> tuple[float, ...]:
    """Thicknesses in mm, none of them at fault; else no shims at all."""
    for size in sizes:
        if not math.isfinite(size):
            code = "L310"
        elif size < 0.0:
            code = "L405"
        elif unit is not None and to_mm(size, unit) > THICKEST_SHIM_MM:
            code = "L406"
        else:
            continue
        table.fault(
            code,
            "shims",
            f"`shims` holds {size:.6g}",
            f"write thicknesses from 0 to {THICKEST_SHIM_MM:g} mm",
        )
        return ()
    return tuple(size if unit is None else to_mm(size, unit) for size in sizes if size > 0.0)


def _read_thread(table: Table | None, units: UnitsStated) -> Thread:
    if table is None:
        return Thread()
    pitch = table.number("pitch", above=0.0, most=10.0)
    per_inch = table.number("threads_per_inch", least=2.0, most=100.0)
    if table.has("pitch") and table.has("threads_per_inch"):
        table.fault(
            "L217",
            "threads_per_inch",
            "the pitch is stated twice",
            "take `pitch` or `threads_per_inch` out",
        )
    stated = pitch if per_inch is None else 25.4 / per_inch
    sized = _pitch_of_size(table)
    if sized is not None and stated is not None and abs(sized - stated) > SAME_PITCH_MM:
        table.fault(
            "L217",
            "size",
            f"a thread of this size has a pitch of {sized:.4g} mm, not the {stated:.4g} mm stated",
            "mend the size, or take it or the pitch out",
        )
    return Thread(
        kind=table.choice("kind", THREADS, "unknown"),
        pitch_mm=given(sized, stated),
        flats=given(table.whole("flats", least=1, most=12), 6),
        shorter_mm=length_mm(table, "shorter", units, least=0.0),
        longer_mm=length_mm(table, "longer", units, least=0.0),
    )


def _pitch_of_size(table: Table) -> float | None:
    """The pitch of a thread named by its size; None when absent or at fault."""
    typed = table.text("size", "M14x1.5")
    if typed is None:
        return None
    from optimizer.standards import thread_sizes  # a file is read: only where it is needed

    pitches = {size: one.pitch_mm for size, one in thread_sizes().items()}
    # A coarse metric pitch may be written out too.
    pitches |= {f"{n}x{p:g}": p for n, p in pitches.items() if n[0] == "M" and "x" not in n}
    plain = re.sub(r"[\s\"]|UN[CF]$", "", typed.upper().replace("\u00d7", "X").replace(",", "."))
    name = plain.replace("X", "x")
    if name in pitches:
        return pitches[name]
    near = [f'"{size}"' for _, size in alike(name, pitches)[:3]]
    table.fault(
        "L205",
        "size",
        f"no thread of size {quoted(typed)} is known",
        (f"write {listing(near)}; or " if near else "") + "state `pitch` in mm in its place",
    )
    return None


def _read_eccentric(table: Table | None, units: UnitsStated, *, steered: bool) -> Eccentric:
    # Most steered axles have no movable inner pivot; unsteered ones mostly do.
    default: EccentricKind = "none" if steered else "slot"
    if table is None:
        return Eccentric(kind=default)
    return Eccentric(
        kind=table.choice("kind", ECCENTRICS, default),
        mm_per_mark=length_mm(table, "per_mark", units, above=0.0),
        inboard_left_mm=length_mm(table, "inboard_left", units, least=0.0),
        outboard_left_mm=length_mm(table, "outboard_left", units, least=0.0),
    )


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
    sd_mm = length_mm(table, "weight_sd", units, "travel", above=0.0)
    tolerance_deg = toe_deg(table, "tolerance", units, above=0.0)
    return Goal(
        kind=kind,
        window_mm=_read_window(table, units, signs) or own.window_mm,
        weight=weight,
        weight_sd_mm=given(sd_mm, own.weight_sd_mm) if near else None,
        at_travel_mm=_signed(at_mm, signs.travel, own.at_travel_mm) if aimed else None,
        toe_change_deg=_signed(change_deg, signs.toe, own.toe_change_deg) if aimed else None,
        tolerance_deg=given(tolerance_deg, own.tolerance_deg) if aimed else None,
        worthwhile_deg=given(toe_deg(table, "worthwhile", units, above=0.0), own.worthwhile_deg),
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
