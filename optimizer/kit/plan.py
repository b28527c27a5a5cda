"""From what may be asked for and what can be had to kits: their price, loss and recipes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.stacks import GRAIN_PER_MM, Split, possible_splits
from optimizer.errors import CallError, NothingCanBeMadeError
from optimizer.kit.asked import SEED, Asked, asked_of, curve_costs_deg
from optimizer.kit.parts import Catalogue, catalogue, grains
from optimizer.kit.program import Ask, Plan, frontier, least_loss, least_price
from optimizer.kit.recipes import recipes
from optimizer.kit.shop import Shop, cheapest_packs
from optimizer.kit.terms import Height, Kit, Replay, Terms, Wheel, step_of
from optimizer.records import Offer, Stack

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

MOST_RECIPES = 8
N_POINT = 16
GAP = 0.005
TIME_LIMIT_S = 20.0
# of a size that a kit lacks, more than any wheel stacks
PLENTY = 12


class Planner:
    """Wheels, what each may be asked for, and what can be bought.

    Parameters
    ----------
    wheels : all that must stand at once
    offers : packs to be had
    terms : see :class:`Terms`
    boxes_mm : further boxes that will be looked at, so that their heights count

    Raises
    ------
    CallError
        If the shims on the cars are not among those on hand.
    NothingCanBeMadeError
        If a wheel's hardware leaves no setting.
    """

    def __init__(
        self,
        wheels: Sequence[Wheel],
        offers: Sequence[Offer],
        terms: Terms | None = None,
        boxes_mm: Sequence[tuple[float, ...]] = (),
    ) -> None:
        self.wheels = tuple(wheels)
        self.terms = terms or Terms()
        self.on_hand = self._on_hand()
        self.catalogue: Catalogue = catalogue(offers, self.on_hand)
        self.step_mm = self.terms.step_mm or step_of([s for s, _ in self.catalogue.parts])
        self.asked: tuple[Asked, ...] = tuple(self._asked(w, boxes_mm) for w in self.wheels)
        self._splits: list[tuple[tuple[Split, ...], ...]] = []
        self.asks = self._asks(self.catalogue)

    @property
    def worthwhile_deg(self) -> float:
        """Least toe change that is worth a run, of all wheels."""
        return min(w.table.goal.worthwhile_deg for w in self.wheels)

    def frontier(self) -> tuple[Kit, ...]:
        """Kits from the cheapest to the one that loses least, each better than all cheaper.

        About sixteen prices at most are looked at.

        Raises
        ------
        NothingCanBeMadeError
            If no purchase lets every wheel make a setting.
        SolverStoppedError
            If the solver stops early.
        """
        shop, spares = self.catalogue.shop, self.terms.spares
        plans = frontier(
            shop, self.asks, spares=spares, most=N_POINT, gap=self.gap, time_limit_s=self.limit_s
        )
        return tuple(self.kit(plan) for plan in plans)

    @property
    def gap(self) -> float:
        """Relative gap that the solver may leave: none for one wheel."""
        return 0.0 if len(self.wheels) == 1 else GAP

    @property
    def limit_s(self) -> float | None:
        """Seconds for each program, after which what it has found is taken with its gap."""
        return None if len(self.wheels) == 1 else TIME_LIMIT_S

    def within(self, budget: Decimal) -> Kit:
        """The kit that loses least for a budget.

        Raises
        ------
        NothingCanBeMadeError
            If the budget does not let every wheel make a setting: says what would.
        """
        shop, spares = self.catalogue.shop, self.terms.spares
        coins = self.catalogue.coins(budget)
        if coins >= 0:
            try:
                return self.kit(self._least_loss(coins))
            except NothingCanBeMadeError:
                pass
        loosest = float("inf")
        least = self.kit(least_price(shop, self.asks, loosest, spares=spares))
        raise NothingCanBeMadeError(
            f"a budget of {budget} is too small: no kit under {least.price} makes a setting "
            "at every wheel",
            f"raise the budget to {least.price}, ask for fewer spares, or plan fewer wheels",
        )

    def losing_at_most(self, loss_deg: float) -> Kit:
        """The cheapest kit that loses no more than this on average.

        Raises
        ------
        NothingCanBeMadeError
            If no kit loses so little: says what the best one loses.
        """
        shop, spares = self.catalogue.shop, self.terms.spares
        try:
            plan = least_price(
                shop, self.asks, loss_deg, spares=spares, gap=self.gap, time_limit_s=self.limit_s
            )
        except NothingCanBeMadeError:
            best = self.kit(self._least_loss(None))
            raise NothingCanBeMadeError(
                f"no kit of what is on offer loses {loss_deg:.3g} deg or less: the best loses "
                f"{best.loss_deg:.3g}, for {best.price}",
                "ask for a loss above that, or put more thicknesses on offer",
            ) from None
        return self.kit(plan)

    def as_it_is(self) -> Kit | None:
        """What is on hand, with nothing bought and no spares; None if it makes nothing."""
        return self._of_box(self.catalogue, self.catalogue.shop.on_hand, self.asks)

    def only(self, box_mm: Sequence[float]) -> tuple[Kit | None, Decimal | None]:
        """What a box of these shims alone would lose, and what it costs to have it.

        Both are None where nothing can be made of it, or the shims that are lacking are
        not on offer. Boxes hold shims of one bore.
        """
        bore = self.wheels[0].bore
        box = catalogue((), {bore: tuple(box_mm)})
        kit = self._of_box(box, box.shop.on_hand, self._asks(box, tuple(box_mm)))
        try:
            demand = self.catalogue.box(box_mm, bore)
            return kit, self.catalogue.money(cheapest_packs(self.catalogue.shop, demand).price)
        except (CallError, NothingCanBeMadeError):
            return kit, None

    def loss_of(self, kit: Kit) -> float:
        """What a kit's box loses with no spare kept back, degrees."""
        found = self._of_box(self.catalogue, self.catalogue.shop.box(kit.packs), self.asks)
        return kit.loss_deg if found is None else found.loss_deg

    def with_pack(self, kit: Kit, offer: int) -> Kit | None:
        """A kit with one pack more of an offer."""
        packs = kit.packs.copy()
        packs[offer] += 1
        shop = self.catalogue.shop
        found = self._of_box(self.catalogue, shop.box(packs), self.asks)
        price = self.catalogue.money(shop.cost(packs))
        return None if found is None else replace(found, packs=packs, price=price)

    def with_size(self, kit: Kit, size_mm: float) -> Kit | None:
        """A kit with plenty of one size more, at no price."""
        plenty = (size_mm,) * (PLENTY * sum(w.copies for w in self.wheels))
        more = catalogue(self.catalogue.offers, self.on_hand, (size_mm,))
        box = more.shop.box(kit.packs)
        for bore in {w.bore for w in self.wheels}:
            box = box + more.box(plenty, bore)
        return self._of_box(more, box, self._asks(more))

    def heights(self, kit: Kit) -> tuple[tuple[Height, ...], ...]:
        """For each wheel its heights, and the recipe that a kit makes of each.

        Whatever the other wheels are set to of what they may be asked for, every height
        with a recipe can be stacked beside them.
        """
        box = self.catalogue.shop.box(kit.packs)
        out = []
        for i, (asked, splits, ask) in enumerate(
            zip(self.asked, self._splits, self.asks, strict=True)
        ):
            others = kit.plan.used - kit.plan.bags[i]
            left = box - others - self.terms.spares * (others > 0)
            share = np.bincount(asked.nearest(), minlength=len(asked.height_mm)) / len(
                asked.loss_deg
            )
            mean = asked.loss_deg.mean(axis=0)
            rows = []
            for k, height in enumerate(asked.height_mm):
                needs = ask.recipes[k]
                spare = self.terms.spares * ((needs > 0) & (others == 0))
                fits = np.flatnonzero(np.all(needs + spare <= left, axis=1))
                rows.append(
                    Height(
                        height_mm=float(height),
                        share=float(share[k]),
                        loss_deg=float(mean[k]),
                        split=splits[k][fits[0]] if len(fits) else None,
                    )
                )
            out.append(tuple(rows))
        return tuple(out)

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
        for i, (wheel, asked) in enumerate(zip(self.wheels, self.asked, strict=True)):
            made = int(kit.plan.choice[i][draw - 1])
            at = [
                (float(asked.best_height_mm[draw - 1]), float(asked.best_length_mm[draw - 1])),
                (float(asked.height_mm[made]), float(asked.length_change_mm[draw - 1, made])),
            ]
            height, change = np.array(at).T
            one = wheel.table.surface.draws(self.terms.n_draw, seed=SEED)[draw - 1 : draw]
            wanted, got = curve_costs_deg(wheel.table, one, height, change)[0]
            recipe = int(kit.plan.recipe[i][made])
            out.append(
                Replay(
                    wanted_mm=at[0],
                    wanted_deg=float(wanted),
                    made_mm=at[1],
                    made_deg=float(got),
                    split=self._splits[i][made][recipe],
                )
            )
        return tuple(out)

    def kit(self, plan: Plan) -> Kit:
        """A solver's plan as a kit."""
        lost = [
            asked.loss_deg[np.arange(len(choice)), choice]
            for asked, choice in zip(self.asked, plan.choice, strict=True)
        ]
        weight = np.concatenate(
            [np.full(len(x), w.copies / len(x)) for w, x in zip(self.wheels, lost, strict=True)]
        )
        weight = weight / weight.sum()
        every = np.concatenate(lost)
        order = np.argsort(every)
        at = int(np.searchsorted(np.cumsum(weight[order]), 0.9 - 1e-9))
        fine = [x <= w.table.goal.worthwhile_deg for w, x in zip(self.wheels, lost, strict=True)]
        return Kit(
            packs=plan.packs,
            price=self.catalogue.money(plan.price),
            loss_deg=plan.loss,
            high_deg=float(every[order[at]]),
            by_wheel_deg=plan.loss_by_corner,
            share_fine=float(weight @ np.concatenate(fine)),
            gap=plan.gap,
            plan=plan,
        )

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
        left = list(grains(stated))
        for wheel in self.wheels:
            for shim in grains(wheel.on_car_mm * wheel.copies):
                if shim not in left:
                    raise CallError(
                        f"the shims on hand lack one of {shim / GRAIN_PER_MM:g} mm that "
                        f"stands on {wheel.label}",
                        "list every shim there is, those on the car included",
                    )
                left.remove(shim)
        return dict.fromkeys(out, tuple(stated))

    def _asked(self, wheel: Wheel, boxes_mm: Sequence[tuple[float, ...]]) -> Asked:
        more: set[float] = set()
        for box in (self._box_of(wheel), *boxes_mm):
            more.update(s.height_mm for s in _splits_of(wheel, box))
        return asked_of(wheel.table, self.step_mm, sorted(more), self.terms.n_draw)

    def _box_of(self, wheel: Wheel) -> tuple[float, ...]:
        stated = self.terms.on_hand_mm
        own = wheel.table.evidence.corner.stack.box_mm or wheel.on_car_mm
        return own if stated is None else stated

    def _asks(self, parts: Catalogue, box_mm: tuple[float, ...] | None = None) -> tuple[Ask, ...]:
        """Losses and recipes of every wheel from these parts; the box's own splits besides."""
        total = sum(w.copies for w in self.wheels)
        asks, kept = [], []
        for wheel, asked in zip(self.wheels, self.asked, strict=True):
            evidence = wheel.table.evidence
            box = self._box_of(wheel) if box_mm is None else box_mm
            stack = replace(evidence.corner.stack, box_mm=box)
            found = recipes(
                parts.sizes_mm(wheel.bore),
                asked.height_mm.tolist(),
                stack,
                evidence.now,
                evidence.reference,
                within_mm=self.terms.within_mm,
                shim_tolerance_mm=self.terms.shim_tolerance_mm,
                most_recipes=MOST_RECIPES,
                stock=parts.stock(wheel.bore, wheel.copies),
            )
            splits = tuple(one.splits for one in found)
            kept.append(splits)
            asks.append(
                Ask(
                    loss=np.maximum(asked.loss_deg, 0.0),
                    recipes=tuple(parts.needs(some, wheel.bore) * wheel.copies for some in splits),
                    weight=wheel.copies / total,
                )
            )
        if parts is self.catalogue:
            self._splits = kept
        return tuple(asks)

    def _least_loss(self, coins: int | None) -> Plan:
        return least_loss(
            self.catalogue.shop,
            self.asks,
            coins,
            spares=self.terms.spares,
            gap=self.gap,
            time_limit_s=self.limit_s,
        )

    def _of_box(self, parts: Catalogue, box: Whole, asks: Sequence[Ask]) -> Kit | None:
        shop = Shop(
            holds=np.zeros((0, len(parts.parts)), np.int64),
            price=np.zeros(0, np.int64),
            on_hand=box,
        )
        try:
            plan = least_loss(shop, asks, gap=self.gap, time_limit_s=self.limit_s)
        except NothingCanBeMadeError:
            return None
        none = np.zeros(len(self.catalogue.offers), np.int64)
        return replace(self.kit(plan), packs=none)


def _splits_of(wheel: Wheel, box_mm: tuple[float, ...]) -> tuple[Split, ...]:
    evidence = wheel.table.evidence
    stack: Stack = replace(evidence.corner.stack, box_mm=box_mm)
    try:
        return possible_splits(stack, evidence.now, evidence.reference)
    except NothingCanBeMadeError:
        return ()
