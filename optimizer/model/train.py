"""Make ``prior.npy`` and ``draws.npy``: sweep the simulated population and regress its surfaces.

Run ``python -m optimizer.model.train``; the seed is fixed, so the file can be
made again and compared. Needs scikit-learn, which no answer to a crew does.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from optimizer.model.basis import N_POWER, arc_sizes
from optimizer.model.exact import TRAINING_GRID, surface_coefficients
from optimizer.model.mechanism import HardPoints
from optimizer.model.population import draw_corners, tape_truth, workable
from optimizer.model.prior import (
    DRAWS_FILE,
    ENDS,
    N_TAPE,
    PRIOR_FILE,
    PopulationMoments,
    tape_features,
)
from optimizer.records import StackEnd

Array = NDArray[np.float64]

SEED, DRAW_SEED, N_DRAW = 1706, 20, 512
N_CORNER = 3000


def training_corners(
    rng: np.random.Generator, n_corner: int, *, ahead: bool, end: StackEnd
) -> HardPoints:
    """Corners that work over the whole training range."""
    points = replace(draw_corners(rng, n_corner, ahead=ahead), end=end)
    far_h, far_d = TRAINING_GRID.heights_mm[-1], TRAINING_GRID.changes_mm[-1]
    travels = np.array(TRAINING_GRID.travels_mm)
    corners_h = np.array([-far_h, far_h, far_h, -far_h])
    corners_d = np.array([-far_d, far_d, -far_d, far_d])
    ends = np.array([travels[0], travels[0] / 2, travels[-1] / 2, travels[-1]])
    return workable(points, ends, corners_h, corners_d)


def moments_of(points: HardPoints) -> PopulationMoments:
    """Moments and regression of one kind of corner."""
    from sklearn.linear_model import LinearRegression

    truth = tape_truth(points)
    tape = truth.values()
    mean, cov = tape.mean(axis=0), np.cov(tape.T)
    coefficients = surface_coefficients(points)
    scaled = coefficients / arc_sizes(truth.length_mm, truth.arm_mm)
    features = tape_features(tape, mean, cov)
    model = LinearRegression(fit_intercept=False).fit(features, scaled)
    rest = scaled - model.predict(features)
    return PopulationMoments(
        tape_mean=mean,
        tape_cov=cov,
        weight=model.coef_,
        residual_cov=rest.T @ rest / (len(rest) - features.shape[1]),
        baseline_cov=coefficients[:, :N_POWER].T @ coefficients[:, :N_POWER] / len(points.hub),
    )


def main() -> None:
    """Write both files beside this one."""
    rng = np.random.default_rng(SEED)
    kinds = []
    for ahead in (True, False):
        for end in ENDS:
            points = training_corners(rng, N_CORNER, ahead=ahead, end=end)
            kinds.append((int(ahead), ENDS.index(end), vars(moments_of(points))))
            print(f"{'ahead' if ahead else 'behind'}, {end}: {len(points.hub)} corners")
    arrays = kinds[0][2].items()
    stored = np.zeros((2, len(ENDS)), [(name, "<f8", value.shape) for name, value in arrays])
    for side, end_index, moments in kinds:
        for name, value in moments.items():
            stored[name][side, end_index] = value
    np.save(PRIOR_FILE, stored)
    np.save(DRAWS_FILE, _standard_draws())


def _standard_draws() -> Array:
    """Standard normal draws, (512, 5), paired by sign and whitened.

    Their mean and covariance are exact, and the same logbook always gets the same prior.
    """
    half = np.random.default_rng(DRAW_SEED).standard_normal((N_DRAW // 2, N_TAPE))
    draws = np.concatenate([half, -half])
    chol = np.linalg.cholesky(draws.T @ draws / len(draws))
    return np.asarray(np.linalg.solve(chol, draws.T).T)


if __name__ == "__main__":
    main()
