"""The Gaussian update and the surface's prediction against Bayesian lines.

Sources: C. Elster and B. Toman, *Metrologia* 48 (2011) 233, read, the data digitised
from its figure; GUM, JCGM 100:2008, Annex H.3, data read. The figures of H.3 with a
prior were recomputed in weight space and in function space (Rasmussen and Williams
2006, ch. 2), not read. Function space is scikit-learn's Gaussian process regression.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, DotProduct

from optimizer.model.basis import N_COEFFICIENT, N_POWER, SETTING_POWERS, design_matrix
from optimizer.model.prior import corner_prior
from optimizer.model.surface import ToeSurface, gaussian_update
from optimizer.records import Measured, Tape

Array = NDArray[np.float64]

T = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
B = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
ROWS = np.stack([np.ones(11), T - 20.0], axis=1)
SD = 0.0035
# travel at which the surface's scaled travel is 1, so that its line in height is this line
UNIT_TRAVEL_MM = 40.0


def _points(height: Array) -> Array:
    """Travel, joint height and length change of points that stand for temperatures less 20."""
    return np.stack([np.full(len(height), UNIT_TRAVEL_MM), height, np.zeros(len(height))], axis=1)


def _thermometer() -> ToeSurface:
    """A surface that is a line in joint height at one travel, conditioned on H.3's readings."""
    constant = SETTING_POWERS.index((0, 0)) * N_POWER
    slope = SETTING_POWERS.index((1, 0)) * N_POWER
    cov = np.zeros((65, 65))
    cov[constant, constant] = 0.1**2
    cov[slope, slope] = 0.01**2
    rows = design_matrix(T - 20.0, np.zeros(11), np.full(11, UNIT_TRAVEL_MM))
    surface = ToeSurface()
    surface.mean_, surface.cov_, surface.log_evidence_ = gaussian_update(
        np.zeros(65), cov, rows, B, np.eye(11) * SD**2
    )
    return surface


def test_elster_and_toman_s_parabola() -> None:
    x = np.arange(11) / 10.0
    y = np.array(
        [
            0.9823529, 0.6254902, 0.95490193, 0.7352941, 1.327451, 1.0764706, 1.382353,
            1.382353, 1.7039216, 1.6921569, 2.1039217,
        ]
    )  # fmt: skip
    rows = np.stack([np.ones(11), x**2], axis=1)
    mean, cov, _ = gaussian_update(np.zeros(2), np.eye(2) * 1e4, rows, y, np.eye(11) * 0.2**2)
    # published: b = 1.21 and 0.18, so within 0.005; points read off a figure to about 0.005
    # move b by another 0.18 * 0.005 / 0.2. The deviation needs no y
    assert mean[1] == pytest.approx(1.21, abs=0.005 + 0.0045)
    assert np.sqrt(cov[1, 1]) == pytest.approx(0.18, abs=0.005)


def test_gum_h3_with_a_prior() -> None:
    prior = np.diag([0.1**2, 0.01**2])
    mean, cov, evidence = gaussian_update(np.zeros(2), prior, ROWS, B, np.eye(11) * SD**2)
    # half of the last digit that was recomputed
    assert mean == pytest.approx([-0.17102361, 0.0021425], abs=5e-8)
    assert np.sqrt(np.diag(cov)) == pytest.approx([0.00287287, 0.00066668], abs=5e-9)
    at30 = np.array([1.0, 10.0])
    assert at30 @ mean == pytest.approx(-0.149598623, abs=1e-9)
    assert np.sqrt(at30 @ cov @ at30) == pytest.approx(0.004131750, abs=1e-9)
    assert evidence == pytest.approx(38.8560327, abs=1e-6)


def test_the_surface_predicts_gum_h3_at_30_degrees() -> None:
    surface = _thermometer()
    mean, sd = surface.predict(_points(np.array([10.0])), return_std=True)
    # half of the last digit that was recomputed
    assert mean[0] == pytest.approx(-0.149598623, abs=1e-9)
    assert sd[0] == pytest.approx(0.004131750, abs=1e-9)
    assert surface.log_evidence_ == pytest.approx(38.8560327, abs=1e-7)


def test_weight_space_is_function_space() -> None:
    """Mean, whole covariance and evidence of H.3's line as a Gaussian process."""
    at = np.linspace(-5.0, 12.0, 18)
    mean, cov = _thermometer().predict(_points(at), return_cov=True)
    # 0.01^2 (10^2 + t t') is the covariance of a line with deviations 0.1 and 0.01
    kernel = ConstantKernel(0.01**2) * DotProduct(10.0)
    process = GaussianProcessRegressor(kernel, alpha=SD**2, optimizer=None)
    process.fit((T - 20.0)[:, None], B)
    theirs, their_cov = process.predict(at[:, None], return_cov=True)
    # double precision on both sides; variances of 1e-5 come from a prior of 1e-2
    assert mean == pytest.approx(theirs, abs=1e-12)
    assert cov == pytest.approx(their_cov, abs=1e-14)
    assert _thermometer().log_evidence_ == pytest.approx(
        process.log_marginal_likelihood_value_, abs=1e-9
    )


def test_a_corner_s_surface_is_a_gaussian_process() -> None:
    """Fit, prediction and evidence of the real prior, 60 coefficients, in function space."""
    tape = Tape(length_mm=Measured(value=310.0, sd=3.0), arm_mm=Measured(value=105.0, sd=3.0))
    rng = np.random.default_rng(52)
    travel = np.tile(np.array([-48.0, -32.0, -16.0, 16.0, 32.0, 48.0]), 3)
    height, change = np.repeat([0.0, 2.0, -1.5], 6), np.repeat([0.0, -3.0, 4.0], 6)
    points = np.stack([travel, height, change], axis=1)
    toe = 0.004 * travel - 5e-5 * travel**2 + rng.normal(0.0, 0.02, 18)
    noise = rng.uniform(0.01, 0.03, 18) ** 2
    run = np.repeat([0, 1, 2], 6)
    ours = ToeSurface(ahead=True, tape=tape)
    ours.fit(points, toe, groups=run, y_cov=np.diag(noise))
    new = np.stack([np.linspace(-50, 50, 9), np.full(9, 1.0), np.full(9, -2.0)], axis=1)
    mean, cov = ours.predict(new, return_cov=True)

    prior = corner_prior(True, tape)
    value, vector = np.linalg.eigh(prior.cov[:N_COEFFICIENT, :N_COEFFICIENT])
    root = vector * np.sqrt(np.maximum(value, 0.0))

    def rows(x: Array) -> Array:
        return design_matrix(x[:, 1], x[:, 2], x[:, 0])

    before = prior.mean[:N_COEFFICIENT]
    process = GaussianProcessRegressor(DotProduct(0.0, "fixed"), alpha=noise, optimizer=None)
    process.fit(rows(points) @ root, toe - rows(points) @ before)
    theirs, their_cov = process.predict(rows(new) @ root, return_cov=True)
    # degrees; the prior's deviations reach a degree, so rounding is 1e-15 times their condition
    assert mean == pytest.approx(theirs + rows(new) @ before, abs=1e-9)
    assert cov == pytest.approx(their_cov, abs=1e-10)
    assert ours.log_evidence_ == pytest.approx(process.log_marginal_likelihood_value_, abs=1e-6)
