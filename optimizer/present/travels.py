"""Which travels the next run is to be measured at."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from optimizer.errors import CallError
from optimizer.logbook import parse_length
from optimizer.logbook.readings import RIDE_HEIGHT_MM
from optimizer.logbook.table import MOST_TRAVEL_MM
from optimizer.present.crew import Crew
from optimizer.record import record
from optimizer.units import from_mm, to_mm

MOST_TRAVELS = 15  # ride height among them
ROUND_STEPS = {
    "mm": (5.0, 10.0, 20.0, 25.0, 50.0),
    "cm": (0.5, 1.0, 2.0, 2.5, 5.0),
    "in": (0.25, 0.5, 1.0, 2.0),
}
# a default stroke leaves room for the goal's travel and for the one that proves it wrong
MOST_BY_DEFAULT = 13
UNSTATED_STROKE = {"mm": 50.0, "cm": 5.0, "in": 2.0}
# an end of the stroke nearer than this part of a step to the last travel is left out
NEAR_END = 0.25


@record
class Asked:
    """What the crew asked for: travels as typed, or a step as typed, or neither."""

    travels: str | None = None
    step: str | None = None


@record
class EnterAsks:
    """What ``enter`` asks by itself: travels in mm, and passes."""

    travel_mm: tuple[float, ...]
    passes: tuple[str, ...]


def enter_flags(
    travel_mm: Sequence[float], passes: Sequence[str], crew: Crew, own: EnterAsks | None
) -> str:
    """Flags with which ``enter`` asks for these; empty where it does by itself.

    Ride height goes without saying. Without ``own`` both are named.
    """
    flags = ""
    if own is None or _named(own.travel_mm, crew) != _named(travel_mm, crew):
        flags += f" --travels {travels_flag(travel_mm, crew)}"
    if own is None or own.passes != tuple(passes):
        flags += f" --passes {','.join(passes)}"
    return flags


def travels_flag(travel_mm: Sequence[float], crew: Crew) -> str:
    """Travels as ``enter`` and ``sheet`` take them, in the crew's unit and sign."""
    signed = (from_mm(z, crew.units.travel) * crew.signs.travel for z in travel_mm)
    return f'"{" ".join(f"{z:.4g}" for z in signed)}"'


def _named(travel_mm: Sequence[float], crew: Crew) -> set[str]:
    return {crew.travel(z) for z in travel_mm} - {crew.travel(0.0)}


def travels_to_set(
    asked: Asked,
    crew: Crew,
    *,
    measured_mm: Sequence[float] = (),
    window_mm: tuple[float, float] | None = None,
    wanted_mm: Iterable[float] = (),
) -> list[float]:
    """Travels of a sheet in mm, droop first, ride height left out.

    The stroke is what was measured or what the goal's window holds, the wider at each
    end; without either, 50 mm (2 in) each way.

    Parameters
    ----------
    asked : the crew's flags
    crew : its units and signs
    measured_mm : travels of the last run, taken as they are where nothing was asked
    window_mm : the goal's window
    wanted_mm : travels added unless the crew named its own

    Raises
    ------
    CallError
        If the flags are no travels, or there are more than a page holds.
    """
    if asked.travels is not None and asked.step is not None:
        raise CallError("--travels and --step are both given", "give one of them")
    ends = [*measured_mm, *(window_mm or ())]
    reach = to_mm(UNSTATED_STROKE[crew.units.travel], crew.units.travel)
    low, high = (min(0.0, *ends), max(0.0, *ends)) if len(ends) > 1 else (-reach, reach)
    if asked.travels is not None:
        chosen = _typed(asked.travels, crew)
    elif asked.step is not None:
        chosen = [*_stepped(low, high, _step(asked.step, crew)), *wanted_mm]
    else:
        chosen = [*_default(low, high, measured_mm, crew), *wanted_mm]
    shown: dict[str, float] = {}
    for z in chosen:
        if abs(z) > RIDE_HEIGHT_MM:
            shown.setdefault(crew.travel(z), z)
    shown.pop(crew.travel(0.0), None)
    travels = sorted(shown.values())
    if len(travels) < 2:
        raise CallError("fewer than two travels to set beside ride height", _remedy(crew))
    if len(travels) + 1 > MOST_TRAVELS:
        raise CallError(
            f"{len(travels) + 1} travels are more than a page holds ({MOST_TRAVELS}, ride height "
            "among them)",
            _remedy(crew),
        )
    return travels


def _remedy(crew: Crew) -> str:
    big = f"{2.0 * ROUND_STEPS[crew.units.travel][1]:g}"
    reach = f"{UNSTATED_STROKE[crew.units.travel]:g}"
    return f'take another --step, such as {big}, or name --travels, such as "-{reach} {reach}"'


def _default(low: float, high: float, measured_mm: Sequence[float], crew: Crew) -> list[float]:
    """The travels of the last run and the window's ends, or round steps where those are many."""
    kept = {crew.travel(z): z for z in (*measured_mm, low, high)}
    if len(measured_mm) >= 2 and len(kept) < MOST_BY_DEFAULT:
        return list(kept.values())
    steps = [to_mm(s, crew.units.travel) for s in ROUND_STEPS[crew.units.travel]]
    least = (high - low) / (MOST_BY_DEFAULT - 2)
    return _stepped(low, high, next((s for s in steps if s >= least), steps[-1]))


def _stepped(low: float, high: float, step: float) -> list[float]:
    """Multiples of a step within the stroke, and its ends where they are not near one."""
    if (high - low) / step > 1000.0:
        raise CallError(f"a step of {step:.3g} mm is too fine for a page", "take a larger --step")
    slack = 1e-6 * step
    out = [k * step for k in range(math.ceil((low - slack) / step), int((high + slack) / step) + 1)]
    ends = [(low, out[0] - low), (high, high - out[-1])]
    return [*out, *(end for end, gap in ends if gap > NEAR_END * step)]


def _length(text: str, crew: Crew, flag: str, example: str) -> float:
    try:
        return parse_length(text, crew.units.travel)
    except CallError as bad:
        remedy = f"write {flag} in {crew.units.travel}, such as {example}"
        raise CallError(bad.found, remedy) from None


def _step(text: str, crew: Crew) -> float:
    step = _length(text, crew, "--step", f"{2.0 * ROUND_STEPS[crew.units.travel][1]:g}")
    if not step > 0.0:
        raise CallError(f"a step of {text} leads nowhere", "take a --step above zero")
    return to_mm(step, crew.units.travel)


def _typed(text: str, crew: Crew) -> list[float]:
    """Travels as typed: parted by spaces or semicolons, or else by commas."""
    words = text.replace(";", " ").split()
    if len(words) == 1:
        words = words[0].split(",")
    out = []
    reach = f"{UNSTATED_STROKE[crew.units.travel]:g}"
    for word in words:
        number = _length(word.removesuffix(","), crew, "--travels", f'"-{reach} {reach}"')
        value = number * crew.signs.travel
        travel = to_mm(value, crew.units.travel)
        if abs(travel) > MOST_TRAVEL_MM:
            most = from_mm(MOST_TRAVEL_MM, crew.units.travel)
            raise CallError(
                f"a wheel travel of {word} {crew.units.travel} is absurd",
                f"name --travels within {most:.3g} {crew.units.travel} of ride height",
            )
        out.append(travel)
    return out
