"""Closing carriers on their constraints: Newton's method for a batch of poses.

Five constraints and the given wheel-centre height fix a rigid carrier. A rod
keeps its length; a strut keeps a point of the body on a line of the carrier, which
is two constraints, each the limit of a very long rod whose far end is in the
carrier. Both kinds have the same Jacobian, a unit vector and its moment about the
wheel centre, so one elimination serves all. Arrays run along the poses in their
last dimension.

Source: loop closure by rod lengths is textbook kinematics (for example Haug,
*Computer Aided Kinematics and Dynamics of Mechanical Systems*, 1989, ch. 9); the
quaternion made from half a small turn is that of Cayley's transform (textbook).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import LinkageError
from optimizer.record import record

Array = NDArray[np.float64]

RESIDUAL_MM = 1e-9
MOST_ITERATIONS = 12
STRUT = slice(2, 4)
# a pivot under this share of its column's largest entry is swapped for that one
PIVOT_SHARE = 0.1
# stretches of the road walked to a pose that does not close at once
STEP_MM, MOST_STEPS = 4.0, 150


@record
class Rig:
    """What holds a batch of carriers, at ride height with the carrier unturned.

    Attributes
    ----------
    inner : shape (5, 3, n_pose)
        Rod ends on the body; in a strut's two rows the top mount.
    arm : shape (5, 3, n_pose)
        Rod ends on the carrier, from the wheel centre; in a strut's two rows the
        unit vectors square to its axis.
    length : shape (5, n_pose)
        Rod lengths; in a strut's two rows the wheel centre's distance from the top
        mount along those unit vectors.
    hub : shape (3, n_pose)
        Wheel centre.
    strut : bool
        Rods 3 and 4 are a strut.
    """

    inner: Array
    arm: Array
    length: Array
    hub: Array
    strut: bool

    def part(self, which: slice | NDArray[np.intp], repeats: int = 1) -> Rig:
        """Carriers of a batch, each repeated for as many poses."""

        def taken(x: Array) -> Array:
            some = x[..., which]
            return some if repeats == 1 else np.repeat(some, repeats, axis=-1)

        return Rig(
            inner=taken(self.inner),
            arm=taken(self.arm),
            length=taken(self.length),
            hub=taken(self.hub),
            strut=self.strut,
        )


class Carriers:
    """Poses of a batch of carriers: place of the wheel centre and rotation."""

    rotation: Array

    def __init__(self, rig: Rig) -> None:
        n_pose = rig.hub.shape[-1]
        self.rig = rig
        self.place = rig.hub.copy()  # (3, n_pose)
        self.turned = np.zeros((4, n_pose))  # quaternion, real part first
        self.turned[0] = 1.0
        self._rotate()

    def turn(self, vector: Array) -> Array:
        """Turn carrier vectors (..., 3, n_pose) into the body's axes."""
        r, v = self.rotation, vector[..., None, :, :]
        return np.asarray(r[:, 0] * v[..., 0, :] + r[:, 1] * v[..., 1, :] + r[:, 2] * v[..., 2, :])

    def rod(self, index: int) -> Array:
        """Vector along a rod, body to carrier, (3, n_pose)."""
        return np.asarray(self.place + self.turn(self.rig.arm[index]) - self.rig.inner[index])

    def start(self, path: Path, repeats: int, travel: Array) -> None:
        """Put every carrier where its path through ride height leads it."""
        bent = path.bend[:, :, None] * (0.5 * travel * travel)
        move = path.gap[:, :, None] + path.slope[:, :, None] * travel + bent
        flat = move.reshape(5, -1)
        self.place[:2] += flat[:2]
        self.place[2] += np.tile(travel, len(flat[0]) // repeats)
        self._turn_by(flat[2:])

    def close(self, length: Array, most: int = MOST_ITERATIONS) -> tuple[Array, Array]:
        """Newton's method.

        Parameters
        ----------
        length : shape (5, n_pose), what the constraints shall come to
        most : the most iterations

        Returns
        -------
        Error left in mm and the side of lock-out (sign of the Jacobian's determinant,
        zero where no step was needed), each (n_pose,).
        """
        scale = self._scale(length)
        hand = np.zeros(self.place.shape[1])
        gap, lever, line = self._gaps(length, scale)
        worst = float(np.max(np.abs(gap)))
        for _ in range(most):
            if worst < RESIDUAL_MM:
                break
            solve = Elimination(jacobian(lever, line))
            hand = solve.hand
            self._move(solve(-gap))
            gap, lever, line = self._gaps(length, scale)
            worst = float(np.max(np.abs(gap)))
        return np.asarray(np.max(np.abs(gap), axis=0)), hand

    def constraint_lengths(self) -> Array:
        """What the constraints come to in the present pose, (5, n_pose)."""
        lever, line = self._lines()
        rods = np.sqrt(np.sum(line * line, axis=1))
        if self.rig.strut:
            rods[STRUT] = -np.sum(line[STRUT] * lever[STRUT], axis=1)
        return np.asarray(rods)

    def gaps(self, length: Array) -> tuple[Array, Array, Array]:
        """Errors (5, n_pose), levers and lines (5, 3, n_pose)."""
        return self._gaps(length, self._scale(length))

    def _scale(self, length: Array) -> Array:
        scale = 0.5 / length
        if self.rig.strut:
            scale[STRUT] = 1.0
        return np.asarray(scale)

    def _lines(self) -> tuple[Array, Array]:
        """Levers from the wheel centre, and rod vectors or a strut's turned unit vectors."""
        lever = self.turn(self.rig.arm)
        line = lever + (self.place - self.rig.inner)
        if self.rig.strut:
            line[STRUT] = lever[STRUT]
            lever[STRUT] = self.rig.inner[STRUT] - self.place
        return lever, line

    def _gaps(self, length: Array, scale: Array) -> tuple[Array, Array, Array]:
        """Errors of the constraints in mm.

        A rod's is (r.r - l l) / 2 l: the error of its length to first order, with no
        square root and less curved. Lines are scaled to match, so nearly unit vectors.
        """
        lever, line = self._lines()
        square = line[:, 0] * line[:, 0]
        square += line[:, 1] * line[:, 1]
        square += line[:, 2] * line[:, 2]
        if self.rig.strut:
            square[STRUT] = -np.sum(line[STRUT] * lever[STRUT], axis=1)
            gap = square
            gap[:2] -= length[:2] * length[:2]
            gap[4] -= length[4] * length[4]
            gap[STRUT] -= length[STRUT]
            gap *= scale
            line[:2] *= 2.0 * scale[:2, None]
            line[4] *= 2.0 * scale[4]
            return gap, lever, line
        gap = (square - length * length) * scale
        line *= (2.0 * scale)[:, None]
        return gap, lever, line

    def _move(self, move: Array) -> None:
        self.place[:2] += move[:2]
        self._turn_by(move[2:])

    def _turn_by(self, vector: Array) -> None:
        """Turn by small rotation vectors (3, n_pose), to second order."""
        x, y, z = 0.5 * vector
        a, b, c, d = self.turned
        turned = np.stack(
            [
                a - x * b - y * c - z * d,
                b + x * a + y * d - z * c,
                c + y * a + z * b - x * d,
                d + z * a + x * c - y * b,
            ]
        )
        self.turned = turned / np.sqrt(np.sum(turned * turned, axis=0))
        self._rotate()

    def _rotate(self) -> None:
        a, b, c, d = self.turned
        b2, c2, d2 = 2.0 * self.turned[1:]
        ab, ac, ad, bb, cc, dd = a * b2, a * c2, a * d2, b * b2, c * c2, d * d2
        bc, bd, cd = b * c2, b * d2, c * d2
        r = np.empty((3, 3, len(a)))
        r[0, 0], r[0, 1], r[0, 2] = 1.0 - cc - dd, bc - ad, bd + ac
        r[1, 0], r[1, 1], r[1, 2] = bc + ad, 1.0 - bb - dd, cd - ab
        r[2, 0], r[2, 1], r[2, 2] = bd - ac, cd + ab, 1.0 - bb - cc
        self.rotation = r


@record
class Path:
    """Where carriers go from ride height, to second order in travel, as moves (5, n).

    Attributes
    ----------
    gap : what closes the constraints at ride height, to first order
    slope, bend : first and second derivative by travel
    hand : side of lock-out at ride height, (n,)
    """

    gap: Array
    slope: Array
    bend: Array
    hand: Array


def path_through_ride_height(rig: Rig) -> Path:
    """Tangent and curvature of the carriers' motion, from the unturned pose."""
    at = Carriers(rig)
    gap, lever, line = at.gaps(rig.length)
    solve = Elimination(jacobian(lever, line))
    slope = solve(-line[:, 2])
    speed, turning = np.stack([*slope[:2], np.ones_like(slope[0])]), slope[2:]
    around = _cross(turning, rig.arm)
    rate = speed + around
    inward = _cross(turning, around)
    bent = np.sum(rate * rate, axis=1) / rig.length + np.sum(line * inward, axis=1)
    if rig.strut:
        bent[STRUT] = 2.0 * np.sum(around[STRUT] * speed, axis=1)
        bent[STRUT] -= np.sum(inward[STRUT] * lever[STRUT], axis=1)
    return Path(gap=solve(-gap), slope=slope, bend=solve(-bent), hand=solve.hand)


def closed(rig: Rig, path: Path, travel: Array) -> tuple[Carriers, float]:
    """Carriers at each travel and the largest error left in mm.

    Poses run along travel fastest: n_pose = n * n_travel.

    Raises
    ------
    LinkageError
        Where the constraints cannot be met on this side of lock-out.
    """
    many = rig.part(slice(None), len(travel))
    carriers = Carriers(many)
    with np.errstate(all="ignore"):
        carriers.start(path, len(travel), travel)
        left, hand = carriers.close(many.length)
        ride_hand = np.repeat(path.hand, len(travel))
        bad = ~(left < RESIDUAL_MM) | (hand * ride_hand < 0.0) | (ride_hand == 0.0)
        if np.any(bad):
            which = np.flatnonzero(bad)
            goal = np.tile(travel, len(path.hand))[which]
            walked = _walked(many.part(which), goal, ride_hand[which])
            carriers.place[:, which] = walked.place
            carriers.turned[:, which] = walked.turned
            carriers._rotate()
            left = np.max(np.abs(carriers.gaps(many.length)[0]), axis=0)
    return carriers, float(np.max(left))


def _walked(rig: Rig, travel: Array, hand: Array) -> Carriers:
    """Close poses by small steps: first the lengths at ride height, then the travel."""
    carriers = Carriers(rig)
    first = carriers.constraint_lengths()
    if np.any(hand == 0.0):
        raise _locked()
    for share in _shares(2.0 * (rig.length - first)):
        left, now = carriers.close(first + share * (rig.length - first))
        if not np.all((left < RESIDUAL_MM) & (now * hand >= 0.0)):
            raise _locked()
    before = 0.0
    for share in _shares(travel):
        carriers.place[2] = rig.hub[2] + share * travel
        left, now = carriers.close(rig.length)
        bad = ~(left < RESIDUAL_MM) | (now * hand < 0.0)
        if np.any(bad):
            asked = float(travel[np.argmax(bad)])
            raise _locked(asked, before * asked)
        before = float(share)
    return carriers


def _shares(way: Array) -> Array:
    """Shares of a way at which to stop, so that the longest step is short."""
    far = float(np.max(np.abs(way)))
    if not np.isfinite(far):
        raise _locked()
    n_step = min(int(np.ceil(far / STEP_MM)), MOST_STEPS)
    return np.arange(1, n_step + 1) / max(n_step, 1)


def _locked(asked_mm: float | None = None, reached_mm: float = 0.0) -> LinkageError:
    where = "at ride height"
    if asked_mm is not None:
        where = (
            f"at some travel: asked for {asked_mm:+.1f} mm, it still closes at {reached_mm:+.1f} mm"
        )
    return LinkageError(
        f"the carrier cannot be assembled: the linkage locks or does not reach {where}",
        "check the hard points and the setting, or ask for less travel",
    )


def jacobian(lever: Array, line: Array) -> Array:
    """d(constraint)/d(x, y, rotation), (5, 5, n_pose); height is given, so it is no unknown."""
    out = np.empty((5, 5, line.shape[-1]))
    out[:, :2] = line[:, :2]
    out[:, 2] = lever[:, 1] * line[:, 2] - lever[:, 2] * line[:, 1]
    out[:, 3] = lever[:, 2] * line[:, 0] - lever[:, 0] * line[:, 2]
    out[:, 4] = lever[:, 0] * line[:, 1] - lever[:, 1] * line[:, 0]
    return out


class Elimination:
    """Gauss elimination of many small systems, numpy running along the systems.

    Rows are swapped in those systems only whose pivot would be small.
    """

    def __init__(self, matrix: Array) -> None:
        self.lu = matrix  # (n_row, n_row, n_system), overwritten
        self.order: NDArray[np.intp] | None = None
        n_row = len(matrix)
        self.inverse = np.empty(matrix.shape[1:])
        self.hand = np.ones(matrix.shape[-1])
        for k in range(n_row):
            if k < n_row - 1:
                self._swap(k)
            self.hand *= np.sign(matrix[k, k])
            np.divide(1.0, matrix[k, k], out=self.inverse[k])
            matrix[k + 1 :, k] *= self.inverse[k]
            matrix[k + 1 :, k + 1 :] -= matrix[k + 1 :, k, None] * matrix[k, k + 1 :]

    def __call__(self, right: Array) -> Array:
        """Solve for right-hand sides (n_row, n_system)."""
        x = right.copy() if self.order is None else np.take_along_axis(right, self.order, axis=0)
        n_row = len(x)
        for k in range(n_row - 1):
            x[k + 1 :] -= self.lu[k + 1 :, k] * x[k]
        for k in range(n_row - 1, -1, -1):
            x[k] *= self.inverse[k]
            x[:k] -= self.lu[:k, k] * x[k]
        return x

    def _swap(self, k: int) -> None:
        size = np.abs(self.lu[k:, k])
        few = np.flatnonzero(size[0] < PIVOT_SHARE * np.max(size, axis=0))
        if not len(few):
            return
        if self.order is None:
            start = np.arange(len(self.lu))[:, None]
            self.order = np.repeat(start, self.lu.shape[-1], axis=1)
        other = k + np.argmax(size[:, few], axis=0)
        for rows in (self.lu.transpose(0, 2, 1), self.order):
            kept = rows[k, few].copy()
            rows[k, few] = rows[other, few]
            rows[other, few] = kept
        self.hand[few] *= -1.0


def _cross(a: Array, b: Array) -> Array:
    """Cross product of (3, n) with (..., 3, n)."""
    x, y, z = b[..., 0, :], b[..., 1, :], b[..., 2, :]
    return np.stack([a[1] * z - a[2] * y, a[2] * x - a[0] * z, a[0] * y - a[1] * x], axis=-2)
