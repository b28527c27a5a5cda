"""What one run's rows testify: their likelihood, given what the other runs foretell.

Likelihoods are taken over how loud the gauge may be, since the stated reading noise is
the crew's guess; updates of the surface keep the stated one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from optimizer.measure.curve import RawRows, raw_rows
from optimizer.model.basis import N_COEFFICIENT, design_matrix
from optimizer.model.surface import gaussian_update
from optimizer.record import record
from optimizer.records import Gauge, Reading

Array = NDArray[np.float64]
State = tuple[Array, Array]

# how many times the stated reading noise the true one may be, and how likely
LOUDNESS = np.array([0.7, 1.0, 1.5, 2.5])
LOUDNESS_LOG_WEIGHT = np.log([0.2, 0.5, 0.25, 0.05])
AS_STATED = 1


@record
class Testimony:
    """One run as evidence: where it was set, and its rows.

    Attributes
    ----------
    name : the run's
    height_mm, change_mm : its setting, from the reference
    rows, readings : its rows with their covariance, and the readings they came from
    """

    name: str
    height_mm: float
    change_mm: float
    rows: RawRows
    readings: tuple[Reading, ...]

    @cached_property
    def design(self) -> Array:
        """Rows of the surface at this setting, shape (n_row, 60)."""
        n = len(self.rows.travel_mm)
        return design_matrix(
            np.full(n, self.height_mm), np.full(n, self.change_mm), self.rows.travel_mm
        )

    def moved(self, setting: tuple[float, float]) -> Testimony:
        """The same rows at another setting."""
        return replace(self, height_mm=setting[0], change_mm=setting[1])

    def widened(self, shape: Array) -> Testimony:
        """The same rows, uncertain by one more thing of this shape, (n_row,), degrees."""
        common = self.rows.common_deg2 + np.outer(shape, shape)
        return replace(self, rows=replace(self.rows, common_deg2=common))


def testimony(
    name: str, setting: tuple[float, float], readings: Sequence[Reading], gauge: Gauge
) -> Testimony:
    """A run's readings as evidence at its setting.

    Raises
    ------
    TooFewReadingsError
        As :func:`optimizer.measure.curve.toe_curve`.
    """
    return Testimony(
        name=name,
        height_mm=setting[0],
        change_mm=setting[1],
        rows=raw_rows(name, readings, gauge),
        readings=tuple(readings),
    )


class Foretelling:
    """A run's rows beside what a state of the surface foretells of them."""

    def __init__(self, state: State, run: Testimony) -> None:
        mean, cov = state[0][:N_COEFFICIENT], state[1][:N_COEFFICIENT, :N_COEFFICIENT]
        known = run.design @ cov @ run.design.T + run.rows.common_deg2
        self.whole = known + LOUDNESS[:, None, None] ** 2 * run.rows.noise_deg2
        self.rows_deg = run.rows.toe_deg
        self.gap = self.rows_deg - run.design @ mean

    def log_density(self) -> float:
        """Log density of the rows."""
        # a stack of matrices wants a stack of columns: numpy before 2 takes nothing less
        solved = np.asarray(np.linalg.solve(self.whole, self.gap[None, :, None])[..., 0])
        return float(np.logaddexp.reduce(self._logs(solved)))

    def widened(self, shapes: Array) -> tuple[float, Array]:
        """Log density as it stands, and with one more thing unknown, (n_shape,).

        ``shapes``, (n_row, n_shape), are in degrees: row k moves by its shape times a
        standard normal number. A rank-one change of the covariance needs no new
        factorisation (Sherman and Morrison 1950; the matrix determinant lemma).
        """
        columns = np.column_stack([self.gap, shapes])
        solved = np.asarray(np.linalg.solve(self.whole, columns[None]))
        logs = self._logs(solved[..., 0])
        pull = solved[..., 0] @ shapes
        size = 1.0 + np.sum(shapes * solved[..., 1:], axis=-2)
        gained = 0.5 * (pull**2 / size - np.log(size))
        return (
            float(np.logaddexp.reduce(logs)),
            np.asarray(np.logaddexp.reduce(logs[:, None] + gained, axis=0)),
        )

    def misfit_sd(self) -> Array:
        """How many deviations each row is off what all others foretell, (n_row,)."""
        inverse = np.linalg.inv(self.whole[AS_STATED])
        return np.asarray(inverse @ self.gap / np.sqrt(np.diag(inverse)))

    def size_deg(self) -> float:
        """Root mean square that is foretold of the rows' toe change."""
        foretold = (self.rows_deg - self.gap) ** 2 + np.diag(self.whole[AS_STATED])
        return float(np.sqrt(np.mean(foretold)))

    def _logs(self, solved: Array) -> Array:
        roots = np.linalg.cholesky(self.whole)
        logs = -np.sum(np.log(np.diagonal(roots, axis1=-2, axis2=-1)), axis=-1)
        constant = 0.5 * len(self.gap) * np.log(2.0 * np.pi)
        return np.asarray(LOUDNESS_LOG_WEIGHT + logs - 0.5 * solved @ self.gap - constant)


def updated(state: State, run: Testimony) -> State:
    """The surface after this run, at the stated noise."""
    noise = run.rows.noise_deg2 + run.rows.common_deg2
    mean, cov, _ = gaussian_update(*state, run.design, run.rows.toe_deg, noise)
    return mean, cov


class Chain:
    """Runs in order, each foretold by those before it."""

    def __init__(self, prior: State, runs: Sequence[Testimony]) -> None:
        self.runs = list(runs)
        self.states, self.totals = [prior], [0.0]
        for run in runs:
            self.totals.append(self.totals[-1] + Foretelling(self.states[-1], run).log_density())
            self.states.append(updated(self.states[-1], run))

    def retold(self, runs: Sequence[Testimony]) -> float:
        """Log density of all runs, some of them told anew, less that of the runs as they are."""
        first = next(
            (k for k, (a, b) in enumerate(zip(self.runs, runs, strict=True)) if a is not b),
            len(self.runs),
        )
        state, total = self.states[first], self.totals[first]
        for k, run in enumerate(runs[first:], first + 1):
            total += Foretelling(state, run).log_density()
            if k < len(runs):
                state = updated(state, run)
        return total - self.totals[-1]
