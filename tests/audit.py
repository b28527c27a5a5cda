"""Run-time dependencies: version, the newest, licence, and known weaknesses.

Run ``python tests/audit.py`` in the environment that is to be looked at. Versions and
licences come from what is installed. The rest needs a network: the newest versions pip's
index, known weaknesses ``pip-audit`` (where it is installed) and its service. What could
not be asked is said; nothing is ever taken for sound because nobody answered.
"""

from __future__ import annotations

import importlib.metadata as metadata
import json
import re
import subprocess
import sys
from dataclasses import dataclass

PACKAGE = "shimopt"
PATIENCE_S = 120.0
# a version, not ours, and since when a weakness of it is known (CVE-2021-33503, from memory)
CONTROL = ("urllib3", "1.26.4", "2021")


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


def newer() -> dict[str, str] | None:
    """What pip knows a newer version of, and which; None where it could not ask."""
    words = [sys.executable, "-m", "pip", "list", "--outdated", "--format", "json"]
    try:
        done = subprocess.run(words, capture_output=True, text=True, timeout=PATIENCE_S)
        found = json.loads(done.stdout) if done.returncode == 0 else None
        return None if found is None else {_plain(f["name"]): f["latest_version"] for f in found}
    except (OSError, subprocess.TimeoutExpired, ValueError, KeyError, TypeError):
        return None


def audited(held: list[Held]) -> tuple[int, str]:
    """Exit code and words: 0 none known, 1 some known, 2 could not be asked, or not of all.

    Beside them one version is asked of whose weakness has been known for years: a service
    that keeps silent about it knows nothing of the others either.
    """
    name, version, since = CONTROL
    asked = {_plain(one.name): one.version for one in held}
    lines = "".join(f"{n}=={v}\n" for n, v in {name: version, **asked}.items())
    words = [sys.executable, "-m", "pip_audit", "--no-deps", "--disable-pip", "--format", "json"]
    try:
        done = subprocess.run(
            [*words, "-r", "/dev/stdin"],
            input=lines, capture_output=True, text=True, timeout=PATIENCE_S,
        )  # fmt: skip
    except (OSError, subprocess.TimeoutExpired) as error:
        return 2, f"NOT AUDITED: pip-audit did not answer ({type(error).__name__})"
    if "No module named pip_audit" in done.stderr:
        return 2, "NOT AUDITED: pip-audit is not installed (pip install pip-audit)"
    try:
        told = {_plain(one["name"]): one for one in json.loads(done.stdout)["dependencies"]}
        weak = {n: one["vulns"] for n, one in told.items() if "vulns" in one}
        known = [
            f"  {n} {asked[n]}: {v['id']}, mended in {', '.join(v['fix_versions']) or 'none yet'}"
            for n, found in weak.items()
            for v in found
            if n in asked
        ]
    except (ValueError, KeyError, TypeError):
        last = (done.stderr.strip().splitlines() or ["it said nothing"])[-1]
        return 2, f"NOT AUDITED: the service could not be asked ({last[:200]})"
    if known:
        return 1, "\n".join(["KNOWN WEAKNESSES", *known])
    if not weak.get(name):
        why = told.get(name, {}).get("skip_reason", "none known, it says")
        return 2, f"NOT AUDITED: of {name} {version}, weak since {since}, the service says: {why}"
    missing = sorted(asked.keys() - weak.keys())
    if missing:
        return 2, f"NOT AUDITED, the service does not know them: {', '.join(missing)}"
    return 0, f"audited: no known weakness in {len(asked)} packages"


def _needs(package: str) -> list[str]:
    """Names of the requirements that no extra asks for."""
    wanted = [r for r in metadata.requires(package) or () if "extra ==" not in r]
    return [found[0] for r in wanted if (found := re.match(r"[A-Za-z0-9._-]+", r))]


def _plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def main() -> None:
    """A line for each dependency, then what is known against them."""
    held = dependencies()
    known = newer()
    for one in held:
        latest = (known or {}).get(_plain(one.name))
        age = "not asked" if known is None else f"newest {latest}" if latest else "is the newest"
        kind = "direct" if one.direct else "theirs"
        print(f"{one.name:<18} {one.version:<12} {kind:<7} {age:<17} {one.licence}")
    if known is None:
        print("newest versions: NOT ASKED, pip could not")
    code, said = audited(held)
    print(said)
    sys.exit(code)


if __name__ == "__main__":
    main()
