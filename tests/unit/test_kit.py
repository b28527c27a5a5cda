"""The kit's integer programs against brute force."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, product
from types import SimpleNamespace

import numpy as np
import pytest
import scipy.optimize
from numpy.typing import NDArray

from optimizer.errors import CallError, NothingCanBeMadeError, SolverStoppedError
from optimizer.kit.purchases import frontier, least_loss, least_price
from optimizer.kit.scenarios import Ask, Plan
from optimizer.kit.shop import Shop, cheapest_packs

Array = NDArray[np.float64]
Whole = NDArray[np.int64]


def _shop(rng: np.random.Generator, n_part: int, n_pack: int, most: int) -> Shop:
    """Some packs hold one thickness, some several; a little is on hand."""
    holds = rng.integers(0, 3, (n_pack, n_part))
    holds[np.arange(n_pack), rng.integers(0, n_part, n_pack)] += 1
    return Shop(
        holds=holds,
        price=rng.integers(1, 30, n_pack),
        on_hand=rng.integers(0, 2, n_part),
        most=rng.integers(1, most + 1, n_pack),
    )


def _ask(rng: np.random.Generator, n_part: int, n_setting: int = 5) -> Ask:
    """Losses with ties; most settings have a recipe or more, some none."""
    share = rng.random(6)
    return Ask(
        loss=rng.integers(0, 40, (6, n_setting)) / 100.0,
        recipes=tuple(
            rng.integers(0, 4, (int(rng.integers(0, 4)), n_part)) for _ in range(n_setting)
        ),
        share=share / share.sum(),
        weight=float(rng.integers(1, 4)),
    )


def _purchases(shop: Shop) -> list[Whole]:
    assert shop.most is not None
    return [np.array(n) for n in product(*(range(m + 1) for m in shop.most))]


def _loss_of_bag(ask: Ask, bag: tuple[int, ...]) -> float:
    made = [any(np.all(n <= bag) for n in need) for need in ask.recipes]
    if not any(made):
        return np.inf
    return float(ask.weight * (ask.shares @ ask.loss[:, made].min(axis=1)))


def _loss_of_box(asks: list[Ask], box: Whole, cache: dict[object, float]) -> float:
    """Least loss of a box: every way to share it between two corners is tried."""

    def one(i: int, bag: tuple[int, ...]) -> float:
        if (i, bag) not in cache:
            cache[i, bag] = _loss_of_bag(asks[i], bag)
        return cache[i, bag]

    whole = tuple(min(int(b), 6) for b in box)  # no pair of recipes takes more than six
    if len(asks) == 1:
        return one(0, whole)
    if whole not in cache:
        cache[whole] = min(
            one(0, first) + one(1, tuple(b - f for b, f in zip(whole, first, strict=True)))
            for first in product(*(range(min(b, 3) + 1) for b in whole))
        )
    return cache[whole]


def _brute(shop: Shop, asks: list[Ask], spares: int = 0) -> list[tuple[int, float]]:
    """Price and loss of every purchase that makes something at every corner.

    Of each part all but the spares can be stacked.
    """
    cache: dict[object, float] = {}
    found = (
        (shop.cost(n), _loss_of_box(asks, np.maximum(shop.box(n) - spares, 0), cache))
        for n in _purchases(shop)
    )
    return [(price, loss) for price, loss in found if np.isfinite(loss)]


def _brute_frontier(points: list[tuple[int, float]]) -> list[tuple[int, float]]:
    out: list[tuple[int, float]] = []
    for price, loss in sorted(points):
        if not out or loss < out[-1][1] - 1e-9:
            out.append((price, loss))
    return out


def _honest(plan: Plan, shop: Shop, asks: list[Ask], spares: int = 0) -> None:
    """Every combination of the plan's settings can be stacked, and its loss is what it says."""
    assert plan.price == shop.cost(plan.packs)
    box = shop.box(plan.packs)
    used = []
    for ask, which, choice, loss in zip(
        asks, plan.recipe, plan.choice, plan.loss_by_corner, strict=True
    ):
        used.append([ask.recipes[k][r] for k, r in enumerate(which) if r >= 0])
        assert np.all(which[choice] >= 0)
        picked = ask.loss[np.arange(len(ask.loss)), choice]
        assert np.all(picked == ask.loss[:, which >= 0].min(axis=1))
        assert loss == pytest.approx(ask.shares @ picked, abs=1e-12)
    for together in product(*used):
        need = np.sum(together, axis=0)
        assert np.all(need + spares * (need > 0) <= box)
    total = sum(a.weight * x for a, x in zip(asks, plan.loss_by_corner, strict=True))
    assert plan.loss == pytest.approx(total, abs=1e-12)


@pytest.mark.outside
@pytest.mark.parametrize("seed", range(25))
def test_cheapest_packs_agree_with_brute_force(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shop = _shop(rng, n_part=3, n_pack=4, most=4)
    demand = rng.integers(0, 9, 3)
    enough = [shop.cost(n) for n in _purchases(shop) if np.all(shop.box(n) >= demand)]
    if not enough:
        with pytest.raises(NothingCanBeMadeError, match="demand"):
            cheapest_packs(shop, demand)
        return
    best = cheapest_packs(shop, demand)
    assert best.price == min(enough) == shop.cost(best.packs)
    assert np.all(shop.box(best.packs) >= demand)
    assert shop.most is not None
    assert np.all(best.packs <= shop.most)
    assert best.bound <= best.price + 1e-9


@pytest.mark.outside
@pytest.mark.parametrize("spares", [0, 1, 2])
@pytest.mark.parametrize("n_corner", [1, 2])
@pytest.mark.parametrize("seed", [*range(12), 5006, 5071, 5094])  # the last: rows met by a hair
def test_plans_and_frontier_agree_with_brute_force(seed: int, n_corner: int, spares: int) -> None:
    rng = np.random.default_rng(100 + seed)
    shop = _shop(rng, n_part=3, n_pack=4, most=2)
    asks = [_ask(rng, 3) for _ in range(n_corner)]
    points = _brute(shop, asks, spares)
    if not points:
        with pytest.raises(NothingCanBeMadeError, match="no setting"):
            frontier(shop, asks, spares=spares)
        return
    wanted = _brute_frontier(points)
    plans = frontier(shop, asks, spares=spares)
    assert [p.price for p in plans] == [price for price, _ in wanted]
    assert [p.loss for p in plans] == pytest.approx([loss for _, loss in wanted], abs=1e-9)
    for plan in plans:
        _honest(plan, shop, asks, spares)
    for budget in (int(b) for b in rng.integers(0, 1 + max(p for p, _ in points), 3)):
        affordable = [point for point in wanted if point[0] <= budget]
        if not affordable:
            with pytest.raises(NothingCanBeMadeError, match="budget"):
                least_loss(shop, asks, budget, spares=spares)
            continue
        plan = least_loss(shop, asks, budget, spares=spares)
        assert plan.price == affordable[-1][0]
        assert plan.loss == pytest.approx(affordable[-1][1], abs=1e-9)
    for loss in (wanted[-1][1], wanted[0][1], float(rng.uniform(wanted[-1][1], 1.0)), np.inf):
        plan = least_price(shop, asks, loss, spares=spares)
        assert plan.price == min(price for price, lost in wanted if lost <= loss + 1e-9)
        _honest(plan, shop, asks, spares)
    with pytest.raises(NothingCanBeMadeError):
        least_price(shop, asks, wanted[-1][1] - 0.001, spares=spares)


@pytest.mark.outside
@pytest.mark.parametrize("one_price", [False, True])
@pytest.mark.parametrize("seed", range(20))
def test_what_is_on_hand_changes_no_answer(seed: int, one_price: bool) -> None:
    """One corner with a well filled box, which leaves most of its program out."""
    rng = np.random.default_rng(9000 + seed)
    shop = replace(_shop(rng, n_part=3, n_pack=4, most=2), on_hand=rng.integers(0, 4, 3))
    if one_price:
        shop = replace(shop, price=np.full(4, 7))
    spares, asks = seed % 3, [_ask(rng, 3)]
    wanted = _brute_frontier(_brute(shop, asks, spares))
    plans = frontier(shop, asks, spares=spares)
    assert [p.price for p in plans] == [price for price, _ in wanted]
    assert [p.loss for p in plans] == pytest.approx([loss for _, loss in wanted], abs=1e-9)
    for plan in plans:
        _honest(plan, shop, asks, spares)


def test_the_cases_of_brute_force_are_no_walkover() -> None:
    """Enough of them have several points, and sharing a box and spares cost something."""
    lengths, dearer, spared = [], 0, 0
    for seed in range(12):
        rng = np.random.default_rng(100 + seed)
        shop = _shop(rng, n_part=3, n_pack=4, most=2)
        asks = [_ask(rng, 3) for _ in range(2)]
        points = _brute_frontier(_brute(shop, asks))
        lengths.append(len(points))
        alone = [_brute(shop, [ask]) for ask in asks]
        dearer += any(
            loss > sum(min(x for p, x in one if p <= price) for one in alone) + 1e-9
            for price, loss in points
        )
        spared += points != _brute_frontier(_brute(shop, asks, 1))
    assert sum(n >= 3 for n in lengths) >= 5
    assert dearer >= 5
    assert spared >= 5


@pytest.mark.parametrize("seed", range(6))
def test_frontier_falls_strictly_and_more_never_hurts(seed: int) -> None:
    rng = np.random.default_rng(200 + seed)
    shop = _shop(rng, n_part=4, n_pack=6, most=3)
    asks = [_ask(rng, 4, n_setting=7) for _ in range(2)]
    # a setting that needs nothing, poor everywhere: something can always be made
    asks = [
        replace(
            a,
            loss=np.concatenate([a.loss, np.full((6, 1), 0.6)], axis=1),
            recipes=(*a.recipes, np.zeros((1, 4), np.int64)),
        )
        for a in asks
    ]
    plans = frontier(shop, asks)
    assert plans[0].price == 0
    assert len(plans) >= 3
    for cheap, dear in pairwise(plans):
        assert cheap.price < dear.price
        assert cheap.loss > dear.loss
    order = rng.permutation(6)
    assert shop.most is not None
    turned = replace(shop, holds=shop.holds[order], price=shop.price[order], most=shop.most[order])
    assert [(p.price, p.loss) for p in frontier(turned, asks)] == [(p.price, p.loss) for p in plans]
    fewer_packs = replace(shop, holds=shop.holds[:-1], price=shop.price[:-1], most=shop.most[:-1])
    for plan in plans:
        assert least_loss(fewer_packs, asks, plan.price).loss >= plan.loss - 1e-9
    coarse = frontier(shop, asks, step=7)
    assert coarse[-1].price == plans[-1].price
    assert {plans[0].price, *(p.price for p in coarse)} <= {p.price for p in plans}
    assert np.all(np.diff([p.price for p in coarse])[1:] >= 7)  # the cheapest is always there


@pytest.mark.parametrize("seed", range(8))
def test_a_gap_is_kept(seed: int) -> None:
    rng = np.random.default_rng(300 + seed)
    shop = _shop(rng, n_part=4, n_pack=6, most=2)
    asks = [_ask(rng, 4, n_setting=8) for _ in range(2)]
    dearest = frontier(shop, asks)[-1]
    exact = least_loss(shop, asks, dearest.price // 2)
    rough = least_loss(shop, asks, dearest.price // 2, gap=0.2)
    assert rough.gap <= 0.2
    assert exact.loss - 1e-9 <= rough.loss <= exact.loss / (1.0 - 0.2) + 1e-9
    assert rough.price <= dearest.price // 2
    _honest(rough, shop, asks)
    plans = frontier(shop, asks, gap=0.5)
    for cheap, dear in pairwise(plans):
        assert cheap.price < dear.price
        assert cheap.loss > dear.loss


def test_demand_that_no_pack_meets_is_named() -> None:
    shop = Shop(holds=np.array([[5, 0]]), price=np.array([3]), on_hand=np.array([0, 1]))
    assert cheapest_packs(shop, np.array([6, 1])).packs.tolist() == [2]
    with pytest.raises(NothingCanBeMadeError, match="meets the demand"):
        cheapest_packs(shop, np.array([6, 2]))
    ask = Ask(loss=np.array([[0.1]]), recipes=(np.array([[1, 2]]),))
    with pytest.raises(NothingCanBeMadeError, match="no setting"):
        least_loss(shop, [ask])
    payable = Ask(loss=np.array([[0.1]]), recipes=(np.array([[6, 1]]),))
    assert least_loss(shop, [payable], 6).price == 6
    with pytest.raises(NothingCanBeMadeError, match="at this budget"):
        least_loss(shop, [payable], 5)


@pytest.mark.parametrize(
    "change",
    [
        {"price": np.array([-1])},
        {"price": np.array([1.5])},
        {"on_hand": np.array([1, 2, 3])},
        {"holds": np.array([[-1, 2]])},
        {"most": np.array([1, 1])},
    ],
)
def test_a_shop_that_makes_no_sense_is_refused(change: dict[str, Whole]) -> None:
    good = {"holds": np.array([[5, 0]]), "price": np.array([3]), "on_hand": np.array([0, 1])}
    Shop(**good)
    with pytest.raises(CallError):
        Shop(**{**good, **change})


def test_losses_that_make_no_sense_are_refused() -> None:
    need = (np.array([[1]]),)
    for loss in (np.array([[np.nan]]), np.array([[-0.1]]), np.array([[0.1, 0.2]])):
        with pytest.raises(CallError):
            Ask(loss=loss, recipes=need)
    with pytest.raises(CallError):
        Ask(loss=np.array([[0.1]]), recipes=need, share=np.array([0.5, 0.5]))


def test_a_solver_that_stops_early_gives_no_half_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    shop = Shop(holds=np.array([[5]]), price=np.array([3]), on_hand=np.array([0]))
    true = scipy.optimize.milp

    def stopped(*args: object, **words: object) -> SimpleNamespace:
        good = true(*args, **words)
        return SimpleNamespace(status=1, x=good.x, mip_gap=0.5, message="time limit")

    monkeypatch.setattr(scipy.optimize, "milp", stopped)
    with pytest.raises(SolverStoppedError, match="time limit") as caught:
        cheapest_packs(shop, np.array([6]))
    assert caught.value.exit_code == 1
    ask = Ask(loss=np.array([[0.1]]), recipes=(np.array([[1]]),))
    with pytest.raises(SolverStoppedError):
        frontier(shop, [ask])


def test_at_its_limit_what_was_found_counts_with_its_gap(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a gap is allowed anyhow; else no half answer."""
    shop = Shop(holds=np.array([[5]]), price=np.array([3]), on_hand=np.array([0]))
    ask = Ask(loss=np.array([[0.1]]), recipes=(np.array([[1]]),))
    true = scipy.optimize.milp

    def stopped(*args: object, **words: object) -> SimpleNamespace:
        good = true(*args, **words)
        if words["options"]["mip_rel_gap"] != allowed:  # type: ignore[index]
            return good
        return SimpleNamespace(status=1, x=good.x, mip_gap=0.07, message="time limit")

    monkeypatch.setattr(scipy.optimize, "milp", stopped)
    allowed = 0.01
    plan = least_loss(shop, [ask], gap=0.01, node_limit=1)
    assert (plan.gap, plan.price) == (0.07, 3)
    allowed = 0.0
    with pytest.raises(SolverStoppedError):
        least_loss(shop, [ask], node_limit=1)
