"""The scripts for versions and dependencies, as far as they go without a network."""

from __future__ import annotations

import importlib.util
import json
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
    weak = [{"id": "X-1", "fix_versions": ["9"]}]
    control, two = audit.CONTROL[0], ("numpy", "typer")
    held = [audit.Held(name=n, version="1", licence="BSD", direct=True) for n in two]
    sound = {"numpy": [], "typer": [], control: weak}
    for vulns, wanted, word in (
        (sound, 0, "audited: no known weakness in 2"),
        ({**sound, "numpy": weak}, 1, "numpy 1: X-1, mended in 9"),
        ({**sound, "numpy": weak, control: []}, 1, "numpy 1: X-1"),
        ({**sound, control: []}, 2, f"NOT AUDITED: of {control}"),
        ({**sound, control: None}, 2, "says: not found"),
        ({**sound, "typer": None}, 2, "NOT AUDITED, the service does not know them: typer"),
        ({control: weak}, 2, "does not know them: numpy, typer"),
    ):
        told = [
            {"name": n, "skip_reason": "not found"} if v is None else {"name": n, "vulns": v}
            for n, v in vulns.items()
        ]
        out = json.dumps({"dependencies": told})
        done = audit.subprocess.CompletedProcess([], 0, out, "No known vulnerabilities found")
        monkeypatch.setattr(audit.subprocess, "run", lambda *w, done=done, **n: done)
        got, said = audit.audited(held)
        assert got == wanted
        assert word in said
    for out, err, code, wanted in (
        ("", "No module named pip_audit", 1, 2),
        ("", "ConnectionError: no route", 1, 2),
        ("", "", 0, 2),
        ("", "No known vulnerabilities found", 0, 2),
        ('{"fixes": []}', "", 0, 2),
    ):
        done = audit.subprocess.CompletedProcess([], code, out, err)
        monkeypatch.setattr(audit.subprocess, "run", lambda *w, done=done, **n: done)
        got, said = audit.audited(held)
        assert got == wanted
        assert "NOT AUDITED" in said
    monkeypatch.setattr(audit.subprocess, "run", refused)
    with pytest.raises(SystemExit) as left:
        audit.main()
    assert left.value.code == 2
    said = capsys.readouterr().out
    assert "newest versions: NOT ASKED" in said
    assert "is the newest" not in said
    assert "NOT AUDITED" in said
