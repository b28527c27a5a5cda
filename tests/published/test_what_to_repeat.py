"""Which readings and travels to take, against a general library and optimal designs.

Sources: scikit-learn's Gaussian process regression; the D-optimal design of a cubic on -1 to
1, whose four points are the ends and -1/sqrt(5), 1/sqrt(5) (Guest 1958, Ann. Math. Stat. 29,
294; Fedorov, Theory of Optimal Experiments, 1972; both from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import DotProduct

from optimizer.advise.evidence import corner_evidence, fitted
from optimizer.advise.few import fewest
from optimizer.advise.goal import target_of
from optimizer.advise.repeats import worth_repeating
from optimizer.measure.curve import raw_rows, toe_curve
from optimizer.model.basis import N_COEFFICIENT, design_matrix
from optimizer.records import Logbook

Array = NDArray[np.float64]


def test_a_remount_is_worth_what_a_gaussian_process_says(demo_book: Logbook) -> None:
    told = worth_repeating(demo_book, "rear-left")
    (again,) = [r for r in told.repeats if r.kind == "remount"]
    evidence = corner_evidence(demo_book, "rear-left")
    target = target_of(evidence.corner.goal, (-50.0, 50.0))
    run, cov = evidence.runs[-1], fitted(evidence).surface.cov_[:N_COEFFICIENT, :N_COEFFICIENT]
    # one pass each way, as the last run's first two were taken
    taken = [r for r in demo_book.readings_of(run.name) if r.sweep in ("up1", "down1")]
    assert len(taken) == again.n_reading == 18
    rows = raw_rows(run.name, taken, demo_book.gauge)
    curve = toe_curve(run.name, demo_book.readings_of(run.name), demo_book.gauge)
    noise = rows.noise_deg2 * curve.noise_factor**2 + rows.common_deg2

    def design(setting: tuple[float, float], travel: Array) -> Array:
        return design_matrix(*(np.full(len(travel), x) for x in setting), travel)

    # all 16 rows at once, their noise made white: nothing is averaged first
    size = np.sqrt(np.diag(cov))
    value, vector = np.linalg.eigh(cov / np.outer(size, size))
    root = size[:, None] * vector * np.sqrt(np.maximum(value, 0.0))
    white = np.linalg.inv(np.linalg.cholesky(noise))
    process = GaussianProcessRegressor(
        DotProduct(0.0, sigma_0_bounds="fixed"), alpha=1.0, optimizer=None
    )
    seen = white @ design(evidence.setting_of(run), rows.travel_mm) @ root
    process.fit(seen, np.zeros(len(seen)))
    setting = (told.height_mm, told.length_change_mm)
    _, sd = process.predict(design(setting, target.travel_mm) @ root, return_std=True)
    # tolerance: the slopes of two passes are not those of four, and the plain mean of rows
    # that differ in noise is a little less than the best
    assert again.error_deg == pytest.approx(float(np.sqrt(target.weight @ sd**2)), rel=5e-3)
    assert again.error_deg < 0.95 * told.error_deg


def test_the_fewest_travels_of_a_cubic_are_the_optimal_design_s() -> None:
    travel = np.arange(-20, 21) / 20.0

    def error(chosen: Sequence[int]) -> float:
        rows = travel[list(chosen), None] ** np.arange(4)
        information = float(np.linalg.det(rows.T @ rows + 1e-9 * np.eye(4)))
        return information ** (-1.0 / 4.0)

    # four points are the fewest a run may have, and all of them may be much better
    chosen = travel[list(fewest(error, travel.tolist(), 1e3))]
    # the grid's step is 0.05
    assert chosen == pytest.approx([-1.0, -1.0 / np.sqrt(5.0), 1.0 / np.sqrt(5.0), 1.0], abs=0.025)


def test_a_gauge_without_tilt_gains_from_passes_as_from_mounts(demo_book: Logbook) -> None:
    """Independent readings: the error's fall does not care when they are taken (any text)."""
    gauge = replace(demo_book.gauge, tilt_sd_deg=0.0, travel_scale_sd=0.0, loop_sd=0.0)
    told = worth_repeating(replace(demo_book, gauge=gauge), "rear-left")
    by = {r.kind: r.error_deg for r in told.repeats}
    assert by["both-ways"] == pytest.approx(by["remount"], rel=0.02)
