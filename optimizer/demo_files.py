"""The demo logbook that travels with the package."""

from __future__ import annotations

import shlex
import shutil
from importlib import resources
from pathlib import Path

from optimizer.errors import CallError, ShimoptError

FILES = ("car.toml", "runs.csv", "readings.csv", "offers.csv")


def demo_folder() -> Path:
    """Where the demo lies: inside an installed package, or in a checkout's ``data``."""
    inside = Path(str(resources.files("optimizer"))) / "demo"
    beside = Path(__file__).resolve().parents[1] / "data" / "demo"
    return inside if inside.is_dir() else beside


def copy_demo(folder: Path) -> tuple[Path, ...]:
    """Copy the demo logbook into a folder that is new or empty.

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
        raise CallError(found, f"{look if held >= set(FILES) else ''}name another folder")
    try:
        return tuple(Path(shutil.copyfile(demo_folder() / f, folder / f)) for f in FILES)
    except OSError as error:
        found = f"{folder} cannot be written: {error.strerror or error}"
        raise ShimoptError(found, "name a folder that you may write to") from error
