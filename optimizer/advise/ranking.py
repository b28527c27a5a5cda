"""How settings are ranked: the score of the best guess, with some care for its spread."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.model.basis import setting_terms
from optimizer.model.surface import ToeSurface

Array = NDArray[np.float64]

CARE = 0.3


def ranking_form(surface: ToeSurface, travel_mm: Array, weight: Array, wanted_deg: Array) -> Array:
    """Matrix (10, 10) whose quadratic form in the setting terms ranks settings.

    The score of the mean curve with part of its spread: less care overshoots on a lucky
    guess, more is timid. Chosen on invented corners, see ``tests/bench``.
    """
    mean = surface.mean_square_form(travel_mm, weight, wanted_deg, spread=False)
    full = surface.mean_square_form(travel_mm, weight, wanted_deg)
    return np.asarray(mean + CARE * (full - mean))


def form_scores_deg(form: Array, height_mm: ArrayLike, length_change_mm: ArrayLike) -> Array:
    """Root of a quadratic form in the setting terms, for settings of any shape."""
    psi = setting_terms(height_mm, length_change_mm)
    return np.asarray(np.sqrt(np.maximum(np.sum((psi @ form) * psi, axis=-1), 0.0)))


def expected_improvement_deg(best_scores: Array, scores: Array) -> float:
    """Mean over draws of how much a setting's score is below the best measured one's.

    Expected improvement (Jones, Schonlau and Welch 1998), for paired draws instead of a
    normal; both arrays have shape (n_draw,).
    """
    return float(np.mean(np.maximum(best_scores - scores, 0.0)))
