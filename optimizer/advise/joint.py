"""Tilt of a rod end through the travel, against what it allows."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.errors import CallError
from optimizer.record import record
from optimizer.units import DEG

Array = NDArray[np.float64]


@record
class JointTilt:
    """The worst tilt of a rod end over the travel.

    Attributes
    ----------
    worst_deg : largest tilt to either side, never below zero
    at_travel_mm : where it is; the first of equals
    allowed_deg : what the rod end allows to either side
    left_deg : allowed less worst, below zero where it binds
    """

    worst_deg: float
    at_travel_mm: float
    allowed_deg: float
    left_deg: float


def ball_tilt_deg(tilt_deg: ArrayLike, clocked_off_deg: float = 0.0) -> Array:
    """Angle between a rod end's eye and its stud, degrees, never below zero. Any shape.

    Parameters
    ----------
    tilt_deg : link out of square with the stud, either sign
    clocked_off_deg : how far the body is turned about the link from where its eye lines
        up with the stud as seen along the link

    cos(angle) = cos(tilt) cos(clocked off): the two turns are square to each other
    (right spherical triangle).

    Raises
    ------
    CallError
        An angle that is not finite or reaches 90 degrees.
    """
    tilt, clock = np.asarray(tilt_deg, float) / DEG, clocked_off_deg / DEG
    if not np.all(np.abs(tilt) < np.pi / 2.0) or not abs(clock) < np.pi / 2.0:
        raise CallError("a joint's tilt must be within 90 degrees", "give angles in degrees")
    # by the half angles, since an arc cosine would lose small angles
    half = np.sin(tilt / 2.0) ** 2 + np.cos(tilt) * np.sin(clock / 2.0) ** 2
    return np.asarray(2.0 * np.arcsin(np.sqrt(half)) * DEG)


def tilt_left_deg(tilt_deg: ArrayLike, allowed_deg: float, clocked_off_deg: float = 0.0) -> Array:
    """Tilt left before a rod end binds, the least over the travel, degrees.

    Parameters
    ----------
    tilt_deg : shape (..., n_travel), link out of square with the stud
    allowed_deg : to either side
    clocked_off_deg : see :func:`ball_tilt_deg`

    Returns
    -------
    array of shape (...), below zero where it binds

    Raises
    ------
    CallError
        No travel, an allowed tilt not between 0 and 90 degrees, or a tilt that is not a
        figure within 90 degrees.
    """
    tilt = ball_tilt_deg(tilt_deg, clocked_off_deg)
    if tilt.ndim < 1 or not tilt.shape[-1]:
        raise CallError("the joint's tilt is needed at one travel or more", "give an array")
    if not 0.0 < allowed_deg < 90.0:
        raise CallError(
            f"an allowed tilt of {allowed_deg:g} degrees cannot be", "give it to one side"
        )
    return np.asarray(allowed_deg - tilt.max(axis=-1))


def joint_tilt(
    travel_mm: ArrayLike, tilt_deg: ArrayLike, allowed_deg: float, clocked_off_deg: float = 0.0
) -> JointTilt:
    """The worst tilt of one setting, where it is and what is left; both shape (n_travel,).

    Raises
    ------
    CallError
        As :func:`tilt_left_deg`, or shapes that differ.
    """
    travel, tilt = np.asarray(travel_mm, float), np.asarray(tilt_deg, float)
    if travel.ndim != 1 or travel.shape != tilt.shape:
        raise CallError(
            f"{travel.shape} travels do not match {tilt.shape} tilts", "give one for each travel"
        )
    left = float(tilt_left_deg(tilt, allowed_deg, clocked_off_deg))
    angle = ball_tilt_deg(tilt, clocked_off_deg)
    worst = int(np.argmax(angle))
    return JointTilt(
        worst_deg=float(angle[worst]),
        at_travel_mm=float(travel[worst]),
        allowed_deg=allowed_deg,
        left_deg=left,
    )
