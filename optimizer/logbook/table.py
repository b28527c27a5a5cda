"""The tables of car.toml: the names they may hold, and typed reading that notes faults."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import TypeVar

from optimizer.logbook.faults import Faults, Place, Source, listing, nearest, quoted
from optimizer.logbook.toml_doc import KeyPath, TomlDoc
from optimizer.logbook.values import UNIT_CHOICES, unit_meant
from optimizer.units import to_deg, to_mm

T = TypeVar("T", bound=str)
D = TypeVar("D")

MOST_TRAVEL_MM = 300.0
MOST_TOE_DEG = 10.0

TAPE = ("length", "arm", "rise", "lean_in", "stud_lean")
POINTS = (
    "lower_front_pivot",
    "lower_rear_pivot",
    "lower_ball_joint",
    "upper_front_pivot",
    "upper_rear_pivot",
    "upper_ball_joint",
    "link_inner_joint",
    "link_outer_joint",
    "wheel_centre",
)
TABLES = ("car", "units", "signs", "gauge", "labour", "axle", "corner")
CORNER_TABLES = ("tape", "points", "stack", "thread", "joint", "stud", "eccentric", "goal")
KEYS: dict[str, tuple[str, ...]] = {
    "[car]": ("name",),
    "[units]": ("travel", "reading", "length", "toe"),
    "[signs]": ("toe_in", "bump"),
    "[gauge]": (
        "kind",
        "span",
        "throw",
        "rising",
        "reference",
        "range",
        "resolution",
        "reading_noise",
        "direction_noise",
        "travel_noise",
        "travel_scale_noise",
        "remount_noise",
    ),
    "[labour]": ("shims", "length", "alignment", "run"),
    "[axle.NAME]": ("left", "right", "track", "place", "same"),
    "[corner.NAME]": (
        "side",
        "link",
        "steered",
        "suspension",
        "role",
        "motion_ratio",
        "reference_run",
        "current_run",
    ),
    "[corner.NAME.tape]": (*TAPE, *(f"{key}_give_or_take" for key in TAPE)),
    "[corner.NAME.points]": (*POINTS, "give_or_take"),
    "[corner.NAME.stack]": ("end", "face", "shims", "most_shims"),
    "[corner.NAME.thread]": (
        "kind",
        "size",
        "pitch",
        "threads_per_inch",
        "flats",
        "shorter",
        "longer",
        "engaged_inner",
        "engaged_outer",
        "least_engaged",
    ),
    "[corner.NAME.joint]": (
        "bore",
        "width",
        "allowed_tilt",
        "clocked_off",
        "tilt",
        "tilt_give_or_take",
    ),
    "[corner.NAME.stud]": (
        "size",
        "class",
        "length",
        "nut",
        "spacer",
        "shank",
        "load",
        "least_showing",
        "tapered",
    ),
    "[corner.NAME.eccentric]": (
        "kind",
        "per_mark",
        "inboard_left",
        "outboard_left",
        "throw",
        "degrees_per_mark",
        "angle",
        "lifts",
        "toe_at_marks",
    ),
    "[corner.NAME.goal]": (
        "kind",
        "measure",
        "never_toe_out",
        "most_change",
        "order",
        "window",
        "weight",
        "weight_sd",
        "at_travel",
        "toe_change",
        "tolerance",
        "worthwhile",
    ),
}


def _homes() -> dict[str, str]:
    """Names that live in one table only, and that table."""
    homes: dict[str, list[str]] = {name: ["[corner.NAME]"] for name in CORNER_TABLES}
    for label, keys in KEYS.items():
        for key in keys:
            homes.setdefault(key, []).append(label)
    return {name: labels[0] for name, labels in homes.items() if len(labels) == 1}


HOMES = _homes()


class UnitsStated:
    """The units of [units]; a missing one is a fault once, where it is first needed."""

    def __init__(self, stated: Mapping[str, str], places: Mapping[str, Place]) -> None:
        self._stated = dict(stated)
        self._places = dict(places)
        self._blamed: set[str] = set()

    def get(self, what: str) -> str | None:
        """Return the unit, or None when it is not stated or at fault."""
        return self._stated.get(what)

    def place(self, what: str) -> Place:
        """Where the unit is stated."""
        return self._places.get(what, Place())

    def blame(self, *what: str) -> None:
        """Take units as at fault already, so that nothing else is said about them."""
        for one in what:
            self._blamed.add(one)
            self._stated.pop(one, None)

    def need(
        self, what: str, faults: Faults, source: Source, place: Place, hint: str = ""
    ) -> str | None:
        """Return the unit; note a fault at ``place`` the first time it is missing."""
        unit = self._stated.get(what)
        if unit is None and what not in self._blamed:
            self._blamed.add(what)
            first, *others = (f'"{choice}"' for choice in UNIT_CHOICES[what])
            faults.add(
                "L207",
                source,
                place,
                f"its unit is in doubt: [units] of car.toml does not state `{what}`",
                f"write `{what} = {first}` (or {', '.join(others)}) under [units]{hint}",
            )
        return unit


class Table:
    """One table of car.toml. A misspelt name is a fault, then read as the one meant.

    ``tables`` None lets any name stand for a table, as the names of corners do.
    """

    def __init__(
        self,
        doc: TomlDoc,
        path: KeyPath,
        data: Mapping[str, object],
        faults: Faults,
        *,
        keys: Sequence[str] = (),
        tables: Sequence[str] | None = (),
    ) -> None:
        self.doc = doc
        self.path = path
        self.faults = faults
        self._data = data
        known = [*keys, *(data if tables is None else tables)]
        self._typed = {name: name for name in data if name in known}
        for name in data:
            if name not in known:
                self._unknown(name, known)

    @property
    def label(self) -> str:
        """The table as car.toml writes it."""
        return f"[{'.'.join(self.path)}]" if self.path else "car.toml"

    @property
    def names(self) -> tuple[str, ...]:
        """The names in this table, as meant."""
        return tuple(self._typed)

    def has(self, key: str) -> bool:
        """Say whether the key is there, rightly spelt or not."""
        return key in self._typed

    def _unknown(self, name: str, known: Sequence[str]) -> None:
        what = "table" if isinstance(self._data[name], dict) else "key"
        near = nearest(name, known, 0.8 if name in HOMES else 0.6)
        if near is not None and near in self._typed:
            remedy = f"take it out: {quoted(near)} is there already"
        elif near is not None:
            remedy = f"write {quoted(near)}"
            self._typed[near] = name
        elif name in HOMES:
            remedy = f"move it under {HOMES[name]}"
        else:
            remedy = f"take it out; {self.label} may hold {listing(known, 'and')}"
        self.faults.add(
            "L202" if what == "table" else "L203",
            self.doc.source,
            self.doc.key_place((*self.path, name)),
            f"{self.label} has no {what} {quoted(name)}",
            remedy,
        )

    def fault(self, code: str, key: str, found: str, remedy: str) -> None:
        """Note a fault at the value of a key."""
        self.faults.add(code, self.doc.source, self.value_place(key), found, remedy)

    def lacks(self, code: str, found: str, remedy: str) -> None:
        """Note that something is missing from this table, at its header."""
        self.faults.add(code, self.doc.source, self.doc.key_place(self.path), found, remedy)

    def value_place(self, key: str) -> Place:
        """Where the value of a key stands."""
        return self.doc.value_place((*self.path, self._typed.get(key, key)))

    def raw(self, key: str) -> object:
        """Return the value as TOML gave it; None when the key is not there."""
        return self._data.get(self._typed[key]) if key in self._typed else None

    def wrong_type(self, key: str, wanted: str, example: str) -> None:
        """Note that the value of a key is of the wrong type."""
        self.fault("L204", key, f"{quoted(key)} must be {wanted}", f"write `{key} = {example}`")

    def table(
        self, key: str, keys: Sequence[str] = (), tables: Sequence[str] | None = ()
    ) -> Table | None:
        """Return a table inside this one; None when it is absent or no table."""
        value = self.raw(key)
        if value is None:
            return None
        if isinstance(value, dict):
            path = (*self.path, self._typed[key])
            return Table(self.doc, path, value, self.faults, keys=keys, tables=tables)
        path = (*self.path, key) if key != "corner" else (key, "rear-left")
        header = f"[{'.'.join(path)}]"
        self.fault(
            "L204",
            key,
            f"{quoted(key)} must be a table",
            f"write `{header}` on a line of its own, once, with its keys below",
        )
        return None

    def text(self, key: str, example: str = "name") -> str | None:
        """Return a string; None when absent or at fault."""
        value = self.raw(key)
        if value is None or isinstance(value, str):
            return value
        self.wrong_type(key, "text in double quotes", f'"{example}"')
        return None

    def flag(self, key: str) -> bool | None:
        """Return true or false; None when absent or at fault."""
        value = self.raw(key)
        if value is None or isinstance(value, bool):
            return value
        self.wrong_type(key, "true or false, without quotes", "true")
        return None

    def choice(self, key: str, allowed: Sequence[T], default: D) -> T | D:
        """Return one of the allowed words; ``default`` when absent or at fault."""
        value = self.text(key, allowed[0])
        if value is None:
            return default
        for word in allowed:
            if value == word:
                return word
        unit = unit_meant(value)
        near = unit if unit in allowed else nearest(value, allowed)
        self.fault(
            "L205",
            key,
            f"{quoted(key)} cannot be {quoted(value)}",
            (f'write `"{near}"`; ' if near else "") + f"allowed are {listing(allowed, 'and')}",
        )
        return default

    def number(
        self,
        key: str,
        *,
        above: float | None = None,
        least: float | None = None,
        most: float | None = None,
    ) -> float | None:
        """Return a finite number within its range; None when absent or at fault."""
        value = self.raw(key)
        if value is None:
            return None
        number = as_number(value)
        if number is None:
            digits = re.match(r"\s*([-+]?[0-9]+(?:\.[0-9]+)?)", str(value))
            example = digits[1].lstrip("+0") or "0" if digits else "1.5"
            self.wrong_type(key, "a number, without quotes and without a unit", example)
            return None
        if not math.isfinite(number):
            self.fault("L310", key, f"{quoted(key)} is not finite", "write a number or take it out")
            return None
        if above is not None and number <= above:
            allowed = f"above {above:g}"
        elif least is not None and number < least:
            allowed = f"of {least:g} or more"
        elif most is not None and number > most:
            allowed = f"of {most:g} or less"
        else:
            return number
        self.fault("L206", key, f"{quoted(key)} is {number:g}", f"write a number {allowed}")
        return None

    def whole(self, key: str, *, least: int, most: int) -> int | None:
        """Return a whole number within its range; None when absent or at fault."""
        value = self.raw(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int):
            self.wrong_type(key, "a whole number", str(max(least, 6)))
            return None
        if least <= value <= most:
            return value
        found = f"{quoted(key)} is out of range"
        self.fault("L206", key, found, f"write a number from {least} to {most}")
        return None

    def absurd(self, key: str, size: str, what: str) -> None:
        """Note that a value is absurd in the unit that is stated."""
        self.fault(
            "L313",
            key,
            f"{quoted(key)} comes to {size}, which is absurd",
            f"mend the number, or its unit: `{what}` under [units]",
        )


def as_number(value: object) -> float | None:
    """Return a TOML integer or float as a float, infinite where too large; else None."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        return float(value)
    except OverflowError:
        return math.inf


def length_mm(
    table: Table,
    key: str,
    units: UnitsStated,
    what: str = "length",
    *,
    above: float | None = None,
    least: float | None = None,
    least_mm: float = 0.0,
    most_mm: float = 2000.0,
) -> float | None:
    """Read a length of car.toml; None when absent or at fault.

    Parameters
    ----------
    what : the unit of [units] that counts: ``length``, ``travel`` or ``reading``
    above, least : bounds in the crew's unit, beyond which the number is wrong
    least_mm, most_mm : bounds of the size [mm], beyond which the unit is in doubt
    """
    value = table.number(key, above=above, least=least)
    if value is None:
        return None
    unit = units.need(what, table.faults, table.doc.source, table.value_place(key))
    if unit is None:
        return None
    value_mm = to_mm(value, unit)
    if least_mm <= abs(value_mm) <= most_mm:
        return value_mm
    table.absurd(key, f"{value_mm:.4g} mm", what)
    return None


def toe_deg(
    table: Table,
    key: str,
    units: UnitsStated,
    *,
    above: float | None = None,
    least: float | None = None,
) -> float | None:
    """Read a toe value of car.toml in degrees; None when absent or at fault."""
    value = table.number(key, above=above, least=least)
    if value is None:
        return None
    unit = units.need("toe", table.faults, table.doc.source, table.value_place(key))
    if unit is None:
        return None
    value_deg = to_deg(value, unit)
    if abs(value_deg) <= MOST_TOE_DEG:
        return value_deg
    table.absurd(key, f"{value_deg:.4g} degrees", "toe")
    return None


def given(value: D | None, default: D) -> D:
    """Return the value, or the default when there is none."""
    return default if value is None else value
