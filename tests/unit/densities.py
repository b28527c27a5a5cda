"""The density of a run's rows, by scipy's normal over how loud the gauge may be."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp
from scipy.stats import multivariate_normal

from optimizer.advise.testimony import State, Testimony

Array = NDArray[np.float64]

# how loud a gauge may be beside what is stated, and how likely: a judgement, held to its words
LOUD, WEIGHT = (0.7, 1.0, 1.5, 2.5), (0.2, 0.5, 0.25, 0.05)


def log_density(
    state: State, run: Testimony, toe: Array | None = None, shape: Array | None = None
) -> float:
    """Density of a run's rows, (n_row,), with one more unknown of a shape, (n_row,)."""
    mean, cov = state[0][:60], state[1][:60, :60]
    rows = run.rows
    more = np.zeros(len(rows.toe_deg)) if shape is None else shape
    logs = [
        np.log(weight)
        + multivariate_normal(
            run.design @ mean,
            run.design @ cov @ run.design.T
            + rows.common_deg2
            + loud**2 * rows.noise_deg2
            + np.outer(more, more),
        ).logpdf(rows.toe_deg if toe is None else toe)
        for loud, weight in zip(LOUD, WEIGHT, strict=True)
    ]
    return float(logsumexp(logs))
