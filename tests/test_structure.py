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
    "record": -1,
    "errors": 0,
    "units": 0,
    "standards": 0,
    "records": 1,
    "measure": 2,
    "logbook": 2,
    "model": 3,
    "advise": 4,
    "kit": 5,
    "present": 6,
    "demo_files": 6,
    "kit_call": 7,
    "brief_call": 7,
    "terminal": 7,
    "questions": 8,
    "tour": 8,
    "completion": 7,
    "commands": 9,
    "overview": 7,
    "enter": 8,
    "cli": 10,
    "__main__": 11,
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


POINTS = """
[corner.rear-left.points]
lower_front_pivot = [128, 352, 178]
lower_rear_pivot = [-142, 346, 184]
lower_ball_joint = [4, 694, 186]
upper_front_pivot = [104, 424, 408]
upper_rear_pivot = [-96, 420, 400]
upper_ball_joint = [-9, 668, 428]
link_inner_joint = [-104, 379, 218]
link_outer_joint = [-96, 698, 224]
wheel_centre = [0, 742, 302]
"""


@pytest.mark.parametrize("extra", ["", POINTS], ids=["tape", "points"])
def test_check_and_next_need_numpy_alone(demo_copy: Path, extra: str) -> None:
    with (demo_copy / "car.toml").open("a", encoding="utf-8") as file:
        file.write(extra)
    code = (
        "import sys; from optimizer.commands.app import run\n"
        f"for words in (['check', {str(demo_copy)!r}], ['next', {str(demo_copy)!r}],\n"
        f"              ['curves', {str(demo_copy)!r}]):\n"
        "    run(words)"
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
    assert not loaded & {"scipy", "pandas", "matplotlib", "sklearn", "rich", "pydantic", "openpyxl"}


HEAVY = {"numpy", "scipy", "pandas", "matplotlib", "sklearn", "openpyxl"}


def _loaded_by(words: list[str]) -> set[str]:
    code = f"from optimizer.commands.app import run; run({words!r})"
    return _loaded_after(code)


def test_commands_on_files_alone_load_no_heavy_library(tmp_path: Path) -> None:
    car = str(tmp_path / "car")
    words = ["new", car, "--units", "mm", "--span", "300", "--rising", "toe-in"]
    assert not _loaded_by([*words, "--link", "behind", "--above", "1", "--below", "1"]) & HEAVY
    assert (tmp_path / "car" / "runs.csv").exists()
    for flags in (["--dry-run"], [], [], ["--further"]):
        assert not _loaded_by(["undo", car, *flags]) & HEAVY
    assert not (tmp_path / "car" / "runs.csv").exists()


def test_enter_loads_the_surface_only_where_earlier_runs_foretell(demo_copy: Path) -> None:
    """A first run is entered without it; a run beside three others needs it."""
    code = (
        "import io, sys; sys.stdin = io.StringIO({answers!r})\n"
        "from optimizer.commands.app import run\n"
        "run(['enter', {folder!r}, '--run', {run!r}, '--passes', 'up9'])\n"
        "print('SURFACE' if 'optimizer.model.surface' in sys.modules else 'NONE')"
    )

    def surface(run: str) -> bool:
        text = code.format(answers="0\n1\n", folder=str(demo_copy), run=run)
        done = subprocess.run(
            [sys.executable, "-c", text], capture_output=True, text=True, check=True, cwd=ROOT
        )
        assert f"2 readings of {run} saved" in done.stdout
        return done.stdout.splitlines()[-1] == "SURFACE"

    readings, runs = demo_copy / "readings.csv", demo_copy / "runs.csv"
    with runs.open("a", encoding="utf-8") as file:
        file.write("plan,rear-left,,2,3+1,0,0,,\n")
    assert surface("plan")
    readings.write_text(readings.read_text().splitlines()[0] + "\n")
    runs.write_text("".join(runs.read_text().splitlines(keepends=True)[:2]))
    assert not surface("as-found")


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_import_loads_no_heavy_library_and_openpyxl_for_a_spreadsheet_alone(
    demo_copy: Path, tmp_path: Path, kind: str
) -> None:
    from openpyxl import Workbook

    rows = [["travel", "new"], ["shims above", 2], ["shims below", "3+1"], [-9, 0], [0, 0], [9, 1]]
    table = tmp_path / f"wide.{kind}"
    if kind == "csv":
        table.write_text("".join(f"{a};{b}\n" for a, b in rows))
    else:
        book = Workbook()
        for row in rows:
            book.active.append(row)
        book.save(table)
    words = ["import", str(table), str(demo_copy), "--yes"]
    loaded = _loaded_by(words)
    assert "new,up1,9,1" in (demo_copy / "readings.csv").read_text()
    # openpyxl itself looks for numpy
    assert loaded & HEAVY == (set() if kind == "csv" else loaded & {"openpyxl", "numpy"})
    assert ("openpyxl" in loaded) == (kind == "xlsx")
