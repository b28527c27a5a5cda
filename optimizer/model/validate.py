"""Left-out-run validation: would the surface have foreseen each run from the others?"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from optimizer.model.surface import SettingCurve, ToeSurface

Array = NDArray[np.float64]


def left_out_runs(
    surface: ToeSurface, curves: Sequence[SettingCurve]
) -> tuple[tuple[float, float], ...]:
    """Predict every run from all the others.

    Parameters
    ----------
    surface : its parameters are used, not its fit
    curves : two or more runs

    Returns
    -------
    For each run the RMS miss and the RMS of the promised standard deviation (of a
    new run, its own noise included), degrees. Empty with fewer than two runs.
    """
    if len(curves) < 2:
        return ()
    out = []
    for i, curve in enumerate(curves):
        others = [c for j, c in enumerate(curves) if j != i]
        fitted = ToeSurface(**surface.get_params()).fit_curves(others)
        mean, cov = fitted.curve(curve.height_mm, curve.length_change_mm, curve.travel_mm)
        promised = np.diag(cov) + np.diag(curve.cov_deg2)
        out.append(
            (
                float(np.sqrt(np.mean((curve.toe_deg - mean) ** 2))),
                float(np.sqrt(np.mean(promised))),
            )
        )
    return tuple(out)
