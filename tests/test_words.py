"""docs/words.md has every word of the screens and no other; docs/faults.md every fault.

Run as a script it writes the tables and the example of docs/faults.md anew.
"""

from __future__ import annotations

import ast
import contextlib
import io
import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from optimizer.cli import main
from optimizer.demo_files import demo_folder
from optimizer.logbook.car import USUAL_NOISE
from optimizer.logbook.faults import FAULT_CODES

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "optimizer"
WORDS = (ROOT / "docs" / "words.md").read_text(encoding="utf-8")
FAULTS = ROOT / "docs" / "faults.md"

# what a code's first digits concern, in the order of the page
GROUPS = {
    "L1": "The folder, and any file",
    "L2": "car.toml",
    "L3": "Any table",
    "L4": "runs.csv",
    "L5": "readings.csv",
    "L6": "A table to take in",
    "L7": "travel.csv",
    "L8": "offers.csv",
}
# the slip of the worked fault: what stands in the demo, and what is typed
SLIP = ("as-found,up1,-50,-43", "as-found,up1,-50,-4o")

COMMANDS = (
    "check D",
    "check D --repeats",
    "check D/both-wheels --repeats",
    "check D/ten-faults",
    "curves D --until as-found",
    "curves D",
    "next D",
    "next D --until as-found",
    "next D/both-wheels",
    'next D --goal "never_toe_out=droop"',
    "tradeoff D --at -40",
    "axle D/both-wheels",
    "kit D --both-sides --one-more",
    "kit D --recipes",
    "sheet D --out D/sheet.pdf",
    "brief D --out D/brief.html",
    "import D/run4.csv D --yes",
    "next D",
    "check D --repeats",
)
# a row of a table begins with one letter
LABEL = re.compile(r"^([A-Z][a-z]{2,}(?: [a-z]+)?) {2,}\S", re.MULTILINE)


def _run(words: str, folder: Path) -> tuple[str, str]:
    """Both streams of a command, the folder written as D."""
    out, err = io.StringIO(), io.StringIO()
    called = [w.replace("D", str(folder), 1) if w[0] == "D" else w for w in shlex.split(words)]
    silent = contextlib.redirect_stdout(out), contextlib.redirect_stderr(err)
    with silent[0], silent[1], pytest.raises(SystemExit):
        main(called)
    return out.getvalue(), err.getvalue()


@pytest.fixture(scope="module", name="screens")
def _screens(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Each command's screen; of one that is asked twice, the later."""
    folder = Path(shutil.copytree(demo_folder(), tmp_path_factory.mktemp("words") / "demo"))
    shown = {}
    for command in COMMANDS:
        out, err = _run(command, folder)
        assert not err, (command, err)
        shown[command if command not in shown else f"{command} again"] = out
    return shown


def _told() -> set[str]:
    """Every phrase of the page in backticks or bold, in one line."""
    text = re.sub(r"\]\([^)]*\)", "]", WORDS)
    found = re.findall(r"`([^`]+)`|\*\*([^*]+)\*\*", text)
    return {" ".join((a or b).split()) for a, b in found}


def _strings(tree: ast.AST) -> Iterator[str]:
    """What the code can say: its texts, a gap for each figure; no docstrings, no comments."""
    silent = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            yield "".join(
                str(part.value) if isinstance(part, ast.Constant) else "\0" for part in node.values
            )
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield from () if id(node) in silent else (node.value,)


def _trees(*rooms: str) -> Iterator[ast.Module]:
    for room in rooms:
        for path in sorted((PACKAGE / room).rglob("*.py")):
            yield ast.parse(path.read_text(encoding="utf-8"))


def _constants(node: ast.AST) -> list[str]:
    return [
        n.value for n in ast.walk(node) if isinstance(n, ast.Constant) and isinstance(n.value, str)
    ]


def _labels() -> set[str]:
    """What is passed to ``labelled``, by word or by a name that a pair of words fills."""
    found: set[str] = set()
    for tree in _trees("present", "enter"):
        for node in ast.walk(tree):
            if isinstance(node, ast.Call):
                name = getattr(node.func, "id", getattr(node.func, "attr", ""))
                at = 1 if isinstance(node.func, ast.Attribute) else 0  # a page's has y first
                if name == "labelled" and isinstance(node.args[at], ast.Constant | ast.IfExp):
                    found.update(_constants(node.args[at]))
            if isinstance(node, ast.Tuple) and len(node.elts) == 2:
                found.update(
                    x for x in _constants(node.elts[0]) if isinstance(node.elts[0], ast.Constant)
                )
                if isinstance(node.elts[0], ast.IfExp):
                    found.update(_constants(node.elts[0]))
            if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "label":
                found.update(_constants(node.value))
            if isinstance(node, ast.FunctionDef) and node.name == "hands_label":
                returned = [n for n in ast.walk(node) if isinstance(n, ast.Return)]
                found.update(x for n in returned for x in _constants(n))
    return {x for x in found if re.fullmatch(r"[A-Z][a-z]+(?: [a-z]+){0,2}", x)}


def _headings() -> set[str]:
    """Words of the first row of each table."""
    found: set[str] = set()
    for tree in _trees("present"):
        for node in ast.walk(tree):
            if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") in (
                "rows",
                "cells",
                "head",
                "heads",
            ):
                row = node.value
                if isinstance(row, ast.List) and row.elts and isinstance(row.elts[0], ast.List):
                    row = row.elts[0]
                if isinstance(row, ast.List | ast.Tuple):
                    found.update(
                        x.value
                        for x in row.elts
                        if isinstance(x, ast.Constant) and isinstance(x.value, str)
                    )
    return found - {"", "run", "corner"}


def _lacking(words: set[str]) -> list[str]:
    return sorted(words - _told())


def test_every_label_is_on_the_page(screens: dict[str, str]) -> None:
    labels = _labels()
    assert {"First", "Stands at", "Go on", "Stop", "Loop", "Each limit", "Half entered"} <= labels
    assert len(labels) > 45
    assert not _lacking(labels)
    seen = {x for text in screens.values() for x in LABEL.findall(text)}
    assert {"Expect", "Suspect", "Roll", "Buy", "Adds"} <= seen
    assert len(seen) > 25
    assert not _lacking(seen)


def test_every_column_is_on_the_page(screens: dict[str, str]) -> None:
    for command, begins in (("check D", "run "), ("curves D --until as-found", "run ")):
        (head,) = [x for x in screens[command].splitlines() if x.startswith(begins)]
        columns = set(re.split(r" {2,}", head)) - {"run", "corner"}
        assert len(columns) == 5
        assert not _lacking(columns)
    assert "mm of travel" in screens["curves D"]
    headings = _headings()
    assert {"ecc", "asked", "likely", "fine", "best height"} <= headings
    assert len(headings) > 25
    assert not _lacking(headings)


def test_every_phrase_of_the_page_is_on_a_screen_or_in_the_code(screens: dict[str, str]) -> None:
    said = [" ".join(x.split()) for tree in _trees("") for x in _strings(tree)]
    text = "\n".join([*said, *(" ".join(x.split()) for x in screens.values())])
    told = _told()
    assert len(told) > 150
    missing = []
    for phrase in sorted(told):
        for part in phrase.split(" ... "):
            if not re.search(rf"(?<!\w){re.escape(part)}(?!\w)", text):
                missing.append(phrase)
    assert not missing


def test_the_page_keeps_short() -> None:
    assert len(WORDS.encode("utf-8")) < 12_000


def test_the_noise_told_is_the_noise_used() -> None:
    told = re.findall(
        r"^\| `([\w-]+)` \| ([\d.]+) \| ([\d.]+) \| (mm|deg) \|$", WORDS, re.MULTILINE
    )
    assert {k: (float(a), float(b)) for k, a, b, _ in told} == USUAL_NOISE
    assert {k for k, *_, unit in told if unit == "deg"} == {"direct-angle"}


def fault_tables() -> str:
    """Every code with its line, group by group."""
    out = []
    for start, head in GROUPS.items():
        rows = [f"| {code} | {text} |" for code, text in FAULT_CODES.items() if code[:2] == start]
        out.append("\n".join([f"## {head}", "", "| code | what is wrong |", "|---|---|", *rows]))
    return "\n\n".join(out) + "\n"


def worked_fault(home: Path) -> str:
    """What ``check`` prints of the demo with one slip, below its command."""
    folder = Path(shutil.copytree(demo_folder(), home / "shimopt-demo"))
    path = folder / "readings.csv"
    text = path.read_text(encoding="utf-8")
    assert text.splitlines()[2] == SLIP[0]
    path.write_text(text.replace(*SLIP, 1), encoding="utf-8")
    out, err = _run("check D", folder)
    assert not out
    return f"shimopt check shimopt-demo\n{err}".replace(str(folder), "shimopt-demo")


EXAMPLE = re.compile(r"(<!-- worked fault -->\n```\n)(.*?)(```\n)", re.DOTALL)


def test_the_faults_are_all_told() -> None:
    page = FAULTS.read_text(encoding="utf-8")
    assert page[page.index("## ") :] == fault_tables()
    assert {code[:2] for code in FAULT_CODES} == set(GROUPS)


def test_the_worked_fault_is_today_s(tmp_path: Path) -> None:
    page = FAULTS.read_text(encoding="utf-8")
    found = EXAMPLE.search(page)
    assert found is not None
    assert found[2] == worked_fault(tmp_path)
    assert all(part in found[2] for part in ("readings.csv:3: ", "[L3", "    ^", "  mend: "))
    before, after = (x.rsplit(",", 1)[1] for x in SLIP)
    assert f"with `{before}` in the third line of `readings.csv` typed as `{after}`" in page


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory() as home:
        shown = worked_fault(Path(home))
    told = EXAMPLE.sub(lambda m: m[1] + shown + m[3], FAULTS.read_text(encoding="utf-8"))
    FAULTS.write_text(told.split("## ")[0] + fault_tables(), encoding="utf-8")
