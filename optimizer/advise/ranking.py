"""How settings are ranked: the score of the best guess, with care while little is known."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.model.basis import setting_terms
from optimizer.model.surface import ToeSurface

Array = NDArray[np.float64]

FIRST_RUN_CARE = 0.3


def ranking_form(
    surface: ToeSurface, travel_mm: Array, weight: Array, wanted_deg: Array, n_run: int
) -> Array:
    """Matrix (10, 10) whose quadratic form in the setting terms ranks settings.

    The score of the mean curve, and after a single run part of its spread too: a
    first step is taken with care, later ones go where the best guess lies, which
    also teaches more. Chosen on invented corners, see ``tests/bench``.
    """
    mean = surface.mean_square_form(travel_mm, weight, wanted_deg, spread=False)
    if n_run > 1:
        return mean
    full = surface.mean_square_form(travel_mm, weight, wanted_deg)
    return np.asarray(mean + FIRST_RUN_CARE * (full - mean))


def form_scores_deg(form: Array, height_mm: ArrayLike, length_change_mm: ArrayLike) -> Array:
    """Root of a quadratic form in the setting terms, for settings of any shape."""
    psi = setting_terms(height_mm, length_change_mm)
    return np.asarray(np.sqrt(np.maximum(np.sum((psi @ form) * psi, axis=-1), 0.0)))


def strongest_rival(best_scores: Array, rival_scores: Array) -> tuple[int, float]:
    """The rival that may gain most on the best measured setting, and that gain, degrees.

    Parameters
    ----------
    best_scores : shape (n_draw,)
        Score of the best measured setting in each draw.
    rival_scores : shape (n_draw, n_rival)

    Expected improvement over draws (Jones, Schonlau and Welch 1998, for draws instead
    of a normal): a rival gains by what it may turn out to be, so an unsure one that
    would teach much beats a sure one that would teach nothing.
    """
    gains = np.mean(np.maximum(best_scores[:, None] - rival_scores, 0.0), axis=0)
    index = int(np.argmax(np.round(gains, 6)))
    return index, float(gains[index])
