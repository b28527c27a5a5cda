"""The demo logbook that travels with the package."""

from __future__ import annotations

import shlex
from importlib import resources
from pathlib import Path

from optimizer.errors import CallError, ShimoptError
from optimizer.logbook.disk import is_temporary, replace_bytes

LOGBOOK = ("car.toml", "runs.csv", "readings.csv")
LAST = "car.toml"
FIRST_RUN = "as-found.txt"  # as a table to start a logbook with
FOURTH_RUN = "run4.csv"  # in no logbook yet, to be taken in
FILES = (
    *(*LOGBOOK, "offers.csv", FIRST_RUN, FOURTH_RUN),
    *(f"{part}/{name}" for part in ("both-wheels", "ten-faults") for name in LOGBOOK),
)


def demo_folder() -> Path:
    """Where the demo lies: inside an installed package, or in a checkout's ``data``."""
    inside = Path(str(resources.files("optimizer"))) / "demo"
    beside = Path(__file__).resolve().parents[1] / "data" / "demo"
    return inside if inside.is_dir() else beside


def copy_demo(folder: Path) -> tuple[Path, ...]:
    """Copy the demo into a folder that is new or empty, or where copying it was cut off.

    Its logbook; beside that the first run as a pasted table and a fourth run to take in,
    and two logbooks more, both wheels of the axle and one with ten faults. Each file is
    whole or not there; `car.toml`, without which there is no logbook, comes last.

    Returns
    -------
    The files of the demo.

    Raises
    ------
    CallError
        If something stands there already.
    ShimoptError
        If it cannot be written.
    """
    if folder.exists() and not folder.is_dir():
        raise CallError(f"{folder} is a file, no folder", "name another folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        cut_off = _cut_off(folder)
        held = set() if cut_off else {path.name for path in folder.iterdir()}
    except OSError as error:
        raise ShimoptError(
            f"{folder} cannot be made: {error.strerror or error}", "name another folder"
        ) from error
    if held:
        found = f"{folder} already exists and is not empty; nothing was changed"
        look = f"look at it with: shimopt next {shlex.quote(str(folder))}, or "
        raise CallError(found, f"{look if held >= set(LOGBOOK) else ''}name another folder")
    try:
        for name in sorted(FILES, key=lambda name: name.endswith(LAST)):
            (folder / name).parent.mkdir(exist_ok=True)
            if not (folder / name).exists():
                replace_bytes(folder / name, (demo_folder() / name).read_bytes())
    except OSError as error:
        found = f"{folder} cannot be written: {error.strerror or error}"
        remedy = "name a folder that you may write to, on a disk with room; here the same again "
        raise ShimoptError(found, f"{remedy}goes on where it stopped") from error
    return tuple(folder / name for name in FILES)


def _cut_off(folder: Path) -> bool:
    """Whether the folder holds some of the demo's files, each whole, and nothing else."""
    there = {p.relative_to(folder).as_posix(): p for p in folder.rglob("*") if not p.is_dir()}
    own = {name: path for name, path in there.items() if not is_temporary(path.name)}
    return set(own) < set(FILES) and all(
        path.read_bytes() == (demo_folder() / name).read_bytes() for name, path in own.items()
    )
