"""The kit's integer programs against published ones.

Cutting stock: Chvatal (1983), Linear Programming, p. 195, read; the linear bound and the
optimum recomputed with a general solver. Knapsack: a published instance of ten items,
read, its optimum recomputed.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from optimizer.kit.purchases import least_loss
from optimizer.kit.scenarios import Ask
from optimizer.kit.shop import Shop, cheapest_packs

STOCK, WIDTHS, DEMAND = 100, (45, 36, 31, 14), (97, 610, 395, 211)

CAPACITY = 165
WEIGHTS = (23, 31, 29, 44, 53, 38, 63, 85, 89, 82)
VALUES = (92, 57, 49, 68, 60, 43, 67, 84, 87, 72)


def test_cutting_stock_patterns_are_packs() -> None:
    counts = product(*(range(STOCK // w + 1) for w in WIDTHS))
    patterns = np.array([c for c in counts if 0 < np.dot(c, WIDTHS) <= STOCK])
    assert len(patterns) == 37
    shop = Shop(
        holds=patterns, price=np.ones(37, np.int64), on_hand=np.zeros(len(WIDTHS), np.int64)
    )
    best = cheapest_packs(shop, np.array(DEMAND))
    assert best.bound == pytest.approx(452.25, abs=1e-9)
    assert best.price == 453
    assert np.sum(best.packs) == 453
    assert np.all(best.packs @ patterns >= DEMAND)


def test_knapsack_items_are_packs() -> None:
    """Each item is a pack of one; a corner of its own loses the item's value without it."""
    n = len(WEIGHTS)
    none = np.zeros((1, n), np.int64)
    asks = [
        Ask(loss=np.array([[0.0, float(v)]]), recipes=(np.eye(n, dtype=np.int64)[[i]], none))
        for i, v in enumerate(VALUES)
    ]
    shop = Shop(
        holds=np.eye(n, dtype=np.int64), price=np.array(WEIGHTS), on_hand=np.zeros(n, np.int64)
    )
    plan = least_loss(shop, asks, CAPACITY)
    assert sum(VALUES) - plan.loss == pytest.approx(309.0, abs=1e-9)
    assert (np.flatnonzero(plan.packs) + 1).tolist() == [1, 2, 3, 4, 6]
    assert plan.price == 165
    assert plan.gap == 0.0
