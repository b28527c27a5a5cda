"""The same car written otherwise gives the same advice, from the command line on.

Other units (in car.toml, or in the headers alone), other signs, the gauge seen from its other
side, the mirror image, rows in another order, another path. Answers are compared digit for
digit: the first car is printed in the other's units and signs, the other as it is. Figures of
the JSON may differ by what a conversion's last bit (1e-16) grows to in the solves: 1e-9 of the
figure, with a floor of 1e-11 for those that are zero but for rounding. Hard points go through
Newton's method and differences of it, which stop at 1e-8 or so: 1e-6 for a figure, and the
words to the letter.
"""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimizer.cli import main
from optimizer.demo_files import demo_folder
from optimizer.logbook import read as door
from optimizer.logbook.table import CORNER_TABLES, KEYS
from optimizer.records import Logbook, Signs, Units
from tests.cli.otherwise import (
    KEY_KINDS,
    SIZE,
    Car,
    gauge_turned,
    in_headers,
    in_units,
    mirrored,
    read_car,
    shuffled,
    text_of,
    with_signs,
    written_toml,
)

ROOT = Path(__file__).resolve().parents[2]
INCH = {"travel": "in", "reading": "in", "length": "in", "toe": "min"}
METRIC = {"travel": "mm", "reading": "mm", "length": "mm", "toe": "deg"}
THOU = {"travel": "cm", "reading": "thou", "length": "in", "toe": "deg"}
MIXED = {"travel": "cm", "reading": "mm", "length": "mm", "toe": "min"}
UNITS = {"inch": INCH, "metric": METRIC, "thou": THOU}
REL, FLOOR = 1e-9, 1e-11
REL_OF_POINTS, FLOOR_OF_POINTS = 1e-6, 1e-8

Calls = tuple[tuple[str, ...], ...]
WORDS: Calls = (("check",), ("curves",), ("next",), ("tradeoff", "--at", "@-38"))
DOCUMENTS: Calls = tuple((*call, "--json") for call in WORDS)


# --- cars ----------------------------------------------------------------------------------


def _dec(value: float | int | str) -> Decimal:
    return Decimal(str(value))


def _demo() -> Car:
    return read_car(demo_folder())


def _readme(home: Path) -> Car:
    text = (ROOT / "README.md").read_text("utf-8")
    home.mkdir()
    for name, body in re.findall(r"<!-- file: (\S+) -->\n```\w*\n(.*?)```", text, re.S):
        (home / name).write_text(body, encoding="utf-8")
    return read_car(home)


def _pair() -> Car:
    return read_car(demo_folder() / "both-wheels")


def _faults() -> Car:
    return read_car(demo_folder() / "ten-faults")


def _read_by(car: Car, gauge: dict[str, Any], show: Callable[[float], dict[str, float]]) -> Car:
    """The demo's toe as another gauge would have shown it, to that gauge's own digits."""
    rows = []
    for row in car.tables["readings.csv"]:
        toe = math.degrees(math.atan(float(row["reading_thou"]) * 0.0254 / 300.0))
        shown = {name: text_of(_dec(value)) for name, value in show(toe).items()}
        rows.append({"run": row["run"], "pass": row["pass"], "travel": row["travel_mm"], **shown})
    toml = {**car.toml, "gauge": gauge}
    return Car(toml=toml, tables={**car.tables, "readings.csv": rows})


def _of(car: Car, name: str, corner: dict[str, Any], **units: str) -> Car:
    """The car with one corner alone, and its own units."""
    toml = {**car.toml, "corner": {name: corner}, "units": {**car.toml["units"], **units}}
    runs = [{**row, "corner": name} for row in car.tables["runs.csv"]]
    return Car(toml=toml, tables={**car.tables, "runs.csv": runs})


def _plate() -> Car:
    """A car of inches throughout: a toe plate, sixteenths for shims, a cam in a slot."""

    def show(toe: float) -> dict[str, float]:
        apart = 20.0 * math.tan(math.radians(toe))
        return {"front": round(47.25 + apart / 2, 3), "rear": round(47.25 - apart / 2, 3)}

    gauge = {
        "kind": "toe-plate", "span": 20, "reference": "inboard", "resolution": _dec(0.005),
        "reading_noise": _dec(0.008), "travel_noise": _dec(0.02), "remount_noise": _dec(0.5),
    }  # fmt: skip
    car = _read_by(_demo(), gauge, show)
    readings = [
        {**row, "travel": text_of(Decimal(row["travel"]) / 25)}
        for row in car.tables["readings.csv"]
    ]
    names = (
        "run", "shims_above", "shims_below", "length_change", "eccentric_mark", "static_toe",
    )  # fmt: skip
    runs = [
        dict(zip(names, cells, strict=True))
        for cells in (
            ("as-found", "0.125+0.03125", "2x0.0625", "0", "0", "11"),
            ("joint-up", "0.0625+0.03125", "0.125+0.0625", "0", "0", "6"),
            ("link-short", "0.0625+0.03125", "0.125+0.0625", "-0.1", "-1", "5"),
        )
    ]
    corner = {
        "side": "right",
        "link": "ahead",
        "role": "one-of-two",
        "reference_run": "as-found",
        "tape": {
            "length": _dec(12.625), "length_give_or_take": _dec(0.1), "arm": _dec(3.75),
            "rise": _dec(-0.375), "rise_give_or_take": _dec(0.2), "lean_in": _dec(0.4),
            "stud_lean": 3, "stud_lean_give_or_take": 2,
        },
        "stack": {
            "end": "inner", "face": "arm-above", "most_shims": 9,
            "shims": "0.125+4x0.0625+3x0.03125+2x0.015625",
        },
        "thread": {
            "kind": "one-end", "size": "1/2-20", "shorter": _dec(0.4), "longer": _dec(0.3),
            "engaged_inner": _dec(0.8), "least_engaged": _dec(0.5),
        },
        "joint": {
            "bore": _dec(0.5), "width": _dec(0.625), "allowed_tilt": 14, "tilt": _dec(1.5),
        },
        "stud": {
            "size": "1/2-20", "class": "10.9", "length": _dec(2.5), "nut": _dec(0.4375),
            "spacer": _dec(0.0625), "load": 1200,
        },
        "eccentric": {
            "kind": "cam-in-slot", "throw": _dec(0.35), "degrees_per_mark": 8, "angle": 5,
            "inboard_left": _dec(0.3), "outboard_left": _dec(0.3),
        },
        "goal": {
            "kind": "toe-at-travel", "at_travel": _dec(-1.6), "toe_change": 5, "tolerance": 2,
            "never_toe_out": "droop", "window": [_dec(-1.9), 2], "worthwhile": _dec(0.5),
            "order": ["never-toe-out", "toe-at-travel"],
        },
    }  # fmt: skip
    car = replace(car, tables={"runs.csv": runs, "readings.csv": readings})
    return _of(car, "rear-right", corner, **INCH)


def _points() -> Car:
    """Hard points, two dials, a free cam, a goal weighed by logged damper travel."""

    def show(toe: float) -> dict[str, float]:
        apart = 400.0 * math.tan(math.radians(toe))
        return {"front": round(5 + apart * 0.6, 2), "rear": round(5 - apart * 0.4, 2)}

    gauge = {"kind": "two-dials", "span": 400, "rising": "toe-in", "range": 25}
    car = _read_by(_demo(), gauge, show)
    text = (ROOT / "docs" / "car.md").read_text("utf-8")
    found = re.search(r"<!-- hard points -->\n(.*?)\n\n", text, re.S)
    assert found is not None
    stated = tomllib.loads(re.sub("^    ", "", found[1], flags=re.M), parse_float=Decimal)
    corner = {
        **car.toml["corner"]["rear-left"],
        "points": stated["corner"]["rear-left"]["points"],
        "motion_ratio": _dec(0.75),
        "eccentric": {"kind": "free-cam", "throw": 12, "degrees_per_mark": 6, "lifts": "up"},
        "goal": {
            "weight": "logged", "most_change": _dec(0.2), "window": [-45, 50],
            "order": ["most-change", "least-change"],
        },
    }  # fmt: skip
    runs = [
        {**row, "eccentric_mark": "-2.4" if row["eccentric_mark"] == "-3" else "0"}
        for row in car.tables["runs.csv"]
    ]
    log = [
        {
            "seconds": str(1 + i % 5),
            "damper": text_of(_dec(round(30 * math.sin(i / 3.1) * math.cos(i / 11), 1))),
        }
        for i in range(300)
    ]
    toml = {**car.toml, "labour": {"shims": 20, "length": 30, "alignment": 45, "run": 40}}
    tables = {**car.tables, "runs.csv": runs, "travel.csv": log}
    return _of(Car(toml=toml, tables=tables), "rear-left", corner, reading="mm")


def _spot() -> Car:
    """A spot on a board, an arm below the joint, a stud, measured marks, two wishes."""

    def show(toe: float) -> dict[str, float]:
        return {"reading": round(850 - 4000 * math.tan(math.radians(toe)), 1)}

    gauge = {
        "kind": "spot", "throw": 4000, "rising": "toe-out", "range": 400,
        "direction_noise": _dec(0.3),
    }  # fmt: skip
    car = _read_by(_demo(), gauge, show)
    own = car.toml["corner"]["rear-left"]
    corner = {
        **own,
        "stack": {**own["stack"], "face": "arm-below"},
        "joint": {"bore": 12, "tilt": 1, "tilt_give_or_take": 1},
        "stud": {
            "size": "M12", "class": "10.9", "length": 48, "nut": 12, "spacer": 2, "load": 1700,
            "least_showing": 2,
        },
        "thread": {
            **own["thread"], "engaged_inner": 22, "engaged_outer": 21, "least_engaged": 14,
        },
        "eccentric": {
            "kind": "marks",
            "toe_at_marks": [[-9, _dec(5.6)], [-4, _dec(2.6)], [0, _dec(0.18)], [4, _dec(-2.2)]],
        },
        "goal": {
            "weight": "ride-height", "weight_sd": 22, "worthwhile": _dec(0.008),
            "never_toe_out": "both",
        },
    }  # fmt: skip
    return _of(car, "rear-left", corner, reading="mm")


def _unmarked() -> Car:
    """The demo whose marks' worth is fitted from static toe."""
    car = _demo()
    own = car.toml["corner"]["rear-left"]
    return _of(car, "rear-left", {**own, "eccentric": {"kind": "slot"}})


def _rack() -> Car:
    """A steered front corner: shims under the rack, angles read, peak to peak."""

    def show(toe: float) -> dict[str, float]:
        return {"reading": round(0.1 - toe, 2)}

    car = _read_by(_demo(), {"kind": "direct-angle", "resolution": _dec(0.01)}, show)
    own = car.toml["corner"]["rear-left"]
    corner = {
        "link": "ahead",
        "steered": True,
        "tape": own["tape"],
        "stack": {"end": "rack", "shims": own["stack"]["shims"]},
        "thread": {"kind": "one-end", "pitch": _dec(1.5), "shorter": 8, "longer": 8},
        "eccentric": {"kind": "none"},
        "goal": {"measure": "peak-to-peak", "most_change": _dec(0.3)},
    }
    return _of(car, "front-right", corner, reading="deg")


MAKERS: Mapping[str, Callable[[], Car]] = {
    "demo": _demo,
    "pair": _pair,
    "faults": _faults,
    "plate": _plate,
    "points": _points,
    "spot": _spot,
    "rack": _rack,
    "unmarked": _unmarked,
}
CARS = ("readme", *MAKERS)
QUICK = ("demo", "plate")
SOME = [name if name in QUICK else pytest.param(name, marks=pytest.mark.slow) for name in CARS]


def _name(case: Any) -> str:
    """A car's name, marked or not."""
    return case if isinstance(case, str) else str(case.values[0])


@pytest.fixture
def make(tmp_path: Path) -> Callable[[str], Car]:
    """Makes a car by its name."""
    return lambda name: _readme(tmp_path / "readme") if name == "readme" else MAKERS[name]()


# --- answers -------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Said:
    """What a command said and how it ended."""

    code: int
    out: str
    err: str


class Teller:
    """Runs commands in a logbook's folder, as if all folders were one and the same."""

    def __init__(
        self, home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        self._home, self._patch, self._caught = home, monkeypatch, capsys
        self._n = 0

    def write(self, car: Car) -> Path:
        """A folder of this car's; all have one name, which a car without a name takes."""
        self._n += 1
        return car.write(self._home / str(self._n) / "car")

    def ask(self, folder: Path, call: Sequence[str], like: Car | None = None) -> Said:
        """What a command says; with ``like`` in the units and signs of that car."""
        real = door.read_logbook
        out = like.toml if like is not None else {}
        signs = {k: -1 if v == "minus" else 1 for k, v in out.get("signs", {}).items()}

        def told(where: Path, **flags: Any) -> Logbook:
            book = real(where, **flags)
            if like is None:
                return book
            own = Signs(toe=signs.get("toe_in", 1), travel=signs.get("bump", 1))
            return replace(book, units=Units(**out["units"]), signs=own)

        self._caught.readouterr()
        with self._patch.context() as patch:
            patch.setattr(door, "read_logbook", told)
            patch.chdir(folder)
            code = 0
            try:
                main(list(call))
            except SystemExit as left:
                code = left.code if isinstance(left.code, int) else 1
        caught = self._caught.readouterr()
        return Said(code=code, out=_unstamped(caught.out), err=caught.err)


@pytest.fixture
def teller(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Teller:
    """Runs commands."""
    monkeypatch.setenv("COLUMNS", "80")
    return Teller(tmp_path, monkeypatch, capsys)


def _unstamped(text: str) -> str:
    """Without the digits that tell two files from another."""
    return re.sub(r"(?<![0-9a-z])[0-9a-f]{4}(?: [0-9a-f]{4}){3}(?![0-9a-z])", "STAMP", text)


def _units_of(car: Car, wanted: Mapping[str, str]) -> dict[str, str]:
    """Units for this car: an angle is read in an angle's."""
    units = dict(wanted)
    if car.toml["gauge"].get("kind") == "direct-angle":
        units["reading"] = wanted["toe"]
    return units


def _said_in(call: Sequence[str], units: Mapping[str, str], sign: int = 1) -> list[str]:
    """A call whose travels, marked by ``@`` and in mm, are in a unit and sign of travel."""
    size = float(SIZE[units["travel"]])
    return [repr(sign * float(word[1:]) / size) if word.startswith("@") else word for word in call]


def _apart(one: Any, two: Any, rel: float, floor: float, where: str = "") -> list[str]:
    """Where two documents differ: words by any letter, figures by more than rounding."""
    if isinstance(one, dict) and isinstance(two, dict):
        if list(one) != list(two):
            return [f"{where}: {list(one)} against {list(two)}"]
        return [d for k in one for d in _apart(one[k], two[k], rel, floor, f"{where}/{k}")]
    if isinstance(one, list) and isinstance(two, list):
        if len(one) != len(two):
            return [f"{where}: {len(one)} against {len(two)} of them"]
        pairs = enumerate(zip(one, two, strict=True))
        return [d for i, (a, b) in pairs for d in _apart(a, b, rel, floor, f"{where}/{i}")]
    if isinstance(one, float) and isinstance(two, float | int) and not isinstance(two, bool):
        same = math.isclose(one, two, rel_tol=rel, abs_tol=floor)
    else:
        same = type(one) is type(two) and one == two
    return [] if same else [f"{where}: {one!r} against {two!r}"]


def _of_both(one: Said, two: Said, car: Car, dropped: Callable[[str, Any], bool]) -> None:
    """Two documents are the same but for what is dropped."""
    assert (one.code, two.code) == (0, 0), one.err + two.err
    points = any("points" in corner for corner in car.toml["corner"].values())
    rel, floor = (REL_OF_POINTS, FLOOR_OF_POINTS) if points else (REL, FLOOR)
    documents = [_without(json.loads(said.out), dropped) for said in (one, two)]
    assert _apart(documents[0], documents[1], rel, floor) == []


def _without(found: Any, dropped: Callable[[str, Any], bool]) -> Any:
    if isinstance(found, dict):
        return {k: _without(v, dropped) for k, v in found.items() if not dropped(k, v)}
    return [_without(v, dropped) for v in found] if isinstance(found, list) else found


def _nothing(key: str, value: Any) -> bool:
    return False


def _crews_own(key: str, value: Any) -> bool:
    """Words, and what the gauge shows."""
    if isinstance(value, list) and value and all(isinstance(v, str) for v in value):
        return True
    return isinstance(value, str) or key.startswith("dial")


def _lines(key: str, value: Any) -> bool:
    return key == "line"


def _compare(teller: Teller, car: Car, other: Car, calls: Calls) -> None:
    """Two cars say the same, the first in the units and signs of the second."""
    one, two = teller.write(car), teller.write(other)
    units = {"toe": "deg", **other.toml["units"]}
    sign = -1 if other.toml.get("signs", {}).get("bump") == "minus" else 1
    for call in calls:
        if len(car.toml["corner"]) > 2 and call[0] != "check":
            continue  # the car with ten faults is there for what check says
        words = _said_in(call, units, sign)
        a, b = teller.ask(one, words, like=other), teller.ask(two, words)
        if "--json" in call:
            _of_both(a, b, car, _nothing)
        else:
            assert a == b
            assert b.code == 0, b.err


# --- units ---------------------------------------------------------------------------------


def test_every_key_of_the_car_is_turned_or_has_no_unit() -> None:
    """A key that the tool learns must be said here to be of a unit or of none."""
    for label, keys in KEYS.items():
        name = label.strip("[]").split(".")
        here = name[-1] if name[-1] != "NAME" else name[0]
        assert set(KEY_KINDS[here]) == set(keys), label
    assert set(CORNER_TABLES) <= set(KEY_KINDS)


@pytest.mark.parametrize("units", UNITS)
@pytest.mark.parametrize("name", SOME)
def test_other_units(name: str, units: str, make: Callable[[str], Car], teller: Teller) -> None:
    """Every value in another unit: the same words and figures, printed in that unit."""
    car = make(name)
    other = in_units(car, **_units_of(car, UNITS[units]))
    _compare(teller, car, other, DOCUMENTS if units == "thou" else WORDS + DOCUMENTS)


@pytest.mark.parametrize("name", SOME)
def test_units_of_the_headers(name: str, make: Callable[[str], Car], teller: Teller) -> None:
    """Tables alone in other units, named in their headers: the same screens to the letter."""
    car = make(name)
    units = _units_of(car, {**MIXED, "length": "in"})
    _compare(teller, car, in_headers(car, **units), WORDS)


@pytest.mark.parametrize("name", SOME)
def test_figures_shown_are_the_figures(
    name: str, make: Callable[[str], Car], teller: Teller
) -> None:
    """What is printed in inches and minutes, turned back by hand, is the document's figure."""
    car = make(name)
    other = in_units(car, **_units_of(car, INCH))
    said = teller.ask(teller.write(other), ("next", "--json"))
    assert said.code == 0
    document = json.loads(said.out)
    checked = 0
    for corner in document["corners"]:
        for key in ("expected", "now"):
            score = corner[key]["score"]
            places = len(score["shown"].partition(".")[2])
            assert abs(float(score["shown"]) - score["value"] * 60) <= 0.5000001 * 10**-places
            checked += 1
        shift = corner["do"]["eccentric"]["shift_mm"]
        shown, unit = shift["shown"].split()
        assert unit == "in"
        assert float(shown) == pytest.approx(max(abs(shift["value"]) / 25.4, 0.01), abs=0.005001)
        setting = corner["do"]["setting"]
        stacks = [setting["shown"].partition(" over ")[::2], ("above_mm", "below_mm")]
        for text, field in zip(*stacks, strict=True):
            thick = sum(
                int(count or 1) * float(size)
                for count, size in re.findall(r"(?:(\d+)x)?([\d.]+)", text)
            )
            assert thick * 25.4 == pytest.approx(sum(setting[field]), abs=2e-5 * 12)
    assert checked


def test_a_goal_typed_in_other_units(teller: Teller) -> None:
    """``--goal`` reads its numbers in the units of the logbook."""
    car = _demo()
    inch = in_units(car, **INCH)
    folders = teller.write(car), teller.write(inch)
    goals = (
        "kind=toe-at-travel at_travel=-38.1 toe_change=0.1 tolerance=0.05 window=[-45.72,50.8]",
        "kind=toe-at-travel at_travel=-1.5 toe_change=6 tolerance=3 window=[-1.8,2]",
    )
    a, b = (
        teller.ask(folder, ("next", "--json", "--goal", goal))
        for folder, goal in zip(folders, goals, strict=True)
    )
    _of_both(a, b, car, _crews_own)


PAPERS: Calls = (("brief", "--markdown"), ("kit",))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["demo", "plate"])
def test_kit_and_brief_in_other_units(name: str, teller: Teller) -> None:
    """Shims to buy, how to stack them, and the message to a chat."""
    car = MAKERS[name]()
    calls = PAPERS if name == "demo" else PAPERS[:1]
    documents: Calls = (("kit", "--json"),) if name == "demo" else ()
    other = METRIC if name == "plate" else INCH
    _compare(teller, car, in_units(car, **other), (*calls, *documents))


@pytest.mark.slow
def test_a_height_halfway_between_two_is_asked_for_once(teller: Teller) -> None:
    """A draw's best height lies halfway between two that are told: the same one counts."""
    car = _points()
    _compare(teller, car, in_units(car, **INCH), (("kit", "--recipes"),))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["points", "spot", "rack"])
def test_more_briefs_in_other_units(name: str, teller: Teller) -> None:
    """The message to a chat of the other cars, and what repeats are worth."""
    car = MAKERS[name]()
    other = in_units(car, **_units_of(car, INCH))
    _compare(teller, car, other, (("brief", "--markdown"), ("check", "--repeats")))


def test_axle_in_other_units(teller: Teller) -> None:
    """Both wheels together: track, roll and bumps."""
    car = _pair()
    for wanted in (INCH, MIXED):
        _compare(teller, car, in_units(car, **wanted), (("axle",), ("axle", "--json")))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["demo"])
def test_pages_in_other_units(name: str, teller: Teller, tmp_path: Path) -> None:
    """The sheet to the letter, and the brief's page with its tables of every setting."""
    from pypdf import PdfReader

    car = MAKERS[name]()
    other = in_units(car, **INCH)
    pages, briefs = [], []
    for at, like in ((teller.write(car), other), (teller.write(other), None)):
        assert teller.ask(at, ("sheet", "--out", "s.pdf"), like=like).code == 0
        assert teller.ask(at, ("brief", "--out", "b.html"), like=like).code == 0
        pages.append([page.extract_text() for page in PdfReader(at / "s.pdf").pages])
        page = _unstamped((at / "b.html").read_text("utf-8"))
        briefs.append(re.sub(r"<script.*?</script>|<svg.*?</svg>", "", page, flags=re.S))
    assert pages[0] == pages[1]
    assert pages[0]
    assert briefs[0] == briefs[1]


# --- shims of inches, and what else once fell on either side ---------------------------------


def test_a_sixteenth_of_an_inch_is_advised_as_one(teller: Teller) -> None:
    """1/16 in is 1.5875 mm: advice names the crew's shims, in no thousandths of a mm."""
    said = teller.ask(teller.write(_plate()), ("next",))
    sizes = set(re.findall(r"0\.0\d+|0\.125", " ".join(re.findall(r"bottom: (\S+)", said.out))))
    assert sizes
    assert sizes <= {"0.125", "0.0625", "0.03125", "0.015625"}


@pytest.mark.slow
def test_a_sixteenth_of_an_inch_stacks_as_one(teller: Teller) -> None:
    """The kit's recipes name the crew's own shims as the crew typed them."""
    said = teller.ask(teller.write(_plate()), ("kit", "--price", "2", "--recipes"))
    stacks = [row.split()[-4:-2] for row in said.out.splitlines() if re.match(r"\+0\.\d", row)]
    sizes = {size for pair in stacks for stack in pair for size in stack.split("+")}
    assert sizes - {"of", "reach", "-", "none"} == {"0.125", "0.0625", "0.03125", "0.015625"}


def test_shims_typed_to_five_decimals_of_an_inch_make_the_same_heights(teller: Teller) -> None:
    """0.11811 in is 3 mm less six millionths: the same heights, as often asked for."""
    car = in_units(_demo(), **INCH)
    told = []
    for folder in (teller.write(car), teller.write(car)):
        if told:
            for name in ("car.toml", "runs.csv"):
                text = (folder / name).read_text("utf-8")
                short = re.sub(r"0\.\d{6,}", lambda long: str(round(Decimal(long[0]), 5)), text)
                (folder / name).write_text(short, encoding="utf-8")
                assert short != text
        rows = teller.ask(folder, ("kit", "--recipes")).out.splitlines()
        rows = [row for row in rows if row.startswith(("+0.", "-0."))]
        told.append([(row[: row.index("  ")], *re.findall(r" (\d+|-|out) ", row)) for row in rows])
    assert len(told[0]) > 20
    assert told[0] == told[1]


def test_lengths_typed_to_four_decimals_of_an_inch_forbid_nothing_more(teller: Teller) -> None:
    """A thread that ends 25 nm or a micron before a flat still lets the link go there."""
    car = in_units(_demo(), length="in")
    corner = car.toml["corner"]["rear-left"]
    for decimals in (4, 5):
        for key in ("shorter", "longer"):
            corner["thread"][key] = round(Decimal(corner["thread"][key]), decimals)
        said = teller.ask(teller.write(car), ("next",))
        assert "link body 2 turns shorter (0.236 in)" in said.out, said.out
        car = in_units(_demo(), length="in")
        corner = car.toml["corner"]["rear-left"]


def test_a_window_s_ends_hold_what_was_read_there(teller: Teller) -> None:
    """50 mm read as 1.969 in, in a window of 50 mm: the same travels are shown and proved."""
    folder = teller.write(_demo())
    was = teller.ask(folder, ("next",)).out
    text = (folder / "readings.csv").read_text("utf-8").replace("travel_mm", "travel")
    rows = [
        re.sub(r",(-?[\d.]+),", lambda x: f",{round(Decimal(x[1]) / Decimal('25.4'), 3)},", row)
        for row in text.splitlines()
    ]
    rows[0] = rows[0].replace("travel", "travel_in")
    (folder / "readings.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    now = teller.ask(folder, ("next",)).out
    expect = r"(?m)^Expect .*$|^Wrong if .* at 50 (?:bump|droop)"
    assert len(re.findall(expect, was)) == 2
    assert re.findall(expect, now) == re.findall(expect, was)


def test_shims_that_stay_are_not_fetched_from_the_box(teller: Teller) -> None:
    """A millimetre typed in inches is a rounding off a millimetre; it is the same shim."""
    inch = in_units(_demo(), **INCH)
    said = teller.ask(teller.write(inch), ("brief", "--markdown"))
    parts = re.search(r"in from the box ([^;]+); off ([^.]+\.[\d+.]*\d)\. ", said.out)
    assert parts is not None, said.out
    assert not set(parts[1].split("+")) & set(parts[2].split("+"))


# --- signs and sides -----------------------------------------------------------------------


@pytest.mark.parametrize("name", SOME)
def test_other_signs(name: str, make: Callable[[str], Car], teller: Teller) -> None:
    """Toe-out plus, droop plus, or both: the same advice, in the crew's own signs."""
    car = make(name)
    both = with_signs(car, toe_out_plus=True, droop_plus=True)
    _compare(teller, car, both, (*WORDS, ("next", "--json"), ("curves", "--json")))


@pytest.mark.parametrize("name", [n for n in SOME if _name(n) not in ("rack", "faults")])
def test_the_gauge_seen_from_its_other_side(
    name: str, make: Callable[[str], Car], teller: Teller
) -> None:
    """Rising with toe-out, distances from outboard: the same document but for the dial."""
    car = make(name)
    one, two = teller.write(car), teller.write(gauge_turned(car))
    for call in (("check", "--json"), ("curves", "--json"), ("next", "--json")):
        _of_both(teller.ask(one, call), teller.ask(two, call), car, _crews_own)
    dials = [
        json.loads(teller.ask(folder, ("next", "--json")).out)["corners"][0]["expected"]["curve"]
        for folder in (one, two)
    ]
    assert dials[0]["dial"] == pytest.approx([-v for v in dials[1]["dial"]], rel=1e-9, abs=1e-9)
    assert any(dials[0]["dial"])


def _renamed(said: Said, name: str, here: str) -> Said:
    """With another name for a corner, and blanks and line ends that its length moves as one."""
    out, err = (" ".join(text.replace(name, here).split()) for text in (said.out, said.err))
    return replace(said, out=out, err=err)


@pytest.mark.parametrize("name", [n for n in SOME if _name(n) not in ("pair", "faults")])
def test_mirrored(name: str, make: Callable[[str], Car], teller: Teller) -> None:
    """The corner on the other side: the same screens but for its name."""
    car = make(name)
    other = mirrored(car)
    (here,), (there,) = car.toml["corner"], other.toml["corner"]
    assert here != there
    one, two = teller.write(car), teller.write(other)
    for call in (*WORDS, ("next", "--json")):
        words = _said_in(call, car.toml["units"])
        a, b = teller.ask(one, words), teller.ask(two, words)
        assert a.code == 0, a.err
        assert _renamed(a, here, here) == _renamed(b, there, here)


def test_mirrored_axle(teller: Teller) -> None:
    """Both wheels change over: roll steer stays, left less right and steer change sign."""
    car = _pair()
    other = mirrored(car)
    # corners keep their order in the file, so the left one stands first in both
    corners = dict(sorted(other.toml["corner"].items()))
    other = replace(other, toml={**other.toml, "corner": corners})
    documents = [
        json.loads(teller.ask(teller.write(c), ("axle", "--json")).out)["axles"][0]
        for c in (car, other)
    ]
    one, two = documents
    turned = ("left_less_right_deg", "heave_steer_left_plus_deg")
    for state in ("now", "advised", "alike", "one_each"):
        a, b = one[state], two[state]
        assert any(abs(v) > 1e-4 for v in a[turned[0]]), state
        image = {_crossed(name): found for name, found in b.items() if name not in turned}
        image |= {name: [-v for v in b[name]] for name in turned}
        assert _apart(a, {name: image[name] for name in a}, REL, FLOOR) == [], state
    for words in ("score_shown", "roll_shown", "pair_shown"):
        assert one[words] == two[words]
    assert _crossed(one["bumps_shown"]) == two["bumps_shown"]


def _crossed(text: str) -> str:
    """Left for right and right for left."""
    return re.sub("left|right", lambda m: {"left": "right", "right": "left"}[m[0]], text)


# --- order and place -----------------------------------------------------------------------


@pytest.mark.parametrize("name", SOME)
def test_rows_and_keys_in_another_order(
    name: str, make: Callable[[str], Car], teller: Teller
) -> None:
    """Keys, columns, passes and travels of a pass in another order: the same advice.

    Where it looks for slips, the order within a pass tells when a reading was taken: that of
    the car with every slip is kept.
    """
    car = make(name)
    one = teller.write(car)
    calls: Calls = (("curves",), ("curves", "--json"), ("next",), ("next", "--json"))
    if name == "faults":
        calls = (("curves",), ("next", "--json"))
    two = teller.write(shuffled(car, 1, within=name != "faults"))
    for call in calls:
        a, b = teller.ask(one, call), teller.ask(two, call)
        if "--json" in call:
            _of_both(a, b, car, _lines)
        else:
            assert a == b


def test_another_place(teller: Teller, tmp_path: Path) -> None:
    """The same files elsewhere: the same words, so nothing depends on a path or its length."""
    car = _demo()
    one = teller.write(car)
    two = car.write(tmp_path / "somewhere else" / ("deep " * 8).strip() / "car")
    for call in (*WORDS[:3], *DOCUMENTS[:3]):
        assert teller.ask(one, call) == teller.ask(two, call)


# --- any corner ----------------------------------------------------------------------------

SIXTEENTHS = ("0.125", "0.0625", "0.03125", "0.015625", "0.1", "0.05", "0.02", "0.01")


@st.composite
def _corners(draw: st.DrawFn) -> Car:
    """A legal car of one corner, in round numbers of inches or of millimetres."""
    whole = st.integers
    inch = draw(st.booleans())
    unit = Decimal("0.04") if inch else Decimal(1)  # a millimetre, roughly
    length, arm = draw(whole(200, 420)), draw(whole(60, 160))
    rise = draw(whole(-length // 5, length // 5))
    ahead, side = draw(st.booleans()), draw(st.sampled_from(("left", "right")))
    sizes = st.sampled_from(SIXTEENTHS if inch else ("3", "2", "1", "0.5", "0.25"))
    above = draw(st.lists(sizes, min_size=1, max_size=2))
    below = draw(st.lists(sizes, min_size=1, max_size=2))
    spare = draw(st.lists(sizes, min_size=1, max_size=3))
    slope, bow, twist = (draw(whole(-n, n)) for n in (25, 12, 6))
    step = draw(whole(8, 25))
    rows = []
    for sweep in ("up1", "down1"):
        rows.append({"run": "r1", "pass": sweep, "travel": "0", "reading": "0"})
        for k in (-2, -1, 1, 2):
            seen = k * slope + k * k * bow / 2 + k**3 * twist / 4 + draw(whole(-2, 2))
            size = Decimal(round(seen)) / (1000 if inch else 40)
            rows.append(
                {
                    "run": "r1",
                    "pass": sweep,
                    "travel": text_of(k * step * unit),
                    "reading": text_of(size) if size else "0",
                }
            )
    kinds = st.sampled_from(("both-ends", "one-end", "fixed"))
    thread: dict[str, Any] = {"kind": draw(kinds), "pitch": draw(st.sampled_from((1, 2)))}
    thread |= {"shorter": draw(whole(2, 9)) * unit, "longer": draw(whole(2, 9)) * unit}
    corner: dict[str, Any] = {
        "side": side,
        "link": "ahead" if ahead else "behind",
        "tape": {"length": length * unit, "arm": arm * unit, "rise": rise * unit},
        "stack": {
            "face": draw(st.sampled_from(("clevis", "arm-below", "arm-above"))),
            "end": draw(st.sampled_from(("outer", "inner"))),
            "shims": "+".join((*above, *below, *spare)),
        },
        "thread": thread,
    }
    if draw(st.booleans()):
        corner["eccentric"] = {"kind": "slot", "per_mark": unit, "inboard_left": 9 * unit}
    if draw(st.booleans()):
        corner["goal"] = {"never_toe_out": draw(st.sampled_from(("droop", "bump", "both")))}
    own = {"travel": "in", "reading": "in", "length": "in", "toe": "deg"} if inch else METRIC
    toml = {
        "car": {"name": "Any"},
        "units": dict(own),
        "gauge": {"kind": "one-dial", "span": draw(whole(200, 500)) * unit, "rising": "toe-in"},
        "corner": {f"rear-{side}": corner},
    }
    runs = [{"run": "r1", "shims_above": "+".join(above), "shims_below": "+".join(below)}]
    return Car(toml=toml, tables={"runs.csv": runs, "readings.csv": rows})


def _holds_of_any(car: Car, units: Mapping[str, str], home: Path, teller: Teller) -> None:
    """Other units and the mirror image say the same; also why there is no advice."""
    other = in_units(car, **units)
    image = mirrored(car)
    (here,), (there,) = car.toml["corner"], image.toml["corner"]
    one, two, three = teller.write(car), teller.write(other), teller.write(image)
    for call in (("check",), ("next",)):
        assert teller.ask(one, call, like=other) == teller.ask(two, call)
        a, b = teller.ask(one, call), teller.ask(three, call)
        assert _renamed(a, here, here) == _renamed(b, there, here)
    a, b = (teller.ask(f, ("next", "--json"), like=other) for f in (one, two))
    if a.code == 0:
        _of_both(a, b, car, _nothing)


FOREVER = settings(
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@settings(FOREVER, max_examples=5)
@given(car=_corners(), units=st.sampled_from((INCH, METRIC, THOU, MIXED)))
def test_any_corner(car: Car, units: dict[str, str], tmp_path: Path, teller: Teller) -> None:
    """A few corners of the legal ones."""
    _holds_of_any(car, units, tmp_path, teller)


@pytest.mark.slow
@settings(FOREVER, max_examples=40)
@given(car=_corners(), units=st.sampled_from((INCH, METRIC, THOU, MIXED)))
def test_many_corners(car: Car, units: dict[str, str], tmp_path: Path, teller: Teller) -> None:
    """More of them."""
    _holds_of_any(car, units, tmp_path, teller)


# --- this file can fail --------------------------------------------------------------------


@pytest.mark.parametrize(("unit", "off"), [("in", 1e-6), ("thou", 1e-6), ("min", 1e-6)])
def test_a_conversion_a_millionth_off_is_found(
    unit: str, off: float, teller: Teller, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One factor changed by a millionth, and the same car no longer says the same."""
    from optimizer import units as table

    factors = table.MM_PER_UNIT if unit in table.MM_PER_UNIT else table.DEG_PER_UNIT
    car = in_units(_demo(), **METRIC)
    wanted = {"in": INCH, "thou": THOU, "min": {**METRIC, "toe": "min"}}[unit]
    monkeypatch.setitem(factors, unit, factors[unit] * (1 + off))
    with pytest.raises(AssertionError):
        _compare(teller, car, in_units(car, **wanted), DOCUMENTS)


def test_the_car_is_written_as_it_was_read(tmp_path: Path) -> None:
    """What this file writes reads back as the data it was made of."""
    car = _plate()
    again = read_car(car.write(tmp_path / "car"))
    assert written_toml(again.toml) == written_toml(car.toml)
    assert again.tables == car.tables
