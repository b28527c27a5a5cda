"""A simulated population of plausible suspension corners.

The prior of the response surface comes from these corners: nothing here is a
real car. Ranges are common practice for small competition cars, no source; they
are somewhat wide on purpose, because a population that is too narrow gives bands
that cover too little.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import LinkageError
from optimizer.model.mechanism import TOE_LINK, HardPoints, sweep
from optimizer.record import record
from optimizer.units import DEG

Array = NDArray[np.float64]

CAMBER_BASE_MM = 30.0
SHORTEST_MM, LONGEST_MM = 200.0, 480.0


@record
class TapeTruth:
    """What an exact tape would read on each corner; every field has shape (n_corner,)."""

    length_mm: Array
    arm_mm: Array
    rise_mm: Array
    lean_in_rad_per_mm: Array
    stud_lean_rad: Array

    def values(self) -> Array:
        """The prior's five tape values, shape (n_corner, 5): the first two as logarithms.

        ln length, ln |arm|, rise, camber gain, stud lean; mm and radians.
        """
        return np.stack(
            [
                np.log(self.length_mm),
                np.log(np.abs(self.arm_mm)),
                self.rise_mm,
                self.lean_in_rad_per_mm,
                self.stud_lean_rad,
            ],
            axis=1,
        )


def draw_corners(
    rng: np.random.Generator, n_corner: int, *, ahead: bool, width: float = 1.0
) -> HardPoints:
    """Draw double-wishbone corners with a toe link ahead of or behind the pivots.

    Parameters
    ----------
    rng : source of randomness
    n_corner : how many
    ahead : outer joint ahead of the line through the carrier's pivots
    width : factor on the spread of how far each link is from a good one

    Returns
    -------
    Hard points with one leading dimension of ``n_corner``; mm, ISO 8855 axes.
    """

    def uniform(low: float, high: float) -> Array:
        return rng.uniform(low, high, n_corner)

    hub = np.stack([np.zeros(n_corner), uniform(680, 780), uniform(270, 340)], axis=-1)
    low_y = hub[:, 1] - uniform(25, 90)
    low_z = hub[:, 2] - uniform(80, 150)
    up_z = hub[:, 2] + uniform(80, 220)
    lean = np.tan(uniform(3, 15) / DEG)
    caster = np.tan(np.where(rng.random(n_corner) < 0.5, uniform(2, 9), uniform(-3, 4)) / DEG)
    low = np.stack([uniform(-12, 12), low_y, low_z], axis=-1)
    up = low + (up_z - low_z)[:, None] * np.stack([-caster, -lean, np.ones(n_corner)], axis=-1)

    lowered = rng.random(n_corner) < 0.4
    low_arm = uniform(250, 430)
    up_arm = low_arm * uniform(0.6, 1.0)
    low_drop = uniform(-20, 20) + np.where(lowered, uniform(5, 25), 0.0)
    up_drop = low_drop * 0.6 + uniform(-10, 40)
    low_root = np.stack([low[:, 0], low[:, 1] - low_arm, low[:, 2] - low_drop], axis=-1)
    up_root = np.stack([up[:, 0], up[:, 1] - up_arm, up[:, 2] - up_drop], axis=-1)

    def legs(root: Array) -> tuple[Array, Array]:
        axis = np.stack(
            [
                np.ones(n_corner),
                np.tan(rng.normal(0, 3, n_corner) / DEG),
                np.tan(rng.normal(0, 3, n_corner) / DEG),
            ],
            axis=-1,
        )
        front, rear = uniform(70, 190)[:, None], uniform(70, 190)[:, None]
        return root + axis * front, root - axis * rear

    low_front, low_rear = legs(low_root)
    up_front, up_rear = legs(up_root)
    link_outer = _link_outer(rng, low, up, ahead)
    link_inner = link_outer + (low_root - low)
    stud_tilt = rng.normal(0, 4, n_corner) / DEG
    stud_rake = rng.normal(0, 3, n_corner) / DEG
    spindle = np.stack(
        [np.tan(uniform(-0.3, 0.5) / DEG), np.ones(n_corner), np.tan(uniform(-0.5, 3.0) / DEG)],
        axis=-1,
    )
    points = HardPoints(
        inner=np.stack([low_front, low_rear, up_front, up_rear, link_inner], axis=1),
        outer=np.stack([low, low, up, up, link_outer], axis=1),
        hub=hub,
        spindle=_unit(spindle),
        stud=_unit(np.stack([np.tan(stud_rake), np.tan(stud_tilt), np.ones(n_corner)], axis=-1)),
        slot=np.broadcast_to(np.array([0.0, -1.0, 0.0]), (n_corner, 3)),
    )
    return _misplaced(rng, with_good_links(points), width)


def with_good_links(points: HardPoints, over_mm: float = 30.0) -> HardPoints:
    """Move each link's inner joint to the centre of its outer joint's zero-toe path.

    Such a link steers least about ride height (textbook: aimed at the instant
    centre it has no slope, as long as the path's radius it has no bow). Found by
    turning the swept joint back by the toe it shows and fitting a parabola.
    ``over_mm`` is the travel either way that is fitted; the smaller, the nearer to the
    centre of curvature at ride height. Corners whose path bends the other way keep a
    link of bounded length.
    """
    for _ in range(3):
        points = _refitted(points, over_mm)
    return points


def tape_truth(points: HardPoints) -> TapeTruth:
    """Measure corners as an exact tape would; arm is plus ahead, minus behind.

    The arm is taken square to the link in plan, to the line through the carrier's
    lower and upper pivots (rods 1 and 3, or a strut's top mount) at the outer
    joint's height. The camber gain is the mean over 30 mm each way.
    """
    outer, inner = points.outer[:, TOE_LINK], points.inner[:, TOE_LINK]
    low, up = points.outer[:, 0], points.upper
    share = (outer[:, 2] - low[:, 2]) / (up[:, 2] - low[:, 2])
    axis = low + share[:, None] * (up - low)
    link = outer - inner
    plan = link[:, :2] / np.linalg.norm(link[:, :2], axis=1, keepdims=True)
    off = outer[:, :2] - axis[:, :2]
    arm = off[:, 0] * plan[:, 1] - off[:, 1] * plan[:, 0]
    camber = sweep(points, np.array([-CAMBER_BASE_MM, CAMBER_BASE_MM])).camber_deg[:, 0, :]
    return TapeTruth(
        length_mm=np.linalg.norm(link, axis=1),
        arm_mm=arm,
        rise_mm=link[:, 2],
        lean_in_rad_per_mm=-(camber[:, 1] - camber[:, 0]) / (2 * CAMBER_BASE_MM) / DEG,
        stud_lean_rad=np.arctan2(points.stud[:, 1], points.stud[:, 2]),
    )


def pick(points: HardPoints, which: Array | NDArray[np.bool_] | NDArray[np.intp]) -> HardPoints:
    """Corners of a batch chosen by index or mask."""
    lead = points.hub.shape[:-1]
    return points.each(
        lambda array, own: np.broadcast_to(array, lead + array.shape[array.ndim - own :])[which]
    )


def workable(
    points: HardPoints, travel_mm: Array, height_mm: Array, length_change_mm: Array
) -> HardPoints:
    """Keep the corners that can be assembled at every setting and travel."""
    keep = []
    for i in range(len(points.hub)):
        try:
            sweep(pick(points, np.array([i])), travel_mm, height_mm, length_change_mm)
        except LinkageError:
            continue
        keep.append(i)
    return pick(points, np.array(keep, dtype=np.intp))


def _link_outer(rng: np.random.Generator, low: Array, up: Array, ahead: bool) -> Array:
    """Outer joints of toe links, beside the line through the carrier's pivots."""
    n_corner = len(low)
    share = rng.uniform(-0.05, 0.75, n_corner)
    axis = low + share[:, None] * (up - low)
    reach = rng.uniform(70, 160, n_corner) * (1.0 if ahead else -1.0)
    return np.asarray(
        axis + np.stack([reach, rng.normal(0, 15, n_corner), np.zeros(n_corner)], axis=-1)
    )


def _misplaced(rng: np.random.Generator, points: HardPoints, width: float) -> HardPoints:
    """Put each good link off by a drawn height, length and sweep, and draw its slot."""
    n_corner = len(points.hub)
    outer = points.outer[:, TOE_LINK]
    link = points.inner[:, TOE_LINK] - outer
    link = link * (1.0 + width * rng.normal(0, 0.025, n_corner))[:, None]
    link[:, 2] += width * rng.normal(0, 4, n_corner)
    link[:, 0] += np.tan(rng.normal(0, 5, n_corner) / DEG) * np.abs(link[:, 1])
    slot = link * np.array([1.0, 1.0, 0.0])
    cam_rises = rng.random(n_corner) < 0.3
    slot[:, 2] = np.where(cam_rises, rng.normal(0, 0.1, n_corner) * np.abs(link[:, 1]), 0.0)
    inner = points.inner.copy()
    inner[:, TOE_LINK] = outer + link
    return replace(points, inner=inner, slot=_unit(slot))


def _refitted(points: HardPoints, over_mm: float) -> HardPoints:
    travel = np.linspace(-over_mm, over_mm, 7)
    motion = sweep(points, travel)
    turned_back = -(motion.toe_deg - motion.toe_deg[..., 3:4])[:, 0] / DEG
    outer, low, up = points.outer[:, TOE_LINK], points.outer[:, 0], points.upper
    path = motion.outer_mm[:, 0]
    axis = _unit(up - low)
    axis = axis / axis[:, 2:3]
    aside = np.cross(axis, outer - low)
    # toe-in turns a left wheel clockwise from above, hence the minus
    path = path - turned_back[..., None] * aside[:, None, :]
    lateral, height = path[..., 1] - outer[:, None, 1], path[..., 2] - outer[:, None, 2]
    inner = points.inner.copy()
    for i in range(len(inner)):
        b2, b1, _ = np.polyfit(height[i], lateral[i], 2)
        fore_aft = np.polyfit(height[i], path[i, :, 0], 2)[1]
        span = -(1.0 + b1**2 + fore_aft**2) / (2.0 * b2) if b2 < 0 else LONGEST_MM
        span = min(max(span, SHORTEST_MM), LONGEST_MM)
        inner[i, TOE_LINK] = outer[i] + span * np.array([0.0, -1.0, b1])
    return replace(points, inner=inner)


def _unit(vector: Array) -> Array:
    return np.asarray(vector / np.linalg.norm(vector, axis=-1, keepdims=True))
