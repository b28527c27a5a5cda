"""What measured hard points say of a corner before any reading, as one Gaussian.

The exact mechanism at the measured points is the mean of the surface. What the
points do not settle (their own tolerance, and the directions of spindle, stud and
slot, which no point tells) is carried to first order: the surface's coefficients
and the tape values are differenced by every unknown, and the unknowns' spread goes
through that derivative. This is the usual law of propagation (JCGM 100:2008,
section 5.1.2).
"""

from __future__ import annotations

from dataclasses import fields
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import CallError, LinkageError
from optimizer.model.basis import N_COEFFICIENT, N_POWER, arc_sizes
from optimizer.model.exact import TRAINING_GRID, SweepGrid, surface_coefficients
from optimizer.model.mechanism import HardPoints, sweep
from optimizer.model.population import tape_truth
from optimizer.model.prior import Prior, given_tape, population_moments
from optimizer.records import MeasuredPoints, StackEnd, Tape
from optimizer.units import DEG

Array = NDArray[np.float64]

# Fewer sweeps than for the mean: what the basis leaves out cancels in a difference.
STEP_GRID = SweepGrid(
    heights_mm=(-10.0, -3.5, 3.5, 10.0),
    changes_mm=(-15.0, -5.0, 5.0, 15.0),
    travels_mm=(-60.0, -45.0, -30.0, -15.0, 15.0, 30.0, 45.0, 60.0),
)
STEP_SD = 0.25  # step of a difference, in standard deviations

# What no point tells, mean and standard deviation in degrees; those of the population.
STATIC_TOE_DEG = (0.1, 0.3)
STATIC_CAMBER_DEG = (-1.25, 1.0)
STUD_LEAN_DEG = (0.0, 4.0)
STUD_RAKE_DEG = (0.0, 3.0)
SLOT_SWEEP_DEG = (0.0, 3.0)  # from the link seen from above
SLOT_RISE_DEG = (0.0, 3.0)
DIRECTIONS = np.array(
    [
        STATIC_TOE_DEG,
        STATIC_CAMBER_DEG,
        STUD_LEAN_DEG,
        STUD_RAKE_DEG,
        SLOT_SWEEP_DEG,
        SLOT_RISE_DEG,
    ]
)

# Rigid rods leave out how bushes, bent rods and slack give as the jack loads them. That
# acts like a joint's path a little off, so it is a share of what the link's arc does
# (our own judgement, no source).
GIVE_SHARE = 0.01
# The measured curve is to rule the reference curve: three times the points' own spread, and
# a tenth of what reference curves do in the population, which keeps to linkages' shapes.
REFERENCE_WIDENING = 3.0
REFERENCE_SHARE = 0.1


@lru_cache(maxsize=16)
def hard_point_prior(
    points: MeasuredPoints, ahead: bool, tape: Tape, end: StackEnd = "outer"
) -> Prior:
    """Prior of a corner's surface from its hard points and tape.

    Parameters
    ----------
    points : what the crew measured, with standard deviation
    ahead : outer joint ahead of the line through the carrier's pivots
    tape : what the crew measured besides, with standard deviations
    end : which joint carries the shims

    Returns
    -------
    As :func:`optimizer.model.prior.corner_prior` gives; its arrays are not for writing.

    Raises
    ------
    CallError
        If the points put the link on the other side than ``ahead`` says.
    LinkageError
        If the linkage cannot be assembled over the surface's own range of travel,
        height and length.
    """
    spread = np.concatenate([np.full(_N_COORDINATE, points.sd_mm), DIRECTIONS[:, 1]])
    steps = STEP_SD * spread
    batch = _mechanisms(points, np.concatenate([np.zeros((1, len(steps))), np.diag(steps)]), end)
    nominal = mechanism_of(points, end)
    try:
        toe = TRAINING_GRID.toe_change_deg(nominal)
        differenced = np.concatenate(
            [surface_coefficients(batch, STEP_GRID), _tape_values(batch, ahead)], axis=1
        )
    except LinkageError as exc:
        raise _unworkable(nominal) from exc
    coefficients = TRAINING_GRID.fitted(toe)
    mean = np.concatenate([coefficients[0], differenced[0, N_COEFFICIENT:]])
    by_unknown = (differenced[1:] - differenced[0]) / STEP_SD
    cov = by_unknown.T @ by_unknown
    _widen(cov, mean, TRAINING_GRID.misfit_cov(toe, coefficients), ahead, end)
    mean, cov = given_tape(mean, cov, tape)
    mean.flags.writeable = cov.flags.writeable = False
    return Prior(mean=mean, cov=cov)


def mechanism_of(points: MeasuredPoints, end: StackEnd = "outer") -> HardPoints:
    """The mechanism at the measured points, directions at the population's mean; one corner.

    ``end`` says which joint carries the shims; every array has a leading dimension of 1.
    """
    return _mechanisms(points, np.zeros((1, _N_COORDINATE + len(DIRECTIONS))), end)


_POINTS = tuple(f.name for f in fields(MeasuredPoints) if f.name != "sd_mm")
_N_COORDINATE = 3 * len(_POINTS)


def _mechanisms(points: MeasuredPoints, off: Array, end: StackEnd) -> HardPoints:
    """Mechanisms with every unknown off by so much, ``off`` of shape (n_corner, 33).

    The first 27 are coordinates in mm, the others the directions in degrees.
    """
    measured = np.array([getattr(points, name) for name in _POINTS])
    place = measured + off[:, :_N_COORDINATE].reshape(-1, len(_POINTS), 3)
    at = {name: place[:, i] for i, name in enumerate(_POINTS)}
    low, up = at["lower_ball_joint_mm"], at["upper_ball_joint_mm"]
    toe, camber, lean, rake, swept, rise = np.tan(
        (DIRECTIONS[:, 0] + off[:, _N_COORDINATE:]).T / DEG
    )
    one = np.ones(len(off))
    link = at["link_inner_joint_mm"] - at["link_outer_joint_mm"]
    along = link[:, :2] / np.linalg.norm(link[:, :2], axis=1, keepdims=True)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    slot = np.concatenate([along + swept[:, None] * across, rise[:, None]], axis=1)
    body = (
        *("lower_front_pivot_mm", "lower_rear_pivot_mm"),
        *("upper_front_pivot_mm", "upper_rear_pivot_mm", "link_inner_joint_mm"),
    )
    return HardPoints(
        inner=np.stack([at[name] for name in body], axis=1),
        outer=np.stack([low, low, up, up, at["link_outer_joint_mm"]], axis=1),
        hub=at["wheel_centre_mm"],
        spindle=_unit(np.stack([toe, one, -camber], axis=1)),
        stud=_unit(np.stack([rake, lean, one], axis=1)),
        slot=_unit(slot),
        end=end,
    )


def _tape_values(batch: HardPoints, ahead: bool) -> Array:
    """(ln length, ln |arm|, rise, camber gain, stud lean) of each mechanism, (n_corner, 5)."""
    truth = tape_truth(batch)
    arm = truth.arm_mm if ahead else -truth.arm_mm
    if np.any(arm <= 0.0):
        raise CallError(
            f"the hard points put the link's outer joint {'behind' if ahead else 'ahead of'} the "
            f"line through the ball joints, not {'ahead of' if ahead else 'behind'} it",
            "mend the points, or what is said of the link",
        )
    return truth.values()


def _widen(cov: Array, mean: Array, misfit: Array, ahead: bool, end: StackEnd) -> None:
    """Add to ``cov`` what the basis and rigid rods leave out, and free the reference curve.

    The reference curve's extra spread is tied to nothing, so a curve that departs from
    the mechanism's does not pass for knowledge of how settings act.
    """
    c, f0 = slice(0, N_COEFFICIENT), slice(0, N_POWER)
    length, arm = np.exp(mean[N_COEFFICIENT : N_COEFFICIENT + 2])
    give = GIVE_SHARE * arc_sizes(length, arm if ahead else -arm)
    cov[f0, f0] *= REFERENCE_WIDENING**2
    cov[f0, f0] += REFERENCE_SHARE**2 * population_moments(ahead, end).baseline_cov
    cov[c, c] += misfit + np.diag(give**2)


def _unworkable(nominal: HardPoints) -> LinkageError:
    """Say where a linkage locks: in travel as it stands, or only once it is set far off."""
    travels = np.array(TRAINING_GRID.travels_mm)
    remedy = "mend the points; a sign or two figures that changed places are the usual cause"
    try:
        sweep(nominal, travels)
    except LinkageError:
        return LinkageError(
            f"the hard points make a linkage that locks or does not reach within "
            f"{travels.max():g} mm of travel either way",
            remedy,
        )
    return LinkageError(
        f"the hard points make a linkage that locks or does not reach within "
        f"{travels.max():g} mm of travel with the joint {TRAINING_GRID.heights_mm[-1]:g} mm up or "
        f"down and the link {TRAINING_GRID.changes_mm[-1]:g} mm longer or shorter",
        remedy,
    )


def _unit(vector: Array) -> Array:
    return np.asarray(vector / np.linalg.norm(vector, axis=-1, keepdims=True))
