"""[corner.NAME.points] of car.toml: hard points, and whether they can be a suspension at all."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from itertools import combinations
from typing import Literal

from optimizer.logbook.faults import quoted
from optimizer.logbook.table import POINTS, Table, UnitsStated, as_number, length_mm
from optimizer.records import Measured, MeasuredPoints, Point, Tape
from optimizer.units import to_mm

DEFAULT_SD_MM = 1.0
MOST_GIVE_OR_TAKE_MM = 100.0
FARTHEST_ORIGIN_MM = 20_000.0
NEAREST_MM = 5.0  # two joints cannot be closer
REACH_MM = (60.0, 1500.0)  # of the farthest point from the middle of them all
CONTRADICTION_SD = 4.0

# (axis, the point that has more of it, the one that has less), on the left side
ORDER = (
    (1, "lower_ball_joint", "lower_front_pivot"),
    (1, "lower_ball_joint", "lower_rear_pivot"),
    (1, "upper_ball_joint", "upper_front_pivot"),
    (1, "upper_ball_joint", "upper_rear_pivot"),
    (1, "link_outer_joint", "link_inner_joint"),
    (1, "wheel_centre", "lower_front_pivot"),
    (1, "wheel_centre", "lower_rear_pivot"),
    (0, "lower_front_pivot", "lower_rear_pivot"),
    (0, "upper_front_pivot", "upper_rear_pivot"),
    (2, "upper_ball_joint", "lower_ball_joint"),
)
AXES = (
    ("x", "ahead of", "x grows forward"),
    ("y", "outboard of", "y grows to the car's left, on a right-hand corner too"),
    ("z", "above", "z grows upwards"),
)

Places = Mapping[str, Point]


def read_points(
    table: Table | None,
    units: UnitsStated,
    *,
    side: Literal["left", "right"] | None,
    ahead: bool | None,
    tape: Tape,
) -> MeasuredPoints | None:
    """Read hard points; None when there are none or any is at fault.

    Parameters
    ----------
    table : [corner.NAME.points], if there is one
    side : of the corner; None when in doubt, so that places are not judged
    ahead : what the corner says of its link; None when in doubt
    tape : tape values that the points must not contradict

    Returns
    -------
    Points in mm; those of a right-hand corner are carried across to the left.
    """
    if table is None or not table.names:
        return None
    if not any(table.has(key) for key in POINTS):
        table.fault(
            "L208",
            "give_or_take",
            "`give_or_take` stands without any hard point",
            "add the points, or take it out",
        )
        return None
    for key in POINTS:
        if not table.has(key):
            table.lacks(
                "L218",
                f"the hard points lack {quoted(key)}",
                f"add `{key} = [x, y, z]`; without all nine, take [corner.NAME.points] out",
            )
    places = {
        key: place
        for key in POINTS
        if table.has(key) and (place := _read_place(table, key, units)) is not None
    }
    half_range = length_mm(table, "give_or_take", units, above=0.0, most_mm=MOST_GIVE_OR_TAKE_MM)
    if len(places) < len(POINTS):
        return None
    if side == "right":
        places = {key: (x, -y, z) for key, (x, y, z) in places.items()}
    points = MeasuredPoints(
        **{f"{key}_mm": place for key, place in places.items()},
        sd_mm=DEFAULT_SD_MM if half_range is None else half_range / 2.0,
    )
    if side is not None and not _in_place(table, places):
        return None
    if side is not None and not _agrees(table, places, ahead, tape, points.sd_mm):
        return None
    return points


def _read_place(table: Table, key: str, units: UnitsStated) -> Point | None:
    value = table.raw(key)
    numbers = [as_number(v) for v in value] if isinstance(value, list) else []
    given = [v for v in numbers if v is not None]
    if len(given) != 3 or len(numbers) != 3:
        table.wrong_type(key, "three numbers: x, y and z", "[-10, 690, 190]")
        return None
    if not all(math.isfinite(v) for v in given):
        table.fault("L310", key, f"{quoted(key)} is not finite", "write three numbers")
        return None
    unit = units.need("length", table.faults, table.doc.source, table.value_place(key))
    if unit is None:
        return None
    x, y, z = (to_mm(v, unit) for v in given)
    far = max(abs(x), abs(y), abs(z))
    if far > FARTHEST_ORIGIN_MM:
        table.absurd(key, f"{far:.4g} mm", "length")
        return None
    return x, y, z


def _in_place(table: Table, places: Places) -> bool:
    """Say whether the points can be a corner; note the first thing that speaks against it."""
    middle = [sorted(p[axis] for p in places.values())[len(places) // 2] for axis in range(3)]
    away = {key: math.dist(place, middle) for key, place in places.items()}
    farthest = max(away, key=lambda key: away[key])
    if away[farthest] > REACH_MM[1]:
        table.absurd(farthest, f"{away[farthest]:.4g} mm from the middle of the points", "length")
        return False
    if away[farthest] < REACH_MM[0]:
        table.lacks(
            "L313",
            f"all hard points lie within {away[farthest]:.3g} mm, which is absurd",
            "mend the numbers, or their unit: `length` under [units]",
        )
        return False
    for one, other in combinations(POINTS, 2):
        apart = math.dist(places[one], places[other])
        if apart < NEAREST_MM:
            table.fault(
                "L219",
                other,
                f"{quoted(other)} is {apart:.3g} mm from {quoted(one)}",
                "measure both again: two joints cannot share a place",
            )
            return False
    return _in_order(table, places)


def _in_order(table: Table, places: Places) -> bool:
    for axis, (letter, relation, grows) in enumerate(AXES):
        pairs = [(more, less) for at, more, less in ORDER if at == axis]
        wrong = [(m, n) for m, n in pairs if places[m][axis] <= places[n][axis]]
        if not wrong:
            continue
        more, less = wrong[0]
        every = len(wrong) == len(pairs)
        table.fault(
            "L220",
            more,
            f"{quoted(more)} is not {relation} {quoted(less)}",
            f"turn the sign of every {letter}: {grows}"
            if every
            else f"mend the {letter} of one of them: {grows}",
        )
        return False
    return True


def _agrees(table: Table, places: Places, ahead: bool | None, tape: Tape, sd_mm: float) -> bool:
    """Say whether the points bear out what else is said of the link."""
    arm = _arm_mm(places)
    if ahead is not None and (arm > 0.0) != ahead:
        found, said = ("ahead", "behind") if arm > 0.0 else ("behind", "ahead")
        table.fault(
            "L217",
            "link_outer_joint",
            f'the points put the link {abs(arm):.3g} mm {found}, but the corner says "{said}"',
            f'write `link = "{found}"`, or mend the points: x grows forward',
        )
        return False
    for key, points_mm, measured in _taped(places, arm, tape):
        apart = abs(points_mm - measured.value)
        if apart > CONTRADICTION_SD * math.hypot(measured.sd, 2.0**0.5 * sd_mm):
            table.fault(
                "L217",
                "link_outer_joint",
                f"the points give {quoted(key)} {points_mm:.4g} mm, the tape "
                f"{measured.value:.4g} mm",
                "measure both again, or widen the give_or_take of the worse one",
            )
            return False
    return True


def _arm_mm(places: Places) -> float:
    """Arm of the link, plus ahead: square to it in plan, to the line through the ball joints."""
    outer, inner = places["link_outer_joint"], places["link_inner_joint"]
    low, up = places["lower_ball_joint"], places["upper_ball_joint"]
    share = (outer[2] - low[2]) / (up[2] - low[2])
    off = [outer[i] - low[i] - share * (up[i] - low[i]) for i in (0, 1)]
    plan = [outer[i] - inner[i] for i in (0, 1)]
    return (off[0] * plan[1] - off[1] * plan[0]) / math.hypot(*plan)


def _taped(places: Places, arm: float, tape: Tape) -> Iterator[tuple[str, float, Measured]]:
    outer, inner = places["link_outer_joint"], places["link_inner_joint"]
    if tape.length_mm is not None:
        yield "length", math.dist(outer, inner), tape.length_mm
    if tape.arm_mm is not None:
        yield "arm", abs(arm), tape.arm_mm
    if tape.rise_mm is not None:
        yield "rise", outer[2] - inner[2], tape.rise_mm
