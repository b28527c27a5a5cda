"""The Gaussian update and the curve's figures against certified least squares.

Source of the data and the certified figures: NIST, Statistical Reference Datasets
(StRD), linear regression, sets Norris, Pontius, Wampler1 and Wampler2, read. With a
wide prior the posterior is least squares (Rasmussen and Williams 2006, section 2.1).
The StRD set Longley is left out: its data come with a library that is not needed here.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pytest
from numpy.typing import NDArray

from optimizer.measure.curve import ToeCurve
from optimizer.measure.shape import Figure, curve_shape
from optimizer.model.basis import travel_terms
from optimizer.model.surface import gaussian_update

Array = NDArray[np.float64]

NORRIS_X = np.array(
    [
        0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4,
        0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3,
        0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
    ]
)  # fmt: skip
NORRIS_Y = np.array(
    [
        0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3,
        0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3,
        0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
    ]
)  # fmt: skip
PONTIUS_Y = np.array(
    [
        0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146,
        1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
        0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.98300, 1.09150,
        1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829,
    ]
)  # fmt: skip


@dataclass(frozen=True)
class Certified:
    """One set: rows, target, and the certified coefficients, deviations and residual."""

    rows: Array
    target: Array
    coefficient: Array
    sd: Array
    residual_sd: float
    about: float  # a noise to start from, of the residual's order


def _norris() -> Certified:
    return Certified(
        rows=np.stack([np.ones(36), NORRIS_X], axis=1),
        target=NORRIS_Y,
        coefficient=np.array([-0.262323073774029, 1.00211681802045]),
        sd=np.array([0.232818234301152, 0.429796848199937e-3]),
        residual_sd=0.884796396144373,
        about=1.0,
    )


def _pontius() -> Certified:
    # x in units of a million, or the square would drown the rest
    x = np.tile(np.arange(1, 21) * 0.15, 2)
    unit = 1e6 ** np.arange(3)
    return Certified(
        rows=x[:, None] ** np.arange(3),
        target=PONTIUS_Y,
        coefficient=np.array([0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14])
        * unit,
        sd=np.array([0.107938612033077e-3, 0.157817399981659e-9, 0.486652849992036e-16]) * unit,
        residual_sd=0.205177424076185e-3,
        about=2e-4,
    )


def _fit(rows: Array, target: Array, noise_sd: float, wide: Array) -> tuple[Array, Array, float]:
    """Update on all rows from a wide prior; ``wide`` is its deviation for each coefficient.

    Even a wide prior pulls a little; centred on its own last answer it pulls by a tiny share
    of that little, and least squares is where it no longer pulls.
    """
    n, m = rows.shape
    mean, cov, evidence = np.zeros(m), np.diag(wide**2), 0.0
    for _ in range(4):
        mean, cov, evidence = gaussian_update(
            mean, np.diag(wide**2), rows, target, np.eye(n) * noise_sd**2
        )
    return mean, cov, evidence


@pytest.mark.parametrize("case", [_norris(), _pontius()], ids=["Norris", "Pontius"])
def test_a_wide_prior_gives_the_certified_fit(case: Certified) -> None:
    n, m = case.rows.shape
    wide = 1e4 * case.sd
    # recentred, a narrower prior pulls as little and leaves less to rounding
    mean, *_ = _fit(case.rows, case.target, case.about, 1e-2 * wide)
    _, cov, quiet = _fit(case.rows, case.target, case.about, wide)
    *_, loud = _fit(case.rows, case.target, 2.0 * case.about, wide)
    # under a flat prior the evidence falls as sd^-(n - m) exp(-RSS / (2 sd^2)), so two
    # noises give the residual sum of squares
    square = (8.0 / 3.0) * case.about**2 * ((n - m) * np.log(2.0) - (quiet - loud))
    residual_sd = float(np.sqrt(square / (n - m)))
    sd = np.sqrt(np.diag(cov)) / case.about * residual_sd
    # the wide prior's variance is 1e8 times the answer's: rounding beside it costs 1e8 * 2e-16
    # of a variance, its pull on a variance 1e-8 times the coefficients' condition
    assert mean == pytest.approx(case.coefficient, rel=1e-8)
    assert residual_sd == pytest.approx(case.residual_sd, rel=1e-7)
    assert sd == pytest.approx(case.sd, rel=5e-7)


def test_norris_explained_share() -> None:
    case = _norris()
    mean, *_ = _fit(case.rows, case.target, case.about, 1e4 * case.sd)
    rest = case.target - case.rows @ mean
    left = rest @ rest / np.sum((case.target - case.target.mean()) ** 2)
    # what is left of 1 is 6e-6; of the certified fifteen digits that leaves ten
    assert left == pytest.approx(1.0 - 0.999993745883712, rel=1e-9)


@pytest.mark.parametrize("scale", [1.0, 0.1], ids=["Wampler1", "Wampler2"])
def test_wampler_s_quintics_in_the_surface_s_own_powers(scale: float) -> None:
    """x = 1 is 2 mm of travel, so x / 20 is the surface's scaled travel, 0 to 1."""
    x = np.arange(21.0)
    y = np.sum((scale * x[:, None]) ** np.arange(6), axis=1)
    rows = np.column_stack([np.ones(21), travel_terms(2.0 * x)])[:, :6]
    mean, *_ = _fit(rows, y, 1.0, np.full(6, 1e5))
    certified = scale ** np.arange(6)
    # the normal matrix's condition, 1e7, leaves nine of sixteen digits
    assert mean / 20.0 ** np.arange(6) == pytest.approx(certified, rel=1e-9)


def _fractions_cubic(x: list[int], y: list[int]) -> tuple[list[Fraction], list[Fraction]]:
    """Least squares of y on x, x^2, x^3, and the inverse's diagonal, by exact elimination."""
    normal = [[Fraction(sum(v ** (i + j) for v in x)) for j in (1, 2, 3)] for i in (1, 2, 3)]
    right = [Fraction(sum(v**i * w for v, w in zip(x, y, strict=True))) for i in (1, 2, 3)]
    table = [
        [*row, b, *(Fraction(i == j) for j in range(3))]
        for i, (row, b) in enumerate(zip(normal, right, strict=True))
    ]
    for i in range(3):
        table[i] = [v / table[i][i] for v in table[i]]
        for j in range(3):
            if j != i:
                table[j] = [a - table[j][i] * b for a, b in zip(table[j], table[i], strict=True)]
    return [row[3] for row in table], [table[i][4 + i] for i in range(3)]


def test_the_cubic_nearest_a_wampler_quintic() -> None:
    """Slope, bow and twist of Wampler1, counted from ride height, in exact fractions."""
    x = [*range(-9, 0), *range(1, 13)]
    y = [sum(v**n for n in range(1, 6)) for v in x]
    fit, inverse = _fractions_cubic(x, y)
    sd = 0.02
    curve = ToeCurve(
        run="quintic",
        travel_mm=np.array(x, float),
        toe_deg=np.array(y, float),
        cov_deg2=np.eye(len(x)) * sd**2,
        repeat_sd_deg=None,
        noise_factor=1.0,
        return_to_zero_deg=None,
        sweeps=("up1",),
    )
    shape = curve_shape(curve, (-9.0, 12.0))
    base = [25.0, 10.5, 10.5]
    figures = (shape.slope, shape.bow, shape.twist)
    for i, figure in enumerate(figures):
        assert isinstance(figure, Figure)
        size = base[i] ** (i + 1)
        # fractions are exact; the fit loses a few digits to rounding, no more
        assert figure.value == pytest.approx(float(fit[i]) * size, rel=1e-10)
        assert figure.sd == pytest.approx(sd * float(inverse[i]) ** 0.5 * size, rel=1e-10)
