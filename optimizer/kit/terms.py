"""What a kit is planned by and what a plan gives: wheels, terms, kits, heights; knee and step."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.stacks import GRAIN_PER_MM, Split
from optimizer.advise.table import Table
from optimizer.kit.asked import N_DRAW
from optimizer.kit.recipes import SHIM_TOLERANCE_MM, WITHIN_MM
from optimizer.record import record

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

STEP_MM, FINE_STEP_MM = 0.25, 0.1


@record
class Wheel:
    """A wheel that the kit must serve.

    Attributes
    ----------
    label : of its corner, with its logbook's name where there are several
    table : the corner's surface, goal and hardware
    copies : 2 where the other wheel is set alike, from a like set of shims
    bore : of its shims, where offers tell bores apart
    other_mm : the other wheel's shims where its own corner lists them; None for as many
    """

    label: str
    table: Table
    copies: int = 1
    bore: int | None = None
    other_mm: tuple[float, ...] | None = None

    @property
    def on_hand_mm(self) -> tuple[float, ...]:
        """The shims of this joint, those on the car included, both wheels' together."""
        own = self.table.evidence.corner.stack.box_mm or self.on_car_mm
        if self.copies == 1:
            return own
        return own + (own if self.other_mm is None else self.other_mm)

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
    step_mm : between the heights that are planned for; None for about a tenth of a millimetre
        with one wheel, a quarter with several, as the sizes allow
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
class Made:
    """What a kit makes of one wheel, whatever the others are set to of theirs.

    Attributes
    ----------
    splits : rising joint height
    loss_deg, length_change_mm : shape (n_draw, n_split)
    choice : shape (n_draw,), the split that each draw takes
    """

    splits: tuple[Split, ...]
    loss_deg: Array
    length_change_mm: Array
    choice: NDArray[np.intp]

    @property
    def height_mm(self) -> Array:
        """Heights of the splits, (n_split,)."""
        return np.array([s.height_mm for s in self.splits])

    @property
    def lost_deg(self) -> Array:
        """What each draw loses, (n_draw,)."""
        return np.asarray(self.loss_deg[np.arange(len(self.choice)), self.choice])


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
    gap : how much less, as a part, the solver leaves open that a kit of this price may lose;
        of the heights and recipes that it was given
    made : for each wheel
    """

    packs: Whole
    price: Decimal
    loss_deg: float
    high_deg: float
    by_wheel_deg: tuple[float, ...]
    share_fine: float
    gap: float
    made: tuple[Made, ...]


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


def step_of(sizes: Sequence[int], near_mm: float = STEP_MM) -> float:
    """A step of height near one that is wanted, which sizes can make, mm.

    ``sizes`` are in thousandths of a mm.
    """
    lattice = int(np.gcd.reduce(np.array(sizes, np.int64))) / GRAIN_PER_MM
    return lattice * max(1, round(near_mm / lattice))
