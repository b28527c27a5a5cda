"""A new logbook folder from a handful of answers: all of it, or nothing."""

from __future__ import annotations

import contextlib
import csv
import io
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from optimizer.errors import CallError, LogbookError, ShimoptError
from optimizer.logbook.car import SPAN_RANGE_MM
from optimizer.logbook.corner import LINKS, side_of
from optimizer.logbook.faults import FILES, Faults, listing, quoted
from optimizer.logbook.read import read_bytes
from optimizer.logbook.template import CarText, car_toml
from optimizer.logbook.values import parse_stack, parse_units, write_stack
from optimizer.records import Units
from optimizer.units import from_mm, is_angle


@dataclass(frozen=True, slots=True, kw_only=True)
class NewAnswers:
    """What a crew answers to start a logbook; only the first three have no default.

    Attributes
    ----------
    units : as `parse_units` takes them, such as ``mm`` or ``thou,mm,mm``
    link : outer joint ahead of or behind the line through upper and lower pivots
    span : contact to dial, in the length unit; None for a gauge that shows an angle
    rising : which way the wheel turns while the dial's number grows
    above, below : shims as they stand, in the length unit, such as ``2x1+0.5``
    car : None for the name of the folder
    side : None for the side that the corner's name tells
    table : (pass, travel, reading) of each reading, in the crew's units and signs
    """

    units: str
    link: Literal["ahead", "behind"]
    span: float | None = None
    rising: Literal["toe-in", "toe-out"] = "toe-in"
    above: str = ""
    below: str = ""
    car: str | None = None
    corner: str = "rear-left"
    side: Literal["left", "right"] | None = None
    toe_out_plus: bool = False
    droop_plus: bool = False
    steered: bool = False
    table: Sequence[tuple[str, float, float]] | None = None
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
    check_folder(folder)
    texts = _texts(folder, answers)
    data = {name: text.encode("utf-8", "replace") for name, text in texts.items()}
    _check(folder, data)
    try:
        return _write_all(folder, data)
    except OSError as error:
        found = f"{folder} cannot be written: {error.strerror or error}; nothing was left there"
        raise ShimoptError(
            found, "name a folder that you may write to, on a disk with room"
        ) from error


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
    if (side or side_of(corner)) not in ("left", "right"):
        found = f"the corner {quoted(corner)} does not tell its side"
        raise CallError(found, "say the side, `left` or `right`")


def check_span(span: float, unit: str) -> None:
    """Refuse a span [unit] that no gauge has.

    Raises
    ------
    CallError : it is not finite, not above zero, or absurd in its unit
    """
    if not (math.isfinite(span) and span > 0.0):
        raise CallError(f"a span of {span:g} cannot be", "say the distance, above zero")
    low, high = (from_mm(bound, unit) for bound in SPAN_RANGE_MM)
    if not low <= span <= high:
        raise CallError(
            f"a span of {span:g} {unit} cannot be",
            f"say the distance from fixed contact to dial, from {low:.3g} to {high:.4g} {unit}",
        )


def _texts(folder: Path, answers: NewAnswers) -> dict[str, str]:
    """The three files as text."""
    units = parse_units(answers.units)
    side = answers.side or side_of(answers.corner)
    _check_answers(answers, units, side)
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
        span=None if is_angle(units.reading) else _number(answers.span or 0.0),
        rising=answers.rising,
        corner=corner,
        side=side or "",
        link=answers.link,
        steered=answers.steered,
        run=run,
        shims=write_stack(on_car),
        most_shims=max(6, len(on_car)),
    )
    row = (run, corner, "", write_stack(above), write_stack(below), "0", "", "", "")
    readings = [(run, sweep, _number(z), _number(v)) for sweep, z, v in answers.table or ()]
    return {
        "car.toml": car_toml(car),
        "runs.csv": _csv(
            "run,corner,date,"
            f"shims_above_{unit},shims_below_{unit},length_change_{unit},"
            f"eccentric_mark,static_toe_{units.toe},note",
            [row],
        ),
        "readings.csv": _csv(f"run,pass,travel_{units.travel},reading_{units.reading}", readings),
    }


def _check_answers(answers: NewAnswers, units: Units, side: str | None) -> None:
    """Refuse what would not make sense in the files."""
    if answers.link not in LINKS:
        raise CallError(f"the link cannot be {quoted(answers.link)}", f"say {listing(LINKS)}")
    if answers.rising not in ("toe-in", "toe-out"):
        raise CallError(
            f"the dial cannot rise with {quoted(answers.rising)}", "say `toe-in` or `toe-out`"
        )
    check_names(answers.corner, answers.run, side)
    if is_angle(units.reading):
        return
    if answers.span is None:
        found = f"readings in {units.reading} need the span of the gauge"
        raise CallError(found, f"say the distance from fixed contact to dial, in {units.length}")
    check_span(answers.span, units.length)


def _number(value: float) -> str:
    """A number as a file shows it: whole ones without a point, no digit lost."""
    value = float(value)
    return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)


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
    missing = [p for p in (folder, *folder.parents) if not p.exists()]
    made: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in data.items():
            temporary = _temporary(folder, name)
            with temporary.open("xb") as file:
                made.append(temporary)
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
        for name in data:
            if (folder / name).exists():
                raise FileExistsError(0, f"{name} has appeared meanwhile")
            _temporary(folder, name).rename(folder / name)
            made.append(folder / name)
    except BaseException:
        for path in made:
            path.unlink(missing_ok=True)
        for path in missing:
            with contextlib.suppress(OSError):
                path.rmdir()
        raise
    _sync_folder(folder)
    return tuple(folder / name for name in data)


def _temporary(folder: Path, name: str) -> Path:
    return folder / f".{name}.{os.getpid()}.new"


def _sync_folder(folder: Path) -> None:
    """Make the renames last through a power cut, where the system can."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
