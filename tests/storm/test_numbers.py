"""Corners, gauges and readings at the edge of what is legal: finite answers or clear refusals.

Every logbook is written as files and read back, so that what is tried here is what a crew
could have; a fault of the files is a refusal too.
"""

from __future__ import annotations

import dataclasses
import json
import math
import shutil
import warnings
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimizer.advise.advice import Advice
from optimizer.advise.evidence import corner_evidence
from optimizer.advise.next_move import advise
from optimizer.advise.table import Table
from optimizer.errors import ShimoptError
from optimizer.logbook import read_logbook
from optimizer.records import Goal
from tests.storm import judge

CALLS = (
    ["check", "."], ["check", ".", "--repeats"], ["curves", ".", "--json"], ["next", "."],
    ["next", ".", "--json"], ["tradeoff", ".", "--at", "20"],
)  # fmt: skip
TRAVELS = (-50.0, -25.0, 25.0, 50.0)
Curve = Callable[[float], float]


def logbook(
    folder: Path,
    *,
    curve: Curve = lambda z: 0.8 * z + 0.004 * z * z,
    travels: Sequence[float] = TRAVELS,
    passes: Sequence[str] = ("up1", "down1"),
    gauge: str = "",
    tape: str = "length = 321\narm = 96\nrise = 8",
    more: str = "",
    n_run: int = 1,
    noise: float = 0.0,
) -> Path:
    """A logbook of a link at one setting, or of many runs of it; readings in thou."""
    rng = np.random.default_rng(17)
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    (folder / "car.toml").write_text(
        '[units]\ntravel = "mm"\nreading = "thou"\nlength = "mm"\ntoe = "deg"\n'
        f'[gauge]\nspan = 300\nrising = "toe-in"\n{gauge}\n'
        f'[corner.rear-left]\nlink = "behind"\n[corner.rear-left.tape]\n{tape}\n'
        f'[corner.rear-left.stack]\nshims = "3+2+4x1+3x0.5"\n[corner.rear-left.thread]\n'
        f"pitch = 1.5\nshorter = 12\nlonger = 9\n{more}",
        encoding="utf-8",
    )
    runs = ["run,shims_above,shims_below,length_change"]
    rows = ["run,pass,travel,reading"]
    for n in range(n_run):
        runs.append(f"r{n},3+1,1+1,0")
        for sweep in passes:
            rows.append(f"r{n},{sweep},0,0")
            for z in travels:
                rows.append(f"r{n},{sweep},{z!r},{float(curve(z) + noise * rng.normal())!r}")
    (folder / "runs.csv").write_text("\n".join(runs) + "\n", encoding="utf-8")
    (folder / "readings.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return folder


def numbers(found: object) -> Iterator[float]:
    """Every number inside an answer."""
    if isinstance(found, np.ndarray):
        if found.dtype.kind in "fc":
            yield from (float(x) for x in found.ravel())
    elif isinstance(found, bool | str | Path) or found is None:
        return
    elif isinstance(found, int | float):
        yield float(found)
    elif dataclasses.is_dataclass(found):
        for one in dataclasses.fields(found):
            yield from numbers(getattr(found, one.name))
    elif isinstance(found, dict):
        for value in found.values():
            yield from numbers(value)
    elif isinstance(found, list | tuple):
        for value in found:
            yield from numbers(value)


def answered(folder: Path, calls: Sequence[list[str]] = CALLS) -> Advice | None:
    """Every screen judged; the advice with all its numbers finite, None where it is refused."""
    for words in calls:
        played = judge.play(folder, words)
        assert not played.complaints, played
        if played.code == 0 and "--json" in words:
            assert all(map(math.isfinite, numbers(json.loads(played.out))))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            advice = advise(read_logbook(folder), "rear-left")
        except ShimoptError as error:
            assert error.remedy
            return None
    outlook = advice.outlook
    for array in (outlook.travel_mm, outlook.toe_deg, outlook.low_deg, outlook.high_deg):
        assert np.all(np.isfinite(array))
    assert np.all(outlook.low_deg <= outlook.high_deg)
    assert all(map(math.isfinite, numbers(advice.outlook.score_deg)))
    assert 0.0 <= advice.outlook.chance <= 1.0
    assert all(map(math.isfinite, numbers(advice.move)))
    return advice


EDGES: dict[str, tuple[dict[str, object], bool]] = {
    # what is extreme, and whether it must be answered
    "shortest link": ({"tape": "length = 100\narm = 96\nrise = 8"}, True),
    "longest link": ({"tape": "length = 900\narm = 96\nrise = 8"}, True),
    "no such link": ({"tape": "length = 5\narm = 96\nrise = 1"}, False),
    "least arm": ({"tape": "length = 321\narm = 30\nrise = 8"}, True),
    "arm of 3 mm": ({"tape": "length = 321\narm = 3\nrise = 8"}, False),
    "longest arm": ({"tape": "length = 321\narm = 350\nrise = 8"}, True),
    "steep link": ({"tape": "length = 321\narm = 96\nrise = 190"}, True),
    "link on end": ({"tape": "length = 321\narm = 96\nrise = 320.999"}, False),
    "rise equals length": ({"tape": "length = 321\narm = 96\nrise = 321"}, False),
    "tape to a micron": ({"tape": "length = 321\nlength_give_or_take = 1e-6\narm = 96\n"
                          "arm_give_or_take = 1e-9\nrise = 8\nrise_give_or_take = 1e-12"}, False),
    "tape of no worth": ({"tape": "rise = 8\nrise_give_or_take = 500"}, False),
    "all bump": ({"travels": (10.0, 25.0, 40.0, 50.0)}, True),
    "all droop": ({"travels": (-10.0, -25.0, -40.0, -50.0)}, True),
    "two travels close": ({"travels": (25.0, 25.2)}, False),
    "one travel": ({"travels": (25.0,)}, False),
    "one travel, often": ({"travels": (25.0,), "passes": [f"up{n}" for n in range(50)]}, False),
    "within a millimetre": ({"travels": (-0.9, -0.5, 0.5, 0.9)}, False),
    "farthest travels": ({"travels": (-300.0, -150.0, 150.0, 300.0)}, False),
    "least noise stated": ({"gauge": "reading_noise = 5e-324\ndirection_noise = 0\n"
                            "travel_noise = 0\ntravel_scale_noise = 0\nremount_noise = 0"}, False),
    "least noise stated, rest none": ({"gauge": "reading_noise = 0.004\ndirection_noise = 0\n"
                            "travel_noise = 0\ntravel_scale_noise = 0\nremount_noise = 0"}, True),
    "no noise but readings'": ({"gauge": "reading_noise = 1\ndirection_noise = 0\n"
                                "travel_noise = 0\ntravel_scale_noise = 0\nremount_noise = 0"},
                               True),
    "huge noise": ({"gauge": "reading_noise = 1e5\nremount_noise = 9"}, False),
    "endless noise": ({"gauge": "reading_noise = 1e300"}, False),
    "endless resolution": ({"gauge": "resolution = 1e200"}, False),
    "huge travel noise": ({"gauge": "travel_noise = 1000"}, False),
    "huge loop": ({"gauge": "direction_noise = 1e6"}, False),
    "readings all zero": ({"curve": lambda z: 0.0}, True),
    "readings alike": ({"curve": lambda z: 7.0}, True),
    "a step": ({"curve": lambda z: 0.0 if z < 0 else 300.0}, True),
    "enormous curve": ({"curve": lambda z: 35.0 * z}, False),
    "enormous bow": ({"curve": lambda z: 0.7 * z * z}, False),
    "dust": ({"curve": lambda z: 1e-300 * z}, True),
    "many passes": ({"passes": [f"{w}{n}" for n in range(20) for w in ("up", "down")]}, True),
    "many noisy runs": ({"n_run": 200, "noise": 2.0}, True),
    "many runs of one reading": ({"n_run": 200, "passes": ("up1",), "travels": (-50.0, 50.0),
                                  "noise": 1.0}, True),
    "window of a hair": ({"more": "[corner.rear-left.goal]\nwindow = [-0.001, 0.001]"}, False),
    "widest window": ({"more": "[corner.rear-left.goal]\nwindow = [-300, 300]"}, True),
    "least worthwhile": ({"more": "[corner.rear-left.goal]\nworthwhile = 5e-324"}, True),
    "least tolerance": ({"more": '[corner.rear-left.goal]\nkind = "toe-at-travel"\n'
                         "at_travel = 20\ntoe_change = 0.1\ntolerance = 5e-324"}, True),
    "least most_change": ({"more": "[corner.rear-left.goal]\nmost_change = 5e-324"}, True),
}  # fmt: skip


@pytest.mark.parametrize("name", EDGES)
def test_the_edges_of_what_is_legal(name: str, tmp_path: Path) -> None:
    changed, must = EDGES[name]
    calls = [*CALLS[:1], *CALLS[4:5]] if name.startswith("many") else CALLS
    advice = answered(logbook(tmp_path / "car", **changed), calls)  # type: ignore[arg-type]
    assert advice is not None or not must


def test_bands_widen_with_noise(tmp_path: Path) -> None:
    """Of one curve read on worse and worse gauges, on each of them at every travel."""
    before = None
    for sd in (0.3, 1.0, 3.0, 10.0, 30.0, 100.0):
        book = read_logbook(logbook(tmp_path / "car", gauge=f"reading_noise = {sd}"))
        table = Table(corner_evidence(book, "rear-left"), Goal())
        spread = []
        for height, change in ((0.0, 0.0), (1.0, 3.0), (-2.0, -6.0)):
            _, cov = table.surface.curve(height, change, np.array(TRAVELS))
            spread.append(np.sqrt(np.diag(cov)))
        if before is not None:
            assert np.all(np.array(spread) > before), sd
        before = np.array(spread)
    assert before is not None


@given(
    length=st.floats(100.0, 900.0),
    arm=st.floats(30.0, 350.0),
    rise=st.floats(-0.6, 0.6),
    noise=st.floats(-6.0, 4.0),
    stated=st.floats(-6.0, 4.0),
    slope=st.floats(-4.0, 4.0),
    bow=st.floats(-0.02, 0.02),
    travels=st.lists(st.integers(-80, 80).filter(bool), min_size=2, max_size=7, unique=True),
    n_run=st.integers(1, 3),
)
@settings(
    max_examples=12, deadline=None, derandomize=True, database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)  # fmt: skip
def test_any_corner_any_gauge(
    tmp_path: Path, length: float, arm: float, rise: float, noise: float, stated: float,
    slope: float, bow: float, travels: list[int], n_run: int,
) -> None:  # fmt: skip
    """Links, noise as it is and as it is stated, curves: whatever they are."""
    folder = logbook(
        tmp_path / "car",
        curve=lambda z: slope * z + bow * z * z,
        travels=[float(z) for z in travels],
        gauge=f"reading_noise = {10.0**stated!r}",
        tape=f"length = {length!r}\narm = {arm!r}\nrise = {rise * length!r}",
        noise=10.0**noise,
        n_run=n_run,
    )
    answered(folder)
