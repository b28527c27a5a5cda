"""Which shims make a joint height: recipes for the kit, and what a kit can make.

The rules are those of :mod:`optimizer.advise.stacks`: the stack's total is kept within
its tolerance, heights count by the face that carries the joint, the fewest shims first.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.stacks import (
    GRAIN_PER_MM,
    MOST_SHIMS,
    TOTAL_TOLERANCE_MM,
    Split,
    joint_height_mm,
    possible_splits,
)
from optimizer.errors import CallError, NothingCanBeMadeError
from optimizer.record import record
from optimizer.records import Run, Stack

Whole = NDArray[np.int64]
Counts = tuple[int, ...]

HEIGHT_TOLERANCE_MM = 0.05
MOST_SIZES = 4


@record
class Recipes:
    """The ways to make one joint height, fewest shims first; none if out of reach."""

    height_mm: float
    splits: tuple[Split, ...]


@dataclass(frozen=True, slots=True)
class _Side:
    """Shims on one side of the joint: copies of each size, and their sum in grains."""

    counts: Counts
    total: int
    sizes: int  # the sizes used, a bit each

    @property
    def n_shim(self) -> int:
        return sum(self.counts)


def recipes(
    sizes_mm: Sequence[float],
    height_mm: Sequence[float],
    stack: Stack,
    now: Run,
    reference: Run,
    *,
    tolerance_mm: float = HEIGHT_TOLERANCE_MM,
    keep_total: bool = True,
    most_sizes: int = MOST_SIZES,
    most_recipes: int | None = None,
) -> tuple[Recipes, ...]:
    """Recipes from as many shims of each size as it takes, for each joint height.

    For each set of sizes the recipe with the fewest shims, then the nearest height; less
    those that use a size more than another and save no shim by it. What the shims on hand
    make today is among them, whatever its sizes.

    Parameters
    ----------
    sizes_mm : thicknesses to be had, shape (n_size,)
    height_mm : joint heights wanted, from the reference, shape (n_height,)
    stack, now, reference : the corner's stack, how it stands, and its reference run
    tolerance_mm : how far a recipe's height may be off
    keep_total : whether both sides are stacked to the total that stands now; else only
        the side that sets the height is, and the other is left as it may be
    most_sizes : most different sizes in one recipe: few and thick, not many and thin
    most_recipes : most recipes of one height, besides what the shims on hand make; the
        program's time grows with them

    Raises
    ------
    CallError
        If a size is not thicker than nothing, two are the same, or no size is given.
    """
    sizes = [round(s * GRAIN_PER_MM) for s in sizes_mm]
    if not sizes or min(sizes) <= 0 or len(set(sizes)) < len(sizes):
        raise CallError(
            "the kit's thicknesses are none, the same twice, or not above zero",
            "give each thickness once",
        )
    turned = stack.face == "arm-above"
    held = sum(reference.above_mm) if turned else sum(reference.below_mm)
    on_car = now.above_mm + now.below_mm
    total = round(sum(on_car) * GRAIN_PER_MM) if keep_total else None
    most = stack.most_shims or max(MOST_SHIMS, len(on_car))
    off = round(tolerance_mm * GRAIN_PER_MM)
    key = [round((held - h if turned else held + h) * GRAIN_PER_MM) for h in height_mm]
    room = round(TOTAL_TOLERANCE_MM * GRAIN_PER_MM)
    largest = (max([*key, 0]) + off) if total is None else total + room
    sides = sorted(_sides(sizes, largest, most, most_sizes), key=lambda s: s.total)
    totals = np.array([s.total for s in sides])

    def between(low: int, high: int) -> list[_Side]:
        return sides[
            int(np.searchsorted(totals, low)) : int(np.searchsorted(totals, high, "right"))
        ]

    today = _today(stack, now, reference) if keep_total else ()
    out = []
    for height, want in zip(height_mm, key, strict=True):
        pairs: list[tuple[_Side, _Side]] = []
        for side in between(want - off, want + off):
            if total is None:
                pairs.append((side, _Side((0,) * len(sizes), 0, 0)))
                continue
            rest = total - side.total
            pairs.extend((side, other) for other in between(rest - room, rest + room))
        found = [
            _split(pair, sizes, stack, reference, turned=turned)
            for pair in _leanest(pairs, want, most, most_sizes)
        ]
        found = sorted(found, key=lambda s: _rank(s, height))[:most_recipes]
        near = [s for s in today if abs(s.height_mm - height) <= tolerance_mm + 1e-9]
        found.extend(s for s in near if s not in found)
        found.sort(key=lambda s: _rank(s, height))
        out.append(Recipes(height_mm=float(height), splits=tuple(found)))
    return tuple(out)


def kit_splits(
    stack: Stack, now: Run, reference: Run, box_mm: Sequence[float]
) -> tuple[Split, ...]:
    """Every joint height a kit can make with the stack's total kept, fewest shims first.

    Parameters
    ----------
    box_mm : every shim there is once the kit is bought, those on the car included

    Raises
    ------
    NothingCanBeMadeError
        If not even the present total can be stacked.
    """
    return possible_splits(replace(stack, box_mm=tuple(box_mm)), now, reference)


def needs(splits: Sequence[Split], sizes_mm: Sequence[float]) -> Whole:
    """Shims of each size that each split takes, shape (n_split, n_size).

    Raises
    ------
    CallError
        If a split holds a shim that is not among the sizes.
    """
    place = {round(s * GRAIN_PER_MM): i for i, s in enumerate(sizes_mm)}
    out = np.zeros((len(splits), len(sizes_mm)), np.int64)
    for row, split in zip(out, splits, strict=True):
        for shim in (*split.above_mm, *split.below_mm):
            at = place.get(round(shim * GRAIN_PER_MM))
            if at is None:
                raise CallError(
                    f"a recipe holds a shim of {shim:g} mm that is not among the sizes",
                    "count the shims on hand among the sizes",
                )
            row[at] += 1
    return out


def _sides(sizes: Sequence[int], largest: int, most: int, most_sizes: int) -> Iterator[_Side]:
    """Stacks for one side, the fewest shims for each total and set of sizes."""
    best: dict[tuple[int, int], Counts] = {(0, 0): ()}
    for bit, size in enumerate(sizes):
        grown: dict[tuple[int, int], Counts] = {}
        for (total, used), counts in best.items():
            grown[total, used] = (*counts, 0)
            if used.bit_count() == most_sizes:
                continue
            for n in range(1, min((largest - total) // size, most - sum(counts)) + 1):
                at = total + n * size, used | 1 << bit
                if at not in grown or sum(counts) + n < sum(grown[at]):
                    grown[at] = (*counts, n)
        best = grown
    for (total, used), counts in best.items():
        yield _Side(counts, total, used)


def _leanest(
    pairs: Sequence[tuple[_Side, _Side]], want: int, most: int, most_sizes: int
) -> list[tuple[_Side, _Side]]:
    """For each set of sizes the fewest shims, less those that no set needs."""
    best: dict[int, tuple[tuple[int, int, Counts], tuple[_Side, _Side]]] = {}
    for side, other in pairs:
        used, n_shim = side.sizes | other.sizes, side.n_shim + other.n_shim
        if n_shim > most or used.bit_count() > most_sizes:
            continue
        rank = (n_shim, abs(side.total - want), side.counts + other.counts)
        if used not in best or rank < best[used][0]:
            best[used] = (rank, (side, other))
    lean: list[tuple[int, int]] = []
    out = []
    for used, (rank, pair) in sorted(best.items(), key=lambda i: (i[0].bit_count(), i[1][0])):
        if not any(u & used == u and n <= rank[0] for u, n in lean):
            lean.append((used, rank[0]))
            out.append(pair)
    return out


def _split(
    pair: tuple[_Side, _Side], sizes: Sequence[int], stack: Stack, reference: Run, *, turned: bool
) -> Split:
    key, other = (_millimetres(side.counts, sizes) for side in pair)
    above, below = (key, other) if turned else (other, key)
    run = replace(reference, above_mm=above, below_mm=below)
    return Split(above_mm=above, below_mm=below, height_mm=joint_height_mm(run, reference, stack))


def _millimetres(counts: Counts, sizes: Sequence[int]) -> tuple[float, ...]:
    thick = sorted(zip(sizes, counts, strict=True), reverse=True)
    return tuple(size / GRAIN_PER_MM for size, n in thick for _ in range(n))


def _today(stack: Stack, now: Run, reference: Run) -> tuple[Split, ...]:
    try:
        return possible_splits(stack, now, reference)
    except NothingCanBeMadeError:
        return ()


def _rank(split: Split, height_mm: float) -> tuple[object, ...]:
    off = round(abs(split.height_mm - height_mm), 6)
    shims = (*split.below_mm, *split.above_mm)
    return (split.n_shim, off, tuple(-s for s in shims), len(split.below_mm))
