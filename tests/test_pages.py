"""No code block and no command stands in README.md or docs without being run.

A block has a comment above it that says what it is; each kind is held by one test.
"""

from __future__ import annotations

import ast
import importlib.util
import os
import re
import shlex
import shutil
import subprocess
import textwrap
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from optimizer.cli import main
from optimizer.commands.app import every_command
from optimizer.demo_files import demo_folder
from optimizer.logbook import read_logbook

ROOT = Path(__file__).resolve().parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]

# kind of a block, and the test that holds it
HELD = {
    "demo command": "tests/test_pages.py::test_the_demo_command_runs",
    "test command": "tests/test_pages.py::test_the_test_command_is_what_ci_runs",
    "shell": "tests/test_pages.py::test_what_is_typed_in_a_shell_is_there",
    "text": "tests/test_pages.py::test_a_map_names_what_exists",
    "worked": "tests/test_readme.py::test_the_screens_are_today_s",
    "files": "tests/test_pages.py::test_the_folder_is_what_the_tool_makes_and_reads",
    "file": "tests/test_pages.py::test_the_files_shown_are_a_logbook",
    "pasted table": "tests/test_readme.py::test_the_example_of_a_table_is_one",
    "wide table": "tests/test_readme.py::test_the_example_of_a_wide_table_is_one",
    "import": "tests/test_readme.py::test_the_example_of_a_wide_table_is_one",
    "entry": "tests/cli/test_enter.py::test_the_page_s_screen_is_today_s",
    "hardware": "tests/test_readme.py::test_the_example_of_the_hardware_is_today_s",
    "screen of the hardware": "tests/test_readme.py::test_the_example_of_the_hardware_is_today_s",
    "demo with": "tests/test_readme.py::test_the_eccentric_s_examples_are_today_s",
    "screen of it": "tests/test_readme.py::test_the_eccentric_s_examples_are_today_s",
    "hard points": "tests/unit/test_hard_points.py::test_the_page_s_example_reads_clean",
    "travel.csv": "tests/test_readme.py::test_the_screens_are_today_s",
    "worked fault": "tests/test_words.py::test_the_worked_fault_is_today_s",
    "axle table": "tests/test_pages.py::test_the_axle_s_table_is_the_demo_s",
}
# what a command leaves with where it is not done: `new` has nobody to ask in a pipe
LEAVES_WITH = {"shimopt new my-car": 2, "shimopt COMMAND FOLDER": 2}
INLINE = re.compile(r"`((?:\.venv/bin/)?(?:shimopt|python|pip) [^`]*)`")


def _blocks(page: Path) -> Iterator[tuple[int, str, list[str]]]:
    """Line, kind and lines of each block of a page; a kind is "" where none is said."""
    lines = page.read_text(encoding="utf-8").splitlines()
    at, said = 0, ""
    while at < len(lines):
        line, start = lines[at], at
        if line.startswith("```"):
            at = next(n for n in range(at + 1, len(lines)) if lines[n].startswith("```"))
            yield start + 1, said, lines[start + 1 : at]
        elif line.startswith("    "):
            while at + 1 < len(lines) and (
                lines[at + 1].startswith("    ") or (not lines[at + 1] and _goes_on(lines, at + 1))
            ):
                at += 1
            yield start + 1, said, [one[4:] for one in lines[start : at + 1]]
        marker = re.fullmatch(r"<!-- ([^:>]*?)(?::.*)? -->", line)
        said = marker[1] if marker else said if not line and said else ""
        at += 1


def _goes_on(lines: list[str], blank: int) -> bool:
    return blank + 1 < len(lines) and lines[blank + 1].startswith("    ")


def _of_kind(kind: str) -> list[tuple[Path, list[str]]]:
    return [(page, lines) for page in PAGES for _, said, lines in _blocks(page) if said == kind]


def test_every_block_is_held_by_a_test() -> None:
    found = {(page.name, line, kind) for page in PAGES for line, kind, _ in _blocks(page)}
    assert len(found) > 30
    assert not sorted(one for one in found if one[2] not in HELD)
    assert {kind for _, _, kind in found} == set(HELD)


@pytest.mark.parametrize("test", sorted(set(HELD.values())))
def test_the_tests_that_hold_them_exist(test: str) -> None:
    path, name = test.split("::")
    assert f"def {name}(" in (ROOT / path).read_text(encoding="utf-8")


def _text(kind: str) -> str:
    ((_, lines),) = _of_kind(kind)
    return "\n".join(lines)


@pytest.mark.slow
def test_the_demo_command_runs(tmp_path: Path) -> None:
    """In a clone with nothing beside it, as a newcomer has it."""
    clone = tmp_path / "clone"
    shutil.copytree(
        ROOT, clone, ignore=shutil.ignore_patterns(".git", ".venv*", ".*_cache", "__pycache__")
    )
    env = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", _text("demo command")],
        cwd=clone, env=env, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "That was the whole job." in done.stdout


def test_the_test_command_is_what_ci_runs() -> None:
    """CI takes the line below the marker of README.md and runs it in a clone."""
    ((page, (command,)),) = _of_kind("test command")
    assert page.name == "README.md"
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "'<!-- test command -->' README.md | tail -n1" in script
    assert command.endswith(".venv/bin/python -m pytest")


def test_what_is_typed_in_a_shell_is_there() -> None:
    """Files and modules that a line of shell names; set-up lines are README's own."""
    readme = _text("demo command") + _text("test command")
    for page, lines in _of_kind("shell"):
        for line in lines:
            _is_there(line.split("  #")[0].strip(), readme, page)


TOOLS = (".", "git", "cd", "ruff", "mypy", ".ci/run")


def _is_there(line: str, readme: str, page: Path) -> None:
    for part in line.split(" && "):
        words = [word for word in shlex.split(part) if not re.match(r"\w+=", word)]
        if part in readme or not words or words[0] in TOOLS or "$work" in words[0]:
            continue
        where = f"{page.name}: {line}"
        if words[:2] == [".venv/bin/pip", "install"]:
            (extra,) = re.findall(r"\[(\w+)\]", words[-1])
            project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))[
                "project"
            ]
            assert extra in project["optional-dependencies"], where
            continue
        assert words[0] in ("python", ".venv/bin/python"), where
        if words[1] == "-m":
            module = words[2].replace(".", "/")
            known = (ROOT / f"{module}.py").exists() or importlib.util.find_spec(words[2])
            assert known, where
        else:
            assert (ROOT / words[1]).exists(), where


LINK = re.compile(r"\]\(([^)\s]+)\)")


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    for target in LINK.findall(page.read_text(encoding="utf-8")):
        path, _, anchor = target.partition("#")
        there = (page.parent / path) if path else page
        assert there.exists(), target
        if anchor:
            heads = re.findall(r"(?m)^#+ (.*)$", there.read_text(encoding="utf-8"))
            assert anchor in {re.sub(r"[^\w -]", "", h).lower().replace(" ", "-") for h in heads}


def test_a_map_names_what_exists() -> None:
    """Paths ending in / or .py at the head of a map's line; formulas have none."""
    for page, lines in _of_kind("text"):
        home = ROOT
        for line in lines:
            name = line.split()[0] if line.split() else ""
            if name in ("optimizer/", "data/", "docs/", "notebooks/", "tests/"):
                home = ROOT / name
            elif name.endswith(("/", ".py")) and "," not in name:
                assert (home / name).exists(), f"{page.name}: {name}"


def test_the_folder_is_what_the_tool_makes_and_reads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    words = "new my-car --units mm --span 300 --rising toe-in --link ahead --above 1 --below 1"
    _run(shlex.split(words))
    _run(shlex.split("kit --blank my-car/offers.csv"))
    capsys.readouterr()
    made = {p.name for p in (tmp_path / "my-car").iterdir()}
    head, *lines = _text("files").splitlines()
    told = {line.split()[0].rstrip("/") for line in lines}
    assert head == "my-car/"
    assert told == made | {"travel.csv"}  # the crew's own, tests/unit/test_travel_log.py


def test_the_files_shown_are_a_logbook(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    names = []
    for page in PAGES:
        text = page.read_text(encoding="utf-8").splitlines()
        for line, kind, block in _blocks(page):
            if kind == "file":
                marker = next(x for x in reversed(text[: line - 1]) if x.startswith("<!-- file: "))
                names.append(marker.removeprefix("<!-- file: ").removesuffix(" -->"))
                (tmp_path / names[-1]).write_text("\n".join(block) + "\n", encoding="utf-8")
    assert sorted(names) == ["car.toml", "offers.csv", "readings.csv", "runs.csv"]
    for command in ("check", "next"):
        assert _run([command, str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert "after 1 run" in out
    assert "Doubt" not in out
    with (tmp_path / "car.toml").open("a", encoding="utf-8") as file:
        file.write('[corner.rear-left.stack]\nshims = "3+2x2+3x1"\n')
    assert _run(["kit", str(tmp_path)]) == 0
    capsys.readouterr()


def test_the_axle_s_table_is_the_demo_s() -> None:
    told = tomllib.loads(textwrap.dedent(_text("axle table")))
    axle = read_logbook(demo_folder() / "both-wheels").axles["rear"]
    assert told["axle"]["rear"] == {
        "left": axle.left, "right": axle.right, "track": axle.track_mm, "place": axle.place,
        "same": axle.same,
    }  # fmt: skip


def _run(words: list[str]) -> object:
    with pytest.raises(SystemExit) as left:
        main(words)
    return left.value.code


def _inline() -> list[str]:
    """Every command between backticks, outside the blocks."""
    found = []
    for page in PAGES:
        text = re.sub(r"(?s)```.*?```", "", page.read_text(encoding="utf-8"))
        found += INLINE.findall(text)
    return sorted(set(found))


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with all that the pages' commands name."""
    home = tmp_path_factory.mktemp("pages")
    demo = demo_folder()
    for name in ("shimopt-demo", "car-a", "car-b"):
        shutil.copytree(demo, home / name)
    shutil.copytree(demo / "both-wheels", home / "my-car")
    for folder in (home, home / "my-car"):
        shutil.copy(demo / "offers.csv", folder / "offers.csv")
    shutil.copy(demo / "run4.csv", home / "sheet.csv")
    (home / "answers.txt").write_text("*\n")
    # something to take back
    for folder, table in (("shimopt-demo", "joint-up2"), ("my-car", "again")):
        text = (demo / "run4.csv").read_text(encoding="utf-8").replace("run4", table)
        (home / "one.csv").write_text(text, encoding="utf-8")
        words = ["import", str(home / "one.csv"), str(home / folder), "--yes"]
        _run(words if folder == "shimopt-demo" else [*words, "--corner", "rear-left"])
    return home


@pytest.mark.parametrize("command", [c for c in _inline() if c.startswith("shimopt ")])
def test_every_command_in_the_text_runs(
    command: str,
    prepared: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    home = Path(shutil.copytree(prepared, tmp_path / "home"))
    words, _, answers = command.partition(" < ")
    called = shlex.split(words)[1:]
    if called[:2] == ["COMMAND", "--help"]:
        called[0] = "next"
    if "--install-completion" in called:
        pytest.skip("tests/cli/test_completion.py installs it into a folder of its own")
    if called == ["demo"]:
        shutil.rmtree(home / "shimopt-demo")
    if called[:2] == ["new", "my-car"] and len(called) > 2:
        shutil.rmtree(home / "my-car")
    if called[0] == "import" and "--yes" not in called:
        called += ["--yes", *(["--corner", "rear-left"] if "my-car" in called else [])]
    named = any(word.startswith(("my-car", "shimopt-demo", "car-a")) for word in called[1:])
    alone = called[0].startswith("-") or called[0] in ("COMMAND", "demo") or "--help" in called
    monkeypatch.chdir(home if named or alone or "--blank" in called else home / "my-car")
    if "--blank" in called:
        (home / "offers.csv").unlink()
    if called[0] == "enter":
        if "my-car" in called or not named:
            called += ["--corner", "rear-left"]  # it has two
        with (home / "answers.txt").open() as typed:
            monkeypatch.setattr("sys.stdin", typed)
            assert _run(called) == 0, capsys.readouterr()
        assert answers in ("", "answers.txt")
        return
    assert _run(called) == LEAVES_WITH.get(command, 0), capsys.readouterr()


@pytest.mark.parametrize("command", [c for c in _inline() if not c.startswith("shimopt ")])
def test_every_script_in_the_text_is_there(command: str) -> None:
    _is_there(re.sub(r"\[--[^\]]*\]", "", command), "", ROOT / "README.md")


def _docstrings() -> list[str]:
    """Every docstring of the package, of data and of the tests."""
    found = []
    for room in ("optimizer", "data", "tests"):
        for path in sorted((ROOT / room).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef):
                    found.append(ast.get_docstring(node) or "")
    return found


def test_commands_in_docstrings_are_real() -> None:
    """Whole ones are the examples of commands, which tests/cli/test_overview.py runs."""
    names = {c.name or c.callback.__name__ for c in every_command() if c.callback}
    command = re.compile(r"``((?:shimopt|python) [^`]*)``")
    said = [one for text in _docstrings() for one in command.findall(text)]
    assert len(said) > 15
    for one in said:
        words = shlex.split(one)
        if words[0] == "python":
            _is_there(re.sub(r"\[--[^\]]*\]", "", one), "", ROOT / "a docstring")
        else:
            assert words[1:] == ["--help"] or (len(words) == 2 and words[1] in names), one


def test_no_docstring_has_a_session_that_nothing_runs() -> None:
    assert not [text for text in _docstrings() if ">>>" in text]
