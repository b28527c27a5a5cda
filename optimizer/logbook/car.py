"""car.toml: units, signs and the gauge; the corners are read next door."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from typing import Literal

from optimizer.logbook.axle import read_axles, read_labour
from optimizer.logbook.corner import corner_tables, read_corner
from optimizer.logbook.faults import Faults, Place, Source, listing
from optimizer.logbook.table import KEYS, TABLES, Table, UnitsStated, given, length_mm, toe_deg
from optimizer.logbook.toml_doc import TomlDoc, read_toml
from optimizer.logbook.values import UNIT_CHOICES
from optimizer.record import record
from optimizer.records import TWO_VALUES, Axle, Corner, Gauge, GaugeKind, Labour, Signs
from optimizer.units import is_angle, is_length, to_deg, to_mm

SPAN_RANGE_MM = (50.0, 3000.0)
THROW_RANGE_MM = (300.0, 30000.0)

SIGNS: tuple[Literal["plus", "minus"], ...] = ("plus", "minus")
TOES: tuple[Literal["toe-in", "toe-out"], ...] = ("toe-in", "toe-out")
GAUGES: tuple[GaugeKind, ...] = ("one-dial", "two-dials", "toe-plate", "spot", "direct-angle")
REFERENCES: tuple[Literal["inboard", "outboard"], ...] = ("inboard", "outboard")
SPAN_WORDS: Mapping[GaugeKind, str] = {
    "one-dial": "the level distance from fixed contact to dial",
    "two-dials": "the level distance from the front dial to the rear dial",
    "toe-plate": "the level distance between the plate's two measured points",
    "spot": "the distance along the beam from the wheel to the board",
}
_SIGN_TOLD: Mapping[GaugeKind, tuple[str, str]] = {
    "direct-angle": (
        "`toe_in` of [signs]",
        "a direct-angle gauge reads toe in the sign of [signs]",
    ),
    "toe-plate": ("`reference`", "the side that the distances are taken from tells the sign"),
}
# Of what a gauge is said to be off by and to show, mm or degrees: a tenth of a micron, and more
# than any dial's reach. Beyond them covariances would be singular or without end.
LEAST_NOISE = 1e-4
MOST_NOISE = 25.0
MOST_RANGE = 1000.0
# Reading and loop: mm, or degrees for direct-angle (common practice, no source).
USUAL_NOISE: Mapping[GaugeKind, tuple[float, float]] = {
    "one-dial": (0.03, 0.02),
    "two-dials": (0.03, 0.02),
    "toe-plate": (0.3, 0.05),
    "spot": (0.5, 0.2),
    "direct-angle": (0.006, 0.004),
}


@record
class CarFile:
    """What car.toml says; ``doc`` is None when it could not be read at all.

    ``kind`` is None while the kind of gauge is in doubt, ``tables`` holds each
    corner's table.
    """

    doc: TomlDoc | None = None
    name: str = ""
    units: UnitsStated
    signs: Signs = field(default_factory=Signs)
    gauge: Gauge = field(default_factory=Gauge)
    kind: GaugeKind | None = None
    corners: Mapping[str, Corner] = field(default_factory=dict)
    axles: Mapping[str, Axle] = field(default_factory=dict)
    labour: Labour = field(default_factory=Labour)
    tables: Mapping[str, Table] = field(default_factory=dict)


def read_car(source: Source | None, faults: Faults, folder_name: str) -> CarFile:
    """Read car.toml; with no source, or no TOML in it, a blank that blames nothing."""
    doc = read_toml(source, faults) if source is not None else None
    if doc is None:
        units = UnitsStated({}, {})
        units.blame(*UNIT_CHOICES)
        return CarFile(units=units)
    root = Table(doc, (), doc.data, faults, tables=TABLES)
    car = root.table("car", KEYS["[car]"])
    units = _read_units(root)
    signs = _read_signs(root)
    kind, gauge = _read_gauge(root, units, signs)
    tables = corner_tables(root)
    corners = {name: read_corner(t, name, units, signs) for name, t in tables.items()}
    return CarFile(
        doc=doc,
        name=(car.text("name") if car else None) or folder_name,
        units=units,
        signs=signs,
        gauge=gauge,
        kind=kind,
        corners=corners,
        axles=read_axles(root, corners, units),
        labour=read_labour(root),
        tables=tables,
    )


def _read_units(root: Table) -> UnitsStated:
    table = root.table("units", KEYS["[units]"])
    stated: dict[str, str] = {"toe": "deg"}
    places: dict[str, Place] = {}
    at_fault: list[str] = []
    for what, allowed in UNIT_CHOICES.items():
        unit = table.choice(what, allowed, None) if table else None
        if table is not None and unit is not None:
            stated[what] = unit
            places[what] = table.value_place(what)
        elif table.has(what) if table else root.has("units"):
            at_fault.append(what)
    units = UnitsStated(stated, places)
    units.blame(*at_fault)
    return units


def _read_signs(root: Table) -> Signs:
    table = root.table("signs", KEYS["[signs]"])
    if table is None:
        return Signs()
    return Signs(
        toe=-1 if table.choice("toe_in", SIGNS, "plus") == "minus" else 1,
        travel=-1 if table.choice("bump", SIGNS, "plus") == "minus" else 1,
    )


def _read_gauge(root: Table, units: UnitsStated, signs: Signs) -> tuple[GaugeKind | None, Gauge]:
    table = root.table("gauge", KEYS["[gauge]"])
    if table is None:
        if not root.has("gauge"):
            root.lacks(
                "L208",
                "there is no [gauge] table",
                'add `[gauge]` with `span = ` (contact to dial) and `rising = "toe-in"` or '
                '`"toe-out"` (which way its number grows)',
            )
        return None, Gauge()
    kind = table.choice("kind", GAUGES, None if table.has("kind") else "one-dial")
    if kind is None:
        return None, Gauge()
    _check_suits(table, units, kind)
    usual, loop = USUAL_NOISE[kind]
    return kind, Gauge(
        kind=kind,
        span_mm=_read_span(table, units, kind),
        rising=_read_rising(table, signs, kind),
        reading_sd=given(
            _noise(table, "reading_noise", units, above=0.0, least_size=LEAST_NOISE), usual
        ),
        resolution=given(_noise(table, "resolution", units, least=0.0), 0.0),
        full_range=_noise(table, "range", units, above=0.0, most_size=MOST_RANGE),
        loop_sd=given(_noise(table, "direction_noise", units, least=0.0), loop),
        travel_sd_mm=given(length_mm(table, "travel_noise", units, "travel", least=0.0), 0.5),
        travel_scale_sd=given(table.number("travel_scale_noise", least=0.0, most=0.2), 0.01),
        tilt_sd_deg=given(toe_deg(table, "remount_noise", units, least=0.0), 0.01),
    )


def suits(kind: GaugeKind, unit: str) -> bool:
    """Say whether a gauge of this kind reads in this unit."""
    return is_angle(unit) if kind == "direct-angle" else is_length(unit)


def unsuited(kind: GaugeKind, unit: str) -> tuple[str, str]:
    """What is wrong, and the remedy, where a gauge does not read in a unit."""
    allowed = [u for u in UNIT_CHOICES["reading"] if suits(kind, u)]
    other = "one-dial" if kind == "direct-angle" else "direct-angle"
    return (
        f"a {kind} gauge does not read in `{unit}`",
        f'use {listing(allowed)}, or `kind = "{other}"` under [gauge]',
    )


def _check_suits(table: Table, units: UnitsStated, kind: GaugeKind) -> None:
    unit = units.get("reading")
    if unit is not None and not suits(kind, unit):
        found, remedy = unsuited(kind, unit)
        table.faults.add("L211", table.doc.source, units.place("reading"), found, remedy)
        units.blame("reading")


def span_key(kind: GaugeKind) -> str:
    """What the key of a gauge's distance is called."""
    return "throw" if kind == "spot" else "span"


def span_range_mm(kind: GaugeKind) -> tuple[float, float]:
    """Spans, or throws, that a gauge of this kind can have [mm]."""
    return THROW_RANGE_MM if kind == "spot" else SPAN_RANGE_MM


def _read_span(table: Table, units: UnitsStated, kind: GaugeKind) -> float | None:
    key = span_key(kind)
    other = "span" if key == "throw" else "throw"
    needed = kind != "direct-angle"
    if table.has(other) and (needed or other == "throw"):
        instead = needed and not table.has(key)
        table.fault(
            "L209" if instead else "L217",
            other,
            f"a {kind} gauge has no `{other}`",
            f"write `{key} = `: {SPAN_WORDS[kind]}" if instead else f"take `{other}` out",
        )
        if instead:
            return None
    if not table.has(key):
        if needed:
            table.lacks(
                "L209",
                f"the {key} of the gauge is missing",
                f"add `{key} = ` under [gauge]: {SPAN_WORDS[kind]}",
            )
        return None
    span = table.number(key)
    if span is not None and span <= 0.0:
        table.fault("L210", key, f"the {key} is {span:g}", "write the distance, above zero")
        return None
    if span is None:
        return None
    low, high = span_range_mm(kind)
    return length_mm(table, key, units, least_mm=low, most_mm=high)


def _read_rising(table: Table, signs: Signs, kind: GaugeKind) -> int:
    """+1 where the reading grows with toe-in. Direct angles come in the crew's own sign."""
    known = _rising_known(table, signs, kind)
    if not table.has("rising"):
        if known is None:
            number = "front less rear" if kind in TWO_VALUES else "its number"
            table.lacks(
                "L208",
                f"[gauge] does not say which way the {'spot' if kind == 'spot' else 'dial'} rises",
                f'add `rising = "toe-in"` if {number} grows as the wheel toes in, or "toe-out"',
            )
        return 1 if kind == "direct-angle" else known or 1
    toe = table.choice("rising", TOES, None)
    if toe is None:
        return 1
    rising = 1 if toe == "toe-in" else -1
    if known not in (None, 0, rising):
        teller, why = _SIGN_TOLD[kind]
        found = f"`rising` contradicts {teller}"
        table.fault("L217", "rising", found, f"take `rising` out: {why}")
    return 1 if kind == "direct-angle" else rising


def _rising_known(table: Table, signs: Signs, kind: GaugeKind) -> int | None:
    """What tells the sign of the reading beside `rising`; None for nothing, 0 in doubt."""
    if kind == "direct-angle":
        return signs.toe
    if kind != "toe-plate":
        if table.has("reference"):
            table.fault(
                "L217",
                "reference",
                f"a {kind} gauge has no `reference`",
                "take it out: `rising` says which way the number grows",
            )
        return None
    if not table.has("reference"):
        table.lacks(
            "L208",
            "[gauge] does not say which side of the plate its distances are taken from",
            'add `reference = "inboard"` (across the car, or from a line inboard of the wheel) '
            'or "outboard" (from a line outside)',
        )
        return 0
    side = table.choice("reference", REFERENCES, None)
    # Nearer in front is toe-in seen from inboard, toe-out seen from outboard.
    return {"inboard": -1, "outboard": 1}.get(side or "", 0)


def _noise(
    table: Table,
    key: str,
    units: UnitsStated,
    *,
    above: float | None = None,
    least: float | None = None,
    least_size: float = 0.0,
    most_size: float = MOST_NOISE,
) -> float | None:
    """A standard deviation in the unit of the readings, in mm or degrees."""
    value = table.number(key, above=above, least=least)
    if value is None:
        return None
    unit = units.need("reading", table.faults, table.doc.source, table.value_place(key))
    if unit is None:
        return None
    size = to_mm(value, unit) if is_length(unit) else to_deg(value, unit)
    if least_size <= size <= most_size:
        return size
    table.absurd(key, f"{size:.4g} {'mm' if is_length(unit) else 'degrees'}", "reading")
    return None
