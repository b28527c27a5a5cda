"""How long a kit takes to plan, as draws, sizes and corners grow.

Run ``python tests/bench/kits.py`` (a quarter of an hour); ``--quick`` looks at one row. Each
case is a car of invented corners from :mod:`corners`, as the command poses it: half of them
measured once, half twice, each with what stands on it and up to two shims more, packs of 1, 5
and 10 on offer at prices that are invented too. ``plan`` is the time to fit the corners and
list their recipes; a case is then solved at a quarter, half and three quarters of the way to
the cheapest kit that loses as little as any, to a gap of 1 %. Case i comes from seed 71 + i.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from corners import bench_corners
from goals import NAME, book_of, with_run

from optimizer.advise.evidence import corner_evidence
from optimizer.advise.table import Table
from optimizer.kit.plan import Planner
from optimizer.kit.purchases import least_loss, least_price
from optimizer.kit.terms import Terms, Wheel
from optimizer.records import Goal, Offer, Run

SEED = 71
SIZES = (0.25, 0.5, 1.0, 2.0, 0.1, 0.2, 1.5, 3.0, 0.3, 0.15, 1.2, 0.75, 1.1, 1.3, 2.5, 1.25)
GAP = 0.01
SHARES = (0.25, 0.5, 0.75)
ON_CAR = (3.0, 2.0, 1.0)
SECOND = (2.0, -3.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """Seconds to plan, of each budget, and of all prices; the widest gap."""

    plan: float
    budgets: tuple[float, ...]
    gap: float
    prices: float | None = None


def planner_of(case: int, n_size: int, n_corner: int, n_draw: int) -> Planner:
    """The planner of an invented car."""
    rng = np.random.default_rng(SEED + case)
    wheels = []
    for number, corner in enumerate(bench_corners(rng, max(2, n_corner))[:n_corner]):
        book = book_of(rng, corner, Goal())
        if number % 2:
            raised = Run(
                name="up", corner=NAME, above_mm=(1.0,), below_mm=(3.0, 2.0),
                length_change_mm=SECOND[1],
            )  # fmt: skip
            book = with_run(rng, book, corner, raised, SECOND[0])
        more = tuple(float(s) for s in rng.choice((0.25, 0.5, 1.0, 2.0), int(rng.integers(0, 3))))
        own = book.corners[NAME]
        stack = replace(own.stack, box_mm=(*ON_CAR, *more))
        book = replace(book, corners={NAME: replace(own, stack=stack)})
        evidence = corner_evidence(book, NAME)
        table = Table(evidence, evidence.corner.goal)
        wheels.append(Wheel(label=f"{number}", table=table))
    offers = []
    for size in sorted(SIZES[:n_size]):
        each = 0.4 + 0.25 * size + float(rng.uniform(-0.15, 0.15))
        for pack in (1, 5, 10):
            price = Decimal(max(1, round(100 * each * pack**0.8))).scaleb(-2)
            offers.append(Offer(thickness_mm=size, price=price, pack=pack))
    return Planner(wheels, offers, Terms(n_draw=n_draw))


def timing(case: int, n_size: int, n_corner: int, n_draw: int, *, prices: bool) -> Timing:
    """How long one case takes."""
    start = time.perf_counter()
    planner = planner_of(case, n_size, n_corner, n_draw)
    planned = time.perf_counter() - start
    shop, asks = planner.catalogue.shop, planner.posed
    best = least_loss(shop, asks, gap=GAP)
    dear = least_price(shop, asks, best.loss * (1.0 + GAP)).price
    took, gaps = [], []
    for share in SHARES:
        start = time.perf_counter()
        plan = least_loss(shop, asks, round(share * dear), gap=GAP)
        took.append(time.perf_counter() - start)
        gaps.append(plan.gap)
    start = time.perf_counter()
    if prices:
        planner.frontier()
    whole = time.perf_counter() - start if prices else None
    return Timing(plan=planned, budgets=tuple(took), gap=max(gaps), prices=whole)


def row(n_size: int, n_corner: int, n_draw: int, n_case: int) -> str:
    """One row of the table."""
    found = [timing(i, n_size, n_corner, n_draw, prices=i < 3) for i in range(n_case)]
    every = [s for f in found for s in f.budgets]
    whole = [f.prices for f in found if f.prices is not None]
    return (
        f"{n_size:5d} {n_corner:7d} {n_draw:5d}   {statistics.median(f.plan for f in found):5.2f}"
        f"   {statistics.median(every):6.2f} {max(every):6.2f}   "
        f"{sum(s > 5.0 for s in every):2d} of {len(every)}   "
        f"{100 * max(f.gap for f in found):5.2f}   {statistics.median(whole):6.1f}"
    )


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="12 sizes, 4 corners, 200 draws only")
    parser.add_argument("--cases", type=int, default=6)
    args = parser.parse_args()
    print("sizes corners draws    plan   median  worst   over 5 s   gap %   all prices   (seconds)")
    rows = [(12, 4, 200)]
    if not args.quick:
        rows += [(12, 1, 200), (12, 2, 200), (4, 4, 200), (8, 4, 200), (16, 4, 200)]
        rows += [(12, 4, 50), (12, 4, 800)]
    for one in rows:
        print(row(*one, args.cases), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
