"""Fixtures of the unit tests: one good corner."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.model.mechanism import HardPoints


@pytest.fixture(scope="session")
def corner() -> HardPoints:
    """An invented left corner with a level link ahead of the pivots."""
    return HardPoints(
        inner=np.array(
            [
                [150, 380, 190],
                [-140, 380, 190],
                [110, 450, 410],
                [-110, 450, 410],
                [115, 400, 240.0],
            ]
        ),
        outer=np.array(
            [[5, 700, 185], [5, 700, 185], [-6, 672, 430], [-6, 672, 430], [115, 700, 240.0]]
        ),
        hub=np.array([0.0, 745.0, 300.0]),
        spindle=np.array([0.0, 1.0, 0.0]),
        stud=np.array([0.0, 0.0, 1.0]),
        slot=np.array([0.0, -1.0, 0.0]),
    )
