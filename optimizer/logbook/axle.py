"""[axle.NAME] and [labour] of car.toml: which corners share an axle, and minutes of work."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from optimizer.logbook.faults import listing, quoted
from optimizer.logbook.table import KEYS, Table, UnitsStated, given, length_mm
from optimizer.records import Axle, Corner, Labour

PLACES: tuple[Literal["front", "rear"], ...] = ("rear", "front")
SIDES = ("left", "right")
MOST_MINUTES = 1440.0


def read_axles(root: Table, corners: Mapping[str, Corner], units: UnitsStated) -> dict[str, Axle]:
    """Read the axles by name; one at fault is left out."""
    tables = root.table("axle", tables=None)
    out: dict[str, Axle] = {}
    for name in tables.names if tables is not None else ():
        table = tables.table(name, KEYS["[axle.NAME]"]) if tables is not None else None
        if table is not None:
            axle = _read_axle(table, name, corners, units)
            if axle is not None:
                out[name] = axle
    return out


def _read_axle(
    table: Table, name: str, corners: Mapping[str, Corner], units: UnitsStated
) -> Axle | None:
    sides: dict[str, str | None] = {side: table.text(side, f"rear-{side}") for side in SIDES}
    track = length_mm(table, "track", units, above=0.0, least_mm=500.0, most_mm=3000.0)
    place = table.choice("place", PLACES, "front" if "front" in name.casefold() else "rear")
    same = given(table.flag("same"), True)
    for side, corner in sides.items():
        if corner is None:
            if not table.has(side):
                table.lacks(
                    "L208",
                    f"{quoted(name)} does not say which corner is its {side} one",
                    f'add `{side} = "..."`, the name of a corner',
                )
            return None
        if corner not in corners:
            table.fault(
                "L205",
                side,
                f"there is no corner {quoted(corner)}",
                f"write {listing([quoted(c) for c in corners])}",
            )
            return None
        if corners[corner].side != side:
            table.fault(
                "L217",
                side,
                f"{quoted(corner)} is on the {corners[corner].side}",
                "change the two corners over, or mend the corner's `side`",
            )
            return None
    return Axle(
        name=name,
        left=str(sides["left"]),
        right=str(sides["right"]),
        track_mm=track,
        place=place,
        same=same,
    )


def read_labour(root: Table) -> Labour:
    """Read the minutes of work; what is not stated stays unknown."""
    table = root.table("labour", KEYS["[labour]"])
    if table is None:
        return Labour()
    return Labour(
        shims_min=table.number("shims", above=0.0, most=MOST_MINUTES),
        length_min=table.number("length", above=0.0, most=MOST_MINUTES),
        alignment_min=table.number("alignment", above=0.0, most=MOST_MINUTES),
        run_min=table.number("run", above=0.0, most=MOST_MINUTES),
    )
