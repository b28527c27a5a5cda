"""A built wheel carries the demo, the prior and the standards, and works elsewhere."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from optimizer.demo_files import FILES

ROOT = Path(__file__).resolve().parents[1]


def _run(command: list[str], **options: object) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False, **options)  # type: ignore[call-overload]
    assert done.returncode == 0, done.stdout + done.stderr
    return str(done.stdout)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel built from this checkout."""
    out = tmp_path_factory.mktemp("dist")
    _run([sys.executable, "-m", "build", "--wheel", "--no-isolation", "-o", str(out), str(ROOT)])
    return next(out.glob("*.whl"))


@pytest.mark.slow
def test_the_wheel_holds_the_data(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    assert {
        *(f"optimizer/demo/{name}" for name in FILES),
        "optimizer/model/prior.npy",
        "optimizer/model/draws.npy",
        "optimizer/standards/threads.csv",
        "optimizer/standards/shims.csv",
        "optimizer/py.typed",
    } <= names
    assert not [n for n in names if n.startswith(("tests", "data"))]


@pytest.mark.slow
def test_the_installed_wheel_gives_the_demo_s_advice(wheel: Path, tmp_path: Path) -> None:
    site, elsewhere = tmp_path / "site", tmp_path / "elsewhere"
    elsewhere.mkdir()
    _run(
        [
            *(sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index"),
            *("--target", str(site), str(wheel)),
        ]
    )
    env = {**os.environ, "PYTHONPATH": str(site)}
    where = (
        "import optimizer, optimizer.standards as s; s.thread_sizes(); print(optimizer.__file__)"
    )
    told = _run([sys.executable, "-c", where], cwd=elsewhere, env=env)
    assert str(site) in told
    _run([sys.executable, "-m", "optimizer", "demo", "car"], cwd=elsewhere, env=env)
    document = json.loads(
        _run([sys.executable, "-m", "optimizer", "next", "car", "--json"], cwd=elsewhere, env=env)
    )
    assert document["corners"][0]["action"] == "try"
    script = site / "bin" / "shimopt"
    assert "shimopt " in _run([str(script), "--version"], cwd=elsewhere, env=env)
