"""The grids that corners are swept at, and what the fit over them gives back."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.model.basis import (
    REACH_HEIGHT_MM,
    REACH_LENGTH_MM,
    SETTING_POWERS,
    arc_sizes,
    design_matrix,
)
from optimizer.model.exact import FOCUS_MM, TRAINING_GRID, SweepGrid
from optimizer.model.hard_prior import STEP_GRID


@pytest.mark.parametrize("grid", [TRAINING_GRID, STEP_GRID])
def test_grids_reach_the_surface_s_ends_and_are_alike_either_way(grid: SweepGrid) -> None:
    """Ten mm of height, fifteen of length, sixty of travel; up as down, longer as shorter."""
    ends = (REACH_HEIGHT_MM, REACH_LENGTH_MM, 60.0)
    for values, end in zip((grid.heights_mm, grid.changes_mm, grid.travels_mm), ends, strict=True):
        assert values[-1] == end
        assert list(values) == sorted(values)
        assert values == tuple(-x for x in reversed(values))
        assert len(values) >= 4  # a cubic in each way of setting
    assert 0.0 not in grid.travels_mm
    assert len(grid.travels_mm) >= 6


@pytest.mark.outside
@pytest.mark.parametrize("grid", [TRAINING_GRID, STEP_GRID])
def test_the_fit_gives_a_surface_of_the_basis_back(grid: SweepGrid) -> None:
    """Sixty coefficients, written out term by term, through the grid and back."""
    rng = np.random.default_rng(8)
    wanted = rng.normal(size=60) / np.abs(design_matrix(10.0, 15.0, 60.0)).ravel()
    toe = []
    for h in grid.heights_mm:
        for d in grid.changes_mm:
            for z in grid.travels_mm:
                toe.append(
                    sum(
                        wanted[6 * m + k - 1] * h**a * d**b * (z / 40.0) ** k
                        for m, (a, b) in enumerate(SETTING_POWERS)
                        for k in range(1, 7)
                    )
                )
    found = grid.fitted(np.array([toe]))[0]
    size = np.abs(design_matrix(10.0, 15.0, 60.0)).ravel()
    assert found * size == pytest.approx(wanted * size, abs=1e-6)


@pytest.mark.outside
def test_a_curve_outside_the_basis_is_fitted_by_weighted_least_squares() -> None:
    """Numpy's own least squares, weighted by how near the reference each point is."""
    grid = TRAINING_GRID
    h, d, z = (
        x.ravel()
        for x in np.meshgrid(grid.heights_mm, grid.changes_mm, grid.travels_mm, indexing="ij")
    )
    toe = 1e-3 * z / (1.0 + 0.02 * np.abs(z + h)) + 1e-5 * z * np.sin(d / 3.0)
    # exp(-x^2 / 4 s^2) squared is a normal density's share
    near = ((h, FOCUS_MM[0]), (d, FOCUS_MM[1]), (z, FOCUS_MM[2]))
    weight = np.prod([np.exp(-0.5 * (x / s) ** 2) for x, s in near], axis=0) ** 0.5
    rows = design_matrix(h, d, z)
    size = np.abs(rows).max(axis=0)
    expected = np.linalg.lstsq(rows / size * weight[:, None], toe * weight, rcond=None)[0]
    assert grid.fitted(toe[None, :])[0] * size == pytest.approx(expected, rel=1e-6, abs=1e-8)


@pytest.mark.outside
def test_an_arc_s_size_is_what_a_bigger_linkage_s_is() -> None:
    """Twice the linkage at twice the travel, height and length change turns toe as much."""
    one, two = arc_sizes(300.0, 110.0), arc_sizes(600.0, 220.0)
    powers = [a + b + k for a, b in SETTING_POWERS for k in range(1, 7)]
    assert two * 2.0 ** np.array(powers) == pytest.approx(one)
    # by hand: 40 mm of travel over 110 mm of arm; a mm of height at 40 mm, over the length too
    assert one[0] == pytest.approx(np.degrees(40.0 / 110.0))
    assert one[6] == pytest.approx(np.degrees(40.0 / 110.0 / 300.0))
    assert arc_sizes(300.0, -110.0) == pytest.approx(-one)
