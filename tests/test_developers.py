"""DEVELOPERS.md and the two pages for developers keep in step with the code they tell of."""

from __future__ import annotations

import ast
import importlib
import importlib.util
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any, get_args

import pytest

from optimizer.advise.room import Name
from optimizer.records import GaugeKind, GoalKind, WishKind

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "optimizer"
TEXTS = {
    name: (ROOT / name).read_text(encoding="utf-8")
    for name in ("DEVELOPERS.md", "docs/method.md", "docs/internals.md")
}
DEVELOPERS = TEXTS["DEVELOPERS.md"]
TOP = {
    p.stem
    for p in PACKAGE.iterdir()
    if (p.suffix == ".py" and p.stem != "__init__") or (p / "__init__.py").exists()
}
IN_TICKS = re.compile(r"`([^`\n]+)`")
DOTTED = re.compile(r"[A-Za-z_]\w*(?:\.\w+)+")
PATH = re.compile(r"(?:\.ci|data|docs|notebooks|optimizer|tests)(?:/[\w.-]+)+")
FOLDERS = (
    *("bench", "browser", "cli", "mutation", "notebooks", "property", "published", "storm"),
    "unit",
)
FENCE = re.compile(r"^```.*?^```", re.MULTILINE | re.DOTALL)
OUR_LABELS = ("Expect",)  # put into the first row of a table


def _ticked(text: str) -> list[str]:
    """What stands in backticks, blocks left out."""
    return IN_TICKS.findall(FENCE.sub("", text))


def _dotted() -> Iterator[tuple[str, str]]:
    for page, text in TEXTS.items():
        for word in _ticked(text):
            if DOTTED.fullmatch(word) and word.split(".")[0] in TOP:
                yield page, word


def _found(name: str) -> Any:
    """What a dotted name below the package stands for; AttributeError where nothing does."""
    found: Any = importlib.import_module("optimizer")
    for part in name.split("."):
        if hasattr(found, "__path__") and importlib.util.find_spec(f"{found.__name__}.{part}"):
            found = importlib.import_module(f"{found.__name__}.{part}")
        else:
            found = _part(found, part)
    return found


def _part(owner: Any, name: str) -> Any:
    """An attribute, or a record's field that has no default."""
    if name in getattr(owner, "__annotations__", {}):
        return owner.__annotations__[name]
    return getattr(owner, name)


@pytest.mark.parametrize(("page", "name"), sorted(set(_dotted())))
def test_every_name_is_there(page: str, name: str) -> None:
    assert _found(name) is not None, f"{page}: optimizer.{name}"


def test_names_are_looked_for() -> None:
    by_page = {page: {name for where, name in _dotted() if where == page} for page in TEXTS}
    assert all(len(names) > 20 for names in by_page.values())
    with pytest.raises(AttributeError):
        _found("advise.goal.no_such_thing")
    with pytest.raises(AttributeError):
        _found("advise.no_such_module.thing")


def test_every_path_is_there() -> None:
    missing, n_path = [], 0
    tests = {p.stem for p in (ROOT / "tests").rglob("*.py")}
    for page, text in TEXTS.items():
        for words in _ticked(text):
            for word in words.split():
                if PATH.fullmatch(word):
                    n_path += 1
                    missing += [] if (ROOT / word).exists() else [(page, word)]
                if re.fullmatch(rf"(?:{'|'.join(FOLDERS)})/\w+(?:\.py)?", word):
                    n_path += 1
                    there = (ROOT / "tests" / word).with_suffix(".py").exists()
                    missing += [] if there else [(page, word)]
                if re.fullmatch(r"test_\w+", word):
                    missing += [] if word in tests else [(page, word)]
        for link in re.findall(r"\]\(([^)#]+)\)", text):
            there = ((ROOT / page).parent / link).exists()
            missing += [] if there else [(page, link)]
    assert not missing
    assert n_path > 40


def _structure() -> ModuleType:
    path = Path(__file__).with_name("test_structure.py")
    spec = importlib.util.spec_from_file_location("structure_told", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["structure_told"] = module
    spec.loader.exec_module(module)
    return module


def _map() -> str:
    return DEVELOPERS.split("## The map")[1].split("```")[1]


def test_the_map_has_every_room_on_its_level() -> None:
    told = re.findall(r"^ +(-?\d+)  (\w+)(/?) ", _map(), re.MULTILINE)
    assert {name: int(level) for level, name, _ in told} == _structure().LEVELS
    assert {name for _, name, _ in told} == TOP
    assert {name for _, name, slash in told if slash} == {
        p.name for p in PACKAGE.iterdir() if (p / "__init__.py").exists()
    }
    # the highest stands first
    assert [int(level) for level, *_ in told] == sorted((int(x) for x, *_ in told), reverse=True)


def test_the_map_has_every_page_and_kind_of_test() -> None:
    docs = _map().split("\ndocs/")[1].split("\nnotebooks/")[0]
    assert not [
        p.stem for p in (ROOT / "docs").glob("*.md") if not re.search(rf"\b{p.stem}\b", docs)
    ]
    tests = _map().split("\ntests/")[1]
    there = {p.name for p in (ROOT / "tests").iterdir() if list(p.glob("test_*.py"))}
    assert there == set(FOLDERS)
    assert not [name for name in there if name not in tests]
    data = _map().split("\ndata/")[1].split("\ndocs/")[0]
    logbooks = {p.parent.name for p in (ROOT / "data").rglob("car.toml")} - {"demo"}
    assert logbooks
    assert not [name for name in logbooks if f"{name}/" not in data]


@pytest.mark.parametrize(
    ("kind", "named"),
    [("gauge", GaugeKind), ("goal", GoalKind), ("wish", WishKind), ("limit", Name)],
)
def test_every_kind_is_named(kind: str, named: Any) -> None:
    (row,) = re.findall(rf"^\| {kind} \| (.*) \|$", DEVELOPERS, re.MULTILINE)
    assert re.findall("`([^`]+)`", row) == list(get_args(named))


def _own_seeds(path: Path) -> set[int]:
    """Whole numbers that a generator is made of in one file: as such, by constant, by default."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    constants: dict[str, int] = {}
    found: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign) and len(node.targets) == 1:
            target = node.targets[0]
            names = target.elts if isinstance(target, ast.Tuple) else [target]
            values = node.value.elts if isinstance(node.value, ast.Tuple) else [node.value]
            for name, value in zip(names, values, strict=False):
                if isinstance(name, ast.Name) and isinstance(value, ast.Constant):
                    constants[name.id] = value.value
    found |= {value for name, value in constants.items() if re.search(r"(^|_)SEED$", name)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else ""
            seeds = [k.value for k in node.keywords if k.arg in ("seed", "random_state")]
            seeds += node.args if called in ("default_rng", "SeedSequence", "RandomState") else []
            for seed in seeds:
                if isinstance(seed, ast.Constant):
                    found.add(seed.value)
                else:  # a constant that is gathered, or the argument whose default is
                    assert isinstance(seed, ast.Name), ast.unparse(seed)
                    assert seed.id == "seed" or re.search(r"(^|_)SEED$", seed.id), path
            assert not (called == "default_rng" and not node.args), f"{path}: no seed"
        if isinstance(node, ast.FunctionDef):
            arguments = node.args.args[len(node.args.args) - len(node.args.defaults) :]
            pairs = [*zip(arguments, node.args.defaults, strict=True)]
            pairs += [
                (a, d)
                for a, d in zip(node.args.kwonlyargs, node.args.kw_defaults, strict=True)
                if d
            ]
            for argument, default in pairs:
                if argument.arg == "seed" and isinstance(default, ast.Constant):
                    found.add(default.value)
    return found


def test_every_fixed_seed_is_told() -> None:
    own = {
        (str(seed), path.relative_to(PACKAGE).with_suffix("").as_posix().replace("/", "."))
        for path in PACKAGE.rglob("*.py")
        for seed in _own_seeds(path)
    }
    own |= {
        (str(seed), path.relative_to(ROOT).as_posix())
        for path in (ROOT / "data").rglob("*.py")
        for seed in _own_seeds(path)
    }
    section = DEVELOPERS.split("## Seeds and tolerances")[1].split("\n## ")[0]
    told = re.findall(r"^\| (\d+) \| [^|]+ \| `([^`]+)` \|$", section, re.MULTILINE)
    assert len(told) == len(set(told))
    assert set(told) == own


def _labels(path: Path) -> set[str]:
    """Labels that one module of ``present`` puts into the margin.

    They are the texts in the first argument of ``labelled``; where that is a name, the first
    text of the pairs that a loop hands to it, or of those that a function makes.
    """
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            plain = isinstance(node.func, ast.Name) and node.func.id == "labelled"
            drawn = isinstance(node.func, ast.Attribute) and node.func.attr == "labelled"
            if plain or drawn:
                found |= _texts(node.args[0 if plain else 1])
        if isinstance(node, ast.Tuple) and len(node.elts) == 2:
            first, second = node.elts
            if isinstance(first, ast.Constant) and isinstance(second, (ast.Call, ast.IfExp)):
                found |= _texts(first)
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "label":
            found |= _texts(node.value)
        if isinstance(node, ast.FunctionDef) and node.name.endswith("_label"):
            for inner in ast.walk(node):
                if isinstance(inner, ast.Return) and inner.value is not None:
                    found |= _texts(inner.value)
    return found


def _texts(node: ast.expr) -> set[str]:
    if isinstance(node, ast.IfExp):
        return _texts(node.body) | _texts(node.orelse)
    if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value:
        return {node.value}
    return set()


def test_every_label_of_the_screens_is_in_the_glossary_with_its_origin() -> None:
    shown = set(OUR_LABELS)
    for path in (PACKAGE / "present").glob("*.py"):
        shown |= {text for text in _labels(path) if text[0].isupper()}
    for path in ((PACKAGE / "enter").glob("*.py"), [PACKAGE / "terminal.py"]):
        for file in path:
            shown |= {text for text in _labels(file) if text[0].isupper()}
    assert len(shown) > 40
    section = DEVELOPERS.split("## Words")[1].split("\n## ")[0]
    rows = re.findall(r"^\| ([^|]+) \| ([^|]*) \| ([^|]+) \|$", section, re.MULTILINE)
    told = {w.strip() for words, _, origin in rows if origin.strip() for w in words.split(",")}
    assert not shown - told


BLOCK = re.compile(r"^(?:<!-- (\w+) -->\n)?```\n.*?^```$", re.MULTILINE | re.DOTALL)


@pytest.mark.parametrize("page", TEXTS)
def test_every_block_says_what_it_is(page: str) -> None:
    text = TEXTS[page]
    assert all(kind in ("shell", "text") for kind in BLOCK.findall(text))
    assert text.count("```") == 2 * len(BLOCK.findall(text))
    # no block by indenting, which says nothing
    assert not re.search(r"^\n {4}(?!\d|-|\s)", FENCE.sub("", text), re.MULTILINE)


def test_the_check_command_is_readme_s() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    command = readme.split("<!-- test command -->\n")[1].splitlines()[0].strip()
    assert f"<!-- shell -->\n```\n{command}\n```" in DEVELOPERS
