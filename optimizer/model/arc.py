"""The link's own arc: what raising a joint or changing the link's length adds to toe.

The formula is our own short derivation: the outer joint of a link of length L
stands S(L, q) = sqrt(L^2 - q^2) away from its inner joint, q being how far it is
above it; the carrier turns by that distance over the link arm. Checked against
the exact mechanism in the tests, with the error stated there.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.errors import CallError
from optimizer.record import record
from optimizer.units import DEG

Array = NDArray[np.float64]


@record
class Link:
    """A link at its reference setting; fields may be arrays that broadcast.

    Attributes
    ----------
    length_mm : joint centre to joint centre
    arm_mm : link arm, plus when the outer joint is ahead of the pivots
    rise_mm : outer joint above inner joint at ride height
    path_ratio : joint rise per wheel rise
    lean_in_rad_per_mm : camber gain, top leaning in under bump plus
    stud_lean_rad : lean of the stud's top outboard
    """

    length_mm: ArrayLike
    arm_mm: ArrayLike
    rise_mm: ArrayLike
    path_ratio: ArrayLike = 1.0
    lean_in_rad_per_mm: ArrayLike = 0.0
    stud_lean_rad: ArrayLike = 0.0


def reach_mm(length_mm: ArrayLike, rise_mm: ArrayLike) -> Array:
    """Distance the link spans sideways: sqrt(length^2 - rise^2), mm; broadcasts.

    Raises
    ------
    CallError
        If the rise is not smaller than the length.
    """
    length, rise = np.asarray(length_mm, float), np.asarray(rise_mm, float)
    if np.any(np.abs(rise) >= length):
        raise CallError("a link cannot rise more than its own length", "check length and rise")
    return np.asarray(np.sqrt(length**2 - rise**2))


def arc_toe_change_deg(
    link: Link,
    travel_mm: ArrayLike,
    height_mm: ArrayLike,
    length_change_mm: ArrayLike,
    *,
    end: str = "outer",
) -> Array:
    """Toe change that a setting adds to the reference curve, static toe held; degrees.

    All arguments broadcast. ``end`` is the joint that is raised.
    """
    length, rise = np.asarray(link.length_mm, float), np.asarray(link.rise_mm, float)
    path = np.asarray(link.path_ratio, float) * np.asarray(travel_mm, float)
    height = np.asarray(height_mm, float)
    new_length = length + np.asarray(length_change_mm, float)
    outer = end == "outer"
    new_rise = rise + height if outer else rise - height
    added = reach_mm(new_length, new_rise + path) - reach_mm(new_length, new_rise)
    had = reach_mm(length, rise + path) - reach_mm(length, rise)
    lean = np.asarray(link.lean_in_rad_per_mm, float) * height * np.asarray(travel_mm, float)
    return np.asarray(-(added - had + (lean if outer else 0.0)) / np.asarray(link.arm_mm) * DEG)


def eccentric_shift_mm(
    link: Link,
    height_mm: ArrayLike,
    length_change_mm: ArrayLike,
    *,
    end: str = "outer",
    lift_mm: ArrayLike = 0.0,
) -> Array:
    """Shift of the inner pivot that holds static toe, inboard plus, mm; broadcasts.

    Along the link seen from above; a slot at an angle to it moves more by the
    angle's secant. ``lift_mm`` is how far a free cam has raised the pivot.
    """
    length, rise = np.asarray(link.length_mm, float), np.asarray(link.rise_mm, float)
    height, lean = np.asarray(height_mm, float), np.asarray(link.stud_lean_rad, float)
    new_length = length + np.asarray(length_change_mm, float)
    way = 1.0 if end == "outer" else -1.0
    new_rise = rise + way * height * np.cos(lean) - np.asarray(lift_mm, float)
    shift = reach_mm(new_length, new_rise) - reach_mm(length, rise)
    return np.asarray(shift - way * height * np.sin(lean))


def static_toe_error_deg(link: Link, shift_mm: ArrayLike) -> Array:
    """Static toe error if an eccentric shift is forgotten, degrees, toe-in plus.

    Small angles: the joint is left ``shift_mm`` too far outboard, so the carrier
    turns by shift over arm.
    """
    return np.asarray(-np.asarray(shift_mm, float) / np.asarray(link.arm_mm, float) * DEG)
