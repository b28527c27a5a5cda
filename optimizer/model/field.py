"""Toe at chosen travels, with its spread, for a hundred thousand settings at once.

A variance is a quadratic form in ten products of height and length; written out, it is a
polynomial of the sixth degree with 28 terms, which one matrix product evaluates for all
travels and settings.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.model.basis import (
    N_COEFFICIENT,
    N_POWER,
    N_SETTING_TERM,
    REACH_HEIGHT_MM,
    REACH_LENGTH_MM,
    SETTING_POWERS,
    setting_terms,
    travel_terms,
)
from optimizer.model.surface import ToeSurface

Array = NDArray[np.float64]
Index = NDArray[np.intp]

# exponents of height and length in a product of two setting terms
_PRODUCTS = tuple((a, n - a) for n in range(7) for a in range(n, -1, -1))


class CurveField:
    """Mean and variance of linear readings of the true curve, over settings.

    Parameters
    ----------
    surface : fitted
    travel_mm : shape (n_row,)
    less_mm : shape (n_row,), optional
        Where given, a row is toe at ``travel_mm`` less toe there.
    """

    def __init__(
        self, surface: ToeSurface, travel_mm: ArrayLike, less_mm: ArrayLike | None = None
    ) -> None:
        rows = travel_terms(travel_mm)
        if less_mm is not None:
            rows = rows - travel_terms(less_mm)
        mean = surface.mean_[:N_COEFFICIENT].reshape(N_SETTING_TERM, N_POWER)
        cov = surface.cov_[:N_COEFFICIENT, :N_COEFFICIENT]
        by_term = cov.reshape(N_SETTING_TERM, N_POWER, N_SETTING_TERM, N_POWER)
        self._mean = mean @ rows.T
        forms = np.einsum("ikjl,rk,rl->rij", by_term, rows, rows, optimize=True)
        self._spread = _written_out(forms)

    def mean_deg(self, height_mm: Array, length_change_mm: Array) -> Array:
        """Mean, shape (n_setting, n_row), degrees."""
        return np.asarray(setting_terms(height_mm, length_change_mm) @ self._mean)

    def variance_deg2(self, height_mm: Array, length_change_mm: Array) -> Array:
        """Variance, shape (n_setting, n_row), square degrees."""
        products = _products(height_mm, length_change_mm)
        return np.asarray(np.maximum(products @ self._spread, 0.0))

    def variance_of_deg2(self, height_mm: Array, length_change_mm: Array, row: Index) -> Array:
        """Variance of one row for each setting, (n_setting,), square degrees."""
        products = _products(height_mm, length_change_mm)
        return np.asarray(np.maximum(np.sum(products * self._spread.T[row], axis=1), 0.0))


def _products(height_mm: Array, length_change_mm: Array) -> Array:
    """The 28 products, shape (n_setting, 28), of lengths scaled to the surface's reach."""
    high = np.asarray(height_mm)[:, None] / REACH_HEIGHT_MM
    long = np.asarray(length_change_mm)[:, None] / REACH_LENGTH_MM
    powers = np.arange(7)
    high, long = high**powers, long**powers
    a, b = (list(p) for p in zip(*_PRODUCTS, strict=True))
    return np.asarray(high[:, a] * long[:, b])


def _written_out(forms: Array) -> Array:
    """Quadratic forms (n_form, 10, 10) as polynomials, (28, n_form)."""
    out = np.zeros((len(_PRODUCTS), len(forms)))
    for i, (a, b) in enumerate(SETTING_POWERS):
        for j, (c, d) in enumerate(SETTING_POWERS):
            scale = REACH_HEIGHT_MM ** (a + c) * REACH_LENGTH_MM ** (b + d)
            out[_PRODUCTS.index((a + c, b + d))] += scale * forms[:, i, j]
    return out
