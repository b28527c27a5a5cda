"""Whether the last run came out as foretold, in words."""

from __future__ import annotations

from typing import Any

from optimizer.advise.eccentric import Band
from optimizer.advise.verified import Verified
from optimizer.present.crew import Crew
from optimizer.present.suspicion import STORIES, odds_in_words

CHANGED = "no slip in its rows explains it, so the car or the rig changed: look at both"


def verified_words(found: Verified, crew: Crew, *, brief: bool = False) -> str:
    """What was foretold of the last run and what it showed; what to suspect if it is off.

    ``brief`` leaves the story and its remedy to ``check``, which tells them too.
    """
    scores = _scores(found, crew)
    if found.as_foretold:
        return f"{found.run} came out as foretold{': ' if scores else ''}{scores}"
    band = sorted(
        (found.expected_deg - found.half_deg, found.expected_deg + found.half_deg),
        key=crew.dial_value,
    )
    text = (
        f"{found.run} did NOT come out as foretold: {crew.shown_name} at "
        f"{crew.travel(found.travel_mm)} {crew.dial(found.measured_deg)}, foretold "
        f"{crew.dial(band[0])} to {crew.dial(band[1])}"
    )
    if brief:
        return f"{text}; see shimopt check"
    if found.suspect is None:
        return f"{text}; {CHANGED}"
    story, remedy = STORIES[found.suspect.kind]
    return f"{text}; perhaps {story}: {remedy}"


def _scores(found: Verified, crew: Crew) -> str:
    expected = found.expected_score_deg
    if found.measured_score_deg is None:
        return ""
    return (
        f"{crew.score(expected.value)} {crew.units.toe} {_figure(found)} expected "
        f"({crew.score(expected.low)} to {crew.score(expected.high)}), "
        f"{crew.score(found.measured_score_deg.value)} measured"
    )


def _figure(found: Verified) -> str:
    return "RMS" if found.measure == "rms" else "peak to peak"


def verified_document(found: Verified | None, crew: Crew) -> dict[str, Any] | None:
    """The verdict for the JSON document."""
    if found is None:
        return None
    measured, suspect = found.measured_score_deg, found.suspect
    return {
        "run": found.run,
        "as_foretold": found.as_foretold,
        "chance_of_being_so_far_off": found.chance,
        "expected_score_deg": _band(found.expected_score_deg),
        "measured_score_deg": None if measured is None else _band(measured),
        "farthest_off": {
            "travel_mm": found.travel_mm,
            "expected_deg": found.expected_deg,
            "half_deg": found.half_deg,
            "measured_deg": found.measured_deg,
        },
        "suspect": None
        if suspect is None
        else {"kind": suspect.kind, "shown": odds_in_words(suspect.log_odds)},
        "shown": verified_words(found, crew),
    }


def _band(band: Band) -> dict[str, float]:
    """A figure with the ends of its band."""
    return {"value": band.value, "low": band.low, "high": band.high}
