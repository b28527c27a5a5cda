"""What a kit is planned by and what a plan gives: wheels, terms, kits, heights; knee and step."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.stacks import GRAIN_PER_MM, Split
from optimizer.advise.table import Table
from optimizer.kit.asked import N_DRAW
from optimizer.kit.program import Plan
from optimizer.kit.recipes import SHIM_TOLERANCE_MM, WITHIN_MM
from optimizer.record import record

Whole = NDArray[np.int64]

STEP_MM = 0.25


@record
class Wheel:
    """A wheel that the kit must serve.

    Attributes
    ----------
    label : of its corner, with its logbook's name where there are several
    table : the corner's surface, goal and hardware
    copies : 2 where the other wheel is set alike, from a like set of shims
    bore : of its shims, where offers tell bores apart
    """

    label: str
    table: Table
    copies: int = 1
    bore: int | None = None

    @property
    def on_hand_mm(self) -> tuple[float, ...]:
        """The shims of this joint, those on the car included, all copies together."""
        return (self.table.evidence.corner.stack.box_mm or self.on_car_mm) * self.copies

    @property
    def on_car_mm(self) -> tuple[float, ...]:
        """The shims that stand on one wheel."""
        now = self.table.evidence.now
        return now.above_mm + now.below_mm


@record
class Terms:
    """What a kit is planned by.

    Attributes
    ----------
    spares : shims of each size in use that the box must hold besides
    on_hand_mm : every shim there is, those on the car included, in place of what car.toml
        lists; None for that
    step_mm : between heights; None for about a quarter of a millimetre, as the sizes allow
    shim_tolerance_mm, within_mm : see :func:`optimizer.kit.recipes.recipes`
    """

    spares: int = 0
    on_hand_mm: tuple[float, ...] | None = None
    step_mm: float | None = None
    shim_tolerance_mm: float = SHIM_TOLERANCE_MM
    within_mm: float = WITHIN_MM
    n_draw: int = N_DRAW


@record
class Height:
    """One joint height of a wheel and what a kit makes of it.

    ``share`` of the draws ask for it or nearest to it; ``loss_deg`` is its mean loss;
    ``split`` is None out of reach.
    """

    height_mm: float
    share: float
    loss_deg: float
    split: Split | None


@record
class Kit:
    """A purchase, and what it loses.

    Attributes
    ----------
    packs : shape (n_offer,)
    price : in the crew's money
    loss_deg : mean over draws and wheels
    high_deg : what nine draws in ten stay under
    by_wheel_deg : each wheel's mean
    share_fine : of the draws, those that lose less than is worth a run
    gap : the solver's gap on the loss
    plan : what the solver gave
    """

    packs: Whole
    price: Decimal
    loss_deg: float
    high_deg: float
    by_wheel_deg: tuple[float, ...]
    share_fine: float
    gap: float
    plan: Plan


@record
class Replay:
    """One draw on one wheel: the best setting and what a kit makes, (height, length) in mm."""

    wanted_mm: tuple[float, float]
    wanted_deg: float
    made_mm: tuple[float, float]
    made_deg: float
    split: Split


def knee_of(price: Sequence[float], loss: Sequence[float]) -> int | None:
    """The point of a falling frontier farthest below the straight line between its ends.

    Prices and losses are each counted in parts of their range (common practice, no
    source). None with fewer than three points, or where none is below the line.

    Parameters
    ----------
    price, loss : shape (n_point,), rising and falling
    """
    x, y = np.asarray(price, float), np.asarray(loss, float)
    if len(x) < 3:
        return None
    below = 1.0 - (x - x[0]) / (x[-1] - x[0]) - (y - y[-1]) / (y[0] - y[-1])
    at = int(np.argmax(below))
    return at if below[at] > 1e-9 else None


def step_of(sizes: Sequence[int]) -> float:
    """A step of height near a quarter of a millimetre that sizes can make, mm.

    ``sizes`` are in thousandths of a mm.
    """
    lattice = int(np.gcd.reduce(np.array(sizes, np.int64))) / GRAIN_PER_MM
    if lattice > STEP_MM:
        return lattice
    times = round(STEP_MM / lattice)
    return lattice * times
