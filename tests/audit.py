"""Run-time dependencies: version, age of the release, licence, and known weaknesses.

Run ``python tests/audit.py`` in the environment that is to be looked at. Versions and
licences come from what is installed. Ages and weaknesses need a network: the release's day
from the package index, and ``pip-audit`` (where it is installed) for its service. What could
not be asked is said; nothing is ever taken for sound because nobody answered.
"""

from __future__ import annotations

import datetime as dt
import importlib.metadata as metadata
import json
import re
import subprocess
import sys
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass

PACKAGE = "shimopt"
INDEX = "https://pypi.org/pypi/{name}/{version}/json"
PATIENCE_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """One dependency as it is installed."""

    name: str
    version: str
    licence: str
    direct: bool


def dependencies(package: str = PACKAGE) -> list[Held]:
    """What the package needs at run time, and what that needs in turn; without extras."""
    found: dict[str, Held] = {}
    waiting = [(name, True) for name in _needs(package)]
    while waiting:
        name, direct = waiting.pop(0)
        key = _plain(name)
        if key in found:
            continue
        try:
            told = metadata.metadata(name)
        except metadata.PackageNotFoundError:
            continue  # of another system or Python: a marker left it out
        found[key] = Held(
            name=told["Name"], version=told["Version"], licence=licence(told), direct=direct
        )
        waiting += [(n, False) for n in _needs(name)]
    return sorted(found.values(), key=lambda held: (not held.direct, held.name.lower()))


def licence(told: metadata.PackageMetadata) -> str:
    """The licence in few words: its SPDX expression, its classifiers, or its first line."""
    classed = [
        c.rpartition(" :: ")[2] for c in told.get_all("Classifier") or () if c.startswith("License")
    ]
    stated = (told.get("License") or "").strip().splitlines()
    return told.get("License-Expression") or "; ".join(classed) or next(iter(stated), "not stated")


def age_days(held: Held, opened: Callable[..., object] = urllib.request.urlopen) -> int | None:
    """Days since this version was put on the index; None where the index did not say."""
    address = INDEX.format(name=held.name, version=held.version)
    try:
        with opened(address, timeout=PATIENCE_S) as answer:  # type: ignore[attr-defined]
            files = json.load(answer)["urls"]
        days = [dt.date.fromisoformat(file["upload_time"][:10]) for file in files]
        return (dt.datetime.now(dt.UTC).date() - min(days)).days
    except (OSError, ValueError, KeyError, TypeError):
        return None


def audited(held: list[Held]) -> tuple[int, str]:
    """Exit code and words: 0 none known, 1 some known, 2 could not be asked."""
    names = "".join(f"{one.name}=={one.version}\n" for one in held)
    words = [sys.executable, "-m", "pip_audit", "--no-deps", "--disable-pip", "-r", "/dev/stdin"]
    try:
        done = subprocess.run(words, input=names, capture_output=True, text=True, timeout=120)
    except (OSError, subprocess.TimeoutExpired) as error:
        return 2, f"NOT AUDITED: pip-audit did not answer ({type(error).__name__})"
    said = (done.stdout + done.stderr).strip()
    if "No module named pip_audit" in said:
        return 2, "NOT AUDITED: pip-audit is not installed (pip install pip-audit)"
    if done.returncode == 0 and "No known vulnerabilities" in said:
        return 0, "audited: no known weaknesses"
    if re.search(r"Found \d+ known vulnerabilit", said):
        return 1, said
    last = said.splitlines()[-1] if said else "it said nothing"
    return 2, f"NOT AUDITED: the service could not be asked ({last[:200]})"


def _needs(package: str) -> list[str]:
    """Names of the requirements that no extra asks for."""
    wanted = [r for r in metadata.requires(package) or () if "extra ==" not in r]
    return [found[0] for r in wanted if (found := re.match(r"[A-Za-z0-9._-]+", r))]


def _plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def main() -> None:
    """A line for each dependency, then what is known against them."""
    held = dependencies()
    reached = True
    for one in held:
        days = age_days(one) if reached else None
        reached = reached and days is not None  # one refusal is enough: no waiting for each
        age = f"{days} days" if days is not None else "age not known"
        kind = "direct" if one.direct else "theirs"
        print(f"{one.name:<18} {one.version:<12} {kind:<7} {age:<14} {one.licence}")
    if not reached:
        print("ages: NOT ALL ASKED, the index did not answer")
    code, said = audited(held)
    print(said)
    sys.exit(code)


if __name__ == "__main__":
    main()
