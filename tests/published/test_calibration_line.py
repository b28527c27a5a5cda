"""The Gaussian update against a published calibration line, uncertainty and all.

Source of data and figures: GUM, JCGM 100:2008, Annex H.3 (calibration of a
thermometer), read; the longer digits recomputed with general libraries.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from optimizer.model.surface import gaussian_update

Array = NDArray[np.float64]

T = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
B = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
ROWS = np.stack([np.ones(11), T - 20.0], axis=1)
AT_30 = np.array([1.0, 10.0])


def _fit(sd: float) -> tuple[Array, Array, float]:
    return gaussian_update(np.zeros(2), np.eye(2) * 1e2, ROWS, B, np.eye(11) * sd**2)


def test_the_line_and_its_uncertainty() -> None:
    mean, cov, _ = _fit(0.00349756)
    u = np.sqrt(np.diag(cov))
    # the prior still pulls by 1.4e-8, and the residual deviation is given to six digits
    assert mean == pytest.approx([-0.1712037901, 0.0021826977], abs=2e-8)
    assert u == pytest.approx([0.0028775978, 0.0006679388], rel=2e-6)
    assert cov[0, 1] / (u[0] * u[1]) == pytest.approx(-0.9304296, abs=1e-6)
    # as printed in the annex, to half of the last digit
    assert mean == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert mean[1] == pytest.approx(0.00218, abs=5e-6)
    assert u[0] == pytest.approx(0.0029, abs=5e-5)
    assert u[1] == pytest.approx(0.00067, abs=5e-6)
    assert cov[0, 1] / (u[0] * u[1]) == pytest.approx(-0.930, abs=5e-4)


def test_the_correction_at_30_degrees() -> None:
    mean, cov, _ = _fit(0.00349756)
    value, u = AT_30 @ mean, np.sqrt(AT_30 @ cov @ AT_30)
    # recomputed to eight digits, less the prior's pull; then as printed
    assert value == pytest.approx(-0.14937681, abs=5e-8)
    assert u == pytest.approx(0.00413860, rel=1e-5)
    assert value == pytest.approx(-0.1494, abs=5e-5)
    assert u == pytest.approx(0.0041, abs=5e-5)


def test_the_evidence_holds_the_residual_deviation() -> None:
    # flat prior: evidence falls as sd^-9 exp(-RSS / (2 sd^2)), 11 readings less 2 unknowns
    *_, quiet = _fit(0.003)
    *_, loud = _fit(0.006)
    square = (8.0 / 3.0) * 0.003**2 * (9.0 * np.log(2.0) - (quiet - loud))
    assert np.sqrt(square / 9.0) == pytest.approx(0.00349756, abs=5e-9)  # the last digit given
    assert np.sqrt(square / 9.0) == pytest.approx(0.0035, abs=5e-5)  # as printed


def test_readings_one_at_a_time_give_the_same_line() -> None:
    # independent readings may come in any portions (Rasmussen and Williams 2006, section 2.1)
    mean, cov, evidence = np.zeros(2), np.eye(2) * 1e2, 0.0
    for row, b in zip(ROWS, B, strict=True):
        mean, cov, gained = gaussian_update(
            mean, cov, row[None, :], np.array([b]), np.array([[0.00349756**2]])
        )
        evidence += gained
    # rounding: the prior's variance is 1e7 to 2e8 times the answer's
    assert mean == pytest.approx([-0.1712037901, 0.0021826977], abs=2e-8)
    assert np.sqrt(np.diag(cov)) == pytest.approx([0.0028775978, 0.0006679388], rel=2e-6)
    assert evidence == pytest.approx(_fit(0.00349756)[2], abs=1e-6)
