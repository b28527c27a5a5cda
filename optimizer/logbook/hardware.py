"""The hardware of a corner in car.toml: shims, thread, joint, stud and eccentric."""

from __future__ import annotations

import math
import re
from itertools import pairwise
from typing import TYPE_CHECKING

from optimizer.logbook.faults import BadValueError, Place, alike, listing, quoted
from optimizer.logbook.table import (
    MOST_TOE_DEG,
    Table,
    UnitsStated,
    as_number,
    given,
    length_mm,
)
from optimizer.logbook.values import THICKEST_SHIM_MM, read_stack
from optimizer.records import (
    Eccentric,
    EccentricKind,
    JointStud,
    Measured,
    ShimmedJoint,
    Signs,
    Stack,
    StackFace,
    Thread,
    ThreadKind,
)
from optimizer.units import to_deg, to_mm

if TYPE_CHECKING:
    from optimizer.standards import ThreadSize

ENDS = ("outer", "inner", "rack")
FACES: tuple[StackFace, ...] = ("clevis", "arm-below", "arm-above")
THREADS: tuple[ThreadKind, ...] = ("both-ends", "one-end", "fixed")
ECCENTRICS: tuple[EccentricKind, ...] = ("slot", "cam-in-slot", "free-cam", "marks", "none")
LIFTS = ("up", "down")
CLASSES = ("8.8", "10.9", "12.9")
SAME_PITCH_MM = 0.01
# ISO 261 lists none finer (from memory)
FINEST_PITCH_MM = 0.2
SAME_BORE_MM = 0.05
TILT_SD_DEG = 1.0
MOST_TILT_DEG = 45.0


def read_stack_table(table: Table | None, units: UnitsStated) -> Stack:
    if table is None:
        return Stack()
    # A face at fault is read as one whose totals are not compared.
    face = table.choice("face", FACES, "arm-below" if table.has("face") else "clevis")
    end = table.choice("end", ENDS, ENDS[0])
    return Stack(
        end="outer" if end == "outer" else "inner",
        rack=end == "rack",
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


def read_thread(table: Table | None, units: UnitsStated) -> Thread:
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
    if pitch is not None and pitch < FINEST_PITCH_MM:
        meant = round(1.0 / pitch)
        inches = f", or `threads_per_inch = {meant}` for it" if 2 <= meant <= 100 else ""
        table.fault(
            "L313",
            "pitch",
            f"a pitch of {pitch:g} mm is finer than any thread of a link",
            f"write the pitch in millimetres{inches}",
        )
        pitch = None
    stated = pitch if per_inch is None else 25.4 / per_inch
    size = _size_of_thread(table)
    if size is not None and stated is not None and abs(size.pitch_mm - stated) > SAME_PITCH_MM:
        table.fault(
            "L217",
            "size",
            f"a thread of this size has a pitch of {size.pitch_mm:.4g} mm, not the "
            f"{stated:.4g} mm stated",
            "mend the size, or take it or the pitch out",
        )
    return Thread(
        kind=table.choice("kind", THREADS, "unknown"),
        pitch_mm=stated if size is None else size.pitch_mm,
        diameter_mm=None if size is None else size.major_mm,
        flats=given(table.whole("flats", least=1, most=12), 6),
        shorter_mm=length_mm(table, "shorter", units, least=0.0),
        longer_mm=length_mm(table, "longer", units, least=0.0),
        engaged_inner_mm=length_mm(table, "engaged_inner", units, least=0.0),
        engaged_outer_mm=length_mm(table, "engaged_outer", units, least=0.0),
        least_engaged_mm=length_mm(table, "least_engaged", units, above=0.0),
    )


def _size_of_thread(table: Table) -> ThreadSize | None:
    """The thread named by its size; None when absent or at fault."""
    typed = table.text("size", "M14x1.5")
    if typed is None:
        return None
    from optimizer.standards import thread_sizes  # a file is read: only where it is needed

    sizes = thread_sizes()
    # A coarse metric pitch may be written out too.
    sizes |= {f"{n}x{t.pitch_mm:g}": t for n, t in sizes.items() if n[0] == "M" and "x" not in n}
    plain = re.sub(r"[\s\"]|UN[CF]$", "", typed.upper().replace("\u00d7", "X").replace(",", "."))
    name = plain.replace("X", "x")
    if name in sizes:
        return sizes[name]
    near = [f'"{size}"' for _, size in alike(name, sizes)[:3]]
    other = "take `size` out" if table.path[-1] != "thread" else "state `pitch` in mm in its place"
    table.fault(
        "L205",
        "size",
        f"no thread of size {quoted(typed)} is known",
        (f"write {listing(near)}; or " if near else "") + other,
    )
    return None


def read_joint(table: Table | None, units: UnitsStated) -> ShimmedJoint:
    """Read the rod end at the shimmed joint; a bore of the tables gives width and tilt."""
    if table is None:
        return ShimmedJoint()
    width = length_mm(table, "width", units, above=0.0, most_mm=100.0)
    allowed = table.number("allowed_tilt", above=0.0, most=MOST_TILT_DEG)
    bore = length_mm(table, "bore", units, above=0.0, most_mm=100.0)
    if bore is not None:
        from optimizer.standards import rod_ends

        known = {one.bore_mm: one for one in rod_ends()}
        one = next((k for b, k in known.items() if abs(b - bore) < SAME_BORE_MM), None)
        if one is not None:
            width, allowed = given(width, one.ball_width_mm), given(allowed, one.tilt_deg)
        elif width is None or allowed is None:
            table.fault(
                "L205",
                "bore",
                f"no rod end of bore {bore:.4g} mm is in the table",
                f"the table has {listing([f'{b:g}' for b in known], 'and')} mm; for another, "
                "state `width` and `allowed_tilt` from its maker",
            )
    tilt = table.number("tilt", least=-MOST_TILT_DEG, most=MOST_TILT_DEG)
    half_range = table.number("tilt_give_or_take", above=0.0, most=MOST_TILT_DEG)
    sd = TILT_SD_DEG if half_range is None else half_range / 2.0
    return ShimmedJoint(
        bore_mm=bore,
        width_mm=width,
        allowed_deg=allowed,
        clocked_off_deg=given(
            table.number("clocked_off", least=-MOST_TILT_DEG, most=MOST_TILT_DEG), 0.0
        ),
        tilt_deg=None if tilt is None else Measured(value=tilt, sd=sd),
    )


def read_stud(table: Table | None, units: UnitsStated) -> JointStud:
    """Read the stud or bolt of the shimmed joint."""
    if table is None:
        return JointStud()
    size = _size_of_thread(table)
    return JointStud(
        size=None if size is None else size.designation,
        property_class=table.choice("class", CLASSES, None),
        length_mm=length_mm(table, "length", units, above=0.0, most_mm=300.0),
        nut_mm=length_mm(table, "nut", units, above=0.0, most_mm=60.0),
        spacer_mm=given(length_mm(table, "spacer", units, least=0.0, most_mm=100.0), 0.0),
        shank_mm=length_mm(table, "shank", units, above=0.0, most_mm=60.0),
        load_n=table.number("load", above=0.0, most=100_000.0),
        least_showing_mm=length_mm(table, "least_showing", units, least=0.0, most_mm=60.0),
        tapered=given(table.flag("tapered"), False),
    )


def read_eccentric(
    table: Table | None, units: UnitsStated, signs: Signs, *, steered: bool
) -> Eccentric:
    """Read the movable inner pivot."""
    # Most steered axles have no movable inner pivot; unsteered ones mostly do.
    default: EccentricKind = "none" if steered else "slot"
    if table is None:
        return Eccentric(kind=default)
    kind = table.choice("kind", ECCENTRICS, default)
    _check_kind(table, kind)
    return Eccentric(
        kind=kind,
        mm_per_mark=length_mm(table, "per_mark", units, above=0.0, least_mm=0.02, most_mm=20.0),
        inboard_left_mm=length_mm(table, "inboard_left", units, least=0.0),
        outboard_left_mm=length_mm(table, "outboard_left", units, least=0.0),
        throw_mm=length_mm(table, "throw", units, above=0.0, most_mm=60.0),
        deg_per_mark=table.number("degrees_per_mark", above=0.0, most=90.0),
        angle_deg=given(table.number("angle", least=-90.0, most=90.0), 0.0),
        lifts=-1 if table.choice("lifts", LIFTS, LIFTS[0]) == "down" else 1,
        toe_at_marks=tuple((m, t * signs.toe) for m, t in _read_marks(table, units)),
    )


def _check_kind(table: Table, kind: EccentricKind) -> None:
    """What a kind needs, and what would do nothing with it."""
    cam = ("throw", "degrees_per_mark", "angle", "lifts")
    idle = {
        "slot": (*cam, "toe_at_marks"),
        "cam-in-slot": ("toe_at_marks", "lifts", "per_mark"),
        "free-cam": ("toe_at_marks", "per_mark"),
        "marks": (*cam, "per_mark"),
        "none": (),
    }[kind]
    there = [key for key in idle if table.has(key)]
    if there:
        table.fault(
            "L217",
            there[0],
            f'{listing(there, "and")} would do nothing with `kind = "{kind}"`',
            f"mend `kind`, or take {'it' if len(there) == 1 else 'them'} out",
        )
    if kind == "marks" and not table.has("toe_at_marks"):
        table.lacks(
            "L208",
            '`kind = "marks"` needs `toe_at_marks`',
            "add `toe_at_marks = [[0, 0.1], [2, 0.35]]`: static toe read at two marks or more",
        )


def _read_marks(table: Table, units: UnitsStated) -> tuple[tuple[float, float], ...]:
    """Measured static toe at marks, in the crew's own sign of toe; by rising mark."""
    value = table.raw("toe_at_marks")
    if value is None:
        return ()
    pairs = [_pair(row) for row in value] if isinstance(value, list) else []
    if len(pairs) < 2 or None in pairs:
        table.wrong_type(
            "toe_at_marks", "two pairs or more of mark and toe", "[[0, 0.1], [2, 0.35]]"
        )
        return ()
    unit = units.need("toe", table.faults, table.doc.source, table.value_place("toe_at_marks"))
    if unit is None:
        return ()
    rows = sorted((mark, to_deg(toe, unit)) for mark, toe in (p for p in pairs if p is not None))
    marks = [mark for mark, _ in rows]
    if len(set(marks)) < len(marks):
        table.fault("L217", "toe_at_marks", "a mark stands twice", "give each mark one toe")
        return ()
    if any(abs(toe) > MOST_TOE_DEG for _, toe in rows):
        table.absurd("toe_at_marks", "a toe past 10 degrees", "toe")
        return ()
    steps = [b[1] - a[1] for a, b in pairwise(rows)]
    if not (all(s > 0.0 for s in steps) or all(s < 0.0 for s in steps)):
        table.fault(
            "L217",
            "toe_at_marks",
            "toe does not go one way as the marks count up",
            "read each mark again after tightening; past the cam's dead point no mark is of use",
        )
        return ()
    return tuple(rows)


def _pair(row: object) -> tuple[float, float] | None:
    numbers = [as_number(v) for v in row] if isinstance(row, list) else []
    kept = [v for v in numbers if v is not None and math.isfinite(v)]
    return (kept[0], kept[1]) if len(numbers) == len(kept) == 2 else None
