"""Make ``prior.npz``: sweep the simulated population and regress its surfaces.

Run ``python -m optimizer.model.train``; the seed is fixed, so the file can be
made again and compared. Needs scikit-learn, which no answer to a crew does.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimizer.model.basis import (
    N_POWER,
    arc_sizes,
    design_matrix,
)
from optimizer.model.mechanism import HardPoints, sweep
from optimizer.model.population import draw_corners, pick, tape_truth, workable
from optimizer.model.prior import PopulationMoments, tape_features
from optimizer.records import StackEnd

Array = NDArray[np.float64]

SEED = 1706
N_CORNER = 3000
HEIGHTS_MM = np.array([-10.0, -7.0, -3.5, 0.0, 3.5, 7.0, 10.0])
CHANGES_MM = np.array([-15.0, -10.0, -5.0, 0.0, 5.0, 10.0, 15.0])
TRAVELS_MM = np.array([-60.0, -52, -42, -31, -20, -10, 10, 20, 31, 42, 52, 60])
# readings crowd about the reference setting, so the fit should be best there
FOCUS_MM = (7.0, 10.0, 45.0)


def surface_coefficients(points: HardPoints) -> Array:
    """Fit the basis to exact sweeps of corners, shape (n_corner, 60), degrees."""
    h, d = (x.ravel() for x in np.meshgrid(HEIGHTS_MM, CHANGES_MM, indexing="ij"))
    height, travel = (x.ravel() for x in np.broadcast_arrays(h[:, None], TRAVELS_MM))
    change = np.broadcast_to(d[:, None], (len(d), len(TRAVELS_MM))).ravel()
    rows = design_matrix(height, change, travel)
    weight = np.exp(
        -0.25 * sum((x / s) ** 2 for x, s in zip((height, change, travel), FOCUS_MM, strict=True))
    )
    scale = np.abs(rows).max(axis=0)
    solve = np.linalg.pinv(rows / scale * weight[:, None], rcond=1e-12)
    out = []
    for start in range(0, len(points.hub), 100):
        some = pick(points, np.arange(start, min(start + 100, len(points.hub))))
        toe = sweep(some, np.append(TRAVELS_MM, 0.0), h, d).toe_deg
        change_deg = (toe[..., :-1] - toe[..., -1:]).reshape(len(toe), -1)
        out.append((change_deg * weight) @ solve.T / scale)
    return np.concatenate(out)


def training_corners(
    rng: np.random.Generator, n_corner: int, *, ahead: bool, end: StackEnd
) -> HardPoints:
    """Corners that work over the whole training range."""
    points = replace(draw_corners(rng, n_corner, ahead=ahead), end=end)
    far_h, far_d = HEIGHTS_MM[-1], CHANGES_MM[-1]
    corners_h = np.array([-far_h, far_h, far_h, -far_h])
    corners_d = np.array([-far_d, far_d, -far_d, far_d])
    ends = np.array([TRAVELS_MM[0], TRAVELS_MM[0] / 2, TRAVELS_MM[-1] / 2, TRAVELS_MM[-1]])
    return workable(points, ends, corners_h, corners_d)


def moments_of(points: HardPoints) -> PopulationMoments:
    """Moments and regression of one kind of corner."""
    from sklearn.linear_model import LinearRegression

    truth = tape_truth(points)
    tape = np.stack(
        [
            np.log(truth.length_mm),
            np.log(np.abs(truth.arm_mm)),
            truth.rise_mm,
            truth.lean_in_rad_per_mm,
            truth.stud_lean_rad,
        ],
        axis=1,
    )
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
    """Write ``prior.npz`` beside this file."""
    rng = np.random.default_rng(SEED)
    stored: dict[str, Any] = {}
    ends: tuple[StackEnd, ...] = ("outer", "inner")
    for ahead in (True, False):
        for end in ends:
            points = training_corners(rng, N_CORNER, ahead=ahead, end=end)
            moments = moments_of(points)
            key = f"{'ahead' if ahead else 'behind'}_{end}_"
            stored |= {key + name: getattr(moments, name) for name in PopulationMoments.__slots__}
            print(f"{key}: {len(points.hub)} corners")
    np.savez_compressed(Path(__file__).with_name("prior.npz"), **stored)


if __name__ == "__main__":
    main()
