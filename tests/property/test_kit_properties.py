"""The kit's programs on invented shops: brute force, more never hurts, order does not matter."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from optimizer.errors import NothingCanBeMadeError
from optimizer.kit.purchases import frontier, least_loss
from optimizer.kit.scenarios import Ask, Plan
from optimizer.kit.shop import Shop

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
MOST_PACKS = 3
SEEDS = st.integers(0, 2**32 - 1)


def _shop(rng: np.random.Generator, n_part: int) -> Shop:
    """A pack of every part, one or two of several parts, and a few on hand."""
    holds = np.diag(rng.integers(1, 4, n_part))
    mixed = (rng.random((int(rng.integers(0, 3)), n_part)) < 0.5).astype(np.int64)
    holds = np.concatenate([holds, mixed[mixed.sum(axis=1) > 0]])[: n_part + 1]
    return Shop(
        holds=holds,
        price=rng.integers(1, 30, len(holds)),
        on_hand=rng.integers(0, 2, n_part),
        most=rng.integers(1, MOST_PACKS + 1, len(holds)),
    )


def _ask(rng: np.random.Generator, n_part: int) -> Ask:
    """Four settings, one or two recipes each, of a part or two or three."""
    share = rng.random(5)
    recipes = tuple(
        rng.integers(1, 3, (n, n_part)) * (rng.random((n, n_part)) < 2.0 / n_part)
        for n in rng.integers(1, 3, 4)
    )
    return Ask(
        loss=rng.integers(0, 40, (5, 4)) / 100.0,
        recipes=recipes,
        share=share / share.sum(),
        weight=float(rng.integers(1, 4)),
    )


def _case(
    seed: int, *, least_part: int = 3, most_part: int = 6
) -> tuple[Shop, list[Ask], np.random.Generator]:
    rng = np.random.default_rng(seed)
    n_part = int(rng.integers(least_part, most_part + 1))
    return _shop(rng, n_part), [_ask(rng, n_part) for _ in range(2)], rng


def _bags(ask: Ask) -> tuple[Whole, Array]:
    """Every bag that a choice of recipes fills, and its loss."""
    n_part = ask.recipes[0].shape[1]
    none = np.zeros((1, n_part), np.int64)
    ways = product(*(np.concatenate([none, need]) for need in ask.recipes))
    bags = np.unique([np.max(way, axis=0) for way in ways], axis=0)
    made = [np.any(np.all(need[None] <= bags[:, None], axis=2), axis=1) for need in ask.recipes]
    loss = np.where(np.array(made).T[:, None], ask.loss, np.inf).min(axis=2)
    return bags, ask.weight * (loss @ ask.shares)


def _brute(shop: Shop, asks: list[Ask], spares: int) -> tuple[Array, Array]:
    """Price and loss of every pair of bags that some purchase fills."""
    (first, loss), (second, more) = (_bags(a) for a in asks)
    used = (first[:, None] + second).reshape(-1, len(shop.on_hand))
    both = (loss[:, None] + more).ravel()
    wanted, which = np.unique(used + spares * (used > 0), axis=0, return_inverse=True)
    least = np.full(len(wanted), np.inf)
    np.minimum.at(least, which.ravel(), both)
    assert shop.most is not None
    packs = np.array(list(product(*(range(int(m) + 1) for m in shop.most))))
    cost = packs @ shop.price
    order = np.argsort(cost, kind="stable")
    box = shop.on_hand + packs[order] @ shop.holds
    price = np.full(len(wanted), np.inf)
    for i, want in enumerate(wanted):
        fits = np.all(box >= want, axis=1)
        if fits.any():
            price[i] = cost[order[np.argmax(fits)]]
    can = np.isfinite(least) & np.isfinite(price)
    return price[can], least[can]


def _plan(
    shop: Shop, asks: list[Ask], budget: int | None, *, spares: int = 0, gap: float = 0.0
) -> Plan | None:
    try:
        return least_loss(shop, asks, budget, spares=spares, gap=gap)
    except NothingCanBeMadeError:
        return None


@pytest.mark.outside
@pytest.mark.parametrize("spares", [0, 1, 2])
@settings(max_examples=80, deadline=None, derandomize=True)
@given(seed=SEEDS)
def test_the_least_loss_is_that_of_brute_force(seed: int, spares: int) -> None:
    shop, asks, rng = _case(seed)
    price, loss = _brute(shop, asks, spares)
    budget = int(rng.integers(0, 120))
    plan = _plan(shop, asks, budget, spares=spares)
    can = price <= budget
    if not can.any():
        assert plan is None
        return
    assert plan is not None
    best = loss[can].min()
    assert plan.loss == pytest.approx(best, abs=1e-9)
    assert plan.price == price[can & (loss <= best + 1e-9)].min()
    assert plan.price == shop.cost(plan.packs)
    assert np.all(plan.used + spares * (plan.used > 0) <= shop.box(plan.packs))


@pytest.mark.parametrize("gap", [0.0, 0.1])
@settings(max_examples=50, deadline=None, derandomize=True)
@given(seed=SEEDS, more=st.integers(0, 60))
def test_a_larger_budget_never_loses_more(seed: int, more: int, gap: float) -> None:
    shop, asks, rng = _case(seed)
    budget = int(rng.integers(10, 90))
    less, richer = (_plan(shop, asks, b, gap=gap) for b in (budget, budget + more))
    if less is None:
        return
    assert richer is not None
    assert richer.gap <= gap + 1e-9
    assert richer.loss * (1.0 - richer.gap) <= less.loss + 1e-9
    assert less.price <= budget


@pytest.mark.parametrize("gap", [0.0, 0.1])
@settings(max_examples=50, deadline=None, derandomize=True)
@given(seed=SEEDS)
def test_one_more_offer_never_loses_more(seed: int, gap: float) -> None:
    shop, asks, rng = _case(seed)
    budget = int(rng.integers(10, 120))
    n_pack = int(rng.integers(1, len(shop.price)))
    assert shop.most is not None
    fewer = replace(
        shop, holds=shop.holds[:n_pack], price=shop.price[:n_pack], most=shop.most[:n_pack]
    )
    less, wider = (_plan(s, asks, budget, gap=gap) for s in (fewer, shop))
    if less is None:
        return
    assert wider is not None
    assert wider.loss * (1.0 - wider.gap) <= less.loss + 1e-9


@settings(max_examples=50, deadline=None, derandomize=True)
@given(seed=SEEDS, spares=st.integers(0, 1))
def test_the_order_of_offers_parts_and_corners_does_not_matter(seed: int, spares: int) -> None:
    shop, asks, rng = _case(seed)
    packs, parts = rng.permutation(len(shop.price)), rng.permutation(len(shop.on_hand))
    assert shop.most is not None
    turned = Shop(
        holds=shop.holds[packs][:, parts],
        price=shop.price[packs],
        on_hand=shop.on_hand[parts],
        most=shop.most[packs],
    )
    other = [replace(a, recipes=tuple(r[:, parts] for r in a.recipes)) for a in reversed(asks)]
    budget = int(rng.integers(10, 120))
    plan, again = (_plan(s, a, budget, spares=spares) for s, a in ((shop, asks), (turned, other)))
    assert (plan is None) == (again is None)
    if plan is not None and again is not None:
        assert again.price == plan.price
        assert again.loss == pytest.approx(plan.loss, abs=1e-9)


@settings(max_examples=15, deadline=None, derandomize=True)
@given(seed=SEEDS, gap=st.sampled_from([0.02, 0.2, 0.5]))
def test_every_point_of_a_rough_frontier_is_worth_its_price(seed: int, gap: float) -> None:
    shop, asks, _ = _case(seed, most_part=5)
    price, loss = _brute(shop, asks, 0)
    if not len(price):
        return
    plans = frontier(shop, asks, gap=gap)
    assert np.all(np.diff([p.price for p in plans]) > 0)
    assert np.all(np.diff([p.loss for p in plans]) < 0)
    for plan in plans:
        assert plan.loss * (1.0 - gap) <= loss[price <= plan.price].min() + 1e-9
    dearest = plans[-1]
    assert dearest.loss * (1.0 - gap) <= loss.min() + 1e-9
