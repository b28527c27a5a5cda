"""Words of the hardware's limits: short for the screen, whole for JSON and the sheet."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from optimizer.advise.room import Limit, Name
from optimizer.present.cautions import CAMBER_TOO, LENGTH_FIRST
from optimizer.present.crew import Crew

if TYPE_CHECKING:
    from optimizer.advise.advice import Advice, StackEnd

SAME_STRESS = 0.005

NAMES: dict[Name, str] = {
    "eccentric": "eccentric",
    "thread": "thread",
    "engagement": "engaged thread",
    "pitch": "thread pitch",
    "tilt": "joint tilt",
    "showing": "thread past the nut",
    "bending": "stud bending",
    "shims": "shims",
    "window": "window",
}
# what to measure or state, by the key of car.toml that takes it
ASKS = {
    "inboard_left": "how far the eccentric can still go inboard (inboard_left)",
    "outboard_left": "how far it can go outboard (outboard_left)",
    "shorter": "how far the link can be screwed in (shorter)",
    "longer": "how far it can be screwed out, thread kept (longer), or the thread engaged at "
    "each end",
    "engaged_inner": "the thread engaged at the inner end (engaged_inner)",
    "engaged_outer": "the thread engaged at the outer end (engaged_outer)",
    "least_engaged": "the least engaged thread you accept (least_engaged), or the thread's size",
    "pitch": "the thread's pitch or size",
    "bore or allowed_tilt": "the rod end's bore, or the tilt its maker allows (allowed_tilt)",
    "tilt": "the link's angle out of square with the stud at ride height (tilt)",
    "points": "the hard points",
    "stud length": "the stud from its face to its end (length)",
    "nut": "the height of the nut (nut)",
    "bore": "the rod end's bore, or its ball's width (width)",
    "stud size or least_showing": "the stud's size, or the least thread that must show "
    "(least_showing)",
    "stud size": "the stud's size, or its shank",
    "stud class": "the class on the stud's head (class)",
    "load": "the load at the joint (load)",
}
BOTTOMING = "look for the joint bottoming on its cone or boot"
IN_STEER = (
    "tilt in steer is not known from this: swing the steering from lock to lock at full droop "
    "and at full bump"
)


def first_words(advice: Advice, *, toe_moves: bool) -> str:
    """What comes before everything else: that the car does not drive yet."""
    if not toe_moves:
        return ""
    turned = abs(advice.move.turn.change_mm) >= SAME_STRESS
    if turned and advice.corner.role == "one-of-two":
        return f"{LENGTH_FIRST} {CAMBER_TOO}"
    return LENGTH_FIRST


def unsafe_words(limits: Sequence[Limit], crew: Crew) -> list[str]:
    """Limits that the car stands past today, each said loudly."""
    said = []
    for limit in limits:
        if limit.unsafe_now and limit.left_now is not None:
            past = _room(limit, limit.left_now + limit.give_or_take, crew)
            said.append(
                {
                    "thread": f"THE LINK STANDS {past} PAST ITS THREAD LIMIT",
                    "engagement": f"THE LINK'S THREAD IS {past} SHORT OF ITS LEAST ENGAGED",
                    "tilt": f"THE JOINT TILTS {past} PAST WHAT IT ALLOWS",
                    "showing": f"THREAD PAST THE NUT IS {past} SHORT",
                    "bending": f"THE STUD BENDS {past} PAST ITS CEILING",
                }[limit.name]
                + ": do not drive"
            )
    return said


def limits_words(limits: tuple[Limit, ...], advice: Advice, crew: Crew, brevity: int = 0) -> str:
    """What is left, what is near, what is over and what nobody has measured."""
    known, unknown = [], []
    for limit in limits:
        if limit.name == "window":
            known.append("the window reaches past what was measured: a guess there")
        elif limit.status == "unknown":
            look = " (look at cone and boot)" if limit.name == "tilt" else ""
            unknown.append(f"{NAMES[limit.name]}{look}")
        elif limit.status == "over":
            known.insert(0, _over(limit, crew))
        elif limit.status in ("ok", "near") and not (brevity > 5 and limit.status == "ok"):
            known += _short(limit, crew)
        if limit.name == "bending" and limit.status == "unknown" and _bends(limit) and brevity < 6:
            known.append(_bent_more(limit))
    if advice.stack_end is not None and brevity < (8 if _pays(advice) else 6):
        known.append(_stack_words(advice.stack_end, advice, crew, brief=brevity > 2))
    if advice.unmeasured_mm is not None:
        from optimizer.present.wished import guess_words

        known.append(guess_words(advice.unmeasured_mm, crew))
    if advice.outside is not None:
        from optimizer.present.wished import outside_words  # `check` needs none of it

        known += outside_words(advice.outside)
    short = crew.range_short(advice.outlook.toe_deg)
    if short is not None:
        known.insert(0, f"GAUGE RANGE {short[0]}, {short[1]} NEEDED: a longer one, or less travel")
    if unknown:
        known.append(f"not known: {', '.join(unknown)}")
    if not brevity:
        known += ruled_out_words(advice)
    return "; ".join(known)


def _stack_words(end: StackEnd, advice: Advice, crew: Crew, *, brief: bool) -> str:
    """That the joint is at the end of its stack, and whether more of it would pay."""
    split = advice.move.spot.split
    full, way = (split.below_mm, "higher") if end.way == "up" else (split.above_mm, "lower")
    at_end = "the stack ends here"
    at_end += "" if brief else f" ({crew.length(sum(full))}, none on the other side)"
    if not _pays(advice):
        return at_end
    needs = {
        "clevis": "which this clevis does not take",
    }.get(advice.corner.stack.face, "with a taller stack, which bends the stud more")
    return (
        f"{at_end}: {crew.length(end.further_mm)} {way} would gain {crew.score(end.gain_deg)} "
        f"{crew.units.toe}, {needs}"
    )


def _pays(advice: Advice) -> bool:
    """Going past the end of the stack would gain what is worth a run."""
    end = advice.stack_end
    return not advice.wishes and end is not None and end.gain_deg >= advice.goal.worthwhile_deg


def ruled_out_words(advice: Advice) -> list[str]:
    """How many settings were ruled out, and by what."""
    if not advice.n_ruled_out:
        return []
    which = [f"{NAMES[name]} {n}" for name, n in _most_first(advice)]
    if sum(n for _, n in advice.ruled_out) > advice.n_ruled_out:
        which.append("some by more than one")
    return [f"{advice.n_ruled_out} settings ruled out ({', '.join(which)})"]


def _most_first(advice: Advice) -> list[tuple[Name, int]]:
    return sorted(advice.ruled_out, key=lambda x: -x[1])


def whole_words(limit: Limit, advice: Advice, crew: Crew) -> str:
    """One limit in full: room after the move and today, the worst place, what to measure."""
    name = NAMES[limit.name]
    if limit.name == "window":
        return "the window reaches past what was measured: what is said there is a guess"
    if limit.status == "not-reckoned":
        return f"{name}: the bolt is held on both sides of the joint, so it is not reckoned"
    said = []
    if limit.left is not None:
        said.append(_over(limit, crew) if limit.status == "over" else _left(limit, crew))
        if limit.left_now is not None:
            today = _room(limit, limit.left_now, crew)
            past = "past it" if limit.left_now < 0.0 else "left"
            said.append(f"as the car stands {today} {past}")
        if limit.give_or_take:
            said.append(f"{limit.give_or_take:.0f} deg taken off for what is not known well")
    for end, then, now in limit.engaged_mm:
        said.append(f"{end} end {crew.rough_length(then)} ({crew.rough_length(now)} today)")
    if limit.engaged_mm and limit.least_mm is not None:
        said.append(f"at least {crew.rough_length(limit.least_mm)} must be")
    if limit.bending is not None:
        bent = limit.bending
        said.append(
            f"{bent.stress_mpa:.0f} MPa for {bent.load_n:.0f} N, "
            f"{100.0 * (bent.proof_share or 0.0):.0f} in 100 of proof stress, "
            f"{100.0 * (bent.fatigue_share or 0.0):.0f} in 100 of a quarter of ultimate"
        )
    if limit.change is not None:
        said.append(_bent_more(limit))
    if limit.name == "tilt":
        said.append(BOTTOMING)
        said += [IN_STEER] if advice.corner.steered else []
    if limit.asks:
        said.append(f"to know more, state {', '.join(ASKS[a] for a in limit.asks)}")
    known = "" if limit.status != "unknown" else "not known well enough to rule anything out; "
    return f"{name}: {known}{'; '.join(said)}"


def limit_document(limit: Limit, advice: Advice, crew: Crew) -> dict[str, Any]:
    """One limit for ``--json``; room in its own unit, beside the words."""
    unit = limit.unit
    bent = limit.bending
    return {
        "name": limit.name,
        "status": limit.status,
        f"left_{unit}": limit.left,
        f"left_today_{unit}": limit.left_now,
        "give_or_take": limit.give_or_take,
        "worst_at_travel_mm": limit.at_travel_mm,
        "engaged_mm": {end: {"after": then, "today": now} for end, then, now in limit.engaged_mm},
        "least_engaged_mm": limit.least_mm,
        "stress_mpa": None if bent is None else bent.stress_mpa,
        "of_proof_stress": None if bent is None else bent.proof_share,
        "of_fatigue_ceiling": None if bent is None else bent.fatigue_share,
        "stress_change": limit.change,
        "not_known": list(limit.asks),
        "do_not_drive": limit.unsafe_now,
        "shown": whole_words(limit, advice, crew),
    }


def sheet_words(advice: Advice, crew: Crew) -> str:
    """All limits in full, for paper."""
    said = [whole_words(x, advice, crew) for x in advice.limits]
    return ". ".join(text[0].upper() + text[1:] for text in said)


def _left(limit: Limit, crew: Crew) -> str:
    near = ", close to its end" if limit.status == "near" else ""
    at = "" if limit.at_travel_mm is None else f" at {crew.travel(limit.at_travel_mm)}"
    return f"{_room(limit, limit.left or 0.0, crew)} left{at}{near}"


def _short(limit: Limit, crew: Crew) -> list[str]:
    """A limit that is kept, for the screen."""
    if limit.name == "shims" or limit.left is None:
        return []
    if limit.name == "bending":
        now = "" if limit.left_now is None else f" ({_used(limit.left_now)} now)"
        near = ", near it" if limit.status == "near" else ""
        return [f"stud bends to {_used(limit.left)} in 100 of its ceiling{now}{near}"]
    return [f"{NAMES[limit.name]} {_left(limit, crew)}"]


def _over(limit: Limit, crew: Crew) -> str:
    past = _room(limit, limit.left or 0.0, crew)
    at = "" if limit.at_travel_mm is None else f" at {crew.travel(limit.at_travel_mm)}"
    end = {
        "engagement": "TOO LITTLE",
        "tilt": "PAST WHAT IT ALLOWS",
        "showing": "TOO SHORT",
        "bending": "PAST ITS CEILING",
        "shims": "TOO MANY",
    }.get(limit.name, "PAST ITS END")
    return f"{NAMES[limit.name].upper()} {past} {end}{at}"


def _room(limit: Limit, room: float, crew: Crew) -> str:
    amount = abs(room)
    if limit.unit == "deg":
        return f"{amount:.0f} deg" if amount >= 1.95 else f"{amount:.1f} deg"
    if limit.unit == "share":
        return f"{100.0 * amount:.0f} in 100"
    if limit.unit == "shims":
        return f"{amount:.0f}"
    return crew.rough_length(room)


def _used(left: float) -> str:
    return f"{100.0 * (1.0 - left):.0f}"


def _bends(limit: Limit) -> bool:
    return limit.change is not None and abs(limit.change) >= SAME_STRESS


def _bent_more(limit: Limit) -> str:
    if not _bends(limit) or limit.change is None:
        return "stud bends as it does today"
    more = "more" if limit.change > 0.0 else "less"
    return f"stud bends {100.0 * abs(limit.change):.0f} in 100 {more} than today"
