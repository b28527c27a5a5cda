"""The quick core against an installed wheel, with the lowest and the newest versions allowed.

Run ``python tests/versions.py`` (or with ``lowest`` or ``newest`` behind it), on the oldest
Python that pyproject.toml admits and with a package index in reach. It builds a wheel from a
clean clone and installs it into a fresh environment each, with the test extra; then, both at
once, the tests of units, commands, published values and properties run against it. The
checkout's own package is not on the path. ``lowest`` pins whatever pyproject.toml names itself
to its lower bound, and leaves what those need to their makers.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
import tomllib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
KINDS = ("lowest", "newest")
EXTRAS = "test,sheets"
TESTS = (
    "-m", "not slow", "-q", "tests/unit", "tests/cli", "tests/published", "tests/property",
)  # fmt: skip
_NAMED = re.compile(r"\s*([A-Za-z0-9._-]+)\s*(?:\[[^]]*\])?\s*([^;]*)")
_VERSIONS = (
    "import importlib.metadata as m, sys; print(*(f'{n} {m.version(n)}' for n in sys.argv[1:]))"
)


def requirements() -> list[str]:
    """What pyproject.toml names: run time, extras, and what builds it; not the package itself."""
    words = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    project = words["project"]
    extras = [r for group in project["optional-dependencies"].values() for r in group]
    named = [*words["build-system"]["requires"], *project["dependencies"], *extras]
    return [r for r in named if not r.startswith(f"{project['name']}[")]


def lowest() -> dict[str, str]:
    """The lower bound of each requirement; ValueError where one has none."""
    out: dict[str, str] = {}
    for text in requirements():
        found = _NAMED.match(text)
        bound = re.search(r">=\s*([0-9][0-9a-z.]*)", found[2]) if found else None
        if found is None or bound is None:
            raise ValueError(f"pyproject.toml gives {text!r} no lower bound")
        name = found[1].lower()
        if out.get(name, bound[1]) != bound[1]:
            raise ValueError(f"pyproject.toml gives {name} two lower bounds")
        out[name] = bound[1]
    return out


def installed(kind: str, work: Path) -> Path:
    """A fresh environment with the wheel and its tests' needs; its Python."""
    start = time.monotonic()
    home = work / kind
    python = home / ("Scripts" if os.name == "nt" else "bin") / "python"
    pip = [str(python), "-m", "pip", "install", "--quiet"]

    def call(*words: str, **named: object) -> None:
        subprocess.run(words, env=_env(), check=True, **named)  # type: ignore[call-overload]

    call(sys.executable, "-m", "venv", str(home))
    (wheel,) = (work / "dist").glob("*.whl")
    pins = work / "lowest.txt"
    pins.write_text("".join(f"{name}=={version}\n" for name, version in lowest().items()))
    how = ["--constraint", str(pins)] if kind == "lowest" else ["--upgrade"]
    call(*pip, *how, f"{wheel}[{EXTRAS}]")
    said = "import optimizer; print(optimizer.__file__)"
    where = subprocess.check_output([str(python), "-c", said], env=_env(), cwd=work, text=True)
    if not Path(where.strip()).is_relative_to(home):
        raise RuntimeError(f"not the installed wheel but {where}")
    print(f"{kind}: {time.monotonic() - start:.0f} s to install", flush=True)
    call(str(python), "-c", _VERSIONS, *(n for n in lowest() if n in _run_time()), cwd=work)
    return python


def checked(kind: str, python: Path, work: Path) -> bool:
    """Run the tests; whether every one passed. What they said comes in one piece."""
    start = time.monotonic()
    only = work / f"only-{kind}"  # the checkout's own package is not on the path
    only.mkdir()
    (only / "tests").symlink_to(work / f"clone-{kind}" / "tests", target_is_directory=True)
    done = subprocess.run(
        [str(python), "-m", "pytest", *TESTS],
        env={**_env(), "PYTHONPATH": str(only)},
        cwd=work / f"clone-{kind}",
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    took = time.monotonic() - start
    told = "passed" if done.returncode == 0 else "FAILED"
    print(f"{done.stdout}{kind}: {told}, {took:.0f} s to run", flush=True)
    return done.returncode == 0


def _env() -> dict[str, str]:
    """The environment without a path to another package."""
    env = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "VIRTUAL_ENV")}
    return env | {
        "PYTHONSAFEPATH": "1",
        "PIP_DISABLE_PIP_VERSION_CHECK": "1",
        "OPENBLAS_NUM_THREADS": "1",
    }


def _run_time() -> set[str]:
    words = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    named = (_NAMED.match(r) for r in words["project"]["dependencies"])
    return {found[1].lower() for found in named if found}


def main() -> None:
    """Each kind that was named, or both; leaves with 1 where one failed."""
    kinds = sys.argv[1:] or KINDS
    if not set(kinds) <= set(KINDS):
        sys.exit(f"say {' or '.join(KINDS)}")
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        clones = [work / f"clone-{kind}" for kind in kinds]
        for clone in clones:  # one each: tests that write beside themselves do not meet
            subprocess.run(["git", "clone", "--quiet", str(ROOT), str(clone)], check=True)
        build = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps"]
        subprocess.run([*build, "--wheel-dir", str(work / "dist"), str(clones[0])], check=True)
        pythons = [installed(kind, work) for kind in kinds]
        with ThreadPoolExecutor() as at_once:
            passed = list(at_once.map(checked, kinds, pythons, [work] * len(kinds)))
    sys.exit(0 if all(passed) else 1)


if __name__ == "__main__":
    main()
