"""Readings, averages and figures of shape against general libraries and closed forms.

Sources: GUM, JCGM 100:2008: 4.2.3 (an average's uncertainty), eq. 10 and 13 (propagation
with and without correlation), from memory; plane trigonometry; the error of the
trapezoid rule (Euler and Maclaurin), any text on numerical analysis. Yardsticks where no
published figure is to be had: numpy.polynomial, scipy.integrate, scipy.optimize,
scipy.stats and scikit-learn's Gaussian process regression.
"""

from __future__ import annotations

import cmath
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from numpy.polynomial import polynomial
from numpy.typing import NDArray
from scipy.integrate import fixed_quad, quad
from scipy.optimize import curve_fit
from scipy.stats import truncnorm
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import DotProduct

from optimizer.measure.curve import ToeCurve, slope_at_zero, toe_curve
from optimizer.measure.gauge import loop_noise_deg, reading_noise_deg, toe_from_reading_deg
from optimizer.measure.shape import curve_shape, window_weights
from optimizer.model.basis import N_COEFFICIENT, design_matrix
from optimizer.model.prior import corner_prior
from optimizer.model.surface import SettingCurve, ToeSurface
from optimizer.model.validate import left_out_runs
from optimizer.records import Gauge, Measured, Reading, Tape

Array = NDArray[np.float64]

SD = 0.02
# reading noise alone: the other causes are switched on one at a time
PLAIN = Gauge(
    kind="direct-angle",
    reading_sd=SD,
    travel_sd_mm=0.0,
    travel_scale_sd=0.0,
    tilt_sd_deg=0.0,
    loop_sd=0.0,
)
TRAVEL = np.array([-50.0, -37.5, -25.0, -12.5, 12.5, 25.0, 37.5, 50.0])


def _readings(passes: dict[str, dict[float, float]]) -> list[Reading]:
    return [
        Reading(run="r", sweep=name, travel_mm=z, value=v)
        for name, one in passes.items()
        for z, v in {0.0: 0.0, **one}.items()
    ]


def _line(slope: float) -> dict[float, float]:
    return {float(z): slope * float(z) for z in TRAVEL}


def _curve(toe: Array, cov: Array, travel: Array = TRAVEL) -> ToeCurve:
    return ToeCurve(
        run="r",
        travel_mm=travel,
        toe_deg=toe,
        cov_deg2=cov,
        repeat_sd_deg=None,
        noise_factor=1.0,
        return_to_zero_deg=None,
        sweeps=("up1",),
    )


def _correlated(seed: int) -> Array:
    """A covariance with nothing special about it, deviations about 0.02 degrees."""
    mix = np.random.default_rng(seed).normal(0.0, 0.01, (8, 8))
    return np.asarray(mix @ mix.T + np.eye(8) * 0.01**2)


@pytest.mark.parametrize("reading_mm", [-12.0, -0.0254, 0.5, 3.0, 300.0])
def test_a_reading_is_the_angle_of_a_right_triangle(reading_mm: float) -> None:
    gauge = Gauge(span_mm=300.0)
    wanted = np.rad2deg(cmath.phase(complex(300.0, reading_mm)))
    # rounding only
    assert float(toe_from_reading_deg(gauge, reading_mm)) == pytest.approx(wanted, rel=1e-14)
    # a small reading's noise turns by its own size over the span, a 57.2957795th of a radian
    quiet = replace(gauge, reading_sd=0.03, loop_sd=0.06)
    assert reading_noise_deg(quiet) == pytest.approx(1e-4 * 57.29577951308232, rel=1e-14)
    assert loop_noise_deg(quiet) == pytest.approx(2e-4 * 57.29577951308232, rel=1e-14)


def test_one_pass_shares_its_zero() -> None:
    """Reading less zero, both of the same noise: sigma^2 (I + 1 1^T)."""
    curve = toe_curve("r", _readings({"up1": _line(0.004)}), PLAIN)
    # rounding only
    assert curve.cov_deg2 == pytest.approx(SD**2 * (np.eye(8) + 1.0), rel=1e-12)
    assert curve.sd_deg == pytest.approx(np.full(8, SD * 2.0**0.5), rel=1e-12)


@pytest.mark.parametrize("n", [2, 5])
def test_an_average_of_passes_has_a_share_of_the_variance(n: int) -> None:
    passes = {f"up{i}": _line(0.004) for i in range(n)}
    curve = toe_curve("r", _readings(passes), PLAIN)
    # repeats that agree to the last digit pull the noise down, six repeats' worth of prior
    # against 8 (n - 1) degrees of freedom, but not below half
    assert curve.noise_factor == pytest.approx(max(np.sqrt(6.0 / (6.0 + 8.0 * (n - 1))), 0.5))
    wanted = SD**2 / n * (np.eye(8) + 1.0) * curve.noise_factor**2
    assert curve.cov_deg2 == pytest.approx(wanted, rel=1e-12)
    assert curve.repeat_sd_deg == pytest.approx(0.0, abs=1e-12)


def test_a_pass_that_lacks_a_travel() -> None:
    """A, 25 mm in both passes, and B, 50 mm in the first: var s^2 and 2 s^2, cov s^2 / 2."""
    passes = {"up1": {25.0: 0.1, 50.0: 0.2}, "down1": {25.0: 0.1}}
    curve = toe_curve("r", _readings(passes), PLAIN)
    wanted = SD**2 * np.array([[1.0, 0.5], [0.5, 2.0]]) * curve.noise_factor**2
    assert curve.cov_deg2 == pytest.approx(wanted, rel=1e-12)
    assert curve.noise_factor == pytest.approx(np.sqrt(6.0 / 7.0), rel=1e-12)


def test_repeats_are_judged_by_their_differences() -> None:
    """Two passes: differences d have covariance 2 s^2 (I + 1 1^T), whose inverse is known.

    (I + 1 1^T)^-1 = I - 1 1^T / (n + 1) (Sherman and Morrison), so chi-square is
    (sum d^2 - (sum d)^2 / (n + 1)) / (2 s^2), on n degrees of freedom.
    """
    rng = np.random.default_rng(6)
    one, two = (0.004 * TRAVEL + rng.normal(0.0, 2.0 * SD, 8) for _ in range(2))
    passes = {
        name: {float(z): float(v) for z, v in zip(TRAVEL, toe, strict=True)}
        for name, toe in (("up1", one), ("up2", two))
    }
    curve = toe_curve("r", _readings(passes), PLAIN)
    d = one - two
    chi2 = (d @ d - np.sum(d) ** 2 / 9.0) / (2.0 * SD**2)
    # rounding only
    assert curve.noise_factor == pytest.approx(np.sqrt((6.0 + chi2) / 14.0), rel=1e-10)
    assert curve.noise_factor > 1.2
    assert curve.toe_deg == pytest.approx((one + two) / 2.0, abs=1e-15)
    # two readings about their mean: d^2 / 2 each, eight degrees of freedom
    assert curve.repeat_sd_deg == pytest.approx(np.sqrt(d @ d / 2.0 / 8.0), rel=1e-12)


def test_each_cause_adds_what_propagation_says() -> None:
    """A straight curve of 0.004 degrees a mm; slope times travel error, GUM eq. 10 and 13."""
    passes = _readings({"up1": _line(0.004)})
    plain = toe_curve("r", passes, PLAIN).cov_deg2

    def added(gauge: Gauge) -> Array:
        return np.asarray(toe_curve("r", passes, gauge).cov_deg2 - plain)

    # differences of covariances of 1e-3: rounding is far under 1e-12
    travel = added(replace(PLAIN, travel_sd_mm=0.5))
    assert travel == pytest.approx((0.004 * 0.5) ** 2 * (np.eye(8) + 1.0), abs=1e-12)
    scale = added(replace(PLAIN, travel_scale_sd=0.01))
    assert scale == pytest.approx(np.outer(TRAVEL, TRAVEL) * (0.004 * 0.01) ** 2, abs=1e-12)
    tilt = added(replace(PLAIN, tilt_sd_deg=0.02))
    assert tilt == pytest.approx(np.outer(TRAVEL, TRAVEL) * (0.02 / 40.0) ** 2, abs=1e-12)
    # a loop that closes at the ends and is widest at ride height is a bow once re-zeroed
    bow = (TRAVEL / 50.0) ** 2
    loop = added(replace(PLAIN, loop_sd=0.03))
    assert loop == pytest.approx(np.outer(bow, bow) * 0.03**2, abs=1e-12)
    step = added(replace(PLAIN, resolution=0.06))
    assert step == pytest.approx(0.06**2 / 12.0 * (np.eye(8) + 1.0), abs=1e-12)


def test_the_loop_goes_out_with_equal_passes() -> None:
    both = _readings({"up1": _line(0.004), "down1": _line(0.004)})
    with_loop = toe_curve("r", both, replace(PLAIN, loop_sd=0.03))
    without = toe_curve("r", both, PLAIN)
    # passes that agree say little either way: the same factor to rounding
    assert with_loop.cov_deg2 == pytest.approx(without.cov_deg2, abs=1e-12)


def test_slope_at_ride_height_is_the_cubic_s() -> None:
    rng = np.random.default_rng(14)
    toe = rng.normal(0.0, 0.1, 8)
    wanted = polynomial.polyfit(TRAVEL, toe, [1, 2, 3])
    # two solvers of one least-squares problem
    assert slope_at_zero(TRAVEL, toe) == pytest.approx(wanted[1], rel=1e-10)


@pytest.mark.parametrize("window", [(-60.0, 60.0), (-30.0, 50.0), (0.0, 45.0)])
def test_window_weights_average_polynomials(window: tuple[float, float]) -> None:
    """Straight lines exactly, parabolas and cubics but for the trapezoid rule's known excess.

    The rule's error is h^2 / 12 (f'(b) - f'(a)) and ends there up to the third degree.
    """
    node, weight = window_weights(window)
    low, high = window
    step = (high - low) / 40.0
    assert np.sum(weight) == pytest.approx(1.0, abs=1e-15)
    for degree in range(4):
        # three Gauss points are exact to the fifth degree
        exact = fixed_quad(lambda z, n=degree: z**n, low, high, n=3)[0]
        excess = step**2 / 12.0 * degree * (high ** max(degree - 1, 0) - low ** max(degree - 1, 0))
        wanted = (exact + excess) / (high - low)
        # rounding of sums as large as 60^3
        assert weight @ node**degree == pytest.approx(wanted, rel=1e-12, abs=1e-10)
    # of a parabola the excess is an eight-hundredth of the mean square at most
    square = (high**3 - low**3) / 3.0 / (high - low)
    assert weight @ node**2 == pytest.approx(square, rel=1.0 / 790.0)


def test_weights_about_ride_height_are_a_cut_normal() -> None:
    node, weight = window_weights((-40.0, 60.0), 20.0)
    law = truncnorm(-2.0, 3.0, scale=20.0)
    # 41 nodes, an eighth of the spread apart: the rule's error is 1/768 of the integrand's
    # slope at the ends, which is 0.16 for the mean and 0.22 for the square
    assert weight @ node == pytest.approx(law.mean(), abs=20.0 * 4e-4)
    assert weight @ (node - law.mean()) ** 2 == pytest.approx(law.var(), rel=5e-4)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_slope_bow_and_twist_are_generalised_least_squares(seed: int) -> None:
    toe = np.random.default_rng(seed).normal(0.0, 0.1, 8)
    cov = _correlated(seed)

    def cubic(z: Array, slope: float, bow: float, twist: float) -> Array:
        return slope * z / 25.0 + bow * (z / 50.0) ** 2 + twist * (z / 50.0) ** 3

    def slopes(z: Array, *_: float) -> Array:
        return np.stack([z / 25.0, (z / 50.0) ** 2, (z / 50.0) ** 3], axis=1)

    fit, fit_cov = curve_fit(
        cubic, TRAVEL, toe, np.zeros(3), sigma=cov, absolute_sigma=True, jac=slopes
    )
    shape = curve_shape(_curve(toe, cov), (-50.0, 50.0))
    figures = [f for f in (shape.slope, shape.bow, shape.twist) if f is not None]
    # two solvers of one least-squares problem
    assert [f.value for f in figures] == pytest.approx(fit, rel=1e-9)
    assert [f.sd for f in figures] == pytest.approx(np.sqrt(np.diag(fit_cov)), rel=1e-9)


def test_slope_bow_and_twist_are_numpy_s_with_unequal_noise() -> None:
    rng = np.random.default_rng(9)
    toe, sd = rng.normal(0.0, 0.1, 8), rng.uniform(0.01, 0.05, 8)
    fit = polynomial.polyfit(TRAVEL, toe, [1, 2, 3], w=1.0 / sd)
    shape = curve_shape(_curve(toe, np.diag(sd**2)), (-40.0, 40.0))
    figures = [f.value for f in (shape.slope, shape.bow, shape.twist) if f is not None]
    # two solvers of one least-squares problem
    assert figures == pytest.approx(fit[1:] * [25.0, 40.0**2, 40.0**3], rel=1e-9)


def test_rms_and_peak_to_peak() -> None:
    """Of the readings joined by straight lines, by scipy's quadrature between them."""
    toe = np.random.default_rng(21).normal(0.0, 0.1, 8)
    shape = curve_shape(_curve(toe, _correlated(4)), (-50.0, 50.0))
    knot = np.insert(TRAVEL, 4, 0.0)
    joined = np.insert(toe, 4, 0.0)
    square = [
        quad(lambda z: float(np.interp(z, knot, joined)) ** 2, a, b)[0] for a, b in pairwise(knot)
    ]
    # nodes every 2.5 mm fall on every reading, so the trapezoid rule's excess is
    # h^2 / 6 times the mean square of the slopes, exactly
    slope = np.diff(joined) / np.diff(knot)
    excess = 2.5**2 / 6.0 * np.mean(slope**2)
    assert shape.rms.value**2 == pytest.approx(np.sum(square) / 100.0 + excess, rel=1e-9)
    # five nodes an interval: the excess itself stays under a fiftieth
    assert shape.rms.value**2 == pytest.approx(np.sum(square) / 100.0, rel=0.05)
    assert shape.peak_to_peak.value == pytest.approx(np.ptp(joined), rel=1e-14)


def test_errors_of_rms_and_peak_to_peak_follow_their_derivatives() -> None:
    """GUM eq. 13 with derivatives by differences of the figures themselves."""
    toe = np.random.default_rng(22).normal(0.0, 0.1, 8)
    cov = _correlated(5)

    def figures(y: Array) -> Array:
        shape = curve_shape(_curve(y, cov), (-50.0, 50.0))
        return np.array([shape.rms.value, shape.peak_to_peak.value])

    step = 1e-5
    slope = np.array(
        [(figures(toe + step * e) - figures(toe - step * e)) / (2.0 * step) for e in np.eye(8)]
    )
    shape = curve_shape(_curve(toe, cov), (-50.0, 50.0))
    wanted = np.sqrt(np.diag(slope.T @ cov @ slope))
    # central differences of a step of 1e-4 of the curve err by its square
    assert [shape.rms.sd, shape.peak_to_peak.sd] == pytest.approx(wanted, rel=1e-6)


def test_left_out_runs_are_what_a_refit_elsewhere_foresees() -> None:
    """Each run predicted from the others by a Gaussian process that never saw it."""
    tape = Tape(length_mm=Measured(value=310.0, sd=3.0), arm_mm=Measured(value=105.0, sd=3.0))
    rng = np.random.default_rng(77)
    curves = [
        SettingCurve(
            height_mm=h,
            length_change_mm=d,
            travel_mm=TRAVEL[i % 2 :],
            toe_deg=(0.004 + 0.001 * i) * TRAVEL[i % 2 :] + rng.normal(0.0, 0.02, 8 - i % 2),
            cov_deg2=np.diag(rng.uniform(0.01, 0.03, 8 - i % 2) ** 2),
        )
        for i, (h, d) in enumerate([(0.0, 0.0), (2.0, -3.0), (-1.0, 4.0), (1.0, 0.0)])
    ]
    ours = left_out_runs(ToeSurface(ahead=True, tape=tape).fit_curves(curves), curves)
    prior = corner_prior(True, tape)
    value, vector = np.linalg.eigh(prior.cov[:N_COEFFICIENT, :N_COEFFICIENT])
    root = vector * np.sqrt(np.maximum(value, 0.0))
    before = prior.mean[:N_COEFFICIENT]
    rows = [
        design_matrix(
            np.full(len(c.travel_mm), c.height_mm),
            np.full(len(c.travel_mm), c.length_change_mm),
            c.travel_mm,
        )
        for c in curves
    ]
    for i, curve in enumerate(curves):
        others = [j for j in range(4) if j != i]
        process = GaussianProcessRegressor(
            DotProduct(0.0, "fixed"),
            alpha=np.concatenate([np.diag(curves[j].cov_deg2) for j in others]),
            optimizer=None,
        )
        process.fit(
            np.concatenate([rows[j] @ root for j in others]),
            np.concatenate([curves[j].toe_deg - rows[j] @ before for j in others]),
        )
        mean, cov = process.predict(rows[i] @ root, return_cov=True)
        miss = curve.toe_deg - rows[i] @ before - mean
        promised = np.diag(cov) + np.diag(curve.cov_deg2)
        wanted = (np.sqrt(np.mean(miss**2)), np.sqrt(np.mean(promised)))
        # the closed form undoes an update, which costs a few of sixteen digits
        assert ours[i] == pytest.approx(wanted, rel=1e-8)
