"""The screens of ``check`` and ``curves``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from optimizer.advise.limits import unsafe_today
from optimizer.measure.copied import Copied
from optimizer.measure.curve import ToeCurve
from optimizer.measure.quality import Doubt, RunQuality
from optimizer.measure.shape import Figure, Shape
from optimizer.measure.spreads import GaugeStudy
from optimizer.present.crew import Crew, left_out_words
from optimizer.present.layout import counted, labelled, margin_for, table, wrapped
from optimizer.present.limits import unsafe_words
from optimizer.present.repeats import apart_words, repeats_words
from optimizer.records import Logbook, Run
from optimizer.units import from_mm

if TYPE_CHECKING:
    from optimizer.advise.suspects import Suspect


def check_screen(
    book: Logbook,
    qualities: Sequence[RunQuality],
    width: int = 80,
    where: str = "",
    suspects: Sequence[Suspect] = (),
    study: GaugeStudy | None = None,
    toe_doubts: Sequence[str] = (),
) -> list[str]:
    """What was read, how good it is, what may be wrong with it, and what to look at."""
    crew = Crew.of(book)
    n_reading = sum(q.n_reading for q in qualities)
    corners = ", ".join(book.corners)
    counts = f"{counted(len(book.runs), 'run')}, {counted(n_reading, 'reading')}"
    head = f"{book.car}: {counts}; corner{'s' * (len(book.corners) != 1)}: {corners}"
    lines = [*wrapped(head, width), *wrapped("The files read clean: no faults.", width)]
    for name, past in unsafe_today(book).items():
        lines += labelled("Limits", f"{name}: {'; '.join(unsafe_words(past, crew))}", width)
    unit = crew.units.reading
    rows = [["run", "corner", "passes", "travels", f"repeat {unit}", f"error {unit}", "back to 0"]]
    for q in qualities:
        repeat = q.curve.repeat_sd_deg
        back = q.curve.return_to_zero_deg
        rows.append(
            [
                q.run.name,
                q.run.corner,
                str(q.n_pass),
                str(len(q.curve.travel_mm) + 1),
                "-" if repeat is None else crew.dial_fine(repeat),
                crew.dial_fine(q.typical_sd_deg),
                "-" if back is None else crew.dial_fine(back),
            ]
        )
    lines += table(rows, width, 0) if qualities else []
    margin = margin_for(q.run.name for q in qualities if q.doubts)
    for q in qualities:
        for doubt in q.doubts:
            lines += labelled(q.run.name, doubt_words(doubt, crew), width, margin)
    if toe_doubts:
        from optimizer.present.doubts import static_toe_words

        lines += labelled("Doubt", static_toe_words(toe_doubts), width)
    if suspects:
        from optimizer.present.suspicion import left_to_you, suspect_name, suspect_words
    for suspect in suspects:
        lines += labelled(
            "Suspect", f"{suspect_name(suspect)}: {suspect_words(suspect, crew)}", width
        )
    if suspects:
        lines += labelled("", left_to_you(suspects[0], where), width)
    entering = [r.name for r in book.runs if len(book.readings_of(r.name)) > 0]
    entering = [name for name in entering if name not in {q.run.name for q in qualities}]
    if entering:
        text = f"{', '.join(entering)}: go on with shimopt enter{where}"
        lines += labelled("Half entered", text, width, margin_for(["Half entered"]))
    planned = [r.name for r in book.runs if not book.readings_of(r.name)]
    if planned:
        lines += labelled("No readings", f"{', '.join(planned)}: planned, not measured", width)
    lines += _good_enough(study, crew, width, where)
    return lines


def doubt_words(doubt: Doubt, crew: Crew) -> str:
    """A doubt and its remedy."""
    amount = f"{crew.dial_fine(doubt.value_deg)} {crew.units.reading}"
    return {
        "no-repeats": "one reading at each travel: no repeats to tell noise from toe. Take a pass "
        "up and a pass down",
        "passes-apart": "no travel was read twice, each pass having its own: no repeats to tell "
        "noise from toe. Read every pass at the same travels",
        "unequal-passes": "up and down passes are not equal in number, so slack in the rig reads "
        "as bow. Name passes up1, down1, ... and take as many each way",
        "noisy": f"repeats differ by {amount}, more than the gauge's stated noise: look for "
        "something loose or a jack touching the plate",
        "return-to-zero": f"came back {amount} off zero at ride height: something moved. Take the "
        "pass again",
        "one-sided": "readings on one side of ride height only: measure droop and bump",
        "copied": _copied_words(doubt.copied),
        "few-travels": "fewer than five travels: a curve needs more points than a line",
    }[doubt.kind]


def _copied_words(copy: Copied | None) -> str:
    """Which passes read to the digit as which; empty where none does."""
    if copy is None:
        return ""
    passes = f"{', '.join(copy.sweeps)} read{'s' * (len(copy.sweeps) == 1)}"
    where = "an earlier pass" if copy.like is None else copy.like
    return (
        f"{passes} to the digit as {where} does, {copy.n_reading} readings in all: a copy is no "
        "measurement. Take its rows out, or measure again"
    )


def _good_enough(study: GaugeStudy | None, crew: Crew, width: int, where: str) -> list[str]:
    if study is None:
        text = f"measure the car as it stands with shimopt enter{where}, then: shimopt next{where}"
        return labelled("Then", text, width)
    return [
        *labelled("Repeats", repeats_words(study, crew), width),
        *labelled("Good for", apart_words(study, crew), width),
        *labelled(
            "Then",
            f"shimopt next{where} for the advice; shimopt check{where} --repeats for what to "
            f"measure again; shimopt curves{where} for figures",
            width,
        ),
    ]


def curves_screen(
    book: Logbook,
    runs: Sequence[tuple[Run, ToeCurve, Shape]],
    window_mm: tuple[float, float],
    width: int = 80,
    where: str = "",
) -> list[str]:
    """Curves of one corner's runs: their figures, then toe at each travel."""
    crew = Crew.of(book)
    first = runs[0][0]
    unit = crew.units.toe
    lines = wrapped(
        f"{first.corner}: toe change from ride height, {unit}, toe-in is "
        f"{'plus' if crew.signs.toe > 0 else 'minus'}",
        width,
    )
    margin = margin_for(run.name for run, _, _ in runs)
    for run, _, _ in runs:
        note = f" ({run.note})" if run.note else ""
        lines += labelled(run.name, f"{crew.setting(run)}{note}", width, margin)
    aside = book.set_aside_of(first.corner)
    lines += wrapped(left_out_words(aside), width) if aside else []
    lines.append("")
    rows = [["run", "slope", "bow", "twist", "peak to peak", "RMS"]]
    rows += [
        [
            run.name,
            _figure(shape.slope, crew),
            _figure(shape.bow, crew),
            _figure(shape.twist, crew),
            _figure(shape.peak_to_peak, crew, signed=False),
            _figure(shape.rms, crew, signed=False),
        ]
        for run, _, shape in runs
    ]
    lines += table(rows, width, 0)
    foot = f"slope per 25 mm of bump, {_bow_travel(window_mm, crew)}, after / one standard error"
    lines += [*wrapped(foot, width), ""]
    lines += _travel_table(runs, crew, width)
    lines += labelled("Then", f"shimopt next{where} (--out curves.png draws this)", width)
    return lines


def _bow_travel(window_mm: tuple[float, float], crew: Crew) -> str:
    """The travel that bow and twist are told at: half the window's width."""
    low, high = window_mm
    half = f"{from_mm((high - low) / 2.0, crew.units.travel):.3g} {crew.units.travel}"
    if abs(low + high) < 0.05:
        return f"bow and twist at {half}"
    return (
        f"bow and twist at {half} (half the window from {crew.travel(low)} to {crew.travel(high)})"
    )


def _travel_table(runs: Sequence[tuple[Run, ToeCurve, Shape]], crew: Crew, width: int) -> list[str]:
    travels = sorted({float(z) for _, curve, _ in runs for z in curve.travel_mm} | {0.0})
    rows = [[f"{crew.units.travel} of travel", *(run.name for run, _, _ in runs)]]
    for z in travels:
        cells = []
        for _, curve, _ in runs:
            at = np.flatnonzero(curve.travel_mm == z)
            if z == 0.0:
                cells.append("0")
            elif len(at):
                sd = crew.score(float(curve.sd_deg[at[0]]))
                cells.append(f"{crew.toe_value(float(curve.toe_deg[at[0]]))} / {sd}")
            else:
                cells.append("-")
        rows.append([crew.travel(z), *cells])
    return table(rows, width, 0)


def _figure(figure: Figure | None, crew: Crew, *, signed: bool = True) -> str:
    if figure is None:
        return "-"
    value = crew.toe_value(figure.value) if signed else crew.score(figure.value)
    return f"{value} / {crew.score(figure.sd)}"
