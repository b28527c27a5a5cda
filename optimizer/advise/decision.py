"""Go on, stay or go back, with the wishes respected."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from optimizer.advise.advice import Action, Spot, Verdict, WishChance
from optimizer.advise.choice import Choice, Measured, can_be_made, verdict_on, where_to_stop
from optimizer.advise.makeable import is_inside
from optimizer.advise.room import HardLimit
from optimizer.advise.settings import Settings
from optimizer.advise.table import SAME_HEIGHT_MM, SAME_LENGTH_MM, Table
from optimizer.advise.wishes import NEAR, Wishes
from optimizer.record import record


@record
class Decision:
    """What to do at last, why, and how sure each wish then is."""

    spot: Spot
    action: Action
    verdict: Verdict
    wishes: tuple[WishChance, ...]


def measured_settings(
    table: Table, field: Settings, wishes: Wishes, limits: Sequence[HardLimit]
) -> Measured:
    """Measured settings that keep to the wishes; the table compares with the best of them.

    Where none does, it compares with the one that comes nearest, and none may be settled
    for.
    """
    makeable = [m for m in table.measured if can_be_made(field, m) and is_inside(limits, m)]
    if not wishes.any:
        return Measured(settled=list(table.measured), makeable=makeable)
    left = wishes.left(field)
    sound = [m for m in makeable if wishes.allows(m) or _is_among(left, m)]
    if sound:
        table.hold_best([table.measured.index(m) for m in sound])
    else:
        table.hold_best(wishes.best_of(table.measured))
    return Measured(settled=sound, makeable=sound)


def decide(
    table: Table,
    choice: Choice,
    measured: Measured,
    wishes: Wishes,
    *,
    past_a_limit: bool = False,
) -> Decision:
    """Go on where a run should gain enough, or where only a new setting keeps to the wishes.

    Never "stay" at a setting that breaks a wish while another would keep it, nor where the
    car stands past a limit of its hardware.
    """
    verdict = verdict_on(table, choice)
    spot, action = choice.spot, choice.action
    held = table.measured[table.best_measured]
    if past_a_limit:
        if not verdict.go_on:
            spot, action = _way_inside(table, choice, measured, verdict.limit_deg)
        verdict = replace(verdict, go_on=True, past_a_limit=True)
        told = wishes.told(table.now, spot, held)
        return Decision(spot=spot, action=action, verdict=verdict, wishes=told)
    if not wishes.any:
        if not verdict.go_on:
            spot, action = where_to_stop(table, measured, verdict.limit_deg)
        return Decision(spot=spot, action=action, verdict=verdict, wishes=())
    none_keeps = not measured.makeable
    if none_keeps:
        verdict = replace(verdict, go_on=True, gain_deg=table.outlook(spot).gain_deg)
    elif not verdict.go_on:
        stands = wishes.allows(table.now) or any(m.run == table.now.run for m in measured.makeable)
        limit = verdict.limit_deg
        spot, action = where_to_stop(table, measured, limit, may_stay=stands)
    told = wishes.told(table.now, spot, held)
    if none_keeps or action == "go-back":
        before = [w.best_measured if none_keeps else w.now for w in told]
        gains = [w.after - was for w, was in zip(told, before, strict=True)]
        first = next((i for i, gain in enumerate(gains) if gain > NEAR), None)
        if first is not None:
            verdict = replace(verdict, wish=told[first].kind, wish_gain=gains[first])
    return Decision(spot=spot, action=action, verdict=verdict, wishes=told)


def _way_inside(
    table: Table, choice: Choice, measured: Measured, limit_deg: float
) -> tuple[Spot, Action]:
    """The best measured setting inside the limits, or the best guess where that is worth more."""
    guess = choice.best_guess
    if not measured.makeable:
        return guess, "try"
    best, _ = where_to_stop(table, measured, limit_deg, may_stay=False)
    here, there = (table.scores(s.height_mm, s.length_change_mm) for s in (best, guess))
    gain = float(np.mean(np.maximum(here - there, 0.0)))
    return (guess, "try") if guess.run is None and gain >= limit_deg else (best, "go-back")


def _is_among(left: Settings, spot: Spot) -> bool:
    near = np.abs(left.height - spot.height_mm) < SAME_HEIGHT_MM
    return bool(np.any(near & (np.abs(left.change - spot.length_change_mm) < SAME_LENGTH_MM)))
