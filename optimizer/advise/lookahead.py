"""What a run would teach: the score to settle for once it has been measured.

One step of looking ahead: for each setting that could be measured next, draw what its
readings may say, update the surface on them and settle for the setting that is then
best. The expected score of that is the run's worth; the lower, the more it teaches or
gains (the knowledge gradient of Frazier, Powell and Dayanik 2009, for a surface whose
score is quadratic). Exact but for the draws of the readings, since a Gaussian surface's
spread after a run does not depend on what the run says.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.goal import Target
from optimizer.model.basis import (
    N_COEFFICIENT,
    N_POWER,
    N_SETTING_TERM,
    design_matrix,
    setting_terms,
    travel_terms,
)
from optimizer.model.surface import SettingCurve, ToeSurface, root_of
from optimizer.record import record

Array = NDArray[np.float64]
Index = NDArray[np.intp]

N_READING_DRAW = 64
N_CELL = 12
N_BEST = 60
OWN_SHARE_LED, OWN_SHARE = 0.1, 0.01
# shares of what the crew calls worth a run: turning the link costs an alignment, and a run
# elsewhere than at the best guess, or a repeat, must clearly teach more
TURNING_SHARE, TEACHING_SHARE = 0.25, 0.1


@record
class Worth:
    """What measuring each candidate is expected to lead to, shape (n_candidate,), degrees.

    ``settled_deg`` is the expected score of the setting settled for after the run,
    ``own_deg`` that of the setting measured, ``gain_deg`` how much better settling is than
    staying with the setting held so far.
    """

    settled_deg: Array
    own_deg: Array
    gain_deg: Array

    def most(
        self, n_fresh: int, turns: NDArray[np.bool_], worthwhile_deg: float, *, led: bool
    ) -> int:
        """Index of the candidate to measure.

        The run's own score counts too: a little where the best guess leads, since the run
        may turn out to be the last one, and next to nothing where it was measured before,
        since there is a setting to go back to. The leader wins near ties, and a repeat
        wins only by a clear margin.

        Parameters
        ----------
        n_fresh : candidates never measured; they come first, then the measured ones
        turns : shape (n_candidate,), those that need the link turned, so an alignment
        worthwhile_deg : the gain the crew calls worth a run; a tenth of it is a clear
            margin here, a quarter pays for an alignment
        led : whether the first of them is the best guess
        """
        own_share = OWN_SHARE_LED if led else OWN_SHARE
        work = TURNING_SHARE * worthwhile_deg * turns
        cost = np.round(np.asarray(self.settled_deg + own_share * self.own_deg + work), 6)
        margin = TEACHING_SHARE * worthwhile_deg
        if n_fresh == 0:
            return int(np.argmin(cost))
        at = int(np.argmin(cost[:n_fresh]))
        if led and cost[0] <= cost[at] + margin:
            at = 0
        if n_fresh == len(cost):
            return at
        again = n_fresh + int(np.argmin(cost[n_fresh:]))
        return again if cost[again] < cost[at] - margin else at


def worth_of_measuring(
    surface: ToeSurface,
    target: Target,
    candidates: tuple[Array, Array],
    settle: tuple[Array, Array],
    held: int,
    like: SettingCurve,
) -> Worth:
    """Expected score after one more run at each candidate.

    Parameters
    ----------
    surface : fitted
    target : the goal's travels, weights and wanted toe changes
    candidates, settle : height and length change, mm, of the settings that could be
        measured, (n_candidate,), and of those that could be settled for, (n_settle,)
    held : index into ``settle`` of the setting kept if nothing is learnt
    like : a run whose travels and noise the next one will share
    """
    terms = travel_terms(target.travel_mm)
    form = terms.T @ (target.weight[:, None] * terms)
    root = np.linalg.cholesky(form + 1e-14 * np.trace(form) * np.eye(N_POWER))
    psi = setting_terms(*settle)
    mean = surface.mean_[:N_COEFFICIENT].reshape(N_SETTING_TERM, N_POWER)
    cov = surface.cov_[:N_COEFFICIENT, :N_COEFFICIENT]
    # the score of the mean curve is |off|^2 + floor: the wanted curve's part that no
    # curve of the basis can follow stays
    wanted = np.linalg.solve(root, terms.T @ (target.weight * target.wanted_deg))
    floor = float(target.weight @ target.wanted_deg**2 - wanted @ wanted)
    off = psi @ mean @ root - wanted
    by_term = cov.reshape(N_SETTING_TERM, N_POWER, N_SETTING_TERM, N_POWER)
    by_setting = np.einsum("ikjl,kl->ij", by_term, form)
    spread = np.sum((psi @ by_setting) * psi, axis=1)

    readings = reading_draws(len(like.travel_mm))
    settled, own, gain = [], [], []
    for height, change in zip(*candidates, strict=True):
        learnt = learnt_from(cov, height, change, like)
        moves = np.tensordot(psi, np.einsum("ikn,kp->ipn", learnt, root), 1)
        left = np.maximum(spread - np.sum(moves**2, axis=(1, 2)), 0.0)
        after = off[:, :, None] + moves @ readings.T
        scores = np.sqrt(np.maximum(np.sum(after**2, axis=1) + left[:, None] + floor, 0.0))
        best = scores.min(axis=0)
        settled.append(best.mean())
        here = setting_terms(height, change)
        off_here = here @ mean @ root - wanted
        own.append(np.sqrt(off_here @ off_here + here @ by_setting @ here + floor))
        gain.append(np.mean(scores[held] - best))
    return Worth(settled_deg=np.array(settled), own_deg=np.array(own), gain_deg=np.array(gain))


def learnt_from(cov: Array, height_mm: float, change_mm: float, like: SettingCurve) -> Array:
    """What each independent part of one more run's readings moves, (10, 6, n_travel).

    ``cov``, (60, 60), is that of the surface's coefficients; a reading's standard normal
    draw times this is how far it moves their mean, and its square is the variance taken
    away (the update of a Gaussian).
    """
    n = len(like.travel_mm)
    rows = design_matrix(np.full(n, height_mm), np.full(n, change_mm), like.travel_mm)
    noisy = root_of(rows @ cov @ rows.T + like.cov_deg2)
    return np.asarray(np.linalg.solve(noisy, rows @ cov).T.reshape(N_SETTING_TERM, N_POWER, n))


def spread_out(height_mm: Array, change_mm: Array, score_deg: Array) -> Index:
    """Indices of the best setting of each patch of what can be set, ordered by patch.

    So a few settings stand for a hundred thousand: enough to learn from everywhere.
    """
    patch = _patch(height_mm) * N_CELL + _patch(change_mm)
    order = np.lexsort((score_deg, patch))
    _, first = np.unique(patch[order], return_index=True)
    return np.asarray(order[first])


def shortlist(height_mm: Array, change_mm: Array, score_deg: Array) -> Index:
    """Indices of settings worth settling for: the best of all, and the best of each patch."""
    few = min(N_BEST, len(score_deg))
    best = np.argpartition(score_deg, few - 1)[:few]
    return np.unique(np.concatenate([best, spread_out(height_mm, change_mm, score_deg)]))


def _patch(values: Array) -> Index:
    values = np.round(values, 6)
    reach = float(np.ptp(values))
    share = (values - values.min()) / reach if reach > 0.0 else np.zeros(len(values))
    return np.minimum((share * N_CELL).astype(np.intp), N_CELL - 1)


def reading_draws(n: int) -> Array:
    """Fixed standard normal draws (64, n), paired by sign: the same logbook, the same advice."""
    half = np.random.default_rng(5).standard_normal((N_READING_DRAW // 2, n))
    return np.concatenate([half, -half])
