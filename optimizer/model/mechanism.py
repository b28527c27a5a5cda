"""The exact mechanism: a rigid carrier on five rods, or three and a strut, through travel.

Four rods stand for the wishbones (two rods that share a ball joint make one
wishbone) and the fifth is the adjustable toe link. A strut may take the place of
the third and fourth. The carrier's pose is found by Newton's method with the
analytic Jacobian (:mod:`optimizer.model.closure`), for all corners, settings and
travels at once. The link's inner pivot moves along a slot or on a cam.

The axes are those of ISO 8855 (x forward, y left, z up). The core knows the left
side; :func:`mirrored` carries a right wheel across.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import CallError, LinkageError
from optimizer.model.cam import Cam
from optimizer.model.closure import (
    STRUT,
    Carriers,
    Rig,
    closed,
    path_through_ride_height,
)
from optimizer.record import record
from optimizer.units import DEG

Array = NDArray[np.float64]

TOE_LINK = 4
# poses solved together: enough to drown the cost of a call, few enough for the cache
BLOCK = 4096


@record
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
    strut_top, strut_axis : shape (..., 3), or None for five rods
        Top mount on the body at ride height, and the strut's direction, which is
        fixed in the carrier and passes through the top mount. With a strut, rods 3
        and 4 are not there and their rows are not read.
    cam : Cam, or None
        Carries the inner pivot in place of the slot.
    """

    inner: Array
    outer: Array
    hub: Array
    spindle: Array
    stud: Array
    slot: Array
    end: str = "outer"
    strut_top: Array | None = None
    strut_axis: Array | None = None
    cam: Cam | None = None

    def __post_init__(self) -> None:
        if (self.strut_top is None) != (self.strut_axis is None):
            raise CallError(
                "a strut corner was given only one of strut_top and strut_axis",
                "give both, or neither for five rods",
            )

    @property
    def upper(self) -> Array:
        """Upper pivot of the carrier: the third rod's outer end or the strut's top mount."""
        return self.outer[..., 2, :] if self.strut_top is None else self.strut_top

    def each(self, change: Callable[[Array, int], Array]) -> HardPoints:
        """Hard points with a function applied to every array.

        ``change`` is given the array and how many of its last dimensions are its own:
        two for rods, one for a point or direction, none for a cam's figures.
        """
        cam = self.cam
        return replace(
            self,
            inner=change(self.inner, 2),
            outer=change(self.outer, 2),
            hub=change(self.hub, 1),
            spindle=change(self.spindle, 1),
            stud=change(self.stud, 1),
            slot=change(self.slot, 1),
            strut_top=None if self.strut_top is None else change(self.strut_top, 1),
            strut_axis=None if self.strut_axis is None else change(self.strut_axis, 1),
            cam=None
            if cam is None
            else Cam(
                throw_mm=change(np.asarray(cam.throw_mm, float), 0),
                reference_deg=change(np.asarray(cam.reference_deg, float), 0),
                along=change(cam.along, 1),
                lift=change(cam.lift, 1),
            ),
        )


@record
class Motion:
    """What the wheel does. Leading dimensions are those of the corners.

    Attributes
    ----------
    toe_deg, camber_deg : shape (..., n_setting, n_travel)
        Toe of one wheel (toe-in plus) and camber (top outward plus), absolute.
    outer_mm : shape (..., n_setting, n_travel, 3)
        Place of the link's outer joint.
    outer_tilt_deg : shape (..., n_setting, n_travel)
        Angle between the link and the plane square to the shimmed joint's stud; plus
        where the link, followed outboard, leans the way the stud points.
    inner_swing_deg : shape (..., n_setting, n_travel)
        Angle at the inner joint between the link and its own direction at ride height
        in the reference setting; never below zero.
    shift_mm : shape (..., n_setting)
        Eccentric shift that holds static toe, inboard plus.
    lift_mm : shape (..., n_setting)
        What a cam adds along its ``lift`` on the way; zero for a slot.
    cam_deg : shape (..., n_setting)
        Angle the cam stands at; not a number where there is no cam.
    residual_mm : float
        Largest rod-length error left.
    """

    toe_deg: Array
    camber_deg: Array
    outer_mm: Array
    outer_tilt_deg: Array
    inner_swing_deg: Array
    shift_mm: Array
    lift_mm: Array
    cam_deg: Array
    residual_mm: float

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of the toe array."""
        return self.toe_deg.shape


def mirrored(points: HardPoints) -> HardPoints:
    """Carry hard points across the car's centre plane (y to -y)."""
    flip = np.array([1.0, -1.0, 1.0])
    return points.each(lambda array, own: array * flip if own else array)


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
    where its slot, or its cam's circle, meets the sphere of the new link length.

    Parameters
    ----------
    height_mm, length_change_mm : shape (n_setting,)

    Returns
    -------
    shape (..., n_setting), mm, inboard plus.

    Raises
    ------
    LinkageError
        If the link cannot reach the slot, or the cam the link.
    """
    return _held(points, height_mm, length_change_mm).shift


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
        Move the inner pivot along its slot, or turn its cam, so that static toe is
        unchanged; otherwise the pivot stays and static toe moves.

    Raises
    ------
    LinkageError
        Where the rods cannot be assembled or lock before the travel is reached, or
        static toe cannot be held.
    """
    travel = np.atleast_1d(np.asarray(travel_mm, float))
    height, change = np.broadcast_arrays(
        np.atleast_1d(np.asarray(height_mm, float)),
        np.atleast_1d(np.asarray(length_change_mm, float)),
    )
    pivot = _held(points, height, change) if hold_static_toe else _left(points, len(height))
    setup = _setup(points, height, change, pivot.moved)
    shape = (*points.hub.shape[:-1], len(height), len(travel))
    readings = np.empty((7, setup.spindle.shape[-1], len(travel)))
    residual = 0.0
    size = max(1, BLOCK // max(1, len(travel)))
    for group in range(0, readings.shape[1], size):
        some = setup.part(slice(group, group + size))
        with np.errstate(all="ignore"):
            path = path_through_ride_height(some.rig)
        for first in range(0, len(travel), BLOCK):
            part = slice(first, first + BLOCK)
            carriers, left = closed(some.rig, path, travel[part])
            n_travel = len(travel[part])
            read = some.readings(carriers, n_travel).reshape(7, -1, n_travel)
            readings[:, group : group + size, part] = read
            residual = max(residual, left)
    return Motion(
        toe_deg=readings[0].reshape(shape),
        camber_deg=readings[1].reshape(shape),
        outer_mm=np.moveaxis(readings[2:5], 0, -1).reshape(*shape, 3),
        outer_tilt_deg=readings[5].reshape(shape),
        inner_swing_deg=readings[6].reshape(shape),
        shift_mm=pivot.shift,
        lift_mm=pivot.lift,
        cam_deg=pivot.angle,
        residual_mm=residual,
    )


@record
class _Pivot:
    """Where the inner pivot stands: fields (..., n_setting), ``moved`` (..., n_setting, 3)."""

    shift: Array
    lift: Array
    angle: Array
    moved: Array


def _left(points: HardPoints, n_setting: int) -> _Pivot:
    """The inner pivot left where it is."""
    shape = (*points.hub.shape[:-1], n_setting)
    start = np.full((), np.nan) if points.cam is None else np.asarray(points.cam.reference_deg)
    return _Pivot(
        shift=np.zeros(shape),
        lift=np.zeros(shape),
        angle=np.broadcast_to(start[..., None], shape).copy(),
        moved=np.zeros((*shape, 3)),
    )


def _held(points: HardPoints, height: Array, change: Array) -> _Pivot:
    """The inner pivot moved so that the carrier stays where it was at ride height."""
    inner, outer = _link_ends(points, height)
    length = _link_length(points)[..., None] + change
    cam = points.cam
    if cam is None:
        shift = _along_slot(outer - inner, length, points.slot[..., None, :])
        return _Pivot(
            shift=shift,
            lift=np.zeros_like(shift),
            angle=np.full_like(shift, np.nan),
            moved=shift[..., None] * points.slot[..., None, :],
        )
    before = points.outer[..., TOE_LINK, :] - points.inner[..., TOE_LINK, :]
    angle = cam.angle_deg(outer - inner, length, before)
    shift, lift = cam.moved(angle)
    along = shift[..., None] * cam.along[..., None, :]
    moved = along + lift[..., None] * cam.lift[..., None, :]
    return _Pivot(shift=shift, lift=lift, angle=angle, moved=moved)


def _along_slot(span: Array, length: Array, slot: Array) -> Array:
    along = np.sum(span * slot, axis=-1)
    square = along**2 - np.sum(span**2, axis=-1) + length**2
    if np.any(square <= 0.0) or np.any(length <= 0.0):
        raise LinkageError("the link cannot reach its slot at some setting", "lengthen the link")
    return np.asarray(along + np.sqrt(square))


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


@record
class _Setup:
    """Every corner at every setting in one row, components first: vectors are (3, n)."""

    rig: Rig
    spindle: Array
    stud: Array
    straight: Array  # the link's direction at ride height in the reference setting
    outer_end: bool

    def part(self, which: slice) -> _Setup:
        return _Setup(
            rig=self.rig.part(which),
            spindle=self.spindle[:, which],
            stud=self.stud[:, which],
            straight=self.straight[:, which],
            outer_end=self.outer_end,
        )

    def readings(self, carriers: Carriers, n_travel: int) -> Array:
        """Toe, camber, the outer joint's place, tilt and swing: (7, n_pose), mm and degrees."""
        spindle, stud, straight = (
            np.repeat(x, n_travel, axis=-1) for x in (self.spindle, self.stud, self.straight)
        )
        rod = carriers.rod(TOE_LINK)
        link = rod / carriers.rig.length[TOE_LINK]
        turned = carriers.turn(spindle)
        if self.outer_end:
            stud = carriers.turn(stud)
        chord = np.sqrt(np.sum((link - straight) ** 2, axis=0))
        out = np.empty((7, rod.shape[1]))
        out[0] = np.arctan2(turned[0], turned[1])
        out[1] = -np.arcsin(np.clip(turned[2], -1.0, 1.0))
        out[5] = np.arcsin(np.clip(np.sum(stud * link, axis=0), -1.0, 1.0))
        # by the chord, since an arc cosine would lose small angles
        out[6] = 2.0 * np.arcsin(np.minimum(0.5 * chord, 1.0))
        for angles in (out[:2], out[5:]):
            angles *= DEG
        out[2:5] = rod + carriers.rig.inner[TOE_LINK]
        return out


def _setup(points: HardPoints, height: Array, change: Array, moved: Array) -> _Setup:
    lead = (*points.hub.shape[:-1], len(height))

    def rows(x: Array) -> Array:
        """(..., 3) of corners, or (..., n_setting, 3), as (3, n)."""
        wide = x if x.ndim > len(lead) else x[..., None, :]
        return np.ascontiguousarray(np.broadcast_to(wide, (*lead, 3)).reshape(-1, 3).T)

    link_inner, link_outer = _link_ends(points, height)
    hub = rows(points.hub)
    ends = [(points.inner[..., i, :], points.outer[..., i, :]) for i in range(TOE_LINK)]
    ends.append((link_inner + moved, link_outer))
    inner = np.array([rows(i) for i, _ in ends])
    arm = np.array([rows(o) for _, o in ends]) - hub
    length = np.linalg.norm(arm + hub - inner, axis=1)
    length[TOE_LINK] = np.broadcast_to(_link_length(points)[..., None] + change, lead).reshape(-1)
    if points.strut_top is not None and points.strut_axis is not None:
        inner[STRUT] = rows(points.strut_top)
        arm[STRUT] = _square_to(rows(points.strut_axis))
        length[STRUT] = np.sum(arm[STRUT] * (hub - inner[STRUT]), axis=1)
    before = points.outer[..., TOE_LINK, :] - points.inner[..., TOE_LINK, :]
    return _Setup(
        rig=Rig(inner=inner, arm=arm, length=length, hub=hub, strut=points.strut_top is not None),
        spindle=rows(points.spindle),
        stud=rows(points.stud),
        straight=rows(before / np.linalg.norm(before, axis=-1, keepdims=True)),
        outer_end=points.end == "outer",
    )


def _square_to(axis: Array) -> Array:
    """Two unit vectors square to directions (3, n) and to each other, (2, 3, n)."""
    aside = np.where(np.abs(axis[0]) < 0.7 * np.linalg.norm(axis, axis=0), 1.0, 0.0)
    first = np.cross(axis, np.stack([aside, 1.0 - aside, np.zeros_like(aside)]), axis=0)
    first = first / np.linalg.norm(first, axis=0)
    second = np.cross(axis, first, axis=0)
    return np.stack([first, second / np.linalg.norm(second, axis=0)])
