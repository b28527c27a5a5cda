"""A new logbook folder from a handful of answers: all of it, or nothing."""

from __future__ import annotations

import contextlib
import csv
import io
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from optimizer.errors import CallError, LogbookError, ShimoptError
from optimizer.logbook.car import (
    GAUGES,
    REFERENCES,
    SPAN_WORDS,
    span_key,
    span_range_mm,
    suits,
    unsuited,
)
from optimizer.logbook.corner import LINKS, side_of
from optimizer.logbook.disk import replace_bytes, sync_folder, temporary_of
from optimizer.logbook.faults import FILES, Faults, listing, quoted
from optimizer.logbook.journal import FOLDER, Change, Journal, begun_new, note_new, read_journal
from optimizer.logbook.lock import writing
from optimizer.logbook.read import read_bytes
from optimizer.logbook.readings import value_names
from optimizer.logbook.template import CarText, car_toml
from optimizer.logbook.values import parse_stack, parse_units, write_number, write_stack
from optimizer.record import record
from optimizer.records import TWO_VALUES, GaugeKind, Units
from optimizer.units import from_mm, is_angle

if TYPE_CHECKING:
    from optimizer.logbook.paste import TableRow


@record
class NewAnswers:
    """What a crew answers to start a logbook; only the first three have no default.

    Attributes
    ----------
    units : as `parse_units` takes them, such as ``mm`` or ``thou,mm,mm``
    link : outer joint ahead of or behind the line through upper and lower pivots
    gauge : None for one-dial, or for direct-angle where the readings are angles
    span : of the gauge, or the throw of a spot, in the length unit; None for a gauge that
        shows an angle
    rising : which way the wheel turns while the gauge's number grows, or front less rear
    reference : the side that the distances of a toe plate are taken from
    above, below : shims as they stand, in the length unit, such as ``2x1+0.5``
    car : None for the name of the folder
    side : None for the side that the corner's name tells
    table : (pass, travel, reading) of each reading, or (pass, travel, front, rear) where
        the gauge reads two; in the crew's units and signs
    """

    units: str
    link: Literal["ahead", "behind"]
    gauge: GaugeKind | None = None
    span: float | None = None
    rising: Literal["toe-in", "toe-out"] = "toe-in"
    reference: Literal["inboard", "outboard"] | None = None
    above: str = ""
    below: str = ""
    car: str | None = None
    corner: str = "rear-left"
    side: Literal["left", "right"] | None = None
    toe_out_plus: bool = False
    droop_plus: bool = False
    steered: bool = False
    table: Sequence[TableRow] | None = None
    run: str = "run1"


def start_logbook(folder: Path, answers: NewAnswers) -> tuple[Path, ...]:
    """Make a folder with car.toml, runs.csv and readings.csv.

    The files are written beside their places, synced, and only then renamed; when
    anything fails nothing is left behind.

    Parameters
    ----------
    folder : made when it does not exist; may hold other files
    answers : what the crew said

    Returns
    -------
    The paths of the three files.

    Raises
    ------
    CallError : an answer cannot be, or the folder holds a logbook already
    LogbookError : the readings have faults; nothing was written
    ShimoptError : the disk would not take it; nothing is left of it
    """
    _take_away_half(folder)
    check_folder(folder)
    texts = _texts(folder, answers)
    data = {name: text.encode("utf-8", "replace") for name, text in texts.items()}
    _check(folder, data)
    missing = [p for p in (folder, *folder.parents) if not p.exists()]
    try:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with writing(folder, "new"):
                check_folder(folder)
                return _write_all(folder, data)
        except BaseException:
            for path in missing:
                with contextlib.suppress(OSError):
                    path.rmdir()
            raise
    except OSError as error:
        found = f"{folder} cannot be written: {error.strerror or error}; nothing was left there"
        raise ShimoptError(
            found, "name a folder that you may write to, on a disk with room"
        ) from error


def _take_away_half(folder: Path) -> None:
    """Take away what a `new` that was cut off has left, where nobody has changed it since."""
    if not (folder / FOLDER).is_dir() or begun_new(read_journal(folder)) is None:
        return
    with writing(folder, "new"):
        journal = read_journal(folder)
        change = begun_new(journal)
        if change is None:  # another has ended it meanwhile
            return
        for name in change.bases:
            replace_bytes(folder / name, None)
        journal.forget(change)


def check_folder(folder: Path) -> None:
    """Refuse a folder that cannot take a new logbook.

    Raises
    ------
    CallError : it is a file, lies in one, or holds a logbook already
    """
    nearest = next(path for path in (folder, *folder.absolute().parents) if path.exists())
    if not nearest.is_dir():
        raise CallError(f"{nearest} is a file, no folder", "name another folder")
    there = [name for name in FILES if (folder / name).exists()]
    if there:
        found = f"{folder} holds {listing(there, 'and')} already; nothing was changed"
        raise CallError(found, "name another folder, or look at this one with `shimopt check`")


def check_names(corner: str, run: str, side: str | None) -> None:
    """Refuse names that the files could not hold, and a corner that tells no side.

    Raises
    ------
    CallError : with what to say instead
    """
    for what, name in (("corner", corner), ("run", run)):
        if not name.strip() or name.strip().startswith("#") or not name.isprintable():
            raise CallError(f"a {what} cannot be called {quoted(name)}", "use letters and digits")
        if name != " ".join(name.split()):
            raise CallError(
                f"a {what} cannot be called {quoted(name)}: a row keeps single blanks only",
                f"call it {quoted(' '.join(name.split()))}",
            )
    if (side or side_of(corner)) not in ("left", "right"):
        found = f"the corner {quoted(corner)} does not tell its side"
        raise CallError(found, "say the side, `left` or `right`")


def check_span(span: float, unit: str, kind: GaugeKind = "one-dial") -> None:
    """Refuse a span or throw [unit] that no gauge of this kind has.

    Raises
    ------
    CallError : it is not finite, not above zero, or absurd in its unit
    """
    key = span_key(kind)
    if not (math.isfinite(span) and span > 0.0):
        raise CallError(f"a {key} of {span:g} cannot be", "say the distance, above zero")
    low, high = (from_mm(bound, unit) for bound in span_range_mm(kind))
    if not low <= span <= high:
        raise CallError(
            f"a {key} of {span:g} {unit} cannot be",
            f"say {SPAN_WORDS[kind]}, from {low:.3g} to {high:.4g} {unit}",
        )


def gauge_kind(gauge: str | None, reading_unit: str) -> GaugeKind:
    """The kind of gauge that an answer names, or that the unit of the readings tells.

    Raises
    ------
    CallError : there is no such kind, or it does not read in this unit
    """
    if gauge is None:
        return "direct-angle" if is_angle(reading_unit) else "one-dial"
    kind = next((k for k in GAUGES if k == gauge), None)
    if kind is None:
        raise CallError(f"there is no gauge kind {quoted(gauge)}", f"use {listing(GAUGES)}")
    if not suits(kind, reading_unit):
        found, _ = unsuited(kind, reading_unit)
        raise CallError(found, "say another gauge, or other units")
    return kind


def rising_from_turn(
    link: Literal["ahead", "behind"], number: Literal["up", "down"]
) -> Literal["toe-in", "toe-out"]:
    """Which way the wheel turns while the gauge's number grows, from one turn of the link.

    A longer link pushes its outer joint outboard. Ahead of the line through the
    carrier's pivots that is toe-out, behind it toe-in, whichever side of the car; what
    the number did meanwhile gives its direction (statics of a lever; the tests hold it
    against the exact mechanism).

    Parameters
    ----------
    link : where the outer joint lies
    number : whether the number went up or down while the link was lengthened
    """
    return "toe-in" if (link == "behind") == (number == "up") else "toe-out"


def _texts(folder: Path, answers: NewAnswers) -> dict[str, str]:
    """The three files as text."""
    units = parse_units(answers.units)
    kind = gauge_kind(answers.gauge, units.reading)
    side = answers.side or side_of(answers.corner)
    _check_answers(answers, units, kind, side)
    unit = units.length
    above, below = (
        tuple(from_mm(shim, unit) for shim in parse_stack(text, unit))
        for text in (answers.above, answers.below)
    )
    on_car = tuple(sorted(above + below, reverse=True))
    corner, run = answers.corner.strip(), answers.run.strip()
    car = CarText(
        name=answers.car or folder.absolute().name,
        units=units,
        toe_out_plus=answers.toe_out_plus,
        droop_plus=answers.droop_plus,
        gauge=kind,
        span=write_number(answers.span or 0.0),
        rising=answers.rising,
        reference=answers.reference or "",
        corner=corner,
        side=side or "",
        link=answers.link,
        steered=answers.steered,
        run=run,
        shims=write_stack(on_car),
        most_shims=max(6, len(on_car)),
    )
    row = (run, corner, "", write_stack(above), write_stack(below), "0", "", "", "")
    readings = [
        (run, sweep, *map(write_number, numbers)) for sweep, *numbers in answers.table or ()
    ]
    shown = ",".join(f"{name}_{units.reading}" for name in value_names(kind))
    return {
        "car.toml": car_toml(car),
        "runs.csv": _csv(
            "run,corner,date,"
            f"shims_above_{unit},shims_below_{unit},length_change_{unit},"
            f"eccentric_mark,static_toe_{units.toe},note",
            [row],
        ),
        "readings.csv": _csv(f"run,pass,travel_{units.travel},{shown}", readings),
    }


def _check_answers(answers: NewAnswers, units: Units, kind: GaugeKind, side: str | None) -> None:
    """Refuse what would not make sense in the files."""
    if answers.link not in LINKS:
        raise CallError(f"the link cannot be {quoted(answers.link)}", f"say {listing(LINKS)}")
    if answers.rising not in ("toe-in", "toe-out"):
        raise CallError(
            f"the dial cannot rise with {quoted(answers.rising)}", "say `toe-in` or `toe-out`"
        )
    check_names(answers.corner, answers.run, side)
    wanted = 4 if kind in TWO_VALUES else 3
    if any(len(row) != wanted for row in answers.table or ()):
        found = f"the table does not hold what a {kind} gauge reads"
        raise CallError(found, f"give {listing(value_names(kind), 'and')} of each reading")
    if kind == "toe-plate" and answers.reference not in REFERENCES:
        found = f"a toe plate cannot be measured from {quoted(answers.reference or '')}"
        raise CallError(found, f"say {listing(REFERENCES)}")
    if kind == "direct-angle":
        return
    if answers.span is None:
        found = f"readings in {units.reading} need the {span_key(kind)} of the gauge"
        raise CallError(found, f"say {SPAN_WORDS[kind]}, in {units.length}")
    check_span(answers.span, units.length, kind)


def _csv(header: str, rows: Sequence[Sequence[str]]) -> str:
    buffer = io.StringIO()
    buffer.write(header + "\n")
    csv.writer(buffer, lineterminator="\n").writerows(rows)
    return buffer.getvalue()


def _check(folder: Path, data: Mapping[str, bytes]) -> None:
    """Read the files back before they are written; their faults are those of the answers."""
    faults = Faults()
    if read_bytes(folder, data, faults) is not None:
        return
    raise LogbookError(
        found="the readings do not make a sound logbook; nothing was written",
        remedy="mend the table and try again",
        problems=[replace(p, file=f"{p.file} (not written)") for p in faults.ordered()],
    )


def _write_all(folder: Path, data: Mapping[str, bytes]) -> tuple[Path, ...]:
    """Write all files and rename them into place; take everything back on any failure."""
    noted: tuple[Journal, Change] | None = None
    made: list[Path] = []
    try:
        for name, content in data.items():
            temporary = temporary_of(folder, name)
            with temporary.open("xb") as file:
                made.append(temporary)
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
        with contextlib.suppress(OSError):  # the logbook is whole without its undo history
            noted = note_new(folder, data)
        for name in data:
            if (folder / name).exists():
                raise FileExistsError(0, f"{name} has appeared meanwhile")
            temporary_of(folder, name).rename(folder / name)
            made.append(folder / name)
    except BaseException:
        for path in made:
            path.unlink(missing_ok=True)
        if noted is not None:
            journal, change = noted
            journal.forget(change)
        raise
    sync_folder(folder)
    if noted is not None:
        journal, change = noted
        with contextlib.suppress(OSError):
            journal.add(change, done=True)
    return tuple(folder / name for name in data)
