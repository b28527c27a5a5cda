"""Do the tests notice when a figure's code is changed? A sample of mutants for each room.

Run ``python tests/mutation/run.py --sample 150 --seed 1`` by hand, with ``cosmic-ray``
installed. Its operators say which changes there are (a sign, a comparison, a number by one,
an ``and``, a loop that never runs); what is drawn, which tests are run and how is ours:

1. The package and its tests are copied, and every test runs once under coverage with a
   context of its own (``tests.mutation.recorder``). ``--record`` keeps that for next time.
2. Of the places in each room that can be changed ``--sample`` are drawn, all equally likely,
   and of each place one of its changes: else a sign, which can become six others, would
   count three times as much as a number.
3. Each is written into the copy, and the tests that run its statement are run, quick tests
   of few lines first, until one fails, up to ``--budget`` seconds of their recorded time;
   last, those that hold the screens of README and docs. A process that has numpy and the like
   already loaded is forked for it.
4. Tests that killed are run once more on what is not mutated: they must pass there.

Left out and counted: changes inside annotations, of the bare star of a signature, of
arithmetic into shifts and bits (floats have none: they break at once), of equality into
identity, and what does not compile.
"""

from __future__ import annotations

import argparse
import ast
import difflib
import hashlib
import importlib
import json
import math
import os
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
ROOMS = ("measure", "model", "advise")
# screens printed in README and docs, held to the letter: few, and run whatever the budget
SCREENS = "tests/test_readme.py"
TESTS = ("tests/unit", "tests/published", "tests/property", SCREENS)
COPIED = ("optimizer", "tests", "data", "docs", "notebooks", "pyproject.toml", "README.md")
BITS = ("RShift", "LShift", "BitOr", "BitAnd", "BitXor")
# loaded once and shared by every fork; never the package or its tests
LOADED = (
    "numpy",
    "scipy.optimize",
    "scipy.linalg",
    "scipy.stats",
    "scipy.interpolate",
    "scipy.integrate",
    "scipy.spatial.transform",
    "sklearn.gaussian_process",
    "sklearn.linear_model",
    "matplotlib.figure",
    "matplotlib.backends.backend_agg",
    "pandas",
    "hypothesis.strategies",
    "typer.testing",
    "pytest",
    "_pytest.assertion.rewrite",
)
MEMORY = 6 << 30
SOME = 8
# what a fork ends with when it never came to the tests: it says nothing of the mutant
BROKEN = 70
# a mutant has this much of the processor, and so many times what its tests took; by the
# clock so many times that
PATIENCE_S = 20.0
SLOWER = 3.0
ASLEEP = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """One change of one module, and the lines of the statement it is in."""

    file: str
    operator: str
    occurrence: int
    start: tuple[int, int]
    lines: frozenset[int]
    name: str | None = None
    top: bool = False

    @property
    def room(self) -> str:
        """The room of its module."""
        return Path(self.file).parts[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fate:
    """What became of a mutant: killed, timed out, survived, or no test runs it."""

    mutant: Mutant
    how: str
    diff: str
    by: str = ""
    run: int = 0
    known: int = 0


@dataclass(slots=True)
class Record:
    """Which tests run a line, and how long each takes."""

    seconds: dict[str, float]
    lines: dict[str, dict[int, set[str]]] = field(default_factory=dict)
    breadth: Counter[str] = field(default_factory=Counter)

    def of(self, mutant: Mutant, sources: dict[str, str]) -> list[str]:
        """The tests that run a mutant's statement, the likeliest to notice first."""
        found: set[str] = set()
        if not mutant.top:
            held = self.lines.get(mutant.file, {})
            found = {t for line in mutant.lines for t in held.get(line, ())}
        else:
            if mutant.name:
                for file, text in sources.items():
                    held = self.lines.get(file, {})
                    word = re.compile(rf"\b{re.escape(mutant.name)}\b")
                    for number, line in enumerate(text.splitlines(), 1):
                        if word.search(line):
                            found |= held.get(number, set())
            if not found:
                for tests in self.lines.get(mutant.file, {}).values():
                    found |= tests
        return sorted(found & set(self.seconds), key=lambda t: (self._reach(t), t))

    def _reach(self, test: str) -> float:
        """Small for a quick test of few lines: it is likeliest to be about the mutant."""
        if not self.breadth:
            for lines in self.lines.values():
                for tests in lines.values():
                    self.breadth.update(tests)
        return self.breadth[test] * (0.05 + self.seconds[test])

    def within(self, known: list[str], budget_s: float) -> list[str]:
        """The first of the tests, as many as a budget has room for, one at least; and screens."""
        total, out = 0.0, []
        for test in known:
            total += self.seconds[test]
            if out and total > budget_s:
                break
            out.append(test)
        return out + [t for t in known if t.startswith(SCREENS) and t not in out]


def _copy(into: Path) -> Path:
    into.mkdir(parents=True)
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, into / name, ignore=shutil.ignore_patterns("__pycache__"))
        elif source.exists():
            shutil.copy2(source, into / name)
    return into


def _environment(copy: Path) -> dict[str, str]:
    """One thread, the copy's package, and no plugin: each would be loaded in every fork."""
    own = {"PYTHONPATH": str(copy), "OPENBLAS_NUM_THREADS": "1"}
    return {**os.environ, **own, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}


def record(copy: Path, tests: list[str], kept: Path) -> Record:
    """Run the tests once under coverage, or read what an earlier call kept."""
    data, times, rc = kept / "coverage", kept / "times.json", kept / "rc"
    if not times.exists():
        kept.mkdir(parents=True, exist_ok=True)
        rc.write_text(f"[run]\nsource = optimizer\ndata_file = {data}\n", encoding="utf-8")
        command = [sys.executable, "-m", "coverage", "run", f"--rcfile={rc}", "-m", "pytest"]
        done = subprocess.run(
            [*command, "-p", "tests.mutation.recorder", "-m", "not slow", *tests],
            cwd=copy,
            env={**_environment(copy), "SHIMOPT_RECORD": str(times)},
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode not in (0, 1) or not times.exists():
            times.unlink(missing_ok=True)
            raise RuntimeError(f"the tests do not run unmutated\n{done.stdout}{done.stderr}")
    return _read(data, times)


def _compiled(copy: Path, tests: list[str]) -> None:
    """Leave every module of the copy compiled, so that no fork compiles but the mutant."""
    for words in (["compileall", "-q", "optimizer"], ["pytest", "--collect-only", *tests]):
        subprocess.run(
            [sys.executable, "-m", *words],
            cwd=copy,
            env=_environment(copy),
            capture_output=True,
            check=True,
        )


def _read(data: Path, times: Path) -> Record:
    import coverage

    told = json.loads(times.read_text(encoding="utf-8"))
    read = coverage.CoverageData(str(data))
    read.read()
    if told["failed"]:
        # a clock under coverage, say: whatever fails by itself can kill nothing
        sys.stderr.write("fail unmutated and are not used:\n" + "\n".join(told["failed"]) + "\n")
    passed = {t: s for t, s in told["seconds"].items() if t not in told["failed"]}
    out = Record(seconds=passed)
    for measured in read.measured_files():
        parts = Path(measured).parts
        if "optimizer" not in parts:
            continue
        at = len(parts) - 1 - parts[::-1].index("optimizer")
        lines: dict[int, set[str]] = defaultdict(set)
        for line, contexts in read.contexts_by_lineno(measured).items():
            for context in contexts:
                if context.startswith("fixture "):
                    lines[line].update(told["sharing"].get(context[8:], ()))
                elif context:
                    lines[line].add(context)
        out.lines["/".join(parts[at:])] = dict(lines)
    return out


@dataclass(slots=True)
class _Statements:
    """Where the statements of a module stand, and what is annotation."""

    spans: list[tuple[int, int, ast.stmt, bool]] = field(default_factory=list)
    annotations: list[tuple[tuple[int, int], tuple[int, int]]] = field(default_factory=list)

    def walk(self, body: list[ast.stmt], top: bool) -> None:
        """Take in statements; ``top`` where they run as the module loads."""
        for node in body:
            inner = [s for s in ast.iter_child_nodes(node) if isinstance(s, ast.stmt)]
            inner += [s for h in getattr(node, "handlers", ()) for s in h.body]
            inner += [s for c in getattr(node, "cases", ()) for s in c.body]
            first = min([node.lineno, *(d.lineno for d in getattr(node, "decorator_list", ()))])
            last = min([s.lineno - 1 for s in inner] or [node.end_lineno or node.lineno])
            self.spans.append((first, max(first, last), node, top))
            function = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
            self.walk(inner, top and not function)

    def at(self, line: int) -> tuple[int, int, ast.stmt, bool]:
        """The statement that a line belongs to: its head, or what an ``except`` stands in."""
        heads = [s for s in self.spans if s[0] <= line <= s[1]]
        if heads:
            return min(heads, key=lambda s: s[1] - s[0])
        around = [s for s in self.spans if s[0] <= line <= (s[2].end_lineno or 0)]
        _, _, node, top = max(around, key=lambda s: s[0])
        return line, line, node, top

    def annotated(self, at: tuple[int, int]) -> bool:
        """Whether a place is inside an annotation."""
        return any(first <= at < last for first, last in self.annotations)


def _statements(text: str) -> _Statements:
    tree = ast.parse(text)
    out = _Statements()
    out.walk(tree.body, top=True)
    for node in ast.walk(tree):
        for said in (getattr(node, "annotation", None), getattr(node, "returns", None)):
            if isinstance(said, ast.expr):
                end = (said.end_lineno or 0, said.end_col_offset or 0)
                out.annotations.append(((said.lineno, said.col_offset), end))
    return out


def _operators() -> dict[str, Any]:
    import cosmic_ray.plugins as plugins

    found = {name: plugins.get_operator(name) for name in plugins.operator_names()}
    return {n: c() for n, c in found.items() if not c.arguments()}


def _why_not(name: str, node: Any, at: tuple[int, int], where: _Statements) -> str | None:
    short = name.split("/")[-1]
    if where.annotated(at):
        return "annotations"
    if node.parent is not None and node.parent.type == "parameters":
        return "the bare star of a signature"
    if short.startswith("ReplaceBinaryOperator"):
        was, now = short.split("_")[1:3]
        if was not in BITS and now in BITS:
            return "arithmetic into shifts and bits"
    if short.startswith("ReplaceComparisonOperator"):
        was, now = short.split("_")[1:3]
        if (was in ("Is", "IsNot")) != (now in ("Is", "IsNot")):
            return "equality into identity"
    return None


def mutants(files: dict[str, str]) -> tuple[list[Mutant], Counter[str]]:
    """Every mutant of the modules that is worth a run, and how many are left out and why."""
    from cosmic_ray.ast import ast_nodes, get_ast

    operators, found, left = _operators(), [], Counter[str]()
    for file, text in files.items():
        if not text.strip():
            continue
        where = _statements(text)
        # a name, a string or a line's end has no place for any operator
        nodes = [n for n in ast_nodes(get_ast(text)) if n.type not in ("name", "string", "newline")]
        for name, operator in operators.items():
            places = ((n, s, e) for n in nodes for s, e in operator.mutation_positions(n))
            for occurrence, (node, start, _) in enumerate(places):
                reason = _why_not(name, node, start, where)
                if reason is not None:
                    left[reason] += 1
                    continue
                found.append(_mutant(file, name, occurrence, start, where))
    return found, left


def _mutant(
    file: str, operator: str, occurrence: int, start: tuple[int, int], where: _Statements
) -> Mutant:
    first, last, node, top = where.at(start[0])
    named = None
    lines = range(first, last + 1)
    if isinstance(node, ast.FunctionDef):
        # defaults and decorators: whatever runs the body
        named, top = None, False
        lines = range(node.body[0].lineno, (node.end_lineno or last) + 1)
    elif top and isinstance(node, ast.Assign | ast.AnnAssign):
        target = node.targets[0] if isinstance(node, ast.Assign) else node.target
        named = target.id if isinstance(target, ast.Name) else None
    elif isinstance(node, ast.ClassDef):
        named = node.name
    return Mutant(
        file=file,
        operator=operator.split("/")[-1],
        occurrence=occurrence,
        start=start,
        lines=frozenset(lines),
        name=named,
        top=top,
    )


def changed(mutant: Mutant, text: str) -> str | None:
    """The module with the mutant in it; None if that does not compile."""
    from cosmic_ray.mutating import mutate_code

    operators = _operators()
    operator = next(o for n, o in operators.items() if n.split("/")[-1] == mutant.operator)
    new: str | None = mutate_code(text, operator, mutant.occurrence)
    if new is None:
        return None
    try:
        compile(new, mutant.file, "exec")
    except (SyntaxError, ValueError):
        return None
    return new


def drawn(
    pool: list[Mutant], files: dict[str, str], sample: int, seed: int, left: Counter[str]
) -> Iterator[tuple[Mutant, str]]:
    """Of each room as many places as asked for, and a change of each that compiles."""
    for room in sorted({m.room for m in pool}):
        places: dict[tuple[str, tuple[int, int]], list[Mutant]] = defaultdict(list)
        for mutant in pool:
            if mutant.room == room:
                places[mutant.file, mutant.start].append(mutant)
        rng = random.Random(f"{seed} {room}")
        order = sorted(places)
        rng.shuffle(order)
        count = 0
        for place in order:
            if count == sample:
                break
            mutant = rng.choice(places[place])
            new = changed(mutant, files[mutant.file])
            if new is None:
                left["drawn but does not compile"] += 1
                continue
            count += 1
            yield mutant, new


class _Told:
    """Writes down the first test that fails."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed:
            with self.path.open("a", encoding="utf-8") as out:
                out.write(report.nodeid + "\n")

    def pytest_collectreport(self, report: Any) -> None:
        self.pytest_runtest_logreport(report)


def _forked(copy: Path, tests: list[str], limit_s: float, first: bool) -> tuple[int | None, str]:
    """Run tests in a fork of this process: its exit code, None if too slow, and who failed."""
    told = copy / "failed.txt"
    told.unlink(missing_ok=True)
    child = os.fork()
    if child == 0:
        _child(copy, tests, told, first, math.ceil(limit_s))
    # its own time counts, not the clock: the machine may be busy, or asleep
    until = time.monotonic() + ASLEEP * limit_s
    while time.monotonic() < until:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            failed = told.read_text(encoding="utf-8") if told.exists() else ""
            code = os.waitstatus_to_exitcode(status)
            return (None if code == -signal.SIGXCPU else code), failed.strip()
        time.sleep(0.02)
    # the child leads a session of its own, so nobody else's process is in its group
    with suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None, ""


def _child(copy: Path, tests: list[str], told: Path, first: bool, limit_s: int) -> None:
    code = BROKEN
    try:
        os.setsid()
        if "optimizer" in sys.modules:
            raise RuntimeError("the package is loaded already, so no mutant of it would be")
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        used = math.ceil(time.process_time())
        resource.setrlimit(resource.RLIMIT_CPU, (used + limit_s, used + limit_s + 5))
        quiet = os.open(copy / "output.txt", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        for stream in (1, 2):
            os.dup2(quiet, stream)
        os.chdir(copy)
        os.environ.update(_environment(copy), PYTHONDONTWRITEBYTECODE="1")
        sys.dont_write_bytecode = True
        sys.path[:] = [str(copy), *(p for p in sys.path if Path(p or ".").resolve() != ROOT)]
        import pytest

        options = ["-q", "-p", "no:cacheprovider", "-m", "not slow", "--tb=line"]
        code = int(pytest.main([*options, *(["-x"] if first else []), *tests], [_Told(told)]))
        sys.stdout.flush()
    except BaseException:
        traceback.print_exc()
        sys.stderr.flush()
    finally:
        os._exit(code)


def _fate(
    copy: Path, mutant: Mutant, new: str, old: str, known: list[str], held: Record, budget_s: float
) -> Fate:
    diff = "".join(
        difflib.unified_diff(
            old.splitlines(keepends=True),
            new.splitlines(keepends=True),
            f"{mutant.file} {mutant.operator} at {mutant.start[0]}",
            "mutated",
            n=2,
        )
    )
    tests = held.within(known, budget_s)
    if not tests:
        return Fate(mutant=mutant, how="no test", diff=diff)
    path = copy / mutant.file
    kept = path.stat()
    path.write_text(new, encoding="utf-8")
    limit_s = PATIENCE_S + SLOWER * sum(held.seconds[t] for t in tests)
    code: int | None = 0
    failed = ""
    try:
        # a few tests first: most mutants die at once, and few files are then loaded
        for some in (tests[:SOME], tests[SOME:]):
            if code == 0 and some:
                code, failed = _forked(copy, some, limit_s, first=True)
    finally:
        path.write_text(old, encoding="utf-8")
        os.utime(path, ns=(kept.st_atime_ns, kept.st_mtime_ns))
    if code in (5, BROKEN):
        output = (copy / "output.txt").read_text(encoding="utf-8", errors="replace")
        raise RuntimeError(f"the tests did not run: {tests[0]} and on\n{output}")
    how = "timed out" if code is None else "survived" if code == 0 else "killed"
    by = failed.splitlines()[0] if failed else ("" if code in (None, 0) else f"exit {code}")
    return Fate(mutant=mutant, how=how, diff=diff, by=by, run=len(tests), known=len(known))


def score(fates: list[Fate]) -> tuple[float, float]:
    """Share of mutants that died, and its standard error."""
    n = len(fates)
    share = sum(f.how in ("killed", "timed out") for f in fates) / n
    return share, math.sqrt(share * (1.0 - share) / n)


def table(fates: list[Fate]) -> list[str]:
    """A row for each room and one for all."""
    rows = [
        "| room | drawn | killed | timed out | survived | no test | score |",
        "|---|---|---|---|---|---|---|",
    ]
    rooms = sorted({f.mutant.room for f in fates})
    for room in [*rooms, *(["all"] if len(rooms) > 1 else [])]:
        own = [f for f in fates if room in ("all", f.mutant.room)]
        count = Counter(f.how for f in own)
        ways = " | ".join(str(count[k]) for k in ("killed", "timed out", "survived", "no test"))
        share, error = score(own)
        rows.append(f"| {room} | {len(own)} | {ways} | {share:.1%} ± {error:.1%} |")
    return rows


def _parsed(argv: list[str] | None) -> argparse.Namespace:
    reader = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    reader.add_argument("--sample", type=int, default=150, help="mutants of each room")
    reader.add_argument("--seed", type=int, default=1)
    reader.add_argument("--rooms", nargs="+", default=list(ROOMS))
    reader.add_argument("--only", default="", help="modules whose path holds this")
    reader.add_argument("--tests", nargs="+", default=list(TESTS))
    reader.add_argument("--budget", type=float, default=30.0, help="seconds of tests a mutant")
    reader.add_argument("--record", type=Path, help="folder that keeps what the tests run")
    reader.add_argument("--survivors", type=Path, default=Path("survivors.txt"))
    reader.add_argument("--fates", type=Path, help="lines of JSON, to go on from")
    return reader.parse_args(argv)


def main(argv: list[str] | None = None) -> int:
    """Draw, run, tell; 1 if a test that killed fails on what is not mutated."""
    asked = _parsed(argv)
    found = [p for room in asked.rooms for p in sorted((ROOT / "optimizer" / room).glob("*.py"))]
    names = [p.relative_to(ROOT).as_posix() for p in found]
    with tempfile.TemporaryDirectory() as folder:
        copy = _copy(Path(folder) / "copy")
        held = record(copy, asked.tests, asked.record or Path(folder) / "record")
        _compiled(copy, asked.tests)
        sources = {
            p.relative_to(copy).as_posix(): p.read_text(encoding="utf-8")
            for p in sorted((copy / "optimizer").rglob("*.py"))
        }
        pool, left = mutants({n: sources[n] for n in names if asked.only in n})
        for name in LOADED:
            with suppress(ImportError):
                importlib.import_module(name)
        kept, fates = _kept(asked.fates), []
        for mutant, new in drawn(pool, sources, asked.sample, asked.seed, left):
            old, known = sources[mutant.file], held.of(mutant, sources)
            before = kept.get(_key(mutant, new))
            if before is None or not _stands(before, known, held.within(known, asked.budget)):
                fates.append(_fate(copy, mutant, new, old, known, held, asked.budget))
                _note(asked.fates, _key(mutant, new), fates[-1])
            else:
                told = {k: before[k] for k in ("how", "by", "run", "known", "diff")}
                fates.append(Fate(mutant=mutant, **told))
        killers = sorted({f.by for f in fates if "::" in f.by})
        code, failed = _forked(copy, killers, 3600.0, first=False) if killers else (0, "")
    told = [*table(fates), "", f"{len(pool)} mutants to draw from; left out: "]
    told[-1] += ", ".join(f"{reason} {n}" for reason, n in sorted(left.items()))
    sys.stdout.write("\n".join(told) + "\n")
    asked.survivors.write_text(survivors(fates), encoding="utf-8")
    if code != 0:
        sys.stderr.write(f"fail on what is not mutated, so kill nothing:\n{failed}\n")
        return 1
    return 0


def _key(mutant: Mutant, new: str) -> str:
    return f"{mutant.file} {hashlib.sha256(new.encode()).hexdigest()}"


def _kept(path: Path | None) -> dict[str, dict[str, Any]]:
    """Fates of an earlier call with the same file."""
    if path is None or not path.exists():
        return {}
    rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    return {row["key"]: row for row in rows}


def _stands(before: dict[str, Any], known: list[str], chosen: list[str]) -> bool:
    """Whether a fate need not be met again: what killed is there, or no more tests would run."""
    if before["how"] == "killed":
        return before["by"] in known
    same = before["known"] == len(known) and before["run"] == len(chosen)
    return before["how"] == "timed out" or same


def _note(path: Path | None, key: str, fate: Fate) -> None:
    if path is None:
        return
    row = {"key": key, "how": fate.how, "by": fate.by, "run": fate.run, "known": fate.known}
    with path.open("a", encoding="utf-8") as out:
        out.write(json.dumps({**row, "diff": fate.diff}) + "\n")


def survivors(fates: list[Fate]) -> str:
    """Those that live, each with its change and how many of its tests were run."""
    alive = [f for f in fates if f.how in ("survived", "no test")]
    return "\n".join(f"# {f.how}, {f.run} of {f.known} tests\n{f.diff}" for f in alive)


if __name__ == "__main__":
    sys.exit(main())
