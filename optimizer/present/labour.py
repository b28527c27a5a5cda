"""The labour of an answer in words: minutes, gain for an hour, and what shares the work."""

from __future__ import annotations

from typing import Any

from optimizer.advise.advice import Advice, Move, RunnerUp
from optimizer.advise.labour import Batch, Minutes, Part, Work
from optimizer.present.crew import Crew
from optimizer.present.layout import labelled

PARTS: dict[Part, str] = {
    "shims": "moving shims",
    "length": "a length change",
    "alignment": "alignment",
    "run": "a run",
}


def minutes_words(minutes: Minutes) -> str:
    """Minutes of work, with what nobody stated; empty where nothing is stated."""
    total = minutes.total_min
    if total is not None:
        return f"{total:.0f} min of work" if minutes.parts else "no work"
    if not minutes.known_min:
        return ""
    unknown = " and ".join(PARTS[part] for part in minutes.unknown)
    return f"{minutes.known_min:.0f} min of work and what {unknown} takes"


def rate_words(work: Work, crew: Crew) -> str:
    """What an hour of the work gains; empty where its minutes are not all stated."""
    if work.gain_per_hour_deg is None:
        return ""
    return f"{crew.score(work.gain_per_hour_deg)} {crew.units.toe} gained an hour"


def work_words(advice: Advice, crew: Crew) -> tuple[str, ...]:
    """What to add of the advised move's work, the fullest first; none where nothing is stated."""
    if advice.action == "stay":
        return ()
    return _fullest_first(advice.effort.work, crew)


def runner_up_work_words(other: RunnerUp, advice: Advice, crew: Crew) -> tuple[str, ...]:
    """The same of a runner-up, marked where it gains most by the hour."""
    best = advice.effort.best_by_hour
    words = _fullest_first(other.work, crew)
    if best is None or advice.runners_up[best] is not other:
        return words
    return (*(f"{text}, best by the hour" for text in words), ", best by the hour")


def _fullest_first(work: Work, crew: Crew) -> tuple[str, ...]:
    minutes, rate = minutes_words(work.minutes), rate_words(work, crew)
    if not minutes:
        return ()
    known = (f"; {work.minutes.known_min:.0f} min",) if not work.minutes.unknown else ()
    return (f"; {minutes}{', ' if rate else ''}{rate}", f"; {minutes}", *known)


def with_work(text: str, more: tuple[str, ...], width: int, *, roomy: bool) -> str:
    """Text with the fullest addition, or with the fullest that takes no further line."""
    if roomy:
        return text + (more[0] if more else "")
    lines = len(labelled("", text, width))
    fitting = (text + m for m in more if len(labelled("", text + m, width)) <= lines)
    return next(fitting, text)


def batch_words(batch: Batch, crew: Crew) -> str:
    """Runs that share one length change, and what that saves."""
    shared = [batch.order[k] for k in batch.shared]
    change = shared[0].turn.change_mm
    way = "longer" if change > 0 else "shorter"
    text = (
        f"while the link is off, {crew.length(change)} {way}: "
        f"{' and '.join(_stacks(m, crew) for m in shared)}, a run each"
    )
    if batch.saved_min:
        return f"{text}; {batch.saved_min:.0f} min saved"
    return f"{text}; the link is turned once for {len(shared)} runs"


def _stacks(move: Move, crew: Crew) -> str:
    split = move.spot.split
    return f"{crew.stack(split.above_mm)} over {crew.stack(split.below_mm)}"


def work_document(work: Work, crew: Crew) -> dict[str, Any]:
    """One setting's work for the JSON document."""
    rate = work.gain_per_hour_deg
    minutes = work.minutes
    return {
        "minutes": minutes.total_min,
        "minutes_known": minutes.known_min,
        "parts": dict(minutes.parts),
        "not_stated": list(minutes.unknown),
        "gain_deg_per_hour": rate,
        "shown": ", ".join(x for x in (minutes_words(minutes), rate_words(work, crew)) if x),
    }


def effort_document(advice: Advice, crew: Crew) -> dict[str, Any]:
    """The labour of an answer for the JSON document."""
    effort = advice.effort
    batch, best = effort.batch, effort.best_by_hour
    return {
        **work_document(effort.work, crew),
        "best_by_hour": None if best is None else advice.runners_up[best].kind,
        "batch": None
        if batch is None
        else {
            "order": [
                {
                    "joint_height_mm": m.spot.height_mm,
                    "length_change_mm": m.spot.length_change_mm,
                    "shown": _stacks(m, crew),
                }
                for m in batch.order
            ],
            "share_a_length": list(batch.shared),
            "length_changes": batch.n_turned,
            "length_changes_as_ranked": batch.n_turned_as_ranked,
            "minutes_saved": batch.saved_min,
            "shown": batch_words(batch, crew),
        },
    }
