"""The response surface: toe change over travel, joint height and link length.

A Gaussian over 60 coefficients (see :mod:`optimizer.model.basis`) and the corner's
tape values together. Fitting is a Gaussian update in closed form (Rasmussen and
Williams, *Gaussian Processes for Machine Learning*, 2006, section 2.1): no
optimiser, no local minima, no randomness, and numpy alone.

The class keeps scikit-learn's estimator habits (``fit``, ``predict``, ``score``,
``get_params``, ``set_params``, ``__sklearn_tags__``), so that library's validation
and comparison tools work on it, but it does not load scikit-learn.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Literal, Self, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.errors import CallError, TooFewReadingsError
from optimizer.model.arc import Link, eccentric_shift_mm, static_toe_error_deg
from optimizer.model.basis import (
    N_COEFFICIENT,
    N_POWER,
    N_SETTING_TERM,
    TRAVEL_SCALE_MM,
    design_matrix,
    setting_terms,
    travel_terms,
)
from optimizer.model.prior import Prior, corner_prior
from optimizer.record import record
from optimizer.records import MeasuredPoints, StackEnd, Tape

Array = NDArray[np.float64]

_PARAMS = ("ahead", "end", "tape", "points", "reading_sd_deg", "zero_sd_deg", "tilt_sd_deg")


@record
class SettingCurve:
    """One run's toe curve with the setting it was taken at; travel excludes ride height.

    ``travel_mm`` and ``toe_deg`` have shape (n_travel,), ``cov_deg2`` (n_travel, n_travel).
    """

    height_mm: float
    length_change_mm: float
    travel_mm: Array
    toe_deg: Array
    cov_deg2: Array


@record
class LoggedStaticToe:
    """Static toe of a run against the reference run's, with the eccentric logged at both.

    ``shift_mm`` is how far the inner pivot stood inboard of the reference mark,
    ``toe_change_deg`` how much static toe had moved (toe-in plus), ``sd_deg`` its
    standard deviation; ``lift_mm`` is how far a free cam had raised the pivot.
    """

    height_mm: float
    length_change_mm: float
    shift_mm: float
    toe_change_deg: float
    sd_deg: float
    lift_mm: float = 0.0


class ToeSurface:
    """Response surface of one corner.

    Parameters
    ----------
    ahead : bool
        Outer joint ahead of the line through the carrier's pivots.
    end : "outer" or "inner"
        Which joint carries the shims.
    tape : Tape or None
        Tape values at the reference setting, with their standard deviations.
    points : MeasuredPoints or None
        Hard points at the reference setting; with them the exact mechanism is the
        prior mean, without them the population's.
    reading_sd_deg, zero_sd_deg, tilt_sd_deg : float
        Noise that ``fit`` assumes when it is given no covariance: of a reading, of
        the run's common zero, and of remounting the rig (at 40 mm of travel).

    Attributes
    ----------
    mean_ : shape (65,)
        Posterior mean of the 60 coefficients (degrees) and the 5 tape values.
    cov_ : shape (65, 65)
        Their covariance.
    log_evidence_ : float
        Log density of the data under the prior.
    n_features_in_ : 3
    """

    mean_: Array
    cov_: Array
    log_evidence_: float
    n_features_in_: int

    def __init__(
        self,
        *,
        ahead: bool = True,
        end: StackEnd = "outer",
        tape: Tape | None = None,
        points: MeasuredPoints | None = None,
        reading_sd_deg: float = 0.008,
        zero_sd_deg: float = 0.006,
        tilt_sd_deg: float = 0.01,
    ) -> None:
        self.ahead = ahead
        self.end = end
        self.tape = tape
        self.points = points
        self.reading_sd_deg = reading_sd_deg
        self.zero_sd_deg = zero_sd_deg
        self.tilt_sd_deg = tilt_sd_deg

    def get_params(self, deep: bool = True) -> dict[str, Any]:
        """Constructor arguments by name."""
        return {name: getattr(self, name) for name in _PARAMS}

    def set_params(self, **params: Any) -> Self:
        """Set constructor arguments by name; CallError on an unknown one."""
        for name, value in params.items():
            if name not in _PARAMS:
                raise CallError(f"unknown parameter {name!r}", f"use one of {', '.join(_PARAMS)}")
            setattr(self, name, value)
        return self

    def __sklearn_tags__(self) -> Any:
        from sklearn.base import BaseEstimator, RegressorMixin

        class _Tagged(RegressorMixin, BaseEstimator):  # type: ignore[misc]
            pass

        return _Tagged().__sklearn_tags__()

    def __sklearn_is_fitted__(self) -> bool:
        return hasattr(self, "mean_")

    def fit(
        self,
        X: ArrayLike,
        y: ArrayLike,
        groups: ArrayLike | None = None,
        y_cov: ArrayLike | None = None,
    ) -> Self:
        """Fit to toe changes.

        Parameters
        ----------
        X : shape (n_point, 3)
            Travel, joint height and length change in mm; ride height rows carry
            no information and are dropped.
        y : shape (n_point,)
            Toe change in degrees.
        groups : shape (n_point,), optional
            Run of each point; noise is common within a run. One run if left out.
        y_cov : shape (n_point, n_point), optional
            Covariance of y; only blocks within a run are used. Built from the
            noise parameters if left out.
        """
        points, target = _checked(X, y)
        run = np.zeros(len(target)) if groups is None else np.asarray(groups)
        if len(run) != len(target):
            raise CallError("groups and y differ in length", "give one group per point")
        full = None if y_cov is None else np.asarray(y_cov, float)
        rows, covs, targets = [], [], []
        for name in dict.fromkeys(run.tolist()):
            at = np.flatnonzero((run == name) & (points[:, 0] != 0.0))
            if len(at) == 0:
                continue
            rows.append(design_matrix(points[at, 1], points[at, 2], points[at, 0]))
            covs.append(self._default_cov(points[at, 0]) if full is None else full[np.ix_(at, at)])
            targets.append(target[at])
        return self._update(zip(rows, targets, covs, strict=True))

    def fit_curves(
        self, curves: Sequence[SettingCurve], logged: Sequence[LoggedStaticToe] = ()
    ) -> Self:
        """Fit to whole toe curves, each with its own covariance, and to logged static toe.

        Static toe that was logged at known eccentric marks says how far the pivot
        really had to move, so it sharpens the link's rise and the stud's lean.
        """
        if not curves:
            raise TooFewReadingsError("no run has readings", "measure one run and enter it")
        self._update(
            (
                design_matrix(
                    np.full(len(c.travel_mm), c.height_mm),
                    np.full(len(c.travel_mm), c.length_change_mm),
                    c.travel_mm,
                ),
                c.toe_deg,
                c.cov_deg2,
            )
            for c in curves
        )
        for row in logged:
            self.learn_static_toe(row)
        return self

    def static_toe_misfit(self, logged: LoggedStaticToe) -> float:
        """How many standard deviations a logged static toe is off what is known so far."""
        rows, gap = self._static_toe_row(logged)
        spread = float((rows @ self.cov_ @ rows.T)[0, 0]) + logged.sd_deg**2
        return gap / float(np.sqrt(spread))

    def learn_static_toe(self, logged: LoggedStaticToe) -> Self:
        """Update on one static toe, the shift formula linearised at the present mean."""
        rows, gap = self._static_toe_row(logged)
        self.mean_, self.cov_, gained = gaussian_update(
            self.mean_,
            self.cov_,
            rows,
            np.array([gap]) + rows @ self.mean_,
            np.array([[logged.sd_deg**2]]),
        )
        self.log_evidence_ += gained
        return self

    def _static_toe_row(self, logged: LoggedStaticToe) -> tuple[Array, float]:
        """Row (1, 65) of the linearised static toe, and observed less expected, degrees."""
        side = 1.0 if self.ahead else -1.0
        height, change = logged.height_mm, logged.length_change_mm

        def toe_left_deg(tape: Array) -> Array:
            link = Link(
                length_mm=np.exp(tape[:, 0]),
                arm_mm=side * np.exp(tape[:, 1]),
                rise_mm=tape[:, 2],
                lean_in_rad_per_mm=tape[:, 3],
                stud_lean_rad=tape[:, 4],
            )
            needed = eccentric_shift_mm(link, height, change, end=self.end, lift_mm=logged.lift_mm)
            return static_toe_error_deg(link, needed - logged.shift_mm)

        here = self.mean_[N_COEFFICIENT:]
        step = 1e-3 * np.sqrt(np.diag(self.cov_)[N_COEFFICIENT:]) + 1e-9
        moved = np.concatenate([here + np.diag(step), here - np.diag(step)])
        toe = toe_left_deg(moved)
        slope = (toe[: len(step)] - toe[len(step) :]) / (2.0 * step)
        rows = np.concatenate([np.zeros(N_COEFFICIENT), slope])[None, :]
        return rows, logged.toe_change_deg - float(toe_left_deg(here[None, :])[0])

    def _default_cov(self, travel_mm: Array) -> Array:
        tilt = travel_mm / TRAVEL_SCALE_MM * self.tilt_sd_deg
        return np.asarray(
            np.eye(len(travel_mm)) * self.reading_sd_deg**2
            + self.zero_sd_deg**2
            + np.outer(tilt, tilt)
        )

    def _prior(self) -> Prior:
        tape = self.tape or Tape()
        if self.points is not None:
            from optimizer.model.hard_prior import hard_point_prior  # few corners have points

            return hard_point_prior(self.points, self.ahead, tape, self.end)
        return corner_prior(self.ahead, tape, self.end)

    def prior_state(self) -> tuple[Array, Array]:
        """Mean (65,) and covariance (65, 65) before any reading."""
        prior = self._prior()
        return prior.mean.copy(), prior.cov.copy()

    def _update(self, blocks: Iterator[tuple[Array, Array, Array]] | Any) -> Self:
        prior = self._prior()
        mean, cov = prior.mean.copy(), prior.cov.copy()
        evidence = 0.0
        for rows, target, noise in blocks:
            mean, cov, gained = gaussian_update(mean, cov, rows, target, noise)
            evidence += gained
        self.mean_, self.cov_, self.log_evidence_ = mean, cov, evidence
        self.n_features_in_ = 3
        return self

    @overload
    def predict(
        self,
        X: ArrayLike,
        return_std: Literal[False] = ...,
        return_cov: Literal[False] = ...,
    ) -> Array: ...

    @overload
    def predict(
        self,
        X: ArrayLike,
        return_std: bool = ...,
        return_cov: bool = ...,
    ) -> Any: ...

    def predict(
        self,
        X: ArrayLike,
        return_std: bool = False,
        return_cov: bool = False,
    ) -> Any:
        """Mean toe change in degrees at points (n_point, 3), with spread if asked.

        Returns
        -------
        mean (n_point,), or (mean, sd), or (mean, cov (n_point, n_point)); of the
        true curve, so without the noise of a new reading.
        """
        self._check_fitted()
        points, _ = _checked(X, None)
        rows = design_matrix(points[:, 1], points[:, 2], points[:, 0])
        mean = rows @ self.mean_[:N_COEFFICIENT]
        if not (return_std or return_cov):
            return mean
        cov = rows @ self.cov_[:N_COEFFICIENT, :N_COEFFICIENT] @ rows.T
        if return_cov:
            return mean, cov
        return mean, np.sqrt(np.maximum(np.diag(cov), 0.0))

    def score(self, X: ArrayLike, y: ArrayLike) -> float:
        """Coefficient of determination of the mean, as scikit-learn's regressors give."""
        points, target = _checked(X, y)
        rest = np.sum((target - self.predict(points)) ** 2)
        return float(1.0 - rest / np.sum((target - target.mean()) ** 2))

    def curve(
        self, height_mm: float, length_change_mm: float, travel_mm: ArrayLike
    ) -> tuple[Array, Array]:
        """Mean (n_travel,) and covariance (n_travel, n_travel) at one setting, degrees."""
        travel = np.asarray(travel_mm, float)
        mean, cov = self.predict(
            np.stack(
                [travel, np.full(len(travel), height_mm), np.full(len(travel), length_change_mm)],
                axis=1,
            ),
            return_cov=True,
        )
        return mean, cov

    def mean_square_form(
        self,
        travel_mm: Array,
        weight: Array,
        wanted_deg: Array | float = 0.0,
        *,
        spread: bool = True,
    ) -> Array:
        """Matrix K (10, 10) with E[mean square] = psi' K psi for any setting.

        The mean square is the weighted average of (toe change - wanted)^2 over the
        true curve; ``psi`` are :func:`setting_terms`. Exact, since the score is
        quadratic in the coefficients; so a hundred thousand settings cost one
        small product. Without ``spread`` it is the score of the mean curve.
        """
        self._check_fitted()
        terms = travel_terms(travel_mm)
        form = terms.T @ (weight[:, None] * terms)
        mean = self.mean_[:N_COEFFICIENT].reshape(N_SETTING_TERM, N_POWER)
        cov = self.cov_[:N_COEFFICIENT, :N_COEFFICIENT].reshape(
            N_SETTING_TERM, N_POWER, N_SETTING_TERM, N_POWER
        )
        matrix = mean @ form @ mean.T
        if spread:
            matrix = matrix + np.einsum("ikjl,kl->ij", cov, form)
        wanted = np.broadcast_to(np.asarray(wanted_deg, float), np.shape(travel_mm))
        pull = mean @ (terms.T @ (weight * wanted))
        matrix[0] -= pull
        matrix[:, 0] -= pull
        matrix[0, 0] += float(weight @ wanted**2)
        return np.asarray(matrix)

    def draws(self, n_draw: int, seed: int = 11) -> Array:
        """Fixed draws of coefficients and tape values, shape (n_draw, 65).

        Seeded and paired by sign, so the same logbook always gives the same answer.
        """
        self._check_fitted()
        half = np.random.default_rng(seed).standard_normal(((n_draw + 1) // 2, len(self.mean_)))
        normal = np.concatenate([half, -half])[:n_draw]
        return np.asarray(self.mean_ + normal @ scaled_root(self.cov_).T)

    def _check_fitted(self) -> None:
        if not hasattr(self, "mean_"):
            raise CallError("the surface has not been fitted", "call fit first")


def gaussian_update(
    mean: Array, cov: Array, rows: Array, target: Array, noise: Array
) -> tuple[Array, Array, float]:
    """Condition a Gaussian on ``target = rows @ x[:n] + noise``.

    Parameters
    ----------
    mean, cov : shape (n,), (n, n)
    rows : shape (n_obs, m) with m <= n; acts on the first m entries
    target, noise : shape (n_obs,), (n_obs, n_obs)

    Returns
    -------
    mean, covariance and the log density of the target.

    Raises
    ------
    CallError
        If the noise covariance is not positive definite beside the prior's.
    """
    m = rows.shape[1]
    cross = cov[:, :m] @ rows.T
    spread = rows @ cross[:m] + noise
    root = root_of(spread)
    white = np.linalg.solve(root, cross.T)
    gap = np.linalg.solve(root, target - rows @ mean[:m])
    evidence = -0.5 * (
        float(gap @ gap) + 2.0 * float(np.sum(np.log(np.diag(root)))) + len(gap) * np.log(2 * np.pi)
    )
    after = cov - white.T @ white
    return mean + white.T @ gap, (after + after.T) / 2.0, evidence


def root_of(cov: Array) -> Array:
    """Lower root (n, n) of readings' covariance.

    Raises
    ------
    CallError
        If it is not positive definite: readings without noise between them.
    """
    try:
        return np.asarray(np.linalg.cholesky(cov))
    except np.linalg.LinAlgError as exc:
        raise CallError(
            "two readings contradict each other with no noise between them",
            "state the gauge's reading noise",
        ) from exc


def draw_scores_deg(
    draws: Array,
    height_mm: ArrayLike,
    length_change_mm: ArrayLike,
    travel_mm: Array,
    weight: Array,
    wanted_deg: Array | float = 0.0,
) -> Array:
    """Weighted RMS departure of each draw at each setting, shape (n_draw, n_setting)."""
    psi = setting_terms(height_mm, length_change_mm)
    by_term = draws[:, :N_COEFFICIENT].reshape(len(draws), N_SETTING_TERM, N_POWER)
    curves = np.einsum("sm,dmk->dsk", psi, by_term) @ travel_terms(travel_mm).T
    return np.asarray(np.sqrt((curves - wanted_deg) ** 2 @ weight))


def scaled_root(cov: Array) -> Array:
    """A root of a covariance that may be singular to rounding, (n, n): root @ root.T gives it.

    The symmetric one of the correlations, times the deviations. Of all roots it moves as
    little as the covariance does: eigenvectors change sign and mix where values are near each
    other, by the last bit of a reading or by another build of the library, and draws made
    along them would be others each time.
    """
    scale = np.sqrt(np.maximum(np.diag(cov), 1e-300))
    value, vector = np.linalg.eigh(cov / np.outer(scale, scale))
    root = vector * np.sqrt(np.maximum(value, 0.0)) @ vector.T
    return np.asarray(scale[:, None] * root)


def _checked(x: ArrayLike, y: ArrayLike | None) -> tuple[Array, Array]:
    points = np.asarray(x, float)
    if points.ndim != 2 or points.shape[1] != 3:
        raise CallError(
            f"points have shape {points.shape}, not (n, 3)",
            "give travel, joint height and length change in mm",
        )
    target = np.zeros(len(points)) if y is None else np.asarray(y, float)
    if target.shape != (len(points),):
        raise CallError("y and X differ in length", "give one toe change per point")
    if not (np.all(np.isfinite(points)) and np.all(np.isfinite(target))):
        raise CallError("a point or toe change is not a finite number", "drop or mend it")
    return points, target
