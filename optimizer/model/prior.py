"""What is known of a corner before any reading: population and tape, as one Gaussian.

The stored numbers (``prior.npy``, made by :mod:`optimizer.model.train`) are the
moments of the simulated population for exact tape values, and a regression of the
scaled surface coefficients on them. The crew's own tape values, with their own
tolerance and whichever are missing, enter here at run time.
"""

from __future__ import annotations

from dataclasses import fields
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from optimizer.model.basis import N_COEFFICIENT, N_POWER, arc_sizes
from optimizer.record import record
from optimizer.records import Measured, StackEnd, Tape

Array = NDArray[np.float64]

PRIOR_FILE, DRAWS_FILE = (Path(__file__).with_name(f"{n}.npy") for n in ("prior", "draws"))
ENDS: tuple[StackEnd, ...] = ("outer", "inner")
N_TAPE = 5
# the reference curve's slope and bow are as good as free; its higher orders are those of
# smooth linkages, or the bands would promise wiggles that no linkage has
BASELINE_WIDENING = np.array([3.0, 3.0, 2.0, 1.5, 1.5, 1.5])


@record
class PopulationMoments:
    """Stored numbers for one kind of corner (ahead or behind, outer or inner end).

    Attributes
    ----------
    tape_mean, tape_cov : shape (5,), (5, 5)
        Of (ln length, ln |arm|, rise, camber gain, stud lean) in the population;
        mm and radians.
    weight : shape (60, 21)
        Scaled coefficient against quadratic features of the standardised tape.
    residual_cov : shape (60, 60)
        Of scaled coefficients about that regression.
    baseline_cov : shape (6, 6)
        Second moment of the reference curve's coefficients, degrees squared.
    """

    tape_mean: Array
    tape_cov: Array
    weight: Array
    residual_cov: Array
    baseline_cov: Array


@record
class Prior:
    """Gaussian over surface coefficients and tape values together.

    Attributes
    ----------
    mean : shape (65,)
        60 coefficients in degrees, then (ln length, ln |arm|, rise, camber gain,
        stud lean).
    cov : shape (65, 65)
    """

    mean: Array
    cov: Array


def tape_features(tape: Array, mean: Array, cov: Array) -> Array:
    """Quadratic features of standardised tape values, (n, 5) to (n, 21)."""
    t = (tape - mean) / np.sqrt(np.diag(cov))
    i, j = np.triu_indices(N_TAPE)
    return np.concatenate([np.ones((len(t), 1)), t, t[:, i] * t[:, j]], axis=1)


@cache
def population_moments(ahead: bool, end: StackEnd) -> PopulationMoments:
    """Load the stored numbers of one kind of corner."""
    stored = np.load(PRIOR_FILE)[int(ahead), ENDS.index(end)]
    return PopulationMoments(**{f.name: stored[f.name] for f in fields(PopulationMoments)})


def tape_posterior(moments: PopulationMoments, tape: Tape) -> tuple[Array, Array]:
    """Mean (5,) and covariance (5, 5) of the true tape values given those measured."""
    return given_tape(moments.tape_mean, moments.tape_cov, tape)


def given_tape(mean: Array, cov: Array, tape: Tape) -> tuple[Array, Array]:
    """Condition a Gaussian whose last five entries are the tape values on those measured.

    ``mean`` and ``cov`` have shape (n,), (n, n); so have the mean and covariance returned.
    """
    first = len(mean) - N_TAPE
    for place, value, sd in _tape_rows(tape):
        index = first + place
        gain = cov[:, index] / (cov[index, index] + sd**2)
        mean = mean + gain * (value - mean[index])
        cov = cov - np.outer(gain, cov[index])
    return mean, (cov + cov.T) / 2


def corner_prior(ahead: bool, tape: Tape, end: StackEnd = "outer") -> Prior:
    """Prior of a corner's surface.

    The reference curve's own coefficients are nearly free: zero mean, a multiple of the
    population's spread, no tie to how the corner answers to height and length.

    Parameters
    ----------
    ahead : outer joint ahead of the line through the carrier's pivots
    tape : what the crew measured, with standard deviations
    end : which joint carries the shims
    """
    moments = population_moments(ahead, end)
    return _moment_match(moments, tape, 1.0 if ahead else -1.0)


def _moment_match(moments: PopulationMoments, tape: Tape, side: float) -> Prior:
    tape_mean, tape_cov = tape_posterior(moments, tape)
    draws = (
        tape_mean
        + _standard_draws()
        @ np.linalg.cholesky(tape_cov + 1e-12 * np.diag(np.diag(moments.tape_cov))).T
    )
    sizes = arc_sizes(np.exp(draws[:, 0]), side * np.exp(draws[:, 1]))
    scaled = tape_features(draws, moments.tape_mean, moments.tape_cov) @ moments.weight.T
    joint = np.concatenate([sizes * scaled, draws], axis=1)
    mean = joint.mean(axis=0)
    off = joint - mean
    cov = off.T @ off / len(off)
    c = slice(0, N_COEFFICIENT)
    cov[c, c] += (sizes.T @ sizes / len(sizes)) * moments.residual_cov
    f0 = slice(0, N_POWER)
    mean[f0] = 0.0
    cov[f0, :] = 0.0
    cov[:, f0] = 0.0
    cov[f0, f0] = np.outer(BASELINE_WIDENING, BASELINE_WIDENING) * moments.baseline_cov
    return Prior(mean=mean, cov=cov)


@cache
def _standard_draws() -> Array:
    """Fixed standard normal draws, (512, 5), of mean and covariance exactly nought and one.

    Stored, since numpy's generator takes as long to load as the rest of the prior.
    """
    return np.asarray(np.load(DRAWS_FILE))


def _tape_rows(tape: Tape) -> list[tuple[int, float, float]]:
    """(place in the five, value, standard deviation) of those taken; the first two as logs."""

    def log(m: Measured) -> Measured:
        return Measured(value=float(np.log(m.value)), sd=m.sd / m.value)

    values = (
        tape.length_mm and log(tape.length_mm),
        tape.arm_mm and log(tape.arm_mm),
        tape.rise_mm,
        tape.lean_in_rad_per_mm,
        tape.stud_lean_rad,
    )
    return [(i, m.value, m.sd) for i, m in enumerate(values) if m is not None]
