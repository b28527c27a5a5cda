"""The scripts for versions and dependencies, as far as they go without a network."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

HERE = Path(__file__).resolve().parent


def script(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"script_{name}", HERE / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_every_requirement_has_one_lower_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    versions = script("versions")
    pins = versions.lowest()
    assert {"numpy", "scipy", "pandas", "scikit-learn", "matplotlib", "typer"} <= pins.keys()
    assert {"openpyxl", "playwright", "pytest", "hatchling"} <= pins.keys()
    assert "shimopt" not in pins
    for bad in ("numpy", "numpy<3", "numpy[x]<3; python_version < '4'"):
        monkeypatch.setattr(versions, "requirements", lambda bad=bad: [bad])
        with pytest.raises(ValueError, match="no lower bound"):
            versions.lowest()
    monkeypatch.setattr(versions, "requirements", lambda: ["a>=1", "A>=2"])
    with pytest.raises(ValueError, match="two lower bounds"):
        versions.lowest()


def test_what_the_package_needs_is_listed_with_version_and_licence() -> None:
    audit = script("audit")
    held = audit.dependencies()
    names = {one.name.lower(): one for one in held}
    assert {"numpy", "scipy", "pandas", "scikit-learn", "matplotlib", "typer"} == {
        name for name, one in names.items() if one.direct
    }
    assert "pytest" not in names  # of the extra test
    assert {"joblib", "pillow", "python-dateutil"} <= names.keys()  # what those need
    assert all(one.licence != "not stated" for one in held), held
    assert all(len(one.licence) < 100 for one in held)


def test_silence_is_never_taken_for_sound(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    audit = script("audit")

    def refused(*words: Any, **named: Any) -> Any:
        raise OSError("no network")

    one = audit.Held(name="numpy", version="1.26.0", licence="BSD", direct=True)
    listed = '[{"name": "NumPy", "latest_version": "2.9"}]'
    for out, code, known in (
        (listed, 0, {"numpy": "2.9"}),
        ("[]", 0, {}),
        (listed, 1, None),
        ("", 0, None),
    ):
        done = audit.subprocess.CompletedProcess([], code, out, "")
        monkeypatch.setattr(audit.subprocess, "run", lambda *w, done=done, **n: done)
        assert audit.newer() == known
    for out, err, code, wanted in (
        ("", "No module named pip_audit", 1, 2),
        ("", "ConnectionError: no route", 1, 2),
        ("", "", 0, 2),
        ("", "No known vulnerabilities found", 0, 0),
        ("numpy 1.26.0 X-1", "Found 1 known vulnerability in 1 package", 1, 1),
    ):
        done = audit.subprocess.CompletedProcess([], code, out, err)
        monkeypatch.setattr(audit.subprocess, "run", lambda *w, done=done, **n: done)
        got, said = audit.audited([one])
        assert got == wanted
        assert ("NOT AUDITED" in said) == (wanted == 2)
    monkeypatch.setattr(audit.subprocess, "run", refused)
    with pytest.raises(SystemExit) as left:
        audit.main()
    assert left.value.code == 2
    said = capsys.readouterr().out
    assert "newest versions: NOT ASKED" in said
    assert "is the newest" not in said
    assert "NOT AUDITED" in said
