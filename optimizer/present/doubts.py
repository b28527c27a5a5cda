"""What is doubtful about an answer, in words: the screen's, the sheet's and the document's."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.advise.advice import Advice
from optimizer.present.crew import Crew, left_out_words
from optimizer.present.limits import unsafe_words
from optimizer.present.pivot import pivot_doubts, toe_off_words


def static_toe_words(runs: Sequence[str]) -> str:
    """Static toe that contradicts its mark."""
    return (
        f"static toe of {', '.join(runs[:3])} does not fit its eccentric mark (marks count inboard "
        "plus) and the tape: not used; read both again"
    )


def doubt_words(advice: Advice, crew: Crew) -> str:
    """Runs that the others would not have foreseen, and readings ``check`` frowns at."""
    said = unsafe_words(advice.limits, crew)
    said += [left_out_words(advice.set_aside)] if advice.set_aside else []
    missed = sorted(
        (x for x in advice.left_out if x.doubtful), key=lambda x: -x.error_deg / x.spread_deg
    )
    if missed:
        others = f", {missed[1].run} too" if len(missed) > 1 else ""
        said.append(
            f"{missed[0].run} is {crew.score(missed[0].error_deg)} {crew.units.toe} off what the "
            f"other runs foretell{others}: before you act on this, check stack, length and signs"
        )
    if advice.static_toe_in_doubt:
        said.append(static_toe_words(advice.static_toe_in_doubt))
    said += toe_off_words(advice, crew)
    said += pivot_doubts(advice)
    if advice.now.run in advice.half_entered:
        said.append(
            f"{advice.now.run}, where the car stands, is half entered: go on with shimopt enter"
        )
    elif not advice.now_is_measured and advice.now.run not in advice.set_aside:
        said.append(f"{advice.now.run}, where the car stands, has no readings yet")
    begun = [name for name in advice.half_entered if name != advice.now.run]
    if begun:
        said.append(
            f"{', '.join(begun[:2])} {'is' if len(begun) == 1 else 'are'} half entered (go on with "
            f"shimopt enter), and this counts from {advice.now.run}"
        )
    if advice.planned:
        said.append(
            f"{', '.join(advice.planned[:2])} without readings is taken for a plan, and this "
            f"counts from {advice.now.run}; if the car stands there, name it in current_run"
        )
    if advice.readings_in_doubt:
        every = len(advice.readings_in_doubt) == advice.n_run > 1
        which = "all runs" if every else ", ".join(advice.readings_in_doubt[:3])
        said.append(f"readings of {which}: see shimopt check")
    return "; ".join(said)
