"""The stored prior is what the code beside it makes."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.model.basis import arc_sizes
from optimizer.model.exact import surface_coefficients
from optimizer.model.hard_prior import (
    SLOT_RISE_DEG,
    STATIC_CAMBER_DEG,
    STATIC_TOE_DEG,
    STUD_LEAN_DEG,
    STUD_RAKE_DEG,
)
from optimizer.model.mechanism import HardPoints, camber_deg, toe_deg
from optimizer.model.population import pick, tape_truth
from optimizer.model.prior import ENDS, population_moments, tape_features
from optimizer.model.prior import _standard_draws as stored_draws
from optimizer.model.train import N_CORNER, SEED, moments_of, training_corners
from optimizer.model.train import _standard_draws as made_draws


@pytest.fixture(scope="module")
def drawn() -> HardPoints:
    """The first of the four kinds, drawn again whole."""
    return training_corners(np.random.default_rng(SEED), N_CORNER, ahead=True, end=ENDS[0])


def test_the_stored_draws_are_those_of_the_seed() -> None:
    draws = stored_draws()
    assert draws == pytest.approx(made_draws(), abs=1e-12)
    assert draws.mean(axis=0) == pytest.approx(np.zeros(5), abs=1e-12)
    assert np.cov(draws.T, bias=True) == pytest.approx(np.eye(5), abs=1e-12)


def test_the_stored_tape_values_are_those_of_the_seed(drawn: HardPoints) -> None:
    """Any change of what is drawn, or of which corners are kept, shows."""
    stored = population_moments(True, ENDS[0])
    tape = tape_truth(drawn).values()
    assert tape.mean(axis=0) == pytest.approx(stored.tape_mean, rel=1e-7)
    assert np.cov(tape.T) == pytest.approx(stored.tape_cov, rel=1e-6, abs=1e-12)


def test_moments_are_numpy_s(drawn: HardPoints) -> None:
    """Of a few corners: means, spreads and least squares with nothing of scikit-learn."""
    few = pick(drawn, np.arange(60))
    found = moments_of(few)
    truth = tape_truth(few)
    tape, coefficients = truth.values(), surface_coefficients(few)
    assert found.tape_mean == pytest.approx(tape.mean(axis=0))
    assert found.tape_cov == pytest.approx(np.cov(tape, rowvar=False))
    reference = coefficients[:, :6]
    assert found.baseline_cov == pytest.approx(np.einsum("ci,cj->ij", reference, reference) / 60)
    scaled = coefficients / arc_sizes(truth.length_mm, truth.arm_mm)
    features = tape_features(tape, found.tape_mean, found.tape_cov)
    weight = np.linalg.lstsq(features, scaled, rcond=None)[0]
    assert features @ found.weight.T == pytest.approx(features @ weight, rel=1e-6, abs=1e-6)
    rest = scaled - features @ weight
    assert np.diag(found.residual_cov) == pytest.approx(np.sum(rest**2, axis=0) / 39, rel=1e-6)


def test_what_no_point_tells_is_as_in_the_population(drawn: HardPoints) -> None:
    """Toe, camber, the stud's lean and rake, the slot's rise: mean and spread, degrees."""
    stud, slot = np.broadcast_to(drawn.stud, drawn.hub.shape), drawn.slot
    found = (
        (STATIC_TOE_DEG, toe_deg(drawn.spindle)),
        (STATIC_CAMBER_DEG, camber_deg(drawn.spindle)),
        (STUD_LEAN_DEG, np.degrees(np.arctan2(stud[:, 1], stud[:, 2]))),
        (STUD_RAKE_DEG, np.degrees(np.arctan2(stud[:, 0], stud[:, 2]))),
        (SLOT_RISE_DEG, np.degrees(np.arcsin(slot[:, 2] / np.linalg.norm(slot, axis=1)))),
    )
    for (mean, sd), drawn_deg in found:
        assert np.mean(drawn_deg) == pytest.approx(mean, abs=0.25)
        # spreads are rounded up where a share of corners has none
        assert np.std(drawn_deg) == pytest.approx(sd, rel=0.3)
