"""The ``--json`` documents: full figures in the tool's own signs, and the screen's words.

Signs and units are those of the README (millimetres and degrees, toe-in plus,
bump plus), whatever the crew's own are. Beside a figure stands ``shown``: the
string the screen shows for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer import __version__
from optimizer.advise.advice import Advice, Move, Outlook, RunnerUp, Spot
from optimizer.advise.eccentric import Band
from optimizer.advise.limits import unsafe_today
from optimizer.advise.stacks import joint_height_mm
from optimizer.measure.curve import ToeCurve
from optimizer.measure.quality import RunQuality
from optimizer.measure.shape import Figure, Shape
from optimizer.present import doubts, note, pivot
from optimizer.present.cautions import IN_FULL
from optimizer.present.crew import Crew, chance_in_words, corner_flag
from optimizer.present.labour import effort_document, work_document
from optimizer.present.limits import limit_document, limits_words, unsafe_words
from optimizer.present.repeats_json import repeats_json, study_json
from optimizer.present.screens import doubt_words
from optimizer.present.verified import verified_document
from optimizer.present.wished import goal_document, wishes_document
from optimizer.records import Logbook, Run

SCHEMA_VERSION = 1

if TYPE_CHECKING:
    from optimizer.advise.repeats import RepeatAdvice
    from optimizer.advise.suspects import Suspect
    from optimizer.measure.spreads import GaugeStudy

Json = dict[str, Any]


def envelope(command: str, book: Logbook, corners: list[Json]) -> Json:
    """What every document starts with."""
    return {
        "schema_version": SCHEMA_VERSION,
        "program": f"shimopt {__version__}",
        "command": command,
        "car": book.car,
        "units": {"travel": "mm", "toe": "deg", "length": "mm"},
        "signs": {"toe": "toe-in plus", "travel": "bump plus", "eccentric": "inboard plus"},
        "corners": corners,
    }


def check_document(
    book: Logbook,
    qualities: Sequence[RunQuality],
    suspects: Sequence[Suspect] = (),
    study: GaugeStudy | None = None,
    again: Sequence[RepeatAdvice] | None = None,
    toe_doubts: Sequence[str] = (),
) -> Json:
    """The document of ``check``; with ``again`` that of ``check --repeats``."""
    crew = Crew.of(book)
    past = unsafe_today(book)
    corners: list[Json] = [
        {
            "corner": name,
            "do_not_drive": unsafe_words(past.get(name, ()), crew),
            "suspects": [_suspect(s, crew) for s in suspects if s.corner == name],
            "runs": [_quality(q, crew) for q in qualities if q.run.corner == name],
            "planned": [r.name for r in book.runs_of(name) if not book.readings_of(r.name)],
            "static_toe_in_doubt": [r.name for r in book.runs_of(name) if r.name in toe_doubts],
        }
        for name in book.corners
    ]
    for advice in again or ():
        corners[list(book.corners).index(advice.corner)]["repeats"] = repeats_json(advice, crew)
    whole = envelope("check", book, corners)
    return whole | {"repeatability": study_json(study, crew, again is not None)}


def curves_document(
    book: Logbook, corners: Sequence[tuple[str, tuple[float, float], Sequence[Any]]]
) -> Json:
    """The document of ``curves``; each corner is (name, window, [(run, curve, shape)])."""
    crew = Crew.of(book)
    return envelope(
        "curves",
        book,
        [
            {
                "corner": name,
                "set_aside": list(book.set_aside_of(name)),
                "window_mm": list(window),
                "runs": [_curve(book, run, curve, shape, crew) for run, curve, shape in runs],
            }
            for name, window, runs in corners
        ],
    )


def next_document(book: Logbook, advices: Sequence[Advice], where: str = "") -> Json:
    """The document of ``next``."""
    crew = Crew.of(book)
    found = [_advice(a, crew, where + corner_flag(book, a.corner.name)) for a in advices]
    return envelope("next", book, found)


def _suspect(s: Suspect, crew: Crew) -> Json:
    from optimizer.present.suspicion import suspect_words

    return {
        "kind": s.kind,
        "also": list(s.also),
        "runs": list(s.runs),
        "pass": s.sweep,
        "travel_mm": s.travel_mm,
        "line": s.line,
        "log_odds": s.log_odds,
        "shown": suspect_words(s, crew),
    }


def _quality(q: RunQuality, crew: Crew) -> Json:
    return {
        "run": q.run.name,
        "n_reading": q.n_reading,
        "n_pass": q.n_pass,
        "repeat_sd": _toe_or_none(q.curve.repeat_sd_deg, crew),
        "noise_factor": q.curve.noise_factor,
        "typical_sd": _toe(q.typical_sd_deg, crew.dial_fine(q.typical_sd_deg)),
        "return_to_zero": _toe_or_none(q.curve.return_to_zero_deg, crew),
        "doubts": [
            {"kind": d.kind, "value_deg": d.value_deg, "shown": doubt_words(d, crew)}
            for d in q.doubts
        ],
    }


def _curve(book: Logbook, run: Run, curve: ToeCurve, shape: Shape, crew: Crew) -> Json:
    corner = book.corners[run.corner]
    reference = book.reference_of(run.corner)
    return {
        "run": run.name,
        "setting": {
            "above_mm": list(run.above_mm),
            "below_mm": list(run.below_mm),
            "joint_height_mm": joint_height_mm(run, reference, corner.stack),
            "length_change_mm": run.length_change_mm - reference.length_change_mm,
            "shown": crew.setting(run),
        },
        "travel_mm": curve.travel_mm.tolist(),
        "toe_deg": curve.toe_deg.tolist(),
        "toe_shown": [crew.toe_value(float(t)) for t in curve.toe_deg],
        "sd_deg": curve.sd_deg.tolist(),
        "slope_deg_per_25mm": _shape_figure(shape.slope, crew),
        "bow_deg": _shape_figure(shape.bow, crew),
        "twist_deg": _shape_figure(shape.twist, crew),
        "peak_to_peak_deg": _shape_figure(shape.peak_to_peak, crew),
        "rms_deg": _shape_figure(shape.rms, crew),
    }


def _advice(a: Advice, crew: Crew, where: str) -> Json:
    return {
        "corner": a.corner.name,
        "n_run": a.n_run,
        "action": a.action,
        "heading": note.heading_words(a),
        "first": note.before_all(a),
        "goal": {
            "kind": a.goal.kind,
            "window_mm": list(a.target.window_mm),
            "weight": a.goal.weight,
            "at_travel_mm": a.goal.at_travel_mm,
            "toe_change_deg": a.goal.toe_change_deg,
            "tolerance_deg": a.goal.tolerance_deg,
            **goal_document(a, crew),
        },
        "wishes": wishes_document(a, crew),
        "do": _move(a.move, a, crew),
        "order_of_work": list(pivot.in_order(a, crew, note.hands_words(a, crew))),
        "pivot": pivot.report_json(a, crew),
        "put_back": {"shown": note.back_words(a, crew)},
        "expected": _outlook(a.outlook, crew),
        "now": {"setting": _spot(a.now, crew), **_outlook(a.now_outlook, crew)},
        "best_guess": {
            "setting": _spot(a.best_guess, crew),
            "teaches_less": a.teaches,
        },
        "best_measured": {
            "setting": _spot(a.best_measured, crew),
            "measured_score": _band_or_none(a.measured_score_deg, crew),
            **_outlook(a.best_measured_outlook, crew),
        },
        "runners_up": [_runner_up(r, a, crew) for r in a.runners_up],
        "work": effort_document(a, crew),
        "last_run": verified_document(a.verified, crew),
        "because": {
            "pattern": a.because.pattern,
            "ends_mm": list(a.because.ends_mm),
            "ends_deg": [a.because.droop_deg, a.because.bump_deg],
            "per_mm_height_deg": list(a.because.per_mm_height_deg),
            "per_mm_length_deg": list(a.because.per_mm_length_deg),
            "shown": note.because_words(a.because, a, crew),
        },
        "wrong_if": {
            "travel_mm": a.proof.travel_mm,
            "toe_outside_deg": [a.proof.low_deg, a.proof.high_deg],
            "dial_outside": sorted(
                [crew.dial_value(a.proof.low_deg), crew.dial_value(a.proof.high_deg)]
            ),
            "shown": note.proof_words(a, crew),
        },
        "limits": {
            "items": [limit_document(x, a, crew) for x in a.limits],
            "settings_scored": a.n_candidate,
            "settings_ruled_out": a.n_ruled_out,
            "ruled_out_by": dict(a.ruled_out),
            "stack_end": None
            if a.stack_end is None
            else {
                "way": a.stack_end.way,
                "further_mm": a.stack_end.further_mm,
                "gain_deg": a.stack_end.gain_deg,
            },
            "shown": limits_words(a.limits, a, crew),
        },
        "stop": {
            "stop": not a.verdict.go_on,
            "expected_gain": _toe(a.verdict.gain_deg, crew.score(a.verdict.gain_deg)),
            "limit": _toe(a.verdict.limit_deg, crew.score(a.verdict.limit_deg)),
            "limited_by": a.verdict.limited_by,
            "shown": note.verdict_words(a, crew),
        },
        "left_out_runs": [
            {
                "run": x.run,
                "error_deg": x.error_deg,
                "promised_sd_deg": x.spread_deg,
                "doubtful": x.doubtful,
            }
            for x in a.left_out
        ],
        "doubt": {
            "readings": list(a.readings_in_doubt),
            "static_toe": list(a.static_toe_in_doubt),
            "static_toe_off": None
            if a.logged_toe is None
            else {
                "run": a.logged_toe.run,
                "reference": a.logged_toe.reference,
                "off_deg": a.logged_toe.off_deg,
                "back_mm": a.logged_toe.back_mm,
                "back_marks": a.logged_toe.back_marks,
                "unread_run": a.logged_toe.unread,
                "matters": a.logged_toe.matters,
            },
            "now_is_measured": a.now_is_measured,
            "planned_runs": list(a.planned),
            "half_entered_runs": list(a.half_entered),
            "set_aside": list(a.set_aside),
            "shown": doubts.doubt_words(a, crew),
        },
        "cautions": {"shown": note.careful_words(a), "in_full": list(IN_FULL)},
        "then": note.then_words(a, where),
    }


def _move(move: Move, a: Advice, crew: Crew) -> Json:
    static = move.static_toe
    return {
        "setting": _spot(move.spot, crew),
        "raise_mm": move.raise_mm,
        "lengthen_mm": move.turn.change_mm,
        "turns": move.turn.turns,
        "parts": move.turn.parts,
        "part_name": move.turn.part_name or None,
        "eccentric": {
            "shift_mm": {
                **_plain_band(static.shift_mm),
                "shown": crew.rough_length(static.shift_mm.value),
            },
            "marks": None
            if static.marks is None
            else {**_plain_band(static.marks), "shown": f"{abs(static.marks.value):.1f}"},
            "from_reference_mm": static.total_mm,
            "left_inboard_mm": static.left_inboard_mm,
            "left_outboard_mm": static.left_outboard_mm,
            **pivot.move_json(move, crew),
        },
        "static_toe_if_forgotten": {
            **_plain_band(static.forgotten_deg),
            "shown": crew.toe(static.forgotten_deg.value),
        },
        "shown": note.do_words(move, a, crew),
    }


def _runner_up(r: RunnerUp, a: Advice, crew: Crew) -> Json:
    return {
        "kind": r.kind,
        "do": _move(r.move, a, crew),
        "expected": _outlook(r.outlook, crew),
        "work": work_document(r.work, crew),
        "shown": note.runner_up_words(r, a, crew),
    }


def _outlook(outlook: Outlook, crew: Crew) -> Json:
    return {
        "score": {
            **_plain_band(outlook.score_deg),
            "shown": crew.score(outlook.score_deg.value),
            "shown_band": [crew.score(outlook.score_deg.low), crew.score(outlook.score_deg.high)],
        },
        "chance_to_beat_best_measured": {
            "value": outlook.chance,
            "shown": chance_in_words(outlook.chance),
        },
        "gain_deg": outlook.gain_deg,
        "chance_in_tolerance": outlook.chance_in_tolerance,
        "curve": {
            "travel_mm": outlook.travel_mm.tolist(),
            "toe_deg": outlook.toe_deg.tolist(),
            "low_deg": outlook.low_deg.tolist(),
            "high_deg": outlook.high_deg.tolist(),
            "dial": [crew.dial_value(float(t)) for t in outlook.toe_deg],
            "dial_shown": [crew.dial(float(t)) for t in outlook.toe_deg],
        },
    }


def _spot(spot: Spot, crew: Crew) -> Json:
    return {
        "above_mm": list(spot.split.above_mm),
        "below_mm": list(spot.split.below_mm),
        "joint_height_mm": spot.height_mm,
        "length_change_mm": spot.length_change_mm,
        "run": spot.run,
        "shown": f"{crew.stack(spot.split.above_mm)} over {crew.stack(spot.split.below_mm)}",
    }


def _plain_band(band: Band) -> Json:
    return {"value": band.value, "low": band.low, "high": band.high}


def _band_or_none(band: Band | None, crew: Crew) -> Json | None:
    return None if band is None else {**_plain_band(band), "shown": crew.score(band.value)}


def _shape_figure(figure: Figure | None, crew: Crew) -> Json | None:
    if figure is None:
        return None
    if not np.isfinite(figure.value):
        return None
    return {"value": figure.value, "sd": figure.sd, "shown": crew.score(figure.value)}


def _toe(value_deg: float, shown: str) -> Json:
    return {"value_deg": value_deg, "shown": shown}


def _toe_or_none(value_deg: float | None, crew: Crew) -> Json | None:
    return None if value_deg is None else _toe(value_deg, crew.dial_fine(value_deg))
