"""The exact mechanism: a rigid carrier on five rigid rods, swept through travel.

Four rods stand for the wishbones (two rods that share a ball joint make one
wishbone) and the fifth is the adjustable toe link. The carrier's pose is found
by Newton's method with the analytic Jacobian, for all corners, settings and
travels at once.

Source: loop closure by rod lengths is textbook kinematics (for example Haug,
*Computer Aided Kinematics and Dynamics of Mechanical Systems*, 1989, ch. 9);
the axes are those of ISO 8855 (x forward, y left, z up). The core knows the left
side only; :func:`mirrored` carries a right wheel across.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import LinkageError
from optimizer.units import DEG

Array = NDArray[np.float64]

MOST_ITERATIONS = 30
RESIDUAL_MM = 1e-9
TOE_LINK = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class HardPoints:
    """Hard points of left corners in mm; every array may have leading dimensions.

    Attributes
    ----------
    inner, outer : shape (..., 5, 3)
        Rod ends on the body and on the carrier at ride height; the last rod is
        the toe link.
    hub : shape (..., 3)
        Wheel centre, where travel is read.
    spindle : shape (..., 3)
        Unit vector along the wheel's axis, outboard.
    stud : shape (..., 3)
        Unit vector along which shims raise the joint.
    slot : shape (..., 3)
        Unit vector along which the inner pivot moves, inboard.
    end : "outer" or "inner"
        Which end of the link carries the shims.
    """

    inner: Array
    outer: Array
    hub: Array
    spindle: Array
    stud: Array
    slot: Array
    end: str = "outer"


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """What the wheel does. Leading dimensions are those of the corners.

    Attributes
    ----------
    toe_deg, camber_deg : shape (..., n_setting, n_travel)
        Toe of one wheel (toe-in plus) and camber (top outward plus), absolute.
    outer_mm : shape (..., n_setting, n_travel, 3)
        Place of the link's outer joint.
    outer_tilt_deg : shape (..., n_setting, n_travel)
        Angle between the link and the plane square to the shimmed joint's stud.
    shift_mm : shape (..., n_setting)
        Eccentric shift that holds static toe, inboard plus.
    residual_mm : float
        Largest rod-length error left.
    """

    toe_deg: Array
    camber_deg: Array
    outer_mm: Array
    outer_tilt_deg: Array
    shift_mm: Array
    residual_mm: float

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of the toe array."""
        return self.toe_deg.shape


def mirrored(points: HardPoints) -> HardPoints:
    """Carry hard points across the car's centre plane (y to -y)."""
    flip = np.array([1.0, -1.0, 1.0])
    return replace(
        points,
        inner=points.inner * flip,
        outer=points.outer * flip,
        hub=points.hub * flip,
        spindle=points.spindle * flip,
        stud=points.stud * flip,
        slot=points.slot * flip,
    )


def toe_deg(spindle: Array) -> Array:
    """Toe in degrees of a left wheel from its spindle direction, shape (..., 3).

    Toe-in plus (ISO 8855:2011, toe angle, paraphrased).
    """
    return np.asarray(np.arctan2(spindle[..., 0], spindle[..., 1]) * DEG)


def camber_deg(spindle: Array) -> Array:
    """Camber in degrees of a left wheel, top outward plus; spindle of shape (..., 3)."""
    return np.asarray(-np.arcsin(np.clip(spindle[..., 2], -1.0, 1.0)) * DEG)


def static_shift_mm(points: HardPoints, height_mm: Array, length_change_mm: Array) -> Array:
    """Eccentric shift that leaves the carrier where it was at ride height.

    Exact: with static toe held the carrier does not move, so the inner pivot lies
    where its slot meets the sphere of the new link length.

    Parameters
    ----------
    height_mm, length_change_mm : shape (n_setting,)

    Returns
    -------
    shape (..., n_setting), mm, inboard plus.

    Raises
    ------
    LinkageError
        If the link cannot reach the slot.
    """
    inner, outer = _link_ends(points, height_mm)
    span = outer - inner
    length = _link_length(points)[..., None] + length_change_mm
    slot = points.slot[..., None, :]
    along = np.sum(span * slot, axis=-1)
    square = along**2 - np.sum(span**2, axis=-1) + length**2
    if np.any(square <= 0.0) or np.any(length <= 0.0):
        raise LinkageError("the link cannot reach its slot at some setting", "lengthen the link")
    return np.asarray(along + np.sqrt(square))


def sweep(
    points: HardPoints,
    travel_mm: Array,
    height_mm: Array | float = 0.0,
    length_change_mm: Array | float = 0.0,
    *,
    hold_static_toe: bool = True,
) -> Motion:
    """Sweep wheels through travel at each setting.

    Parameters
    ----------
    points : hard points with any leading dimensions
    travel_mm : shape (n_travel,), bump plus, read at the hub
    height_mm, length_change_mm : shape (n_setting,) or scalar
    hold_static_toe : bool
        Move the inner pivot along its slot so that static toe is unchanged;
        otherwise the pivot stays and static toe moves.

    Raises
    ------
    LinkageError
        Where the rods cannot be assembled or lock before the travel is reached.
    """
    travel = np.atleast_1d(np.asarray(travel_mm, float))
    height, change = np.broadcast_arrays(
        np.atleast_1d(np.asarray(height_mm, float)),
        np.atleast_1d(np.asarray(length_change_mm, float)),
    )
    lead = points.hub.shape[:-1]
    shape = (*lead, len(height), len(travel))
    shift = np.zeros((*lead, len(height)))
    if hold_static_toe:
        shift = static_shift_mm(points, height, change)
    link_inner, link_outer = _link_ends(points, height)
    link_inner = link_inner + shift[..., None] * points.slot[..., None, :]
    link_length = np.broadcast_to(_link_length(points)[..., None] + change, shape[:-1])

    pose = _Poses.at_reference(points, link_inner, link_outer, link_length, travel)
    residual = pose.close()
    spindle = pose.turn(_spread(points.spindle, shape))
    stud = _spread(points.stud, shape)
    if points.end == "outer":
        stud = pose.turn(stud)
    rod = pose.rod(TOE_LINK)
    tilt = np.arcsin(np.clip(np.sum(stud * rod, axis=0) / np.linalg.norm(rod, axis=0), -1, 1))
    outer = rod + pose.inner[TOE_LINK]
    spindle_last = np.moveaxis(spindle, 0, -1)
    return Motion(
        toe_deg=toe_deg(spindle_last).reshape(shape),
        camber_deg=camber_deg(spindle_last).reshape(shape),
        outer_mm=np.moveaxis(outer, 0, -1).reshape(*shape, 3),
        outer_tilt_deg=(tilt * DEG).reshape(shape),
        shift_mm=shift,
        residual_mm=residual,
    )


def _link_length(points: HardPoints) -> Array:
    return np.asarray(
        np.linalg.norm(points.outer[..., TOE_LINK, :] - points.inner[..., TOE_LINK, :], axis=-1)
    )


def _link_ends(points: HardPoints, height_mm: Array) -> tuple[Array, Array]:
    """Ends of the toe link at ride height with shims moved, each (..., n_setting, 3)."""
    raised = height_mm[:, None] * points.stud[..., None, :]
    inner = points.inner[..., TOE_LINK, :][..., None, :]
    outer = points.outer[..., TOE_LINK, :][..., None, :]
    if points.end == "outer":
        return np.broadcast_to(inner, raised.shape).copy(), outer + raised
    return inner + raised, np.broadcast_to(outer, raised.shape).copy()


def _spread(vector: Array, shape: tuple[int, ...]) -> Array:
    """Repeat (..., 3) over settings and travels and put components first: (3, n_pose)."""
    wide = np.broadcast_to(vector[..., None, None, :], (*shape, 3))
    return np.ascontiguousarray(wide.reshape(-1, 3).T)


class _Poses:
    """Carrier poses of a batch, components first so that numpy runs along the poses."""

    rotation: Array

    def __init__(self, inner: Array, arm: Array, length: Array, height: Array, hub: Array) -> None:
        self.inner = inner  # (5, 3, n_pose) rod ends on the body
        self.arm = arm  # (5, 3, n_pose) rod ends on the carrier, from the hub, at ride height
        self.length = length  # (5, n_pose)
        self.place = hub.copy()  # (3, n_pose) wheel centre
        self.rotation = np.zeros((3, 3, hub.shape[1]))
        for i in range(3):
            self.rotation[i, i] = 1.0
        self.hand = self._hand()
        self.place[2] = height

    @classmethod
    def at_reference(
        cls, points: HardPoints, link_inner: Array, link_outer: Array, link_length: Array, z: Array
    ) -> _Poses:
        """Lay out a batch with every carrier unturned at its target height."""
        lead = points.hub.shape[:-1]
        shape = (*lead, link_inner.shape[-2], len(z))

        def wide(x: Array) -> Array:
            return np.broadcast_to(x[..., None, :], (*shape, 3)).reshape(-1, 3).T

        hub = _spread(points.hub, shape)
        inner = [_spread(points.inner[..., i, :], shape) for i in range(TOE_LINK)]
        outer = [_spread(points.outer[..., i, :], shape) for i in range(TOE_LINK)]
        inner.append(wide(link_inner))
        outer.append(wide(link_outer))
        lengths = [np.linalg.norm(o - i, axis=0) for o, i in zip(outer, inner, strict=True)]
        lengths[TOE_LINK] = np.broadcast_to(link_length[..., None], shape).reshape(-1)
        target = np.broadcast_to(points.hub[..., 2][..., None, None] + z, shape).reshape(-1)
        return cls(np.array(inner), np.array(outer) - hub, np.array(lengths), target, hub)

    def turn(self, vector: Array) -> Array:
        """Turn carrier vectors (3, n_pose) into the body's axes."""
        return np.asarray(np.einsum("ijn,jn->in", self.rotation, vector))

    def rod(self, index: int) -> Array:
        """Vector along a rod, body to carrier, (3, n_pose)."""
        return np.asarray(self.place + self.turn(self.arm[index]) - self.inner[index])

    def close(self) -> float:
        """Bring every rod to its length; returns the largest error left in mm."""
        for _ in range(MOST_ITERATIONS):
            turned, unit, now = self._rods()
            gap = now - self.length
            worst = float(np.max(np.abs(gap)))
            if not np.isfinite(worst):
                break
            if worst < RESIDUAL_MM:
                if np.any(self._hand() != self.hand):
                    break
                return worst
            self._step(turned, unit, gap)
        raise _locked()

    def _rods(self) -> tuple[Array, Array, Array]:
        """Turned carrier ends (5, 3, n), unit vectors along the rods, rod lengths (5, n)."""
        turned = np.einsum("ijn,rjn->rin", self.rotation, self.arm)
        rods = self.place + turned - self.inner
        now = np.sqrt(np.einsum("rin,rin->rn", rods, rods))
        return turned, rods / now[:, None, :], now

    def _hand(self) -> Array:
        """Which side of lock-out each pose is on: the Jacobian's sign."""
        turned, unit, _ = self._rods()
        return np.asarray(np.sign(np.linalg.det(self._jacobian(turned, unit))))

    @staticmethod
    def _jacobian(turned: Array, unit: Array) -> Array:
        """d(rod length)/d(x, y, rotation), (n_pose, 5, 5); height is given, so it is no unknown."""
        moment = np.cross(turned, unit, axis=1)
        return np.concatenate([unit[:, :2], moment], axis=1).transpose(2, 0, 1)

    def _step(self, turned: Array, unit: Array, gap: Array) -> None:
        try:
            move = np.linalg.solve(self._jacobian(turned, unit), -gap.T[..., None])[..., 0].T
        except np.linalg.LinAlgError as exc:
            raise _locked() from exc
        self.place[:2] += move[:2]
        turn = _rotation(np.asarray(move[2:], dtype=np.float64))
        self.rotation = np.asarray(np.einsum("ijn,jkn->ikn", turn, self.rotation))


def _rotation(vector: Array) -> Array:
    """Rotation matrices (3, 3, n_pose) of rotation vectors (3, n_pose); Rodrigues' formula."""
    angle2 = np.sum(vector**2, axis=0)
    angle = np.sqrt(angle2)
    s = np.sinc(angle / np.pi)
    half = np.sinc(angle / (2 * np.pi))
    c = 0.5 * half * half
    x, y, z = vector
    out = np.empty((3, 3, vector.shape[1]))
    out[0] = 1 - c * (y * y + z * z), c * x * y - s * z, c * x * z + s * y
    out[1] = c * x * y + s * z, 1 - c * (x * x + z * z), c * y * z - s * x
    out[2] = c * x * z - s * y, c * y * z + s * x, 1 - c * (x * x + y * y)
    return out


def _locked() -> LinkageError:
    return LinkageError(
        "the rods cannot be assembled at some travel: the linkage locks or does not reach",
        "check the hard points, or ask for less travel",
    )
