"""The kit as integer programs: cheapest packs for a demand, least loss for a price, the frontier.

Parts are shims of one thickness (and of one bore, where corners take different bores); a
pack may hold several. Prices are whole numbers of the smallest coin, so that budgets are
exact. With n_p packs bought, h_pt parts in a pack and o_t on hand, the box holds

    box_t = o_t + sum_p h_pt n_p.

**Cheapest packs** for demands d_t: least sum_p price_p n_p with box_t >= d_t, n_p whole
(Gilmore and Gomory 1961 where packs are cutting patterns).

**Least loss** for a budget. In scenario s corner c picks, of the settings that it can make,
the one with the least loss l_csk. A setting is made by any of its recipes r, each a need
u_rt of parts; q_r says that a recipe is used, and y_k, the sum of q_r over the setting's
recipes, that the setting can be made: 0 or 1. Each corner has a bag of g_ct parts with
g_ct >= u_rt q_r. Corners that must stand at once fill their bags from one box,
sum_c g_ct <= box_t, so that *every* combination of their settings can be stacked at once;
corners that take turns with the same shims need g_ct <= box_t each. Draws are independent
from corner to corner, so any combination may be asked for. Corners with shims of different
bores share a box whose parts are different ones.

The expected loss is sum_cs w_c share_cs min over made k of l_csk. Order the settings of a
scenario by loss, N_j the first j of them; then the loss is the smallest one plus, for each
j, the step from the j-th to the next wherever nothing in N_j is made. Equal sets N of
different scenarios share one variable z_N >= 1 - sum of y over N. This is the canonical
form of the plant location problem (Cornuejols, Nemhauser and Wolsey 1980): along a height
the sets are stretches, so a thousand scenarios cost hardly more than forty.

Two facts tighten the relaxation and change no whole solution. g_ct climbs in steps, one
binary b for each level that some recipe needs, each at most the one below it, and the sum
of q_r over a setting's recipes that need a level or more is at most its b. With the b
whole, q, y and z may be left continuous. A level above what is on hand needs at least
ceil((level - o_t) / most parts in a pack) packs of those that hold the part.

A second program then finds the least price at that loss; losses within a millionth of the
largest cost are the same. With a gap above zero it is left out, for it is the harder one:
the price is then the least that fills the bags found.

**Frontier**: from the least loss at any price, the budget goes one coin below the last
price until nothing can be made; each point is the cheapest of its loss.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import CallError, NothingCanBeMadeError, SolverStoppedError
from optimizer.kit.solver import Model, Solution
from optimizer.record import record

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Whole = NDArray[np.int64]

# the largest cost in the solver's own terms: its absolute gap (1e-6) is nothing beside it,
# and a whole variable off by its tolerance (1e-6) moves the loss by a tie
COST_SCALE = 1e3
TIE = 1e-3


@record
class Shop:
    """What can be bought and what is there.

    Attributes
    ----------
    holds : shape (n_pack, n_part), parts in one pack
    price : shape (n_pack,), of one pack, in the smallest coin
    on_hand : shape (n_part,)
    most : shape (n_pack,), most packs there are; None for no limit

    Raises
    ------
    CallError
        If shapes disagree, or a number is negative or not whole.
    """

    holds: Whole
    price: Whole
    on_hand: Whole
    most: Whole | None = None

    def __post_init__(self) -> None:
        arrays = {"holds": self.holds, "price": self.price, "on_hand": self.on_hand}
        if self.most is not None:
            arrays["most"] = self.most
        for name, values in arrays.items():
            if not np.issubdtype(values.dtype, np.integer) or np.any(values < 0):
                raise CallError(f"{name} has a number that is negative or not whole", "mend it")
        n_pack, n_part = self.holds.shape if self.holds.ndim == 2 else (-1, -1)
        if self.price.shape != (n_pack,) or self.on_hand.shape != (n_part,):
            raise CallError("packs, prices and parts differ in number", "give one price a pack")
        if self.most is not None and self.most.shape != (n_pack,):
            raise CallError("packs and their limits differ in number", "give one limit a pack")

    def box(self, packs: Whole) -> Whole:
        """Parts there are once ``packs`` (n_pack,) are bought, shape (n_part,)."""
        return np.asarray(self.on_hand + packs @ self.holds)

    def cost(self, packs: Whole) -> int:
        """Price of ``packs`` (n_pack,), in the smallest coin."""
        return int(packs @ self.price)

    def _enough(self, demand: Whole) -> Whole:
        """Packs of each kind (n_pack,) past which no more could help with a demand."""
        short = np.maximum(demand - self.on_hand, 0)
        each = np.where(self.holds > 0, -(-short // np.maximum(self.holds, 1)), 0)
        most = each.max(axis=1, initial=0)
        return np.asarray(most if self.most is None else np.minimum(most, self.most))


@record
class Purchase:
    """Whole packs (n_pack,) and their price; no purchase costs less than ``bound``.

    ``bound`` is the value of the program without wholeness; ``gap`` is the solver's.
    """

    packs: Whole
    price: int
    bound: float
    gap: float


def cheapest_packs(
    shop: Shop, demand: Whole, *, gap: float = 0.0, time_limit_s: float | None = None
) -> Purchase:
    """Cheapest whole numbers of packs that meet a demand of parts.

    Parameters
    ----------
    shop : packs, prices and what is on hand
    demand : shape (n_part,)
    gap, time_limit_s : relative gap and seconds for the solver

    Raises
    ------
    NothingCanBeMadeError
        If no number of packs meets the demand.
    SolverStoppedError
        If the solver stops early.
    """
    if demand.shape != shop.on_hand.shape:
        raise CallError("demand and parts differ in number", "give one demand a part")
    order = _fixed_order(shop)
    model = Model()
    packs = model.add([float(n) for n in shop._enough(demand)[order]], whole=True)
    for part in range(len(demand)):
        factor = [float(n) for n in shop.holds[order, part]]
        model.row(packs, factor, low=float(demand[part] - shop.on_hand[part]))
    price = shop.price[order].astype(float)
    best = model.least(price, gap=gap, time_limit_s=time_limit_s)
    if best is None:
        raise NothingCanBeMadeError(
            "no number of packs on offer meets the demand",
            "offer a pack of every thickness needed, or lift the limit on packs",
        )
    linear = model.least(price, whole=False, time_limit_s=time_limit_s)
    bought = np.zeros(len(order), np.int64)
    bought[order] = best.x.astype(np.int64)
    return Purchase(
        packs=bought,
        price=shop.cost(bought),
        bound=best.value if linear is None else linear.value,
        gap=best.gap,
    )


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
        corners that stand at once can stack every combination of these
    choice : for each corner (n_scenario,), the setting each scenario picks
    gap : the solver's gap on the loss
    """

    packs: Whole
    price: int
    loss: float
    loss_by_corner: tuple[float, ...]
    recipe: tuple[Index, ...]
    choice: tuple[Index, ...]
    gap: float


def least_loss(
    shop: Shop,
    asks: Sequence[Ask],
    budget: int | None = None,
    *,
    at_once: bool = True,
    gap: float = 0.0,
    time_limit_s: float | None = None,
) -> Plan:
    """The purchase within a budget that loses least, and the cheapest of those.

    Parameters
    ----------
    shop, asks : what can be bought, and each corner's losses and recipes
    budget : in the smallest coin; None for as much as it takes
    at_once : whether the corners must stand at once, or take turns with the same shims
    gap, time_limit_s : relative gap on the loss, and seconds for each program

    Raises
    ------
    NothingCanBeMadeError
        If the budget does not let every corner make at least one setting.
    SolverStoppedError
        If the solver stops early.
    """
    program = _Program(shop, asks, at_once=at_once, gap=gap, time_limit_s=time_limit_s)
    plan = program.plan(budget)
    if plan is None:
        raise _nothing(budget)
    return plan


def frontier(
    shop: Shop,
    asks: Sequence[Ask],
    *,
    at_once: bool = True,
    step: int = 1,
    gap: float = 0.0,
    time_limit_s: float | None = None,
) -> tuple[Plan, ...]:
    """The whole price-loss frontier: each purchase loses less than all cheaper ones.

    Price rises and loss falls strictly from one to the next. With ``step`` 1 the frontier
    is whole; a larger one leaves out points less than that below the one before in price.

    Raises
    ------
    NothingCanBeMadeError
        If no purchase lets every corner make at least one setting.
    SolverStoppedError
        If the solver stops early.
    CallError
        If the step is under one coin.
    """
    if step < 1:
        raise CallError("the step of the frontier is under one coin", "give a step of 1 or more")
    program = _Program(shop, asks, at_once=at_once, gap=gap, time_limit_s=time_limit_s)
    plan = program.plan(None)
    if plan is None:
        raise _nothing(None)
    found: list[Plan] = []
    while plan is not None:
        # only with a gap, or at a tie, can a cheaper point lose no more: it takes the place
        while found and found[-1].loss >= plan.loss - program.tie:
            found.pop()
        found.append(plan)
        plan = program.plan(plan.price - step) if plan.price >= step else None
    return tuple(reversed(found))


class _Program:
    """The least-loss program of a shop and its corners, to be solved at several budgets."""

    def __init__(
        self,
        shop: Shop,
        asks: Sequence[Ask],
        *,
        at_once: bool,
        gap: float,
        time_limit_s: float | None,
    ) -> None:
        if not asks:
            raise CallError("no corner is asked for", "give at least one")
        n_part = len(shop.on_hand)
        for ask in asks:
            for needs in ask.recipes:
                if needs.ndim != 2 or needs.shape[1] != n_part or np.any(needs < 0):
                    raise CallError("recipes and parts differ in number", "give a column a part")
        self.shop, self.asks, self.at_once = shop, tuple(asks), at_once
        self.gap, self.time_limit_s = gap, time_limit_s
        self.model = Model()
        self.order = _fixed_order(shop)
        top = [_most_needed(ask, n_part) for ask in asks]
        most = np.sum(top, axis=0) if at_once else np.max(top, axis=0)
        enough = shop._enough(most)[self.order]
        self.packs = self.model.add([float(n) for n in enough], whole=True)
        self.one = self.model.add([1.0], whole=False)
        self.model.row(self.one, [1.0], low=1.0)
        self.books: list[list[tuple[list[int], list[float]]]] = []
        self.steps: list[dict[int, float]] = []
        for ask in asks:
            made, takes = self._makeable(ask)
            self.books.append(self._book(ask, takes))
            self._losses(ask, made)
        for part in range(n_part):
            self._boxed(part, [corner[part] for corner in self.books])
        cost = np.zeros(len(self.model.upper))
        for steps in self.steps:
            for at, size in steps.items():
                cost[at] += size
        cost[self.one] = self.floor
        self.loss_cost = cost
        self.scale = COST_SCALE / (float(cost.max(initial=0.0)) or 1.0)
        self.tie = TIE / self.scale
        self.price_cost = np.zeros(len(cost))
        self.price_cost[self.packs] = shop.price[self.order]

    def _makeable(self, ask: Ask) -> tuple[list[int], tuple[list[int], ...]]:
        """Variables y of settings and q of recipes, tied together."""
        made = self.model.add([1.0] * len(ask.recipes), whole=False)
        takes = []
        for y, needs in zip(made, ask.recipes, strict=True):
            q = self.model.add([1.0] * len(needs), whole=False)
            self.model.row([y, *q], [1.0] + [-1.0] * len(q), low=0.0, high=0.0)
            takes.append(q)
        self.model.row(made, [1.0] * len(made), low=1.0)
        return made, tuple(takes)

    def _book(self, ask: Ask, takes: tuple[list[int], ...]) -> list[tuple[list[int], list[float]]]:
        """What a corner's book needs of each part, as level variables and their sizes."""
        out = []
        for part, on_hand in enumerate(self.shop.on_hand):
            levels = sorted({int(n) for needs in ask.recipes for n in needs[:, part]} - {0})
            at = self.model.add([1.0] * len(levels), whole=True)
            holders = np.flatnonzero(self.shop.holds[self.order, part])
            for level, b in zip(levels, at, strict=True):
                for needs, q in zip(ask.recipes, takes, strict=True):
                    want = [x for x, n in zip(q, needs[:, part], strict=True) if n >= level]
                    if want and any(n == level for n in needs[:, part]):
                        self.model.row([b, *want], [1.0] + [-1.0] * len(want), low=0.0)
                if level > on_hand:
                    largest = int(self.shop.holds[:, part].max(initial=0))
                    fewest = -(-(level - int(on_hand)) // largest) if largest else 1
                    self.model.row(
                        [*(self.packs[i] for i in holders), b],
                        [1.0] * len(holders) + [-float(fewest)],
                        low=0.0,
                    )
            for below, above in pairwise(at):
                self.model.row([below, above], [1.0, -1.0], low=0.0)
            out.append((at, [float(n) for n in np.diff([0, *levels])]))
        return out

    def _boxed(self, part: int, used: list[tuple[list[int], list[float]]]) -> None:
        """What the books need of a part is in the box."""
        holds = [float(n) for n in self.shop.holds[self.order, part]]
        on_hand = float(self.shop.on_hand[part])
        groups = [used] if self.at_once else [[one] for one in used]
        for group in groups:
            at = [i for ones, _ in group for i in ones]
            size = [s for _, sizes in group for s in sizes]
            if sum(size) > on_hand:
                self.model.row([*at, *self.packs], size + [-h for h in holds], high=on_hand)

    @property
    def floor(self) -> float:
        """Loss with every setting that has a recipe made."""
        return sum(
            float(a.weight * (a.shares @ a.loss[:, _with_recipe(a)].min(axis=1)))
            for a in self.asks
            if _with_recipe(a)
        )

    def _losses(self, ask: Ask, made: list[int]) -> None:
        """Variables z, one for each set of settings of which none may be made."""
        can = _with_recipe(ask)
        steps: dict[tuple[int, ...], float] = {}
        for members, size in _steps(ask.loss[:, can], ask.shares * ask.weight):
            steps[members] = steps.get(members, 0.0) + size
        at = self.model.add([1.0] * len(steps), whole=False)
        for z, members in zip(at, steps, strict=True):
            self.model.row([z, *(made[can[k]] for k in members)], [1.0] * (len(members) + 1), low=1)
        self.steps.append(dict(zip(at, steps.values(), strict=True)))

    def plan(self, budget: int | None) -> Plan | None:
        """Least loss within a budget, then least price for that loss; None if nothing can."""
        spent = len(self.model.rows)
        try:
            if budget is not None:
                price = [float(p) for p in self.shop.price[self.order]]
                self.model.row(self.packs, price, high=float(budget))
            best = self._least(self.loss_cost * self.scale)
            if best is None:
                return None
            plan = self._read(best, best.gap)
            if self.gap == 0.0:
                at = [int(i) for i in np.flatnonzero(self.loss_cost)]
                factor = [float(self.loss_cost[i] * self.scale) for i in at]
                self.model.row(at, factor, high=plan.loss * self.scale + TIE)
                cheapest = self._least(self.price_cost, every=True)
                if cheapest is None:
                    raise _contradiction()
                most = plan.loss + self.tie * len(self.asks)
                plan = self._read(cheapest, best.gap)
                if plan.loss > most:
                    raise _contradiction()
        finally:
            del self.model.rows[spent:]
        if budget is not None and plan.price > budget:
            raise _contradiction()
        return plan

    def _least(self, cost: Array, *, every: bool = False) -> Solution | None:
        return self.model.least(cost, every=every, gap=self.gap, time_limit_s=self.time_limit_s)

    def _read(self, solution: Solution, gap: float) -> Plan:
        """The plan behind a solution, worked out again in whole numbers and checked."""
        books, recipe, choice, losses = [], [], [], []
        for ask, book in zip(self.asks, self.books, strict=True):
            bag = np.array([solution.x[at] @ np.array(size) for at, size in book])
            which = _fitting(ask, np.round(bag).astype(np.int64))
            # what no scenario picks need not be bought for
            picked = np.unique(_picks(ask, which))
            bag = np.max([ask.recipes[k][which[k]] for k in picked], axis=0)
            which = _fitting(ask, bag)
            books.append(bag)
            recipe.append(which)
            choice.append(_picks(ask, which))
            losses.append(float(ask.shares @ ask.loss[np.arange(len(ask.loss)), choice[-1]]))
        needed = np.sum(books, axis=0) if self.at_once else np.max(books, axis=0)
        packs = np.zeros(len(self.order), np.int64)
        packs[self.order] = solution.x[self.packs].astype(np.int64)
        if np.any(needed > self.shop.box(packs)):
            raise _contradiction()
        if self.gap > 0.0:
            packs = cheapest_packs(self.shop, needed, time_limit_s=self.time_limit_s).packs
        return Plan(
            packs=packs,
            price=self.shop.cost(packs),
            loss=float(sum(a.weight * x for a, x in zip(self.asks, losses, strict=True))),
            loss_by_corner=tuple(losses),
            recipe=tuple(recipe),
            choice=tuple(choice),
            gap=gap,
        )


def _nothing(budget: int | None) -> NothingCanBeMadeError:
    at = "" if budget is None else " at this budget"
    more = "" if budget is None else ", or raise the budget"
    return NothingCanBeMadeError(
        f"no setting can be made at every corner with what is on hand and on offer{at}",
        f"offer more thicknesses or packs, allow more shims{more}",
    )


def _contradiction() -> SolverStoppedError:
    return SolverStoppedError(
        "the solver's answer does not hold in whole numbers",
        "give prices and losses of a like size, or offer fewer sizes",
    )


def _steps(loss: Array, weight: Array) -> Iterator[tuple[tuple[int, ...], float]]:
    """Sets of settings, and what is lost on top where none of them is made."""
    order = np.argsort(loss, axis=1, kind="stable")
    ranked = np.take_along_axis(loss, order, axis=1)
    rise = np.diff(ranked, axis=1) * weight[:, None]
    for s, j in zip(*np.nonzero(rise > 0.0), strict=True):
        yield tuple(sorted(order[s, : j + 1].tolist())), float(rise[s, j])


def _with_recipe(ask: Ask) -> list[int]:
    return [k for k, needs in enumerate(ask.recipes) if len(needs)]


def _most_needed(ask: Ask, n_part: int) -> Whole:
    rows = [needs for needs in ask.recipes if len(needs)]
    return np.concatenate(rows).max(axis=0) if rows else np.zeros(n_part, np.int64)


def _fitting(ask: Ask, bag: Whole) -> Index:
    """For each setting the first recipe that a bag of parts makes, -1 where none."""
    fits = [np.flatnonzero(np.all(needs <= bag, axis=1)) for needs in ask.recipes]
    return np.array([f[0] if len(f) else -1 for f in fits], np.intp)


def _picks(ask: Ask, which: Index) -> Index:
    """The setting each scenario picks of those that can be made, the first at a tie."""
    if np.all(which < 0):
        raise _contradiction()
    return np.asarray(np.argmin(np.where(which >= 0, ask.loss, np.inf), axis=1))


def _fixed_order(shop: Shop) -> Index:
    """Packs by price and contents, so that the order of offers does not matter."""
    most = np.zeros(len(shop.price), np.int64) if shop.most is None else shop.most
    return np.lexsort((most, *shop.holds.T[::-1], shop.price))
