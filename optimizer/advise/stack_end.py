"""Where a stack's total lets the joint go no further, and what more of it would bring."""

from __future__ import annotations

from typing import Literal

import numpy as np

from optimizer.advise.advice import Spot, StackEnd
from optimizer.advise.settings import Settings
from optimizer.advise.table import SAME_HEIGHT_MM, Table

# how far past the end is looked, as a taller stack may be bought
FURTHER_MM = np.arange(0.25, 3.01, 0.25)


def stack_end(table: Table, field: Settings, spot: Spot) -> StackEnd | None:
    """The end of the stack, where a setting stands at one; None where it does not."""
    heights = [split.height_mm for split in field.splits]
    ends: list[tuple[Literal["up", "down"], float, float]] = [
        ("up", 1.0, max(heights)),
        ("down", -1.0, min(heights)),
    ]
    here = float(table.ranks([spot])[0])
    found = []
    for way, sign, end in ends:
        if sign * (end - spot.height_mm) > SAME_HEIGHT_MM:
            continue
        beyond, change = np.meshgrid(spot.height_mm + sign * FURTHER_MM, np.unique(field.change))
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
