"""Left-out-run validation: would the surface have foreseen each run from the others?"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from optimizer.model.basis import N_COEFFICIENT, design_matrix
from optimizer.model.surface import SettingCurve, ToeSurface

Array = NDArray[np.float64]


def left_out_runs(
    surface: ToeSurface, curves: Sequence[SettingCurve]
) -> tuple[tuple[float, float], ...]:
    """Predict every run from all the others, without fitting again.

    With posterior covariance C of a fit that held a run with rows A, noise R and
    misfit e, the run's miss from the other runs alone is R (R - A C A')^-1 e, and
    its promised covariance R (R - A C A')^-1 R (matrix inversion lemma; the block
    form of the left-out residual of linear regression, any text).

    Parameters
    ----------
    surface : fitted to all of ``curves``
    curves : the runs

    Returns
    -------
    For each run the RMS miss and the RMS of the promised standard deviation (of a
    new run, its own noise included), degrees. Empty with fewer than two runs.
    """
    if len(curves) < 2:
        return ()
    mean, cov = surface.mean_[:N_COEFFICIENT], surface.cov_[:N_COEFFICIENT, :N_COEFFICIENT]
    out = []
    for c in curves:
        n = len(c.travel_mm)
        rows = design_matrix(np.full(n, c.height_mm), np.full(n, c.length_change_mm), c.travel_mm)
        misfit = c.toe_deg - rows @ mean
        kept = c.cov_deg2 - rows @ cov @ rows.T
        solved = np.linalg.solve(kept, np.column_stack([misfit, c.cov_deg2]))
        miss = c.cov_deg2 @ solved[:, 0]
        promised = np.sum(c.cov_deg2 * solved[:, 1:].T, axis=1)
        out.append((float(np.sqrt(np.mean(miss**2))), float(np.sqrt(np.mean(promised)))))
    return tuple(out)
