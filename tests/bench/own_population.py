"""What one run and the tape can tell at most: an answer that knows the test's own generator.

The bound lets the answer know what no crew's tool can: the very generator the test corners
come from, with the shape of its spread and not only its moments. From 1500 corners of it
come the regression of the surface on tape and reference curve and what is left over;
400 draws of the surface given one run and the tape are then scored at every setting, and
the setting with the least mean, median or 90th percentile of excess is taken. A policy that
does not know the generator cannot be expected to do better after one run.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from corners import Corner, population_of_test
from numpy.typing import NDArray

from optimizer.model.basis import (
    N_COEFFICIENT,
    N_POWER,
    N_SETTING_TERM,
    arc_sizes,
    setting_terms,
    travel_terms,
)
from optimizer.model.prior import given_tape, tape_features
from optimizer.model.surface import SettingCurve
from optimizer.records import Tape

Array = NDArray[np.float64]

N_CORNER, N_DRAW = 1500, 400
N_TIED = 4
RULES = ("mean", "median", "90th")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Own:
    """Tape values, reference curves, regression and remainders of the generator's corners."""

    mean: Array
    cov: Array
    reference_cov: Array
    weight: Array
    remainder: Array


@cache
def _own(ahead: bool) -> _Own:
    tape, coefficients = population_of_test(np.random.default_rng(31), N_CORNER, ahead)
    mean, cov = tape.mean(axis=0), np.cov(tape.T)
    scaled = coefficients / _sizes(tape, ahead)
    features = np.concatenate([tape_features(tape, mean, cov), scaled[:, :N_TIED]], axis=1)
    weight, *_ = np.linalg.lstsq(features, scaled[:, N_POWER:], rcond=None)
    first = coefficients[:, :N_POWER]
    return _Own(
        mean=mean,
        cov=cov,
        reference_cov=first.T @ first / len(first),
        weight=weight,
        remainder=scaled[:, N_POWER:] - features @ weight,
    )


def choices(
    rng: np.random.Generator,
    corner: Corner,
    tape: Tape,
    run: SettingCurve,
    node: Array,
    weight: Array,
    h: Array,
    d: Array,
) -> tuple[int, ...]:
    """Indices of the settings that each rule takes after one run at the reference setting."""
    draws = _draws(rng, _own(corner.ahead), corner.ahead, tape, run)
    terms = travel_terms(node)
    form = terms.T @ (weight[:, None] * terms)
    root = np.linalg.cholesky(form + 1e-14 * np.trace(form) * np.eye(N_POWER))
    by_term = draws.reshape(N_DRAW, N_SETTING_TERM, N_POWER) @ root
    scores = np.linalg.norm(setting_terms(h, d) @ by_term, axis=-1)
    excess = scores - scores.min(axis=1, keepdims=True)
    losses = (excess.mean(0), np.median(excess, axis=0), np.quantile(excess, 0.9, axis=0))
    return tuple(int(np.argmin(loss)) for loss in losses)


def _draws(
    rng: np.random.Generator, own: _Own, ahead: bool, tape: Tape, run: SettingCurve
) -> Array:
    mean, cov = given_tape(own.mean, own.cov, tape)
    values = rng.multivariate_normal(mean, cov, N_DRAW)
    # the reference curve: the run itself, with a spread three times the generator's before it
    wide, rows = 9.0 * own.reference_cov, travel_terms(run.travel_mm)
    gain = np.linalg.solve(rows @ wide @ rows.T + run.cov_deg2, rows @ wide).T
    left = wide - gain @ rows @ wide
    curve = rng.multivariate_normal(
        gain @ run.toe_deg, (left + left.T) / 2, N_DRAW, check_valid="ignore", method="eigh"
    )
    sizes = _sizes(values, ahead)
    features = np.concatenate(
        [tape_features(values, own.mean, own.cov), curve[:, :N_TIED] / sizes[:, :N_TIED]], axis=1
    )
    rest = own.remainder[rng.integers(0, len(own.remainder), N_DRAW)]
    answer = (features @ own.weight + rest) * sizes[:, N_POWER:]
    return np.concatenate([curve, answer], axis=1)


def _sizes(tape: Array, ahead: bool) -> Array:
    side = 1.0 if ahead else -1.0
    sizes = arc_sizes(np.exp(tape[:, 0]), side * np.exp(tape[:, 1]))
    return sizes.reshape(-1, N_COEFFICIENT)
