"""The answer of ``axle`` as a mechanic's screen: both corners, their difference, and its effect."""

from __future__ import annotations

import textwrap

import numpy as np

from optimizer.advise.advice import Advice, Move
from optimizer.advise.axle import AxleAdvice, HalfAxle, Refusal, WhyNot
from optimizer.advise.labour import minutes_of_both
from optimizer.advise.pair import PairAnswer
from optimizer.advise.room import Limit
from optimizer.present.axle_effect import bumps_words, pair_words, roll_words, uneven_at
from optimizer.present.cautions import AT_HAND, LENGTH_FIRST
from optimizer.present.crew import Crew, spread_of_travels
from optimizer.present.doubts import doubt_words
from optimizer.present.labour import minutes_words, with_work
from optimizer.present.layout import LABEL_WIDTH, NARROW, fitted, heading_lines, labelled, table
from optimizer.present.limits import NAMES, limits_words, unsafe_words
from optimizer.present.note import do_words
from optimizer.present.wished import OUT_OF_REACH, in_100, wish_name

MOST_BRIEF = 8
# from here on whole facts are left out: uneven bumps, then the pair, what alike would cost
LEAVES_OUT = 7
# of ``limits_words``: what is near, over or not known
NEAR_ONLY = 6
NO_COST_DEG = 0.0005
# why an unmeasured side cannot take the other one's setting
REFUSED: dict[WhyNot, str] = {
    "end": "its shims are at the other end of the link than {other}'s",
    "face": "its joint stands on another face than {other}'s",
    "ahead": "its link is on the other side of the upright's pivots than {other}'s",
    "pivot": "only one of the two inner pivots can be moved",
    "split": "its shims cannot make this split",
    "length": "its link cannot change length, and this needs another",
}


def axle_note(
    found: AxleAdvice | HalfAxle, crew: Crew, width: int = 80, height: int = 24, where: str = ""
) -> list[str]:
    """Lines of the answer for one axle, at most ``width`` wide.

    On a screen of 80 columns the answer keeps to ``height`` lines less one for the prompt.
    """
    if isinstance(found, HalfAxle):
        return _half(found, crew, width, where)
    return fitted(lambda n: _whole(found, crew, width, n, where), MOST_BRIEF, width, height)


def _whole(found: AxleAdvice, crew: Crew, width: int, brevity: int, where: str) -> list[str]:
    short = "--json has all" if brevity >= LEAVES_OUT else ""
    lines = heading_lines(heading_words(found), width, short)
    first = first_words(found)
    lines += labelled("First", first, width) if first else []
    doubt, limits = doubts_words(found, crew), both_limits_words(found, crew)
    lines += labelled("Doubt", doubt, width) if doubt else []
    for label, text in set_words(found, crew):
        lines += labelled(label, text, width)
    lines += _table(found, crew, width, brevity)
    score = with_work(score_words(found, crew), _work(found), width, roomy=not brevity)
    lines += labelled("", score, width)
    lines += labelled("Roll", roll_words(found, crew, brevity > 0), width)
    if brevity < 8:
        lines += labelled("Pair", pair_words(found, crew, brevity > 0), width)
    uneven = any(uneven_at(a.figures) is not None for a in (found.now, found.advised))
    if brevity < (7 if uneven else 5):
        lines += labelled("Bumps", bumps_words(found, crew), width)
    if brevity < 8:
        lines += labelled("Alike", alike_words(found, crew, brevity > 1), width)
    wishes = pair_wishes_words(found, crew, short=brevity > 1)
    lines += labelled("Wishes", wishes, width) if wishes else []
    lines += labelled("Limits", limits, width) if limits else []
    lines += labelled("Careful", AT_HAND, width)
    return lines + labelled("Then", then_words(found, where), width)


def heading_words(found: AxleAdvice) -> str:
    """Which axle, after how many runs, and what kind of answer this is."""
    runs = (
        f"{found.left.n_run} and {found.right.n_run} runs"
        if found.left.n_run != found.right.n_run or found.left.n_run > 1
        else "a run each"
    )
    if found.action == "stay":
        kind = "leave both as they stand"
    elif found.wanted is found.alike:
        kind = "one setting for both sides"
    elif found.axle.same:
        kind = "one each, since no setting can be made on both sides"
    else:
        kind = "one setting each"
    if found.past_today:
        kind += ", inside the limits"
    return f"{axle_title(found)}, after {runs}: {kind}"


def axle_title(found: AxleAdvice | HalfAxle) -> str:
    """The axle by name, with its place where the name does not tell it."""
    name = found.axle.name if " " in found.axle.name else f"{found.axle.name} axle"
    return name if found.axle.place in name else f"{name}, at the {found.axle.place}"


def set_words(found: AxleAdvice, crew: Crew) -> list[tuple[str, str]]:
    """The work on each side, a label and text a line; what both sides share is said once."""
    stays = found.action == "stay"
    left, right = (
        side_words(move, advice, crew, stays)
        for move, advice in ((found.advised.left, found.left), (found.advised.right, found.right))
    )
    lines = [f"{side}: {'; '.join(words)}" for side, words in _by_side(left, right, last=False)]
    label = "Stands at" if stays else "Do this"
    return [(label if index == 0 else "", text) for index, text in enumerate(lines)]


def side_words(move: Move, advice: Advice, crew: Crew, stays: bool) -> list[str]:
    """One corner's setting, above over below, and the work to get there."""
    split = move.spot.split
    text = f"{crew.stack(split.above_mm)} over {crew.stack(split.below_mm)}"
    if stays:
        return [text]
    if abs(move.raise_mm) >= 0.005:
        text += f", joint {crew.length(move.raise_mm)} {'higher' if move.raise_mm > 0 else 'lower'}"
    # the first two lines are the stacks
    return [text, *do_words(move, advice, crew)[2:]]


def doubts_words(found: AxleAdvice, crew: Crew) -> str:
    """What ``next`` doubts of each corner."""
    both = {a.corner.name: doubt_words(a, crew) for a in (found.left, found.right)}
    if len(set(both.values())) == 1:
        both = {"both sides": next(iter(both.values()))}
    return "; ".join(f"{name}: {text}" for name, text in both.items() if text)


def both_limits_words(found: AxleAdvice, crew: Crew) -> str:
    """What is near, over or not known on each side, once where both are alike."""
    answer = found.advised
    left, right = (
        [x for x in limits_words(limits, advice, crew, NEAR_ONLY).split("; ") if x]
        for limits, advice in ((answer.left_limits, found.left), (answer.right_limits, found.right))
    )
    return "; ".join(
        f"{side}: {'; '.join(said)}" for side, said in _by_side(left, right, last=True)
    )


def _by_side(left: list[str], right: list[str], *, last: bool) -> list[tuple[str, list[str]]]:
    """What is said of each side, and what is said of both once, first or last."""
    shared = [text for text in left if text in right]
    own = [(side, [t for t in words if t not in shared]) for side, words in
           (("left", left), ("right", right))]  # fmt: skip
    both = [("both sides", shared)]
    return [(side, words) for side, words in (own + both if last else both + own) if words]


def _table(found: AxleAdvice, crew: Crew, width: int, brevity: int) -> list[str]:
    now, then = found.now.figures, found.advised.figures
    travels = spread_of_travels(now.travel_mm)
    at = [int(np.argmin(np.abs(now.travel_mm - z))) for z in travels]
    moves = found.action == "set"

    def row(name: str, values: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> list[str]:
        return [name, *(crew.toe_value(float(values[i])) for i in at)]

    label = f"Toe, {crew.units.toe}"
    rows = [[f"travel, {crew.units.travel}", *(crew.travel(z) for z in travels)]]
    if brevity < 3 or (not moves and brevity < 4):
        rows += [row("left now", now.left_deg), row("right now", now.right_deg)]
    if moves and brevity < 4:
        rows += [row("left next", then.left_deg), row("right next", then.right_deg)]
    if brevity < 6 or not moves:
        rows.append(row("left less right", now.difference_deg))
    if moves:
        name = "and next" if brevity < 6 else "L less R, next"
        rows.append(row(name, then.difference_deg))
    half = [float(then.half_deg[i]) for i in at]
    rows.append(
        ["within", *(crew.score(h) if z else "0" for h, z in zip(half, travels, strict=True))]
    )
    body = table(rows, width)
    if width >= NARROW and body[0].startswith(" " * LABEL_WIDTH):
        body[0] = label.ljust(LABEL_WIDTH) + body[0][LABEL_WIDTH:]
        return body
    return [label, *body]


def score_words(found: AxleAdvice, crew: Crew) -> str:
    """The score over both wheels now and as expected."""
    now, then = found.now.figures.score_deg, found.advised.figures.score_deg
    plain = all(a.goal.kind == "least-change" for a in (found.left, found.right))
    text = f"both wheels {'' if plain else 'off the wanted toe '}"
    text += f"{crew.score(now.value)} {crew.units.toe} RMS"
    span = f"({crew.score(then.low)} to {crew.score(then.high)})"
    if found.action == "stay":
        return f"{text} {span}"
    text += f" now, {crew.score(then.value)} {span} next"
    if then.value <= now.value:
        return text
    return f"{text}, worse, but {'inside the limits' if found.past_today else 'alike'}"


def _work(found: AxleAdvice) -> tuple[str, ...]:
    if found.action == "stay":
        return ()
    move = found.advised
    minutes = minutes_of_both(move.left, move.right, found.left.effort.labour)
    words = minutes_words(minutes)
    brief = () if minutes.unknown else (f"; {minutes.known_min:.0f} min",)
    return (f"; {words}", *brief) if words else ()


def alike_words(found: AxleAdvice, crew: Crew, short: bool = False) -> str:
    """What one setting for both costs against one each."""
    if found.alike is None:
        return "no setting can be made on both sides from their shims and threads"
    cost = found.cost_of_sameness_deg or 0.0
    unit = crew.units.toe
    alike, own = (a.figures.score_deg.value for a in (found.alike, found.own))
    if found.own is found.alike or cost < NO_COST_DEG:
        return f"one setting for both is as good as one each, {crew.score(alike)} {unit} RMS"
    text = f"one setting for both {crew.score(alike)} {unit} RMS, one each {crew.score(own)}: "
    text += f"alike costs {crew.score(cost)}"
    other = found.own if found.wanted is found.alike else found.alike
    if short or found.action == "stay":
        return text
    which = "one each" if other is found.own else "alike"
    return f"{text}. {which}: {_both_spots(other, crew)}"


def pair_wishes_words(found: AxleAdvice, crew: Crew, short: bool = False) -> str:
    """How sure each wish is on each side, and now; empty without wishes."""
    said: dict[str, list[str]] = {}
    sides = (
        ("left", found.left, found.advised.left_wishes, found.own.left_wishes),
        ("right", found.right, found.advised.right_wishes, found.own.right_wishes),
    )
    for side, advice, wishes, alone in sides:
        for wish, at_best in zip(wishes, alone, strict=True):
            text = f"{side} {in_100(wish.after)} in 100"
            if not short and found.action == "set":
                text += f" (now {in_100(wish.now)})"
            if max(wish.after, at_best.after) < OUT_OF_REACH:
                text += " OUT OF REACH"
            said.setdefault(wish_name(wish.kind, advice.goal, crew), []).append(text)
    parts = [f"{name}: {', '.join(texts)}" for name, texts in said.items()]
    if not found.alike_as_wished:
        parts.append("no common setting is as wished: this has least change")
    return "; ".join(parts)


def _both_spots(answer: PairAnswer, crew: Crew) -> str:
    sides = [spot_words(move, crew) for move in (answer.left, answer.right)]
    if sides[0] == sides[1]:
        return f"both {sides[0]}"
    return f"left {sides[0]}; right {sides[1]}"


def spot_words(move: Move, crew: Crew) -> str:
    """A setting in one phrase: the stacks, and how far the link goes from where it stands."""
    split, change = move.spot.split, move.turn.change_mm
    text = f"{crew.stack(split.above_mm)} over {crew.stack(split.below_mm)}"
    if abs(change) >= 0.1:
        text += f", link {crew.length(change)} {'longer' if change > 0 else 'shorter'}"
    return text


def first_words(found: AxleAdvice | HalfAxle) -> str:
    """What comes before everything else; empty where nothing moves static toe."""
    stays = isinstance(found, AxleAdvice) and found.action == "stay"
    unset = isinstance(found, AxleAdvice) and (found.left.toe_unset or found.right.toe_unset)
    return "" if stays and not unset else LENGTH_FIRST


def then_words(found: AxleAdvice, where: str = "") -> str:
    """The next command."""
    if found.axle.track_mm is not None:
        track = ""
    elif found.stated:
        track = "; state the axle's track"
    else:
        track = "; no [axle] table: state it, with the track"
    if found.action == "stay":
        return f"keep the figures: shimopt axle{where} --out axle.pdf{track}"
    return f"set both, measure both, then: shimopt axle{where}{track}"


def _half(found: HalfAxle, crew: Crew, width: int, where: str) -> list[str]:
    """The screen where one corner was never measured."""
    advice, missing = found.measured, found.missing
    have, none = advice.corner.name, missing.name
    lines = textwrap.wrap(
        f"{axle_title(found)}: {none} has no readings, so {have} speaks alone", width
    )
    lines += labelled("First", first_words(found), width)
    doubt, limits = half_doubts_words(found, crew), half_limits_words(found, crew)
    lines += labelled("Doubt", doubt, width) if doubt else []
    lines += labelled("Lost", lost_words(found), width)
    lines += labelled(
        "Do this", f"{have}: {'; '.join(side_words(found.move, advice, crew, False))}", width
    )
    lines += labelled("For both", offered_words(found, crew), width)
    lines += labelled("Limits", limits, width) if limits else []
    lines += labelled("Careful", AT_HAND, width)
    then = f"measure {none} as it stands: shimopt enter{where} --corner {none}"
    return lines + labelled("Then", then, width)


def half_doubts_words(found: HalfAxle, crew: Crew) -> str:
    """What ``next`` doubts of the measured corner, and what the other one stands past."""
    both = {
        found.measured.corner.name: doubt_words(found.measured, crew),
        found.missing.name: "; ".join(unsafe_words(found.missing_limits, crew)),
    }
    return "; ".join(f"{name}: {text}" for name, text in both.items() if text)


def half_limits_words(found: HalfAxle, crew: Crew) -> str:
    """What is near, over or not known of the measured corner, and near on the other."""
    near = [NAMES[x.name] for x in found.missing_limits if x.status == "near"]
    both = {
        found.measured.corner.name: limits_words(found.limits, found.measured, crew, NEAR_ONLY),
        found.missing.name: f"near its limit as it stands: {', '.join(near)}" if near else "",
    }
    return "; ".join(f"{name}: {text}" for name, text in both.items() if text)


def lost_words(found: HalfAxle) -> str:
    """What cannot be told while one corner has no readings."""
    return (
        "the difference left to right, toe of the pair, steer in roll and over bumps: each "
        "needs both wheels"
    )


def offered_words(found: HalfAxle, crew: Crew) -> str:
    """Whether the measured side's setting may go on the other side, and on what trust."""
    have, none = found.measured.corner.name, found.missing.name
    if not found.axle.same:
        return f"not offered for {none}: the sides are set each by itself"
    if found.refusal is not None:
        return f"not offered: {refusal_words(found.refusal, none, have, crew)}"
    unknown = "; how it stands is not in runs.csv" if found.can_be_made is None else ""
    return (
        f"the same on {none} only on trust that its link is {have}'s mirror image{unknown}. "
        "Nothing measured says so"
    )


def refusal_words(refusal: Refusal, name: str, other: str, crew: Crew) -> str:
    """Why a corner cannot take another one's setting."""
    if refusal.why == "hardware":
        return refusal.said
    if refusal.limit is not None:
        return f"{name} would be past its limit there: {_past(refusal.limit, crew)}"
    return f"{name}: " + REFUSED[refusal.why].format(other=other)


def _past(limit: Limit, crew: Crew) -> str:
    past = -(limit.left or 0.0)
    if limit.unit == "mm":
        return f"{NAMES[limit.name]} by {crew.rough_length(past)}"
    if limit.unit == "share":
        return f"{NAMES[limit.name]} by {100.0 * past:.0f} in 100"
    return NAMES[limit.name]
