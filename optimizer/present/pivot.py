"""Words of the pivot and of what the shims lift: the eccentric's line and the order of work."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from optimizer.advise.advice import Advice, Move
from optimizer.advise.eccentric import Band
from optimizer.advise.logged_toe import LoggedToe
from optimizer.advise.pivot import CAMS, DEAD_DEG, DEAD_NEAR_DEG
from optimizer.present.crew import Crew
from optimizer.records import Corner, Stack

STATIC_TOE_MOVES_DEG = 0.02
SHIFT_SEEN_MM = 0.05
LIFT_SEEN_MM = 0.1

# the order of work: common practice, no source
NOTE_FIRST = "first: note static toe and the eccentric's mark as they stand"
NOTE_TOE_FIRST = "first: note static toe as it stands"
TIGHTEN = "tighten to torque; swing the wheel by hand: no bind"
PLATES = "tighten to torque, both cam plates at one mark; swing the wheel by hand: no bind"
READ_AGAIN = "last: read static toe after torque, which moves it, and set it once"


def joint_name(stack: Stack) -> str:
    """What the shims lift."""
    if stack.rack:
        return "rack"
    return "joint" if stack.end == "outer" else "inner joint"


def raise_words(move: Move, corner: Corner, crew: Crew) -> str:
    """How far the shims lift it, and that a rack lifts both sides."""
    way = "higher" if move.raise_mm > 0 else "lower"
    what = "both sides" if corner.stack.rack else joint_name(corner.stack)
    return f"({what} {crew.length(move.raise_mm)} {way})"


def eccentric_words(move: Move, advice: Advice, crew: Crew) -> str:
    """What to do with the pivot (or the rod's thread) so that static toe is held."""
    if advice.corner.eccentric.kind == "none":
        return _thread_words(move, advice, crew)
    static = move.static_toe
    if abs(static.shift_mm.value) < SHIFT_SEEN_MM:
        logged = advice.logged_toe
        off = logged is not None and logged.matters and not advice.static_toe_in_doubt
        doubted = "the eccentric: see Doubt"
        return doubted if off else f"eccentric as now{_toe_stands_words(advice, crew)}"
    cam = static.cam
    what = "eccentric" if cam is None else "cam"
    parts = [
        f"{what} {_way_words(move, crew)}",
        f"then set toe on the gauge: expect it {within(static.left_deg, crew)}",
        f"forgotten, static toe goes {crew.toe(static.forgotten_deg.value)}",
    ]
    if cam is not None and abs(cam.angle_deg) > DEAD_NEAR_DEG:
        parts.insert(0, _dead_words(move, crew))
    if cam is not None and abs(cam.lift_mm) >= LIFT_SEEN_MM:
        way = "raises" if cam.lift_mm > 0 else "lowers"
        parts.append(f"it {way} the pivot {crew.rough_length(cam.lift_mm)}, allowed for")
    parts += [words for words in (worth_words(advice, crew), lacking_words(advice)) if words]
    return "; ".join(parts)


def _dead_words(move: Move, crew: Crew) -> str:
    """A cam that ends where it hardly moves toe any more, and what is left of it."""
    static, cam = move.static_toe, move.static_toe.cam
    if cam is None or static.left_inboard_mm is None or static.left_outboard_mm is None:
        return ""
    left = min(static.left_inboard_mm, static.left_outboard_mm)
    return (
        f"CAM ENDS {DEAD_DEG - abs(cam.angle_deg):.0f} DEG FROM ITS DEAD POINT "
        f"({crew.rough_length(left)} left)"
    )


def _way_words(move: Move, crew: Crew) -> str:
    """How far and which way, in marks where they are known."""
    static = move.static_toe
    way = "inboard" if static.shift_mm.value > 0 else "outboard"
    length = crew.rough_length(static.shift_mm.value)
    turn = "" if static.cam is None else f"{abs(static.cam.turn_deg.value):.0f} deg"
    to = "" if static.mark is None else f" to mark {static.mark:.1f}"
    if static.marks is not None:
        size = ", ".join(part for part in (turn, length) if part)
        return f"{abs(static.marks.value):.1f} marks {way}{to} ({size})"
    return f"{turn} {way} ({length})" if turn else f"{length} {way}"


def within(left: Band | None, crew: Crew) -> str:
    """How far static toe may still be off, as one figure either way."""
    if left is None:
        return "where it was"
    return f"within {crew.amount(max(abs(left.low), abs(left.high)))}"


def _thread_words(move: Move, advice: Advice, crew: Crew) -> str:
    forgotten = move.static_toe.forgotten_deg.value
    if abs(forgotten) < STATIC_TOE_MOVES_DEG:
        return "static toe stays: look at it on the alignment gauge"
    if advice.corner.thread.kind == "fixed":
        return (
            f"static toe goes {crew.toe(forgotten)}, and neither this link nor its pivot "
            "can take it back: set it elsewhere or leave the shims"
        )
    left = move.static_toe.left_deg
    expect = "" if left is None else f": expect it {within(left, crew)}"
    centred = ", rack centred" if advice.corner.steered else ""
    return (
        f"set static toe by the rod's thread on the gauge, both sides alike{centred}{expect}; "
        f"forgotten, it goes {crew.toe(forgotten)}"
    )


def worth_words(advice: Advice, crew: Crew) -> str:
    """What was fitted, how well and from which runs."""
    worth = advice.pivot.worth
    if worth is None:
        return ""
    what = "a mark is" if worth.eccentric.kind == "slot" else "throw"
    runs = [row.run for row in worth.rows]
    more = f" and {len(runs) - 3} more" if len(runs) > 3 else ""
    return (
        f"{what} {crew.length(round(worth.value_mm, 2))}, give or take "
        f"{crew.length(round(max(worth.give_mm, 0.01), 2))}, by static toe of "
        f"{', '.join(runs[:3])}{more}"
    )


def lacking_words(advice: Advice) -> str:
    """What to read or state so that marks can be told; nothing where nobody uses marks."""
    lacking, kind = advice.pivot.lacking, advice.corner.eccentric.kind
    if lacking is None or not (advice.pivot.marked or kind in (*CAMS, "marks")):
        return ""
    need = {
        "free-cam": "throw not known, so what the cam lifts is not allowed for",
        "cam-in-slot": "throw not known",
    }.get(kind, "a mark's worth not known")
    return {
        "worth": f"{need}: log static toe at two marks or more",
        "both": f"{need}: state degrees_per_mark, and log static toe at two marks",
        "rough": f"{need}: log static toe at marks further apart, and tape the arm",
        "degrees": "no marks told: degrees_per_mark is not known",
        "mark": "no marks told: log the eccentric_mark it stands at",
    }[lacking]


def _toe_stands_words(advice: Advice, crew: Crew) -> str:
    """What is left to set of static toe where the car stays as it is."""
    logged = advice.logged_toe
    if logged is None or logged.matters or abs(logged.off_deg) < STATIC_TOE_MOVES_DEG:
        return ""
    return f"; static toe is {_off_words(logged, crew)}: set it on the gauge"


def toe_off_words(advice: Advice, crew: Crew) -> list[str]:
    """That static toe does not stand as it did in the reference run, and what brings it back."""
    logged = advice.logged_toe
    if logged is None or not logged.matters or logged.run in advice.static_toe_in_doubt:
        return []
    off = _off_words(logged, crew)
    if advice.corner.eccentric.kind == "none":
        turns = advice.corner.thread.kind != "fixed"
        means = "by the rod's thread, and log the length it then has" if turns else "elsewhere"
        return [f"static toe of {logged.run} is {off}: set it {means}"]
    way = "inboard" if logged.back_mm > 0 else "outboard"
    size = crew.rough_length(logged.back_mm)
    if logged.back_marks is not None:
        size = f"{abs(logged.back_marks):.1f} marks"
    back = f"{size} {way} bring {logged.reference}'s back"
    moves = abs(advice.move.static_toe.shift_mm.value) >= SHIFT_SEEN_MM
    held = ", which this move holds" if moves else ""
    if logged.unread is None:
        return [
            f"static toe of {logged.run} is {off}{held}: {back}{', beside it' if moves else ''}"
        ]
    own = logged.unread == logged.run
    unread = "read it, it was not logged" if own else f"{logged.reference}'s was not logged"
    beside = ", beside this move" if moves else ""
    return [f"by its mark static toe of {logged.run} is {off} ({unread}); if so, {back}{beside}"]


def _off_words(logged: LoggedToe, crew: Crew) -> str:
    """How far off the reference run's, and which way."""
    way = "in" if logged.off_deg > 0 else "out"
    return f"{crew.amount(logged.off_deg)} further {way} than in {logged.reference}"


def pivot_doubts(advice: Advice) -> list[str]:
    """What contradicts: two ends of one rack, a table whose marks run the other way."""
    out = [
        f"the rack's shims differ on {date}: {advice.corner.name} and {name} move together"
        for date, name in advice.pivot.rack_differs[:1]
    ]
    if advice.pivot.past_dead:
        out.append(
            f"the mark of {', '.join(advice.pivot.past_dead[:3])} would turn the cam past its dead "
            "point: not used"
        )
    if advice.pivot.not_held is not None:
        out.append(
            f"the logs contradict: the cam as stated cannot have held static toe at "
            f"{advice.pivot.not_held}: check its angle, throw and mark"
        )
    if advice.pivot.backwards:
        out.append("static toe at the marks runs against marks that count inboard: check both")
    return out


def in_order(advice: Advice, crew: Crew, hands: Sequence[str]) -> tuple[str, ...]:
    """The whole order of work, so that toe is set once; ``hands`` is what to set.

    Nothing where the car stays as it is.
    """
    if advice.action == "stay":
        return tuple(hands)
    kind = advice.corner.eccentric.kind
    left = advice.move.static_toe.left_deg
    expect = "" if left is None else f"; expect it {within(left, crew)}"
    return (
        NOTE_TOE_FIRST if kind == "none" else NOTE_FIRST,
        *hands,
        PLATES if kind in (*CAMS, "marks") else TIGHTEN,
        f"{READ_AGAIN}{expect}",
    )


def move_json(move: Move, crew: Crew) -> dict[str, Any]:
    """What the document says of a move's pivot beside its shift, marks and range."""
    static, cam = move.static_toe, move.static_toe.cam
    left = static.left_deg
    return {
        "to_mark": static.mark,
        "cam": None
        if cam is None
        else {
            "turn_deg": {
                "value": cam.turn_deg.value,
                "low": cam.turn_deg.low,
                "high": cam.turn_deg.high,
                "shown": f"{abs(cam.turn_deg.value):.0f} deg",
            },
            "ends_at_deg": cam.angle_deg,
            "left_inboard_deg": cam.inboard_deg,
            "left_outboard_deg": cam.outboard_deg,
            "near_dead_point": abs(cam.angle_deg) > DEAD_NEAR_DEG,
            "lift_mm": cam.lift_mm,
        },
        "static_toe_left": None
        if left is None
        else {
            "value": left.value,
            "low": left.low,
            "high": left.high,
            "shown": within(left, crew),
        },
    }


def report_json(advice: Advice, crew: Crew) -> dict[str, Any]:
    """What is known of the pivot itself, and of a rack's two ends."""
    report = advice.pivot
    worth = report.worth
    return {
        "kind": advice.corner.eccentric.kind,
        "shims_lift": joint_name(advice.corner.stack),
        "fitted": None
        if worth is None
        else {
            "what": "per_mark" if worth.eccentric.kind == "slot" else "throw",
            "value_mm": worth.value_mm,
            "sd_mm": worth.sd_mm,
            "runs": [row.run for row in worth.rows],
            "shown": worth_words(advice, crew),
        },
        "lacking": report.lacking,
        "rack_moves_also": list(report.rack_partner),
        "shown": lacking_words(advice),
    }
