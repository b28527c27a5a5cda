"""The parts a kit is made of: shims on offer and on hand, by thickness and bore, as one shop."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.stacks import GRAIN_PER_MM, Split, in_grains, in_millimetres
from optimizer.errors import CallError
from optimizer.kit.recipes import Stock
from optimizer.kit.shop import Shop
from optimizer.record import record
from optimizer.records import Offer

Whole = NDArray[np.int64]
Part = tuple[int, int | None]  # thickness and bore in thousandths of a mm; bore None fits all

SAME_BORE_GRAINS = 50


@record
class Catalogue:
    """Parts, thickest last, and what can be bought of them.

    Attributes
    ----------
    parts : by bore, then thickness
    thick_mm : each part's thickness as it was typed, where shims on hand or on offer were
    offers : as ``shop`` counts its packs
    decimals : behind the point of a price; the smallest coin is the last of them
    shop : packs, prices and what is on hand
    """

    parts: tuple[Part, ...]
    thick_mm: tuple[float, ...]
    offers: tuple[Offer, ...]
    decimals: int
    shop: Shop

    def sizes_mm(self, bore: int | None) -> tuple[float, ...]:
        """Thicknesses that fit a bore, thinnest first."""
        both = zip(self.parts, self.thick_mm, strict=True)
        return tuple(thick for (_, b), thick in both if b == bore)

    def stock(self, bore: int | None, copies: int) -> Stock:
        """What a shim of each size of a bore costs at its cheapest, and how many there are.

        A size that is not on offer costs more than all others together.
        """
        at = [i for i, (_, b) in enumerate(self.parts) if b == bore]
        holds, price = self.shop.holds[:, at], self.shop.price
        each = np.full(len(at), np.inf)
        for held, cost in zip(holds, price, strict=True):
            sold = held > 0
            each[sold] = np.minimum(each[sold], cost / held[sold])
        dear = 1.0 + 100.0 * float(np.sum(each[np.isfinite(each)]))
        each[~np.isfinite(each)] = dear
        return Stock(price=each, on_hand=self.shop.on_hand[at], copies=copies)

    def needs(self, splits: Sequence[Split], bore: int | None) -> Whole:
        """Parts that each split takes, (n_split, n_part).

        Raises
        ------
        CallError
            If a split holds a shim that is no part.
        """
        place = {part: i for i, part in enumerate(self.parts)}
        out = np.zeros((len(splits), len(self.parts)), np.int64)
        for row, split in zip(out, splits, strict=True):
            for shim in in_grains((*split.above_mm, *split.below_mm)):
                at = place.get((shim, bore))
                if at is None:
                    raise CallError(
                        f"a recipe holds a shim of {shim / GRAIN_PER_MM:g} mm that is no part",
                        "count the shims on hand among the parts",
                    )
                row[at] += 1
        return out

    def box(self, shims_mm: Iterable[float], bore: int | None) -> Whole:
        """How many of each part a box of shims of one bore holds, (n_part,).

        Raises
        ------
        CallError
            If a shim is no part.
        """
        split = Split(above_mm=tuple(shims_mm), below_mm=(), height_mm=0.0)
        return np.asarray(self.needs([split], bore)[0])

    def money(self, coins: int) -> Decimal:
        """A whole number of coins as money."""
        return Decimal(coins).scaleb(-self.decimals)

    def price_of(self, offer: int) -> Decimal:
        """What a pack of an offer costs, with as many decimals as all others."""
        return self.money(int(self.shop.price[offer]))

    def coins(self, money: Decimal) -> int:
        """Money as whole coins, rounded down."""
        return int(money.scaleb(self.decimals).to_integral_value("ROUND_FLOOR"))


def catalogue(
    offers: Sequence[Offer],
    on_hand: Mapping[int | None, Sequence[float]],
    more_mm: Sequence[float] = (),
) -> Catalogue:
    """Parts of every thickness on offer, on hand or besides.

    Parameters
    ----------
    offers : packs to be had
    on_hand : shims by bore, as :func:`bores_of` tells them apart
    more_mm : further thicknesses of every bore, of which there are none
    """
    stock: Counter[Part] = Counter()
    for bore, shims in on_hand.items():
        stock.update((shim, bore) for shim in in_grains(shims))
    extra = {(shim, bore) for bore in on_hand for shim in in_grains(more_mm)}
    sold = [_part_of(offer, on_hand) for offer in offers]
    parts = sorted({*stock, *extra, *sold}, key=lambda p: (p[1] or 0, p[0]))
    place = {part: i for i, part in enumerate(parts)}
    # of two that are the same part, the one on hand says how it is called
    typed = [*(o.thickness_mm for o in offers), *more_mm, *(t for s in on_hand.values() for t in s)]
    decimals = max([0, *(-int(o.price.as_tuple().exponent) for o in offers)])
    decimals = max(decimals, 2) if decimals else 0
    holds = np.zeros((len(offers), len(parts)), np.int64)
    for row, offer, part in zip(holds, offers, sold, strict=True):
        row[place[part]] = offer.pack
    price = [int(o.price.scaleb(decimals)) for o in offers]
    limited = any(o.most is not None for o in offers)
    # no kit takes more pieces of a size than this
    enough = 10**6
    return Catalogue(
        parts=tuple(parts),
        thick_mm=in_millimetres([size for size, _ in parts], typed),
        offers=tuple(offers),
        decimals=decimals,
        shop=Shop(
            holds=holds,
            price=np.array(price, np.int64),
            on_hand=np.array([stock[part] for part in parts], np.int64),
            most=np.array([enough if o.most is None else o.most for o in offers], np.int64)
            if limited
            else None,
        ),
    )


def bores_of(
    offers: Sequence[Offer], stated_mm: Mapping[str, float | None]
) -> dict[str, int | None]:
    """The bore whose shims fit each wheel; None for all where offers tell no bores apart.

    Parameters
    ----------
    offers : packs to be had
    stated_mm : what is known of each wheel's bore, by its label

    Raises
    ------
    CallError
        If some offers state a bore and others, or a wheel, do not; or none does while the
        wheels' bores differ.
    """
    known = {label: bore for label, bore in stated_mm.items() if bore is not None}
    if all(o.bore_mm is None for o in offers):
        apart = {round(b * GRAIN_PER_MM / SAME_BORE_GRAINS) for b in known.values()}
        if len(apart) > 1:
            said = ", ".join(f"{label} {bore:g}" for label, bore in known.items())
            raise CallError(
                f"the corners take shims of different bores ({said} mm), and the offers state none",
                "add a column `bore` to the offers, or plan the corners apart",
            )
        return dict.fromkeys(stated_mm)
    silent = next((o for o in offers if o.bore_mm is None), None)
    if silent is not None:
        raise CallError(
            f"line {silent.line} of the offers states no bore while others do",
            "write the bore of every offer, or of none",
        )
    for label in stated_mm:
        if label not in known:
            raise CallError(
                f"the offers state bores, and what {label} takes is not known",
                f"write `bore` under [corner.{label.rpartition(':')[2]}.joint], or take the "
                "column out of the offers",
            )
    return {label: round(bore * GRAIN_PER_MM) for label, bore in known.items()}


def _part_of(offer: Offer, on_hand: Mapping[int | None, Sequence[float]]) -> Part:
    """The part an offer sells; of a bore that no wheel takes, it is one of its own."""
    (size,) = in_grains([offer.thickness_mm])
    if offer.bore_mm is None:
        return size, None
    bore = round(offer.bore_mm * GRAIN_PER_MM)
    near = [b for b in on_hand if b is not None and abs(b - bore) <= SAME_BORE_GRAINS]
    return size, near[0] if near else bore
