"""From the bytes of a logbook's files to its records, or to all their faults."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NoReturn

from optimizer.logbook.car import CarFile, read_car
from optimizer.logbook.disk import held_bytes
from optimizer.logbook.faults import (
    FILES,
    Faults,
    Place,
    Source,
    decode,
    listing,
    showable,
    source_of,
)
from optimizer.logbook.readings import ReadingTable, read_readings
from optimizer.logbook.runs import RunTable, read_runs
from optimizer.logbook.travel import TRAVEL_FILE, check_logged_weight, read_travel_logs
from optimizer.records import Logbook, Units

JOURNAL = ".shimopt"
MOST_LINES = {"runs.csv": 500, "readings.csv": 50_000}
_STARTED = "run `shimopt new` to start a logbook, or name the folder that holds one"
_LACKING = {
    "car.toml": "copy it back, or start a new logbook with `shimopt new` in another folder",
    "runs.csv": "write it with the header `run,corner,shims_above,shims_below`, or run "
    "`shimopt new` in another folder to see one",
    "readings.csv": "write it with the header `run,pass,travel,reading`, or run `shimopt new` "
    "in another folder to see one",
}


def read_logbook(folder: Path, *, short: bool = False) -> Logbook:
    """Read and check a whole logbook folder. Nothing is ever written.

    Parameters
    ----------
    folder : the folder with car.toml, runs.csv, readings.csv and perhaps travel.csv
    short : whether runs may lack travels, for whoever is to add them

    Returns
    -------
    The logbook in millimetres, degrees and the signs of the glossary.

    Raises
    ------
    LogbookError : its ``problems`` are all independent faults, in the order of
        the files and their lines
    """
    while True:
        faults = Faults()
        data = _read_files(folder, faults)
        logbook = _read(folder, data, faults, short=short)
        if logbook is not None:
            return logbook
        if not _moved_on(folder, data):
            faults.stop(str(folder), "nothing was changed")


def _moved_on(folder: Path, data: Mapping[str, bytes]) -> bool:
    """Whether what looks at fault was only another command's write, which is over by now."""
    if not (folder / JOURNAL).is_dir():
        return False
    from optimizer.logbook.lock import free

    return free(folder) and _read_files(folder, Faults()) != data


def _read(
    folder: Path, data: Mapping[str, bytes], faults: Faults, *, short: bool
) -> Logbook | None:
    """The logbook from the files that could be read; None when there is any fault."""
    entering: frozenset[str] | None = frozenset()
    cut: Mapping[str, str] = {}
    if (folder / JOURNAL).is_dir():
        from optimizer.logbook.torn import known_of

        known = known_of(folder, data)
        entering, cut = known.entering, known.cut
        if known.half is not None and known.half_new:
            _stop_half_new(folder, *known.half)
        if known.half is not None:
            _fault_half_made(*known.half, faults)
    entering = None if short else entering
    return read_bytes(folder, data, faults, entering=entering, cut=cut, travel=True)


def read_bytes(
    folder: Path,
    data: Mapping[str, bytes],
    faults: Faults,
    *,
    entering: frozenset[str] | None = frozenset(),
    cut: Mapping[str, str] | None = None,
    travel: bool = False,
) -> Logbook | None:
    """Read a logbook from the bytes of its files; None when there is any fault.

    A file that is not in ``data`` is passed over: whoever left it out has noted why.
    Runs in ``entering`` may still lack travels, or any run where that is None. A file in
    ``cut`` breaks off inside a row, which is given whole: that row is a fault and no reading.
    Logged travel is read with ``travel`` only: nothing that writes a row needs it.
    """
    sources = {name: decode(name, data[name], faults) for name in FILES if name in data}
    for name in MOST_LINES:
        sources[name] = _of_some_length(sources.get(name), faults)
    for name, row in (cut or {}).items():
        sources[name] = _without_torn_row(sources.get(name), row, faults)
    car = read_car(sources.get("car.toml"), faults, folder.absolute().name)
    runs = read_runs(sources.get("runs.csv"), car, faults)
    readings = read_readings(sources.get("readings.csv"), car, runs, faults, entering)
    logs = {}
    if travel:
        log = decode(TRAVEL_FILE, data[TRAVEL_FILE], faults) if TRAVEL_FILE in data else None
        before = len(faults)
        logs = read_travel_logs(log, car, faults)
        if len(faults) == before and not (TRAVEL_FILE in data and log is None):
            check_logged_weight(car, logs, faults)
    if len(faults):
        return None
    return Logbook(
        folder=folder,
        car=car.name,
        units=_own_units(car, runs, readings),
        signs=car.signs,
        gauge=car.gauge,
        corners=car.corners,
        axles=car.axles,
        labour=car.labour,
        runs=runs.runs,
        readings=readings.readings,
        travel_logs=logs,
    )


def _of_some_length(source: Source | None, faults: Faults) -> Source | None:
    """The source, or a fault and None where it has more rows than a crew ever measures."""
    if source is None or len(source.lines) <= (most := MOST_LINES[source.file]):
        return source
    found = f"{source.file} has {len(source.lines)} lines, and {most} are the most"
    remedy = "keep the runs of one car and one set-up, and the rest in another logbook"
    faults.add("L508", source, Place(most + 1), found, remedy)
    return None


def _without_torn_row(source: Source | None, row: str, faults: Faults) -> Source | None:
    """Note a row that was cut off while it was written, and leave it away."""
    if source is None:
        return None
    last = source.lines[-1]
    faults.add(
        "L506",
        source,
        Place(len(source.lines), 1, len(last)),
        "the file breaks off inside this row, which is no row yet",
        f"write `{showable(row)}`, as it was entered; or run `shimopt enter`, which puts it back",
    )
    return source_of(source.file, source.text[: len(source.text) - len(last)])


def _fault_half_made(written: Sequence[str], lacking: Sequence[str], faults: Faults) -> None:
    """Note a change that was cut off between two files: neither half counts."""
    found = (
        f"the last change was cut off: {listing(written, 'and')} has its rows, "
        f"{listing(lacking, 'and')} has not"
    )
    remedy = "run `shimopt undo`, which takes them out, then do it again"
    faults.add("L507", Source(file=written[0]), Place(), found, remedy)


def _stop_half_new(folder: Path, written: Sequence[str], lacking: Sequence[str]) -> NoReturn:
    """A `new` that was cut off: nothing else is said of what it left."""
    faults = Faults()
    found = (
        f"`shimopt new` was cut off: {listing(written, 'and')} {_are(written)} there, "
        f"{listing(lacking, 'and')} {_are(lacking)} not"
    )
    remedy = "run the same `shimopt new` again, which begins anew, or `shimopt undo`"
    faults.add("L507", Source(file=written[0]), Place(), found, remedy)
    faults.stop(str(folder), "nothing was changed")


def _are(names: Sequence[str]) -> str:
    return "is" if len(names) == 1 else "are"


def _own_units(car: CarFile, runs: RunTable, readings: ReadingTable) -> Units:
    """The crew's units: those of [units], else those of the headers."""
    return Units(
        travel=car.units.get("travel") or readings.units.get("travel") or "mm",
        reading=car.units.get("reading") or _shown_in(readings) or "mm",
        length=car.units.get("length") or runs.length_unit or "mm",
        toe=car.units.get("toe") or "deg",
    )


def _shown_in(readings: ReadingTable) -> str | None:
    """The unit that the header gives to what the gauge shows."""
    return readings.units.get("reading") or readings.units.get("front")


def _read_files(folder: Path, faults: Faults) -> dict[str, bytes]:
    """The bytes of the files that can be opened; a fault for each that cannot."""
    here = Source(file=str(folder))
    if not folder.is_dir():
        found = "there is no such folder" if not folder.exists() else "this is a file, no folder"
        faults.add("L101", here, Place(), found, _STARTED)
        return {}
    if not any((folder / name).exists() for name in FILES):
        faults.add("L102", here, Place(), "the folder holds no logbook", _STARTED)
        return {}
    data: dict[str, bytes] = {}
    for name in (*FILES, TRAVEL_FILE):
        try:
            data[name] = held_bytes(folder / name)
        except FileNotFoundError:
            if name == TRAVEL_FILE:
                continue
            source = Source(file=name)
            faults.add("L103", source, Place(), f"{name} is missing", _LACKING[name])
        except OSError as error:
            found = f"{name} cannot be opened: {error.strerror or error}"
            remedy = "close it elsewhere, and see that it is a file you may read"
            faults.add("L105", Source(file=name), Place(), found, remedy)
    return data
