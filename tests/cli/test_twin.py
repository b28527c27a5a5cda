"""The demo's twin: ten faults written in, each found by ``check``, and none where none is."""

from __future__ import annotations

import importlib.util
import json
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

from optimizer.cli import main

DATA = Path(__file__).resolve().parents[2] / "data"


@pytest.fixture(scope="module")
def twin() -> Iterator[ModuleType]:
    """The script that makes the twin."""
    sys.path.insert(0, str(DATA))
    try:
        spec = importlib.util.spec_from_file_location("make_twin", DATA / "make_twin.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        yield module
    finally:
        sys.path.remove(str(DATA))


def _found(capsys: pytest.CaptureFixture[str], folder: Path) -> list[tuple[str, tuple[str, ...]]]:
    with pytest.raises(SystemExit) as left:
        main(["check", str(folder), "--json"])
    assert left.value.code == 0
    corners = json.loads(capsys.readouterr().out)["corners"]
    return [(s["kind"], tuple(s["runs"])) for c in corners for s in c["suspects"]]


def test_check_finds_all_ten_and_nothing_else(
    capsys: pytest.CaptureFixture[str], twin: ModuleType
) -> None:
    planted = [(kind, runs) for kind, runs, _ in twin.FAULTS]
    assert len({kind for kind, _ in planted}) == 10
    assert sorted(_found(capsys, DATA / "demo" / "ten-faults")) == sorted(planted)


def test_the_same_logbook_without_them_raises_none(
    capsys: pytest.CaptureFixture[str], twin: ModuleType, tmp_path: Path
) -> None:
    shutil.copy(DATA / "demo" / "ten-faults" / "car.toml", tmp_path)
    twin.write(tmp_path, twin.clean())
    assert _found(capsys, tmp_path) == []


def test_the_files_are_what_the_script_makes(twin: ModuleType, tmp_path: Path) -> None:
    twin.write(tmp_path, twin.faulty())
    for name in ("runs.csv", "readings.csv"):
        assert (tmp_path / name).read_bytes() == (DATA / "demo" / "ten-faults" / name).read_bytes()
