"""The sheet of one corner's next run: what to set, what to read, what to tick off.

Words and figures are the screen's; :mod:`optimizer.present.paper` draws them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from optimizer.advise.advice import Advice, Proof
from optimizer.advise.evidence import corner_evidence
from optimizer.advise.expectation import expected_at, proof_among
from optimizer.advise.next_move import advise
from optimizer.logbook.readings import FRONT_AND_REAR
from optimizer.present import note
from optimizer.present.crew import ROUGH_KINDS, Crew, corner_flag, corner_title
from optimizer.present.doubts import doubt_words
from optimizer.present.limits import limits_words, sheet_words
from optimizer.present.pivot import in_order, joint_name
from optimizer.present.travels import Asked, EnterAsks, enter_flags, travels_to_set
from optimizer.present.wished import goal_words, score_words, wishes_words
from optimizer.record import record
from optimizer.records import Corner, Goal, Logbook, Run

PASSES = ("up1", "down1", "up2", "down2")
PASSES_OF_TWO = PASSES[:2]  # two figures a reading: four passes would leave no room to write

SET_TO_ZERO = "zero set at ride height, "
# conditions of the rig: common practice, no source
BEFORE = (
    "ride height as loaded (driver, fuel), hub to body, copied onto the stands",
    "rubber bushes nipped at ride height",
    "spring out, or a helper spring",
    "anti-roll bar free on both sides",
    "one wheel moved, the other left alone",
    "steering locked at the rack (steered axle)",
    "brake locked",
    "slack checked: wheel bearing, rod ends, rack",
    "gauge's plate level; travel read at the hub",
    f"{SET_TO_ZERO}range enough both ways",
)
AT_EACH = ("plate level", "jack clear of the plate")
AFTER = (
    "every pass came back to zero; if not, take it again",
    "eccentric mark read again after torque",
    "static toe set, both sides",
    "lock nuts tight",
)
UNTOLD = "these travels cannot tell: none is within what was measured"


@record
class Row:
    """One travel of the table; the last two are empty where nothing is expected."""

    travel: str
    expected: str = ""
    within: str = ""
    proves: bool = False


@record
class Sheet:
    """Everything that one page says.

    ``passes`` have a box at every travel, or one for each of ``values`` where the gauge reads
    two. ``must`` are paragraphs that always stand on the page, ``may`` those that give way
    where there is no room, the last one first; each is (label, text). ``order`` is the whole
    order of work, ``hands`` among it. With ``enter_flags`` the command ``enter`` asks for the
    boxes of the page.
    """

    corner: str
    car: str
    heading: str
    label: str
    hands: tuple[str, ...]
    blanks: tuple[tuple[str, float], ...]
    rows: tuple[Row, ...]
    passes: tuple[str, ...]
    values: tuple[str, ...]
    zero: str
    units: tuple[str, str]
    how: str
    before: tuple[str, ...]
    after: tuple[str, ...]
    doubt: str
    must: tuple[tuple[str, str], ...]
    may: tuple[tuple[str, str], ...]
    enter_flags: str
    first: str = ""
    order: tuple[str, ...] = ()

    @property
    def expects(self) -> bool:
        """The sheet foretells readings."""
        return any(row.expected for row in self.rows)


def corner_sheet(
    book: Logbook,
    corner: str,
    asked: Asked,
    goal: Goal | None = None,
    *,
    first: bool = False,
    own: EnterAsks | None = None,
    where: str = "",
) -> Sheet:
    """The sheet of a corner's next run, or of a run as it stands.

    ``first`` asks for the latter; a corner without readings gets it anyway. ``own`` is what
    ``enter`` asks of this corner by itself, ``where`` what commands need to find the logbook.

    Raises
    ------
    CallError, TooFewReadingsError, NothingCanBeMadeError
        As :func:`advise` and :func:`travels_to_set` do.
    """
    measured = any(book.readings_of(r.name) for r in book.runs_of(corner))
    if first or not measured:
        return _as_it_stands(book, book.corners[corner], asked, goal, own, where, measured=measured)
    return _next_run(book, corner, asked, goal, own, where)


def _next_run(
    book: Logbook,
    corner: str,
    asked: Asked,
    goal: Goal | None,
    own: EnterAsks | None,
    where: str,
) -> Sheet:
    crew = Crew.of(book)
    advice = advise(book, corner, goal)
    wanted = advice.goal.at_travel_mm
    travels = travels_to_set(
        asked,
        crew,
        measured_mm=[float(z) for z in advice.measured_travel_mm],
        window_mm=advice.goal.window_mm,
        wanted_mm=[advice.proof.travel_mm, *([] if wanted is None else [wanted])],
    )
    found: Proof | None = advice.proof
    if asked.travels is not None:
        found = proof_among(book, advice, travels)
        advice = advice if found is None else replace(advice, proof=found)
    passes = _passes(crew)
    flags = enter_flags(travels, passes, crew, own)
    over = any(limit.status in ("over", "near") for limit in advice.limits)
    over |= advice.unmeasured_mm is not None
    limits = ("Limits", limits_words(advice.limits, advice, crew, 1 if over else 0))
    wished = wishes_words(advice, crew, stands=advice.action == "stay")
    wishes = (("Wishes", wished),) if wished else ()
    proof = ("Wrong if", UNTOLD if found is None else note.proof_words(advice, crew))
    return Sheet(
        corner=corner_title(advice.corner, advice.n_run),
        car=book.car,
        heading=f"{note.heading_words(advice)}{goal_words(advice, crew)}",
        label=note.hands_label(advice),
        hands=tuple(note.hands_words(advice, crew)),
        blanks=_blanks(advice.corner, crew),
        rows=_rows(book, advice, travels, crew, proves=found is not None),
        passes=passes,
        values=FRONT_AND_REAR if crew.gauge.reads_two else (),
        zero=crew.dial(0.0),
        units=(crew.units.travel, crew.units.reading),
        how=f"{_how(crew)}{_counts(crew)} Within: 90 in 100, for the true curve.",
        before=_before(crew),
        after=_after(advice.corner),
        first=note.before_all(advice),
        doubt=doubt_words(advice, crew),
        must=(proof, limits) if over else (proof,),
        may=(
            *(() if over else (limits,)),
            ("Expect", score_words(advice, crew)),
            *wishes,
            ("Then", _then(advice, corner_flag(book, corner), flags)),
            ("Go on" if advice.verdict.go_on else "Stop", note.verdict_words(advice, crew)),
            ("Each limit", sheet_words(advice, crew)),
        ),
        order=in_order(advice, crew, note.hands_words(advice, crew)),
        enter_flags=flags,
    )


def _rows(
    book: Logbook, advice: Advice, travels: Sequence[float], crew: Crew, *, proves: bool
) -> tuple[Row, ...]:
    """A row a travel; outside what was measured and what is wanted nothing is foretold."""
    seen = corner_evidence(book, advice.corner.name).measured_mm
    low = min(seen[0], advice.target.window_mm[0]) - 0.05
    high = max(seen[1], advice.target.window_mm[1]) + 0.05
    told = expected_at(book, advice.corner.name, advice.move.spot, travels)
    rows = []
    for z, toe, half in zip(travels, told.toe_deg, told.half_deg, strict=True):
        known = low <= z <= high
        rows.append(
            Row(
                travel=crew.travel(z),
                expected=crew.dial(float(toe)) if known else "-",
                within=crew.dial_span(float(half)) if known else "-",
                proves=proves and crew.travel(z) == crew.travel(advice.proof.travel_mm),
            )
        )
    return tuple(rows)


def _as_it_stands(
    book: Logbook,
    corner: Corner,
    asked: Asked,
    goal: Goal | None,
    own: EnterAsks | None,
    where: str,
    *,
    measured: bool,
) -> Sheet:
    """A sheet without a foretelling: the first run, or one the crew wants to see fresh."""
    crew = Crew.of(book)
    wish = goal or corner.goal
    wanted = wish.at_travel_mm
    stroke: list[float] = []
    if measured:
        stroke = [float(z) for z in corner_evidence(book, corner.name).curves[-1].travel_mm]
    travels = travels_to_set(
        asked,
        crew,
        measured_mm=stroke,
        window_mm=wish.window_mm,
        wanted_mm=[] if wanted is None else [wanted],
    )
    guessed = asked.travels is None and not stroke and wish.window_mm is None
    reach = " Strike out what the wheel does not reach." if guessed else ""
    passes = _passes(crew)
    flags = enter_flags(travels, passes, crew, own)
    here = f"{where}{corner_flag(book, corner.name)}"
    run = _stands_at(book, corner)
    heading = "measure it as it stands"
    return Sheet(
        corner=corner.name,
        car=book.car,
        heading=heading if measured else f"first run: {heading}",
        label="Stands at",
        hands=_setting_words(run, book, corner, crew),
        blanks=_blanks(corner, crew),
        rows=tuple(Row(travel=crew.travel(z)) for z in travels),
        passes=passes,
        values=FRONT_AND_REAR if crew.gauge.reads_two else (),
        zero=crew.dial(0.0),
        units=(crew.units.travel, crew.units.reading),
        how=_how(crew) + reach,
        before=_before(crew),
        after=_after(corner),
        doubt="",
        must=(),
        may=(("Then", f"shimopt enter{here}{flags} as you measure it, then: shimopt next{where}"),),
        enter_flags=flags,
    )


def _passes(crew: Crew) -> tuple[str, ...]:
    return PASSES_OF_TWO if crew.gauge.reads_two else PASSES


def _then(advice: Advice, here: str, flags: str) -> str:
    """The next command, and how what is measured on this page is entered."""
    if advice.action in ("try", "repeat"):
        return note.then_variants(advice, f"{here}{flags}")[-1]
    then = note.then_variants(advice)[-1]
    return f"{then}; what you measure: shimopt enter{here}{flags}"


def _stands_at(book: Logbook, corner: Corner) -> Run | None:
    """The run whose setting is on the car, None where the logbook has no row of it."""
    runs = book.runs_of(corner.name)
    if any(book.readings_of(r.name) for r in runs):
        return corner_evidence(book, corner.name).now
    named = next((r for r in runs if r.name == corner.current_run), None)
    return named or (book.reference_of(corner.name) if runs else None)


def _setting_words(run: Run | None, book: Logbook, corner: Corner, crew: Crew) -> tuple[str, ...]:
    """The setting that the logbook has, or lines to write it on."""
    blank = "_" * 20
    joint = joint_name(corner.stack)
    above, below = (crew.stack(run.above_mm), crew.stack(run.below_mm)) if run else (blank, blank)
    words = [
        f"above the {joint}, top to bottom: {above}",
        f"below the {joint}, top to bottom: {below}",
    ]
    if run is None:
        return tuple(words)
    reference = book.reference_of(corner.name)
    change = run.length_change_mm - reference.length_change_mm
    if abs(change) >= 0.005:
        way = "longer" if change > 0.0 else "shorter"
        words.append(f"link {crew.length(change)} {way} than at {reference.name}")
    elif run.name != reference.name and corner.thread.kind != "fixed":
        words.append(f"link length as at {reference.name}")
    if corner.eccentric.kind != "none" and run.eccentric_mark is not None:
        mark = f"{run.eccentric_mark:+g}" if run.eccentric_mark else "0"
        words.append(f"eccentric at mark {mark} (inboard plus)")
    return (*words, "look that it is so; if not, mend runs.csv")


def _blanks(corner: Corner, crew: Crew) -> tuple[tuple[str, float], ...]:
    """Boxes to fill in and the share of the page's width each takes."""
    plus = "toe-in" if crew.signs.toe > 0 else "toe-out"
    toe = (f"static toe, {crew.units.toe}, {plus} +", 1.25)
    date, who, run = ("date", 0.8), ("who", 0.9), ("run name", 1.3)
    if corner.eccentric.kind == "none":
        return date, who, run, toe
    return date, who, run, toe, ("eccentric mark, inboard +", 1.25)


def _how(crew: Crew) -> str:
    way = "Toe-in" if crew.dial_value(1.0) > 0.0 else "Toe-out"
    return (
        "Each pass starts at ride height (first line) and comes back to it (last line). Up: droop "
        f"to bump. Down: bump to droop. As many down as up. {way} reads plus."
    )


def _counts(crew: Crew) -> str:
    """What a figure to expect is, where the gauge does not show it just so."""
    if crew.gauge.reads_two:
        return f" Expect is front less rear{'' if crew.zeroed else ', counted from ride height'}."
    return "" if crew.zeroed else " Expect counts from ride height."


def _before(crew: Crew) -> tuple[str, ...]:
    no_zero = crew.gauge.kind in ROUGH_KINDS
    return tuple(text.removeprefix(SET_TO_ZERO) if no_zero else text for text in BEFORE)


def _after(corner: Corner) -> tuple[str, ...]:
    marked = corner.eccentric.kind != "none"
    return tuple(text for text in AFTER if marked or not text.startswith("eccentric"))
