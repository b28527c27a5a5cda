"""The Gaussian update against published lines.

Source of the data and of the least-squares figures: GUM, JCGM 100:2008, Annex H.3
(thermometer calibration), read; more digits recomputed with general libraries. The
figures with a prior were recomputed in weight space and in function space
(Rasmussen and Williams 2006, ch. 2), not read.
"""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.model.surface import gaussian_update

T = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
B = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
ROWS = np.stack([np.ones(11), T - 20.0], axis=1)


def test_gum_h3_with_a_wide_prior() -> None:
    sd = 0.00349756
    mean, cov, _ = gaussian_update(np.zeros(2), np.eye(2) * 1e2, ROWS, B, np.eye(11) * sd**2)
    # tolerances: the prior still pulls by 1.4e-8, and s is printed to six digits
    assert mean == pytest.approx([-0.1712037901, 0.0021826977], abs=2e-8)
    assert np.sqrt(np.diag(cov)) == pytest.approx([0.0028775978, 0.0006679388], rel=2e-6)
    assert cov[0, 1] / np.sqrt(cov[0, 0] * cov[1, 1]) == pytest.approx(-0.9304296, abs=1e-6)
    at30 = np.array([1.0, 10.0])
    assert at30 @ mean == pytest.approx(-0.14937681, abs=5e-8)
    assert np.sqrt(at30 @ cov @ at30) == pytest.approx(0.00413860, rel=1e-5)


def test_gum_h3_with_a_prior() -> None:
    prior = np.diag([0.1**2, 0.01**2])
    mean, cov, evidence = gaussian_update(np.zeros(2), prior, ROWS, B, np.eye(11) * 0.0035**2)
    assert mean == pytest.approx([-0.17102361, 0.0021425], abs=5e-8)
    assert np.sqrt(np.diag(cov)) == pytest.approx([0.00287287, 0.00066668], abs=5e-9)
    at30 = np.array([1.0, 10.0])
    assert at30 @ mean == pytest.approx(-0.149598623, abs=1e-9)
    assert np.sqrt(at30 @ cov @ at30) == pytest.approx(0.004131750, abs=1e-9)
    assert evidence == pytest.approx(38.8560327, abs=1e-6)
