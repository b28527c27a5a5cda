"""What can be set: stacks from a box of shims, lengths from a thread, eccentric shift."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.advise.eccentric import length_that_holds_toe_mm, link_draws, static_toe
from optimizer.advise.link_body import length_limits_mm, possible_lengths_mm, step_mm, turn_of
from optimizer.advise.stacks import joint_height_mm, possible_splits
from optimizer.errors import NothingCanBeMadeError
from optimizer.model.arc import eccentric_shift_mm
from optimizer.records import Eccentric, Run, Stack, Thread

REF = Run(name="a", corner="rl", above_mm=(3.0, 1.0), below_mm=(1.0, 1.0))
BOX = (3.0, 2.0, 1.0, 1.0, 1.0, 0.5, 0.5)


def test_every_split_keeps_the_total_and_comes_from_the_box() -> None:
    splits = possible_splits(Stack(box_mm=BOX), REF, REF)
    for split in splits:
        assert sum(split.above_mm) + sum(split.below_mm) == pytest.approx(6.0, abs=0.05)
        assert split.height_mm == pytest.approx(sum(split.below_mm) - 2.0)
        left = list(BOX)
        for shim in (*split.above_mm, *split.below_mm):
            left.remove(shim)
    heights = [s.height_mm for s in splits]
    assert heights == sorted(set(heights))
    assert 0.0 in heights


sizes = st.lists(st.sampled_from([0.25, 0.5, 1.0, 1.5, 2.0, 3.0]), min_size=1, max_size=6)


@pytest.mark.outside
@given(box=sizes, seed=st.integers(0, 1000))
@settings(max_examples=60, deadline=None)
def test_splits_agree_with_brute_force(box: list[float], seed: int) -> None:
    rng = np.random.default_rng(seed)
    places = rng.integers(0, 3, len(box))
    above = tuple(s for s, p in zip(box, places, strict=True) if p == 1)
    below = tuple(s for s, p in zip(box, places, strict=True) if p == 2)
    now = Run(name="a", corner="rl", above_mm=above, below_mm=below)
    total = sum(above) + sum(below)
    fewest: dict[float, int] = {}
    for where in product((0, 1, 2), repeat=len(box)):
        up = sum(s for s, p in zip(box, where, strict=True) if p == 1)
        down = sum(s for s, p in zip(box, where, strict=True) if p == 2)
        if abs(up + down - total) < 1e-9:
            n = sum(p > 0 for p in where)
            height = round(down - sum(below), 6)
            fewest[height] = min(n, fewest.get(height, 99))
    splits = possible_splits(Stack(box_mm=tuple(box)), now, now)
    assert {round(s.height_mm, 6): s.n_shim for s in splits} == fewest


@pytest.mark.outside
@given(box=st.lists(st.sampled_from([0.98, 1.0, 1.02, 1.99, 2.0, 3.0]), min_size=5, max_size=7))
@settings(max_examples=40, deadline=None)
def test_a_height_is_made_with_the_total_kept_as_nearly_as_can_be(box: list[float]) -> None:
    """Shims a few hundredths off, by brute force: first the total, then the fewest shims."""
    now = Run(name="a", corner="rl", above_mm=tuple(box[:2]), below_mm=tuple(box[2:4]))
    total, most = sum(box[:4]), 0.05 + 1e-9
    best: dict[float, tuple[float, int]] = {}
    for where in product((0, 1, 2), repeat=len(box)):
        up = sum(s for s, p in zip(box, where, strict=True) if p == 1)
        down = sum(s for s, p in zip(box, where, strict=True) if p == 2)
        off = round(abs(up + down - total), 6)
        if off < most:
            height = round(down - sum(box[2:4]), 6)
            made = off, sum(p > 0 for p in where)
            best[height] = min(made, best.get(height, made))
    found = {}
    for split in possible_splits(Stack(box_mm=tuple(box)), now, now):
        off = round(abs(sum(split.above_mm) + sum(split.below_mm) - total), 6)
        found[round(split.height_mm, 6)] = off, split.n_shim
        # a stack is named from its thickest shim down
        for stack in (split.above_mm, split.below_mm):
            assert list(stack) == sorted(stack, reverse=True)
    assert found == best


def test_faces_turn_the_sign() -> None:
    moved = Run(name="b", corner="rl", above_mm=(3.0,), below_mm=(1.0, 1.0, 1.0))
    assert joint_height_mm(moved, REF, Stack(face="clevis")) == 1.0
    assert joint_height_mm(moved, REF, Stack(face="arm-below")) == 1.0
    assert joint_height_mm(moved, REF, Stack(face="arm-above")) == 1.0
    under_nut = Run(name="c", corner="rl", above_mm=(3.0, 1.0), below_mm=(1.0,))
    assert joint_height_mm(under_nut, REF, Stack(face="arm-below")) == -1.0
    assert joint_height_mm(under_nut, REF, Stack(face="arm-above")) == 0.0


def test_an_empty_box_means_what_is_on_the_car() -> None:
    splits = possible_splits(Stack(), REF, REF)
    assert [s.height_mm for s in splits] == [-2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 4.0]


def test_a_box_that_cannot_make_the_total_is_refused() -> None:
    with pytest.raises(NothingCanBeMadeError, match="total"):
        possible_splits(Stack(box_mm=(5.0,)), REF, REF)


def test_most_shims_is_kept() -> None:
    splits = possible_splits(Stack(box_mm=BOX, most_shims=3), REF, REF)
    assert splits
    assert max(s.n_shim for s in splits) <= 3


def test_turns_and_flats() -> None:
    both = Thread(kind="both-ends", pitch_mm=1.5)
    assert step_mm(both) == pytest.approx(0.5)  # two opposite threads: 3 mm a turn, six flats
    turn = turn_of(both, -4.0)
    assert (turn.turns, turn.parts, turn.part_name) == (1, 2, "flat")
    one = Thread(kind="one-end", pitch_mm=1.25)
    assert step_mm(one) == pytest.approx(0.625)  # half a turn of a single thread
    assert (turn_of(one, 1.875).turns, turn_of(one, 1.875).parts) == (1, 1)
    assert turn_of(Thread(), 3.0).turns is None
    assert step_mm(Thread(kind="fixed")) is None


def test_lengths_stay_within_the_thread() -> None:
    thread = Thread(kind="both-ends", pitch_mm=1.5, shorter_mm=4.0, longer_mm=2.0)
    assert length_limits_mm(thread) == (-4.0, 2.0)
    lengths = possible_lengths_mm(thread, 0.25)
    assert lengths.min() >= -4.0
    assert lengths.max() <= 2.0
    assert np.any(lengths == 0.25)
    assert np.diff(lengths) == pytest.approx(np.full(len(lengths) - 1, 0.5))
    assert possible_lengths_mm(Thread(kind="fixed"), 1.0).tolist() == [1.0]
    # the car may stand outside the stated limits: it is brought back inside
    outside = possible_lengths_mm(thread, 5.0)
    assert outside.max() == pytest.approx(2.0)
    assert outside.min() == pytest.approx(-4.0)


@pytest.mark.outside
def test_static_toe_of_a_known_link() -> None:
    draws = np.zeros((4, 65))
    draws[:, 60] = np.log(320.0)
    draws[:, 61] = np.log(110.0)
    link = link_draws(draws, ahead=False)
    got = static_toe(
        link,
        (0.0, -3.0),
        (0.0, 0.0),
        Eccentric(mm_per_mark=0.5, inboard_left_mm=6.0, outboard_left_mm=4.0),
        "outer",
    )
    # a level link behind the pivots, 3 mm shorter: pivot 3 mm outboard, else toe-out
    assert got.shift_mm.value == pytest.approx(-3.0)
    assert got.marks is not None
    assert got.marks.value == pytest.approx(-6.0)
    assert got.forgotten_deg.value == pytest.approx(-np.rad2deg(3.0 / 110.0))
    assert got.left_outboard_mm == pytest.approx(1.0)
    assert got.left_inboard_mm == pytest.approx(9.0)


@pytest.mark.outside
@pytest.mark.parametrize("end", ["outer", "inner"])
def test_length_that_holds_toe_needs_no_shift(end: str) -> None:
    draws = np.zeros((2, 65))
    draws[:, 60:] = [np.log(300.0), np.log(90.0), 25.0, 2e-4, 0.05]
    link = link_draws(draws, ahead=True)
    heights = np.array([-4.0, 0.0, 3.0])
    change = length_that_holds_toe_mm(link, heights, end)  # type: ignore[arg-type]
    assert eccentric_shift_mm(link, heights, change, end=end) == pytest.approx(0.0, abs=1e-9)
    assert change[1] == pytest.approx(0.0, abs=1e-12)
