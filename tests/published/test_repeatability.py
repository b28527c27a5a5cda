"""Variance components against published studies.

A: Cano, Moguerza and Redchuk, Six Sigma with R (2012), ch. 5, and its package's tests: data
and figures read, and recomputed. B: thermal impedance, Houf and Berman (1988), in
Montgomery, Introduction to Statistical Quality Control: data read, figures recomputed, which
agree with memory. C: NIST/SEMATECH e-Handbook of Statistical Methods, 2.4.4, read.
Chi-square quantiles: any table, from memory. D: thirteen trials of a vaccine (Colditz and
others 1994, J. Am. Med. Assoc. 271, 698), the usual example of figures with unequal errors;
counts and answer from memory. Every tolerance is half a unit of the last digit
given, unless it says otherwise.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.measure.crossed import crossed_study, mean_square_interval
from optimizer.measure.excess import excess_spread, stated_alone
from optimizer.measure.repeatability import (
    pooled_spread,
    shrunk_spread,
    smallest_difference_deg,
    within_groups,
)
from optimizer.measure.spreads import gauge_study
from optimizer.records import Corner, Gauge, Logbook, Reading, Run, Signs, Units

A = np.array(
    [
        [1.27, 0.90, 1.09, 1.34, 1.32, 1.27, 1.09, 1.26, 1.09],
        [1.12, 1.09, 1.15, 1.24, 1.00, 1.14, 1.48, 1.15, 1.15],
        [1.73, 1.28, 1.77, 1.64, 1.65, 1.77, 1.64, 1.44, 1.68],
    ],
    float,
).reshape(3, 3, 3)  # fmt: skip
B = np.array(
    [
        [37, 38, 37, 41, 41, 40, 41, 42, 41],
        [42, 41, 43, 42, 42, 42, 43, 42, 43],
        [30, 31, 31, 31, 31, 31, 29, 30, 28],
        [42, 43, 42, 43, 43, 43, 42, 42, 42],
        [28, 30, 29, 29, 30, 29, 31, 29, 29],
        [42, 42, 43, 45, 45, 45, 44, 46, 45],
        [25, 26, 27, 28, 28, 30, 29, 27, 27],
        [40, 40, 40, 43, 42, 42, 43, 43, 41],
        [25, 25, 25, 27, 29, 28, 26, 26, 26],
        [35, 34, 34, 35, 35, 34, 35, 34, 35],
    ],
    float,
).reshape(10, 3, 3)  # fmt: skip
# wafers, 60 degrees of freedom each
C = [0.48115, 0.69209, 0.48483, 1.21752, 0.30076]
# fallen ill and well of those treated, the same of those not
D = np.array(
    [
        [4, 119, 11, 128],
        [6, 300, 29, 274],
        [3, 228, 11, 209],
        [62, 13536, 248, 12619],
        [33, 5036, 47, 5761],
        [180, 1361, 372, 1079],
        [8, 2537, 10, 619],
        [505, 87886, 499, 87892],
        [29, 7470, 45, 7232],
        [17, 1699, 65, 1600],
        [186, 50448, 141, 27197],
        [5, 2493, 3, 2338],
        [27, 16886, 29, 17825],
    ],
    float,
)


def test_a_sums_of_squares() -> None:
    study = crossed_study(A)
    assert [r.name for r in study.table] == [
        "part",
        "operator",
        "interaction",
        "repeatability",
        "total",
    ]
    squares = [r.sum_of_squares for r in study.table]
    assert squares == pytest.approx([1.2007, 0.0529, 0.0834, 0.3854, 1.7225], abs=5e-5)
    assert [r.freedom for r in study.table] == [2, 2, 4, 18, 26]
    assert study.reduced is not None
    error = study.reduced[2]
    assert (error.name, error.freedom) == ("repeatability", 22)
    assert error.sum_of_squares == pytest.approx(0.4688, abs=5e-5)


def test_a_components() -> None:
    study = crossed_study(A)
    assert study.pooled
    assert "interaction" not in study.components
    got = {n: c.variance for n, c in study.components.items()}
    wanted = {
        "gauge": 0.0218822671,
        "repeatability": 0.0213087542,
        "operator": 0.0005735129,
        "reproducibility": 0.0005735129,
        "part": 0.0643389450,
        "total": 0.0862212121,
    }
    assert got == pytest.approx(wanted, abs=5e-11)
    percent = {n: c.percent_of_study for n, c in study.components.items()}
    assert [percent[n] for n in ("gauge", "repeatability", "operator", "part")] == pytest.approx(
        [50.38, 49.71, 8.16, 86.38], abs=0.005
    )
    assert study.distinct_categories == 2


def test_b_table() -> None:
    table = crossed_study(B).table
    squares = [r.sum_of_squares for r in table[:4]]
    assert squares == pytest.approx([3935.9556, 39.2667, 48.5111, 30.6667], abs=5e-5)
    assert [r.f for r in table[:3]] == pytest.approx([162.270, 7.2849, 5.2729], rel=1e-5)
    # an F table, from memory: the 1 % points of F(9, 18) 3.60, F(2, 18) 6.01, F(18, 60) 2.3
    assert all(r.p is not None and r.p < 0.01 for r in table[:3])


def test_b_components() -> None:
    study = crossed_study(B)
    assert not study.pooled
    assert study.reduced is None
    got = {n: study.components[n].variance for n in ("part", "operator")}
    assert got == pytest.approx({"part": 48.29259, "operator": 0.564609}, rel=1e-6)
    assert study.components["interaction"].variance == pytest.approx(0.727984, abs=5e-7)
    assert study.components["repeatability"].variance == pytest.approx(0.511111, abs=5e-7)
    # sums of the four figures above, which are rounded
    assert study.components["reproducibility"].variance == pytest.approx(1.292593, abs=1.5e-6)
    assert study.components["gauge"].variance == pytest.approx(1.803704, abs=2e-6)


def test_p_against_a_closed_form() -> None:
    # with 1 and 2 degrees of freedom F is a squared Student's t of 2 degrees, whose
    # distribution has the closed form p = 1 - sqrt(f / (f + 2)) (any statistics text)
    y = np.array([[[1, 2], [4, 6]], [[3, 3], [4, 5]], [[0, 1], [7, 8.0]]])
    row = crossed_study(y).table[1]
    assert row.freedom == 1
    assert row.f is not None
    # tolerance: rounding only
    assert row.p == pytest.approx(1.0 - np.sqrt(row.f / (row.f + 2.0)), rel=1e-12)


def test_c_pooled_spread() -> None:
    spread = pooled_spread(C, [60] * 5)
    assert spread.sd == pytest.approx(0.10290, abs=5e-6)
    assert spread.freedom == 300


def test_groups_agree_with_the_study() -> None:
    # cells of A are groups of one-way layout: 0.3854 with 18 degrees of freedom
    spread = within_groups(list(A.reshape(9, 3)))
    assert spread.sd**2 * 18 == pytest.approx(0.3854, abs=5e-5)
    assert spread.freedom == 18


def test_repeatability_interval() -> None:
    # chi-square: 22 degrees 36.781 and 10.982, 60 degrees 83.298 and 40.482 (2.5 % tails)
    for data, squares, tails in ((A, 0.4687926, (36.781, 10.982)), (B, 30.66667, (83.298, 40.482))):
        one = crossed_study(data).components["repeatability"]
        # tolerance: quantiles are given to five figures
        assert (one.low, one.high) == pytest.approx([squares / t for t in tails], rel=1e-4)
    spread = within_groups(list(A.reshape(9, 3)))
    # 18 degrees: 31.526 and 8.231, to four figures
    assert spread.low == pytest.approx(np.sqrt(0.3854 / 31.526), rel=2e-4)
    assert spread.high == pytest.approx(np.sqrt(0.3854 / 8.231), rel=2e-4)


def test_critical_difference() -> None:
    # ISO 5725, from memory: two single results under repeatability differ by less than
    # 2.8 (2.77) standard deviations in 95 of 100 cases
    assert smallest_difference_deg(0.02, 0.0) == pytest.approx(0.02 * 2.77, abs=0.02 * 0.005)
    # the same standard writes the difference of means of n with s_R^2 - s_r^2 (1 - 1/n);
    # 1.96 is printed to three figures
    s_repeat, s_reproduce, n = 0.02, 0.03, 4
    wanted = 1.96 * np.sqrt(2.0 * (s_reproduce**2 - s_repeat**2 * (1.0 - 1.0 / n)))
    remount = float(np.sqrt(s_reproduce**2 - s_repeat**2))
    assert smallest_difference_deg(s_repeat, remount, n) == pytest.approx(wanted, rel=5e-5)
    # Student's table: 2.776 with 4 degrees of freedom
    got = smallest_difference_deg(0.02, 0.0, freedom=4)
    assert got == pytest.approx(2.776 * np.sqrt(2.0) * 0.02, rel=2e-4)


def test_shrunk_spread_is_the_posterior() -> None:
    """Prior density times likelihood, summed on a grid: Gelman et al., ch. 2, recomputed."""
    sd, freedom, prior_sd, prior_freedom = 0.05, 4, 0.03, 6
    variance = np.exp(np.linspace(np.log(1e-5), np.log(1.0), 200_001))
    # scaled inverse chi-square prior and the likelihood of 4 deviations, in the logarithm
    log_prior = -(prior_freedom / 2 + 1) * np.log(variance)
    log_prior -= prior_freedom * prior_sd**2 / (2 * variance)
    log_likelihood = -freedom / 2 * np.log(variance) - freedom * sd**2 / (2 * variance)
    weight = np.exp(log_prior + log_likelihood)
    weight *= variance  # equal steps of the logarithm
    share = np.cumsum(weight) / np.sum(weight)
    low, high = np.sqrt(np.interp([0.025, 0.975], share, variance))
    spread = shrunk_spread(sd, freedom, prior_sd, prior_freedom)
    # tolerance: the grid's step is 6e-5 of the variance
    assert (spread.low, spread.high) == pytest.approx((low, high), rel=1e-4)
    # (6 x 0.03^2 + 4 x 0.05^2) / 10 = 0.00154, by hand
    assert spread.sd**2 == pytest.approx(0.00154, rel=1e-12)
    assert spread.freedom == 10


def test_d_spread_beyond_unequal_errors() -> None:
    ill, well, ill_not, well_not = D.T
    treated, not_treated = ill + well, ill_not + well_not
    figures = np.log(ill / treated / (ill_not / not_treated))
    variance = 1.0 / ill - 1.0 / treated + 1.0 / ill_not - 1.0 / not_treated
    found = excess_spread([(figures, variance)], 1e9)
    assert found.sd**2 == pytest.approx(0.3181, abs=5e-5)
    assert found.freedom == 12


def test_equal_errors_are_the_balanced_study() -> None:
    """Operators of A beyond the error of their means: the study's component, both ends too."""
    for study_of, part in ((A, A.mean(axis=(0, 2))), (A.transpose(1, 0, 2), A.mean(axis=(1, 2)))):
        study = crossed_study(study_of)
        assert study.reduced is not None
        error = study.reduced[2]
        share = error.mean_square / (study_of.shape[0] * study_of.shape[2])
        found = excess_spread([(part, np.full(3, share))], error.freedom)
        wanted = study.components["operator"]
        assert found.sd**2 == pytest.approx(wanted.variance, rel=1e-9)
        ends = np.square(found.interval)
        assert ends == pytest.approx([wanted.low, wanted.high], rel=1e-9, abs=1e-12)


def test_interval_of_one_mean_square_is_the_chi_square_s() -> None:
    # wafers C again: 0.45401 over 300 degrees; one term, so nothing is approximate
    spread = pooled_spread([60 * s**2 for s in C], [60] * 5)
    ends = mean_square_interval(np.array([spread.sd**2]), np.array([300.0]))
    assert np.sqrt(ends) == pytest.approx([spread.low, spread.high], rel=1e-12)


def test_excess_pulled_to_the_stated_is_the_pulled_total() -> None:
    # in inches or millimetres alike; 0.05^2 + 0.02^2 is the stated total
    found = excess_spread([([0.03, -0.05, 0.01], [0.02**2] * 3)], 20, about_zero=True)
    total = (6 * (0.05**2 + 0.02**2) + 0.03**2 + 0.05**2 + 0.01**2) / 9
    assert found.shrunk(0.05).sd ** 2 == pytest.approx(total - 0.02**2, rel=1e-12)
    assert found.scaled(25.4).shrunk(0.05 * 25.4).sd == pytest.approx(25.4 * found.shrunk(0.05).sd)
    # a chi-square table, 6 degrees: 1.2373 and 14.449
    ends = stated_alone(1.0).interval
    assert ends == pytest.approx([np.sqrt(6 / 14.449), np.sqrt(6 / 1.2373)], rel=1e-4)


def test_gauge_study_against_a_balanced_one() -> None:
    """Travels by passes, each once: what A's layout leaves about both is the reading's square.

    ``crossed_study`` wants repeats, so scikit-learn's straight line stands in: a column for
    every travel and every pass, ride height among the travels.
    """
    from sklearn.linear_model import LinearRegression

    rng = np.random.default_rng(12)
    travels = np.array([0.0, -40.0, -20.0, 20.0, 40.0])
    toe = 0.002 * travels + rng.normal(0.0, 0.01, (3, 5))
    gauge = Gauge(kind="direct-angle", reading_sd=0.01, travel_sd_mm=0.0, travel_scale_sd=0.0)
    readings = tuple(
        Reading(run="a", sweep=f"up{i}", travel_mm=float(z), value=float(v))
        for i, row in enumerate(toe)
        for z, v in zip(travels, row, strict=True)
    )
    book = Logbook(
        folder=Path(),
        car="invented",
        units=Units(reading="deg"),
        signs=Signs(),
        gauge=gauge,
        corners={"rear-left": Corner(name="rear-left", side="left", ahead=True)},
        runs=(Run(name="a", corner="rear-left"),),
        readings=readings,
    )
    study = gauge_study(book)
    assert study is not None
    columns = np.hstack([np.tile(np.eye(5), (3, 1)), np.repeat(np.eye(3), 5, axis=0)])
    fit = LinearRegression().fit(columns, toe.ravel())
    squares = float(np.sum((toe.ravel() - fit.predict(columns)) ** 2))
    part = study.parts["reading"]
    assert part.measured is not None
    assert part.freedom == 8
    assert part.measured.sd == pytest.approx(np.sqrt(2.0 * squares / 8.0), rel=1e-9)
    assert part.pulled_deg == pytest.approx(part.kept.sd - part.measured.sd)


def test_the_normal_quantile_is_the_library_s() -> None:
    from statistics import NormalDist

    for confidence in (0.5, 0.8, 0.95, 0.999, 1.0 - 1e-9):
        for chance in (1e-6, 0.1, 0.5, 0.9, 0.999):
            q = NormalDist().inv_cdf(0.5 + confidence / 2.0) + NormalDist().inv_cdf(chance)
            got = smallest_difference_deg(1.0, 0.0, confidence=confidence, chance_to_see=chance)
            # tolerance: so near to 1 the share itself has but seven digits left
            assert got == pytest.approx(max(0.0, q * np.sqrt(2.0)), rel=1e-6, abs=1e-12)
