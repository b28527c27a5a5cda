"""Which purchase: the one that loses least for a price, the cheapest for a loss, the frontier.

The program is that of :mod:`optimizer.kit.program`.

**Frontier**: from the least loss at any price, the budget goes one coin below the last
price until nothing can be made; each point is the cheapest of its loss. Where all prices are
multiples of one that is no less than the step, the next budget down leaves no price out, and
the second program is needed at the dearest point alone: a point that the next one matches in
loss gives way to it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.errors import CallError, NothingCanBeMadeError
from optimizer.kit.program import Program
from optimizer.kit.scenarios import Ask, Plan
from optimizer.kit.shop import Shop


def least_loss(
    shop: Shop,
    asks: Sequence[Ask],
    budget: int | None = None,
    *,
    spares: int = 0,
    gap: float = 0.0,
    node_limit: int | None = None,
) -> Plan:
    """The purchase within a budget that loses least, and the cheapest of those.

    Parameters
    ----------
    shop, asks : what can be bought, and each corner's losses and recipes
    budget : in the smallest coin; None for as much as it takes
    spares : of each part in use, to be left in the box
    gap, node_limit : relative gap on the loss, and nodes of each program's search

    Raises
    ------
    NothingCanBeMadeError
        If the budget does not let every corner make at least one setting.
    SolverStoppedError
        If the solver stops early.
    """
    program = Program(shop, asks, spares=spares, gap=gap, node_limit=node_limit)
    plan = program.plan(budget)
    if plan is None:
        raise _nothing(budget)
    return plan


def least_price(
    shop: Shop,
    asks: Sequence[Ask],
    loss: float,
    *,
    spares: int = 0,
    gap: float = 0.0,
    node_limit: int | None = None,
) -> Plan:
    """The cheapest purchase that loses no more than ``loss``; infinite for any that will do.

    The other parameters are those of :func:`least_loss`, the gap being one on the price.

    Raises
    ------
    NothingCanBeMadeError
        If no purchase loses so little.
    SolverStoppedError
        If the solver stops early.
    """
    program = Program(shop, asks, spares=spares, gap=gap, node_limit=node_limit)
    plan = program.plan_for_loss(loss)
    if plan is None:
        raise _nothing(None)
    return plan


def frontier(
    shop: Shop,
    asks: Sequence[Ask],
    *,
    spares: int = 0,
    step: int = 1,
    most: int | None = None,
    gap: float = 0.0,
    node_limit: int | None = None,
) -> tuple[Plan, ...]:
    """The whole price-loss frontier: each purchase loses less than all cheaper ones.

    Price rises and loss falls strictly from one to the next. With ``step`` 1 and no gap the
    frontier is whole; a larger step leaves out points less than that below the one before
    in price, but for the cheapest of all. ``most`` widens the step to about so many points.
    With a gap the dearest is the cheapest that loses as little as any to that gap.

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
    program = Program(shop, asks, spares=spares, gap=gap, node_limit=node_limit)
    plan = program.plan(None)
    cheapest = program.plan_for_loss(np.inf)
    if plan is None or cheapest is None:
        raise _nothing(None)
    if gap > 0.0:
        plan = program.plan_for_loss(plan.loss * (1.0 + gap)) or plan
    if most is not None:
        step = max(step, -(-(plan.price - cheapest.price) // most))
    priced = gap == 0.0 and step > np.gcd.reduce(shop.price)
    found: list[Plan] = []
    while plan is not None:
        # a cheaper point that loses no more takes the place of the one before
        while found and found[-1].loss >= plan.loss - program.tie:
            found.pop()
        found.append(plan)
        left = plan.price - cheapest.price
        budget = plan.price - min(step, left)
        plan = program.plan(budget, priced=priced) if left > 0 else None
    return tuple(reversed(found))


def _nothing(budget: int | None) -> NothingCanBeMadeError:
    at = "" if budget is None else " at this budget"
    more = "" if budget is None else ", or raise the budget"
    return NothingCanBeMadeError(
        f"no setting can be made at every corner with what is on hand and on offer{at}",
        f"offer more thicknesses or packs, allow more shims{more}",
    )
