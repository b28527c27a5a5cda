"""The kit as an integer program: least loss for a price, least price for a loss.

Parts, packs and the box are those of :mod:`optimizer.kit.shop`.

**Least loss** for a budget. In scenario s corner c picks, of the settings that it can make,
the one with the least loss l_csk. A setting is made by any of its recipes r, each a need
u_rt of parts; q_r says that a recipe is used, and y_k, the sum of q_r over the setting's
recipes, that the setting can be made: 0 or 1. Each corner has a bag of g_ct parts with
g_ct >= u_rt q_r. All corners stand at once and fill their bags from one box, with k spares
of each part that some bag holds,

    sum_c g_ct + k w_t <= box_t,    w_t = 1 where some g_ct > 0, else 0,

so that *every* combination of their settings can be stacked at once: draws are independent
from corner to corner, and any combination may be asked for. Corners with shims of different
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
whole, q, y, z and w may be left continuous. A level above what is on hand needs at least
ceil((level + k - o_t) / most parts in a pack) packs of those that hold the part. A recipe
that needs no less of any part than another of the same setting is left out.

One corner has the whole box to itself, so o_t - k of each part cost it nothing whatever else
is made. Needs up to that count as none; a setting that needs no more is made, every set N
that holds one drops out with its z, and so does a setting that is in no set left.

A second program then finds the least price at that loss; losses within a millionth of the
largest cost are the same. With a gap above zero it is left out, for it is the harder one:
the price is then the least that fills the bags found.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import CallError, SolverStoppedError
from optimizer.kit.scenarios import Ask, Plan, fitting, most_needed, sets_of, with_recipe
from optimizer.kit.shop import Shop, cheapest_packs, fewest_first, fixed_order
from optimizer.kit.solver import Model, Solution

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Whole = NDArray[np.int64]

# the largest cost in the solver's own terms: its absolute gap (1e-6) is nothing beside it,
# and a whole variable off by its tolerance (1e-6) moves the loss by a tie
COST_SCALE = 1e3
TIE = 1e-3


class Program:
    """The least-loss program of a shop and its corners, to be solved at several budgets."""

    def __init__(
        self,
        shop: Shop,
        asks: Sequence[Ask],
        *,
        spares: int,
        gap: float,
        node_limit: int | None,
    ) -> None:
        if not asks:
            raise CallError("no corner is asked for", "give at least one")
        if spares < 0:
            raise CallError("the spares are below zero", "give 0 or more")
        n_part = len(shop.on_hand)
        for ask in asks:
            for needs in ask.recipes:
                if needs.ndim != 2 or needs.shape[1] != n_part or np.any(needs < 0):
                    raise CallError("recipes and parts differ in number", "give a column a part")
        self.shop, self.asks, self.spares = shop, tuple(asks), spares
        self.gap, self.node_limit = gap, node_limit
        self.model = Model()
        self.order = fixed_order(shop)
        top = [most_needed(ask, n_part) for ask in asks]
        most = np.sum(top, axis=0)
        enough = shop.enough(most + spares * (most > 0))[self.order]
        self.packs = self.model.add([float(n) for n in enough], whole=True)
        self.one = self.model.add([1.0], whole=False)
        self.model.row(self.one, [1.0], low=1.0)
        self.free = self._free()
        self.books: list[list[tuple[list[int], list[float]]]] = []
        self.steps: list[dict[int, float]] = []
        largest = self.floor
        for ask in asks:
            lacking = [_lean(np.where(needs <= self.free, 0, needs)) for needs in ask.recipes]
            free = {k for k, needs in enumerate(lacking) if len(needs) and not needs[0].any()}
            every = sets_of(ask)
            steps = {n: size for n, size in every.items() if free.isdisjoint(n)}
            largest = max([largest, *every.values()])
            if free:  # a setting that is never better than one of those need not be made
                better = {k for members in steps for k in members}
                lacking = [n if k in better else n[:0] for k, n in enumerate(lacking)]
            made, takes = self._makeable(lacking)
            if not free:
                self.model.row(made, [1.0] * len(made), low=1.0)
            self.books.append(self._book(lacking, takes))
            self._losses(steps, made)
        for part in range(n_part):
            self._boxed(part, [corner[part] for corner in self.books])
        cost = np.zeros(len(self.model.upper))
        for rises in self.steps:
            for at, size in rises.items():
                cost[at] += size
        cost[self.one] = self.floor
        self.loss_cost = cost
        self.scale = COST_SCALE / (largest or 1.0)
        self.tie = TIE / self.scale
        self.price_cost = np.zeros(len(cost))
        self.price_cost[self.packs] = shop.price[self.order] + fewest_first(enough)

    def _makeable(self, recipes: Sequence[Whole]) -> tuple[list[int], tuple[list[int], ...]]:
        """Variables y of settings and q of recipes, tied together."""
        made = self.model.add([1.0] * len(recipes), whole=False)
        takes = []
        for y, needs in zip(made, recipes, strict=True):
            q = self.model.add([1.0] * len(needs), whole=False)
            self.model.row([y, *q], [1.0] + [-1.0] * len(q), low=0.0, high=0.0)
            takes.append(q)
        return made, tuple(takes)

    def _book(
        self, recipes: Sequence[Whole], takes: tuple[list[int], ...]
    ) -> list[tuple[list[int], list[float]]]:
        """What a corner's book needs of each part, as level variables and their sizes."""
        out = []
        for part, on_hand in enumerate(self.shop.on_hand):
            levels = sorted({int(n) for needs in recipes for n in needs[:, part]} - {0})
            at = self.model.add([1.0] * len(levels), whole=True)
            holders = np.flatnonzero(self.shop.holds[self.order, part])
            for level, b in zip(levels, at, strict=True):
                for needs, q in zip(recipes, takes, strict=True):
                    want = [x for x, n in zip(q, needs[:, part], strict=True) if n >= level]
                    if want and any(n == level for n in needs[:, part]):
                        self.model.row([b, *want], [1.0] + [-1.0] * len(want), low=0.0)
                lacking = level + self.spares - int(on_hand)
                if lacking > 0:
                    largest = int(self.shop.holds[:, part].max(initial=0))
                    fewest = -(-lacking // largest) if largest else 1
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
        """What the books need of a part is in the box, and its spares."""
        holds = [float(n) for n in self.shop.holds[self.order, part]]
        on_hand = float(self.shop.on_hand[part])
        at = [i for ones, _ in used for i in ones]
        size = [s for _, sizes in used for s in sizes]
        if self.spares and at:
            (kept,) = self.model.add([1.0], whole=False)
            for ones, _ in used:
                if ones:
                    self.model.row([kept, ones[0]], [1.0, -1.0], low=0.0)
            at, size = [*at, kept], [*size, float(self.spares)]
        if sum(size) > on_hand:
            self.model.row([*at, *self.packs], size + [-h for h in holds], high=on_hand)

    @property
    def floor(self) -> float:
        """Loss with every setting that has a recipe made."""
        return sum(
            float(a.weight * (a.shares @ a.loss[:, with_recipe(a)].min(axis=1)))
            for a in self.asks
            if with_recipe(a)
        )

    def _free(self) -> Whole:
        """Of each part what a bag may hold at no price, whatever is bought: one wheel's alone."""
        one = len(self.asks) == 1
        return np.maximum(self.shop.on_hand - self.spares, 0) * one

    def _losses(self, steps: dict[tuple[int, ...], float], made: list[int]) -> None:
        """Variables z, one for each set of settings of which none may be made."""
        at = self.model.add([1.0] * len(steps), whole=False)
        for z, members in zip(at, steps, strict=True):
            self.model.row([z, *(made[k] for k in members)], [1.0] * (len(members) + 1), low=1)
        self.steps.append(dict(zip(at, steps.values(), strict=True)))

    def plan(self, budget: int | None, *, priced: bool = True) -> Plan | None:
        """Least loss within a budget, ``priced`` the cheapest of those; None if nothing can."""
        spent = len(self.model.rows)
        try:
            if budget is not None:
                price = [float(p) for p in self.shop.price[self.order]]
                self.model.row(self.packs, price, high=float(budget))
            best = self._least(self.loss_cost * self.scale)
            if best is None:
                return None
            plan = self._read(best, best.gap)
            if self.gap == 0.0 and priced:
                self._lose_at_most(plan.loss)
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

    def plan_for_loss(self, loss: float) -> Plan | None:
        """Least price for a loss; None if no purchase loses so little."""
        spent = len(self.model.rows)
        try:
            self._lose_at_most(loss)
            cheapest = self._least(self.price_cost, every=True)
            return None if cheapest is None else self._read(cheapest, cheapest.gap)
        finally:
            del self.model.rows[spent:]

    def _lose_at_most(self, loss: float) -> None:
        at = [int(i) for i in np.flatnonzero(self.loss_cost)]
        factor = [float(self.loss_cost[i] * self.scale) for i in at]
        if np.isfinite(loss) and at:
            self.model.row(at, factor, high=loss * self.scale + TIE)

    def _least(self, cost: Array, *, every: bool = False) -> Solution | None:
        return self.model.least(cost, every=every, gap=self.gap, node_limit=self.node_limit)

    def _read(self, solution: Solution, gap: float) -> Plan:
        """The plan behind a solution, worked out again in whole numbers and checked."""
        books, recipe, choice, losses = [], [], [], []
        for ask, book in zip(self.asks, self.books, strict=True):
            bag = np.array([solution.x[at] @ np.array(size) for at, size in book])
            bag = np.maximum(np.round(bag).astype(np.int64), self.free)
            which = fitting(ask, bag)
            # what no scenario picks need not be bought for
            picked = np.unique(_picks(ask, which))
            bag = np.max([ask.recipes[k][which[k]] for k in picked], axis=0)
            which = fitting(ask, bag)
            books.append(bag)
            recipe.append(which)
            choice.append(_picks(ask, which))
            losses.append(float(ask.shares @ ask.loss[np.arange(len(ask.loss)), choice[-1]]))
        used = np.sum(books, axis=0)
        needed = used + self.spares * (used > 0)
        packs = np.zeros(len(self.order), np.int64)
        packs[self.order] = solution.x[self.packs].astype(np.int64)
        if np.any(needed > self.shop.box(packs)):
            raise _contradiction()
        packs = cheapest_packs(self.shop, needed).packs
        return Plan(
            packs=packs,
            price=self.shop.cost(packs),
            loss=float(sum(a.weight * x for a, x in zip(self.asks, losses, strict=True))),
            loss_by_corner=tuple(losses),
            recipe=tuple(recipe),
            choice=tuple(choice),
            bags=tuple(books),
            gap=gap,
        )


def _contradiction() -> SolverStoppedError:
    return SolverStoppedError(
        "the solver's answer does not hold in whole numbers",
        "give prices and losses of a like size, or offer fewer sizes",
    )


def _lean(needs: Whole) -> Whole:
    """Recipes less those that need no less of any part than another."""
    keep: list[int] = []
    for i in np.argsort(needs.sum(axis=1), kind="stable"):
        if not any(np.all(needs[j] <= needs[i]) for j in keep):
            keep.append(int(i))
    return needs[np.array(keep, np.intp)]


def _picks(ask: Ask, which: Index) -> Index:
    """The setting each scenario picks of those that can be made, the first at a tie."""
    if np.all(which < 0):
        raise _contradiction()
    return np.asarray(np.argmin(np.where(which >= 0, ask.loss, np.inf), axis=1))
