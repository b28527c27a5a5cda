"""Recipes for joint heights against brute force, and the parts of a kit that are light."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from itertools import combinations_with_replacement, product

import numpy as np
import pytest

from optimizer.advise.stacks import Split, joint_height_mm, possible_splits
from optimizer.errors import CallError
from optimizer.kit.parts import catalogue
from optimizer.kit.recipes import Recipes, Stock, recipes
from optimizer.records import Run, Stack

REF = Run(name="a", corner="rl", above_mm=(2.0, 1.0), below_mm=(2.0,))
SIZES = (0.5, 1.0, 1.5, 2.0)
FACES = ("clevis", "arm-below", "arm-above")


def _every_stack(
    height: float, face: str, most: int, most_sizes: int, each: float = 0.0
) -> list[Split]:
    """All pairs of piles that make a height with the total kept."""
    stack = Stack(face=face)  # type: ignore[arg-type]
    piles = [c for n in range(most + 1) for c in combinations_with_replacement(SIZES, n)]
    out = []
    for above, below in product(piles, piles):
        if len(above) + len(below) > most or len(set(above + below)) > most_sizes:
            continue
        if abs(sum(above) + sum(below) - 5.0) > 0.05:
            continue
        run = Run(name="x", corner="rl", above_mm=above, below_mm=below)
        made = joint_height_mm(run, REF, stack)
        key = above if face == "arm-above" else below
        if abs(made - height) <= 0.05 + 1e-9 and each * len(key) <= 0.05 + 1e-9:
            out.append(Split(above_mm=above, below_mm=below, height_mm=made))
    return out


def _shims(split: Split) -> tuple[float, ...]:
    return (*split.above_mm, *split.below_mm)


def _fewest(splits: list[Split]) -> dict[frozenset[float], int]:
    fewest: dict[frozenset[float], int] = {}
    for split in splits:
        used = frozenset(_shims(split))
        fewest[used] = min(fewest.get(used, 99), split.n_shim)
    return fewest


@pytest.mark.outside
@pytest.mark.parametrize("face", FACES)
@pytest.mark.parametrize("most_sizes", [1, 3])
@pytest.mark.parametrize("each", [0.0, 0.02])
def test_recipes_agree_with_brute_force(face: str, most_sizes: int, each: float) -> None:
    # by hand: all piles of up to six shims
    stack = Stack(face=face, most_shims=6)  # type: ignore[arg-type]
    heights = [-1.0, -0.5, 0.0, 0.25, 1.5]
    got = recipes(SIZES, heights, stack, REF, REF, most_sizes=most_sizes, shim_tolerance_mm=each)
    for one in got:
        wanted = _fewest(_every_stack(one.height_mm, face, 6, most_sizes, each))
        # what the shims on the car make is there besides
        own = [s for s in one.splits if sorted(_shims(s)) != [1.0, 2.0, 2.0]]
        found = {frozenset(_shims(s)): s.n_shim for s in own}
        assert {k: n for k, n in wanted.items() if k != {1.0, 2.0}} == {
            k: n for k, n in found.items() if k != {1.0, 2.0}
        }
        assert [s.n_shim for s in one.splits] == sorted(s.n_shim for s in one.splits)
        for split in one.splits:
            run = Run(name="x", corner="rl", above_mm=split.above_mm, below_mm=split.below_mm)
            assert joint_height_mm(run, REF, stack) == pytest.approx(one.height_mm, abs=0.05)
            assert split.height_mm == pytest.approx(joint_height_mm(run, REF, stack))
            assert sum(_shims(split)) == pytest.approx(5.0, abs=0.05)
    assert sum(len(one.splits) for one in got) >= most_sizes
    assert got[3] == Recipes(height_mm=0.25, splits=())


@pytest.mark.outside
@pytest.mark.parametrize("seed", range(8))
def test_the_cheapest_to_buy_is_among_the_recipes(seed: int) -> None:
    # by hand: what every stack of up to six shims costs beyond the shims there are
    rng = np.random.default_rng(seed)
    stock = Stock(
        price=rng.integers(1, 9, 4).astype(float),
        on_hand=rng.integers(0, 3, 4),
        copies=1 + seed % 2,
    )
    stack = Stack(most_shims=6)
    for one in recipes(SIZES, [-0.5, 0.5], stack, REF, REF, most_recipes=4, stock=stock):
        every = _every_stack(one.height_mm, "clevis", 6, 4, 0.01)

        def cost(split: Split) -> float:
            held = Counter(_shims(split))
            lacking = [
                stock.copies * held[s] - n for s, n in zip(SIZES, stock.on_hand, strict=True)
            ]
            return float(np.maximum(lacking, 0) @ stock.price)

        fewest = _fewest(every)
        lean = [s for s in every if s.n_shim == fewest[frozenset(_shims(s))]]
        assert min(map(cost, one.splits)) <= min(map(cost, lean))
        assert min(s.n_shim for s in one.splits) == min(fewest.values())
        made = np.array([[Counter(_shims(s))[size] for size in SIZES] for s in one.splits])
        assert stock.cost(made).tolist() == [cost(s) for s in one.splits]


@pytest.mark.outside
def test_what_the_shims_on_hand_make_is_among_the_recipes() -> None:
    # the stacks' own search, whatever the sizes to be had and their tolerance
    stack = Stack(box_mm=(2.0, 2.0, 1.0, 0.5, 0.3, 0.2))
    splits = possible_splits(stack, REF, REF)
    got = recipes(SIZES, [s.height_mm for s in splits], stack, REF, REF, shim_tolerance_mm=0.04)
    assert len(splits) >= 8
    for one, split in zip(got, splits, strict=True):
        assert split in one.splits


def test_a_tolerance_asks_for_few_and_thick() -> None:
    """A height that takes five thin shims is lost before one that takes two."""
    thin = Run(name="a", corner="rl", above_mm=(5.0,), below_mm=())
    for each, n_made in ((0.01, 2), (0.02, 1), (0.06, 0)):
        got = recipes((0.5, 4.5, 2.5), [0.5, 2.5], Stack(), thin, thin, shim_tolerance_mm=each)
        one, five = (
            any(s.below_mm == (0.5,) * n for s in r.splits)
            for r, n in zip(got, (1, 5), strict=True)
        )
        assert one + five == n_made


def test_fewer_recipes_are_the_first_ones() -> None:
    stack = Stack(box_mm=(5.0,))  # makes nothing but 5 on one side
    every = recipes(SIZES, [0.0], stack, REF, REF)[0].splits
    assert len(every) > 2
    assert recipes(SIZES, [0.0], stack, REF, REF, most_recipes=2)[0].splits == every[:2]


@pytest.mark.parametrize("sizes", [(), (0.0, 1.0), (-1.0,), (1.0, 1.0)])
def test_sizes_that_make_no_sense_are_refused(sizes: tuple[float, ...]) -> None:
    with pytest.raises(CallError, match="thicknesses"):
        recipes(sizes, [0.0], Stack(), REF, REF)


def test_start_up_does_not_load_the_solver() -> None:
    code = (
        "import sys, optimizer.kit.advice, optimizer.kit.wheels;"
        "print(any(m.split('.')[0] == 'scipy' for m in sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_a_size_is_called_as_it_was_typed() -> None:
    """A sixteenth of an inch ends in half a thousandth of a millimetre."""
    made = catalogue((), {None: (3.175, 1.5875, 1.5875)}, more_mm=(0.25,))
    assert made.sizes_mm(None) == (0.25, 1.5875, 3.175)
    assert made.shop.on_hand.tolist() == [0, 2, 1]
