"""What the gauge repeats to, and what to measure again, in words: part of ``check``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from optimizer.measure.curve import TILT_BASE_MM
from optimizer.measure.spreads import Apart, GaugeStudy, Part, PartName
from optimizer.present.crew import Crew
from optimizer.present.layout import labelled, table, wrapped
from optimizer.present.travels import travels_flag
from optimizer.records import Logbook
from optimizer.units import from_mm

if TYPE_CHECKING:
    from optimizer.advise.repeats import Few, Repeat, RepeatAdvice

NAMES: dict[PartName, str] = {
    "reading": "one reading",
    "direction": "down less up",
    "remount": "rig off and on",
    "return": "back to zero",
}
# what its degrees of freedom count
COUNTED: dict[PartName, str] = {
    "reading": "repeat",
    "direction": "run",
    "remount": "remount",
    "return": "return",
}
MOST_LOOPS = 4
NUMBERS = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
# a gain smaller than this is no reason to do anything
NEXT_TO_NOTHING = 0.01


def repeats_words(study: GaugeStudy, crew: Crew) -> str:
    """What repeats and by how much, in one sentence."""
    reading, direction, remount = (study.parts[n] for n in ("reading", "direction", "remount"))
    return (
        f"one reading repeats to {_amount(reading, crew)} {crew.units.reading} "
        f"({_from(reading)}); going up and coming down differ by {_amount(direction, crew)} at "
        f"the ends of travel ({_from(direction)}); the rig taken off and put back: "
        f"{_amount(remount, crew)} at {_base(crew)} ({_from(remount)})"
        + (f"; {left_out_words(study)}" if study.left_out else "")
    )


def left_out_words(study: GaugeStudy) -> str:
    """Runs that say nothing here, being under suspicion; nothing where there are none."""
    if not study.left_out:
        return ""
    return f"not in these figures, being suspect: {', '.join(study.left_out)}"


def apart_words(study: GaugeStudy, crew: Crew) -> str:
    """The smallest change that tells two runs apart, and what would lessen it."""
    apart, score = study.apart, crew.score
    dial = f"{crew.dial_span(apart.end_deg)} {crew.units.reading} {crew.shown_place}"

    def then(other: Apart) -> str:
        same = score(other.end_deg) == score(apart.end_deg)
        return "no better" if same else score(other.end_deg)

    return (
        f"two runs can be told apart when they differ by more than {score(apart.end_deg)} "
        f"{crew.units.toe} ({dial}) at the ends of travel, {score(apart.rms_deg)} RMS; at the ends "
        f"{then(study.apart_passes)} with two more passes, "
        f"{then(study.apart_mounts)} with the rig put up twice"
    )


def repeats_screen(
    book: Logbook,
    study: GaugeStudy | None,
    advices: Sequence[RepeatAdvice],
    width: int = 80,
    where: str = "",
) -> list[str]:
    """The whole study: spreads with their intervals, loops, what to repeat, which travels."""
    crew = Crew.of(book)
    if study is None:
        text = f"no readings yet: measure with shimopt enter{where}"
        return [*wrapped(f"{book.car}: what the gauge repeats to", width),
                *labelled("Then", text, width)]  # fmt: skip
    unit = crew.units.reading
    lines = wrapped(f"{book.car}: what the gauge repeats to, {unit}, from all runs", width)
    rows = [["", "measured", "likely", "assumed", "used", "from"]]
    rows += [part_cells(p, crew) for p in study.parts.values() if p.name != "return" or p.measured]
    lines += table(rows, width, 0)
    lines += wrapped(
        "likely: 95 in 100; used: measured, with the assumed counted as six more",
        width,
    )
    for label, text in (
        ("Left out", left_out_words(study)),
        ("Loop", loops_words(study, crew)),
        ("Rig", remount_words(study, crew)),
        ("Zero", return_words(study, crew)),
        ("Good for", apart_words(study, crew)),
    ):
        lines += labelled(label, text, width) if text else []
    for advice in advices:
        if len(advices) > 1:
            lines += wrapped(f"{advice.corner}:", width)
        for label, text in (("Again", again_words(advice, crew)), ("", rest_words(advice, crew))):
            lines += labelled(label, text, width)
        lines += labelled("Travels", few_words(advice.few, crew), width)
    return lines + labelled("Then", then_words(advices, crew, where), width)


def part_cells(part: Part, crew: Crew) -> list[str]:
    """A row of the table: name, measured, both ends of its interval, stated, used, from."""
    measured, ends = "-", "-"
    if part.measured is not None:
        low, high = (crew.dial_fine(x) for x in part.measured.interval)
        measured, ends = crew.dial_fine(part.measured.sd), f"{low} to {high}"
    return [
        NAMES[part.name],
        measured,
        ends,
        crew.dial_fine(part.stated_deg),
        crew.dial_fine(part.kept.sd),
        _from(part),
    ]


def loops_words(study: GaugeStudy, crew: Crew) -> str:
    """Coming down less going up, run by run, with its sign as the gauge shows it."""
    if study.both_ways and not study.loops:
        return "not measured: no travel was read both up and down. Read both at the same travels"
    if not study.loops:
        return "not measured: take passes up and down, named up1, down1, ..."
    each = [
        (f"{x.run} {crew.dial(x.gap_deg)}", crew.dial_span(2.0 * x.sd_deg)) for x in study.loops
    ]
    many = ""
    if len(each) > MOST_LOOPS:
        largest = sorted(range(len(each)), key=lambda i: -abs(study.loops[i].gap_deg))[:MOST_LOOPS]
        many = f", the largest of {len(each)} runs"
        each = [each[i] for i in sorted(largest)]
    if len({give for _, give in each}) == 1 < len(each):
        said = f"{', '.join(gap for gap, _ in each)}, each give or take {each[0][1]}"
    else:
        said = ", ".join(f"{gap} give or take {give}" for gap, give in each)
    return f"coming down less going up at the ends of travel{many}: {said}"


def remount_words(study: GaugeStudy, crew: Crew) -> str:
    """What taking the rig off and putting it back does, or that nobody knows."""
    part = study.parts["remount"]
    used = f"{_amount(part, crew)} {crew.units.reading} at {_base(crew)}"
    if part.measured is None:
        return (
            f"off and on again was not measured: the gauge's assumed {used} is used. Measure one "
            "setting in two runs to know"
        )
    return f"taking it off and putting it back: {used} ({_from(part)})"


def return_words(study: GaugeStudy, crew: Crew) -> str:
    """How well passes came back to ride height."""
    part, largest = study.parts["return"], study.largest_return_deg
    if part.measured is None or largest is None:
        return "no pass came back to ride height: end each pass there"
    return (
        f"back at ride height {crew.dial_fine(part.measured.sd)} {crew.units.reading} off zero "
        f"(RMS of {part.freedom}), {crew.dial_fine(largest)} at most"
    )


def again_words(advice: RepeatAdvice, crew: Crew) -> str:
    """The repeat that gains most, with what it does for the error of the advice."""
    best = advice.repeats[0]
    setting = "the setting that next advises" if advice.advised else "the car as it stands"
    unit = crew.units.toe
    known = f"the curve of {setting} is known to"
    if less_by(best, advice) < NEXT_TO_NOTHING:
        return (
            f"no repeat is worth it: {known} {crew.score(advice.error_deg)} {unit} RMS, and none "
            "betters that by 1 in 100"
        )
    return (
        f"{repeat_words(best, crew)} ({best.n_reading} readings): {known} "
        f"{crew.score(best.error_deg)} {unit} RMS then, {crew.score(advice.error_deg)} now "
        f"({less_words(best, advice)} better)"
    )


def rest_words(advice: RepeatAdvice, crew: Crew) -> str:
    """The best of each other kind of repeat in short; nothing where none is worth it."""
    best, *others = advice.repeats
    if less_by(best, advice) < NEXT_TO_NOTHING:
        return ""
    kinds, by_gain = {best.kind, "pass"}, dict[str, list[str]]()
    for r in others:
        if r.kind not in kinds:
            kinds.add(r.kind)
            by_gain.setdefault(less_words(r, advice), []).append(repeat_words(r, crew, short=True))
    return "; ".join(f"{gain}: {'; '.join(said)}" for gain, said in by_gain.items())


def repeat_words(repeat: Repeat, crew: Crew, *, short: bool = False) -> str:
    """What to do again; in short, without the passes that go without saying."""
    passes = _passes(repeat.ways)
    once_more = f"{_listed([crew.travel(z) for z in repeat.travel_mm])} once more"
    return {
        "travels": once_more if short else f"{once_more} in {passes}, the rig still up",
        "pass": f"{passes} more, the rig still up",
        "both-ways": f"{passes} more, the rig still up",
        "remount": f"{repeat.run} with the rig off and on, {passes}",
        "earlier": f"{repeat.run} set again" + ("" if short else f", {passes}"),
    }[repeat.kind]


def less_by(repeat: Repeat, advice: RepeatAdvice) -> float:
    """Share by which the advice's error falls."""
    return 1.0 - repeat.error_deg / advice.error_deg if advice.error_deg > 0.0 else 0.0


def less_words(repeat: Repeat, advice: RepeatAdvice) -> str:
    """That share in words."""
    share = less_by(repeat, advice)
    return "next to nothing" if share < NEXT_TO_NOTHING else f"{round(100 * share)} in 100"


def few_words(few: Few, crew: Crew) -> str:
    """The fewest travels for the next run."""
    after = f"the same curve is then known to {crew.score(few.error_deg)} {crew.units.toe} RMS"
    if len(few.travel_mm) == few.n_all:
        return f"next time all {_number(few.n_all + 1)} are needed: {after}"
    travels = _listed([*(crew.travel(z) for z in few.travel_mm), "ride height"])
    whole = crew.score(few.all_error_deg)
    with_all = "as good as" if whole == crew.score(few.error_deg) else whole
    return (
        f"next time {_number(len(few.travel_mm) + 1)} of {_number(few.n_all + 1)} would do: "
        f"{travels}; {after}, {with_all} with all"
    )


def then_words(advices: Sequence[RepeatAdvice], crew: Crew, where: str) -> str:
    """The next command, with the fewest travels where they are fewer."""
    for advice in advices:
        if len(advice.few.travel_mm) < advice.few.n_all:
            travels = travels_flag(advice.few.travel_mm, crew)
            corner = f" --corner {advice.corner}" if len(advices) > 1 else ""
            return f"shimopt sheet{where}{corner} --travels {travels} prints them"
    return f"shimopt next{where} for the advice"


def _passes(ways: Sequence[int]) -> str:
    words = {1: "a pass up", -1: "a pass down", 0: "a pass"}
    if len(ways) == 1:
        return words[ways[0]]
    return "two passes" if 0 in ways else "a pass up and one down"


def _amount(part: Part, crew: Crew) -> str:
    return crew.dial_fine(part.kept.sd)


def _from(part: Part) -> str:
    """What a spread comes from."""
    if part.measured is None:
        return "assumed"
    of = COUNTED[part.name]
    return f"{part.freedom} {of}{'' if part.freedom == 1 else 's'}"


def _base(crew: Crew) -> str:
    """The travel that a tilt is told at."""
    return f"{from_mm(TILT_BASE_MM, crew.units.travel):.3g} {crew.units.travel}"


def _number(n: int) -> str:
    return NUMBERS[n] if n < len(NUMBERS) else str(n)


def _listed(words: Sequence[str], last: str = " and ") -> str:
    return last.join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
