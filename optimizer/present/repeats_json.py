"""What the gauge repeats to, and what to measure again, as parts of a ``--json`` document."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from optimizer.measure.spreads import Apart, GaugeStudy, Part
from optimizer.present import repeats as words
from optimizer.present.crew import Crew

if TYPE_CHECKING:
    from optimizer.advise.repeats import Repeat, RepeatAdvice

Json = dict[str, Any]


def study_json(study: GaugeStudy | None, crew: Crew, whole: bool) -> Json | None:
    """The gauge's study; intervals, which need a library, only where the ``whole`` is asked."""
    if study is None:
        return None
    return {
        "parts": [_part(p, crew, whole) for p in study.parts.values()],
        "left_out_runs": list(study.left_out),
        "noise_factor": study.noise_factor,
        "loops": [
            {"run": x.run, "down_less_up_deg": x.gap_deg, "sd_deg": x.sd_deg,
             "shown": crew.dial(x.gap_deg)}
            for x in study.loops
        ],
        "largest_return_deg": study.largest_return_deg,
        "told_apart": {
            "like": study.like,
            **_apart(study.apart, crew),
            "two_more_passes": _apart(study.apart_passes, crew),
            "rig_put_up_twice": _apart(study.apart_mounts, crew),
            "shown": words.apart_words(study, crew),
        },
        "shown": words.repeats_words(study, crew),
        **(
            {
                "shown_loops": words.loops_words(study, crew),
                "shown_remount": words.remount_words(study, crew),
                "shown_return": words.return_words(study, crew),
            }
            if whole
            else {}
        ),
    }  # fmt: skip


def repeats_json(advice: RepeatAdvice, crew: Crew) -> Json:
    """What one corner should measure again, and at which travels next time."""
    few = advice.few
    return {
        "run": advice.run,
        "advised_setting": {
            "joint_height_mm": advice.height_mm,
            "length_change_mm": advice.length_change_mm,
            "advised": advice.advised,
        },
        "error_deg": advice.error_deg,
        "again": [_repeat(r, advice, crew) for r in advice.repeats],
        "shown": [words.again_words(advice, crew), words.rest_words(advice, crew)],
        "fewest_travels": {
            "travel_mm": list(few.travel_mm),
            "error_deg": few.error_deg,
            "of": few.n_all,
            "error_with_all_deg": few.all_error_deg,
            "shown": words.few_words(few, crew),
        },
    }


def _part(part: Part, crew: Crew, whole: bool) -> Json:
    out: Json = {
        "name": part.name,
        "measured_deg": None if part.measured is None else part.measured.sd,
        "freedom": part.freedom,
        "stated_deg": part.stated_deg,
        "used_deg": part.kept.sd,
        "pulled_deg": part.pulled_deg,
        "shown": crew.dial_fine(part.kept.sd),
    }
    if whole:
        ends = None if part.measured is None else list(part.measured.interval)
        out["measured_95_deg"] = ends
        out["used_95_deg"] = list(part.kept.interval)
        out["shown_row"] = words.part_cells(part, crew)
    return out


def _apart(apart: Apart, crew: Crew) -> Json:
    return {
        "passes": apart.n_pass,
        "mounts": apart.n_mount,
        "ends_deg": apart.end_deg,
        "rms_deg": apart.rms_deg,
        "shown_ends": crew.score(apart.end_deg),
        "shown_rms": crew.score(apart.rms_deg),
    }


def _repeat(repeat: Repeat, advice: RepeatAdvice, crew: Crew) -> Json:
    return {
        "kind": repeat.kind,
        "run": repeat.run,
        "travel_mm": list(repeat.travel_mm),
        "ways": list(repeat.ways),
        "n_reading": repeat.n_reading,
        "error_deg": repeat.error_deg,
        "less_by": words.less_by(repeat, advice),
        "shown": f"{words.repeat_words(repeat, crew)}: {words.less_words(repeat, advice)}",
    }
