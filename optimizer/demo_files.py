"""The demo logbook that travels with the package."""

from __future__ import annotations

import shlex
import shutil
from importlib import resources
from pathlib import Path

from optimizer.errors import CallError, ShimoptError

LOGBOOK = ("car.toml", "runs.csv", "readings.csv")
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
    """Copy the demo into a folder that is new or empty: the files made.

    Its logbook; beside that the first run as a pasted table and a fourth run to take in,
    and two logbooks more, both wheels of the axle and one with ten faults.

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
        held = {path.name for path in folder.iterdir()}
    except OSError as error:
        raise ShimoptError(
            f"{folder} cannot be made: {error.strerror or error}", "name another folder"
        ) from error
    if held:
        found = f"{folder} already exists and is not empty; nothing was changed"
        look = f"look at it with: shimopt next {shlex.quote(str(folder))}, or "
        raise CallError(found, f"{look if held >= set(LOGBOOK) else ''}name another folder")
    try:
        for name in FILES:
            (folder / name).parent.mkdir(exist_ok=True)
            shutil.copyfile(demo_folder() / name, folder / name)
    except OSError as error:
        found = f"{folder} cannot be written: {error.strerror or error}"
        raise ShimoptError(found, "name a folder that you may write to") from error
    return tuple(folder / name for name in FILES)
