"""The quick core against an installed wheel, with the lowest and the newest versions allowed.

Run ``python tests/versions.py`` (or with ``lowest`` or ``newest`` behind it), on the oldest
Python that pyproject.toml admits and with a package index in reach. Each time it makes a
fresh virtual environment, builds a wheel from a clean clone, installs that with the test
extra, and runs tests/unit and tests/cli against it; the checkout's own package is not on the
path. ``lowest`` pins whatever pyproject.toml names itself to its lower bound, and leaves
what those need to their makers.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
KINDS = ("lowest", "newest")
EXTRAS = "test,sheets"
TESTS = ("-m", "not slow", "-q", "tests/unit", "tests/cli")
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


def checked(kind: str, work: Path) -> bool:
    """Install and run; whether every test passed."""
    start = time.monotonic()
    clone, home = work / "clone", work / kind
    python = home / ("Scripts" if os.name == "nt" else "bin") / "python"
    env = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "VIRTUAL_ENV")}
    env |= {
        "PYTHONSAFEPATH": "1",
        "PIP_DISABLE_PIP_VERSION_CHECK": "1",
        "OPENBLAS_NUM_THREADS": "1",
    }
    pip = [str(python), "-m", "pip", "install", "--quiet"]

    def call(*words: str, **named: object) -> None:
        subprocess.run(words, env=env, check=True, **named)  # type: ignore[call-overload]

    call(sys.executable, "-m", "venv", str(home))
    (wheel,) = (work / "dist").glob("*.whl")
    pins = work / "lowest.txt"
    pins.write_text("".join(f"{name}=={version}\n" for name, version in lowest().items()))
    how = ["--constraint", str(pins)] if kind == "lowest" else ["--upgrade"]
    call(*pip, *how, f"{wheel}[{EXTRAS}]")
    said = "import optimizer; print(optimizer.__file__)"
    where = subprocess.check_output([str(python), "-c", said], env=env, cwd=work, text=True)
    if not Path(where.strip()).is_relative_to(home):
        raise RuntimeError(f"not the installed wheel but {where}")
    call(str(python), "-c", _VERSIONS, *(n for n in lowest() if n in _run_time()), cwd=work)
    only = work / "only"
    only.mkdir(exist_ok=True)
    if not (only / "tests").exists():
        (only / "tests").symlink_to(clone / "tests", target_is_directory=True)
    ready = time.monotonic() - start
    done = subprocess.run(
        [str(python), "-m", "pytest", *TESTS], env={**env, "PYTHONPATH": str(only)}, cwd=clone
    )
    took = time.monotonic() - start
    told = "passed" if done.returncode == 0 else "FAILED"
    print(f"{kind}: {told}, {ready:.0f} s to install, {took - ready:.0f} s to run", flush=True)
    return done.returncode == 0


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
        subprocess.run(["git", "clone", "--quiet", str(ROOT), str(work / "clone")], check=True)
        build = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps"]
        subprocess.run([*build, "--wheel-dir", str(work / "dist"), str(work / "clone")], check=True)
        passed = [checked(kind, work) for kind in kinds]
    sys.exit(0 if all(passed) else 1)


if __name__ == "__main__":
    main()
