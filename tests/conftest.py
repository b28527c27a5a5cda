"""Shared fixtures: the demo logbook, its true mechanism, and a temporary copy."""

from __future__ import annotations

import importlib.util
import shutil
import signal
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from optimizer.demo_files import LOGBOOK, demo_folder
from optimizer.logbook import read_logbook
from optimizer.model.mechanism import TOE_LINK, HardPoints
from optimizer.records import Axle, Logbook, Reading

ROOT = Path(__file__).resolve().parents[1]


def pytest_configure() -> None:
    """Commands under test hear an interrupt and a hang-up, even where the tests run behind.

    A shell starts what runs in the background with them ignored, and children inherit it.
    """
    for name, usual in (("SIGINT", signal.default_int_handler), ("SIGHUP", signal.SIG_DFL)):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_IGN:
            signal.signal(number, usual)


@pytest.fixture(autouse=True)
def plain_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """No styling, whatever the machine that runs the tests forces."""
    monkeypatch.setenv("TERM", "dumb")
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.delenv("FORCE_COLOR", raising=False)


@pytest.fixture(scope="session")
def demo_book() -> Logbook:
    """The demo logbook, read."""
    return read_logbook(demo_folder())


@pytest.fixture
def demo_copy(tmp_path: Path) -> Path:
    """The demo logbook in a folder that a test may spoil."""
    (tmp_path / "car").mkdir()
    for name in (*LOGBOOK, "offers.csv"):
        shutil.copy(demo_folder() / name, tmp_path / "car" / name)
    return tmp_path / "car"


@pytest.fixture(scope="session")
def demo_truth() -> ModuleType:
    """The script that makes the demo, with the true mechanism behind it."""
    spec = importlib.util.spec_from_file_location("make_demo", ROOT / "data" / "make_demo.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_demo"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def both_sides(demo_book: Logbook, demo_truth: ModuleType) -> Callable[..., Logbook]:
    """Makes the demo with its right rear measured too, whose link may stand elsewhere.

    ``inner_up_mm`` raises the right link's inner joint against a mirror image of the left;
    with ``seed`` None the right side has the left's own readings.
    """

    def make(inner_up_mm: float = 0.0, seed: int | None = 99, **axle: Any) -> Logbook:
        points = right_points(demo_truth, inner_up_mm)
        runs, readings = list(demo_book.runs), list(demo_book.readings)
        for (name, height, change), run in zip(demo_truth.RUNS, demo_book.runs, strict=True):
            own = f"{name}-r"
            runs.append(replace(run, name=own, corner="rear-right"))
            if seed is None:
                readings += [replace(r, run=own) for r in demo_book.readings_of(name)]
                continue
            rng = np.random.default_rng([seed, len(runs)])
            rows = demo_truth.measured_rows(rng, own, height, change, points)
            readings += [
                Reading(run=r, sweep=s, travel_mm=float(z), value=float(v) * 0.0254)
                for r, s, z, v in rows
            ]
        left = demo_book.corners["rear-left"]
        right = replace(left, name="rear-right", side="right", reference_run="as-found-r")
        made = Axle(name="rear", left="rear-left", right="rear-right", track_mm=1520.0)
        return replace(
            demo_book,
            corners={"rear-left": left, "rear-right": right},
            runs=tuple(runs),
            readings=tuple(readings),
            axles={"rear": replace(made, **axle)},
        )

    return make


def right_points(truth: ModuleType, inner_up_mm: float) -> HardPoints:
    """The demo's corner with its link's inner joint raised, as a left one."""
    inner = truth.CORNER.inner.copy()
    inner[TOE_LINK, 2] += inner_up_mm
    return replace(truth.CORNER, inner=inner)
