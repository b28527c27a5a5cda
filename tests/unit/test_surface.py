"""The response surface: estimator habits, Gaussian arithmetic, the demo's truth."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
from sklearn.base import clone
from sklearn.metrics import r2_score
from sklearn.model_selection import LeaveOneGroupOut, cross_val_predict

from optimizer.advise.evidence import corner_evidence, fitted, setting_curves
from optimizer.errors import CallError, TooFewReadingsError
from optimizer.measure.shape import window_weights
from optimizer.model.basis import setting_terms
from optimizer.model.prior import corner_prior
from optimizer.model.surface import (
    LoggedStaticToe,
    SettingCurve,
    ToeSurface,
    draw_scores_deg,
    gaussian_update,
)
from optimizer.model.validate import left_out_runs
from optimizer.records import Logbook, Measured, Tape


def _points(book: Logbook) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[SettingCurve]]:
    curves = setting_curves(corner_evidence(book, "rear-left"))
    x = np.concatenate(
        [
            np.stack(
                [
                    c.travel_mm,
                    np.full(len(c.travel_mm), c.height_mm),
                    np.full(len(c.travel_mm), c.length_change_mm),
                ],
                axis=1,
            )
            for c in curves
        ]
    )
    y = np.concatenate([c.toe_deg for c in curves])
    groups = np.repeat(np.arange(len(curves)), [len(c.travel_mm) for c in curves])
    return x, y, groups, curves


@pytest.mark.outside
def test_scikit_learn_can_clone_and_cross_validate(demo_book: Logbook) -> None:
    x, y, groups, _ = _points(demo_book)
    tape = demo_book.corners["rear-left"].tape
    surface = ToeSurface(ahead=False, tape=tape, tilt_sd_deg=0.02)
    copy = clone(surface)
    assert copy.get_params() == surface.get_params()
    assert not hasattr(copy, "mean_")
    foreseen = cross_val_predict(
        surface, x, y, groups=groups, cv=LeaveOneGroupOut(), params={"groups": groups}
    )
    by_hand = np.empty_like(y)
    for run in np.unique(groups):
        out = groups == run
        by_hand[out] = (
            ToeSurface(ahead=False, tape=tape, tilt_sd_deg=0.02)
            .fit(x[~out], y[~out], groups=groups[~out])
            .predict(x[out])
        )
    assert foreseen == pytest.approx(by_hand, abs=1e-12)
    assert np.sqrt(np.mean((foreseen - y) ** 2)) < 0.03
    assert surface.fit(x, y, groups=groups).score(x, y) > 0.99
    assert surface.n_features_in_ == x.shape[1]
    # of runs it was not fitted to it is no perfect one, and the library's own
    first = groups == groups[0]
    surface.fit(x[first], y[first])
    told = r2_score(y[~first], surface.predict(x[~first]))
    assert told < 0.99
    assert surface.score(x[~first], y[~first]) == pytest.approx(told, abs=1e-12)


@pytest.mark.outside
def test_left_out_runs_match_refits(demo_book: Logbook) -> None:
    evidence = corner_evidence(demo_book, "rear-left")
    params = fitted(evidence).surface.get_params()
    curves = setting_curves(evidence)
    surface = ToeSurface(**params).fit_curves(curves)
    misses = left_out_runs(surface, curves)
    assert len(misses) == 3
    for i, curve in enumerate(curves):
        others = ToeSurface(**params).fit_curves(curves[:i] + curves[i + 1 :])
        mean, cov = others.curve(curve.height_mm, curve.length_change_mm, curve.travel_mm)
        miss = np.sqrt(np.mean((mean - curve.toe_deg) ** 2))
        promised = np.sqrt(np.mean(np.diag(cov) + np.diag(curve.cov_deg2)))
        assert misses[i] == pytest.approx((miss, promised), rel=1e-4)
    assert left_out_runs(surface, curves[:1]) == ()


def test_fit_and_fit_curves_are_one(demo_book: Logbook) -> None:
    x, y, groups, curves = _points(demo_book)
    full = np.zeros((len(y), len(y)))
    start = 0
    for c in curves:
        stop = start + len(c.toe_deg)
        full[start:stop, start:stop] = c.cov_deg2
        start = stop
    a = ToeSurface(ahead=False).fit(x, y, groups=groups, y_cov=full)
    b = ToeSurface(ahead=False).fit_curves(curves)
    assert a.mean_ == pytest.approx(b.mean_, rel=1e-6, abs=1e-12)
    assert a.log_evidence_ == pytest.approx(b.log_evidence_)


def test_noise_that_is_left_out_is_built_from_its_three_causes(demo_book: Logbook) -> None:
    x, y, groups, _ = _points(demo_book)
    own = {"reading_sd_deg": 0.011, "zero_sd_deg": 0.007, "tilt_sd_deg": 0.02}
    same = groups[:, None] == groups[None, :]
    cov = np.eye(len(y)) * 0.011**2
    cov += same * (0.007**2 + 0.02**2 * np.outer(x[:, 0], x[:, 0]) / 40.0**2)
    built = ToeSurface(ahead=False, **own).fit(x, y, groups=groups)
    told = ToeSurface(ahead=False).fit(x, y, groups=groups, y_cov=cov)
    assert built.mean_ == pytest.approx(told.mean_, abs=1e-9)
    assert built.cov_ == pytest.approx(told.cov_, abs=1e-9)
    assert built.log_evidence_ == pytest.approx(told.log_evidence_)


def test_rows_at_ride_height_say_nothing(demo_book: Logbook) -> None:
    x, y, groups, _ = _points(demo_book)
    bare = ToeSurface(ahead=False).fit(x, y, groups=groups)
    at = np.flatnonzero(np.r_[True, groups[1:] != groups[:-1]])
    level = np.insert(x, at, x[at] * np.array([0.0, 1.0, 1.0]), axis=0)
    more = ToeSurface(ahead=False).fit(
        level, np.insert(y, at, 0.5), groups=np.insert(groups, at, groups[at])
    )
    assert more.mean_ == pytest.approx(bare.mean_, abs=1e-12)
    assert more.cov_ == pytest.approx(bare.cov_, abs=1e-12)
    assert more.log_evidence_ == pytest.approx(bare.log_evidence_)


def test_order_of_runs_changes_nothing(demo_book: Logbook) -> None:
    *_, curves = _points(demo_book)
    a = ToeSurface(ahead=False).fit_curves(curves)
    b = ToeSurface(ahead=False).fit_curves(curves[::-1])
    assert a.curve(1.0, -2.0, np.array([40.0]))[0] == pytest.approx(
        b.curve(1.0, -2.0, np.array([40.0]))[0], abs=1e-9
    )


def test_gaussian_update_is_least_squares_in_the_limit() -> None:
    # Rasmussen and Williams 2006, section 2.1: with a wide prior the posterior mean is
    # the weighted least-squares fit, here numpy's
    rng = np.random.default_rng(4)
    rows, y = rng.normal(size=(9, 3)), rng.normal(size=9)
    sd = rng.uniform(0.5, 2.0, 9)
    mean, cov, _ = gaussian_update(np.zeros(3), np.eye(3) * 1e8, rows, y, np.diag(sd**2))
    fit, *_ = np.linalg.lstsq(rows / sd[:, None], y / sd, rcond=None)
    assert mean == pytest.approx(fit, abs=1e-6)
    weighted = rows / sd[:, None]
    assert cov == pytest.approx(np.linalg.inv(weighted.T @ weighted), rel=1e-5)


def test_contradiction_without_noise_is_refused() -> None:
    rows = np.array([[1.0, 0.0], [1.0, 0.0]])
    with pytest.raises(CallError, match="contradict"):
        gaussian_update(np.zeros(2), np.eye(2), rows, np.array([1.0, 2.0]), np.zeros((2, 2)))


@pytest.mark.outside
def test_mean_square_form_matches_draws(demo_book: Logbook) -> None:
    surface = fitted(corner_evidence(demo_book, "rear-left")).surface
    node, weight = window_weights((-50.0, 50.0))
    wanted = np.where(node < 0, node / -50.0 * 0.1, 0.0)
    psi = setting_terms([1.5], [-3.0])[0]
    form = surface.mean_square_form(node, weight, wanted)
    scores = draw_scores_deg(surface.draws(20000), [1.5], [-3.0], node, weight, wanted)[:, 0]
    assert psi @ form @ psi == pytest.approx(np.mean(scores**2), rel=0.03)
    mean, _ = surface.curve(1.5, -3.0, node)
    bare = surface.mean_square_form(node, weight, wanted, spread=False)
    assert psi @ bare @ psi == pytest.approx(weight @ (mean - wanted) ** 2, rel=1e-9)


def test_draws_have_the_posterior_s_moments(demo_book: Logbook) -> None:
    surface = fitted(corner_evidence(demo_book, "rear-left")).surface
    draws = surface.draws(40000)
    sd = np.sqrt(np.diag(surface.cov_))
    assert (draws.mean(axis=0) - surface.mean_) / sd == pytest.approx(np.zeros(65), abs=1e-6)
    assert draws.std(axis=0) / sd == pytest.approx(np.ones(65), abs=0.03)
    assert np.array_equal(draws, surface.draws(40000))


def test_tape_narrows_the_prior() -> None:
    loose = corner_prior(True, Tape())
    tape = Tape(
        length_mm=Measured(value=320.0, sd=3.0),
        arm_mm=Measured(value=110.0, sd=3.0),
        rise_mm=Measured(value=10.0, sd=4.0),
    )
    tight = corner_prior(True, tape)
    assert np.sum(np.diag(tight.cov)[6:24]) < 0.5 * np.sum(np.diag(loose.cov)[6:24])
    assert np.exp(tight.mean[60]) == pytest.approx(320.0, abs=2.0)
    # raising a joint ahead of the axis adds toe-in in bump, behind it toe-out
    assert tight.mean[6] > 0 > corner_prior(False, tape).mean[6]


@pytest.mark.outside
def test_a_static_toe_s_row_is_the_formula_s_slope(demo_book: Logbook) -> None:
    """What the tape values add to the toe expected, by moving each of them."""
    surface = fitted(corner_evidence(demo_book, "rear-left")).surface
    logged = LoggedStaticToe(
        height_mm=3.0, length_change_mm=-2.0, shift_mm=1.5, toe_change_deg=0.2, sd_deg=0.05
    )
    rows, gap = surface._static_toe_row(logged)
    assert np.array_equal(rows[0, :60], np.zeros(60))
    mean, spread = surface.mean_.copy(), np.sqrt(np.diag(surface.cov_))
    slope = np.zeros(65)
    for k in range(60, 65):
        ends = []
        for way in (1.0, -1.0):
            surface.mean_ = mean.copy()
            surface.mean_[k] += way * 0.02 * spread[k]
            ends.append(surface._static_toe_row(logged)[1])
        slope[k] = -(ends[0] - ends[1]) / (0.04 * spread[k])
    assert np.abs(slope * spread).max() > 0.01
    assert rows[0] * spread == pytest.approx(slope * spread, abs=1e-5)
    # and the pull is the gap over its own spread
    surface.mean_ = mean
    own = np.sqrt(rows[0] @ surface.cov_ @ rows[0] + 0.05**2)
    assert surface.static_toe_misfit(logged) == pytest.approx(gap / own)


@pytest.mark.outside
def test_static_toe_sharpens_the_stud(demo_book: Logbook, demo_truth: ModuleType) -> None:
    curves = setting_curves(corner_evidence(demo_book, "rear-left"))
    without = ToeSurface(ahead=False).fit_curves(curves)
    row = LoggedStaticToe(
        height_mm=4.0, length_change_mm=0.0, shift_mm=0.0, toe_change_deg=0.1, sd_deg=0.03
    )
    with_it = ToeSurface(ahead=False).fit_curves(curves, [row])
    assert with_it.cov_[64, 64] < 0.5 * without.cov_[64, 64]


def test_bad_calls_are_named() -> None:
    with pytest.raises(CallError, match="not been fitted"):
        ToeSurface().predict(np.zeros((1, 3)))
    with pytest.raises(CallError, match=r"not \(n, 3\)"):
        ToeSurface().fit(np.zeros((3, 2)), np.zeros(3))
    with pytest.raises(CallError, match="not a finite number"):
        ToeSurface().fit(np.full((3, 3), np.nan), np.zeros(3))
    with pytest.raises(CallError, match="unknown parameter"):
        ToeSurface().set_params(depth=3)
    with pytest.raises(TooFewReadingsError):
        ToeSurface().fit_curves([])
