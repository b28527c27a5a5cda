"""The ``--json`` document of ``axle``: full figures in the tool's signs, and the screen's words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from optimizer.advise.advice import Move
from optimizer.advise.axle import AxleAdvice, HalfAxle
from optimizer.advise.eccentric import Band
from optimizer.advise.pair import PairAnswer, PairFigures
from optimizer.present import axle as words
from optimizer.present import axle_effect as effect
from optimizer.present.cautions import AT_HAND, IN_FULL
from optimizer.present.crew import Crew
from optimizer.present.document import envelope
from optimizer.present.limits import limit_document
from optimizer.present.verified import verified_document
from optimizer.records import Axle, Logbook

Json = dict[str, Any]


def axle_document(book: Logbook, answers: Sequence[AxleAdvice | HalfAxle], where: str = "") -> Json:
    """The document of ``axle``; ``corners`` is empty, ``axles`` holds the answers."""
    crew = Crew.of(book)
    return {
        **envelope("axle", book, []),
        "axles": [
            _half(a, crew) if isinstance(a, HalfAxle) else _whole(a, crew, where) for a in answers
        ],
    }


def _axle(axle: Axle, stated: bool) -> Json:
    return {
        "axle": axle.name,
        "stated": stated,
        "left": axle.left,
        "right": axle.right,
        "place": axle.place,
        "track_mm": axle.track_mm,
        "same": axle.same,
    }


def _whole(a: AxleAdvice, crew: Crew, where: str) -> Json:
    cost = a.cost_of_sameness_deg
    return {
        **_axle(a.axle, a.stated),
        "measured": [a.axle.left, a.axle.right],
        "n_run": [a.left.n_run, a.right.n_run],
        "action": a.action,
        "past_a_limit_today": list(a.past_today),
        "heading": words.heading_words(a),
        "do": {"shown": [text for _, text in words.set_words(a, crew)]},
        "now": _answer(a.now, crew),
        "advised": _answer(a.advised, crew),
        "alike": None if a.alike is None else _answer(a.alike, crew),
        "one_each": _answer(a.own, crew),
        "cost_of_sameness": None
        if cost is None
        else {"value_deg": cost, "shown": words.alike_words(a, crew)},
        "gain_deg": a.gain_deg,
        "worthwhile_deg": a.worthwhile_deg,
        "score_shown": words.score_words(a, crew),
        "roll_shown": effect.roll_words(a, crew),
        "pair_shown": effect.pair_words(a, crew),
        "bumps_shown": effect.bumps_words(a, crew),
        "wishes": {
            "shown": words.pair_wishes_words(a, crew),
            "alike_as_wished": a.alike_as_wished,
        },
        "doubt": {"shown": words.doubts_words(a, crew)},
        "limits": {"shown": words.both_limits_words(a, crew)},
        "last_runs": [verified_document(x.verified, crew) for x in (a.left, a.right)],
        "first": words.first_words(a),
        "cautions": {"shown": AT_HAND, "in_full": list(IN_FULL)},
        "then": words.then_words(a, where),
    }


def _half(a: HalfAxle, crew: Crew) -> Json:
    return {
        **_axle(a.axle, a.stated),
        "measured": [a.measured.corner.name],
        "n_run": [a.measured.n_run],
        "doubt": {"shown": words.half_doubts_words(a, crew)},
        "lost": {"shown": words.lost_words(a)},
        "best_guess": _move(a.move, crew),
        "offered_for_both": a.offered_for_both,
        "refused": None if a.refusal is None else a.refusal.why,
        "can_be_made_on_both": a.can_be_made,
        "offered_shown": words.offered_words(a, crew),
        "limits": {
            "shown": words.half_limits_words(a, crew),
            "items": {
                name: [limit_document(x, a.measured, crew) for x in limits]
                for name, limits in (
                    (a.measured.corner.name, a.limits),
                    (a.missing.name, a.missing_limits),
                )
            },
        },
        "first": words.first_words(a),
        "cautions": {"shown": AT_HAND, "in_full": list(IN_FULL)},
    }


def _answer(answer: PairAnswer, crew: Crew) -> Json:
    return {
        "left": _move(answer.left, crew),
        "right": _move(answer.right, crew),
        **_figures(answer.figures),
    }


def _move(move: Move, crew: Crew) -> Json:
    spot = move.spot
    return {
        "above_mm": list(spot.split.above_mm),
        "below_mm": list(spot.split.below_mm),
        "joint_height_mm": spot.height_mm,
        "length_change_mm": spot.length_change_mm,
        "raise_mm": move.raise_mm,
        "lengthen_mm": move.turn.change_mm,
        "eccentric_shift_mm": _band(move.static_toe.shift_mm),
        "static_toe_if_forgotten_deg": _band(move.static_toe.forgotten_deg),
        "shown": words.spot_words(move, crew),
    }


def _figures(f: PairFigures) -> Json:
    roll = f.roll
    return {
        "score_deg": _band(f.score_deg),
        "left_score_deg": _band(f.left_score_deg),
        "right_score_deg": _band(f.right_score_deg),
        "travel_mm": f.travel_mm.tolist(),
        "left_deg": f.left_deg.tolist(),
        "right_deg": f.right_deg.tolist(),
        "left_half_deg": f.left_half_deg.tolist(),
        "right_half_deg": f.right_half_deg.tolist(),
        "left_less_right_deg": f.difference_deg.tolist(),
        "total_deg": f.total_deg.tolist(),
        "pair_half_deg": f.half_deg.tolist(),
        "heave_steer_left_plus_deg": f.heave_steer_deg.tolist(),
        "roll_steer_into_turn_plus": {
            "deg_per_deg": None if roll.per_deg is None else _band(roll.per_deg),
            "deg_for_10_mm_opposite": _band(roll.opposite_deg),
            "wheel_travel_mm_per_deg": roll.travel_mm,
        },
    }


def _band(band: Band) -> Json:
    return {"value": band.value, "low": band.low, "high": band.high}
