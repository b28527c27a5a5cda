"""The kit: programs against brute force, recipes against brute force, scenarios at limits."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations_with_replacement, pairwise, product
from types import SimpleNamespace

import numpy as np
import pytest
import scipy.optimize
from numpy.typing import NDArray

from optimizer.advise.goal import Target, target_of
from optimizer.advise.stacks import joint_height_mm
from optimizer.errors import CallError, NothingCanBeMadeError, SolverStoppedError
from optimizer.kit.program import Ask, Plan, Shop, cheapest_packs, frontier, least_loss
from optimizer.kit.recipes import Recipes, kit_splits, needs, recipes
from optimizer.kit.scenarios import Losses, fewer, height_losses
from optimizer.model.surface import SettingCurve, ToeSurface, draw_scores_deg
from optimizer.records import Goal, Run, Stack

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


def _loss_of_box(asks: list[Ask], box: Whole, at_once: bool, cache: dict[object, float]) -> float:
    """Least loss of a box: every way to share it between two corners is tried."""

    def one(i: int, bag: tuple[int, ...]) -> float:
        if (i, bag) not in cache:
            cache[i, bag] = _loss_of_bag(asks[i], bag)
        return cache[i, bag]

    whole = tuple(min(int(b), 6) for b in box)  # no pair of recipes takes more than six
    if not at_once or len(asks) == 1:
        return sum(one(i, whole) for i in range(len(asks)))
    if whole not in cache:
        cache[whole] = min(
            one(0, first) + one(1, tuple(b - f for b, f in zip(whole, first, strict=True)))
            for first in product(*(range(min(b, 3) + 1) for b in whole))
        )
    return cache[whole]


def _brute(shop: Shop, asks: list[Ask], at_once: bool) -> list[tuple[int, float]]:
    """Price and loss of every purchase that makes something at every corner."""
    cache: dict[object, float] = {}
    found = (
        (shop.cost(n), _loss_of_box(asks, shop.box(n), at_once, cache)) for n in _purchases(shop)
    )
    return [(price, loss) for price, loss in found if np.isfinite(loss)]


def _brute_frontier(points: list[tuple[int, float]]) -> list[tuple[int, float]]:
    out: list[tuple[int, float]] = []
    for price, loss in sorted(points):
        if not out or loss < out[-1][1] - 1e-9:
            out.append((price, loss))
    return out


def _honest(plan: Plan, shop: Shop, asks: list[Ask], at_once: bool) -> None:
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
    for together in product(*used) if at_once else ((one,) for all_ in used for one in all_):
        assert np.all(np.sum(together, axis=0) <= box)
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
@pytest.mark.parametrize("at_once", [True, False], ids=["at once", "in turn"])
@pytest.mark.parametrize("n_corner", [1, 2])
@pytest.mark.parametrize("seed", [*range(12), 5006, 5071, 5094])  # the last: rows met by a hair
def test_plans_and_frontier_agree_with_brute_force(seed: int, n_corner: int, at_once: bool) -> None:
    rng = np.random.default_rng(100 + seed)
    shop = _shop(rng, n_part=3, n_pack=4, most=2)
    asks = [_ask(rng, 3) for _ in range(n_corner)]
    points = _brute(shop, asks, at_once)
    if not points:
        with pytest.raises(NothingCanBeMadeError, match="no setting"):
            frontier(shop, asks, at_once=at_once)
        return
    wanted = _brute_frontier(points)
    plans = frontier(shop, asks, at_once=at_once)
    assert [p.price for p in plans] == [price for price, _ in wanted]
    assert [p.loss for p in plans] == pytest.approx([loss for _, loss in wanted], abs=1e-9)
    for plan in plans:
        _honest(plan, shop, asks, at_once)
    for budget in (int(b) for b in rng.integers(0, 1 + max(p for p, _ in points), 3)):
        affordable = [point for point in wanted if point[0] <= budget]
        if not affordable:
            with pytest.raises(NothingCanBeMadeError, match="budget"):
                least_loss(shop, asks, budget, at_once=at_once)
            continue
        plan = least_loss(shop, asks, budget, at_once=at_once)
        assert plan.price == affordable[-1][0]
        assert plan.loss == pytest.approx(affordable[-1][1], abs=1e-9)


def test_the_cases_of_brute_force_are_no_walkover() -> None:
    """Enough of them have several points, and sharing a box costs something."""
    lengths, dearer = [], 0
    for seed in range(12):
        rng = np.random.default_rng(100 + seed)
        shop = _shop(rng, n_part=3, n_pack=4, most=2)
        asks = [_ask(rng, 3) for _ in range(2)]
        at_once, in_turn = (_brute_frontier(_brute(shop, asks, a)) for a in (True, False))
        lengths.append(len(at_once))
        dearer += at_once != in_turn
    assert sum(n >= 3 for n in lengths) >= 5
    assert dearer >= 5


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
    assert {p.price for p in coarse} <= {p.price for p in plans}
    assert np.all(np.diff([p.price for p in coarse]) >= 7)


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
    _honest(rough, shop, asks, at_once=True)
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


def test_no_time_is_too_little() -> None:
    rng = np.random.default_rng(1)
    shop = _shop(rng, n_part=8, n_pack=12, most=5)
    asks = [_ask(rng, 8, n_setting=30) for _ in range(3)]
    with pytest.raises(SolverStoppedError):
        least_loss(shop, asks, 40, time_limit_s=0.0)


REF = Run(name="a", corner="rl", above_mm=(2.0, 1.0), below_mm=(2.0,))
SIZES = (0.5, 1.0, 1.5, 2.0)
FACES = ("clevis", "arm-below", "arm-above")


def _brute_recipes(
    height: float, face: str, keep_total: bool, most: int, most_sizes: int
) -> set[tuple[frozenset[float], int]]:
    """Sets of sizes and fewest shims, less those that use a size more and save nothing."""
    stack = Stack(face=face)  # type: ignore[arg-type]
    piles = [c for n in range(most + 1) for c in combinations_with_replacement(SIZES, n)]
    fewest: dict[frozenset[float], int] = {}
    for above, below in product(piles, piles):
        key, other = (above, below) if face == "arm-above" else (below, above)
        if len(above) + len(below) > most or (not keep_total and other):
            continue
        if keep_total and abs(sum(above) + sum(below) - 5.0) > 0.05:
            continue
        run = Run(name="x", corner="rl", above_mm=above, below_mm=below)
        used = frozenset(above + below)
        if abs(joint_height_mm(run, REF, stack) - height) > 0.05 or len(used) > most_sizes:
            continue
        fewest[used] = min(fewest.get(used, 99), len(key) + len(other))
    return {
        (used, n)
        for used, n in fewest.items()
        if not any(u < used and m <= n for u, m in fewest.items())
    }


@pytest.mark.outside
@pytest.mark.parametrize("face", FACES)
@pytest.mark.parametrize("keep_total", [True, False], ids=["total kept", "one side"])
@pytest.mark.parametrize("most_sizes", [1, 3])
def test_recipes_agree_with_brute_force(face: str, keep_total: bool, most_sizes: int) -> None:
    stack = Stack(face=face, most_shims=6)  # type: ignore[arg-type]
    heights = [-1.0, -0.5, 0.0, 0.25, 1.5]
    # the shims on hand are those on the car, which make the present split and few others
    got = recipes(SIZES, heights, stack, REF, REF, keep_total=keep_total, most_sizes=most_sizes)
    for one in got:
        wanted = _brute_recipes(one.height_mm, face, keep_total, 6, most_sizes)
        shims = [(*s.above_mm, *s.below_mm) for s in one.splits]
        found = {(frozenset(s), len(s)) for s in shims}
        assert wanted <= found
        extra = found - wanted
        # all that is there besides is what the shims on the car make
        assert all(sorted(s) == [1.0, 2.0, 2.0] for s in shims if (frozenset(s), len(s)) in extra)
        assert [s.n_shim for s in one.splits] == sorted(s.n_shim for s in one.splits)
        for split in one.splits:
            run = Run(name="x", corner="rl", above_mm=split.above_mm, below_mm=split.below_mm)
            assert joint_height_mm(run, REF, stack) == pytest.approx(one.height_mm, abs=0.05)
            assert split.height_mm == pytest.approx(joint_height_mm(run, REF, stack))
            total = sum(split.above_mm) + sum(split.below_mm)
            assert not keep_total or total == pytest.approx(5.0, abs=0.05)
    assert sum(len(one.splits) for one in got) >= most_sizes
    assert got[3] == Recipes(height_mm=0.25, splits=())


@pytest.mark.outside
def test_what_the_shims_on_hand_make_is_among_the_recipes() -> None:
    box = (2.0, 2.0, 1.0, 0.5, 0.3, 0.2)
    stack = Stack(box_mm=box)
    heights = [s.height_mm for s in kit_splits(stack, REF, REF, box)]
    got = recipes(SIZES, heights, stack, REF, REF)
    assert len(heights) >= 8
    for one, split in zip(got, kit_splits(stack, REF, REF, box), strict=True):
        assert split in one.splits
        sizes = (*SIZES, 0.2, 0.3)
        counted = needs(one.splits, sizes)
        assert counted @ np.array(sizes) == pytest.approx(5.0, abs=0.05)
        assert counted.sum(axis=1).tolist() == [s.n_shim for s in one.splits]
    more = kit_splits(stack, REF, REF, (*box, 1.5))
    assert {s.height_mm for s in more} > set(heights)
    with pytest.raises(CallError, match="not among the sizes"):
        needs(got[0].splits + kit_splits(stack, REF, REF, box), SIZES)


def test_fewer_recipes_are_the_first_ones() -> None:
    stack = Stack(box_mm=(5.0,))  # makes nothing but 5 on one side
    every = recipes(SIZES, [0.0], stack, REF, REF)[0].splits
    assert len(every) > 2
    assert recipes(SIZES, [0.0], stack, REF, REF, most_recipes=2)[0].splits == every[:2]


@pytest.mark.parametrize("sizes", [(), (0.0, 1.0), (-1.0,), (1.0, 1.0)])
def test_sizes_that_make_no_sense_are_refused(sizes: tuple[float, ...]) -> None:
    with pytest.raises(CallError, match="thicknesses"):
        recipes(sizes, [0.0], Stack(), REF, REF)


TRAVEL = np.array([-48.0, -24.0, -12.0, 12.0, 24.0, 48.0])
HEIGHTS = np.arange(-5.0, 5.1, 1.0)
LENGTHS = np.arange(-6.0, 6.1, 1.5)


@pytest.fixture(scope="module")
def learnt() -> tuple[ToeSurface, Target]:
    """A surface after one invented run, and a goal of least change."""
    run = SettingCurve(
        height_mm=0.0,
        length_change_mm=0.0,
        travel_mm=TRAVEL,
        toe_deg=0.12 * TRAVEL / 40.0 - 0.03 * (TRAVEL / 40.0) ** 2,
        cov_deg2=np.eye(len(TRAVEL)) * 0.005**2,
    )
    return ToeSurface(ahead=True).fit_curves([run]), target_of(Goal(), (-50.0, 50.0))


@pytest.fixture(scope="module")
def losses(learnt: tuple[ToeSurface, Target]) -> Losses:
    return height_losses(*learnt, HEIGHTS, LENGTHS, n_draw=60)


@pytest.mark.outside
def test_losses_are_scores_above_the_best(learnt: tuple[ToeSurface, Target]) -> None:
    surface, target = learnt
    losses = height_losses(surface, target, HEIGHTS, LENGTHS, n_draw=60)
    draws = surface.draws(60, seed=31)
    assert losses.loss_deg.shape == (60, len(HEIGHTS))
    assert losses.share.sum() == pytest.approx(1.0)

    def score(s: int, height: Array, length: Array) -> Array:
        t = target
        scores = draw_scores_deg(draws[[s]], height, length, t.travel_mm, t.weight, t.wanted_deg)
        return np.asarray(scores[0])

    for s in (0, 17, 59):
        here = score(s, HEIGHTS, losses.length_change_mm[s])
        assert losses.best_deg[s] + losses.loss_deg[s] == pytest.approx(here, abs=1e-12)
        fine, long = np.meshgrid(np.linspace(-5.0, 5.0, 101), LENGTHS)
        assert losses.best_deg[s] == pytest.approx(
            score(s, fine.ravel(), long.ravel()).min(), abs=1e-12
        )
        for length in LENGTHS:
            at = score(s, HEIGHTS, np.full(len(HEIGHTS), length))
            assert np.all(at >= losses.best_deg[s] + losses.loss_deg[s] - 1e-12)
    assert losses.loss_deg.min() >= 0.0
    # whole millimetres leave something on the table
    assert np.mean(losses.loss_deg.min(axis=1)) > 1e-4


def test_each_corner_has_draws_of_its_own(
    learnt: tuple[ToeSurface, Target], losses: Losses
) -> None:
    again = height_losses(*learnt, HEIGHTS, LENGTHS, n_draw=60)
    assert np.array_equal(again.loss_deg, losses.loss_deg)
    other = height_losses(*learnt, HEIGHTS, LENGTHS, n_draw=60, corner=1)
    assert abs(np.corrcoef(other.best_deg, losses.best_deg)[0, 1]) < 0.5
    with pytest.raises(CallError):
        height_losses(*learnt, [], LENGTHS)


@pytest.mark.outside
@pytest.mark.parametrize("n", [1, 5, 20])
def test_fewer_scenarios_stay_within_what_they_say(losses: Losses, n: int) -> None:
    few = fewer(losses, n)
    assert few.loss_deg.shape == (n, len(HEIGHTS))
    assert few.share.sum() == pytest.approx(1.0)
    rng = np.random.default_rng(n)
    off = []
    for _ in range(200):
        made = rng.random(len(HEIGHTS)) < 0.4
        made[rng.integers(len(HEIGHTS))] = True
        full = losses.share @ losses.loss_deg[:, made].min(axis=1)
        off.append(abs(few.share @ few.loss_deg[:, made].min(axis=1) - full))
    assert max(off) <= few.within_deg + 1e-12
    assert max(off) > 0.0
    assert few.within_deg < fewer(losses, max(1, n // 2)).within_deg or n == 1


def test_no_scenario_is_lost_where_all_are_kept(losses: Losses) -> None:
    assert fewer(losses, 60).within_deg == pytest.approx(0.0, abs=1e-12)
    assert fewer(losses, 60).share == pytest.approx(np.full(60, 1 / 60))
    twice = replace(losses, loss_deg=np.concatenate([losses.loss_deg[:30]] * 2))
    assert fewer(twice, 30).within_deg == pytest.approx(0.0, abs=1e-12)
    assert fewer(twice, 30).share == pytest.approx(np.full(30, 1 / 30))
    uneven = replace(losses, loss_deg=losses.loss_deg[[0] * 45 + [1] * 15])
    assert fewer(uneven, 2).share == pytest.approx([0.75, 0.25])
    assert np.array_equal(fewer(uneven, 2).loss_deg, losses.loss_deg[:2])
    with pytest.raises(CallError):
        fewer(losses, 0)


def test_start_up_does_not_load_the_solver() -> None:
    import subprocess
    import sys

    code = (
        "import sys, optimizer.kit.program, optimizer.kit.recipes, optimizer.kit.scenarios;"
        "print(any(m.split('.')[0] == 'scipy' for m in sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
