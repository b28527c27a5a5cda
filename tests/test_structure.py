"""The shape of the house: imports run one way, and light rooms stay light."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "optimizer"

# a module may import from its own level's room and from lower levels only
LEVELS = {
    "errors": 0,
    "units": 0,
    "standards": 0,
    "records": 1,
    "measure": 2,
    "logbook": 2,
    "model": 3,
    "advise": 4,
    "present": 5,
    "demo_files": 5,
    "questions": 6,
    "cli": 7,
    "__main__": 8,
}


def _room(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


def _imports(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            if node.module == "optimizer":
                found |= {f"optimizer.{a.name}" for a in node.names}
        elif isinstance(node, ast.Import):
            found |= {a.name for a in node.names}
    return {m for m in found if m.startswith("optimizer.")}


@pytest.mark.parametrize(
    "path", sorted(PACKAGE.rglob("*.py")), ids=lambda p: str(p.relative_to(PACKAGE))
)
def test_imports_run_one_way(path: Path) -> None:
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    here = parts[0]
    if here == "__init__":
        assert not _imports(path)
        return
    for module in _imports(path):
        there = _room(module)
        if there == "__version__":
            continue
        same = there == here
        assert same or LEVELS[there] < LEVELS[here], f"{here} may not import {module}"


def _loaded_after(code: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys; print(' '.join(sys.modules))"],
        capture_output=True,
        text=True,
        check=True,
    )
    return {name.split(".")[0] for name in done.stdout.splitlines()[-1].split()}


def test_the_logbook_needs_no_heavy_library() -> None:
    loaded = _loaded_after("import optimizer.logbook")
    assert not loaded & {"numpy", "scipy", "pandas", "matplotlib", "sklearn", "typer"}


def test_check_and_next_need_numpy_alone() -> None:
    code = (
        "import sys; from optimizer.cli import app\n"
        "for words in (['check', 'data/demo'], ['next', 'data/demo'], ['curves', 'data/demo']):\n"
        "    app(words, standalone_mode=False)"
    )
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\nprint('MODULES', *sys.modules)"],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    )
    loaded = {name.split(".")[0] for name in done.stdout.rsplit("MODULES", 1)[1].split()}
    assert "numpy" in loaded
    assert not loaded & {"scipy", "pandas", "matplotlib", "sklearn", "rich", "pydantic"}
