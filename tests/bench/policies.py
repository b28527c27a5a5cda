"""Ways to choose the next setting, ours and the classical ones, on the same corners."""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.goal import Target
from optimizer.advise.lookahead import shortlist, spread_out, worth_of_measuring
from optimizer.advise.ranking import form_scores_deg, ranking_form
from optimizer.model.surface import SettingCurve, ToeSurface, draw_scores_deg

Array = NDArray[np.float64]

# what the crew of the loop calls worth a run: it wants the last thousandths
WORTHWHILE_DEG = 0.002


def ours(surface: ToeSurface, node: Array, weight: Array, h: Array, d: Array) -> int:
    """The setting the tool holds best, by its own ranking on its own surface."""
    form = ranking_form(surface, node, weight, np.zeros(len(node)))
    return int(np.argmin(form_scores_deg(form, h, d)))


def ours_to_measure(
    surface: ToeSurface,
    node: Array,
    weight: Array,
    h: Array,
    d: Array,
    runs: Sequence[SettingCurve],
) -> tuple[float, float]:
    """The setting the tool would measure next, by its own look at what a run would teach."""
    target = Target(
        window_mm=(float(node[0]), float(node[-1])),
        travel_mm=node,
        weight=weight,
        wanted_deg=np.zeros(len(node)),
    )
    expected = form_scores_deg(ranking_form(surface, node, weight, target.wanted_deg), h, d)
    known = np.array([[r.height_mm, r.length_change_mm] for r in runs])

    def measured(i: int) -> bool:
        return bool(np.any(np.all(np.abs(known - [h[i], d[i]]) < 0.04, axis=1)))

    best = int(np.argmin(expected))
    fresh = [int(i) for i in spread_out(h, d, expected) if not measured(int(i))]
    led = not measured(best)
    if led:
        fresh.insert(0, best)
    draws = surface.draws(400)
    at_known = draw_scores_deg(draws, known[:, 0], known[:, 1], node, weight)
    few = shortlist(h, d, expected)
    candidates = np.append(h[fresh], known[:, 0]), np.append(d[fresh], known[:, 1])
    worth = worth_of_measuring(
        surface,
        target,
        candidates=candidates,
        settle=(np.append(h[few], known[:, 0]), np.append(d[few], known[:, 1])),
        held=len(few) + int(np.argmin(at_known.mean(axis=0))),
        like=runs[-1],
    )
    turns = np.abs(candidates[1] - known[-1, 1]) > 0.04
    at = worth.most(len(fresh), turns, WORTHWHILE_DEG, led=led)
    return float(candidates[0][at]), float(candidates[1][at])


def _curves_at(runs: Sequence[SettingCurve], node: Array) -> Array:
    """Measured curves joined by straight lines at the window's nodes, (n_run, n_node)."""
    out = []
    for r in runs:
        at = int(np.searchsorted(r.travel_mm, 0.0))
        out.append(np.interp(node, np.insert(r.travel_mm, at, 0), np.insert(r.toe_deg, at, 0)))
    return np.array(out)


def polynomial_choice(
    runs: Sequence[SettingCurve], node: Array, weight: Array, h: Array, d: Array, powers: int
) -> int:
    """Least squares of each travel on height and length (1: linear, 2: quadratic); grid minimum."""

    def rows(x: Array, y: Array) -> Array:
        terms = [np.ones_like(x), x, y]
        if powers == 2:
            terms += [x * x, x * y, y * y]
        return np.stack(terms, axis=1)

    at = np.array([[r.height_mm, r.length_change_mm] for r in runs])
    used = rows(at[:, 0], at[:, 1])
    free = np.any(used != 0.0, axis=0)
    fit, *_ = np.linalg.lstsq(used[:, free], _curves_at(runs, node), rcond=None)
    curves = rows(h, d)[:, free] @ fit
    scores = np.sqrt(curves**2 @ weight)
    # a direction never tried is left alone
    for axis, grid in ((1, h), (2, d)):
        if not free[axis]:
            scores = np.where(grid == 0.0, scores, np.inf)
    return int(np.argmin(scores))


def one_at_a_time(n_run: int) -> tuple[float, float] | None:
    """Settings of the classical plan: reference, then height, then length; then the fit."""
    return {0: (0.0, 0.0), 1: (2.0, 0.0), 2: (2.0, 4.0)}.get(n_run)


CENTRAL_COMPOSITE = (
    *((0.0, 0.0), (-3.0, -5.0), (-3.0, 5.0), (3.0, -5.0), (3.0, 5.0)),
    *((4.25, 0.0), (-4.25, 0.0), (0.0, 7.0), (0.0, -7.0)),
)


def gp_choice(
    settings: Array, scores: Array, h: Array, d: Array
) -> tuple[int, tuple[float, float]]:
    """Gaussian process on the score: expected improvement's next setting, best seen so far.

    Expected improvement: Jones, Schonlau and Welch 1998, minimising.
    """
    from scipy.stats import norm
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

    scale = np.array([6.0, 10.0])
    kernel = ConstantKernel(0.1) * Matern([1.0, 1.0], (0.2, 10.0), nu=2.5) + WhiteKernel(
        1e-4, (1e-6, 1e-2)
    )
    model = GaussianProcessRegressor(kernel, normalize_y=True, random_state=0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model.fit(settings / scale, scores)
        mean, sd = model.predict(np.stack([h, d], axis=1) / scale, return_std=True)
    gap = float(scores.min()) - mean
    z = gap / np.maximum(sd, 1e-12)
    best = settings[int(np.argmin(scores))]
    return int(np.argmax(gap * norm.cdf(z) + sd * norm.pdf(z))), (float(best[0]), float(best[1]))
