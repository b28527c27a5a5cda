"""Tilt of the shimmed joint: how far the link leans out of square with the stud, at any setting.

From tape values by plane trigonometry in the view along the car; from hard points by the
exact mechanism. A tilt measured at ride height takes the place of the level that either
would give, and with it the stud's lean, which counts most.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.errors import CallError, LinkageError
from optimizer.model.basis import N_COEFFICIENT, setting_terms
from optimizer.record import record
from optimizer.records import Corner, Measured, StackEnd
from optimizer.units import DEG

if TYPE_CHECKING:
    from optimizer.model.mechanism import HardPoints
    from optimizer.model.surface import ToeSurface

Array = NDArray[np.float64]

# What plane trigonometry leaves out (the joint's path is no straight copy of the wheel's, the
# link stands askew seen from above, the stud rakes), against the exact mechanism over the
# simulated population: the mean, by travel squared; then RMS at ride height, and for each mm
# of travel; degrees.
BOW_DEG_PER_MM2 = -1.2e-4
LEVEL_ERROR_DEG, ERROR_DEG_PER_MM = 0.25, 0.0125
# the same with the level measured, or with hard points, whose stud's rake is not known
MEASURED_LEVEL_ERROR_DEG, POINTS_ERROR_DEG = 0.08, 0.3
SAME_MM = 0.01
# most that a linkage of the surface's range was swept to
MOST_SWEPT_MM = 60.0
GRID_MM = ((-10.0, -3.5, 3.5, 10.0), (-15.0, -5.0, 5.0, 15.0))


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


class Tilts(Protocol):
    """Foresees tilt; :meth:`at` gives mean and standard deviation, each (n_setting,), degrees.

    Plus where the link's outboard end stands high, stud taken as pointing up.
    """

    def at(self, height_mm: Array, change_mm: Array, travel_mm: float) -> tuple[Array, Array]:
        """Tilt of settings at one travel."""
        ...


@record
class TapeTilt:
    """Tilt from what the surface holds of the tape.

    Attributes
    ----------
    mean, cov : shape (5,), (5, 5)
        ln length, ln arm, rise, camber gain and stud lean; mm and radians.
    end : the joint that is shimmed
    measured : tilt at ride height and the reference setting, if it was measured
    """

    mean: Array
    cov: Array
    end: StackEnd = "outer"
    measured: Measured | None = None

    def at(self, height_mm: Array, change_mm: Array, travel_mm: float) -> tuple[Array, Array]:
        """Tilt of settings at one travel: the mean's own, its spread to first order.

        tilt = asin((rise + height + travel) / length) + stud lean - camber gain x travel; a
        shimmed inner joint goes down the link's rise, and its stud stays with the body.
        """
        height, change = np.asarray(height_mm, float), np.asarray(change_mm, float)
        tilt, slopes = self._at(height, change, travel_mm)
        level_error = LEVEL_ERROR_DEG
        extra = 0.0
        if self.measured is not None:
            here, here_slopes = self._at(np.zeros(1), np.zeros(1), 0.0)
            tilt = tilt - here + self.measured.value / DEG
            slopes = slopes - here_slopes
            level_error, extra = MEASURED_LEVEL_ERROR_DEG, self.measured.sd
        variance = np.sum(slopes * (self.cov @ slopes), axis=0) * DEG**2
        missed = level_error**2 + (ERROR_DEG_PER_MM * travel_mm) ** 2 + extra**2
        bow = BOW_DEG_PER_MM2 * travel_mm**2
        return tilt * DEG + bow, np.sqrt(np.maximum(variance, 0.0) + missed)

    def _at(self, height: Array, change: Array, travel: float) -> tuple[Array, Array]:
        """Tilt in radians, (n,), and what each tape value adds to it, (5, n)."""
        log_length, _, rise, gain, lean = self.mean
        outer = self.end == "outer"
        length = np.exp(log_length) + change
        high = rise + (height if outer else -height) * np.cos(lean) + travel
        high = np.clip(high, -0.95 * length, 0.95 * length)
        per_mm = 1.0 / np.sqrt(length**2 - high**2)
        one = np.ones_like(per_mm)
        slopes = np.stack(
            [
                -high / length * per_mm * np.exp(log_length),
                0.0 * one,
                per_mm,
                -travel * one if outer else 0.0 * one,
                one,
            ]
        )
        return np.arcsin(high / length) + lean - (gain * travel if outer else 0.0), slopes


@record
class RideTilt:
    """Tilt at ride height alone, from the one measured there: needs no readings.

    A joint raised by a millimetre adds a millimetre over the link's length.

    Attributes
    ----------
    measured : at the reference setting
    length_mm : of the link; infinite where it is not known and the height is the reference's
    end : the joint that is shimmed
    """

    measured: Measured
    length_mm: float
    end: StackEnd = "outer"

    def at(self, height_mm: Array, change_mm: Array, travel_mm: float) -> tuple[Array, Array]:
        """Tilt of settings at ride height; travel and length change are left out of it."""
        way = 1.0 if self.end == "outer" else -1.0
        tilt = self.measured.value + way * np.asarray(height_mm, float) / self.length_mm * DEG
        return tilt, np.full_like(tilt, np.hypot(self.measured.sd, MEASURED_LEVEL_ERROR_DEG))


def ride_tilt_of(corner: Corner, height_mm: float) -> RideTilt | None:
    """What the measured tilt says of a joint height; None where nothing was measured.

    Off the reference's height the link's length must be taped.
    """
    measured, length = corner.joint.tilt_deg, corner.tape.length_mm
    if measured is None or (length is None and abs(height_mm) > SAME_MM):
        return None
    known = np.inf if length is None else length.value
    return RideTilt(measured=measured, length_mm=known, end=corner.stack.end)


class PointsTilt:
    """Tilt by the exact mechanism, swept at a few settings and read between them.

    Between them a polynomial of the third degree stands in, whose own misfit is added to
    the spread. Past the travel that the surface was made for, the last one stands.
    """

    def __init__(self, points: HardPoints, spread: TapeTilt, travels_mm: Array) -> None:
        from optimizer.model.mechanism import sweep  # few corners have points

        self.spread = spread
        self.travels = np.clip(travels_mm, -MOST_SWEPT_MM, MOST_SWEPT_MM)
        grid = np.meshgrid(*GRID_MM, indexing="ij")
        h, d = (np.append(x.ravel(), 0.0) for x in grid)
        tilt = sweep(points, np.append(self.travels, 0.0), h, d).outer_tilt_deg[0]
        if spread.measured is not None:
            tilt = tilt - tilt[-1, -1] + spread.measured.value
        rows = setting_terms(h, d)
        scale = np.abs(rows).max(axis=0)
        self.coefficients = np.linalg.lstsq(rows / scale, tilt, rcond=None)[0] / scale[:, None]
        self.misfit = float(np.abs(rows @ self.coefficients - tilt).max())

    def at(self, height_mm: Array, change_mm: Array, travel_mm: float) -> tuple[Array, Array]:
        """Tilt of settings at one of the travels it was made for."""
        at = int(np.argmin(np.abs(self.travels - travel_mm)))
        tilt = setting_terms(height_mm, change_mm) @ self.coefficients[:, at]
        _, sd = self.spread.at(height_mm, change_mm, travel_mm)
        # the formula's own error is not the mechanism's
        missed = LEVEL_ERROR_DEG if self.spread.measured is None else MEASURED_LEVEL_ERROR_DEG
        own = sd**2 - missed**2 - (ERROR_DEG_PER_MM * travel_mm) ** 2
        return tilt, np.sqrt(np.maximum(own, 0.0) + POINTS_ERROR_DEG**2 + self.misfit**2)


def tilts_of(corner: Corner, surface: ToeSurface, travels_mm: Array) -> Tilts | None:
    """What foresees tilt on a corner; None where neither rise, hard points nor tilt is known."""
    measured = corner.joint.tilt_deg
    if corner.points is None and corner.tape.rise_mm is None and measured is None:
        return None
    block = slice(N_COEFFICIENT, None)
    taped = TapeTilt(
        mean=surface.mean_[block],
        cov=surface.cov_[block, block],
        end=corner.stack.end,
        measured=measured,
    )
    if corner.points is None:
        return taped
    from optimizer.model.hard_prior import mechanism_of  # few corners have points

    points = mechanism_of(corner.points, corner.stack.end)
    lean = float(taped.mean[4])
    stud = np.array([[0.0, np.sin(lean), np.cos(lean)]])
    try:
        return PointsTilt(replace(points, stud=stud), taped, travels_mm)
    except LinkageError:  # past what the linkage reaches; the tape block knows the points too
        return taped
