"""Peak-to-peak toe change as the figure that is made small.

Between the window's nodes and ride height; no quadratic form, so the mean curve's two
extremes are looked up for each setting and the spread of the step between them counts
with the same care as for RMS.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.goal import Target
from optimizer.advise.lookahead import Worth, learnt_from, reading_draws
from optimizer.model.basis import (
    N_COEFFICIENT,
    N_POWER,
    N_SETTING_TERM,
    setting_terms,
    travel_terms,
)
from optimizer.model.field import CurveField
from optimizer.model.surface import SettingCurve, ToeSurface

Array = NDArray[np.float64]

CHUNK = 40_000  # settings at a time, so that memory stays small


def span_nodes(target: Target, every: int = 1) -> tuple[Array, Array]:
    """The window's travels and wanted toe changes with ride height among them, (n_node,)."""
    travel, wanted = target.travel_mm[::every], target.wanted_deg[::every]
    at = int(np.searchsorted(travel, 0.0))
    return np.insert(travel, at, 0.0), np.insert(wanted, at, 0.0)


def span_scores_deg(
    surface: ToeSurface, target: Target, height_mm: Array, change_mm: Array, care: float
) -> Array:
    """Peak-to-peak of the mean curve with part of its spread, for settings of any shape.

    ``care`` is the part of the variance between the two extremes that is added to the
    square, 1 for all of it.
    """
    travel, wanted = span_nodes(target)
    n = len(travel)
    nodes = CurveField(surface, travel)
    first, second = np.divmod(np.arange(n * n), n)
    steps = CurveField(surface, travel[first], travel[second])
    flat_h, flat_d = np.ravel(height_mm), np.ravel(change_mm)
    out = np.empty(len(flat_h))
    for start in range(0, len(out), CHUNK):
        part = slice(start, start + CHUNK)
        off = nodes.mean_deg(flat_h[part], flat_d[part]) - wanted
        high, low = off.argmax(axis=1), off.argmin(axis=1)
        span = np.ptp(off, axis=1)
        spread = steps.variance_of_deg2(flat_h[part], flat_d[part], high * n + low)
        out[part] = np.sqrt(span**2 + care * spread)
    return out.reshape(np.shape(height_mm))


def draw_spans_deg(draws: Array, target: Target, height_mm: Array, change_mm: Array) -> Array:
    """Peak-to-peak of each draw at each setting, shape (n_draw, n_setting)."""
    travel, wanted = span_nodes(target)
    psi = setting_terms(height_mm, change_mm)
    by_term = draws[:, :N_COEFFICIENT].reshape(len(draws), N_SETTING_TERM, N_POWER)
    curves = np.einsum("sm,dmk->dsk", psi, by_term) @ travel_terms(travel).T
    return np.asarray(np.ptp(curves - wanted, axis=2))


def worth_by_span(
    surface: ToeSurface,
    target: Target,
    candidates: tuple[Array, Array],
    settle: tuple[Array, Array],
    held: int,
    like: SettingCurve,
) -> Worth:
    """Expected peak-to-peak after one more run at each candidate.

    Parameters as those of :func:`optimizer.advise.lookahead.worth_of_measuring`. Every other
    node is looked at; the spread that a run leaves is that between the extremes of the
    mean curve as it is now.
    """
    travel, wanted = span_nodes(target, every=2)
    terms = travel_terms(travel)
    mean = surface.mean_[:N_COEFFICIENT].reshape(N_SETTING_TERM, N_POWER)
    cov = surface.cov_[:N_COEFFICIENT, :N_COEFFICIENT]
    psi = setting_terms(*settle)
    off = psi @ mean @ terms.T - wanted
    high, low = off.argmax(axis=1), off.argmin(axis=1)
    step = terms[high] - terms[low]
    by_setting = (psi[:, :, None] * step[:, None, :]).reshape(len(psi), N_COEFFICIENT)
    spread = np.sum((by_setting @ cov) * by_setting, axis=1)

    readings = reading_draws(len(like.travel_mm))
    own_score = span_scores_deg(surface, target, *candidates, care=1.0)
    settled, gain = [], []
    for height, change in zip(*candidates, strict=True):
        powers = np.tensordot(psi, learnt_from(cov, height, change, like), 1)
        left = np.maximum(spread - np.sum(np.einsum("sk,skn->sn", step, powers) ** 2, axis=1), 0.0)
        moved = np.einsum("skn,rn->srk", powers, readings) @ terms.T
        after = np.ptp(off[:, None, :] + moved, axis=2)
        scores = np.sqrt(after**2 + left[:, None])
        best = scores.min(axis=0)
        settled.append(best.mean())
        gain.append(np.mean(scores[held] - best))
    return Worth(settled_deg=np.array(settled), own_deg=own_score, gain_deg=np.array(gain))
