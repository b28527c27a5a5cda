"""From what may be asked for and what can be had to kits: their price, loss and recipes.

The program sees heights on a grid and some recipes of each. What it proposes to buy is then
looked at as it is: every height that the box makes, at its own loss.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.stacks import GRAIN_MM, Split, in_grains, most_in, possible_splits
from optimizer.errors import CallError, NothingCanBeMadeError
from optimizer.kit.asked import SEED, Asked, Costs, curve_costs_deg
from optimizer.kit.parts import Catalogue, catalogue
from optimizer.kit.purchases import frontier, least_loss, least_price
from optimizer.kit.recipes import most_on_a_side, recipes
from optimizer.kit.scenarios import Ask, Plan
from optimizer.kit.shop import Shop, cheapest_packs
from optimizer.kit.terms import (
    FINE_STEP_MM,
    STEP_MM,
    Height,
    Kit,
    Made,
    Replay,
    Terms,
    Wheel,
    step_of,
)
from optimizer.record import record
from optimizer.records import Offer

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

# of one wheel, and of several
MOST_RECIPES, FEW_RECIPES = 32, 8
# most sizes in one recipe of one wheel, up to so many sizes to be had
MOST_SIZES = ((6, 9), (5, 12), (4, 10**6))
FEW_SIZES = 4
MOST_PRICES, FEW_PRICES = 24, 16
GAP = 0.005
MOST_NODES = 300
# of a size that a kit lacks, more than any wheel stacks
PLENTY = 12
# a box that no stack can be made of, since an empty one means the shims on the car
NOTHING_MM = (1e6,)
# a recipe further off a height of the grid is not one of it
MOST_OFF_MM = 0.06
TIE_DEG = 1e-9


@record
class _Posed:
    """Parts, and for each wheel its losses and recipes as the program takes them."""

    parts: Catalogue
    asks: tuple[Ask, ...]


class Planner:
    """Wheels, what each may be asked for, and what can be bought.

    Parameters
    ----------
    wheels : all that must stand at once
    offers : packs to be had
    terms : see :class:`Terms`

    Raises
    ------
    CallError
        If the shims on the cars are not among those on hand.
    NothingCanBeMadeError
        If a wheel's hardware leaves no setting, or is not for this tool.
    """

    def __init__(
        self, wheels: Sequence[Wheel], offers: Sequence[Offer], terms: Terms | None = None
    ) -> None:
        self.wheels = tuple(wheels)
        self.terms = terms or Terms()
        self.on_hand = self._on_hand()
        self.catalogue: Catalogue = catalogue(offers, self.on_hand)
        near = FINE_STEP_MM if self._alone else STEP_MM
        self.step_mm = self.terms.step_mm or step_of([s for s, _ in self.catalogue.parts], near)
        self.costs = tuple(Costs(w.table, self.terms.n_draw) for w in self.wheels)
        self.asked: tuple[Asked, ...] = tuple(
            c.asked(self.step_mm, self._heights_on_hand(w))
            for c, w in zip(self.costs, self.wheels, strict=True)
        )
        self._own = self._posed(self.catalogue)

    @property
    def worthwhile_deg(self) -> float:
        """Least toe change that is worth a run, of all wheels."""
        return min(w.table.goal.worthwhile_deg for w in self.wheels)

    @property
    def posed(self) -> tuple[Ask, ...]:
        """Each wheel's losses and recipes as the program takes them."""
        return self._own.asks

    @property
    def gap(self) -> float:
        """Relative gap that the solver may leave: none for one wheel."""
        return 0.0 if self._alone else GAP

    @property
    def _alone(self) -> bool:
        return len(self.wheels) == 1

    @property
    def _nodes(self) -> int | None:
        """Nodes of each program's search, after which what it has found is taken."""
        return None if self._alone else MOST_NODES

    def frontier(self) -> tuple[Kit, ...]:
        """Kits from the cheapest to the one that loses least, each better than all cheaper.

        Some two dozen prices are looked at for one wheel, some sixteen for several.

        Raises
        ------
        NothingCanBeMadeError
            If no purchase lets every wheel make a setting.
        SolverStoppedError
            If the solver stops early.
        """
        plans = frontier(
            self.catalogue.shop,
            self._own.asks,
            spares=self.terms.spares,
            most=MOST_PRICES if self._alone else FEW_PRICES,
            gap=self.gap,
            node_limit=self._nodes,
        )
        return falling(self.kit(plan) for plan in plans)

    def within(self, budget: Decimal) -> Kit:
        """The kit that loses least for a budget.

        Raises
        ------
        NothingCanBeMadeError
            If the budget does not let every wheel make a setting: says what would.
        """
        coins = self.catalogue.coins(budget)
        if coins >= 0:
            try:
                return self.kit(self._least_loss(coins))
            except NothingCanBeMadeError:
                pass
        least = self.kit(self._least_price(float("inf")))
        raise NothingCanBeMadeError(
            f"a budget of {budget} is too small: no kit under {least.price} makes a setting "
            "at every wheel",
            f"raise the budget to {least.price}, ask for fewer spares, or plan fewer wheels",
        )

    def losing_at_most(self, loss_deg: float, front: Sequence[Kit]) -> Kit:
        """The cheapest kit that loses no more than this on average, of a frontier or between.

        Raises
        ------
        NothingCanBeMadeError
            If no kit loses so little: says what the best one loses.
        """
        every = list(front)
        with contextlib.suppress(NothingCanBeMadeError):
            every.append(self.kit(self._least_price(loss_deg)))
        found = [kit for kit in every if kit.loss_deg <= loss_deg + TIE_DEG]
        if found:
            return min(found, key=lambda kit: (kit.price, kit.loss_deg))
        best = min(every, key=lambda kit: kit.loss_deg)
        raise NothingCanBeMadeError(
            f"no kit of what is on offer loses {loss_deg:.3g} deg or less: the best loses "
            f"{best.loss_deg:.3g}, for {best.price}",
            "ask for a loss above that, or put more thicknesses on offer",
        )

    def as_it_is(self) -> Kit | None:
        """What is on hand, with nothing bought and no spares; None if it makes nothing."""
        return self._of_box(self._own, self.catalogue.shop.on_hand)

    def only(self, box_mm: Sequence[float]) -> tuple[Kit | None, Decimal | None]:
        """What a box of these shims alone would lose, and what it costs to have it.

        Both are None where nothing can be made of it, or the shims that are lacking are
        not on offer. Boxes hold shims of one bore.
        """
        bore = self.wheels[0].bore
        box = catalogue((), {bore: tuple(box_mm)})
        kit = self._of_box(self._posed(box), box.shop.on_hand)
        try:
            demand = self.catalogue.box(box_mm, bore)
            return kit, self.catalogue.money(cheapest_packs(self.catalogue.shop, demand).price)
        except (CallError, NothingCanBeMadeError):
            return kit, None

    def unspared(self, kit: Kit) -> Kit:
        """A kit with no spare kept back."""
        found = self._of_box(self._own, self.catalogue.shop.box(kit.packs))
        return kit if found is None else found

    def with_packs(self, kit: Kit, offer: int, n: int = 1) -> Kit | None:
        """A kit with some packs more of an offer, no spare kept back."""
        packs = kit.packs.copy()
        packs[offer] += n
        shop = self.catalogue.shop
        found = self._of_box(self._own, shop.box(packs))
        price = self.catalogue.money(shop.cost(packs))
        return None if found is None else replace(found, packs=packs, price=price)

    def with_size(self, kit: Kit, size_mm: float) -> Kit | None:
        """A kit with plenty of one size more, at no price, no spare kept back."""
        plenty = (size_mm,) * (PLENTY * sum(w.copies for w in self.wheels))
        more = catalogue(self.catalogue.offers, self.on_hand, (size_mm,))
        box = more.shop.box(kit.packs)
        for bore in {w.bore for w in self.wheels}:
            box = box + more.box(plenty, bore)
        return self._of_box(self._posed(more), box)

    def heights(self, kit: Kit) -> tuple[tuple[Height, ...], ...]:
        """For each wheel the heights that a kit makes, and those asked for that it does not.

        A height of the grid is out of reach where none that is made lies within the
        tolerance of it.
        """
        out = []
        for costs, asked, made in zip(self.costs, self.asked, kit.made, strict=True):
            have = made.height_mm
            far = np.abs(asked.height_mm[:, None] - have[None, :]).min(axis=1)
            lacking = np.flatnonzero(far > self.terms.within_mm + GRAIN_MM)
            every = [(float(h), float(made.loss_deg[:, k].mean()), made.splits[k])
                     for k, h in enumerate(have)]  # fmt: skip
            rows: list[tuple[float, float, Split | None]] = [*every]
            rows += [
                (float(asked.height_mm[k]), float(asked.loss_deg[:, k].mean()), None)
                for k in lacking
            ]
            rows.sort(key=lambda row: row[0])
            near = np.abs(costs.best_height_mm[:, None] - np.array([r[0] for r in rows])[None, :])
            # halfway between two of them, the lower one counts, whatever the last digit says
            least = near.min(axis=1, keepdims=True)
            closest = (near <= least + GRAIN_MM).argmax(axis=1)
            share = np.bincount(closest, minlength=len(rows)) / len(near)
            out.append(
                tuple(
                    Height(height_mm=h, share=float(n), loss_deg=loss, split=split)
                    for (h, loss, split), n in zip(rows, share, strict=True)
                )
            )
        return tuple(out)

    def near_share(self, kit: Kit, within_mm: float) -> tuple[float, ...]:
        """For each wheel the share of draws whose best height is made so nearly."""
        return tuple(
            float(
                np.mean(
                    np.abs(c.best_height_mm[:, None] - m.height_mm[None, :]).min(axis=1)
                    <= within_mm + GRAIN_MM
                )
            )
            for c, m in zip(self.costs, kit.made, strict=True)
        )

    def replay(self, kit: Kit, draw: int) -> tuple[Replay, ...]:
        """What one draw asks of each wheel and what a kit makes of it, reckoned once more.

        The costs come from the draw's own toe curves, not from what the solver was given.

        Raises
        ------
        CallError
            If there is no such draw; they count from 1.
        """
        if not 1 <= draw <= self.terms.n_draw:
            raise CallError(f"there is no draw {draw}", f"name one from 1 to {self.terms.n_draw}")
        out = []
        for wheel, costs, made in zip(self.wheels, self.costs, kit.made, strict=True):
            at = int(made.choice[draw - 1])
            ends = [
                (float(costs.best_height_mm[draw - 1]), float(costs.best_length_mm[draw - 1])),
                (float(made.height_mm[at]), float(made.length_change_mm[draw - 1, at])),
            ]
            height, change = np.array(ends).T
            one = wheel.table.surface.draws(self.terms.n_draw, seed=SEED)[draw - 1 : draw]
            wanted, got = curve_costs_deg(wheel.table, one, height, change)[0]
            if got < wanted:  # between the heights at which the best was sought
                ends[0], wanted = ends[1], got
            out.append(
                Replay(
                    wanted_mm=ends[0],
                    wanted_deg=float(wanted),
                    made_mm=ends[1],
                    made_deg=float(got),
                    split=made.splits[at],
                )
            )
        return tuple(out)

    def kit(self, plan: Plan) -> Kit:
        """What a solver's plan buys, looked at as it is."""
        box = self.catalogue.shop.box(plan.packs)
        made = self._made(self.catalogue, box, plan.bags, self.terms.spares)
        price = self.catalogue.money(plan.price)
        return self._kit(plan.packs, price, plan.gap, made)

    def _kit(self, packs: Whole, price: Decimal, gap: float, made: tuple[Made, ...]) -> Kit:
        lost = [m.lost_deg for m in made]
        copies = np.array([w.copies for w in self.wheels], float)
        weight = np.repeat(copies / copies.sum(), [len(x) for x in lost])
        weight = weight / np.repeat([len(x) for x in lost], [len(x) for x in lost])
        every = np.concatenate(lost)
        order = np.argsort(every, kind="stable")
        at = int(np.searchsorted(np.cumsum(weight[order]), 0.9 - 1e-9))
        fine = [x <= w.table.goal.worthwhile_deg for w, x in zip(self.wheels, lost, strict=True)]
        return Kit(
            packs=packs,
            price=price,
            loss_deg=float(weight @ every),
            high_deg=float(every[order[at]]),
            by_wheel_deg=tuple(float(x.mean()) for x in lost),
            share_fine=float(weight @ np.concatenate(fine)),
            gap=gap,
            made=made,
        )

    def _made(
        self, parts: Catalogue, box: Whole, bags: Sequence[Whole], spares: int
    ) -> tuple[Made, ...]:
        """Every height that each wheel's part of the box makes.

        What no bag holds goes to the wheels in turn, as far as they use it, so
        that all their heights can still be stacked at once.
        """
        free = np.maximum(box - spares, 0) - np.sum(bags, axis=0)
        out = []
        for wheel, costs, bag in zip(self.wheels, self.costs, bags, strict=True):
            splits = self._stackable(wheel, parts, bag + np.maximum(free, 0))
            height, loss, length = costs.losses([s.height_mm for s in splits])
            place = {round(s.height_mm, 6): s for s in splits}
            kept = tuple(place[round(float(h), 6)] for h in height)
            made = Made(
                splits=kept,
                loss_deg=loss,
                length_change_mm=length,
                choice=np.asarray(np.argmin(loss, axis=1)),
            )
            out.append(made)
            taken = (parts.needs(kept, wheel.bore) * wheel.copies).max(axis=0)
            free = free - np.maximum(taken - bag, 0)
        return tuple(out)

    def _stackable(self, wheel: Wheel, parts: Catalogue, bag: Whole) -> tuple[Split, ...]:
        """Splits from a bag, as many alike as the wheel has copies, near enough in height."""
        evidence = wheel.table.evidence
        # no stack takes more of one size than it may hold shims, however large a pack is
        enough = most_in(evidence.corner.stack, wheel.on_car_mm)
        shims = [
            thick
            for (_, bore), thick, n in zip(parts.parts, parts.thick_mm, bag.tolist(), strict=True)
            if bore == wheel.bore
            for _ in range(min(n // wheel.copies, enough))
        ]
        stack = replace(evidence.corner.stack, box_mm=tuple(shims))
        if not shims:
            return ()
        splits = possible_splits(stack, evidence.now, evidence.reference)
        own = Counter(in_grains(self._box_of(wheel)))
        turned = stack.face == "arm-above"
        most = most_on_a_side(self.terms.within_mm, self.terms.shim_tolerance_mm)

        def holds(split: Split) -> bool:
            key = split.above_mm if turned else split.below_mm
            if len(key) <= most:
                return True
            return not Counter(in_grains((*split.above_mm, *split.below_mm))) - own

        return tuple(s for s in splits if holds(s))

    def _on_hand(self) -> Mapping[int | None, tuple[float, ...]]:
        out: dict[int | None, tuple[float, ...]] = {}
        for wheel in self.wheels:
            out[wheel.bore] = (*out.get(wheel.bore, ()), *wheel.on_hand_mm)
        stated = self.terms.on_hand_mm
        if stated is None:
            return out
        if len(out) > 1:
            raise CallError(
                "the shims on hand are of several bores, and only one list was given",
                "list each corner's own under `shims` in car.toml",
            )
        left = in_grains(stated)
        for wheel in self.wheels:
            on_car = wheel.on_car_mm * wheel.copies
            for shim, thick in zip(in_grains(on_car), on_car, strict=True):
                if shim not in left:
                    raise CallError(
                        f"the shims on hand lack one of {thick:g} mm that stands on {wheel.label}",
                        "list every shim there is, those on the car included",
                    )
                left.remove(shim)
        return dict.fromkeys(out, tuple(stated))

    def _heights_on_hand(self, wheel: Wheel) -> list[float]:
        evidence = wheel.table.evidence
        stack = replace(evidence.corner.stack, box_mm=self._box_of(wheel))
        try:
            found = possible_splits(stack, evidence.now, evidence.reference)
        except NothingCanBeMadeError:
            return []
        return [s.height_mm for s in found]

    def _box_of(self, wheel: Wheel) -> tuple[float, ...]:
        stated = self.terms.on_hand_mm
        own = wheel.table.evidence.corner.stack.box_mm or wheel.on_car_mm
        return own if stated is None else stated

    def _posed(self, parts: Catalogue) -> _Posed:
        """Losses and recipes of every wheel from these parts."""
        total = sum(w.copies for w in self.wheels)
        asks = []
        for wheel, asked in zip(self.wheels, self.asked, strict=True):
            evidence = wheel.table.evidence
            own = tuple(s for s in self._box_of(wheel) if self._is_part(parts, s, wheel.bore))
            found = recipes(
                parts.sizes_mm(wheel.bore),
                asked.height_mm.tolist(),
                replace(evidence.corner.stack, box_mm=own or NOTHING_MM),
                evidence.now,
                evidence.reference,
                off_mm=min(MOST_OFF_MM, self.step_mm / 2.0),
                within_mm=self.terms.within_mm,
                shim_tolerance_mm=self.terms.shim_tolerance_mm,
                most_sizes=self._most_sizes(len(parts.sizes_mm(wheel.bore))),
                most_recipes=MOST_RECIPES if self._alone else FEW_RECIPES,
                stock=parts.stock(wheel.bore, wheel.copies),
            )
            asks.append(
                Ask(
                    loss=asked.loss_deg,
                    recipes=tuple(
                        parts.needs(one.splits, wheel.bore) * wheel.copies for one in found
                    ),
                    weight=wheel.copies / total,
                )
            )
        return _Posed(parts=parts, asks=tuple(asks))

    @staticmethod
    def _is_part(parts: Catalogue, size_mm: float, bore: int | None) -> bool:
        return (in_grains([size_mm])[0], bore) in parts.parts

    def _most_sizes(self, n_size: int) -> int:
        """Most sizes in one recipe: fewer where many are to be had, for time."""
        if not self._alone:
            return FEW_SIZES
        return next(most for most, n in MOST_SIZES if n_size <= n)

    def _least_loss(self, coins: int | None) -> Plan:
        return least_loss(
            self.catalogue.shop,
            self._own.asks,
            coins,
            spares=self.terms.spares,
            gap=self.gap,
            node_limit=self._nodes,
        )

    def _least_price(self, loss_deg: float) -> Plan:
        return least_price(
            self.catalogue.shop,
            self._own.asks,
            loss_deg,
            spares=self.terms.spares,
            gap=self.gap,
            node_limit=self._nodes,
        )

    def _of_box(self, posed: _Posed, box: Whole) -> Kit | None:
        """What a box makes, nothing bought; None where some wheel can make nothing."""
        none = np.zeros(len(self.catalogue.offers), np.int64)
        if self._alone:
            try:
                made = self._made(posed.parts, box, (box,), 0)
            except NothingCanBeMadeError:
                return None
            return self._kit(none, Decimal(0), 0.0, made) if made[0].splits else None
        shop = Shop(
            holds=np.zeros((0, len(posed.parts.parts)), np.int64),
            price=np.zeros(0, np.int64),
            on_hand=box,
        )
        try:
            plan = least_loss(shop, posed.asks, gap=self.gap, node_limit=self._nodes)
        except NothingCanBeMadeError:
            return None
        made = self._made(posed.parts, box, plan.bags, 0)
        return self._kit(none, Decimal(0), plan.gap, made)


def falling(kits: Iterable[Kit]) -> tuple[Kit, ...]:
    """Kits by price, each losing less than all cheaper ones."""
    out: list[Kit] = []
    for kit in sorted(kits, key=lambda k: (k.price, k.loss_deg)):
        if not out or kit.loss_deg < out[-1].loss_deg - TIE_DEG:
            out.append(kit)
    return tuple(out)
