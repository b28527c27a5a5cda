"""What the pair of an axle does to the car, in words: in roll, braking or under power, over bumps.

What toe does to a car (steadier, sharper) is common practice, no source.
"""

from __future__ import annotations

import numpy as np

from optimizer.advise.axle import AxleAdvice
from optimizer.advise.eccentric import Band
from optimizer.advise.pair import OPPOSITE_MM, PairFigures, RollSteer
from optimizer.present.crew import Crew
from optimizer.units import from_mm

# less steer in roll, or toe of the pair, than anybody could feel
FELT_ROLL, FELT_PAIR_DEG = 0.005, 0.02


def roll_words(found: AxleAdvice, crew: Crew, short: bool = False) -> str:
    """Steer of the axle in roll, now and next, with what it does to the car."""
    now, then, place = found.now.figures.roll, found.advised.figures.roll, found.axle.place
    text = _roll(now, place, crew, short, per=_per(now, crew))
    if found.action == "stay":
        return text
    return f"now {text}; next {_roll(then, place, crew, short)}"


def _roll_way(band: Band) -> str:
    if band.low <= 0.0 <= band.high or abs(band.value) < FELT_ROLL:
        return "none"
    return "into" if band.value > 0.0 else "out"


def _roll(roll: RollSteer, place: str, crew: Crew, short: bool, per: str = "") -> str:
    band = roll.opposite_deg if roll.per_deg is None else roll.per_deg
    way, unit = _roll_way(band), crew.units.toe
    if way == "none":
        most = max(abs(band.low), abs(band.high), FELT_ROLL)
        return f"under {crew.score(most)} {unit}{per}: nothing to feel"
    effect = {
        ("rear", "into"): "roll understeer, steadier",
        ("rear", "out"): "roll oversteer, sharper on entry, may step out",
        ("front", "into"): "roll oversteer, sharper on entry",
        ("front", "out"): "roll understeer, steadier",
    }[place, way]
    low, high = sorted((abs(band.low), abs(band.high)))
    span = "" if short else f" ({crew.score(low)} to {crew.score(high)})"
    turn = "into the turn" if way == "into" else "out of the turn"
    return f"{crew.score(band.value)} {unit} {turn}{per}{span}: {effect}"


def _per(roll: RollSteer, crew: Crew) -> str:
    if roll.per_deg is not None:
        return " for a degree of roll"
    amount = from_mm(OPPOSITE_MM, crew.units.travel)
    return f" for {amount:.2g} {crew.units.travel} up on one wheel, down on the other"


def pair_words(found: AxleAdvice, crew: Crew, short: bool = False) -> str:
    """Toe of both wheels together at the ends of travel, now and next, with its effect."""
    now, then = found.now.figures, found.advised.figures
    rear = found.axle.place == "rear"
    braking, power = ("braking", "power") if short else ("braking, entry", "power, exit")
    ends = ((0, braking if rear else power), (-1, power if rear else braking))
    said = []
    for at, when in ends:
        travel = crew.travel(float(now.travel_mm[at]))
        text = f"{travel} ({when}) {_pair(now, at, crew)}"
        if found.action == "set":
            text += f", next {_pair(then, at, crew)}"
        said.append(text)
    return "; ".join(said)


def _pair(figures: PairFigures, at: int, crew: Crew) -> str:
    value, half = float(figures.total_deg[at]), float(figures.half_deg[at])
    if abs(value) < max(half, FELT_PAIR_DEG):
        return f"under {crew.amount(max(abs(value) + half, FELT_PAIR_DEG))}"
    return f"{crew.toe(value)}, {'steadier' if value > 0.0 else 'sharper'}"


def bumps_words(found: AxleAdvice, crew: Crew) -> str:
    """How the pair steers the axle where both wheels move alike, where it does so most."""
    now, then = found.now.figures, found.advised.figures
    # where it steers most of what can be told, now before next
    worst = now if uneven_at(now) is not None or uneven_at(then) is None else then
    at = int(np.argmax(np.abs(worst.heave_steer_deg)))
    text = f"both wheels at {crew.travel(float(now.travel_mm[at]))} steer "
    text += _steer(now, at, crew)
    return text if found.action == "stay" else f"{text}, next {_steer(then, at, crew)}"


def _steer(figures: PairFigures, at: int, crew: Crew) -> str:
    value = float(figures.heave_steer_deg[at])
    if abs(value) < _told(figures, at):
        return "neither way"
    return f"{crew.amount(value)} {'left' if value > 0.0 else 'right'}"


def _told(figures: PairFigures, at: int) -> float:
    """The least steer of the pair that can be told and felt."""
    return max(float(figures.half_deg[at]), FELT_PAIR_DEG) / 2.0


def uneven_at(figures: PairFigures) -> int | None:
    """Where the pair steers most, if that can be told."""
    at = int(np.argmax(np.abs(figures.heave_steer_deg)))
    return at if abs(float(figures.heave_steer_deg[at])) >= _told(figures, at) else None
