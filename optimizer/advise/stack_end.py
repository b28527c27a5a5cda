"""Where a stack's total lets the joint go no further, and what more of it would bring."""

from __future__ import annotations

from typing import Literal

import numpy as np

from optimizer.advise.advice import Spot, StackEnd
from optimizer.advise.settings import Settings
from optimizer.advise.table import Table
from optimizer.model.basis import REACH_HEIGHT_MM

# how far past the end is looked, as a taller stack may be bought
FURTHER_MM = np.arange(0.25, 3.01, 0.25)


def stack_end(table: Table, field: Settings, spot: Spot) -> StackEnd | None:
    """The end of the stack, where a setting stands at one; None where it does not."""
    ends: list[tuple[Literal["up", "down"], float, tuple[float, ...]]] = [
        ("up", 1.0, spot.split.above_mm),
        ("down", -1.0, spot.split.below_mm),
    ]
    here = float(table.ranks([spot])[0])
    found = []
    for way, sign, to_move_across in ends:
        further = spot.height_mm + sign * FURTHER_MM
        further = further[np.abs(further) <= REACH_HEIGHT_MM]
        if to_move_across or not len(further):
            continue
        beyond, change = np.meshgrid(further, np.unique(field.change))
        scores = table.ranks_at(beyond.ravel(), change.ravel())
        best = int(np.argmin(scores))
        found.append(
            StackEnd(
                way=way,
                further_mm=abs(float(beyond.ravel()[best]) - spot.height_mm),
                gain_deg=here - float(scores[best]),
            )
        )
    return max(found, key=lambda end: end.gain_deg, default=None)
