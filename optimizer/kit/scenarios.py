"""What a kit is asked for at each corner in each scenario, and a purchase with what it makes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import CallError
from optimizer.record import record

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Whole = NDArray[np.int64]


@record
class Ask:
    """What one corner may be asked for.

    Attributes
    ----------
    loss : shape (n_scenario, n_setting), score lost at each setting
    recipes : for each setting its needs, shape (n_recipe, n_part), best first; a setting
        without recipes can never be made
    share : shape (n_scenario,), weights of the scenarios that sum to 1; None for equal ones
    weight : what this corner's expected loss counts

    Raises
    ------
    CallError
        If shapes disagree or a loss or share is negative or not finite.
    """

    loss: Array
    recipes: tuple[Whole, ...]
    share: Array | None = None
    weight: float = 1.0

    def __post_init__(self) -> None:
        if self.loss.ndim != 2 or self.loss.shape[1] != len(self.recipes) or not self.loss.size:
            raise CallError("losses and settings differ in number", "give one column a setting")
        share = self.shares
        if share.shape != (len(self.loss),):
            raise CallError("scenarios and shares differ in number", "give one share a scenario")
        numbers = np.concatenate([self.loss.ravel(), share, [self.weight]])
        if not np.all(np.isfinite(numbers)) or np.any(numbers < 0.0):
            raise CallError("a loss or share is negative or not a finite number", "mend it")

    @property
    def shares(self) -> Array:
        """Weights of the scenarios, shape (n_scenario,)."""
        n = len(self.loss)
        return np.full(n, 1.0 / n) if self.share is None else self.share


@record
class Plan:
    """A purchase and what can be made of it.

    Attributes
    ----------
    packs : shape (n_pack,)
    price : in the smallest coin
    loss : expected loss, weighted and summed over corners
    loss_by_corner : each corner's own expected loss
    recipe : for each corner (n_setting,), which recipe makes each setting, -1 where none;
        every combination of these can be stacked at once
    choice : for each corner (n_scenario,), the setting each scenario picks
    bags : for each corner (n_part,), the parts that what it picks takes
    gap : the solver's gap on the loss
    """

    packs: Whole
    price: int
    loss: float
    loss_by_corner: tuple[float, ...]
    recipe: tuple[Index, ...]
    choice: tuple[Index, ...]
    bags: tuple[Whole, ...]
    gap: float

    @property
    def used(self) -> Whole:
        """Parts that all bags together hold, (n_part,)."""
        return np.asarray(np.sum(self.bags, axis=0))


def sets_of(ask: Ask) -> dict[tuple[int, ...], float]:
    """Sets of settings and what is lost on top where none of them is made."""
    can = with_recipe(ask)
    out: dict[tuple[int, ...], float] = {}
    for members, size in _steps(ask.loss[:, can], ask.shares * ask.weight):
        among = tuple(can[k] for k in members)
        out[among] = out.get(among, 0.0) + size
    return out


def _steps(loss: Array, weight: Array) -> Iterator[tuple[tuple[int, ...], float]]:
    """Sets of settings, and what is lost on top where none of them is made."""
    order = np.argsort(loss, axis=1, kind="stable")
    ranked = np.take_along_axis(loss, order, axis=1)
    rise = np.diff(ranked, axis=1) * weight[:, None]
    for s, j in zip(*np.nonzero(rise > 0.0), strict=True):
        yield tuple(sorted(order[s, : j + 1].tolist())), float(rise[s, j])


def with_recipe(ask: Ask) -> list[int]:
    """The settings that some recipe makes."""
    return [k for k, needs in enumerate(ask.recipes) if len(needs)]


def most_needed(ask: Ask, n_part: int) -> Whole:
    """Of each part the most that any recipe takes, (n_part,)."""
    rows = [needs for needs in ask.recipes if len(needs)]
    return np.concatenate(rows).max(axis=0) if rows else np.zeros(n_part, np.int64)


def fitting(ask: Ask, bag: Whole) -> Index:
    """For each setting the first recipe that a bag of parts makes, -1 where none."""
    fits = [np.flatnonzero(np.all(needs <= bag, axis=1)) for needs in ask.recipes]
    return np.array([f[0] if len(f) else -1 for f in fits], np.intp)
