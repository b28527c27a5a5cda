"""What can be bought, and the cheapest packs for a demand of parts.

Parts are shims of one thickness (and of one bore, where corners take different bores); a
pack may hold several. Prices are whole numbers of the smallest coin, so that budgets are
exact. With n_p packs bought, h_pt parts in a pack and o_t on hand, the box holds

    box_t = o_t + sum_p h_pt n_p.

Cheapest packs for demands d_t: least sum_p price_p n_p with box_t >= d_t, n_p whole
(Gilmore and Gomory 1961 where packs are cutting patterns).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import CallError, NothingCanBeMadeError
from optimizer.kit.solver import Model
from optimizer.record import record

Index = NDArray[np.intp]
Whole = NDArray[np.int64]


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

    def enough(self, demand: Whole) -> Whole:
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
    shop: Shop, demand: Whole, *, gap: float = 0.0, node_limit: int | None = None
) -> Purchase:
    """Cheapest whole numbers of packs that meet a demand of parts.

    Parameters
    ----------
    shop : packs, prices and what is on hand
    demand : shape (n_part,)
    gap, node_limit : relative gap and nodes of its search for the solver

    Raises
    ------
    NothingCanBeMadeError
        If no number of packs meets the demand.
    SolverStoppedError
        If the solver stops early.
    """
    if demand.shape != shop.on_hand.shape:
        raise CallError("demand and parts differ in number", "give one demand a part")
    order = fixed_order(shop)
    model = Model()
    packs = model.add([float(n) for n in shop.enough(demand)[order]], whole=True)
    for part in range(len(demand)):
        factor = [float(n) for n in shop.holds[order, part]]
        model.row(packs, factor, low=float(demand[part] - shop.on_hand[part]))
    price = shop.price[order].astype(float)
    enough = shop.enough(demand)[order]
    best = model.least(price + fewest_first(enough), gap=gap, node_limit=node_limit)
    if best is None:
        raise NothingCanBeMadeError(
            "no number of packs on offer meets the demand",
            "offer a pack of every thickness needed, or lift the limit on packs",
        )
    linear = model.least(price, whole=False, node_limit=node_limit)
    bought = np.zeros(len(order), np.int64)
    bought[order] = best.x.astype(np.int64)
    return Purchase(
        packs=bought,
        price=shop.cost(bought),
        bound=float(shop.cost(bought)) if linear is None else linear.value,
        gap=best.gap,
    )


def fewest_first(enough: Whole) -> float:
    """What a pack costs besides, so that of equal prices the fewest packs are taken.

    All of them together cost less than half a coin.
    """
    return 0.5 / (1.0 + float(np.sum(enough)))


def fixed_order(shop: Shop) -> Index:
    """Packs by price and contents, so that the order of offers does not matter."""
    most = np.zeros(len(shop.price), np.int64) if shop.most is None else shop.most
    return np.lexsort((most, *shop.holds.T[::-1], shop.price))
