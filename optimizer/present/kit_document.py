"""What ``kit --json`` says, and the shopping list."""

from __future__ import annotations

import csv
import io
from typing import Any

from optimizer.kit.advice import KitAdvice, NamedBox, OneMore
from optimizer.kit.terms import Height, Kit
from optimizer.present import kit as screen
from optimizer.present.cautions import IN_FULL
from optimizer.present.crew import Crew
from optimizer.present.document import envelope
from optimizer.records import Logbook
from optimizer.units import from_mm

Json = dict[str, Any]

SHOPPING = ("packs", "pieces_in_pack", "price_of_pack", "price", "bore_mm", "source")


def kit_document(book: Logbook, advice: KitAdvice, crew: Crew) -> Json:
    """The whole answer: wheels with their draws, the frontier, recipes and what was compared."""
    planner = advice.planner
    corners = [
        {
            "corner": wheel.label,
            "wheels": wheel.copies,
            "n_run": len(wheel.table.evidence.runs),
            "heights": [_height(row, crew) for row in rows],
            "draws": {
                "best_height_mm": costs.best_height_mm.tolist(),
                "best_length_change_mm": costs.best_length_mm.tolist(),
                "best_deg": costs.best_deg.tolist(),
                "made_height_mm": made.height_mm[made.choice].tolist(),
                "loss_deg": made.lost_deg.tolist(),
            },
        }
        for wheel, rows, costs, made in zip(
            planner.wheels, advice.heights, planner.costs, advice.kit.made, strict=True
        )
    ]
    whole = envelope("kit", book, corners)
    whole["on_hand_mm"] = [
        {"bore_mm": None if bore is None else bore / 1000, "shims_mm": list(shims)}
        for bore, shims in planner.on_hand.items()
    ]
    whole["terms"] = {
        "spares": planner.terms.spares,
        "step_mm": planner.step_mm,
        "shim_tolerance_mm": planner.terms.shim_tolerance_mm,
        "within_mm": planner.terms.within_mm,
        "within_costs_deg": max(c.slope_deg_per_mm for c in planner.costs)
        * planner.terms.within_mm,
        "n_draw": planner.terms.n_draw,
        "worthwhile_deg": planner.worthwhile_deg,
    }
    whole["kits"] = [
        _kit(kit, advice, crew)
        | {"letter": screen.letter(i), "knee": i == advice.knee, "chosen": i == advice.chosen}
        for i, kit in enumerate(advice.kits)
    ]
    whole["as_it_is"] = None if advice.as_it_is is None else _kit(advice.as_it_is, advice, crew)
    whole["why"] = advice.why
    whole["boxes"] = [_box(box, advice, crew) for box in advice.boxes]
    whole["one_more"] = [_more(more, crew) for more in advice.more]
    whole["shown"] = {
        "buy": screen.buy_words(advice, crew),
        "makes": screen.made_words(advice, crew),
        "read": screen.legend_words(advice, crew),
        "solved": screen.gap_words(advice),
        "counts": screen.counts_words(advice),
    }
    whole["cautions"] = [screen.MEASURE_FIRST, *IN_FULL]
    return whole


def shopping_list(advice: KitAdvice, crew: Crew) -> bytes:
    """What to buy as CSV, a row an offer; a header alone where there is nothing to buy."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    unit = crew.units.length
    writer.writerow([f"thickness_{unit}", *SHOPPING])
    parts = advice.planner.catalogue
    for i, (n, offer) in enumerate(zip(advice.kit.packs.tolist(), parts.offers, strict=True)):
        if n:
            bore = "" if offer.bore_mm is None else f"{offer.bore_mm:g}"
            size = f"{from_mm(offer.thickness_mm, unit):.5f}".rstrip("0").rstrip(".")
            price = [str(parts.price_of(i)), str(parts.price_of(i) * n)]
            writer.writerow([size, n, offer.pack, *price, bore, _no_formula(offer.source)])
    return text.getvalue().encode("utf-8")


def _no_formula(text: str) -> str:
    """A cell that no spreadsheet reckons with; an apostrophe says that it is text."""
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text


def _kit(kit: Kit, advice: KitAdvice, crew: Crew) -> Json:
    parts = advice.planner.catalogue
    return {
        "price": str(kit.price),
        "loss": {"value_deg": kit.loss_deg, "shown": crew.score(kit.loss_deg)},
        "nine_in_ten_under": {"value_deg": kit.high_deg, "shown": crew.score(kit.high_deg)},
        "share_under_worthwhile": kit.share_fine,
        "loss_by_corner_deg": list(kit.by_wheel_deg),
        "gap": kit.gap,
        "buys": [
            {
                "thickness_mm": offer.thickness_mm,
                "bore_mm": offer.bore_mm,
                "packs": n,
                "pieces_in_pack": offer.pack,
                "price_of_pack": str(parts.price_of(i)),
                "source": offer.source,
            }
            for i, (n, offer) in enumerate(zip(kit.packs.tolist(), parts.offers, strict=True))
            if n
        ],
    }


def _height(row: Height, crew: Crew) -> Json:
    split = row.split
    return {
        "joint_height_mm": row.height_mm,
        "share": row.share,
        "loss_deg": row.loss_deg,
        "above_mm": None if split is None else list(split.above_mm),
        "below_mm": None if split is None else list(split.below_mm),
        "shown": screen.height_words(row.height_mm, crew),
    }


def _box(box: NamedBox, advice: KitAdvice, crew: Crew) -> Json:
    return {
        "name": box.name,
        "shims_mm": list(box.box_mm),
        "price": None if box.price is None else str(box.price),
        "kit": None if box.kit is None else _kit(box.kit, advice, crew),
    }


def _more(more: OneMore, crew: Crew) -> Json:
    offer = more.offer
    return {
        "thickness_mm": more.thickness_mm,
        "on_offer": offer is not None,
        "packs": more.packs,
        "pieces_in_pack": None if offer is None else offer.pack,
        "price_of_pack": None if more.price is None else str(more.price),
        "saves": {"value_deg": more.saves_deg, "shown": crew.score(more.saves_deg)},
    }
