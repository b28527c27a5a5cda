"""Suspects in words: what may have happened, the evidence, and what to look at."""

from __future__ import annotations

import shlex

from optimizer.advise.suspects import Suspect, SuspectKind
from optimizer.present.crew import Crew

# what may have happened, and what to do about it
STORIES: dict[SuspectKind, tuple[str, str]] = {
    "one-reading": (
        "one reading is off",
        "something touched the plate, or a slip of the pen: take that travel again",
    ),
    "zero-drift": (
        "the zero moved during the pass",
        "look for a loose contact or a jack on the plate, and take the pass again",
    ),
    "pass-reversed": (
        "the pass is written in the opposite order",
        "compare with the sheet, and turn the column round if so",
    ),
    "shims-swapped": (
        "the shims above and below are written the wrong way round",
        "look at the car, and mend the row in runs.csv",
    ),
    "length-sign": (
        "the length change has the wrong sign",
        "longer is plus: look at the link's thread, and mend the row in runs.csv",
    ),
    "dial-sign": (
        "the dial was read the other way, or this is the other side of the car",
        "turn the link a little and see which way the dial goes",
    ),
    "wrong-unit": (
        "the readings are in another unit (inches for millimetres, or the other way)",
        "compare with the sheet, and state the unit in readings.csv",
    ),
    "level-not-held": (
        "the plate was not level, or the rig was mounted askew",
        "set the rig up afresh and take the run again",
    ),
    "travel-sign": (
        "travel is written the wrong way round, bump for droop",
        "compare with the sheet, and turn the signs if so",
    ),
    "runs-exchanged": (
        "the readings of the two runs are exchanged",
        "compare the sheets' dates and names",
    ),
}


def suspect_words(suspect: Suspect, crew: Crew) -> str:
    """One suspect: story, evidence and remedy, other stories named where as likely."""
    story, remedy = STORIES[suspect.kind]
    where = ""
    if suspect.kind == "one-reading" and suspect.travel_mm is not None:
        line = f", readings.csv line {suspect.line}" if suspect.line else ""
        where = f" (pass {suspect.sweep}, {crew.travel(suspect.travel_mm)}{line})"
    elif suspect.sweep is not None:
        where = f" (pass {suspect.sweep})"
    sure = "most likely" if suspect.sure else "perhaps"
    text = f"{sure} {story}{where}: {odds_in_words(suspect.log_odds)}. To do: {remedy}"
    others = [STORIES[kind][0] for kind in suspect.also]
    if others:
        text += f". Or {'; or '.join(others)}"
    return text


def left_to_you(suspect: Suspect, where: str = "") -> str:
    """That nothing was changed, and how to see the advice without what is suspected."""
    text = "nothing was dropped or changed: the word is yours"
    if not suspect.runs:
        return f"{text}, by mending the files"
    which = suspect.runs[-1] if suspect.sweep is None else f"{suspect.runs[-1]}:{suspect.sweep}"
    return f"{text}, by mending the files or shimopt next{where} --leave-out {shlex.quote(which)}"


def odds_in_words(log_odds: float) -> str:
    """The evidence against the facts as logged."""
    if log_odds > 13.8:
        return "over a million times likelier than what is logged"
    odds = 2.718281828459045**log_odds
    figure = f"{odds:.1f}" if odds < 10 else f"{odds:.0f}" if odds < 100 else f"{odds:.2g}"
    if odds >= 100:
        figure = str(int(float(figure)))
    return f"{figure} times likelier than what is logged"


def suspect_name(suspect: Suspect) -> str:
    """Whom it concerns, for a label."""
    return " and ".join(suspect.runs) or "every run"
