"""What to buy: the frontier of kits, the one to take, and what other boxes would do."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Literal

from optimizer.errors import CallError
from optimizer.kit.plan import Planner
from optimizer.kit.terms import Height, Kit, knee_of
from optimizer.record import record
from optimizer.records import Offer

Why = Literal["budget", "loss", "worth", "knee", "best"]
TIE_DEG = 1e-9


@record
class Wants:
    """What the crew asks of the kit: a budget or an expected loss, or neither."""

    budget: Decimal | None = None
    loss_deg: float | None = None

    def __post_init__(self) -> None:
        if self.budget is not None and self.loss_deg is not None:
            raise CallError("a budget and a loss are both asked for", "name one of the two")
        if self.loss_deg is not None and not self.loss_deg >= 0.0:
            raise CallError("the loss asked for is below zero", "name one of 0 or more")
        if self.budget is not None and self.budget < 0:
            raise CallError("the budget is below zero", "name one of 0 or more")


@record
class NamedBox:
    """A box that the crew named: what it alone would lose.

    ``kit`` is None where some wheel could make nothing; ``price`` is what its lacking shims
    cost on offer, None where they are not to be had.
    """

    name: str
    box_mm: tuple[float, ...]
    kit: Kit | None
    price: Decimal | None


@record
class OneMore:
    """One size more beside the kit: packs on offer, or plenty of a size that is not.

    ``packs`` are as many as give every wheel a shim, 0 for a size that is not on offer;
    ``price`` is that of one.
    """

    thickness_mm: float
    offer: Offer | None
    packs: int
    price: Decimal | None
    saves_deg: float


@record
class KitAdvice:
    """A kit planner's answer.

    Attributes
    ----------
    kits : the frontier with the chosen kit in its place, by price
    knee : which of them is the knee, None where there is none
    chosen, why : which of them to take, and what picked it
    as_it_is : with nothing bought and no spares; None where that makes nothing
    heights : of the chosen kit, for each wheel
    boxes, more : what else was asked
    parted : axles that are to be set alike and whose wheels are planned apart
    """

    planner: Planner
    kits: tuple[Kit, ...]
    knee: int | None
    chosen: int
    why: Why
    as_it_is: Kit | None
    heights: tuple[tuple[Height, ...], ...]
    boxes: tuple[NamedBox, ...]
    more: tuple[OneMore, ...]
    parted: tuple[str, ...] = ()

    @property
    def kit(self) -> Kit:
        """The chosen kit."""
        return self.kits[self.chosen]


def advise_kit(
    planner: Planner,
    wants: Wants | None = None,
    boxes: Sequence[tuple[str, tuple[float, ...]]] = (),
    more_mm: Sequence[float] | None = None,
) -> KitAdvice:
    """Say which shims to buy.

    Parameters
    ----------
    planner : wheels, offers and terms
    wants : a budget or a loss; without, the cheapest kit that loses less than is worth a
        run in nine draws of ten, or, where none does, the frontier's knee
    boxes : boxes by name, each looked at as if it were all there is
    more_mm : sizes not on offer to try beside the kit, with every offer; None for neither

    Raises
    ------
    NothingCanBeMadeError
        If no purchase lets every wheel make a setting, or none meets the wants.
    SolverStoppedError
        If the solver stops early.
    """
    wants = wants or Wants()
    picked = None if wants.budget is None else planner.within(wants.budget)
    front = planner.frontier()
    if wants.loss_deg is not None:
        picked = planner.losing_at_most(wants.loss_deg, front)
    kits, at = _placed(front, picked)
    knee = knee_of([float(k.price) for k in front], [k.loss_deg for k in front])
    why: Why = "budget" if wants.budget is not None else "loss"
    if at is None:
        at, why = _own_choice(front, planner.worthwhile_deg, knee)
    if knee is not None:
        knee = next(i for i, k in enumerate(kits) if k is front[knee])
    kit = kits[at]
    return KitAdvice(
        planner=planner,
        kits=kits,
        knee=knee,
        chosen=at,
        why=why,
        as_it_is=planner.as_it_is(),
        heights=planner.heights(kit),
        boxes=tuple(_named(planner, name, box) for name, box in boxes),
        more=() if more_mm is None else _more(planner, kit, more_mm),
    )


def _placed(front: tuple[Kit, ...], picked: Kit | None) -> tuple[tuple[Kit, ...], int | None]:
    """The frontier with a kit in its place by price, and that place.

    A kit as good as one of the frontier is that one; what the frontier's own points lose
    to it, which only a solver's gap can do, makes way.
    """
    if picked is None:
        return front, None
    for i, kit in enumerate(front):
        if kit.price == picked.price and abs(kit.loss_deg - picked.loss_deg) <= TIE_DEG:
            return front, i
    rest = [k for k in front if not (k.price >= picked.price and k.loss_deg >= picked.loss_deg)]
    kits = tuple(sorted([*rest, picked], key=lambda k: (k.price, -k.loss_deg)))
    return kits, next(i for i, k in enumerate(kits) if k is picked)


def _own_choice(front: Sequence[Kit], worth_deg: float, knee: int | None) -> tuple[int, Why]:
    under = [i for i, kit in enumerate(front) if kit.high_deg <= worth_deg]
    if under:
        return under[0], "worth"
    return (len(front) - 1, "best") if knee is None else (knee, "knee")


def _named(planner: Planner, name: str, box_mm: tuple[float, ...]) -> NamedBox:
    kit, price = planner.only(box_mm)
    return NamedBox(name=name, box_mm=box_mm, kit=kit, price=price)


def _more(planner: Planner, kit: Kit, more_mm: Sequence[float]) -> tuple[OneMore, ...]:
    """Each offer, and each further size, by what it would save; those that save nothing too."""
    parts = planner.catalogue
    out = []
    base = planner.unspared(kit).loss_deg
    wheels = sum(w.copies for w in planner.wheels)
    for i, offer in enumerate(parts.offers):
        n = -(-wheels // offer.pack)
        found = planner.with_packs(kit, i, n)
        saves = 0.0 if found is None else base - found.loss_deg
        out.append(
            OneMore(
                thickness_mm=offer.thickness_mm,
                offer=offer,
                packs=n,
                price=parts.price_of(i),
                saves_deg=saves,
            )
        )
    known = {size for size, _ in parts.parts}
    for size in more_mm:
        if round(1000 * size) not in known:
            found = planner.with_size(kit, size)
            saves = 0.0 if found is None else base - found.loss_deg
            out.append(OneMore(thickness_mm=size, offer=None, packs=0, price=None, saves_deg=saves))
    return tuple(sorted(out, key=lambda m: (-round(m.saves_deg, 9), m.thickness_mm)))
