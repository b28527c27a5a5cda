"""The surface's coefficients of exact mechanisms: sweeps over a grid, fitted by the basis."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from optimizer.model.basis import design_matrix
from optimizer.model.mechanism import HardPoints, sweep
from optimizer.model.population import pick

Array = NDArray[np.float64]

# readings crowd about the reference setting, so the fit should be best there
FOCUS_MM = (7.0, 10.0, 45.0)
N_AT_ONCE = 100


@dataclass(frozen=True)
class SweepGrid:
    """Settings and travels that corners are swept at, all combinations.

    Parameters
    ----------
    heights_mm, changes_mm : shape (n_height,), (n_change,)
    travels_mm : shape (n_travel,), without ride height
    """

    heights_mm: tuple[float, ...]
    changes_mm: tuple[float, ...]
    travels_mm: tuple[float, ...]

    @cached_property
    def settings_mm(self) -> tuple[Array, Array]:
        """Heights and length changes of all settings, each (n_setting,)."""
        h, d = np.meshgrid(self.heights_mm, self.changes_mm, indexing="ij")
        return h.ravel(), d.ravel()

    @cached_property
    def _fit(self) -> tuple[Array, Array, Array]:
        """Design rows (n_point, 60), weight of each row, and the solver (60, n_point)."""
        h, d = self.settings_mm
        height, change, travel = (
            x.ravel() for x in np.broadcast_arrays(h[:, None], d[:, None], self.travels_mm)
        )
        rows = design_matrix(height, change, travel)
        far = zip((height, change, travel), FOCUS_MM, strict=True)
        weight = np.exp(-0.25 * sum((x / s) ** 2 for x, s in far))
        scale = np.abs(rows).max(axis=0)
        solve = np.linalg.pinv(rows / scale * weight[:, None], rcond=1e-12) / scale[:, None]
        return rows, weight, solve

    def toe_change_deg(self, points: HardPoints) -> Array:
        """Sweep corners, static toe held: shape (n_corner, n_setting * n_travel).

        LinkageError where a corner cannot be assembled.
        """
        h, d = self.settings_mm
        out = []
        for start in range(0, len(points.hub), N_AT_ONCE):
            some = pick(points, np.arange(start, min(start + N_AT_ONCE, len(points.hub))))
            toe = sweep(some, np.append(self.travels_mm, 0.0), h, d).toe_deg
            out.append((toe[..., :-1] - toe[..., -1:]).reshape(len(toe), -1))
        return np.concatenate(out)

    def fitted(self, toe_change_deg: Array) -> Array:
        """Coefficients of the surface nearest to toe changes on the grid, (n_corner, 60)."""
        _, weight, solve = self._fit
        return np.asarray((toe_change_deg * weight) @ solve.T)

    def misfit_cov(self, toe_change_deg: Array, coefficients: Array) -> Array:
        """Covariance of coefficients that stands for what the basis leaves out, (60, 60).

        Shaped as least squares would give it, and sized so that its mean variance over
        the grid, weighted as the fit is, equals the mean square of the misfit. Of one
        corner: both arguments have a single row.
        """
        rows, weight, solve = self._fit
        rest = (toe_change_deg[0] - rows @ coefficients[0]) * weight
        mean_square = float(rest @ rest) / float(weight @ weight)
        shape = solve @ solve.T
        spread = np.einsum("pi,ij,pj,p->", rows, shape, rows, weight**2) / (weight @ weight)
        return np.asarray(shape * mean_square / spread)


TRAINING_GRID = SweepGrid(
    heights_mm=(-10.0, -7.0, -3.5, 0.0, 3.5, 7.0, 10.0),
    changes_mm=(-15.0, -10.0, -5.0, 0.0, 5.0, 10.0, 15.0),
    travels_mm=(-60.0, -52.0, -42.0, -31.0, -20.0, -10.0, 10.0, 20.0, 31.0, 42.0, 52.0, 60.0),
)


def surface_coefficients(points: HardPoints, grid: SweepGrid = TRAINING_GRID) -> Array:
    """Fit the basis to exact sweeps of corners, shape (n_corner, 60), degrees."""
    return grid.fitted(grid.toe_change_deg(points))
