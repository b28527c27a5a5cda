"""Bending of a round stud against a worked figure and against the section itself.

The formula 32 M / (pi d^3) stands in any handbook of machine elements; the figure of the
cantilever was recomputed.
"""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.advise.stud import Stud, bending_stress_mpa, stud_bending


def test_cantilever() -> None:
    # 1000 N at 100 mm on 20 mm: 127.324 MPa; tolerance: half a unit of the last digit
    assert bending_stress_mpa(1000.0, 100.0, 20.0) == pytest.approx(127.324, abs=0.0005)
    stud = Stud(diameter_mm=20.0, proof_mpa=830.0, ultimate_mpa=1040.0)
    bent = stud_bending(stud, 1000.0, 100.0, 80.0)
    assert bent.stress_mpa == pytest.approx(127.324, abs=0.0005)
    # 127.324 / 830 and 127.324 / (1040 / 4), by hand, to the digits that leaves
    assert bent.proof_share == pytest.approx(0.153402, abs=1e-6)
    assert bent.fatigue_share == pytest.approx(0.489708, abs=2e-6)


@pytest.mark.parametrize("diameter", [8.16, 12.0, 15.875])
def test_stress_over_the_section_gives_the_moment_back(diameter: float) -> None:
    """Stress grows in proportion to the height over the section; its moment is the load's."""
    radius, strips = diameter / 2.0, 20_000
    height = (np.arange(strips) + 0.5) / strips * diameter - radius
    area = 2.0 * np.sqrt(radius**2 - height**2) * diameter / strips
    stress = bending_stress_mpa(2500.0, 23.5, diameter) * height / radius
    # tolerance: midpoint strips of a half-round edge err by less than 1e-6
    assert np.sum(stress * height * area) == pytest.approx(2500.0 * 23.5, rel=1e-6)
    assert np.sum(stress * area) == pytest.approx(0.0, abs=1e-6)
