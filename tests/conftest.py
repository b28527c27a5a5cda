"""Shared fixtures: the demo logbook, its true mechanism, and a temporary copy."""

from __future__ import annotations

import importlib.util
import shutil
import signal
import sys
from pathlib import Path
from types import ModuleType

import pytest

from optimizer.demo_files import demo_folder
from optimizer.logbook import read_logbook
from optimizer.records import Logbook

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
    return Path(shutil.copytree(demo_folder(), tmp_path / "car"))


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
