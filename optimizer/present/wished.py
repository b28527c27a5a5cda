"""Words of what the crew wants: the figure, the wishes and how sure each is, the weight."""

from __future__ import annotations

from typing import Any

import numpy as np

from optimizer.advise.advice import Advice
from optimizer.advise.goal import Outside, Target
from optimizer.advise.wishes import NEAR, SURE
from optimizer.present.crew import Crew, chance_in_words
from optimizer.records import Goal, WishKind

OUT_OF_REACH = 0.05
SIDES = {"droop": "in droop", "bump": "in bump", "both": "either way"}


def scored_words(target: Target) -> str:
    """What the score is of: the change itself, or how far it is off a wanted curve."""
    return "off the wanted toe" if np.any(target.wanted_deg) else "toe change"


def figure_words(goal: Goal, target: Target, crew: Crew) -> str:
    """The figure that is made small and, where travel is weighed, how."""
    if target.measure == "peak-to-peak":
        return "peak to peak"
    if goal.weight == "logged":
        return "RMS (logged travel)"
    if goal.weight == "flat":
        return "RMS (flat)"
    low, high = target.window_mm
    spread = goal.weight_sd_mm or (high - low) / 4.0
    return f"RMS (normal spread {crew.travel(spread).split()[0]} {crew.units.travel})"


def score_words(advice: Advice, crew: Crew, short: bool = False) -> str:
    """Score now, expected, and the chance of beating the best measured run."""
    score, now = advice.outlook.score_deg, advice.now_outlook.score_deg
    unit, best = crew.units.toe, advice.best_measured
    name = scored_words(advice.target)
    figure = figure_words(advice.goal, advice.target, crew)
    span = f"{crew.score(score.low)} to {crew.score(score.high)}"
    if advice.action == "stay":
        text = f"{name} {crew.score(score.value)} {unit} {figure}, {span}"
    else:
        text = f"{name} {crew.score(now.value)} {unit} {figure} now, "
        text += f"{crew.score(score.value)} ({span}) expected"
    if advice.action == "try" and not short:
        text += f"; {chance_in_words(advice.outlook.chance)} to beat {best.run}"
        if advice.measured_score_deg is not None:
            text += f" ({crew.score(advice.measured_score_deg.value)} measured)"
    chance = advice.outlook.chance_in_tolerance
    if chance is not None:
        if not any(w.kind == "toe-at-travel" for w in advice.wishes):
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


def wish_name(kind: WishKind, goal: Goal, crew: Crew) -> str:
    """A wish in a few words."""
    if kind == "never-toe-out":
        return f"no toe-out {SIDES[goal.never_toe_out or 'both']}"
    if kind == "most-change":
        return f"change under {crew.amount(goal.most_change_deg or 0.0)}"
    toe, at = goal.toe_change_deg or 0.0, goal.at_travel_mm or 0.0
    within = crew.amount(goal.tolerance_deg or 0.0).split()[0]
    return f"{crew.toe(toe)} at {crew.travel(at)} within {within}"


def in_100(chance: float) -> str:
    """A chance or share as so many in a hundred, never certain."""
    return "over 99" if chance > 0.99 else "under 1" if chance < 0.01 else f"{100 * chance:.0f}"


def wishes_words(advice: Advice, crew: Crew, *, stands: bool) -> str:
    """How sure each wish is after the move, and now."""
    said = []
    for wish in advice.wishes:
        text = f"{wish_name(wish.kind, advice.goal, crew)}: {in_100(wish.after)} in 100"
        if not stands:
            text += f", now {in_100(wish.now)}"
        if wish.after < SURE - NEAR:
            text += " (NO SETTING IS MUCH SURER)"
        said.append(text)
    return "; ".join(said)


def guess_words(travel_mm: float, crew: Crew) -> str:
    """That what is said of a travel no run reached is a guess."""
    return f"{crew.travel(travel_mm)} was not measured: a guess there"


def outside_words(outside: Outside | None) -> list[str]:
    """How much of the logged time the answer does not rest on; nothing for other weights."""
    if outside is None:
        return []
    if max(outside.measured, outside.window) < 1e-9:
        return ["all logged travel was measured"]
    past = f"{in_100(outside.measured)} in 100 past what was measured"
    if outside.measured < 1e-9:
        past = "none past what was measured"
    left = f"{in_100(outside.window)} in 100 past the window, not counted"
    return [f"logged time: {past}" + (f", {left}" if outside.window > 1e-9 else "")]


def wish_verdict_words(advice: Advice, crew: Crew) -> str:
    """Why a wish decides; empty where it does not."""
    verdict = advice.verdict
    if verdict.wish is not None:
        name = wish_name(verdict.wish, advice.goal, crew)
        best = advice.best_measured.run
        over = best if verdict.go_on else "how it stands"
        return f"{name} gains {in_100(verdict.wish_gain)} in 100 over {over}"
    if advice.wishes and verdict.go_on and verdict.gain_deg < verdict.limit_deg:
        return "comes nearer to what is wished than any setting measured"
    return ""


def goal_document(advice: Advice, crew: Crew) -> dict[str, Any]:
    """What ``--json`` says of the goal beside its kind."""
    goal, outside = advice.goal, advice.outside
    return {
        "measure": advice.target.measure,
        "never_toe_out": goal.never_toe_out,
        "most_change_deg": goal.most_change_deg,
        "order": list(goal.order),
        "unmeasured_travel_mm": advice.unmeasured_mm,
        "scored": scored_words(advice.target),
        "shown": figure_words(goal, advice.target, crew),
        "logged_time": None
        if outside is None
        else {
            "share_past_measured": outside.measured,
            "share_past_window": outside.window,
            "shown": outside_words(outside)[0],
        },
    }


def wishes_document(advice: Advice, crew: Crew) -> list[dict[str, Any]]:
    """What ``--json`` says of the wishes, in their order."""
    return [
        {
            "kind": wish.kind,
            "name": wish_name(wish.kind, advice.goal, crew),
            "chance": {"value": wish.after, "shown": f"{in_100(wish.after)} in 100"},
            "chance_now": {"value": wish.now, "shown": f"{in_100(wish.now)} in 100"},
            "chance_best_measured": {
                "value": wish.best_measured,
                "shown": f"{in_100(wish.best_measured)} in 100",
            },
            "settings_left": advice.n_kept,
        }
        for wish in advice.wishes
    ]
