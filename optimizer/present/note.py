"""The answer of ``next`` as a mechanic's note: one screen a corner, words before figures."""

from __future__ import annotations

import textwrap

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.advice import Advice, Move, RunnerUp
from optimizer.advise.link_body import step_mm
from optimizer.advise.reasons import Because, Limit
from optimizer.present.cautions import AT_HAND, LENGTH_FIRST
from optimizer.present.crew import Crew, chance_in_words, corner_title, spread_of_travels
from optimizer.present.doubts import doubt_words
from optimizer.present.layout import LABEL_WIDTH, NARROW, labelled, table

OUT_OF_REACH = 0.05

HEADINGS = {
    "try": "try this next",
    "repeat": "measure this setting again",
    "stay": "stay as you are",
    "go-back": "go back to a setting you measured",
}


MOST_BRIEF = 8
STATIC_TOE_MOVES_DEG = 0.02
# the last digit shown of a score
SEEN_DEG = 0.001


def note(
    advice: Advice, crew: Crew, width: int = 80, height: int = 24, where: str = ""
) -> list[str]:
    """Lines of the answer for one corner, at most ``width`` wide.

    On a screen of 80 columns the answer keeps to ``height`` lines less one for the
    prompt: what a hurried reader misses least goes first. ``where`` is what the next
    command needs to find this logbook.
    """
    lines: list[str] = []
    for brevity in range(MOST_BRIEF + 1):
        lines = _lines(advice, crew, width, brevity, where)
        if len(lines) < height or width < NARROW:
            break
    return lines


def _lines(advice: Advice, crew: Crew, width: int, brevity: int, where: str) -> list[str]:
    go_on = advice.verdict.go_on
    doubt = doubt_words(advice, crew)
    title = corner_title(advice.corner, advice.n_run)
    heading = f"{title}: {heading_words(advice)}{goal_words(advice, crew)}"
    lines = textwrap.wrap(heading, width)
    lines += labelled("Doubt", doubt, width) if doubt else []
    lines += _do_this(advice, crew, width)
    lines += _expect(advice, crew, width, brevity)
    if brevity < MOST_BRIEF:
        because = because_words(advice.because, advice, crew, brevity)
        lines += labelled("Because", because, width)
    lines += labelled("Wrong if", proof_words(advice, crew), width)
    both = advice.teaches and not _shims_only(advice.runners_up[0], advice) and brevity < 7
    few = 2 if both else 1
    shown = advice.runners_up[: few if brevity else 2]
    for index, other in enumerate(shown):
        lines += labelled(
            "Next best" if index == 0 else "", runner_up_words(other, advice, crew), width
        )
    limits = limits_words(advice.limits, advice, crew, brevity)
    lines += labelled("Limits", limits, width) if limits else []
    lines += labelled("Go on" if go_on else "Stop", verdict_words(advice, crew), width)
    lines += labelled("Careful", careful_words(advice), width)
    then = labelled("Then", then_words(advice, where), width)
    if brevity and len(then) > 1:
        then = labelled("Then", then_words(advice, where, on_paper=False), width)
    return [*lines, *then]


def heading_words(advice: Advice) -> str:
    """What kind of answer this is."""
    if advice.action == "try" and _as_it_stands(advice):
        return "measure it as it stands"
    if advice.teaches:
        return f"{HEADINGS['try']}, for what it teaches"
    return HEADINGS[advice.action]


def _as_it_stands(advice: Advice) -> bool:
    """The setting advised is the one on the car."""
    return not (_moves_shims(advice.move) or _turns(advice.move))


def _moves_shims(move: Move) -> bool:
    return abs(move.raise_mm) >= 0.005


def _turns(move: Move) -> bool:
    return abs(move.turn.change_mm) >= 0.005


def do_words(move: Move, advice: Advice, crew: Crew) -> list[str]:
    """What to do with the hands, one item a line."""
    split = move.spot.split
    out = [
        f"above the joint, top to bottom: {crew.stack(split.above_mm)}",
        f"below the joint, top to bottom: {crew.stack(split.below_mm)}",
    ]
    if _moves_shims(move):
        way = "higher" if move.raise_mm > 0 else "lower"
        out[1] += f"  (joint {crew.length(move.raise_mm)} {way})"
    out.append(_link_words(move, advice, crew))
    out.append(_eccentric_words(move, advice, crew))
    return [line for line in out if line]


def _link_words(move: Move, advice: Advice, crew: Crew) -> str:
    thread, turn = advice.corner.thread, move.turn
    if thread.kind == "fixed":
        return ""
    follows = advice.corner.eccentric.kind == "none"
    what = "link body" if thread.kind == "both-ends" else "link end"
    step = step_mm(thread)
    if not _turns(move) or (follows and step is not None and abs(turn.change_mm) < step / 2.0):
        return "link length as now"
    way = "longer" if turn.change_mm > 0 else "shorter"
    amount = crew.rough_length(turn.change_mm) if follows else crew.length(turn.change_mm)
    if turn.turns is None or turn.parts is None:
        return f"link {amount} {way} (thread pitch not known: measure it, then count turns)"
    parts = [_count(turn.turns, "turn")] if turn.turns else []
    parts += [_count(turn.parts, turn.part_name)] if turn.parts else []
    about = "about " if follows else ""
    return f"{what} {about}{' and '.join(parts)} {way} ({amount})"


def _eccentric_words(move: Move, advice: Advice, crew: Crew) -> str:
    static = move.static_toe
    shift, forgotten = static.shift_mm.value, static.forgotten_deg.value
    moves_toe = abs(forgotten) >= STATIC_TOE_MOVES_DEG
    if advice.corner.eccentric.kind == "none":
        if not moves_toe:
            return "static toe stays: look at it on the alignment gauge"
        if advice.corner.thread.kind == "fixed":
            return (
                f"static toe goes {crew.toe(forgotten)}, and neither this link nor its pivot "
                "can take it back: set it elsewhere or leave the shims"
            )
        return (
            "set static toe with the rod's thread on the alignment gauge, both sides alike; "
            f"forgotten, it goes {crew.toe(forgotten)}"
        )
    if abs(shift) < 0.05:
        return "eccentric as now"
    way = "inboard" if shift > 0 else "outboard"
    give = max((static.shift_mm.high - static.shift_mm.low) / 2.0, 0.1)
    amount = f"{crew.rough_length(shift)} {way}"
    if static.marks is not None:
        amount = f"{abs(static.marks.value):.1f} marks {way} ({crew.rough_length(shift)})"
    return (
        f"eccentric {amount}, give or take {crew.rough_length(give)}; "
        f"forgotten, static toe goes {crew.toe(forgotten)}"
    )


def _do_this(advice: Advice, crew: Crew, width: int) -> list[str]:
    lines: list[str] = []
    label = hands_label(advice)
    for text in hands_words(advice, crew):
        lines += labelled(label, text, width)
        label = ""
    return lines


def hands_label(advice: Advice) -> str:
    """Whether the setting is to be made or stands already."""
    return "Do this" if advice.action != "stay" else "Stands at"


def hands_words(advice: Advice, crew: Crew) -> list[str]:
    """The advised setting, one item a line, and which run it repeats if it does."""
    words = do_words(advice.move, advice, crew)
    if advice.action == "repeat":
        words.append(f"the same as run {advice.move.spot.run}: its noise is what is in the way")
    if advice.action == "go-back":
        words.append(f"this is run {advice.best_measured.run}, already measured")
    return words


def _expect(advice: Advice, crew: Crew, width: int, brevity: int) -> list[str]:
    outlook, now = advice.outlook, advice.now_outlook
    travels = spread_of_travels(_shown_travels(advice))
    at = [int(abs(outlook.travel_mm - z).argmin()) for z in travels]
    rows = [
        [f"travel, {crew.units.travel}", *(crew.travel(z) for z in travels)],
        [_now_words(crew), *(crew.dial(float(now.toe_deg[i])) for i in at)],
    ]
    if advice.action != "stay" and not _as_it_stands(advice):
        rows.append(["next", *(crew.dial(float(outlook.toe_deg[i])) for i in at)])
    half = [float(outlook.high_deg[i] - outlook.low_deg[i]) / 2.0 for i in at]
    spans = [crew.dial_span(h) if z else "0" for h, z in zip(half, travels, strict=True)]
    body = table([*rows, ["within", *spans]], width)
    if width >= NARROW and body[0].startswith(" " * LABEL_WIDTH):
        body[0] = "Expect".ljust(LABEL_WIDTH) + body[0][LABEL_WIDTH:]
    else:
        body = ["Expect", *body]
    score = score_words(advice, crew, brevity > 6)
    if not crew.zeroed:
        score = f"All from ride height. {score[0].upper()}{score[1:]}"
    return body + labelled("", score, width)


def _now_words(crew: Crew) -> str:
    """What the gauge shows as the car stands; front less rear where it reads two."""
    return f"now{' F less R' if crew.gauge.reads_two else ''}, {crew.units.reading}"


def _shown_travels(advice: Advice) -> NDArray[np.float64]:
    """Measured travels inside the goal's window."""
    low, high = advice.target.window_mm
    travel = advice.measured_travel_mm
    inside = travel[(travel >= low - 1e-6) & (travel <= high + 1e-6)]
    return inside if len(inside) else travel


def score_words(advice: Advice, crew: Crew, short: bool = False) -> str:
    """Score now, expected, and the chance of beating the best measured run."""
    score, now = advice.outlook.score_deg, advice.now_outlook.score_deg
    unit, best = crew.units.toe, advice.best_measured
    name = "toe change" if advice.goal.kind == "least-change" else "off the wanted toe"
    span = f"{crew.score(score.low)} to {crew.score(score.high)}"
    if advice.action == "stay":
        text = f"{name} {crew.score(score.value)} {unit} RMS ({span})"
    else:
        text = f"{name} {crew.score(now.value)} {unit} RMS now, {crew.score(score.value)} ({span})"
        text += " expected"
    if advice.action == "try" and not short:
        text += f"; {chance_in_words(advice.outlook.chance)} to beat {best.run}"
        if advice.measured_score_deg is not None:
            text += f" ({crew.score(advice.measured_score_deg.value)} measured)"
    chance = advice.outlook.chance_in_tolerance
    if chance is not None:
        text += f"; {chance_in_words(chance)} to be in tolerance"
        if chance < OUT_OF_REACH:
            text += ": THE WANTED TOE IS OUT OF REACH of what can be set"
    return text


def goal_words(advice: Advice, crew: Crew) -> str:
    """A goal that is more than least change, for the heading."""
    goal = advice.goal
    if goal.kind == "least-change" or goal.toe_change_deg is None or goal.at_travel_mm is None:
        return ""
    return f", for {crew.toe(goal.toe_change_deg)} at {crew.travel(goal.at_travel_mm)}"


def because_words(because: Because, advice: Advice, crew: Crew, brevity: int = 0) -> str:
    """Why, in the trade's words."""
    low, high = because.ends_mm
    ends = f"{crew.toe(because.droop_deg)} in droop, {crew.toe(because.bump_deg)} in bump"
    wanted = "" if advice.goal.kind == "least-change" else " of the wanted curve"
    reading = {
        "opposite-ways": f"opposite ways{wanted}, so joint height",
        "same-way": f"same side{wanted} at both ends, so link length",
        "one-end": f"mostly one end{wanted}, so both together",
        "flat": "straight as far as the gauge can tell",
    }[because.pattern]
    if brevity > 1:
        return reading if brevity > 3 else f"{ends}: {reading}"
    text = f"{ends}: {reading}"
    end = 1 if high >= -low else 0
    one = "1 mm" if crew.units.length == "mm" else "1 mm (0.04 in)"
    return (
        f"{text}. {one} up moves {crew.shown_name} at {crew.travel(because.ends_mm[end])} "
        f"{crew.dial_move(because.per_mm_height_deg[end])}, "
        f"{one} longer {crew.dial_move(because.per_mm_length_deg[end])}"
    )


def proof_words(advice: Advice, crew: Crew) -> str:
    """The reading that would prove the advice wrong, and how to put it back."""
    proof = advice.proof
    ends = sorted((crew.dial_value(proof.low_deg), crew.dial_value(proof.high_deg)))
    low, high = (crew.dial(d) for d in (proof.low_deg, proof.high_deg))
    if ends[0] != crew.dial_value(proof.low_deg):
        low, high = high, low
    what, place = crew.shown_name, crew.travel(proof.travel_mm)
    if crew.zeroed:
        text = f"{what} at {place} is outside {low} to {high}"
    else:
        text = f"the change of {what} from ride height to {place} is outside {low} to {high}"
    if advice.action == "stay" or _as_it_stands(advice):
        return text + ": something moved, or a row is wrong; measure again"
    return f"{text}. Put it back: {back_words(advice, crew)}"


def back_words(advice: Advice, crew: Crew) -> str:
    """How to put the car back as it stands now."""
    now, move = advice.now.split, advice.move
    text = f"{crew.stack(now.above_mm)} over {crew.stack(now.below_mm)}"
    change = move.turn.change_mm
    if abs(change) >= 0.005:
        text += ", link back by the same turns"
    if advice.corner.eccentric.kind != "none":
        text += ", eccentric to its mark"
    return text


def runner_up_words(other: RunnerUp, advice: Advice, crew: Crew) -> str:
    """A setting that lost, and why."""
    move = other.move
    split = move.spot.split
    kind = {
        "shims-only": "shims only",
        "length-only": "length only",
        "best-guess": "best guess, shims only" if _shims_only(other, advice) else "best guess",
        "next": "or",
    }[other.kind]
    parts = []
    if abs(move.raise_mm) >= 0.005:
        parts.append(f"{crew.stack(split.above_mm)} over {crew.stack(split.below_mm)}")
    if abs(move.turn.change_mm) >= 0.1:
        way = "longer" if move.turn.change_mm > 0 else "shorter"
        parts.append(f"link {crew.length(move.turn.change_mm)} {way}")
    why = {
        "shims-only": "no length change",
        "length-only": "same shims",
        "best-guess": "teaches less" if advice.verdict.go_on else "not worth a run",
        "next": "no better",
    }[other.kind]
    ahead = advice.outlook.score_deg.value - other.outlook.score_deg.value
    if other.kind == "next" and ahead > SEEN_DEG:
        why = "but the link must be turned" if _turns(move) else "but more work"
    if other.kind == "best-guess" and not parts:
        parts.append("as it stands")
    score = f"{crew.score(other.outlook.score_deg.value)} {crew.units.toe}"
    return f"{kind}: {', '.join(parts)}: {score}, {why}"


def limits_words(limits: tuple[Limit, ...], advice: Advice, crew: Crew, brevity: int = 0) -> str:
    """What is left, what is near, what is over and what nobody has measured."""
    known, unknown = [], []
    names = {
        "eccentric": "eccentric",
        "thread": "thread",
        "pitch": "thread pitch",
        "tilt": "joint tilt",
        "bending": "stud bending",
    }
    for limit in limits:
        if limit.name == "window":
            known.append("the window reaches past what was measured: a guess there")
        elif limit.status == "unknown":
            unknown.append(names[limit.name])
        elif limit.left_mm is not None and limit.status == "over":
            amount = crew.rough_length(limit.left_mm)
            known.insert(0, f"{names[limit.name].upper()} {amount} PAST ITS END")
        elif limit.left_mm is not None and not (brevity > 5 and limit.status == "ok"):
            near = ", close to its end" if limit.status != "ok" else ""
            known.append(f"{names[limit.name]} {crew.rough_length(limit.left_mm)} left{near}")
    short = crew.range_short(advice.outlook.toe_deg)
    if short is not None:
        known.insert(0, f"GAUGE RANGE {short[0]}, {short[1]} NEEDED: a longer one, or less travel")
    if unknown:
        known.append(f"not known: {', '.join(unknown)}")
    if advice.n_ruled_out and not brevity:
        known.append(f"{advice.n_ruled_out} settings ruled out by the eccentric")
    return "; ".join(known)


def _shims_only(other: RunnerUp, advice: Advice) -> bool:
    return advice.corner.eccentric.kind != "none" and not _turns(other.move)


def verdict_words(advice: Advice, crew: Crew) -> str:
    """Go on or stop, and the figure that decides."""
    verdict = advice.verdict
    what = "what the gauge can see" if verdict.limited_by == "gauge" else "what is worth a run"
    compare = "above" if verdict.go_on else "under"
    return (
        f"gains {crew.score(verdict.gain_deg)} {crew.units.toe} in the end, {compare} {what} "
        f"({crew.score(verdict.limit_deg)})"
    )


def then_words(advice: Advice, where: str = "", *, on_paper: bool = True) -> str:
    """The next command; ``on_paper`` names the sheet too."""
    if advice.action in ("try", "repeat"):
        sheet = f" (shimopt sheet{where} on paper)" if on_paper else ""
        return f"shimopt enter{where} as you measure it{sheet}"
    if advice.action == "go-back":
        return f"set it as in that run, one pass to be sure; shimopt curves{where} has its figures"
    return f"keep the figures: shimopt curves{where} --out curves.pdf"


def careful_words(advice: Advice) -> str:
    """The cautions that fit this step; what moves static toe has its own first."""
    forgotten = abs(advice.move.static_toe.forgotten_deg.value)
    toe_moves = _turns(advice.move) or forgotten >= STATIC_TOE_MOVES_DEG
    moved = toe_moves and advice.action != "stay"
    if not (moved or advice.toe_unset):
        return AT_HAND
    return f"{LENGTH_FIRST} {AT_HAND}"


def _count(n: int, name: str) -> str:
    return f"{n} {name}{'' if n == 1 else 's'}"
