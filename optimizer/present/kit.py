"""The screen of ``kit``: what to buy, what each purchase loses, and how to stack it."""

from __future__ import annotations

import shlex
import textwrap
from collections.abc import Sequence
from itertools import pairwise

from optimizer.kit.advice import KitAdvice, OneMore
from optimizer.kit.parts import Catalogue
from optimizer.kit.terms import Kit, Replay, Wheel
from optimizer.present.cautions import AT_HAND
from optimizer.present.crew import Crew
from optimizer.present.layout import NARROW, counted, labelled, table, wrapped
from optimizer.records import Offer
from optimizer.units import from_deg

SHOWN = 7
APART_DEG = 0.0005
NEAR_MM = 0.15
SHOWN_MORE = 5
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
MEASURE_FIRST = "Hard flat shims, few and thick; measure each stack before it goes on."


def letter(index: int) -> str:
    """What a kit of the list is called."""
    return LETTERS[index] if index < len(LETTERS) else f"A{LETTERS[index - len(LETTERS)]}"


def kit_screen(advice: KitAdvice, crew: Crew, width: int, where: str, priced: str) -> list[str]:
    """The list, what to take, and why.

    Parameters
    ----------
    advice, crew : the answer and how the crew writes figures
    width : columns
    where : the call's own words, for the next command
    priced : where the prices come from
    """
    lines = wrapped(f"{title(advice)}: which shims to buy", width)
    lines += labelled("On hand", on_hand_words(advice, crew), width)
    lines += labelled("Prices", priced, width) if priced else []
    lines += _list(advice, crew, width)
    lines += labelled("Read it", legend_words(advice, crew), width)
    lines += labelled("Buy", buy_words(advice, crew), width)
    lines += labelled("Makes", "; ".join(made_words(advice, crew)), width)
    if advice.more:
        lines += labelled("One more", more_words(advice.more, crew), width)
    counts = counts_words(advice)
    lines += labelled("Counts", counts, width) if counts else []
    if any(kit.gap > 0.0005 for kit in advice.kits):
        lines += labelled("Solved", gap_words(advice), width)
    lines += labelled("Careful", f"{MEASURE_FIRST} {AT_HAND}", width)
    then = f"shimopt kit{where} --recipes (how to stack it)"
    if any(advice.kit.packs):
        then += "; --shopping list.csv (to take along)"
    return lines + labelled("Then", then, width)


def title(advice: KitAdvice) -> str:
    """Which wheels must stand at once."""
    names = [_wheel_name(w) for w in advice.planner.wheels]
    runs = sum(len(w.table.evidence.runs) for w in advice.planner.wheels)
    who = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]} at once"
    return f"{who}, after {counted(runs, 'run')}"


def on_hand_words(advice: KitAdvice, crew: Crew) -> str:
    """The shims there are."""
    planner = advice.planner
    said = "; ".join(
        box_words(shims, crew) + ("" if bore is None else f" (bore {bore / 1000:g} mm)")
        for bore, shims in planner.on_hand.items()
    )
    if planner.terms.on_hand_mm is not None:
        return f"{said}, as you say"
    both = [w for w in planner.wheels if w.copies > 1]
    several = len(planner.wheels) > 1
    how = "what car.toml lists" + (", all corners together" if several else "")
    if not both:
        return f"{said}: {how}"
    listed = all(w.other_mm is not None for w in both)
    return f"{said}: {how}, {'both sides' if listed else 'and as many for the other side'}"


def box_words(shims_mm: Sequence[float], crew: Crew) -> str:
    """A box of shims, thickest first, counted."""
    sizes = sorted(set(shims_mm), reverse=True)
    said = []
    for size in sizes:
        n = sum(1 for s in shims_mm if s == size)
        said.append(crew.stack((size,)) if n == 1 else f"{n}x{crew.stack((size,))}")
    return " + ".join(said) or "none"


def legend_words(advice: KitAdvice, crew: Crew) -> str:
    """What the columns hold."""
    planner = advice.planner
    unit, n = crew.units.toe, planner.terms.n_draw
    worth = crew.score(planner.worthwhile_deg)
    return (
        f"loses: {unit} of toe change above an endless box, the mean of {n} cars that the "
        "readings allow, each at its best; up to: 9 in 10 stay under; fine: in 100, those "
        f"that lose less than is worth a run ({worth})"
    )


def buy_words(advice: KitAdvice, crew: Crew) -> str:
    """Which kit to take and what that means at the counter."""
    kit, name = advice.kit, letter(advice.chosen)
    worth = crew.score(advice.planner.worthwhile_deg)
    unit = crew.units.toe
    why = {
        "budget": "the least loss for your budget",
        "loss": "the cheapest that loses no more than you say",
        "worth": "the cheapest of these that in 9 of 10 loses less than is worth a run "
        f"({worth} {unit})",
        "knee": f"the knee: none stays under what is worth a run ({worth} {unit}) in 9 of 10, "
        "and past this each step costs more and brings less",
        "best": f"the best there is; none stays under what is worth a run ({worth} {unit}) in "
        "9 of 10",
    }[advice.why]
    if not any(kit.packs):
        return f"nothing: what is on hand is {why}"
    bought = "; ".join(packs_words(kit, advice.planner.catalogue, crew))
    spares = advice.planner.terms.spares
    spare = f", with {counted(spares, 'spare')} of each size in use" if spares else ""
    return f"{name}, {why}: {bought}. In all {kit.price}{spare}"


def packs_words(kit: Kit, parts: Catalogue, crew: Crew) -> list[str]:
    """Each offer that a kit buys, with its price and where it is sold."""
    out = []
    for i, (n, offer) in enumerate(zip(kit.packs.tolist(), parts.offers, strict=True)):
        if n:
            source = f", {offer.source}" if offer.source else ""
            each = " each" if n > 1 else ""
            out.append(f"{offer_words(offer, crew, n)} at {parts.price_of(i)}{each}{source}")
    return out


def offer_words(offer: Offer, crew: Crew, n: int = 1) -> str:
    """Packs of an offer in the crew's unit."""
    size = f"{crew.stack((offer.thickness_mm,))} {crew.units.length}"
    if offer.pack == 1:
        return f"{n} of {size}"
    return f"{counted(n, 'pack')} of {offer.pack} of {size}"


def made_words(advice: KitAdvice, crew: Crew) -> list[str]:
    """For each wheel, how often the joint height asked for is made, and which is not."""
    out = []
    near = advice.planner.near_share(advice.kit, NEAR_MM)
    wheels = advice.planner.wheels
    for wheel, rows, share in zip(wheels, advice.heights, near, strict=True):
        lacking = [row for row in rows if row.split is None and row.share > 0.0]
        name = f"{wheel.label}: " if len(wheels) > 1 else ""
        said = (
            f"{name}the joint height asked for, to within {crew.length(NEAR_MM)}, in "
            f"{round(100 * share)} of 100"
        )
        if lacking and share < 0.995:
            worst = sorted(lacking, key=lambda row: -row.share)[:3]
            many = ", ".join(
                f"{height_words(row.height_mm, crew)} ({asked_words(row.share)})" for row in worst
            )
            said += f"; not {many}" + (", ..." if len(lacking) > 3 else "")
        out.append(said)
    return out


def asked_words(share: float) -> str:
    """How often a height is asked for, in a hundred."""
    return "under 1 in 100" if share < 0.01 else f"{round(100 * share)} in 100"


def height_words(height_mm: float, crew: Crew) -> str:
    """A joint height from the reference, signed."""
    amount = crew.length_value(height_mm)
    return amount if float(amount) == 0.0 else f"{'+' if height_mm > 0 else '-'}{amount}"


def more_words(more: Sequence[OneMore], crew: Crew) -> str:
    """What one size more would save, the most first."""
    unit = crew.units.toe
    helping = [m for m in more if float(crew.score(m.saves_deg)) > 0.0][:SHOWN_MORE]
    said = [f"{_one_more(m, crew)} saves {crew.score(m.saves_deg)}" for m in helping]
    if not said:
        return f"no size saves {10.0 ** -(len(crew.score(0.0)) - 2):g} {unit}"
    return f"{'; '.join(said)} {unit}; the others less"


def counts_words(advice: KitAdvice) -> str:
    """Which wheels are counted, where that may not be what is meant."""
    said = []
    if sum(w.copies for w in advice.planner.wheels) == 1:
        said.append("one wheel; --both-sides where the other is set alike")
    for name in advice.parted:
        said.append(
            f"both wheels of axle {name}, each for itself; to be set alike, as car.toml says, "
            "name one with --corner and say --both-sides"
        )
    return "; ".join(said)


def gap_words(advice: KitAdvice) -> str:
    """How far the solver's answer may be off the best."""
    gap = max(kit.gap for kit in advice.kits)
    return f"no kit at these prices loses over {100 * gap:.1f} % less, of the heights looked at"


def recipes_screen(advice: KitAdvice, crew: Crew, width: int, where: str) -> list[str]:
    """For each joint height that may be asked for, the stack above and below."""
    lines = wrapped(f"{title(advice)}: how to stack {_kit_name(advice)}", width)
    unit = crew.units.length
    for wheel, rows in zip(advice.planner.wheels, advice.heights, strict=True):
        now = wheel.table.now.height_mm
        shown = [row for row in rows if row.share >= 0.005 or abs(row.height_mm - now) < 0.025]
        cells = [["height", "asked", "above", "below", "shims", "loses"]]
        for row in shown:
            mark = " now" if abs(row.height_mm - now) < 0.025 else ""
            split = wheel.table.now.split if mark else row.split
            cells.append(
                [
                    height_words(row.height_mm, crew) + mark,
                    str(round(100 * row.share)) if row.share >= 0.005 or not row.share else "<1",
                    "out of reach" if split is None else crew.stack(split.above_mm),
                    "-" if split is None else crew.stack(split.below_mm),
                    "-" if split is None else str(split.n_shim),
                    crew.score(row.loss_deg),
                ]
            )
        if len(advice.planner.wheels) > 1:
            lines += ["", *wrapped(wheel.label, width)]
        lines += table(cells, width, 0)
        others = [row for row in rows if row not in shown]
        if others:
            made = sum(row.split is not None for row in others)
            words = f"and {made} of {len(others)} heights asked for by under 1 in 200 draws"
            lines += wrapped(words, width)
    read = (
        f"joint heights from the reference, {unit}; asked: of 100 draws; stacks top to bottom, "
        f"the fewest shims; loses: {crew.units.toe} on average if this height is all there is"
    )
    lines += labelled("Read it", read, width)
    if len(advice.planner.wheels) > 1:
        lines += labelled(
            "At once", "every height here can stand beside all that the others may be set to", width
        )
    lines += labelled("Careful", f"{MEASURE_FIRST} {AT_HAND}", width)
    return lines + labelled("Then", f"{where} for the setting to make", width)


def replay_screen(
    advice: KitAdvice, draw: int, found: Sequence[Replay], crew: Crew, width: int
) -> list[str]:
    """What one draw asks for and gets of the chosen kit."""
    n = advice.planner.terms.n_draw
    lines = wrapped(f"draw {draw} of {n} with {_kit_name(advice)}, reckoned again", width)
    cells = [["", "best height", "link", "change", "kit makes", "link", "change", "loses"]]
    for wheel, one in zip(advice.planner.wheels, found, strict=True):
        cells.append(
            [
                wheel.label,
                height_words(one.wanted_mm[0], crew),
                height_words(one.wanted_mm[1], crew),
                fine(one.wanted_deg, crew),
                height_words(one.made_mm[0], crew),
                height_words(one.made_mm[1], crew),
                fine(one.made_deg, crew),
                fine(one.made_deg - one.wanted_deg, crew),
            ]
        )
    lines += table(cells, width, 0)
    for wheel, one in zip(advice.planner.wheels, found, strict=True):
        stacked = f"{crew.stack(one.split.above_mm)} over {crew.stack(one.split.below_mm)}"
        lines += labelled("Stack", f"{wheel.label}: {stacked}", width)
    read = (
        f"heights and link in {crew.units.length} from the reference; change in {crew.units.toe}, "
        "from this draw's own curves; a height off by a shim's tolerance is not in it"
    )
    return lines + labelled("Read it", read, width)


def fine(toe_deg: float, crew: Crew) -> str:
    """A figure with a digit more than a score, to check by."""
    return f"{from_deg(toe_deg, crew.units.toe):.4f}"


def call_words(folders: Sequence[str], flags: Sequence[str]) -> str:
    """The call's own folders and flags, for the next command."""
    return "".join(f" {shlex.quote(word)}" for word in (*folders, *flags))


def shown_kits(advice: KitAdvice) -> list[int]:
    """Kits for a screen: the ends, the knee, the chosen, and others spread over the loss.

    Those that lose as good as the same as a cheaper one are left out.
    """
    loss = [kit.loss_deg for kit in advice.kits]
    keep = {0, advice.chosen} | ({advice.knee} if advice.knee is not None else set())
    told: list[int] = []
    for i, value in enumerate(loss):
        if i in keep or loss[told[-1]] - value >= APART_DEG:
            told.append(i)
    keep.add(told[-1])
    while len(keep) < min(SHOWN, len(told)):
        kept = sorted(keep)
        rooms = [
            (loss[a] - loss[b], a, b) for a, b in pairwise(kept) if any(a < i < b for i in told)
        ]
        _, a, b = max(rooms)
        middle = (loss[a] + loss[b]) / 2.0
        keep.add(min((i for i in told if a < i < b), key=lambda i: abs(loss[i] - middle)))
    return sorted(keep)


def _list(advice: KitAdvice, crew: Crew, width: int) -> list[str]:
    """Kits, one a row, then the boxes that the crew named."""
    rows: list[tuple[str, Kit | None, str, str]] = []
    shown = shown_kits(advice)
    bare = advice.as_it_is
    if advice.planner.terms.spares and bare is not None:
        rows.append(("as it is", bare, str(advice.planner.catalogue.money(0)), "no spares"))
    for i in shown:
        kit = advice.kits[i]
        marks = [m for m, on in (("knee", i == advice.knee), ("take", i == advice.chosen)) if on]
        bought = [
            f"{n if n > 1 else ''}{'x' if n > 1 else ''}({offer.pack}x{size})"
            if offer.pack > 1
            else f"{n}x{size}"
            for n, offer in zip(kit.packs.tolist(), advice.planner.catalogue.offers, strict=True)
            if n
            for size in [crew.stack((offer.thickness_mm,))]
        ]
        name = letter(i) + (f" {', '.join(marks)}" if marks else "")
        rows.append((name, kit, str(kit.price), " + ".join(bought) or "nothing"))
    for box in advice.boxes:
        price = "?" if box.price is None else str(box.price)
        said = box_words(box.box_mm, crew)
        said += ", no spares kept" if advice.planner.terms.spares else ""
        name = f"only {box.name}"
        rows.append((name, box.kit, price, said if box.kit else f"{said}: makes nothing"))
    heads = ("", "price", "loses", "up to", "fine", "buys")
    cells = [heads]
    for name, one, price, said in rows:
        figures = (
            ("-", "-", "-")
            if one is None
            else (
                crew.score(one.loss_deg),
                crew.score(one.high_deg),
                str(round(100 * one.share_fine)),
            )
        )
        cells.append((name, price, *figures, said))
    left = len(advice.kits) - len(shown)
    lines = _rows(cells, width)
    if left:
        lines += wrapped(f"{counted(left, 'kit')} more, between these, in --json", width)
    return lines


def _rows(cells: Sequence[Sequence[str]], width: int) -> list[str]:
    """Columns with a last one of words, wrapped; one below the other on a narrow screen."""
    wide = [max(len(row[i]) for row in cells) for i in range(5)]
    margin = wide[0] + sum(w + 2 for w in wide[1:]) + 2
    lines = []
    if width < NARROW or margin > width // 2 + 8:
        for name, price, loses, up_to, fine_, said in cells[1:]:
            lines += wrapped(f"{name}: {price}, loses {loses}, up to {up_to}, fine {fine_}", width)
            lines += wrapped(said, width, 2)
        return lines
    for row in cells:
        head = row[0].ljust(wide[0]) + "".join(
            f"  {cell.rjust(w)}" for cell, w in zip(row[1:5], wide[1:], strict=True)
        )
        lines += textwrap.wrap(
            row[5],
            width,
            initial_indent=head + "  ",
            subsequent_indent=" " * margin,
            break_on_hyphens=False,
        ) or [head.rstrip()]
    return lines


def _wheel_name(wheel: Wheel) -> str:
    return f"{wheel.label}, both sides alike" if wheel.copies > 1 else wheel.label


def _kit_name(advice: KitAdvice) -> str:
    if not any(advice.kit.packs):
        return "what is on hand"
    return f"kit {letter(advice.chosen)}, {advice.kit.price}"


def _one_more(more: OneMore, crew: Crew) -> str:
    size = f"{crew.stack((more.thickness_mm,))} {crew.units.length}"
    if more.offer is None:
        return f"twelve a wheel of {size} (not on offer)"
    each = " each" if more.packs > 1 else ""
    return f"{offer_words(more.offer, crew, more.packs)} at {more.price}{each}"
