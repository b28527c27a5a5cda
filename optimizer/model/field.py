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
        mean = surface.mean_[:N_COEFFICIENT].reshape(N_SETTING_TERM, N_POWER) @ rows.T
        cov = surface.cov_[:N_COEFFICIENT, :N_COEFFICIENT]
        by_term = cov.reshape(N_SETTING_TERM, N_POWER, N_SETTING_TERM, N_POWER)
        self._mean = np.zeros((N_SETTING_TERM, len(rows)))
        for term, (a, b) in zip(mean, SETTING_POWERS, strict=True):
            self._mean[_PRODUCTS.index((a, b))] = term * REACH_HEIGHT_MM**a * REACH_LENGTH_MM**b
        forms = np.einsum("ikjl,rk,rl->rij", by_term, rows, rows, optimize=True)
        self._spread = _written_out(forms)

    def polynomials(self) -> tuple[Array, Array]:
        """Mean and variance written out, (10, n_row) and (28, n_row).

        Each is that matrix turned times :meth:`products`, of which the mean takes the first
        ten.
        """
        return self._mean, self._spread

    @staticmethod
    def products(height_mm: Array, length_change_mm: Array) -> Array:
        """Products of height and length scaled to the surface's reach, (28, n_setting).

        In the order of the total degree n, from height^n to length^n.
        """
        return _products(height_mm, length_change_mm)

    def mean_deg(self, height_mm: Array, length_change_mm: Array) -> Array:
        """Mean, shape (n_setting, n_row), degrees."""
        return self.mean_and_variance(height_mm, length_change_mm)[0]

    def mean_and_variance(self, height_mm: Array, length_change_mm: Array) -> tuple[Array, Array]:
        """Mean and variance, both shape (n_setting, n_row), degrees and square degrees."""
        products = _products(height_mm, length_change_mm)
        mean = (self._mean.T @ products[:N_SETTING_TERM]).T
        return mean, np.maximum((self._spread.T @ products).T, 0.0)

    def variance_of_deg2(self, height_mm: Array, length_change_mm: Array, row: Index) -> Array:
        """Variance of one row for each setting, (n_setting,), square degrees."""
        products = _products(height_mm, length_change_mm)
        return np.asarray(np.maximum(np.sum(products * self._spread[:, row], axis=0), 0.0))


def draw_mean_squares_deg2(
    draws: Array,
    height_mm: Array,
    length_change_mm: Array,
    travel_mm: Array,
    weight: Array,
    wanted_deg: Array | float = 0.0,
) -> Array:
    """Weighted mean square of (toe change - wanted) of each draw, (n_draw, n_setting).

    The square of :func:`optimizer.model.surface.draw_scores_deg`, for very many settings:
    a polynomial for each draw in place of a curve for each draw and setting.
    """
    terms = travel_terms(travel_mm)
    form = terms.T @ (weight[:, None] * terms)
    by_term = draws[:, :N_COEFFICIENT].reshape(len(draws), N_SETTING_TERM, N_POWER)
    wanted = np.broadcast_to(np.asarray(wanted_deg, float), np.shape(travel_mm))
    squares = np.einsum("dik,kl,djl->dij", by_term, form, by_term, optimize=True)
    pull = by_term @ (terms.T @ (weight * wanted))
    squares[:, 0] -= pull
    squares[:, :, 0] -= pull
    squares[:, 0, 0] += float(weight @ wanted**2)
    products = _products(height_mm, length_change_mm)
    return np.asarray(np.maximum(_written_out(squares).T @ products, 0.0))


def _products(height_mm: Array, length_change_mm: Array) -> Array:
    """The 28 products, shape (28, n_setting), of lengths scaled to the surface's reach."""
    high = np.asarray(height_mm) / REACH_HEIGHT_MM
    long = np.asarray(length_change_mm) / REACH_LENGTH_MM
    out = np.empty((len(_PRODUCTS), len(high)))
    out[0] = 1.0
    for at, (a, b) in enumerate(_PRODUCTS[1:], 1):
        less = (a - 1, b) if a else (a, b - 1)
        np.multiply(out[_PRODUCTS.index(less)], high if a else long, out=out[at])
    return out


def _written_out(forms: Array) -> Array:
    """Quadratic forms (n_form, 10, 10) as polynomials, (28, n_form)."""
    out = np.zeros((len(_PRODUCTS), len(forms)))
    for i, (a, b) in enumerate(SETTING_POWERS):
        for j, (c, d) in enumerate(SETTING_POWERS):
            scale = REACH_HEIGHT_MM ** (a + c) * REACH_LENGTH_MM ** (b + d)
            out[_PRODUCTS.index((a + c, b + d))] += scale * forms[:, i, j]
    return out
