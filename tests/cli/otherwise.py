"""The same car written otherwise: other units, signs, side, order; the physics as it was.

Written without the tool's own conversions: the factors stand here as fractions (the inch is
25.4 mm exactly, a minute of arc a sixtieth of a degree), and which key is of which unit is
told from docs, not from the reader.
"""

from __future__ import annotations

import csv
import io
import random
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Context, Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

SIZE = {
    "mm": Fraction(1),
    "cm": Fraction(10),
    "in": Fraction(254, 10),
    "thou": Fraction(254, 10_000),
    "deg": Fraction(1),
    "min": Fraction(1, 60),
}
# More digits than a double holds, so that what is read back is at most one rounding off.
DIGITS = Context(prec=25)

# What each key of car.toml is counted in; those in "travel" and "toe" also have a sign where
# they stand in SIGNED. Keys that are in no unit of [units] are of kind "".
KEY_KINDS: Mapping[str, Mapping[str, str]] = {
    "car": {"name": ""},
    "units": dict.fromkeys(("travel", "reading", "length", "toe"), ""),
    "signs": {"toe_in": "", "bump": ""},
    "gauge": {
        **dict.fromkeys(("kind", "rising", "reference", "travel_scale_noise"), ""),
        **dict.fromkeys(("span", "throw"), "length"),
        **dict.fromkeys(("range", "resolution", "reading_noise", "direction_noise"), "reading"),
        "travel_noise": "travel",
        "remount_noise": "toe",
    },
    "labour": dict.fromkeys(("shims", "length", "alignment", "run"), ""),
    "axle": {**dict.fromkeys(("left", "right", "place", "same"), ""), "track": "length"},
    "corner": dict.fromkeys(
        (
            "side", "link", "steered", "suspension", "role", "motion_ratio", "reference_run",
            "current_run",
        ),
        "",
    ),
    "tape": {
        **dict.fromkeys(("length", "arm", "rise"), "length"),
        **dict.fromkeys(("length_give_or_take", "arm_give_or_take"), "length"),
        "rise_give_or_take": "length",
        **dict.fromkeys(("lean_in", "lean_in_give_or_take"), ""),
        **dict.fromkeys(("stud_lean", "stud_lean_give_or_take"), ""),
    },
    "points": dict.fromkeys(
        (
            "lower_front_pivot", "lower_rear_pivot", "lower_ball_joint", "upper_front_pivot",
            "upper_rear_pivot", "upper_ball_joint", "link_inner_joint", "link_outer_joint",
            "wheel_centre", "give_or_take",
        ),
        "length",
    ),
    "stack": {"shims": "length", **dict.fromkeys(("end", "face", "most_shims"), "")},
    "thread": {
        # the pitch is always in mm, whatever the unit of length
        **dict.fromkeys(("kind", "size", "pitch", "threads_per_inch", "flats"), ""),
        **dict.fromkeys(("shorter", "longer"), "length"),
        **dict.fromkeys(("engaged_inner", "engaged_outer", "least_engaged"), "length"),
    },
    "joint": {
        **dict.fromkeys(("bore", "width"), "length"),
        **dict.fromkeys(("allowed_tilt", "clocked_off", "tilt", "tilt_give_or_take"), ""),
    },
    "stud": {
        **dict.fromkeys(("length", "nut", "spacer", "shank", "least_showing"), "length"),
        **dict.fromkeys(("size", "class", "load", "tapered"), ""),
    },
    "eccentric": {
        **dict.fromkeys(("per_mark", "inboard_left", "outboard_left", "throw"), "length"),
        **dict.fromkeys(("kind", "degrees_per_mark", "angle", "lifts"), ""),
        "toe_at_marks": "toe",
    },
    "goal": {
        **dict.fromkeys(("kind", "measure", "never_toe_out", "order", "weight"), ""),
        **dict.fromkeys(("window", "weight_sd", "at_travel"), "travel"),
        **dict.fromkeys(("toe_change", "tolerance", "most_change", "worthwhile"), "toe"),
    },
}  # fmt: skip
SIGNED = {"window": "travel", "at_travel": "travel", "toe_change": "toe", "toe_at_marks": "toe"}

COLUMN_KINDS = {
    "shims_above": "length",
    "shims_below": "length",
    "length_change": "length",
    "static_toe": "toe",
    "travel": "travel",
    "damper": "travel",
    "reading": "reading",
    "front": "reading",
    "rear": "reading",
    "thickness": "length",
    "bore": "length",
}
SIGNED_COLUMNS = {"static_toe": "toe", "travel": "travel", "damper": "travel"}
STACKS = ("shims_above", "shims_below")
_COUNTED = re.compile(r"\s*(?:([0-9]+)\s*x\s*)?([0-9.]+)\s*")

Row = dict[str, str]


@dataclass(frozen=True, kw_only=True)
class Car:
    """A logbook as data: car.toml with exact decimals, and the tables' rows by column."""

    toml: dict[str, Any]
    tables: dict[str, list[Row]] = field(default_factory=dict)

    def write(self, folder: Path) -> Path:
        """Write its files into a folder of its own."""
        folder.mkdir(parents=True)
        (folder / "car.toml").write_text(written_toml(self.toml), encoding="utf-8")
        for name, rows in self.tables.items():
            text = io.StringIO()
            writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
            (folder / name).write_text(text.getvalue(), encoding="utf-8")
        return folder


def read_car(folder: Path) -> Car:
    """A logbook's folder as data; remarks are lost, and nothing else."""
    toml = tomllib.loads((folder / "car.toml").read_text("utf-8"), parse_float=Decimal)
    tables = {}
    for name in ("runs.csv", "readings.csv", "travel.csv", "offers.csv"):
        if (folder / name).is_file():
            lines = (folder / name).read_text("utf-8").splitlines()
            tables[name] = list(csv.DictReader(line for line in lines if line[:1] != "#"))
    return Car(toml=toml, tables=tables)


# --- numbers -------------------------------------------------------------------------------


def decimal_of(value: Fraction) -> Decimal:
    """A fraction as a decimal: exact where it ends within the digits, else rounded there."""
    return DIGITS.divide(Decimal(value.numerator), Decimal(value.denominator))


def text_of(value: Decimal) -> str:
    """A decimal as files hold it, without an exponent."""
    return f"{value.normalize():f}"


def turned(value: Any, factor: Fraction) -> Decimal:
    """A number times a factor."""
    return decimal_of(Fraction(Decimal(value)) * factor)


def turned_text(text: str, factor: Fraction) -> str:
    """A cell's number times a factor; an empty cell stays empty."""
    return text_of(turned(text, factor)) if text.strip() else text


def turned_stack(text: str, factor: Fraction) -> str:
    """A stack with each thickness times a factor; counts stay."""
    if text.strip() in ("", "-", "0"):
        return text
    parts = []
    for part in text.split("+"):
        match = _COUNTED.fullmatch(part)
        assert match is not None, text
        parts.append((f"{match[1]}x" if match[1] else "") + turned_text(match[2], factor))
    return "+".join(parts)


# --- other units ---------------------------------------------------------------------------


def in_units(car: Car, **units: str) -> Car:
    """The car with all it states in other units: of travel, reading, length and toe."""
    old = {"toe": "deg", **car.toml["units"]}
    new = {**old, **units}
    factor = {kind: SIZE[old[kind]] / SIZE[new[kind]] for kind in old}

    def change(kind: str, key: str, value: Any) -> Any:
        if key == "shims":
            return turned_stack(value, factor[kind])
        if key == "toe_at_marks":
            return [[mark, turned(toe, factor[kind])] for mark, toe in value]
        if isinstance(value, list):
            return [turned(one, factor[kind]) for one in value]
        return turned(value, factor[kind])

    def column(kind: str, name: str, text: str) -> str:
        return (turned_stack if name in STACKS else turned_text)(text, factor[kind])

    toml = _each_key(car.toml, change)
    toml["units"] = {**toml["units"], **units}
    return Car(toml=toml, tables=_each_cell(car.tables, column, old, new))


def in_headers(car: Car, **units: str) -> Car:
    """The car with its tables alone in other units, named in the headers; car.toml as it is."""
    new = {"toe": "deg", **car.toml["units"], **units}
    other = in_units(car, **units)

    def named(name: str) -> str:
        bare = _bare(name)
        kind = COLUMN_KINDS.get(bare)
        return name if kind is None else f"{bare}_{new[kind]}"

    tables = {
        name: [{named(key): text for key, text in row.items()} for row in rows]
        for name, rows in other.tables.items()
    }
    return Car(toml=car.toml, tables=tables)


def _bare(name: str) -> str:
    stem, _, unit = name.rpartition("_")
    return stem if unit in SIZE and stem in COLUMN_KINDS else name


def _each_key(toml: dict[str, Any], change: Callable[[str, str, Any], Any]) -> dict[str, Any]:
    """car.toml with each value that has a unit changed."""

    def keys(table: dict[str, Any], label: str) -> dict[str, Any]:
        kinds = KEY_KINDS[label]
        return {
            key: keys(value, key)
            if isinstance(value, dict)
            else change(kinds[key], key, value)
            if kinds[key]
            else value
            for key, value in table.items()
        }

    return {
        label: {name: keys(table, label) for name, table in tables.items()}
        if label in ("axle", "corner")
        else keys(tables, label)
        for label, tables in toml.items()
    }


def _each_cell(
    tables: Mapping[str, list[Row]],
    change: Callable[[str, str, str], str],
    old: Mapping[str, str] | None = None,
    new: Mapping[str, str] | None = None,
) -> dict[str, list[Row]]:
    """The tables with each cell that has a unit changed, and headers that name one renamed."""

    def header(name: str) -> str:
        bare = _bare(name)
        if old is None or new is None or bare == name:
            return name
        kind = COLUMN_KINDS[bare]
        assert name == f"{bare}_{old[kind]}", f"{name} is in another unit than [units]"
        return f"{bare}_{new[kind]}"

    out = {}
    for file, rows in tables.items():
        out[file] = [
            {
                header(name): change(COLUMN_KINDS[_bare(name)], _bare(name), text)
                if _bare(name) in COLUMN_KINDS
                else text
                for name, text in row.items()
            }
            for row in rows
        ]
    return out


# --- other signs ---------------------------------------------------------------------------


def with_signs(car: Car, *, toe_out_plus: bool = False, droop_plus: bool = False) -> Car:
    """The car of a crew that counts toe-out or droop as plus."""
    way = {"toe": Fraction(-1 if toe_out_plus else 1), "travel": Fraction(-1 if droop_plus else 1)}
    direct = car.toml["gauge"].get("kind") == "direct-angle"

    def change(kind: str, key: str, value: Any) -> Any:
        sign = way[SIGNED[key]] if key in SIGNED else Fraction(1)
        if key == "toe_at_marks":
            return [[mark, turned(toe, sign)] for mark, toe in value]
        if key == "window":
            return sorted(turned(one, sign) for one in value)
        return turned(value, sign) if key in SIGNED else value

    def column(kind: str, name: str, text: str) -> str:
        if name == "reading" and direct:
            return turned_text(text, way["toe"])
        return turned_text(text, way[SIGNED_COLUMNS[name]]) if name in SIGNED_COLUMNS else text

    toml = _each_key(car.toml, change)
    toml["signs"] = {
        "toe_in": "minus" if toe_out_plus else "plus",
        "bump": "minus" if droop_plus else "plus",
    }
    return Car(toml=toml, tables=_each_cell(car.tables, column))


def gauge_turned(car: Car) -> Car:
    """The gauge seen from its other side: what rose with toe-in rises with toe-out."""
    gauge = dict(car.toml["gauge"])
    if "rising" in gauge:
        gauge["rising"] = {"toe-in": "toe-out", "toe-out": "toe-in"}[gauge["rising"]]
    if "reference" in gauge:
        gauge["reference"] = {"inboard": "outboard", "outboard": "inboard"}[gauge["reference"]]
    rows = []
    for row in car.tables["readings.csv"]:
        if "front" in row:
            rows.append({**row, "front": row["rear"], "rear": row["front"]})
            continue
        name = next(n for n in row if _bare(n) == "reading")
        rows.append({**row, name: turned_text(row[name], Fraction(-1))})
    tables = {**car.tables, "readings.csv": rows}
    return Car(toml={**car.toml, "gauge": gauge}, tables=tables)


# --- the other side ------------------------------------------------------------------------


def sides_swapped(text: str) -> str:
    """A text with left for right and right for left."""
    other = {"left": "right", "right": "left", "Left": "Right", "Right": "Left"}
    return re.sub(r"left|right|Left|Right", lambda m: other[m[0]], text)


def mirrored(car: Car) -> Car:
    """The car's mirror image: corners change sides, hard points change the sign of y."""
    corners = {}
    for name, corner in car.toml["corner"].items():
        other = dict(corner)
        if "side" in corner:
            other["side"] = sides_swapped(corner["side"])
        if "points" in corner:
            other["points"] = {
                key: [value[0], -Decimal(value[1]), value[2]] if isinstance(value, list) else value
                for key, value in corner["points"].items()
            }
        corners[sides_swapped(name)] = other
    toml = {**car.toml, "corner": corners}
    if "axle" in car.toml:
        toml["axle"] = {
            name: {
                **axle,
                "left": sides_swapped(axle["right"]),
                "right": sides_swapped(axle["left"]),
            }
            for name, axle in car.toml["axle"].items()
        }
    tables = {
        file: [
            {**row, "corner": sides_swapped(row["corner"])} if "corner" in row else row
            for row in rows
        ]
        for file, rows in car.tables.items()
    }
    return Car(toml=toml, tables=tables)


# --- another order -------------------------------------------------------------------------


def shuffled(car: Car, seed: int, *, within: bool = True) -> Car:
    """The same rows where order has no meaning in another: keys, columns, travels of a pass.

    A pass keeps its zero first and its return last, and all of its order unless ``within``.
    Runs keep theirs, which tells which came later, and so do corners, whose order is that of
    the screens.
    """
    rng = random.Random(seed)

    def keys(table: dict[str, Any], kept: bool = False) -> dict[str, Any]:
        names = list(table)
        if not kept:
            rng.shuffle(names)
        return {
            name: keys(table[name], kept=name in ("corner", "axle"))
            if isinstance(table[name], dict)
            else table[name]
            for name in names
        }

    tables = {}
    for file, rows in car.tables.items():
        names = list(rows[0])
        rng.shuffle(names)
        ordered = list(rows)
        if file == "readings.csv":
            ordered = _reordered(rows, rng, within)
        elif file == "travel.csv":
            rng.shuffle(ordered)
        tables[file] = [{name: row[name] for name in names} for row in ordered]
    return Car(toml=keys(car.toml), tables=tables)


def _reordered(rows: Sequence[Row], rng: random.Random, within: bool) -> list[Row]:
    """Passes in another order, the travels of each too, but for its zero and its return."""
    passes: dict[tuple[str, str], list[Row]] = {}
    for row in rows:
        passes.setdefault((row["run"], row["pass"]), []).append(row)
    travel = next(name for name in rows[0] if _bare(name) == "travel")
    blocks = []
    for block in passes.values():
        zeros = [row for row in block if Decimal(row[travel]) == 0]
        away = [row for row in block if Decimal(row[travel]) != 0]
        rng.shuffle(away)
        blocks.append([*zeros[:1], *away, *zeros[1:]] if within else block)
    rng.shuffle(blocks)
    return [row for block in blocks for row in block]


# --- car.toml ------------------------------------------------------------------------------


def written_toml(toml: Mapping[str, Any], path: tuple[str, ...] = ()) -> str:
    """A table and those inside it, as TOML writes them."""
    plain = [f"{key} = {_value(v)}" for key, v in toml.items() if not isinstance(v, dict)]
    head = [f"[{'.'.join(path)}]"] if path else []
    text = "\n".join([*head, *plain, ""]) + "\n" if plain or not path else ""
    inner = [written_toml(v, (*path, key)) for key, v in toml.items() if isinstance(v, dict)]
    return text + "".join(inner)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list):
        return f"[{', '.join(_value(one) for one in value)}]"
    return text_of(Decimal(value))
