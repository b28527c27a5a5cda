"""The brief: what the person in the other seat must see of a change, in words and curves.

It says the same as ``next``, in another order and with what stands behind it: the runs, what
was considered, what would prove it wrong, and a stamp that names the data.
"""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Sequence
from datetime import date

import numpy as np
from numpy.typing import NDArray

from optimizer import __version__
from optimizer.advise.advice import Advice, Outlook, Spot
from optimizer.advise.evidence import Evidence, corner_evidence
from optimizer.advise.explore import Explored, explore
from optimizer.advise.makeable import limits_of
from optimizer.advise.next_move import advise
from optimizer.advise.stacks import in_grains, in_millimetres
from optimizer.advise.table import Table, same_setting
from optimizer.advise.verified import foretold, score_of_readings
from optimizer.measure.spreads import GaugeStudy, gauge_study
from optimizer.present import note
from optimizer.present.cautions import IN_FULL
from optimizer.present.crew import Crew, corner_title
from optimizer.present.doubts import doubt_words
from optimizer.present.labour import minutes_words, rate_words
from optimizer.present.layout import shortened
from optimizer.present.limits import limits_words
from optimizer.present.pivot import eccentric_words, joint_name, raise_words
from optimizer.present.repeats import repeats_words
from optimizer.present.verified import verified_words
from optimizer.present.wished import (
    figure_words,
    goal_words,
    score_words,
    scored_words,
    wishes_words,
)
from optimizer.record import record
from optimizer.records import Goal, Logbook, Run

Array = NDArray[np.float64]

SHOWN_RUNS = 5
NAME_ROOM, NOTE_ROOM = 24, 60
SHOWN_SETTINGS = 8
FELT_DEG = 0.02
MINUS = "-"


@record
class Line:
    """A curve of the picture, (n_travel,) each, in degrees over mm of rising travel.

    ``kind`` is before, measured or foretold; ``points`` says that they are readings.
    """

    kind: str
    name: str
    travel_mm: Array
    toe_deg: Array
    points: bool = False


@record
class Section:
    """One heading and what is said under it."""

    key: str
    heading: str
    paragraphs: tuple[str, ...]


@record
class Came:
    """Where a car that stays as it is came from: the first run, and what it is held to be."""

    run: Run
    outlook: Outlook


@record
class Brief:
    """Everything that a brief says of one corner.

    Attributes
    ----------
    sentence : the change in one sentence
    sections : in their order
    lines : curves of the picture
    settings : rows of the table of settings, the heading first
    runs : rows of the log, the heading first
    left_out_runs : how many runs are not listed
    explored : what a reader may try
    figure, scored : what is scored, and as which figure
    stamp : date, versions, hash and what was asked
    """

    title: str
    corner: str
    sentence: str
    sections: tuple[Section, ...]
    lines: tuple[Line, ...]
    settings: tuple[tuple[str, ...], ...]
    runs: tuple[tuple[str, ...], ...]
    left_out_runs: int
    cautions: tuple[str, ...]
    explored: Explored
    figure: str
    scored: str
    stamp: tuple[str, ...]


def corner_brief(
    book: Logbook,
    corner: str,
    goal: Goal | None,
    *,
    today: date,
    digest: str,
    asked: str = "",
    attached: Sequence[str] = (),
) -> Brief:
    """The brief of a corner's next change, or of leaving it as it is.

    Parameters
    ----------
    book, corner, goal : as for :func:`advise`
    today, digest : of the stamp
    asked : the flags of the call that bear on the answer
    attached : names of files that the page holds

    Raises
    ------
    CallError, TooFewReadingsError, NothingCanBeMadeError
        As :func:`advise` does.
    """
    advice = advise(book, corner, goal)
    crew = Crew.of(book)
    evidence = corner_evidence(book, corner)
    table = Table(evidence, goal or evidence.corner.goal)
    explored = explore(table, limits_of(table), advice.move.spot)
    runs, left_out = _runs(evidence, advice, crew)
    came = _came(evidence, table, advice)
    return Brief(
        title=f"{book.car}: {corner_title(advice.corner, advice.n_run)}",
        corner=advice.corner.name,
        sentence=sentence(advice, crew, came),
        sections=tuple(_sections(book, advice, crew, came)),
        lines=_lines(evidence, advice),
        settings=_settings(explored, table, advice, crew),
        runs=runs,
        left_out_runs=left_out,
        cautions=IN_FULL,
        explored=explored,
        figure=figure_words(advice.goal, advice.target, crew),
        stamp=_stamp(today, digest, asked, attached),
        scored=scored_words(advice.target),
    )


def _came(evidence: Evidence, table: Table, advice: Advice) -> Came | None:
    """The first run, where the car is to stay and has moved since; else None."""
    first = evidence.runs[0]
    spot = table.spot_of(first)
    if advice.action != "stay" or same_setting(spot, advice.now):
        return None
    return Came(run=first, outlook=table.outlook(spot))


def sentence(advice: Advice, crew: Crew, came: Came | None = None) -> str:
    """The change in one sentence, with what it is for."""
    unit = crew.units.toe
    figure = figure_words(advice.goal, advice.target, crew)
    now, then = advice.now_outlook.score_deg, advice.outlook.score_deg
    move = advice.move
    if advice.action == "stay" or not (
        abs(move.raise_mm) >= 0.005 or abs(move.turn.change_mm) >= 0.005
    ):
        since = ""
        if came is not None:
            was = crew.score(came.outlook.score_deg.value)
            since = f"down from {was} at {came.run.name} to "
            if came.outlook.score_deg.value <= then.value:
                since = f"{was} at {came.run.name}, now "
        return (
            f"Leave it as it stands{goal_words(advice, crew)}: {scored_words(advice.target)} "
            f"{since}{crew.score(then.value)} {unit} {figure} over the travel that counts."
        )
    split = move.spot.split
    doing = [
        f"{crew.stack(split.above_mm)} over {crew.stack(split.below_mm)} at the "
        f"{joint_name(advice.corner.stack)}"
    ]
    if abs(move.raise_mm) >= 0.005:
        doing[0] += f" {raise_words(move, advice.corner, crew)}"
    rest = note.do_words(move, advice, crew)[2:]
    held = advice.corner.eccentric.kind == "none"
    doing += [words.split(";")[0] for words in (rest[:1] if held else rest)]
    aim = (
        f"{scored_words(advice.target)} should go from {crew.score(now.value)} to about "
        f"{crew.score(then.value)}"
    )
    verb = {"go-back": "Go back to", "repeat": "Measure again"}.get(advice.action, "Set")
    run = f" run {move.spot.run}:" if advice.action in ("go-back", "repeat") else ""
    wanted = goal_words(advice, crew)
    return f"{verb}{run} {', '.join(doing)}{wanted}: {aim} {unit} {figure}."


def _sections(book: Logbook, advice: Advice, crew: Crew, came: Came | None) -> list[Section]:
    study = gauge_study(book)
    doubt = doubt_words(advice, crew)
    unsafe = any(limit.unsafe_now for limit in advice.limits)
    first = Section(
        key="first", heading="Before anything", paragraphs=_given(note.before_all(advice))
    )
    heading = "DO NOT DRIVE" if unsafe else "Doubt"
    doubted = Section(key="doubt", heading=heading, paragraphs=_given(doubt))
    made = [
        *((doubted, first) if unsafe else (first, doubted)),
        Section(
            key="feel",
            heading="What you should feel",
            paragraphs=feel_words(book, advice, crew, came),
        ),
        Section(key="why", heading="Why", paragraphs=why_words(advice, crew)),
        Section(key="sure", heading="How sure", paragraphs=sure_words(advice, crew, study)),
        Section(key="cost", heading="What it costs", paragraphs=cost_words(advice, crew, came)),
        Section(key="lost", heading="Considered, and lost", paragraphs=lost_words(advice, crew)),
        Section(
            key="wrong", heading="It is wrong if", paragraphs=(note.proof_words(advice, crew),)
        ),
    ]
    return [section for section in made if section.paragraphs]


def feel_words(
    book: Logbook, advice: Advice, crew: Crew, came: Came | None = None
) -> tuple[str, ...]:
    """What the driver should feel at both ends of travel (common practice, no source).

    Of what is advised against now; where the car stays, of now against where it came from.
    """
    place = _place(book, advice.corner.name)
    outlook, now = advice.outlook, advice.now_outlook if came is None else came.outlook
    then, here = ("now", "as advised") if came is None else (f"in {came.run.name}", "as it stands")
    said = []
    for travel in advice.target.window_mm:
        at = int(np.argmin(np.abs(outlook.travel_mm - travel)))
        before, after = float(now.toe_deg[at]), float(outlook.toe_deg[at])
        change = after - before
        half = float(outlook.high_deg[at] - outlook.low_deg[at]) / 2.0
        text = f"{crew.travel(travel)}: {_toe(before, crew)} {then}, {_toe(after, crew)} {here}: "
        if abs(change) < FELT_DEG:
            said.append(f"{text}nothing to feel")
            continue
        known = "" if abs(change) > half else ", if anything: the band is wider than the change"
        said.append(f"{text}{_effect(place, bump=travel > 0.0, inward=change > 0.0)}{known}")
    return (*said, "Common practice, no source: go by what the car does.")


def _effect(place: str, *, bump: bool, inward: bool) -> str:
    """What more toe-in (or less) does where this wheel goes so far."""
    calm, keen = ("steadier", "sharper") if inward else ("sharper", "steadier")
    if place == "rear":
        when = "power, and the outer wheel in a turn" if bump else "braking and turning in"
        return f"{calm} under {when}"
    if place == "front":
        # both wheels in, the car runs straight; the outer one in, it turns more
        return (
            f"{calm} in braking, {keen} to turn as the outer wheel"
            if bump
            else (f"{calm} under power")
        )
    return "what that does differs front and rear, and neither the corner's name nor an axle says"


def why_words(advice: Advice, crew: Crew) -> tuple[str, ...]:
    """The reason in the trade's words, and whether the run is for what it teaches."""
    because = note.because_words(advice.because, advice, crew)
    said = [f"{because[0].upper()}{because[1:]}."]
    if advice.teaches:
        said.append(
            "This setting is measured for what it teaches; the best guess so far stands under "
            "what lost."
        )
    elif advice.verdict.past_a_limit:
        said.append("The car stands past a limit: this brings it inside.")
    return tuple(said)


def sure_words(advice: Advice, crew: Crew, study: GaugeStudy | None) -> tuple[str, ...]:
    """Band, chance and what the gauge repeats to; whether the last run came out as foretold."""
    score = score_words(advice, crew)
    said = [f"{score[0].upper()}{score[1:]}. The band holds the truth 90 times in 100."]
    wishes = wishes_words(advice, crew, stands=advice.action == "stay")
    if wishes:
        said.append(f"Wishes: {wishes}.")
    if advice.verified is not None:
        said.append(f"The last run: {verified_words(advice.verified, crew)}.")
    if study is not None:
        said.append(f"The gauge: {repeats_words(study, crew)}.")
    verdict = note.verdict_words(advice, crew)
    said.append(f"{'Go on' if advice.verdict.go_on else 'Stop'}: {verdict}.")
    return tuple(said)


def cost_words(advice: Advice, crew: Crew, came: Came | None = None) -> tuple[str, ...]:
    """Minutes, parts, static toe and the eccentric; what it took where the car stays."""
    said = [] if came is None else [_took(advice, crew, came)]
    if advice.action != "stay":
        minutes, rate = (
            minutes_words(advice.effort.work.minutes),
            rate_words(advice.effort.work, crew),
        )
        stated = f"{', '.join(w for w in (minutes, rate) if w)}."
        said += [stated if minutes else "Minutes are not stated ([labour] of car.toml)."]
        said += [_parts(advice, crew)]
        said += [f"{w[0].upper()}{w[1:]}." for w in note.do_words(advice.move, advice, crew)[-1:]]
    limits = limits_words(advice.limits, advice, crew)
    said += [f"Limits: {limits}."] if limits else []
    return tuple(w for w in said if w)


def lost_words(advice: Advice, crew: Crew) -> tuple[str, ...]:
    """What else was looked at, and why not."""
    said = [note.runner_up_words(other, advice, crew) for other in advice.runners_up]
    kept = f" {advice.n_kept} of them keep the wishes." if advice.wishes else ""
    ruled = f" {advice.n_ruled_out} more are past a limit." if advice.n_ruled_out else ""
    said.append(f"{advice.n_candidate} settings were scored.{kept}{ruled}")
    return tuple(f"{w[0].upper()}{w[1:]}" for w in said)


def _took(advice: Advice, crew: Crew, came: Came) -> str:
    """What stood at first and what stands now."""
    split = advice.now.split
    now = f"{crew.stack(split.above_mm)} over {crew.stack(split.below_mm)}"
    change = advice.now.length_change_mm
    link = f", link {crew.length(change)} {'longer' if change > 0 else 'shorter'}"
    return (
        f"So far, in {advice.n_run} runs: {crew.setting(came.run)} in {came.run.name}; {now}"
        f"{link if abs(change) >= 0.005 else ''} now; {eccentric_words(advice.move, advice, crew)}."
    )


def _parts(advice: Advice, crew: Crew) -> str:
    """Shims that go in and come off."""
    now, then = advice.now.split, advice.move.spot.split
    # as typed in inches, a shim that stands on the car is a rounding off the one of the box
    shims = [(*s.above_mm, *s.below_mm) for s in (now, then)]
    before, after = (Counter(in_grains(s)) for s in shims)
    fitted, taken = (
        in_millimetres(sorted(d.elements(), reverse=True), shims[0] + shims[1])
        for d in (after - before, before - after)
    )
    if not fitted and not taken:
        stands = all(
            in_grains(a) == in_grains(b)
            for a, b in ((now.above_mm, then.above_mm), (now.below_mm, then.below_mm))
        )
        return "" if stands else "No shims but those on the car."
    words = [f"in from the box {crew.stack(fitted)}"] if fitted else []
    words += [f"off {crew.stack(taken)}"] if taken else []
    return f"Shims, {crew.units.length}: {'; '.join(words)}."


def _place(book: Logbook, corner: str) -> str:
    """rear or front, from its axle or its name; empty where neither says."""
    for axle in book.axles.values():
        if corner in (axle.left, axle.right):
            return axle.place
    words = corner.lower().replace("_", "-").split("-")
    return next((place for place in ("rear", "front") if place in words), "")


def _lines(evidence: Evidence, advice: Advice) -> tuple[Line, ...]:
    """Before, as measured last, and what was foretold of that run."""
    out = []
    names = [run.name for run in evidence.runs]
    first = 0
    last = len(names) - 1
    for index in dict.fromkeys((first, last)):
        curve = evidence.curves[index]
        at = int(np.searchsorted(curve.travel_mm, 0.0))
        out.append(
            Line(
                kind="before" if index == first else "measured",
                name=names[index],
                travel_mm=np.insert(curve.travel_mm, at, 0.0),
                toe_deg=np.insert(curve.toe_deg, at, 0.0),
                points=True,
            )
        )
    travel = advice.outlook.travel_mm
    seen = foretold(evidence)
    if seen is not None:
        surface, spot = seen
        mean, _ = surface.curve(*spot, travel)
        out.append(
            Line(
                kind="foretold",
                name=f"{names[-1]} foretold",
                travel_mm=travel,
                toe_deg=mean,
            )
        )
    return tuple(out)


def _settings(
    explored: Explored, table: Table, advice: Advice, crew: Crew
) -> tuple[tuple[str, ...], ...]:
    """For the most promising splits the best length, by what is expected; now and next marked."""
    unit = crew.units.length
    ways = (f"link, {unit}", f"eccentric, {unit}")
    rows = [("change", "90 in 100", "above", "below", *ways, "which")]
    score = np.where(explored.offered, explored.score_deg, np.inf)
    best = np.argmin(score, axis=1)
    order = np.argsort(score[np.arange(len(best)), best], kind="stable")
    stands = () if explored.now is None else (explored.now,)
    first = [at for at in dict.fromkeys((explored.start, *stands)) if explored.offered[at]]
    likely = [(int(i), int(best[i])) for i in order[:SHOWN_SETTINGS]]
    places = list(dict.fromkeys((*first, *likely)))
    for at in places:
        split = explored.splits[at[0]]
        spot = Spot(split=split, length_change_mm=float(explored.length_mm[at]))
        marks = [
            words
            for words, on in (
                ("advised", at == explored.start),
                ("now", at == explored.now),
                (
                    f"run {_run_at(table, spot)}",
                    bool(_run_at(table, spot)) and at != explored.now,
                ),
            )
            if on
        ]
        rows.append(
            (
                crew.score(float(explored.score_deg[at])),
                f"{crew.score(float(explored.low_deg[at]))} to "
                f"{crew.score(float(explored.high_deg[at]))}",
                crew.stack(split.above_mm),
                crew.stack(split.below_mm),
                crew.moved(spot.length_change_mm - advice.now.length_change_mm),
                crew.moved(float(explored.shift_mm[at])),
                ", ".join(marks),
            )
        )
    return tuple(rows)


def _run_at(table: Table, spot: Spot) -> str:
    found = table.measured_at(spot)
    return "" if found is None or found.run is None else found.run


def _runs(
    evidence: Evidence, advice: Advice, crew: Crew
) -> tuple[tuple[tuple[str, ...], ...], int]:
    """The first, the best and the last runs, oldest first, and how many are not listed."""
    rows = [("run", "date", "setting", "change", "note")]
    n = len(evidence.runs)
    known = [r.name for r in evidence.runs]
    held = [0, known.index(advice.best_measured.run or known[0]), *reversed(range(n))]
    shown = sorted(list(dict.fromkeys(held))[:SHOWN_RUNS])
    names = shortened([run.name for run in evidence.runs], NAME_ROOM)
    for index in shown:
        run = evidence.runs[index]
        seen = score_of_readings(evidence, index, advice.goal, advice.target)
        rows.append(
            (
                names[run.name],
                run.date,
                crew.setting(run),
                MINUS if seen is None else crew.score(seen.value),
                textwrap.shorten(run.note, NOTE_ROOM, placeholder=" .."),
            )
        )
    return tuple(rows), n - len(shown)


def _stamp(today: date, digest: str, asked: str, attached: Sequence[str]) -> tuple[str, ...]:
    out = [today.isoformat(), f"shimopt {__version__}", f"logbook {digest}"]
    out += [f"asked with {asked}"] if asked else []
    out += [f"attached to the page: {', '.join(attached)}"] if attached else []
    return tuple(out)


def _toe(toe_deg: float, crew: Crew) -> str:
    amount = crew.amount(toe_deg)
    return crew.toe(toe_deg) if float(amount.split()[0]) else f"{amount} of toe"


def _given(text: str) -> tuple[str, ...]:
    return (text,) if text else ()
