"""The answer of ``next`` as a mechanic's note: one screen a corner, words before figures."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optimizer.advise.advice import Advice, Move, RunnerUp
from optimizer.advise.link_body import step_mm
from optimizer.advise.reasons import Because
from optimizer.present.cautions import AT_HAND, IN_STEER
from optimizer.present.crew import Crew, corner_title, spread_of_travels
from optimizer.present.doubts import doubt_words
from optimizer.present.labour import batch_words, runner_up_work_words, with_work, work_words
from optimizer.present.layout import LABEL_WIDTH, NARROW, fitted, heading_lines, labelled, table
from optimizer.present.limits import first_words, limits_words
from optimizer.present.pivot import (
    STATIC_TOE_MOVES_DEG,
    eccentric_words,
    joint_name,
    raise_words,
)
from optimizer.present.verified import verified_words
from optimizer.present.wished import (
    goal_words,
    score_words,
    wish_verdict_words,
    wishes_words,
)

HEADINGS = {
    "try": "try this next",
    "repeat": "measure this setting again",
    "stay": "stay as you are",
    "go-back": "go back to a setting you measured",
}


MOST_BRIEF = 9
# from here on whole facts are left out: limits that have room, the chance, a runner-up, the reason
LEAVES_OUT = 6
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
    return fitted(lambda n: _lines(advice, crew, width, n, where), MOST_BRIEF, width, height)


def _lines(advice: Advice, crew: Crew, width: int, brevity: int, where: str) -> list[str]:
    go_on = advice.verdict.go_on
    doubt = doubt_words(advice, crew)
    title = corner_title(advice.corner, advice.n_run)
    heading = f"{title}: {heading_words(advice)}{goal_words(advice, crew)}"
    lines = heading_lines(heading, width, "brief has all" if brevity >= LEAVES_OUT else "")
    first = before_all(advice)
    lines += labelled("First", first, width) if first else []
    lines += labelled("Doubt", doubt, width) if doubt else []
    seen = advice.verified
    if seen is not None and brevity < _last_run_until(advice, doubt):
        lines += labelled("Last run", verified_words(seen, crew, brief=brevity > 5), width)
    lines += _do_this(advice, crew, width)
    lines += _expect(advice, crew, width, brevity)
    wishes = wishes_words(advice, crew, stands=_stands(advice))
    lines += labelled("Wishes", wishes, width) if wishes else []
    if brevity < 8:
        because = because_words(advice.because, advice, crew, brevity)
        lines += labelled("Because", because, width)
    lines += labelled("Wrong if", proof_words(advice, crew), width)
    both = advice.teaches and not _shims_only(advice.runners_up[0], advice) and brevity < 7
    few = 2 if both else 1
    shown = advice.runners_up[: few if brevity else 2] if brevity < MOST_BRIEF else ()
    for index, other in enumerate(shown):
        text = runner_up_words(other, advice, crew)
        work = runner_up_work_words(other, advice, crew)
        text = with_work(text, work, width, roomy=not brevity)
        lines += labelled("Next best" if index == 0 else "", text, width)
    if advice.effort.batch is not None and not brevity:
        lines += labelled("", batch_words(advice.effort.batch, crew), width)
    limits = limits_words(advice.limits, advice, crew, brevity)
    lines += labelled("Limits", limits, width) if limits else []
    lines += labelled("Go on" if go_on else "Stop", verdict_words(advice, crew), width)
    lines += labelled("Careful", careful_words(advice), width)
    each = [labelled("Then", words, width) for words in then_variants(advice, where)]
    fitting = (then for then in each if not brevity or len(then) == 1)
    return [*lines, *next(fitting, each[-1])]


def _last_run_until(advice: Advice, doubt: str) -> int:
    """The brevity from which the last run's verdict is left out: soon, where it is no news."""
    if advice.verified is not None and advice.verified.as_foretold:
        return 4 if _stands(advice) else 1
    return MOST_BRIEF + (not doubt)


def heading_words(advice: Advice) -> str:
    """What kind of answer this is."""
    if advice.action == "try" and _as_it_stands(advice):
        return "measure it as it stands"
    if advice.verdict.past_a_limit and advice.action == "try":
        return f"{HEADINGS['try']}, inside its limits"
    if advice.teaches:
        return f"{HEADINGS['try']}, for what it teaches"
    return HEADINGS[advice.action]


def _as_it_stands(advice: Advice) -> bool:
    """The setting advised is the one on the car."""
    past = advice.verdict.past_a_limit  # then it never is, if only a shim differs
    return not (past or _moves_shims(advice.move) or _turns(advice.move))


def _stands(advice: Advice) -> bool:
    """Nothing is to be moved."""
    return advice.action == "stay" or _as_it_stands(advice)


def _runs(advice: Advice) -> bool:
    """A run is worth its work, not the car brought back."""
    return advice.verdict.go_on and advice.action != "go-back"


def _moves_shims(move: Move) -> bool:
    return abs(move.raise_mm) >= 0.005


def _turns(move: Move) -> bool:
    return abs(move.turn.change_mm) >= 0.005


def do_words(move: Move, advice: Advice, crew: Crew) -> list[str]:
    """What to do with the hands, one item a line."""
    split = move.spot.split
    joint = joint_name(advice.corner.stack)
    out = [
        f"above the {joint}, top to bottom: {crew.stack(split.above_mm)}",
        f"below the {joint}, top to bottom: {crew.stack(split.below_mm)}",
    ]
    if _moves_shims(move):
        out[1] += f"  {raise_words(move, advice.corner, crew)}"
    out.append(_link_words(move, advice, crew))
    out.append(eccentric_words(move, advice, crew))
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
        words.append(f"this is run {advice.move.spot.run}, already measured")
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
    score, work = score_words(advice, crew, brevity > 6), work_words(advice, crew)
    if not crew.zeroed:
        score = f"All from ride height. {score[0].upper()}{score[1:]}"
    return body + labelled("", with_work(score, work, width, roomy=not brevity), width)


def _now_words(crew: Crew) -> str:
    """What the gauge shows as the car stands; front less rear where it reads two."""
    return f"now{' F less R' if crew.gauge.reads_two else ''}, {crew.units.reading}"


def _shown_travels(advice: Advice) -> NDArray[np.float64]:
    """Measured travels inside the goal's window."""
    travel = advice.measured_travel_mm
    inside = travel[advice.target.holds(travel)]
    return inside if len(inside) else travel


def because_words(because: Because, advice: Advice, crew: Crew, brevity: int = 0) -> str:
    """Why, in the trade's words."""
    low, high = because.ends_mm
    ends = f"{crew.toe(because.droop_deg)} in droop, {crew.toe(because.bump_deg)} in bump"
    wanted = " of the wanted curve" if np.any(advice.target.wanted_deg) else ""
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
        "next": "or" if _turns(move) else "other shims",
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
        "best-guess": "teaches less" if _runs(advice) else "not worth a run",
        "next": "no better",
    }[other.kind]
    ahead = advice.outlook.score_deg.value - other.outlook.score_deg.value
    if other.kind == "next" and ahead > SEEN_DEG:
        why = "but the link must be turned" if _turns(move) else "but more work"
    if other.kind == "best-guess" and not parts:
        parts.append("as it stands")
    score = f"{crew.score(other.outlook.score_deg.value)} {crew.units.toe}"
    return f"{kind}: {', '.join(parts)}: {score}, {why}"


def _shims_only(other: RunnerUp, advice: Advice) -> bool:
    return advice.corner.eccentric.kind != "none" and not _turns(other.move)


def verdict_words(advice: Advice, crew: Crew) -> str:
    """Go on or stop, and the figure that decides."""
    verdict = advice.verdict
    if verdict.past_a_limit:
        return "the car stands past a limit: go inside it first"
    wished = wish_verdict_words(advice, crew)
    if wished:
        return wished
    what = "what the gauge can see" if verdict.limited_by == "gauge" else "what is worth a run"
    compare = "above" if verdict.go_on else "under"
    return (
        f"gains {crew.score(verdict.gain_deg)} {crew.units.toe} in the end, {compare} {what} "
        f"({crew.score(verdict.limit_deg)})"
    )


def then_words(advice: Advice, where: str = "") -> str:
    """The next command, and those that go with it."""
    return then_variants(advice, where)[0]


def then_variants(advice: Advice, where: str = "") -> tuple[str, ...]:
    """The same, the fullest first."""
    show = f"; shimopt brief{where} to show"
    if advice.action in ("try", "repeat"):
        enter = f"shimopt enter{where}"
        whole = f"{enter} as you measure it (shimopt sheet{where} on paper){show} it"
        brief = f"{enter}; to show it: shimopt brief{where}"
        return (whole, brief, f"{enter} as you measure it")
    if advice.action == "go-back":
        text = f"set it as in that run, one pass to be sure; shimopt curves{where} has its figures"
    else:
        text = f"keep the figures: shimopt curves{where} --out curves.pdf"
        return (f"{text}{show} it", f"show it: shimopt brief{where}")
    return (f"{text}{show} it", text)


def before_all(advice: Advice) -> str:
    """What comes first where the step moves static toe; empty where it does not."""
    forgotten = abs(advice.move.static_toe.forgotten_deg.value)
    toe_moves = _turns(advice.move) or forgotten >= STATIC_TOE_MOVES_DEG
    moved = toe_moves and advice.action != "stay"
    off = advice.logged_toe is not None and advice.logged_toe.matters
    return first_words(advice, toe_moves=moved or advice.toe_unset or off)


def careful_words(advice: Advice) -> str:
    """The cautions that fit this step, and where all of them stand."""
    return f"{AT_HAND} {IN_STEER}" if advice.corner.steered else AT_HAND


def _count(n: int, name: str) -> str:
    return f"{n} {name}{'' if n == 1 else 's'}"
