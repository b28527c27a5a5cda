"""The surface's own coordinates: powers of travel times powers of height and length.

Toe change = sum over k, m of c[m, k] * psi_m(height, length) * (travel / 40 mm)^k,
with k = 1..6 and psi all products of height and length up to the third degree
(complete cubic). Against the exact mechanism the fit errs by 0.0002 degrees RMS
or less over heights of 10 mm and length changes of 15 mm either way.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

TRAVEL_SCALE_MM = 40.0
N_POWER = 6
SETTING_POWERS: tuple[tuple[int, int], ...] = (
    (0, 0),
    (1, 0),
    (0, 1),
    (2, 0),
    (1, 1),
    (0, 2),
    (3, 0),
    (2, 1),
    (1, 2),
    (0, 3),
)
N_SETTING_TERM = len(SETTING_POWERS)
N_COEFFICIENT = N_SETTING_TERM * N_POWER
REACH_HEIGHT_MM = 10.0
REACH_LENGTH_MM = 15.0


def travel_terms(travel_mm: ArrayLike) -> Array:
    """Powers of scaled travel, shape (n_travel, 6)."""
    scaled = np.asarray(travel_mm, float)[..., None] / TRAVEL_SCALE_MM
    return np.asarray(scaled ** np.arange(1, N_POWER + 1))


def setting_terms(height_mm: ArrayLike, length_change_mm: ArrayLike) -> Array:
    """Products of height and length change in mm, shape (n_setting, 10)."""
    height = np.asarray(height_mm, float)[..., None]
    change = np.asarray(length_change_mm, float)[..., None]
    p = np.array([a for a, _ in SETTING_POWERS])
    q = np.array([b for _, b in SETTING_POWERS])
    return np.asarray(height**p * change**q)


def design_matrix(height_mm: ArrayLike, length_change_mm: ArrayLike, travel_mm: ArrayLike) -> Array:
    """Rows of the surface for points given one by one, shape (n_point, 60)."""
    settings = setting_terms(height_mm, length_change_mm)
    travels = travel_terms(travel_mm)
    settings, travels = settings[..., :, None], travels[..., None, :]
    rows = settings * travels
    return np.asarray(rows.reshape(*rows.shape[:-2], N_COEFFICIENT))


def arc_sizes(length_mm: ArrayLike, arm_mm: ArrayLike) -> Array:
    """Size and sign that similarity gives each coefficient, degrees, shape (..., 60).

    A link's arc is a length that scales with the linkage, and toe is that length
    over the arm; so the term of total degree n scales as 1/(arm * length^(n-1)).
    """
    length = np.asarray(length_mm, float)[..., None, None]
    arm = np.asarray(arm_mm, float)[..., None, None]
    degree = np.array([a + b for a, b in SETTING_POWERS])[:, None]
    power = np.arange(1, N_POWER + 1)[None, :]
    size = TRAVEL_SCALE_MM**power / (arm * length ** (degree + power - 1.0))
    return np.asarray(np.rad2deg(size).reshape(*size.shape[:-2], N_COEFFICIENT))
