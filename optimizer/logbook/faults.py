"""Faults of a logbook: their codes, the text they stand in, and the list of them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NoReturn

from optimizer.errors import STEERING, LogbookError, Problem
from optimizer.record import record

FILES = ("car.toml", "runs.csv", "readings.csv")
IN_ORDER = (*FILES, "travel.csv")  # the last one is optional

FAULT_CODES: dict[str, str] = {
    "L101": "the folder does not exist, or is no folder",
    "L102": "the folder holds no logbook",
    "L103": "a file of the logbook is missing",
    "L104": "the file is not UTF-8 or UTF-16 text",
    "L105": "the file cannot be opened",
    "L106": "the file was changed by someone else while the tool was to write to it",
    "L201": "car.toml is not valid TOML",
    "L202": "a table of car.toml has an unknown name",
    "L203": "a key of car.toml has an unknown name",
    "L204": "a value of car.toml is of the wrong type",
    "L205": "a value of car.toml is not one of those allowed",
    "L206": "a number of car.toml is out of its range",
    "L207": "a unit is not stated and so in doubt",
    "L208": "a needed key or table of car.toml is missing",
    "L209": "the span or throw of the gauge is missing",
    "L210": "the span or throw is not above zero",
    "L211": "the unit of the readings does not suit the gauge",
    "L212": "car.toml has no corner",
    "L213": "the window does not reach from droop to bump",
    "L214": "the side of a corner is in doubt",
    "L215": "reference_run or current_run names no run",
    "L216": "reference_run or current_run names a run of another corner",
    "L217": "two keys say the same thing, or contradict each other",
    "L218": "a hard point is missing while others are stated",
    "L219": "two hard points share a place",
    "L220": "hard points are the wrong way round: outboard, forward or upwards",
    "L221": "the rise of the link does not fit its length",
    "L301": "a table has no header row",
    "L302": "a column stands twice",
    "L303": "a needed column is missing",
    "L304": "the name of a column looks misspelt",
    "L305": "the unit at the end of a column's name is unknown",
    "L306": "a row has too few or too many cells",
    "L307": "a quote is not closed, or text follows it",
    "L308": "a needed cell is empty",
    "L309": "a cell is not a number",
    "L310": "a number is not finite",
    "L311": "a comma or point in a number can be read two ways",
    "L312": "a unit is typed inside a cell",
    "L313": "a value is absurd, so that its unit may be wrong",
    "L401": "two runs have the same name",
    "L402": "a run names a corner that car.toml lacks",
    "L403": "a run names no corner, and car.toml has several",
    "L404": "the notation of a stack is not understood",
    "L405": "a shim is thinner than nothing",
    "L406": "a shim or a stack is absurdly thick",
    "L407": "the clevis totals of two runs disagree",
    "L408": "shims on the car are not in the list of those owned",
    "L409": "the length change of the reference run is not 0",
    "L501": "a reading names a run that runs.csv lacks",
    "L502": "a travel stands twice in one pass",
    "L503": "a pass has no reading at ride height",
    "L504": "a run has fewer than three travels",
    "L505": "a reading of two values lacks one of them",
    "L506": "the last row was cut off while it was written",
    "L507": "a change of several files was cut off between two of them",
    "L508": "a table has more rows than the tool is made for",
    "L601": "the pasted or imported table holds no readings",
    "L602": "the first column of the pasted or imported table is not travel",
    "L603": "a unit in the table's header contradicts the units stated, or the gauge",
    "L604": "a column of the pasted table is not named as a pass, or of an imported one not at all",
    "L605": "a pass of a gauge that reads two lacks its front or rear column",
    "L606": "an imported table holds a run that has readings already",
    "L607": "an imported table does not tell the shims of a new run",
    "L608": "a row of an imported table begins with neither a travel nor a column of runs.csv",
    "L609": "two columns of an imported table differ in what they say of a run",
    "L701": "a goal weighs by logged travel, and none is logged",
    "L702": "travel.csv has no column of travel, or two",
    "L703": "travel.csv logs the damper, and the corner has no motion ratio",
    "L704": "a time in travel.csv is below zero, or stated in two columns",
    "L705": "travel.csv names a corner that car.toml lacks",
    "L706": "travel.csv holds no time",
    "L801": "the file of offers is not there",
    "L802": "the file of offers holds none, or none with a price",
    "L803": "a thickness or bore of an offer is not above zero",
    "L804": "a price is below zero, absurd, or has more than four decimals",
    "L805": "the pieces in a pack, or the packs there are, are no whole number or out of range",
    "L806": "the same offer stands twice",
}

MOST_NAMED = 8  # names a remedy lists at the most

_SHOWN = dict.fromkeys((*STEERING, 0x0A), "\ufffd")


@dataclass(frozen=True, slots=True)
class Place:
    """A stretch of one line; line and column count from one, zero is the whole file."""

    line: int = 0
    column: int = 0
    width: int = 1


@record
class Source:
    """The text of one file, with its line ends made alike."""

    file: str
    text: str = ""
    lines: tuple[str, ...] = ()

    def line(self, number: int) -> str:
        """Line ``number``, counted from one; empty where there is none."""
        return self.lines[number - 1] if 0 < number <= len(self.lines) else ""


def source_of(file: str, text: str) -> Source:
    """Make a source; a lone carriage return ends a line too."""
    same = text.replace("\r\n", "\n").replace("\r", "\n")
    return Source(file=file, text=same, lines=tuple(same.split("\n")))


class BadValueError(Exception):
    """A value that cannot be read; where in the text, and what to do. Never leaves the reader."""

    def __init__(
        self, code: str, found: str, remedy: str, *, offset: int = 0, width: int = 0
    ) -> None:
        super().__init__(found)
        self.code = code
        self.found = found
        self.remedy = remedy
        self.offset = offset
        self.width = width


class Faults:
    """The faults found so far, handed out in the order of the files and their lines."""

    def __init__(self) -> None:
        self._problems: list[Problem] = []

    def __len__(self) -> int:
        return len(self._problems)

    def add(self, code: str, source: Source, place: Place, found: str, remedy: str) -> None:
        """Note one fault."""
        excerpt = source.line(place.line)
        self._problems.append(
            Problem(
                code=code,
                file=source.file,
                line=place.line,
                column=place.column,
                width=max(1, min(place.width, len(excerpt) - place.column + 1)),
                excerpt=showable(excerpt),
                found=found,
                remedy=remedy,
            )
        )

    def ordered(self) -> tuple[Problem, ...]:
        """All faults: car.toml, runs.csv, readings.csv, travel.csv, each from the top."""

        def key(problem: Problem) -> tuple[int, int, int]:
            rank = IN_ORDER.index(problem.file) if problem.file in IN_ORDER else 0
            return rank, problem.line, problem.column

        return tuple(sorted(self._problems, key=key))

    def stop(self, where: str, tail: str) -> NoReturn:
        """Raise LogbookError with all that was found."""
        count = "1 fault" if len(self) == 1 else f"{len(self)} faults"
        raise LogbookError(
            found=f"{count} in {where}; {tail}",
            remedy="mend each place as its line says, then try again",
            problems=self.ordered(),
        )


def decode(file: str, data: bytes, faults: Faults) -> Source | None:
    """Turn the bytes of a file into text; a fault and None where they are not text."""
    encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        source = source_of(file, data.decode(encoding, "replace"))
        before = data[: error.start].decode(encoding, "replace")
    else:
        source = source_of(file, text)
        if "\0" not in text:
            return source
        before = text[: text.index("\0")]
    upto = source_of(file, before).lines
    faults.add(
        "L104",
        source,
        Place(len(upto), len(upto[-1]) + 1),
        "this is not text in UTF-8 (or UTF-16 with a byte-order mark)",
        "save the file again as UTF-8 (in a spreadsheet: CSV UTF-8), and look at this letter",
    )
    return None


def showable(text: str) -> str:
    """Replace control characters one for one, so that columns stay right."""
    return text.translate(_SHOWN)


def quoted(text: str) -> str:
    """Text from a file, short and harmless, between back quotes."""
    flat = showable(text)
    return f"`{flat if len(flat) <= 40 else flat[:38] + '..'}`"


def alike(word: str, names: Iterable[str], cutoff: float = 0.6) -> list[tuple[float, str]]:
    """Return the names like ``word``, the most alike first, each with its likeness."""
    from difflib import SequenceMatcher  # only needed once something is wrong

    matcher = SequenceMatcher(autojunk=False)
    matcher.set_seq2(word.casefold())
    scored: list[tuple[float, str]] = []
    for name in names:
        matcher.set_seq1(name.casefold())
        if matcher.real_quick_ratio() >= cutoff and matcher.ratio() >= cutoff:
            scored.append((matcher.ratio(), name))
    return sorted(scored, key=lambda pair: -pair[0])


def nearest(word: str, names: Iterable[str], cutoff: float = 0.6) -> str | None:
    """Return the name most like ``word``, or None."""
    found = alike(word, names, cutoff)
    return found[0][1] if found else None


def listing(names: Iterable[str], last: str = "or") -> str:
    """Write names as a list: `a`, `b` or `c`."""
    marked = [quoted(name) for name in names]
    if len(marked) < 2:
        return "".join(marked)
    return f"{', '.join(marked[:-1])} {last} {marked[-1]}"


def meant(word: str, names: Iterable[str]) -> str:
    """Say how to mend an unknown name: the nearest one, or those there are."""
    known = list(names)
    found = alike(word, known)
    nearest_ones = [name for likeness, name in found if likeness == found[0][0]]
    if nearest_ones:
        return f"write {listing(nearest_ones[:MOST_NAMED])}"
    if not known:
        return "take it out"
    more = f" (and {len(known) - MOST_NAMED} more)" if len(known) > MOST_NAMED else ""
    return f"use {listing(known[:MOST_NAMED])}{more}"
