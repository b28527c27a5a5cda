"""What a run is worth, against closed forms; bands and draws against scipy.stats.

Sources: expected improvement, Jones, Schonlau and Welch, *J. Global Optimization* 13
(1998) 455, formula and figures read, figures recomputed; the knowledge gradient of
independent alternatives, Frazier, Powell and Dayanik, *INFORMS J. Computing* 21 (2009)
599, from memory; Branin's function, Dixon and Szego (1978), minimum read; Forrester's
function, minimum recomputed; highest-density intervals, any Bayesian text.

The published forms maximise. A score here is a miss in degrees, the less the better, so
a gain is best less score, and mu of the published form is minus the score's mean.

Branin's and Forrester's functions are no curve of the surface's, so of the search they
check what takes any score: the best of each patch, and the shortlist.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from scipy.special import ndtri

from optimizer.advise.eccentric import BAND_SD, shortest_band
from optimizer.advise.goal import target_of
from optimizer.advise.lookahead import N_READING_DRAW, shortlist, spread_out, worth_of_measuring
from optimizer.advise.ranking import expected_improvement_deg
from optimizer.model.basis import N_POWER, SETTING_POWERS
from optimizer.model.surface import SettingCurve, ToeSurface
from optimizer.records import Goal

Array = NDArray[np.float64]

IMPROVEMENT = [(-0.5, 0.1977965574), (0.0, 0.3989422804), (0.5, 0.6977965574)]


def _quantiles(n: int) -> Array:
    """Standard normal values with one n-th of the probability each."""
    return np.asarray(ndtri((np.arange(n) + 0.5) / n))


@pytest.mark.parametrize(("mu", "wanted"), IMPROVEMENT)
def test_expected_improvement(mu: float, wanted: float) -> None:
    scores = _quantiles(20_000) - mu
    # 20 000 slices leave the mean of a bent line within 1e-5
    assert expected_improvement_deg(np.zeros(20_000), scores) == pytest.approx(wanted, abs=1e-5)
    assert expected_improvement_deg(np.full(20_000, 7.0), scores + 7.0) == pytest.approx(
        wanted, abs=1e-5
    )
    # s phi(z) + (m - mu) Phi(z) grows with s at equal z
    assert expected_improvement_deg(np.zeros(20_000), 3.0 * scores) == pytest.approx(
        3.0 * wanted, abs=3e-5
    )


@pytest.mark.parametrize(("mu", "wanted"), IMPROVEMENT)
def test_expected_improvement_over_an_uncertain_best(mu: float, wanted: float) -> None:
    """Draws are paired: what both scores share, however uncertain, is no improvement."""
    gap = _quantiles(20_000)
    best = np.random.default_rng(3).normal(0.0, 5.0, 20_000)
    assert expected_improvement_deg(best, best + gap - mu) == pytest.approx(wanted, abs=1e-5)


def _two_settings(sd: float, lead: float) -> ToeSurface:
    """Slope known at height 0, uncertain by ``sd`` at height 1 and ``lead`` less there."""
    known, open_ = (SETTING_POWERS.index(p) * N_POWER for p in ((0, 0), (1, 0)))
    surface = ToeSurface()
    surface.mean_, surface.cov_ = np.zeros(65), np.zeros((65, 65))
    surface.mean_[known], surface.mean_[open_] = 0.3, -lead
    surface.cov_[open_, open_] = sd**2
    return surface


@pytest.mark.parametrize("noise", [0.0005, 0.0008])
@pytest.mark.parametrize("share", [-0.5, 0.0, 0.5])
def test_worth_of_measuring_is_the_knowledge_gradient(share: float, noise: float) -> None:
    """One setting known, one uncertain: s f(gap / s), f(z) = z Phi(z) + phi(z).

    Toe wanted far above what can be had makes the score a straight line in the slope, so
    that only the choice between two settings is left to the reading. s is what the reading
    moves the mean by, sd^2 / sqrt(sd^2 + noise^2).
    """
    sd, wanted_toe, n = 0.001, 30.0, 150
    lead = share * sd
    target = target_of(
        Goal(
            kind="toe-at-travel",
            window_mm=(0.0, 40.0),
            at_travel_mm=40.0,
            toe_change_deg=wanted_toe,
        ),
        (0.0, 40.0),
    )
    per_slope = float(np.sqrt(target.weight @ (target.travel_mm / 40.0) ** 2))
    heights, level = np.array([0.0, 1.0]), np.zeros(2)
    gains, settled = [], []
    # one reading off ride height at a time, so that each call meets other fixed draws
    for at in range(n):
        travel = np.zeros(n)
        travel[at] = 40.0
        like = SettingCurve(
            height_mm=0.0,
            length_change_mm=0.0,
            travel_mm=travel,
            toe_deg=np.zeros(n),
            cov_deg2=np.eye(n) * noise**2,
        )
        worth = worth_of_measuring(
            _two_settings(sd, lead), target, (heights, level), (heights, level), 0, like
        )
        gains.append(worth.gain_deg)
        settled.append(worth.settled_deg)
    moved = sd**2 / np.hypot(sd, noise)
    z = -lead / moved
    gradient = moved * (z * stats.norm.cdf(z) + stats.norm.pdf(z)) * per_slope
    mean_gain = np.mean(gains, axis=0)
    # a draw and its negative together give |z| / 2 at most, whose deviation is 0.302; three
    # standard errors of the pairs
    error = 3.0 * 0.302 * moved * per_slope / np.sqrt(n * N_READING_DRAW / 2)
    assert error < 0.02 * moved * per_slope
    assert mean_gain[1] == pytest.approx(gradient, abs=error)
    known_score = (wanted_toe - 0.3) * per_slope
    assert np.mean(settled, axis=0)[1] == pytest.approx(known_score - gradient, abs=error)
    # measuring the setting that is known teaches nothing: the better mean is settled for
    now = max(0.0, -lead) * per_slope
    assert mean_gain[0] == pytest.approx(now, abs=1e-7)


def test_the_shortest_band_of_known_distributions() -> None:
    share = (np.arange(40_000) + 0.5) / 40_000
    # an exponential's densest nine tenths lie below ln 10; its slices at the end of the band
    # are 2.5e-4 wide
    band = shortest_band(stats.expon.ppf(share))
    assert (band.low, band.high) == pytest.approx((0.0, np.log(10.0)), abs=5e-4)
    assert band.value == pytest.approx(1.0, abs=1e-4)
    # a normal's is the central one; flat near its least width, so its place is known to the
    # root of a slice
    band = shortest_band(stats.norm.ppf(share))
    assert band.high - band.low == pytest.approx(2.0 * stats.norm.ppf(0.95), abs=5e-4)
    assert band.high == pytest.approx(BAND_SD, abs=0.01)
    assert pytest.approx(stats.norm.ppf(0.95), abs=5e-5) == BAND_SD
    # a leaning one: equal heights of density at both ends, nine tenths between
    lean = stats.gamma(3.0)
    band = shortest_band(lean.ppf(share))
    assert lean.cdf(band.high) - lean.cdf(band.low) == pytest.approx(0.9, abs=1e-4)
    assert lean.pdf(band.high) == pytest.approx(lean.pdf(band.low), rel=0.02)


def test_draws_are_spread_as_the_normal_law_says() -> None:
    """Chi-square of the draws against scipy's law, and the share inside a 90 % band."""
    rng = np.random.default_rng(17)
    mix = rng.normal(size=(65, 65))
    surface = ToeSurface()
    surface.mean_, surface.cov_ = rng.normal(size=65), mix @ mix.T
    draws = surface.draws(4000)
    off = np.linalg.solve(mix, (draws - surface.mean_).T)
    # the second half mirrors the first, so only the first is 2000 separate draws
    assert stats.kstest(np.sum(off[:, :2000] ** 2, axis=0), stats.chi2(65).cdf).pvalue > 0.01
    inside = np.mean(np.abs(draws - surface.mean_) < BAND_SD * np.sqrt(np.diag(surface.cov_)))
    # 2000 draws of 65 correlated values: 0.9 within 3 sqrt(0.09 / 2000), were they one value
    assert inside == pytest.approx(0.9, abs=0.02)


def test_patches_hold_every_minimum_of_branin() -> None:
    """Three equal minima far apart: a shortlist of the patches' best must hold all three."""
    # steps of 0.025 and 0.02, so a minimum lies within half of each of a grid point
    x, y = (v.ravel() for v in np.meshgrid(np.linspace(-5, 10, 601), np.linspace(0, 15, 751)))
    b = 5.1 / (4.0 * np.pi**2)
    bowl = (y - b * x**2 + 5.0 / np.pi * x - 6.0) ** 2
    score = bowl + 10.0 * (1.0 - 1.0 / (8.0 * np.pi)) * np.cos(x) + 10.0
    kept = spread_out(x, y, score)
    assert len(kept) == 144
    for at in ((-np.pi, 12.275), (np.pi, 2.275), (9.42478, 2.475)):
        off = np.hypot((x[kept] - at[0]) / 0.025, (y[kept] - at[1]) / 0.02)
        # the valley's own slant can make a grid point two steps off the lower one
        assert off.min() < 2.5
        # curvature of about 10 over half a step: 10 (0.0125^2 + 0.01^2) / 2
        assert score[kept][np.argmin(off)] == pytest.approx(0.3978873577, abs=2e-3)
    few = shortlist(x, y, score)
    assert set(kept.tolist()) <= set(few.tolist())
    assert score[few].min() == pytest.approx(0.3978873577, abs=2e-3)


def test_patches_hold_the_minimum_of_forrester() -> None:
    """One factor: only the length can be turned."""
    x = np.linspace(0.0, 1.0, 20_001)
    score = (6.0 * x - 2.0) ** 2 * np.sin(12.0 * x - 4.0)
    kept = spread_out(np.zeros_like(x), x, score)
    best = kept[np.argmin(score[kept])]
    # half a step of 5e-5; the curvature there, about 1100, makes that 4e-7 of score
    assert x[best] == pytest.approx(0.7572487576, abs=2.6e-5)
    assert score[best] == pytest.approx(-6.0207400558, abs=1e-6)
    assert len(kept) == 12
