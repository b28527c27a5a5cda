"""How likely a run's rows are, given what is foretold of them: scipy's normal, and by hand."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.advise import testimony as said
from optimizer.advise.testimony import Chain, Foretelling, updated
from optimizer.model.surface import ToeSurface
from optimizer.records import Logbook
from tests.unit.densities import log_density

SETTINGS = ((0.0, 0.0), (2.0, 0.0), (0.0, -3.0))


@pytest.fixture(scope="module")
def told(demo_book: Logbook) -> list[said.Testimony]:
    """The demo's runs, a few rows of each."""
    return [
        said.testimony(r.name, s, demo_book.readings_of(r.name)[:18], demo_book.gauge)
        for r, s in zip(demo_book.runs, SETTINGS, strict=True)
    ]


@pytest.fixture(scope="module")
def prior() -> tuple[np.ndarray, np.ndarray]:  # type: ignore[type-arg]
    return ToeSurface(ahead=False).prior_state()


@pytest.mark.outside
def test_a_density_is_scipy_s_over_how_loud_the_gauge_may_be(
    told: list[said.Testimony],
    prior: tuple,  # type: ignore[type-arg]
) -> None:
    state = updated(prior, told[0])
    for run in told[1:]:
        found = Foretelling(state, run)
        assert found.log_density() == pytest.approx(log_density(state, run), abs=1e-6)
        shapes = np.arange(len(run.rows.toe_deg))[:, None] / 100.0 * np.array([1.0, 3.0])
        bare, wide = found.widened(shapes)
        assert bare == pytest.approx(found.log_density())
        assert wide == pytest.approx([log_density(state, run, shape=x) for x in shapes.T], abs=1e-6)
        # widening a run by a shape is the same thing
        again = Foretelling(state, run.widened(shapes[:, 1])).log_density()
        assert again == pytest.approx(wide[1], abs=1e-6)


@pytest.mark.outside
def test_a_row_is_held_against_all_others_of_its_run(
    told: list[said.Testimony],
    prior: tuple,  # type: ignore[type-arg]
) -> None:
    """Each row left out and foretold from the rest of it, by the normal's own conditioning."""
    state, run = updated(prior, told[0]), told[1]
    rows, mean = run.rows, run.design @ state[0][:60]
    cov = run.design @ state[1][:60, :60] @ run.design.T + rows.common_deg2 + rows.noise_deg2
    found = Foretelling(state, run)
    wanted = []
    for k in range(len(rows.toe_deg)):
        rest = np.arange(len(rows.toe_deg)) != k
        gain = np.linalg.solve(cov[np.ix_(rest, rest)], cov[rest, k])
        off = rows.toe_deg[k] - mean[k] - gain @ (rows.toe_deg - mean)[rest]
        wanted.append(off / np.sqrt(cov[k, k] - gain @ cov[rest, k]))
    assert found.misfit_sd() == pytest.approx(wanted, rel=1e-6, abs=1e-6)
    size = np.sqrt(np.mean(mean**2 + np.diag(cov)))
    assert found.size_deg() == pytest.approx(size)


def test_a_chain_told_anew_is_the_difference_of_whole_chains(
    told: list[said.Testimony],
    prior: tuple,  # type: ignore[type-arg]
) -> None:
    def whole(runs: list[said.Testimony]) -> float:
        state, total = prior, 0.0
        for run in runs:
            total += Foretelling(state, run).log_density()
            state = updated(state, run)
        return total

    chain = Chain(prior, told)
    assert chain.retold(told) == pytest.approx(0.0, abs=1e-9)
    for k in range(3):
        new = [run.moved((1.0, 1.0)) if i == k else run for i, run in enumerate(told)]
        assert abs(whole(new) - whole(told)) > 0.01
        assert chain.retold(new) == pytest.approx(whole(new) - whole(told), abs=1e-6)
