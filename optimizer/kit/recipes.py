"""Which shims make a joint height: recipes for the kit, the fewest shims first.

The rules are those of :mod:`optimizer.advise.stacks`: the stack's total is kept within
its tolerance, and heights count by the face that carries the joint. A shim may be thinner
or thicker than it is sold as; a batch is often off to the same side (common practice, no
source), so what each shim may be off adds up over a stack, and a stack of many thin shims
may miss a height that one of few thick ones makes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.stacks import (
    GRAIN_MM,
    GRAIN_PER_MM,
    MOST_SHIMS,
    TOTAL_TOLERANCE_MM,
    Split,
    in_grains,
    joint_height_mm,
    most_in,
    possible_splits,
)
from optimizer.errors import CallError, NothingCanBeMadeError
from optimizer.record import record
from optimizer.records import Run, Stack

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Whole = NDArray[np.int64]
Counts = tuple[int, ...]

OFF_MM, WITHIN_MM = 0.05, 0.05
SHIM_TOLERANCE_MM = 0.01
MOST_SIZES = 4
ROOM = round(TOTAL_TOLERANCE_MM * GRAIN_PER_MM)
# stacks of one side and pairs of them for one height, some four times what the usual sizes
# make: past these the answer would take minutes, and memory by the gigabyte
MOST_STACKS, MOST_PAIRS = 300_000, 3_000_000


@record
class Recipes:
    """The ways to make one joint height, fewest shims first; none if out of reach."""

    height_mm: float
    splits: tuple[Split, ...]


@record
class Stock:
    """What a shim costs and how many there are, by size; recipes of few purchases come first.

    ``price`` and ``on_hand`` have shape (n_size,); ``copies`` stacks are made alike.
    """

    price: Array
    on_hand: Whole
    copies: int = 1

    def cost(self, needs: Whole) -> Array:
        """What stacks with these needs, (n_stack, n_size), cost to buy, (n_stack,)."""
        return np.asarray(np.maximum(needs * self.copies - self.on_hand, 0) @ self.price)


def recipes(
    sizes_mm: Sequence[float],
    height_mm: Sequence[float],
    stack: Stack,
    now: Run,
    reference: Run,
    *,
    off_mm: float = OFF_MM,
    within_mm: float = WITHIN_MM,
    shim_tolerance_mm: float = SHIM_TOLERANCE_MM,
    most_sizes: int = MOST_SIZES,
    most_recipes: int | None = None,
    stock: Stock | None = None,
) -> tuple[Recipes, ...]:
    """Recipes from as many shims of each size as it takes, for each joint height.

    For each set of sizes the recipe with the fewest shims, then the nearest height. What the
    shims on hand make today is among them, whatever its sizes and tolerance, since those can
    be measured.

    Parameters
    ----------
    sizes_mm : thicknesses to be had, shape (n_size,)
    height_mm : joint heights wanted, from the reference, shape (n_height,)
    stack, now, reference : the corner's stack, how it stands, and its reference run
    off_mm : how far a recipe's height may be off the one wanted
    within_mm : how far its shims may bring it off besides
    shim_tolerance_mm : how far each shim of the side that sets the height may be off
    most_sizes : most different sizes in one recipe: few and thick, not many and thin
    most_recipes : most recipes of one height, besides what the shims on hand make; the
        program's time grows with them
    stock : where given, half of those are the ones that cost least to buy for, the other
        half the ones of fewest shims

    Raises
    ------
    CallError
        If a size is not thicker than nothing, two are the same, none is given, or they make
        more stacks than can be weighed.
    """
    sizes = in_grains(sizes_mm)
    if not sizes or min(sizes) <= 0 or len(set(sizes)) < len(sizes):
        raise CallError(
            "the kit's thicknesses are none, the same twice, or not above zero",
            "give each thickness once",
        )
    turned = stack.face == "arm-above"
    held = sum(reference.above_mm) if turned else sum(reference.below_mm)
    on_car = now.above_mm + now.below_mm
    total = sum(in_grains(on_car))
    most = most_in(stack, on_car)
    sides = _Sides(sizes, total, most, most_sizes)
    today = _today(stack, now, reference)
    most_key = most_on_a_side(within_mm, shim_tolerance_mm)
    out = []
    for height in height_mm:
        want = _whole((held - height if turned else held + height) * GRAIN_PER_MM)
        pairs = sides.pairs(want, off_mm * GRAIN_PER_MM, most_key)
        found = [
            _split(key, other, sizes_mm, stack, reference, turned=turned)
            for key, other in sides.best(pairs, want, most_recipes, stock)
        ]
        near = [s for s in today if abs(s.height_mm - height) <= off_mm + GRAIN_MM]
        found.extend(s for s in near if s not in found)
        found.sort(key=lambda s: _rank(s, height))
        out.append(Recipes(height_mm=float(height), splits=tuple(found)))
    return tuple(out)


def most_on_a_side(within_mm: float, shim_tolerance_mm: float) -> int:
    """Shims that may set a height, each off to the same side by its tolerance."""
    if shim_tolerance_mm <= 0.0:
        return MOST_SHIMS * MOST_SHIMS
    return int(within_mm / shim_tolerance_mm + 1e-9)


class _Sides:
    """Stacks for one side of the joint, and how two of them make a height and the total.

    Of each set of sizes and each thickness the stack with the fewest shims.
    """

    def __init__(self, sizes: Sequence[int], total: int, most: int, most_sizes: int) -> None:
        self._total, self._most, self._most_sizes = total, most, most_sizes
        found = sorted(_one_side(sizes, total + ROOM, most, most_sizes), key=lambda s: (s[0], s[1]))
        self._thick = np.array([thick for thick, _ in found], np.int64)
        self._counts = np.array([counts for _, counts in found], np.int64)
        self._n_shim = self._counts.sum(axis=1)

    def pairs(self, want: int, off: float, most: int) -> tuple[Index, Index]:
        """Sides that carry the joint near a thickness, and others that fill up the total."""
        near = np.abs(self._thick - want) <= off + 1e-6
        key = np.flatnonzero(near & (self._n_shim <= most))
        rest = self._total - self._thick[key]
        first = np.searchsorted(self._thick, rest - ROOM)
        count = np.searchsorted(self._thick, rest + ROOM, "right") - first
        if count.sum() > MOST_PAIRS:
            raise _too_many(len(self._counts[0]))
        start = np.repeat(first - np.cumsum(count) + count, count)
        key, other = np.repeat(key, count), start + np.arange(count.sum())
        needs = self._counts[key] + self._counts[other]
        few = (needs.sum(axis=1) <= self._most) & ((needs > 0).sum(axis=1) <= self._most_sizes)
        return key[few], other[few]

    def best(
        self, pairs: tuple[Index, Index], want: int, most: int | None, stock: Stock | None
    ) -> list[tuple[Whole, Whole]]:
        """For each set of sizes the pair with the fewest shims; the leanest and the cheapest."""
        key, other = pairs
        needs = self._counts[key] + self._counts[other]
        sets = (needs > 0) @ (1 << np.arange(needs.shape[1]))
        n_shim, off = needs.sum(axis=1), np.abs(self._thick[key] - want)
        ranks = [np.lexsort((other, key, off, n_shim))]
        if stock is not None and most is not None:
            ranks.append(np.lexsort((other, key, off, n_shim, stock.cost(needs))))
        picked: list[int] = []
        for i, rank in enumerate(ranks, 1):
            _, once = np.unique(sets[rank], return_index=True)
            first = [int(at) for at in rank[np.sort(once)] if int(at) not in picked]
            picked += first if most is None else first[: most * i // len(ranks) - len(picked)]
        return [(self._counts[key[at]], self._counts[other[at]]) for at in picked]


def _one_side(
    sizes: Sequence[int], largest: int, most: int, most_sizes: int
) -> Iterator[tuple[int, Counts]]:
    """Thickness and copies of each size, the fewest shims for each thickness and set of sizes."""
    best: dict[tuple[int, int], Counts] = {(0, 0): ()}
    for bit, size in enumerate(sizes):
        grown: dict[tuple[int, int], Counts] = {}
        for (total, used), counts in best.items():
            grown[total, used] = (*counts, 0)
            if used.bit_count() == most_sizes:
                continue
            if len(grown) > MOST_STACKS:
                raise _too_many(len(sizes))
            for n in range(1, min((largest - total) // size, most - sum(counts)) + 1):
                at = total + n * size, used | 1 << bit
                if at not in grown or sum(counts) + n < sum(grown[at]):
                    grown[at] = (*counts, n)
        best = grown
    for (total, _), counts in best.items():
        yield total, counts


def _too_many(n_size: int) -> CallError:
    return CallError(
        f"{n_size} thicknesses make more stacks than can be weighed",
        "offer fewer of them, the thinnest left out first, or state `most_shims` under the stack",
    )


def _split(
    key: Whole,
    other: Whole,
    sizes_mm: Sequence[float],
    stack: Stack,
    reference: Run,
    *,
    turned: bool,
) -> Split:
    sides = _thickest_first(key, sizes_mm), _thickest_first(other, sizes_mm)
    above, below = sides if turned else sides[::-1]
    run = replace(reference, above_mm=above, below_mm=below)
    return Split(above_mm=above, below_mm=below, height_mm=joint_height_mm(run, reference, stack))


def _thickest_first(counts: Whole, sizes_mm: Sequence[float]) -> tuple[float, ...]:
    thick = sorted(zip(sizes_mm, counts, strict=True), reverse=True)
    return tuple(size for size, n in thick for _ in range(n))


def _today(stack: Stack, now: Run, reference: Run) -> tuple[Split, ...]:
    try:
        return possible_splits(stack, now, reference)
    except NothingCanBeMadeError:
        return ()


def _whole(grains: float) -> int:
    """A whole number of grains; up from a quarter on, since sixteenths of an inch end in
    halves and thicknesses in typed decimals lie a little to either side of them."""
    return round(grains + 0.25)


def _rank(split: Split, height_mm: float) -> tuple[object, ...]:
    off = _whole(abs(split.height_mm - height_mm) * GRAIN_PER_MM)
    shims = (*split.below_mm, *split.above_mm)
    return (split.n_shim, off, tuple(-s for s in shims), len(split.below_mm))
