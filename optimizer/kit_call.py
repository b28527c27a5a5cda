"""The call of ``kit`` put in order: what was typed, checked before anything is reckoned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.errors import CallError
from optimizer.logbook.offers import MOST_PIECES
from optimizer.record import record
from optimizer.records import Logbook, Offer
from optimizer.units import to_deg, to_mm

if TYPE_CHECKING:
    from optimizer.kit.advice import KitAdvice
    from optimizer.kit.wheels import Place

OFFERS_FILE = "offers.csv"
MOST_SPARES = 20
MOST_DECIMALS = 4
KEPT_FILES = ("car.toml", "runs.csv", "readings.csv", "travel.csv")


@record
class KitCall:
    """What was typed, as it was typed."""

    folders: tuple[Path, ...]
    offers: Path | None = None
    price: str | None = None
    pack: int = 1
    on_hand: str | None = None
    both_sides: bool = False
    spares: int = 0
    shim_tolerance: str | None = None
    budget: str | None = None
    loss: str | None = None
    only: tuple[str, ...] = ()
    one_more: bool = False
    shopping: Path | None = None
    out: Path | None = None
    answers: tuple[tuple[str, bool], ...] = ()

    @property
    def offers_path(self) -> Path | None:
        """The file of offers: the one named, else the one beside the first logbook."""
        if self.offers is not None or self.price is not None:
            return self.offers
        beside = self.folders[0] / OFFERS_FILE
        return beside if beside.exists() else None


def check_call(call: KitCall) -> None:
    """CallError for what is wrong with the call itself, before a logbook is read."""
    if call.offers is not None and call.price is not None:
        raise CallError("--offers and --price both say what shims cost", "give one of the two")
    if call.pack < 1:
        raise CallError(f"--pack {call.pack} is no pack", "write the pieces in a pack, 1 or more")
    if call.pack > MOST_PIECES:
        raise CallError(
            f"--pack {call.pack} is more than a pack may hold, {MOST_PIECES}",
            "write the pieces in a pack",
        )
    if not 0 <= call.spares <= MOST_SPARES:
        raise CallError(
            f"--spares {call.spares} is absurd", f"write a number from 0 to {MOST_SPARES}"
        )
    if call.pack > 1 and call.price is None:
        raise CallError("--pack goes with --price", "say what a pack costs with --price")
    for flag, path in (("--shopping", call.shopping), ("--out", call.out)):
        if path is not None and (path.is_dir() or not path.resolve().parent.is_dir()):
            raise CallError(
                f"{flag} {path} cannot be written", "name a file in a folder that is there"
            )
    if call.shopping is not None:
        _check_shopping(call.shopping, call)
    asked = [name for name, on in call.answers if on]
    if len(asked) > 1:
        raise CallError(f"{' and '.join(asked)} are each an answer of their own", "ask for one")


def _check_shopping(path: Path, call: KitCall) -> None:
    if path.suffix.lower() != ".csv":
        raise CallError(f"{path.name} does not end in .csv", "name it such as shopping.csv")
    offers = call.offers_path
    kept = [folder / name for folder in call.folders for name in KEPT_FILES]
    kept += [folder / OFFERS_FILE for folder in call.folders]
    kept += [offers] if offers is not None else []
    if any(path.resolve() == other.resolve() for other in kept):
        raise CallError(f"{path} is a file of your own", "name another file for the shopping list")


def answer(call: KitCall, book: Logbook, places: Sequence[Place]) -> KitAdvice:
    """Plan the kit of a checked call; lengths, toe and money as ``book``'s crew writes them.

    Raises
    ------
    ShimoptError
        What the readers, the planner and the solver raise.
    """
    from optimizer.kit.advice import Wants, advise_kit
    from optimizer.kit.plan import Planner
    from optimizer.kit.recipes import SHIM_TOLERANCE_MM
    from optimizer.kit.terms import Terms
    from optimizer.kit.wheels import parted_axles, wheels_of
    from optimizer.logbook import parse_length, parse_stack
    from optimizer.standards import shim_thicknesses_mm

    unit = book.units.length
    offers = offers_of(call, unit)
    boxes = [_named(text, unit) for text in call.only]
    if len({name for name, _ in boxes}) < len(boxes):
        raise CallError("two boxes of --only have one name", "give each its own")
    wants = Wants(
        budget=None if call.budget is None else money(call.budget, "--budget"),
        loss_deg=None
        if call.loss is None
        else to_deg(_number(call.loss, "--loss", "0.005"), book.units.toe),
    )
    tolerance = SHIM_TOLERANCE_MM
    if call.shim_tolerance is not None:
        tolerance = to_mm(parse_length(call.shim_tolerance, unit), unit)
        if not 0.0 <= tolerance <= 0.5:
            raise CallError(
                f"--shim-tolerance {call.shim_tolerance} {unit} is absurd",
                "write how far one shim may be off its thickness",
            )
    on_hand = None if call.on_hand is None else parse_stack(call.on_hand, unit)
    wheels = wheels_of(places, offers, both_sides=call.both_sides)
    planner = Planner(
        wheels,
        offers,
        Terms(spares=call.spares, on_hand_mm=on_hand, shim_tolerance_mm=tolerance),
    )
    more = shim_thicknesses_mm() if call.one_more else None
    advice = advise_kit(planner, wants, boxes, more)
    return replace(advice, parted=tuple(parted_axles(wheels, places)))


def offers_of(call: KitCall, unit: str) -> tuple[Offer, ...]:
    """The offers of the file, or the usual thicknesses at the price that was typed.

    Raises
    ------
    CallError
        If nothing says what shims cost and no box is asked about.
    LogbookError
        If the file has faults.
    """
    from optimizer.logbook import read_offers
    from optimizer.standards import shim_thicknesses_mm

    if call.price is not None:
        price = money(call.price, "--price")
        return tuple(
            Offer(thickness_mm=size, price=price, pack=call.pack) for size in shim_thicknesses_mm()
        )
    path = call.offers_path
    if path is not None:
        return read_offers(path, unit)
    if call.only:
        return ()
    raise CallError(
        "nothing says what shims cost",
        "`shimopt kit --blank offers.csv` starts a list to fill in; or say --price 1.50 for "
        "one shim of any usual thickness, with --pack 10 for ten",
    )


def priced_words(call: KitCall, n_offer: int) -> str:
    """Where the prices come from."""
    if call.price is not None:
        each = "a shim" if call.pack == 1 else f"a pack of {call.pack}"
        return f"{call.price} for {each} of any of {n_offer} usual thicknesses"
    path = call.offers_path
    return "" if path is None else f"{path}, {n_offer} {'offer' if n_offer == 1 else 'offers'}"


def call_flags(call: KitCall, corners: Sequence[str]) -> list[str]:
    """What the call must say again to mean the same."""
    out = [word for name in corners for word in ("--corner", name)]
    for flag, value in (
        ("--offers", call.offers),
        ("--price", call.price),
        ("--pack", call.pack if call.pack > 1 else None),
        ("--on-hand", call.on_hand),
        ("--both-sides", True if call.both_sides else None),
        ("--spares", call.spares or None),
        ("--shim-tolerance", call.shim_tolerance),
        ("--budget", call.budget),
        ("--loss", call.loss),
    ):
        if value is not None:
            out += [flag] if value is True else [flag, str(value)]
    return out


def money(text: str, flag: str) -> Decimal:
    """An amount of money with a decimal point or comma; CallError where it is none."""
    try:
        value = Decimal(text.strip().replace(",", "."))
    except InvalidOperation:
        value = Decimal("NaN")
    if not value.is_finite() or value < 0 or value > 10**9:
        raise CallError(
            f"{flag} {text!r} is no amount of money", "write a number of 0 or more, such as 12.50"
        )
    digits = value.as_tuple().exponent
    if isinstance(digits, int) and digits < -MOST_DECIMALS:
        raise CallError(
            f"{flag} {text!r} has more than {MOST_DECIMALS} decimals", "write it such as 12.50"
        )
    return value if isinstance(digits, int) and digits <= 0 else value.quantize(Decimal(1))


def write_blank(path: Path, unit: str) -> None:
    """Start a list of offers; CallError where a file is there already."""
    from optimizer.logbook import offers_template
    from optimizer.standards import shim_thicknesses_mm

    if path.suffix.lower() != ".csv":
        raise CallError(f"{path.name} does not end in .csv", "name it such as offers.csv")
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(offers_template(unit, shim_thicknesses_mm()))
    except FileExistsError:
        raise CallError(
            f"{path} is there already", "name another file, or fill that one in"
        ) from None


def _named(text: str, unit: str) -> tuple[str, tuple[float, ...]]:
    from optimizer.logbook import parse_stack

    name, mark, shims = text.rpartition("=")
    if not mark or not name.strip():
        raise CallError(
            f"--only {text!r} names no box", 'write a name and its shims: --only "few=3+2+4x1"'
        )
    box = parse_stack(shims, unit)
    if not box:
        raise CallError(f"--only {text!r} holds no shim", "list its shims, such as 3+2+4x1")
    return name.strip(), box


def _number(text: str, flag: str, example: str) -> float:
    from optimizer.logbook.faults import BadValueError
    from optimizer.logbook.values import read_number

    try:
        value = read_number(text)
    except BadValueError as bad:
        raise CallError(f"{flag}: {bad.found}", f"write a number such as {example}") from None
    if value < 0.0:
        raise CallError(f"{flag} {text} is below zero", f"write a number such as {example}")
    return value
