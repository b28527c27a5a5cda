"""An inner pivot carried by a cam: the angle that gives a wanted link length.

A free cam swings the pivot on a circle, so the pivot also changes height; a
slot-guided one leaves it only the way along the slot. Source: plane geometry.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import LinkageError
from optimizer.record import record
from optimizer.units import DEG

Array = NDArray[np.float64]


@record
class Cam:
    """A free cam: the pivot swings on a circle about the cam's bolt.

    From the bolt the pivot stands at throw * (sin angle * along + cos angle * lift).
    Leading dimensions are those of the corners, or fewer that broadcast.

    Attributes
    ----------
    throw_mm : shape (...)
        Distance between the bolt and the pivot, above zero.
    reference_deg : shape (...)
        Cam angle at the reference setting.
    along : shape (..., 3)
        Unit vector along which the marks count, inboard.
    lift : shape (..., 3)
        Unit vector square to it: where the throw points at zero degrees.
    """

    throw_mm: Array
    reference_deg: Array
    along: Array
    lift: Array

    def moved(self, angle_deg: Array) -> tuple[Array, Array]:
        """How far the pivot has moved from the reference along ``along`` and ``lift``, mm.

        ``angle_deg`` has shape (..., n_setting), as have both results.
        """
        throw = np.asarray(self.throw_mm, float)[..., None]
        start = np.asarray(self.reference_deg, float)[..., None] / DEG
        angle = angle_deg / DEG
        return (
            np.asarray(throw * (np.sin(angle) - np.sin(start))),
            np.asarray(throw * (np.cos(angle) - np.cos(start))),
        )

    def angle_deg(self, span: Array, length_mm: Array, reference_span: Array) -> Array:
        """Cam angle that gives the link its length with the carrier held still.

        Parameters
        ----------
        span : shape (..., n_setting, 3)
            Outer joint less inner pivot with the cam at its reference.
        length_mm : shape (..., n_setting)
        reference_span : shape (..., 3)
            The same span at the reference setting.

        Returns
        -------
        shape (..., n_setting): of the two angles, the one on the reference's side of
        the dead point (throw in line with the link), within half a turn of it.

        Raises
        ------
        LinkageError
            If the throw does not reach.
        """
        throw = np.asarray(self.throw_mm, float)[..., None]
        start = np.asarray(self.reference_deg, float)[..., None] / DEG
        out, rise, square = self._from_bolt(span)
        with np.errstate(all="ignore"):
            in_plane = np.hypot(out, rise)
            cosine = (square + throw**2 - length_mm**2) / (2.0 * throw * in_plane)
        misses = ~((np.abs(cosine) <= 1.0) & (length_mm > 0.0) & (throw > 0.0))
        if np.any(misses):
            nearest, farthest = (
                np.sqrt(square + throw**2 + way * 2.0 * throw * in_plane) for way in (-1.0, 1.0)
            )
            raise _out_of_reach(misses, length_mm, nearest, farthest)
        was_out, was_rise, _ = self._from_bolt(reference_span[..., None, :])
        side = np.where(_half_turn(start - np.arctan2(was_out, was_rise)) < 0.0, -1.0, 1.0)
        angle = np.arctan2(out, rise) + side * np.arccos(cosine)
        return np.asarray((start + _half_turn(angle - start)) * DEG)

    def _from_bolt(self, span: Array) -> tuple[Array, Array, Array]:
        """The outer joint from the bolt: along, lift, and distance squared, (..., n_setting)."""
        throw = np.asarray(self.throw_mm, float)[..., None, None]
        start = np.asarray(self.reference_deg, float)[..., None, None] / DEG
        along, lift = self.along[..., None, :], self.lift[..., None, :]
        reach = span + throw * (np.sin(start) * along + np.cos(start) * lift)
        return (
            np.sum(reach * along, axis=-1),
            np.sum(reach * lift, axis=-1),
            np.sum(reach * reach, axis=-1),
        )


def slot_guided_shift_mm(
    throw_mm: Array | float, from_deg: Array | float, to_deg: Array | float
) -> Array:
    """Way of a pivot along its slot as a cam turns: throw (sin to - sin from), mm.

    The slot takes up the other component, so the pivot keeps its height. Angles are
    counted from where the throw is square to the slot; arguments broadcast.
    """
    turned = np.sin(np.asarray(to_deg) / DEG) - np.sin(np.asarray(from_deg) / DEG)
    return np.asarray(throw_mm * turned)


def slot_guided_angle_deg(
    throw_mm: Array | float, from_deg: Array | float, shift_mm: Array | float
) -> Array:
    """Angle of a slot-guided cam after a shift, between -90 and 90 degrees.

    Arguments broadcast. The inverse of :func:`slot_guided_shift_mm`.

    Raises
    ------
    LinkageError
        If the throw does not reach.
    """
    throw, start, shift = np.broadcast_arrays(
        np.asarray(throw_mm, float), np.asarray(from_deg, float), np.asarray(shift_mm, float)
    )
    sine = np.sin(start / DEG) + shift / np.where(throw > 0.0, throw, np.nan)
    misses = ~(np.abs(sine) <= 1.0)
    if np.any(misses):
        first = np.flatnonzero(misses)[0]
        raise LinkageError(
            f"the cam's throw of {throw.flat[first]:.2f} mm does not reach: from "
            f"{start.flat[first]:.1f} degrees it cannot shift the pivot by "
            f"{shift.flat[first]:+.2f} mm",
            "change the link's length, or use a cam with more throw",
        )
    return np.asarray(np.arcsin(sine) * DEG)


def _half_turn(angle: Array) -> Array:
    """The same angle between minus and plus half a turn, radians."""
    return np.asarray(np.arctan2(np.sin(angle), np.cos(angle)))


def _out_of_reach(
    misses: NDArray[np.bool_], length: Array, nearest: Array, farthest: Array
) -> LinkageError:
    first = np.flatnonzero(misses)[0]
    wanted, low, high = (
        float(np.broadcast_to(x, misses.shape).flat[first]) for x in (length, nearest, farthest)
    )
    return LinkageError(
        f"the cam's throw does not reach: static toe needs a link of {wanted:.2f} mm, "
        f"the cam can take {low:.2f} to {high:.2f} mm",
        "change the link's length or the shims, or use a cam with more throw",
    )
