"""Which outside check reaches each function that computes a figure.

Run ``python tests/published/reached.py``: it runs the checks marked ``outside`` (published
values, general libraries, the exact mechanism) under coverage, a context for each test,
and prints a row for every public function and method of the rooms that compute: how many
checks run its body, and the first of them. It ends with 1 if one is reached by none and
is not excused below with a reason.
"""

from __future__ import annotations

import ast
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import coverage

ROOT = Path(__file__).resolve().parents[2]
ROOMS = ("measure", "model", "advise", "standards", "kit")
# no figure of theirs is shown to a crew; the reason stands beside each
EXCUSED = {
    "model.mechanism.Motion.shape": "the shape of an array",
    "model.surface.ToeSurface.set_params": "scikit-learn's habit, sets arguments",
    "model.train.training_corners": "made the stored prior, whose use is checked",
    "model.train.moments_of": "made the stored prior, whose use is checked",
    "model.train.main": "made the stored prior, whose use is checked",
    "advise.joint.Tilts.at": "says what foresees tilt must do",
    "advise.room.HardLimit.room": "says what a limit must do",
    "advise.axle.AxleAdvice.past_today": "a yes or no about checked limits",
    "advise.pair.Side.forgo_wishes": "takes back a narrowing of checked settings",
    "advise.tradeoff.Option.run": "a run's name",
    "kit.plan.Planner.posed": "hands the benchmark losses and recipes that are checked",
}
CONFIG = "[run]\nsource = optimizer\ndynamic_context = test_function\ndata_file = {data}\n"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """A function, the lines of its body and the checks that run one of them."""

    name: str
    file: Path
    lines: frozenset[int]
    checks: tuple[str, ...] = ()


def figures() -> Iterator[Reach]:
    """Public functions and methods of the rooms that compute."""
    for room in ROOMS:
        for file in sorted((ROOT / "optimizer" / room).glob("*.py")):
            module = f"{room}.{file.stem}" if file.stem != "__init__" else room
            tree = ast.parse(file.read_text(encoding="utf-8"))
            for node in tree.body:
                if isinstance(node, ast.FunctionDef):
                    yield from _one(module, file, node)
                if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                    for inner in node.body:
                        if isinstance(inner, ast.FunctionDef):
                            yield from _one(f"{module}.{node.name}", file, inner)


def _one(owner: str, file: Path, node: ast.FunctionDef) -> Iterator[Reach]:
    if node.name.startswith("_") or any("overload" in ast.dump(d) for d in node.decorator_list):
        return
    said = isinstance(node.body[0], ast.Expr) and isinstance(node.body[0].value, ast.Constant)
    body = node.body[1:] if said else node.body
    lines = {n.lineno for part in body for n in ast.walk(part) if isinstance(n, ast.stmt)}
    if lines:
        yield Reach(name=f"{owner}.{node.name}", file=file, lines=frozenset(lines))


def reached() -> list[Reach]:
    """Run the outside checks and say what they reach."""
    with tempfile.TemporaryDirectory() as folder:
        data, config = Path(folder) / "data", Path(folder) / "rc"
        config.write_text(CONFIG.format(data=data), encoding="utf-8")
        command = ["-m", "coverage", "run", f"--rcfile={config}", "-m", "pytest", "-m", "outside"]
        done = subprocess.run(
            [sys.executable, *command], cwd=ROOT, capture_output=True, text=True, check=False
        )
        if done.returncode != 0:
            raise RuntimeError(f"the outside checks failed\n{done.stdout}{done.stderr}")
        read = coverage.CoverageData(str(data))
        read.read()
        return [
            Reach(name=f.name, file=f.file, lines=f.lines, checks=_checks(read, f))
            for f in figures()
        ]


def _checks(data: coverage.CoverageData, figure: Reach) -> tuple[str, ...]:
    contexts = data.contexts_by_lineno(str(figure.file))
    found = {c for line in figure.lines for c in contexts.get(line, []) if c}
    return tuple(sorted(found))


def table(rows: list[Reach]) -> list[str]:
    """Lines of the table, as Markdown."""
    lines = ["| function | checks | for one |", "|---|---|---|"]
    for row in rows:
        first = row.checks[0] if row.checks else EXCUSED.get(row.name, "NONE")
        lines.append(f"| `{row.name}` | {len(row.checks)} | {first} |")
    return lines


def missing(rows: list[Reach]) -> list[str]:
    """Functions that no check reaches and nothing excuses."""
    return [r.name for r in rows if not r.checks and r.name not in EXCUSED]


def main() -> int:
    """Print the table; 1 if a figure has no outside check."""
    rows = reached()
    sys.stdout.write("\n".join(table(rows)) + "\n")
    bare = missing(rows)
    if bare:
        sys.stderr.write("no outside check reaches " + ", ".join(bare) + "\n")
    return 1 if bare else 0


if __name__ == "__main__":
    sys.exit(main())
